"""Kernels loaded without their intermediate code: they run, and can be taken into new ones."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from sim import kernels
from sim.warm import compile_kernels

_SCRIPT = """
import numba
import numpy as np
from sim.machine_code import leave_unread
leave_unread()
leave_unread()
from sim import kernels

matrix, vector = np.arange(6.0).reshape(2, 3), np.array([1.0, -2.0, 0.5])
kernels.times(matrix, vector, np.zeros(2))
assert kernels.times.stats.cache_hits, "compiled here, not loaded"

@numba.njit
def twice(a, x, out):
    kernels.times(a, x, out)
    out *= 2.0

out = np.zeros(2)
twice(matrix, vector, out)
print(*out)
"""


@pytest.mark.skipif(not kernels.HAVE_NUMBA, reason="there is nothing compiled without numba")
def test_a_loaded_kernel_can_be_taken_into_a_new_one() -> None:
    compile_kernels()
    kernels.times(*_arguments())  # type: ignore[arg-type]
    done = subprocess.run(
        [sys.executable, "-c", _SCRIPT],
        cwd=Path(__file__).resolve().parents[2],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    # by hand: 2 (0 - 2 + 1), 2 (3 - 8 + 2.5)
    assert done.stdout.split() == ["-2.0", "-5.0"]


def _arguments() -> tuple[object, ...]:
    import numpy as np

    return np.ones((2, 3)), np.ones(3), np.zeros(2)

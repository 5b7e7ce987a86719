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


_WITHOUT_ALGEBRA = """
import sys
from sim.machine_code import leave_linear_algebra
leave_linear_algebra()
import numpy as np
import sim
from sim import kernels

solution = sim.solve(sim.load("arms_4s_analogue"), event=1, option=1, detail="edges")
assert solution.detail == "edges"
solution.rated()
print("scipy.linalg" in sys.modules)
# asked for, it is there: 2 x' = 4 x + 6 u
one = np.ones((1, 1, 1))
a, force = kernels.switch_matrices(
    np.full((1, 4), -1), 4.0 * one, 6.0 * one, 2.0 * one, np.zeros((0, 1, 1, 1)), False,
    np.zeros(1), np.zeros(1), np.ones(1),
)
print(a[0, 0], force[0])
"""

_compiled = pytest.mark.skipif(
    not kernels.HAVE_NUMBA, reason="there is nothing compiled without numba"
)


@_compiled
def test_a_loaded_kernel_can_be_taken_into_a_new_one() -> None:
    compile_kernels()
    kernels.times(*_arguments())  # type: ignore[arg-type]
    # by hand: 2 (0 - 2 + 1), 2 (3 - 8 + 2.5)
    assert _printed(_SCRIPT) == ["-2.0", "-5.0"]


@_compiled
def test_runs_do_without_a_librarys_linear_algebra() -> None:
    """And a system of equations within a kernel has it all the same."""
    compile_kernels()
    assert _printed(_WITHOUT_ALGEBRA) == ["False", "2.0", "3.0"]


def test_a_product_of_matrices_is_numpys() -> None:
    import numpy as np

    dice = np.random.default_rng(3)
    for rows, inner, columns in ((1, 1, 1), (37, 37, 37), (120, 38, 14), (3, 50, 2)):
        a, b = dice.normal(size=(rows, inner)), dice.normal(size=(inner, columns))
        out = np.full((rows, columns), np.nan)
        kernels.multiply(a, b, out)
        # rounding of `inner` products of about one
        assert np.abs(out - a @ b).max() <= 1e-15 * 20 * inner


def _printed(script: str) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=Path(__file__).resolve().parents[2],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


def _arguments() -> tuple[object, ...]:
    import numpy as np

    return np.ones((2, 3)), np.ones(3), np.zeros(2)

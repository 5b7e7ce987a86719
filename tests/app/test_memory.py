"""What the solver's process lets go of can be used again."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from app.solver.memory import untouched
from sim import kernels

#: Two parts of a library, what it wrote to as it was loaded, what it may write to, and another.
_SMAPS = """\
7f0000000000-7f0000100000 r--p 00000000 fe:00 11   /lib/python/llvmlite/binding/libllvmlite.so
Rss:                1024 kB
Anonymous:             0 kB
VmFlags: rd mr mw me
7f0000100000-7f0000900000 r-xp 00100000 fe:00 11   /lib/python/llvmlite/binding/libllvmlite.so
Rss:                8192 kB
Anonymous:             0 kB
7f0000900000-7f0000a00000 r--p 00900000 fe:00 11   /lib/python/llvmlite/binding/libllvmlite.so
Rss:                1024 kB
Anonymous:           512 kB
7f0000a00000-7f0000b00000 rw-p 00a00000 fe:00 11   /lib/python/llvmlite/binding/libllvmlite.so
Anonymous:             0 kB
7f0000b00000-7f0000c00000 r-xp 00000000 fe:00 12   /lib/llvmlite/python/other.so
Anonymous:             0 kB
7f0000c00000-7f0000d00000 r--p 00000000 00:00 0
Anonymous:             0 kB
"""

_LEAVE = """
import re
from pathlib import Path
import sim
import sim.findings
from app.solver.memory import leave_code_generator

def held():
    parts = re.split(r"^(?=[0-9a-f]+-)", Path("/proc/self/smaps").read_text(), flags=re.M)
    own = [part for part in parts if "libllvmlite" in part]
    return sum(int(re.search(r"^Rss: +([0-9]+)", part, re.M)[1]) for part in own)

build = sim.load("arms_4s_analogue")

def figures(option):
    solution = sim.solve(build, event=1, option=option, detail="edges")
    assert solution.detail == "edges"
    return [cell.value for cell in sim.findings.cells_of("", solution)]

before = figures(1)
much = held()
leave_code_generator()
little = held()
print(much, little, before == figures(1), len(figures(5)) > 0)
"""


def test_only_what_is_as_in_its_file_is_let_go() -> None:
    assert untouched(_SMAPS, "llvmlite") == [
        (0x7F0000000000, 0x7F0000100000),
        (0x7F0000100000, 0x7F0000900000),
    ]
    assert untouched("", "llvmlite") == []


@pytest.mark.skipif(
    not (kernels.HAVE_NUMBA and Path("/proc/self/smaps").exists()),
    reason="there is nothing to let go of without numba, and only Linux tells where it is",
)
def test_kernels_run_on_without_what_loaded_them() -> None:
    """The same figures again, and other kernels are read in behind it."""
    out = subprocess.run(
        [sys.executable, "-c", _LEAVE], capture_output=True, text=True, check=True, timeout=120
    )
    much, little, same, more = out.stdout.split()
    assert (same, more) == ("True", "True")
    assert int(little) < 0.2 * int(much)

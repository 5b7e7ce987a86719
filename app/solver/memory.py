"""How much memory the solver's process keeps for itself, where the C library can be told."""

from __future__ import annotations

import ctypes
import re
from contextlib import suppress
from pathlib import Path

# Of the C library's own header, malloc.h.
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8
# Of mman.h, on Linux.
_MADV_DONTNEED = 4
# Of sizes and of what is free at a heap's end, in bytes.
_LITTLE, _LITTLE_FREE = 256 << 10, 128 << 10
# (no more is allowed of a size)
_MUCH, _MUCH_FREE = 32 << 20, 1 << 30


def hold_little() -> None:
    """Have large arrays go back to the system once they are done with.

    Left to itself the library keeps what it was given for runs, in a heap for each thread: 100 MB.
    """
    _settle({_M_MMAP_THRESHOLD: _LITTLE, _M_TRIM_THRESHOLD: _LITTLE_FREE, _M_ARENA_MAX: 2})


def hold_much() -> None:
    """Keep what is done with, for a while in which the same is wanted again and again.

    Pages that come from the system anew are an eighth of the time of a drag's answer.
    """
    _settle({_M_MMAP_THRESHOLD: _MUCH, _M_TRIM_THRESHOLD: _MUCH_FREE})


def give_back() -> None:
    """Hand what is free back to the system: after a comparison 90 MB."""
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


def leave_code_generator() -> None:
    """Let go of what was read of LLVM's library: 60 MB that only load kernels, and then lie there.

    Only of places that nobody can have written to, so what is wanted once more comes from its
    file again. Nothing is done where the system does not tell such places.
    """
    with suppress(OSError, AttributeError, TypeError, ValueError):
        library = ctypes.CDLL(None)
        advise = library.madvise
        advise.argtypes = (ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int)
        for start, end in untouched(Path("/proc/self/smaps").read_text(), "llvmlite"):
            advise(start, end - start, _MADV_DONTNEED)


def untouched(smaps: str, library: str) -> list[tuple[int, int]]:
    """Where parts of a library lie that are as in its file, and that may not be written to."""
    found = []
    for part in re.split(r"^(?=[0-9a-f]+-[0-9a-f]+ )", smaps, flags=re.MULTILINE):
        head, _, told = part.partition("\n")
        where, _, rest = head.partition(" ")
        plain = rest.startswith("r-") and library in rest.rpartition("/")[2]
        if plain and re.search(r"^Anonymous: +0 kB$", told, flags=re.MULTILINE):
            start, end = (int(one, 16) for one in where.split("-"))
            found.append((start, end))
    return found


def _settle(options: dict[int, int]) -> None:
    with suppress(OSError, AttributeError, TypeError):
        settle = ctypes.CDLL(None).mallopt
        for option, value in options.items():
            settle(option, value)

"""How much memory the solver's process keeps for itself, where the C library can be told."""

from __future__ import annotations

import ctypes
from contextlib import suppress

# Of the C library's own header, malloc.h.
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8
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


def _settle(options: dict[int, int]) -> None:
    with suppress(OSError, AttributeError, TypeError):
        settle = ctypes.CDLL(None).mallopt
        for option, value in options.items():
            settle(option, value)

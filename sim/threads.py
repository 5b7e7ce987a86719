"""One BLAS thread while we solve.

The matrices are small: with threads of its own, OpenBLAS spends ten times as long on
each of them where the machine is busy with anything else.
"""

from __future__ import annotations

import threading
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any

from threadpoolctl import ThreadpoolController  # type: ignore[import-untyped]

if TYPE_CHECKING:
    from collections.abc import Iterator

_lock = threading.Lock()
_inside = 0
_limit: Any = None


@cache
def _controller() -> Any:
    # looking for the libraries takes milliseconds, so only once
    return ThreadpoolController()


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Hold BLAS to one thread; may be entered again, and by several threads at once.

    The limit is the process's own: it holds from the first to enter to the last to leave.
    """
    global _inside, _limit
    with _lock:
        if _inside == 0:
            _limit = _controller().limit(limits=1, user_api="blas")
        _inside += 1
    try:
        yield
    finally:
        with _lock:
            _inside -= 1
            if _inside == 0:
                _limit.restore_original_limits()
                _limit = None

"""Several runs at once, and one BLAS thread while we solve.

The matrices are small: with threads of its own, OpenBLAS spends ten times as long on
each of them where the machine is busy with anything else. The kernels let go of the
interpreter, so runs in threads of ours use all cores.
"""

from __future__ import annotations

import os
import threading
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar

from threadpoolctl import ThreadpoolController  # type: ignore[import-untyped]

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

T = TypeVar("T")

#: Runs solved at once.
THREADS = min(4, os.cpu_count() or 1)

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


def side_by_side(
    works: Sequence[Callable[[], T]], meanwhile: Callable[[], object] | None = None
) -> list[T]:
    """What all works return, done `THREADS` at a time.

    Parameters
    ----------
    meanwhile : called again and again in the calling thread while it waits

    Raises what the first work to fail raises, once those that have begun have ended.
    """
    with ThreadPoolExecutor(THREADS) as pool:
        runs = [pool.submit(work) for work in works]
        try:
            while wait(runs, timeout=0.02, return_when=FIRST_EXCEPTION).not_done:
                if meanwhile is not None:
                    meanwhile()
                if any(run.done() and run.exception() is not None for run in runs):
                    break
            return [run.result() for run in runs]
        finally:
            for run in runs:
                run.cancel()

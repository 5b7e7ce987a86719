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

import numpy as np
from threadpoolctl import ThreadpoolController  # type: ignore[import-untyped]

from sim.errors import Cancelled

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

T = TypeVar("T")

#: Runs solved at once.
THREADS = min(4, os.cpu_count() or 1)

_NEVER = np.zeros(1, dtype=np.int64)
_lock = threading.Lock()
_inside = 0
_limit: Any = None


@cache
def _controller() -> Any:
    # looking for the libraries takes milliseconds, so only once
    return ThreadpoolController()


class _Told(threading.local):
    """What each thread looks at to know that nobody waits for its work any more."""

    flag = _NEVER
    asked: Callable[[], bool] | None = None


_told = _Told()


def stop_flag() -> NDArray[np.int64]:
    """One number that is not 0 once this thread's work is wanted no more; for kernels."""
    return _told.flag


def heed() -> None:
    """Asked now and then in work of milliseconds that is given no `cancelled` of its own.

    Raises
    ------
    Cancelled   once this thread's work is wanted no more
    """
    if _told.flag[0] or (_told.asked is not None and _told.asked()):
        raise Cancelled("run", "stopped for a newer request")


@contextmanager
def stopped_by(cancelled: Callable[[], bool] | None) -> Iterator[None]:
    """Have `heed` ask `cancelled` in this thread; None: nobody."""
    before, _told.asked = _told.asked, cancelled
    try:
        yield
    finally:
        _told.asked = before


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

    Raises what the first work to fail, or `meanwhile`, raises, once those that have begun have
    ended; they are told to stop (see `heed`).
    """
    flag = np.zeros(1, dtype=np.int64)

    def told(work: Callable[[], T]) -> T:
        _told.flag = flag
        try:
            return work()
        finally:
            _told.flag = _NEVER

    with ThreadPoolExecutor(THREADS) as pool:
        runs = [pool.submit(told, work) for work in works]
        try:
            while wait(runs, timeout=0.02, return_when=FIRST_EXCEPTION).not_done:
                if meanwhile is not None:
                    meanwhile()
                for run in runs:
                    if run.done():
                        # (raises if it failed)
                        run.result()
            return [run.result() for run in runs]
        finally:
            flag[0] = 1
            for run in runs:
                run.cancel()

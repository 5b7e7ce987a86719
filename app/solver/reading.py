"""One answer of a drag, read off beside the thread that solves the next.

Kernels let go of the interpreter, so that the two run on two cores.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Future


class Reading:
    """Work of one thread, a piece at a time."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="reading")
        self._now: Future[None] | None = None

    def begin(self, work: Callable[[], None]) -> None:
        """Have `work` done, once what was begun before has ended."""
        self.wait()
        self._now = self._pool.submit(work)

    def wait(self) -> None:
        """Until what was begun has ended. Raises what it raised."""
        now, self._now = self._now, None
        if now is not None:
            now.result()

    def close(self) -> None:
        """End the thread."""
        self._pool.shutdown()

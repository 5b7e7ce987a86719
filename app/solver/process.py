"""The solver process as a handle: start, send, receive, cancel, kill. No Qt in here.

One persistent process, so that scipy is imported once and never into the
window. Answers of some 100 kB go through the pipe in well under a millisecond, so
shared memory holds only the two numbers that must be seen at once: the newest
request, and zooms sent.
"""

from __future__ import annotations

import threading
from contextlib import suppress
from typing import TYPE_CHECKING

from app.solver.child import Child
from app.solver.protocol import Zoom

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from app.solver.child import Number
    from app.solver.protocol import Message, Request

# BLAS threads of the solver made the window's timers 20 to 40 ms late.
_ONE_BLAS_THREAD = dict.fromkeys(
    ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"), "1"
)


class SolverProcess:
    """A running solver.

    Parameters
    ----------
    engine : name of the module whose `solve` and `compare` are used
    """

    def __init__(self, engine: str = "sim") -> None:
        self._child = Child(_serve, (engine,), numbers=2, settings=_ONE_BLAS_THREAD)
        self._newest, self._zooms = self._child.numbers
        self._newest.value = -1
        self._ours = self._child.pipe
        # The window's own thread and its reader both send; one message at a time.
        self._sending = threading.Lock()
        # What is sent before it is there lies in the pipe.
        self._starting = threading.Thread(target=self._child.start, daemon=True)
        self._starting.start()

    @property
    def pid(self) -> int | None:
        """Its process id."""
        self._starting.join()
        return self._child.pid

    def send(self, message: Request | Zoom) -> None:
        """Hand over a request (the worker must be free) or a zoom (at any time)."""
        with self._sending:
            self._put(message)

    def send_at_once(self, request: Request) -> bool:
        """Hand over a request if nothing else is being sent; whether it was."""
        if not self._sending.acquire(blocking=False):
            return False
        try:
            self._put(request)
        finally:
            self._sending.release()
        return True

    def _put(self, message: Request | Zoom) -> None:
        if isinstance(message, Zoom):
            self._zooms.value += 1
        else:
            self._newest.value = message.id
        # A dead worker is noticed by the reader, which gets the end of the pipe.
        with suppress(OSError):
            self._ours.send(message)

    def cancel(self) -> None:
        """Stop what is being solved; the worker sees it at its next right-hand side."""
        self._newest.value = -1

    def receive(self) -> Message | None:
        """Wait for the next message; None when the worker is gone."""
        try:
            return self._ours.recv()
        except (EOFError, OSError):
            return None

    @property
    def exit_code(self) -> int | None:
        """What it ended with; None while it runs."""
        return self._child.exit_code

    def kill(self) -> None:
        """End the process now."""
        self._starting.join()
        self._child.kill()

    def close(self) -> None:
        """End the process: by asking, then by force."""
        self.cancel()
        self._starting.join()
        with self._sending, suppress(OSError):
            self._ours.send(None)
        if not self._child.wait(0.5):
            self.kill()


def _serve(connection: Connection, newest: Number, zooms: Number, engine: str) -> None:
    """Entry of the process: the worker's imports must not load numpy into the window."""
    from app.solver.worker import main

    main(connection, newest, zooms, engine)

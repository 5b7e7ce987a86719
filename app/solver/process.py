"""The solver process as a handle: start, send, receive, cancel, kill. No Qt in here.

One persistent process, so that scipy is imported once and never into the
window. It is forked from a clean server process where the system can (which itself
has nothing imported: it would hold some 60 MB beside the worker's own) and spawned
where it cannot. Answers of some 100 kB
go through the pipe in well under a millisecond, so shared memory holds only the
two numbers that must be seen at once: the newest request, and zooms sent.
"""

from __future__ import annotations

import multiprocessing
import os
import threading
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from app.solver.protocol import Zoom

if TYPE_CHECKING:
    from collections.abc import Iterator
    from multiprocessing.connection import Connection
    from typing import Any

    from app.solver.protocol import Message, Request

_STARTING = threading.Lock()


class SolverProcess:
    """A running solver.

    Parameters
    ----------
    engine : name of the module whose `solve` and `compare` are used
    """

    def __init__(self, engine: str = "sim") -> None:
        fork_server = "forkserver" in multiprocessing.get_all_start_methods()
        context = multiprocessing.get_context("forkserver" if fork_server else "spawn")
        if fork_server:
            # by itself the server would import the program's main module, window and all
            context.set_forkserver_preload(["app.solver"])
        self._newest = context.RawValue("q", -1)
        self._zooms = context.RawValue("q", 0)
        # The window's own thread and its reader both send; one message at a time.
        self._sending = threading.Lock()
        self._ours: Connection
        self._ours, theirs = context.Pipe()
        self._process = context.Process(
            target=_serve,
            args=(theirs, self._newest, self._zooms, engine),
            name="rippletree-solver",
            daemon=True,
        )
        # The first start waits for the server process to import the engine. What is
        # sent meanwhile lies in the pipe.
        self._starting = threading.Thread(target=self._start, args=(theirs,), daemon=True)
        self._starting.start()

    def _start(self, theirs: Connection) -> None:
        # One at a time, or one start would take the other's setting for the user's.
        with _STARTING, _one_blas_thread():
            self._process.start()
        theirs.close()

    @property
    def pid(self) -> int | None:
        self._starting.join()
        return self._process.pid

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

    def kill(self) -> None:
        """End the process now."""
        self._starting.join()
        self._process.kill()
        self._process.join(2.0)

    def close(self) -> None:
        """End the process: by asking, then by force."""
        self.cancel()
        self._starting.join()
        with self._sending, suppress(OSError):
            self._ours.send(None)
        self._process.join(0.5)
        if self._process.is_alive():
            self.kill()


def _serve(connection: Connection, newest: Any, zooms: Any, engine: str) -> None:
    """Entry of the process: the worker's imports must not load numpy into the window."""
    from app.solver.worker import main

    main(connection, newest, zooms, engine)


@contextmanager
def _one_blas_thread() -> Iterator[None]:
    """BLAS threads of the solver made the window's timers 20 to 40 ms late."""
    names = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")
    before = {name: os.environ.get(name) for name in names}
    os.environ.update(dict.fromkeys(names, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value

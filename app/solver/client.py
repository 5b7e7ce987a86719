"""The window's end of the solver: newest request wins, and nothing here ever waits."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import msgspec
from PySide6.QtCore import QObject, QTimer, Signal

from app.solver.process import SolverProcess
from app.solver.protocol import (
    Answer,
    Curves,
    Done,
    Fault,
    Progress,
    ReadyForNext,
    Request,
    Zoom,
)

if TYPE_CHECKING:
    from app.solver.protocol import Message

# A cancelled solve stops at its next right-hand side, within milliseconds. One
# that does not is stuck in a library call; then the process is ended.
_LAST_RESORT_MS = 1500


class SolverClient(QObject):
    """Sends requests one at a time and hands out what comes back.

    While one is being solved only the newest further request is kept, so the
    pipe never fills. A request of a drag lets the previous one of the same drag
    end, otherwise a hand that moves faster than the solver would see no curve
    at all; any other request stops what is running. The next of a drag is
    sent as soon as the last is solved, and solved while that is still read off.

    The thread that reads the pipe passes the waiting request on by itself as soon as
    the worker is free: the window may just be painting what came before it.

    Parameters
    ----------
    process : a solver that may already be at work
    running : the request it is at work on, if any

    Signals
    -------
    message : `Answer`, `Curves`, `Ghost`, `FindingsRow` or `Fault`
    busy_changed : bool, whether anything is being solved
    progress : float, share of the comparison done
    """

    message = Signal(object)
    busy_changed = Signal(bool)
    progress = Signal(float)
    _arrived = Signal(object, object)

    def __init__(
        self,
        process: SolverProcess | None = None,
        running: Request | None = None,
        parent: QObject | None = None,
        engine: str = "sim",
    ) -> None:
        super().__init__(parent)
        self._engine = engine
        self._process = process or SolverProcess(engine)
        # Guards what runs and what waits, which the reader changes too. Nothing is sent
        # under it by the window: the reader must never wait while a pipe is full.
        self._lock = threading.Lock()
        self._running = running
        self._answered = False
        # what runs is of a drag and solved: the next of it can be sent
        self._takes_next = False
        self._waiting: Request | None = None
        self._stopping: Request | None = None
        # the worker does again, with the kernels that have come, what it had done without
        self._unasked = False
        self._zooming = False
        self._next_zoom: Zoom | None = None
        self._crashes = 0
        self._closed = False
        self._last_resort = QTimer(self, singleShot=True, interval=_LAST_RESORT_MS)
        self._last_resort.timeout.connect(self._restart)
        self._arrived.connect(self._take)
        self._listen()

    @property
    def busy(self) -> bool:
        return self._running is not None

    @property
    def pid(self) -> int | None:
        """Process id of the solver."""
        return self._process.pid

    def request(self, request: Request) -> None:
        """Solve this as soon as may be; it replaces any request that still waits."""
        self._next_zoom = None
        with self._lock:
            running = self._running
            at_once = running is None or (self._takes_next and request.live)
            if running is not None and not at_once:
                self._waiting = request
                if self._answered or not _may_finish(running, request):
                    self._stop_running()
        if at_once:
            self._start(request)

    def zoom(self, zoom: Zoom) -> None:
        """Curves of what was solved last over another window; the newest zoom wins."""
        if self._zooming:
            waiting = self._next_zoom
            if waiting is not None and waiting.columns and not zoom.columns:
                # Curves that still wait are not forgotten over figures.
                zoom = msgspec.structs.replace(zoom, columns=waiting.columns)
            if waiting is not None and zoom.laying is None:
                zoom = msgspec.structs.replace(zoom, laying=waiting.laying)
            self._next_zoom = zoom
        else:
            with self._lock:
                self._zooming = True
            self._process.send(zoom)

    def close(self) -> None:
        """End the solver and its reader; safe to call twice."""
        if self._closed:
            return
        with self._lock:
            self._closed = True
        self._last_resort.stop()
        self._process.close()
        self._reader.join(10.0)

    def _stop_running(self) -> None:
        """Under the lock, from the window's thread."""
        self._process.cancel()
        self._stopping = self._running
        self._last_resort.start()

    def _start(self, request: Request) -> None:
        with self._lock:
            self._set_running(request)
        self._process.send(request)
        self.busy_changed.emit(True)

    def _set_running(self, request: Request) -> None:
        self._waiting = None
        self._running = request
        self._unasked = False
        self._answered, self._takes_next = False, False

    def _pass_on(self, process: SolverProcess, message: Message | None) -> None:
        """In the reader's thread: what cannot wait until the window has time for it."""
        if not isinstance(message, Answer | ReadyForNext | Done):
            return
        with self._lock:
            waiting = self._waiting
            if self._closed or process is not self._process or not self._runs(message.request_id):
                return
            if isinstance(message, Answer):
                self._answered = True
                if waiting is not None:
                    # What is still to come would be of the older request.
                    process.cancel()
                return
            if isinstance(message, ReadyForNext):
                self._takes_next = True
                if waiting is not None and not waiting.live:
                    return
            # With a zoom under way the worker may be sending, not reading: were the
            # pipe full both would wait. The window's thread sends then.
            if waiting is not None and not self._zooming and process.send_at_once(waiting):
                self._set_running(waiting)

    def _runs(self, request_id: int) -> bool:
        """What runs is this request, and not one after it (under the lock)."""
        return self._running is not None and self._running.id == request_id

    def _listen(self) -> None:
        process = self._process

        def read() -> None:
            while True:
                message = process.receive()
                self._pass_on(process, message)
                try:
                    self._arrived.emit(process, message)
                except RuntimeError:
                    # the window went while a message was on its way
                    return
                if message is None:
                    return

        self._reader = threading.Thread(target=read, name="solver-reader", daemon=True)
        self._reader.start()

    def _take(self, process: SolverProcess, message: Message | None) -> None:
        if self._closed or process is not self._process:
            return
        if message is None:
            self._died()
        elif isinstance(message, Done):
            self._finished(message.request_id)
        elif isinstance(message, ReadyForNext):
            with self._lock:
                waiting = self._waiting if self._runs(message.request_id) else None
            if waiting is not None and waiting.live:
                self._start(waiting)
        elif isinstance(message, Progress):
            if not (self.busy or self._unasked):
                self._unasked = True
                self.busy_changed.emit(True)
            self.progress.emit(message.share)
        else:
            if isinstance(message, Answer):
                self._crashes = 0
                with self._lock:
                    if self._answered and self._waiting is not None:
                        self._stop_running()
            if isinstance(message, Answer | Curves):
                with self._lock:
                    self._zooming = False
                if self._next_zoom is not None:
                    zoom, self._next_zoom = self._next_zoom, None
                    self.zoom(zoom)
            self.message.emit(message)

    def _finished(self, request_id: int) -> None:
        with self._lock:
            # (the reader may have passed the next one on)
            over = self._runs(request_id)
            if over:
                self._running = None
            # the next one may have to be stopped in its turn by now
            if over or self._stopping is not self._running:
                self._last_resort.stop()
            waiting = self._waiting
        if not over:
            self._unasked = False
            self.busy_changed.emit(self.busy)
        elif waiting is not None:
            self._start(waiting)
        else:
            self.busy_changed.emit(False)

    def _died(self) -> None:
        """The process is gone: try once more, then say so."""
        lost = self._waiting or self._running
        self._crashes += 1
        if lost is not None and self._crashes > 1:
            self._waiting = None
            self._running = None
            self.message.emit(
                Fault(
                    lost.id,
                    "",
                    "",
                    "the solver process ended on this build",
                    "The build is safe. Undo the last change, or copy the report and send it",
                    "curves",
                    f"Solver process ended twice on request {lost.id}.",
                )
            )
        self._restart()

    def _restart(self) -> None:
        self._process.kill()
        self._reader.join(10.0)
        # (the reader is at its end, so nothing is passed on any more)
        wanted = self._waiting or self._running
        self._running = None
        self._zooming = False
        self._process = SolverProcess(self._engine)
        self._listen()
        if wanted is not None:
            self._start(wanted)
        else:
            self.busy_changed.emit(False)


def _may_finish(running: Request, newer: Request) -> bool:
    """Whether the curves of `running` are still worth having."""
    if running.live and newer.live:
        return True
    # The same picture: its solution is kept and answers the newer request at once.
    return (
        running.build is newer.build
        and running.option == newer.option
        and running.event == newer.event
    )

"""Work in a process of its own that sends what it finds, piece by piece.

Stopping it ends the process, so it is gone at once whatever it was doing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QObject, QTimer

from app.solver.child import Child

if TYPE_CHECKING:
    from collections.abc import Callable

_LOOK_MS = 50


class Beside(QObject):
    """A process, and a look now and then at what it has sent.

    Parameters
    ----------
    work : a function of a module, called there as work(pipe, *arguments); it sends messages
    """

    def __init__(
        self, work: Callable[..., None], arguments: tuple[Any, ...], parent: QObject | None = None
    ) -> None:
        super().__init__(parent)
        self.running = True
        self._process = Child(work, arguments)
        self._process.start()
        self._timer = QTimer(self, interval=_LOOK_MS)
        self._timer.timeout.connect(self._look)
        self._timer.start()

    def stop(self) -> None:
        """End it; safe to call twice."""
        self._timer.stop()
        self.running = False
        self._process.kill()
        self._process.pipe.close()

    def _look(self) -> None:
        try:
            while self.running and self._process.pipe.poll():
                self._take(self._process.pipe.recv())
        except (EOFError, OSError):
            self.stop()
            self._died()

    def _take(self, message: Any) -> None:
        """One message; calls `stop` if it is the last."""
        raise NotImplementedError

    def _died(self) -> None:
        """The process ended without a last message."""
        raise NotImplementedError

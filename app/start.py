"""The application around the window."""

from __future__ import annotations

import gc
import signal
from typing import TYPE_CHECKING

from PySide6.QtWidgets import QApplication

from app.look import system_is_dark
from app.notices import FaultCatcher
from app.solver.client import SolverClient
from app.window import MainWindow

if TYPE_CHECKING:
    from app.main_window import Begun


def show(begun: Begun, arguments: list[str]) -> int:
    """Show the window and serve it until it is closed; returns the exit code."""
    # Qt's loop would keep Python from seeing Ctrl+C; unsaved work is kept all the same.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    app = QApplication(arguments)
    app.setApplicationName("rippletree")
    app.setApplicationDisplayName("Rippletree")
    app.setStyle("Fusion")
    window = MainWindow(
        begun.build,
        begun.path,
        solver=SolverClient(begun.process, begun.running),
        dark=system_is_dark(),
    )
    catcher = FaultCatcher()
    catcher.caught.connect(window.show_bug)
    catcher.install()
    if begun.error is not None:
        window.say_broken(begun.error)
    elif not window.offer_recovery() and begun.path is None:
        window.offer_questions()
    # Libraries stay: looking through all of theirs takes as long as two frames of a drag.
    window.curves_ready.connect(gc.freeze)
    window.show()
    return app.exec()

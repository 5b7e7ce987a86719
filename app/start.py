"""The application around the window."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QApplication

from app.look import system_is_dark
from app.notices import FaultCatcher
from app.solver.client import SolverClient
from app.window import MainWindow

if TYPE_CHECKING:
    from pathlib import Path

    from app.solver.process import SolverProcess
    from app.solver.protocol import Request
    from sim.build import Build
    from sim.errors import SimError


def show(
    build: Build,
    path: Path | None,
    error: SimError | None,
    process: SolverProcess,
    running: Request,
    arguments: list[str],
) -> int:
    """Show the window and serve it until it is closed.

    Parameters
    ----------
    error : why the file that was asked for is not what is shown
    process, running : the solver, and the request it is already at work on
    """
    app = QApplication(arguments)
    app.setApplicationName("rippletree")
    app.setApplicationDisplayName("Rippletree")
    app.setStyle("Fusion")
    window = MainWindow(
        build, path, solver=SolverClient(process, running), dark=system_is_dark()
    )
    catcher = FaultCatcher()
    catcher.caught.connect(window.show_bug)
    catcher.install()
    if error is not None:
        window.say_broken(error)
    else:
        window.offer_recovery()
    window.show()
    return app.exec()

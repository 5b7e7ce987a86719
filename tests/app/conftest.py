"""Windows that close themselves when a test is over."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
import shiboken6

from app.window import MainWindow
from tests.app.driver import Driver

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from pytestqt.qtbot import QtBot

    from sim.build import Build


@pytest.fixture
def opened(qtbot: QtBot, tmp_path: Path) -> Iterator[Callable[[Build], Driver]]:
    windows: list[MainWindow] = []

    def open_window(build: Build) -> Driver:
        window = MainWindow(build, data_folder=tmp_path / "data")
        windows.append(window)
        with qtbot.waitActive(window):
            window.show()
            window.activateWindow()
        return Driver(qtbot, window)

    yield open_window
    for window in filter(shiboken6.isValid, windows):
        window.workbench.undo_stack.setClean()
        window.close()
        window.deleteLater()

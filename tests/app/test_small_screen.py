"""A window on a screen smaller than is comfortable: 720 lines at 150 and at 200 %."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest
from PySide6.QtCore import QPoint, QRect, QSize

from app.scope.ribbon import Ribbon
from app.small_screen import COMFORTABLE
from sim import load

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from sim.build import Build
    from tests.app.driver import Driver

# A process of its own, for a screen is given once: prints the least and the first size.
_ON_A_SCREEN = """
import json, sys
from pathlib import Path
from PySide6.QtWidgets import QApplication
from app.window import MainWindow
from sim import load
app = QApplication([])
window = MainWindow(load("arms_4s_analogue"), data_folder=Path(sys.argv[1]))
window.show()
app.processEvents()
room = window.screen().availableGeometry()
print(json.dumps([window.minimumSize().toTuple(), window.size().toTuple(), room.getRect()]))
window.workbench.undo_stack.setClean()
window.close()
"""


@pytest.mark.parametrize(("wide", "high"), [(853, 480), (640, 360), (1280, 1024)])
def test_the_window_fits_its_screen(tmp_path: Path, wide: int, high: int) -> None:
    screen = {"name": "small", "x": 0, "y": 0, "width": wide, "height": high}
    screen |= {"logicalDpi": 96, "logicalBaseDpi": 96, "dpr": 1.0}
    file = tmp_path / "screen.json"
    file.write_text(json.dumps({"screens": [screen]}))
    script = tmp_path / "show.py"
    script.write_text(f"if __name__ == '__main__':\n{_indented(_ON_A_SCREEN)}")
    env = os.environ | {"QT_QPA_PLATFORM": f"offscreen:configfile={file}"}
    got = subprocess.run(
        [sys.executable, script, tmp_path / "data"],
        env=env, capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    least, first, room = json.loads(got.stdout.splitlines()[-1])
    assert room[2:] == [wide, high]
    assert least == [min(wide, COMFORTABLE.width()), min(high, COMFORTABLE.height())]
    assert first[0] <= wide
    assert first[1] <= high


def _indented(text: str) -> str:
    return "".join(f"    {line}\n" for line in text.strip().splitlines())


@pytest.fixture
def small(opened: Callable[[Build], Driver]) -> Driver:
    drive = opened(load("arms_4s_analogue"))
    drive.until(drive.window.curves_ready, lambda: drive.window.scope is not None)
    drive.window.setMinimumSize(0, 0)
    return drive


def _resized(drive: Driver, size: QSize) -> None:
    drive.window.resize(size)
    drive.qtbot.waitUntil(lambda: drive.window.size() == size)
    drive.qtbot.wait(50)


def test_720_lines_at_150_percent_hold_it_all(small: Driver) -> None:
    window = small.window
    _resized(small, QSize(853, 480))
    glass = window.centralWidget()
    assert glass.verticalScrollBar().maximum() == 0
    assert glass.horizontalScrollBar().maximum() == 0
    seen = QRect(QPoint(), window.size())
    for widget in (window.top_row, window.answer_row, window.cards, window.frame, window.scope):
        assert seen.contains(QRect(widget.mapTo(window, QPoint()), widget.size()))
    # names in one line, the whole of them in the tip
    assert all(len(card.name_lines()) == 1 for card in window.cards.cards)
    assert window.cards.cards[-1].toolTip().startswith("At each ESC, camera grounded")
    _resized(small, COMFORTABLE)
    assert any(len(card.name_lines()) > 1 for card in window.cards.cards)


def test_less_than_that_scrolls(small: Driver) -> None:
    window = small.window
    _resized(small, QSize(640, 360))
    glass = window.centralWidget()
    assert glass.horizontalScrollBar().maximum() > 0
    small.curves()
    ribbon = window.scope.findChild(Ribbon)
    assert not window.rect().contains(ribbon.mapTo(window, ribbon.rect().bottomRight()))
    glass.ensureWidgetVisible(ribbon)
    assert window.rect().contains(ribbon.mapTo(window, ribbon.rect().bottomRight()))
    glass.ensureWidgetVisible(window.top_row.name)
    assert window.rect().contains(window.top_row.name.mapTo(window, QPoint(2, 2)))

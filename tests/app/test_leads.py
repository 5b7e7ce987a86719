"""Leads by hand and key: an end led elsewhere, a pair split, a length that cannot be."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from PySide6.QtCore import QPoint, Qt

from app.window import MainWindow
from sim import load

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pytestqt.qtbot import QtBot


class Silent:
    """A solver that is asked and never answers."""

    def request(self, request: object) -> None: ...

    def zoom(self, zoom: object) -> None: ...


@pytest.fixture
def window(qtbot: QtBot, tmp_path: Path) -> Iterator[MainWindow]:
    window = MainWindow(load("arms_4s_analogue"), data_folder=tmp_path / "data")
    window.workbench._solver = Silent()
    window.workbench.set_option(None)
    with qtbot.waitActive(window):
        window.show()
        window.activateWindow()
    window.frame.setFocus()
    yield window
    window.workbench.undo_stack.setClean()
    window.close()
    window.deleteLater()


def test_an_end_is_dragged_to_other_pads(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    bench.select(("arm1",))
    start = view.mapFromScene(view.lead_ends.place_of("from"))
    end = view.mapFromScene(view.scene_.middle_of("lc"))
    qtbot.mousePress(view.viewport(), Qt.MouseButton.LeftButton, pos=start)
    for at in ((start + end) / 2, end):
        qtbot.mouseMove(view.viewport(), at)
        if view.gesture:
            view.move_gesture(view.mapToScene(at))
    qtbot.mouseRelease(view.viewport(), Qt.MouseButton.LeftButton, pos=end)
    assert bench.build.lead("arm1").from_.startswith("lc.")
    assert bench.selection == ("arm1",)
    bench.undo_stack.undo()
    assert bench.build == load("arms_4s_analogue")


def test_a_lead_and_a_part_are_joined_by_a_key(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    bench.select(("to_fc", "esc1"))
    qtbot.keyClick(view, Qt.Key.Key_L)
    lead = bench.build.lead("to_fc")
    assert "esc1.in" in (lead.from_, lead.to)


def test_either_end_of_a_lead_goes_to_a_part_by_a_key(qtbot: QtBot, window: MainWindow) -> None:
    """L took the nearer end, and no key the other: the pack's own end could not be meant."""
    bench, view = window.workbench, window.frame
    was = load("arms_4s_analogue").lead("main")
    bench.select(("main", "esc2"))
    qtbot.keyClick(view, Qt.Key.Key_L)
    near = bench.build.lead("main")
    assert "Shift+L" in view.said
    qtbot.keyClick(view, Qt.Key.Key_L, Qt.KeyboardModifier.ShiftModifier)
    far = bench.build.lead("main")
    assert {near.from_, near.to} == {"esc2.in", was.to}
    assert {far.from_, far.to} == {"esc2.in", was.from_}
    bench.undo_stack.undo()
    assert bench.build == load("arms_4s_analogue")


def test_a_sentence_stands_in_a_box_of_its_own_size(window: MainWindow) -> None:
    """It stayed as high as the longest one before it."""
    view = window.frame
    view.say("One pair again.")
    low = view._words.height()
    view.say("plus and minus are leads of their own, " * 6)
    assert view._words.height() > 2 * low
    view.say("One pair again.")
    assert view._words.height() == low


def test_a_pair_is_split_and_joined_by_a_key(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    bench.select(("to_fc",))
    qtbot.keyClick(view, Qt.Key.Key_Y)
    assert bench.build.lead("to_fc").conductor == "plus"
    assert bench.build.lead("to_fc_minus").conductor == "minus"
    qtbot.keyClick(view, Qt.Key.Key_Y)
    assert bench.build == load("arms_4s_analogue")


def test_hover_says_resistance_inductance_and_share(window: MainWindow) -> None:
    words = window.frame.scene_.words("arm3")
    assert "110 nH there and back" in words
    assert "of the ring Pack 4S – ESC 3" in words


def test_a_length_below_the_way_is_refused_beside_its_box(qtbot: QtBot, window: MainWindow) -> None:
    bench, sheet = window.workbench, window.part_sheet
    sheet.open("arm3", QPoint(300, 300))
    row = sheet.rows["length"]
    row.box.setText("20 mm")
    row.box.editingFinished.emit()
    assert "shorter than the" in row.error.text()
    assert "Give at least" in row.error.text()
    assert bench.build == load("arms_4s_analogue")

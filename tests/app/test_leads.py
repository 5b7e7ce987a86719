"""Leads by hand and key: an end led elsewhere, a pair split, a length that cannot be."""

from __future__ import annotations

from math import hypot
from typing import TYPE_CHECKING

import pytest
from PySide6.QtCore import QPoint, Qt

from app.window import MainWindow
from sim import load
from sim.edit import set_lead_value

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from PySide6.QtGui import QPainterPath
    from pytestqt.qtbot import QtBot

    from app.wiring.lead_item import LeadItem


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


def test_a_twist_is_drawn_with_its_pitch(qtbot: QtBot, window: MainWindow) -> None:
    """A pitch changed what a lead does, and nothing of how it looked."""
    bench, view = window.workbench, window.frame
    straight = {name: path for path, name in view.scene_.leads["main"].conductors()}
    assert not straight["plus"].intersects(straight["minus"])
    twisted = set_lead_value(bench.build, "main", "twist_pitch", "20 mm")
    bench.do("Twist", twisted)
    item = view.scene_.leads["main"]
    wires = {name: path for path, name in item.conductors()}
    ups = [
        k
        for k in range(wires["plus"].elementCount() - 1)
        for a, b in [[_side(item, wires["plus"], j) for j in (k, k + 1)]]
        if a < 0.0 <= b
    ]
    # one of them for each turn
    assert len(ups) == round(item.way_mm() / 20.0)
    for end in (0, -1):
        there = item.course.points[end]
        last = wires["plus"].elementAt(end % wires["plus"].elementCount())
        assert hypot(last.x - there[0], last.y - there[1]) <= item.pair_mm / 2
        # where the signs at the pack say it is
        assert _side(item, wires["plus"], end % wires["plus"].elementCount()) > 0.0


def _side(item: LeadItem, path: QPainterPath, k: int) -> float:
    """How far right of the straight way a point of a path is."""
    (ax, ay), (bx, by) = item.course.points[0], item.course.points[-1]
    p = path.elementAt(k)
    return ((bx - ax) * (p.y - ay) - (by - ay) * (p.x - ax)) / hypot(bx - ax, by - ay)


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

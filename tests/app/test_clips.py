"""Clips by hand and by key: hung, moved, grounded elsewhere, taken off; strips follow."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from PySide6.QtCore import QPoint, QPointF, Qt

from app.window import MainWindow
from sim import load
from sim.build import dumps, loads
from sim.records import Clip

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pytestqt.qtbot import QtBot

START = tuple(Clip(tip=tip) for tip in ("esc3.in", "pads", "vtx.in"))


@pytest.fixture
def window(qtbot: QtBot, tmp_path: Path) -> Iterator[MainWindow]:
    window = MainWindow(load("arms_4s_analogue"), data_folder=tmp_path / "data")
    with qtbot.waitActive(window):
        window.show()
        window.activateWindow()
    window.frame.setFocus()
    yield window
    window.workbench.undo_stack.setClean()
    window.close()
    window.deleteLater()


def drag(qtbot: QtBot, window: MainWindow, start: QPointF, end: QPointF) -> None:
    """Press at a place in mm, move in two steps, let go at another."""
    view = window.frame
    a, b = view.mapFromScene(start), view.mapFromScene(end)
    qtbot.mousePress(view.viewport(), Qt.MouseButton.LeftButton, pos=a)
    for at in ((a + b) / 2, b):
        qtbot.mouseMove(view.viewport(), at)
        view.move_gesture(view.mapToScene(at)) if view.gesture else None
    qtbot.mouseRelease(view.viewport(), Qt.MouseButton.LeftButton, pos=b)


def middle(window: MainWindow, id_: str) -> QPointF:
    return window.frame.scene_.middle_of(id_)


def test_a_tip_is_moved_and_taken_off(qtbot: QtBot, window: MainWindow) -> None:
    bench, marks = window.workbench, window.frame.clip_marks
    assert bench.build.clips == START
    drag(qtbot, window, marks.place_of(0, "tip"), middle(window, "esc1"))
    assert bench.build.clips[0].tip == "esc1.in"
    assert bench.undo_stack.undoText() == "Move a clip"
    drag(qtbot, window, marks.place_of(0, "tip"), QPointF(118.0, 30.0))
    assert bench.build.clips == START[1:]
    bench.undo_stack.undo()
    bench.undo_stack.undo()
    assert bench.build.clips == START


def test_its_ground_is_pulled_to_another_joint_and_back(qtbot: QtBot, window: MainWindow) -> None:
    bench, marks = window.workbench, window.frame.clip_marks
    drag(qtbot, window, marks.place_of(2, "ground"), middle(window, "pads"))
    assert bench.build.clips[2] == Clip(tip="vtx.in", ground="pads")
    assert loads(dumps(bench.build)).clips == bench.build.clips
    drag(qtbot, window, marks.place_of(2, "ground"), QPointF(118.0, 30.0))
    assert bench.build.clips[2] == Clip(tip="vtx.in")


def test_a_new_one_is_pulled_from_its_button(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    button = view._clip
    at = view.viewport().mapToGlobal(view.mapFromScene(middle(window, "esc2")))
    qtbot.mousePress(button, Qt.MouseButton.LeftButton, pos=button.rect().center())
    for point in (QPoint(80, -40), button.mapFromGlobal(at)):
        qtbot.mouseMove(button, point)
    qtbot.mouseRelease(button, Qt.MouseButton.LeftButton, pos=button.mapFromGlobal(at))
    assert bench.build.clips == (*START, Clip(tip="esc2.in"))


def test_by_key_and_the_strips_follow(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    bench.select(("esc1", "camera"))
    qtbot.keyClick(view, Qt.Key.Key_H)
    assert bench.build.clips[3] == Clip(tip="esc1.in", ground="camera.in")

    def shown() -> list[str]:
        return [] if window.scope is None else [s.name.text() for s in window.scope.strips]

    qtbot.waitUntil(lambda: len(shown()) == 4, timeout=60_000)
    assert shown()[3] == "ESC 1, ground at Camera"
    qtbot.keyClick(view, Qt.Key.Key_H)
    assert bench.build.clips == START


def test_a_clip_hangs_once(qtbot: QtBot, window: MainWindow) -> None:
    bench, marks = window.workbench, window.frame.clip_marks
    drag(qtbot, window, marks.place_of(0, "tip"), middle(window, "vtx"))
    assert bench.build.clips == START
    assert "already" in window.frame.said


def test_a_clip_goes_to_the_input_unless_other_pads_are_meant(
    qtbot: QtBot, window: MainWindow
) -> None:
    bench, marks = window.workbench, window.frame.clip_marks
    motor = QPointF(*window.frame.scene_.parts["esc1"].pad("motor"))
    drag(qtbot, window, marks.place_of(0, "tip"), motor)
    assert bench.build.clips[0].tip == "esc1.motor"
    drag(qtbot, window, marks.place_of(0, "tip"), middle(window, "esc1"))
    assert bench.build.clips[0].tip == "esc1.in"


def test_a_flag_makes_way_for_words_within_its_part(window: MainWindow) -> None:
    """As on a large screen, where the names of the quiet parts stand within them."""
    view = window.frame
    view.zoom_middle(2.0)
    view.place_labels()
    vtx = view.scene_.parts["vtx"]
    assert any(vtx.inside)
    flag, jaw = view.clip_marks.boxes()[-2:]
    assert not vtx.scene_box.intersects(flag)
    assert not vtx.scene_box.intersects(jaw)

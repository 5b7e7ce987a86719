"""Selecting, copying, mirroring and finding on the canvas, by hand and by keys."""

from __future__ import annotations

import pytest
from PySide6.QtCore import QEvent, Qt
from PySide6.QtGui import QGuiApplication
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QMenu

from sim.build import dumps, loads
from tests.app.canvas_hands import canvas, click, drag, mouse, settle

CTRL, SHIFT = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier


def key(view, name, mods=Qt.KeyboardModifier.NoModifier):
    QTest.keyClick(view, name, mods)
    settle()


def test_a_loop_round_an_arm_selects_it_and_escape_lets_it_go(qtbot):
    bench, view = canvas(qtbot, option=0)
    motor = view.scene_.parts["motor2"].pos()
    loop = [(motor.x() + dx, motor.y() + dy) for dx, dy in
            ((40, 10), (40, 40), (-10, 40), (-45, -35), (-30, -40), (20, 10))]  # fmt: skip
    drag(view, (motor.x() + 30, motor.y() - 14), *loop)
    assert {"motor2", "esc2"} <= set(bench.selection)
    assert "motor1" not in bench.selection
    assert "pads" not in bench.selection
    key(view, Qt.Key.Key_Escape)
    assert bench.selection == ()


def test_a_loop_with_shift_adds_to_what_is_selected(qtbot):
    bench, view = canvas(qtbot, option=0)
    click(view, view.scene_.parts["pack"].pos().toTuple())
    x, y = view.scene_.parts["motor1"].pos().toTuple()
    drag(view, (x + 20, y - 20), (x + 20, y + 20), (x - 20, y + 20), (x - 20, y - 20), mods=SHIFT)
    assert set(bench.selection) >= {"pack", "motor1"}
    before = bench.build
    assert bench.build is before


def test_space_or_the_middle_button_moves_the_paper_and_selects_nothing(qtbot):
    bench, view = canvas(qtbot)
    bench.select(("pack",))
    at = view.mapToScene(100, 100)
    drag(view, at.toTuple(), (at.x() + 40, at.y()), button=Qt.MouseButton.MiddleButton)
    assert view.mapToScene(100, 100).x() < at.x() - 5
    assert bench.selection == ("pack",)


def test_what_is_copied_goes_from_build_to_build(qtbot):
    bench, view = canvas(qtbot)
    bench.select(("esc1", "motor1"))
    key(view, Qt.Key.Key_C, CTRL)
    piece = loads(QGuiApplication.clipboard().text().encode())
    assert [p.id for p in piece.parts] == ["esc1", "motor1"]
    assert len(piece.leads) == 1
    other, second = canvas(qtbot, "board_6s_digital")
    before = other.build
    key(second, Qt.Key.Key_V, CTRL)
    assert [p.kind for p in other.build.parts[len(before.parts) :]] == ["esc", "motor"]
    assert set(other.selection) == {p.id for p in other.build.parts[len(before.parts) :]} | {
        other.build.leads[-1].id
    }
    assert other.undo_stack.undoText() == "Paste 2 parts"
    other.undo_stack.undo()
    assert other.build == before


def test_a_clipboard_with_something_else_on_it_is_said(qtbot):
    bench, view = canvas(qtbot)
    before = bench.build
    for text in ("a shopping list", "{}", "", '{"format": "rippletree-build", "version": 1}'):
        QGuiApplication.clipboard().setText(text)
        key(view, Qt.Key.Key_V, CTRL)
        assert "clipboard" in view.said
        assert bench.build is before


@pytest.mark.parametrize("option", [None, 1])
def test_duplicate_mirror_turn_and_deck_are_one_step_each(qtbot, option):
    bench, view = canvas(qtbot, option=option)
    before = dumps(bench.build)
    bench.select(("bulk",))
    steps = []
    for name, mods in (
        (Qt.Key.Key_D, CTRL),
        (Qt.Key.Key_M, SHIFT),
        (Qt.Key.Key_M, Qt.KeyboardModifier.NoModifier),
        (Qt.Key.Key_R, Qt.KeyboardModifier.NoModifier),
        (Qt.Key.Key_U, Qt.KeyboardModifier.NoModifier),
    ):
        count = bench.undo_stack.count()
        key(view, name, mods)
        assert bench.undo_stack.count() == count + 1
        steps.append(bench.undo_stack.undoText())
    assert steps[0] == "Duplicate Main capacitor"
    assert steps[1].startswith("Mirrored copy of")
    assert steps[2].startswith("Mirror ")
    assert steps[3].startswith("Turn ")
    assert steps[4].endswith("to the upper deck")
    end = dumps(bench.build)
    while bench.undo_stack.canUndo():
        bench.undo_stack.undo()
    assert dumps(bench.build) == before
    while bench.undo_stack.canRedo():
        bench.undo_stack.redo()
    assert dumps(bench.build) == end


def test_cut_takes_off_and_leaves_it_on_the_clipboard(qtbot):
    bench, view = canvas(qtbot)
    bench.select(("vtx",))
    key(view, Qt.Key.Key_X, CTRL)
    assert bench.build.part("vtx") is None
    key(view, Qt.Key.Key_V, CTRL)
    assert [p.kind for p in bench.build.parts].count("vtx") == 1


def test_keys_alone_select_several(qtbot):
    bench, view = canvas(qtbot, option=0)
    view.setFocus()
    key(view, Qt.Key.Key_Tab)
    first = bench.selection
    key(view, Qt.Key.Key_K)
    key(view, Qt.Key.Key_Tab)
    assert len(bench.selection) == 2
    assert bench.selection[:1] == first
    key(view, Qt.Key.Key_K)
    key(view, Qt.Key.Key_Tab)
    assert len(bench.selection) == 3
    key(view, Qt.Key.Key_Escape)
    key(view, Qt.Key.Key_Tab)
    assert len(bench.selection) == 1
    key(view, Qt.Key.Key_A, CTRL)
    assert set(bench.selection) == set(view.scene_.reading_order())


def test_a_part_is_found_by_name_kind_or_value(qtbot):
    bench, view = canvas(qtbot)
    key(view, Qt.Key.Key_F, CTRL)
    QTest.keyClicks(view.finder.box, "esc 3")
    assert bench.selection == ("esc3",)
    view.finder.box.selectAll()
    QTest.keyClicks(view.finder.box, "motor")
    first = bench.selection
    QTest.keyClick(view.finder.box, Qt.Key.Key_Return)
    assert bench.selection != first
    QTest.keyClick(view.finder.box, Qt.Key.Key_Up)
    assert bench.selection == first
    view.finder.box.selectAll()
    QTest.keyClicks(view.finder.box, "no such thing")
    assert view.finder.count.text() == "none"
    QTest.keyClick(view.finder.box, Qt.Key.Key_Escape)
    assert not view.finder.isVisible()


def test_the_right_button_offers_what_can_be_done_there(qtbot):
    bench, view = canvas(qtbot)
    x, y = view.scene_.parts["vtx"].pos().toTuple()
    right = Qt.MouseButton.RightButton
    mouse(view, QEvent.Type.MouseButtonPress, view.mapFromScene(x, y), right, right)
    assert bench.selection == ("vtx",)
    menu = view.findChild(QMenu)
    texts = [a.text().split("\t")[0] for a in menu.actions() if a.text()]
    assert {"Sheet", "Copy", "Duplicate", "Take off"} <= set(texts)
    next(a for a in menu.actions() if a.text().startswith("Take off")).trigger()
    assert bench.build.part("vtx") is None
    menu.close()

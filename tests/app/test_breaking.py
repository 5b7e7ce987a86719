"""Break it, and options drawn into, by hand and key in the real window."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from PySide6.QtCore import QPointF, Qt

from app.panels import option_menu
from app.solver.protocol import Fault
from app.window import MainWindow
from app.wiring.differences import differences
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
    with qtbot.waitActive(window):
        window.show()
        window.activateWindow()
    window.frame.setFocus()
    yield window
    window.workbench.undo_stack.setClean()
    window.close()
    window.deleteLater()


def press_at(qtbot: QtBot, window: MainWindow, id_: str) -> None:
    view = window.frame
    at = view.mapFromScene(view.scene_.middle_of(id_))
    qtbot.mouseClick(view.viewport(), Qt.MouseButton.LeftButton, pos=at)


def test_x_and_a_touch_take_a_part_off_and_letting_go_brings_it_back(
    qtbot: QtBot, window: MainWindow
) -> None:
    bench, view = window.workbench, window.frame
    bench.set_option(3)
    qtbot.keyPress(view, Qt.Key.Key_X)
    press_at(qtbot, window, "lc")
    assert bench.shown_build.part("lc") is None
    assert bench.build.part("lc") is not None
    assert "comes off" in view.said
    assert bench.undo_stack.count() == 0
    # A held key that the system repeats as releases and presses is still held.
    for _ in range(3):
        qtbot.keyRelease(view, Qt.Key.Key_X)
        qtbot.keyPress(view, Qt.Key.Key_X)
    assert bench.shown_build.part("lc") is None
    qtbot.keyRelease(view, Qt.Key.Key_X)
    qtbot.waitUntil(lambda: not view.breaking.armed)
    assert bench.shown_build.part("lc") is not None
    assert bench.drawn is bench.build
    assert view.said == ""


def test_touched_again_it_breaks_in_its_next_way(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    bench.set_option(2)
    qtbot.keyPress(view, Qt.Key.Key_X)
    press_at(qtbot, window, "local1")
    place = view.breaking.place
    said = [view.said.splitlines()[0]]
    for _ in range(3):
        at = view.mapFromScene(place)
        qtbot.mouseClick(view.viewport(), Qt.MouseButton.LeftButton, pos=at)
        said.append(view.said.splitlines()[0])
    assert said == [
        "Capacitor 1 comes off.",
        "Capacitor 1 breaks its minus leg.",
        "Capacitor 1 dries out.",
        "Capacitor 1 comes off.",
    ]
    qtbot.keyRelease(view, Qt.Key.Key_X)


def test_by_keys_alone_and_kept_as_an_option(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    bench.set_option(2)
    bench.select(("local2",))
    qtbot.keyClick(view, Qt.Key.Key_X, Qt.KeyboardModifier.ShiftModifier)
    assert bench.shown_build.part("local2") is None
    qtbot.keyClick(view, Qt.Key.Key_Right)
    qtbot.keyClick(view, Qt.Key.Key_Right)
    assert "dries out" in view.said
    qtbot.keyClick(view, Qt.Key.Key_Return)
    kept = bench.build.options[-1]
    assert kept.name == "Capacitor 2 dries out"
    assert kept.what_if
    assert bench.option == len(bench.build.options) - 1
    assert bench.undo_stack.undoText() == "Keep as an option: Capacitor 2 dries out"
    assert not view.breaking.armed


def test_escape_and_losing_the_keyboard_mend_it(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    for mend in (lambda: qtbot.keyClick(view, Qt.Key.Key_Escape), window.top_row.minute.setFocus):
        view.setFocus()
        bench.select(("camera",))
        qtbot.keyClick(view, Qt.Key.Key_X, Qt.KeyboardModifier.ShiftModifier)
        assert bench.shown_build.part("camera") is None
        mend()
        assert bench.shown_build.part("camera") is not None


def test_a_joint_does_not_break(qtbot: QtBot, window: MainWindow) -> None:
    window.workbench.select(("pads",))
    qtbot.keyPress(window.frame, Qt.Key.Key_X)
    assert "Power board pads cannot break" in window.frame.said
    qtbot.keyRelease(window.frame, Qt.Key.Key_X)


# --- options ------------------------------------------------------------------------------


def test_a_card_taken_by_hand_is_drawn_into(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    base = bench.build
    qtbot.mouseClick(window.cards.cards[2], Qt.MouseButton.LeftButton)
    bench.select(("pack",))
    view.setFocus()
    qtbot.keyClick(view, Qt.Key.Key_Down)
    assert bench.build.part("pack") == base.part("pack")
    assert bench.build.options[:2] == base.options[:2]
    words = [row.words for row in differences(bench.build, 2)]
    assert "Pack 4S moved" in words
    assert any("length 80 mm → 81 mm" in w for w in words)
    assert "“One at each ESC” only" in view.scope_line.scope.text()
    assert str(len(words)) in view.scope_line.differs.text()
    bench.undo_stack.undo()
    assert bench.build == base


def test_on_the_base_all_options_follow(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    qtbot.mouseClick(window.cards.base, Qt.MouseButton.LeftButton)
    assert bench.option is None
    bench.select(("pack",))
    view.setFocus()
    qtbot.keyClick(view, Qt.Key.Key_Down)
    assert bench.build.part("pack").at == (0.0, 97.0)
    assert bench.build.options == load("arms_4s_analogue").options


def test_where_changes_go_can_be_said(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    bench.set_only_here(False)
    qtbot.keyClick(view, Qt.Key.Key_2)
    bench.select(("pack",))
    qtbot.keyClick(view, Qt.Key.Key_Down)
    assert bench.build.part("pack").at == (0.0, 97.0)
    assert "all options" in view.scope_line.scope.text()


def test_a_difference_is_taken_back_or_had_in_all(qtbot: QtBot, window: MainWindow) -> None:
    bench, line = window.workbench, window.frame.scope_line
    qtbot.keyClick(window.frame, Qt.Key.Key_3)
    bench.select(("pack",))
    qtbot.keyClick(window.frame, Qt.Key.Key_Down)
    line._fill_differs()
    moved = next(a for a in line._differs_menu.actions() if a.text() == "Pack 4S moved")
    moved.menu().actions()[2].trigger()
    assert bench.build.part("pack").at == (0.0, 97.0)
    line._fill_differs()
    bypass = next(a for a in line._differs_menu.actions() if "bypassed" in a.text())
    bypass.menu().actions()[1].trigger()
    assert bench.shown_build.part("lc").kind == "lc_stage"


def test_the_menu_of_a_card(qtbot: QtBot, window: MainWindow) -> None:
    bench = window.workbench
    menu = option_menu.menu(bench, 1, window)
    acts = {a.text().partition("\t")[0]: a for a in menu.actions()}
    acts["Duplicate"].trigger()
    assert [o.name for o in bench.build.options[1:3]] == ["One on the pads", "One on the pads 2"]
    assert (bench.option, bench.only_here) == (2, True)
    option_menu.move(bench, 2, 1)
    assert bench.build.options[3].name == "One on the pads 2"
    assert bench.option == 3
    option_menu.delete(bench, 3)
    assert [o.name for o in bench.build.options] == [
        o.name for o in load("arms_4s_analogue").options
    ]
    for _ in range(3):
        bench.undo_stack.undo()
    assert bench.build == load("arms_4s_analogue")


def test_keys_on_a_card(qtbot: QtBot, window: MainWindow) -> None:
    bench, cards = window.workbench, window.cards.cards
    cards[0].setFocus()
    qtbot.keyClick(cards[0], Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    assert bench.build.options[1].name == "No capacitor"
    assert window.cards.cards[1].hasFocus()
    qtbot.keyClick(window.cards.cards[1], Qt.Key.Key_Delete)
    assert "No capacitor" not in [o.name for o in bench.build.options]


def test_a_new_option_starts_from_what_is_shown(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    bench.set_option(1)
    shown = bench.shown_build
    qtbot.keyClick(view, Qt.Key.Key_N, Qt.KeyboardModifier.ShiftModifier)
    assert bench.build.options[-1].name == option_menu.NEW_NAME
    assert {p.id for p in bench.shown_build.parts} == {p.id for p in shown.parts}
    view.drop("ceramic", QPointF(6, 14))
    assert any("added" in row.words for row in differences(bench.build, bench.option))


def test_another_base_leaves_every_card_as_it_was(window: MainWindow) -> None:
    bench = window.workbench
    option_menu.make_base(bench, 1)
    assert bench.build.part("local1") is None
    assert bench.build.options[1].changes == ()
    bench.undo_stack.undo()
    assert bench.build == load("arms_4s_analogue")


def test_the_list_beside_a_touched_part_is_chosen_from_by_mouse_and_by_digits(
    qtbot: QtBot, window: MainWindow
) -> None:
    bench, view = window.workbench, window.frame
    list_ = view.breaking.list
    bench.set_option(2)
    whole = bench.shown_build
    qtbot.keyPress(view, Qt.Key.Key_X)
    press_at(qtbot, window, "local1")
    assert list_.isVisible()
    assert [row.accessibleName() for row in list_.rows] == [
        "comes off",
        "breaks its minus leg",
        "dries out",
    ]
    assert bench.shown_build.part("local1") is None
    qtbot.mouseClick(list_.rows[2], Qt.MouseButton.LeftButton)
    dry = bench.shown_build.part("local1")
    assert dry.values["esr"].source == "dried out, our guess"
    assert [row.isChecked() for row in list_.rows] == [False, False, True]
    assert view.hasFocus()
    # a digit is the list's, not an option's, while something is broken
    qtbot.keyClick(view, Qt.Key.Key_2)
    assert bench.option == 2
    assert bench.shown_build.part("local1") == whole.part("local1")
    assert {x.conductor for x in bench.shown_build.leads if "local1" in (x.from_, x.to)} == {"plus"}
    qtbot.keyClick(view, Qt.Key.Key_9)
    assert bench.option == 2
    assert list_.rows[1].isChecked()
    qtbot.keyRelease(view, Qt.Key.Key_X)
    qtbot.waitUntil(lambda: not view.breaking.armed)
    assert list_.isHidden()
    assert bench.shown_build == whole
    qtbot.keyClick(view, Qt.Key.Key_1)
    assert bench.option == 0


def test_the_list_is_inside_the_canvas_and_off_what_it_is_about(
    qtbot: QtBot, window: MainWindow
) -> None:
    view = window.frame
    window.workbench.set_option(2)
    for id_ in ("pack", "motor1", "esc2", "camera", "local1"):
        window.workbench.select((id_,))
        at = view.mapFromScene(view.scene_.middle_of(id_))
        qtbot.keyClick(view, Qt.Key.Key_X, Qt.KeyboardModifier.ShiftModifier)
        box = view.breaking.list.geometry()
        assert view.rect().contains(box)
        assert not box.contains(at)
        for row in view.breaking.list.rows:
            assert row.width() >= row.sizeHint().width()
        qtbot.keyClick(view, Qt.Key.Key_Escape)


def test_kept_by_the_mouse(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    bench.set_option(2)
    qtbot.keyPress(view, Qt.Key.Key_X)
    press_at(qtbot, window, "local1")
    qtbot.mouseClick(view.breaking.list.keep, Qt.MouseButton.LeftButton)
    assert bench.build.options[-1].name == "Capacitor 1 comes off"
    assert view.breaking.list.isHidden()
    qtbot.keyRelease(view, Qt.Key.Key_X)


def test_tab_goes_on_to_break_the_next(qtbot: QtBot, window: MainWindow) -> None:
    bench, view = window.workbench, window.frame
    bench.set_option(2)
    order = view.scene_.reading_order()
    at = order.index("local1")
    bench.select(("local1",))
    qtbot.keyClick(view, Qt.Key.Key_X, Qt.KeyboardModifier.ShiftModifier)
    qtbot.keyClick(view, Qt.Key.Key_Tab)
    assert view.breaking.id == order[at + 1]
    assert bench.shown_build.part("local1") is not None


@pytest.mark.parametrize(
    ("id_", "key", "told"),
    [("pack", Qt.Key.Key_1, "Nothing works"), ("local1", Qt.Key.Key_2, "ESC 1: ")],
)
def test_what_a_break_does_is_told_from_its_answer(opened, id_: str, key: Qt.Key, told: str):
    drive = opened(load("arms_4s_analogue"))
    bench, view = drive.bench, drive.window.frame
    bench.set_option(2)
    drive.curves()
    view.setFocus()
    bench.select((id_,))
    drive.key_on(view, Qt.Key.Key_X, Qt.KeyboardModifier.ShiftModifier)
    drive.key_on(view, key)
    drive.qtbot.waitUntil(lambda: told in view.breaking.list.told.text(), timeout=60_000)
    # a capacitor on one leg is a sentence of its own, and the rest still works
    assert ("Nothing works" in view.said) == (id_ == "pack")


def test_a_part_that_the_option_bypasses_is_said_to_be_so(qtbot: QtBot, window: MainWindow) -> None:
    """It is drawn, so it was touched; that it "does not break" told nobody why."""
    window.workbench.set_option(0)
    qtbot.keyPress(window.frame, Qt.Key.Key_X)
    press_at(qtbot, window, "lc")
    assert window.frame.said.startswith("LC stage is bypassed in this option")
    qtbot.keyRelease(window.frame, Qt.Key.Key_X)


@pytest.mark.parametrize("wide", [700, 340])
def test_a_sentence_in_large_type_is_as_wide_as_the_frame_at_most(
    qtbot: QtBot, window: MainWindow, wide: int
) -> None:
    """In the projector look its left end was cut off by the edge of a small window."""
    view = window.frame
    window.look.set_projector(True)
    view.setParent(None)
    view.resize(wide, 400)
    view.say("This is a sentence of some length, told beside what is touched on the frame.")
    words = view._words.geometry()
    assert words.left() >= 0
    assert words.right() <= wide
    window.places.insertWidget(0, view)


def test_a_comparison_that_fails_is_not_what_a_break_does(qtbot: QtBot, window: MainWindow) -> None:
    """What is shown had its answer, and was said not to work: "the build the voltages grew …"."""
    bench, view = window.workbench, window.frame
    bench.set_option(2)
    bench.select(("local1",))
    qtbot.keyClick(view, Qt.Key.Key_X, Qt.KeyboardModifier.ShiftModifier)
    wrong = ("SolveError", "run", "the voltages grew without bound", "Check extreme values")
    for stage, told in (("findings", False), ("curves", True)):
        bench.take(Fault(bench._request_id, *wrong, stage))
        assert ("Nothing works: the voltages grew without bound." in view.said) == told
        sentence = window.answer_row.sentence.text()
        assert sentence.startswith("The voltages grew" if told else "Comparing the options: the")

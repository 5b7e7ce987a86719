"""Your quad in a minute, with the mouse and with keys alone, in the real window."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from PySide6.QtCore import Qt

from app.window import MainWindow
from sim import api, load
from sim.build import dumps
from sim.quick_build import Answers, quick_build

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from PySide6.QtWidgets import QWidget
    from pytestqt.qtbot import QtBot

    from sim.build import Build


class Silent:
    """A solver that is asked and never answers: what is solved is looked at elsewhere."""

    def request(self, request: object) -> None: ...

    def zoom(self, zoom: object) -> None: ...


@pytest.fixture
def window(qtbot: QtBot, tmp_path: Path) -> Iterator[MainWindow]:
    window = MainWindow(load("arms_4s_analogue"), data_folder=tmp_path / "data")
    window.workbench._solver = Silent()
    with qtbot.waitActive(window):
        window.show()
        window.activateWindow()
    yield window
    window.workbench.undo_stack.setClean()
    window.close()
    window.deleteLater()


class Hand:
    """Counts gestures: a click, or one box typed into."""

    def __init__(self, qtbot: QtBot) -> None:
        self.qtbot = qtbot
        self.gestures = 0

    def click(self, widget: QWidget) -> None:
        assert widget.isVisible()
        self.gestures += 1
        self.qtbot.mouseClick(widget, Qt.MouseButton.LeftButton)

    def type(self, box: QWidget, text: str) -> None:
        self.gestures += 1
        self.qtbot.mouseClick(box, Qt.MouseButton.LeftButton)
        self.qtbot.keyClicks(box, text)


def peaks(build: Build, option: str) -> dict[str, tuple[float, float]]:
    return api.solve(build, "Plug in", option, "averaged").volts_range()


def test_the_sample_by_mouse_in_twelve_gestures(qtbot: QtBot, window: MainWindow) -> None:
    hand, sheet = Hand(qtbot), window.minute_sheet
    hand.click(window.top_row.minute)
    hand.click(sheet.cells.chips["4S"])
    hand.click(sheet.propeller.chips["5 in"])
    hand.click(sheet.board.chips["one on each arm"])
    hand.click(sheet.lead.chips["80 mm"])
    hand.click(sheet.capacitor.chips["470 µF"])
    hand.click(sheet.hurts.chips["lines in the picture"])
    hand.click(sheet.make)
    hand.click(sheet.done)
    assert hand.gestures <= 12
    assert not sheet.isVisible()
    made = window.workbench.build
    assert dumps(made) == dumps(
        quick_build(Answers(4, 5.0, "separate", 80.0, 470.0, ("lines",))).build
    )
    ours, theirs = (
        peaks(made, "One at each ESC"),
        peaks(load("arms_4s_analogue"), "One at each ESC"),
    )
    assert ours.keys() == theirs.keys()
    for place, pair in ours.items():
        np.testing.assert_allclose(pair, theirs[place], rtol=1e-9)


def test_the_same_by_keys_alone(qtbot: QtBot, window: MainWindow) -> None:
    def key(key: Qt.Key) -> None:
        widget = window.focusWidget()
        assert widget is not None
        qtbot.keyClick(widget, key)

    window.frame.setFocus()
    key(Qt.Key.Key_Q)
    sheet = window.minute_sheet
    assert sheet.isVisible()
    # "don't know" has the keyboard; arrows go along a row, Tab to the next.
    for question, chip in (
        (sheet.cells, "4S"),
        (sheet.propeller, "5 in"),
        (sheet.board, "one on each arm"),
        (sheet.lead, "80 mm"),
        (sheet.capacitor, "470 µF"),
    ):
        for _ in range(9):
            if question.chips[chip].isChecked():
                break
            key(Qt.Key.Key_Left)
        assert question.chips[chip].isChecked()
        key(Qt.Key.Key_Tab)
        if question.box is not None:
            key(Qt.Key.Key_Tab)
    while not sheet.hurts.chips["lines in the picture"].hasFocus():
        key(Qt.Key.Key_Tab)
    key(Qt.Key.Key_Space)
    key(Qt.Key.Key_Return)
    assert sheet.done.hasFocus()
    key(Qt.Key.Key_Return)
    assert not sheet.isVisible()
    assert window.workbench.build.name == "My 5-inch 4S"
    assert window.workbench.build.lead("main") == load("arms_4s_analogue").lead("main")


def test_knowing_nothing_is_two_gestures(qtbot: QtBot, window: MainWindow) -> None:
    hand, sheet = Hand(qtbot), window.minute_sheet
    hand.click(window.top_row.minute)
    hand.click(sheet.make)
    names = [option.name for option in window.workbench.build.options]
    assert {"If 4S", "If the lead is 80 mm", "If on one board"} <= set(names)
    assert "You did not know" in sheet.list.text()
    assert "our guess" in sheet.list.text()
    assert window.documents.dirty


def test_a_value_is_typed_as_people_do(qtbot: QtBot, window: MainWindow) -> None:
    hand, sheet = Hand(qtbot), window.minute_sheet
    hand.click(window.top_row.minute)
    hand.click(sheet.lead.chips["40 mm"])
    hand.type(sheet.lead.box, "105")
    hand.type(sheet.capacitor.box, "1m5")
    assert not sheet.lead.chips["40 mm"].isChecked()
    answers = sheet.answers()
    assert answers is not None
    assert (answers.lead_mm, answers.capacitor_uf) == (105.0, 1500.0)


@pytest.mark.parametrize(("text", "said"), [("2 V", "V"), ("1 mm", "15 to 1000 mm")])
def test_a_wrong_value_is_said_below_its_question(
    qtbot: QtBot, window: MainWindow, text: str, said: str
) -> None:
    hand, sheet = Hand(qtbot), window.minute_sheet
    hand.click(window.top_row.minute)
    hand.type(sheet.lead.box, text)
    hand.click(sheet.make)
    assert sheet.lead.error.isVisible()
    assert said in sheet.lead.error.text()
    assert window.workbench.build.name == "Quarry five"


def test_what_hurts_may_be_several_things_or_nothing(qtbot: QtBot, window: MainWindow) -> None:
    hand, sheet = Hand(qtbot), window.minute_sheet
    hand.click(window.top_row.minute)
    for words in ("reboots", "twitches"):
        hand.click(sheet.hurts.chips[words])
    assert sheet.hurts.answer() == ("reboots", "twitches")
    hand.click(sheet.hurts.chips["nothing yet"])
    assert sheet.hurts.answer() == ("nothing",)
    hand.click(sheet.hurts.chips["nothing yet"])
    assert sheet.hurts.answer() is None


def test_another_answer_replaces_the_untouched_build_without_asking(
    qtbot: QtBot, window: MainWindow
) -> None:
    hand, sheet = Hand(qtbot), window.minute_sheet
    hand.click(window.top_row.minute)
    hand.click(sheet.cells.chips["3S"])
    hand.click(sheet.make)
    hand.click(sheet.again)
    hand.click(sheet.cells.chips["6S"])
    hand.click(sheet.make)  # a question about unsaved work would block here
    assert "6S" in window.workbench.build.name


def test_the_first_start_offers_the_questions_once(qtbot: QtBot, window: MainWindow) -> None:
    window.offer_questions()
    assert "six questions" in window.strip.text
    window.strip.hide()
    window.offer_questions()
    assert window.strip.text == ""


def test_a_new_frame_offers_them_too(qtbot: QtBot, window: MainWindow) -> None:
    window.new()
    assert "Six questions" in window.strip.text


@pytest.mark.parametrize("projected", [False, True])
def test_no_chip_is_cut_however_wide_letters_are(
    qtbot: QtBot, window: MainWindow, projected: bool
) -> None:
    """The first of "What hurts?" was squeezed until its words were cut at both ends."""
    window.look.set_projector(projected)
    sheet = window.minute_sheet
    window.ask_questions()
    qtbot.wait(20)
    for question in sheet.questions:
        row = question.rect()
        for chip in question.chips.values():
            assert chip.width() >= chip.sizeHint().width()
            assert row.contains(chip.geometry())

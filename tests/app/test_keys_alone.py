"""From nothing to a saved build with its options, one of them broken: by keys alone.

Every stroke goes to what has the keyboard, as from a real one; an open menu takes it first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from PySide6.QtCore import Qt, QTimer
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QFileDialog, QInputDialog

from sim import load
from sim.build import Build, validate

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.app.driver import Driver

KEY = Qt.Key
ENTER, TAB, ESCAPE, DOWN = KEY.Key_Return, KEY.Key_Tab, KEY.Key_Escape, KEY.Key_Down
CTRL, SHIFT = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier
NONE = Qt.KeyboardModifier.NoModifier


def keys(drive: Driver, *strokes: object) -> None:
    """Type words as they are, keys, or (key, modifiers)."""
    for stroke in strokes:
        target = QApplication.activePopupWidget() or QApplication.focusWidget() or drive.window
        if isinstance(stroke, str):
            QTest.keyClicks(target, stroke)
        else:
            key, held = stroke if isinstance(stroke, tuple) else (stroke, NONE)
            QTest.keyClick(target, key, held)
        for _ in range(4):
            QApplication.processEvents()


def in_dialog(drive: Driver, kind: type, words: str, *before: object) -> list[str]:
    """Press `before`; a dialog opens, and words and Enter go into it. What it was called."""
    seen: list[str] = []

    def type_into() -> None:
        dialog = QApplication.activeModalWidget()
        if not isinstance(dialog, kind):
            QTimer.singleShot(20, type_into)
            return
        seen.append(dialog.windowTitle())
        keys(drive, (KEY.Key_A, CTRL), words, ENTER)

    QTimer.singleShot(0, type_into)
    keys(drive, *before)
    # A window manager gives the keyboard back to the window; without a screen there is none.
    with drive.qtbot.waitActive(drive.window):
        drive.window.activateWindow()
    return seen


def to(drive: Driver, there: Callable[[], bool], step: object = TAB, most: int = 80) -> None:
    """As many steps as it takes."""
    for _ in range(most):
        if there():
            return
        keys(drive, step)
    raise AssertionError(f"not reached; the keyboard is at {QApplication.focusWidget()}")


def choose(drive: Driver, words: str) -> None:
    """In the open menu, down to the line with these words, and Enter."""
    menu = QApplication.activePopupWidget()
    assert menu is not None
    to(drive, lambda: (a := menu.activeAction()) is not None and a.text().startswith(words), DOWN)
    keys(drive, ENTER)


@pytest.fixture
def drive(opened: Callable[[Build], Driver]) -> Driver:
    drive = opened(load("arms_4s_analogue"))
    drive.window.frame.setFocus()
    return drive


def test_from_nothing_to_a_saved_build_by_keys(drive: Driver, tmp_path: Path) -> None:
    bench, window, view = drive.bench, drive.window, drive.window.frame
    names = lambda: [option.name for option in bench.build.options]  # noqa: E731

    # six questions, of which three are known
    keys(drive, (KEY.Key_N, CTRL))
    assert bench.build.parts == ()
    keys(drive, KEY.Key_Q)
    sheet = window.minute_sheet
    for question, chip in ((sheet.cells, "4S"), (sheet.propeller, "5 in"), (sheet.board, "one on")):
        to(drive, lambda q=question: QApplication.focusWidget() in q.chips.values())
        to(
            drive,
            lambda q=question, c=chip: any(
                b.isChecked() and b.text().startswith(c) for b in q.chips.values()
            ),
            KEY.Key_Left,
            10,
        )
    keys(drive, ENTER)
    assert not sheet.make.isVisible()
    keys(drive, ENTER)
    assert not sheet.isVisible()
    assert view.hasFocus()
    assert sum(part.kind == "esc" for part in bench.build.parts) == 4
    drive.curves()
    assert bench.problem is None

    # a part, on the base so that every option has it; free at first, which is said; then a lead
    keys(drive, KEY.Key_0)
    assert bench.option is None
    had = {part.id for part in bench.build.parts}
    keys(drive, KEY.Key_N, "vtx", ENTER, *[(KEY.Key_Right, SHIFT)] * 5, ENTER)
    (vtx,) = {part.id for part in bench.build.parts} - had
    drive.until(bench.problem_changed, lambda: bench.problem is not None)
    assert vtx in bench.problem.ids
    assert bench.problem.what in window.answer_row.sentence.text()
    esc = next(part.id for part in bench.build.parts if part.kind == "esc")
    leads = len(bench.build.leads)
    keys(drive, KEY.Key_K, (KEY.Key_F, CTRL), "esc 1", ESCAPE)
    assert bench.selection == (vtx, esc)
    keys(drive, KEY.Key_L)
    assert len(bench.build.leads) == leads + 1
    drive.curves()
    drive.until(bench.problem_changed, lambda: bench.problem is None)
    keys(drive, ESCAPE)

    # options: rename, duplicate, reorder, make one the base
    first = names()[0]
    to(drive, window.cards.base.hasFocus)
    keys(drive, KEY.Key_Right)
    assert bench.option == 0
    assert window.cards.cards[0].hasFocus()
    assert in_dialog(drive, QInputDialog, "Bare", KEY.Key_F2) == ["Rename the option"]
    assert names()[0] == "Bare" != first
    keys(drive, (KEY.Key_D, CTRL))
    assert names()[:2] == ["Bare", "Bare 2"]
    assert window.cards.cards[1].hasFocus()
    keys(drive, (KEY.Key_Right, SHIFT))
    assert names()[2] == "Bare 2"
    last = len(names()) - 1
    to(drive, window.cards.cards[last].hasFocus, KEY.Key_Right)
    assert bench.option == last
    shown = {part.id for part in bench.shown_build.parts}
    keys(drive, KEY.Key_E)
    choose(drive, "Make it the base")
    assert {part.id for part in bench.build.parts} == shown
    assert bench.build.options[last].changes == ()

    # an option edited by drawing: only that one changes
    keys(drive, (KEY.Key_N, SHIFT))
    to(drive, view.hasFocus)
    others = bench.build.options[:-1]
    keys(drive, KEY.Key_N, "electrolytic", ENTER, TAB, ENTER)
    assert bench.build.options[:-1] == others
    (bulk,) = (p.id for p in bench.shown_build.parts if bench.build.part(p.id) is None)
    assert bench.selection == (bulk,)

    # break it: X latched, the second way by its digit, kept as an option
    drive.curves()
    keys(drive, (KEY.Key_X, SHIFT))
    assert bench.shown_build.part(bulk) is None
    keys(drive, KEY.Key_3)
    assert "dries out" in view.said
    keys(drive, ENTER)
    assert "dries out" in names()[-1]
    assert bench.build.options[-1].what_if

    # a build without its pack: a sentence, and all is back with undo
    keys(drive, KEY.Key_0, (KEY.Key_F, CTRL), "pack 4s", ESCAPE)
    (pack,) = bench.selection
    assert bench.build.part(pack).kind == "battery"
    keys(drive, KEY.Key_Delete)
    drive.until(bench.problem_changed, lambda: bench.problem is not None)
    assert "has no battery or bench supply" in window.answer_row.sentence.text()
    keys(drive, (KEY.Key_Z, CTRL))
    drive.curves()
    drive.until(bench.problem_changed, lambda: bench.problem is None)

    # saved by a name typed
    validate(bench.build)
    path = tmp_path / "mine.json"
    assert in_dialog(drive, QFileDialog, str(path), (KEY.Key_S, CTRL)) == ["Save the build as"]
    assert load(path) == bench.build
    assert bench.undo_stack.isClean()


def test_a_note_is_answered_by_keys_without_going_through_the_frame(drive: Driver) -> None:
    """Forty times Tab lay between the frame and the note that unsaved work is kept."""
    window, went_on = drive.window, []
    window.strip.say("Unsaved work is kept.", [("Go on with it", lambda: went_on.append(True))])
    keys(drive, (KEY.Key_F6, SHIFT))
    assert window.cards.cards[0].hasFocus()
    keys(drive, (KEY.Key_F6, SHIFT), ENTER)
    assert went_on == [True]
    window.frame.setFocus()
    drive.curves()
    reached = []
    for _ in range(4):
        keys(drive, KEY.Key_F6)
        here = QApplication.focusWidget()
        areas = (window.scope, window.top_row, window.cards, window.frame)
        reached += [i for i, area in enumerate(areas) if area is here or area.isAncestorOf(here)]
    assert reached == [0, 1, 2, 3]


@pytest.mark.parametrize("ending", [".png", ".svg", ".pdf"])
def test_the_drawing_is_saved_by_keys(drive: Driver, tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"frame{ending}"
    titles = in_dialog(drive, QFileDialog, str(path), (KEY.Key_E, CTRL))
    assert titles == ["Save the drawing as"]
    assert path.stat().st_size > 10_000

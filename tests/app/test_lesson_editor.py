"""The lesson editor, driven in its window: written from nothing, checked, saved, played, kept."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest
from msgspec.structs import replace
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFileDialog, QMessageBox

import sim
from app.workbench import Workbench
from app.workshop import screens
from app.workshop.editor.draft import Draft
from sim import lesson_draft, lessons
from sim.lessons import Card
from tests.app.driver import WAIT_MS, Driver, with_capacitor
from tests.app.test_lessons import SMALL

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from pytestqt.qtbot import QtBot

    from app.workshop.editor.window import EditorWindow
    from sim.build import Build

CTRL, NONE = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.NoModifier


class Hand:
    """What a test does with the editor."""

    def __init__(self, qtbot: QtBot, driver: Driver, editor: EditorWindow) -> None:
        self.qtbot, self.driver, self.editor = qtbot, driver, editor

    def key(self, key: Any, modifier: Any = CTRL) -> None:
        self.qtbot.keyClick(self.editor, key, modifier)

    def type(self, box: Any, text: str) -> None:
        box.setFocus()
        box.selectAll()
        self.qtbot.keyClicks(box, text)

    def choose(self, box: Any, letters: str) -> None:
        """By its first letters, as a keyboard does."""
        box.setFocus()
        self.qtbot.keyClicks(box, letters)

    def figures(self) -> None:
        self.qtbot.waitUntil(lambda: not self.editor.live.busy, timeout=WAIT_MS)
        self.editor.check()


@pytest.fixture
def hand(opened: Callable[[Build], Driver], qtbot: QtBot) -> Iterator[Hand]:
    driver = opened(with_capacitor())
    editor = driver.window.lessons.write()
    qtbot.waitUntil(editor.isActiveWindow)
    yield Hand(qtbot, driver, editor)
    editor.draft.undo_stack.setClean()
    if driver.window.lessons.playing is not None:
        driver.window.lessons.playing.close()
    editor.close()


def test_a_lesson_is_written_from_nothing_saved_and_played(
    hand: Hand, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, qtbot: QtBot
) -> None:
    editor, bench, window = hand.editor, hand.driver.bench, hand.driver.window
    hand.type(editor.whole.title, "Ours")
    bench.set_option(0)
    hand.qtbot.mouseClick(editor.whole.take, Qt.MouseButton.LeftButton)
    bench.select(("esc1",))
    hand.key(Qt.Key.Key_F)
    hand.type(editor.figures.name, "bare")
    bench.set_option(1)
    hand.key(Qt.Key.Key_F)
    hand.type(editor.figures.name, "near")
    hand.key(Qt.Key.Key_1)
    form = editor.form
    hand.choose(form.kind, "G")
    hand.type(form.title, "How much less?")
    form.hidden.click()
    hand.choose(form.guessed, "b")
    hand.choose(form.over, "n")
    hand.type(form.choices[0][0], "the same")
    hand.type(form.choices[0][2], "1.2")
    hand.type(form.choices[1][0], "far less")
    hand.type(form.choices[1][1], "1,2")
    hand.key(Qt.Key.Key_T)
    hand.key(Qt.Key.Key_Return)
    hand.choose(form.kind, "R")
    hand.type(form.title, "This much")
    hand.choose(form.figures[0][0], "b")
    hand.choose(form.figures[1][0], "n")
    hand.figures()
    # what the engine says stands beside what asks for it
    runs = [sim.solve(with_capacitor(), event=1, option=k) for k in (1, 2)]
    swings = [next(j.pp_V for j in run.joints if j.id == "esc1.in") for run in runs]
    numbers = editor.live.numbers
    assert [numbers[n].value for n in ("bare", "near")] == pytest.approx(swings, rel=1e-6)
    assert numbers["bare"].text in form.figures[0][1].text()
    assert editor.foot.text().startswith("●")
    editor.cards.setCurrentRow(0)
    assert f"{swings[0] / swings[1]:.3g} times" in form.said.text()
    assert form.choices[1][3].text() == "right"

    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(tmp_path / "ours"), ""))
    hand.key(Qt.Key.Key_S)
    assert not editor.draft.dirty
    hand.key(Qt.Key.Key_F5, NONE)
    assert window.lessons.playing is not None
    assert window.lessons.playing.course.lesson == editor.draft.lesson
    # from its file, which holds the build too
    window.lessons.play(tmp_path / "ours.json")
    player = window.lessons.playing
    assert player is not None
    assert player.bench.build == with_capacitor()
    qtbot.waitUntil(lambda: not player.sums.running, timeout=WAIT_MS)
    assert "engine" not in player.panel.in_words()
    qtbot.keyClick(player, Qt.Key.Key_Space)
    assert f"{swings[0] / swings[1]:.2g} times" in player.panel.in_words()
    assert "2 far less, marked" in player.panel.in_words()
    qtbot.keyClick(player, Qt.Key.Key_Right)
    for name in ("bare", "near"):
        assert numbers[name].text in player.panel.in_words()


def test_a_file_with_a_mistake_is_refused_with_its_place(hand: Hand, tmp_path: Path) -> None:
    editor = hand.editor
    before = editor.draft.lesson
    for change, place in (({"title": 3}, "title"), ({"cards": [{"kind": "ask"}]}, "cards[0]")):
        broken = tmp_path / "broken.json"
        broken.write_text(json.dumps({**SMALL, **change}))
        data = broken.read_bytes()
        editor.open(broken)
        assert place in editor.strip.text
        assert editor.draft.lesson == before
        assert broken.read_bytes() == data


def test_a_mistake_in_what_it_says_is_named_and_gone_to(hand: Hand, tmp_path: Path) -> None:
    editor = hand.editor
    file = tmp_path / "half.json"
    cards = [*SMALL["cards"], {"kind": "reveal", "title": "x", "figures": ["gone"]}]
    file.write_text(json.dumps({**SMALL, "cards": cards}))
    editor.open(file)
    assert editor.foot.text().startswith(f"■ Card {len(cards)}, figure 1: there is no figure")
    hand.key(Qt.Key.Key_F5, NONE)
    assert hand.driver.window.lessons.playing is None
    assert "cannot be played yet" in editor.strip.text
    hand.key(Qt.Key.Key_G)
    assert editor.at == len(cards) - 1
    hand.choose(editor.form.figures[0][0], "b")
    hand.qtbot.waitUntil(lambda: editor.mistake is None, timeout=WAIT_MS)
    # and as it is typed
    hand.key(Qt.Key.Key_2)
    hand.type(editor.figures.place.lineEdit(), "nowhere")
    hand.qtbot.waitUntil(lambda: editor.mistake is not None, timeout=WAIT_MS)
    assert "Figure “bare”, at: there is no part 'nowhere'" in editor.foot.text()


def test_cards_are_moved_and_everything_is_undone(hand: Hand) -> None:
    editor = hand.editor
    draft = editor.draft
    editor.start(lesson_draft.template)
    begun = draft.lesson

    def titles() -> list[str]:
        return [card.title for card in draft.lesson.cards]

    before = titles()
    editor.cards.setCurrentRow(1)
    hand.key(Qt.Key.Key_Down)
    assert titles() == [before[0], before[2], before[1], *before[3:]]
    assert editor.at == 2
    hand.key(Qt.Key.Key_D)
    assert titles()[2:4] == [before[1]] * 2
    hand.key(Qt.Key.Key_Delete)
    hand.key(Qt.Key.Key_Return)
    hand.type(editor.form.title, "A new one")
    hand.type(editor.form.text, "Why?")
    hand.qtbot.keyClick(editor.form.text, Qt.Key.Key_Return)
    hand.qtbot.keyClicks(editor.form.text, "And how?")
    assert draft.lesson.cards[editor.at].text == "Why?\nAnd how?"
    # a text that was typed is one step, undone from within its box
    hand.qtbot.keyClick(editor.form.text, Qt.Key.Key_Z, CTRL)
    assert draft.lesson.cards[editor.at].text == ""
    assert editor.form.text.toPlainText() == ""
    hand.qtbot.keyClick(editor.form.title, Qt.Key.Key_Z, CTRL)
    assert draft.lesson.cards[editor.at].title == ""
    for _ in range(4):
        hand.key(Qt.Key.Key_Z)
    assert draft.lesson == begun
    assert not draft.undo_stack.canUndo()


def test_the_screen_is_taken_as_it_is_and_shown_so(hand: Hand) -> None:
    editor, bench = hand.editor, hand.driver.bench
    bench.set_option(1)
    bench.set_pinned(0)
    bench.set_window((4e-3, 4.5e-3))
    bench.set_view("spectrum")
    bench.set_noise(1)
    hand.key(Qt.Key.Key_T)
    screen = editor.draft.lesson.cards[0].screen
    for words in ("One arm", "One on the pads", "Chop", "4 ms to 4.5 ms", "spectrum", "PWM"):
        assert words in editor.form.screen.text()
    other = Workbench(sim.load("arms_4s_analogue"))
    screens.put(other, editor.draft.lesson, screen)
    for what in ("build", "option", "event_index", "pinned", "view", "noise"):
        assert getattr(other, what) == getattr(bench, what), what
    assert other.window == pytest.approx(bench.window, rel=1e-12)
    bench.set_noise(None)
    bench.set_view("time")
    hand.driver.curves()
    mine = hand.driver.window.slow
    mine.toggle()
    hand.qtbot.waitUntil(lambda: mine.playing, timeout=WAIT_MS)
    mine.change_speed(-1)
    hand.key(Qt.Key.Key_T)
    slow = editor.draft.lesson.cards[0].screen.slow
    assert slow is not None
    hand.key(Qt.Key.Key_F5, NONE)
    player = hand.driver.window.lessons.playing
    assert player is not None
    hand.qtbot.waitUntil(lambda: player.slow.playing, timeout=WAIT_MS)
    assert player.slow.speed == mine.speed


def test_unsaved_work_is_asked_about(
    hand: Hand, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    editor, asked = hand.editor, []
    answers = QMessageBox.StandardButton

    def answer(box: QMessageBox) -> Any:
        asked.append(box.text())
        return answers.Cancel

    monkeypatch.setattr(QMessageBox, "exec", answer)
    hand.type(editor.form.title, "Mine")
    typed = editor.draft.lesson
    assert not editor.close()
    editor.start(lesson_draft.template)
    assert not hand.driver.window.close()
    assert len(asked) == 3
    assert editor.draft.lesson == typed
    monkeypatch.setattr(QMessageBox, "exec", lambda _: answers.Save)
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(tmp_path / "m.json"), ""))
    editor.start(lesson_draft.template)
    assert lessons.load(tmp_path / "m.json") == typed


_KILLED = """
import sys
from pathlib import Path
from msgspec.structs import replace
from PySide6.QtCore import QCoreApplication
app = QCoreApplication([])
from app.workshop.editor.draft import Draft
from sim import lesson_draft
draft = Draft(lesson_draft.template(), Path(sys.argv[1]))
draft.do("Title", replace(draft.lesson, title="Lost and found"))
draft.autosave()
print("kept", flush=True)
sys.stdin.read()
"""


def test_work_of_an_editor_that_was_killed_is_gone_on_with(qtbot: QtBot, tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", _KILLED, str(tmp_path)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stdout.readline() == "kept\n"
        draft = Draft(lesson_draft.empty(), tmp_path)
        assert not draft.recover(), "it is still open over there"
        process.kill()
    assert draft.recover()
    assert draft.lesson.title == "Lost and found"
    assert draft.dirty
    draft.close()
    assert not Draft(lesson_draft.empty(), tmp_path).recover()


def test_a_card_that_does_not_fit_says_so(hand: Hand) -> None:
    editor = hand.editor
    assert editor.preview.fits.text() == ""
    long = Card(kind="ask", title="Long", text="More words than a card has room for. " * 20)
    editor.draft.do("Long", replace(editor.draft.lesson, cards=(long,)))
    assert "cut" in editor.preview.fits.text()
    assert "Long" in editor.preview.picture.accessibleDescription()


def test_claims_and_figures_are_made_and_taken_away(hand: Hand) -> None:
    editor = hand.editor
    editor.start(lesson_draft.template)
    hand.figures()
    hand.key(Qt.Key.Key_3)
    hand.qtbot.mouseClick(editor.claims.new, Qt.MouseButton.LeftButton)
    text, figure, over, low, high, said, delete = editor.claims.rows[0]
    hand.type(text, "far less")
    hand.choose(figure, "n")
    hand.choose(over, "b")
    hand.type(high, "0.1")
    hand.type(low, "0")
    claim = editor.draft.lesson.claims[0]
    assert (claim.text, claim.figure, claim.over, claim.at_least, claim.below) == (
        "far less", "near", "bare", 0.0, 0.1)  # fmt: skip
    editor.check()
    # the engine says 0.24: that is not what the claim says
    assert "does not hold" in said.text()
    assert editor.foot.text().startswith("▲ The engine does not bear out: far less")
    hand.type(high, "0.5")
    editor.check()
    assert "does not" not in said.text()
    assert editor.foot.text().startswith("●")
    hand.qtbot.mouseClick(delete, Qt.MouseButton.LeftButton)
    assert editor.draft.lesson.claims == ()
    hand.key(Qt.Key.Key_2)
    hand.qtbot.mouseClick(editor.figures.copy, Qt.MouseButton.LeftButton)
    assert [f.name for f in editor.draft.lesson.figures] == ["bare", "near", "bare_2"]
    assert not editor.live.busy, "the same figure under another name asks the engine for nothing"
    assert editor.live.numbers["bare_2"].value == editor.live.numbers["bare"].value
    hand.qtbot.mouseClick(editor.figures.delete, Qt.MouseButton.LeftButton)
    assert [f.name for f in editor.draft.lesson.figures] == ["bare", "near"]


def test_a_card_s_screen_is_put_on_the_bench(hand: Hand) -> None:
    editor, bench = hand.editor, hand.driver.bench
    editor.start(lesson_draft.template)
    editor.cards.setCurrentRow(2)
    hand.qtbot.mouseClick(editor.form.put_back, Qt.MouseButton.LeftButton)
    assert bench.build == sim.load("arms_4s_analogue")
    names = [option.name for option in bench.build.options]
    assert bench.option == names.index("One at each ESC")
    assert bench.pinned == names.index("No capacitor")
    assert bench.events[bench.event_index].name == "Mid throttle"
    hand.key(Qt.Key.Key_T)
    assert editor.draft.lesson == lesson_draft.template(), "taken again it is the same"


def test_a_name_typed_past_another_s_leaves_cards_with_their_figure(hand: Hand) -> None:
    editor = hand.editor
    editor.start(lesson_draft.template)
    hand.key(Qt.Key.Key_2)
    editor.figures.choose(1)
    hand.type(editor.figures.name, "bare")
    assert "Another figure" in editor.figures.value.text()
    hand.qtbot.keyClicks(editor.figures.name, "_arms")
    assert editor.figures.name.text() == "bare_arms"
    assert editor.draft.lesson.cards[2].figures == ("bare", "bare_arms")
    assert editor.draft.lesson.figures[1].screen.option == "One at each ESC"
    hand.type(editor.figures.name, "bare")
    editor.form.title.setFocus()
    editor.figures.show_figures()
    assert editor.figures.name.text() == editor.draft.lesson.figures[1].name

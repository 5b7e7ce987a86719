"""Lessons in their own window, played by keys; and that nothing here speaks to the internet."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QMessageBox

from app.window import MainWindow
from app.wiring.room_words import MOST_NAMES
from app.workshop.course import Course
from app.workshop.lesson_panel import BENCH_CAUTION
from app.workshop.lesson_window import LessonWindow
from sim import lessons
from sim.build import load
from sim.errors import SimError
from sim.lessons import Number
from tests.app.driver import WAIT_MS, Driver, with_capacitor

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from pytestqt.qtbot import QtBot

    from sim.build import Build

# Our own invention, on a preset of the program.
SMALL: dict[str, Any] = {
    "format": "rippletree-lesson",
    "title": "Near or far",
    "build": "arms_4s_analogue",
    "event": "Mid throttle",
    "option": "No capacitor",
    "figures": [
        {"name": "bare", "words": "no capacitor", "reads": "swing", "at": "esc1.in"},
        {"name": "near", "words": "one at each ESC", "reads": "swing", "at": "esc1.in",
         "screen": {"option": "One at each ESC"}},
    ],
    "cards": [
        {"kind": "ask", "title": "Near or far?", "notes": "Say nothing yet."},
        {"kind": "guess", "title": "How much less?", "hidden": True,
         "guess": {"figure": "bare", "over": "near"},
         "choices": [{"text": "the same", "below": 1.2},
                     {"text": "far less", "at_least": 1.2}],
         "screen": {"option": "One at each ESC", "pinned": "No capacitor"}},
        {"kind": "reveal", "title": "This much", "figures": ["bare", "near"]},
        {"kind": "measure", "title": "Find it", "allowed": 1, "hidden": True, "measurements": [
            {"text": "at ESC 1", "figure": "bare", "sound": "near", "says": "Too much."},
            {"text": "the same again", "figure": "bare", "sound": "near", "says": "As before."}]},
        {"kind": "bench", "title": "Measure"},
        {"kind": "sum_up", "title": "Near"},
    ],
}  # fmt: skip


def _lesson() -> lessons.Lesson:
    return lessons.loads(json.dumps(SMALL).encode())


@pytest.fixture
def player(qtbot: QtBot) -> Iterator[LessonWindow]:
    window = LessonWindow(_lesson())
    window.show()
    qtbot.waitUntil(lambda: not window.sums.running, timeout=WAIT_MS)
    yield window
    window.close()
    window.deleteLater()


def test_a_lesson_is_played_by_keys(player: LessonWindow, qtbot: QtBot) -> None:
    def press(key: Any, modifier: Any = Qt.KeyboardModifier.NoModifier) -> str:
        qtbot.keyClick(player, key, modifier)
        return player.panel.in_words()

    assert "Near or far?" in player.panel.in_words()
    words = press(Qt.Key.Key_Right)
    assert "How much less?" in words
    # nothing on the screen gives the answer away
    assert not player.body.isVisible()
    assert "engine" not in words
    assert "V" not in words
    press(Qt.Key.Key_2)
    press(Qt.Key.Key_2)
    press(Qt.Key.Key_1)
    words = press(Qt.Key.Key_1, Qt.KeyboardModifier.ShiftModifier)
    assert "2 hands" in words
    words = press(Qt.Key.Key_Space)
    assert "engine: " in words
    assert "2 far less, 2 hands, marked" in words
    assert player.body.isVisible()
    assert player.bench.pinned == 0
    # large type all over, few words, and no line of a choice cut off
    assert player.look.projector
    assert len(player.frame.scene_.labels.items) <= MOST_NAMES
    for row in player.panel.rows:
        assert row.height() >= row.heightForWidth(row.width())
    assert (player.width(), player.height()) == (1280, 720)
    assert "3 hands" not in press(Qt.Key.Key_2)  # hands are down
    words = press(Qt.Key.Key_PageDown)
    for name in ("bare", "near"):
        assert player.sums.numbers[name].text in words
    press(Qt.Key.Key_Right)
    assert not player.body.isVisible()
    press(Qt.Key.Key_1)
    assert player.sums.numbers["bare"].text in player.cover.text()
    press(Qt.Key.Key_2)
    assert "As before." not in player.cover.text()  # only one was allowed
    press(Qt.Key.Key_Space)
    assert "As before." in player.cover.text()
    press(Qt.Key.Key_Right)
    assert player.cover.text() == BENCH_CAUTION
    words = press(Qt.Key.Key_Right)
    assert "2 of 2 hands were right" in words
    at = player.course.at
    press(Qt.Key.Key_Home)
    assert player.course.at == 0
    press(Qt.Key.Key_Home)
    assert player.course.at == at
    press(Qt.Key.Key_Right)
    assert player.course.at == at
    # a clicker goes back by one or the other, a card at a time
    press(Qt.Key.Key_PageUp)
    assert player.course.at == at - 1
    press(Qt.Key.Key_Left)
    assert player.course.at == at - 2


def test_the_presenter_reads_notes_the_class_does_not(player: LessonWindow, qtbot: QtBot) -> None:
    qtbot.keyClick(player, Qt.Key.Key_N)
    assert "Say nothing yet." in player.presenter.notes.text()
    assert "How much less?" in player.presenter.after.text()
    assert "Say nothing yet." not in player.panel.in_words()


def test_the_bench_stays_as_it_is(
    opened: Callable[[Build], Driver], tmp_path: Path, qtbot: QtBot
) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    window = driver.window
    broken = tmp_path / "broken.json"
    broken.write_text(json.dumps({**SMALL, "build": "nowhere"}))
    window.lessons.play(broken)
    assert window.lessons.playing is None
    assert "nowhere" in window.strip._label.text()
    good = tmp_path / "good.json"
    good.write_text(json.dumps(SMALL))
    window.lessons.play(good)
    player = window.lessons.playing
    assert player is not None
    assert window.workbench.build == with_capacitor()
    player.course.go(1)
    window.lessons.play(broken)  # a mistake in another lesson does not lose the class's place
    assert window.lessons.playing is player
    assert player.course.at == 1
    player.close()
    assert window.lessons.playing is None


def test_the_place_is_kept_through_what_happens_in_a_room(qtbot: QtBot, tmp_path: Path) -> None:
    """The window is resized, the ground changed, the file edited badly, the solver killed."""
    file = tmp_path / "evening.json"
    file.write_text(json.dumps(SMALL))
    player = LessonWindow(lessons.load(file))
    player.show()
    qtbot.waitUntil(lambda: not player.sums.running, timeout=WAIT_MS)
    for key in (Qt.Key.Key_Right, Qt.Key.Key_2, Qt.Key.Key_2, Qt.Key.Key_Space):
        qtbot.keyClick(player, key)

    def place() -> tuple[object, ...]:
        c = player.course
        return c.at, set(c.revealed), c.hands_of(1), player.panel.in_words().split("\n")[1:]

    before = place()
    player.resize(1920, 1080)
    qtbot.keyClick(player, Qt.Key.Key_D)
    qtbot.keyClick(player, Qt.Key.Key_F11)
    qtbot.keyClick(player, Qt.Key.Key_F11)
    player.resize(1280, 720)
    assert place() == before
    file.write_text("{ half a lesson")
    with pytest.raises(SimError) as caught:
        lessons.load(file)
    assert "evening.json" in str(caught.value)
    assert place() == before
    # the solver dies in the middle: what comes after it is worked out by another
    answered = player.bench.answer
    pid = player.solver.pid
    assert pid is not None
    os.kill(pid, signal.SIGKILL)
    qtbot.keyClick(player, Qt.Key.Key_B)
    qtbot.waitUntil(
        lambda: not player.bench.stale and player.bench.answer is not answered, timeout=WAIT_MS
    )
    assert place()[:3] == before[:3]
    player.close()
    player.deleteLater()


def test_hands_count_only_what_was_revealed() -> None:
    course = Course(_lesson())
    numbers = {
        "bare": Number("bare", "", 4.0, "V"),
        "near": Number("near", "", 1.0, "V"),
    }
    course.go(1)
    for _ in range(3):
        course.count(1, 1)
    course.count(0, 1)
    course.count(7, 1)  # there is no such choice
    assert course.tally(numbers) == (0, 0)
    course.reveal()
    assert course.tally(numbers) == (3, 4)
    course.count(1, -1)
    assert course.tally(numbers) == (3, 4)


_NO_INTERNET = """
import sys

def _hook(event, args):
    if event == "socket.getaddrinfo":
        raise RuntimeError("a name was looked up: " + repr(args))
    if event in ("socket.connect", "socket.bind", "socket.sendto") and isinstance(args[1], tuple):
        raise RuntimeError(event + " to the internet: " + repr(args[1]))

sys.addaudithook(_hook)
"""

_SESSION = """
import socket
import sys
from pathlib import Path

from PySide6.QtWidgets import QApplication

from app.window import MainWindow
from sim.build import load

def main():
    try:
        socket.create_connection(("127.0.0.1", 9), 0.1)
    except RuntimeError:
        pass
    else:
        sys.exit("the block does not block")
    app = QApplication([])
    window = MainWindow(load("arms_4s_analogue"), data_folder=Path(sys.argv[1]))
    window.show()
    bench = window.workbench
    while bench.answer is None or bench.findings is None:
        app.processEvents()
    print(bench.findings.sentence)
    window.close()

if __name__ == "__main__":
    main()
"""


def test_no_process_of_the_program_reaches_for_the_internet(tmp_path: Path) -> None:
    """Every Python process started here inherits a hook that raises on internet sockets."""
    (tmp_path / "sitecustomize.py").write_text(_NO_INTERNET)
    script = tmp_path / "session.py"
    script.write_text(_SESSION)
    roots = [str(tmp_path), os.getcwd(), os.environ.get("PYTHONPATH", "")]
    env = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(root for root in roots if root),
        "QT_QPA_PLATFORM": "offscreen",
    }
    done = subprocess.run(
        [sys.executable, str(script), str(tmp_path / "data")],
        env=env, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "internet" not in done.stderr
    assert done.stdout.startswith(("Best so far", "No option"))


def test_the_place_of_a_class_outlives_the_program(
    qtbot: QtBot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "lesson.json"
    file.write_text(json.dumps(SMALL))
    asked: list[str] = []
    answers = QMessageBox.StandardButton

    def open_it(answer: QMessageBox.StandardButton) -> tuple[MainWindow, LessonWindow]:
        def reply(box: QMessageBox) -> Any:
            asked.append(box.text())
            return answer

        monkeypatch.setattr(QMessageBox, "exec", reply)
        window = MainWindow(load("whoop_1s"), data_folder=tmp_path / "data")
        qtbot.addWidget(window)
        window.lessons.play(file)
        assert window.lessons.playing is not None
        return window, window.lessons.playing

    window, player = open_it(answers.No)
    assert not asked
    guess = next(k for k, card in enumerate(player.course.lesson.cards) if card.kind == "guess")
    player.go(guess)
    player._pressed(1, 1)
    player._pressed(1, 1)
    player.reveal()
    # what a program that was killed leaves behind is what is on the disk by now
    (place,) = (tmp_path / "data").glob("lesson-place.json")
    left = place.read_bytes()
    window.close()
    place.write_bytes(left)

    window, player = open_it(answers.Yes)
    assert asked == [
        f"The class was at card {guess + 1} of {len(player.course.lesson.cards)}. Go on there, "
        "with its hands and reveals? No starts at the first card."
    ]
    assert player.course.at == guess
    assert player.course.hands_of(guess)[1] == 2
    assert player.course.shown
    player.go(len(player.course.lesson.cards) - 1 - guess)
    assert player.course.next_card is None
    window.close()
    assert not place.exists()

    # a lesson that was written anew since, or another evening, begins at its beginning
    for old, new in ((b'"when":', b'"when":1.0,"was":'), (b'"lesson":"', b'"lesson":"x')):
        place.write_bytes(left.replace(old, new))
        window, player = open_it(answers.Yes)
        assert len(asked) == 1
        assert player.course.at == 0
        window.close()

"""The room's own recording beside the model's curve in a lesson.

The recording is made of the model itself on a clock of its own: it must come to lie where it was
made, on the screen it was picked on, and nowhere before the reveal.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFileDialog

import sim
from app.workshop.lesson_window import LessonWindow
from sim import lessons
from sim.signals import Signal
from tests.app.driver import WAIT_MS

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pytestqt.qtbot import QtBot

#: The scope's trigger came so long after the contact touched, s.
LATE = 7e-6
SPARK = {"event": "Plug in", "option": "One at each ESC"}
# Our own invention, on a preset of the program.
LESSON: dict[str, Any] = {
    "format": "rippletree-lesson",
    "title": "A spark",
    "build": "arms_4s_analogue",
    "event": "Plug in",
    "option": "No capacitor",
    "figures": [{"name": "peak", "words": "highest", "reads": "peak", "at": "pads",
                 "screen": SPARK}],
    "cards": [
        {"kind": "ask", "title": "Plug in", "screen": SPARK},
        {"kind": "guess", "title": "How high?", "guess": {"figure": "peak"}, "screen": SPARK,
         "choices": [{"text": "up to 20 V", "below": 20}, {"text": "more", "at_least": 20}]},
        {"kind": "sum_up", "title": "As drawn"},
    ],
}  # fmt: skip


@pytest.fixture
def player(qtbot: QtBot) -> Iterator[LessonWindow]:
    window = LessonWindow(lessons.loads(json.dumps(LESSON).encode()))
    window.show()
    yield window
    window.close()
    window.deleteLater()


def _ready(player: LessonWindow, qtbot: QtBot) -> None:
    bench = player.bench
    qtbot.waitUntil(lambda: bench.answer is not None and not bench.stale, timeout=WAIT_MS)


def _labels(player: LessonWindow) -> list[str]:
    return [strip._recorded._label.toPlainText() for strip in player.scope.strips]


def test_the_rooms_trace_waits_for_the_reveal_and_lies_on_its_screen(
    player: LessonWindow, qtbot: QtBot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lesson = player.course.lesson
    run = sim.solve(lessons.build_of(lesson, lesson.cards[0].screen), "Plug in", "One at each ESC")
    _ready(player, qtbot)
    assert player.bench.answer is not None
    curve = player.bench.answer.curves[0]
    times = np.linspace(-10e-6, 150e-6, 4001)
    clipped = np.clip(times, 0.0, None)
    volts = np.where(
        times < 0.0, 0.0, run.sample([Signal("volts", curve.place, curve.ground)], clipped)[0]
    )
    file = tmp_path / "plug.csv"
    rows = [f"{t - LATE:.9e},{v:.5f}" for t, v in zip(times, volts, strict=True)]
    file.write_text("Time (s),CH1\n" + "\n".join(rows) + "\n")
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: (str(file), ""))
    qtbot.keyClick(player, Qt.Key.Key_R)
    room = player.room
    qtbot.waitUntil(
        lambda: (trace := room.present()) is not None and trace.row is not None, timeout=WAIT_MS
    )
    trace = room.present()
    assert trace is not None
    assert trace.recording.shift_s == pytest.approx(LATE, abs=0.1e-6)
    assert "Recorded" in player.presenter.notes.text()
    # before the reveal nothing of it is seen, neither on the question nor on the open guess
    assert not any(_labels(player))
    qtbot.keyClick(player, Qt.Key.Key_Right)
    assert not any(_labels(player))
    qtbot.keyClick(player, Qt.Key.Key_Space)
    assert _labels(player)[0] == "recorded"
    # another build is on the next screen: the trace says nothing of it
    qtbot.keyClick(player, Qt.Key.Key_Right)
    _ready(player, qtbot)
    assert not any(_labels(player))
    qtbot.keyClick(player, Qt.Key.Key_Left)
    _ready(player, qtbot)
    assert _labels(player)[0] == "recorded"
    actions = {action.text(): action for action in room.menu(trace).actions()}
    actions["10x probe, scope set to 1x"].trigger()
    assert trace.values().max() == pytest.approx(10.0 * volts.max(), rel=1e-4)
    actions["Take it off"].trigger()
    assert not any(_labels(player))
    assert room.present() is None


def test_a_file_that_is_no_recording_is_refused_on_the_card(
    player: LessonWindow, qtbot: QtBot, tmp_path: Path
) -> None:
    file = tmp_path / "list.csv"
    file.write_text("name,colour\nred,one\n")
    player.course.go(1)
    player.room.pick(file)
    qtbot.waitUntil(lambda: "list.csv" in player.panel.in_words(), timeout=WAIT_MS)
    assert player.room.present() is None
    assert player.course.at == 1

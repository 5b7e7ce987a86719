"""An empty frame as somebody meets it who has never seen the program."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, Qt

from sim import load

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.build import Build
    from tests.app.driver import Driver


def rows(drive: Driver) -> list[str]:
    tray = drive.window.frame.tray
    return [tray.list.item(row).text() for row in range(tray.list.count())]


def test_an_empty_frame_says_what_comes_next_until_there_is_an_answer(
    opened: Callable[[Build], Driver],
) -> None:
    drive = opened(load("arms_4s_analogue"))
    window, frame, bench = drive.window, drive.window.frame, drive.bench
    sentence = window.answer_row.sentence
    frame.setFocus()
    drive.key_on(frame, Qt.Key.Key_N, Qt.KeyboardModifier.ControlModifier)
    assert bench.build.parts == ()
    assert sentence.text().startswith("An empty frame: press “Your quad in a minute”")
    drive.until(bench.problem_changed, lambda: bench.problem is not None)
    assert sentence.text().startswith("An empty frame: press “Your quad in a minute”")
    assert window.top_row.minute.isVisible()
    assert "Six questions" in window.strip.text
    assert "the + at the bottom left" in frame._hint.text()

    # without a supply the pack comes first in the tray: Enter alone takes it
    drive.key_on(frame, Qt.Key.Key_N)
    assert rows(drive)[:2] == ["Power", "LiPo pack"]
    drive.key_on(frame.tray.filter, Qt.Key.Key_Return)
    drive.key_on(frame, Qt.Key.Key_Return)
    assert [part.kind for part in bench.build.parts] == ["battery"]
    drive.until(bench.problem_changed, lambda: bench.problem is None and not bench.stale)
    assert sentence.text() == "Next: an ESC with its motor, from the tray with +."
    assert "drag a part" in frame._hint.text()
    assert window.strip.text == ""

    # and then the arms, as ever
    drive.key_on(frame, Qt.Key.Key_N)
    assert rows(drive)[:2] == ["Whole arms", "ESC with motor on an arm"]
    drive.key_on(frame.tray.filter, Qt.Key.Key_Escape)
    frame.drop("set:arm", QPointF(60.0, -60.0))
    assert "An empty frame" not in sentence.text()
    drive.findings()
    assert "limit" in sentence.text()

"""An empty frame as somebody meets it who has never seen the program."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace
from PySide6.QtCore import QPointF, Qt
from PySide6.QtWidgets import QPushButton

from app.words import unbroken
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


def test_a_capacitor_is_what_a_builder_means_by_it(opened: Callable[[Build], Driver]) -> None:
    """ "capacitor" and Enter took a ceramic one, which comes first by the alphabet only."""
    drive = opened(load("arms_4s_analogue"))
    tray = drive.window.frame.tray
    drive.key_on(drive.window.frame, Qt.Key.Key_N)
    drive.qtbot.keyClicks(tray.filter, "capac")
    assert rows(drive) == [
        "Capacitors", "Electrolytic capacitor", "Ceramic capacitor", "Polymer capacitor",
    ]  # fmt: skip
    assert tray.list.currentItem().text() == "Electrolytic capacitor"


def test_where_a_new_part_goes_is_said_alike_in_both_places(
    opened: Callable[[Build], Driver],
) -> None:
    """ "changes go to all options" stood over a ghost that said "only in this one"."""
    drive = opened(load("arms_4s_analogue"))
    frame, bench = drive.window.frame, drive.bench
    bench.set_option(0)
    assert not bench.only_here
    assert frame.scope_line.scope.text().startswith("all options, new parts to this one")
    frame.start_placing("electrolytic", frame.scene_.middle_of("pads"))
    assert "Only in “No capacitor”." in frame.said
    frame.put_down()
    assert bench.build.options[0].changes[-1].add is not None


def test_no_line_of_the_answer_ends_between_a_figure_and_its_unit() -> None:
    text = "Spike at ESC 1: 35.5 V → 22.6 V, limit 30 V. Legs 5 mm, 40 mV at 24 kHz, in 3 cases."
    folded = unbroken(text)
    assert [w for w in folded.split(" ") if w[:1].isdigit()] == [
        "1:", "35.5\N{NO-BREAK SPACE}V", "22.6\N{NO-BREAK SPACE}V,", "30\N{NO-BREAK SPACE}V.",
        "5\N{NO-BREAK SPACE}mm,", "40\N{NO-BREAK SPACE}mV", "24\N{NO-BREAK SPACE}kHz,", "3",
    ]  # fmt: skip


def test_notes_and_the_top_row_fit_large_type(opened: Callable[[Build], Driver]) -> None:
    """Buttons of a note stayed small, and while compiling the row was wider than the screen."""
    drive = opened(load("arms_4s_analogue"))
    window = drive.window
    window.resize(1280, 720)
    window.strip.say("Unsaved work is kept.", [("Go on with it", lambda: None)])
    drive.curves()
    shown = drive.bench.answer
    assert shown is not None
    drive.key_on(window.frame, Qt.Key.Key_F11)
    drive.bench.answer = replace(shown, compiling=True)
    drive.bench.answer_changed.emit()
    assert window.top_row.timing.text().endswith("compiling")
    drive.qtbot.waitUntil(lambda: window.paper.width() == window.width())
    for button in window.strip.findChildren(QPushButton):
        assert button.font().pointSizeF() >= 24

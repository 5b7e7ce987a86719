"""Questions asked of the engine from the window, and pages saved."""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFileDialog

from app.panels.ask_sheet import QUESTIONS, in_words
from tests.app.driver import WAIT_MS, Driver, with_capacitor

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pytest

    from sim.build import Build


def test_w_asks_and_the_answer_has_figures(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    sheet = driver.window.ask_sheet
    driver.key(Qt.Key.Key_W)
    assert sheet.isVisible()
    sheet.buttons["carrier"].click()
    driver.qtbot.waitUntil(lambda: sheet._errand is None, timeout=WAIT_MS)
    words = sheet.answer.text()
    assert QUESTIONS["carrier"] in words
    assert "kHz" in words
    assert "Not a promise to fly" in words
    driver.bench.set_option(1)  # an answer about another option says nothing here
    assert "kHz" not in sheet.answer.text()
    driver.key(Qt.Key.Key_Escape)
    assert not sheet.isVisible()


def test_a_question_stops_at_once(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    sheet = driver.window.ask_sheet
    driver.key(Qt.Key.Key_W)
    sheet.buttons["unknowns"].click()
    assert sheet.stop_button.isVisible()
    process = sheet._errand._process  # type: ignore[union-attr]
    assert process.exit_code is None
    sheet.stop_button.click()
    assert process.exit_code is not None
    assert "Stopped" in sheet.answer.text()
    assert not sheet.stop_button.isVisible()


def test_failures_and_advice_are_told_in_the_librarys_words() -> None:
    fault = SimpleNamespace(says="Capacitor comes off: ESC 1 takes 36 V of 30.")
    assert in_words("failures", (fault,)) == [fault.says]
    assert in_words("failures", ()) == ["Nothing that could fail is in this option."]
    advice = SimpleNamespace(sentence="Shorten the legs (worked out).")
    assert in_words("help", advice) == [advice.sentence]


def test_the_card_is_saved_as_pdf(
    opened: Callable[[Build], Driver], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    path = tmp_path / "card.pdf"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(path), ""))
    driver.window.paperwork.card()
    said = driver.window.strip
    driver.qtbot.waitUntil(lambda: "Working out" not in said.text, timeout=WAIT_MS)
    assert "Saved as card.pdf" in said.text
    assert path.read_bytes().startswith(b"%PDF")


def test_what_stands_behind_a_verdict_comes_and_stays_in_place(
    opened: Callable[[Build], Driver],
) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    driver.bench.set_option(1)
    driver.key(Qt.Key.Key_F)
    sheet = driver.window.findings_sheet
    sheet.buttons[1].click()
    page = sheet.behind
    driver.qtbot.waitUntil(lambda: not page.blocks["grams"].old, timeout=WAIT_MS)
    places = {key: block.geometry() for key, block in page.blocks.items()}
    driver.qtbot.waitUntil(lambda: not page.busy, timeout=WAIT_MS)
    assert not any(block.old for block in page.blocks.values())
    # what came later moved nothing that was read already
    assert {key: block.geometry() for key, block in page.blocks.items()} == places
    assert "out of the pack" in page.blocks["plug_in"].words.text()
    assert "Not a promise to fly" in sheet._note.text()
    # another option: the old figures go pale at once, and nothing runs on for the old one
    driver.bench.set_option(0)
    assert all(block.old for block in page.blocks.values())
    driver.key(Qt.Key.Key_F)
    assert not page.busy


def test_what_is_known_so_far_is_shown_while_the_rest_is_worked_out(
    opened: Callable[[Build], Driver],
) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    sheet = driver.window.ask_sheet
    driver.key(Qt.Key.Key_W)
    seen: list[str] = []
    sheet.buttons["failures"].click()
    assert sheet._errand is not None
    sheet._errand.told.connect(lambda _: seen.append(sheet.answer.text()))
    driver.qtbot.waitUntil(lambda: sheet._errand is None, timeout=WAIT_MS)
    assert seen
    assert "So far:" in seen[0]
    assert "comes off" in seen[0]
    assert "So far:" not in sheet.answer.text()

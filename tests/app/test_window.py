"""The real window, driven as a hand would: canvas, part sheet, options, keys, files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec
import numpy as np
import pytest
from msgspec.structs import replace
from PySide6.QtCore import QPoint, Qt
from PySide6.QtWidgets import QMessageBox

from app.look import palette
from app.notices import BugDialog, Place, place_of
from app.panels.quantity_edit import SLIDER_STEPS
from sim.build import Build, load, loads
from tests.app.driver import ONE_ESC, Driver, with_capacitor

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pytestqt.qtbot import QtBot


def test_the_sample_opens_solved(opened: Callable[[Build], Driver]) -> None:
    driver = opened(load("arms_4s_analogue"))
    driver.curves()
    scope = driver.window.scope
    assert scope is not None
    assert [strip.name.text() for strip in scope.strips] == ["ESC 3", "Power board pads", "VTX"]
    for strip in scope.strips:
        _, volts = strip._lines[0].getData()
        assert np.all(np.isfinite(volts))
        assert 5.0 < volts.min() < volts.max() < 45.0
    assert "slow" not in scope.strips[0].figure.text()
    assert len(driver.window.cards.cards) == 6


def test_the_answer_says_best_option_figure_and_limit(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.findings()
    sentence = driver.window.answer_row.sentence.text()
    assert "One on the pads" in sentence
    assert "limit" in sentence
    assert "V" in sentence
    assert "Not a promise to fly" in driver.window.answer_row.caution.text()
    first, second = driver.window.cards.cards
    assert first.accessibleName().startswith("No capacitor, ")
    assert any(f", {word}, " in first.accessibleName() for word in ("within", "close", "over"))
    assert "best so far" in second.accessibleName()


def test_a_capacitor_dropped_on_the_pads_lowers_both_peaks(
    opened: Callable[[Build], Driver], tmp_path: Path
) -> None:
    """Plug-in: 6 µF behind some 200 nH overshoots, 470 µF with its ESR damps it. Chop: what
    the motor pushes back first fills the capacitor, so the slow peak falls too."""
    driver = opened(loads(ONE_ESC))
    window, bench = driver.window, driver.bench
    chop_before = driver.peak()
    bench.set_event(1)
    plug_before = driver.peak()
    assert plug_before > 1.2 * 16.0

    window.frame.start_placing("electrolytic")
    driver.click_frame(0.0, 0.0)
    (new,) = {part.id for part in bench.build.parts} - {part.id for part in loads(ONE_ESC).parts}
    assert any({lead.from_, lead.to} == {new, "pads"} for lead in bench.build.leads)
    plug_after = driver.peak()
    assert plug_after < plug_before - 1.0
    bench.set_event(0)
    chop_after = driver.peak()
    assert chop_after < chop_before - 1e-3

    path = tmp_path / "with.json"
    window.documents.save_as(path)
    driver.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert bench.build == loads(ONE_ESC)
    assert driver.peak() == pytest.approx(chop_before, abs=1e-9)
    window.workbench.undo_stack.setClean()
    window.open(path)
    assert driver.peak() == pytest.approx(chop_after, abs=1e-9)


def test_the_longer_lead_overshoots_more(opened: Callable[[Build], Driver]) -> None:
    driver = opened(loads(ONE_ESC))
    driver.bench.set_event(1)
    before = driver.peak()
    driver.window.part_sheet.open("main", QPoint(300, 300))
    row = driver.window.part_sheet.rows["length"]
    row.box.setText("30 cm")
    row.box.editingFinished.emit()
    assert driver.bench.build.lead("main").length == "30 cm"
    assert driver.peak() > before + 0.1


@pytest.mark.parametrize(
    ("field", "typed", "shown"),
    [
        ("capacitance", "4u7", "4.7 µF"),
        ("capacitance", "0.47 mF", "470 µF"),
        ("capacitance", "470u", "470 µF"),
        ("esr", "R018", "18 mΩ"),
        ("esr", "18 milliohm", "18 mΩ"),
    ],
)
def test_values_as_people_type_them(
    opened: Callable[[Build], Driver], field: str, typed: str, shown: str
) -> None:
    driver = opened(with_capacitor())
    driver.bench.set_option(1)
    driver.window.part_sheet.open("bulk", QPoint(300, 300))
    row = driver.window.part_sheet.rows[field]
    row.box.setFocus()
    row.box.setText("")
    driver.qtbot.keyClicks(row.box, typed)
    driver.qtbot.keyClick(row.box, Qt.Key.Key_Return)
    part = driver.bench.build.part("bulk")
    assert part is not None
    assert str(part.values[field]) == typed or row.box.text() == shown
    assert row.box.text() == shown
    assert row.error.isHidden()


def test_gauge_of_a_lead(opened: Callable[[Build], Driver]) -> None:
    driver = opened(loads(ONE_ESC))
    driver.window.part_sheet.open("main", QPoint(300, 300))
    row = driver.window.part_sheet.rows["gauge"]
    row.box.setText("12AWG")
    row.box.editingFinished.emit()
    assert row.box.text() == "12 AWG"
    assert driver.bench.build.lead("main").gauge == "12AWG"


def test_a_wrong_value_is_said_beside_its_box(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.bench.set_option(1)
    before = driver.bench.build
    driver.window.part_sheet.open("bulk", QPoint(300, 300))
    row = driver.window.part_sheet.rows["esr"]
    row.box.setText("18 volts")
    row.box.editingFinished.emit()
    assert row.error.isVisible()
    assert "resistance" in row.error.text()
    assert driver.bench.build == before
    row.box.setText("20 mOhm")
    row.box.editingFinished.emit()
    assert not row.error.isVisible()
    assert driver.bench.build != before


def test_arrows_step_along_the_series_as_one_undo_step(
    opened: Callable[[Build], Driver],
) -> None:
    driver = opened(with_capacitor())
    driver.bench.set_option(1)
    before = driver.bench.build
    driver.window.part_sheet.open("bulk", QPoint(300, 300))
    row = driver.window.part_sheet.rows["capacitance"]
    seen = [row.box.text()]
    for _ in range(2):
        driver.qtbot.keyClick(row.box, Qt.Key.Key_Up)
        seen.append(row.box.text())
    assert seen[0] == "470 µF"
    assert seen[1] in ("680 µF", "560 µF")  # the next of E6 or of E12
    driver.bench.undo_stack.undo()
    assert driver.bench.build == before


def test_the_mark_of_a_value_is_said_and_kept(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.bench.set_option(1)
    driver.window.part_sheet.open("bulk", QPoint(300, 300))
    row = driver.window.part_sheet.rows["esr"]
    measured = next(a for a in row.mark.menu().actions() if a.text() == "you measured")
    measured.trigger()
    given: Any = driver.bench.build.part("bulk").values["esr"]
    assert (given.value, given.mark) == ("35 mOhm", "measured")
    assert row.mark.text() == "you measured"
    row.restore.click()
    assert "esr" not in driver.bench.build.part("bulk").values
    assert row.mark.text() == "our guess"


def test_curves_follow_the_slider_and_letting_go_is_one_step(
    opened: Callable[[Build], Driver],
) -> None:
    driver = opened(with_capacitor())
    driver.bench.set_option(1)
    driver.bench.set_event(1)
    driver.findings()
    before = driver.bench.build
    sheet = driver.window.part_sheet
    sheet.open("bulk", QPoint(300, 300))
    steps = driver.bench.undo_stack.count()
    sheet.slider.setSliderDown(True)
    drawn: list[float] = []
    for position in (3 * SLIDER_STEPS // 4, SLIDER_STEPS // 4, 10):
        shown = driver.bench.drawn
        sheet.slider.setSliderPosition(position)
        driver.until(
            driver.bench.answer_changed,
            lambda shown=shown: (
                driver.bench.drawn is not shown
                and not driver.bench.stale
                and driver.bench.answer.live
            ),
        )
        # 10 µs into the plug-in: the smaller the capacitor, the further it is filled.
        curve = driver.bench.answer.curves[1]
        drawn.append(float(curve.high[len(curve.high) // 20]))
    assert drawn[0] < drawn[1] < drawn[2]
    assert driver.bench.build == before
    assert driver.bench.undo_stack.count() == steps
    assert driver.bench.findings_stale

    sheet.slider.setSliderDown(False)
    assert driver.bench.undo_stack.count() == steps + 1
    assert driver.bench.build != before
    driver.findings()
    driver.bench.undo_stack.undo()
    assert driver.bench.build == before


def test_a_quick_hand_on_the_slider_is_followed_to_where_it_comes_to(
    opened: Callable[[Build], Driver], qtbot: QtBot
) -> None:
    """Places between two that are looked at are left out; the last is not, nor on letting go."""
    driver = opened(with_capacitor())
    driver.bench.set_option(1)
    sheet = driver.window.part_sheet
    sheet.open("bulk", QPoint(300, 300))
    previews: list[object] = []
    driver.bench.preview_changed.connect(lambda: previews.append(driver.bench.drawn))
    sheet.slider.setSliderDown(True)
    places = range(100, 200)
    for position in places:
        sheet.slider.setSliderPosition(position)
    last = sheet._slid(places[-1])
    qtbot.waitUntil(lambda: driver.bench.shown_build.part("bulk").values["capacitance"] == last)
    assert len(previews) < len(places)
    sheet.slider.setSliderPosition(250)
    sheet.slider.setSliderPosition(260)
    sheet.slider.setSliderDown(False)
    kept = driver.bench.build.part("bulk") or driver.bench.shown_build.part("bulk")
    assert kept.values["capacitance"] == sheet._slid(260)
    assert driver.bench.undo_stack.count() == 1


def test_pressing_the_slider_alone_changes_nothing(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.bench.set_option(1)
    driver.window.part_sheet.open("bulk", QPoint(300, 300))
    driver.window.part_sheet.slider.setSliderDown(True)
    driver.window.part_sheet.slider.setSliderDown(False)
    assert driver.bench.undo_stack.count() == 0


def test_a_part_is_renamed_by_its_title(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.bench.set_option(1)
    driver.window.part_sheet.open("bulk", QPoint(300, 300))
    driver.window.part_sheet.title.setText("Big one")
    driver.window.part_sheet.title.editingFinished.emit()
    assert driver.bench.build.part("bulk").label == "Big one"


def test_an_edit_through_an_option_stays_in_it(opened: Callable[[Build], Driver]) -> None:
    build = with_capacitor()
    small = {"set": "bulk.capacitance", "value": "100 uF"}
    import json

    from sim.build import dumps

    tree = json.loads(dumps(build))
    tree["options"].append({"name": "A small one", "changes": [small]})
    driver = opened(loads(json.dumps(tree).encode()))
    driver.key(Qt.Key.Key_3)
    driver.window.part_sheet.open("bulk", QPoint(300, 300))
    row = driver.window.part_sheet.rows["capacitance"]
    assert row.box.text() == "100 µF"
    row.box.setText("220u")
    row.box.editingFinished.emit()
    assert driver.bench.shown_build.part("bulk").values["capacitance"] == "220u"
    assert driver.bench.build.part("bulk").values["capacitance"] == "470 uF"


def test_number_keys_choose_options_and_b_swaps(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    driver.key(Qt.Key.Key_2)
    assert driver.bench.option == 1
    assert [card.isChecked() for card in driver.window.cards.cards] == [False, True]
    driver.until(driver.bench.answer_changed, lambda: driver.bench.ghost is not None)
    assert driver.bench.ghost.option == 0
    driver.key(Qt.Key.Key_B)
    assert (driver.bench.option, driver.bench.pinned) == (0, 1)
    driver.key(Qt.Key.Key_9)
    assert driver.bench.option == 0


def test_keys_open_and_close_sheets(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.findings()
    window = driver.window
    assert window.findings_sheet.table.rowCount() == 0  # hidden, it must cost nothing in a drag
    driver.key(Qt.Key.Key_F)
    assert window.findings_sheet.isVisible()
    assert window.findings_sheet.table.rowCount() == len(driver.bench.findings.cells) > 0
    driver.key(Qt.Key.Key_Escape)
    assert not window.findings_sheet.isVisible()
    driver.key(Qt.Key.Key_Question)
    assert window.keys_sheet.isVisible()
    driver.qtbot.keyClick(window.keys_sheet, Qt.Key.Key_Space)
    assert not window.keys_sheet.isVisible()
    small = window.answer_row.sentence.font().pointSizeF()
    driver.key(Qt.Key.Key_F11)
    assert window.answer_row.sentence.font().pointSizeF() >= 24.0 > small
    driver.key(Qt.Key.Key_D)
    assert window.look.dark


def test_redo_has_two_keys(opened: Callable[[Build], Driver]) -> None:
    driver = opened(loads(ONE_ESC))
    control = Qt.KeyboardModifier.ControlModifier
    driver.bench.do("Rename", replace(driver.bench.build, name="New name"))
    for redo in (
        (Qt.Key.Key_Y, control),
        (Qt.Key.Key_Z, control | Qt.KeyboardModifier.ShiftModifier),
    ):
        driver.key(Qt.Key.Key_Z, control)
        assert driver.bench.build.name == "One arm"
        driver.key(*redo)
        assert driver.bench.build.name == "New name"


def test_a_build_that_cannot_be_solved_says_why_and_still_draws(
    opened: Callable[[Build], Driver],
) -> None:
    from sim.edit import remove

    driver = opened(loads(ONE_ESC))
    driver.curves()
    drawn = driver.window.scope.strips[0]._lines[0].getData()[1].copy()
    driver.bench.do("Remove", remove(driver.bench.build, ["pack"]))
    driver.until(driver.bench.problem_changed, lambda: driver.bench.problem is not None)
    problem = driver.bench.problem
    assert "battery" in problem.what
    assert problem.what in driver.window.answer_row.sentence.text()
    # The old curves stay, paler: never blank.
    assert np.array_equal(driver.window.scope.strips[0]._lines[0].getData()[1], drawn)
    assert driver.window.scope.pale
    driver.bench.undo_stack.undo()
    driver.curves()
    assert driver.bench.problem is None
    assert not driver.window.scope.pale


def test_of_a_broken_build_the_rest_is_solved(opened: Callable[[Build], Driver]) -> None:
    from sim.edit import remove

    driver = opened(loads(ONE_ESC))
    driver.curves()
    driver.bench.do("Remove", remove(driver.bench.build, ["arm"]))
    driver.until(driver.bench.problem_changed, lambda: driver.bench.problem is not None)
    problem = driver.bench.problem
    assert {id_ for id_, _ in problem.marks} == {"esc1", "motor1", "cer1"}
    assert {what for _, what in problem.marks} == {"cannot be reached from the supply"}
    assert driver.window.answer_row.sentence.text().startswith("ESC 1: cannot be reached")
    # Nothing draws on the pack any more: its pads stand at its open voltage.
    assert driver.peak("pads") == pytest.approx(16.0, abs=1e-6)
    marked = {i for i, item in driver.window.frame.scene_.parts.items() if item.marked}
    assert marked == {"esc1", "motor1", "cer1"}
    driver.bench.undo_stack.undo()
    driver.curves()
    assert driver.bench.problem is None


def test_looking_closer_solves_nothing_again(opened: Callable[[Build], Driver]) -> None:
    driver = opened(loads(ONE_ESC))
    driver.findings()
    asked = driver.bench._request_id
    driver.bench.set_window((4e-3, 7e-3))
    driver.until(driver.bench.answer_changed, lambda: driver.bench.answer.window == (4e-3, 7e-3))
    assert driver.bench._request_id == asked
    curve = driver.bench.answer.curves[0]
    assert (curve.t[0], curve.t[-1]) == pytest.approx((4e-3, 7e-3))
    left, right = driver.window.scope.strips[0].plot.getViewBox().viewRange()[0]
    assert (left, right) == pytest.approx((4e-3, 7e-3))


def test_the_ribbon_moves_the_window(opened: Callable[[Build], Driver]) -> None:
    driver = opened(loads(ONE_ESC))
    driver.curves()
    ribbon = driver.window.scope.ribbon
    middle = ribbon.height() // 2
    left = Qt.MouseButton.LeftButton
    driver.qtbot.mousePress(ribbon, left, pos=QPoint(ribbon.width() // 4, middle))
    driver.qtbot.mouseMove(ribbon, QPoint(ribbon.width() // 2, middle))
    driver.qtbot.mouseRelease(ribbon, left, pos=QPoint(ribbon.width() // 2, middle))
    start, end = driver.bench.window
    assert start == pytest.approx(7.5e-3, abs=0.5e-3)
    assert end == pytest.approx(15e-3, abs=0.5e-3)
    driver.qtbot.mouseDClick(ribbon, left, pos=QPoint(10, middle))
    assert driver.bench.window is None


def test_plug_in_shows_its_caution(opened: Callable[[Build], Driver]) -> None:
    driver = opened(loads(ONE_ESC))
    caution = driver.window.answer_row.caution
    assert "Eye protection" not in caution.text()
    driver.bench.set_event(1)
    assert "Stripe is minus" in caution.text()
    assert "Eye protection" in caution.text()


def test_a_broken_file_is_said_and_nothing_is_lost(
    opened: Callable[[Build], Driver], tmp_path: Path
) -> None:
    driver = opened(loads(ONE_ESC))
    broken = tmp_path / "broken.json"
    broken.write_text("{")
    driver.window.open(broken)
    assert "broken.json" in driver.window.strip.text
    assert driver.bench.build == loads(ONE_ESC)


def test_unsaved_work_is_asked_about(
    opened: Callable[[Build], Driver], monkeypatch: pytest.MonkeyPatch
) -> None:
    driver = opened(loads(ONE_ESC))
    driver.bench.do("Rename", replace(driver.bench.build, name="Changed"))
    assert driver.window.isWindowModified()
    asked: list[str] = []

    def cancel(box: QMessageBox) -> QMessageBox.StandardButton:
        asked.append(box.text())
        return QMessageBox.StandardButton.Cancel

    monkeypatch.setattr(QMessageBox, "exec", cancel)
    assert not driver.window.close()
    assert driver.window.isVisible()
    assert "Changed" in asked[0]


def test_a_fault_of_ours_is_a_calm_dialog(opened: Callable[[Build], Driver]) -> None:
    driver = opened(loads(ONE_ESC))
    driver.window.show_bug("what happened")
    (dialog,) = driver.window.findChildren(BugDialog)
    assert dialog.report.toPlainText() == "what happened"
    dialog.accept()


def test_each_error_has_its_place() -> None:
    assert place_of("BadField") is Place.BOX
    assert place_of("NewerFile") is Place.STRIP
    assert place_of("Unjoined") is Place.WIRING
    assert place_of("NoStart") is Place.ANSWER
    assert place_of("") is Place.DIALOG
    assert place_of(ZeroDivisionError()) is Place.DIALOG


def _luminance(colour: Any) -> float:
    """Relative luminance; source: WCAG 2.1, definition of relative luminance."""

    def linear(channel: float) -> float:
        return channel / 12.92 if channel <= 0.04045 else ((channel + 0.055) / 1.055) ** 2.4

    red, green, blue = (linear(c) for c in (colour.redF(), colour.greenF(), colour.blueF()))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("ground", ["paper", "band", "card"])
def test_text_stands_out(dark: bool, ground: str) -> None:
    """Text 4.5 to 1, lines 3 to 1: WCAG 2.1, 1.4.3 and 1.4.11."""
    colours = palette(dark)
    behind = _luminance(getattr(colours, ground))

    def contrast(name: str) -> float:
        front = _luminance(getattr(colours, name))
        light, deep = max(front, behind), min(front, behind)
        return (light + 0.05) / (deep + 0.05)

    for name in ("ink", "muted", "over", "close", "within"):
        assert contrast(name) >= 4.5, name
    for name in ("line1", "line2", "line3", "plus", "minus", "limit", "selection"):
        assert contrast(name) >= 3.0, name


def test_the_row_at_the_top_says_when_the_solver_is_being_compiled(
    opened: Callable[[Build], Driver],
) -> None:
    driver = opened(loads(ONE_ESC))
    driver.peak()
    timing, bench = driver.window.top_row.timing, driver.bench
    assert "compiled" not in timing.text()
    shown = bench.answer
    assert shown is not None
    bench.answer = msgspec.structs.replace(shown, compiling=True)
    bench.answer_changed.emit()
    assert "being compiled" in timing.text()
    assert "about a minute" in timing.toolTip()
    bench.answer = shown
    bench.answer_changed.emit()
    assert "compiled" not in timing.text()

"""The part sheet: several parts at once, and what a value changes."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from PySide6.QtCore import QPoint, Qt, QTimer
from PySide6.QtTest import QTest

import sim
from app.panels.findings_sheet import _texts
from app.panels.part_sheet import PartSheet
from app.panels.what_changes import neighbours, sentences
from app.solver.protocol import CellRow, Moved, RatingRow
from app.wiring.facts import figures
from app.words import of_limit
from sim.edit import set_value
from sim.options import apply
from sim.records import Change, Option
from sim.shelf import of_kind, on_shelf
from tests.app.canvas_hands import canvas
from tests.app.driver import WAIT_MS, with_capacitor


def sheet_on(qtbot, ids, preset="arms_4s_analogue"):
    bench, view = canvas(qtbot, preset)
    sheet = PartSheet(bench, view.look, view)
    bench.select(ids)
    sheet.open(ids[0], QPoint(100, 100))
    return bench, sheet


def typed(sheet, name, text):
    box = sheet.rows[name].box
    box.setFocus()
    box.setText(text)
    QTest.keyClick(box, Qt.Key.Key_Return)


def test_a_value_goes_to_all_alike_that_are_selected_as_one_step(qtbot):
    bench, sheet = sheet_on(qtbot, ("local1", "local2", "local3", "esc1"))
    assert sheet.title.text() == "3 × Electrolytic capacitor at once"
    typed(sheet, "capacitance", "330u")
    values = [bench.build.part(f"local{k}").values["capacitance"] for k in (1, 2, 3, 4)]
    assert values[:3] == ["330u"] * 3
    assert values[3].value == "220 uF"
    assert bench.undo_stack.count() == 1
    typed(sheet, "esr", "a lot")
    assert bench.undo_stack.count() == 1
    assert sheet.rows["esr"].error.text()


def test_a_step_of_a_drag_writes_what_changed_and_what_was_typed_beside_it(qtbot):
    """Rows that show the very same are left alone; a word that was left in one is not."""
    bench, sheet = sheet_on(qtbot, ("local1",))
    written = []
    for name, row in sheet.rows.items():
        row.mark.setText = lambda text, name=name: written.append(name)
    sheet.rows["esr"].box.setText("a lot")
    bench.preview(bench.through(lambda b: set_value(b, "local1", "capacitance", "330u")))
    assert sheet.rows["capacitance"].box.text() == "330 µF"
    assert sheet.rows["esr"].box.text() != "a lot"
    assert {"capacitance", "esr"} <= set(written)
    assert "rated_voltage" not in written


def test_leads_are_edited_together_too(qtbot):
    bench, sheet = sheet_on(qtbot, ("arm1", "arm2", "arm3", "arm4"))
    typed(sheet, "length", "100 mm")
    assert {bench.build.lead(f"arm{k}").length for k in (1, 2, 3, 4)} == {"100 mm"}
    assert bench.undo_stack.count() == 1


@pytest.mark.parametrize(
    ("value", "whole", "low", "high", "expected"),
    [
        (100.0, False, 0.0, 1e9, (90.0, 110.0)),
        (4.0, True, 1.0, 14.0, (3.0, 5.0)),
        (14.0, True, 1.0, 14.0, (13.0, 14.0)),
        (1.0, False, 0.0, 1.0, (0.9, 1.0)),
        (0.0, False, 0.0, 1.0, None),
    ],
)
def test_ten_per_cent_stays_within_what_is_allowed(value, whole, low, high, expected):
    found = neighbours(value, whole, low, high)
    assert found == (None if expected is None else pytest.approx(expected))


def test_what_a_value_changes_is_worked_out_and_can_be_stopped(opened):
    driver = opened(with_capacitor())
    window, bench = driver.window, driver.bench
    bench.set_option(1)
    driver.curves()
    sheet = window.part_sheet
    bench.select(("bulk",))
    sheet.open("bulk", QPoint(300, 300))
    before = bench.build
    asked = sheet.what_changes
    QTest.mouseClick(asked.button, Qt.MouseButton.LeftButton)
    assert bench.asking_about
    assert asked.stop.isVisible()
    QTest.mouseClick(asked.stop, Qt.MouseButton.LeftButton)
    assert not bench.asking_about
    assert asked.label.text() == ""
    QTest.mouseClick(asked.button, Qt.MouseButton.LeftButton)
    driver.qtbot.waitUntil(lambda: bench.moved is not None, timeout=WAIT_MS)
    less, now, more = asked.label.text().split("\n")[:3]
    assert less.startswith("423 µF: ")
    assert now.startswith("now: ")
    assert more.startswith("517 µF: ")
    moved = bench.moved
    assert moved.base.limit == moved.less.limit == moved.more.limit
    # each as the engine has it for that very value: any other order would be a mix-up
    for row, farad in ((moved.less, 423e-6), (moved.base, 470e-6), (moved.more, 517e-6)):
        change = Change(set="bulk.capacitance", value=farad)
        run = sim.solve(apply(before, Option(name="", changes=(change,))), 1, 2, moved.detail)
        values = [use.value for use in run.rated()[row.part] if use.name == row.rating]
        assert row.value == pytest.approx(values[0], abs=1e-6)
    assert bench.build is before
    assert bench.undo_stack.count() == 0
    typed(sheet, "capacitance", "1000u")
    assert bench.moved is None
    assert asked.label.text() == ""


def test_a_part_off_the_shelf_is_chosen_by_keys_as_one_step(qtbot):
    bench, sheet = sheet_on(qtbot, ("local1", "local2"))
    sheet.show()
    before = bench.build.part("local1")
    wanted = of_kind("electrolytic")[2]
    assert on_shelf(before) is None
    menu = sheet.shelf.menu

    def pick():
        assert menu.isVisible()
        for _ in range(3):
            QTest.keyClick(menu, Qt.Key.Key_Down)
        QTest.keyClick(menu, Qt.Key.Key_Return)

    sheet.rows["capacitance"].focus()
    for _ in range(40):
        if sheet.focusWidget() is sheet.shelf.button:
            break
        QTest.keyClick(sheet.focusWidget(), Qt.Key.Key_Backtab)
    assert sheet.focusWidget() is sheet.shelf.button
    QTimer.singleShot(0, pick)
    QTest.keyClick(sheet.shelf.button, Qt.Key.Key_Space)
    qtbot.waitUntil(lambda: bench.undo_stack.count() > 0)
    for id_ in ("local1", "local2"):
        part = bench.build.part(id_)
        assert on_shelf(part) == wanted
        assert part.values["leg_length"] == before.values["leg_length"]
    assert bench.build.part("local1").label == before.label
    assert bench.undo_stack.count() == 1
    assert wanted.title in sheet.shelf.button.text()
    esr = sheet.rows["esr"]
    assert esr.mark.text() == "our guess"
    assert esr.mark.toolTip() == wanted.values["esr"].source
    assert wanted.values["esr"].source in sheet.shelf.button.toolTip()
    bench.undo_stack.undo()
    assert bench.build.part("local1") == before
    assert wanted.title not in sheet.shelf.button.text()


def test_the_shelf_is_offered_where_it_has_something(qtbot):
    _, sheet = sheet_on(qtbot, ("esc1",))
    assert sheet.shelf.isHidden()
    _, sheet = sheet_on(qtbot, ("lc",))
    assert sheet.shelf.isHidden()
    _, sheet = sheet_on(qtbot, ("arm1",))
    assert sheet.shelf.isHidden()


def test_a_lower_limit_and_a_swing_are_said_as_on_the_cards() -> None:
    """The frame said "4.5 V of 7" of a part that needs 7 V, and of a swing "8.0  of 1"."""
    least = RatingRow("lowest supply", 7.0, 4.5, 1.6, "V", "over", "lowest", "vtx.in")
    swing = RatingRow("stability", 1.0, 2.303, 2.303, "", "over", "growth", "fc.in")
    parts = tuple(SimpleNamespace(id=i, ratings=(r,)) for i, r in (("vtx", least), ("fc", swing)))
    found = figures(SimpleNamespace(joints=(), parts=parts))
    assert [found[i].text for i in ("vtx", "fc")] == ["4.5 V, needs 7", "grows 10-fold"]

    def cell(row: RatingRow) -> CellRow:
        assert row.value is not None
        assert row.used is not None
        same = (row.value, row.value, row.limit, row.unit, row.used, row.verdict)
        return CellRow("", "Chop", row.place, "VTX", "vtx", row.name, row.reads, *same)

    for row in (least, swing):
        now = cell(row)
        said = sentences(Moved(1, now, cell(row), None, "edges"), ["90 uF", "110 uF"])
        assert said[0].endswith(of_limit(row))
        assert of_limit(row) in said[1]
        assert said[2] == "110 uF: cannot be solved, or has no limit"
        texts = _texts(now)
        assert not any(text.endswith(" ") for text in texts)
        if row is swing:
            assert texts[5:8] == ("grows 10-fold", "grows 10-fold", "grows 2.7-fold")

"""The help page beside the part sheet."""

from __future__ import annotations

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest

from tests.app.driver import with_capacitor


@pytest.mark.parametrize(("id_", "title"), [("main", "Lead"), ("pads", "Joint")])
def test_a_question_mark_and_f1_open_the_page_of_what_is_touched(opened, id_, title):
    window = opened(with_capacitor()).window
    sheet, page = window.part_sheet, window.help_sheet
    sheet.open(id_, QPoint(300, 300))
    QTest.mouseClick(sheet._help, Qt.MouseButton.LeftButton)
    assert page.isVisible()
    assert page.title.text() == title
    text = page.text.toPlainText()
    for head in ("What it models", "Equations", "Where it is from", "What it leaves out"):
        assert head in text
    window.commands.actions["help"].trigger()
    assert not page.isVisible()
    assert sheet.isVisible()
    window.commands.actions["help"].trigger()
    assert page.isVisible()
    QTest.keyClick(page.text, Qt.Key.Key_Escape)
    assert not page.isVisible()


def test_f1_without_a_sheet_explains_what_is_selected_or_the_keys(opened):
    window = opened(with_capacitor()).window
    window.commands.actions["help"].trigger()
    assert window.keys_sheet.isVisible()
    assert not window.help_sheet.isVisible()
    window.keys_sheet.hide()
    window.workbench.select(("pack",))
    window.commands.actions["help"].trigger()
    assert window.help_sheet.title.text() == "LiPo pack"
    assert "does not run down" in window.help_sheet.text.toPlainText()


def test_the_page_stays_inside_a_small_window(opened):
    window = opened(with_capacitor()).window
    window.resize(1000, 620)
    window.help_sheet.open("electrolytic")
    assert window.centralWidget().rect().contains(window.help_sheet.geometry())

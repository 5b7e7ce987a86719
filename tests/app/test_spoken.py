"""What a screen reader is given: names, roles, states, the order of Tab, and what is announced.

Looked at through Qt's own accessibility tree, the one that is handed to assistive programs; no
such program is run here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QAccessible
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QAbstractButton, QApplication, QCheckBox

from app import spoken
from app.scope.ribbon import Ribbon
from sim import load

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from PySide6.QtGui import QAccessibleInterface
    from PySide6.QtWidgets import QWidget

    from sim.build import Build
    from tests.app.driver import Driver

ROLE = QAccessible.Role
PRESSED = {ROLE.Button, ROLE.ButtonMenu, ROLE.CheckBox, ROLE.RadioButton}
NAME, VALUE = QAccessible.Text.Name, QAccessible.Text.Value


@pytest.fixture
def drive(opened: Callable[[Build], Driver]) -> Driver:
    drive = opened(load("arms_4s_analogue"))
    drive.bench.set_option(2)
    drive.curves()
    drive.window.frame.setFocus()
    assert drive.window.scope is not None
    return drive


def heard(widget: QWidget) -> QAccessibleInterface:
    found = QAccessible.queryAccessibleInterface(widget)
    assert found is not None
    return found


def name(widget: QWidget) -> str:
    return heard(widget).text(NAME)


def below(node: QAccessibleInterface) -> Iterator[QAccessibleInterface]:
    """A node and all that can be seen below it."""
    if not node.isValid() or node.state().invisible:
        return
    yield node
    for index in range(node.childCount()):
        child = node.child(index)
        if child is not None:
            yield from below(child)


def nameless(widget: QWidget) -> list[str]:
    """What takes the keyboard or is pressed, and has no name."""
    return [
        f"{node.role()} {type(node.object()).__name__}"
        for node in below(heard(widget))
        if (node.state().focusable or node.role() in PRESSED) and not node.text(NAME).strip()
    ]


def test_all_that_takes_the_keyboard_has_a_name(drive: Driver) -> None:
    window, frame = drive.window, drive.window.frame
    assert nameless(window) == []
    drive.bench.select(("local1",))
    drive.key_on(frame, Qt.Key.Key_Return)
    assert window.part_sheet.isVisible()
    assert nameless(window.part_sheet) == []
    drive.key_on(QApplication.focusWidget(), Qt.Key.Key_Escape)
    drive.key_on(frame, Qt.Key.Key_N)
    assert nameless(frame.tray) == []
    drive.key_on(frame.tray.filter, Qt.Key.Key_Escape)
    drive.key_on(frame, Qt.Key.Key_Q)
    assert nameless(window.minute_sheet) == []
    window.minute_sheet.close_sheet()
    drive.key_on(frame, Qt.Key.Key_F)
    assert window.findings_sheet.isVisible()
    assert nameless(window.findings_sheet) == []


def test_answer_top_row_cards_and_curves_say_what_stands_on_them(drive: Driver) -> None:
    window, bench = drive.window, drive.bench
    drive.findings()
    answer = heard(window.answer_row.sentence)
    assert answer.role() == ROLE.StaticText
    assert answer.text(NAME) == f"Answer: {bench.findings.sentence}"
    assert "Not a promise to fly" in name(window.answer_row.caution)
    assert name(window.top_row.name) == f"Build: {bench.build.name}"
    assert name(window.top_row.happens) == "What happens: chop"
    assert heard(window.top_row.happens).role() == ROLE.ButtonMenu
    assert name(window.top_row.timing).startswith("ESC timing: every edge")
    assert name(window.frame.frame_name) == "Frame: X frame, 5 inch"
    scope = window.scope
    for strip, curve in zip(scope._strips, bench.answer.curves, strict=False):
        assert name(strip).startswith(f"{curve.label}, peak ")
        assert name(strip.plot) == f"Curve of {curve.label}"
    assert "0 to 150 ms" in scope.findChild(Ribbon).accessibleDescription()
    # one card is checked at a time, and Enter on the answer goes to the best
    nodes = [heard(card) for card in window.cards.cards]
    assert all(node.role() == ROLE.RadioButton for node in nodes)
    assert heard(window.cards.base).role() == ROLE.RadioButton
    assert [node.state().checked for node in nodes] == [i == 2 for i in range(len(nodes))]
    assert nodes[2].text(NAME).startswith("One at each ESC, within, 19.9 of 26 V")
    bench.set_option(0)
    assert [node.state().checked for node in nodes].index(True) == 0
    assert not heard(window.cards.base).state().checked
    window.answer_row.sentence.setFocus()
    drive.key_on(window.answer_row.sentence, Qt.Key.Key_Return)
    assert nodes[bench.findings.best].state().checked


def test_fields_say_what_they_are_and_what_is_in_them(drive: Driver) -> None:
    window = drive.window
    drive.bench.select(("local1",))
    drive.key_on(window.frame, Qt.Key.Key_Return)
    for row in window.part_sheet.rows.values():
        node = heard(row.box)
        assert node.text(NAME) == row.field.title
        assert row.box.accessibleDescription()
        if isinstance(row.box, QCheckBox):
            assert node.role() == ROLE.CheckBox
        else:
            assert node.role() == ROLE.EditableText
            assert node.text(VALUE) == row.box.text()
    assert heard(window.part_sheet.rows["capacitance"].box).text(VALUE) == "220 µF"


def test_the_outline_tells_each_part_and_what_is_wrong_with_it(drive: Driver) -> None:
    window, bench = drive.window, drive.bench
    drive.key_on(window.frame, Qt.Key.Key_O)
    tree = heard(window.outline)
    assert tree.role() == ROLE.Tree
    rows = [tree.child(i) for i in range(tree.childCount())]
    items = [row for row in rows if row.role() == ROLE.TreeItem]
    assert len(items) == 3 * (2 + len(bench.shown_build.parts) + len(bench.shown_build.leads))
    assert all(item.text(NAME).strip() for item in items)
    names = [item.text(NAME) for item in items]
    assert "Pack 4S, 4S 1500 mAh" in names
    assert any(n.startswith("ESC 1, ") and n.endswith(" of 30, within") for n in names)
    bench.select(("camera",))
    assert any(i.state().selected and i.text(NAME).startswith("Camera") for i in items)
    drive.key_on(window.outline, Qt.Key.Key_Escape)
    window.frame.setFocus()
    lead = next(x for x in bench.build.leads if "camera" in (x.from_[:6], x.to[:6]))
    bench.select((lead.id,))
    window.frame.remove_selected()
    drive.until(bench.problem_changed, lambda: bench.problem is not None)
    row = window.outline._rows["camera"]
    assert bench.problem.what in row.data(0, int(Qt.ItemDataRole.AccessibleTextRole))


def test_tab_comes_to_every_button_from_the_left_to_the_right(drive: Driver) -> None:
    window = drive.window
    drive.bench.select(())
    order: list[QWidget] = []
    for _ in range(200):
        widget = QApplication.focusWidget()
        if widget is window.frame and len(order) > 1:
            break
        if not order or order[-1] is not widget:
            order.append(widget)
        QTest.keyClick(widget, Qt.Key.Key_Tab)
    buttons = {w for w in window.findChildren(QAbstractButton) if w.isVisible() and w.isEnabled()}
    # options are one stop, as radio buttons are; arrows go from one to the next
    options = [window.cards.base, *window.cards.cards]
    here = drive.bench.option + 1
    assert buttons - set(order) == set(options) - {options[here]}
    top = window.top_row
    row = [top.name, top.minute, top.happens, window.answer_row.sentence, options[here]]
    row += [window.cards.plus]
    assert [w for w in order if w in row] == row
    options[here].setFocus()
    for key, there in ((Qt.Key.Key_Right, options[here + 1 :]), (Qt.Key.Key_Left, options[-2::-1])):
        for option in there:
            QTest.keyClick(QApplication.focusWidget(), key)
            assert option.hasFocus()
            assert option.isChecked()
    assert drive.bench.option is None


def test_what_changes_is_announced(drive: Driver, monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[tuple[str, bool]] = []

    class Listener(QAccessible):
        @staticmethod
        def updateAccessibility(event: object) -> None:
            urgent = event.politeness() == QAccessible.AnnouncementPoliteness.Assertive
            said.append((event.message(), urgent))

    monkeypatch.setattr(spoken, "QAccessible", Listener)
    bench, frame = drive.bench, drive.window.frame
    bench.select(("camera",))
    assert any(words.startswith("Camera, ") for words, _ in said)
    drive.key_on(frame, Qt.Key.Key_X, Qt.KeyboardModifier.ShiftModifier)
    assert ("Camera comes off.", True) in said
    drive.key_on(frame, Qt.Key.Key_Escape)
    drive.key_on(frame, Qt.Key.Key_N)
    first = frame.tray.filter.accessibleDescription()
    drive.key_on(frame.tray.filter, Qt.Key.Key_Down)
    assert frame.tray.filter.accessibleDescription() != first
    assert said[-1][0] == frame.tray.filter.accessibleDescription()
    drive.key_on(frame.tray.filter, Qt.Key.Key_Escape)
    drive.curves()
    bench.select(("pack",))
    frame.remove_selected()
    drive.until(bench.problem_changed, lambda: bench.problem is not None)
    assert any("has no battery or bench supply" in words and urgent for words, urgent in said)

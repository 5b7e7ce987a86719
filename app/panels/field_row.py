"""One value on a part sheet: its box, where the number is from, and back to the default."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QEvent, QObject, Signal
from PySide6.QtGui import QActionGroup
from PySide6.QtWidgets import QCheckBox, QComboBox, QGridLayout, QLabel, QLineEdit, QMenu, QWidget

from app.panels.flat import FlatButton
from app.panels.quantity_edit import QuantityEdit, stepped
from app.words import MARKS
from sim import quantity
from sim.build import Quantity
from sim.errors import SimError
from sim.resolve import allowed_range, value_of

if TYPE_CHECKING:
    from app.look import Look
    from sim.build import Given
    from sim.parts import Field


class FieldRow(QObject):
    """Widgets of one field. The sheet decides what a committed value does.

    Signals
    -------
    committed : a new given value, or None for the default
    stepped : a new given value from an arrow key or the wheel
    focused : the box got the keyboard
    """

    committed = Signal(object)
    stepped = Signal(object)
    focused = Signal()

    def __init__(self, field: Field, look: Look, parent: QWidget) -> None:
        super().__init__(parent)
        self.field = field
        self._look = look
        self._given: Given | None = None
        #: What was put into the box; None before that.
        self._put: str | None = None
        self._busy = False
        self.label = QLabel(field.title, parent)
        self.box = self._make_box(parent)
        self.box.setAccessibleName(field.title)
        self.box.setAccessibleDescription(field.help)
        self.label.setBuddy(self.box)
        self.mark = FlatButton(look, "small", f"Where {field.title} is from", parent)
        self.restore = FlatButton(look, "small", f"Default of {field.title}", parent)
        self.restore.setText("↺")
        self.restore.setToolTip("Back to the default")
        self.restore.clicked.connect(lambda: self.committed.emit(None))
        self.error = QLabel(wordWrap=True, parent=parent)
        self.error.hide()
        for widget in (self.label, self.box):
            widget.setToolTip(self._help())
            widget.setFont(look.font())
        self.error.setFont(look.font("small"))
        self.error.setStyleSheet(f"color: {look.palette.over.name()}")
        self._make_marks()
        self.box.installEventFilter(self)

    def _make_box(self, parent: QWidget) -> QuantityEdit | QLineEdit | QComboBox | QCheckBox:
        field = self.field
        if field.unit == "flag":
            flag = QCheckBox(parent)
            flag.clicked.connect(lambda on: self.committed.emit(bool(on)))
            return flag
        if field.unit == "choice":
            choice = QComboBox(parent)
            choice.addItems(field.choices)
            choice.textActivated.connect(self.committed.emit)
            return choice
        if field.unit == "text":
            text = QLineEdit(parent)
            text.editingFinished.connect(self._typed)
            return text
        edit = QuantityEdit(parent)
        edit.editingFinished.connect(self._typed)
        edit.stepped.connect(self._step)
        return edit

    def put_into(self, grid: QGridLayout, row: int) -> None:
        """Add the widgets to two rows of a grid: the box, and below it room for an error."""
        grid.addWidget(self.label, row, 0)
        grid.addWidget(self.box, row, 1)
        grid.addWidget(self.mark, row, 2)
        grid.addWidget(self.restore, row, 3)
        grid.addWidget(self.error, row + 1, 0, 1, 4)
        # A layout leaves out what is not shown yet, and the sheet's height is wanted now.
        for widget in (self.label, self.box, self.mark):
            widget.show()
        grid.setColumnStretch(1, 1)
        grid.setColumnMinimumWidth(1, 96)
        grid.setColumnMinimumWidth(3, 26)

    @property
    def number(self) -> float | None:
        """The present value in SI; None where there is none."""
        try:
            value = self.field.default if self._given is None else self._value(self._given)
        except SimError:
            return None
        is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
        return float(value) if is_number else None

    def focus(self) -> None:
        """Give the box the keyboard, its text marked."""
        self.box.setFocus()
        if isinstance(self.box, QLineEdit):
            self.box.selectAll()

    def show_given(self, given: Given | None) -> None:
        """Show what the build gives, or the default where it gives nothing."""
        if given is self._given and self._untouched:
            # In every step of a drag: all rows but one show the very same.
            return
        self._given = given
        self._busy = True
        shown = given.value if isinstance(given, Quantity) else given
        if isinstance(self.box, QCheckBox):
            value = self.field.default if given is None else self._value_or_none(given)
            self.box.setChecked(bool(value))
        elif isinstance(self.box, QComboBox):
            self.box.setCurrentText(str(self.field.default if shown is None else shown))
        else:
            self._put = self._text(shown)
            self.box.setText(self._put)
            self.box.setPlaceholderText("none")
        self._busy = False
        self.accept()
        self.restore.setVisible(given is not None and not self.field.required)
        mark = given.mark if isinstance(given, Quantity) else None
        if given is None and self.field.default is not None:
            mark = self.field.mark
        self.mark.setText(MARKS.get(mark or "", "typed" if given is not None else ""))
        source = given.source if isinstance(given, Quantity) else ""
        if given is None:
            source = self.field.source
        self.mark.setToolTip(source or "Say where this number is from")
        self.mark.setEnabled(given is not None)

    @property
    def _untouched(self) -> bool:
        """Whether the box still holds what was put into it, and nothing is refused."""
        there = isinstance(self.box, QLineEdit) and self.box.text() == self._put
        return there and not self.error.text()

    def refuse(self, error: SimError) -> None:
        """Say beside the box what is wrong with what was typed."""
        text = error.what[:1].upper() + error.what[1:] + "."
        if error.hint:
            text += f" {error.hint.rstrip('.')}."
        self.error.setText(text)
        self.error.show()
        self.box.setAccessibleDescription(text)

    def accept(self) -> None:
        """Nothing is wrong."""
        self.error.hide()
        self.error.setText("")
        self.box.setAccessibleDescription(self.field.help)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        if event.type() == QEvent.Type.FocusIn:
            self.focused.emit()
        return False

    def _typed(self) -> None:
        if self._busy or not isinstance(self.box, QLineEdit):
            return
        text = self.box.text().strip()
        shown = self._given.value if isinstance(self._given, Quantity) else self._given
        if text == self._text(shown):
            self.accept()
            return
        if not text:
            self.committed.emit(None)
            return
        self.committed.emit(text)

    def _step(self, steps: int) -> None:
        number = self.number
        if number is None:
            return
        value = stepped(number, self.field, steps)
        self.stepped.emit(quantity.format(value, self.field.unit))

    def _text(self, shown: str | float | None) -> str:
        if shown is None:
            default = self.field.default
            if default is None or isinstance(default, str):
                return default or ""
            return quantity.format(float(default), self.field.unit)
        if self.field.unit == "text":
            return str(shown)
        try:
            # As understood, not as typed: "4u7" comes back as "4.7 µF".
            return quantity.format(quantity.parse(shown, self.field.unit), self.field.unit, 6)
        except SimError:
            return str(shown)

    def _value(self, given: Given) -> object:
        return value_of(given, self.field, self.field.name)

    def _value_or_none(self, given: Given) -> object:
        try:
            return self._value(given)
        except SimError:
            return None

    def _make_marks(self) -> None:
        menu = QMenu(self.mark)
        group = QActionGroup(menu)
        for mark, words in MARKS.items():
            action = menu.addAction(words)
            group.addAction(action)
            action.triggered.connect(lambda _=False, m=mark: self._set_mark(m))
        self.mark.setMenu(menu)

    def _set_mark(self, mark: str) -> None:
        given = self._given
        if given is None:
            return
        if isinstance(given, Quantity):
            self.committed.emit(
                Quantity(value=given.value, mark=mark, source="", tolerance=given.tolerance)
            )
        else:
            self.committed.emit(Quantity(value=given, mark=mark))

    def _help(self) -> str:
        field = self.field
        text = field.help
        if field.unit not in ("flag", "choice", "text"):
            text += f"\n{allowed_range(field)}"
        if field.default is not None and not isinstance(field.default, (str, bool)):
            text += f"\nDefault: {quantity.format(float(field.default), field.unit)}"
        return text

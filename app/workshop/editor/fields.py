"""Boxes to type and choose in: undo is the editor's, and nothing that is shown counts as typed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QEvent, QRegularExpression, Qt
from PySide6.QtGui import QKeyEvent, QKeySequence, QRegularExpressionValidator
from PySide6.QtWidgets import QComboBox, QLabel, QLineEdit, QPlainTextEdit, QWidget

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

_NUMBER = QRegularExpression(r"-?\d*([.,]\d*)?(e-?\d*)?")


def _is_undo(event: QEvent) -> bool:
    """Ctrl+Z and its like are left to the editor, whose steps cover all boxes."""
    if event.type() != QEvent.Type.ShortcutOverride or not isinstance(event, QKeyEvent):
        return False
    standard = QKeySequence.StandardKey
    return bool(event.matches(standard.Undo) or event.matches(standard.Redo))


class Line(QLineEdit):
    """One line of text; `number` lets only a number through."""

    def __init__(
        self, name: str, edited: Callable[[str], None], *, number: bool = False, hint: str = ""
    ) -> None:
        super().__init__()
        self.setAccessibleName(name)
        self.setPlaceholderText(hint)
        if number:
            self.setValidator(QRegularExpressionValidator(_NUMBER, self))
            self.setMaximumWidth(76)
        self.textEdited.connect(edited)

    def put(self, text: str) -> None:
        """Show a text without moving the cursor of who types it."""
        if text != self.text():
            self.setText(text)
            self.setCursorPosition(0)

    def put_number(self, value: float | None) -> None:
        """Show a number, unless what is typed means the same."""
        if number_in(self.text()) != value or (value is None and not self.hasFocus()):
            self.put("" if value is None else f"{value:g}")

    def event(self, event: QEvent) -> bool:
        if _is_undo(event):
            event.ignore()
            return False
        return super().event(event)


class Text(QPlainTextEdit):
    """Some lines of text; Tab goes on to the next box."""

    def __init__(self, name: str, edited: Callable[[str], None], lines: int) -> None:
        super().__init__()
        self.setAccessibleName(name)
        self.setTabChangesFocus(True)
        self.setFixedHeight(lines * 18 + 14)
        self._shown = ""
        self._edited = edited
        self.textChanged.connect(self._typed)

    def put(self, text: str) -> None:
        """Show a text without moving the cursor of who types it."""
        if text != self.toPlainText():
            self._shown = text
            self.setPlainText(text)

    def _typed(self) -> None:
        text = self.toPlainText()
        if text != self._shown:
            self._shown = text
            self._edited(text)

    def event(self, event: QEvent) -> bool:
        if _is_undo(event):
            event.ignore()
            return False
        return super().event(event)


class Choose(QComboBox):
    """A list to choose from; with `typed` another text may be typed, too."""

    def __init__(self, name: str, chosen: Callable[[str], None], *, typed: bool = False) -> None:
        super().__init__()
        self.setAccessibleName(name)
        self.setEditable(typed)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.setMinimumContentsLength(8)
        self._chosen = chosen
        self.activated.connect(lambda _: chosen(str(self.currentData())))
        if typed:
            line = Line(name, chosen)
            self.setLineEdit(line)
            # a place is chosen or typed; what was typed before must not finish it
            self.setCompleter(None)  # type: ignore[arg-type]

    def put(self, rows: Sequence[tuple[str, str]], value: str) -> None:
        """Show (value, words) rows and the one that is chosen; one that is not there as it is."""
        if all(row[0] != value for row in rows):
            rows = [*rows, (value, value)]
        if [(self.itemData(k), self.itemText(k)) for k in range(self.count())] != list(rows):
            typing = self.isEditable() and self.hasFocus()
            at = self.lineEdit().cursorPosition() if typing else 0
            self.clear()
            for data, words in rows:
                self.addItem(words, data)
            if typing:
                self.setEditText(value)
                self.lineEdit().setCursorPosition(at)
        self.setCurrentIndex(next(k for k, row in enumerate(rows) if row[0] == value))

    def wheelEvent(self, event: QEvent) -> None:
        """A wheel scrolls the page, it does not choose."""
        event.ignore()


def number_in(text: str) -> float | None:
    """The number typed, None where there is none (yet)."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def caption(words: str, buddy: QWidget | None = None) -> QLabel:
    """A word before a box."""
    label = QLabel(words)
    if buddy is not None:
        label.setBuddy(buddy)
    return label

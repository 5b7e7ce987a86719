"""What can break on a touched part, as a short list beside it, and what the break does."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPoint, QRect, Qt, Signal
from PySide6.QtWidgets import QFrame, QLabel, QPushButton, QVBoxLayout, QWidget

if TYPE_CHECKING:
    from collections.abc import Sequence

    from app.look import Look

_WIDTH = 240
_GAP = 26
_EDGE = 6
_SIDES = 24


class BreakList(QFrame):
    """One row for each way, the present one marked; stays as long as the part is broken.

    It never takes the keyboard: the canvas would mend the part on losing it.

    Signals
    -------
    chosen : a way by its number in the list, from 0
    keep_wanted : what is seen is to be an option
    """

    chosen = Signal(int)
    keep_wanted = Signal()

    def __init__(self, look: Look, parent: QWidget) -> None:
        super().__init__(parent)
        self._look = look
        self.setObjectName("breaks")
        self.setAccessibleName("Ways to break")
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setCursor(Qt.CursorShape.ArrowCursor)
        self.told = QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText)
        self.told.setAccessibleName("What the break does")
        self.keep = QPushButton()
        self.keep.clicked.connect(self.keep_wanted)
        self.end = QLabel(textFormat=Qt.TextFormat.PlainText)
        self.rows: list[QPushButton] = []
        self._column = QVBoxLayout(self)
        self._column.setContentsMargins(10, 8, 10, 8)
        self._column.setSpacing(2)
        for widget in (self.told, self.keep, self.end):
            self._column.addWidget(widget)
        self.keep.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.hide()

    def show_ways(
        self, at: QPoint, ways: Sequence[str], present: int, told: str, *, latched: bool, bad: bool
    ) -> None:
        """Show the ways beside a place of the parent, clear of the place itself."""
        self._fit(len(ways))
        for number, (row, words) in enumerate(zip(self.rows, ways, strict=True), start=1):
            now = number - 1 == present
            row.setText(f"{number}   {words}")
            row.setChecked(now)
            row.setAccessibleName(words)
        self.told.setText(told)
        self.setAccessibleDescription(told)
        self.keep.setText("Enter   keep it as an option")
        self.keep.setAccessibleName("Keep it as an option")
        self.end.setText("X or Escape: whole again" if latched else "let go of X: whole again")
        self._dress(bad)
        self._lay(at)
        self.show()
        self.raise_()

    def _fit(self, count: int) -> None:
        while len(self.rows) > count:
            row = self.rows.pop()
            self._column.removeWidget(row)
            row.hide()
            row.deleteLater()
        while len(self.rows) < count:
            index = len(self.rows)
            row = QPushButton(self, checkable=True)
            row.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            row.clicked.connect(lambda _=False, i=index: self.chosen.emit(i))
            self.rows.append(row)
            self._column.insertWidget(index, row)

    def _dress(self, bad: bool) -> None:
        p, text, small = self._look.palette, self._look.font("text"), self._look.font("small")
        edge = p.over if bad else p.ink
        self.setStyleSheet(
            f"#breaks {{ background: {p.card.name()}; border: 1px solid {edge.name()};"
            f" border-radius: 6px; }}"
            f"QLabel {{ color: {p.ink.name()}; background: transparent; }}"
            f"QPushButton {{ background: transparent; color: {p.ink.name()}; text-align: left;"
            f" border: 1px solid transparent; border-radius: 4px; padding: 2px 6px; }}"
            f"QPushButton:hover {{ border-color: {p.muted.name()}; }}"
            f"QPushButton:checked {{ background: {p.band.name()};"
            f" border-color: {p.ink.name()}; }}"
        )
        for row in (*self.rows, self.keep):
            row.setFont(text)
        self.told.setFont(text)
        self.told.setContentsMargins(7, 5, 7, 5)
        self.end.setFont(small)
        self.end.setContentsMargins(7, 0, 7, 0)
        self.end.setStyleSheet(f"color: {p.muted.name()};")

    def _lay(self, at: QPoint) -> None:
        """Right of the place, else below or left of it, inside the parent: it stays in sight."""
        room = self.parentWidget().rect().adjusted(_EDGE, _EDGE, -_EDGE, -_EDGE)
        for widget in (self, *self.rows):
            widget.ensurePolished()
        widest = max((row.sizeHint().width() for row in self.rows), default=0) + _SIDES
        width = min(max(round(_WIDTH * self._look.scale), widest), room.width())
        self.setFixedWidth(width)
        self._column.activate()
        self.setFixedHeight(min(self._column.heightForWidth(width), room.height()))
        # the rows keep their places while the words below them grow
        box = QRect(at + QPoint(_GAP, -_GAP), self.size())
        if box.right() > room.right():
            box.moveRight(room.right())
            box.moveTop(at.y() + _GAP)
        if box.bottom() > room.bottom():
            box.moveBottom(room.bottom())
        if box.contains(at):
            box.moveRight(at.x() - _GAP)
        if box.left() < room.left():
            box.moveLeft(room.left())
        box.moveTop(max(room.top(), box.top()))
        self.move(box.topLeft())

"""What does this change: how the worst figure moves for 10 % more and less of one value."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QVBoxLayout, QWidget

from app.look import SHAPES
from app.panels.flat import FlatButton
from app.words import of_limit
from sim import quantity
from sim.errors import SimError

if TYPE_CHECKING:
    from collections.abc import Callable

    from app.look import Look
    from app.panels.field_row import FieldRow
    from app.solver.protocol import CellRow, Moved
    from app.workbench import Workbench
    from sim.build import Build

_SHARE = 0.1


class WhatChanges(QWidget):
    """A button and, once the solver has answered, three figures of one field.

    Parameters
    ----------
    edited : the document with a field set to a text, as the sheet would keep it
    """

    def __init__(
        self, workbench: Workbench, look: Look, edited: Callable[[str, str], Build]
    ) -> None:
        super().__init__()
        self._workbench = workbench
        self._edited = edited
        self._row: FieldRow | None = None
        self.button = FlatButton(look, "small", "What does this change?")
        self.button.setText("&What does this change?")
        self.button.clicked.connect(self.ask)
        self.stop = FlatButton(look, "small", "Stop working it out")
        self.stop.setText("stop")
        self.stop.clicked.connect(workbench.stop_asking_about)
        self.label = QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText, indent=4)
        self.label.setFont(look.font("small"))
        head = QHBoxLayout()
        head.addWidget(self.button)
        head.addStretch(1)
        head.addWidget(self.stop)
        column = QVBoxLayout(self)
        column.setContentsMargins(10, 0, 14, 0)
        column.setSpacing(1)
        column.addLayout(head)
        column.addWidget(self.label)
        workbench.moved_changed.connect(self._show)
        self._show()

    def set_row(self, row: FieldRow | None) -> None:
        """Ask about this field from now on."""
        if row is not self._row:
            self._row = row
            self._workbench.stop_asking_about()
            self.label.setText("")
            self.label.hide()
        self.button.setVisible(row is not None and row.number is not None)

    def ask(self) -> None:
        """Have both neighbours of the value solved."""
        row = self._row
        if row is None or row.number is None:
            return
        values = neighbours(row.number, row.field.whole, row.field.low, row.field.high)
        if values is None:
            self._say("It is zero: 10 % of it is nothing. Type another value to compare.")
            return
        texts = [quantity.format(value, row.field.unit, 6) for value in values]
        try:
            builds = tuple(self._edited(row.field.name, text) for text in texts)
        except SimError as error:
            self._say(f"{error}")
            return
        self._texts = texts
        self._workbench.ask_about(builds)
        self._show()

    def _show(self) -> None:
        bench = self._workbench
        self.stop.setVisible(bench.asking_about)
        if bench.asking_about:
            self._say("working it out…")
        elif bench.moved is not None and self._row is not None:
            self._say("\n".join(sentences(bench.moved, self._texts)))
        else:
            self._say("")

    def _say(self, words: str) -> None:
        self.label.setText(words)
        self.label.setVisible(bool(words))
        self.button.setAccessibleDescription(words)


def neighbours(value: float, whole: bool, low: float, high: float) -> tuple[float, float] | None:
    """10 % less and more, at least one of a count, within what is allowed; None at zero."""
    if value == 0.0:
        return None
    less, more = value * (1 - _SHARE), value * (1 + _SHARE)
    if whole:
        less, more = min(round(less), round(value) - 1), max(round(more), round(value) + 1)
    return (min(max(less, low), high), min(max(more, low), high))


def sentences(moved: Moved, texts: list[str]) -> list[str]:
    """Three lines: less, now, more; the place where it is another one than now."""
    rows = ((f"{texts[0]}", moved.less), ("now", moved.base), (f"{texts[1]}", moved.more))
    if all(cell is None for _, cell in rows):
        return ["Nothing here is held against a limit."]
    digits = _digits([cell.value for _, cell in rows if cell is not None])
    out = []
    for name, cell in rows:
        if cell is None:
            out.append(f"{name}: cannot be solved, or has no limit")
            continue
        shape = SHAPES.get(cell.verdict, "")
        line = f"{name}: {shape} {of_limit(cell, digits)}"
        if cell is moved.base or not _same(cell, moved.base):
            line += f", {cell.label}, {cell.event.lower()}"
        out.append(line)
    if moved.detail == "averaged":
        out.append("Slow figures: the ripple is not in them.")
    return out


def _digits(values: list[float]) -> int:
    """As few decimals as tell the values apart, one to three."""
    for digits in (1, 2):
        if len({f"{value:.{digits}f}" for value in values}) == len(set(values)):
            return digits
    return 3


def _same(cell: CellRow, other: CellRow | None) -> bool:
    return other is not None and (cell.place, cell.rating, cell.event) == (
        other.place,
        other.rating,
        other.event,
    )

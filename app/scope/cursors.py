"""Two cursors on the curves: their times, and what is read at and between them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QLabel, QWidget

from app.words import reading
from sim import quantity

if TYPE_CHECKING:
    from PySide6.QtGui import QFocusEvent, QKeyEvent

    from app.look import Look
    from app.solver.protocol import Between
    from app.workbench import Workbench

NAMES = ("A", "B")
#: Where the cursors hang first, as shares of what is shown.
_FIRST = (0.3, 0.6)
# An arrow key moves a cursor by this share of what is shown.
_STEP = 1.0 / 500.0


class CursorRow(QWidget):
    """Times of both cursors, their difference and its inverse. Tab and arrows move them."""

    def __init__(self, workbench: Workbench, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._workbench = workbench
        self._look = look
        self.chips = tuple(_Chip(name, look) for name in NAMES)
        self.difference = QLabel(textFormat=Qt.TextFormat.PlainText)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(14)
        for index, chip in enumerate(self.chips):
            row.addWidget(chip)
            chip.moved.connect(lambda steps, i=index: self._nudge(i, steps))
        row.addWidget(self.difference)
        row.addStretch(1)
        workbench.cursors_changed.connect(self.refresh)
        look.changed.connect(self.refresh)
        self.refresh()

    def toggle(self) -> None:
        """Hang both cursors in what is shown, or put them away."""
        bench = self._workbench
        if bench.cursors is not None or bench.answer is None:
            bench.set_cursors(None)
            return
        start, end = self._shown()
        bench.set_cursors((start + _FIRST[0] * (end - start), start + _FIRST[1] * (end - start)))

    def move_to(self, index: int, time: float) -> None:
        """Hang one cursor at a time (s), kept inside the event."""
        bench = self._workbench
        if bench.cursors is None or bench.answer is None:
            return
        times = list(bench.cursors)
        times[index] = min(max(time, 0.0), bench.answer.duration_s)
        bench.set_cursors((times[0], times[1]))

    def refresh(self) -> None:
        """The present times in words."""
        cursors = self._workbench.cursors
        self.setVisible(cursors is not None)
        if cursors is None:
            return
        start, end = self._shown()
        # as many digits as a pixel of what is shown is worth
        for chip, time in zip(self.chips, cursors, strict=True):
            chip.show_time(fine_seconds(time, end - start))
        apart = cursors[1] - cursors[0]
        words = f"B − A {fine_seconds(apart, end - start)}"
        if apart != 0.0:
            words += f", {quantity.format(1.0 / abs(apart), 'Hz', 3)}"
        self.difference.setText(words)
        self.difference.setFont(self._look.font("small"))
        self.difference.setStyleSheet(f"color: {self._look.palette.muted.name()}")

    def _nudge(self, index: int, steps: int) -> None:
        cursors = self._workbench.cursors
        if cursors is not None:
            start, end = self._shown()
            self.move_to(index, cursors[index] + steps * _STEP * (end - start))

    def _shown(self) -> tuple[float, float]:
        answer = self._workbench.answer
        return self._workbench.window or (0.0, 1.0 if answer is None else answer.duration_s)


class _Chip(QLabel):
    """One cursor's name and time."""

    moved = Signal(int)

    def __init__(self, name: str, look: Look) -> None:
        super().__init__(textFormat=Qt.TextFormat.PlainText)
        self._name = name
        self._look = look
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName(f"Cursor {name}")
        self.setToolTip("Drag the line in the curves, or use the arrow keys; with Shift ten steps")
        look.changed.connect(self._restyle)
        self._restyle()

    def show_time(self, words: str) -> None:
        self.setText(f"{self._name} {words}")
        self.setAccessibleDescription(words)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        step = 10 if event.modifiers() & Qt.KeyboardModifier.ShiftModifier else 1
        if event.key() == Qt.Key.Key_Left:
            self.moved.emit(-step)
        elif event.key() == Qt.Key.Key_Right:
            self.moved.emit(step)
        else:
            super().keyPressEvent(event)

    def focusInEvent(self, event: QFocusEvent) -> None:
        super().focusInEvent(event)
        self._restyle()

    def focusOutEvent(self, event: QFocusEvent) -> None:
        super().focusOutEvent(event)
        self._restyle()

    def _restyle(self) -> None:
        p = self._look.palette
        edge = p.selection if self.hasFocus() else p.faint
        self.setFont(self._look.font("small"))
        self.setStyleSheet(
            f"color: {p.ink.name()}; border: 1px solid {edge.name()}; border-radius: 4px;"
            " padding: 0px 5px;"
        )


def fine_seconds(value: float, span: float) -> str:
    """A time to a thousandth of `span` (s) or better: "22.31 ms"."""
    step = 10.0 ** math.floor(math.log10(max(span, 1e-12) / 1000.0))
    rounded = round(value / step) * step
    if rounded == 0.0:
        return "0"
    digits = math.floor(math.log10(abs(rounded))) - round(math.log10(step)) + 1
    return quantity.format(rounded, "s", max(digits, 1))


def figures(between: Between) -> tuple[str, ...]:
    """What stands in a strip's heading while the cursors hang, and shorter where it must be."""
    slow = "slow " if between.slow else ""
    a, b, swing, rms = (
        reading(value, between.reads)
        for value in (*between.at, between.highest - between.lowest, between.rms_ac)
    )
    apart = f"{slow}{swing} p-p, {rms} RMS"
    return (f"A {a}   B {b}   between: {apart}", f"between: {apart}", f"{slow}{swing} p-p")


def all_figures(between: Between) -> str:
    """The same with all there is, for a tooltip and a screen reader."""
    unit = "A" if between.reads == "amps" else "V"
    bands = "".join(
        f"\n{name}: {reading(value, between.reads)} RMS" for name, value in between.bands
    )
    return (
        f"at A {between.at[0]:.4g} {unit}, at B {between.at[1]:.4g} {unit}; between them lowest "
        f"{between.lowest:.4g} {unit}, highest {between.highest:.4g} {unit}, "
        f"mean {between.mean:.4g} {unit}, "
        f"RMS about the mean {reading(between.rms_ac, between.reads)}{bands}"
    )

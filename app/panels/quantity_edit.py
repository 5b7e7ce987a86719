"""A box for a quantity as people type it; arrows and wheel step along the E series."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QLineEdit

from sim import quantity

if TYPE_CHECKING:
    from PySide6.QtGui import QKeyEvent, QWheelEvent

    from sim.parts import Field


class QuantityEdit(QLineEdit):
    """Up, down and the wheel (while it has the keyboard) emit `stepped` with a count."""

    stepped = Signal(int)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        steps = {Qt.Key.Key_Up: 1, Qt.Key.Key_Down: -1}.get(Qt.Key(event.key()))
        if steps is None:
            super().keyPressEvent(event)
        else:
            self.stepped.emit(steps)

    def wheelEvent(self, event: QWheelEvent) -> None:
        # Without the keyboard the wheel scrolls the sheet; a value must not
        # change because the pointer passed over it.
        if self.hasFocus() and event.angleDelta().y():
            self.stepped.emit(1 if event.angleDelta().y() > 0 else -1)
            event.accept()
        else:
            event.ignore()


def stepped(value: float, field: Field, steps: int) -> float:
    """`value` moved along the field's series, or by a count or a round step where it has none."""
    if field.whole:
        moved = value + steps
    elif value <= 0.0 or field.unit == "degC":
        moved = value + steps * _round_step(value, field)
    else:
        moved = quantity.step(value, field.series or "E24", steps)
    if field.open_low and moved <= field.low:
        return value
    return min(max(moved, field.low), field.high)


def _round_step(value: float, field: Field) -> float:
    if field.unit == "degC":
        return 5.0
    reference = field.default if isinstance(field.default, float) and field.default else 0.0
    size = abs(value) or abs(reference)
    return 10.0 ** math.floor(math.log10(size)) if size else 1e-3


#: Positions of a value's slider.
SLIDER_STEPS = 400


class SliderScale:
    """Positions of a slider to values: by ratio about a value above 0, else by difference."""

    def __init__(self, value: float, field: Field) -> None:
        self._field = field
        self._log = value > 0.0 and field.unit not in ("degC", "%", "K")
        if self._log:
            low = max(value / 10.0, field.low, 1e-15)
            high = min(value * 10.0, field.high)
            if field.open_low and low <= field.low:
                low = field.low + (value - field.low) * 1e-3
        else:
            low, high = field.low, field.high
            if not math.isfinite(low):
                low = value - 10.0
            if not math.isfinite(high):
                high = max(value, 0.0) + 10.0
        self.low, self.high = low, max(high, low * (1 + 1e-9), low + 1e-15)

    def value(self, position: int) -> float:
        """Rounded to what a hand can mean: two or three figures."""
        share = position / SLIDER_STEPS
        if self._log:
            value = self.low * (self.high / self.low) ** share
        else:
            value = self.low + share * (self.high - self.low)
        if value:
            digits = 2 - math.floor(math.log10(abs(value)))
            value = round(value, digits)
        if self._field.whole:
            value = round(value)
        return min(max(value, self.low), self.high)

    def position(self, value: float) -> int:
        if self._log:
            share = math.log(max(value, self.low) / self.low) / math.log(self.high / self.low)
        else:
            share = (value - self.low) / (self.high - self.low)
        return round(min(max(share, 0.0), 1.0) * SLIDER_STEPS)

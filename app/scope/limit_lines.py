"""Limits on a strip: dashes with a name, or at its edge the figure of one that is far off."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyqtgraph as pg

from app.scope.ticks import least_span

if TYPE_CHECKING:
    from app.look import Look
    from app.scope.plot import Plot
    from app.solver.protocol import Curve, Limit

# Limits take at most so much of the scale that the curves keep this share of it.
_CURVES_KEEP = 0.4
# Of a limit's name, pixels.
_LINE_HEIGHT = 18


def scale_values(drawn: tuple[Curve, ...], over: list[float]) -> list[float]:
    """Values that a common scale has to hold: all curves, `over`, and the limits that are near.

    A limit far off would press a small ripple into a line; it is named at the strip's edge.
    """
    values = list(over)
    for curve in drawn:
        if len(curve.low):
            values += [float(curve.low.min()), float(curve.high.max())]
    if not values:
        return values
    bottom, top = min(values), max(values)
    room = least_span(bottom, top) / _CURVES_KEEP
    limits = {limit.value for curve in drawn for limit in curve.limits}
    for value in sorted(limits, key=lambda value: max(value - top, bottom - value)):
        if max(top, value, *values) - min(bottom, value, *values) <= room:
            values.append(value)
    return values


def named_below(drawn: tuple[Curve, ...], values: list[float]) -> bool:
    """Whether a limit's name stands at the foot of a strip with such a scale."""
    limits = [limit.value for curve in drawn for limit in curve.limits]
    return bool(values) and any(value < min(values) for value in limits)


class LimitLines:
    """The limits of one strip's curve; none until `show`."""

    def __init__(self, plot: Plot, look: Look) -> None:
        self._plot = plot
        self._look = look
        self._limits: tuple[Limit, ...] = ()
        self._lines: list[pg.InfiniteLine] = []
        self.labels: list[pg.TextItem] = []

    def show(self, limits: tuple[Limit, ...]) -> None:
        """Draw these in what is shown now."""
        if limits != self._limits:
            self._limits = limits
            self._make()
        self.place()

    def restyle(self) -> None:
        """Colours and type of the present look."""
        self._make()
        self.place()

    def place(self) -> None:
        """Lines where they belong; at the edge the name of a limit beyond it."""
        (left, right), (low, high) = self._plot.getViewBox().viewRange()
        height = self._plot.height()
        line_height = _LINE_HEIGHT * self._look.scale
        # names that stand at the left, and how high, pixels from the top
        taken: list[float] = []
        for limit, line, label in zip(self._limits, self._lines, self.labels, strict=True):
            inside = low < limit.value < high
            line.setVisible(inside)
            # large words at the edge would stand on the curve a room looks at
            label.setVisible(inside or not self._look.projector)
            words = f"{limit.label} {limit.value:g} V"
            if inside:
                # above the dashes, below them where the strip ends
                room = (high - limit.value) / (high - low) * height
                below = room < line_height
            else:
                below = limit.value >= high
                words = f"{'▲' if below else '▼'} {words}, off the scale"
            at = min(max(limit.value, low), high)
            top = (high - at) / (high - low) * height - (0.0 if below else line_height)
            # of two limits close together the second is named at the right
            crowded = any(abs(top - other) < line_height for other in taken)
            if not crowded:
                taken.append(top)
            label.setText(words)
            label.setAnchor((1 if crowded else 0, 0 if below else 1))
            label.setPos(right if crowded else left, at)

    @property
    def at_top(self) -> bool:
        """Whether the name of a limit stands in the upper half."""
        low, high = self._plot.getViewBox().viewRange()[1]
        middle = (low + high) / 2
        return any(
            label.isVisible() and limit.value > middle
            for limit, label in zip(self._limits, self.labels, strict=True)
        )

    def _make(self) -> None:
        for item in (*self._lines, *self.labels):
            self._plot.removeItem(item)
        self._lines, self.labels = [], []
        p = self._look.palette
        for limit in self._limits:
            pen = pg.mkPen(p.limit, width=1.3 * (2 if self._look.projector else 1))
            pen.setDashPattern([6, 3.5])
            line = pg.InfiniteLine(limit.value, angle=0, pen=pen)
            label = pg.TextItem(color=p.limit)
            label.setFont(self._look.font("small"))
            self._plot.addItem(line, ignoreBounds=True)
            label.setZValue(6.0)
            self._plot.addItem(label, ignoreBounds=True)
            self._lines.append(line)
            self.labels.append(label)

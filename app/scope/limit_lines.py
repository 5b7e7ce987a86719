"""Limits on a strip: dashes with a name, or at its edge the figure of one that is far off."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import pyqtgraph as pg
from PySide6.QtGui import QFontMetricsF

from app.scope.ticks import least_span

if TYPE_CHECKING:
    from app.look import Look
    from app.scope.plot import Plot
    from app.solver.protocol import Curve, Limit

# Limits take at most so much of the scale that the curves keep this share of it.
_CURVES_KEEP = 0.4
# Of a limit's name, pixels.
_LINE_HEIGHT = 18
# Beside its letters; and so little of it may lie on a line, since letters do not fill their height.
_MARGINS, _TOUCH = 8.0, 2.0


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


class Name(NamedTuple):
    """A limit's name to be placed: how far down its line is, how long it is, both in pixels.

    `line`: dashes are drawn there; `seen`: the name is shown; `lower`: nothing may fall below it.
    """

    at: float
    length: float
    line: bool
    seen: bool
    lower: bool = False


class Spot(NamedTuple):
    """Where a name stands: above or below so many pixels down, at the left or the right."""

    line: float
    above: bool
    right: bool


def spots_for(names: list[Name], size: tuple[float, float], high: float) -> list[Spot]:
    """Where names of limits stand, `high` pixels each, in a strip of such width and height.

    By their own line, at the left; where that would put one on the line or the name of another,
    on its line's other side, at the right, or beyond the lines and names that are in the way.
    """
    width, height = size
    lines = [name.at for name in names if name.line]
    placed: list[tuple[Spot, Name]] = []
    spots = []

    def tops(spot: Spot) -> tuple[float, float]:
        top = spot.line - high if spot.above else spot.line
        return top, top + high

    def fits(spot: Spot, name: Name) -> bool:
        top, bottom = tops(spot)
        if top < -1.0 or bottom > height + 1.0:
            return False
        # (its own line is at its edge, or in the way as any other)
        if any(top + _TOUCH < line < bottom - _TOUCH for line in lines):
            return False
        return not any(
            tops(other)[0] < bottom - _TOUCH
            and top < tops(other)[1] - _TOUCH
            and (other.right == spot.right or name.length + long.length > width)
            for other, long in placed
        )

    for name in names:
        others = [line for line in lines if line != name.at]
        others += [edge for spot, _ in placed for edge in tops(spot)]
        beyond = sorted(others, key=lambda edge: abs(edge - name.at))
        # a lower limit's name is out of the curve's way below it
        first = not name.lower
        tried = [
            Spot(line, above, right)
            for at in ([name.at], beyond)
            for right in (False, True)
            for line in at
            for above in (first, not first)
        ]
        inside = (spot for spot in tried if tops(spot)[0] >= -1.0 and tops(spot)[1] <= height + 1.0)
        spot = next((spot for spot in tried if fits(spot, name)), None)
        spots.append(spot or next(inside, tried[0]))
        if name.seen:
            placed.append((spots[-1], name))
    return spots


class LimitLines:
    """The limits of one strip's curve; none until `show`."""

    def __init__(self, plot: Plot, look: Look) -> None:
        self._plot = plot
        self._look = look
        self._limits: tuple[Limit, ...] = ()
        #: What they were placed for, None before that.
        self._placed: object = None
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
        # Of most answers of a drag the scale is that of the one before.
        seen_in = (left, right, low, high, self._plot.width(), height)
        if seen_in == self._placed:
            return
        self._placed = seen_in
        metrics = QFontMetricsF(self._look.font("small"))
        names = []
        for limit, line, label in zip(self._limits, self._lines, self.labels, strict=True):
            inside = low < limit.value < high
            line.setVisible(inside)
            # large words at the edge would stand on the curve a room looks at
            seen = inside or not self._look.projector
            label.setVisible(seen)
            words = f"{limit.label} {limit.value:g} V"
            if not inside:
                words = f"{'▲' if limit.value >= high else '▼'} {words}, off the scale"
            label.setText(words)
            at = (high - min(max(limit.value, low), high)) / (high - low) * height
            room = metrics.horizontalAdvance(words) + _MARGINS
            lower = inside and not limit.upper
            names.append(Name(at, room, inside, seen, lower))
        spots = spots_for(names, (self._plot.width(), height), _LINE_HEIGHT * self._look.scale)
        for label, spot in zip(self.labels, spots, strict=True):
            # (from the line: text is as high as its font, and not as we reckon)
            label.setAnchor((1 if spot.right else 0, 1 if spot.above else 0))
            at = high - spot.line / max(height, 1) * (high - low)
            label.setPos(right if spot.right else left, at)

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
        self._placed = None
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

"""One clipped place: its curve between minimum and maximum, its limits, its name."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QPainter
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from app.scope.cursor_lines import CursorLines
from app.scope.cursors import all_figures, figures
from app.scope.dashes import DASHES, set_line
from app.scope.ghost import Ghost
from app.scope.heading import Heading
from app.scope.limit_lines import LimitLines
from app.scope.plot import Course, Grid, Plot
from app.scope.recorded import Recorded
from app.scope.ticks import ticks
from app.words import reading

if TYPE_CHECKING:
    from app.look import Look
    from app.recordings import Trace
    from app.solver.protocol import Between, Curve

_GUTTER = 36
_PALE = 0.4


def gutter(look: Look) -> int:
    """Room for the volts at the left of every strip; the time axis leaves the same."""
    return round(_GUTTER * look.scale)


def _mixed(one: QColor, other: QColor, share: float) -> QColor:
    """`share` of one colour in another."""
    rgb = zip(one.getRgb()[:3], other.getRgb()[:3], strict=True)
    return QColor(*(round(share * a + (1.0 - share) * b) for a, b in rgb))


class Strip(QWidget):
    """A heading, and below it volts against time."""

    def __init__(self, index: int, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._look = look
        self._index = index
        self._curve: Curve | None = None
        self._pale = False
        #: What the heading says: the curve's name, its figures, and what they are of.
        self._told: object = None
        self._range = (0.0, 1.0)
        self._pens = (pg.mkPen(), pg.mkPen())
        self._fill_colour = QColor()
        self.plot = Plot()
        self._heading = Heading(look)
        self.name, self.probe = self._heading.name, self._heading.probe
        self.figure = self._heading.figure
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        column.addLayout(self._heading)
        self._plot_row = QHBoxLayout()
        self._plot_row.addWidget(self.plot)
        column.addLayout(self._plot_row, 1)
        self._grid = Grid(self.plot)
        self._fill = Course(self.plot, pairs=True)
        self._lines = [Course(self.plot) for _ in range(2)]
        self._ghost = Ghost(self.plot, look)
        self._cursors = CursorLines(self.plot, look)
        self._between: Between | None = None
        self._limits = LimitLines(self.plot, look)
        self._recorded = Recorded(self.plot, look)
        self._moment = pg.TextItem(anchor=(0.5, 1.0))
        self._moment.setZValue(22)
        self._moment.hide()
        self.plot.addItem(self._moment, ignoreBounds=True)
        for depth, item in (
            (0.0, self._grid),
            (1.0, self._fill),
            *((3.0, line) for line in self._lines),
        ):
            item.setZValue(depth)
            self.plot.addItem(item, ignoreBounds=True)
        look.changed.connect(self.restyle)
        self.restyle()

    def show_curve(
        self,
        curve: Curve,
        ghost: Curve | None,
        ghost_name: str,
        volt_range: tuple[float, float],
        window: tuple[float, float],
    ) -> None:
        """Draw a curve, and dotted behind it the same place of another option."""
        self._curve = curve
        self._ghost.show(ghost, ghost_name)
        self.name.setText(curve.label)
        self.name.setToolTip(curve.note[:1].upper() + curve.note[1:])
        self._show_figure()
        self.plot.show_range(window, volt_range)
        if volt_range != self._range:
            self._range = volt_range
            # (heading and plot see to themselves: with them all would be painted twice)
            self.update(0, 0, gutter(self._look), self.height())
        self._rule()
        self._limits.show(curve.limits)
        self._cursors.foot = self._limits.at_top
        self._cursors.place()
        self._draw()

    def _rule(self) -> None:
        """As many hairlines as their figures have room for, up to four."""
        room = int(self.plot.height() / (17 * self._look.scale))
        levels = ticks(*self._range, most=min(max(room, 1), 4))
        if levels != self._grid.levels:
            self._grid.levels = levels
            self._grid.update()
            self.update(0, 0, gutter(self._look), self.height())

    def show_edges(self, edges: tuple[float, ...]) -> None:
        """Mark the times (s) at which a bridge switches."""
        if edges != self._grid.edges:
            self._grid.edges = edges
            self._grid.update()

    def show_recording(self, trace: Trace | None) -> None:
        """Lay a recording over the curve, or none."""
        if trace is None or self._curve is None:
            self._recorded.clear()
        else:
            self._recorded.show(trace, self._curve)

    def show_moment(self, time: float | None, *, lowest: bool) -> None:
        """Point at the extreme that is drawn where a figure was gone to (s); None: at nothing."""
        curve = self._curve
        left, right = self.plot.getViewBox().viewRange()[0]
        there = curve is not None and time is not None and left <= time <= right
        self._moment.setVisible(there)
        if curve is None or time is None or not there:
            return
        at = int(np.clip(np.searchsorted(curve.t, time, side="right") - 1, 0, len(curve.low) - 1))
        near = slice(max(at - 2, 0), at + 3)
        value = float(curve.low[near].min() if lowest else curve.high[near].max())
        words = reading(value, curve.reads)
        # the word stands inside the strip: beyond the point while there is room
        span = self._range[1] - self._range[0]
        room = (value - self._range[0] if lowest else self._range[1] - value) / span
        below = lowest == (room * self.plot.height() > 36 * self._look.scale)
        self._moment.setAnchor((0.5, 0.0 if below else 1.0))
        self._moment.setText(f"▲\n{words}" if below else f"{words}\n▼")
        self._moment.fill = pg.mkBrush(self._look.palette.paper)
        self._moment.setColor(self._look.palette.ink)
        self._moment.setFont(self._look.font("small"))
        self._moment.setPos(time, value)

    def show_probe(self, words: str, there: bool, none: bool) -> None:
        """What stands between clip and scope; `there`: whether one could stand there."""
        if self._heading.set_probe(words, there, none):
            self._heading.fit(self.width())

    def show_cursors(
        self, cursors: tuple[float, float] | None, between: Between | None, *, named: bool
    ) -> None:
        """Draw both cursors, and give the figures between them in the heading."""
        self._between = between
        self._cursors.show(cursors, named=named)
        self._show_figure()

    def _show_figure(self) -> None:
        if self._curve is None:
            return
        said = _figure(self._curve) if self._between is None else all_figures(self._between)
        told = (self._curve.label, said, self._between)
        if told == self._told:
            return
        self._told = told
        if self._between is None:
            self._heading.set_figures([said])
            self.figure.setToolTip("")
        else:
            self._heading.set_figures(figures(self._between))
            self.figure.setToolTip(said)
        self._heading.fit(self.width())
        self.setAccessibleName(f"{self._curve.label}, {said}")
        self.plot.setAccessibleName(f"Curve of {self._curve.label}")
        self.plot.viewport().setAccessibleName(f"Drawing of the curve of {self._curve.label}")

    def set_pale(self, pale: bool) -> None:
        """Paler while a newer answer is on its way."""
        if pale != self._pale:
            self._pale = pale
            for item in (self._fill, *self._lines, self._ghost.line):
                item.setOpacity(_PALE if pale else 1.0)
            self.figure.setEnabled(not pale)

    def restyle(self) -> None:
        """Colours and type of the present look."""
        p = self._look.palette
        colour = p.line(self._index)
        # Wider than a pixel is drawn piece by piece, which only few points bear: a line
        # that stands alone, not the two edges of a band.
        wide = 3.0 if self._look.projector else 1.5
        narrow = 2.0 if self._look.projector else 1.0
        self._pens = (pg.mkPen(colour, width=wide), pg.mkPen(colour, width=narrow))
        left = gutter(self._look)
        self._heading.setContentsMargins(left, 0, 0, 0)
        self._plot_row.setContentsMargins(left, 0, 0, 0)
        self.plot.setBackground(p.paper)
        # Opaque: where two columns share a pixel a translucent fill would show a line.
        self._fill_colour = _mixed(pg.mkColor(colour), pg.mkColor(p.paper), 0.33)
        for line in self._lines:
            line.setSegmentedLineMode("on")
        self._grid.pen = pg.mkPen(p.faint, width=1)
        self._grid.edge_pen = pg.mkPen(p.muted, width=1)
        self._cursors.restyle()
        self._ghost.restyle()
        self._limits.restyle()
        self.name.setFont(self._look.font("name"))
        self.name.setStyleSheet(f"color: {p.ink.name()}")
        self.figure.setFont(self._look.font())
        self._heading.fit(self.width())
        if self._curve is not None:
            self._draw()
        self.update()

    def paintEvent(self, event: object) -> None:
        painter = QPainter(self)
        painter.setFont(self._look.font("small"))
        painter.setPen(self._look.palette.muted)
        top, height = self.plot.y(), self.plot.height()
        low, high = self._range
        half = painter.fontMetrics().height() / 2
        for level in self._grid.levels:
            y = top + height * (high - level) / (high - low)
            if y + half > self.height():
                continue
            box = QRectF(0, y - half, gutter(self._look) - 6, 2 * half)
            painter.drawText(
                box, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter, _level(level)
            )

    def resizeEvent(self, event: object) -> None:
        self._heading.fit(self.width())
        if self._curve is not None:
            self._rule()
            self._limits.place()
            self._draw()

    def _draw(self) -> None:
        curve = self._curve
        if curve is None:
            return
        low, high = np.asarray(curve.low), np.asarray(curve.high)
        middle = (curve.t[:-1] + curve.t[1:]) / 2.0
        dash = DASHES[self._index % 3]
        thin = self._thin(low, high)
        for item in (self._fill, self._lines[1]):
            item.setVisible(not thin)
        if thin:
            self._lines[0].setPen(self._pens[0])
            set_line(self._lines[0], middle, (low + high) / 2.0, dash, self.plot)
        else:
            across = np.empty(2 * len(low))
            up = np.empty_like(across)
            across[0::2] = across[1::2] = middle
            up[0::2], up[1::2] = low, high
            # columns are wider than a pixel while a hand drags
            wide = max(1, round(self.plot.width() / len(low)))
            self._fill.setPen(pg.mkPen(self._fill_colour, width=wide))
            self._fill.setData(across, up, connect="pairs")
            for line, values in zip(self._lines, (low, high), strict=True):
                line.setPen(self._pens[1])
                set_line(line, middle, values, dash, self.plot)
        self._ghost.draw(curve)

    def _thin(self, low: np.ndarray, high: np.ndarray) -> bool:
        """Whether the band between minimum and maximum is a line on this screen.

        A smooth curve moves within a column too, so what counts is the band
        against the step to the next column.
        """
        volts_per_pixel = (self._range[1] - self._range[0]) / max(self.plot.height(), 1)
        middle = (low + high) / 2.0
        step = np.abs(np.gradient(middle)) if len(middle) > 1 else np.zeros_like(middle)
        return bool(np.all(high - low <= 1.5 * step + 1.5 * volts_per_pixel))


def _level(value: float) -> str:
    """A figure at a hairline; thousands of turns a minute as "20k"."""
    return f"{value / 1000.0:g}k" if abs(value) >= 5000.0 else f"{value:g}"


def _figure(curve: Curve) -> str:
    if curve.peak is None:
        return ""
    if curve.probe and curve.lowest is not None:
        # of the stretch that is drawn: what his scope prints beside its screen
        low, high = (reading(value, curve.reads) for value in (curve.lowest, curve.peak))
        return f"shown: {low} to {high}"
    slow = "slow " if curve.slow else ""
    words = f"{slow}peak {reading(curve.peak, curve.reads)}"
    if curve.reads == "duty" and curve.lowest is not None:
        return f"{curve.lowest:.0f} to {reading(curve.peak, curve.reads)}"
    needed = any(not limit.upper for limit in curve.limits) or curve.reads != "volts"
    if curve.lowest is not None and needed:
        words += f", lowest {reading(curve.lowest, curve.reads)}"
    return words

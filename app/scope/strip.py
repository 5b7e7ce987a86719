"""One clipped place: its curve between minimum and maximum, its limits, its name."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QPainter, QPen
from PySide6.QtWidgets import QHBoxLayout, QLabel, QVBoxLayout, QWidget

from app.panels.flat import FlatButton
from app.scope.cursors import NAMES, all_figures, figures
from app.scope.recorded import Recorded
from app.scope.ticks import ticks
from app.words import reading

if TYPE_CHECKING:
    from PySide6.QtGui import QMouseEvent, QWheelEvent

    from app.look import Look
    from app.recordings import Trace
    from app.solver.protocol import Between, Curve

_GUTTER = 36
# Pixels on and off: solid, dash, dot. Made by leaving out segments, because a
# dashed pen on a line of a thousand points costs ten times a solid one.
_DASHES = ((1.0, 0.0), (7.0, 3.5), (2.0, 3.0))
_GHOST_DASH = (1.5, 3.5)
_PALE = 0.4
# How near a hand must come to a cursor to hold it, in pixels.
_GRIP = 6
# Height of an edge's mark, as a share of the strip, and the least room between two.
_EDGE_MARK = 0.05
_EDGE_ROOM = 5
# A line is cut into pieces of a pixel for its dashes, up to so many.
_MOST_PIECES = 6000


def gutter(look: Look) -> int:
    """Room for the volts at the left of every strip; the time axis leaves the same."""
    return round(_GUTTER * look.scale)


class _Grid(pg.GraphicsObject):
    """Hairlines at the volts and marks where a bridge switches.

    pyqtgraph's own grid costs 10 to 30 ms a frame.
    """

    def __init__(self, plot: pg.PlotWidget) -> None:
        super().__init__()
        self._plot = plot
        self.levels: list[float] = []
        self.edges: tuple[float, ...] = ()
        self.pen = QPen()
        self.edge_pen = QPen()

    def boundingRect(self) -> QRectF:
        return self._plot.getViewBox().viewRect()

    def viewRangeChanged(self) -> None:
        self.prepareGeometryChange()

    def paint(self, painter: QPainter, *_: object) -> None:
        rect = self._plot.getViewBox().viewRect()
        painter.setPen(self.pen)
        for level in self.levels:
            painter.drawLine(QPointF(rect.left(), level), QPointF(rect.right(), level))
        if len(self.edges) * _EDGE_ROOM <= self._plot.width():
            painter.setPen(self.edge_pen)
            # the view's volts grow upwards, so its top is the lowest value
            foot = rect.top()
            for time in self.edges:
                painter.drawLine(
                    QPointF(time, foot), QPointF(time, foot + _EDGE_MARK * rect.height())
                )


class _Plot(pg.PlotWidget):
    """A bare plot: wheel and drag go to the scope, which keeps all strips on one time."""

    wheeled = Signal(float, float)
    dragged = Signal(float)
    whole = Signal()
    pulled = Signal(float, bool)  # a recording, by a share of the width; whether it is let go
    cursor_moved = Signal(int, float)  # which one, and where as a share of the width

    def __init__(self) -> None:
        super().__init__(enableMenu=False)
        self.setMouseEnabled(False, False)
        self.hideButtons()
        for side in ("left", "bottom"):
            self.hideAxis(side)
        self.getPlotItem().setContentsMargins(0, 0, 0, 0)
        self.getViewBox().setDefaultPadding(0.0)
        self.setFrameShape(pg.QtWidgets.QFrame.Shape.NoFrame)
        self.setAntialiasing(False)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._grabbed: float | None = None
        self._held: int | None = None
        self._pulls: float | None = None
        #: Where the cursors hang, as shares of the width.
        self.cursor_shares: tuple[float, ...] = ()

    def _cursor_near(self, x: float) -> int | None:
        away = [abs(share * self.width() - x) for share in self.cursor_shares]
        if not away or min(away) > _GRIP:
            return None
        return away.index(min(away))

    def wheelEvent(self, event: QWheelEvent) -> None:
        share = event.position().x() / max(self.width(), 1)
        self.wheeled.emit(event.angleDelta().y() / 120.0, share)
        event.accept()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        if event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
            self._pulls = event.position().x()
            return
        self._held = self._cursor_near(event.position().x())
        if self._held is None:
            self._grabbed = event.position().x()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self._pulls is not None:
            self.pulled.emit((event.position().x() - self._pulls) / max(self.width(), 1), False)
            self._pulls = event.position().x()
        elif self._held is not None:
            share = event.position().x() / max(self.width(), 1)
            self.cursor_moved.emit(self._held, min(max(share, 0.0), 1.0))
        elif self._grabbed is None:
            near = self._cursor_near(event.position().x()) is not None
            shape = Qt.CursorShape.SizeHorCursor if near else Qt.CursorShape.ArrowCursor
            self.viewport().setCursor(shape)
        else:
            self.dragged.emit((self._grabbed - event.position().x()) / max(self.width(), 1))
            self._grabbed = event.position().x()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if self._pulls is not None:
            self._pulls = None
            self.pulled.emit(0.0, True)
        self._grabbed = None
        self._held = None

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self.whole.emit()


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
        self._ghost: Curve | None = None
        self._ghost_name = ""
        self._pale = False
        self._range = (0.0, 1.0)
        self._pens = (pg.mkPen(), pg.mkPen())
        self.name = QLabel(textFormat=Qt.TextFormat.PlainText)
        self.figure = QLabel(textFormat=Qt.TextFormat.PlainText)
        self.figure.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self.plot = _Plot()
        #: What stands between the clip and the scope; opens a menu.
        self.probe = FlatButton(look, "small", "Probe of this clip")
        self.probe.setMinimumWidth(24)
        self.probe.hide()
        self._heading = QHBoxLayout()
        self._heading.addWidget(self.name)
        self._heading.addWidget(self.probe)
        self._heading.addStretch(1)
        self._heading.addWidget(self.figure)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        column.addLayout(self._heading)
        self._plot_row = QHBoxLayout()
        self._plot_row.addWidget(self.plot)
        column.addLayout(self._plot_row, 1)
        self._grid = _Grid(self.plot)
        self._fill = pg.PlotCurveItem(connect="pairs", antialias=False)
        self._lines = [pg.PlotCurveItem(antialias=True) for _ in range(2)]
        self._ghost_line = pg.PlotCurveItem(antialias=True)
        self._ghost_label = pg.TextItem(anchor=(1, 1))
        self._cursor_lines: list[pg.InfiniteLine] = []
        self._cursor_labels: list[pg.TextItem] = []
        self._cursors: tuple[float, float] | None = None
        self._between: Between | None = None
        self._recorded = Recorded(self.plot, look)
        self._moment = pg.TextItem(anchor=(0.5, 1.0))
        self._moment.setZValue(22)
        self._moment.hide()
        self.plot.addItem(self._moment, ignoreBounds=True)
        self._limit_lines: list[pg.InfiniteLine] = []
        self._limit_labels: list[pg.TextItem] = []
        for depth, item in enumerate(
            (self._grid, self._fill, self._ghost_line, *self._lines, self._ghost_label)
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
        same_limits = self._curve is not None and self._curve.limits == curve.limits
        self._curve, self._ghost, self._ghost_name = curve, ghost, ghost_name
        self._range = volt_range
        self.name.setText(curve.label)
        self.name.setToolTip(curve.note[:1].upper() + curve.note[1:])
        self._show_figure()
        self.plot.setRange(xRange=window, yRange=volt_range, padding=0.0)
        self._rule()
        if not same_limits:
            self._make_limits()
        self._place_limits()
        self._place_cursors()
        self._draw()
        self.update()

    def _rule(self) -> None:
        """As many hairlines as their figures have room for, up to four."""
        room = int(self.plot.height() / (17 * self._look.scale))
        self._grid.levels = ticks(*self._range, most=min(max(room, 1), 4))
        self._grid.update()

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

    def show_probe(self, words: str, there: bool) -> None:
        """What stands between clip and scope; `there`: whether one could stand there."""
        self.probe.setVisible(there)
        self.probe.setText(words)
        self.probe.setToolTip(
            f"{words}. Click for probe, ground wire, limit and coupling (I); T shows the truth."
        )

    def show_cursors(
        self, cursors: tuple[float, float] | None, between: Between | None, *, named: bool
    ) -> None:
        """Draw both cursors, and give the figures between them in the heading."""
        self._between = between
        if (cursors is None) != (not self._cursor_lines):
            self._make_cursors(named=named, there=cursors is not None)
        self._cursors = cursors
        self._place_cursors()
        self._show_figure()

    def _make_cursors(self, *, named: bool, there: bool) -> None:
        for item in (*self._cursor_lines, *self._cursor_labels):
            self.plot.removeItem(item)
        self._cursor_lines, self._cursor_labels = [], []
        if not there:
            return
        p = self._look.palette
        for name in NAMES:
            line = pg.InfiniteLine(0.0, angle=90, pen=pg.mkPen(p.ink, width=1))
            line.setZValue(20)
            self.plot.addItem(line, ignoreBounds=True)
            self._cursor_lines.append(line)
            if named:
                label = pg.TextItem(name, color=p.ink, fill=p.paper, anchor=(0.5, 0))
                label.setFont(self._look.font("small"))
                label.setZValue(21)
                self.plot.addItem(label, ignoreBounds=True)
                self._cursor_labels.append(label)

    def _place_cursors(self) -> None:
        cursors = self._cursors
        if cursors is None or not self._cursor_lines:
            self.plot.cursor_shares = ()
            return
        left, right = self.plot.getViewBox().viewRange()[0]
        span = max(right - left, 1e-15)
        self.plot.cursor_shares = tuple((time - left) / span for time in cursors)
        for line, time in zip(self._cursor_lines, cursors, strict=True):
            line.setValue(time)
        for label, time in zip(self._cursor_labels, cursors, strict=False):
            label.setPos(time, self._range[1])
            label.setVisible(left <= time <= right)

    def _show_figure(self) -> None:
        if self._curve is None:
            return
        words = _figure(self._curve)
        if self._between is not None:
            words = figures(self._between)
            self.figure.setToolTip(all_figures(self._between))
        else:
            self.figure.setToolTip("")
        self.figure.setText(words)
        said = words if self._between is None else all_figures(self._between)
        self.setAccessibleName(f"{self._curve.label}, {said}")
        self.plot.setAccessibleName(f"Curve of {self._curve.label}")
        self.plot.viewport().setAccessibleName(f"Drawing of the curve of {self._curve.label}")

    def set_pale(self, pale: bool) -> None:
        """Paler while a newer answer is on its way."""
        if pale != self._pale:
            self._pale = pale
            for item in (self._fill, *self._lines, self._ghost_line):
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
        self._fill.setPen(pg.mkPen(_mixed(pg.mkColor(colour), pg.mkColor(p.paper), 0.33), width=1))
        for line in self._lines:
            line.setSegmentedLineMode("on")
        self._ghost_line.setPen(pg.mkPen(p.muted, width=narrow))
        self._grid.pen = pg.mkPen(p.faint, width=1)
        self._grid.edge_pen = pg.mkPen(p.muted, width=1)
        if self._cursor_lines:
            self._make_cursors(named=bool(self._cursor_labels), there=True)
            self._place_cursors()
        self._ghost_label.setColor(p.muted)
        self._ghost_label.setFont(self._look.font("small"))
        self.name.setFont(self._look.font("name"))
        self.figure.setFont(self._look.font())
        if self._curve is not None:
            self._make_limits()
            self._place_limits()
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
        if self._curve is not None:
            self._rule()
            self._place_limits()
            self._draw()

    def _draw(self) -> None:
        curve = self._curve
        if curve is None:
            return
        low, high = np.asarray(curve.low), np.asarray(curve.high)
        middle = (curve.t[:-1] + curve.t[1:]) / 2.0
        if self._thin(low, high):
            self._fill.setData([], [])
            self._lines[0].setPen(self._pens[0])
            self._set_line(self._lines[0], middle, (low + high) / 2.0, _DASHES[self._index % 3])
            self._lines[1].setData([], [])
        else:
            across = np.empty(2 * len(low))
            up = np.empty_like(across)
            across[0::2] = across[1::2] = middle
            up[0::2], up[1::2] = low, high
            self._fill.setData(across, up, connect="pairs")
            for line, values in zip(self._lines, (low, high), strict=True):
                line.setPen(self._pens[1])
                self._set_line(line, middle, values, _DASHES[self._index % 3])
        self._draw_ghost()

    def _thin(self, low: np.ndarray, high: np.ndarray) -> bool:
        """Whether the band between minimum and maximum is a line on this screen.

        A smooth curve moves within a column too, so what counts is the band
        against the step to the next column.
        """
        volts_per_pixel = (self._range[1] - self._range[0]) / max(self.plot.height(), 1)
        middle = (low + high) / 2.0
        step = np.abs(np.gradient(middle)) if len(middle) > 1 else np.zeros_like(middle)
        return bool(np.all(high - low <= 1.5 * step + 1.5 * volts_per_pixel))

    def _set_line(
        self,
        line: pg.PlotCurveItem,
        across: np.ndarray,
        values: np.ndarray,
        dash: tuple[float, float],
    ) -> None:
        if dash[1] == 0.0 or len(across) < 2:
            line.setData(across, values, connect="all")
            return
        # Cut by way on the screen, so that a steep flank is dashed like a flat stretch.
        size = self.plot.width(), self.plot.height()
        span = max(float(across[-1] - across[0]), 1e-15)
        dx = np.diff(across) / span * size[0]
        dy = np.diff(values) / (self._range[1] - self._range[0]) * size[1]
        way = np.concatenate(([0.0], np.cumsum(np.hypot(dx, dy))))
        pieces = np.linspace(0.0, way[-1], min(int(way[-1]) + 2, _MOST_PIECES))
        on = (pieces % (dash[0] + dash[1])) < dash[0]
        line.setData(
            np.interp(pieces, way, across),
            np.interp(pieces, way, values),
            connect=on.astype(np.int32),
        )

    def _draw_ghost(self) -> None:
        ghost = self._ghost
        if ghost is None or len(ghost.high) == 0:
            self._ghost_line.setData([], [])
            self._ghost_label.setText("")
            return
        middle = (ghost.t[:-1] + ghost.t[1:]) / 2.0
        high = np.asarray(ghost.high)
        self._set_line(self._ghost_line, middle, high, _GHOST_DASH)
        peak = "" if ghost.peak is None else f": {reading(ghost.peak, ghost.reads)}"
        self._ghost_label.setText(f"{self._ghost_name}{peak}")
        self._place_ghost_label(float(middle[-1]), high)

    def _place_ghost_label(self, end: float, high: np.ndarray) -> None:
        """At the right end, above both curves; below them where a limit or the edge is near."""
        volts_per_pixel = (self._range[1] - self._range[0]) / max(self.plot.height(), 1)
        text = self._ghost_label.boundingRect()
        share = min(text.width() / max(self.plot.width(), 1), 1.0)
        tail = slice(-max(round(len(high) * share), 1), None)
        tops, bottoms = [float(high[tail].max())], [float(high[tail].min())]
        if self._curve is not None:
            tops.append(float(np.max(self._curve.high[tail])))
            bottoms.append(float(np.min(self._curve.low[tail])))
        top, bottom = max(tops), min(bottoms)
        ceiling = top + text.height() * volts_per_pixel
        limits = () if self._curve is None else self._curve.limits
        crossed = any(top < limit.value < ceiling for limit in limits)
        below = crossed or ceiling > self._range[1]
        self._ghost_label.setAnchor((1, 0) if below else (1, 1))
        self._ghost_label.setPos(end, bottom if below else top)

    def _make_limits(self) -> None:
        for item in (*self._limit_lines, *self._limit_labels):
            self.plot.removeItem(item)
        self._limit_lines, self._limit_labels = [], []
        p = self._look.palette
        if self._curve is None:
            return
        for limit in self._curve.limits:
            pen = pg.mkPen(p.limit, width=1.3 * (2 if self._look.projector else 1))
            pen.setDashPattern([6, 3.5])
            line = pg.InfiniteLine(limit.value, angle=0, pen=pen)
            words = f"{limit.label} {limit.value:g} V"
            label = pg.TextItem(words, color=p.limit, anchor=(0, 1))
            label.setFont(self._look.font("small"))
            self.plot.addItem(line, ignoreBounds=True)
            self.plot.addItem(label, ignoreBounds=True)
            self._limit_lines.append(line)
            self._limit_labels.append(label)

    def _place_limits(self) -> None:
        left = self.plot.getViewBox().viewRange()[0][0]
        low, high = self._range
        for line, label in zip(self._limit_lines, self._limit_labels, strict=True):
            value = float(line.value())
            label.setPos(left, value)
            # Above the dashes, below them where the strip ends.
            room = (high - value) / (high - low) * self.plot.height()
            label.setAnchor((0, 0 if room < 18 * self._look.scale else 1))
            for item in (line, label):
                item.setVisible(low < value < high)


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

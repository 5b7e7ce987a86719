"""A bare plot, its hairlines, and what a hand does on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyqtgraph as pg
from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QPainter, QPen

if TYPE_CHECKING:
    from PySide6.QtGui import QMouseEvent, QWheelEvent

# How near a hand must come to a cursor to hold it, in pixels.
_GRIP = 6
# Height of an edge's mark, as a share of the strip, and the least room between two.
_EDGE_MARK = 0.05
_EDGE_ROOM = 5
# Curves of less height tell nothing, pixels.
_LEAST_HEIGHT = 32


class Course(pg.PlotCurveItem):
    """A line or a band of many points on a plot.

    Its bounds are all that is shown. Its points' own would be worked out at each answer of a
    drag, for a picture that changes nearly everywhere.
    """

    def __init__(self, plot: Plot, *, pairs: bool = False) -> None:
        self._plot = plot
        # (a band is of upright strokes side by side, which must not be blurred)
        super().__init__(connect="pairs" if pairs else "all", antialias=not pairs)

    def boundingRect(self) -> QRectF:
        return self._plot.shown


class Grid(pg.GraphicsObject):
    """Hairlines at the volts and marks where a bridge switches.

    pyqtgraph's own grid costs 10 to 30 ms a frame.
    """

    def __init__(self, plot: Plot) -> None:
        super().__init__()
        self._plot = plot
        self.levels: list[float] = []
        self.edges: tuple[float, ...] = ()
        self.pen = QPen()
        self.edge_pen = QPen()

    def boundingRect(self) -> QRectF:
        return self._plot.shown

    def viewRangeChanged(self) -> None:
        self.prepareGeometryChange()

    def paint(self, painter: QPainter, *_: object) -> None:
        rect = self._plot.shown
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


class Plot(pg.PlotWidget):
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
        self.setMinimumHeight(_LEAST_HEIGHT)
        for side in ("left", "bottom", "right", "top"):
            self.hideAxis(side)
            # or it would word its own units anew, unseen, whenever the scale changes
            self.getAxis(side).unlinkFromView()
        self.getPlotItem().setContentsMargins(0, 0, 0, 0)
        self.getViewBox().setDefaultPadding(0.0)
        self.setFrameShape(pg.QtWidgets.QFrame.Shape.NoFrame)
        self.setAntialiasing(False)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        #: The stretch of time (s) and the range of values that are in sight.
        self.shown = self.getViewBox().viewRect()
        self.getViewBox().sigRangeChanged.connect(self._keep_shown)
        self._grabbed: float | None = None
        self._held: int | None = None
        self._pulls: float | None = None
        #: Where the cursors hang, as shares of the width.
        self.cursor_shares: tuple[float, ...] = ()

    def show_range(self, window: tuple[float, float], values: tuple[float, float]) -> None:
        """Show a stretch of time (s) and a range of values, in the curves' unit."""
        view = self.getViewBox()
        if [list(window), list(values)] == view.viewRange():
            return
        self.setRange(xRange=window, yRange=values, padding=0.0)
        # Left to the next painting, it would move all items then, and have them painted again.
        view.prepareForPaint()

    def _keep_shown(self) -> None:
        self.shown = self.getViewBox().viewRect()

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

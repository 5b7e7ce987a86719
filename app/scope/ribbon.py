"""The whole event in a ribbon, with the stretch that the curves show."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QRectF, Qt, Signal
from PySide6.QtGui import QPainter, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from app.words import seconds

if TYPE_CHECKING:
    from PySide6.QtGui import QKeyEvent, QMouseEvent, QPainterPath, QWheelEvent

    from app.look import Look
    from app.solver.protocol import Curve

_HANDLE = 7
#: The closest look, as a share of the event.
CLOSEST = 1e-6


class Ribbon(QWidget):
    """Drag the window, drag its ends, or drag anew; double click shows all."""

    window_wanted = Signal(object)  # (from, to) in seconds, or None for all

    def __init__(self, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._look = look
        self._curve: Curve | None = None
        self._path: QPainterPath | None = None
        self._path_box = QRectF()
        self._duration = 1.0
        self._window: tuple[float, float] | None = None
        self._grab = ""
        self._grabbed_at = 0.0
        self._grabbed_window = (0.0, 1.0)
        self.setMouseTracking(True)
        # (painted at every answer of a drag, and each widget beneath it would be, too)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setFixedHeight(36)
        self.setAccessibleName("Whole event")
        self.setToolTip(
            "Drag to look closer; arrow keys move, + and - zoom, double click shows all"
        )
        look.changed.connect(self.update)

    def show_event(
        self, curve: Curve | None, duration: float, window: tuple[float, float] | None
    ) -> None:
        """Draw a curve over the whole event and mark the present stretch of it."""
        if curve is not self._curve:
            self._path = None
        self._curve, self._duration, self._window = curve, max(duration, 1e-12), window
        start, end = self._shown
        self.setAccessibleDescription(f"shown {seconds(start, end)} to {seconds(end, end)}")
        self.update()

    @property
    def _shown(self) -> tuple[float, float]:
        return self._window or (0.0, self._duration)

    def pan(self, share: float) -> None:
        """Move the window by a share of its width."""
        start, end = self._shown
        self._want(start + share * (end - start), end + share * (end - start))

    def zoom(self, factor: float, share: float = 0.5) -> None:
        """Make the window `factor` times as wide about a point at `share` of it."""
        start, end = self._shown
        about = start + share * (end - start)
        self._want(about - factor * (about - start), about + factor * (end - about))

    def _want(self, start: float, end: float) -> None:
        width = min(max(end - start, CLOSEST * self._duration), self._duration)
        if end - start > self._duration * 0.999:
            self.window_wanted.emit(None)
            return
        start = min(max(start, 0.0), self._duration - width)
        self.window_wanted.emit((start, start + width))

    def paintEvent(self, event: object) -> None:
        p = self._look.palette
        painter = QPainter(self)
        painter.fillRect(self.rect(), p.paper)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        band = QRectF(self.rect()).adjusted(1, 3, -1, -3)
        painter.setPen(QPen(p.faint, 1))
        painter.setBrush(p.band)
        painter.drawRoundedRect(band, 4, 4)
        self._paint_curve(painter, band.adjusted(2, 4, -2, -4))
        start, end = self._shown
        left, right = self._x(start), self._x(end)
        # A stretch of nanoseconds still needs something to hold on to.
        if right - left < 4:
            left, right = (left + right) / 2 - 2, (left + right) / 2 + 2
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(p.selection, 2.5 if self.hasFocus() else 1.6))
        painter.drawRoundedRect(QRectF(left, 1, right - left, self.height() - 2), 4, 4)

    def _paint_curve(self, painter: QPainter, box: QRectF) -> None:
        if self._curve is None or len(self._curve.low) == 0:
            return
        if self._path is None or self._path_box != box:
            self._path, self._path_box = _outline(self._curve, self._duration, box), box
        colour = self._look.palette.muted
        painter.setPen(QPen(colour, 1))
        painter.setBrush(colour)
        painter.drawPath(self._path)

    def _x(self, time: float) -> float:
        return 1 + (self.width() - 2) * time / self._duration

    def _time(self, x: float) -> float:
        return self._duration * min(max((x - 1) / max(self.width() - 2, 1), 0.0), 1.0)

    def _part_at(self, x: float) -> str:
        start, end = self._shown
        left, right = self._x(start), self._x(end)
        if abs(x - left) <= _HANDLE and abs(x - left) <= abs(x - right):
            return "start"
        if abs(x - right) <= _HANDLE:
            return "end"
        if self._window is not None and left < x < right:
            return "middle"
        return "new"

    def mousePressEvent(self, event: QMouseEvent) -> None:
        x = event.position().x()
        self._grab = self._part_at(x)
        self._grabbed_at = x
        self._grabbed_window = self._shown

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        x = event.position().x()
        if not self._grab:
            sides = self._part_at(x) in ("start", "end")
            shape = Qt.CursorShape.SizeHorCursor if sides else Qt.CursorShape.ArrowCursor
            self.setCursor(shape)
            return
        start, end = self._grabbed_window
        shift = self._time(x) - self._time(self._grabbed_at)
        if self._grab == "middle":
            self._want(start + shift, end + shift)
        elif self._grab == "start":
            self._want(min(start + shift, end), end)
        elif self._grab == "end":
            self._want(start, max(end + shift, start))
        elif abs(x - self._grabbed_at) > 4:
            ends = sorted((self._time(self._grabbed_at), self._time(x)))
            self._want(ends[0], ends[1])

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        self._grab = ""

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self.window_wanted.emit(None)

    def wheelEvent(self, event: QWheelEvent) -> None:
        start, end = self._shown
        about = self._time(event.position().x())
        share = min(max((about - start) / (end - start), 0.0), 1.0)
        self.zoom(0.8 ** (event.angleDelta().y() / 120.0), share)
        event.accept()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        key = event.key()
        if key == Qt.Key.Key_Left:
            self.pan(-0.1)
        elif key == Qt.Key.Key_Right:
            self.pan(0.1)
        elif key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal):
            self.zoom(0.5)
        elif key == Qt.Key.Key_Minus:
            self.zoom(2.0)
        elif key == Qt.Key.Key_Home:
            self.window_wanted.emit(None)
        else:
            super().keyPressEvent(event)


def _outline(curve: Curve, duration: float, box: QRectF) -> QPainterPath:
    """The band between minimum and maximum over the whole event, in a box."""
    low, high = np.asarray(curve.low), np.asarray(curve.high)
    bottom, top = float(low.min()), float(high.max())
    span = max(top - bottom, 1e-3)
    middle = (curve.t[:-1] + curve.t[1:]) / 2.0
    across = box.left() + box.width() * middle / duration
    highs = box.bottom() - box.height() * (high - bottom) / span
    lows = box.bottom() - box.height() * (low - bottom) / span
    return pg.arrayToQPath(
        np.concatenate((across, across[::-1])), np.concatenate((highs, lows[::-1]))
    )

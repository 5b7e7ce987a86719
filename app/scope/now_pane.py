"""The now-line over one strip: where slow motion is, and what is read there.

A strip costs milliseconds to paint, so the pane keeps a picture of it and paints
only the line's old and new place.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QEvent, QObject, QPointF, QRect, QRectF, Qt, Signal
from PySide6.QtGui import QFontMetrics, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QWidget

from app.words import reading

if TYPE_CHECKING:
    from PySide6.QtGui import QMouseEvent, QPixmap, QWheelEvent

    from app.look import Look
    from app.scope.strip import Strip

_DOT = 3.5
_GAP = 6


class NowPane(QWidget):
    """Lies on a strip's plot while slow motion is on.

    Signals
    -------
    sought : a hand wants another moment, s
    """

    sought = Signal(float)

    def __init__(self, strip: Strip, look: Look) -> None:
        super().__init__(strip.plot)
        self.strip = strip
        self._look = look
        self._picture: QPixmap | None = None
        self._now: float | None = None
        self._value: float | None = None
        self._reads = "volts"
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setCursor(Qt.CursorShape.SizeHorCursor)
        self.setToolTip("Drag: another moment")
        strip.plot.scene().changed.connect(self._forget)
        strip.plot.installEventFilter(self)
        self.resize(strip.plot.size())
        self.show()
        self.raise_()

    def show_now(self, now: float | None, value: float | None, reads: str) -> None:
        """Put the line at a moment (s), with the value there; None: no line, or no value."""
        before = self._dirty()
        self._now, self._value, self._reads = now, value, reads
        self.update(before.united(self._dirty()))

    def remove(self) -> None:
        """Away with it; the strip paints itself again."""
        self.hide()
        self.deleteLater()

    def words(self) -> str:
        """What stands beside the line."""
        return "" if self._value is None else reading(self._value, self._reads)

    def line_x(self) -> float | None:
        """Where the line stands, in pixels; None where it is not in what is shown."""
        if self._now is None:
            return None
        left, right = self.strip.plot.getViewBox().viewRange()[0]
        if not left <= self._now <= right:
            return None
        return self.width() * (self._now - left) / max(right - left, 1e-15)

    def _dirty(self) -> QRect:
        x = self.line_x()
        if x is None:
            return QRect()
        room = QFontMetrics(self._look.font("small")).horizontalAdvance("-000.00 mV") + 3 * _GAP
        return QRect(int(x) - room, 0, 2 * room, self.height())

    def paintEvent(self, event: QPaintEvent) -> None:
        if self._picture is None:
            self._picture = self.strip.plot.viewport().grab()
        p = self._look.palette
        painter = QPainter(self)
        area = QRectF(event.rect())
        ratio = self._picture.devicePixelRatio()
        painter.drawPixmap(area, self._picture, QRectF(area.topLeft() * ratio, area.size() * ratio))
        x = self.line_x()
        if x is None:
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(p.ink, 1.5 * self._look.scale))
        painter.drawLine(QPointF(x, 0), QPointF(x, self.height()))
        if self._value is None:
            return
        low, high = self.strip.plot.getViewBox().viewRange()[1]
        y = self.height() * (high - self._value) / max(high - low, 1e-15)
        painter.setBrush(p.ink)
        dot = _DOT * self._look.scale
        painter.drawEllipse(QPointF(x, y), dot, dot)
        painter.setFont(self._look.font("small"))
        metrics = painter.fontMetrics()
        words = self.words()
        width, height = metrics.horizontalAdvance(words) + 2 * _GAP, metrics.height()
        left = x + _GAP if x + _GAP + width < self.width() else x - _GAP - width
        top = min(max(y - 1.3 * height, 0.0), self.height() - height)
        box = QRectF(left, top, width, height)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(p.paper)
        painter.drawRoundedRect(box, 3, 3)
        painter.setPen(p.ink)
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, words)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self._seek(event)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        self._seek(event)

    def wheelEvent(self, event: QWheelEvent) -> None:
        # zooming is the strip's
        self.strip.plot.wheelEvent(event)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self._seek(event)

    def _seek(self, event: QMouseEvent) -> None:
        left, right = self.strip.plot.getViewBox().viewRange()[0]
        share = min(max(event.position().x() / max(self.width(), 1), 0.0), 1.0)
        self.sought.emit(left + share * (right - left))

    def _forget(self, *_: object) -> None:
        self._picture = None
        self.update()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        if event.type() == QEvent.Type.Resize:
            self.resize(self.strip.plot.size())
            self._forget()
        return False

"""The now-line over one strip: where slow motion is, and what is read there.

A strip costs milliseconds to paint, so the pane keeps a picture of it and paints
only where the line and its words were and are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from PySide6.QtCore import QEvent, QObject, QPointF, QRect, QRectF, Qt, Signal
from PySide6.QtGui import QFontMetrics, QPainter, QPaintEvent, QPen, QRegion
from PySide6.QtWidgets import QWidget

from app.words import reading

if TYPE_CHECKING:
    from PySide6.QtGui import QMouseEvent, QPixmap, QWheelEvent

    from app.look import Look
    from app.scope.strip import Strip

_DOT = 3.5
_GAP = 6
# Less than a part of a pixel is not seen, and need not be painted.
_QUARTERS = 4


class _Drawn(NamedTuple):
    """Line, dot and words as they stand on a pane, pixels; y is None without a value."""

    x: float
    y: float | None
    box: QRectF
    words: str
    height: int
    dot: float


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
        self._drawn: _Drawn | None = None
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
        self._now, self._value, self._reads = now, value, reads
        before, self._drawn = self._drawn, self._place()
        if before != self._drawn:
            self.update(_touched(before).united(_touched(self._drawn)))

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

    def _place(self) -> _Drawn | None:
        """What is to be drawn now, to a quarter of a pixel; None where nothing is."""
        x = self.line_x()
        if x is None:
            return None
        x = round(x * _QUARTERS) / _QUARTERS
        if self._value is None:
            return _Drawn(x, None, QRectF(), "", self.height(), 0.0)
        low, high = self.strip.plot.getViewBox().viewRange()[1]
        y = self.height() * (high - self._value) / max(high - low, 1e-15)
        # far off it is off, however far
        y = round(min(max(y, -self.height()), 2.0 * self.height()) * _QUARTERS) / _QUARTERS
        words = self.words()
        metrics = QFontMetrics(self._look.font("small"))
        width, height = metrics.horizontalAdvance(words) + 2 * _GAP, metrics.height()
        left = x + _GAP if x + _GAP + width < self.width() else x - _GAP - width
        top = min(max(y - 1.3 * height, 0.0), self.height() - height)
        box = QRectF(left, top, width, height)
        return _Drawn(x, y, box, words, self.height(), _DOT * self._look.scale)

    def paintEvent(self, event: QPaintEvent) -> None:
        if self._picture is None:
            self._picture = self.strip.plot.viewport().grab()
            # the strip may show another stretch by now
            self._drawn = self._place()
        p = self._look.palette
        painter = QPainter(self)
        painter.drawPixmap(0, 0, self._picture)
        drawn = self._drawn
        if drawn is None:
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(p.ink, 1.5 * self._look.scale))
        painter.drawLine(QPointF(drawn.x, 0), QPointF(drawn.x, self.height()))
        if drawn.y is None:
            return
        painter.setBrush(p.ink)
        painter.drawEllipse(QPointF(drawn.x, drawn.y), drawn.dot, drawn.dot)
        painter.setFont(self._look.font("small"))
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(p.paper)
        painter.drawRoundedRect(drawn.box, 3, 3)
        painter.setPen(p.ink)
        painter.drawText(drawn.box, Qt.AlignmentFlag.AlignCenter, drawn.words)

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


def _touched(drawn: _Drawn | None) -> QRegion:
    """The pixels that it takes up, and no more of the strip."""
    if drawn is None:
        return QRegion()
    wide = 3 + int(drawn.dot / _DOT)
    region = QRegion(QRect(int(drawn.x) - wide, 0, 2 * wide, drawn.height))
    if drawn.y is not None:
        reach = drawn.dot + 2.0
        dot = QRectF(drawn.x - reach, drawn.y - reach, 2.0 * reach, 2.0 * reach)
        region += dot.toAlignedRect()
        region += drawn.box.adjusted(-1, -1, 1, 1).toAlignedRect()
    return region

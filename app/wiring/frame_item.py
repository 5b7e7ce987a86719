"""The frame under the parts: arms, plate, propeller discs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QPainter, QPainterPath, QPen
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem, QWidget

from app.wiring.frames import Frame

if TYPE_CHECKING:
    from app.look import Look


class FrameItem(QGraphicsItem):
    """Never touched by the mouse; painted once per zoom."""

    def __init__(self, frame: Frame, look: Look) -> None:
        super().__init__()
        self.setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)
        self.setAcceptedMouseButtons(Qt.MouseButton.NoButton)
        self.setZValue(-10.0)
        self.look = look
        self.frame = frame

    def set_frame(self, frame: Frame) -> None:
        """Show another outline."""
        if frame != self.frame:
            self.prepareGeometryChange()
            self.frame = frame
            self.update()

    @property
    def core(self) -> QRectF:
        """Plate and motors, without the propeller discs."""
        rect = QRectF(*self.frame.plate)
        for x, y in self.frame.motors:
            rect = rect.united(QRectF(x - 14, y - 14, 28, 28))
        return rect

    def boundingRect(self) -> QRectF:
        r = self.frame.propeller_mm + 2
        rect = self.core
        for x, y in self.frame.motors:
            rect = rect.united(QRectF(x - r, y - r, 2 * r, 2 * r))
        return rect

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        palette, frame = self.look.palette, self.frame
        if frame.propeller_mm:
            pen = QPen(palette.faint, 2.4 if frame.ducts else 1.0)
            pen.setCosmetic(True)
            if not frame.ducts:
                pen.setDashPattern([3.0, 5.0])
            painter.setPen(pen)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            for x, y in frame.motors:
                painter.drawEllipse(QPointF(x, y), frame.propeller_mm, frame.propeller_mm)
        outline = QPainterPath()
        outline.setFillRule(Qt.FillRule.WindingFill)
        outline.addRoundedRect(QRectF(*frame.plate), frame.radius, frame.radius)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(palette.deck)
        painter.drawPath(outline)
        arm = QPen(palette.deck, frame.arm_mm)
        arm.setCapStyle(Qt.PenCapStyle.RoundCap)
        painter.setPen(arm)
        for (x0, y0), (x1, y1) in zip(frame.roots, frame.motors, strict=True):
            painter.drawLine(QPointF(x0, y0), QPointF(x1, y1))

"""The frame under the parts: arms, plate, propeller discs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QPainter, QPainterPath, QPen, QTransform
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem, QWidget

from app.wiring.decks import shift_of
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

        self._spread = 0.0
        self._decks: tuple[str, ...] = ()

    def set_spread(self, spread: float, decks: set[str]) -> None:
        """Draw a plate for each upper deck that holds parts, so far apart."""
        self.prepareGeometryChange()
        self._spread = spread
        self._decks = tuple(d for d in ("upper", "top") if d in decks)
        self.update()

    def spread_rect(self) -> QRectF:
        """Where the plates of the upper decks are drawn."""
        rect = QRectF()
        for deck in self._decks:
            rect = rect.united(self._plate(deck))
        return rect

    def _plate(self, deck: str) -> QRectF:
        return QRectF(*self.frame.plate).translated(*shift_of(self.frame, deck, self._spread))

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
        # room for the name above a plate that is drawn aside
        return rect.united(self.spread_rect().adjusted(0, -30, 0, 2))

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
        if self._spread:
            self._paint_decks(painter)

    def _paint_decks(self, painter: QPainter) -> None:
        """Plates of the upper decks with their names, and dashed lines to where they belong."""
        palette = self.look.palette
        plate = QRectF(*self.frame.plate)
        for deck in self._decks:
            aside = self._plate(deck)
            pen = QPen(palette.muted, 1.0)
            pen.setCosmetic(True)
            pen.setDashPattern([2.0, 4.0])
            painter.setPen(pen)
            for a, b in (
                (plate.topLeft(), aside.topLeft()),
                (plate.bottomRight(), aside.bottomRight()),
            ):
                painter.drawLine(a, b)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(palette.deck)
            painter.drawRoundedRect(aside, self.frame.radius, self.frame.radius)
            at = painter.worldTransform().map(QPointF(aside.center().x(), aside.top()))
            painter.save()
            painter.setWorldTransform(QTransform())
            painter.setFont(self.look.font("name"))
            painter.setPen(palette.ink)
            box = QRectF(at.x() - 200, at.y() - 60, 400, 54)
            painter.drawText(
                box, Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignBottom, f"{deck} deck"
            )
            painter.restore()

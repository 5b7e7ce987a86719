"""Small rings on a part's pads, shown while it is hovered: a lead is pulled from them."""

from __future__ import annotations

from math import hypot
from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QPainter, QPen
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem, QWidget

if TYPE_CHECKING:
    from app.look import Look
    from app.wiring.part_item import PartItem

_Z = 45.0
_RADIUS_PX = 5.0
#: Beyond this distance from the middle a pad is its own handle; pads in the middle of a
#: part are where it is taken hold of, so their handle stands at its edge.
_OWN_MM = 3.5


class Handles(QGraphicsItem):
    """The pull handles of one part."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self.setAcceptedMouseButtons(Qt.MouseButton.NoButton)
        self.setZValue(_Z)
        self.look = look
        self._id = ""
        self._places: dict[str, QPointF] = {}
        self.setVisible(False)

    def show_for(self, item: PartItem | None) -> None:
        """Show those of a part; None hides them."""
        id_ = item.part.id if item is not None else ""
        if id_ == self._id:
            return
        self._id = id_
        self._place(item)

    def refresh(self, parts: dict[str, PartItem]) -> None:
        """The part may have moved or gone."""
        if self._id:
            self._place(parts.get(self._id))

    def _place(self, item: PartItem | None) -> None:
        self.prepareGeometryChange()
        self._places = {}
        if item is not None:
            body = item.scene_box
            for port, (dx, dy) in (item.facts.ports or {"": (0.0, 0.0)}).items():
                address = f"{item.part.id}.{port}" if port else item.part.id
                if hypot(dx, dy) > _OWN_MM:
                    self._places[address] = QPointF(*item.pad(port))
                else:
                    self._places[address] = QPointF(body.right(), body.center().y())
        self.setVisible(bool(self._places))

    def address_at(self, place: QPointF, slack_mm: float) -> str:
        """The address whose handle is at a place."""
        for address, at in self._places.items():
            if hypot(at.x() - place.x(), at.y() - place.y()) <= slack_mm:
                return address
        return ""

    def boundingRect(self) -> QRectF:
        rect = QRectF()
        for at in self._places.values():
            rect = rect.united(QRectF(at.x() - 20, at.y() - 20, 40, 40))
        return rect

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        palette = self.look.palette
        radius = _RADIUS_PX * self.look.scale / painter.worldTransform().m11()
        for at in self._places.values():
            pen = QPen(palette.ink, 1.4)
            pen.setCosmetic(True)
            painter.setPen(pen)
            painter.setBrush(palette.paper)
            painter.drawEllipse(at, radius, radius)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(palette.plus)
            painter.drawEllipse(at, radius * 0.4, radius * 0.4)

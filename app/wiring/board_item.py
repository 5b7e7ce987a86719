"""A 4-in-1 board: one outline and one name for the ESCs that are its outputs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QPainter, QPen
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem, QWidget

if TYPE_CHECKING:
    from app.look import Look
    from app.wiring.part_item import PartItem

#: Under the parts of the lower deck, over the leads.
_Z = 9.0
_EDGE_MM = 0.8
#: A joint this close to the outline is the board's own pads.
_PADS_MM = 7.0


class BoardItem(QGraphicsItem):
    """Drawn round its ESCs; it is taken hold of by them."""

    def __init__(self, name: str, look: Look) -> None:
        super().__init__()
        self.setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)
        self.setAcceptedMouseButtons(Qt.MouseButton.NoButton)
        self.setZValue(_Z)
        self.look = look
        self.name = name
        self.escs: tuple[PartItem, ...] = ()
        self.pads: tuple[PartItem, ...] = ()
        self.verdict = ""
        self.rect = QRectF()

    @property
    def ids(self) -> tuple[str, ...]:
        """Ids of all parts that belong to it."""
        return tuple(item.part.id for item in (*self.escs, *self.pads))

    def gather(self, escs: tuple[PartItem, ...], joints: list[PartItem]) -> None:
        """Take these ESCs, and the joints at the outline round them."""
        self.prepareGeometryChange()
        rect = QRectF()
        for item in escs:
            rect = rect.united(_square(item))
        near = rect.adjusted(-_PADS_MM, -_PADS_MM, _PADS_MM, _PADS_MM)
        self.pads = tuple(j for j in joints if near.contains(QPointF(*j.place)))
        for item in self.pads:
            w, d = item.facts.size_mm
            x, y = item.place
            rect = rect.united(QRectF(x - w / 2, y - d / 2, w, d))
        self.escs = escs
        self.rect = rect.adjusted(-_EDGE_MM, -_EDGE_MM, _EDGE_MM, _EDGE_MM)
        self.update()

    def boundingRect(self) -> QRectF:
        return self.rect.adjusted(-3, -3, 3, 3)

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        palette = self.look.palette
        colour = palette.verdict(self.verdict) if self.verdict in ("close", "over") else palette.ink
        pen = QPen(colour, 1.6 * self.look.scale)
        pen.setCosmetic(True)
        painter.setPen(pen)
        painter.setBrush(palette.card)
        painter.drawRoundedRect(self.rect, 2.0, 2.0)


def _square(item: PartItem) -> QRectF:
    """An output's quarter of the board, whichever way the output is turned."""
    side = max(item.facts.size_mm)
    x, y = item.place
    return QRectF(x - side / 2, y - side / 2, side, side)

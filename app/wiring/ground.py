"""While something is dragged, the frame and the leads that rest are one picture.

Every lead is an item with a picture of its own. Blending a hundred of them in each frame
costs more than the drag itself; copying one picture of them all costs next to nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QRectF
from PySide6.QtGui import QPainter, QPixmap
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem

if TYPE_CHECKING:
    from app.wiring.glass import Glass
    from app.wiring.lead_item import LeadItem

_NOTHING = QGraphicsItem.GraphicsItemFlag.ItemHasNoContents


class Ground:
    """What lies beneath the parts of a view and does not move."""

    def __init__(self, view: Glass) -> None:
        self._view = view
        self._picture: QPixmap | None = None
        self.resting: list[LeadItem] = []

    @property
    def laid(self) -> bool:
        """Whether the picture stands for its items now."""
        return self._picture is not None

    def lay(self) -> None:
        """Paint what rests into one picture, unless it is laid for just that."""
        scene = self._view.scene_
        resting = [lead for id_, lead in scene.leads.items() if id_ not in scene.moving]
        if self._picture is not None:
            if resting == self.resting:
                return
            self.lift()
        self.resting = resting
        self._picture = self._painted()
        for item in (scene.frame_item, *resting):
            item.setFlag(_NOTHING, True)

    def lift(self) -> None:
        """Let every item show itself again: what it shows has changed, or nothing moves."""
        if self._picture is None:
            return
        for item in (self._view.scene_.frame_item, *self.resting):
            item.setFlag(_NOTHING, False)
        self._picture, self.resting = None, []
        self._view.viewport().update()

    def paint(self, painter: QPainter, exposed: QRectF) -> None:
        """Paint the picture where `exposed`, in mm."""
        if self._picture is None:
            return
        ratio = self._picture.devicePixelRatio()
        area = painter.worldTransform().mapRect(exposed).toAlignedRect()
        painter.save()
        painter.resetTransform()
        of = QRectF(area.x() * ratio, area.y() * ratio, area.width() * ratio, area.height() * ratio)
        painter.drawPixmap(QRectF(area), self._picture, of)
        painter.restore()

    def _painted(self) -> QPixmap:
        view = self._view
        viewport = view.viewport()
        ratio = viewport.devicePixelRatioF()
        picture = QPixmap(viewport.size() * ratio)
        picture.setDevicePixelRatio(ratio)
        picture.fill(view.look.palette.paper)
        painter = QPainter(picture)
        option = QStyleOptionGraphicsItem()
        shown = sorted((i for i in self.resting if i.isVisible()), key=lambda i: i.zValue())
        for item in (view.scene_.frame_item, *shown):
            painter.setTransform(view.viewportTransform())
            item.paint(painter, option)
        painter.end()
        return picture

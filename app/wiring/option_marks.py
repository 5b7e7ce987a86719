"""On the canvas: what the present option has otherwise than the build as drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QPainter, QPen
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem, QWidget

from app.wiring.facts import facts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from app.look import Look
    from app.wiring.differences import Difference
    from app.wiring.scene import WiringScene
    from sim.build import Build

_OVER_PARTS_Z = 12.0
_ROOM_MM = 2.5
_DOT_PX = 5.0


class OptionMarks(QGraphicsItem):
    """Dashed outlines round what is changed or added, dotted ones where something is taken off."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._changed: list[QRectF] = []
        self._gone: list[QRectF] = []
        self._dots: list[QPointF] = []
        self._bounds = QRectF()
        self.setZValue(_OVER_PARTS_Z)
        self.setAcceptedMouseButtons(Qt.MouseButton.NoButton)

    def show_rows(self, rows: Sequence[Difference], scene: WiringScene, base: Build) -> None:
        """Mark these differences of the option that the scene shows."""
        self.prepareGeometryChange()
        self._changed, self._gone, self._dots = [], [], []
        for row in rows:
            item = scene.parts.get(row.id)
            part = base.part(row.id)
            if item is not None:
                self._changed.append(_grown(item.scene_box))
            elif row.id in scene.leads:
                self._dots.append(scene.middle_of(row.id))
            elif row.gone and part is not None and part.at is not None:
                width, depth = facts(part).size_mm
                x, y = part.at
                self._gone.append(QRectF(x - width / 2, y - depth / 2, width, depth))
        rects = [*self._changed, *self._gone]
        rects += [QRectF(p.x() - 4, p.y() - 4, 8, 8) for p in self._dots]
        self._bounds = QRectF()
        for rect in rects:
            self._bounds = self._bounds.united(rect.adjusted(-4, -4, 4, 4))
        self.update()

    def boundingRect(self) -> QRectF:
        return self._bounds

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        p = self._look.palette
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        for rects, pen in (
            (self._changed, QPen(p.line1, 1.6, Qt.PenStyle.DashLine)),
            (self._gone, QPen(p.muted, 1.4, Qt.PenStyle.DotLine)),
        ):
            pen.setCosmetic(True)
            painter.setPen(pen)
            for rect in rects:
                painter.drawRoundedRect(rect, 2.0, 2.0)
        pen = QPen(p.line1, 1.6)
        pen.setCosmetic(True)
        painter.setPen(pen)
        painter.setBrush(p.card)
        scale = max(painter.transform().m11(), 1e-6)
        for dot in self._dots:
            painter.drawEllipse(dot, _DOT_PX / scale, _DOT_PX / scale)


def _grown(rect: QRectF) -> QRectF:
    return rect.adjusted(-_ROOM_MM, -_ROOM_MM, _ROOM_MM, _ROOM_MM)

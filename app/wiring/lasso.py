"""A loop drawn round parts: what lies within is selected."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QPainterPath, QPen
from PySide6.QtWidgets import QGraphicsPathItem

from app.wiring.gestures import Gesture

if TYPE_CHECKING:
    from app.wiring.view import FrameView

_Z = 60.0


class Lasso(Gesture):
    """Drawn freely on bare frame. `add` keeps what was selected before."""

    def __init__(self, view: FrameView, start: QPointF, add: bool = False) -> None:
        super().__init__(view)
        self._kept = view.workbench.selection if add else ()
        self._points = [start]
        self._item = QGraphicsPathItem()
        self._item.setZValue(_Z)
        self._item.setAcceptedMouseButtons(Qt.MouseButton.NoButton)
        palette = view.look.palette
        pen = QPen(palette.selection, 1.4 * view.look.scale, Qt.PenStyle.DashLine)
        pen.setCosmetic(True)
        self._item.setPen(pen)
        fill = QColor(palette.selection)
        fill.setAlpha(18)
        self._item.setBrush(fill)
        view.scene_.addItem(self._item)

    def move(self, place: QPointF) -> None:
        self._points.append(place)
        self._item.setPath(self._path())
        self.view.workbench.select(self._within())

    def release(self, place: QPointF) -> None:
        self._points.append(place)
        self._clear()
        self.view.workbench.select(self._within())

    def cancel(self) -> None:
        self._clear()
        self.view.workbench.select(self._kept)

    def _path(self) -> QPainterPath:
        path = QPainterPath(self._points[0])
        for point in self._points[1:]:
            path.lineTo(point)
        path.closeSubpath()
        return path

    def _within(self) -> tuple[str, ...]:
        """What was kept, parts whose middle is within, and leads all of which is."""
        path, scene = self._path(), self.view.scene_
        parts = [i for i, item in scene.parts.items() if path.contains(item.pos())]
        leads = [
            i
            for i, item in scene.leads.items()
            if item.isVisible() and all(path.contains(QPointF(*p)) for p in item.course.points)
        ]
        return tuple(dict.fromkeys((*self._kept, *parts, *leads)))

    def _clear(self) -> None:
        if self._item.scene() is not None:
            self._item.scene().removeItem(self._item)

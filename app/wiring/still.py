"""While currents move over the frame, all that rests is two pictures: beneath them and above.

Asking every item of the scene in each frame costs more than the moving lines themselves, and
so does clipping them to many small areas. So a frame is composed whole, out of sight, and
only what has changed of it is copied to the screen.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, QSize, Qt, QTimer
from PySide6.QtGui import QColor, QPainter, QPixmap, QRegion
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem

if TYPE_CHECKING:
    from PySide6.QtGui import QPaintEvent

    from app.wiring.glass import Glass

#: What changes by hand or by an answer is drawn the plain way until it has rested so long.
_QUIET_MS = 120


class Still(QObject):
    """What is beneath and above one layer of a view that changes in every frame.

    The layer asks for new pixels here and never of the scene: whatever the scene then says
    has changed is something else, and both pictures are made anew. It ends with the view: a
    scene may live on, and what it says then is heard by nobody.
    """

    def __init__(self, view: Glass, layer: QGraphicsItem) -> None:
        super().__init__(view)
        self._view = view
        self._layer = layer
        self._on = False
        self._pictures: tuple[QPixmap, QPixmap] | None = None
        self._composed: QPixmap | None = None
        self._words = -1
        self._timer = QTimer(view, singleShot=True, interval=_QUIET_MS)
        self._timer.timeout.connect(self._make)
        view.looked.connect(self.forget)

    @property
    def laid(self) -> bool:
        """Whether the pictures stand for the scene now."""
        return self._pictures is not None

    def set_on(self, on: bool) -> None:
        """Whether the layer moves at all: only then pictures are kept."""
        if on == self._on:
            return
        self._on = on
        if on:
            self._view.still = self
            self._view.scene_.changed.connect(self.forget)
            self.forget()
        else:
            self._view.still = None
            self._view.scene_.changed.disconnect(self.forget)
            self._timer.stop()
            self._pictures = self._composed = None
            self._view.viewport().update()

    def forget(self, *_: object) -> None:
        """Something that rested has changed."""
        if not self._on:
            return
        if self._pictures is not None:
            self._pictures = self._composed = None
            self._view.viewport().update()
        self._timer.start()

    def show(self, region: QRegion) -> None:
        """The layer looks otherwise in a region of the view, pixels."""
        if self._current():
            self._compose()
        self._view.viewport().update(region)

    def paint(self, event: QPaintEvent) -> bool:
        """Paint the view out of the pictures; False where the scene has to."""
        if not self._current() or self._composed is None:
            return False
        painter = QPainter(self._view.viewport())
        painter.drawPixmap(0, 0, self._composed)
        return True

    def _current(self) -> bool:
        """Whether there are pictures of just this; words are not told of by the scene."""
        if self._pictures is None:
            return False
        same_words = self._words == self._view.scene_.labels.version
        if not same_words or self._pictures[0].size() != self._size():
            self.forget()
            return False
        return True

    def _size(self) -> QSize:
        viewport = self._view.viewport()
        return viewport.size() * viewport.devicePixelRatioF()

    def _make(self) -> None:
        view, option = self._view, QStyleOptionGraphicsItem()
        if not view.isVisible():
            return
        items = view.scene_.items(Qt.SortOrder.AscendingOrder)
        split = items.index(self._layer)
        self._pictures = (
            self._painted(items[:split], view.look.palette.paper, option),
            self._painted(items[split + 1 :], QColor(0, 0, 0, 0), option),
        )
        self._words = view.scene_.labels.version
        self._compose()
        view.viewport().update()

    def _blank(self, colour: QColor) -> QPixmap:
        picture = QPixmap(self._size())
        picture.setDevicePixelRatio(self._view.viewport().devicePixelRatioF())
        picture.fill(colour)
        return picture

    def _painted(
        self, items: list[QGraphicsItem], colour: QColor, option: QStyleOptionGraphicsItem
    ) -> QPixmap:
        picture = self._blank(colour)
        painter = QPainter(picture)
        onto = self._view.viewportTransform()
        for item in items:
            if not item.isVisible() or item.flags() & item.GraphicsItemFlag.ItemHasNoContents:
                continue
            painter.save()
            painter.setTransform(item.deviceTransform(onto))
            painter.setOpacity(item.effectiveOpacity())
            item.paint(painter, option)
            painter.restore()
        painter.end()
        return picture

    def _compose(self) -> None:
        """Beneath, the layer, above."""
        assert self._pictures is not None
        if self._composed is None:
            self._composed = self._blank(self._view.look.palette.paper)
        painter = QPainter(self._composed)
        painter.setCompositionMode(QPainter.CompositionMode.CompositionMode_Source)
        painter.drawPixmap(0, 0, self._pictures[0])
        painter.setCompositionMode(QPainter.CompositionMode.CompositionMode_SourceOver)
        painter.setTransform(self._view.viewportTransform())
        self._layer.paint(painter, QStyleOptionGraphicsItem())
        painter.resetTransform()
        painter.drawPixmap(0, 0, self._pictures[1])
        painter.end()

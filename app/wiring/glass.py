"""The glass over the paper: fitting, zooming about a place, panning."""

from __future__ import annotations

from PySide6.QtCore import QPoint, QPointF, QRect, QRectF, Qt, Signal
from PySide6.QtGui import QPainter, QPaintEvent, QPixmapCache, QResizeEvent, QShowEvent, QTransform
from PySide6.QtWidgets import QFrame, QGraphicsView, QWidget

from app.look import Look
from app.wiring.ground import Ground
from app.wiring.scene import WiringScene
from app.wiring.still import Still

_LEAST_ZOOM, _MOST_ZOOM = 0.4, 24.0
#: Room around the frame in pixels when it is fitted: words stand left and right of it.
_FIT_MARGINS = (128, 62, 128, 46)
#: However large the words are, the frame keeps the greater part of the room.
_MOST_MARGIN = 0.18
#: For a room, whose words are few: a line at the top, and names left and right.
_ROOM_MARGINS = (150, 50, 150, 14)
_CACHE_KB = 49152


class Glass(QGraphicsView):
    """A view on a `WiringScene` that can be moved and zoomed; knows nothing of editing.

    Signals
    -------
    looked : the glass was moved or zoomed, so words may want other places
    """

    looked = Signal()

    def __init__(self, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.look = look
        self.scene_ = WiringScene(look)
        self.ground = Ground(self)
        self.looked.connect(self.ground.lift)
        #: Pictures of all that rests, while a layer moves over it.
        self.still: Still | None = None
        self._fitted = True
        #: Only where the supply runs is fitted, for those far away.
        self._close = False
        self.setScene(self.scene_)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.set_moving(False)
        self.setTransformationAnchor(QGraphicsView.ViewportAnchor.NoAnchor)
        self.setResizeAnchor(QGraphicsView.ViewportAnchor.NoAnchor)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setSceneRect(-1500.0, -1500.0, 3000.0, 3000.0)
        # Item caches live in Qt's one pixmap cache; its 10 MB hold too few leads of a large build.
        QPixmapCache.setCacheLimit(max(QPixmapCache.cacheLimit(), _CACHE_KB))

    def set_moving(self, moving: bool) -> None:
        """Show the scene while something of it is dragged, or at rest; after it was synced.

        While leads move what is painted anew is one area: clipping to many costs more.
        Where only values are dragged it is a few words far from each other.
        """
        modes = QGraphicsView.ViewportUpdateMode
        one_area = moving and bool(self.scene_.moving)
        mode = modes.BoundingRectViewportUpdate if one_area else modes.SmartViewportUpdate
        if mode != self.viewportUpdateMode():
            self.setViewportUpdateMode(mode)
        if moving:
            self.ground.lay()
        else:
            self.ground.lift()

    def paintEvent(self, event: QPaintEvent) -> None:
        if self.still is None or not self.still.paint(event):
            super().paintEvent(event)

    def drawBackground(self, painter: QPainter, rect: QRectF | QRect) -> None:
        if self.ground.laid:
            self.ground.paint(painter, QRectF(rect))
        else:
            super().drawBackground(painter, rect)

    def fit(self) -> None:
        """Show the whole frame with room for the words beside it."""
        self._fitted = True
        content = self.scene_.wired() if self._close else self.scene_.content()
        view_w, view_h = self.viewport().width(), self.viewport().height()
        most = (_MOST_MARGIN * view_w, _MOST_MARGIN * view_h) * 2
        left, top, right, bottom = (
            round(min(m * self.look.scale, limit))
            for m, limit in zip(_FIT_MARGINS, most, strict=True)
        )
        if self._close:
            left, top, right, bottom = _ROOM_MARGINS
        width, height = max(60, view_w - left - right), max(60, view_h - top - bottom)
        self._zoom_to(min(width / content.width(), height / content.height(), 6.0))
        middle = self.viewportTransform().map(content.center())
        want = QPointF(left + width / 2, top + height / 2)
        self.scroll_by((middle - want).toPoint())

    def scroll_by(self, pixels: QPoint) -> None:
        """Move the glass over the paper."""
        bars = (self.horizontalScrollBar(), self.verticalScrollBar())
        bars[0].setValue(bars[0].value() + pixels.x())
        bars[1].setValue(bars[1].value() + pixels.y())
        self.looked.emit()

    def zoom_by(self, factor: float, at: QPointF) -> None:
        """Zoom about a place in view pixels, which stays where it is."""
        self._fitted = False
        place = self.viewportTransform().inverted()[0].map(at)
        self._zoom_to(self.scene_.zoom * factor)
        self.scroll_by((self.viewportTransform().map(place) - at).toPoint())

    def zoom_middle(self, factor: float) -> None:
        """Zoom about the middle of what is seen."""
        self.zoom_by(factor, QPointF(self.viewport().rect().center()))

    def _zoom_to(self, zoom: float) -> None:
        zoom = min(_MOST_ZOOM, max(_LEAST_ZOOM, zoom))
        self.setTransform(QTransform.fromScale(zoom, zoom))
        self.scene_.set_zoom(zoom)
        self.looked.emit()

    def visible_mm(self) -> QRectF:
        """What is in sight, in mm."""
        return self.mapToScene(self.viewport().rect()).boundingRect()

    def from_global(self, at: QPoint) -> QPointF:
        """A place of the screen in mm."""
        return self.mapToScene(self.viewport().mapFromGlobal(at))

    def ensure_seen(self, id_: str) -> None:
        """Pan so far that a part or lead is in view."""
        p = self.mapFromScene(self.scene_.middle_of(id_))
        inner = self.viewport().rect().adjusted(40, 40, -40, -40)
        dx = min(0, p.x() - inner.left()) + max(0, p.x() - inner.right())
        dy = min(0, p.y() - inner.top()) + max(0, p.y() - inner.bottom())
        if dx or dy:
            self.scroll_by(QPoint(dx, dy))

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.ground.lift()
        if self._fitted:
            self.fit()

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        if self._fitted:
            self.fit()

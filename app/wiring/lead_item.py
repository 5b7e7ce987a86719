"""A lead on the canvas: red and black side by side, as long as it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPainterPathStroker, QPen
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem, QWidget

from app.wiring.geometry import Course, Point, beside, course, length, nearest

if TYPE_CHECKING:
    from app.look import Look
    from sim.build import Lead

_UNDER_PARTS_Z = 2.0
_RAISED_Z = 30.0
#: Insulation makes a lead about this much thicker than its copper (common practice).
_INSULATION = 1.35


class LeadItem(QGraphicsItem):
    """Draws one lead between two pads; the scene says where those are."""

    def __init__(self, lead: Lead, look: Look) -> None:
        super().__init__()
        self.setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)
        self.setZValue(_UNDER_PARTS_Z)
        self.look = look
        self.lead = lead
        self.hovered = False
        self.chosen = False
        self.ghost = False
        self.marked = False
        self.phases = False
        self.course = Course(((0.0, 0.0), (1.0, 0.0)), 0.0, 0)
        self._way: list[Point] = []
        self._lines: list[tuple[QPainterPath, str]] = []
        self._width = 1.0
        self._bounds = QRectF()
        self._shape = QPainterPath()

    def lay(
        self,
        lead: Lead,
        way: list[Point],
        *,
        length_mm: float | None,
        copper_mm: float | None,
        spacing_mm: float | None,
        zoom: float,
    ) -> None:
        """Run the lead along `way`; what is not given is drawn as a thin close pair."""
        self.prepareGeometryChange()
        self.lead = lead
        self._way = way
        width = max((copper_mm or 0.5) * _INSULATION, 1.8 / zoom)
        gap = max(spacing_mm or 0.0, width + 1.6 / zoom)
        self._width = width
        self.course = course(way, length_mm, max(1.4 * gap, 5.0 / zoom))
        self._lines = []
        if self.phases:
            offsets = [(-gap, "phase"), (0.0, "phase"), (gap, "phase")]
        elif lead.conductor == "pair":
            offsets = [(gap / 2, "plus"), (-gap / 2, "minus")]
        else:
            offsets = [(0.0, lead.conductor)]
        whole = QPainterPath()
        for offset, name in offsets:
            path = _path(beside(self.course.points, offset))
            self._lines.append((path, name))
            whole.addPath(path)
        stroker = QPainterPathStroker()
        stroker.setWidth(max(2 * gap + width, 8.0 / zoom))
        self._shape = stroker.createStroke(_path(list(self.course.points)))
        margin = gap + width + 6.0 / zoom
        self._bounds = whole.boundingRect().adjusted(-margin, -margin, margin, margin)
        self.update()

    def way_mm(self) -> float:
        """Length of the way from pad to pad, without slack."""
        return length(self._way)

    def raise_up(self) -> None:
        """Above the parts while it is looked at, else under them."""
        self.setZValue(_RAISED_Z if self.chosen or self.ghost else _UNDER_PARTS_Z)
        self.update()

    def distance(self, place: Point) -> tuple[float, float]:
        """Distance in mm to the lead, and how far along it that is."""
        return nearest(self.course.points, place)

    def minus_side(self, at_start: bool) -> Point:
        """Unit vector from the middle of the lead to its minus conductor at one end."""
        points = self.course.points
        a, b = (points[0], points[1]) if at_start else (points[-2], points[-1])
        dx, dy = b[0] - a[0], b[1] - a[1]
        size = (dx * dx + dy * dy) ** 0.5 or 1.0
        return (dy / size, -dx / size)

    def boundingRect(self) -> QRectF:
        return self._bounds

    def shape(self) -> QPainterPath:
        return self._shape

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        palette = self.look.palette
        if self.chosen or self.hovered or self.marked:
            colour = QColor(palette.over if self.marked else palette.selection)
            colour.setAlpha(255 if self.chosen else 70)
            glow = QPen(colour, 1.4 if self.chosen else 1.0)
            glow.setCosmetic(True)
            painter.setPen(glow)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawPath(self._shape.simplified())
        for path, name in self._lines:
            colour = {"plus": palette.plus, "minus": palette.minus}.get(name, palette.muted)
            width = self._width * (0.7 if name == "phase" else 1.0)
            pen = QPen(colour, width)
            pen.setCapStyle(Qt.PenCapStyle.FlatCap)
            pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
            if self.ghost:
                pen.setStyle(Qt.PenStyle.DashLine)
            painter.strokePath(path, pen)


def _path(points: list[Point]) -> QPainterPath:
    path = QPainterPath(QPointF(*points[0]))
    for x, y in points[1:]:
        path.lineTo(x, y)
    return path

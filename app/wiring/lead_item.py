"""A lead on the canvas: red and black side by side, as long as it is."""

from __future__ import annotations

from math import hypot
from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QPainter, QPainterPath, QPainterPathStroker, QPen
from PySide6.QtWidgets import (
    QGraphicsItem,
    QGraphicsRectItem,
    QStyleOptionGraphicsItem,
    QWidget,
)

from app.wiring.geometry import Course, Point, beside, course, length, nearest, twisted

if TYPE_CHECKING:
    from app.look import Look
    from sim.build import Lead

_UNDER_PARTS_Z = 2.0
#: Above other leads, still under the parts and their words.
_RAISED_Z = 5.0
#: Insulation makes a lead about this much thicker than its copper (common practice).
_INSULATION = 1.35
#: A twist is drawn with turns of so many pixels at least, and no more turns than this.
_TURN_PX = 10.0
_MOST_TURNS = 60


class LeadItem(QGraphicsRectItem):
    """Draws one lead between two pads; the scene says where those are.

    Its bounds are Qt's own rectangle, as a part's.
    """

    def __init__(self, lead: Lead, look: Look) -> None:
        super().__init__()
        self.setPen(Qt.PenStyle.NoPen)
        self.setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)
        self.setZValue(_UNDER_PARTS_Z)
        self.look = look
        self.lead = lead
        self.hovered = False
        self.chosen = False
        self.ghost = False
        self.marked = False
        self.phases = False
        #: Which end gets a plus and a minus: "from", "to" or "".
        self.signed = ""
        self.course = Course(((0.0, 0.0), (1.0, 0.0)), 0.0, 0)
        self._way: list[Point] = []
        self._lines: list[tuple[QPainterPath, str]] = []
        self._middle = QPainterPath()
        self.width_mm, self._gap, self._zoom = 1.0, 1.0, 2.0

    def lay(
        self,
        lead: Lead,
        way: list[Point],
        *,
        length_mm: float | None,
        copper_mm: float | None,
        spacing_mm: float | None,
        twist_mm: float | None = None,
        zoom: float,
        hidden_mm: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        """Run the lead along `way`; what is not given is drawn as a thin close pair."""
        self.lead = lead
        self._way = way
        width = max((copper_mm or 0.5) * _INSULATION, 1.8 / zoom)
        gap = max(spacing_mm or 0.0, width + 1.6 / zoom)
        self.width_mm, self._gap, self._zoom = width, gap, zoom
        self.course = course(way, length_mm, max(0.8 * gap, 5.0 / zoom), gap, hidden_mm)
        self._lines = []
        if self.phases:
            offsets = [(-gap, "phase"), (0.0, "phase"), (gap, "phase")]
        elif lead.conductor == "pair":
            offsets = [(gap / 2, "plus"), (-gap / 2, "minus")]
        else:
            offsets = [(0.0, lead.conductor)]
        whole = QPainterPath()
        for offset, name in offsets:
            if twist_mm is not None and name in ("plus", "minus") and len(offsets) == 2:
                path = _path(twisted(self.course.points, offset, self._turn(twist_mm)))
            else:
                tight = offset / gap * (width + 0.9 / zoom) if gap else 0.0
                path = _path(beside(self.course.points, offset, self.course.coiled, tight))
            self._lines.append((path, name))
            whole.addPath(path)
        self._middle = _path(list(self.course.points))
        margin = gap + width + (16.0 if self.signed else 6.0) * self.look.scale / zoom
        self.setRect(whole.boundingRect().adjusted(-margin, -margin, margin, margin))
        self.update()

    def _turn(self, twist_mm: float) -> float:
        """Length of a turn as drawn: the real one, but of whole turns that can be seen."""
        least = max(_TURN_PX, 3.0 * self.width_mm * self._zoom) / self._zoom
        total = length(list(self.course.points))
        # Whole turns: plus and minus leave on the sides they came in on.
        turns = max(1, min(round(total / max(twist_mm, least)), _MOST_TURNS))
        return max(total, 1e-6) / turns

    def set_moving(self, moving: bool) -> None:
        """While it is laid anew in every frame a picture of it is not worth keeping."""
        mode = QGraphicsItem.CacheMode
        self.setCacheMode(mode.NoCache if moving else mode.DeviceCoordinateCache)

    def conductors(self) -> list[tuple[QPainterPath, str]]:
        """Course of each conductor from the lead's `from` to its `to`, and which it is."""
        return self._lines

    def way_mm(self) -> float:
        """Length of the way from pad to pad, without slack."""
        return length(self._way)

    def raise_up(self) -> None:
        """Above the other leads while it is looked at."""
        self.setZValue(_RAISED_Z if self.chosen else _UNDER_PARTS_Z)
        self.update()

    @property
    def pair_mm(self) -> float:
        """Width of all conductors together."""
        spread = {0: 0.0, 1: 0.0, 2: self._gap, 3: 2 * self._gap}[len(self._lines)]
        return spread + self.width_mm

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

    def shape(self) -> QPainterPath:
        """Worked out only when asked: the scene finds leads by `distance`."""
        stroker = QPainterPathStroker()
        stroker.setWidth(self.pair_mm)
        return stroker.createStroke(self._middle)

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        palette = self.look.palette
        if self.chosen or self.hovered or self.marked:
            self._paint_casing(painter)
        for path, name in self._lines:
            colour = {"plus": palette.plus, "minus": palette.minus}.get(name, palette.muted)
            width = self.width_mm * (0.7 if name == "phase" else 1.0)
            pen = QPen(colour, width)
            pen.setCapStyle(Qt.PenCapStyle.FlatCap)
            pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
            if self.ghost:
                pen.setStyle(Qt.PenStyle.DashLine)
            painter.strokePath(path, pen)
        self._paint_signs(painter)

    def _paint_casing(self, painter: QPainter) -> None:
        """An outline round both conductors: a wide stroke with a narrower one on it."""
        palette = self.look.palette
        pixel = 1.0 / painter.worldTransform().m11()
        edge = palette.over if self.marked else palette.selection
        if not (self.chosen or self.marked):
            edge = palette.muted
        width = self.pair_mm + 6.0 * pixel
        line = (1.8 if self.chosen or self.marked else 1.0) * self.look.scale * pixel
        for colour, wide in ((edge, width + 2 * line), (palette.card, width)):
            pen = QPen(colour, wide)
            pen.setCapStyle(Qt.PenCapStyle.RoundCap)
            pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
            painter.strokePath(self._middle, pen)

    def signs(self) -> list[Point]:
        """Middles of the minus and the plus sign near the source; none where there is no room."""
        if not self.signed or len(self._lines) != 2:
            return []
        at, towards = self._way[0], self._way[1]
        if self.signed == "to":
            at, towards = self._way[-1], self._way[-2]
        dx, dy = towards[0] - at[0], towards[1] - at[1]
        size = hypot(dx, dy)
        if size * self._zoom < 24:
            return []
        x, y = at[0] + dx / size * 12 / self._zoom, at[1] + dy / size * 12 / self._zoom
        mx, my = self.minus_side(self.signed == "from")
        out = self._gap / 2 + self.width_mm / 2 + 8.0 / self._zoom
        return [(x + mx * out, y + my * out), (x - mx * out, y - my * out)]

    def _paint_signs(self, painter: QPainter) -> None:
        """A plus and a minus outside of the conductors."""
        palette = self.look.palette
        half = 4.0 * self.look.scale / self._zoom
        for place, colour, plus in zip(
            self.signs(), (palette.ink, palette.plus), (False, True), strict=False
        ):
            cx, cy = place
            pen = QPen(colour, 1.8 * self.look.scale)
            pen.setCosmetic(True)
            painter.setPen(pen)
            painter.drawLine(QPointF(cx - half, cy), QPointF(cx + half, cy))
            if plus:
                painter.drawLine(QPointF(cx, cy - half), QPointF(cx, cy + half))


def _path(points: list[Point]) -> QPainterPath:
    path = QPainterPath(QPointF(*points[0]))
    for x, y in points[1:]:
        path.lineTo(x, y)
    return path

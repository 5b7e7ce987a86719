"""A part on the canvas: its outline to scale, its symbol, and its name where that fits."""

from __future__ import annotations

from math import cos, radians, sin
from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import (
    QBrush,
    QColor,
    QFontMetricsF,
    QPainter,
    QPainterPath,
    QPainterPathStroker,
    QPen,
    QTransform,
)
from PySide6.QtWidgets import (
    QGraphicsItem,
    QGraphicsRectItem,
    QStyleOptionGraphicsItem,
    QWidget,
)

from app.wiring.facts import CANS, CAPACITORS, ROUND, SOURCES, Facts, Figure
from app.wiring.geometry import Point, turned
from app.wiring.symbols import has_symbol, symbol

if TYPE_CHECKING:
    from app.look import Look
    from sim.build import Part

_DECK_Z = {"lower": 10.0, "upper": 12.0, "top": 14.0}
#: Lines are drawn in pixels whatever the zoom, so the outline needs this much room in mm.
_MARGIN_MM = 3.0
#: A distribution board, where many leads meet: 30 by 30 mm is a usual hole pattern.
HUB_MM = (30.0, 30.0)
_LINE = 1.6


class PartItem(QGraphicsRectItem):
    """Draws one part. Moves and meaning come from the scene; the item only shows.

    Its bounds are Qt's own rectangle: asked for hundreds of times a frame, they must not
    be worked out here each time.
    """

    def __init__(self, part: Part, facts: Facts, look: Look) -> None:
        super().__init__()
        self.setPen(Qt.PenStyle.NoPen)
        # Moved by its pixmap while it is dragged; painted again only when it changes.
        self.setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)
        self.look = look
        self.hovered = False
        self.chosen = False
        self.ghost = False
        self.marked = False
        self.figure: Figure | None = None
        self.minus_towards: float | None = None
        self.on_board = False
        self.hub = False
        self.see_through = False
        self.loaded = False
        #: It stands in another part, or is too high for where it is.
        self.crowded = False
        self.inside: tuple[str, str] = ("", "")
        self._scene_box: QRectF | None = None
        self._drawn: tuple[object, ...] = ()
        self._fitted: tuple[tuple[object, ...], tuple[str, str]] | None = None
        #: Drawn this far from its place while decks are spread, mm.
        self.shift: Point = (0.0, 0.0)
        self.set_part(part, facts)

    def set_part(self, part: Part, facts: Facts) -> None:
        """Take over a changed part."""
        otherwise = self._drawn_of(part, facts)
        if otherwise != self._drawn:
            self._drawn = otherwise
            self.update()
        self.part = part
        self.facts = facts
        width, depth = self.size_mm
        m = _MARGIN_MM
        #: Outline before turning.
        self.body = QRectF(-width / 2, -depth / 2, width, depth)
        self.setRect(self.body.adjusted(-m, -m, m, m))
        self._set_pos()
        if part.turn != self.rotation():  # Qt paints it anew even where that is no turn
            self.setRotation(part.turn)
        small = min(self.size_mm) / 1000.0
        self.setZValue(_DECK_Z.get(part.deck, 10.0) + (0.9 - small))

    def _drawn_of(self, part: Part, facts: Facts) -> tuple[object, ...]:
        """What of a part its picture is of: values that are only reckoned with change nothing."""
        return part.kind, part.turn, self.hub, facts.size_mm, facts.ports, facts.short

    def set_shift(self, shift: Point) -> None:
        """Draw it aside from its place."""
        if shift != self.shift:
            self.shift = shift
            self._set_pos()

    def _set_pos(self) -> None:
        x, y = self.place
        #: Where it is drawn.
        self.middle = (x + self.shift[0], y + self.shift[1])
        self.setPos(*self.middle)
        self._scene_box = None

    # Geometry, in mm

    @property
    def place(self) -> Point:
        """Where the part is, whatever it is drawn at."""
        return self.part.at or (0.0, 0.0)

    @property
    def size_mm(self) -> Point:
        """Width and depth before turning; a joint that many leads meet on is a board."""
        return HUB_MM if self.hub else self.facts.size_mm

    @property
    def scene_box(self) -> QRectF:
        """What it covers where it is drawn, upright; worked out once per change."""
        if self._scene_box is None:
            self._scene_box = self.mapRectToScene(self.body)
        return self._scene_box

    def shape(self) -> QPainterPath:
        path = QPainterPath()
        if self.part.kind in ROUND:
            path.addEllipse(self.body)
        elif self.see_through:
            # Only its edge can be taken hold of: what lies beneath stays in reach.
            path.addRect(self.body)
            stroker = QPainterPathStroker()
            stroker.setWidth(3.0)
            return stroker.createStroke(path)
        else:
            path.addRect(self.body)
        return path

    def pad(self, port: str = "") -> Point:
        """Where the pads of a port are, in scene mm; the first port if none is named."""
        offsets = self.facts.ports
        offset = offsets.get(port) or next(iter(offsets.values()), (0.0, 0.0))
        dx, dy = turned(offset, self.part.turn)
        return (self.pos().x() + dx, self.pos().y() + dy)

    # Painting

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        palette = self.look.palette
        pen = QPen(self._outline(), self._width())
        pen.setCosmetic(True)
        if self.ghost or self.see_through:
            pen.setStyle(Qt.PenStyle.DashLine)
        elif self.crowded:
            pen.setStyle(Qt.PenStyle.DashDotLine)
        painter.setPen(pen)
        card = QColor(palette.card)
        if self.ghost:
            card.setAlpha(150)
        painter.setBrush(QBrush(card))
        kind = self.part.kind
        if self.on_board:
            self._paint_output(painter)
        elif self.see_through:
            self._paint_see_through(painter)
        elif kind in CANS:
            self._paint_can(painter)
        elif kind == "ceramic":
            self._paint_chip(painter)
        elif kind == "motor":
            painter.drawEllipse(self.body)
            self._upright(painter, self.body.center(), "M", "figure")
        elif kind == "joint" and not self.hub:
            self._paint_pads(painter)
        else:
            radius = 3.5 if kind in SOURCES else 1.6
            painter.drawRoundedRect(self.body, radius, radius)
            self._paint_inside(painter)

    def _paint_output(self, painter: QPainter) -> None:
        """One output of a board: its symbol, and an outline only while it is looked at."""
        if self.chosen or self.hovered or self.marked:
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRoundedRect(self.body.adjusted(1.5, 1.5, -1.5, -1.5), 1.6, 1.6)
        self._paint_symbol(painter, 0.5)

    def _paint_see_through(self, painter: QPainter) -> None:
        """A part on an upper deck: a dashed outline, so that what is beneath can be seen."""
        painter.setBrush(Qt.BrushStyle.NoBrush)
        if not (self.chosen or self.hovered or self.marked):
            pen = painter.pen()
            pen.setColor(self.look.palette.muted)
            pen.setWidthF(1.0 * self.look.scale)
            painter.setPen(pen)
        painter.drawRoundedRect(self.body, 1.6, 1.6)
        painter.setPen(QPen(self.look.palette.ink, 0.0))
        for dx, dy in self.facts.ports.values():
            self._paint_pad_pair(painter, QRectF(dx - 3.0, dy - 2.2, 6.0, 4.4))

    def _paint_chip(self, painter: QPainter) -> None:
        """A ceramic as it lies on a board: a brick between two metal ends."""
        body = self.body
        palette = self.look.palette
        pen = painter.pen()
        pen.setWidthF(min(pen.widthF(), 1.2 * self.look.scale) if not self.chosen else 2.0)
        painter.setPen(pen)
        painter.drawRect(body)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(palette.ink)
        end = body.width() * 0.24
        painter.drawRect(QRectF(body.left(), body.top(), end, body.height()))
        painter.drawRect(QRectF(body.right() - end, body.top(), end, body.height()))

    def _outline(self) -> QColor:
        palette = self.look.palette
        if self.marked or self.crowded:
            return palette.over
        if self.figure is not None and self.figure.verdict in ("close", "over"):
            return palette.verdict(self.figure.verdict)
        return palette.selection if self.chosen else palette.ink

    def _width(self) -> float:
        base = _LINE * self.look.scale
        return base + 1.6 if self.chosen else base + 0.8 if self.hovered or self.marked else base

    def _paint_can(self, painter: QPainter) -> None:
        """A can from above: the stripe on the sleeve is minus."""
        palette = self.look.palette
        body = self.body
        painter.drawEllipse(body)
        away = self.minus_towards if self.minus_towards is not None else 90.0
        away -= self.part.turn
        r = body.width() / 2
        stripe = QPainterPath()
        half = 62.0
        stripe.arcMoveTo(body, -(away - half))
        stripe.arcTo(body, -(away - half), -2 * half)
        stripe.closeSubpath()
        painter.save()
        fill = QColor(palette.minus)
        if self.ghost:
            fill.setAlpha(120)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(fill)
        painter.drawPath(stripe)
        painter.restore()
        zoom = painter.worldTransform().m11() ** 2 + painter.worldTransform().m12() ** 2
        pixels = 2 * r * zoom**0.5
        if pixels < 13:
            return
        a = radians(away)
        at_minus = QPointF(cos(a), sin(a)) * (r * 0.74)
        if pixels >= 24:
            self._sign(painter, at_minus, "-", palette.card, min(0.1 * pixels, 5.0))
        at_plus = QPointF(cos(a), sin(a)) * (-r * 0.36)
        self._sign(painter, at_plus, "+", palette.ink, min(0.15 * pixels, 6.0))

    def _sign(
        self, painter: QPainter, place: QPointF, sign: str, colour: QColor, half: float
    ) -> None:
        """A plus or minus of `half` pixels each way, upright whatever the turn."""
        device = painter.worldTransform().map(place)
        painter.save()
        painter.setWorldTransform(QTransform())
        painter.setPen(QPen(colour, max(1.4, half * 0.42)))
        painter.drawLine(device - QPointF(half, 0), device + QPointF(half, 0))
        if sign == "+":
            painter.drawLine(device - QPointF(0, half), device + QPointF(0, half))
        painter.restore()

    def _paint_pads(self, painter: QPainter) -> None:
        """A small joint: one plus and one minus pad."""
        self._paint_pad_pair(painter, self.body)

    def _paint_pad_pair(self, painter: QPainter, box: QRectF) -> None:
        palette = self.look.palette
        painter.setBrush(palette.card)
        painter.drawRoundedRect(box, 0.8, 0.8)
        d = min(box.width(), box.height()) * 0.3
        middle = box.center()
        painter.setPen(Qt.PenStyle.NoPen)
        for x, colour in ((-d * 0.8, palette.plus), (d * 0.8, palette.minus)):
            painter.setBrush(colour)
            painter.drawRect(QRectF(middle.x() + x - d / 2, middle.y() - d, d, 2 * d))

    def _paint_inside(self, painter: QPainter) -> None:
        """Symbol, and name and figure where the layout said that they fit."""
        name, figure = self.inside
        box = self._upright_box()
        zoom = _zoom(painter)
        width, height = box.width() * zoom, box.height() * zoom
        kind = self.part.kind
        if kind == "joint" or not has_symbol(kind):
            self._text_lines(painter, QPointF(0, 0), name, figure, width)
        elif not name:
            self._paint_symbol(painter, 0.74)
        elif self._is_wide(width, height, name, figure):
            side, gap = self._symbol_side(width, height), 9.0 * self.look.scale
            text_w = self._text_width(name, figure)
            left = -(side + gap + text_w) / 2
            self._symbol_at(painter, QPointF(left + side / 2, 0), side)
            self._text_lines(
                painter, QPointF(left + side + gap + text_w / 2, 0), name, figure, text_w
            )
        else:
            text_h = self._text_height(figure)
            side = min(height - text_h - 6, 0.5 * width, 30.0 * self.look.scale)
            top = -(text_h + side) / 2
            self._text_lines(painter, QPointF(0, top + text_h / 2), name, figure, width)
            self._symbol_at(painter, QPointF(0, top + text_h + side / 2), side)

    def _symbol_side(self, width: float, height: float) -> float:
        return min(0.62 * min(width, height), 34.0 * self.look.scale)

    def _text_height(self, figure: str) -> float:
        name = QFontMetricsF(self.look.font("name")).height()
        return name + (QFontMetricsF(self.look.font("text")).height() if figure else 0.0)

    def _is_wide(self, width: float, height: float, name: str, figure: str) -> bool:
        """Whether the words fit beside the symbol; else they go above it."""
        beside = self._text_width(name, figure) + self._symbol_side(width, height)
        return beside + 9.0 * self.look.scale + 8 <= width and (
            self._text_height(figure) + 8 <= height
        )

    def _upright_box(self) -> QRectF:
        """The part's box as it appears after turning, in mm."""
        return QTransform().rotate(self.part.turn).mapRect(self.body)

    def _text_width(self, name: str, figure: str) -> float:
        return max(
            QFontMetricsF(self.look.font("name")).horizontalAdvance(name),
            QFontMetricsF(self.look.font("text")).horizontalAdvance(figure),
        )

    def fits_inside(self, zoom: float, name: str, figure: str) -> tuple[str, str]:
        """What of name and figure fits into the outline at `zoom` pixels per mm."""
        # (of most parts the words are those of the answer before)
        of = (zoom, name, figure, self._drawn, self.see_through, self.loaded, self.look.scale)
        if self._fitted is None or self._fitted[0] != of:
            self._fitted = (of, self._fitting(zoom, name, figure))
        return self._fitted[1]

    def _fitting(self, zoom: float, name: str, figure: str) -> tuple[str, str]:
        kind = self.part.kind
        if kind in ROUND or kind in CAPACITORS or kind == "esc" or self.see_through:
            return ("", "")
        if kind == "joint" and not self.hub:
            return ("", "")
        box = self._upright_box()
        width, height = box.width() * zoom, box.height() * zoom
        if kind == "joint":
            lines = "\n".join(name.split())
            widest = max(self._text_width(row, "") for row in lines.split("\n"))
            tall = self._text_height("") * (lines.count("\n") + 1)
            free = widest + 8 <= width and tall <= height and not self.loaded
            return (lines, "") if free else ("", "")
        short = self.facts.short or name
        room = 16.0 * self.look.scale if has_symbol(kind) else 0.0
        for words, number in ((name, figure), (short, figure), (short, "")):
            if self._is_wide(width, height, words, number) and has_symbol(kind):
                return (words, number)
            if (
                self._text_width(words, number) + 8 <= width
                and self._text_height(number) + room + 6 <= height
            ):
                return (words, number)
        return ("", "")

    def _text_lines(
        self, painter: QPainter, offset: QPointF, name: str, figure: str, width: float
    ) -> None:
        """Name and figure about a point given in pixels from the middle."""
        if not name:
            return
        palette = self.look.palette
        middle = painter.worldTransform().map(self.body.center()) + offset
        painter.save()
        painter.setWorldTransform(QTransform())
        name_font, text_font = self.look.font("name"), self.look.font("text")
        if name == self.facts.short and self.part.kind in ("camera", "flight_controller"):
            name_font = text_font
        h1 = QFontMetricsF(name_font).height() * (name.count("\n") + 1)
        h2 = QFontMetricsF(text_font).height() if figure else 0.0
        top = middle.y() - (h1 + h2) / 2
        align = Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignVCenter
        rect = QRectF(round(middle.x() - width / 2), round(top), round(width), h1)
        painter.setFont(name_font)
        painter.setPen(palette.ink)
        painter.drawText(rect, align, name)
        if figure:
            painter.setFont(text_font)
            verdict = self.figure.verdict if self.figure else ""
            painter.setPen(
                palette.verdict(verdict) if verdict in ("close", "over") else palette.muted
            )
            painter.drawText(rect.translated(0, h1), align, figure)
        painter.restore()

    def _upright(self, painter: QPainter, place: QPointF, text: str, role: str) -> None:
        font = self.look.font(role)  # type: ignore[arg-type]
        if QFontMetricsF(font).height() > self.body.height() * _zoom(painter):
            return  # it would hide the outline
        device = painter.worldTransform().map(place)
        painter.save()
        painter.setWorldTransform(QTransform())
        painter.setFont(font)
        painter.setPen(self.look.palette.ink)
        painter.drawText(
            QRectF(device.x() - 20, device.y() - 20, 40, 40), Qt.AlignmentFlag.AlignCenter, text
        )
        painter.restore()

    def _paint_symbol(self, painter: QPainter, share: float) -> None:
        width, depth = self.facts.size_mm
        side = share * min(width, depth) * _zoom(painter)
        self._symbol_at(painter, QPointF(0, 0), side)

    def _symbol_at(self, painter: QPainter, offset: QPointF, side: float) -> None:
        """The symbol upright, `side` pixels wide, on whole pixels so that it stays crisp."""
        device = painter.device()
        ratio = device.devicePixelRatioF() if device is not None else 1.0
        pixmap = symbol(self.part.kind, side, self.look.palette.ink, ratio)
        if pixmap is None:
            return
        middle = painter.worldTransform().map(QPointF(0, 0)) + offset
        painter.save()
        painter.setWorldTransform(QTransform())
        side = pixmap.width() / ratio
        if self.ghost:
            painter.setOpacity(0.6)
        painter.drawPixmap(
            QPointF(round(middle.x() - side / 2), round(middle.y() - side / 2)), pixmap
        )
        painter.restore()


def _zoom(painter: QPainter) -> float:
    """Pixels per mm of a painter, whatever its turn."""
    t = painter.worldTransform()
    return float((t.m11() ** 2 + t.m12() ** 2) ** 0.5)

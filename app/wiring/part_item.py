"""A part on the canvas: its outline to scale, its symbol, and its name where that fits."""

from __future__ import annotations

from math import cos, radians, sin
from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QBrush, QColor, QFontMetricsF, QPainter, QPainterPath, QPen, QTransform
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem, QWidget

from app.wiring.facts import CANS, CAPACITORS, ROUND, SOURCES, Facts, Figure
from app.wiring.geometry import Point, turned
from app.wiring.symbols import has_symbol, symbol

if TYPE_CHECKING:
    from app.look import Look
    from sim.build import Part

_DECK_Z = {"lower": 10.0, "upper": 12.0, "top": 14.0}
#: Lines are drawn in pixels whatever the zoom, so the outline needs this much room in mm.
_MARGIN_MM = 3.0
_LINE = 1.6


class PartItem(QGraphicsItem):
    """Draws one part. Moves and meaning come from the scene; the item only shows."""

    def __init__(self, part: Part, facts: Facts, look: Look) -> None:
        super().__init__()
        # Moved by its pixmap while it is dragged; painted again only when it changes.
        self.setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)
        self.look = look
        self.hovered = False
        self.chosen = False
        self.ghost = False
        self.marked = False
        self.figure: Figure | None = None
        self.minus_towards: float | None = None
        self.board_of: tuple[PartItem, ...] = ()
        self.on_board = False
        self.inside: tuple[str, str] = ("", "")
        self.set_part(part, facts)

    def set_part(self, part: Part, facts: Facts) -> None:
        """Take over a changed part."""
        self.prepareGeometryChange()
        self.part = part
        self.facts = facts
        x, y = part.at or (0.0, 0.0)
        self.setPos(x, y)
        self.setRotation(part.turn)
        small = min(facts.size_mm) / 1000.0
        self.setZValue(_DECK_Z.get(part.deck, 10.0) + (0.9 - small))
        self.update()

    # Geometry, in mm

    @property
    def body(self) -> QRectF:
        """Outline before turning; a board's reaches round what sits on it."""
        width, depth = self.facts.size_mm
        rect = QRectF(-width / 2, -depth / 2, width, depth)
        for item in self.board_of:
            w, d = item.facts.size_mm
            place = self.mapFromScene(item.pos())
            r = max(w, d) / 2 + 1.5
            rect = rect.united(QRectF(place.x() - r, place.y() - r, 2 * r, 2 * r))
        return rect

    def boundingRect(self) -> QRectF:
        return self.body.adjusted(-_MARGIN_MM, -_MARGIN_MM, _MARGIN_MM, _MARGIN_MM)

    def shape(self) -> QPainterPath:
        path = QPainterPath()
        if self.part.kind in ROUND:
            path.addEllipse(self.body)
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
        if self.on_board:
            self._paint_symbol(painter, 0.8)
            return
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        palette = self.look.palette
        pen = QPen(self._outline(), self._width())
        pen.setCosmetic(True)
        if self.ghost:
            pen.setStyle(Qt.PenStyle.DashLine)
        painter.setPen(pen)
        card = QColor(palette.card)
        if self.ghost:
            card.setAlpha(150)
        painter.setBrush(QBrush(card))
        kind = self.part.kind
        if kind in CANS:
            self._paint_can(painter)
        elif kind == "motor":
            painter.drawEllipse(self.body)
            self._upright(painter, self.body.center(), "M", "figure")
        elif kind == "joint" and max(self.facts.size_mm) < 10 and not self.board_of:
            self._paint_pads(painter)
        else:
            radius = 3.5 if kind in SOURCES else 1.6
            painter.drawRoundedRect(self.body, radius, radius)
            self._paint_inside(painter)

    def _outline(self) -> QColor:
        palette = self.look.palette
        if self.marked:
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
        half = 52.0
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
        if pixels < 15:
            return
        a = radians(away)
        at_minus = QPointF(cos(a), sin(a)) * (r * 0.8)
        self._sign(painter, at_minus, "-", palette.card, min(0.14 * pixels, 5.0))
        self._sign(painter, QPointF(cos(a), sin(a)) * (-r * 0.32), "+", palette.plus,
                   min(0.17 * pixels, 6.0))

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
        palette = self.look.palette
        painter.drawRoundedRect(self.body, 0.8, 0.8)
        body = self.body
        d = min(body.width(), body.height()) * 0.3
        painter.setPen(Qt.PenStyle.NoPen)
        for x, colour in ((-d * 0.8, palette.plus), (d * 0.8, palette.minus)):
            painter.setBrush(colour)
            painter.drawRect(QRectF(x - d / 2, -d, d, 2 * d))

    def _paint_inside(self, painter: QPainter) -> None:
        """Symbol, and name and figure where the layout said that they fit."""
        name, figure = self.inside
        zoom = _zoom(painter)
        box = self._upright_box()
        width, height = box.width() * zoom, box.height() * zoom
        named = bool(name)
        side = min(0.62 * min(width, height), 34.0 * self.look.scale)
        if self.board_of:
            self._text_lines(painter, QPointF(0, 0), name, figure, width)
            return
        if self.part.kind == "joint":
            self._text_lines(painter, QPointF(0, 0), name, figure, width)
        elif not has_symbol(self.part.kind):
            self._text_lines(painter, QPointF(0, 0), name or self.facts.short, figure, width)
        elif not named:
            self._paint_symbol(painter, 0.74)
        elif figure or width > 2.2 * height:
            text_w = self._text_width(name, figure)
            gap = 9.0 * self.look.scale
            left = -(side + gap + text_w) / 2
            self._symbol_at(painter, QPointF(left + side / 2, 0), side)
            self._text_lines(
                painter, QPointF(left + side + gap + text_w / 2, 0), name, figure, text_w
            )
        else:
            metrics = QFontMetricsF(self.look.font("name"))
            total = metrics.height() + side * 0.62
            self._text_lines(
                painter, QPointF(0, -total / 2 + metrics.height() / 2), name, "", width
            )
            self._symbol_at(painter, QPointF(0, total / 2 - side * 0.31), side * 0.7)

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
        kind = self.part.kind
        if kind in ROUND or kind in CAPACITORS or kind == "esc" or self.on_board:
            return ("", "")
        box = self._upright_box()
        width, height = box.width() * zoom, box.height() * zoom
        line = QFontMetricsF(self.look.font("name")).height()
        sym = 0.0
        if has_symbol(kind) and kind != "joint" and not self.board_of:
            sym = min(0.62 * min(width, height), 34.0 * self.look.scale) + 9.0 * self.look.scale
        if self._text_width(name, figure) + sym + 14 <= width and 2 * line + 8 <= height:
            return (name, figure)
        short = self.facts.short or name
        if self._text_width(short, "") + 8 <= width and line * (1.0 if not sym else 2.0) <= height:
            return (short, "")
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
        h1 = QFontMetricsF(name_font).height()
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
            painter.setPen(palette.verdict(verdict) if verdict in ("close", "over")
                           else palette.muted)
            painter.drawText(rect.translated(0, h1), align, figure)
        painter.restore()

    def _upright(self, painter: QPainter, place: QPointF, text: str, role: str) -> None:
        device = painter.worldTransform().map(place)
        painter.save()
        painter.setWorldTransform(QTransform())
        painter.setFont(self.look.font(role))  # type: ignore[arg-type]
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

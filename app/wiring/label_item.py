"""Words beside a part: name bold, one figure beneath, a line to the part where it is far."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QFontMetricsF, QPainter, QPen
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem, QWidget

from app.look import SHAPES

if TYPE_CHECKING:
    from app.look import Look
    from app.wiring.label_layout import Placed

_Z = 40.0


class LabelItem(QGraphicsItem):
    """Keeps its size in pixels at any zoom; never in the way of the mouse."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self.setFlag(QGraphicsItem.GraphicsItemFlag.ItemIgnoresTransformations)
        self.setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)
        self.setAcceptedMouseButtons(Qt.MouseButton.NoButton)
        self.setZValue(_Z)
        self.look = look
        self.name, self.figure, self.verdict = "", "", ""
        self.right = False
        self._box = QRectF()
        self._leader: tuple[QPointF, QPointF] | None = None

    def set_words(self, name: str, figure: str, verdict: str) -> bool:
        """Show these words; True if their size may have changed."""
        if verdict in ("close", "over"):
            figure = f"{SHAPES[verdict]} {figure}"
        if (name, figure, verdict) == (self.name, self.figure, self.verdict):
            return False
        wider = len(figure) != len(self.figure) or name != self.name
        self.name, self.figure, self.verdict = name, figure, verdict
        self.update()
        return wider

    def size(self) -> tuple[float, float]:
        """Width and height of the words in pixels."""
        name = QFontMetricsF(self.look.font("name"))
        text = QFontMetricsF(self.look.font("text"))
        width = max(name.horizontalAdvance(self.name), text.horizontalAdvance(self.figure))
        return (width + 2.0, name.height() + (text.height() if self.figure else 0.0))

    def room(self) -> tuple[float, float]:
        """What the words need or were given, whichever is more."""
        width, height = self.size()
        return (max(width, self._box.width()), max(height, self._box.height()))

    @property
    def fits(self) -> bool:
        """Whether the words have room where they were put."""
        width, height = self.size()
        # (a width and its place are rounded apart from each other)
        return width <= self._box.width() + 0.01 and height <= self._box.height() + 0.01

    def put(self, placed: Placed, anchor: tuple[float, float]) -> None:
        """Place the words; `anchor` is the part's middle in the same pixels."""
        self.prepareGeometryChange()
        x0, y0, x1, y1 = placed.box
        ax, ay = anchor
        self.right = placed.right
        self._box = QRectF(x0 - ax, y0 - ay, x1 - x0, y1 - y0)
        self._leader = None
        if placed.leader is not None:
            (sx, sy), (ex, ey) = placed.leader
            self._leader = (QPointF(sx - ax, sy - ay), QPointF(ex - ax, ey - ay))
        self.update()

    def boundingRect(self) -> QRectF:
        rect = self._box.adjusted(-3, -2, 3, 2)
        if self._leader is not None:
            rect = rect.united(QRectF(*self._leader).normalized().adjusted(-2, -2, 2, 2))
        return rect

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        palette = self.look.palette
        if self._leader is not None:
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setPen(QPen(palette.muted, 0.9))
            painter.drawLine(*self._leader)
        side = Qt.AlignmentFlag.AlignRight if self.right else Qt.AlignmentFlag.AlignLeft
        name_font, text_font = self.look.font("name"), self.look.font("text")
        height = QFontMetricsF(name_font).height()
        row = QRectF(self._box.left(), self._box.top(), self._box.width(), height)
        painter.setFont(name_font)
        painter.setPen(palette.ink)
        painter.drawText(row, side | Qt.AlignmentFlag.AlignVCenter, self.name)
        if self.figure:
            painter.setFont(text_font)
            strong = self.verdict in ("close", "over")
            painter.setPen(palette.verdict(self.verdict) if strong else palette.muted)
            row.translate(0, height)
            row.setHeight(QFontMetricsF(text_font).height())
            painter.drawText(row, side | Qt.AlignmentFlag.AlignVCenter, self.figure)

"""Where the joules of what is shown came from and went."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QPainter
from PySide6.QtWidgets import QWidget

from app.solver.protocol import Bar
from sim import quantity

if TYPE_CHECKING:
    from app.look import Look
    from app.solver.protocol import Joules

#: Bars a room reads, besides that of all others; and the name of those.
_MOST_FOR_A_ROOM = 3
_REST = "all others"


class JoulesView(QWidget):
    """One bar a part. What came from the pack is what went there, and what is stored more."""

    def __init__(self, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._look = look
        self._joules: Joules | None = None
        self.setAccessibleName("Where the joules go")
        look.changed.connect(self.update)

    def show_joules(self, joules: Joules | None) -> None:
        """Draw a balance; None while it is on its way."""
        self._joules = joules
        self.setAccessibleDescription(self.in_words())
        self.update()

    def in_words(self) -> str:
        """The balance in one sentence."""
        joules = self._joules
        if joules is None:
            return "being read"
        start = f"{_joule(joules.from_sources)} from the pack"
        if joules.from_sources < 0.0:
            start = f"{_joule(-joules.from_sources)} back into the pack"
        change = joules.stored_change
        word = "more" if change >= 0.0 else "less"
        used = sum(bar.joule for bar in joules.bars)
        return (
            f"{start}, {_joule(used)} turned to heat and air, "
            f"{_joule(abs(change))} {word} in rotors, capacitors and leads"
        )

    def paintEvent(self, event: object) -> None:
        painter = QPainter(self)
        p = self._look.palette
        painter.setPen(p.ink)
        painter.setFont(self._look.font("name"))
        if self._joules is None:
            painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, "being read…")
            return
        line = round(24 * self._look.scale)
        painter.drawText(
            QRectF(8, 0, self.width() - 16, line),
            Qt.AlignmentFlag.AlignVCenter,
            "Where the joules of what is shown go",
        )
        painter.setFont(self._look.font("small"))
        if self._look.projector:
            # a room reads few bars, and the sum stands on the card
            self._paint_bars(painter, _few(self._joules.bars), 1.1 * line, line)
            return
        painter.setPen(p.muted)
        painter.drawText(
            QRectF(8, line, self.width() - 16, 2 * line),
            Qt.AlignmentFlag.AlignTop | Qt.TextFlag.TextWordWrap,
            self.in_words(),
        )
        self._paint_bars(painter, self._joules.bars, 3.2 * line, line)

    def _paint_bars(self, painter: QPainter, bars: tuple[Bar, ...], top: float, line: int) -> None:
        p = self._look.palette
        metrics = painter.fontMetrics()
        widest = max((metrics.horizontalAdvance(bar.label) for bar in bars), default=0)
        names = min(widest + 6, round(220 * min(self._look.scale, 1.5)))
        largest = max((abs(bar.joule) for bar in bars), default=1.0) or 1.0
        room = self.width() - names - 24 - metrics.horizontalAdvance("000.0 mJ") - 12
        step = min(line, (self.height() - top) / max(len(bars), 1))
        for k, bar in enumerate(bars):
            y = top + k * step
            painter.setPen(p.ink)
            label = metrics.elidedText(bar.label, Qt.TextElideMode.ElideRight, names)
            right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
            painter.drawText(QRectF(8, y, names, step), right, label)
            width = max(room * abs(bar.joule) / largest, 1.0)
            box = QRectF(names + 16, y + 0.22 * step, width, 0.56 * step)
            painter.fillRect(box, p.line1)
            painter.drawText(
                QRectF(box.right() + 6, y, self.width(), step),
                Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft,
                _joule(bar.joule),
            )


def _few(bars: tuple[Bar, ...]) -> tuple[Bar, ...]:
    """Parts of one name as one bar, the largest of these, and the rest as one more."""
    sums: dict[str, float] = {}
    for bar in bars:
        name = bar.label.rstrip("0123456789 ")
        name = f"{name}s" if name != bar.label else name
        sums[name] = sums.get(name, 0.0) + bar.joule
    rest = sums.pop(_REST, 0.0)
    ranked = sorted(sums.items(), key=lambda pair: -abs(pair[1]))
    few, others = ranked[:_MOST_FOR_A_ROOM], ranked[_MOST_FOR_A_ROOM:]
    rest += sum(joule for _, joule in others)
    return (*(Bar(name, joule) for name, joule in few), Bar(_REST, rest))


def _joule(value: float) -> str:
    return quantity.format(value, "J", 3)

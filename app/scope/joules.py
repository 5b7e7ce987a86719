"""Where the joules of what is shown came from and went."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QPainter
from PySide6.QtWidgets import QWidget

from sim import quantity

if TYPE_CHECKING:
    from app.look import Look
    from app.solver.protocol import Joules


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
        painter.setPen(p.muted)
        painter.drawText(
            QRectF(8, line, self.width() - 16, 2 * line),
            Qt.AlignmentFlag.AlignTop | Qt.TextFlag.TextWordWrap,
            self.in_words(),
        )
        self._paint_bars(painter, 3.2 * line, line)

    def _paint_bars(self, painter: QPainter, top: float, line: int) -> None:
        assert self._joules is not None
        p = self._look.palette
        metrics = painter.fontMetrics()
        bars = self._joules.bars
        names = min(max((metrics.horizontalAdvance(b.label) for b in bars), default=0) + 6, 220)
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


def _joule(value: float) -> str:
    return quantity.format(value, "J", 3)

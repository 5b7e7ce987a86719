"""One option as a card: its worst figure of all events against the limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QEvent, QPoint, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QContextMenuEvent,
    QFont,
    QFontMetrics,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPen,
)
from PySide6.QtWidgets import (
    QAbstractButton,
    QSizePolicy,
    QWidget,
)

from app.look import SHAPES
from app.panels.card_words import folded
from app.words import of_limit

if TYPE_CHECKING:
    from app.look import Look
    from app.solver.protocol import CardRow

#: Seven of them stand side by side in a window of 1280 pixels.
_LEAST_WIDTH = 150
#: In the projector look names have one line.
_LEAST_WIDTH_PROJECTED = 190
#: Between a card's edge and its words, pixels.
MARGIN = 10
_MOST_LINES = 3
_LEFT = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
_RIGHT = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
#: Height of a card whose name has one line, and what another line adds.
_HEIGHT = 70
_LINE_HEIGHT = 18


class OptionCard(QAbstractButton):
    """One option: name, verdict as shape and word, figure of limit, where and when.

    Signals
    -------
    menu_wanted : the menu of the option, at a global place
    figure_clicked : curves and frame are to go where the figure is read
    key_pressed : a key that is the card's while it has the keyboard
    """

    menu_wanted = Signal(QPoint)
    figure_clicked = Signal()
    key_pressed = Signal(object)

    def __init__(self, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._look = look
        self._card: CardRow | None = None
        self._where = ""
        self._best = False
        self._pinned = False
        self._stale = False
        self._what_if = False
        self._lines = 1
        self._low = False
        self.setCheckable(True)
        # One of the row: a radio button to a screen reader, arrows go on, Tab leaves the row.
        self.setAutoExclusive(True)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    def show_card(
        self,
        name: str,
        card: CardRow | None,
        where: str,
        *,
        best: bool,
        pinned: bool,
        stale: bool,
        what_if: bool = False,
    ) -> None:
        """Show an option; `where` is the deciding place and event."""
        self._card, self._where = card, where
        self._best, self._pinned, self._stale = best, pinned, stale
        self._what_if = what_if
        self.setText(name)
        said = [name]
        if card is not None:
            said.append(card.verdict or _unknown(card))
            if card.worst is not None:
                said += [of_limit(card.worst), card.worst.rating, where]
        if best:
            said.append("best so far")
        self.setAccessibleName(", ".join(said))
        worst = None if card is None else card.worst
        told = "" if worst is None else f"\n{worst.rating}: {of_limit(worst)}, {where}"
        mark = self._mark()
        self.setToolTip(name + (f", {mark}" if mark else "") + told)
        self.update()

    def name_lines(self) -> list[str]:
        """The name as it is painted, line by line."""
        most = 1 if self._look.projector or self._low else _MOST_LINES
        metrics = QFontMetrics(self._look.font("name"), self)
        return folded(self.text(), metrics, self.width() - 2 * MARGIN, most)

    def figure(self) -> tuple[str, QFont, bool]:
        """The worst figure and its limit, in what font, and whether the verdict stands beside it.

        On a narrow card it is as light as other words, and the verdict's shape is below it: how
        wide letters are is the system's.
        """
        font = self._look.font("figure")
        if self._card is None or self._card.worst is None:
            return "", font, True
        text = of_limit(self._card.worst)
        small = self._look.font("small")
        shape = QFontMetrics(small, self).horizontalAdvance(self._shape() + " ")
        room = self.width() - 2 * MARGIN
        for tried in (font, small):
            if QFontMetrics(tried, self).horizontalAdvance(text) + shape <= room:
                return text, tried, True
        return text, small, False

    def _shape(self) -> str:
        return "" if self._card is None else SHAPES.get(self._card.verdict or "", "")

    def set_low(self, low: bool) -> None:
        """Names in one line, where the window has little height; the tip has them whole."""
        self._low = low

    def set_lines(self, lines: int) -> None:
        """Leave room for names of so many lines, on all cards of the row alike."""
        if lines != self._lines:
            self._lines = lines
            self.updateGeometry()
            self.update()

    def contextMenuEvent(self, event: QContextMenuEvent) -> None:
        self.menu_wanted.emit(event.globalPos())

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        at = event.position().toPoint()
        figure = self._on_figure(at) and event.button() == Qt.MouseButton.LeftButton
        super().mouseReleaseEvent(event)
        if figure and self.rect().contains(at):
            self.figure_clicked.emit()

    def _on_figure(self, at: QPoint) -> bool:
        """Whether a place is on the figure and its limit."""
        worst = None if self._card is None else self._card.worst
        below_name = self.height() * self._lines / (self._lines + 2)
        return worst is not None and at.y() > below_name and at.x() > self.width() / 2

    def event(self, event: QEvent) -> bool:
        # Before the window's shortcuts: F2 names this option, not the build.
        if (
            event.type() == QEvent.Type.ShortcutOverride
            and isinstance(event, QKeyEvent)
            and card_key(event) is not None
        ):
            event.accept()
            return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if card_key(event) is None:
            super().keyPressEvent(event)
        else:
            self.key_pressed.emit(card_key(event))

    def sizeHint(self) -> QSize:
        return QSize(round(240 * min(self._look.scale, 1.6)), self._high())

    def minimumSizeHint(self) -> QSize:
        least = _LEAST_WIDTH_PROJECTED if self._look.projector else _LEAST_WIDTH
        return QSize(round(least * min(self._look.scale, 1.85)), self._high())

    def _high(self) -> int:
        return card_height(self._look, self._lines)

    def paintEvent(self, event: object) -> None:
        p = self._look.palette
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        chosen = self.isChecked()
        edge = 2.0 if chosen else 1.0
        box = QRectF(self.rect()).adjusted(1, 1, -1, -1)
        painter.setPen(QPen(p.selection if chosen else p.faint, edge))
        painter.setBrush(p.card)
        painter.drawRoundedRect(box, 8, 8)
        if self.hasFocus():
            painter.setPen(QPen(p.muted, 1, Qt.PenStyle.DotLine))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRoundedRect(box.adjusted(3, 3, -3, -3), 6, 6)
        self._paint_words(painter, box.adjusted(MARGIN - 1, 6, -MARGIN + 1, -5))

    def _paint_words(self, painter: QPainter, box: QRectF) -> None:
        p = self._look.palette
        high = box.height() / (self._lines + 2)
        rows = [
            QRectF(box.left(), box.top() + k * high, box.width(), high)
            for k in range(self._lines + 2)
        ]
        *names, figure, foot = rows
        small = self._look.font("small")
        painter.setFont(self._look.font("name"))
        painter.setPen(p.ink)
        lines = self.name_lines()
        for row, line in zip(names, lines, strict=False):
            painter.drawText(row, _LEFT, line)
        used = painter.fontMetrics().horizontalAdvance(lines[-1])
        painter.setFont(small)
        painter.setPen(p.muted)
        mark = self._mark()
        if mark:
            wide = painter.fontMetrics().horizontalAdvance(mark)
            beside = used + 8 + wide <= box.width()
            free = names[len(lines) - 1 if beside else len(lines) :]
            if free:
                painter.drawText(free[0], _RIGHT, mark)
                mark = ""
        card = self._card
        if card is None:
            painter.drawText(figure, _LEFT, "not worked out yet")
            return
        painter.setOpacity(0.45 if self._stale else 1.0)
        beside = self._paint_figure(painter, figure, card)
        worst = card.worst
        painter.setFont(small)
        painter.setPen(p.muted)
        reads = worst.reads if worst is not None and worst.reads.startswith("slow") else ""
        metrics = painter.fontMetrics()
        if not beside:
            painter.setPen(p.verdict(card.verdict))
            painter.drawText(foot, _LEFT, self._shape())
            painter.setPen(p.muted)
            foot.setLeft(foot.left() + metrics.horizontalAdvance(self._shape() + " "))
        right = ", ".join(word for word in (mark, reads) if word)
        if metrics.horizontalAdvance(self._where + right) + 8 > foot.width():
            # The place that decides matters more than the mark, which the tip says too.
            right = "slow" if reads else ""
        room = foot.width()
        if right:
            painter.drawText(foot, _RIGHT, right)
            room -= metrics.horizontalAdvance(right) + 8
        where = metrics.elidedText(self._where, Qt.TextElideMode.ElideRight, int(room))
        painter.drawText(foot, _LEFT, where)

    def _mark(self) -> str:
        if self._look.projector:
            # The name needs the room; the answer sentence says which is best.
            return ""
        if self._best:
            return "best so far"
        if self._pinned:
            return "pinned"
        return "what if" if self._what_if else ""

    def _paint_figure(self, painter: QPainter, row: QRectF, card: CardRow) -> bool:
        """Verdict and figure; where both are too wide the verdict is its shape alone.

        False where not even the shape found room.
        """
        p = self._look.palette
        text, font, beside = self.figure()
        painter.setFont(font)
        taken = painter.fontMetrics().horizontalAdvance(text)
        painter.setPen(p.ink)
        painter.drawText(row, _RIGHT, text)
        painter.setFont(self._look.font("small"))
        painter.setPen(p.verdict(card.verdict))
        said = f"{self._shape()} {card.verdict or _unknown(card)}".strip()
        if text and painter.fontMetrics().horizontalAdvance(said) + 6 + taken > row.width():
            said = self._shape() if beside else ""
        painter.drawText(row, _LEFT, said)
        return beside


def _unknown(card: CardRow) -> str:
    """Why there is no verdict."""
    return "no limit given" if card.solved else "could not be solved"


def card_height(look: Look, lines: int) -> int:
    """Height in pixels of cards whose names have at most so many lines."""
    return round((_HEIGHT + (lines - 1) * _LINE_HEIGHT) * look.scale)


def card_key(event: QKeyEvent) -> str | None:
    """What a key means on a card."""
    shift = event.modifiers() == Qt.KeyboardModifier.ShiftModifier
    control = event.modifiers() == Qt.KeyboardModifier.ControlModifier
    key = Qt.Key(event.key())
    if key == Qt.Key.Key_F2:
        return "rename"
    if key == Qt.Key.Key_Delete:
        return "delete"
    if key == Qt.Key.Key_D and control:
        return "duplicate"
    if key == Qt.Key.Key_Left and shift:
        return "left"
    if key == Qt.Key.Key_Right and shift:
        return "right"
    return None

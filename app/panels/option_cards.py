"""The options side by side: the worst figure of all events against its limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QEvent, QPoint, QRectF, QSize, Qt, QTimer, Signal
from PySide6.QtGui import QContextMenuEvent, QKeyEvent, QMouseEvent, QPainter, QPen
from PySide6.QtWidgets import (
    QAbstractButton,
    QFrame,
    QHBoxLayout,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QWidget,
)

from app.going import go_to_worst
from app.look import SHAPES
from app.panels import option_menu
from app.words import of_limit

if TYPE_CHECKING:
    from app.look import Look
    from app.solver.protocol import CardRow
    from app.workbench import Workbench

_LEAST_WIDTH = 190
_MOST_WIDTH = 420
_MARGIN = 14


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
        self.setCheckable(True)
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
            said.append(card.verdict or "no limit given")
            if card.worst is not None:
                said += [of_limit(card.worst), card.worst.rating, where]
        if best:
            said.append("best so far")
        self.setAccessibleName(", ".join(said))
        worst = None if card is None else card.worst
        self.setToolTip("" if worst is None else f"{worst.rating}: {of_limit(worst)}, {where}")
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
        third = self.height() / 3
        return worst is not None and at.y() > third and at.x() > self.width() / 2

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
        return QSize(round(240 * min(self._look.scale, 1.6)), round(70 * self._look.scale))

    def minimumSizeHint(self) -> QSize:
        width = _LEAST_WIDTH * min(self._look.scale, 1.85)
        return QSize(round(width), round(70 * self._look.scale))

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
        self._paint_words(painter, box.adjusted(_MARGIN - 1, 6, -_MARGIN + 1, -5))

    def _paint_words(self, painter: QPainter, box: QRectF) -> None:
        p = self._look.palette
        third = box.height() / 3
        rows = [QRectF(box.left(), box.top() + k * third, box.width(), third) for k in range(3)]
        left = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        small = self._look.font("small")
        painter.setFont(small)
        painter.setPen(p.muted)
        mark = "best so far" if self._best else "pinned" if self._pinned else ""
        if self._what_if and not mark:
            mark = "what if"
        if self._look.projector:
            # The name needs the room; the answer sentence says which is best.
            mark = ""
        room = rows[0].width()
        if mark:
            painter.drawText(rows[0], right, mark)
            room -= painter.fontMetrics().horizontalAdvance(mark) + 8
        painter.setFont(self._look.font("name"))
        painter.setPen(p.ink)
        painter.drawText(
            rows[0],
            left,
            painter.fontMetrics().elidedText(self.text(), Qt.TextElideMode.ElideRight, int(room)),
        )
        card = self._card
        if card is None:
            painter.setFont(small)
            painter.setPen(p.muted)
            painter.drawText(rows[1], left, "not worked out yet")
            return
        painter.setOpacity(0.45 if self._stale else 1.0)
        painter.setPen(p.verdict(card.verdict))
        verdict = card.verdict or "no limit given"
        painter.drawText(rows[1], left, f"{SHAPES.get(verdict, '')} {verdict}".strip())
        if card.worst is None:
            return
        painter.setPen(p.ink)
        painter.setFont(self._look.font("figure"))
        painter.drawText(rows[1], right, of_limit(card.worst))
        painter.setFont(small)
        painter.setPen(p.muted)
        reads = card.worst.reads if card.worst.reads.startswith("slow") else ""
        room = rows[2].width()
        if reads:
            painter.drawText(rows[2], right, reads)
            room -= painter.fontMetrics().horizontalAdvance(reads) + 8
        painter.drawText(
            rows[2],
            left,
            painter.fontMetrics().elidedText(self._where, Qt.TextElideMode.ElideRight, int(room)),
        )


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


class OptionCards(QScrollArea):
    """All cards in a row; scrolls sideways when there are more than fit."""

    def __init__(self, workbench: Workbench, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._workbench = workbench
        self._look = look
        self._cards: list[OptionCard] = []
        self._seen: int | None = None
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setWidgetResizable(True)
        self.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setAccessibleName("Options")
        inner = QWidget()
        self._row = QHBoxLayout(inner)
        self._row.setContentsMargins(17, 9, 17, 9)
        self._row.setSpacing(8)
        self.base = QPushButton("Base", checkable=True)
        self.base.setAccessibleName("Base: the build as drawn, changes go to all options")
        self.base.setToolTip("The build as drawn; what is changed on it shows in all options (0)")
        self.base.clicked.connect(self._choose_base)
        self.plus = QPushButton("+")
        self.plus.setAccessibleName("New option")
        self.plus.setToolTip("New option from what is shown (Shift+N)")
        self.plus.clicked.connect(lambda: option_menu.add(self._workbench))
        for button in (self.base, self.plus):
            button.setCursor(Qt.CursorShape.PointingHandCursor)
            button.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Expanding)
        self._row.addWidget(self.base)
        self._row.addWidget(self.plus)
        self._row.addStretch(0)
        self.setWidget(inner)
        for signal in (
            workbench.build_changed,
            workbench.option_changed,
            workbench.findings_changed,
            workbench.pinned_changed,
        ):
            signal.connect(self.refresh)
        look.changed.connect(self._restyle)
        self._restyle()
        self.refresh()

    @property
    def cards(self) -> tuple[OptionCard, ...]:
        return tuple(self._cards)

    def refresh(self) -> None:
        """Cards for the options of the build, with the newest findings."""
        bench = self._workbench
        options = bench.build.options
        names = [option.name for option in options] or ["As drawn"]
        self.base.setVisible(bool(options))
        self.base.setChecked(bench.option is None)
        self._fit(len(names))
        findings = bench.findings
        # After an edit of the options the old findings may be of other options.
        found = {} if findings is None else {card.option: card for card in findings.cards}
        for index, (card, name) in enumerate(zip(self._cards, names, strict=True)):
            row = found.get(name) if options else next(iter(found.values()), None)
            card.show_card(
                name,
                row,
                self._where(row),
                best=findings is not None and findings.best == index and len(names) > 1,
                pinned=bool(options) and bench.pinned == index and bench.option != index,
                stale=bench.findings_stale,
                what_if=bool(options) and options[index].what_if,
            )
            card.setChecked(bench.option == (index if options else None))
        if bench.option is not None and bench.option != self._seen:
            # the row may have to be laid out first
            QTimer.singleShot(0, self._show_present)
        self._seen = bench.option

    def _show_present(self) -> None:
        index = self._workbench.option
        if index is not None and index < len(self._cards):
            self.ensureWidgetVisible(self._cards[index], 17, 0)

    @staticmethod
    def _where(row: CardRow | None) -> str:
        if row is None or row.worst is None:
            return ""
        return f"{row.worst.label}, {row.worst.event.lower()}"

    def _fit(self, count: int) -> None:
        while len(self._cards) > count:
            card = self._cards.pop()
            self._row.removeWidget(card)
            card.hide()
            card.deleteLater()
        while len(self._cards) < count:
            index = len(self._cards)
            card = OptionCard(self._look)
            card.clicked.connect(lambda _=False, i=index: self._choose(i))
            card.figure_clicked.connect(lambda i=index: self._go(i))
            card.menu_wanted.connect(lambda at, i=index: self._open_menu(i, at))
            card.key_pressed.connect(lambda word, i=index: self._do(i, word))
            self._dress(card)
            self._cards.append(card)
            # After the base, before the stretch, which takes what the widest cards leave.
            self._row.insertWidget(index + 1, card, 1)
            self.setTabOrder(self._cards[index - 1] if index else self.base, card)
            self.setTabOrder(card, self.plus)

    def _dress(self, card: OptionCard) -> None:
        card.setMaximumWidth(round(_MOST_WIDTH * self._look.scale))
        card.updateGeometry()
        card.update()

    def _choose(self, index: int) -> None:
        bench = self._workbench
        if bench.build.options:
            bench.choose_option(index)
        # A click on the chosen card must not leave it unmarked.
        self.refresh()

    def _go(self, index: int) -> None:
        """The figure of a card, where it is read."""
        go_to_worst(self._workbench, index)
        self.refresh()

    def _choose_base(self) -> None:
        self._workbench.choose_option(None)
        self.refresh()

    def open_menu(self) -> None:
        """The menu of the present option, below its card."""
        index = self._workbench.option
        if index is not None:
            card = self._cards[index]
            self._open_menu(index, card.mapToGlobal(card.rect().bottomLeft()))

    def _open_menu(self, index: int, at: QPoint) -> None:
        if self._workbench.build.options:
            option_menu.menu(self._workbench, index, self).popup(at)

    def _do(self, index: int, word: str) -> None:
        """A key on a card; the keyboard stays with the option it was pressed on."""
        bench = self._workbench
        if not bench.build.options:
            return
        if word == "rename":
            option_menu.ask_name(bench, index, self)
        elif word == "delete":
            option_menu.delete(bench, index)
        elif word == "duplicate":
            option_menu.duplicate(bench, index)
            index += 1
        else:
            option_menu.move(bench, index, -1 if word == "left" else 1)
            index += -1 if word == "left" else 1
        if self._cards:
            self._cards[max(0, min(index, len(self._cards) - 1))].setFocus()

    def _restyle(self) -> None:
        p = self._look.palette
        for button in (self.base, self.plus):
            button.setFont(self._look.font("name"))
            button.setStyleSheet(
                f"QPushButton {{ background: {p.card.name()}; color: {p.ink.name()};"
                f" border: 1px solid {p.faint.name()}; border-radius: 8px; padding: 4px 10px; }}"
                f"QPushButton:checked {{ border: 2px solid {p.selection.name()}; }}"
                f"QPushButton:focus {{ border: 2px solid {p.line1.name()}; }}"
            )
        self.setFixedHeight(round(70 * self._look.scale) + 20)
        self.setStyleSheet(f"OptionCards, OptionCards > * > * {{ background: {p.paper.name()}; }}")
        for card in self._cards:
            self._dress(card)

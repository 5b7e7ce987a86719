"""The options side by side: the worst figure of all events against its limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QResizeEvent
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
from app.panels import option_menu
from app.panels.option_card import OptionCard, card_height

if TYPE_CHECKING:
    from PySide6.QtCore import QPoint

    from app.look import Look
    from app.solver.protocol import CardRow
    from app.workbench import Workbench

_MOST_WIDTH = 420


class OptionCards(QScrollArea):
    """All cards in a row; scrolls sideways when there are more than fit."""

    def __init__(self, workbench: Workbench, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._workbench = workbench
        self._look = look
        self._cards: list[OptionCard] = []
        self._seen: int | None = None
        self._best: int | None = None
        self._low = False
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setWidgetResizable(True)
        self.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setAccessibleName("Options")
        inner = QWidget()
        self._row = QHBoxLayout(inner)
        self._row.setContentsMargins(17, 9, 17, 9)
        self._row.setSpacing(8)
        self.base = QPushButton("Base", checkable=True, autoExclusive=True)
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
                best=bench.best == index and len(names) > 1,
                pinned=bool(options) and bench.pinned == index and bench.option != index,
                stale=bench.findings_stale,
                what_if=bool(options) and options[index].what_if,
            )
        self._mark_present()
        self._even_out()
        if bench.option is not None and bench.option != self._seen:
            # the row may have to be laid out first
            QTimer.singleShot(0, self._show_present)
        self._seen = bench.option
        best = bench.best
        if best is not None and best != self._best:
            QTimer.singleShot(0, self._show_best)
        self._best = best

    def set_low(self, low: bool) -> None:
        """Take as little of the window's height as can be."""
        if low != self._low:
            self._low = low
            self._even_out()

    def _mark_present(self) -> None:
        """Check the present one of the row, which unchecks the others; keys stay with it."""
        option = self._workbench.option
        row = (self.base, *self._cards)
        here = any(button.hasFocus() for button in row)
        if option is not None:
            present: QAbstractButton = self._cards[option]
        else:
            present = self.base if self._workbench.build.options else self._cards[0]
        present.setChecked(True)
        # Qt sees to this only once one of them has the keyboard: the row is one stop for Tab.
        policy = Qt.FocusPolicy
        for button in row:
            button.setFocusPolicy(policy.StrongFocus if button is present else policy.ClickFocus)
        if here:
            present.setFocus()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._even_out()

    def _even_out(self) -> None:
        """All cards as high as the name with the most lines needs."""
        self._row.activate()
        for card in self._cards:
            card.set_low(self._low)
        lines = max((len(card.name_lines()) for card in self._cards), default=1)
        for card in self._cards:
            card.set_lines(lines)
        self.setFixedHeight(card_height(self._look, lines) + 20)

    def _show_present(self) -> None:
        index = self._workbench.option
        if index is not None and index < len(self._cards):
            self.ensureWidgetVisible(self._cards[index], 17, 0)

    def _show_best(self) -> None:
        """The answer's own card, where not all have room."""
        if self._best is not None and self._best < len(self._cards):
            self.ensureWidgetVisible(self._cards[self._best], 17, 0)

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
            # else it would still be one of the row
            card.setParent(None)
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
        self.setStyleSheet(f"OptionCards, OptionCards > * > * {{ background: {p.paper.name()}; }}")
        for card in self._cards:
            self._dress(card)
        self._even_out()
        # larger type leaves room for fewer
        QTimer.singleShot(0, self._show_best)

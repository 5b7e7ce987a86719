"""The tray: what can be put on the frame, opened where the pointer is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QEvent, QObject, QPoint, QSize, Qt, Signal
from PySide6.QtGui import QIcon, QKeyEvent, QMouseEvent, QPixmap
from PySide6.QtWidgets import (
    QApplication,
    QFrame,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QVBoxLayout,
    QWidget,
)

from app.spoken import announce
from app.wiring.sets import GROUP, SETS
from app.wiring.symbols import symbol
from sim.parts import KINDS

if TYPE_CHECKING:
    from app.look import Look

_KIND = int(Qt.ItemDataRole.UserRole)
_POWER = "Power"
#: What a builder means by the word of its group, before the rest of the group.
_USUAL = ("electrolytic",)
_GROUPS = (GROUP, "Capacitors", "Filters", _POWER, "Motors", "Quiet parts")


class Tray(QFrame):
    """Kinds by group; type to narrow, arrows and Enter to pick, or drag a row out.

    Signals
    -------
    picked : a kind was chosen by click or Enter
    pulled, pull_moved, pull_released : a row is dragged out; places are global
    closed : the tray went away without a choice
    """

    picked = Signal(str)
    pulled = Signal(str, QPoint)
    pull_moved = Signal(QPoint)
    pull_released = Signal(QPoint)
    closed = Signal()

    def __init__(self, look: Look, parent: QWidget) -> None:
        super().__init__(parent)
        self.look = look
        self._room = parent
        self._pressed: QPoint | None = None
        self._pulling = False
        #: There is no supply yet: nothing can be solved before one is placed.
        self.power_first = False
        self.setObjectName("tray")
        self.setAccessibleName("Parts to add")
        self.setAutoFillBackground(True)
        self.filter = QLineEdit(self)
        self.filter.setPlaceholderText("type to find a part")
        self.filter.setAccessibleName("Find a part")
        self.filter.setClearButtonEnabled(False)
        self.list = QListWidget(self)
        self.list.setAccessibleName("Parts")
        self.list.setFrameShape(QFrame.Shape.NoFrame)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.list.setMouseTracking(True)
        box = QVBoxLayout(self)
        box.setContentsMargins(8, 8, 8, 8)
        box.setSpacing(6)
        box.addWidget(self.filter)
        box.addWidget(self.list)
        self.filter.textChanged.connect(self._narrow)
        self.list.currentItemChanged.connect(self._tell)
        self.filter.installEventFilter(self)
        self.list.viewport().installEventFilter(self)
        self.hide()

    def open_at(self, at: QPoint) -> None:
        """Show it at a place of the parent, kept inside of it."""
        self._dress()
        self.filter.clear()
        self._narrow("")
        room = self._room.size()
        scale = self.look.scale
        width = min(round(270 * scale), room.width() - 16)
        height = min(round(430 * scale), room.height() - 16)
        x = min(max(8, at.x()), room.width() - width - 8)
        y = min(max(8, at.y()), room.height() - height - 8)
        self.setGeometry(x, y, width, height)
        self.show()
        self.raise_()
        self.filter.setFocus(Qt.FocusReason.PopupFocusReason)

    def close_up(self) -> None:
        """Hide it without a choice."""
        if self.isVisible():
            self.hide()
            self.closed.emit()

    def kind(self) -> str:
        """The kind of the present row, "" if there is none."""
        item = self.list.currentItem()
        return item.data(_KIND) or "" if item is not None else ""

    def _dress(self) -> None:
        p = self.look.palette
        self.setStyleSheet(
            f"#tray {{ background: {p.card.name()}; border: 1px solid {p.faint.name()};"
            f" border-radius: 8px; }}"
            f"QLineEdit {{ background: {p.paper.name()}; color: {p.ink.name()};"
            f" border: 1px solid {p.faint.name()}; border-radius: 4px; padding: 4px 6px; }}"
            f"QLineEdit:focus {{ border-color: {p.ink.name()}; }}"
            f"QListWidget {{ background: {p.card.name()}; color: {p.ink.name()}; outline: none; }}"
            f"QListWidget::item {{ padding: 1px 4px; border-radius: 4px; }}"
            f"QListWidget::item:selected {{ background: {p.band.name()}; color: {p.ink.name()};"
            f" border: 1px solid {p.ink.name()}; }}"
            f"QScrollBar:vertical {{ background: transparent; width: 8px; margin: 0; }}"
            f"QScrollBar::handle:vertical {{ background: {p.faint.name()}; border-radius: 3px;"
            f" min-height: 24px; margin: 0 1px; }}"
            f"QScrollBar::add-line, QScrollBar::sub-line {{ height: 0; }}"
            f"QScrollBar::add-page, QScrollBar::sub-page {{ background: none; }}"
            f"QListWidget::item:disabled {{ color: {p.muted.name()}; }}"
        )
        font = self.look.font("text")
        self.filter.setFont(font)
        self.list.setFont(font)

    def _narrow(self, text: str) -> None:
        words = text.casefold().split()
        self.list.clear()
        groups: dict[str, list[str]] = {}
        for name, kind in KINDS.items():
            groups.setdefault(kind.group or "Other", []).append(name)
        groups[GROUP] = list(SETS)
        order = [g for g in _GROUPS if g in groups] + sorted(g for g in groups if g not in _GROUPS)
        if self.power_first and _POWER in order:
            order.remove(_POWER)
            order.insert(0, _POWER)
            groups[_POWER].sort(key=lambda name: (name != "battery", _title(name)))
        side = round(22 * self.look.scale)
        self.list.setIconSize(QSize(side, side))
        for group in order:
            shown = [
                n
                for n in groups[group]
                if all(w in f"{_title(n)} {n} {group}".casefold() for w in words)
            ]
            if not shown:
                continue
            head = QListWidgetItem(group)
            head.setFlags(Qt.ItemFlag.NoItemFlags)
            head.setFont(self.look.font("name"))
            self.list.addItem(head)
            kept = group == GROUP or (self.power_first and group == _POWER)
            for name in shown if kept else sorted(shown, key=_rank):
                row = QListWidgetItem(self._icon(name, side), _title(name))
                row.setData(_KIND, name)
                row.setToolTip(_first_line(name))
                self.list.addItem(row)
        self._step(1, start=-1)

    def _icon(self, name: str, side: int) -> QIcon:
        pixmap = symbol(
            "esc" if name in SETS else name, side, self.look.palette.ink, self.devicePixelRatioF()
        )
        if pixmap is None:
            pixmap = QPixmap(side, side)
            pixmap.fill(Qt.GlobalColor.transparent)
        icon = QIcon(pixmap)
        icon.addPixmap(pixmap, QIcon.Mode.Selected)
        return icon

    def _step(self, by: int, start: int | None = None) -> None:
        """To the next row that is a part; headings are passed over."""
        row = self.list.currentRow() if start is None else start
        for _ in range(self.list.count()):
            row += by
            if not 0 <= row < self.list.count():
                return
            if self.list.item(row).data(_KIND):
                self.list.setCurrentRow(row)
                if row == 1:
                    self.list.scrollToTop()
                return

    def _tell(self, item: QListWidgetItem | None) -> None:
        """The keyboard is in the box above the list: the row is told there."""
        words = "" if item is None else f"{item.text()}. {item.toolTip()}"
        self.filter.setAccessibleDescription(words or "No part has these words.")
        if self.isVisible():
            announce(self.filter, words)

    def _pick(self) -> None:
        kind = self.kind()
        if kind:
            self.hide()
            self.picked.emit(kind)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        if watched is self.filter and isinstance(event, QKeyEvent):
            return event.type() == QEvent.Type.KeyPress and self._key(event)
        if watched is self.list.viewport() and isinstance(event, QMouseEvent):
            return self._mouse(event)
        if watched is self.filter and event.type() == QEvent.Type.FocusOut and not self._pulling:
            self.close_up()
        return False

    def _key(self, event: QKeyEvent) -> bool:
        key = event.key()
        if key in (Qt.Key.Key_Down, Qt.Key.Key_Up):
            self._step(1 if key == Qt.Key.Key_Down else -1)
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self._pick()
        elif key == Qt.Key.Key_Escape:
            self.close_up()
        else:
            return False
        return True

    def _mouse(self, event: QMouseEvent) -> bool:
        """Own press, move and release: a platform drag cannot be driven on a bare display."""
        kind_of_event = event.type()
        here = event.position().toPoint()
        if kind_of_event == QEvent.Type.MouseMove and event.buttons() == Qt.MouseButton.NoButton:
            item = self.list.itemAt(here)
            if item is not None and item.data(_KIND):
                self.list.setCurrentItem(item)
            return False
        at = event.globalPosition().toPoint()
        if kind_of_event == QEvent.Type.MouseButtonPress:
            item = self.list.itemAt(here)
            if item is not None and item.data(_KIND):
                self.list.setCurrentItem(item)
                self._pressed = at
            return True
        if kind_of_event == QEvent.Type.MouseMove and self._pressed is not None:
            if self._pulling:
                self.pull_moved.emit(at)
            elif (at - self._pressed).manhattanLength() >= QApplication.startDragDistance():
                self._pulling = True
                # Out of the way but alive: a hidden widget would lose the held button.
                self.move(-10 * self.width(), 0)
                self.pulled.emit(self.kind(), at)
            return True
        if kind_of_event == QEvent.Type.MouseButtonRelease and self._pressed is not None:
            self._pressed = None
            if self._pulling:
                self._pulling = False
                self.hide()
                self.pull_released.emit(at)
            else:
                self._pick()
            return True
        return False


def _title(name: str) -> str:
    return SETS[name].title if name in SETS else KINDS[name].title


def _rank(name: str) -> tuple[bool, str]:
    return (name not in _USUAL, _title(name))


def _first_line(name: str) -> str:
    if name in SETS:
        return SETS[name].help
    return (KINDS[name].__doc__ or KINDS[name].title).strip().splitlines()[0]

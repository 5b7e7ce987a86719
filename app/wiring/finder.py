"""Find a part or lead by typing a piece of its name, its kind or its data."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QEvent, QObject, Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QLineEdit

if TYPE_CHECKING:
    from app.look import Look
    from app.wiring.view import FrameView

_TOP = 8


class Finder(QFrame):
    """A box at the top of the canvas. Enter and Down go on, Up goes back, Escape closes."""

    closed = Signal()

    def __init__(self, view: FrameView) -> None:
        super().__init__(view)
        self._view = view
        self._found: list[str] = []
        self._at = 0
        self.setObjectName("finder")
        self.setAccessibleName("Find a part")
        self.box = QLineEdit(self)
        self.box.setAccessibleName("Find a part or lead")
        self.box.setPlaceholderText("find a part: name, kind, value")
        self.count = QLabel(self)
        row = QHBoxLayout(self)
        row.setContentsMargins(8, 6, 10, 6)
        row.addWidget(self.box, 1)
        row.addWidget(self.count)
        self.box.textChanged.connect(self._look_up)
        self.box.installEventFilter(self)
        self.hide()

    def open(self) -> None:
        """Show it with the last words marked."""
        self._dress(self._view.look)
        width = min(round(320 * self._view.look.scale), self._view.width() - 24)
        self.resize(width, self.sizeHint().height())
        self.move((self._view.width() - width) // 2, _TOP)
        self.show()
        self.raise_()
        self.box.setFocus(Qt.FocusReason.ShortcutFocusReason)
        self.box.selectAll()
        self._look_up(self.box.text())

    def close_up(self) -> None:
        """Put it away; what was found stays selected."""
        if self.isVisible():
            self.hide()
            self.closed.emit()

    def _look_up(self, text: str) -> None:
        words = text.casefold().split()
        scene = self._view.scene_
        self._found = [
            id_
            for id_ in scene.reading_order()
            if words and all(w in f"{id_} {self._words(id_)}".casefold() for w in words)
        ]
        # What is called so comes before what merely has it in its data.
        phrase = " ".join(words)
        self._found.sort(key=lambda id_: phrase not in self._words(id_).split("\n")[0].casefold())
        self._at = 0
        self._show()

    def _words(self, id_: str) -> str:
        item = self._view.scene_.parts.get(id_)
        kind = item.part.kind.replace("_", " ") if item is not None else "lead"
        return f"{kind} {self._view.scene_.words(id_)}"

    def _step(self, by: int) -> None:
        if self._found:
            self._at = (self._at + by) % len(self._found)
            self._show()

    def _show(self) -> None:
        if not self._found:
            self.count.setText("none" if self.box.text().strip() else "")
            return
        self.count.setText(f"{self._at + 1} of {len(self._found)}")
        id_ = self._found[self._at]
        kept = tuple(i for i in self._view.keys.kept if i != id_)
        self._view.workbench.select((*kept, id_))
        self._view.ensure_seen(id_)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        if event.type() == QEvent.Type.KeyPress and isinstance(event, QKeyEvent):
            key = event.key()
            if key in (Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Down):
                self._step(1)
            elif key == Qt.Key.Key_Up:
                self._step(-1)
            elif key == Qt.Key.Key_Escape:
                self.close_up()
            else:
                return False
            return True
        escape = isinstance(event, QKeyEvent) and event.key() == Qt.Key.Key_Escape
        if event.type() == QEvent.Type.ShortcutOverride and escape:
            event.accept()  # it is the window's key as well; here it closes this box
            return True
        return False

    def _dress(self, look: Look) -> None:
        p = look.palette
        self.setStyleSheet(
            f"#finder {{ background: {p.card.name()}; border: 1px solid {p.ink.name()};"
            f" border-radius: 6px; }} QLabel {{ color: {p.muted.name()}; }}"
        )
        for widget in (self.box, self.count):
            widget.setFont(look.font("text"))

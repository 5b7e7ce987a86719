"""All keys on one card."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFrame, QGridLayout, QLabel, QWidget

if TYPE_CHECKING:
    from PySide6.QtGui import QKeyEvent, QMouseEvent

    from app.look import Look

KEYS = (
    ("Q", "your quad in a minute: six questions"),
    ("1 … 9, 0", "choose an option; the base, so that changes go to all"),
    ("E, Shift+N", "change this option (name, order, base …); a new one"),
    ("B", "before / after: change places with the pinned option"),
    ("Shift+P", "pin the present option, or let it go"),
    ("P", "noise path: PWM ripple, edges, slow flow, off"),
    ("Z", "slow motion: space, arrows, comma, full stop (edges), L, Escape"),
    ("F", "findings: every limit, option and event"),
    ("W", "what would help, what is not known, what if a part fails"),
    ("Ctrl+P, Ctrl+Shift+P", "report of two pages; card to solder by"),
    ("C", "hang two cursors on the curves, or put them away"),
    ("A", "watch the current of what is selected; again: duty, then off"),
    ("G", "go to the figure that decides (or click it, on a card or in the answer)"),
    ("I, T", "probe of a clip: 1x, 10x, ground wire, limit, AC; the truth without it"),
    ("Ctrl+I", "a real scope's recording over the curves; dragged with Shift"),
    ("V", "next view: over time, spectrum, impedance, where the joules go"),
    ("+ or N", "tray of parts"),
    ("Enter", "sheet of the selected part"),
    ("H", "hang a clip on what is selected, or off; its ground at a second part"),
    ("L, Shift+L", "join two parts, or end a lead at a part; its other end instead"),
    ("Y", "split a pair into plus and minus, or join it"),
    ("X held", "break it: touch a part, then 1 to 4 or the list; Shift+X stays"),
    ("Delete", "take the selected parts out"),
    ("Ctrl+C, X, V, D", "copy, cut, paste, duplicate parts, also from build to build"),
    ("M, Shift+M", "mirror left and right; a mirrored copy"),
    ("R, U, S", "turn by 45°; one deck up; spread the decks"),
    ("K, Ctrl+A", "keep while Tab goes on to the next; select all"),
    ("Ctrl+F", "find a part"),
    ("Home, Ctrl + −", "fit the frame; zoom"),
    ("Ctrl+Z, Ctrl+Shift+Z", "undo, redo (also Ctrl+Y)"),
    ("Ctrl+N, O, S, Shift+S", "new, open, save, save as"),
    ("Ctrl+Shift+C, E", "copy the curves; save them as PNG, SVG or CSV"),
    ("Ctrl+E", "save the drawing: PNG, SVG, PDF"),
    ("F1", "what the selected part models, and what it leaves out"),
    ("F2", "rename the build"),
    ("Page up, page down", "previous and next event"),
    ("F6, Shift+F6", "to the next area: top row, note, cards, frame, curves; back"),
    ("O", "outline: the same build as a list"),
    ("D", "light or dark"),
    ("F11", "large type for a projector"),
    ("Esc", "close a sheet"),
)


class KeysSheet(QFrame):
    """Any key or click puts it away."""

    def __init__(self, look: Look, parent: QWidget) -> None:
        super().__init__(parent)
        self._look = look
        self.setAccessibleName("Keys")
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        grid = QGridLayout(self)
        grid.setContentsMargins(22, 16, 22, 16)
        grid.setHorizontalSpacing(20)
        grid.setVerticalSpacing(5)
        self._labels: list[tuple[QLabel, QLabel]] = []
        for row, (key, words) in enumerate(KEYS):
            pair = (QLabel(key), QLabel(words))
            for column, label in enumerate(pair):
                grid.addWidget(label, row, column)
            self._labels.append(pair)
        look.changed.connect(self._restyle)
        self._restyle()
        self.hide()

    def open(self) -> None:
        """In the middle of the window."""
        self.adjustSize()
        area = self.parentWidget().rect()
        self.resize(self.size().boundedTo(area.size()))
        self.move((area.width() - self.width()) // 2, (area.height() - self.height()) // 2)
        self.show()
        self.raise_()
        self.setFocus()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        self.hide()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self.hide()

    def _restyle(self) -> None:
        p = self._look.palette
        self.setStyleSheet(
            f"KeysSheet {{ background: {p.card.name()}; border: 1.5px solid {p.ink.name()};"
            " border-radius: 8px; }"
        )
        for key, words in self._labels:
            key.setFont(self._look.font("name"))
            words.setFont(self._look.font())

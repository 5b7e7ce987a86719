"""The presenter's own window: notes, the next card, hands, time."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, QTimer
from PySide6.QtWidgets import QLabel, QVBoxLayout, QWidget

if TYPE_CHECKING:
    from app.look import Look
    from app.workshop.course import Course
    from sim.lessons import Card, Number

KEYS = (
    "→ next, ← back, space reveal, 1 to 4 a hand (Shift takes it back), B before / after, "
    "P noise path, Z slow motion (K pauses, comma and full stop go from edge to edge), "
    "R the room's trace, H handout, Home first card and back, Esc leave"
)


class Presenter(QWidget):
    """Small type, for one reader."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self.setWindowTitle("Presenter – Rippletree")
        self.resize(560, 480)
        self._look = look
        self._began = time.monotonic()
        self.clock, self.now, self.notes, self.after, self.keys = (
            QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText) for _ in range(5)
        )
        self.keys.setText(KEYS)
        column = QVBoxLayout(self)
        column.setContentsMargins(18, 14, 18, 14)
        column.setSpacing(10)
        for label in (self.clock, self.now, self.notes, self.after):
            column.addWidget(label)
        column.addStretch(1)
        column.addWidget(self.keys)
        self._minutes = 0
        tick = QTimer(self, interval=1000)
        tick.timeout.connect(self._tell_time)
        tick.start()

    def show_notes(self, course: Course, numbers: dict[str, Number], traced: str = "") -> None:
        """Notes of the present card, what the room's trace tells, and a look at the next."""
        card, after = course.card, course.next_card
        self._minutes = course.lesson.minutes
        self.now.setText(f"{course.at + 1} of {len(course.lesson.cards)}: {card.title}")
        known = [numbers[n].text + " " + numbers[n].words for n in card.figures if n in numbers]
        self.notes.setText("\n".join([card.notes, *known, traced]).strip() or "No notes.")
        self.after.setText("Last card." if after is None else _told(after))
        self._dress()
        self._tell_time()

    def _tell_time(self) -> None:
        gone = int(time.monotonic() - self._began)
        self.clock.setText(f"{gone // 60}:{gone % 60:02d} of {self._minutes} minutes")

    def _dress(self) -> None:
        p = self._look.palette
        self.setPalette(self._look.qt_palette())
        self.setAutoFillBackground(True)
        for label, points, colour in (
            (self.clock, 11, p.muted), (self.now, 14, p.ink), (self.notes, 13, p.ink),
            (self.after, 12, p.muted), (self.keys, 10, p.muted),
        ):  # fmt: skip
            font = label.font()
            font.setPointSizeF(points)
            label.setFont(font)
            label.setStyleSheet(f"color: {colour.name()}")


def _told(card: Card) -> str:
    """The next card as the presenter wants to know it: what it asks, and the note to it."""
    head = f"Next: {card.title}"
    rows = [head, card.text, " / ".join(choice.text for choice in card.choices), card.notes]
    return "\n".join(row for row in rows if row)

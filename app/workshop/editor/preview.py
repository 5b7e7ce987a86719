"""The card as the class will read it, in its own proportions, and whether all of it fits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QCheckBox, QLabel, QVBoxLayout, QWidget

from app.look import Look
from app.workshop.course import Course
from app.workshop.lesson_panel import LessonPanel

if TYPE_CHECKING:
    from app.workshop.editor.live import LiveFigures
    from sim.lessons import Card, Lesson

#: The card on the smallest projector, px, and how wide it is shown here.
_WIDE, _HIGH = 460, 692
_SHOWN = 330


class Preview(QWidget):
    """Draws a card with the lesson player's own panel."""

    def __init__(self, look: Look, live: LiveFigures) -> None:
        super().__init__()
        self._desk = look
        self._live = live
        self._room = Look(look.dark, self)
        self._room.set_projector(True)
        self.revealed = QCheckBox("After the reveal")
        self.picture = QLabel(alignment=Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignHCenter)
        self.picture.setAccessibleName("Preview of the card")
        self.fits = QLabel(wordWrap=True)
        column = QVBoxLayout(self)
        column.setContentsMargins(8, 8, 8, 8)
        column.addWidget(self.revealed)
        column.addWidget(self.picture)
        column.addWidget(self.fits)
        column.addStretch(1)
        self.setFixedWidth(_SHOWN + 16)

    def show_card(self, lesson: Lesson, at: int) -> None:
        """Draw the card at `at`; what it asks for and nothing has is left out."""
        self._room.set_dark(self._desk.dark)
        card = _sound(lesson, lesson.cards[at])
        self.revealed.setVisible(card.kind in ("guess", "measure"))
        cards = (*lesson.cards[:at], card, *lesson.cards[at + 1 :])
        course = Course(replace(lesson, cards=cards), at=at)
        if self.revealed.isChecked():
            course.reveal()
        panel = LessonPanel(self._room)
        panel.setFixedWidth(_WIDE)
        panel.show_card(course, self._live.numbers, "")
        layout = panel.layout()
        assert layout is not None
        layout.activate()
        needed = max(layout.totalHeightForWidth(_WIDE), layout.totalMinimumSize().height())
        panel.resize(_WIDE, max(_HIGH, needed))
        ratio = self.devicePixelRatioF()
        shown = panel.grab().scaledToWidth(
            round(_SHOWN * ratio), Qt.TransformationMode.SmoothTransformation
        )
        shown.setDevicePixelRatio(ratio)
        self.picture.setPixmap(shown)
        self.picture.setAccessibleDescription(panel.in_words())
        panel.deleteLater()
        more = "More text than fits on the card at 720 lines: some of it is cut."
        self.fits.setText(more if needed > _HIGH else "")


def _sound(lesson: Lesson, card: Card) -> Card:
    """The card without figures that are not there (yet)."""
    names = {figure.name for figure in lesson.figures}
    guess = card.guess
    if guess is not None and not {guess.figure, guess.over or guess.figure} <= names:
        guess = None
    return replace(card, guess=guess, figures=tuple(n for n in card.figures if n in names))

"""What holds for a whole lesson: title, minutes, story, rule, and the screen it starts from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from msgspec.structs import replace
from PySide6.QtCore import Signal
from PySide6.QtWidgets import QGridLayout, QLabel, QPushButton, QSpinBox, QVBoxLayout, QWidget

from app.workshop.editor.fields import Line, Text, caption
from sim import lesson_draft
from sim.lessons import Screen

if TYPE_CHECKING:
    from app.workshop.editor.draft import Draft

_LONGEST = 600


class LessonForm(QWidget):
    """Shows and changes what is no card's.

    Signals
    -------
    take_wanted : build, option and event are to be those of the bench
    """

    take_wanted = Signal()

    def __init__(self, draft: Draft) -> None:
        super().__init__()
        self._draft = draft
        self.title = Line("Title of the lesson", lambda text: self._set(title=text))
        self.minutes = QSpinBox(minimum=1, maximum=_LONGEST)
        self.minutes.setButtonSymbols(QSpinBox.ButtonSymbols.NoButtons)
        self.minutes.setAccessibleName("Minutes")
        self.minutes.valueChanged.connect(lambda minutes: self._set(minutes=minutes))
        self.story = Text("Story, in the list of lessons", lambda text: self._set(story=text), 2)
        self.rule = Text("Rule of thumb, on the handout", lambda text: self._set(rule=text), 2)
        self.screen = QLabel(wordWrap=True)
        self.take = QPushButton("Take build, option and event from the bench")
        self.take.clicked.connect(self.take_wanted)
        grid = QGridLayout()
        grid.setColumnStretch(1, 1)
        for row, (words, box) in enumerate((
            ("Title", self.title), ("Minutes", self.minutes), ("Story", self.story),
            ("Rule of thumb", self.rule), ("Starts from", self.screen), ("", self.take),
        )):  # fmt: skip
            grid.addWidget(caption(words, box), row, 0)
            grid.addWidget(box, row, 1)
        column = QVBoxLayout(self)
        column.setContentsMargins(10, 8, 10, 8)
        column.addLayout(grid)
        column.addStretch(1)

    def show_lesson(self) -> None:
        """As it is now."""
        lesson = self._draft.lesson
        self.title.put(lesson.title)
        self.minutes.blockSignals(True)
        self.minutes.setValue(lesson.minutes)
        self.minutes.blockSignals(False)
        self.story.put(lesson.story)
        self.rule.put(lesson.rule)
        self.screen.setText(lesson_draft.screen_words(lesson, Screen()))

    def _set(self, **fields: Any) -> None:
        changed = replace(self._draft.lesson, **fields)
        self._draft.do("The lesson", changed, f"lesson {'+'.join(fields)}")

"""Figures that the engine works out for a lesson, and claims that they must bear out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from msgspec.structs import replace
from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from app.workshop.editor.card_form import NONE
from app.workshop.editor.fields import Choose, Line, caption, number_in
from sim import lesson_draft, lessons
from sim.errors import SimError
from sim.lessons import READS_WORDS, Claim

if TYPE_CHECKING:
    from app.workshop.editor.draft import Draft
    from app.workshop.editor.live import LiveFigures
    from sim.lessons import Figure, Lesson


class FigureForm(QWidget):
    """The list of figures, and the one that is chosen.

    Signals
    -------
    new_wanted : a figure of what is selected on the bench, on the screen as it is now
    take_wanted : the chosen figure's screen is to be that of the bench
    """

    new_wanted = Signal()
    take_wanted = Signal()

    def __init__(self, draft: Draft, live: LiveFigures) -> None:
        super().__init__()
        self._draft = draft
        self._live = live
        self.list = QListWidget()
        self.list.setAccessibleName("Figures")
        self.list.setMaximumHeight(150)
        self.list.currentRowChanged.connect(lambda _: self._show_one())
        self.new = QPushButton("New figure from the bench")
        self.new.setToolTip("What is selected on the frame, on the screen as it is now (Ctrl+F)")
        self.new.clicked.connect(self.new_wanted)
        self.copy = QPushButton("Duplicate")
        self.copy.clicked.connect(self._duplicate)
        self.delete = QPushButton("Delete")
        self.delete.clicked.connect(self._delete)
        buttons = QHBoxLayout()
        for button in (self.new, self.copy, self.delete):
            buttons.addWidget(button)
        buttons.addStretch(1)
        self.name = Line("Name of the figure", self._rename)
        self.words = Line("What the room reads beside it", lambda text: self._set(words=text))
        self.reads = Choose("What is read", lambda reads: self._set(reads=reads))
        self.place = Choose("Place or part", lambda at: self._set(at=at), typed=True)
        self.ground = Choose("Against", lambda at: self._set(ground=at or None), typed=True)
        self.hz = Line("Frequency", lambda text: self._set(hz=text or None), hint="24 kHz")
        self.screen = QLabel(wordWrap=True)
        self.take = QPushButton("Take the screen as it is now")
        self.take.clicked.connect(self.take_wanted)
        self.value = QLabel(wordWrap=True)
        self.value.setAccessibleName("What the engine says")
        self._one = QWidget()
        grid = QGridLayout(self._one)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setColumnStretch(1, 1)
        self._captions = {}
        for row, (words, box) in enumerate((
            ("Name", self.name), ("Words", self.words), ("Reads", self.reads), ("At", self.place),
            ("Against", self.ground), ("Frequency", self.hz), ("Screen", self.screen),
            ("", self.take), ("Engine says", self.value),
        )):  # fmt: skip
            self._captions[box] = caption(words, box)
            grid.addWidget(self._captions[box], row, 0)
            grid.addWidget(box, row, 1)
        column = QVBoxLayout(self)
        column.setContentsMargins(10, 8, 10, 8)
        column.addWidget(self.list)
        column.addLayout(buttons)
        column.addWidget(self._one)
        column.addStretch(1)

    @property
    def at(self) -> int:
        """Index of the chosen figure, -1 if there is none."""
        return min(self.list.currentRow(), len(self._draft.lesson.figures) - 1)

    def show_figures(self) -> None:
        """All of them, with what the engine says by now."""
        figures = self._draft.lesson.figures
        rows = [f"{f.name}:  {self._said(f)}" for f in figures]
        at = max(min(self.list.currentRow(), len(rows) - 1), 0) if rows else -1
        self.list.blockSignals(True)
        while self.list.count() > len(rows):
            self.list.takeItem(self.list.count() - 1)
        for k, row in enumerate(rows):
            if k == self.list.count():
                self.list.addItem(row)
            self.list.item(k).setText(row)
        self.list.setCurrentRow(at)
        self.list.blockSignals(False)
        self._show_one()

    def choose(self, index: int) -> None:
        """Go to a figure."""
        self.list.setCurrentRow(index)

    def _show_one(self) -> None:
        lesson, at = self._draft.lesson, self.at
        self._one.setVisible(at >= 0)
        for button in (self.copy, self.delete):
            button.setEnabled(at >= 0)
        if at < 0:
            return
        figure = lesson.figures[at]
        if not (self.name.hasFocus() and self._refused(self.name.text())):
            self.name.put(figure.name)
        self.words.put(figure.words)
        self.reads.put(list(READS_WORDS.items()), figure.reads)
        places = [(p, p) for p in _places(lesson, figure)]
        self.place.put([("", "") if not places else NONE, *places], figure.at)
        self.ground.put([("", "the same place"), *places], figure.ground or "")
        self.hz.put("" if figure.hz is None else str(figure.hz))
        for box, there in ((self.place, bool(places)), (self.hz, figure.reads == "impedance"),
                           (self.ground, figure.reads in _VOLTS)):  # fmt: skip
            box.setVisible(there)
            self._captions[box].setVisible(there)
        self.screen.setText(lesson_draft.screen_words(lesson, figure.screen))
        self.value.setText(self._refused(self.name.text()) or self._said(figure))

    def _refused(self, name: str) -> str:
        """Why the chosen figure cannot be called so; "" if it can."""
        if not name:
            return "A figure has a name."
        others = (f.name for k, f in enumerate(self._draft.lesson.figures) if k != self.at)
        return f"Another figure is called “{name}”." if name in others else ""

    def _rename(self, name: str) -> None:
        """Taken once it is free: cards must not end up with another figure half-way."""
        if self._refused(name):
            self._show_one()
        else:
            self._set(name=name)

    def _said(self, figure: Figure) -> str:
        if figure.name in self._live.why:
            return self._live.why[figure.name]
        number = self._live.numbers.get(figure.name)
        return "…" if number is None else number.text

    def _set(self, **fields: Any) -> None:
        if self.at < 0:
            return
        figure = self._draft.lesson.figures[self.at]
        if fields.get("reads") == "impedance" and figure.hz is None:
            fields["hz"] = "24 kHz"
        changed = lesson_draft.with_figure(self._draft.lesson, self.at, replace(figure, **fields))
        self._draft.do("Figure", changed, f"figure {self.at} {'+'.join(fields)}")

    def _duplicate(self) -> None:
        lesson = self._draft.lesson
        figure = lesson.figures[self.at]
        self.add(lesson, replace(figure, name=lesson_draft.free_name(lesson, figure.name)))

    def add(self, lesson: Lesson, figure: Figure) -> None:
        """One more, which is then chosen."""
        self._draft.do("New figure", replace(lesson, figures=(*lesson.figures, figure)))
        self.choose(len(self._draft.lesson.figures) - 1)

    def _delete(self) -> None:
        lesson, at = self._draft.lesson, self.at
        kept = (*lesson.figures[:at], *lesson.figures[at + 1 :])
        self._draft.do("Delete the figure", replace(lesson, figures=kept))


_VOLTS = ("peak", "lowest", "swing", "ripple", "mean")


def _places(lesson: Lesson, figure: Figure) -> list[str]:
    try:
        return lesson_draft.places(lessons.document(lesson, figure.screen), figure.reads)
    except SimError:
        return []


class ClaimForm(QScrollArea):
    """What the lesson says, a row each, and whether the engine bears it out."""

    def __init__(self, draft: Draft, live: LiveFigures) -> None:
        super().__init__(widgetResizable=True)
        self._draft = draft
        self._live = live
        self.rows: list[tuple[Line, Choose, Choose, Line, Line, QLabel, QPushButton]] = []
        self.new = QPushButton("New claim")
        self.new.clicked.connect(self._add)
        inside = QWidget()
        self._grid = QGridLayout()
        self._grid.setColumnStretch(0, 1)
        for column, words in enumerate(("what the lesson says", "figure", "divided by", "from",
                                        "below", "engine", "")):  # fmt: skip
            self._grid.addWidget(caption(words), 0, column)
        column_ = QVBoxLayout(inside)
        column_.addLayout(self._grid)
        column_.addWidget(self.new, alignment=Qt.AlignmentFlag.AlignLeft)
        column_.addStretch(1)
        self.setWidget(inside)
        self.setFrameShape(QScrollArea.Shape.NoFrame)

    def show_claims(self) -> None:
        """All of them, with what the engine says by now."""
        lesson, numbers = self._draft.lesson, self._live.numbers
        self.new.setEnabled(bool(lesson.figures))
        while len(self.rows) > len(lesson.claims):
            for box in self.rows.pop():
                self._grid.removeWidget(box)
                box.deleteLater()
        while len(self.rows) < len(lesson.claims):
            self._make_row(len(self.rows))
        names = [(f.name, f.name) for f in lesson.figures]
        for claim, (text, figure, over, low, high, said, _) in zip(
            lesson.claims, self.rows, strict=True
        ):
            text.put(claim.text)
            figure.put(names, claim.figure)
            over.put([NONE, *names], claim.over or "")
            low.put_number(claim.at_least)
            high.put_number(claim.below)
            there = all(n in numbers for n in (claim.figure, claim.over) if n)
            words = "…"
            if there:
                value = lessons.ratio(numbers, claim)
                holds = (claim.at_least is None or value >= claim.at_least) and (
                    claim.below is None or value < claim.below
                )
                words = f"{value:.3g}, {'holds' if holds else 'does not hold'}"
            said.setText(words)

    def _make_row(self, k: int) -> None:
        row = (
            Line(f"Claim {k + 1}", lambda text: self._set(k, text=text)),
            Choose(f"Claim {k + 1}, figure", lambda name: self._set(k, figure=name)),
            Choose(f"Claim {k + 1}, divided by", lambda name: self._set(k, over=name or None)),
            Line(f"Claim {k + 1} from", lambda t: self._set(k, at_least=number_in(t)), number=True),
            Line(f"Claim {k + 1} below", lambda t: self._set(k, below=number_in(t)), number=True),
            QLabel(),
            QPushButton("Delete"),
        )
        row[-1].setAccessibleName(f"Delete claim {k + 1}")
        row[-1].clicked.connect(lambda: self._delete(k))
        for column, box in enumerate(row):
            self._grid.addWidget(box, k + 1, column)
        self.rows.append(row)

    def _set(self, k: int, **fields: Any) -> None:
        claims = list(self._draft.lesson.claims)
        claims[k] = replace(claims[k], **fields)
        key = f"claim {k} {'+'.join(fields)}"
        self._draft.do("Claim", replace(self._draft.lesson, claims=tuple(claims)), key)

    def _add(self) -> None:
        lesson = self._draft.lesson
        claim = Claim(text="what it comes to", figure=lesson.figures[0].name, at_least=0.0)
        self._draft.do("New claim", replace(lesson, claims=(*lesson.claims, claim)))

    def _delete(self, k: int) -> None:
        lesson = self._draft.lesson
        kept = (*lesson.claims[:k], *lesson.claims[k + 1 :])
        self._draft.do("Delete the claim", replace(lesson, claims=kept))

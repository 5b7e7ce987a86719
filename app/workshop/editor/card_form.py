"""One card: its words, its screen, what it asks of the engine."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from msgspec.structs import replace
from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QCheckBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from app.workshop.editor.fields import Choose, Line, Text, caption, number_in
from sim import lesson_draft, lessons
from sim.lessons import MOST_CHOICES, MOST_NUMBERS, Choice, Measurement, Ratio

if TYPE_CHECKING:
    from collections.abc import Callable

    from app.workshop.editor.draft import Draft
    from app.workshop.editor.live import LiveFigures
    from sim.lessons import Card, Lesson

NONE = ("", "none")
_MOST_MEASURED = 6


class CardForm(QWidget):
    """Shows and changes the card at `at`.

    Signals
    -------
    take_wanted, put_wanted : the card's screen is to be that of the bench, or the other way
    """

    take_wanted = Signal()
    put_wanted = Signal()

    def __init__(self, draft: Draft, live: LiveFigures) -> None:
        super().__init__()
        self._draft = draft
        self._live = live
        self.at = 0
        self.kind = Choose("Kind of card", lambda kind: self._set("Kind of card", kind=kind))
        self.title = Line("Title", lambda text: self._set("Title", title=text))
        self.text = Text("Text", lambda text: self._set("Text", text=text), 3)
        self.notes = Text("Presenter's notes", lambda text: self._set("Notes", notes=text), 2)
        self.hidden = QCheckBox("Cover frame and curves until the reveal")
        self.hidden.clicked.connect(lambda on: self._set("Cover", hidden=on))
        self.screen = QLabel(wordWrap=True)
        self.take = QPushButton("Take the screen as it is now")
        self.take.setToolTip("Build, option, event, zoom, curves, noise path, slow motion (Ctrl+T)")
        self.take.clicked.connect(self.take_wanted)
        self.put_back = QPushButton("Put it on the bench")
        self.put_back.clicked.connect(self.put_wanted)
        self.plain = QPushButton("As the lesson has it")
        self.plain.clicked.connect(
            lambda: self._set("Screen", screen=lessons.Screen(), merged=False)
        )
        grid = QGridLayout()
        grid.setHorizontalSpacing(8)
        grid.setVerticalSpacing(5)
        for row, (words, box) in enumerate((
            ("Kind", self.kind), ("Title", self.title), ("Text", self.text),
            ("Notes", self.notes), ("", self.hidden), ("Screen", self.screen),
        )):  # fmt: skip
            grid.addWidget(caption(words, box), row, 0)
            grid.addWidget(box, row, 1)
        buttons = QHBoxLayout()
        buttons.setSpacing(8)
        for button in (self.take, self.put_back, self.plain):
            buttons.addWidget(button)
        buttons.addStretch(1)
        grid.addLayout(buttons, 6, 1)
        self._asks = QVBoxLayout()
        column = QVBoxLayout(self)
        column.setContentsMargins(10, 8, 10, 8)
        column.addLayout(grid)
        column.addLayout(self._asks)
        column.addStretch(1)
        self._make_guess()
        self._make_figures()
        self._make_measured()

    @property
    def card(self) -> Card:
        return self._draft.lesson.cards[self.at]

    # What a card asks of the engine

    def _group(self, words: str) -> tuple[QWidget, QGridLayout]:
        group = QWidget()
        column = QVBoxLayout(group)
        column.setContentsMargins(0, 8, 0, 0)
        head = QLabel(words)
        font = head.font()
        font.setBold(True)
        head.setFont(font)
        column.addWidget(head)
        grid = QGridLayout()
        grid.setVerticalSpacing(4)
        column.addLayout(grid)
        self._asks.addWidget(group)
        return group, grid

    def _make_guess(self) -> None:
        self._guess, grid = self._group(
            "The guess: right is the choice whose range the figure is in"
        )
        self.guessed = Choose("Figure that is guessed", lambda name: self._set_guess(figure=name))
        self.over = Choose("Divided by", lambda name: self._set_guess(over=name or None))
        self.said = QLabel()
        self.said.setAccessibleName("What the engine says")
        row = QHBoxLayout()
        row.setSpacing(8)
        row.addWidget(self.guessed, 2)
        row.addWidget(caption("divided by", self.over))
        row.addWidget(self.over, 2)
        row.addWidget(self.said, 3)
        grid.addLayout(row, 0, 0, 1, 4)
        for column, words in enumerate(("choice", "from", "below", "")):
            grid.addWidget(caption(words), 1, column)
        self.choices: list[tuple[Line, Line, Line, QLabel]] = []
        for k in range(MOST_CHOICES):
            boxes = (
                Line(f"Choice {k + 1}", lambda text, k=k: self._set_choice(k, text=text),
                     hint="left empty: no choice" if k > 1 else ""),
                Line(f"Choice {k + 1} from", lambda text, k=k: self._set_choice(
                    k, at_least=number_in(text)), number=True),
                Line(f"Choice {k + 1} below", lambda text, k=k: self._set_choice(
                    k, below=number_in(text)), number=True),
                QLabel(),
            )  # fmt: skip
            for column, box in enumerate(boxes):
                grid.addWidget(box, 2 + k, column)
            self.choices.append(boxes)
        grid.setColumnStretch(0, 1)

    def _make_figures(self) -> None:
        self._figures, grid = self._group("Numbers the room reads, three at most")
        self.figures: list[tuple[Choose, QLabel]] = []
        for k in range(MOST_NUMBERS):
            row = (Choose(f"Number {k + 1}", lambda name, k=k: self._set_number(k, name)), QLabel())
            for column, box in enumerate(row):
                grid.addWidget(box, k, column)
            self.figures.append(row)
        grid.setColumnStretch(1, 1)

    def _make_measured(self) -> None:
        self._measured, grid = self._group("What the class may measure, and what it would tell")
        self.allowed = QSpinBox(minimum=1, maximum=_MOST_MEASURED)
        self.allowed.setButtonSymbols(QSpinBox.ButtonSymbols.NoButtons)
        self.allowed.setAccessibleName("Measurements allowed")
        self.allowed.valueChanged.connect(self._set_allowed)
        grid.addWidget(caption("allowed", self.allowed), 0, 0)
        grid.addWidget(self.allowed, 0, 1)
        self.measured: list[tuple[Line, Choose, Choose, Line]] = []
        for column, words in enumerate(("measurement", "here", "sound", "says")):
            grid.addWidget(caption(words), 1, column)
        for k in range(_MOST_MEASURED):
            row = (
                Line(f"Measurement {k + 1}", lambda text, k=k: self._set_measured(k, text=text)),
                Choose(f"Measurement {k + 1}, figure here",
                       lambda name, k=k: self._set_measured(k, figure=name)),
                Choose(f"Measurement {k + 1}, figure of a sound one",
                       lambda name, k=k: self._set_measured(k, sound=name)),
                Line(f"Measurement {k + 1} says", lambda text, k=k: self._set_measured(
                    k, says=text)),
            )  # fmt: skip
            for column, box in enumerate(row):
                grid.addWidget(box, 2 + k, column)
            self.measured.append(row)

    # What is shown

    def show_card(self) -> None:
        """The card as the lesson has it, with what the engine says by now."""
        lesson, card = self._draft.lesson, self.card
        self.kind.put(list(lesson_draft.KIND_WORDS.items()), card.kind)
        self.title.put(card.title)
        self.text.put(card.text)
        self.notes.put(card.notes)
        self.hidden.setChecked(card.hidden)
        self.screen.setText(lesson_draft.screen_words(lesson, card.screen))
        self._guess.setVisible(card.kind == "guess")
        self._figures.setVisible(card.kind in ("reveal", "sum_up") or bool(card.figures))
        self._measured.setVisible(card.kind == "measure")
        names = [NONE, *((f.name, f.name) for f in lesson.figures)]
        self._show_guess(card, names)
        for k, (box, value) in enumerate(self.figures):
            name = card.figures[k] if k < len(card.figures) else ""
            box.put(names, name)
            value.setText(self._value(name))
        self.allowed.blockSignals(True)
        self.allowed.setValue(card.allowed)
        self.allowed.blockSignals(False)
        empty = Measurement(text="", figure="", sound="", says="")
        for k, (text, figure, sound, says) in enumerate(self.measured):
            one = card.measurements[k] if k < len(card.measurements) else empty
            text.put(one.text)
            figure.put(names, one.figure)
            sound.put(names, one.sound)
            says.put(one.says)

    def _show_guess(self, card: Card, names: list[tuple[str, str]]) -> None:
        guess = card.guess or Ratio(figure="")
        self.guessed.put(names, guess.figure)
        self.over.put(names, guess.over or "")
        numbers = self._live.numbers
        there = all(n in numbers for n in (guess.figure, guess.over) if n) and bool(guess.figure)
        right = lessons.right_choice(card, numbers) if there else None
        words = self._value(guess.figure)
        if there and guess.over:
            words = f"{lessons.ratio(numbers, guess):.3g} times"
        if there and right is None:
            words += ": in no choice’s range"
        self.said.setText(f"engine: {words}" if words else "")
        for k, (text, low, high, mark) in enumerate(self.choices):
            one = card.choices[k] if k < len(card.choices) else Choice(text="")
            text.put(one.text)
            low.put_number(one.at_least)
            high.put_number(one.below)
            mark.setText("right" if there and k == right else "")

    def _value(self, name: str) -> str:
        """A figure's value as far as it is known."""
        if not name:
            return ""
        if name in self._live.why:
            return self._live.why[name]
        number = self._live.numbers.get(name)
        return "…" if number is None else f"{number.text}  {number.words}"

    # What is changed

    def _set(self, what: str, *, merged: bool = True, **fields: Any) -> None:
        key = f"card {self.at} {'+'.join(fields)}" if merged else None
        self._do(what, lambda card: replace(card, **fields), key)

    def _do(self, what: str, change: Callable[[Card], Card], merge: str | None) -> None:
        self._draft.do(what, with_card(self._draft.lesson, self.at, change(self.card)), merge)

    def _set_guess(self, **fields: Any) -> None:
        guess = replace(self.card.guess or Ratio(figure=""), **fields)
        self._set("Guess", guess=guess if guess.figure else None, merged=False)

    def _set_choice(self, k: int, **fields: Any) -> None:
        """A row that is empty counts only where a later one does not."""
        rows = _filled(self.card.choices, k, Choice(text=""))
        rows[k] = replace(rows[k], **fields)
        kept = _without_empty(rows, Choice(text=""))
        key = f"card {self.at} choice {k} {'+'.join(fields)}"
        self._do("Choice", lambda card: replace(card, choices=kept), key)

    def _set_number(self, k: int, name: str) -> None:
        rows = _filled(self.card.figures, k, "")
        rows[k] = name
        self._set("Number", figures=tuple(n for n in rows if n), merged=False)

    def _set_measured(self, k: int, **fields: Any) -> None:
        empty = Measurement(text="", figure="", sound="", says="")
        rows = _filled(self.card.measurements, k, empty)
        rows[k] = replace(rows[k], **fields)
        kept = _without_empty(rows, empty)
        key = f"card {self.at} measurement {k} {'+'.join(fields)}"
        self._do("Measurement", lambda card: replace(card, measurements=kept), key)

    def _set_allowed(self, allowed: int) -> None:
        self._set("Measurements allowed", allowed=allowed)


def with_card(lesson: Lesson, at: int, card: Card) -> Lesson:
    """The lesson with another card at `at`."""
    return replace(lesson, cards=(*lesson.cards[:at], card, *lesson.cards[at + 1 :]))


def _filled(rows: tuple[Any, ...], k: int, empty: Any) -> list[Any]:
    return [*rows, *[empty] * (k + 1 - len(rows))]


def _without_empty(rows: list[Any], empty: Any) -> tuple[Any, ...]:
    while rows and rows[-1] == empty:
        rows.pop()
    return tuple(rows)

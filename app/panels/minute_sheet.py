"""Your quad in a minute: six questions, a solved build, and what was taken for granted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QEvent, QObject, Qt, Signal
from PySide6.QtGui import QFocusEvent
from PySide6.QtWidgets import (
    QButtonGroup,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QScrollArea,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from app.panels.flow import Flow
from app.words import MARKS
from sim import quantity
from sim.errors import SimError
from sim.quick_build import NOT_ELECTRICAL, Answers, quick_build

if TYPE_CHECKING:
    from collections.abc import Sequence

    from PySide6.QtGui import QKeyEvent

    from app.look import Look
    from sim.quick_build import Assumption, QuickBuild

_WIDTH = 820
_DONT_KNOW = "Don't know"
_CAUTION = "It guesses what you do not say, and tells you what it guessed."


class Question(QWidget):
    """One question: chips of which one (or several) holds, and maybe a box for another value.

    Signals
    -------
    answered : a chip was pressed or a value typed
    """

    answered = Signal()

    def __init__(
        self,
        words: str,
        chips: Sequence[tuple[str, object]],
        look: Look,
        *,
        unit: str = "",
        several: bool = False,
    ) -> None:
        super().__init__()
        self._look = look
        self._unit = unit
        self._values: dict[QPushButton, object] = {}
        self.words = QLabel(words)
        self.setAccessibleName(words)
        self._group = QButtonGroup(self)
        self._group.setExclusive(not several)
        row = Flow(self, 6)
        for text, value in (*chips, (_DONT_KNOW, None)):
            chip = QPushButton(text, checkable=True)
            chip.setAccessibleName(f"{words} {text}")
            chip.setCursor(Qt.CursorShape.PointingHandCursor)
            chip.clicked.connect(lambda _=False, c=chip: self._clicked(c))
            chip.installEventFilter(self)
            self._group.addButton(chip)
            self._values[chip] = value
            row.addWidget(chip)
        self._none = chip
        self._none.setChecked(True)
        self.box: QLineEdit | None = None
        if unit:
            self.box = QLineEdit(placeholderText="or type it")
            self.box.setAccessibleName(f"{words} other value")
            self.box.textEdited.connect(self._typed)
            row.addWidget(self.box)
        self.error = QLabel(wordWrap=True)
        self.error.hide()

    @property
    def chips(self) -> dict[str, QPushButton]:
        """Chips by their words."""
        return {chip.text(): chip for chip in self._values}

    def answer(self) -> object:
        """The value chosen or typed (SI), None for "don't know".

        Raises
        ------
        BadUnit   if what was typed is no such quantity
        """
        text = "" if self.box is None else self.box.text().strip()
        if text:
            # A bare number is meant in the unit of the chips.
            bare = text.replace(",", ".").replace(".", "", 1).isdigit()
            return quantity.parse(f"{text} {self._usual_unit()}" if bare else text, self._unit)
        chosen = [v for chip, v in self._values.items() if chip.isChecked() and v is not None]
        if not self._group.exclusive():
            return tuple(chosen) or None
        return chosen[0] if chosen else None

    def refuse(self, error: SimError | None) -> None:
        """Say what is wrong below the chips; None: nothing is."""
        self.error.setText("" if error is None else str(error))
        self.error.setVisible(error is not None)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Tab comes to the chip that holds, so that the arrows go on from there."""
        if isinstance(event, QFocusEvent) and event.type() == QEvent.Type.FocusIn:
            by_tab = event.reason() in (
                Qt.FocusReason.TabFocusReason,
                Qt.FocusReason.BacktabFocusReason,
            )
            holds = next((c for c in self._values if c.isChecked()), watched)
            if by_tab and self._group.exclusive() and holds is not watched:
                holds.setFocus(Qt.FocusReason.OtherFocusReason)
        return False

    def first(self) -> QPushButton:
        """The chip that gets the keyboard."""
        return next(chip for chip in self._values if chip.isChecked())

    def clear(self) -> None:
        """Back to "don't know"."""
        exclusive = self._group.exclusive()
        self._group.setExclusive(False)
        for chip in self._values:
            chip.setChecked(chip is self._none)
        self._group.setExclusive(exclusive)
        if self.box is not None:
            self.box.clear()
        self.refuse(None)

    def _usual_unit(self) -> str:
        return {"m": "mm", "F": "uF"}[self._unit]

    def _clicked(self, chip: QPushButton) -> None:
        if self.box is not None:
            self.box.clear()
        self.refuse(None)
        if not self._group.exclusive():
            alone = chip is self._none or self._values[chip] == "nothing"
            for other in self._values:
                unlike = other is self._none or self._values[other] == "nothing"
                if other is not chip and (alone or unlike):
                    other.setChecked(False)
            if not any(c.isChecked() for c in self._values):
                self._none.setChecked(True)
        self.answered.emit()

    def _typed(self) -> None:
        self.refuse(None)
        exclusive = self._group.exclusive()
        self._group.setExclusive(False)
        for chip in self._values:
            chip.setChecked(False)
        self._group.setExclusive(exclusive)
        if self.box is not None and not self.box.text().strip():
            self._none.setChecked(True)
        self.answered.emit()

    def dress(self) -> None:
        p = self._look.palette
        self.words.setFont(self._look.font("name"))
        self.error.setFont(self._look.font("small"))
        self.error.setStyleSheet(f"color: {p.over.name()}")
        for chip in self._values:
            chip.setFont(self._look.font())
        if self.box is not None:
            self.box.setFont(self._look.font())
            self.box.setMaximumWidth(round(96 * self._look.scale))
        self.setStyleSheet(
            f"QPushButton {{ background: {p.card.name()}; color: {p.ink.name()};"
            f" border: 1px solid {p.muted.name()}; border-radius: 6px; padding: 4px 10px; }}"
            f"QPushButton:checked {{ background: {p.ink.name()}; color: {p.paper.name()};"
            f" border-color: {p.ink.name()}; }}"
            f"QPushButton:focus {{ border: 2px solid {p.line1.name()}; padding: 3px 9px; }}"
        )


class MinuteSheet(QFrame):
    """The questions, then what was assumed.

    Signals
    -------
    made : a `QuickBuild` to put on the bench
    closed : the sheet was put away
    """

    made = Signal(object)
    closed = Signal()

    def __init__(self, look: Look, parent: QWidget) -> None:
        super().__init__(parent)
        self._look = look
        self.setAccessibleName("Your quad in a minute")
        self.cells = Question(
            "How many cells?", [(f"{n}S", n) for n in (1, 2, 3, 4, 5, 6, 8)], look
        )
        self.propeller = Question(
            "Propellers?",
            [("31 mm whoop", 1.2), *((f"{n} in", float(n)) for n in (2, 3, 5, 7, 9))],
            look,
        )
        self.board = Question(
            "The ESCs?",
            [("all on one board", "four_in_one"), ("one on each arm", "separate")],
            look,
        )
        self.lead = Question(
            "Pack lead, plug to pads?",
            [(f"{mm} mm", mm * 1e-3) for mm in (40, 80, 120, 160)],
            look,
            unit="m",
        )
        self.capacitor = Question(
            "A capacitor on it?",
            [("none", 0.0), *((f"{uf} µF", uf * 1e-6) for uf in (220, 470, 1000))],
            look,
            unit="F",
        )
        self.hurts = Question(
            "What hurts?",
            [
                ("lines in the picture", "lines"),
                ("reboots", "reboots"),
                ("twitches", "twitches"),
                ("burnt ESCs", "burnt"),
                ("nothing yet", "nothing"),
            ],
            look,
            several=True,
        )
        self.questions = (
            self.cells, self.propeller, self.board, self.lead, self.capacitor, self.hurts,
        )  # fmt: skip
        self._title = QLabel("Your quad in a minute")
        self._under = QLabel(_CAUTION, wordWrap=True)
        self.make = QPushButton("Show me my quad")
        self.make.clicked.connect(self._make)
        self.cancel = QPushButton("Not now")
        self.cancel.clicked.connect(self.close_sheet)
        self.again = QPushButton("Change an answer")
        self.again.clicked.connect(self._ask_again)
        self.done = QPushButton("To the frame")
        self.done.clicked.connect(self.close_sheet)
        self.list = QLabel(wordWrap=True, textFormat=Qt.TextFormat.RichText)
        self.list.setAlignment(Qt.AlignmentFlag.AlignTop)
        self._pages = QStackedWidget()
        self._pages.addWidget(self._questions_page())
        self._pages.addWidget(self._assumed_page())
        column = QVBoxLayout(self)
        column.setContentsMargins(24, 18, 24, 18)
        column.setSpacing(10)
        column.addWidget(self._title)
        column.addWidget(self._under)
        column.addWidget(self._pages, 1)
        look.changed.connect(self._restyle)
        self._restyle()
        self.hide()

    def _questions_page(self) -> QWidget:
        self._asked = QWidget()
        grid = QGridLayout(self._asked)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(16)
        grid.setVerticalSpacing(8)
        for index, question in enumerate(self.questions):
            grid.addWidget(question.words, 2 * index, 0)
            grid.addWidget(question, 2 * index, 1)
            grid.addWidget(question.error, 2 * index + 1, 1)
        foot = QHBoxLayout()
        foot.setSpacing(10)
        foot.addStretch(1)
        foot.addWidget(self.cancel)
        foot.addWidget(self.make)
        grid.setRowStretch(2 * len(self.questions) - 1, 1)
        grid.setColumnStretch(1, 1)
        # Large type in a small window may need more room than there is.
        self._ask_scroll = QScrollArea(widgetResizable=True, frameShape=QFrame.Shape.NoFrame)
        self._ask_scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._ask_scroll.setWidget(self._asked)
        page = QWidget()
        column = QVBoxLayout(page)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self._ask_scroll, 1)
        column.addLayout(foot)
        return page

    def _assumed_page(self) -> QWidget:
        page = QWidget()
        column = QVBoxLayout(page)
        column.setContentsMargins(0, 0, 0, 0)
        self._scroll = QScrollArea(widgetResizable=True)
        self._scroll.setFrameShape(QFrame.Shape.NoFrame)
        self._scroll.setAccessibleName("What was assumed")
        self._scroll.setWidget(self.list)
        column.addWidget(self._scroll, 1)
        foot = QHBoxLayout()
        foot.addStretch(1)
        foot.addWidget(self.again)
        foot.addWidget(self.done)
        column.addLayout(foot)
        return page

    # Opening and closing

    def open(self) -> None:
        """The questions, in the middle of the window, with the answers given before."""
        self._show_page(0)
        self.show()
        self.raise_()
        self.cells.first().setFocus(Qt.FocusReason.OtherFocusReason)

    def close_sheet(self) -> None:
        """Put it away; the answers stay for the next time."""
        if self.isVisible():
            self.hide()
            self.closed.emit()

    def _ask_again(self) -> None:
        self.open()

    def place(self) -> None:
        """In the middle of its window, as large as it needs."""
        area = self.parentWidget().rect().adjusted(12, 12, -12, -12)
        width = min(round(_WIDTH * self._look.scale), area.width())
        self._pages.currentWidget().layout().activate()
        sides = self.layout().contentsMargins()
        asked = self._asked.heightForWidth(width - sides.left() - sides.right())
        wanted = self.sizeHint().height() - self._ask_scroll.sizeHint().height() + asked + 4
        if self._pages.currentIndex() == 1:
            wanted = min(round(620 * self._look.scale), area.height())
        height = min(wanted, area.height())
        self.resize(width, height)
        self.move(
            area.left() + (area.width() - width) // 2, area.top() + (area.height() - height) // 2
        )

    def keyPressEvent(self, event: QKeyEvent) -> None:
        key = Qt.Key(event.key())
        if key == Qt.Key.Key_Escape:
            self.close_sheet()
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self._make() if self._pages.currentIndex() == 0 else self.close_sheet()
        # Nothing goes on to the window: its keys are for the bench.

    # Answers

    def answers(self) -> Answers | None:
        """What was answered; None, and said beside the question, if that cannot be."""
        read: dict[str, object] = {}
        good = True
        for name, question in zip(
            ("cells", "propeller_inch", "board", "lead_mm", "capacitor_uf", "hurts"),
            self.questions,
            strict=True,
        ):
            try:
                value = question.answer()
            except SimError as error:
                question.refuse(error)
                good = False
                continue
            if isinstance(value, float) and name == "lead_mm":
                value = round(value * 1e3, 6)
            elif isinstance(value, float) and name == "capacitor_uf":
                value = round(value * 1e6, 6)
            read[name] = value
        return Answers(**read) if good else None  # type: ignore[arg-type]

    def _make(self) -> None:
        answers = self.answers()
        if answers is None:
            return
        try:
            made = quick_build(answers)
        except SimError as error:
            question = {"lead length": self.lead, "capacitor": self.capacitor}.get(error.where)
            (question or self.cells).refuse(error)
            return
        self.made.emit(made)

    def show_assumed(self, made: QuickBuild, hurts: Sequence[str]) -> None:
        """What the build on the bench takes for granted."""
        self.list.setText(self._assumed_text(made, hurts))
        self._show_page(1)
        self.show()
        self.raise_()
        self.done.setFocus(Qt.FocusReason.OtherFocusReason)

    def _assumed_text(self, made: QuickBuild, hurts: Sequence[str]) -> str:
        p = self._look.palette
        open_ = [a for a in made.assumptions if a.open]
        rest = [a for a in made.assumptions if not a.open]
        text = ""
        if open_:
            text += "<p><b>You did not know</b>: both cases stand among the cards.</p>"
            text += self._rows(open_)
        text += "<p><b>Nobody asked you</b>: touch the part and put in what you know.</p>"
        text += self._rows(rest)
        other = [NOT_ELECTRICAL[h] for h in NOT_ELECTRICAL if h in hurts]
        if other:
            text += "<p><b>It may not be electrical at all.</b> " + " ".join(other) + "</p>"
        return (
            f'<div style="color:{p.ink.name()}">{text}'
            f'<p style="color:{p.muted.name()}">The list stays with the build, in its notes.</p>'
            "</div>"
        )

    def _rows(self, assumptions: Sequence[Assumption]) -> str:
        muted = self._look.palette.muted.name()
        rows = "".join(
            f'<tr><td style="padding-right:14px">{a.what}</td>'
            f'<td style="padding-right:14px"><b>{a.value}</b></td>'
            f'<td style="padding-right:14px">{"" if a.open else MARKS[a.mark]}</td>'
            f'<td style="color:{muted}">{a.why}</td></tr>'
            for a in assumptions
        )
        return f'<table cellspacing="0" cellpadding="2">{rows}</table>'

    def _show_page(self, index: int) -> None:
        self._pages.setCurrentIndex(index)
        self._title.setText("Your quad in a minute" if index == 0 else "What we took for granted")
        self._under.setText(
            _CAUTION if index == 0 else "Your quad is drawn and solved behind this sheet."
        )
        self.place()

    def _restyle(self) -> None:
        p = self._look.palette
        self.setStyleSheet(
            f"MinuteSheet {{ background: {p.card.name()}; border: 1.5px solid {p.ink.name()};"
            " border-radius: 10px; }"
            f"MinuteSheet QLabel {{ color: {p.ink.name()}; background: transparent; }}"
            f"QScrollArea, QScrollArea > QWidget > QWidget {{ background: {p.card.name()}; }}"
        )
        self._title.setFont(self._look.font("title"))
        self._under.setFont(self._look.font())
        self._under.setStyleSheet(f"color: {p.muted.name()}")
        self.list.setFont(self._look.font())
        for question in self.questions:
            question.dress()
        for button in (self.make, self.done):
            button.setFont(self._look.font("name"))
            button.setStyleSheet(
                f"QPushButton {{ background: {p.ink.name()}; color: {p.paper.name()};"
                f" border: 2px solid {p.ink.name()}; border-radius: 7px; padding: 7px 16px; }}"
                f"QPushButton:focus {{ border-color: {p.line1.name()}; }}"
            )
        for button in (self.cancel, self.again):
            button.setFont(self._look.font())
            button.setStyleSheet(
                f"QPushButton {{ background: transparent; color: {p.ink.name()};"
                f" border: 1px solid {p.muted.name()}; border-radius: 7px; padding: 7px 14px; }}"
                f"QPushButton:focus {{ border: 2px solid {p.line1.name()}; padding: 6px 13px; }}"
            )
        if self.isVisible():
            self.place()

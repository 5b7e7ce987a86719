"""What would help, what is not known, what happens when a part fails: asked of the engine.

Every sentence comes from the library with its figures and where they are from.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from msgspec.structs import asdict, replace
from PySide6.QtCore import QRect, Qt, Signal
from PySide6.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from app.panels.answer_row import VERDICT_CAUTION
from app.panels.flat import FlatButton
from app.solver.errand import Errand

if TYPE_CHECKING:
    from PySide6.QtGui import QKeyEvent

    from app.look import Look
    from app.workbench import Workbench

QUESTIONS = {
    "help": "What is the smallest change that brings everything within?",
    "unknowns": "What do I not know, and does it matter?",
    "failures": "What if a part fails?",
    "carrier": "Which PWM frequency suits this supply?",
}
_MOST_FAILURES = 8


class AskSheet(QFrame):
    """Questions at the left, the answer at the right; comes up from below."""

    closed = Signal()

    def __init__(self, workbench: Workbench, look: Look, parent: QWidget) -> None:
        super().__init__(parent)
        self._workbench = workbench
        self._look = look
        self._errand: Errand | None = None
        self._advice: Any = None
        self._so_far: list[str] = []
        self._share = 0.0
        self.setAccessibleName("What would help")
        self._title = QLabel("Ask about the present option")
        self._close = FlatButton(look, "figure", "Close the questions")
        self._close.setText("×")
        self._close.clicked.connect(self.close_sheet)
        self.buttons: dict[str, QPushButton] = {}
        asks = QVBoxLayout()
        for what, words in QUESTIONS.items():
            button = QPushButton(words)
            button.setStyleSheet("text-align: left;")
            button.clicked.connect(lambda _=False, w=what: self.ask(w))
            self.buttons[what] = button
            asks.addWidget(button)
        asks.addStretch(1)
        self.answer = QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText)
        self.answer.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
        self.answer.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.answer.setAccessibleName("Answer")
        scroll = QScrollArea(widgetResizable=True, frameShape=QFrame.Shape.NoFrame)
        scroll.setWidget(self.answer)
        self.stop_button = QPushButton("Stop")
        self.stop_button.clicked.connect(self.stop)
        self.keep_button = QPushButton("Keep it as an option")
        self.keep_button.clicked.connect(self.keep)
        foot = QHBoxLayout()
        foot.addWidget(self.stop_button)
        foot.addWidget(self.keep_button)
        foot.addStretch(1)
        right = QVBoxLayout()
        right.addWidget(scroll, 1)
        right.addLayout(foot)
        head = QHBoxLayout()
        head.addWidget(self._title)
        head.addStretch(1)
        head.addWidget(self._close)
        row = QHBoxLayout()
        row.setSpacing(20)
        row.addLayout(asks)
        row.addLayout(right, 1)
        column = QVBoxLayout(self)
        column.setContentsMargins(18, 10, 18, 10)
        column.addLayout(head)
        column.addLayout(row, 1)
        # An answer is about the build and option it was asked of, and no other.
        for signal in (workbench.build_changed, workbench.option_changed):
            signal.connect(self._forget)
        look.changed.connect(self._restyle)
        self._restyle()
        self._forget()
        self.hide()

    def open(self, area: QRect) -> None:
        """Come up into `area`."""
        self.setGeometry(area)
        self.show()
        self.raise_()
        next(iter(self.buttons.values())).setFocus()

    def close_sheet(self) -> None:
        """Go, and let what is being worked out be."""
        self.stop()
        if self.isVisible():
            self.hide()
            self.closed.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Escape:
            self.close_sheet()
        else:
            super().keyPressEvent(event)

    def ask(self, what: str) -> None:
        """Have a question worked on; a newer one ends the one before."""
        self._forget()
        bench = self._workbench
        option = None if bench.option is None else bench.option + 1
        arguments: dict[str, Any] = {"option": option}
        if what == "help" and (known := self._known()) is not None:
            arguments["before"] = known
        errand = Errand(what, bench.build, arguments, self)
        self._so_far, self._share = [], 0.0
        errand.moved.connect(lambda share: self._come_so_far(what, share=share))
        errand.told.connect(lambda words: self._come_so_far(what, words=words))
        errand.done.connect(lambda found: self._show(what, found))
        errand.failed.connect(self._say_and_end)
        self._errand = errand
        self._say(f"{QUESTIONS[what]}\n\nbeing worked out…")
        self.stop_button.setVisible(True)

    def _known(self) -> dict[str, Any] | None:
        """The limit that decides the present option, if the comparison has found it already."""
        bench = self._workbench
        findings = bench.findings
        if findings is None or bench.findings_stale or findings.detail != "edges":
            return None
        name = "As drawn" if bench.option is None else bench.build.options[bench.option].name
        rows = [c for c in findings.cells if c.option == name and c.reads != "RMS"]
        worst = max(rows, key=lambda c: c.used, default=None)
        return None if worst is None else asdict(worst)

    def _come_so_far(self, what: str, words: str = "", share: float | None = None) -> None:
        """What is known already, while the rest is worked out."""
        if words:
            # failures are each a finding; the others say the same thing better and better
            self._so_far = [*self._so_far, words] if what == "failures" else [words]
        if share is not None:
            self._share = share
        known = "\n\n".join(["So far:", *self._so_far]) if self._so_far else ""
        lines = [QUESTIONS[what], f"{self._share:.0%} worked out…", known]
        self._say("\n\n".join(line for line in lines if line))

    def stop(self) -> None:
        """End what is being worked out."""
        if self._errand is not None:
            self._errand.stop()
            self._errand = None
            self._say("Stopped. Ask again, or another question.")
        self.stop_button.setVisible(False)

    def keep(self) -> None:
        """The advice as an option of the build, and look at it."""
        if self._advice is None or self._advice.option is None:
            return
        bench = self._workbench
        option = self._advice.option
        taken = {o.name for o in bench.build.options}
        name, number = option.name, 2
        while name in taken:
            name, number = f"{option.name} {number}", number + 1
        build = replace(bench.build, options=(*bench.build.options, replace(option, name=name)))
        bench.do("Keep the advice as an option", build)
        bench.set_option(len(build.options) - 1)

    def _show(self, what: str, found: Any) -> None:
        self._errand = None
        self.stop_button.setVisible(False)
        if what == "help":
            self._advice = found
            self.keep_button.setVisible(found.option is not None)
        self._say("\n\n".join([QUESTIONS[what], *in_words(what, found), VERDICT_CAUTION]))

    def _say(self, words: str) -> None:
        self.answer.setText(words)

    def _say_and_end(self, words: str) -> None:
        self._errand = None
        self.stop_button.setVisible(False)
        self._say(words)

    def _forget(self) -> None:
        if self._errand is not None:
            self._errand.stop()
            self._errand = None
        self._advice = None
        self.keep_button.setVisible(False)
        self.stop_button.setVisible(False)
        self._say("Pick a question. It is worked out with every edge and takes a while.")

    def _restyle(self) -> None:
        p = self._look.palette
        self.setStyleSheet(
            f"AskSheet {{ background: {p.card.name()};"
            f" border-top: 1.5px solid {p.ink.name()}; }}"
            f"QScrollArea, QScrollArea > QWidget > QWidget {{ background: {p.card.name()}; }}"
        )
        self._title.setFont(self._look.font("name"))
        for widget in (self.answer, self.stop_button, self.keep_button, *self.buttons.values()):
            widget.setFont(self._look.font())


def in_words(what: str, found: Any) -> list[str]:
    """An answer's paragraphs."""
    if what == "failures":
        if not found:
            return ["Nothing that could fail is in this option."]
        return [fault.says for fault in found[:_MOST_FAILURES]]
    return [found.sentence]

"""The answer in one sentence, and the caution beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QRectF, QSize, Qt, Signal
from PySide6.QtGui import QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QHBoxLayout, QLabel, QSizePolicy, QWidget

from app.going import go_to_worst
from app.spoken import announce
from app.wiring.facts import part_name
from app.words import unbroken

if TYPE_CHECKING:
    from app.look import Look
    from app.workbench import Problem, Workbench

VERDICT_CAUTION = "Within ratings in this model. Not a promise to fly."
PLUG_IN_CAUTION = "Stripe is minus. A reversed capacitor bursts. Eye protection."
BRAKING_CAUTION = "Never brake into a bench supply. Limiter for the first power-up only."

#: Share of the row's width that a caution may take before it wraps; less where type is large.
_CAUTION_SHARE, _PROJECTOR_SHARE = 0.4, 0.34


class AnswerRow(QWidget):
    """The first thing seen: best option, what it does, the limit; or why there is no answer."""

    def __init__(self, workbench: Workbench, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._workbench = workbench
        self._look = look
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.sentence = _Sentence()
        self.sentence.clicked.connect(self._go)
        self.sentence.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        self.caution = QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText)
        self.caution.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        row = QHBoxLayout(self)
        row.setContentsMargins(18, 1, 18, 1)
        row.setSpacing(24)
        row.addWidget(self.sentence, 1)
        row.addWidget(self.caution)
        workbench.findings_changed.connect(self.refresh)
        workbench.problem_changed.connect(self.refresh)
        workbench.event_changed.connect(self.refresh)
        workbench.build_changed.connect(self.refresh)
        workbench.selection_changed.connect(self.refresh)
        look.changed.connect(self._restyle)
        self._restyle()
        self.refresh()

    def minimumSizeHint(self) -> QSize:
        return QSize(200, round(40 * self._look.scale))

    def resizeEvent(self, event: object) -> None:
        self._share()

    def _share(self) -> None:
        """The caution has what its lines need, up to a share; the answer all the rest."""
        metrics = self.caution.fontMetrics()
        needs = max(metrics.horizontalAdvance(line) for line in self.caution.text().split("\n"))
        most = (_PROJECTOR_SHARE if self._look.projector else _CAUTION_SHARE) * self.width()
        self.caution.setFixedWidth(max(round(min(needs + 8, most)), 100))

    def _go(self) -> None:
        """Where the figure of the sentence is read."""
        bench = self._workbench
        if bench.findings is not None and bench.problem is None:
            go_to_worst(bench, bench.best)

    def refresh(self) -> None:
        """The sentence of the findings, or of the problem."""
        bench = self._workbench
        begun = self._begun()
        if begun:
            text = begun
        elif bench.problem is not None:
            text = self._problem_text(bench.problem)
        elif bench.findings is not None:
            text = bench.findings.sentence
        else:
            text = "Working out all options…"
        if text != self.sentence.text():
            announce(self.sentence, text, urgent=bench.problem is not None)
        self.sentence.setText(text)
        self.sentence.setAccessibleName(f"Answer: {text}")
        stale = bench.problem is None and bench.findings_stale
        p = self._look.palette
        self.sentence.setStyleSheet(f"color: {(p.muted if stale else p.ink).name()}")
        self.caution.setText("\n".join(self._cautions()))
        self.caution.setAccessibleName(f"Caution: {' '.join(self._cautions())}")
        self._share()

    def _begun(self) -> str:
        """The next thing to do on a frame with nothing to solve yet, "" once there is."""
        bench = self._workbench
        kinds = {part.kind for part in bench.build.parts}
        added = any(change.add is not None for o in bench.build.options for change in o.changes)
        if not kinds and not added:
            return "An empty frame: press “Your quad in a minute”, or put a pack on it with +."
        if kinds and kinds <= {"battery", "joint"} and not added and bench.problem is None:
            return "Next: an ESC with its motor, from the tray with +."
        return ""

    def _problem_text(self, problem: Problem) -> str:
        """The sentence, with a part called as it is on the frame."""
        text = str(problem)
        part = self._workbench.shown_build.part(problem.where)
        if part is not None:
            text = part_name(part) + text[len(problem.where) :]
        return text[:1].upper() + text[1:]

    def _cautions(self) -> list[str]:
        bench = self._workbench
        lines = [VERDICT_CAUTION]
        kinds = {part.id: part.kind for part in bench.shown_build.parts}
        touched = {kinds.get(id_) for id_ in bench.selection}
        event = bench.events[bench.event_index]
        capacitor = touched & {"electrolytic", "polymer", "ceramic"}
        if event.kind == "plug_in" or capacitor:
            lines.append(PLUG_IN_CAUTION)
        elif "bench_supply" in kinds.values() and event.kind in ("throttle", "tap", "log"):
            lines.append(BRAKING_CAUTION)
        return lines

    def _restyle(self) -> None:
        p = self._look.palette
        self.setStyleSheet(f"AnswerRow {{ background: {p.band.name()}; }}")
        self.sentence.setFont(self._look.font("answer"))
        self.caution.setFont(self._look.font("small"))
        self.caution.setStyleSheet(f"color: {p.muted.name()}")
        self.setMinimumHeight(round(40 * self._look.scale))
        self.refresh()


class _Sentence(QLabel):
    """Words to click: the curves go to the figure they tell."""

    clicked = Signal()

    def __init__(self) -> None:
        super().__init__(wordWrap=True, textFormat=Qt.TextFormat.PlainText)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setToolTip(
            "Click or Enter: frame and curves go to this figure (G for the present option)"
        )

    def setText(self, text: str) -> None:
        super().setText(unbroken(text))

    def text(self) -> str:
        return super().text().replace("\N{NO-BREAK SPACE}", " ")

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if self.rect().contains(event.position().toPoint()):
            self.clicked.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Space):
            self.clicked.emit()
        else:
            super().keyPressEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        super().paintEvent(event)
        if self.hasFocus():
            painter = QPainter(self)
            painter.setPen(
                QPen(self.palette().color(self.foregroundRole()), 1, Qt.PenStyle.DotLine)
            )
            painter.drawRect(self.rect().adjusted(0, 0, -1, -1))


class ProgressLine(QWidget):
    """A hairline that grows while an answer is on its way."""

    def __init__(self, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._look = look
        self._share = 0.0
        self._busy = False
        self.setFixedHeight(2)
        self.set_busy(False)

    def set_busy(self, busy: bool) -> None:
        if (busy, 0.0) == (self._busy, self._share) and self.accessibleName():
            return  # in a drag one answer follows the other
        self.setAccessibleName(f"Progress: {'working it out' if busy else 'done'}")
        self._busy = busy
        self._share = 0.0
        self.update()

    def set_share(self, share: float) -> None:
        self._share = share
        self.update()

    def paintEvent(self, event: object) -> None:
        if self._busy:
            width = self.width() * max(self._share, 0.02)
            QPainter(self).fillRect(QRectF(0, 0, width, 2), self._look.palette.muted)

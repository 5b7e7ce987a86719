"""The lesson on the projector: the card at the left, frame over curves at the right.

It has a bench and a solver of its own, so what is on the owner's bench stays as it is.
Left, right, page up and down, space, B and Home do everything, so a clicker does.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QHBoxLayout, QLabel, QSplitter, QVBoxLayout, QWidget

from app.look import Look
from app.scope.scope import Scope
from app.solver.client import SolverClient
from app.wiring import FrameView
from app.wiring.room_words import changed_words
from app.workbench import Workbench
from app.workshop import handouts, screens
from app.workshop.course import Course
from app.workshop.lesson_panel import BENCH_CAUTION, LessonPanel
from app.workshop.noise_layer import NoisePath
from app.workshop.presenter import Presenter
from app.workshop.room_trace import RoomTraces
from app.workshop.slow_bar import SlowBar
from app.workshop.slow_motion import SlowMotion
from app.workshop.sums import Sums
from sim import lessons
from sim.build import dumps
from sim.resolve import given_number

if TYPE_CHECKING:
    from collections.abc import Callable

    from PySide6.QtGui import QCloseEvent

    from app.workshop.kept_place import KeptPlace
    from sim.lessons import Lesson, Screen

_PANEL = 460


class LessonWindow(QWidget):
    """Plays one lesson.

    Parameters
    ----------
    sums : what works out its figures; one of its own if None
    course : where the class is; at the first card if None
    kept : keeps the class's place on disk, if not None

    Signals
    -------
    closed : the lesson was left
    """

    closed = Signal()

    def __init__(
        self,
        lesson: Lesson,
        *,
        dark: bool = False,
        solver: SolverClient | None = None,
        sums: Sums | None = None,
        course: Course | None = None,
        kept: KeptPlace | None = None,
    ) -> None:
        super().__init__()
        self._kept = kept
        self.setWindowTitle(f"{lesson.title} – Rippletree")
        self.setMinimumSize(1280, 720)
        self.look = Look(dark, self)
        self.look.set_projector(True)
        self.course = course or Course(lesson)
        self.solver = solver or SolverClient()
        self.solver.setParent(self)
        first = lessons.build_of(lesson, lessons.Screen())
        self.bench = Workbench(first, self.solver, self, compares=False)
        self.sums = sums or Sums(lesson, self)
        self._why = self._room_why = ""
        self._make_layout()
        self.presenter = Presenter(self.look)
        self._make_keys()
        self.solver.message.connect(self.bench.take)
        self.sums.came.connect(lambda _: self.refresh())
        self.sums.failed.connect(self._fail)
        self.panel.counted.connect(self._pressed)
        self.room.changed.connect(self.refresh)
        self.room.failed.connect(self._room_says)
        self.bench.option_changed.connect(self._tell_changed)
        self._shown_screen: Screen | None = None
        self.show_card()

    def _make_layout(self) -> None:
        self.panel = LessonPanel(self.look)
        self.panel.setFixedWidth(_PANEL)
        self.frame = FrameView(self.bench, self.look)
        self.frame.set_plain()
        self.noise_path = NoisePath(self.frame, self.bench, self.look)
        self.room = RoomTraces(self.bench, self._trace_may_show, self)
        self.scope = Scope(self.bench, self.look, plain=True, recordings=self.room)
        self.slow = SlowMotion(self.frame, self.bench, self.look)
        self.slow.set_scope(self.scope)
        self.slow_bar = SlowBar(self.slow, self.bench, self.look, keys=False)
        # The class looks; keys are the presenter's.
        for widget in (self.frame, self.scope, self.scope.ribbon):
            widget.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.body = QSplitter(Qt.Orientation.Vertical)
        self.body.setHandleWidth(1)
        self.body.addWidget(self.frame)
        self.body.addWidget(self.scope)
        self.body.setSizes([370, 322])
        self.cover = QLabel(alignment=Qt.AlignmentFlag.AlignCenter, wordWrap=True)
        self.cover.setMargin(30)
        right = QVBoxLayout()
        right.addWidget(self.body, 1)
        right.addWidget(self.slow_bar)
        right.addWidget(self.cover)
        row = QHBoxLayout(self)
        row.setContentsMargins(14, 14, 14, 14)
        row.setSpacing(14)
        row.addWidget(self.panel)
        row.addLayout(right, 1)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setFocus()
        self._paint_ground()
        self.look.changed.connect(self._paint_ground)

    def _paint_ground(self) -> None:
        p = self.look.palette
        self.setStyleSheet(self.look.stylesheet())
        self.setPalette(self.look.qt_palette())
        self.setAutoFillBackground(True)
        self.cover.setStyleSheet(
            f"color: {p.ink.name()}; background: {p.band.name()}; border-radius: 10px;"
        )

    def _make_keys(self) -> None:
        def key(keys: str, act: Callable[[], object]) -> None:
            QShortcut(QKeySequence(keys), self).activated.connect(act)

        for keys in ("Right", "PgDown"):
            key(keys, lambda: self.go(1))
        for keys in ("Left", "PgUp"):
            key(keys, lambda: self.go(-1))
        key("Space", self.reveal)
        key("B", self.bench.swap_pinned)
        key("Home", self.home)
        key("P", self.noise_path.next_band)
        key("Z", self._slow_motion)
        key("K", self.slow.play_or_pause)
        key(",", lambda: self.slow.step_edge(-1))
        key(".", lambda: self.slow.step_edge(1))
        key("D", self._other_ground)
        key("N", self.show_presenter)
        key("R", self.room.key)
        key("H", self._handout)
        key("F11", self._full_screen)
        key("Esc", self.close)
        for number in range(1, 10):
            key(str(number), lambda k=number - 1: self._pressed(k, 1))
            key(f"Shift+{number}", lambda k=number - 1: self._pressed(k, -1))

    # What keys do

    def go(self, step: int) -> None:
        """To the next or the previous card."""
        if self.course.go(step):
            self.show_card()

    def home(self) -> None:
        """To the first card; again, back to where the class was."""
        self.course.home()
        self.show_card()

    def reveal(self) -> None:
        """The answer to a guess; where there is none to hide, on to the next card."""
        if self.course.reveal():
            self.show_card()
        else:
            self.go(1)

    def show_presenter(self) -> None:
        """Notes and the next card, in a window for the presenter's own screen."""
        self.presenter.show()
        self.presenter.raise_()
        self.refresh()

    def _pressed(self, which: int, hands: int) -> None:
        if self.course.card.kind == "measure" and hands > 0:
            self.course.measure(which)
        else:
            self.course.count(which, hands)
        self.refresh()

    def _handout(self) -> None:
        """The lesson on paper, for the class or for the instructor."""
        menu = handouts.menu(self, self.course.lesson, self.sums.numbers, self._room_says)
        menu.popup(self.mapToGlobal(self.rect().center()))

    def _slow_motion(self) -> None:
        """Only where the curves may be seen: nothing gives an answer away."""
        if self.body.isVisible():
            self.slow.toggle()

    def _other_ground(self) -> None:
        self.look.set_dark(not self.look.dark)

    def _full_screen(self) -> None:
        self.setWindowState(self.windowState() ^ Qt.WindowState.WindowFullScreen)

    # What is shown

    def show_card(self) -> None:
        """The present card, and the screen it asks for."""
        self._room_why = ""
        self._show_screen(self.course.card.screen)
        # a reveal shows the room's trace, too
        self.room.changed.emit()
        slow = self.course.card.screen.slow
        if slow is not None and self.body.isVisibleTo(self):
            self.slow.begin(given_number(slow, "s", "slow"))

    def refresh(self) -> None:
        """The card with what is known by now."""
        if self._kept is not None:
            self._kept.keep(self.course)
        self.panel.show_card(self.course, self.sums.numbers, self._why or self._room_why)
        self.presenter.show_notes(self.course, self.sums.numbers, self.room.in_words())
        bench_task = self.course.card.kind == "bench"
        covered = self.course.covered or bench_task
        self.cover.setText(BENCH_CAUTION if bench_task else "First your guess.")
        said = self._measured()
        if said:
            self.cover.setText(said)
        elif self.course.covered and self.course.card.kind != "guess":
            self.cover.setText("First find it.")
        if self.course.card.kind == "measure":
            covered = True
        self.cover.setFont(self.look.font("text" if bench_task or said else "title"))
        if covered:
            self.bench.set_slow(False)
        self.body.setVisible(not covered)
        self.cover.setVisible(covered)

    def _trace_may_show(self) -> bool:
        """The room's recording is an answer too: it waits for the reveal."""
        course = self.course
        return course.shown and not course.covered and course.card.kind != "ask"

    def _measured(self) -> str:
        """What the measurements taken have shown; after the reveal all of them."""
        course, numbers = self.course, self.sums.numbers
        if course.card.kind != "measure":
            return ""
        lines = []
        for k, one in enumerate(course.card.measurements):
            if k not in course.taken() and not course.shown:
                continue
            if one.figure in numbers and one.sound in numbers:
                found, sound = numbers[one.figure].text, numbers[one.sound].text
                lines.append(f"{k + 1}  {found}, sound {sound}. {one.says}")
        return "\n".join(lines)

    def _show_screen(self, screen: Screen) -> None:
        if screen == self._shown_screen:
            return
        self._shown_screen = screen
        bench = self.bench
        screens.put(bench, self.course.lesson, screen)
        self._tell_changed()
        self.room.set_scene((dumps(bench.build), bench.option, bench.event_index))

    def _tell_changed(self) -> None:
        """Beside the parts: what the screen, or the option in front, has otherwise."""
        screen = self._shown_screen
        if screen is not None:
            before = lessons.document(self.course.lesson, screen)
            self.frame.show_changed(changed_words(before, self.bench.shown_build))

    def _room_says(self, why: str) -> None:
        self._room_why = why
        self.refresh()

    def _fail(self, why: str) -> None:
        self._why = why
        self.refresh()

    def closeEvent(self, event: QCloseEvent) -> None:
        if self._kept is not None and self.course.next_card is None:
            self._kept.forget()
        self.sums.stop()
        self.room.stop()
        self.solver.close()
        self.presenter.close()
        self.closed.emit()
        event.accept()

"""What is on the bench: the document, its undo stack, the selection, and the present answer.

Views read from here and write through `do` and `preview`; they never talk to
each other or to the solver. The model itself (`Build`) is immutable data.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import msgspec
from PySide6.QtCore import QObject, Signal
from PySide6.QtGui import QUndoStack

from app.problem import Problem, ids_named, marks
from app.snapshot import Snapshot
from app.solver.protocol import (
    Across,
    Answer,
    Between,
    Curves,
    Fault,
    FindingsRow,
    Flows,
    Ghost,
    Goal,
    Joules,
    LaidRow,
    Moments,
    Moved,
    Request,
    Zoom,
)
from sim.build import events_of
from sim.errors import SimError
from sim.options import apply, through_option

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from app.solver.protocol import CellRow, Laying, Message
    from sim.build import Build, Event, Option


# Half of what is shown around a moment that was gone to, s: some ten PWM periods in all.
_LOOK_S = 200e-6
# How far off the extremes of a curve may be while a hand moves it: so many pixels, or V, the more.
_SLACK_PIXELS, _LEAST_SLACK = 1.5, 0.5


class Solver(Protocol):
    """What the workbench needs of a solver client."""

    def request(self, request: Request) -> None: ...

    def zoom(self, zoom: Zoom) -> None: ...


class Workbench(QObject):
    """The one mutable thing: which build, which option, which event, what is selected.

    Signals
    -------
    build_changed : the document changed (edit, undo, redo, another file)
    preview_changed : a temporary document during a drag came or went
    scope_changed : `only_here` changed
    option_changed, event_changed, selection_changed, path_changed, pinned_changed
    answer_changed : `answer` or `ghost` changed
    stale_changed : a newer answer is on its way
    window_changed, cursors_changed : the stretch shown; the two cursors
    truth_changed : whether clips show the truth or what their probes make of it
    view_changed : how the answer is looked at: "time", "spectrum", "impedance", "joules"
    noise_changed : which band of the noise path is shown
    flows_changed : `flows`, which conductor carries what, changed
    slow_changed, moments_changed : whether slow motion is on; what it plays, `moments`
    across_changed : `across`, what such a view shows, changed
    between_changed : `between`, the figures at and between the cursors, changed
    replaced : another document is on the bench
    laid : a `LaidRow`, what `lay` asked for
    findings_changed : `findings` or `findings_stale` changed
    moved_changed : `moved` or `asking_about` changed
    problem_changed : `problem` changed
    """

    build_changed = Signal()
    preview_changed = Signal()
    selection_changed = Signal()
    option_changed = Signal()
    event_changed = Signal()
    answer_changed = Signal()
    stale_changed = Signal()
    findings_changed = Signal()
    moved_changed = Signal()
    problem_changed = Signal()
    path_changed = Signal()
    pinned_changed = Signal()
    scope_changed = Signal()
    window_changed = Signal()
    cursors_changed = Signal()
    between_changed = Signal()
    truth_changed = Signal()
    view_changed = Signal()
    across_changed = Signal()
    noise_changed = Signal()
    flows_changed = Signal()
    slow_changed = Signal()
    moments_changed = Signal()
    replaced = Signal()
    laid = Signal(object)

    def __init__(
        self,
        build: Build,
        solver: Solver | None = None,
        parent: QObject | None = None,
        *,
        compares: bool = True,
    ) -> None:
        super().__init__(parent)
        #: Whether all options are held against all limits; a lesson asks for no verdict.
        self._compares = compares
        self.undo_stack = QUndoStack(self)
        self._build = build
        self._solver = solver
        self._preview: Build | None = None
        self._shown: Build | None = None
        self._path: Path | None = None
        self._option: int | None = 0 if build.options else None
        self._looked_at: int | None = None
        self._only_here = False
        self._scope_chosen = False
        self._event = 0
        self._selection: tuple[str, ...] = ()
        self._pinned = _first_pin(build)
        self._window: tuple[float, float] | None = None
        self._cursors: tuple[float, float] | None = None
        self._columns = 800
        self._pixel = 0.0
        self._request_id = 0
        self.answer: Answer | None = None
        self.ghost: Ghost | None = None
        self.between: tuple[Between, ...] = ()
        self.across: Across | Joules | None = None
        self.flows: Flows | None = None
        self._noise: int | None = None
        self.moments: Moments | None = None
        self._slow = False
        self._truth = False
        self._timing = 0
        self._goal: Goal | None = None
        self._going = False
        self._view = "time"
        self.findings: FindingsRow | None = None
        self.moved: Moved | None = None
        self.asking_about = False
        self.problem: Problem | None = None
        self.stale = solver is not None
        self.findings_stale = solver is not None and compares

    # The document

    @property
    def build(self) -> Build:
        """The document, without a preview."""
        return self._build

    @property
    def drawn(self) -> Build:
        """The preview while one is shown, else the document; no option applied."""
        return self._build if self._preview is None else self._preview

    @property
    def shown_build(self) -> Build:
        """What is drawn and solved: `drawn` with the present option applied.

        An option that does not fit the build (its target was deleted) leaves it
        as drawn; the solver's answer then says what is wrong.
        """
        if self._shown is None:
            try:
                self._shown = apply(self.drawn, self._option_of(self.drawn))
            except SimError:
                self._shown = self.drawn
        return self._shown

    @property
    def path(self) -> Path | None:
        return self._path

    def set_path(self, path: Path | None) -> None:
        self._path = path
        self.path_changed.emit()

    def replace(self, build: Build, path: Path | None = None) -> None:
        """Put another document on the bench; the undo history starts anew."""
        self.undo_stack.clear()
        self._preview = None
        self._path = path
        self._build = build
        self._option = 0 if build.options else None
        self._scope_chosen = False
        self._put_scope(False)
        self._event = 0
        self._pinned = _first_pin(build)
        self._window = None
        self._goal, self._timing = None, 0
        self.set_cursors(None)
        self.answer = None
        self.ghost = None
        self.findings = None
        self._shown = None
        self._set_problem(None)
        self._selection = ()
        self.replaced.emit()
        self.path_changed.emit()
        self.build_changed.emit()
        self.option_changed.emit()
        self.event_changed.emit()
        self.pinned_changed.emit()
        self.selection_changed.emit()
        self.answer_changed.emit()
        self.findings_changed.emit()
        self.ask()

    def do(self, text: str, build: Build, merge: str | None = None) -> None:
        """Make `build` the document as one undo step called `text`.

        Steps with the same `merge` key that follow each other become one step:
        a drag gives the key, so letting go needs no special case.
        """
        if build == self._build:
            self.preview(None)
            return
        self._preview = None
        self.undo_stack.push(Snapshot(self._set_build, text, self._build, build, merge))

    def preview(self, build: Build | None) -> None:
        """Show a temporary document while something is dragged; None drops it."""
        if build is self._preview:
            return
        self._preview = build
        self._shown = None
        self.preview_changed.emit()
        self.ask(live=build is not None)

    def _set_build(self, build: Build) -> None:
        self._build = build
        self._preview = None
        self._shown = None
        self._option = _within(self._option, len(build.options))
        self._pinned = _within(self._pinned, len(build.options))
        known = {part.id for part in build.parts} | {lead.id for lead in build.leads}
        known |= {change.add.id for o in build.options for change in o.changes if change.add}
        kept = tuple(id_ for id_ in self._selection if id_ in known)
        self.build_changed.emit()
        if kept != self._selection:
            self.select(kept)
        self.ask()

    # What is looked at

    @property
    def option(self) -> int | None:
        """Index of the present option; None is the build as drawn."""
        return self._option

    @property
    def only_here(self) -> bool:
        """Whether changes go into the present option alone instead of all of them."""
        return self._only_here and self._option is not None

    def set_only_here(self, only: bool) -> None:
        """Where changes go from now on; choosing a card no longer decides it."""
        self._scope_chosen = True
        self._put_scope(only)

    def _put_scope(self, only: bool) -> None:
        if only != self._only_here:
            self._only_here = only
            self.scope_changed.emit()

    def choose_option(self, option: int | None) -> None:
        """A hand took hold of a card: what is drawn now goes into that option.

        Where the user has said that changes go into all options, they go on doing so.
        """
        if not self._scope_chosen:
            self._put_scope(option is not None)
        self.set_option(option)

    def through(self, edit: Callable[[Build], Build], build: Build | None = None) -> Build:
        """The document with an edit of what is shown, kept where changes go now.

        `build` is the document to start from, the present one if not given.

        Raises
        ------
        SimError   if it cannot be done
        """
        start = self._build if build is None else build
        return through_option(start, self._option, edit, only_here=self.only_here)

    def set_option(self, option: int | None) -> None:
        if option != self._option:
            self._looked_at = self._option
            self._option = option
            self._shown = None
            self.option_changed.emit()
            self.ask(findings=False)

    @property
    def event_index(self) -> int:
        """Index of the present event in `events`."""
        return self._event

    @property
    def events(self) -> tuple[Event, ...]:
        """Events of the build, or the ones it gets when it names none."""
        return events_of(self._build)

    def set_event(self, event: int) -> None:
        if event != self._event:
            self._event = event
            self._window = None
            self._goal, self._timing = None, 0
            self.set_cursors(None)
            self.event_changed.emit()
            self.ask(findings=False)

    @property
    def timing(self) -> int:
        """ESC timing of the curves; the comparison has all of them."""
        return self._timing

    def go_to(self, cell: CellRow) -> None:
        """Show a figure where it is read: option, event, ESC timing, place and moment.

        The moment comes with the answer, and the curves then look closer at it.
        """
        options, events = self._build.options, self.events
        option = next((i for i, o in enumerate(options) if o.name == cell.option), None)
        event = next((i for i, e in enumerate(events) if e.name == cell.event), self._event)
        other_option, other_event = option != self._option, event != self._event
        self._option, self._event, self._timing = option, event, cell.seed
        self._goal = Goal(cell.place, cell.reads, cell.unit)
        self._window, self._shown = None, None
        self._going = True
        self.set_cursors(None)
        if other_option:
            self.option_changed.emit()
        if other_event:
            self.event_changed.emit()
        self.select((cell.part,))
        self.ask(findings=False)

    def _arrive(self, answer: Answer) -> None:
        """Look closer at the moment that was gone to, once."""
        if not self._going or answer.goal != self._goal:
            return
        self._going = False
        moment = answer.moment_s
        if moment is not None:
            self._window = around(moment, answer.duration_s)
            self.window_changed.emit()

    @property
    def truth(self) -> bool:
        """Whether clips show what is there, whatever probe they have."""
        return self._truth

    def set_truth(self, truth: bool) -> None:
        """Take all probes away, or put them on again; nothing is solved."""
        if truth != self._truth:
            self._truth = truth
            self.truth_changed.emit()
            self._zoom()

    @property
    def pinned(self) -> int | None:
        """Option drawn dotted behind the curves; None is none."""
        return self._pinned

    def set_pinned(self, pinned: int | None) -> None:
        if pinned != self._pinned:
            self._pinned = pinned
            self.ghost = None
            self.pinned_changed.emit()
            self.ask(findings=False)

    def swap_pinned(self) -> None:
        """Before and after: the pinned option becomes the present one, and the other way.

        Where the present one is itself pinned, or none is, the other is the one looked at
        last, else the best.
        """
        if self._option is None:
            return
        other = self._pinned
        if other is None or other == self._option:
            other = self._other_option()
        if other is None:
            return
        self._option, self._pinned = other, self._option
        self._shown = None
        self.ghost = None
        self.option_changed.emit()
        self.pinned_changed.emit()
        self.ask(findings=False)

    @property
    def best(self) -> int | None:
        """The option called best, where it stands now; None where none is, or it is gone.

        By its name: options may have changed places since they were compared.
        """
        if self.findings is None or self.findings.best is None:
            return None
        called = self.findings.cards[self.findings.best].option
        names = [option.name for option in self._build.options]
        return names.index(called) if called in names else None

    def _other_option(self) -> int | None:
        for index in (self._looked_at, self.best, *range(len(self._build.options))):
            if index is not None and index != self._option and index < len(self._build.options):
                return index
        return None

    @property
    def selection(self) -> tuple[str, ...]:
        """Ids of selected parts and leads."""
        return self._selection

    def select(self, ids: Iterable[str]) -> None:
        ids = tuple(ids)
        if ids != self._selection:
            self._selection = ids
            self.selection_changed.emit()

    @property
    def window(self) -> tuple[float, float] | None:
        """The stretch of the event that the curves show, in seconds; None is all of it."""
        return self._window

    def set_window(self, window: tuple[float, float] | None) -> None:
        """Look closer; the last solution is evaluated again, nothing is solved."""
        if window == self._window:
            return
        self._window = window
        self._set_moments(None)
        self.window_changed.emit()
        self._zoom()

    @property
    def cursors(self) -> tuple[float, float] | None:
        """Times of the cursors A and B in seconds; None while they are put away."""
        return self._cursors

    def set_cursors(self, cursors: tuple[float, float] | None) -> None:
        """Hang the cursors at two times, or put them away; figures follow in `between`."""
        if cursors == self._cursors:
            return
        self._cursors = cursors
        self.cursors_changed.emit()
        if cursors is None:
            self._set_between(())
        else:
            self._read_cursors()

    def _read_cursors(self) -> None:
        if self._solver is None or self.answer is None or self.stale or self._cursors is None:
            return
        window = self._window or (0.0, self.answer.duration_s)
        self._read_off(window, 0)

    @property
    def view(self) -> str:
        """How the answer is looked at: "time", "spectrum", "impedance" or "joules"."""
        return self._view

    def set_view(self, view: str) -> None:
        """Look at the same answer otherwise; nothing is solved again."""
        if view != self._view:
            self._view = view
            self.across = None
            self.view_changed.emit()
            self._read_view()

    @property
    def noise(self) -> int | None:
        """Band of the noise path that is drawn on the frame: 0 slow, 1 PWM, 2 edges; or None."""
        return self._noise

    def set_noise(self, noise: int | None) -> None:
        """Draw the current of a band on the frame, or no more."""
        if noise == self._noise:
            return
        first = self._noise is None
        self._noise = noise
        if noise is None:
            self.flows = None
        self.noise_changed.emit()
        if first:
            self._read_view()

    @property
    def slow(self) -> bool:
        """Whether the stretch shown is read at instants, to be played in slow motion."""
        return self._slow

    def set_slow(self, slow: bool) -> None:
        """Have what is shown read for slow motion, or no more."""
        if slow == self._slow:
            return
        self._slow = slow
        self._set_moments(None)
        self.slow_changed.emit()
        if slow:
            self._read_view()

    def _set_moments(self, moments: Moments | None) -> None:
        if moments is not self.moments:
            self.moments = moments
            self.moments_changed.emit()

    def _read_view(self) -> None:
        wanted = self._view != "time" or self._noise is not None or self._slow
        if self.answer is not None and not self.stale and wanted:
            self._read_off(self._window or (0.0, self.answer.duration_s), 0)

    def lay(self, laying: Laying) -> None:
        """Have a recording held against what is on the screen; `laid` tells the row."""
        if self._solver is None or self.answer is None or self.stale:
            return
        window = self._window or (0.0, self.answer.duration_s)
        self._read_off(window, 0, laying)

    def _set_between(self, between: tuple[Between, ...]) -> None:
        if between != self.between:
            self.between = between
            self.between_changed.emit()

    def set_columns(self, columns: int) -> None:
        """Width of the curves in pixels."""
        columns = max(100, min(columns, 4000))
        if columns != self._columns:
            self._columns = columns
            self._zoom()

    def set_pixel(self, height: float) -> None:
        """What a pixel's height stands for on the curves, in V or A, the least of several."""
        self._pixel = height

    def _stretch(self) -> tuple[float, float]:
        return self._window or (0.0, 0.0 if self.answer is None else self.answer.duration_s)

    def _zoom(self) -> None:
        """Ask for the present window, unless an answer on its way brings it."""
        if self._solver is None or self.answer is None or self.stale:
            return
        window = self._window or (0.0, self.answer.duration_s)
        self._read_off(window, self._columns)

    def _read_off(
        self, window: tuple[float, float], columns: int, laying: Laying | None = None
    ) -> None:
        if self._solver is not None:
            self._solver.zoom(
                Zoom(
                    id=self._request_id,
                    window=window,
                    columns=columns,
                    cursors=self._cursors,
                    view=self._view,
                    flows=self._noise is not None,
                    moments=self._slow and self.moments is None,
                    truth=self._truth,
                    laying=laying,
                )
            )

    # The answer

    def ask_about(self, variants: tuple[Build, Build]) -> None:
        """Have the worst figure of the present option worked out for two other builds, too."""
        if self._solver is not None:
            self.ask(findings=False, variants=variants)

    def stop_asking_about(self) -> None:
        """What was asked about other builds is not wanted any more."""
        if self.asking_about:
            self.ask(findings=False)
        elif self.moved is not None:
            self._set_moved(None, False)

    def _set_moved(self, moved: Moved | None, asking: bool) -> None:
        if moved is not self.moved or asking != self.asking_about:
            self.moved, self.asking_about = moved, asking
            self.moved_changed.emit()

    def ask(
        self, *, findings: bool = True, live: bool = False, variants: tuple[Build, ...] = ()
    ) -> None:
        """Have the present picture solved; the newest request wins."""
        if self._solver is None:
            return
        self._set_moved(None, bool(variants))
        # currents of another picture are not shown on this one
        self._set_moments(None)
        if not live and self.flows is not None:
            self.flows = None
            self.flows_changed.emit()
        self._request_id += 1
        ghost: tuple[int | None, ...] = ()
        # (while a hand drags nothing is drawn behind the curves)
        if self._pinned is not None and self._pinned != self._option and not live:
            ghost = (self._pinned,)
        # A comparison that was still due is asked for again with the newer request.
        due = self.findings is not None and not self.findings.whole
        findings = (findings or self.findings_stale or due) and not live and self._compares
        self._solver.request(
            Request(
                id=self._request_id,
                build=self.drawn,
                option=self._option,
                event=self._event,
                ghost=ghost,
                columns=self._columns,
                window=self._window,
                findings=findings,
                variants=variants,
                live=live,
                truth=self._truth,
                timing=self._timing,
                goal=self._goal,
                slack=max(_LEAST_SLACK, _SLACK_PIXELS * self._pixel),
            )
        )
        # Told once, not at every move of a drag: views would draw all anew each time.
        if (findings or live) and not self.findings_stale:
            self.findings_stale = True
            self.findings_changed.emit()
        if not self.stale:
            self.stale = True
            self.stale_changed.emit()

    def take(
        self,
        message: Message,
    ) -> None:
        """Show what the solver sent, unless it answers a question nobody asks any more."""
        newest = message.request_id == self._request_id
        # While a value is dragged the picture has moved on by the time an answer
        # comes; it is still the newest there is, so it is shown and stays "stale".
        if not newest and not (isinstance(message, Answer) and message.live):
            return
        if isinstance(message, Answer):
            self.answer = message
            self.stale = not newest
            self._set_problem(None)
            self._set_moments(None)
            self._arrive(message)
            self.answer_changed.emit()
            if message.window != (self._window or (0.0, message.duration_s)):
                self._zoom()
            elif self._cursors is not None:
                self._read_cursors()
            else:
                self._read_view()
        elif isinstance(message, Curves):
            self._take_curves(message)
        elif isinstance(message, Flows):
            self.flows = message
            self.flows_changed.emit()
        elif isinstance(message, Moments):
            # of the stretch that is shown; one that has been left meanwhile is not wanted
            if self._slow and self.answer is not None and message.window == self._stretch():
                self._set_moments(message)
        elif isinstance(message, Across | Joules):
            self.across = message
            self.across_changed.emit()
        elif isinstance(message, LaidRow):
            self.laid.emit(message)
        elif isinstance(message, Ghost):
            self.ghost = message
            self.answer_changed.emit()
            if not _covers(message, self._stretch()):
                self._zoom()
        elif isinstance(message, Moved):
            self._set_moved(message, False)
        elif isinstance(message, FindingsRow):
            self.findings = message
            self.findings_stale = False
            self.findings_changed.emit()
        elif isinstance(message, Fault):
            self._take_fault(message)

    def _take_curves(self, message: Curves) -> None:
        if self.answer is None:
            return
        if self._cursors is not None and message.between:
            self._set_between(message.between)
        if not message.curves:
            return
        self.answer = _with_curves(self.answer, message)
        if self.ghost is not None and message.ghost:
            self.ghost = Ghost(self.ghost.request_id, self.ghost.option, message.ghost)
        self.answer_changed.emit()

    def _take_fault(self, fault: Fault) -> None:
        self._set_moved(None, False)
        if fault.stage == "findings":
            self.findings_stale = False
        else:
            self.stale = False
        self._set_problem(
            Problem(
                fault.kind,
                fault.where,
                fault.what,
                fault.hint,
                ids_named(self.shown_build, fault.where),
                fault.report,
                marks(self.shown_build, fault),
                compared=fault.stage != "findings",
            )
        )
        self.answer_changed.emit()
        self.findings_changed.emit()

    def _set_problem(self, problem: Problem | None) -> None:
        if problem != self.problem:
            self.problem = problem
            self.problem_changed.emit()

    def _option_of(self, build: Build) -> Option | None:
        if self._option is None or self._option >= len(build.options):
            return None
        return build.options[self._option]


def around(moment: float, duration: float) -> tuple[float, float]:
    """A stretch around a moment (s): some carrier periods, and no more than a tenth of it all."""
    half = min(_LOOK_S, 0.05 * duration)
    start = min(max(moment - half, 0.0), max(duration - 2.0 * half, 0.0))
    return start, min(start + 2.0 * half, duration)


def _first_pin(build: Build) -> int | None:
    """The first option is the plain one in every sample: the others are held against it."""
    return 0 if len(build.options) > 1 else None


def _within(index: int | None, count: int) -> int | None:
    if index is None or count == 0:
        return None
    return min(index, count - 1)


def _covers(ghost: Ghost, window: tuple[float, float]) -> bool:
    """Whether a ghost was drawn over this window: it may have been asked for before a zoom."""
    return all((c.t[0], c.t[-1]) == window for c in ghost.curves if len(c.t))


def _with_curves(answer: Answer, message: Curves) -> Answer:
    return msgspec.structs.replace(
        answer, curves=message.curves, window=message.window, edges=message.edges
    )

"""Messages between the window and the solver process.

Plain records, pickled through a pipe between two processes of our own (never
into a file). The window must not import scipy, so nothing here refers to the
engine's own classes; the worker copies their figures into these rows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

if TYPE_CHECKING:
    import numpy as np

    from sim.build import Build


class Goal(msgspec.Struct, frozen=True):
    """A figure to go to: the place, and what is read there, as in `CellRow`."""

    place: str
    reads: str
    unit: str


class Request(msgspec.Struct, frozen=True, kw_only=True):
    """One thing to be solved.

    Attributes
    ----------
    id : rising number; an answer carries it back
    option, event : index from 0; option None is the build as drawn
    ghost : indices (None: as drawn) of an option to draw dotted behind, or () for none
    columns : number of time steps of the curves, about one per pixel
    window : (from, to) in seconds, None for the whole event
    findings : also compare all options over all events
    variants : two other builds, of which only the worst figure of `option` is wanted
    live : one of many while a value is dragged; a later live request lets it end
    truth : clips show what is there, whatever probe they have
    timing : ESC timing (a seed) of the curves; what is compared has all of them
    goal : a figure whose moment is wanted with the answer
    slack : of a `live` one, how far off an extreme of a curve may be, in V or A
    """

    id: int
    build: Build
    option: int | None = None
    event: int = 0
    ghost: tuple[int | None, ...] = ()
    columns: int = 800
    window: tuple[float, float] | None = None
    findings: bool = True
    variants: tuple[Build, ...] = ()
    live: bool = False
    truth: bool = False
    timing: int = 0
    goal: Goal | None = None
    slack: float = 0.5


class Laying(msgspec.Struct, frozen=True, eq=False, kw_only=True):
    """A recording to lay over a clip's curve, as `sim.overlay.lay` has it.

    Attributes
    ----------
    key : of the curve
    event : index of the event it was recorded in
    times, values : from the scope's trigger, s, and the curve's unit
    within : stretch of the event that is looked at closely, s; None for all of it
    number : of the asking, which its row gives back
    """

    key: tuple[str, str, str | None]
    event: int
    times: np.ndarray
    values: np.ndarray
    how: str = "as it is"
    shift_s: float = 0.0
    within: tuple[float, float] | None = None
    number: int = 0


class Zoom(msgspec.Struct, frozen=True, kw_only=True):
    """The last solutions read off anew; nothing is solved again.

    Attributes
    ----------
    window, columns : curves over another window; 0 columns: the curves are not asked for
    cursors : two times in seconds, figures at and between them are wanted; or None
    view : "time", or what is wanted besides: "spectrum", "impedance" or "joules"
    flows : also which conductor carries what
    moments : also all currents and clips at the same instants of the window
    truth : as in `Request`
    laying : a recording to be held against the solution; None for none
    """

    id: int
    window: tuple[float, float]
    columns: int
    cursors: tuple[float, float] | None = None
    view: str = "time"
    flows: bool = False
    moments: bool = False
    truth: bool = False
    laying: Laying | None = None


class Limit(msgspec.Struct, frozen=True):
    """A limit at a place: its name, value, and whether it must not be exceeded or undercut."""

    label: str
    value: float
    upper: bool


class Curve(msgspec.Struct, frozen=True, eq=False):
    """A signal between `t[k]` and `t[k+1]` lies between `low[k]` and `high[k]`.

    t has one value more than low and high. `reads` is the kind of the signal, which has
    its unit: V, A, turns a minute or percent. `peak` and `lowest` are over the
    whole event; where nothing is known of the ripple they are the slow ones and
    `slow` says so. `note` is what has to be said of it, "" mostly.
    `probe` says through what it is seen ("10x, 150 mm ground wire"), "" where it is the truth;
    peak and lowest are then of what is drawn.
    """

    place: str
    ground: str | None
    label: str
    t: np.ndarray
    low: np.ndarray
    high: np.ndarray
    limits: tuple[Limit, ...] = ()
    peak: float | None = None
    lowest: float | None = None
    slow: bool = False
    reads: str = "volts"
    note: str = ""
    probe: str = ""

    @property
    def key(self) -> tuple[str, str, str | None]:
        """What it is of: the same in the curves of another option."""
        return self.reads, self.place, self.ground


class JointRow(msgspec.Struct, frozen=True):
    """Figures of one place, V; None where the level of detail does not know them."""

    id: str
    label: str
    peak_V: float | None
    min_V: float | None
    mean_V: float | None
    pp_V: float | None
    rms_ac_V: float | None
    start_V: float | None
    slow_peak_V: float | None
    slow_min_V: float | None

    @property
    def highest(self) -> float | None:
        """The true peak, else the slow one."""
        return self.slow_peak_V if self.peak_V is None else self.peak_V


class RatingRow(msgspec.Struct, frozen=True):
    """Use of one rating: value over limit (a lower limit: limit over value)."""

    name: str
    limit: float
    value: float | None
    used: float | None
    unit: str
    verdict: str
    reads: str
    place: str


class PartRow(msgspec.Struct, frozen=True):
    """Figures of one part."""

    id: str
    kind: str
    peak_A: float | None
    rms_A: float | None
    loss_J: float | None
    ratings: tuple[RatingRow, ...]

    @property
    def worst(self) -> RatingRow | None:
        """The rating used most."""
        known = [rating for rating in self.ratings if rating.used is not None]
        return max(known, key=lambda rating: rating.used or 0.0, default=None)


class EnergyRow(msgspec.Struct, frozen=True):
    """The ledger, J; `residual` relative to what was turned over."""

    from_sources_J: float
    dissipated_J: float
    stored_change_J: float
    residual: float


class Answer(msgspec.Struct, frozen=True, eq=False, kw_only=True):
    """Curves and figures of the present option and event.

    `slack`: of a live one, how far off an extreme of a curve may be, in V or A.
    `compiling`: the kernels are not there yet, once on a machine, and pictures take longer.
    """

    request_id: int
    option: int | None
    event: int
    event_name: str
    detail: str
    stable: bool
    duration_s: float
    window: tuple[float, float]
    curves: tuple[Curve, ...]
    overview: Curve | None
    joints: tuple[JointRow, ...]
    parts: tuple[PartRow, ...]
    energy: EnergyRow | None
    not_covered: tuple[str, ...]
    solve_s: float
    live: bool = False
    slack: float = 0.0
    edges: tuple[float, ...] = ()
    timing: int = 0
    goal: Goal | None = None
    moment_s: float | None = None
    compiling: bool = False

    def joint(self, place: str) -> JointRow | None:
        """Figures at an address, also by a part's bare id."""
        for row in self.joints:
            if row.id == place:
                return row
        return next((row for row in self.joints if row.id.split(".")[0] == place), None)

    def part(self, id_: str) -> PartRow | None:
        """Figures of a part."""
        return next((row for row in self.parts if row.id == id_), None)


class Between(msgspec.Struct, frozen=True):
    """A clipped place at two times, and over the stretch between them, in its unit.

    `bands` holds RMS values by frequency with the bands' names, none while they are read.

    `slow`: nothing is known of the ripple, so lowest, highest and RMS are of the slow course.
    """

    place: str
    ground: str | None
    at: tuple[float, float]
    lowest: float
    highest: float
    mean: float
    rms_ac: float
    slow: bool = False
    reads: str = "volts"
    bands: tuple[tuple[str, float], ...] = ()

    @property
    def key(self) -> tuple[str, str, str | None]:
        """What it is of, as a curve's."""
        return self.reads, self.place, self.ground


class Curves(msgspec.Struct, frozen=True, eq=False):
    """The answer to a zoom; `between` holds a row a clip where cursors were given.

    `edges` are the times (s) at which a bridge switches within the window, none where they
    are too many to tell apart.
    """

    request_id: int
    window: tuple[float, float]
    curves: tuple[Curve, ...]
    ghost: tuple[Curve, ...] = ()
    between: tuple[Between, ...] = ()
    edges: tuple[float, ...] = ()


class Line(msgspec.Struct, frozen=True, eq=False):
    """A curve over frequency: the value (V or Ohm, above 0) at each of `hz`."""

    place: str
    label: str
    hz: np.ndarray
    value: np.ndarray


class HzMark(msgspec.Struct, frozen=True):
    """A frequency with a reason; `kind` groups what is drawn alike."""

    hz: float
    label: str
    kind: str


class Across(msgspec.Struct, frozen=True, eq=False, kw_only=True):
    """A view over frequency; `why` says what it cannot show."""

    request_id: int
    view: str
    unit: str
    lines: tuple[Line, ...] = ()
    marks: tuple[HzMark, ...] = ()
    why: str = ""


class LeadFlow(msgspec.Struct, frozen=True):
    """Current along a lead from its `from` to its `to`, A, in three bands: slow, PWM, edges.

    `turn` holds the complex amplitude of the band's strongest frequency as (real, imaginary);
    in the slow band the mean current.
    """

    id: str
    rms: tuple[float, float, float]
    turn: tuple[tuple[float, float], tuple[float, float], tuple[float, float]]


class Flows(msgspec.Struct, frozen=True, kw_only=True):
    """Which conductor carries what over a stretch, in s; `hz` of each band's motion."""

    request_id: int
    window: tuple[float, float]
    hz: tuple[float, float, float]
    leads: tuple[LeadFlow, ...]


class Moments(msgspec.Struct, frozen=True, eq=False, kw_only=True):
    """Currents and clips at the same instants of a stretch; straight lines lie between them.

    Attributes
    ----------
    t : (T,) instants, s, both sides of every edge among them
    edges : (E,) times at which a bridge switches, s; none where they are too many to tell apart
    leads, amps : ids, and (leads, T) the current along each from its `from` to its `to`, A
    clips, values : keys as a curve's, and (clips, T) what each reads without its probe
    """

    request_id: int
    window: tuple[float, float]
    t: np.ndarray
    edges: np.ndarray
    leads: tuple[str, ...]
    amps: np.ndarray
    clips: tuple[tuple[str, str, str | None], ...]
    values: np.ndarray


class Bar(msgspec.Struct, frozen=True):
    """What one part turned into heat, work on the air, or its load's use."""

    label: str
    joule: float


class Joules(msgspec.Struct, frozen=True, kw_only=True):
    """Where the energy of a stretch came from and went."""

    request_id: int
    from_sources: float
    stored_change: float
    bars: tuple[Bar, ...]


class LaidRow(msgspec.Struct, frozen=True, kw_only=True):
    """Where a recording lies and how far it is off, as `sim.overlay.Laid`; or `why` it cannot.

    `how` is what was asked for.
    """

    request_id: int
    key: tuple[str, str, str | None]
    how: str
    shift_s: float = 0.0
    course: str = "true"
    rms: float = 0.0
    peak: float = 0.0
    peak_at_s: float = 0.0
    recorded: tuple[float, float] = (0.0, 0.0)
    model: tuple[float, float] = (0.0, 0.0)
    shared_s: float = 0.0
    why: str = ""
    number: int = 0


class Ghost(msgspec.Struct, frozen=True, eq=False):
    """Curves of the option to compare with."""

    request_id: int
    option: int | None
    curves: tuple[Curve, ...]


class CellRow(msgspec.Struct, frozen=True):
    """One rating of one part in one option and event; `typical` is the median over timings."""

    option: str
    event: str
    place: str
    label: str
    part: str
    rating: str
    reads: str
    value: float
    typical: float
    limit: float
    unit: str
    used: float
    verdict: str
    seed: int = 0


class CardRow(msgspec.Struct, frozen=True):
    """An option and the rating that decides it; None where nothing has a limit, or not `solved`."""

    option: str
    verdict: str | None
    worst: CellRow | None
    solved: bool = True


class FindingsRow(msgspec.Struct, frozen=True, eq=False):
    """All options over all events; not `whole`: of one event only, the rest is on its way."""

    request_id: int
    cells: tuple[CellRow, ...]
    cards: tuple[CardRow, ...]
    best: int | None
    sentence: str
    detail: str
    whole: bool = True


class Moved(msgspec.Struct, frozen=True, eq=False):
    """The worst figure of one option over all events: as it is, and of both variants.

    None where nothing has a limit, or a variant cannot be solved.
    """

    request_id: int
    base: CellRow | None
    less: CellRow | None
    more: CellRow | None
    detail: str


class Fault(msgspec.Struct, frozen=True):
    """What went wrong: a sentence for the user, or a report for us.

    `kind` is the name of the error class, "" when it is a fault of the program;
    only then `report` holds text to copy. `also` holds (where, what) of what else is broken
    when the rest could be solved; that answer came before.
    `stage` is "curves", "ghost" or "findings".
    """

    request_id: int
    kind: str
    where: str
    what: str
    hint: str
    stage: str
    report: str = ""
    also: tuple[tuple[str, str], ...] = ()


class Progress(msgspec.Struct, frozen=True):
    """Share done, 0 to 1."""

    request_id: int
    share: float


class ReadyForNext(msgspec.Struct, frozen=True):
    """A request of a drag is solved: while it is read off, the next of the drag can be solved."""

    request_id: int


class Done(msgspec.Struct, frozen=True):
    """The worker is free; `cancelled` when a newer request stopped it."""

    request_id: int
    cancelled: bool


Message = (
    Answer
    | Curves
    | Across
    | Joules
    | Flows
    | Moments
    | LaidRow
    | Ghost
    | FindingsRow
    | Moved
    | Fault
    | Progress
    | ReadyForNext
    | Done
)

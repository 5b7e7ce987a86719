"""From the engine's solution to the rows and curves that the window shows."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec.structs import replace

from app.solver.protocol import (
    Answer,
    Between,
    CardRow,
    CellRow,
    Curve,
    EnergyRow,
    FindingsRow,
    JointRow,
    Limit,
    PartRow,
    RatingRow,
)
from sim import measure, returns
from sim.build import Clip, events_of
from sim.details import moment_of
from sim.errors import Cancelled, SimError
from sim.findings import card_of
from sim.probe import SPRING_M, probe_of
from sim.probe import band as probe_band
from sim.probe import look as probe_look
from sim.signals import Signal
from sim.solution import Band
from sim.verdict import LOWER

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from app.solver.protocol import Goal, Request
    from sim.build import Build, Event
    from sim.network import Network
    from sim.probe import Probe
    from sim.solution import Solution

# More edges than this in a window stand closer than a hand's width of pixels: not marked.
_MOST_EDGES = 160
# What switching makes swing; speeds and duties move slowly.
_SWINGING = ("volts", "offset", "amps")
_FINE = 5  # samples a column of what does not ring
# Places shown where a build hangs no clips.
_CLIPS_OFFERED = 3
_OVERVIEW = 400  # columns of the ribbon
#: While a hand drags, no extreme of a curve is further off than the request says (a pixel or two),
#: and of a figure than that or this; then a column is as wide as two. Exact on release.
LIVE_SLACK_V = 0.25


def signal_of(clip: Clip) -> Signal:
    """What a clip reads."""
    return Signal(clip.reads, clip.tip, clip.ground)


@dataclass
class Solved:
    """A solution and what is needed to read it off.

    slack_v : how far off its figures' extremes may be, in V; 0: exact
    """

    solution: Solution
    build: Build
    option: int | None
    event_index: int
    slack_v: float = 0.0
    event: Event = field(init=False)
    network: Network = field(init=False)
    clips: tuple[Clip, ...] = field(init=False)
    _passing: Clip | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        self.event = events_of(self.build)[self.event_index]
        self.network = self.solution.equations.network
        # An option may take a clipped part away; the clip then hangs in the air.
        hung = tuple(clip for clip in self.build.clips if self._hangs_on(clip))
        self.clips = hung or tuple(
            Clip(tip=place) for place in self.solution.places()[:_CLIPS_OFFERED]
        )

    def look_at(self, place: str | None) -> None:
        """Also watch a place that no clip hangs on, at the end; None: no longer."""
        hung = tuple(clip for clip in self.clips if clip != self._passing)
        self._passing = None
        if place is not None and not any((c.tip, c.reads) == (place, "volts") for c in hung):
            clip = Clip(tip=place)
            self._passing = clip if self._hangs_on(clip) else None
        self.clips = hung if self._passing is None else (*hung, self._passing)

    def _hangs_on(self, clip: Clip) -> bool:
        """Whether there is something at its tip and its ground."""
        try:
            self.solution.find(signal_of(clip))
        except SimError:
            return False
        return True


def answer(solved: Solved, request: Request, cancelled: Callable[[], bool]) -> Answer:
    """Everything the window shows of one solution.

    Raises
    ------
    Cancelled   if `cancelled`, asked between the readings, says so
    """
    solution = solved.solution
    whole = (0.0, solution.duration_s)
    window = request.window or whole
    if request.live:
        shown = _while_dragged(solved, request, window)
    else:
        # once; all below reads it again
        solution.volts_range(0.0, cancelled)
        solution.rated(0.0, cancelled)
        shown = ()
        for clip in solved.clips:
            if cancelled():
                raise Cancelled("curves", "stopped for a newer request")
            shown += curves(solved, window, request.columns, (clip,), truth=request.truth)
        solution.ready_integrals(cancelled)
    # Envelopes cost: the whole event is read off a second time only behind a zoom.
    overview = (
        shown
        if window == whole
        else curves(solved, whole, _OVERVIEW, solved.clips[:1], LIVE_SLACK_V)
    )
    return Answer(
        request_id=request.id,
        option=request.option,
        event=request.event,
        event_name=solved.event.name,
        detail=solution.detail,
        stable=solution.stable,
        duration_s=solution.duration_s,
        window=window,
        curves=shown,
        overview=overview[0] if overview else None,
        joints=tuple(_joints(solved, request.live)),
        parts=tuple(_parts(solved, request.live)),
        energy=None if request.live else EnergyRow(*_values(solution.energy, EnergyRow)),
        not_covered=tuple(solution.not_covered),
        solve_s=solution.cost.solve_s,
        live=request.live,
        slack=request.slack if request.live else 0.0,
        edges=edges(solved, window),
        timing=solution.seed,
        goal=request.goal,
        moment_s=None if request.goal is None else _moment(solution, request.goal),
    )


def read_tips(solved: Solved, cancelled: Callable[[], bool]) -> None:
    """Read the extremes of what is clipped exactly: they are printed beside its curves.

    Raises
    ------
    Cancelled   if `cancelled`, asked every few places, says so
    """
    places = set(solved.solution.places())
    tips = [clip.tip for clip in solved.clips if clip.tip in places]
    solved.solution.volts_range(0.0, cancelled, tips)


def _while_dragged(
    solved: Solved, request: Request, window: tuple[float, float]
) -> tuple[Curve, ...]:
    """Curves within a slack, with the extremes of what has a limit or a clip.

    One after the other: the next answer of the drag is solved beside. Not to be stopped.
    """
    solution, slack = solved.solution, solved.slack_v
    clipped = {clip.tip for clip in solved.clips}
    columns = max(request.columns // 2, 1)
    signals = [signal_of(clip) for clip in solved.clips if clip.reads in _SWINGING]
    band = Band(signals, columns, request.slack)
    together = bool(signals) and window == (0.0, solution.duration_s)
    places = [p for p in solution.places() if p in clipped]
    solution.rated(slack, extremes_only=True, beside=places, band=band if together else None)
    read = _read_off(solved, window, columns, solved.clips, request.slack, band.read)
    solution.volts_range(slack, None, places)
    return _put_together(solved, window, columns, solved.clips, read, request.truth)


def _moment(solution: Solution, goal: Goal) -> float | None:
    """When a run reaches a figure, s; None where it is of a whole event or place."""
    if goal.reads == "RMS" or goal.unit not in ("V", "A"):
        return None
    try:
        return moment_of(solution, goal)
    except SimError:
        return None


def edges(solved: Solved, window: tuple[float, float]) -> tuple[float, ...]:
    """Times at which a bridge switches, s; none where they are too many to be told apart."""
    times = solved.solution.edge_times(*window)
    return tuple(float(t) for t in times) if len(times) <= _MOST_EDGES else ()


def between(
    solved: Solved,
    cursors: tuple[float, float],
    *,
    bands: bool = False,
    cancelled: Callable[[], bool] | None = None,
    truth: bool = False,
) -> tuple[Between, ...]:
    """Figures of every clip at two times and over the stretch between them.

    As their probes show them, unless the `truth` is wanted; bands are of the truth only.

    Raises
    ------
    Cancelled   if `cancelled` says so; only asked with `bands`, which take a while
    """
    solution = solved.solution
    a, b = sorted(min(max(t, 0.0), solution.duration_s) for t in cursors)
    # speeds and duties have no ripple that figures would tell of
    clips = [clip for clip in solved.clips if clip.reads in _SWINGING]
    if not clips or b <= a:
        return ()
    signals = [signal_of(clip) for clip in clips]
    found = measure.between(solution, signals, a, b, bands=bands, cancelled=cancelled)
    figures = tuple(
        Between(
            place=clip.tip,
            ground=clip.ground,
            at=row.at,
            lowest=row.lowest,
            highest=row.highest,
            mean=row.mean,
            rms_ac=row.rms_ac,
            slow=row.slow,
            reads=clip.reads,
            bands=()
            if row.bands is None
            else tuple(zip(measure.BAND_NAMES, row.bands.rms, strict=True)),
        )
        for clip, row in zip(clips, found, strict=True)
    )
    if truth:
        return figures
    return tuple(
        row if (probe := _probe_of(clip)) is None else _seen_between(solved, clip, probe, row, a, b)
        for clip, row in zip(clips, figures, strict=True)
    )


def _seen_between(
    solved: Solved, clip: Clip, probe: Probe, true: Between, a: float, b: float
) -> Between:
    """The figures between two times of what the scope shows."""
    shown = probe_look(solved.solution, [signal_of(clip)], probe, a, b)
    seen = shown.seen[0]
    mean = float(seen.mean())
    low, high = float(seen.min()), float(seen.max())
    if not shown.ring_resolved:
        whole = probe_band(solved.solution, signal_of(clip), probe, a, b, 200)
        low, high = float(whole.low.min()), float(whole.high.max())
    return replace(
        true,
        at=(float(seen[0]), float(seen[-1])),
        lowest=low,
        highest=high,
        mean=mean,
        rms_ac=float(np.sqrt(np.mean((seen - mean) ** 2))),
        bands=(),
    )


def curves(
    solved: Solved,
    window: tuple[float, float],
    columns: int,
    clips: Sequence[Clip] | None = None,
    slack: float = 0.0,
    *,
    truth: bool = False,
) -> tuple[Curve, ...]:
    """Minimum and maximum per column of the clipped places, within `slack` volts.

    As their probes show them, unless the `truth` is wanted.
    """
    clips = solved.clips if clips is None else clips
    return _put_together(
        solved, window, columns, clips, _read_off(solved, window, columns, clips, slack), truth
    )


def _read_off(
    solved: Solved,
    window: tuple[float, float],
    columns: int,
    clips: Sequence[Clip],
    slack: float,
    swings: tuple[Any, Any, Any] | None = None,
) -> dict[Clip, tuple[Any, Any, Any]]:
    """Column borders, lowest and highest of each clip, without its probe.

    swings : the same of those that swing, where that is known
    """
    times = np.linspace(window[0], window[1], columns + 1)
    rows: dict[Clip, tuple[Any, Any, Any]] = {}
    if swinging := [clip for clip in clips if clip.reads in _SWINGING]:
        if swings is None:
            signals = [signal_of(clip) for clip in swinging]
            swings = solved.solution.envelope(signals, *window, columns, slack)
        times, low, high = swings
        rows |= {clip: (times, low[k], high[k]) for k, clip in enumerate(swinging)}
    if slow := [clip for clip in clips if clip.reads in ("speed", "duty")]:
        # A speed cannot turn, nor a duty be latched, twice within a part of a column.
        fine = np.linspace(window[0], window[1], _FINE * columns + 1)
        values = solved.solution.sample([signal_of(clip) for clip in slow], fine)
        for clip, value in zip(slow, values * 1.0, strict=True):
            value *= 60.0 / math.tau if clip.reads == "speed" else 100.0
            parts = value[:-1].reshape(columns, _FINE)
            ends = value[_FINE::_FINE]
            rows[clip] = times, np.minimum(parts.min(1), ends), np.maximum(parts.max(1), ends)
    return rows


def _put_together(
    solved: Solved,
    window: tuple[float, float],
    columns: int,
    clips: Sequence[Clip],
    rows: dict[Clip, tuple[Any, Any, Any]],
    truth: bool,
) -> tuple[Curve, ...]:
    """Curves with names, limits and figures; as their probes show them unless `truth`."""
    drawn = [_curve(solved, clip, *rows[clip]) for clip in clips]
    if not truth:
        for k, clip in enumerate(clips):
            probe = _probe_of(clip)
            if probe is not None:
                drawn[k] = _through(solved, clip, probe, drawn[k], window, columns)
    return tuple(drawn)


def _probe_of(clip: Clip) -> Probe | None:
    return probe_of(clip) if clip.reads in ("volts", "offset") else None


def _through(
    solved: Solved,
    clip: Clip,
    probe: Probe,
    true: Curve,
    window: tuple[float, float],
    columns: int,
) -> Curve:
    """A curve as the scope shows it; its figures are of what is drawn."""
    seen = probe_band(solved.solution, signal_of(clip), probe, *window, columns)
    note = true.note
    if not seen.ring_resolved and probe.damping < 1.0:
        note = (
            f"{note} The ground wire's ring of {probe.ring_hz / 1e6:.0f} MHz is too quick for "
            "this stretch: look closer to see it."
        ).strip()
    elif probe.ground_wire_m > SPRING_M:
        note = (
            f"{note} False: the ground wire rings, and its loop picks up what flows beside it; how "
            "it lies there is our guess. T shows the truth."
        ).strip()
    return replace(
        true,
        t=seen.times,
        low=seen.low,
        high=seen.high,
        peak=float(seen.high.max()),
        lowest=float(seen.low.min()),
        limits=() if probe.coupling == "ac" else true.limits,
        note=note,
        probe=probe.says,
    )


def name_of(solved: Solved, place: str) -> str:
    """What a person calls a part, a port, or a lead by its ends."""
    build, labels = solved.solution.context.build, solved.network.labels
    lead, part = build.lead(place), build.part(place)
    if lead is not None:
        return " to ".join(labels.get(end, end) for end in (lead.from_, lead.to))
    if part is not None:
        return part.label or labels.get(place, place)
    return labels.get(place, place)


_NAMES = {"amps": "current", "speed": "speed", "duty": "duty", "offset": "ground offset"}


def _curve(solved: Solved, clip: Clip, times: Any, low: Any, high: Any) -> Curve:
    labels = solved.network.labels
    note = returns.sentence(solved.solution.context.build, clip)
    if clip.reads != "volts":
        label = f"{name_of(solved, clip.tip)}, {_NAMES[clip.reads]}"
        if clip.ground:
            label += f" to {labels.get(clip.ground, clip.ground)}"
        if note:
            label += " (a guess)"
        return Curve(
            place=clip.tip,
            ground=clip.ground,
            label=label,
            t=times,
            low=low,
            high=high,
            peak=float(high.max()),
            lowest=float(low.min()),
            slow=not solved.solution.knows_peaks,
            reads=clip.reads,
            note=note,
        )
    own_ground = clip.ground in (None, clip.tip)
    label = labels.get(clip.tip, clip.tip)
    # what was already found of the whole event, exact or within a drag's slack
    places = [clip.tip] if clip.tip in solved.solution.places() else []
    ranges = solved.solution.volts_range(solved.slack_v, None, places)
    slow = not solved.solution.knows_peaks
    peak: float | None
    lowest: float | None
    if own_ground and clip.tip in ranges:
        lowest, peak = ranges[clip.tip]
    else:
        if not own_ground:
            label += f", ground at {labels.get(clip.ground or '', clip.ground)}"
            label += " (a guess)" if note else ""
        peak, lowest = float(high.max()), float(low.min())
    return Curve(
        place=clip.tip,
        ground=clip.ground,
        label=label,
        t=times,
        low=low,
        high=high,
        limits=_limits(solved, clip) if own_ground else (),
        peak=peak,
        lowest=lowest,
        slow=slow,
        note=note,
    )


def _limits(solved: Solved, clip: Clip) -> tuple[Limit, ...]:
    """The tightest upper and lower limit of the parts that stand across the clipped place."""
    ports = solved.network.ports
    here = ports[clip.tip]
    upper: Limit | None = None
    lower: Limit | None = None
    for ratings in solved.solution.rated(solved.slack_v, extremes_only=True).values():
        for rating in ratings:
            if rating.unit != "V" or ports.get(rating.place) != here:
                continue
            if rating.reads in LOWER:
                if lower is None or rating.limit > lower.value:
                    lower = Limit(rating.name, rating.limit, upper=False)
            elif upper is None or rating.limit < upper.value:
                upper = Limit(rating.name, rating.limit, upper=True)
    return tuple(limit for limit in (upper, lower) if limit is not None)


def findings(found: Any, request_id: int, *, whole: bool = True) -> FindingsRow:
    """The comparison of all options over all events."""
    return FindingsRow(
        request_id=request_id,
        cells=tuple(_cell(cell) for cell in found.cells),
        cards=tuple(
            CardRow(c.option, c.verdict, None if c.worst is None else _cell(c.worst), c.solved)
            for c in found.cards
        ),
        best=found.best,
        sentence=found.sentence,
        detail=found.detail,
        whole=whole,
    )


def _joints(solved: Solved, live: bool) -> Iterator[JointRow]:
    """Peaks and lowest voltages of all places; what else there is costs more and is not shown.

    While a hand drags, of those that have a clip or a limit.
    """
    solution = solved.solution
    labels = solution.equations.network.labels
    knows = solution.knows_peaks
    ranges = solution.known_range(solved.slack_v) if live else solution.volts_range()
    for place, (low, high) in ranges.items():
        yield JointRow(
            id=place,
            label=labels.get(place, place),
            peak_V=high if knows else None,
            min_V=low if knows else None,
            mean_V=None,
            pp_V=high - low if knows else None,
            rms_ac_V=None,
            start_V=None,
            slow_peak_V=None if knows else high,
            slow_min_V=None if knows else low,
        )


def _parts(solved: Solved, live: bool) -> Iterator[PartRow]:
    kinds = {part.id: part.kind for part in solved.solution.context.build.parts}
    rated = solved.solution.rated(solved.slack_v, extremes_only=live)
    for id_, uses in rated.items():
        ratings = tuple(RatingRow(*_values(use, RatingRow)) for use in uses)
        yield PartRow(id_, kinds[id_], None, None, None, ratings)


def worst(option: str, cells: Sequence[Any], stable: bool) -> CellRow | None:
    """The cell that decides an option; None where nothing has a limit."""
    found = card_of(option, list(cells), stable=stable).worst
    return None if found is None else _cell(found)


def _cell(cell: Any) -> CellRow:
    return CellRow(*_values(cell, CellRow))


def _values(row: Any, like: Any) -> list[Any]:
    return [getattr(row, name) for name in like.__struct_fields__]

"""From the engine's solution to the rows and curves that the window shows."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from app.solver.protocol import (
    Answer,
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
from app.words import LOWER
from sim.assemble import assemble
from sim.build import Clip, events_of
from sim.options import apply
from sim.solution import Signal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from app.solver.protocol import Request
    from sim.build import Build, Event
    from sim.network import Network
    from sim.solution import Solution

# Places shown where a build hangs no clips.
_CLIPS_OFFERED = 3
_OVERVIEW = 400  # columns of the ribbon


@dataclass
class Solved:
    """A solution and what is needed to read it off."""

    solution: Solution
    build: Build
    option: int | None
    event_index: int
    event: Event = field(init=False)
    network: Network = field(init=False)
    clips: tuple[Clip, ...] = field(init=False)

    def __post_init__(self) -> None:
        self.event = events_of(self.build)[self.event_index]
        option = None if self.option is None else self.build.options[self.option]
        shown = apply(self.build, option)
        self.network = assemble(shown, self.event)
        # An option may take a clipped part away; the clip then hangs in the air.
        hung = tuple(
            clip
            for clip in self.build.clips
            if clip.tip in self.network.ports
            and (clip.ground is None or clip.ground in self.network.ports)
        )
        self.clips = hung or tuple(
            Clip(tip=joint.id) for joint in self.solution.joints[:_CLIPS_OFFERED]
        )


def answer(solved: Solved, request: Request) -> Answer:
    """Everything the window shows of one solution."""
    solution = solved.solution
    whole = (0.0, solution.duration_s)
    window = request.window or whole
    shown = curves(solved, window, request.columns)
    # Envelopes cost: the whole event is read off a second time only behind a zoom.
    overview = shown if window == whole else curves(solved, whole, _OVERVIEW, solved.clips[:1])
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
        joints=tuple(JointRow(*_values(row, JointRow)) for row in solution.joints),
        parts=tuple(_part(row) for row in solution.parts),
        energy=EnergyRow(*_values(solution.energy, EnergyRow)),
        not_covered=tuple(solution.not_covered),
        solve_s=solution.cost.solve_s,
        live=request.live,
    )


def curves(
    solved: Solved,
    window: tuple[float, float],
    columns: int,
    clips: Sequence[Clip] | None = None,
) -> tuple[Curve, ...]:
    """Minimum and maximum per column of the clipped places."""
    clips = solved.clips if clips is None else clips
    if not clips:
        return ()
    signals = [Signal("volts", clip.tip, clip.ground) for clip in clips]
    times, low, high = solved.solution.envelope(signals, window[0], window[1], columns)
    return tuple(_curve(solved, clip, times, low[k], high[k]) for k, clip in enumerate(clips))


def _curve(solved: Solved, clip: Clip, times: Any, low: Any, high: Any) -> Curve:
    labels = solved.network.labels
    own_ground = clip.ground in (None, clip.tip)
    label = labels.get(clip.tip, clip.tip)
    figures = next((j for j in solved.solution.joints if j.id == clip.tip), None)
    peak: float | None
    lowest: float | None
    if own_ground and figures is not None:
        slow = figures.peak_V is None
        peak = figures.slow_peak_V if slow else figures.peak_V
        lowest = figures.slow_min_V if slow else figures.min_V
    else:
        if not own_ground:
            label += f", ground at {labels.get(clip.ground or '', clip.ground)}"
        slow = bool(solved.network.choppers) and solved.event.kind != "plug_in"
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
    )


def _limits(solved: Solved, clip: Clip) -> tuple[Limit, ...]:
    """The tightest upper and lower limit of the parts that stand across the clipped place."""
    ports = solved.network.ports
    here = ports[clip.tip]
    upper: Limit | None = None
    lower: Limit | None = None
    for part in solved.solution.parts:
        for rating in part.ratings:
            if rating.unit != "V" or ports.get(rating.place) != here:
                continue
            if rating.reads in LOWER:
                if lower is None or rating.limit > lower.value:
                    lower = Limit(rating.name, rating.limit, upper=False)
            elif upper is None or rating.limit < upper.value:
                upper = Limit(rating.name, rating.limit, upper=True)
    return tuple(limit for limit in (upper, lower) if limit is not None)


def findings(found: Any, request_id: int) -> FindingsRow:
    """The comparison of all options over all events."""
    return FindingsRow(
        request_id=request_id,
        cells=tuple(_cell(cell) for cell in found.cells),
        cards=tuple(
            CardRow(c.option, c.verdict, None if c.worst is None else _cell(c.worst))
            for c in found.cards
        ),
        best=found.best,
        sentence=found.sentence,
        detail=found.detail,
    )


def _part(row: Any) -> PartRow:
    ratings = tuple(RatingRow(*_values(rating, RatingRow)) for rating in row.ratings)
    return PartRow(row.id, row.kind, row.peak_A, row.rms_A, row.loss_J, ratings)


def _cell(cell: Any) -> CellRow:
    return CellRow(*_values(cell, CellRow))


def _values(row: Any, like: Any) -> list[Any]:
    return [getattr(row, name) for name in like.__struct_fields__]

"""How fast the engine is, and how far off, held against a general solver in the same run.

Contenders take turns (A B A B) on the same equations, so that a machine that is busy or
changes its clock is so for both; what is reported is the median of each one's turns.
Kernels are compiled before anything is timed, and BLAS has one thread.

Ratios mean something on any machine, seconds only on a quiet one.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec import Struct, to_builtins
from msgspec.structs import replace

from sim import averaged, followed, plain, restarted, rosenbrock, switching
from sim.api import cells_over_timings, prepare, solve_case
from sim.build import load
from sim.carriers import latch
from sim.findings import cells_of
from sim.followed_patterns import FollowedTable
from sim.records import Build, Event, Lead, Part
from sim.signals import Signal
from sim.state_equations import Rows, stack_rows
from sim.threads import one_blas_thread
from sim.warm import compile_kernels

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.api import Case
    from sim.patterns import PatternTable
    from sim.solution import Solution
    from sim.switching import EdgeRun

    Array = NDArray[np.float64]

SAMPLE, OPTION, EVENT = "arms_4s_analogue", "At each ESC and LC stage", "Chop"
HEXA = "Hexa, 12 extra capacitors"

#: Tolerances of Radau: as a peer of averaged runs, as their judge, and from edge to edge.
RTOL_PEER, RTOL_JUDGE, RTOL_EDGES = 1e-6, 1e-9, 1e-9
#: Where Radau solves every edge, as shares of the event: before, in and after the chop.
STRETCHES = (0.07, 0.16, 0.67)
#: Most ESC timings of one option in the batch.
MOST_TIMINGS = 8
#: A swing (V) below which errors are not divided by it: it would be a fraction of nothing.
LEAST_SWING = 0.01


class Row(Struct, frozen=True, kw_only=True):
    """One line of the answer; None where there is no peer, or nothing to be off.

    Attributes
    ----------
    what, build, peer : in words
    seconds, peer_seconds : medians; `what` names another unit where it is not seconds
    ratio : peer_seconds / seconds
    error : largest difference to the peer, or to what `what` says, in `error_unit`
    """

    what: str
    build: str
    seconds: float
    peer: str | None = None
    peer_seconds: float | None = None
    ratio: float | None = None
    error: float | None = None
    error_unit: str | None = None


@dataclass(frozen=True)
class Effort:
    """How much is measured.

    Attributes
    ----------
    rounds : turns of each contender
    event_s : length of the chop; None: as in the build, 150 ms
    stretch : carrier periods that Radau solves edge by edge, each turn
    samples, window_s, pixels : of a zoom, its width, and of an envelope
    variants : options times ESC timings of the batch
    """

    rounds: int = 3
    event_s: float | None = None
    stretch: float = 1.0
    samples: int = 2000
    window_s: float = 1e-3
    pixels: int = 1500
    variants: int = 20


FULL = Effort()
#: For tests: every row in seconds, nothing worth quoting.
TINY = Effort(
    rounds=1, event_s=1e-3, stretch=0.15, samples=200, window_s=1e-4, pixels=40, variants=2
)


@one_blas_thread()
def measure(effort: Effort, told: Callable[[str], object] | None = None) -> list[Row]:
    """Measure the sample and a hexa with 12 extra capacitors; three minutes on a quiet machine.

    `told` hears in words what is measured next.
    """
    tell = told or (lambda _: None)
    tell("compiling kernels, if they are not there yet")
    compile_kernels()
    rows: list[Row] = []
    for build, option in ((load(SAMPLE), OPTION), (hexa(), None)):
        rows += _Bench(shortened(build, effort), option, effort).rows(tell)
    return rows


def shortened(build: Build, effort: Effort) -> Build:
    """The build with a chop as short as asked for, and no other event."""
    if effort.event_s is None:
        return build
    share = effort.event_s / 150e-3
    course = ((0.0, 0.6), (20e-3 * share, 0.6), (25e-3 * share, 0.2))
    event = Event(name=EVENT, kind="throttle", duration=effort.event_s, course=course)
    return replace(build, events=(event,))


def hexa() -> Build:
    """Six arms made of the sample's parts, with 12 capacitors more: our own invention.

    Each ESC has its ceramics on board as in the sample, and an electrolytic and a second
    ceramic, 10 mm away, as extras. Main capacitor, LC stage and what hangs on it stay.
    """
    sample = load(SAMPLE)
    parts = [_part(sample, id_) for id_ in ("pack", "pads", "bulk", "lc", "vtx", "camera", "fc")]
    leads = [
        _lead(sample, id_) for id_ in ("main", "on_pads", "to_lc", "to_vtx", "to_camera", "to_fc")
    ]
    for n in range(1, 7):
        angle = math.radians(60.0 * n - 30.0)

        def placed(like: str, name: str, radius: float, angle: float = angle, n: int = n) -> Part:
            at = (round(radius * math.sin(angle), 1), round(-radius * math.cos(angle), 1))
            part = _part(sample, like)
            return replace(part, id=f"{name}{n}", at=at, label=f"{part.label.rstrip('1')}{n}")

        parts += [
            placed("esc1", "esc", 76.0),
            placed("motor1", "motor", 110.0),
            placed("cer1", "cer", 68.0),
            placed("local1", "local", 64.0),
            placed("cer1", "extra", 58.0),
        ]
        leads += [
            replace(_lead(sample, "arm1"), id=f"arm{n}", to=f"esc{n}.in"),
            Lead(id=f"phases{n}", from_=f"esc{n}.motor", to=f"motor{n}.in"),
            Lead(id=f"on_board{n}", from_=f"cer{n}", to=f"esc{n}.in"),
            Lead(id=f"at_esc{n}", from_=f"local{n}", to=f"esc{n}.in"),
            replace(
                _lead(sample, "arm1"),
                id=f"to_extra{n}",
                from_=f"extra{n}",
                to=f"esc{n}.in",
                length="10 mm",
            ),
        ]
    events = tuple(event for event in sample.events if event.name == EVENT)
    return Build(name=HEXA, parts=tuple(parts), leads=tuple(leads), events=events)


def _part(build: Build, id_: str) -> Part:
    return next(part for part in build.parts if part.id == id_)


def _lead(build: Build, id_: str) -> Lead:
    return next(lead for lead in build.leads if lead.id == id_)


def take_turns(rounds: int, *contenders: Callable[[int], Any]) -> tuple[list[float], list[Any]]:
    """Let contenders take turns; each is told which round it is.

    Returns the median seconds of each, and what each returned last.
    """
    spent: list[list[float]] = [[] for _ in contenders]
    last: list[Any] = [None] * len(contenders)
    for turn in range(rounds):
        for i, contender in enumerate(contenders):
            begin = time.perf_counter()
            last[i] = contender(turn)
            spent[i].append(time.perf_counter() - begin)
    return [median(times) for times in spent], last


class _Bench:
    """One build, prepared once."""

    def __init__(self, build: Build, option: str | None, effort: Effort) -> None:
        self.build, self.option, self.effort = build, option, effort
        self.case: Case = prepare(build, EVENT, option)
        eq = self.case.equations
        self.end = self.case.drive.duration_s
        self.pads = [f"{chopper.owner}.in" for chopper in eq.network.choppers]
        self.name = f"{build.name}{f', {option}' if option else ''}, {eq.n_states} states"
        self.event = f"{self.end * 1e3:g} ms"

    def rows(self, tell: Callable[[str], object]) -> list[Row]:
        """All rows of this build."""
        parts = (
            ("averages", self._averaged),
            ("every edge", self._edges),
            ("stores that fade", lambda: [self._followed()]),
            ("setting up", self._preparing),
            ("zoom and envelope", self._looking),
            ("many variants", lambda: [self._batch()]),
        )
        rows: list[Row] = []
        for number, (what, part) in enumerate(parts, 1):
            tell(f"{self.build.name}: {what}, {number} of {len(parts)}")
            rows += part()
        return rows

    def _row(self, what: str, seconds: float, **others: Any) -> Row:
        peer_seconds = others.get("peer_seconds")
        ratio = None if peer_seconds is None else peer_seconds / seconds
        return Row(what=what, build=self.name, seconds=seconds, ratio=ratio, **others)

    def _volts(self, places: list[str]) -> Rows:
        eq = self.case.equations
        return stack_rows([eq.volts(*eq.network.ports[place]) for place in places])

    def _everywhere(self) -> Rows:
        """Voltages of all places that have one."""
        eq = self.case.equations
        piece = eq.tree.piece
        pairs = sorted({(p, m) for p, m in eq.network.ports.values() if piece[p] == piece[m]})
        return stack_rows([eq.volts(*pair) for pair in pairs])

    # -- averaged -------------------------------------------------------------------

    def _averaged(self) -> list[Row]:
        """The fast path, compiled and not, against Radau; errors at every place."""
        case = self.case

        def fast(compiled: bool) -> Callable[[int], averaged.AveragedRun]:
            return lambda _: rosenbrock.run(case.mean, case.drive, case.start, compiled=compiled)

        def radau(rtol: float) -> averaged.AveragedRun:
            return averaged.run(case.mean, case.drive, case.start, rtol=rtol)

        times, runs = take_turns(
            self.effort.rounds, fast(True), fast(False), lambda _: radau(RTOL_PEER)
        )
        judge = radau(RTOL_JUDGE)
        places = self._everywhere()
        at = np.union1d(np.linspace(0.0, self.end * (1.0 - 1e-12), 3000), judge.knots[:-1])
        expected = judge.sample(places, at)
        swing = np.maximum(np.ptp(expected, axis=1), LEAST_SWING)[:, None]

        def off(run: averaged.AveragedRun) -> float:
            return float(np.max(np.abs(run.sample(places, at) - expected) / swing))

        words = ("compiled", "without the compiled kernel")
        return [
            self._row(
                f"averaged, {self.event}, {words[i]}",
                times[i],
                peer=f"Radau, tolerance {_power(RTOL_PEER)}, itself off by {off(runs[2]):.1e}",
                peer_seconds=times[2],
                error=off(runs[i]),
                error_unit="of the swing",
            )
            for i in (0, 1)
        ]

    # -- every edge -----------------------------------------------------------------

    def _edges(self) -> list[Row]:
        """The every-edge engine against Radau on short stretches, and a further ESC timing."""
        case, effort = self.case, self.effort
        pads = self._volts(self.pads)
        # what Radau starts from, and by what duties; not timed
        self.run: EdgeRun = switching.run(case.mean, case.drive, case.start, 0, table=case.table)
        length = effort.stretch / min(c.frequency_hz for c in case.equations.network.choppers)
        stretches = []
        for share in STRETCHES[: effort.rounds]:
            start = share * self.end
            row = restarted.spans(self.run, 0, start, start + length)
            angle = self.run.angles(start)
            stretches.append((row, self.run.states(np.array([start]))[0], angle))
        solved: dict[int, list[restarted.Bit]] = {}

        def radau(turn: int) -> None:
            row, x0, angle = stretches[turn % len(stretches)]
            solved[turn % len(stretches)] = restarted.solve(case.mean, row, x0, RTOL_EDGES, angle)

        def all_counted(_: int) -> EdgeRun:
            table = case.stages[0].empty_table()
            return switching.run(case.mean, case.drive, case.start, 0, table=table)

        def further(turn: int) -> EdgeRun:
            return switching.run(case.mean, case.drive, case.start, turn + 1, table=case.table)

        def in_numpy(turn: int) -> EdgeRun:
            with plain.serving():
                return all_counted(turn)

        (alone, next_, slow, one_stretch), (run, _, slow_run, _) = take_turns(
            effort.rounds, all_counted, further, in_numpy, radau
        )
        assert isinstance(run, switching.EdgeRun)
        assert isinstance(slow_run, switching.EdgeRun)

        def off(run: EdgeRun) -> float:
            read = (restarted.read(case.mean, bits, pads) for bits in solved.values())
            return max(float(np.max(np.abs(run.sample(pads, at) - volts))) for at, volts in read)

        scaled = one_stretch * self.end / length
        peer = (
            f"Radau, tolerance {_power(RTOL_EDGES)}, restarted at each edge; "
            f"whole event scaled from {len(solved)} x {length * 1e6:.3g} us"
        )
        return [
            *(
                self._row(
                    f"every edge{how}, set-up and ramps counted",
                    seconds,
                    peer=peer,
                    peer_seconds=scaled,
                    error=off(solved_run),
                    error_unit="V at ESC pads",
                )
                for how, seconds, solved_run in (
                    (f" ({run.edges} edges), {self.event}", alone, run),
                    (f", {self.event}, without the compiled kernels", slow, slow_run),
                )
            ),
            self._row(
                f"every edge, {self.event}, a further ESC timing",
                next_,
                peer="the first ESC timing",
                peer_seconds=alone,
            ),
        ]

    def _followed(self) -> Row:
        """Stores that fade followed, against Radau on one short stretch of the chop."""
        case, effort, pads = self.case, self.effort, self._volts(self.pads)
        length = effort.stretch / min(c.frequency_hz for c in case.equations.network.choppers)
        start = STRETCHES[1] * self.end

        def follow(_: int) -> followed.FollowedRun:
            table = FollowedTable(case.equations)
            return followed.run(case.mean, case.drive, case.start, table=table)

        times, (run,) = take_turns(effort.rounds, follow)
        x0 = run.mean.stores.x(run.states(np.array([start]))[0])
        row = restarted.spans(run, 0, start, start + length)
        (peer_s,), (bits,) = take_turns(
            1, lambda _: restarted.solve(run.mean, row, x0, RTOL_EDGES, run.angles(start))
        )
        at, expected = restarted.read(run.mean, bits, pads)
        return self._row(
            f"every edge, {self.event}, ceramics and coils that fade followed, set-up counted",
            times[0],
            peer=f"Radau, tolerance {_power(RTOL_EDGES)}, restarted at each edge; "
            f"whole event scaled from {length * 1e6:.3g} us",
            peer_seconds=peer_s * self.end / length,
            error=float(np.max(np.abs(run.sample(pads, at) - expected))),
            error_unit="V at ceramics on ESC pads",
        )

    # -- before and after -----------------------------------------------------------

    def _preparing(self) -> list[Row]:
        case = self.case
        # the first ESC timing's alone, not those that the others added
        met = case.stages[0].empty_table()
        switching.run(case.mean, case.drive, case.start, 0, table=met)
        ramps = [(tuple(int(bit) for bit in met.bits[at]), leg) for at, leg in met.ramp_index]

        def patterns(_: int) -> PatternTable:
            table = case.stages[0].empty_table()
            for bits, leg in ramps:
                at = table.pattern(bits)
                if table.leg_ramp[at, leg] < 0:
                    table.meet(at, leg)
            return table

        settle = switching.settle_time(case.mean, case.drive.start_duty, case.start)
        times, _ = take_turns(
            self.effort.rounds,
            lambda _: prepare(self.build, EVENT, self.option),
            patterns,
            lambda _: latch(case.equations.network, case.drive, 0, -settle),
        )
        whats = (
            "set-up: from the build to equations and starting point",
            f"set-up: modes of {len(met.index)} switch patterns and {len(ramps)} ramps",
            f"schedule: duty of every carrier period, {self.event}",
        )
        return [self._row(what, seconds) for what, seconds in zip(whats, times, strict=True)]

    def _looking(self) -> list[Row]:
        """Zoom and envelope of one run, each told how far they disagree, and its memory."""
        case, effort = self.case, self.effort
        solution: Solution = solve_case(case, "edges")
        signals = [Signal("volts", self.pads[2])]
        start = STRETCHES[1] * self.end
        at = np.linspace(start, start + effort.window_s, effort.samples)

        def zoom(_: int) -> Array:
            return solution.sample(signals, at)

        def envelope(_: int) -> tuple[Array, Array, Array]:
            return solution.envelope(signals, 0.0, self.end, effort.pixels)

        # a zoom takes a millisecond, and costs more the first time: some turns to get going
        take_turns(2, zoom)
        times, (volts, (edges, low, high)) = take_turns(3 * effort.rounds, zoom, envelope)
        pixel = np.clip(np.searchsorted(edges, at, side="right") - 1, 0, effort.pixels - 1)
        outside = np.maximum(volts[0] - high[0, pixel], low[0, pixel] - volts[0])
        of = ", stores followed" if solution.stores == "followed" else ""
        held = sum(v.nbytes for v in vars(self.run).values() if isinstance(v, np.ndarray))
        return [
            self._row(
                f"zoom: {effort.samples} samples of one joint in {effort.window_s * 1e3:g} ms{of}",
                times[0],
            ),
            self._row(
                f"exact envelope of one joint, {effort.pixels} pixels, {self.event}{of}",
                times[1],
                error=max(float(np.max(outside)), 0.0),
                error_unit="V of the zoom outside",
            ),
            self._row("memory: edge states of one run, in MB, not seconds", held / 1e6),
        ]

    def _batch(self) -> Row:
        """All options under several ESC timings, limits read; per variant."""
        every: list[str | None] = [option.name for option in self.build.options]
        names = (every or [None])[: self.effort.variants]
        # a build without options has fewer variants, as its rows would take most of the verb
        timings = range(min(self.effort.variants // len(names), MOST_TIMINGS))
        count = len(names) * len(timings)
        # they take longer, so not all of them
        alone = [(name, seed) for name in names for seed in timings][::4]

        def together(_: int) -> None:
            for name in names:
                case = prepare(self.build, EVENT, name)
                cells_over_timings(case, name or "", "edges", timings)

        def one_by_one(_: int) -> None:
            for name, seed in alone:
                case = prepare(self.build, EVENT, name)
                cells_of(name or "", solve_case(case, "edges", seed))

        (all_s, alone_s), _ = take_turns(1, together, one_by_one)
        return self._row(
            f"batch: {count} variants (options: {len(names)}, ESC timings: {len(timings)}), "
            "set-up and limits counted, each",
            all_s / count,
            peer=f"{len(alone)} of them, one after another, each from the build on",
            peer_seconds=alone_s / len(alone),
        )


def _power(tolerance: float) -> str:
    return f"{tolerance:.0e}".replace("e-0", "e-")


def to_json_dict(rows: list[Row]) -> dict[str, Any]:
    """The rows as plain data."""
    return {"rows": to_builtins(rows)}

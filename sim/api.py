"""`solve` and `compare`: the whole chain from a build to an answer."""

from __future__ import annotations

import time
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING, Literal, cast

import numpy as np

from sim import averaged, edges, rosenbrock
from sim.assemble import ARC_V, OPEN_OHM, Contact, assemble
from sim.carriers import slewed
from sim.diode_patterns import has_diodes, smooth, with_diodes
from sim.errors import BadField, Cancelled, Conflict, NoStart, SimError, Unsettled
from sim.event import drive as drive_of
from sim.fading import moved
from sim.findings import Card, Cell, Findings, card_of, cells_of, conclude, worst_of
from sim.leaning import load_slopes
from sim.mean_equations import MeanEquations, equilibrium, linear_values
from sim.options import apply
from sim.parts import KINDS
from sim.resolve import event_index, events_of, option_index, resolve
from sim.salvage import salvage_all, without
from sim.solution import Context, Mode, Solution, Stores, modes_of
from sim.staged import StagedRun
from sim.stages import Stage, stages_of
from sim.state_equations import StateEquations, stack_rows
from sim.threads import one_blas_thread, side_by_side

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Mapping, Sequence

    from numpy.typing import NDArray

    from sim.averaged import AveragedRun
    from sim.event import Drive
    from sim.patterns import PatternTable
    from sim.records import Build, Event
    from sim.switching import EdgeRun
    from sim.trajectory import Trajectory

    Array = NDArray[np.float64]

Detail = Literal["averaged", "edges"]

#: Relative tolerances of the averaged reference; where nothing chops, true peaks are asked for.
_RTOL = 1e-6
_RTOL_STILL = 1e-9
#: The same of the fast path, whose dense output, of a lower order than its steps, is what peaks and
#: pulses of heat are read from.
_RTOL_STILL_FAST = 1e-11
#: What `Case.rest_V` found last, by all it goes by.
_rests: dict[Hashable, tuple[float, ...]] = {}
_MOST_RESTS = 64
#: A store that moves by less of itself is as good as steady: on the 4S sample its coil's own
#: peak current is then 2 % low, voltages are off by millivolts.
HARDLY = 0.1


@dataclass(frozen=True)
class Wired:
    """One stage of an event made ready; `lifted` holds a lifted contact's other states.

    These are the contact burning with the current out of the pack, into it, and open.
    `load_volts` (n_loads,) are the loads' where the event starts, if it starts settled.
    """

    start_s: float
    end_s: float
    equations: StateEquations
    mean: MeanEquations
    lifted: tuple[MeanEquations, MeanEquations, MeanEquations] | None = None
    load_volts: Array | None = None

    def linearised(self, values: Mapping[int, float]) -> Wired:
        """The stage with the values of some branches, by index, replaced."""
        mean = MeanEquations(StateEquations(self.equations.network.linearised(values)))
        return replace(self, equations=mean.eq, mean=mean)

    @cached_property
    def counted(self) -> MeanEquations | None:
        """The same with fading stores taken for what is left of them where the event starts.

        Averaged runs of events in which an ESC chops take them so, in a hundredth of the time
        that following them would take, and say so. None where nothing fades, or where a clamp
        is in the way.
        """
        network = self.equations.network
        if not network.stores or network.clamps:
            return None
        plain = MeanEquations(StateEquations(replace(network, stores=())))
        return plain if plain.eq.n_states == self.equations.n_states else None

    @cached_property
    def unclamped(self) -> Wired:
        """The stage with clamps that never conduct."""
        mean = MeanEquations(StateEquations(self.equations.network.without_clamps()))
        return replace(self, equations=mean.eq, mean=mean)

    @cached_property
    def table(self) -> PatternTable:
        """Switch patterns met so far; shared by all ESC timings."""
        return self.empty_table()

    def empty_table(self) -> PatternTable:
        """A table that has met no switch pattern."""
        volts = self.load_volts
        slopes = None if volts is None else load_slopes(self.mean.laws, volts)
        return edges.table_of(self.equations, slopes)

    @cached_property
    def followed(self) -> PatternTable:
        """The same for runs that follow stores that fade."""
        return edges.table_of(self.equations, follow=True)


@dataclass(frozen=True)
class Case:
    """One option and event made ready: equations, drive and starting state.

    `equations` and `mean` are those the event starts with, `stages` all of them.
    """

    build: Build
    option: str | None
    event: Event
    equations: StateEquations
    mean: MeanEquations
    drive: Drive
    start: Array
    stable: bool
    jacobian: Array
    stages: tuple[Wired, ...]

    @cached_property
    def modes(self) -> tuple[Mode, ...]:
        """Natural modes where the event starts."""
        return modes_of(self.jacobian, self.equations.state_owner)

    @property
    def table(self) -> PatternTable:
        """Switch patterns met so far in the first stage; shared by all ESC timings."""
        return self.stages[0].table

    @cached_property
    def unclamped(self) -> Case | None:
        """The case as if its clamps never conducted; None where there are none."""
        if not any(stage.equations.network.clamps for stage in self.stages):
            return None
        stages = tuple(stage.unclamped for stage in self.stages)
        first = stages[0].mean
        start = equilibrium(first, np.asarray(self.drive.start_duty, dtype=float))
        return replace(self, equations=first.eq, mean=first, start=start, stages=stages)

    @cached_property
    def rest_V(self) -> dict[str, float]:
        """Volts with all throttles at zero, of places with a lower limit.

        Nothing where no such state is found, and for a plug-in, which holds no lower limit.
        """
        if self.event.kind == "plug_in":
            return {}
        ports, pieces = self.equations.network.ports, self.equations.tree.piece
        places = [
            place
            for part in self.build.parts
            for rating in KINDS[part.kind].ratings
            if rating.reads == "minimum_volts"
            and KINDS[part.kind].limit(rating, resolve(part)) is not None
            and (place := f"{part.id}.{rating.port}") in ports
            and pieces[ports[place][0]] == pieces[ports[place][1]]
        ]
        if not places:
            return {}
        # (while a capacitor is dragged it stays)
        pairs = tuple(ports[place] for place in places)
        at = self.equations.network.steady, pairs
        volts = _rests.get(at)
        if volts is None:
            volts = self._rest_volts(pairs)
            if len(_rests) >= _MOST_RESTS:
                _rests.clear()
            _rests[at] = volts
        return dict(zip(places, volts, strict=False))

    def _rest_volts(self, pairs: Sequence[tuple[int, int]]) -> tuple[float, ...]:
        """Volts between nodes with all throttles at zero; none where no such state is found."""
        eq, still = self.equations, np.zeros(self.equations.n_switches)
        try:
            x = equilibrium(self.mean, still, self.start)
        except NoStart:
            return ()
        duty, w, inputs, slope, _ = self.mean.along(still[None], x[None])
        rows = stack_rows([eq.volts(*pair) for pair in pairs])
        return tuple(self.mean.rows(rows, duty, w, slope, inputs)[:, 0].tolist())

    @property
    def fades(self) -> bool:
        """Some stores fade, and with every edge they can be followed, here and now.

        Where a clamp turns out to conduct they are not (`Solution.stores` says so).
        """
        stages = (self.unclamped or self).stages if self.chops else ()
        return self.chops and all(edges.follows(stage.equations) for stage in stages)

    @property
    def chops(self) -> bool:
        """An ESC switches: no plug-in, where all stand still."""
        return bool(self.equations.n_switches) and self.event.kind != "plug_in"


@one_blas_thread()
def prepare(build: Build, event: str | int | None = None, option: str | int | None = None) -> Case:
    """Apply the option, wire the network, derive the equations and find the start.

    Parameters
    ----------
    event, option : name, or number from 1; None for the first event and the build as drawn

    Raises
    ------
    DocumentError, NetworkError, SolveError
    """
    which_event = events_of(build)[event_index(build, event)]
    at = option_index(build, option)
    chosen = None if at is None else build.options[at]
    drawn = apply(build, chosen)
    stages = tuple(_wired(stage, which_event) for stage in stages_of(drawn, which_event))
    network = stages[0].equations.network
    drive = slewed(drive_of(drawn, which_event, network), network)
    command = np.asarray(drive.start_duty, dtype=float)
    near = None
    if which_event.kind != "plug_in" and not network.is_linear:
        # matrices of the network as it is at the start: modes, what edges move in
        first = stages[0].mean
        near = equilibrium(first, command)
        values = linear_values(first, command, near)
        stages = tuple(stage.linearised(values) for stage in stages)
    equations, mean = stages[0].equations, stages[0].mean
    if which_event.kind == "plug_in":
        _refuse_impulse(equations)
        start = equations.charged_supplies()
        jacobian = mean.jacobian(command, start)
        stable = True
    else:
        # (what is linearised stands where it stood; only states' units are others)
        same = near is not None and len(near) == equations.n_states
        start = equilibrium(mean, command, near if same else None)
        jacobian = mean.jacobian(command, start)
        # rounding in a mode that does not decay is no instability
        fastest = float(np.max(np.abs(jacobian))) if jacobian.size else 0.0
        growth = float(np.max(mean.rates(command, start).real)) if jacobian.size else 0.0
        stable = growth <= 1e-9 * fastest + 1e-6
        volts = mean.load_volts(command, start)
        stages = tuple(replace(stage, load_volts=volts) for stage in stages)
    return Case(
        build=drawn,
        option=None if chosen is None else chosen.name,
        event=which_event,
        equations=equations,
        mean=mean,
        drive=drive,
        start=start,
        stable=stable,
        jacobian=jacobian,
        stages=stages,
    )


def _wired(stage: Stage, event: Event) -> Wired:
    """A stage's equations."""

    def made(contact: Contact | None) -> MeanEquations:
        network = assemble(stage.build, event, contact=contact)
        if event.kind != "plug_in":
            network = with_diodes(network, event.freewheel)
            if has_diodes(network):
                network = smooth(network)
        return MeanEquations(StateEquations(network))

    mean = made(Contact() if stage.contact else None)
    lifted = None
    if stage.contact == "lifted":
        lifted = made(Contact(arc_v=ARC_V)), made(Contact(arc_v=-ARC_V)), made(Contact(OPEN_OHM))
    return Wired(stage.start_s, stage.end_s, mean.eq, mean, lifted)


def _refuse_impulse(equations: StateEquations) -> None:
    """A plug-in of an ideal source straight onto a capacitor is an endless current."""
    owner = equations.capacitor_on_source()
    if owner is not None:
        raise Conflict(
            owner,
            "plugging in puts it straight across an ideal source, an endless current",
            "Give the pack or the capacitor some resistance or inductance",
        )


@one_blas_thread()
def solve(
    build: Build,
    event: str | int | None = None,
    option: str | int | None = None,
    detail: Detail = "edges",
    seed: int = 0,
    *,
    follow: bool = True,
    cancelled: Callable[[], bool] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Solution:
    """Solve one event of a build under one option.

    Parameters
    ----------
    event, option : name, or number from 1; None for the first event and the build as drawn
    detail : "averaged" (bridges are their duty) or "edges" (every switching edge)
    seed : ESC timing: draws carrier phases and offsets where the build gives none
    follow : with every edge follow ceramics and coils that fade; False: what is left of them
        where the event starts, sooner. `Solution.stores` says which it was
    cancelled : asked often; True stops the run with `Cancelled`
    progress : told the event time reached, in s

    Raises
    ------
    DocumentError, NetworkError, SolveError
    """
    return solve_case(
        prepare(build, event, option),
        detail,
        seed,
        follow=follow,
        cancelled=cancelled,
        progress=progress,
    )


@one_blas_thread()
def solve_case(
    case: Case,
    detail: Detail,
    seed: int = 0,
    *,
    reference: bool = False,
    follow: bool = True,
    cancelled: Callable[[], bool] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Solution:
    """Solve a prepared case; see `solve`.

    `reference` solves averaged runs by Radau, as `sim.averaged` does.
    """
    if detail not in ("averaged", "edges"):
        raise BadField("detail", f"{detail!r} is not known", "Give averaged or edges")
    if case.chops and detail == "averaged" and not all(case.drive.freewheel):
        raise BadField(
            f"event {case.event.name}",
            "freewheel off has no average: its current stops at zero within a carrier period",
            "Solve every edge, or turn freewheel on",
        )
    begin = time.perf_counter()
    follow = follow and detail == "edges" and case.fades
    if detail == "edges" and case.chops:
        runs, follow = _edge_runs(case, seed, cancelled, progress, follow=follow)
    else:
        runs = _mean_runs(case, reference, cancelled, progress)
    starts = [0.0, *(run.duration_s for run in runs[:-1])]
    run = runs[0] if len(runs) == 1 else StagedRun(runs, starts)
    context = Context(
        build=case.build,
        values={part.id: resolve(part) for part in case.build.parts},
        option=case.option,
        event=case.event.name,
        event_kind=case.event.kind,
        detail=detail,
        seed=seed,
        stable=case.stable,
        jacobian=case.jacobian,
        state_owner=case.equations.state_owner,
        solve_s=time.perf_counter() - begin,
        stores=_stores_in(case, follow=follow),
        rest_V=case.rest_V,
    )
    return Solution(context, run)


def _stores_in(case: Case, *, follow: bool) -> Stores:
    """What a run made of ceramics and coils that fade."""
    if not any(stage.equations.network.stores for stage in case.stages):
        return "steady"
    return "followed" if follow or not case.chops else "as at the start"


def _edge_runs(
    case: Case,
    seed: int,
    cancelled: Callable[[], bool] | None,
    progress: Callable[[float], None] | None,
    *,
    follow: bool,
) -> tuple[list[Trajectory], bool]:
    """Runs of all stages, and whether stores that fade were followed in them."""
    if case.unclamped is not None:
        runs, followed = _edge_runs(case.unclamped, seed, cancelled, progress, follow=follow)
        pairs = zip(runs, case.stages, strict=True)
        if not any(edges.reached(run, stage.equations.network) for run, stage in pairs):
            return runs, followed
        follow = False
    if follow:
        # (what moves too far for it, a coil deep in saturation, is taken as at the start)
        with suppress(Unsettled):
            return list(_edges_of(case, seed, cancelled, progress, follow=True)), True
    return list(_edges_of(case, seed, cancelled, progress, follow=False)), False


def _edges_of(
    case: Case,
    seed: int,
    cancelled: Callable[[], bool] | None,
    progress: Callable[[float], None] | None,
    *,
    follow: bool,
) -> list[EdgeRun]:
    runs: list[EdgeRun] = []
    x = case.start
    for stage in case.stages:
        run = edges.run(
            stage.mean,
            replace(case.drive, duration_s=stage.end_s),
            x,
            seed,
            table=stage.followed if follow else stage.table,
            before=runs[-1] if runs else None,
            cancelled=cancelled,
            progress=progress,
        )
        if stage is not case.stages[-1]:
            x = edges.end_state(run)
        runs.append(run)
    return runs


def _mean_runs(
    case: Case,
    reference: bool,
    cancelled: Callable[[], bool] | None,
    progress: Callable[[float], None] | None,
) -> list[Trajectory]:
    # where nothing chops there is nothing to average: the same run, to a closer tolerance
    def solved(mean: MeanEquations, start_s: float, end_s: float, x: Array) -> AveragedRun:
        drive = replace(case.drive, duration_s=end_s)
        if reference:
            rtol = _RTOL if case.chops else _RTOL_STILL
            return averaged.run(
                mean, drive, x, rtol=rtol, start_s=start_s, cancelled=cancelled, progress=progress
            )
        # (a fading store's law is known far less well than that)
        closer = None if case.chops or not mean.eq.network.is_linear else _RTOL_STILL_FAST
        return rosenbrock.run(
            mean,
            drive,
            x,
            rtol=closer,
            start_s=start_s,
            # where nothing chops there is no other way to solve it
            swings=not case.chops,
            cancelled=cancelled,
            progress=progress,
        )

    runs: list[AveragedRun] = []
    x = case.start
    counted = case.stages[0].counted if case.chops else None
    if counted is not None:
        # its states may stand in another order; what rests does so whatever the stores hold
        command = np.asarray(case.drive.start_duty, dtype=float)
        same = counted.eq.state_owner == case.equations.state_owner
        x = equilibrium(counted, command, case.stages[0].mean.stores.w(x) if same else None)
    for stage in case.stages:
        start = stage.start_s
        if stage.lifted is not None:
            burning = _burnt(stage, x, solved)
            if burning is not None:
                runs.append(burning)
                start, x = burning.duration_s, _end_state(burning)
        mean = stage.mean if stage.lifted is None else stage.lifted[2]
        if case.chops and stage.counted is not None:
            mean = stage.counted
        if start < stage.end_s:
            runs.append(solved(mean, start, stage.end_s, x))
            x = _end_state(runs[-1])
    return list(runs)


def _end_state(run: AveragedRun) -> Array:
    return np.asarray(run.states(np.array([run.duration_s]))[0])


#: Moments at which an arc's current is looked at before its zero is halved into.
_ARC_LOOKS = 4097


def _burnt(
    stage: Wired, x: Array, solved: Callable[[MeanEquations, float, float, Array], AveragedRun]
) -> AveragedRun | None:
    """The run of a lifted contact while it burns; None where no current flows."""
    assert stage.lifted is not None
    contact = next(
        (i, 1.0)
        for i, b in enumerate(stage.equations.network.branches)
        if b.type == "source" and b.name == "arc"
    )

    def amps(run: AveragedRun, times: Array) -> Array:
        # the source's own direction is the current out of the pack
        return np.asarray(run.sample(run.equations.amps([contact]), times)[0])

    closed = solved(stage.mean, stage.start_s, stage.start_s * (1.0 + 1e-9) + 1e-12, x)
    first = float(amps(closed, np.array([stage.start_s]))[0])
    if abs(first) < 1e-6:
        return None
    sign = 1.0 if first > 0.0 else -1.0
    burning = stage.lifted[0 if sign > 0.0 else 1]
    run = solved(burning, stage.start_s, stage.end_s, x)
    times = np.linspace(stage.start_s, stage.end_s, _ARC_LOOKS)
    out = np.flatnonzero(sign * amps(run, times) <= 0.0)
    if not len(out):
        return run
    low, high = float(times[max(out[0] - 1, 0)]), float(times[out[0]])
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if sign * amps(run, np.array([middle]))[0] > 0 else (low, middle)
    return solved(burning, stage.start_s, high, x) if high > stage.start_s else None


def cells_over_timings(
    case: Case,
    option: str,
    detail: Detail,
    seeds: Sequence[int],
    cancelled: Callable[[], bool] | None = None,
    meanwhile: Callable[[], object] | None = None,
    *,
    together: bool = True,
) -> list[Cell]:
    """Worst and typical of each limit over ESC timings, solved side by side.

    Ceramics and coils are followed where they fade; where under the first timing none moves by
    `HARDLY` of itself, they are taken as they are at the start, in a third of the time.

    Parameters
    ----------
    cancelled : asked in every thread
    meanwhile : called again and again in the calling thread while it waits
    together : False solves one after the other, for a caller that has several cases side by side

    Raises
    ------
    Cancelled   if `cancelled` says so
    """

    def solved(seed: int, *, follow: bool) -> Solution:
        return solve_case(case, detail, seed, follow=follow, cancelled=cancelled)

    if len(seeds) == 1:
        return cells_of(option, solved(seeds[0], follow=case.fades), cancelled)
    # the first alone: it makes the patterns that all share
    one = solved(seeds[0], follow=False)
    follow = case.fades
    if follow and len(case.stages) == 1:
        follow = moved(cast("EdgeRun", one.trajectory)) > HARDLY
    if follow:
        one = solved(seeds[0], follow=True)
    first = cells_of(option, one, cancelled)
    growth = one.growth
    # (a run is tens of megabytes)
    del one

    def rated(seed: int) -> list[Cell]:
        solution = solved(seed, follow=follow)
        # no timing moves it, and telling it takes as long as a third of a run
        solution.growth = growth
        return cells_of(option, solution, cancelled)

    if not together:
        return worst_of([first, *map(rated, seeds[1:])])
    rest = side_by_side([partial(rated, seed) for seed in seeds[1:]], meanwhile)
    return worst_of([first, *rest])


@one_blas_thread()
def compare(
    build: Build,
    event: str | int | None = None,
    seeds: int = 16,
    *,
    detail: Detail = "edges",
    cancelled: Callable[[], bool] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Findings:
    """Hold every option against every limit, over all events or one.

    What an option breaks is left out of it, and an option that cannot be solved does not stop
    the others; `Card.why` says so.

    Parameters
    ----------
    seeds : ESC timings per option and event where every edge is solved
    progress : told the share done, 0 to 1

    Raises
    ------
    DocumentError, NetworkError, SolveError   if no option can be solved
    """
    if seeds < 1:
        raise BadField("seeds", f"{seeds} ESC timings are none", "Give 1 or more")
    events = events_of(build)
    numbers = range(1, len(events) + 1) if event is None else [event_index(build, event) + 1]
    build, faults = salvage_all(build, [events[number - 1] for number in numbers])
    names: list[str | None] = [option.name for option in build.options] or [None]
    cells: list[Cell] = []
    stable = dict.fromkeys(names, True)
    failed: dict[str | None, SimError] = {}
    total, done = len(names) * len(numbers), 0
    for name in names:
        own: list[Cell] = []
        for which in numbers:
            done += 1
            if name in failed:
                continue
            try:
                case = prepare(build, which, name)
                stable[name] = stable[name] and case.stable
                tries = range(seeds if detail == "edges" and case.chops else 1)
                own += cells_over_timings(case, name or "As drawn", detail, tries, cancelled)
            except Cancelled:
                raise
            except SimError as error:
                # the others are held against each other all the same
                failed[name] = error
            if progress is not None:
                progress(done / total)
        if name not in failed:
            cells += own
    if len(failed) == len(names):
        raise next(iter(failed.values()))
    cases = {option.name for option in build.options if option.what_if}
    cards = [
        Card(name, None, None, what_if=name in cases, solved=False, why=(str(failed[name]),))
        if name is not None and name in failed
        else card_of(
            name or "As drawn",
            cells,
            stable=stable[name],
            what_if=name in cases,
            why=tuple(without(fault) for fault in faults.get(name or "", ())),
        )
        for name in names
    ]
    return conclude(build.name, cells, cards, detail, seeds if detail == "edges" else 1)

"""`solve` and `compare`: the whole chain from a build to an answer."""

from __future__ import annotations

import os
import time
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np

from sim import averaged, rosenbrock, switching
from sim.assemble import assemble
from sim.carriers import slewed
from sim.errors import BadField, Conflict
from sim.event import drive as drive_of
from sim.findings import Cell, Findings, card_of, cells_of, conclude, worst_of
from sim.mean_equations import MeanEquations, equilibrium
from sim.options import apply
from sim.patterns import PatternTable
from sim.resolve import event_index, events_of, option_index, resolve
from sim.solution import Context, Mode, Solution, modes_of
from sim.state_equations import StateEquations
from sim.threads import one_blas_thread

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from sim.event import Drive
    from sim.records import Build, Event
    from sim.trajectory import Trajectory

    Array = NDArray[np.float64]

Detail = Literal["averaged", "edges"]

#: Relative tolerances of the averaged reference; where nothing chops, true peaks are asked for.
_RTOL = 1e-6
_RTOL_STILL = 1e-9

#: ESC timings solved at once.
THREADS = min(4, os.cpu_count() or 1)


@dataclass(frozen=True)
class Case:
    """One option and event made ready: equations, drive and starting state."""

    build: Build
    option: str | None
    event: Event
    equations: StateEquations
    mean: MeanEquations
    drive: Drive
    start: Array
    stable: bool
    modes: tuple[Mode, ...]

    @cached_property
    def table(self) -> PatternTable:
        """Switch patterns met so far; shared by all ESC timings."""
        return PatternTable(self.equations)

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
    network = assemble(drawn, which_event)
    equations = StateEquations(network)
    mean = MeanEquations(equations)
    drive = slewed(drive_of(drawn, which_event, network), network)
    command = np.asarray(drive.start_duty, dtype=float)
    if which_event.kind == "plug_in":
        _refuse_impulse(equations)
        start = np.zeros(equations.n_states)
        jacobian = mean.jacobian(command, start)
        stable = True
    else:
        start = equilibrium(mean, command)
        jacobian = mean.jacobian(command, start)
        # rounding in a mode that does not decay is no instability
        fastest = float(np.max(np.abs(jacobian))) if jacobian.size else 0.0
        growth = float(np.max(np.linalg.eigvals(jacobian).real)) if jacobian.size else 0.0
        stable = growth <= 1e-9 * fastest + 1e-6
    return Case(
        build=drawn,
        option=None if chosen is None else chosen.name,
        event=which_event,
        equations=equations,
        mean=mean,
        drive=drive,
        start=start,
        stable=stable,
        modes=modes_of(jacobian, equations.state_owner),
    )


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
    cancelled: Callable[[], bool] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Solution:
    """Solve one event of a build under one option.

    Parameters
    ----------
    event, option : name, or number from 1; None for the first event and the build as drawn
    detail : "averaged" (bridges are their duty) or "edges" (every switching edge)
    seed : ESC timing: draws carrier phases and offsets where the build gives none
    cancelled : asked often; True stops the run with `Cancelled`
    progress : told the event time reached, in s

    Raises
    ------
    DocumentError, NetworkError, SolveError
    """
    return solve_case(
        prepare(build, event, option), detail, seed, cancelled=cancelled, progress=progress
    )


@one_blas_thread()
def solve_case(
    case: Case,
    detail: Detail,
    seed: int = 0,
    *,
    reference: bool = False,
    cancelled: Callable[[], bool] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Solution:
    """Solve a prepared case; see `solve`.

    `reference` solves averaged runs by Radau, as `sim.averaged` does.
    """
    if detail not in ("averaged", "edges"):
        raise BadField("detail", f"{detail!r} is not known", "Give averaged or edges")
    if case.chops and not all(case.drive.freewheel):
        why = (
            "freewheel off has no average: its current stops at zero within a carrier period"
            if detail == "averaged"
            else "freewheel off is not modelled yet"
        )
        raise BadField(f"event {case.event.name}", why, "Turn freewheel on")
    begin = time.perf_counter()
    run: Trajectory
    if detail == "edges" and case.chops:
        run = switching.run(
            case.mean,
            case.drive,
            case.start,
            seed,
            table=case.table,
            cancelled=cancelled,
            progress=progress,
        )
    else:
        # where nothing chops there is nothing to average: the same run, to a closer tolerance
        solver, usual = (averaged.run, _RTOL) if reference else (rosenbrock.run, rosenbrock.RTOL)
        run = solver(
            case.mean,
            case.drive,
            case.start,
            rtol=usual if case.chops else _RTOL_STILL,
            cancelled=cancelled,
            progress=progress,
        )
    context = Context(
        build=case.build,
        values={part.id: resolve(part) for part in case.build.parts},
        option=case.option,
        event=case.event.name,
        event_kind=case.event.kind,
        detail=detail,
        seed=seed,
        stable=case.stable,
        modes=case.modes,
        solve_s=time.perf_counter() - begin,
    )
    return Solution(context, run)


def cells_over_timings(
    case: Case,
    option: str,
    detail: Detail,
    seeds: Sequence[int],
    cancelled: Callable[[], bool] | None = None,
    meanwhile: Callable[[], object] | None = None,
) -> list[Cell]:
    """Worst and typical of each limit over ESC timings, solved `THREADS` at a time.

    The kernels let go of the interpreter, so that threads use all cores.

    Parameters
    ----------
    cancelled : asked in every thread
    meanwhile : called again and again in the calling thread while it waits

    Raises
    ------
    Cancelled   if `cancelled` says so
    """

    def rated(seed: int) -> list[Cell]:
        solution = solve_case(case, detail, seed, cancelled=cancelled)
        return cells_of(option, solution, cancelled)

    if len(seeds) == 1:
        return rated(seeds[0])
    # the first alone: it makes the patterns that all share
    first = rated(seeds[0])
    with ThreadPoolExecutor(THREADS) as pool:
        runs = [pool.submit(rated, seed) for seed in seeds[1:]]
        try:
            while wait(runs, timeout=0.02, return_when=FIRST_EXCEPTION).not_done:
                if meanwhile is not None:
                    meanwhile()
                if any(run.done() and run.exception() is not None for run in runs):
                    break
            return worst_of([first, *(run.result() for run in runs)])
        finally:
            for run in runs:
                run.cancel()


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

    Parameters
    ----------
    seeds : ESC timings per option and event where every edge is solved
    progress : told the share done, 0 to 1

    Raises
    ------
    DocumentError, NetworkError, SolveError
    """
    if seeds < 1:
        raise BadField("seeds", f"{seeds} ESC timings are none", "Give 1 or more")
    names: list[str | None] = [option.name for option in build.options] or [None]
    events = (
        range(1, len(events_of(build)) + 1) if event is None else [event_index(build, event) + 1]
    )
    cells: list[Cell] = []
    stable = dict.fromkeys(names, True)
    total, done = len(names) * len(events), 0
    for name in names:
        for which in events:
            case = prepare(build, which, name)
            stable[name] = stable[name] and case.stable
            tries = seeds if detail == "edges" and case.chops else 1
            cells += cells_over_timings(case, name or "As drawn", detail, range(tries), cancelled)
            done += 1
            if progress is not None:
                progress(done / total)
    cards = [card_of(name or "As drawn", cells, stable=stable[name]) for name in names]
    return conclude(build.name, cells, cards, detail, seeds if detail == "edges" else 1)

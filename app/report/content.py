"""What a report says: findings, two curves on one pair of axes, what was taken for granted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim.quantity import format as quantity_text

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from sim.build import Build
    from sim.findings import Card, Cell, Findings
    from sim.tolerance import Unknown

    Array = NDArray[np.float64]

#: Columns of a curve on paper.
COLUMNS = 640

CAUTION = "Within ratings in this model. Not a promise to fly."
CAUTIONS = (
    "Plug-in, capacitors: stripe is minus. A reversed capacitor bursts. Eye protection.",
    "Soldering: unplug. Discharge through a resistor, never a screwdriver; measure under 1 V.",
    "Tests: props off. VTX on its antenna or a dummy load. Scope ground to pack minus only; "
    "laptop on battery.",
    "Braking: never brake into a bench supply. Limiter for the first power-up only.",
    "LiPo: attended, in a fire-safe place. Swollen or damaged: do not use. Maker's data and "
    "local rules come first.",
)


@dataclass(frozen=True)
class Trace:
    """One option's curve: lowest and highest in each of so many equal bins of the event."""

    option: str
    edges: Array
    low: Array
    high: Array


@dataclass(frozen=True)
class Content:
    """All a report is made of.

    Attributes
    ----------
    drawn : the build with the chosen option
    card : of that option
    shown : the limit whose curve is drawn, None if there is none
    rival : the same limit under the option that is worst there, None if that is the chosen one
    traces : of the chosen option, then of the rival
    """

    build: Build
    drawn: Build
    findings: Findings
    card: Card
    cells: tuple[Cell, ...]
    shown: Cell | None
    rival: Cell | None
    traces: tuple[Trace, ...]
    assumptions: tuple[Unknown, ...]
    not_covered: tuple[str, ...]
    model_version: str

    @property
    def over(self) -> bool:
        """The chosen option passes a limit."""
        return self.card.verdict == "over"


def gather(
    build: Build,
    option: str | int | None = None,
    *,
    seeds: int = 16,
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Content:
    """Solve all that a report of a build needs.

    Parameters
    ----------
    option : name or number from 1; None for the best
    progress : told the share done, 0 to 1

    Raises
    ------
    BadField   if there is no such option
    DocumentError, NetworkError, SolveError
    """
    import sim
    from sim.options import apply
    from sim.resolve import option_index
    from sim.solution import MODEL_VERSION, NOT_COVERED
    from sim.tolerance import unknowns

    at = option_index(build, option)

    def share(done: float) -> None:
        if progress is not None:
            progress(0.9 * done)

    found = sim.compare(build, seeds=seeds, progress=share, cancelled=cancelled)
    which = at if at is not None else found.best
    card = found.cards[0 if which is None else which]
    number = next((i for i, o in enumerate(build.options) if o.name == card.option), None)
    drawn = apply(build, None if number is None else build.options[number])
    cells = tuple(
        sorted((c for c in found.cells if c.option == card.option), key=lambda c: -c.used)
    )
    volts = [c for c in cells if c.unit == "V"]
    # a limit that other options have too, where there is one: two curves say more
    shown = next((c for c in volts if len(_alike(found, c)) > 1), volts[0] if volts else None)
    rival, traces = None, []
    if shown is not None:
        worst = max(_alike(found, shown), key=lambda c: c.used)
        rival = worst if worst.used > 1.005 * shown.used else None
        traces = [_trace(build, cell, cancelled) for cell in (shown, rival) if cell is not None]
    if progress is not None:
        progress(1.0)
    return Content(
        build=build,
        drawn=drawn,
        findings=found,
        card=card,
        cells=cells,
        shown=shown,
        rival=rival,
        traces=tuple(traces),
        assumptions=unknowns(drawn),
        not_covered=NOT_COVERED,
        model_version=MODEL_VERSION,
    )


def _alike(found: Findings, cell: Cell) -> list[Cell]:
    """The same limit in the same event under every option that has it."""
    return [
        c
        for c in found.cells
        if (c.part, c.rating, c.event) == (cell.part, cell.rating, cell.event)
    ]


def _trace(build: Build, cell: Cell, cancelled: Callable[[], bool] | None) -> Trace:
    """The very run that a limit was read from, over its whole event."""
    import sim
    from sim.state_equations import stack_rows

    named = any(option.name == cell.option for option in build.options)
    run = sim.solve(
        build, cell.event, cell.option if named else None, seed=cell.seed, cancelled=cancelled
    )
    signal = sim.Signal("volts", cell.place)
    edges, low, high = run.envelope([signal], 0.0, run.duration_s, COLUMNS)
    # where nothing chops an envelope is read on a grid; the extremes are known better
    exact = run.trajectory.figures(stack_rows([run.rows(signal)]), 0.0, run.duration_s)
    for course, at, value in (
        (low[0], exact.lowest_at, exact.lowest),
        (high[0], exact.highest_at, exact.highest),
    ):
        bin_ = min(int(float(at[0]) / run.duration_s * COLUMNS), COLUMNS - 1)
        course[bin_] = float(value[0])
    return Trace(cell.option, edges, low[0], high[0])


def figure(value: float, unit: str) -> str:
    """A figure as it is printed."""
    return quantity_text(value, unit, digits=3)


def against(cell: Cell) -> str:
    """ "28.1 V of 30 V"."""
    return f"{figure(cell.value, cell.unit)} of {figure(cell.limit, cell.unit)}"

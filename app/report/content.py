"""What a report says: findings, two curves on one pair of axes, what was taken for granted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim.quantity import format as quantity_text
from sim.verdict import LOWER, grown

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
    beside : sentences about plug-in, stages, warmth and grams of the chosen option
    """

    build: Build
    drawn: Build
    findings: Findings
    card: Card
    cells: tuple[Cell, ...]
    shown: Cell | None
    rival: Cell | None
    traces: tuple[Trace, ...]
    beside: tuple[str, ...]
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
    from sim.resolve import events_of, option_index
    from sim.salvage import salvage_all
    from sim.solution import MODEL_VERSION, NOT_COVERED
    from sim.tolerance import unknowns

    at = option_index(build, option)

    def share(done: float) -> None:
        if progress is not None:
            progress(0.9 * done)

    found = sim.compare(build, seeds=seeds, progress=share, cancelled=cancelled)
    # curves and what stands beside are of what can be solved, as the limits are
    build, _ = salvage_all(build, events_of(build))
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
    broken = [f"{c.option}: {text}." for c in found.cards for text in map(_plain, c.why)]
    beside = [*broken, *(_beside(drawn, cancelled) if card.solved else ())]
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
        beside=tuple(beside),
        assumptions=unknowns(drawn),
        not_covered=NOT_COVERED,
        model_version=MODEL_VERSION,
    )


def _beside(drawn: Build, cancelled: Callable[[], bool] | None) -> list[str]:
    """What an option does beside its limits."""
    from sim import details, heat
    from sim.tolerance import replace_options

    plain = replace_options(drawn)
    out = []
    plug = details.plug_in(plain)
    if plug is not None:
        arc = f", {figure(plug.contact_J, 'J')} of it at the contact" if plug.contact_J else ""
        out.append(
            f"{plug.event}: at most {figure(plug.peak_V, 'V')}, at {plug.peak_place}; "
            f"{figure(plug.inrush_A, 'A')} out of the pack, "
            f"{figure(plug.heat_J, 'J')} of heat{arc}."
        )
    for stage in details.stages(plain):
        text = f"{stage.label}: drops {figure(stage.drop_V, 'V')}"
        if stage.resonance_hz is not None and stage.damping is not None:
            text += (
                f", resonance {figure(stage.resonance_hz, 'Hz')} (damping {stage.damping:.2f}, "
                f"lifts by {max(stage.peak_dB, 0.0):.1f} dB)"
            )
        if stage.at_pwm_dB is not None:
            text += f", {stage.at_pwm_dB:.0f} dB at the PWM frequency"
        out.append(f"{text}.")
    if any(part.kind == "esc" for part in plain.parts):
        cans = heat.flight(plain, cancelled=cancelled)
        if cans:
            hot = max(cans, key=lambda can: can.core_C)
            part = next(p for p in plain.parts if p.id == hot.part)
            out.append(
                f"Over a flight {part.label or part.id} carries most ripple of the cans: "
                f"{figure(hot.rms_A, 'A')} RMS, its core {hot.core_C:.0f} °C in air of "
                f"{heat.AIR_C:.0f} °C (duties and air are our guess)."
            )
    weight = details.mass(plain)
    if weight.grams:
        guess = " by the size of the cans, our guess" if weight.guessed else ""
        out.append(f"Capacitors: {weight.grams:.1f} g{guess}.")
    return out


def _plain(text: str) -> str:
    return text.rstrip(".")


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
    """ "28.1 V of 30 V", "9.8 V, needs 10 V"."""
    if cell.reads == "growth":
        return grown(cell.value)
    between = ", needs " if cell.reads in LOWER else " of "
    return f"{figure(cell.value, cell.unit)}{between}{figure(cell.limit, cell.unit)}"


def typically(cell: Cell) -> str:
    """The median over ESC timings: "28.1 V", "grows 10-fold"."""
    return grown(cell.typical) if cell.reads == "growth" else figure(cell.typical, cell.unit)

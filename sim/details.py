"""What stands behind a verdict: drop-outs, video, filter stages, plug-in, grams.

Each function takes a solved run, or a build with its option applied, and gives plain records.
Warmth of capacitors over a flight is in `sim.heat`, what happens when a part fails in
`sim.faults`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np

from sim.errors import BadField
from sim.options import apply
from sim.parts import KINDS
from sim.parts.families import can_mm
from sim.resolve import event_index, events_of, option_index, resolve
from sim.signals import Signal
from sim.spectrum import VIDEO_LINES_HZ, check_window
from sim.state_equations import stack_rows
from sim.tolerance import replace_options

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from sim.records import Build, Part
    from sim.solution import Solution

    Array = NDArray[np.float64]

#: White of a video picture over black, V: 100 of 140 IRE units of 1 V, and 700 mV.
PICTURE_V = {525: 100.0 / 140.0, 625: 0.700}
#: Lines and fields per second, ITU-R BT.1700 (from memory).
_LINE_HZ = {625: VIDEO_LINES_HZ[0], 525: VIDEO_LINES_HZ[1]}
_FIELD_HZ = {625: 50.0, 525: VIDEO_LINES_HZ[1] / 262.5}
#: Density of a capacitor's can with its legs, g per mm3 (from memory: 1.5 g/cm3).
_CAN_G_PER_MM3 = 1.5e-3
#: Lines are looked for up to here, Hz.
_SEEN_HZ = 2e6
#: Samples of a run in which times below a limit are counted.
_COUNTED = 40_000


# --- times below a limit ------------------------------------------------------------------


@dataclass(frozen=True)
class Dropout:
    """A part whose supply falls below what it works from.

    Attributes
    ----------
    lowest_V : in the whole event
    below_s, longest_s : time below the limit in all, and in one go, to a few microseconds
    at_s : when it is lowest
    """

    part: str
    label: str
    limit_V: float
    lowest_V: float
    below_s: float
    longest_s: float
    at_s: float


def dropouts(solution: Solution) -> tuple[Dropout, ...]:
    """Every part with a lowest supply that a run goes below; none before a plug-in is over."""
    if solution.context.event_kind == "plug_in":
        return ()
    labels = solution.equations.network.labels
    found = []
    for part in solution.context.build.parts:
        for rating in KINDS[part.kind].ratings:
            limit = solution.context.values[part.id].optional(rating.field)
            if rating.reads != "minimum_volts" or limit is None:
                continue
            place = f"{part.id}.{rating.port}"
            signal = Signal("volts", place)
            rows = stack_rows([solution.rows(signal)])
            figures = solution.trajectory.figures(rows, 0.0, solution.duration_s)
            lowest = float(figures.lowest[0])
            if lowest >= limit:
                continue
            step = solution.duration_s / _COUNTED
            times = np.asarray((np.arange(_COUNTED) + 0.5) * step, dtype=np.float64)
            below = np.concatenate(
                [
                    solution.sample([signal], times[i : i + 10_000])[0] < limit
                    for i in range(0, _COUNTED, 10_000)
                ]
            )
            edges = np.flatnonzero(np.diff(np.concatenate([[0], below.astype(np.int8), [0]])))
            longest = int(np.max(edges[1::2] - edges[::2], initial=0))
            found.append(
                Dropout(
                    part=part.id,
                    label=labels.get(place, part.label or part.id),
                    limit_V=limit,
                    lowest_V=lowest,
                    below_s=float(below.sum()) * step,
                    longest_s=longest * step,
                    at_s=float(figures.lowest_at[0]),
                )
            )
    return tuple(found)


class Figure(Protocol):
    """A figure of a limit: where it is read, how, and in what unit."""

    @property
    def place(self) -> str: ...
    @property
    def reads(self) -> str: ...
    @property
    def unit(self) -> str: ...


def moment_of(solution: Solution, cell: Figure) -> float:
    """When a run reaches the figure of a limit, s: where frame and curves go at a click.

    0 for figures of a whole event, such as an RMS or a growth.

    Raises
    ------
    WrongPort   if the run has no such place
    """
    if cell.reads == "RMS" or cell.unit not in ("V", "A"):
        return 0.0
    kind: Literal["volts", "amps"] = "amps" if cell.unit == "A" else "volts"
    rows = stack_rows([solution.rows(Signal(kind, cell.place))])
    figures = solution.trajectory.figures(rows, 0.0, solution.duration_s)
    lowest = cell.reads in ("lowest", "slow lowest") or (
        kind == "amps" and -figures.lowest[0] > figures.highest[0]
    )
    return float((figures.lowest_at if lowest else figures.highest_at)[0])


# --- analogue video -----------------------------------------------------------------------


@dataclass(frozen=True)
class VideoRipple:
    """Ripple at a video part's supply, and what lines it may draw.

    Attributes
    ----------
    pp_mV, low_mV, video_mV : peak to peak; RMS of 100 Hz to 15 kHz, and of 15 kHz to 6 MHz
    strongest_hz, strongest_mV : the strongest line from 1 kHz to 2 MHz, RMS
    bars : by lines of the picture, bars per field that this line draws
    percent_of_picture : peak to peak over white, were all of it let through
    """

    part: str
    label: str
    pp_mV: float
    low_mV: float
    video_mV: float
    strongest_hz: float
    strongest_mV: float
    bars: dict[int, float]
    percent_of_picture: float


def video_ripple(solution: Solution, part: str, t0: float, t1: float) -> VideoRipple:
    """Ripple at a part's input over a window of a run with every edge.

    A ripple of frequency f beats with the nearest multiple of the line frequency; over a field
    of 1/50 or 1/59.94 s the beat draws so many bars (arithmetic).

    Raises
    ------
    BadField   if the window is not inside the event
    WrongPort   if there is no such part
    """
    from sim.measure import between
    from sim.spectrum import spectrum

    signal = Signal("volts", f"{part}.in")
    (figures,) = between(solution, [signal], t0, t1, bands=True)
    assert figures.bands is not None
    # short enough that a look at every line takes a second or two
    span = min(t1 - t0, 2e-3)
    found = spectrum(solution, signal, t0, t0 + span, highest_hz=_SEEN_HZ)
    inside = found.hz >= max(1e3, 3.0 / span)
    k = int(np.argmax(np.where(inside, found.amplitude, 0.0)))
    hz = float(found.hz[k])
    return VideoRipple(
        part=part,
        label=solution.equations.network.labels.get(signal.place, part),
        pp_mV=1e3 * figures.peak_to_peak,
        low_mV=1e3 * figures.bands.rms[1],
        video_mV=1e3 * figures.bands.rms[2],
        strongest_hz=hz,
        strongest_mV=1e3 * float(found.amplitude[k]) / math.sqrt(2.0),
        bars={lines: bars_per_field(hz, lines) for lines in (625, 525)},
        percent_of_picture=100.0 * figures.peak_to_peak / PICTURE_V[625],
    )


def bars_per_field(hz: float, lines: int) -> float:
    """Bars that a ripple of a frequency draws in a field of a 625- or 525-line picture."""
    line = _LINE_HZ[lines]
    return abs(hz - round(hz / line) * line) / _FIELD_HZ[lines]


def picture(
    solution: Solution,
    part: str,
    t0: float,
    *,
    lines: Literal[625, 525] = 625,
    rejection_db: float = 30.0,
    columns: int = 240,
) -> Array:
    """What ripple adds to one field of an analogue picture, as a share of white.

    Parameters
    ----------
    t0 : where in the event the field starts, s
    rejection_db : of the part's own regulator, the same at all frequencies (20 to 60 dB is
        usual; our guess, as few parts say)
    columns : points along a line

    Returns
    -------
    (lines seen in a field, columns); the event's end is repeated where it is over

    Raises
    ------
    BadField   if the start is not inside the event
    WrongPort   if there is no such part
    """
    check_window(solution, t0, solution.duration_s)
    count = 288 if lines == 625 else 243
    line = 1.0 / _LINE_HZ[lines]
    # 52 of 64 us, 52.7 of 63.6 us, carry picture (ITU-R BT.1700, from memory)
    shown = 52e-6 if lines == 625 else 52.7e-6
    times = t0 + line * np.arange(count)[:, None] + shown * (np.arange(columns) + 0.5) / columns
    flat = np.minimum(times.ravel(), np.nextafter(solution.duration_s, 0.0))
    signal = Signal("volts", f"{part}.in")
    volts = np.concatenate(
        [solution.sample([signal], flat[i : i + 20_000])[0] for i in range(0, len(flat), 20_000)]
    ).reshape(times.shape)
    # black is held at each line's start: what is slower than a line is taken out
    ripple = volts - volts.mean(axis=1, keepdims=True)
    share = 10.0 ** (-rejection_db / 20.0) / PICTURE_V[lines]
    return np.asarray(ripple * share, dtype=float)


# --- filter stages ------------------------------------------------------------------------


@dataclass(frozen=True)
class StageFacts:
    """An LC or RC stage where an event starts.

    Attributes
    ----------
    resonance_hz, damping : of the mode that is mostly its own; None where it does not ring
    peak_dB : most it lifts at any frequency from 100 Hz on; below 0 it never does
    at_pwm_dB : what is left of the lowest PWM frequency; None without an ESC
    drop_V : between its ends
    """

    part: str
    label: str
    resonance_hz: float | None
    damping: float | None
    peak_dB: float
    at_pwm_dB: float | None
    drop_V: float


def stages(
    build: Build, option: str | int | None = None, event: str | int | None = None
) -> tuple[StageFacts, ...]:
    """Every filter stage of a build under one option.

    Raises
    ------
    BadField   if there is no such option or event
    DocumentError, NetworkError, SolveError
    """
    from sim.api import prepare
    from sim.impedance import transfer

    at = option_index(build, option)
    drawn = replace_options(apply(build, None if at is None else build.options[at]))
    number = event_index(drawn, event) + 1
    filters = [p for p in drawn.parts if p.kind in ("lc_stage", "rc_stage", "inductor")]
    if not filters:
        return ()
    case = prepare(drawn, number)
    carriers = [c.frequency_hz for c in case.equations.network.choppers]
    found = []
    for part in filters:
        gain = transfer(drawn, f"{part.id}.out", f"{part.id}.in", event=number)
        own = [m for m in gain.modes if m.damping < 1.0 and dict(m.owners).get(part.id, 0.0) > 0.4]
        mode = min(own, key=lambda m: m.damping, default=None)
        left = None
        if carriers:
            one = transfer(
                drawn, f"{part.id}.out", f"{part.id}.in", event=number, hz=[min(carriers)]
            )
            left = float(one.values[0])
        ports = case.equations.network.ports
        (a, _), (b, _) = ports[f"{part.id}.in"], ports[f"{part.id}.out"]
        rows = case.equations.volts(a, b)
        duty, w, u, slope, _ = case.mean.along(case.drive.start_duty[None], case.start[None])
        drop = case.mean.rows(rows, duty, w, slope, u)
        found.append(
            StageFacts(
                part=part.id,
                label=part.label or KINDS[part.kind].title,
                resonance_hz=None if mode is None else mode.hz,
                damping=None if mode is None else mode.damping,
                peak_dB=float(np.max(gain.values[gain.hz >= 100.0])),
                at_pwm_dB=left,
                drop_V=float(drop[0, 0]),
            )
        )
    return tuple(found)


# --- plug-in ------------------------------------------------------------------------------


@dataclass(frozen=True)
class PlugIn:
    """What happens when the pack goes in.

    Attributes
    ----------
    peak_V, peak_place : the highest voltage of any place, and where
    inrush_A : largest current out of the pack
    heat_J : what contact, leads and capacitors turn into heat while they charge
    contact_J : of that in the contact and its arc, 0 where the event has no bounce
    """

    event: str
    peak_V: float
    peak_place: str
    inrush_A: float
    heat_J: float
    contact_J: float


def plug_in(build: Build, option: str | int | None = None) -> PlugIn | None:
    """The first plug-in event of a build; None if it has none.

    Raises
    ------
    DocumentError, NetworkError, SolveError
    """
    from sim.api import solve

    number = next((i for i, e in enumerate(events_of(build), 1) if e.kind == "plug_in"), None)
    if number is None:
        return None
    run = solve(build, number, option)
    top = max(run.joints, key=lambda j: j.peak_V or 0.0)
    sources = [p.peak_A for p in run.parts if p.kind in ("battery", "bench_supply")]
    balance = run.trajectory.energy(0.0, run.duration_s)
    contact = balance.by_owner.get("arc", 0.0) + balance.by_owner.get("contact", 0.0)
    return PlugIn(
        event=run.event,
        peak_V=top.peak_V or 0.0,
        peak_place=top.label,
        inrush_A=max(sources, default=0.0),
        heat_J=balance.dissipated,
        contact_J=contact,
    )


# --- grams --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Mass:
    """Grams of capacitors and filters; `guessed` of them are by size, not given."""

    grams: float
    guessed: float


def mass(build: Build, option: str | int | None = None) -> Mass:
    """What the capacitors of an option weigh, by what is given or by the size of their cans.

    Raises
    ------
    BadField   if there is no such option
    """
    at = option_index(build, option)
    drawn = apply(build, None if at is None else build.options[at])
    total = guessed = 0.0
    for part in drawn.parts:
        if part.kind not in ("electrolytic", "polymer"):
            continue
        given = resolve(part).optional("mass")
        if given is not None:
            total += 1e3 * given
        else:
            grams = can_grams(part)
            total, guessed = total + grams, guessed + grams
    return Mass(total, guessed)


def can_grams(part: Part) -> float:
    """Mass of a can by its size, g: 1.5 g/cm3 (from memory).

    Raises
    ------
    BadField   if the part is no can
    """
    if part.kind not in ("electrolytic", "polymer"):
        raise BadField(part.id, "is no can", "Give an electrolytic or polymer capacitor")
    values = resolve(part)
    diameter, height = can_mm(values.number("capacitance"), values.optional("rated_voltage"))
    return _CAN_G_PER_MM3 * math.pi / 4.0 * diameter**2 * height


def summary(solution: Solution, cancelled: Callable[[], bool] | None = None) -> list[str]:
    """Sentences about one run that a findings sheet shows below its figures."""
    from sim.quantity import format as show

    out = []
    for drop in dropouts(solution):
        if cancelled is not None and cancelled():
            break
        out.append(
            f"{drop.label} is below its {show(drop.limit_V, 'V', 3)} for "
            f"{show(drop.below_s, 's', 2)}, lowest {show(drop.lowest_V, 'V', 3)} at "
            f"{show(drop.at_s, 's', 3)}."
        )
    return out

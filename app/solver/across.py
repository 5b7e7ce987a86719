"""What the window shows over frequency, and where the joules went."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from app.solver import rows
from app.solver.protocol import Across, Bar, Flows, HzMark, Joules, LeadFlow, Line
from sim.errors import SimError
from sim.impedance import RINGS_BELOW, impedance
from sim.noise_path import lead_addresses, noise_path
from sim.spectrum import spectrum

if TYPE_CHECKING:
    from collections.abc import Callable

    from app.solver.rows import Solved

#: Points of a curve over frequency, the largest value of each is kept, so no line is lost.
_COLUMNS = 400
_LOWEST_HZ = 100.0
#: Above analogue video's band nothing of a picture is hurt, and reading higher takes long.
_HIGHEST_HZ = 6e6
_MOST_LINES = 4
_MOST_BARS = 12
#: A spectrum is of at most so much: 250 Hz from line to line, and read in a moment.
_STRETCH_S = 4e-3
#: Multiples of the PWM frequency that are named.
_MULTIPLES = 3


def across(
    solved: Solved,
    view: str,
    window: tuple[float, float],
    request_id: int,
    cancelled: Callable[[], bool],
) -> Across | Joules:
    """One view of a solution: "spectrum", "impedance" or "joules".

    What cannot be shown is said in `Across.why`.

    Raises
    ------
    Cancelled   if `cancelled` says so
    """
    if view == "joules":
        return joules(solved, window, request_id)
    try:
        if view == "impedance":
            return _impedance(solved, request_id)
        return _spectrum(solved, window, request_id, cancelled)
    except SimError as error:
        if type(error).__name__ == "Cancelled":
            raise
        return Across(request_id=request_id, view=view, unit="", why=str(error))


def _impedance(solved: Solved, request_id: int) -> Across:
    option = None if solved.option is None else solved.option + 1
    lines, marks = [], _pwm(solved)
    for clip in _voltages(solved):
        found = impedance(solved.build, clip.tip, event=solved.event_index + 1, option=option)
        label = solved.network.labels.get(clip.tip, clip.tip)
        lines.append(Line(clip.tip, label, *_thinned(found.hz, found.values)))
        if len(lines) == 1:
            ringing = [m for m in found.modes if m.damping < RINGS_BELOW]
            # the sharpest few: all would be a row of names nobody reads
            for mode in sorted(ringing, key=lambda m: m.damping)[:_MULTIPLES]:
                owners = " and ".join(_name(solved, owner) for owner, _ in mode.owners[:2])
                # equal arms ring alike: one name for all of them
                if all(abs(mark.hz / mode.hz - 1.0) > 0.03 for mark in marks):
                    marks.append(HzMark(mode.hz, f"rings: {owners}", "ring"))
    return Across(
        request_id=request_id, view="impedance", unit="Ohm", lines=tuple(lines), marks=tuple(marks)
    )


def _spectrum(
    solved: Solved, window: tuple[float, float], request_id: int, cancelled: Callable[[], bool]
) -> Across:
    lines = []
    marks: dict[tuple[str, int], HzMark] = {}
    window, why = _readable(solved, window)
    for clip in _voltages(solved):
        signal = rows.signal_of(clip)
        found = spectrum(
            solved.solution, signal, *window, highest_hz=_HIGHEST_HZ, cancelled=cancelled
        )
        label = solved.network.labels.get(clip.tip, clip.tip)
        lines.append(Line(clip.tip, label, *_thinned(found.hz[1:], found.amplitude[1:])))
        for mark in found.marks:
            words = mark.kind if mark.order == 1 else f"{mark.order} × {mark.kind}"
            if mark.order <= (_MULTIPLES if mark.kind == "PWM" else 1):
                marks.setdefault((mark.kind, mark.order), HzMark(mark.hz, words, mark.kind))
    if not solved.solution.knows_peaks:
        why = "Averages only: no PWM in this picture yet."
    return Across(
        request_id=request_id,
        view="spectrum",
        unit="V",
        lines=tuple(lines),
        marks=tuple(marks.values()),
        why=why,
    )


def flows(
    solved: Solved,
    window: tuple[float, float],
    request_id: int,
    cancelled: Callable[[], bool],
) -> Flows:
    """Current along every lead, by band.

    Raises
    ------
    Cancelled   if `cancelled` says so
    """
    path = noise_path(solved.solution, *window, cancelled)
    found = []
    addresses = lead_addresses(solved.solution.context.build, solved.network)
    for id_, (address, sign) in addresses.items():
        flow = path.at(address)
        if flow is not None:
            slow, pwm, edges = (sign * p for p in flow.phasor)
            turn = ((slow.real, slow.imag), (pwm.real, pwm.imag), (edges.real, edges.imag))
            found.append(LeadFlow(id_, (abs(flow.rms[0]), flow.rms[1], flow.rms[2]), turn))
    return Flows(request_id=request_id, window=(path.t0, path.t1), hz=path.hz, leads=tuple(found))


def _readable(solved: Solved, window: tuple[float, float]) -> tuple[tuple[float, float], str]:
    """The window, or where it is long the stretch of it with the largest swing, and a word on it.

    A spectrum of a whole chop would mix what comes before it with what it does, and takes long.
    """
    if window[1] - window[0] <= _STRETCH_S or not (clips := _voltages(solved)):
        return window, ""
    count = max(round((window[1] - window[0]) / _STRETCH_S), 2)
    signals = [rows.signal_of(clips[0])]
    times, low, high = solved.solution.envelope(signals, *window, count, rows.LIVE_SLACK_V)
    k = int(np.argmax(high[0] - low[0]))
    stretch = (float(times[k]), float(times[k + 1]))
    words = f"Of {stretch[0] * 1e3:.3g} to {stretch[1] * 1e3:.3g} ms, where the swing is largest."
    return stretch, words


def joules(solved: Solved, window: tuple[float, float], request_id: int) -> Joules:
    """Where the energy of a stretch went, the largest shares first."""
    balance = solved.solution.trajectory.energy(*window)
    largest = sorted(balance.by_owner.items(), key=lambda item: -abs(item[1]))
    bars = [Bar(_name(solved, owner), joule) for owner, joule in largest[:_MOST_BARS]]
    rest = sum(joule for _, joule in largest[_MOST_BARS:])
    if len(largest) > _MOST_BARS:
        bars.append(Bar("all others", rest))
    return Joules(
        request_id=request_id,
        from_sources=balance.from_sources,
        stored_change=balance.stored_change,
        bars=tuple(bars),
    )


def _voltages(solved: Solved) -> list[Any]:
    return [clip for clip in solved.clips if clip.reads == "volts"][:_MOST_LINES]


def _name(solved: Solved, owner: str) -> str:
    return rows.name_of(solved, owner)


def _pwm(solved: Solved) -> list[HzMark]:
    """The PWM frequency where all ESCs share it."""
    wanted = {chopper.frequency_hz for chopper in solved.network.choppers}
    if len(wanted) != 1:
        return []
    (hz,) = wanted
    return [HzMark(hz, "PWM", "PWM"), HzMark(2.0 * hz, "2 × PWM", "PWM")]


def _thinned(hz: Any, value: Any) -> tuple[Any, Any]:
    """The largest value in each of some hundred steps of a logarithmic axis."""
    keep = (hz >= _LOWEST_HZ) & (value > 0.0)
    hz, value = hz[keep], value[keep]
    if len(hz) <= _COLUMNS:
        return hz, value
    step = np.log(hz / hz[0]) / np.log(hz[-1] / hz[0]) * (_COLUMNS - 1)
    starts = np.flatnonzero(np.diff(np.floor(step), prepend=-1.0))
    largest = np.maximum.reduceat(value, starts)
    at = [s + int(np.argmax(value[s:e])) for s, e in zip(starts, [*starts[1:], None], strict=True)]
    return hz[at], largest

"""A build held against a real recording: overlay, and what its unknowns then are.

    capture = read_capture("plug.csv")
    shot = expected(build, "pads", event="Plug in")     # before it is looked at
    found = fit(build, capture, event="Plug in", at="pads")

Where nothing chops the recording is compared point by point. With chopping ESCs nobody knows
their timing, so the slow course is compared: recording and model, each with its own timing, are
averaged over a few carrier periods. The fit is least squares (scipy's `least_squares`) in the
logarithms of the unknowns, with the trigger's time and the scope's offset free. Each unknown is
also held to what was known of it before, its mark's share as one standard deviation: what the
recording does not tell stays where it was, and its uncertainty goes into the intervals of the
others. Intervals are 95 % from the covariance at the solution; what is left over counts as
noise, widened as it hangs together from sample to sample, and no interval is closer than what
a model of straight copper and lumped parts is good for.

From one ring L and C are not separable: capacitances stay as they are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from msgspec.structs import replace
from scipy.optimize import OptimizeResult, least_squares
from scipy.signal import fftconvolve

from sim import rosenbrock
from sim.api import Case, prepare, solve_case
from sim.errors import BadField, Cancelled, SimError, WrongPort
from sim.options import apply
from sim.records import Change, Option, Quantity
from sim.resolve import event_index, events_of, given_number, option_index
from sim.signals import Signal
from sim.threads import one_blas_thread
from sim.tolerance import Unknown, replace_options, unknowns, varied

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from sim.capture import Capture
    from sim.records import Build, Mark
    from sim.state_equations import Rows, StateEquations
    from sim.trajectory import Trajectory

    Array = NDArray[np.float64]

#: Values that a recording may tell, by the key's name.
FITTED_KEYS = ("inductance", "esr", "resistance", "cell_resistance", "slow_resistance", "dcr")
#: Unknowns let free at once, those that the recording shows most of.
MOST_FREE = 8
#: An unknown is fitted where the recording halves what it might have been.
_TOLD = 0.5
#: Tolerance of the model's runs: its error is far below any scope's.
_RTOL = 1e-7
#: Samples used; longer recordings are thinned by averaging.
_MOST_SAMPLES = 4000
#: An unknown may end this many times smaller or larger than it was.
_FACTOR = 20.0
_STEP = 0.01
#: Standard deviation of a value's logarithm that the model itself leaves, however quiet the
#: recording: our guess (copper is 4 % off after 10 degrees, but for milliseconds it is not).
_MODEL = 2e-3
#: Carrier periods over which a chopped recording is averaged.
_PERIODS = 4


@dataclass(frozen=True)
class Fitted:
    """One unknown before and after; `low` to `high` is the 95 % interval, SI."""

    addresses: tuple[str, ...]
    label: str
    unit: str
    mark: Mark
    before: float
    value: float
    low: float
    high: float

    @property
    def off(self) -> bool:
        """The value it had is outside the interval: that guess was wrong."""
        return not self.low <= self.before <= self.high


@dataclass(frozen=True)
class Fit:
    """What a recording says about a build.

    Attributes
    ----------
    course : "true" (point by point) or "slow" (averaged over carrier periods)
    shift_s : add to the recording's times for the event's
    offset_v : the recording reads so much too high
    times, measured, before, after : (n,) event time and volts: the overlay
    rms_before, rms_after : RMS of what is left, V; before with the best shift and offset too
    fitted : the unknowns that moved
    untold : labels of those this recording cannot tell
    notes : what to know before believing it
    """

    build: str
    event: str
    option: str | None
    at: str
    capture: str
    course: Literal["true", "slow"]
    shift_s: float
    offset_v: float
    times: Array
    measured: Array
    before: Array
    after: Array
    rms_before: float
    rms_after: float
    fitted: tuple[Fitted, ...]
    untold: tuple[str, ...]
    notes: tuple[str, ...]

    def changed(self, build: Build) -> Build:
        """The build with its unknowns as fitted; its options stay."""
        factors = {
            address: item.value / item.before for item in self.fitted for address in item.addresses
        }
        return varied(build, factors)

    def taken(self, shown: Build) -> Build:
        """A build, as the option shows it, with its unknowns as fitted and marked so.

        Each value is "you measured", with the recording as its source and the wider side of
        its interval as its tolerance.

        Raises
        ------
        SimError   if the build has not got those values any more
        """
        changes = []
        for item in self.fitted:
            share = max(item.high / item.value - 1.0, 1.0 - item.low / item.value)
            for address in item.addresses:
                given = Quantity(
                    value=item.value,
                    mark="measured",
                    source=f"fitted to {self.capture}",
                    tolerance=f"{100.0 * min(share, 0.99):.2g} %",
                )
                changes.append(Change(set=address, value=given))
        return apply(shown, Option(name="fitted", changes=tuple(changes)))

    def to_json_dict(self) -> dict[str, object]:
        """The JSON document of the `fit` verb."""
        return {
            "build": self.build,
            "event": self.event,
            "option": self.option,
            "at": self.at,
            "capture": self.capture,
            "course": self.course,
            "shift_s": self.shift_s,
            "offset_V": self.offset_v,
            "rms_before_V": self.rms_before,
            "rms_after_V": self.rms_after,
            "fitted": [
                {
                    "address": item.addresses[0],
                    "addresses": list(item.addresses),
                    "label": item.label,
                    "unit": item.unit,
                    "mark": item.mark,
                    "before": item.before,
                    "value": item.value,
                    "low": item.low,
                    "high": item.high,
                }
                for item in self.fitted
            ],
            "untold": list(self.untold),
            "notes": list(self.notes),
            "overlay": {
                "time_s": self.times.tolist(),
                "capture_V": self.measured.tolist(),
                "before_V": self.before.tolist(),
                "after_V": self.after.tolist(),
            },
        }


class _Model:
    """Volts at one place for unknowns times factors, solved when first asked for."""

    def __init__(
        self,
        build: Build,
        event: int,
        signal: Signal,
        tried: Sequence[Unknown],
        cancelled: Callable[[], bool] | None,
    ) -> None:
        self.build, self.event, self.signal, self.tried = build, event, signal, tried
        self._cancelled = cancelled
        self._known: dict[tuple[float, ...], _Course] = {}

    def shortened(self, seconds: float) -> _Model:
        """The same with an event no longer than it is looked at, and some more for the shift."""
        events = list(events_of(self.build))
        event = events[self.event - 1]
        length = min(given_number(event.duration, "s"), max(1.1 * seconds, 1e-9))
        events[self.event - 1] = replace(event, duration=length)
        build = replace(self.build, events=tuple(events))
        return _Model(build, self.event, self.signal, self.tried, self._cancelled)

    def course(self, logs: Array) -> _Course:
        """The run with each unknown times exp(log)."""
        key = tuple(float(round(v, 12)) for v in logs)
        if key not in self._known:
            if self._cancelled is not None and self._cancelled():
                raise Cancelled("fit", "stopped for a newer request")
            factors = {
                address: math.exp(log)
                for unknown, log in zip(self.tried, key, strict=True)
                if log
                for address in unknown.addresses
            }
            case = prepare(varied(self.build, factors) if factors else self.build, self.event)
            if len(self._known) > 60:
                self._known.clear()
            self._known[key] = _Course(case, self.signal, self._cancelled)
        return self._known[key]

    def volts(self, logs: Array, times: Array) -> Array:
        """At event times (n,); before the event it is as it starts."""
        return self.course(logs).at(times)


class _Course:
    """One run read at one place: as it is, or averaged over carrier periods where ESCs chop."""

    def __init__(self, case: Case, signal: Signal, cancelled: Callable[[], bool] | None) -> None:
        self.duration_s = float(case.drive.duration_s)
        self._dead_before = case.event.kind == "plug_in"
        if not case.chops and len(case.stages) == 1:
            run: Trajectory = rosenbrock.run(
                case.mean, case.drive, case.start, rtol=_RTOL, cancelled=cancelled
            )
        else:
            run = solve_case(case, "edges", cancelled=cancelled).trajectory
        self._rows = place_rows(run.equations, signal)
        self._run: Trajectory | None = None
        if not case.chops:
            self._run = run
            return
        slowest = min(c.frequency_hz for c in case.equations.network.choppers)
        step = 1.0 / slowest / 30.0
        grid = np.arange(0.0, self.duration_s, step)
        volts = run.sample(self._rows, grid)[0]
        # the running integral, straight on at both ends
        self._block = _PERIODS / slowest
        total = np.concatenate([[0.0], np.cumsum(volts) * step])
        times = np.append(grid, grid[-1] + step)
        first, last = float(volts[:120].mean()), float(volts[-120:].mean())
        beyond = 10.0 * self._block + self.duration_s
        self._times = np.concatenate([[-beyond], times, [times[-1] + beyond]])
        self._total = np.concatenate([[-beyond * first], total, [total[-1] + beyond * last]])

    def at(self, times: Array) -> Array:
        """Volts at event times (n,)."""
        if self._run is None:
            half = 0.5 * self._block
            ends = [np.interp(times + at, self._times, self._total) for at in (half, -half)]
            return np.asarray((ends[0] - ends[1]) / self._block)
        values = self._run.sample(self._rows, np.clip(times, 0.0, self.duration_s))[0]
        if self._dead_before:
            # until the contact touches the place is dead
            values = np.where(times < 0.0, 0.0, values)
        return np.asarray(values)


def place_rows(equations: StateEquations, signal: Signal) -> Rows:
    """The voltage of a place.

    Raises
    ------
    WrongPort   if there is no such place
    """
    ports = equations.network.ports
    for address in (signal.place, signal.ground or signal.place):
        if address not in ports:
            raise WrongPort(address, "no such place", f"Places are {', '.join(sorted(ports)[:12])}")
    return equations.volts(ports[signal.place][0], ports[signal.ground or signal.place][1])


@one_blas_thread()
def fit(
    build: Build,
    capture: Capture,
    *,
    event: str | int | None = None,
    option: str | int | None = None,
    at: str | None = None,
    channel: int | str = 1,
    only: Sequence[str] | None = None,
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Fit:
    """Overlay a recording on a build's event and fit what is not known.

    Parameters
    ----------
    at : where it was recorded; None for the first clip on a voltage, or the first joint
    only : addresses of values to fit ("pack.inductance"); None for what the recording can tell

    Raises
    ------
    BadField   if the recording cannot serve: clipped, no volts, or longer than the event
    Cancelled   if `cancelled` says so
    DocumentError, NetworkError, SolveError
    """
    which = option_index(build, option)
    chosen = None if which is None else build.options[which]
    drawn = replace_options(apply(build, chosen))
    number = event_index(drawn, event) + 1
    signal = Signal("volts", at) if at is not None else first_place(drawn)
    recorded = capture.channel(channel)
    if recorded.unit != "V":
        raise BadField(capture.name, f"{recorded.name} is in {recorded.unit}", "Give volts")
    if recorded.clipped:
        raise BadField(
            capture.name,
            f"{recorded.name} is cut off at its top or bottom: its trace left the screen",
            "Record it again with more volts per division",
        )
    case = prepare(drawn, number)
    slow = case.chops
    tried = _candidates(drawn, only, still=not slow)
    model = _Model(drawn, number, signal, tried, cancelled)
    times, measured = _thinned(capture.times, recorded.values, case if slow else None)
    notes = list(capture.notes)
    if slow:
        notes.append(
            "ESC timing is not known: courses averaged over carrier periods are compared, which "
            "tell resistances, not rings"
        )
    none = np.zeros(len(tried))
    shift = _aligned(model, none, times, measured)
    duration = model.course(none).duration_s
    used = (times + shift <= duration) & (times + shift >= -0.5 * duration)
    if used.sum() < 20:
        raise BadField(
            capture.name, "shares too little time with the event", "Choose another event"
        )
    times, measured = times[used], measured[used]
    model = model.shortened(float(times[-1]) + shift)
    noise = noise_rms(measured)
    before_fit = _offset_and_shift(model, none, times, measured, shift)
    if progress is not None:
        progress(0.1)
    free, untold = _shown(model, tried, times, before_fit, noise, only is not None, progress)
    logs, shift, offset, sigma = _least_squares(
        model, free, times, measured, before_fit, noise, progress
    )
    notes += _warnings(case, capture, slow)
    fitted = []
    for k, index in enumerate(free):
        unknown = tried[index]
        if only is None and sigma[k] > _TOLD * _before(unknown):
            untold.append(index)
            continue
        value = unknown.value * math.exp(logs[index])
        spread = math.exp(min(1.96 * sigma[k], 50.0))
        if abs(logs[index]) > 0.98 * math.log(_FACTOR):
            notes.append(f"{unknown.label} ran to the end of its range: the model does not fit")
        fitted.append(
            Fitted(
                addresses=unknown.addresses,
                label=unknown.label,
                unit=unknown.unit,
                mark=unknown.mark,
                before=unknown.value,
                value=value,
                low=value / spread,
                high=value * spread,
            )
        )
    start_shift, start_offset = before_fit
    before = model.volts(none, times + start_shift) + start_offset
    after = model.volts(logs, times + shift) + offset
    return Fit(
        build=build.name,
        event=case.event.name,
        option=None if chosen is None else chosen.name,
        at=signal.place,
        capture=capture.name,
        course="slow" if slow else "true",
        shift_s=shift,
        offset_v=offset,
        times=times + shift,
        measured=measured,
        before=before,
        after=after,
        rms_before=float(np.sqrt(np.mean((before - measured) ** 2))),
        rms_after=float(np.sqrt(np.mean((after - measured) ** 2))),
        fitted=tuple(fitted),
        untold=tuple(tried[i].label for i in sorted(untold)),
        notes=tuple(notes),
    )


def first_place(build: Build) -> Signal:
    """The first clip on a voltage; without one the first joint.

    Raises
    ------
    BadField   if there is neither
    """
    for clip in build.clips:
        if clip.reads == "volts" and build.part(clip.tip.split(".")[0]) is not None:
            return Signal("volts", clip.tip, clip.ground)
    for part in build.parts:
        if part.kind == "joint":
            return Signal("volts", part.id)
    raise BadField("at", "the build has no clip and no joint", "Say where it was recorded")


def _candidates(build: Build, only: Sequence[str] | None, *, still: bool) -> tuple[Unknown, ...]:
    """Unknowns to look at; what stands behind a bridge that stands still tells nothing."""
    found = unknowns(build)
    behind = {part.id for part in build.parts if still and part.kind in ("motor", "esc")}
    if only is None:
        split = [(u, *u.addresses[0].rpartition(".")[::2]) for u in found]
        return tuple(u for u, owner, key in split if key in FITTED_KEYS and owner not in behind)
    chosen = []
    for address in only:
        match = next((u for u in found if address in u.addresses), None)
        if match is None:
            raise BadField(
                address,
                "is no value that can be fitted",
                f"Such as {', '.join(u.addresses[0] for u in found[:6])}",
            )
        if match not in chosen:
            chosen.append(match)
    return tuple(chosen)


def _thinned(times: Array, values: Array, case: Case | None) -> tuple[Array, Array]:
    """Averaged over blocks: over carrier periods where ESCs chop, else to few enough samples."""
    step = float(times[1] - times[0])
    block = max(1, math.ceil(len(times) / _MOST_SAMPLES))
    if case is not None:
        slowest = min(c.frequency_hz for c in case.equations.network.choppers)
        block = max(block, round(_PERIODS / slowest / step))
    count = len(times) // block
    if count < 20:
        raise BadField("capture", "is too short to compare", "Record more carrier periods")
    shape = (count, block)
    return (
        times[: count * block].reshape(shape).mean(axis=1),
        values[: count * block].reshape(shape).mean(axis=1),
    )


def noise_rms(values: Array) -> float:
    """RMS of what jumps from sample to sample, by the median of second differences."""
    bends = np.abs(np.diff(values, 2))
    return max(float(np.median(bends)) / 0.6745 / math.sqrt(6.0), 1e-6 * float(np.ptp(values)))


def _aligned(model: _Model, logs: Array, times: Array, measured: Array) -> float:
    """Shift with the least squares left, looked for over all overlaps of half the recording."""
    step = float(times[1] - times[0])
    duration = model.course(logs).duration_s
    span = float(times[-1] - times[0])
    lead = min(0.5 * span, duration)
    grid = np.arange(-lead, duration + 0.5 * step, step)
    if len(grid) < len(measured):
        # the recording goes on longer than the event: its beginning is what counts
        measured = measured[: len(grid)]
    course = model.volts(logs, grid)
    n = len(measured)
    level = measured - measured.mean()
    ones = np.ones(n)
    total = fftconvolve(course, ones, mode="valid")
    square = fftconvolve(course**2, ones, mode="valid")
    cross = fftconvolve(course, level[::-1], mode="valid")
    left = square - total**2 / n - 2.0 * cross + float(level @ level)
    best = int(np.argmin(left))
    return float(grid[best] - times[0])


def _offset_and_shift(
    model: _Model, logs: Array, times: Array, measured: Array, shift: float
) -> tuple[float, float]:
    """Shift and offset with the least left, the values held."""
    step = float(times[1] - times[0])

    def left(free: Array) -> Array:
        off = model.volts(logs, times + shift + free[0] * step) + free[1] - measured
        return np.asarray(off, dtype=float)

    def slopes(free: Array) -> Array:
        return _nuisance(model, logs, times + shift + free[0] * step, step)

    found = least_squares(left, np.array([0.0, 0.0]), jac=slopes, x_scale="jac")
    return shift + float(found.x[0]) * step, float(found.x[1])


def _columns(model: _Model, logs: Array, wanted: Sequence[int], times: Array) -> Array:
    """Derivatives of the course by the logs of some unknowns, (n, k); a run for each."""
    out = np.zeros((len(times), len(wanted)))
    here = model.volts(logs, times)
    for k, index in enumerate(wanted):
        moved = logs.copy()
        moved[index] += _STEP
        out[:, k] = (model.volts(moved, times) - here) / _STEP
    return out


def _nuisance(model: _Model, logs: Array, times: Array, step: float) -> Array:
    """Derivatives by the shift (in steps) and the offset, (n, 2)."""
    ahead = model.volts(logs, times + 0.5 * step) - model.volts(logs, times - 0.5 * step)
    return np.stack([ahead, np.ones(len(times))], axis=1)


def _before(unknown: Unknown) -> float:
    """Standard deviation of the logarithm of an unknown before it is looked at."""
    return math.log1p(unknown.share)


def _shown(
    model: _Model,
    tried: Sequence[Unknown],
    times: Array,
    start: tuple[float, float],
    noise: float,
    forced: bool,
    progress: Callable[[float], None] | None,
) -> tuple[list[int], list[int]]:
    """Unknowns of which the recording shows anything, strongest first kept, and the others."""
    none = np.zeros(len(tried))
    if forced:
        return list(range(len(tried))), []
    strength = np.zeros(len(tried))
    for k, unknown in enumerate(tried):
        try:
            column = _columns(model, none, [k], times + start[0])[:, 0]
            strength[k] = float(np.linalg.norm(column)) * _before(unknown)
        except Cancelled:
            raise
        except SimError:
            strength[k] = 0.0
        if progress is not None:
            progress(0.1 + 0.4 * (k + 1) / len(tried))
    order = [int(k) for k in np.argsort(-strength) if strength[k] > 3.0 * noise]
    free = sorted(order[:MOST_FREE])
    return free, [k for k in range(len(tried)) if k not in free]


def _least_squares(
    model: _Model,
    free: Sequence[int],
    times: Array,
    measured: Array,
    start: tuple[float, float],
    noise: float,
    progress: Callable[[float], None] | None,
) -> tuple[Array, float, float, Array]:
    """Logs of all unknowns, shift, offset, and standard deviations of the free logs."""
    step = float(times[1] - times[0])
    count, k = len(model.tried), len(free)
    prior = np.array([_before(model.tried[i]) for i in free])
    rounds = 0

    def parts(at: Array) -> tuple[Array, float, float]:
        logs = np.zeros(count)
        logs[list(free)] = at[:k]
        return logs, start[0] + float(at[k]) * step, float(at[k + 1])

    def run(first: Array, sigma: float) -> OptimizeResult:
        def left(at: Array) -> Array:
            logs, shift, offset = parts(at)
            off = model.volts(logs, times + shift) + offset - measured
            return np.concatenate([off / sigma, at[:k] / prior])

        def slopes(at: Array) -> Array:
            nonlocal rounds
            rounds += 1
            if progress is not None:
                progress(min(0.5 + 0.5 * rounds / 14.0, 1.0))
            logs, shift, _ = parts(at)
            here = times + shift
            rows = np.hstack(
                [_columns(model, logs, free, here), _nuisance(model, logs, here, step)]
            )
            known = np.hstack([np.diag(1.0 / prior), np.zeros((k, 2))])
            return np.vstack([rows / sigma, known])

        reach = math.log(_FACTOR)
        low = np.concatenate([np.full(k, -reach), [-len(times), -np.inf]])
        high = np.concatenate([np.full(k, reach), [len(times), np.inf]])
        return least_squares(
            left, first, jac=slopes, bounds=(low, high), x_scale="jac", max_nfev=25,
            ftol=1e-6, xtol=1e-5,
        )  # fmt: skip

    n = len(times)

    def felt(found: OptimizeResult, sigma: float) -> float:
        # what the model cannot follow counts as noise too, and neighbours that err alike as one
        rest = found.fun[:n] * sigma
        spent = max(n - k - 2, 1)
        return max(math.sqrt(float(rest @ rest) / spent * _hanging_together(rest)), 1e-9)

    found = run(np.concatenate([np.zeros(k), [0.0, start[1]]]), noise)
    for _ in range(2):
        more = felt(found, noise)
        # so near the balance of recording and prior knowledge does not move
        if abs(more / noise - 1.0) < 0.3:
            break
        noise = more
        found = run(found.x, noise)
    logs, shift, offset = parts(found.x)
    # the intervals are of what is left over now, however near it was to what it was taken for
    jac = found.jac.copy()
    jac[:n] *= noise / felt(found, noise)
    variance = np.maximum(np.diag(np.linalg.pinv(jac.T @ jac))[:k], 0.0)
    return logs, shift, offset, np.sqrt(variance + _MODEL**2)


def _hanging_together(rest: Array) -> float:
    """By how much neighbours that err alike lessen what the samples tell, 1 for none."""
    n = len(rest)
    level = rest - rest.mean()
    power = float(level @ level)
    if power == 0.0:
        return 1.0
    total = 1.0
    for lag in range(1, min(n // 4, 400)):
        alike = float(level[:-lag] @ level[lag:]) / power
        if alike < 0.05:
            break
        total += 2.0 * alike
    return total


def _warnings(case: Case, capture: Capture, slow: bool) -> list[str]:
    out: list[str] = []
    if slow:
        return out
    rings = [m for m in case.modes if m.damping < 0.3]
    if rings:
        ring = rings[-1]
        per_ring = 1.0 / ring.hz / capture.step_s
        if per_ring < 10.0:
            out.append(
                f"only {per_ring:.1f} samples per ring of {ring.hz / 1e3:.0f} kHz: record faster, "
                "10 or more"
            )
    out.append(
        "a probe's bandwidth and ground wire shape rings above some MHz: use a spring at the tip"
    )
    return out


# --- call your shot -------------------------------------------------------------------------


@dataclass(frozen=True)
class Band:
    """What a scope is expected to show before it has shown it.

    Attributes
    ----------
    edges : (n + 1,) event times, s
    low, high : (n,) between which the trace is expected, V
    typical_low, typical_high : (n,) of the build as it stands
    highest, lowest : from and to, where the runs' own highest and lowest values lie, V
    draws : runs it was made of
    """

    signal: Signal
    event: str
    edges: Array
    low: Array
    high: Array
    typical_low: Array
    typical_high: Array
    highest: tuple[float, float]
    lowest: tuple[float, float]
    draws: int

    def share_inside(self, times: Array, volts: Array, margin: float = 0.0) -> float:
        """Share of a recording's samples (event times, V) that lie inside, to a margin in V."""
        at = np.searchsorted(self.edges, times, side="right") - 1
        there = (at >= 0) & (at < len(self.low))
        if not there.any():
            return 0.0
        at, volts = at[there], volts[there]
        inside = (volts >= self.low[at] - margin) & (volts <= self.high[at] + margin)
        return float(np.mean(inside))


@one_blas_thread()
def expected(
    build: Build,
    at: str | None = None,
    *,
    event: str | int | None = None,
    option: str | int | None = None,
    window: tuple[float, float] | None = None,
    bins: int = 400,
    draws: int = 24,
    seed: int = 0,
    detail: Literal["averaged", "edges"] = "edges",
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Band:
    """The band within which a recording is expected: all unknowns drawn within their shares.

    Each draw moves every unknown at once, evenly within what its mark leaves open, and takes
    another ESC timing.

    Raises
    ------
    BadField   if the window is not inside the event
    Cancelled   if `cancelled` says so
    DocumentError, NetworkError, SolveError
    """
    which = option_index(build, option)
    drawn = replace_options(apply(build, None if which is None else build.options[which]))
    number = event_index(drawn, event) + 1
    signal = Signal("volts", at) if at is not None else first_place(drawn)
    rng = np.random.default_rng(seed)
    known = unknowns(drawn)
    low = high = first = edges = None
    tops: list[float] = []
    feet: list[float] = []
    done = 0
    for draw in range(draws + 1):
        if cancelled is not None and cancelled():
            raise Cancelled("band", "stopped for a newer request")
        moved = drawn
        if draw:
            factors = {
                address: 1.0 + unknown.share * float(amount)
                for unknown, amount in zip(known, rng.uniform(-1, 1, len(known)), strict=True)
                for address in unknown.addresses
            }
        try:
            moved = varied(drawn, factors) if draw else drawn
            run = solve_case(prepare(moved, number), detail, draw, cancelled=cancelled)
        except Cancelled:
            raise
        except SimError:
            # a draw that cannot be built is none; the build itself must be one
            if not draw:
                raise
            continue
        t0, t1 = window or (0.0, run.duration_s)
        edges, a, b = run.envelope([signal], t0, t1, bins)
        if low is None or high is None:
            first = (a[0], b[0])
            low, high = a[0].copy(), b[0].copy()
        low, high = np.minimum(low, a[0]), np.maximum(high, b[0])
        tops.append(float(b[0].max()))
        feet.append(float(a[0].min()))
        done += 1
        if progress is not None:
            progress((draw + 1) / (draws + 1))
    assert low is not None
    assert high is not None
    assert first is not None
    assert edges is not None
    name = events_of(drawn)[number - 1].name
    return Band(
        signal=signal,
        event=name,
        edges=edges,
        low=low,
        high=high,
        typical_low=first[0],
        typical_high=first[1],
        highest=(min(tops), max(tops)),
        lowest=(min(feet), max(feet)),
        draws=done,
    )

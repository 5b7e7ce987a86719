"""A recording laid over a run: where it belongs in time, and how far the two are apart.

    laid = lay(solution, Signal("volts", "pads"), times, volts, how="best")

Where nothing chops the two are compared point by point. With chopping ESCs nobody knows their
timing, so ripple never lines up for long: the slow courses are compared, both averaged over a
few carrier periods, and highest and lowest of both are told besides. A recording of a few
periods only is ripple and nothing else: it is laid where its ripple fits best.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.signal import fftconvolve

from sim.errors import BadField
from sim.probe import band, look

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.probe import Probe
    from sim.signals import Signal
    from sim.solution import Solution

    Array = NDArray[np.float64]

#: Samples compared at most; longer recordings are thinned by averaging.
MOST_SAMPLES = 40_000
#: Carrier periods over which both are averaged where ESCs chop.
_PERIODS = 4
#: A recording of fewer such stretches is ripple, not a slow course.
_RIPPLE = 2.5
#: Points of a run in which the trigger's level is looked for.
_LOOKED = 40_000
#: Samples from which the side of a trigger's edge is told.
_SIDE = 5


@dataclass(frozen=True)
class Laid:
    """A recording in its place.

    Attributes
    ----------
    shift_s : add to the recording's times for the event's
    course : "true" (point by point), "slow" (averaged over carrier periods), or "ripple" (point
        by point, a few carrier periods)
    rms, peak, peak_at_s : of the difference, and the event time of the largest
    recorded, model : lowest and highest over the stretch that both have
    shared_s : length of that stretch
    """

    shift_s: float
    course: Literal["true", "slow", "ripple"]
    rms: float
    peak: float
    peak_at_s: float
    recorded: tuple[float, float]
    model: tuple[float, float]
    shared_s: float


def lay(
    solution: Solution,
    signal: Signal,
    times: Array,
    values: Array,
    *,
    how: Literal["as it is", "best", "trigger"] = "best",
    shift_s: float = 0.0,
    probe: Probe | None = None,
    within: tuple[float, float] | None = None,
) -> Laid:
    """Lay a recording over a run.

    Parameters
    ----------
    times, values : (n,) s from the scope's trigger, evenly spaced, and the signal's unit
    how : "as it is" at `shift_s`; "best" where the least is left; "trigger": its time 0 where
        the run first crosses the recorded level in the recorded direction
    probe : what the run is seen through; None for the truth
    within : s, the stretch of the run that "best" looks in; None for the whole event

    Raises
    ------
    BadField   if the two share too little time, or the run never crosses the trigger's level
    WrongPort   if there is no such place
    """
    all_times, all_values = np.asarray(times, dtype=float), np.asarray(values, dtype=float)
    times, values = _thinned(all_times, all_values)
    run = _Run(solution, signal, probe, float(times[-1] - times[0]))
    if how == "best":
        shift_s = _best(run, times, values, within or (0.0, solution.duration_s))
    elif how == "trigger":
        shift_s = _triggered(run, times, values)
    there = (times + shift_s >= 0.0) & (times + shift_s <= solution.duration_s)
    if int(there.sum()) < 20:
        raise BadField(
            "recording", "shares too little time with the event", "Move it, or take another event"
        )
    t, recorded = times[there] + shift_s, values[there]
    off, at = run.difference(t, recorded)
    # extremes of every sample, as they are drawn
    shared = all_values[(all_times + shift_s >= 0.0) & (all_times + shift_s <= solution.duration_s)]
    k = int(np.argmax(np.abs(off)))
    return Laid(
        shift_s=float(shift_s),
        course=run.course,
        rms=float(np.sqrt(np.mean(off**2))),
        peak=float(abs(off[k])),
        peak_at_s=float(at[k]),
        recorded=(float(shared.min()), float(shared.max())),
        model=run.ends(float(t[0]), float(t[-1])),
        shared_s=float(t[-1] - t[0]),
    )


class _Run:
    """A run at one place, as its probe shows it."""

    def __init__(
        self, solution: Solution, signal: Signal, probe: Probe | None, recorded_s: float
    ) -> None:
        self.solution, self.signal, self.probe = solution, signal, probe
        choppers = solution.equations.network.choppers
        if solution.context.event_kind == "plug_in":
            choppers = ()
        #: What both courses are averaged over, s; 0 where nothing chops.
        self.block_s = _PERIODS / min(c.frequency_hz for c in choppers) if choppers else 0.0
        self.course: Literal["true", "slow", "ripple"] = "slow" if choppers else "true"
        if choppers and recorded_s < _RIPPLE * self.block_s and solution.detail == "edges":
            self.block_s, self.course = 0.0, "ripple"

    def sample(self, times: Array) -> Array:
        """Values at times (n,) inside the event, in order."""
        if self.probe is None:
            return np.asarray(self.solution.sample([self.signal], times)[0])
        end = self.solution.duration_s
        start, stop = float(times[0]), min(float(times[-1]) + 1e-9, end)
        shown = look(self.solution, [self.signal], self.probe, start, max(stop, start + 1e-9))
        return np.asarray(np.interp(times, shown.times, shown.seen[0]))

    def ends(self, t0: float, t1: float) -> tuple[float, float]:
        """Lowest and highest between two times, as exact as curves are."""
        t1 = max(t1, t0 + 1e-9)
        if self.probe is not None:
            found = band(self.solution, self.signal, self.probe, t0, t1, 200)
            return float(found.low.min()), float(found.high.max())
        _, low, high = self.solution.envelope([self.signal], t0, t1, 200)
        return float(np.min(low[0])), float(np.max(high[0]))

    def even(self, step: float, start: float, end: float) -> Array:
        """Values from start to end (s), `step` apart, averaged where ESCs chop."""
        fine = step if not self.block_s else min(step, self.block_s / 120.0)
        ratio = max(1, round(step / fine))
        count = max(int((end - start) / step), 1) * ratio
        grid = np.minimum(start + np.arange(count + 1) * step / ratio, self.solution.duration_s)
        return _averaged(self.sample(grid), self.block_s / (step / ratio))[::ratio]

    def difference(self, times: Array, recorded: Array) -> tuple[Array, Array]:
        """Recording less run, and the times it is known at; averaged where ESCs chop."""
        if not self.block_s:
            return recorded - self.sample(times), times
        step = float(times[1] - times[0])
        fine = min(step, self.block_s / 120.0)
        grid = np.arange(float(times[0]), float(times[-1]), fine)
        run = np.interp(times, grid, _averaged(self.sample(grid), self.block_s / fine))
        off = _averaged(recorded, self.block_s / step) - run
        # the averages of both ends lack a half
        cut = min(int(0.5 * self.block_s / step) + 1, len(off) // 4)
        return off[cut : len(off) - cut], times[cut : len(times) - cut]


def _thinned(times: Array, values: Array) -> tuple[Array, Array]:
    block = -(-len(times) // MOST_SAMPLES)
    count = len(times) // block
    if count < 20:
        raise BadField("recording", f"has {len(times)} samples", "Give 20 or more")
    shape = (count, block)
    return (
        times[: count * block].reshape(shape).mean(axis=1),
        values[: count * block].reshape(shape).mean(axis=1),
    )


def _averaged(values: Array, samples: float) -> Array:
    """Running mean over about so many samples; what is beyond the ends goes on as they are."""
    n = max(1, round(samples))
    if n == 1:
        return values
    before, after = n // 2, n - 1 - n // 2
    wide = np.concatenate([np.full(before, values[0]), values, np.full(after, values[-1])])
    total = np.concatenate([[0.0], np.cumsum(wide)])
    return np.asarray((total[n:] - total[:-n]) / n)


def _best(run: _Run, times: Array, values: Array, within: tuple[float, float]) -> float:
    """Shift with the least left over all overlaps of half the recording, or of half the stretch."""
    length = float(times[-1] - times[0])
    step = length / (len(times) - 1)
    # what a recording that begins before the stretch or ends after it is held against
    start = max(within[0] - length, 0.0)
    end = min(within[1] + length, run.solution.duration_s)
    course = run.even(step, start, end)
    level = _averaged(values, run.block_s / step)
    lead = min(len(level) // 2, len(course)) if start == 0.0 else 0
    plug = run.solution.context.event_kind == "plug_in"
    # before a plug-in a place is dead; before other events it is as it starts
    first = 0.0 if plug else float(course[0])
    course = np.concatenate([np.full(lead, first), course])
    if len(course) < len(level):
        # it goes on longer than the event: its beginning is what counts
        level = level[: len(course)]
    n = len(level)
    square = fftconvolve(course**2, np.ones(n), mode="valid")
    cross = fftconvolve(course, level[::-1], mode="valid")
    left = square - 2.0 * cross
    begins = start + (np.arange(len(left)) - lead) * step
    share = 0.5 * min(length, within[1] - within[0])
    there = (begins + length >= within[0] + share) & (begins <= within[1] - share)
    best = int(np.argmin(np.where(there, left, np.inf))) if there.any() else int(np.argmin(left))
    return float(begins[best] - times[0])


def _triggered(run: _Run, times: Array, values: Array) -> float:
    """Shift that puts the recording's time 0 where the run first crosses its level there."""
    at = int(np.searchsorted(times, 0.0))
    if not 0 < at < len(times):
        raise BadField("recording", "has no sample at its trigger", "Move it by hand or best shift")
    level = float(np.interp(0.0, times, values))
    before = values[max(at - _SIDE, 0) : at].mean()
    after = values[at : at + _SIDE].mean()
    grid = np.linspace(0.0, run.solution.duration_s, _LOOKED)
    over = run.sample(grid) >= level
    steps = np.diff(over.astype(np.int8))
    crossed = np.flatnonzero(steps > 0 if after >= before else steps < 0)
    if not len(crossed):
        raise BadField(
            "recording",
            f"is triggered at {level:.3g}, which the model does not cross there",
            "Move it by hand or by the best shift",
        )
    k = int(crossed[0])
    return float(0.5 * (grid[k] + grid[k + 1]))

"""Figures of signals between two times: values, swing, RMS, and RMS by bands of frequency."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sim.errors import BadField
from sim.spectrum import Points, check_window, fourier_sums, unit_of
from sim.state_equations import stack_rows

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from sim.signals import Signal
    from sim.solution import Solution

    Array = NDArray[np.float64]

#: Ends of the bands: sag, what is heard and commutation, what analogue video shows, hash.
BAND_ENDS_HZ = (100.0, 15e3, 6e6)
BAND_NAMES = ("under 100 Hz", "100 Hz to 15 kHz", "15 kHz to 6 MHz", "over 6 MHz")
#: Above this many points the two upper bands are told apart in shorter stretches.
_MOST_POINTS = 150_000
_STRETCHES = 4


@dataclass(frozen=True)
class Bands:
    """RMS of the AC part in four bands, in the signal's unit.

    The window's ends are faded out (a quarter each), so that ripple that does not fit it does
    not smear into other bands; squares sum to that of the whole AC RMS as far as what happens
    at the ends is like the rest. The window's slow trend counts under 100 Hz.

    Attributes
    ----------
    rms : of `BAND_NAMES`, in order
    read_share : share of the window in which 15 kHz to 6 MHz and above were told apart
    """

    rms: tuple[float, float, float, float]
    read_share: float


@dataclass(frozen=True)
class Between:
    """One signal at two times and over the stretch between them.

    Attributes
    ----------
    at : values at the two times
    slow : ripple is not known (averaged with a chopping ESC): all of it is of the slow course
    bands : None where not asked for
    """

    signal: Signal
    unit: str
    t0: float
    t1: float
    at: tuple[float, float]
    lowest: float
    highest: float
    mean: float
    rms: float
    rms_ac: float
    slow: bool
    bands: Bands | None

    @property
    def peak_to_peak(self) -> float:
        """Highest less lowest."""
        return self.highest - self.lowest


def between(
    solution: Solution,
    signals: Sequence[Signal],
    t0: float,
    t1: float,
    *,
    bands: bool = False,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Between, ...]:
    """Figures of voltages and currents between two cursors, closed form but for the bands.

    Raises
    ------
    BadField   if the stretch is not inside the event, or a signal is no volts, offset or amps
    WrongPort   if a place does not exist
    Cancelled   if `cancelled` says so
    """
    check_window(solution, t0, t1)
    for signal in signals:
        if signal.kind not in ("volts", "offset", "amps"):
            raise BadField(signal.place, f"{signal.kind} has no such figures", "Give volts or amps")
    if not signals:
        return ()
    rows = stack_rows([solution.rows(signal) for signal in signals])
    figures = solution.trajectory.figures(rows, t0, t1)
    # the end belongs to the stretch: its left limit
    ends = solution.sample(signals, np.array([t0, np.nextafter(t1, t0)]))
    shares: Sequence[Bands | None] = [None] * len(signals)
    if bands:
        shares = band_rms(solution, signals, t0, t1, cancelled=cancelled)
    out = []
    for k, signal in enumerate(signals):
        mean, square = float(figures.mean[k]), float(figures.mean_square[k])
        out.append(
            Between(
                signal=signal,
                unit=unit_of(signal),
                t0=t0,
                t1=t1,
                at=(float(ends[k, 0]), float(ends[k, 1])),
                lowest=float(figures.lowest[k]),
                highest=float(figures.highest[k]),
                mean=mean,
                rms=math.sqrt(max(square, 0.0)),
                rms_ac=math.sqrt(max(square - mean * mean, 0.0)),
                slow=not solution.knows_peaks,
                bands=shares[k],
            )
        )
    return tuple(out)


def band_rms(
    solution: Solution,
    signals: Sequence[Signal],
    t0: float,
    t1: float,
    *,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Bands, ...]:
    """RMS of volts, offsets or amps in four bands over a window.

    The two lower bands come from the whole window. The two upper ones too where it is short
    enough; else they are the mean of four shorter stretches spread over the window. (What the
    lower bands leave of the exact RMS would be a small difference of large numbers where the
    slow course swings far.)

    Raises
    ------
    BadField, WrongPort, Cancelled   as `between`
    """
    check_window(solution, t0, t1)
    top = BAND_ENDS_HZ[-1]
    try:
        powers = _powers(solution, signals, Points(solution, t0, t1, top, most=_MOST_POINTS),
                         cancelled)  # fmt: skip
        share = 1.0
    except BadField:
        slow = Points(solution, t0, t1, 2.0 * BAND_ENDS_HZ[1], most=2_000_000)
        powers = _powers(solution, signals, slow, cancelled)
        upper, share = _upper(solution, signals, t0, t1, cancelled)
        powers[:, 2:] = upper
    out = []
    for row in np.sqrt(np.maximum(powers, 0.0)):
        low, audio, video, hash_ = (float(v) for v in row)
        out.append(Bands((low, audio, video, hash_), share))
    return tuple(out)


def _upper(
    solution: Solution,
    signals: Sequence[Signal],
    t0: float,
    t1: float,
    cancelled: Callable[[], bool] | None,
) -> tuple[Array, float]:
    """Mean squares of the two upper bands, (n, 2), and the share of the window read."""
    span = t1 - t0
    length = span
    while True:
        length *= 0.5
        starts = t0 + (span - length) * (np.arange(_STRETCHES) + 0.5) / _STRETCHES
        try:
            stretches = [
                Points(
                    solution, float(a), float(a) + length, BAND_ENDS_HZ[-1],
                    most=_MOST_POINTS // _STRETCHES,
                )
                for a in starts
            ]  # fmt: skip
            break
        except BadField:
            if length < 1e-6:
                raise
    both = sum(_powers(solution, signals, points, cancelled)[:, 2:] for points in stretches)
    return np.asarray(both / _STRETCHES, dtype=float), min(_STRETCHES * length / span, 1.0)


def _powers(
    solution: Solution,
    signals: Sequence[Signal],
    points: Points,
    cancelled: Callable[[], bool] | None,
) -> Array:
    """Mean square of the AC part in each band, (n_signals, 4)."""
    t0, t1 = points.t0, points.t1
    times, weights, values = points.read(signals, cancelled)
    span = t1 - t0
    share = (times - t0) / span
    count = math.floor(BAND_ENDS_HZ[-1] * span) + 1
    hz = np.arange(count) / span
    bands = np.digitize(hz, BAND_ENDS_HZ[:-1])
    fade = _fade(share)
    kept = float(fade**2 @ weights)
    # slow course: a straight line through the means of the first and the last eighth
    first, last = (_bell(share, at) * weights for at in (1.0 / 16.0, 15.0 / 16.0))
    out = np.zeros((len(signals), 4))
    for row, y in enumerate(values):
        m0, m1 = float(first @ y) / float(first.sum()), float(last @ y) / float(last.sum())
        rest = y - m0 - (m1 - m0) * (share - 1.0 / 16.0) * (8.0 / 7.0)
        rest = rest - float(rest * fade @ weights) / float(fade @ weights)
        square = float((rest * fade) ** 2 @ weights) / kept
        power = 2.0 * np.abs(fourier_sums(share, rest * fade * weights, count)) ** 2 / span / kept
        power[0] *= 0.5
        for band in range(3):
            out[row, band] = float(power[bands == band].sum())
        out[row, 3] = max(square - float(power.sum()), 0.0)
        out[row, 0] += ((m1 - m0) * 8.0 / 7.0) ** 2 / 12.0
    return out


def _fade(share: Array) -> Array:
    """1 in the middle half, rising and falling as a cosine in the outer quarters."""
    ends = np.minimum(np.minimum(share, 1.0 - share) * 4.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * ends))


def _bell(share: Array, middle: float) -> Array:
    """A raised cosine an eighth of the window wide."""
    away = np.minimum(np.abs(share - middle) * 16.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * away))

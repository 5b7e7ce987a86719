"""What a signal holds at each frequency, from the exact run.

A window is read at Gauss points of every stretch between two edges, more of them where modes
still ring, so the Fourier integrals are those of the run itself: nothing is sampled evenly, so
nothing folds back from above. `Spectrum.unseen` says what share of the window's mean square
the points miss, by comparing with the closed form.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from sim.errors import BadField, Cancelled
from sim.signals import Signal
from sim.state_equations import stack_rows

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from sim.solution import Solution

    Array = NDArray[np.float64]
    Complex = NDArray[np.complex128]

#: Points read in one go at most; some seconds of work.
MOST_POINTS = 400_000
#: Highest frequencies tried where none is asked for: the first that needs few enough points.
_HIGHEST_HZ = (20e6, 10e6, 5e6, 2e6, 1e6, 500e3, 200e3, 100e3, 50e3, 20e3)
_USUAL_POINTS = 150_000
#: Gauss points per panel, and how many periods of the fastest a panel may hold: few long ones
#: where stretches between edges are long, more short ones where they are short.
_RULES = ((20, 4.0), (8, 1.0))
#: Points inside a ramp where few enough ramps are read to look into each.
_RAMP_POINTS, _MOST_RAMPS = 3, 2000
#: Lines of analogue video per second: ITU-R BT.1700 (from memory): 625 and 525 lines.
VIDEO_LINES_HZ = (15625.0, 4.5e6 / 286.0)


@dataclass(frozen=True)
class Mark:
    """A frequency with a reason.

    Attributes
    ----------
    kind : "PWM" (a multiple of a carrier), "commutation" or "video line"
    owner : the ESC or motor, "" for a video line
    order : which multiple, 1 the first
    hz : where it lies
    rms : in the signal's unit, of all within `wide` either side of it
    wide : Hz
    """

    kind: Literal["PWM", "commutation", "video line"]
    owner: str
    order: int
    hz: float
    rms: float
    wide: float


@dataclass(frozen=True)
class Spectrum:
    """One signal over one window.

    Attributes
    ----------
    hz : (n,) multiples of 1 / (t1 - t0), from 0
    amplitude : (n,) peak value of the sine at each, in `unit`; at 0 the mean
    highest_hz : nothing is known above
    unseen : share of the window's mean square of the AC part that the points read differently
        from the closed form
    """

    signal: Signal
    unit: str
    t0: float
    t1: float
    window: Literal["none", "hann"]
    hz: Array
    amplitude: Array
    highest_hz: float
    unseen: float
    marks: tuple[Mark, ...]

    def to_json_dict(self) -> dict[str, object]:
        """Plain data."""
        return {
            "signal": dict(vars(self.signal)),
            "unit": self.unit,
            "from_s": self.t0,
            "to_s": self.t1,
            "window": self.window,
            "hz": self.hz.tolist(),
            "amplitude": self.amplitude.tolist(),
            "highest_hz": self.highest_hz,
            "unseen": self.unseen,
            "marks": [dict(vars(mark)) for mark in self.marks],
        }


class Points:
    """Times and weights in a window that integrate a run times a sine up to a frequency.

    Attributes
    ----------
    t0, t1 : the window, s
    highest_hz : up to this frequency integrals are good
    count : how many points there are outside of ramps
    """

    def __init__(
        self,
        solution: Solution,
        t0: float,
        t1: float,
        highest_hz: float,
        *,
        most: int = MOST_POINTS,
    ) -> None:
        self.t0, self.t1, self.highest_hz = t0, t1, highest_hz
        self._solution = solution
        ends, ramps = _breaks(solution, t0, t1)
        lengths = np.diff(ends)
        middle = 0.5 * (ends[1:] + ends[:-1])
        in_ramp = _inside(middle, ramps)
        # the left end of a stretch belongs to it, its right end to the next
        self._flat = (ends[:-1][~in_ramp], lengths[~in_ramp])
        self._ramp = (ends[:-1][in_ramp], lengths[in_ramp])
        self.ramps_looked_into = len(self._ramp[0]) <= _MOST_RAMPS
        longest = float(np.max(lengths, initial=0.0))
        found = []
        for per_panel, periods in _RULES:
            panels = _panels(solution, longest, highest_hz, periods)
            # at least one panel each
            count = np.searchsorted(panels[:-1], self._flat[1], side="left") + 1
            found.append((int(np.sum(count)) * per_panel, per_panel, panels, count))
        self.count, self._per_panel, self._panels, self._count = min(found, key=lambda f: f[0])
        if self.count > most:
            raise BadField(
                "window",
                f"holds too much for a spectrum up to {highest_hz / 1e3:g} kHz",
                f"Give a stretch of at most {(t1 - t0) * most / self.count * 1e3:.2g} ms",
            )

    def read(
        self, signals: Sequence[Signal], cancelled: Callable[[], bool] | None = None
    ) -> tuple[Array, Array, Array]:
        """Times (n,), weights (n,) and values (n_signals, n).

        Raises
        ------
        Cancelled   if `cancelled` says so
        """
        times, weights = self._flat_points()
        blocks = []
        for i in range(0, len(times), 20_000):
            if cancelled is not None and cancelled():
                raise Cancelled("spectrum", "stopped for a newer request")
            blocks.append(self._solution.sample(signals, times[i : i + 20_000]))
        values = np.concatenate(blocks, axis=1) if blocks else np.zeros((len(signals), 0))
        start, length = self._ramp
        if not len(start):
            return times, weights, values
        x, w = np.polynomial.legendre.leggauss(_RAMP_POINTS)
        x, w = 0.5 + 0.5 * x, 0.5 * w
        inner = start[:, None] + length[:, None] * x
        if self.ramps_looked_into:
            if cancelled is not None and cancelled():
                raise Cancelled("spectrum", "stopped for a newer request")
            inside = self._solution.sample(signals, inner.ravel())
        else:
            # many ramps, each a thousandth of a carrier period: straight from end to end
            both = self._solution.sample(signals, np.concatenate([start, start + length]))
            a, b = both[:, : len(start), None], both[:, len(start) :, None]
            inside = (a + (b - a) * x).reshape(len(signals), -1)
        return (
            np.concatenate([times, inner.ravel()]),
            np.concatenate([weights, (length[:, None] * w).ravel()]),
            np.concatenate([values, inside], axis=1),
        )

    def _flat_points(self) -> tuple[Array, Array]:
        x, w = np.polynomial.legendre.leggauss(self._per_panel)
        x, w = 0.5 + 0.5 * x, 0.5 * w
        start, length = self._flat
        which = np.repeat(np.arange(len(start)), self._count)
        first = np.concatenate([[0], np.cumsum(self._count)])[:-1]
        number = np.arange(len(which)) - np.repeat(first, self._count)
        edges = np.concatenate([[0.0], self._panels])
        low = edges[number]
        high = np.minimum(edges[number + 1], length[which])
        times = (start[which] + low)[:, None] + (high - low)[:, None] * x
        return times.ravel(), ((high - low)[:, None] * w).ravel()


def _breaks(solution: Solution, t0: float, t1: float) -> tuple[Array, Array]:
    """Ends of all smooth stretches of a window, and its ramps (n, 2)."""
    run = solution.trajectory
    edge_times = getattr(run, "edge_times", None)
    if edge_times is None:
        knots = np.asarray(getattr(run, "knots", np.zeros(0)), dtype=float)
        inner = knots[(knots > t0) & (knots < t1)]
        return np.concatenate([[t0], inner, [t1]]), np.zeros((0, 2))
    rise = max((c.rise_s for c in solution.equations.network.choppers), default=0.0)
    starts = np.asarray(edge_times(max(t0 - rise, 0.0), t1), dtype=float)
    risings = np.unique([c.rise_s for c in solution.equations.network.choppers])
    ends = np.concatenate([starts + r for r in risings]) if len(starts) else starts
    both = np.concatenate([starts, ends])
    inner = np.unique(both[(both > t0) & (both < t1)])
    return np.concatenate([[t0], inner, [t1]]), np.stack([starts, starts + rise], axis=1)


def _inside(times: Array, ramps: Array) -> NDArray[np.bool_]:
    """Which times lie in any of the ramps, sorted by start and equally long."""
    if not len(ramps):
        return np.zeros(len(times), dtype=bool)
    last = np.searchsorted(ramps[:, 0], times, side="right") - 1
    return np.asarray((last >= 0) & (times < ramps[np.maximum(last, 0), 1]))


def _panels(solution: Solution, longest: float, highest_hz: float, periods: float) -> Array:
    """Ends of panels from an edge on: short while fast modes ring, longer when they are gone."""
    # (slower modes are no faster than what is looked for)
    rates = [(m.hz, -m.real_per_s) for m in solution.modes if m.hz > highest_hz]
    ends: list[float] = []
    at = 0.0
    while at < longest:
        step = periods / highest_hz
        ringing = [hz for hz, decay in rates if decay * at < 16.0]
        if not ringing:
            rest = at + step * np.arange(1, math.ceil((longest - at) / step) + 1)
            return np.concatenate([np.array(ends, dtype=np.float64), rest])
        at += min(step, periods / max(ringing))
        ends.append(at)
    return np.array(ends, dtype=np.float64)


# --- Fourier sums of uneven points -----------------------------------------------------


def fourier_sums(share: Array, strengths: Array, count: int) -> Complex:
    """sum_j strengths_j exp(-2 pi i k share_j) for k = 0 .. count - 1.

    Points are spread onto an even grid with a Kaiser-Bessel bell and the grid transformed:
    J. Fessler and B. Sutton, Nonuniform fast Fourier transforms using min-max interpolation,
    IEEE Trans. Signal Processing 51(2), 2003 (from memory). Error about 1e-14 of the sum of sizes.

    Parameters
    ----------
    share : (n,) place of each point in the window, 0 to 1
    strengths : (n,)
    """
    from scipy.fft import fft, next_fast_len  # only once a spectrum is wanted

    width = 14
    grid = int(next_fast_len(max(4 * count, 4 * width)))
    beta = math.pi * math.sqrt((0.75 * width) ** 2 - 0.8)
    at = share * grid
    first = np.floor(at).astype(np.int64) - width // 2 + 1
    field = np.zeros(grid)
    for i in range(width):
        cell = first + i
        reach = (at - cell) * (2.0 / width)
        bell = np.i0(beta * np.sqrt(np.maximum(1.0 - reach**2, 0.0)))
        field += np.bincount(cell % grid, weights=strengths * bell, minlength=grid)
    k = np.arange(count)
    turn = np.pi * width * k / grid
    root = np.sqrt((beta**2 - turn**2).astype(complex))
    # the bell's own transform, by its closed form
    bell_of = width * np.real(np.sinh(root) / root)
    return np.asarray(fft(field)[:count] / bell_of, dtype=complex)


# --- the spectrum -------------------------------------------------------------------------


def spectrum(
    solution: Solution,
    signal: Signal,
    t0: float,
    t1: float,
    *,
    highest_hz: float | None = None,
    window: Literal["none", "hann"] = "hann",
    cancelled: Callable[[], bool] | None = None,
) -> Spectrum:
    """Amplitudes of one signal at all multiples of 1 / (t1 - t0).

    Parameters
    ----------
    highest_hz : None for as high as a few seconds of reading allow, at most 20 MHz
    window : "hann" keeps lines that do not fit the window from smearing over the rest; "none"
        is exact where a whole number of periods fits

    Raises
    ------
    BadField   if the window is not inside the event, or holds too much for `highest_hz`
    WrongPort   if the place does not exist
    Cancelled   if `cancelled` says so
    """
    check_window(solution, t0, t1)
    if window not in ("none", "hann"):
        raise BadField("window", f"{window!r} is not known", "Give none or hann")
    highest = _highest(solution, t0, t1) if highest_hz is None else float(highest_hz)
    if not 0.0 < highest <= 1e9:
        raise BadField("highest_hz", f"{highest:g} Hz is outside its range", "Give up to 1 GHz")
    points = Points(solution, t0, t1, highest)
    times, weights, values = points.read([signal], cancelled)
    span = t1 - t0
    count = max(math.floor(highest * span), 1) + 1
    y = values[0]
    share = (times - t0) / span
    mean = float(y @ weights) / span
    bell = np.ones_like(share) if window == "none" else 1.0 - np.cos(2.0 * np.pi * share)
    sums = fourier_sums(share, (y - mean) * bell * weights, count)
    amplitude = 2.0 / span * np.abs(sums)
    amplitude[0] = abs(mean)
    hz = np.arange(count) / span
    return Spectrum(
        signal=signal,
        unit=unit_of(signal),
        t0=t0,
        t1=t1,
        window=window,
        hz=hz,
        amplitude=amplitude,
        highest_hz=highest,
        unseen=_unseen(solution, signal, t0, t1, float((y - mean) ** 2 @ weights) / span),
        marks=_marks(solution, t0, t1, hz, amplitude, 1.0 if window == "none" else 1.5),
    )


def unit_of(signal: Signal) -> str:
    """Unit of a signal."""
    units = {"volts": "V", "offset": "V", "amps": "A", "speed": "rad/s", "duty": ""}
    return units[signal.kind]


def check_window(solution: Solution, t0: float, t1: float) -> None:
    """Refuse what is no stretch of the event.

    Raises
    ------
    BadField
    """
    if not (0.0 <= t0 < t1 <= solution.duration_s * (1.0 + 1e-12)):
        raise BadField(
            "window",
            f"from {t0 * 1e3:g} ms to {t1 * 1e3:g} ms is not inside the event",
            f"Give 0 to {solution.duration_s * 1e3:g} ms, start before end",
        )


def _highest(solution: Solution, t0: float, t1: float) -> float:
    for hz in _HIGHEST_HZ:
        try:
            Points(solution, t0, t1, hz, most=_USUAL_POINTS)
        except BadField:
            continue
        return hz
    # the modes alone need more than usual: as the caller's window asks for
    Points(solution, t0, t1, _HIGHEST_HZ[-1])
    return _HIGHEST_HZ[-1]


def _unseen(solution: Solution, signal: Signal, t0: float, t1: float, square: float) -> float:
    """Share by which the points' variance differs from the closed form's."""
    if signal.kind not in ("volts", "offset", "amps"):
        return 0.0
    mean, squares = solution.trajectory.means(stack_rows([solution.rows(signal)]), t0, t1)
    exact = float(squares[0] - mean[0] ** 2)
    # (a difference of squares: below a millionth of the mean's square it is rounding)
    floor = 1e-9 * float(squares[0]) + 1e-18
    return abs(square - exact) / max(abs(exact), floor)


def _marks(
    solution: Solution, t0: float, t1: float, hz: Array, amplitude: Array, noise_bins: float
) -> tuple[Mark, ...]:
    """PWM multiples, commutation and video lines, with what is around each.

    A Hann window spreads a line over three bins: the sum of their squares is 1.5 times its own.
    """
    step = float(hz[1]) if len(hz) > 1 else math.inf
    top = float(hz[-1])
    found: list[Mark] = []

    def add(kind: Literal["PWM", "commutation", "video line"], owner: str, order: int,
            at: float, wide: float) -> None:  # fmt: skip
        wide = max(wide, 2.0 * step)
        near = (np.abs(hz - at) <= wide) & (hz > 0.0)
        if at + wide > top or at < 2.0 * step:
            return
        rms = math.sqrt(float(np.sum(amplitude[near] ** 2)) / 2.0 / noise_bins)
        found.append(Mark(kind, owner, order, at, rms, wide))

    net = solution.equations.network
    if solution.detail == "edges":
        for frequency in dict.fromkeys(c.frequency_hz for c in net.choppers):
            owners = [c.owner for c in net.choppers if c.frequency_hz == frequency]
            # carriers lie up to a percent off, their multiples as much
            for order in range(1, 11):
                add("PWM", owners[0] if len(owners) == 1 else "", order, order * frequency,
                    0.012 * order * frequency)  # fmt: skip
    grid = np.linspace(t0, t1, 9)
    speeds = solution.trajectory.speeds(np.minimum(grid, solution.duration_s))
    for rotor, speed in zip(net.rotors, speeds, strict=True):
        # (averaged it is not there, nor where legs have diodes)
        if solution.detail != "edges" or not rotor.emf_ripple:
            continue
        turns = float(np.mean(np.abs(speed))) / math.tau
        spread = float(np.ptp(speed)) / math.tau
        # six steps an electrical turn
        per_turn = 3.0 * rotor.poles
        add("commutation", rotor.owner, 1, per_turn * turns, per_turn * spread)
    for order, line in enumerate(VIDEO_LINES_HZ, 1):
        add("video line", "", order, line, 0.0)
    return tuple(found)

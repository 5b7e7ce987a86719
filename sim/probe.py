"""What stands between a clip and what its owner's oscilloscope shows.

A probe's input capacitance and the inductance of its ground wire make a tuned circuit:

    tip -- r -- L(ground wire) -- C(probe) ,  f = 1 / (2 pi sqrt(L C))

A 150 mm wire at about 1 nH/mm with 12 pF rings at 119 MHz: the false ring that an edge shows
on a probe with its long ground wire, and that is not on the wire under test. "About 1 nH/mm"
and that such a ring is seen are common practice, no source; capacitances, damping and the
bandwidth of a 1x probe are usual values from memory. The scope's bandwidth limit is a
first-order low-pass, AC coupling a first-order high-pass.

What the loop of the ground wire picks up from the currents beside it comes on top, where a
stretch is short enough for the ring: `sim.pickup`.

numpy and scipy are loaded where they are needed: a file's probes are checked without them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from sim.errors import BadField
from sim.resolve import given_number

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from sim.records import Clip
    from sim.signals import Signal
    from sim.solution import Solution

    Array = NDArray[np.float64]

#: Inductance of a ground wire, H/m; common practice, no source.
WIRE_H_PER_M = 1e-6
#: What a spring on the tip's collar still has, m; our guess.
SPRING_M = 8e-3
#: Input capacitance (F) and series resistance (ohm) of 1x and 10x probes: usual values, from
#: memory. 200 ohm and 100 pF make the 8 MHz of a 1x probe.
_PROBES = {1: (100e-12, 200.0), 10: (12e-12, 30.0)}
#: Corner of AC coupling at the scope, Hz; a 10x probe lowers it tenfold. From memory.
_AC_HZ = 10.0
#: Samples per period of the probe's own ring, and most samples of one window.
_PER_RING, MOST_SAMPLES = 24, 400_000
#: A bandwidth limit below this shapes more than edges: no build here rings above it for long.
_SHAPES_ALL_HZ = 2e6


@dataclass(frozen=True)
class Probe:
    """How a clip is connected.

    Attributes
    ----------
    attenuation : 1 or 10
    ground_wire_m : length of the ground wire; 0 for a spring at the tip
    bandwidth_hz : limit set on the scope (20 MHz is usual); None for none
    coupling : "dc" or "ac"

    Raises
    ------
    BadField   if a value is none of those
    """

    attenuation: Literal[1, 10] = 10
    ground_wire_m: float = 0.0
    bandwidth_hz: float | None = None
    coupling: Literal["dc", "ac"] = "dc"

    def __post_init__(self) -> None:
        if self.attenuation not in _PROBES:
            raise BadField("probe", f"{self.attenuation}x is no probe here", "Give 1 or 10")
        if not 0.0 <= self.ground_wire_m <= 2.0:
            raise BadField("probe", "its ground wire is out of range", "Give 0 to 2 m")
        if self.bandwidth_hz is not None and not 1e3 <= self.bandwidth_hz <= 1e10:
            raise BadField("probe", "its bandwidth is out of range", "Give 1 kHz to 10 GHz")
        if self.coupling not in ("dc", "ac"):
            raise BadField("probe", f"{self.coupling!r} is no coupling", "Give dc or ac")

    @property
    def inductance_h(self) -> float:
        """Of the ground wire, or of a spring."""
        return WIRE_H_PER_M * max(self.ground_wire_m, SPRING_M)

    @property
    def capacitance_f(self) -> float:
        """At the tip."""
        return _PROBES[self.attenuation][0]

    @property
    def resistance_ohm(self) -> float:
        """What damps the ring."""
        return _PROBES[self.attenuation][1]

    @property
    def ring_hz(self) -> float:
        """Where wire and probe ring."""
        return 1.0 / (math.tau * math.sqrt(self.inductance_h * self.capacitance_f))

    @property
    def damping(self) -> float:
        """Of that ring; 1 and above does not ring."""
        return 0.5 * self.resistance_ohm * math.sqrt(self.capacitance_f / self.inductance_h)

    @property
    def says(self) -> str:
        """In words: "10x, 150 mm ground wire, 20 MHz limit, AC"."""
        wire = f"{self.ground_wire_m * 1e3:.0f} mm ground wire"
        parts = [f"{self.attenuation}x", wire if self.ground_wire_m > SPRING_M else "spring ground"]
        if self.bandwidth_hz is not None:
            parts.append(f"{self.bandwidth_hz / 1e6:g} MHz limit")
        if self.coupling == "ac":
            parts.append("AC")
        return ", ".join(parts)

    def gain(self, hz: Array) -> NDArray[np.complex128]:
        """Complex gain from tip to screen at frequencies (n,), the 10 of a 10x taken out."""
        import numpy as np

        s = 2j * np.pi * np.asarray(hz, dtype=float)
        out = np.ones(len(s), dtype=complex)
        for num, den in self._sections():
            out = out * np.polyval(num, s) / np.polyval(den, s)
        return out

    def _sections(self) -> list[tuple[list[float], list[float]]]:
        """Numerators and denominators in s, one after another."""
        lc = self.inductance_h * self.capacitance_f
        found = [([1.0], [lc, self.resistance_ohm * self.capacitance_f, 1.0])]
        if self.bandwidth_hz is not None:
            found.append(([1.0], [1.0 / (math.tau * self.bandwidth_hz), 1.0]))
        if self.coupling == "ac":
            tau = 1.0 / (math.tau * _AC_HZ / self.attenuation)
            found.append(([tau, 0.0], [tau, 1.0]))
        return found

    def shown(self, values: Array, step_s: float, before: Array | None = None) -> Array:
        """What the scope shows of evenly sampled signals.

        Between samples a signal is taken to be straight, for which the filters are exact.

        Parameters
        ----------
        values : (n_signals, n) at times `step_s` apart
        before : (n_signals,) what AC coupling is settled to; the first sample if None

        Returns
        -------
        (n_signals, n)
        """
        import numpy as np
        from scipy.signal import cont2discrete, lfilter, lfilter_zi

        out = np.array(values, dtype=float)
        for num, den in self._sections():
            blocks_dc = num[-1] == 0.0
            found = cont2discrete((np.array(num), np.array(den)), step_s, method="foh")
            b, a = np.atleast_1d(np.squeeze(found[0])), np.asarray(found[1])
            rest = out[:, 0] if before is None or not blocks_dc else np.asarray(before)
            state = lfilter_zi(b, a)[None, :] * rest[:, None]
            out, _ = lfilter(b, a, out, axis=1, zi=state)
        return np.asarray(out)


def probe_of(clip: Clip, where: str = "probe") -> Probe | None:
    """The probe of a clip in a build; None where the clip shows the truth.

    Raises
    ------
    BadField, BadUnit   if a value is not allowed
    """
    given = clip.probe
    if given is None:
        return None
    limit = given.bandwidth
    try:
        return Probe(
            attenuation=given.attenuation,
            ground_wire_m=given_number(given.ground_wire, "m", f"{where}.ground_wire"),
            bandwidth_hz=None if limit is None else given_number(limit, "Hz", f"{where}.bandwidth"),
            coupling=given.coupling,
        )
    except BadField as error:
        raise BadField(where, error.what, error.hint) from None


@dataclass(frozen=True)
class Shown:
    """Signals as they are and as the scope shows them.

    Attributes
    ----------
    times : (n,) s
    true, seen : (n_signals, n)
    ring_resolved : False where the window is so long that the probe's own ring falls between
        the samples: peaks on edges then lack it
    """

    times: Array
    true: Array
    seen: Array
    ring_resolved: bool


def look(
    solution: Solution, signals: Sequence[Signal], probe: Probe, t0: float, t1: float
) -> Shown:
    """A window of a run through a probe.

    Some time before the window is run through it too, so that its start is no start.

    Raises
    ------
    BadField   if the window is not inside the event
    WrongPort   if a place does not exist
    """
    import numpy as np

    from sim.pickup import picked_up
    from sim.spectrum import check_window

    check_window(solution, t0, t1)
    wanted = 1.0 / (_PER_RING * probe.ring_hz)
    if probe.bandwidth_hz is not None:
        wanted = min(wanted, 0.05 / probe.bandwidth_hz)
    step = max(wanted, (t1 - t0) / MOST_SAMPLES)
    slowest = 1.0 / (math.tau * min(probe.bandwidth_hz or math.inf, probe.ring_hz * probe.damping))
    lead_in = min(10.0 * slowest, t0)
    skip = math.ceil(lead_in / step)
    times = t0 + step * (np.arange(math.floor((t1 - t0) / step) + 1 + skip) - skip)
    times = np.clip(times, 0.0, solution.duration_s)
    true = solution.sample(signals, times)
    before = None
    if probe.coupling == "ac":
        before = _settled(solution, signals, probe, t0)
    wire = max(probe.ground_wire_m, SPRING_M)
    at_tip = true + np.array([picked_up(solution, signal, wire, times) for signal in signals])
    seen = probe.shown(at_tip, step, before)
    return Shown(times[skip:], true[:, skip:], seen[:, skip:], ring_resolved=step <= 1.001 * wanted)


@dataclass(frozen=True)
class SeenBand:
    """A window as a scope shows it, minimum and maximum per column.

    Attributes
    ----------
    times : (n + 1,) s
    low, high : (n,)
    ring_resolved : False where the window is too long for the probe's own ring: what is shown
        then lacks it, all else is there
    """

    times: Array
    low: Array
    high: Array
    ring_resolved: bool


def band(
    solution: Solution, signal: Signal, probe: Probe, t0: float, t1: float, columns: int
) -> SeenBand:
    """A window of a run through a probe, as minimum and maximum of each of `columns`.

    Raises
    ------
    BadField   if the window is not inside the event
    WrongPort   if a place does not exist
    """
    import numpy as np

    wanted = 1.0 / (_PER_RING * probe.ring_hz)
    if probe.bandwidth_hz is not None:
        wanted = min(wanted, 0.05 / probe.bandwidth_hz)
    # a limit below the build's own rings shapes all there is; others shape edges only
    shapes_all = probe.bandwidth_hz is not None and probe.bandwidth_hz < _SHAPES_ALL_HZ
    if (t1 - t0) / wanted <= MOST_SAMPLES / 2 or shapes_all:
        found = look(solution, [signal], probe, t0, t1)
        edges = np.linspace(t0, t1, columns + 1)
        first = np.searchsorted(found.times, edges[:-1] - 1e-15)
        first = np.minimum(first, len(found.times) - 1)
        seen = found.seen[0]
        # what lies between two samples belongs to both columns
        low = np.minimum(np.minimum.reduceat(seen, first), seen[first])
        high = np.maximum(np.maximum.reduceat(seen, first), seen[first])
        return SeenBand(edges, low, high, found.ring_resolved)
    times, lows, highs = solution.envelope([signal], t0, t1, columns)
    low, high = np.array(lows[0]), np.array(highs[0])
    if probe.coupling == "ac":
        middle = 0.5 * (times[:-1] + times[1:])
        followed = _followed(solution, signal, probe, t1)
        slow = np.interp(middle, *followed)
        low, high = low - slow, high - slow
    return SeenBand(np.asarray(times), low, high, ring_resolved=False)


def _followed(solution: Solution, signal: Signal, probe: Probe, t1: float) -> tuple[Array, Array]:
    """What the coupling capacitor follows from the event's start on: times and volts."""
    import numpy as np
    from scipy.signal import lfilter

    grid = np.linspace(0.0, t1, 20_000)
    values = solution.sample([signal], np.minimum(grid, solution.duration_s))[0]
    start = float(values[: max(len(grid) // 50, 1)].mean())
    keep = math.exp(-(grid[1] - grid[0]) * math.tau * _AC_HZ / probe.attenuation)
    slow, _ = lfilter([1.0 - keep], [1.0, -keep], values, zi=np.array([keep * start]))
    return grid, np.asarray(slow)


def _settled(solution: Solution, signals: Sequence[Signal], probe: Probe, t0: float) -> Array:
    """What the coupling capacitor has followed from the event's start to a time, (n_signals,)."""
    import numpy as np

    count = 4000
    grid = np.linspace(0.0, max(t0, 1e-9), count)
    values = solution.sample(signals, np.minimum(grid, solution.duration_s))
    tau = probe.attenuation / (math.tau * _AC_HZ)
    # before the event it stood at the mean of what the event begins with
    first = values[:, : max(count // 50, 1)].mean(axis=1)
    fade = np.exp(-(t0 - grid) / tau)
    step = grid[1] - grid[0]
    return np.asarray(first * math.exp(-t0 / tau) + (values * fade).sum(axis=1) * step / tau)

"""Which conductor carries what: slow flow, PWM ripple and edges, at every lead and part.

All currents of a build over one stretch are read at the same points and transformed alike,
which is linear. So what is drawn obeys Kirchhoff's current law in every band and at every
instant, as the currents themselves do: nothing is drawn by hand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sim.errors import BadField
from sim.resolve import canonical
from sim.signals import Signal
from sim.spectrum import Points, check_window, fourier_sums

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from sim.network import Network
    from sim.records import Build
    from sim.solution import Solution

    Array = NDArray[np.float64]
    Complex = NDArray[np.complex128]

#: Names of the bands, slowest first.
BANDS = ("slow", "PWM", "edges")
# The ripple's band, in multiples of the PWM frequency; our choice.
_PWM_BAND = (0.4, 8.5)
# Where nothing chops: what lies between these, Hz.
_QUIET_BAND = (1e3, 200e3)
_HIGHEST_HZ = (6e6, 3e6, 1e6, 300e3)
_MOST_POINTS = 60_000
#: A stretch of at most so many s is read; of a longer window the part that swings most.
STRETCH_S = 2e-3
#: A Hann bell's mean square: what it takes from a steady signal's power.
_BELL_SQUARE = 1.5


@dataclass(frozen=True)
class Flow:
    """Current at one address.

    Attributes
    ----------
    rms : A, by band; of the slow one the mean current, along a lead or into a part
    phasor : complex A, by band, of the frequency that is strongest in the band over the whole
        build, the same for all addresses; of the slow band the mean current
    """

    address: str
    rms: tuple[float, float, float]
    phasor: tuple[complex, complex, complex]


@dataclass(frozen=True)
class NoisePath:
    """All flows of a stretch.

    Attributes
    ----------
    t0, t1 : the stretch read, s
    hz : frequency of each band's phasors; 0 for the slow band
    flows : one an address: leads by id, parts by port
    """

    t0: float
    t1: float
    hz: tuple[float, float, float]
    flows: tuple[Flow, ...]

    def at(self, address: str) -> Flow | None:
        """The flow at one address."""
        return next((flow for flow in self.flows if flow.address == address), None)


def noise_path(
    solution: Solution,
    t0: float,
    t1: float,
    cancelled: Callable[[], bool] | None = None,
) -> NoisePath:
    """Flows in the part of a window that swings most, or in all of a short one.

    Raises
    ------
    BadField   if the window is not inside the event
    Cancelled   if `cancelled` says so
    """
    check_window(solution, t0, t1)
    addresses = list(solution.equations.network.port_branches)
    signals = [Signal("amps", address) for address in addresses]
    if not signals:
        return NoisePath(t0, t1, (0.0, 0.0, 0.0), ())
    t0, t1 = _stretch(solution, signals, t0, t1)
    points = _points(solution, t0, t1)
    times, weights, values = points.read(signals, cancelled)
    span = t1 - t0
    share = (times - t0) / span
    count = math.floor(points.highest_hz * span) + 1
    hz = np.arange(count) / span
    bell = 1.0 - np.cos(2.0 * np.pi * share)
    mean = values @ (weights * bell) / span
    swing = (values - mean[:, None]) * bell
    lines = np.array([fourier_sums(share, row * weights, count) for row in swing])
    power = 2.0 * np.abs(lines / span) ** 2 / _BELL_SQUARE
    total = swing**2 @ weights / span / _BELL_SQUARE
    low, high = _pwm_band(solution)
    ripple = (hz >= low) & (hz < high)
    slower = hz < low
    fast = hz >= high
    rms_pwm = np.sqrt(power[:, ripple].sum(axis=1))
    # what lies above the highest line counts as edges too
    rms_edges = np.sqrt(
        np.maximum(total - power[:, ripple].sum(axis=1) - power[:, slower].sum(axis=1), 0.0)
    )
    strongest = [_strongest(power, band) for band in (ripple, fast)]
    # a line's amplitude from a Hann bell with mean 1 is twice the sum over the span
    phasors = [2.0 * lines[:, k] / span if k else np.zeros(len(lines)) for k in strongest]
    flows = tuple(
        Flow(
            address,
            (float(mean[i]), float(rms_pwm[i]), float(rms_edges[i])),
            (complex(mean[i]), complex(phasors[0][i]), complex(phasors[1][i])),
        )
        for i, address in enumerate(addresses)
    )
    return NoisePath(t0, t1, (0.0, float(hz[strongest[0]]), float(hz[strongest[1]])), flows)


def _points(solution: Solution, t0: float, t1: float) -> Points:
    for highest in _HIGHEST_HZ[:-1]:
        try:
            return Points(solution, t0, t1, highest, most=_MOST_POINTS)
        except BadField:
            continue
    return Points(solution, t0, t1, _HIGHEST_HZ[-1])


def _pwm_band(solution: Solution) -> tuple[float, float]:
    wanted = [chopper.frequency_hz for chopper in solution.equations.network.choppers]
    if not wanted or not solution.equations.n_switches:
        return _QUIET_BAND
    return _PWM_BAND[0] * min(wanted), _PWM_BAND[1] * max(wanted)


def _strongest(power: Array, band: NDArray[np.bool_]) -> int:
    """Index of the line that is strongest over all addresses together; 0 for an empty band."""
    together = np.where(band, power.sum(axis=0), 0.0)
    return int(np.argmax(together)) if np.any(together > 0.0) else 0


def _stretch(
    solution: Solution, signals: list[Signal], t0: float, t1: float
) -> tuple[float, float]:
    """The window, or the stretch of it in which some current swings most."""
    count = math.ceil((t1 - t0) / STRETCH_S)
    if count <= 1:
        return t0, t1
    times = np.linspace(t0, t1, count + 1)
    # a hundred samples a stretch tell which one is wildest; nothing more is asked of them
    fine = np.linspace(t0, t1, 100 * count, endpoint=False)
    values = solution.sample(signals, fine).reshape(len(signals), count, 100)
    k = int(np.argmax(values.var(axis=2).sum(axis=0)))
    return float(times[k]), float(times[k + 1])


def lead_addresses(build: Build, network: Network) -> dict[str, tuple[str, float]]:
    """Where the current along each lead, from its `from` to its `to`, can be read.

    A lead with no resistance or inductance of its own is a plain joint without a current in the
    equations; where it is the only one at a part's port, the part's current is its current.

    Returns
    -------
    {lead id: (address, sign)}; a plain joint between other plain joints is left out. Of a pair
    also its `minus_address`, where its minus conductor may lead another current back.
    """
    ends: dict[str, int] = {}
    names = [(canonical(build, lead.from_), canonical(build, lead.to)) for lead in build.leads]
    for pair in names:
        for end in pair:
            ends[end] = ends.get(end, 0) + 1
    found: dict[str, tuple[str, float]] = {}
    for lead, (start, stop) in zip(build.leads, names, strict=True):
        id_ = lead.id
        if id_ in network.port_branches:
            found[id_] = (id_, 1.0)
            if lead.minus_address in network.port_branches:
                found[lead.minus_address] = (lead.minus_address, 1.0)
            continue
        for end, towards in ((stop, 1.0), (start, -1.0)):
            if ends[end] == 1 and end in network.port_branches:
                # amps count into a part, but out of it at `out`
                sign = -1.0 if end.endswith(".out") else 1.0
                found[id_] = (end, towards * sign)
                break
    return found

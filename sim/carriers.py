"""When each ESC's carrier periods start, and the duty each one latches."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from sim.event import held

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.event import Drive
    from sim.network import Network

    Array = NDArray[np.float64]

#: Relative carrier offsets are drawn between these; common practice, no source.
OFFSETS = (0.001, 0.01)


@dataclass(frozen=True)
class Carriers:
    """Carriers of all ESCs; period n of ESC k starts at (n - phase) / frequency.

    Attributes
    ----------
    frequency_hz, phase : (n_esc,)
    first : (n_esc,) number n of the first period held in `command`
    command : (n_esc, n_periods) duty commanded at each period's start
    angle : (n_rotors,) electrical angles of the rotors where the run starts, rad
    """

    frequency_hz: Array
    phase: Array
    first: NDArray[np.int64]
    command: Array
    angle: Array


def draw(network: Network, seed: int) -> tuple[Array, Array]:
    """Frequencies (Hz) and phases of all ESCs for one ESC timing.

    What the build gives is kept; the rest is drawn from the seed, the same on every
    machine: uniform phases, offsets of 0.1 to 1 % either way.
    """
    rng = np.random.default_rng(seed)
    frequency, phase = [], []
    for chopper in network.choppers:
        own_phase, size, sign = rng.random(3)
        offset = OFFSETS[0] + (OFFSETS[1] - OFFSETS[0]) * size
        offset = offset if sign < 0.5 else -offset
        if chopper.offset is not None:
            offset = chopper.offset
        elif chopper.phase is not None:
            offset = 0.0
        frequency.append(chopper.frequency_hz * (1.0 + offset))
        phase.append(own_phase if chopper.phase is None else chopper.phase)
    return np.array(frequency), np.array(phase)


def draw_angles(network: Network, seed: int) -> Array:
    """Electrical angles of all rotors, rad, where a run of one ESC timing starts (n_rotors,)."""
    # a generator of its own: carriers stay where they are
    rng = np.random.default_rng([seed, 6])
    return np.asarray(rng.uniform(0.0, math.tau, len(network.rotors)))


def latch(network: Network, drive: Drive, seed: int, start_s: float) -> Carriers:
    """Periods from `start_s` (at most 0) to the event's end, with their commands."""
    frequency, phase = draw(network, seed)
    first = np.floor(start_s * frequency + phase).astype(np.int64)
    last = np.floor(drive.duration_s * frequency + phase).astype(np.int64) + 1
    count = int(np.max(last - first)) + 1 if len(first) else 0
    command = np.zeros((len(first), count))
    for k, (times, duties) in enumerate(drive.points):
        starts = (first[k] + np.arange(count) - phase[k]) / frequency[k]
        command[k] = np.clip(held(times, duties, starts), 0.0, 1.0)
    return Carriers(frequency, phase, first, command, draw_angles(network, seed))


def slewed(drive: Drive, network: Network) -> Drive:
    """The drive as ESCs with a limited duty slew follow it."""
    if all(c.slew_per_s is None for c in network.choppers):
        return drive
    courses = []
    for chopper, (times, duties), start in zip(
        network.choppers, drive.points, drive.start_duty, strict=True
    ):
        if chopper.slew_per_s is None:
            courses.append((times, duties))
        else:
            courses.append(
                _follow(times, duties, float(start), chopper.slew_per_s, drive.duration_s)
            )
    return replace(drive, courses=tuple(courses), tap=None, tap_signs=())


def _follow(
    times: Array, duties: Array, start: float, slew: float, end: float
) -> tuple[Array, Array]:
    """A corner list that follows another at no more than `slew` per s."""
    t, y = min(0.0, float(times[0])), start
    out_t, out_y = [t], [y]

    def add(when: float, value: float) -> None:
        out_t.append(when)
        out_y.append(value)

    corners = [*zip(times.tolist(), duties.tolist(), strict=True), (math.inf, float(duties[-1]))]
    for (t0, d0), (t1, d1) in pairwise(corners):
        if t1 <= t0:
            continue
        t = max(t, t0)
        rate = 0.0 if math.isinf(t1) else (d1 - d0) / (t1 - t0)
        while t < t1:
            target = d0 + rate * (t - t0)
            gap = target - y
            if abs(gap) < 1e-12 and abs(rate) <= slew:
                # on the course: follow it to its next corner
                if math.isinf(t1):
                    break
                t, y = t1, d1
                add(t, y)
                break
            toward = math.copysign(slew, gap if abs(gap) >= 1e-12 else rate)
            closing = toward - rate
            meet = math.inf if closing * gap <= 0.0 else t + gap / closing
            stop = min(meet, t1)
            if math.isinf(stop):
                break
            y = d0 + rate * (stop - t0) if stop == meet else y + toward * (stop - t)
            t = stop
            add(t, y)
        if t >= end:
            break
    return np.array(out_t), np.array(out_y)

"""What an event gives each ESC: its duty over time, where that bends, and braking.

The duty here is the command. That a carrier latches it at the start of its period, and
that current limits and slew hold it back, is the solver's part.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from sim.errors import BadField
from sim.records import Build, Event
from sim.resolve import given_number, seconds

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from sim.network import Network
    from sim.records import Course

    Array = NDArray[np.float64]

#: Signs of a tap on the ESCs in file order: the gyro's correction lifts one pair.
_TAP_SIGNS = (1.0, 1.0, -1.0, -1.0)
#: Points per period by which a tap's sine is given as a polygon; 1.2e-4 of its size off.
_TAP_POINTS = 200


@dataclass(frozen=True)
class Tap:
    """A ringing command: size exp(-t/decay) sin(2 pi frequency t), clipped with the base."""

    size: float
    frequency_hz: float
    decay_s: float

    def at(self, t: Array | float) -> Array:
        """Its value at times in s."""
        fade = self.size * np.exp(-np.asarray(t) / self.decay_s)
        return np.asarray(fade * np.sin(math.tau * self.frequency_hz * np.asarray(t)))

    def slope(self, t: float) -> float:
        """Its slope per s."""
        w = math.tau * self.frequency_hz
        fade = self.size * math.exp(-t / self.decay_s)
        return fade * (w * math.cos(w * t) - math.sin(w * t) / self.decay_s)


@dataclass(frozen=True)
class Drive:
    """Duty commands of all ESCs, in the order of `Network.choppers`.

    Attributes
    ----------
    kind : of the event
    duration_s : the event runs from 0 to it
    courses : per ESC the times (s) and duties of its corners; a repeated time is a step
    freewheel : (n,) bool, active freewheel or not
    tap : what rings on top of the courses, with one sign per ESC
    from_rest : everything is discharged and still at t = 0 (plug_in)
    """

    kind: str
    duration_s: float
    courses: tuple[tuple[Array, Array], ...]
    freewheel: NDArray[np.bool_]
    tap: Tap | None = None
    tap_signs: tuple[float, ...] = ()
    from_rest: bool = False

    @cached_property
    def kinks_s(self) -> Array:
        """Times inside the event where a command bends or steps, sorted, each once."""
        times = [t for t_points, _ in self.courses for t in t_points]
        times += self._clip_times()
        return np.unique([t for t in times if 0.0 < t < self.duration_s]).astype(np.float64)

    @cached_property
    def points(self) -> tuple[tuple[Array, Array], ...]:
        """Per ESC times and duties of its corners, a tap as a fine polygon."""
        if self.tap is None:
            return self.courses
        count = math.ceil(self.duration_s * self.tap.frequency_hz * _TAP_POINTS) + 1
        grid = np.union1d(np.linspace(0.0, self.duration_s, max(count, 2)), self.kinks_s)
        ringing = self.tap.at(grid)
        return tuple(
            (grid, np.clip(held(*course, grid) + sign * ringing, 0.0, 1.0))
            for course, sign in zip(self.courses, self.tap_signs, strict=True)
        )

    @cached_property
    def start_duty(self) -> Array:
        """(n,) duty before the event, from which the start is settled: a step at 0 comes after."""
        return np.array([_held(t, d, 0.0, "left") for t, d in self.courses])

    def duty(self, t: float) -> Array:
        """(n,) duty at a time in s; after the step where there is one."""
        base = np.array([_held(times, d, t, "right") for times, d in self.courses])
        return base if self.tap is None else np.clip(base + self._ringing(t), 0.0, 1.0)

    def slope(self, t: float) -> Array:
        """(n,) change of duty per s, from the right."""
        base = np.array([_slope(times, d, t) for times, d in self.courses])
        if self.tap is None:
            return base
        raw = np.array([_held(times, d, t, "right") for times, d in self.courses])
        raw += self._ringing(t)
        whole = base + np.array([s * self.tap.slope(t) for s in self.tap_signs])
        stuck = ((raw >= 1.0) & (whole > 0.0)) | ((raw <= 0.0) & (whole < 0.0))
        return np.where(stuck | (raw > 1.0) | (raw < 0.0), 0.0, whole)

    def _ringing(self, t: float) -> Array:
        assert self.tap is not None
        return np.array(self.tap_signs) * self.tap.at(t)

    def _clip_times(self) -> list[float]:
        """Where base plus tap crosses 0 or 1, found on a grid and then by halving."""
        if self.tap is None:
            return []
        found = []
        count = max(math.ceil(self.duration_s * self.tap.frequency_hz * _TAP_POINTS), 1)
        grid = np.linspace(0.0, self.duration_s, count + 1)
        for (times, duties), sign in zip(self.courses, self.tap_signs, strict=True):
            for level in (0.0, 1.0):

                def over(
                    t: Array,
                    times: Array = times,
                    duties: Array = duties,
                    sign: float = sign,
                    level: float = level,
                ) -> NDArray[np.bool_]:
                    assert self.tap is not None
                    return np.asarray(held(times, duties, t) + sign * self.tap.at(t) > level)

                above = over(grid)
                for i in np.flatnonzero(np.diff(above)):
                    low, high = float(grid[i]), float(grid[i + 1])
                    for _ in range(40):
                        middle = 0.5 * (low + high)
                        same = over(np.array([middle]))[0] == above[i]
                        low, high = (middle, high) if same else (low, middle)
                    found.append(high)
        return found


def drive(build: Build, event: Event, network: Network) -> Drive:
    """What an event gives the choppers of a network made from `build`.

    Raises
    ------
    BadField   if a value of the event is missing or outside its range
    """
    where = event.name
    duration = seconds(event.duration, f"{where}: duration")
    if not duration > 0.0:
        raise BadField(f"{where}: duration", "is not above 0 s", "Give a time such as 150 ms")
    owners = [chopper.owner for chopper in network.choppers]
    shared = _corners(event.course, f"{where}: course")
    own = {id_: _corners(c, f"{where}: courses.{id_}") for id_, c in event.courses.items()}
    if event.log is not None:
        own |= log_courses(event.log, owners, f"{where}: log")
    courses = [_course_of(event, own.get(owner) or shared, owner) for owner in owners]
    freewheel = [
        chopper.freewheel if event.freewheel is None else event.freewheel
        for chopper in network.choppers
    ]
    return Drive(
        kind=event.kind,
        duration_s=duration,
        courses=tuple((np.array(t), np.array(d)) for t, d in courses),
        freewheel=np.array(freewheel, dtype=bool),
        tap=_tap(event) if event.kind == "tap" else None,
        tap_signs=tuple(_TAP_SIGNS[i % 4] for i in range(len(owners))),
        from_rest=event.kind == "plug_in",
    )


def default_events(build: Build) -> tuple[Event, ...]:
    """What happens to a build that names no events: chop, punch and plug-in, or plug-in alone."""
    plug_in = Event(name="Plug in", kind="plug_in", duration="500 us")
    if not any(part.kind == "esc" for part in build.parts):
        return (plug_in,)
    chop = Event(
        name="Chop",
        kind="throttle",
        duration="150 ms",
        course=(("0 s", 0.6), ("20 ms", 0.6), ("25 ms", 0.2)),
    )
    punch = Event(
        name="Punch",
        kind="throttle",
        duration="150 ms",
        course=(("0 s", 0.2), ("10 ms", 0.2), ("40 ms", 0.9)),
    )
    return (chop, punch, plug_in)


_Corners = tuple[list[float], list[float]]


def _corners(course: Course, where: str) -> _Corners | None:
    """Times and duties of a course, None if there are none."""
    if not course:
        return None
    times = [seconds(time, f"{where}[{i}][0]") for i, (time, _) in enumerate(course)]
    duties = [float(duty) for _, duty in course]
    for i, duty in enumerate(duties):
        if not 0.0 <= duty <= 1.0:
            raise BadField(f"{where}[{i}][1]", f"{duty:g} is no duty", "Give 0 to 1")
    for i in range(1, len(times)):
        if times[i] < times[i - 1]:
            raise BadField(f"{where}[{i}][0]", "lies before the point above", "Sort by time")
    return times, duties


#: Units a log's time may be in.
_LOG_TIMES = {"time_s": 1.0, "time_ms": 1e-3, "time_us": 1e-6}


def log_courses(
    text: str, escs: Sequence[str], where: str
) -> dict[str, tuple[list[float], list[float]]]:
    """Courses of a flight log: a heading such as "time_ms,esc1,esc2", then a line per moment.

    Times count from the first line. A column "all" stands for every ESC without its own; a name
    that ends with % holds percent instead of shares.

    Raises
    ------
    BadField   if it is no such table, with the line
    """
    lines = [line for line in text.splitlines() if line.strip()]
    if len(lines) < 2:
        raise BadField(where, "has no lines below its heading", "Give a heading and a line")
    heading = [cell.strip() for cell in lines[0].split(",")]
    if heading[0] not in _LOG_TIMES:
        hint = f"It starts with one of {', '.join(_LOG_TIMES)}"
        raise BadField(f"{where} line 1", f"{heading[0][:40]!r} is no time", hint)
    names = [name.removesuffix("%").strip() for name in heading[1:]]
    for name in names:
        if name != "all" and name not in escs:
            raise BadField(
                f"{where} line 1", f"{name[:40]!r} is no ESC", f"ESCs are {', '.join(escs)}, or all"
            )
    if not names or len(set(names)) < len(names):
        raise BadField(f"{where} line 1", "names no ESC, or one twice", "Give each one column")
    rows = []
    for number, line in enumerate(lines[1:], 2):
        try:
            cells = [float(cell) for cell in line.split(",")]
        except ValueError:
            raise BadField(f"{where} line {number}", "is not numbers alone", "") from None
        if len(cells) != len(heading) or not all(map(math.isfinite, cells)):
            raise BadField(
                f"{where} line {number}", f"has {len(cells)} cells", f"Give {len(heading)}"
            )
        rows.append(cells)
    scale = _LOG_TIMES[heading[0]]
    times = [(row[0] - rows[0][0]) * scale for row in rows]
    if any(b < a for a, b in pairwise(times)):
        raise BadField(where, "goes back in time", "Sort by time")
    found: dict[str, tuple[list[float], list[float]]] = {}
    for column, (head, name) in enumerate(zip(heading[1:], names, strict=True), 1):
        share = 0.01 if head.endswith("%") else 1.0
        duties = [row[column] * share for row in rows]
        if not all(0.0 <= duty <= 1.0 for duty in duties):
            raise BadField(f"{where} column {head!r}", "leaves 0 to 1", 'Use "name %" for percent')
        found[name] = (times, duties)
    everyone = found.pop("all", None)
    if everyone is not None:
        found = {esc: found.get(esc, everyone) for esc in escs}
    return found


def _course_of(event: Event, given: _Corners | None, owner: str) -> _Corners:
    """The corners of one ESC."""
    if event.kind == "plug_in":
        return [0.0], [0.0]
    if given is not None:
        return given
    if event.duty is not None:
        if not 0.0 <= event.duty <= 1.0:
            raise BadField(f"{event.name}: duty", f"{event.duty:g} is no duty", "Give 0 to 1")
        return [0.0], [event.duty]
    if event.kind in ("steady", "load_step"):
        return [0.0], [0.0]
    what = "a course" if event.kind == "throttle" else "a duty or a course"
    raise BadField(event.name, f"gives {owner} no duty", f"Give {what}")


def _tap(event: Event) -> Tap:
    """Size, frequency and decay of a tap, all above 0 where they have to be."""
    found = []
    for name, unit in (("frequency", "Hz"), ("decay", "s")):
        given = getattr(event, name)
        where = f"{event.name}: {name}"
        if given is None:
            raise BadField(where, "is missing", "A tap needs it")
        value = given_number(given, unit, where)
        if not value > 0.0:
            raise BadField(where, "is not above 0", "Give more")
        found.append(value)
    if event.size is None:
        raise BadField(f"{event.name}: size", "is missing", "A tap needs it")
    return Tap(event.size, found[0], found[1])


def held(times: Array, duties: Array, at: Array) -> Array:
    """A course at times (T,): linear between corners, held outside, after a step at a step."""
    if len(times) == 1:
        return np.full(len(at), duties[0])
    after = np.searchsorted(times, at, side="right")
    i = np.clip(after - 1, 0, len(times) - 2)
    width = times[i + 1] - times[i]
    safe = np.where(width > 0.0, width, 1.0)
    value = duties[i] + (duties[i + 1] - duties[i]) * (at - times[i]) / safe
    value = np.where(after == 0, duties[0], value)
    return np.where(after >= len(times), duties[-1], value)


def _held(times: Array, duties: Array, t: float, side: str) -> float:
    """A course at `t`: straight between corners, held outside, a step read from one side."""
    index = int(np.searchsorted(times, t, side="right" if side == "right" else "left"))
    if index == 0:
        return float(duties[0])
    if index == len(times):
        return float(duties[-1])
    t0, t1 = times[index - 1], times[index]
    share = (t - t0) / (t1 - t0)
    return float(duties[index - 1] + share * (duties[index] - duties[index - 1]))


def _slope(times: Array, duties: Array, t: float) -> float:
    """Slope of a course to the right of `t`."""
    index = int(np.searchsorted(times, t, side="right"))
    if index in (0, len(times)):
        return 0.0
    return float((duties[index] - duties[index - 1]) / (times[index] - times[index - 1]))

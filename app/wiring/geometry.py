"""Where leads run on the frame: plain numbers in millimetres, no widgets.

x is to the right, y to the rear, turns are clockwise in degrees as seen from
above. A lead that is longer than its way shows the rest: a little as a wave, more
as flat loops whose circumference is just the slack, so what is drawn is what is there.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache
from math import atan2, ceil, cos, degrees, hypot, pi, radians, sin, sqrt

Point = tuple[float, float]

#: Shorter slack than this, as a share of the way and in mm, is drawn straight.
_NO_SLACK_SHARE = 0.02
_NO_SLACK_MM = 1.0
#: A loop is folded flat along the lead, as it is tied down on an arm: this half as wide,
_LOOP_RADIUS_MM = 3.2
#: and no longer than this share of the stretch it lies in, else there are more of them.
_LOOP_SHARE = 0.62
#: Points for each turn of a twist.
_TURN_STEPS = 12


def turned(point: Point, degrees_: float) -> Point:
    """`point` turned about the origin, clockwise in degrees with y to the rear."""
    c, s = cos(radians(degrees_)), sin(radians(degrees_))
    return (point[0] * c - point[1] * s, point[0] * s + point[1] * c)


def length(points: list[Point]) -> float:
    """Length of a polyline in mm."""
    return sum(hypot(b[0] - a[0], b[1] - a[1]) for a, b in itertools.pairwise(points))


@dataclass(frozen=True)
class Course:
    """The middle of a drawn lead.

    Attributes
    ----------
    points : polyline in mm from the lead's start to its end
    slack_mm : what its length exceeds its way by, negative where it is too short
    loops : number of loops drawn
    coiled : first and last point index of the loops, where a pair is drawn closer
    """

    points: tuple[Point, ...]
    slack_mm: float
    loops: int
    coiled: tuple[int, int] = (0, 0)


def course(
    way: list[Point],
    length_mm: float | None,
    loop_above_mm: float,
    gap_mm: float,
    hidden_mm: tuple[float, float] = (0.0, 0.0),
) -> Course:
    """Lay a lead of `length_mm` along `way`, its slack in the longest stretch.

    Parameters
    ----------
    way : pad, via points, pad
    length_mm : None where the lead has no length, which is drawn straight
    loop_above_mm : smallest loop radius that can be seen; less becomes a wave
    hidden_mm : what lies under a part at either end, where slack could not be seen
    gap_mm : distance between the conductors, for bends that a pair can follow
    """
    straight = length(way)
    if length_mm is None:
        return Course(tuple(way), 0.0, 0)
    slack = length_mm - straight
    if slack <= max(_NO_SLACK_MM, _NO_SLACK_SHARE * straight):
        return Course(tuple(way), slack, 0)
    spans = [hypot(b[0] - a[0], b[1] - a[1]) for a, b in itertools.pairwise(way)]
    longest = max(range(len(spans)), key=spans.__getitem__)
    a, b = way[longest], way[longest + 1]
    start = hidden_mm[0] if longest == 0 else 0.0
    end = hidden_mm[1] if longest == len(spans) - 1 else 0.0
    if start + end < 0.6 * spans[longest]:
        _, u, _ = _frame(a, b)
        a, b = _along(a, u, start), _along(b, u, -end)
    if slack / (2 * pi) >= loop_above_mm:
        loops, middle = _folds(a, b, slack, gap_mm)
    else:
        loops = 0
        middle = _wave(a, b, slack, gap_mm)
    coiled = (longest + 1, longest + len(middle)) if loops else (0, 0)
    return Course((*way[: longest + 1], *middle, *way[longest + 1 :]), slack, loops, coiled)


def _frame(a: Point, b: Point) -> tuple[float, Point, Point]:
    """Distance, unit vector and its normal; points to the rear if both are one place."""
    d = hypot(b[0] - a[0], b[1] - a[1])
    u = ((b[0] - a[0]) / d, (b[1] - a[1]) / d) if d > 1e-9 else (0.0, 1.0)
    return d, u, (-u[1], u[0])


def _folds(a: Point, b: Point, slack: float, gap: float) -> tuple[int, list[Point]]:
    """Flat loops in the middle of a stretch, by turns on either side of it.

    A loop goes on along the lead, turns back in a half circle, and turns on again: twice
    its straight and two half circles, which together are its share of the slack.
    """
    d, u, n = _frame(a, b)
    radius = max(_LOOP_RADIUS_MM, 1.1 * gap)
    longest = max(_LOOP_SHARE * d - 2 * radius, 2 * radius)
    each = 2 * longest + 2 * pi * radius
    count = max(1, ceil(slack / each - 1e-9))
    share = slack / count
    radius = min(radius, share / (2 * pi))
    straight = max(0.0, share / 2 - pi * radius)
    left, right = d / 2 - straight / 2, d / 2 + straight / 2
    points = [(left - radius, 0.0)]
    for k in range(count):
        side = 1.0 if k % 2 == 0 else -1.0
        points.append((left, 0.0))
        points += _half_circle(right, radius, side, 1.0)
        points += _half_circle(left, radius, side, -1.0)
    points += [(right, 0.0), (right + radius, 0.0)] if straight else [(right + radius, 0.0)]
    return count, [(a[0] + u[0] * x + n[0] * y, a[1] + u[1] * x + n[1] * y) for x, y in points]


def _half_circle(at: float, radius: float, side: float, way: float) -> list[Point]:
    """From the lead out to its other lane (`way` 1) or back from there (-1), in its own frame."""
    steps = 10
    out = []
    for i in range(steps + 1):
        angle = pi * i / steps + (0.0 if way > 0 else pi)
        out.append((at + radius * sin(angle), side * radius * (1 - cos(angle))))
    return out


def _along(a: Point, u: Point, by: float) -> Point:
    return (a[0] + u[0] * by, a[1] + u[1] * by)


def _wave(a: Point, b: Point, slack: float, gap: float) -> list[Point]:
    """A wave with flat ends whose length exceeds the way by `slack`."""
    d, u, n = _frame(a, b)
    if d < 1e-6:
        return []
    margin = min(0.2 * d, 8.0)
    span = d - 2 * margin
    periods = max(1, round(span / max(16.0, 6.0 * gap)))
    steps = 12 * periods

    def points(amplitude: float) -> list[Point]:
        out = []
        for i in range(steps + 1):
            t = i / steps
            y = amplitude * (1 - cos(2 * pi * periods * t)) / 2
            x = margin + span * t
            out.append((a[0] + u[0] * x + n[0] * y, a[1] + u[1] * x + n[1] * y))
        return out

    # Length grows with the square of a small amplitude; a few secant steps are enough to draw.
    amplitude = 2 * span / (pi * periods) * sqrt(slack / span)
    for _ in range(6):
        got = length(points(amplitude)) - span
        if got <= 0:
            break
        amplitude *= sqrt(slack / got) if got < 4 * slack else 0.5
    return points(amplitude)


def beside(
    points: tuple[Point, ...],
    offset: float,
    coiled: tuple[int, int] = (0, 0),
    tight: float | None = None,
) -> list[Point]:
    """The polyline moved sideways by `offset` mm (positive to the right of the way).

    Between the points `coiled` it is moved by `tight` instead: wires of a coil lie close.
    """
    ways = directions(points)
    last = len(points) - 1
    out: list[Point] = []
    for i, (x, y) in enumerate(points):
        first_x, first_y = ways[i - 1] if i else ways[0]
        second_x, second_y = ways[i] if i < last else ways[-1]
        ux, uy = first_x + second_x, first_y + second_y
        size = hypot(ux, uy)
        if size < 1e-6:
            ux, uy, size = first_x, first_y, 1.0
        # At a corner both sides keep their distance: a mitre, held short where it would spike.
        half = min(2.0, 2.0 / size) if size > 0.5 else 1.0
        by = tight if tight is not None and coiled[0] < i < coiled[1] else offset
        by *= half / size
        out.append((x - uy * by, y + ux * by))
    return out


def twisted(points: tuple[Point, ...], offset: float, pitch: float) -> list[Point]:
    """One wire of a pair that turns once every `pitch` mm, seen from above.

    It begins `offset` mm beside the way, as it would untwisted.
    """
    out: list[Point] = []
    step, run, next_at = pitch / _TURN_STEPS, 0.0, 0.0
    for (a, b), (ux, uy) in zip(itertools.pairwise(points), directions(points), strict=True):
        size = hypot(b[0] - a[0], b[1] - a[1])
        while next_at <= run + size:
            along = next_at - run
            by = offset * cos(2.0 * pi * next_at / pitch)
            out.append((a[0] + ux * along - uy * by, a[1] + uy * along + ux * by))
            next_at += step
        run += size
    by = offset * cos(2.0 * pi * run / pitch)
    return [*out, (points[-1][0] - uy * by, points[-1][1] + ux * by)]


@lru_cache(maxsize=16)
def directions(points: tuple[Point, ...]) -> tuple[Point, ...]:
    """Unit vector of each stretch; a pair asks twice for the same points."""
    return tuple(_frame(a, b)[1] for a, b in itertools.pairwise(points))


def nearest(points: tuple[Point, ...], to: Point) -> tuple[float, float]:
    """Distance of a place to a polyline, and how far along it that is, 0 to 1."""
    best, best_along, run = float("inf"), 0.0, 0.0
    for a, b in itertools.pairwise(points):
        dx, dy = b[0] - a[0], b[1] - a[1]
        d2 = dx * dx + dy * dy
        t = 0.0 if d2 == 0 else ((to[0] - a[0]) * dx + (to[1] - a[1]) * dy) / d2
        t = min(1.0, max(0.0, t))
        dist = hypot(a[0] + t * dx - to[0], a[1] + t * dy - to[1])
        span = sqrt(d2)
        if dist < best:
            best, best_along = dist, run + t * span
        run += span
    return best, (best_along / run if run > 0 else 0.0)


def heading(a: Point, b: Point) -> float:
    """Direction from `a` to `b` in degrees clockwise from the right."""
    return degrees(atan2(b[1] - a[1], b[0] - a[0]))


def halfway(points: tuple[Point, ...]) -> Point:
    """The middle between the two ends."""
    a, b = points[0], points[-1]
    return ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)

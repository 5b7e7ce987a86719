"""Where the words beside the parts go: no two on each other, none on a part. Pixels only.

Greedy, most important first; each label tries rings of places around its part and
takes the cheapest. What is covered is looked up in a coarse table of sums, so a
candidate costs the same however many parts there are. A place taken before is a little
cheaper, so that labels do not jump about while something is edited.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from itertools import accumulate
from math import cos, hypot, pi, radians, sin
from operator import add

Box = tuple[float, float, float, float]
Spot = tuple[float, float]
Line = tuple[list[Spot], float]

_CELL = 8.0
_GAP = 7.0
_RINGS = (0.0, 10.0, 24.0, 42.0, 66.0, 96.0, 132.0, 175.0)
_DIRECTIONS = 24
_UNITS = [
    (cos(2 * pi * k / _DIRECTIONS), sin(2 * pi * k / _DIRECTIONS)) for k in range(_DIRECTIONS)
]
#: Cost of covering one cell of a part, and one of a lead; distance costs 1 per pixel.
_ON_PART, _ON_LEAD = 60.0, 12.0
_UNREADABLE, _TOO_POOR = 2000.0, 700.0
_LEADER_FROM = 28.0


@dataclass(frozen=True)
class Body:
    """A part's outline in pixels: a turned box, or an ellipse in it."""

    x: float
    y: float
    half_width: float
    half_depth: float
    turn: float = 0.0
    round: bool = False

    def reach(self, ux: float, uy: float) -> float:
        """How far the outline extends from its middle in a direction."""
        c, s = cos(radians(self.turn)), sin(radians(self.turn))
        lx, ly = ux * c + uy * s, -ux * s + uy * c
        if self.round:
            return hypot(lx * self.half_width, ly * self.half_depth)
        return abs(lx) * self.half_width + abs(ly) * self.half_depth

    def share(self, x: float, y: float) -> float:
        """0 in the middle, 1 on the outline, more outside."""
        c, s = cos(radians(self.turn)), sin(radians(self.turn))
        dx, dy = x - self.x, y - self.y
        lx = (dx * c + dy * s) / max(self.half_width, 1e-6)
        ly = (-dx * s + dy * c) / max(self.half_depth, 1e-6)
        return hypot(lx, ly) if self.round else max(abs(lx), abs(ly))

    def edge_towards(self, x: float, y: float) -> Spot:
        """Where the line from a place outside to the middle meets the outline."""
        share = max(self.share(x, y), 1.0)
        return (self.x + (x - self.x) / share, self.y + (y - self.y) / share)

    def nearest(self, x: float, y: float) -> Spot:
        """The place of the outline nearest to a place outside of it."""
        if self.round:
            return self.edge_towards(x, y)
        c, s = cos(radians(self.turn)), sin(radians(self.turn))
        dx, dy = x - self.x, y - self.y
        lx = min(max(dx * c + dy * s, -self.half_width), self.half_width)
        ly = min(max(dy * c - dx * s, -self.half_depth), self.half_depth)
        return (self.x + lx * c - ly * s, self.y + lx * s + ly * c)

    @property
    def long(self) -> bool:
        """A lead rather than a part."""
        return self.half_width > 3 * self.half_depth


@dataclass(frozen=True)
class Wanted:
    """A label to be placed: `size` in pixels, `outward` a unit vector where it would best go."""

    id: str
    body: Body
    size: tuple[float, float]
    outward: Spot


@dataclass(frozen=True)
class Placed:
    """Where a label went: its box, its leader line if it needs one.

    `right` says that the words end at the box's right side; `choice` names the place
    for the next time.
    """

    box: Box
    right: bool
    leader: tuple[Spot, Spot] | None = None
    choice: int = 0


class _Covered:
    """Sums over a grid of cells of what lies there."""

    def __init__(self, room: Box, bodies: list[Body], lines: list[Line]) -> None:
        self.x0, self.y0 = room[0] - 40.0, room[1] - 40.0
        self.columns = int((room[2] - room[0] + 80.0) / _CELL) + 1
        self.rows = int((room[3] - room[1] + 80.0) / _CELL) + 1
        self.cells = [[0.0] * self.columns for _ in range(self.rows)]
        for line in lines:
            self._mark_line(line)
        for body in bodies:
            self._mark_body(body)
        self.sums = [[0.0] * (self.columns + 1)]
        for row in self.cells:
            self.sums.append(list(map(add, self.sums[-1], accumulate(row, initial=0.0))))

    def _mark_line(self, line: Line) -> None:
        points, width = line
        # Wide leads cover the cells to both sides, too.
        rim = tuple(range(-int(width / 2 // _CELL) - 1, int(width / 2 // _CELL) + 2))
        if width < 0.6 * _CELL:
            rim = (0,)
        cells, rows, columns = self.cells, self.rows, self.columns
        last = (-1, -1)
        for a, b in itertools.pairwise(points):
            steps = int(hypot(b[0] - a[0], b[1] - a[1]) / _CELL) + 1
            for k in range(steps + 1):
                t = k / steps
                c = int((a[0] + (b[0] - a[0]) * t - self.x0) // _CELL)
                r = int((a[1] + (b[1] - a[1]) * t - self.y0) // _CELL)
                if (r, c) == last:
                    continue
                last = (r, c)
                for row in rim:
                    for column in rim:
                        if 0 <= r + row < rows and 0 <= c + column < columns:
                            cells[r + row][c + column] = _ON_LEAD

    def _mark_body(self, body: Body) -> None:
        reach = hypot(body.half_width, body.half_depth)
        c0, c1 = self._column(body.x - reach), self._column(body.x + reach)
        r0, r1 = self._row(body.y - reach), self._row(body.y + reach)
        cos_, sin_ = cos(radians(body.turn)), sin(radians(body.turn))
        wide, deep = max(body.half_width, 1e-6), max(body.half_depth, 1e-6)
        for r in range(max(0, r0), min(self.rows, r1 + 1)):
            dy = self.y0 + (r + 0.5) * _CELL - body.y
            row = self.cells[r]
            for c in range(max(0, c0), min(self.columns, c1 + 1)):
                dx = self.x0 + (c + 0.5) * _CELL - body.x
                lx, ly = (dx * cos_ + dy * sin_) / wide, (dy * cos_ - dx * sin_) / deep
                if (lx * lx + ly * ly if body.round else max(lx * lx, ly * ly)) <= 1.0:
                    row[c] = _ON_PART

    def _row(self, y: float) -> int:
        return int((y - self.y0) // _CELL)

    def _column(self, x: float) -> int:
        return int((x - self.x0) // _CELL)

    def under(self, box: Box) -> float:
        """Cost of what a box covers."""
        c0 = min(max(self._column(box[0]), 0), self.columns)
        c1 = min(max(self._column(box[2]) + 1, 0), self.columns)
        r0 = min(max(self._row(box[1]), 0), self.rows)
        r1 = min(max(self._row(box[3]) + 1, 0), self.rows)
        s = self.sums
        return s[r1][c1] - s[r0][c1] - s[r1][c0] + s[r0][c0]

    def along(self, a: Spot, b: Spot) -> float:
        """Cost of what a thin line crosses, its last piece left out."""
        d = hypot(b[0] - a[0], b[1] - a[1])
        steps = max(1, int(d / _CELL))
        total = 0.0
        for k in range(steps):
            x, y = a[0] + (b[0] - a[0]) * k / steps, a[1] + (b[1] - a[1]) * k / steps
            r, c = self._row(y), self._column(x)
            if 0 <= r < self.rows and 0 <= c < self.columns:
                total += self.cells[r][c]
        return total


def _overlap(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _candidates(wanted: Wanted) -> list[tuple[float, int, Box, bool]]:
    """Places around a part, cheapest first: cost, number, box, words end at the right."""
    w, h = wanted.size
    body = wanted.body
    out: list[tuple[float, int, Box, bool]] = []
    for k, (ux, uy) in enumerate(_UNITS):
        # Part and words lie on either side of a line across this direction.
        least = body.reach(ux, uy) + _GAP + abs(ux) * w / 2 + abs(uy) * h / 2
        away = ux * wanted.outward[0] + uy * wanted.outward[1]
        turned = 16.0 * (1.0 - away) + 12.0 * abs(uy)
        for number, ring in enumerate(_RINGS):
            left, top = body.x + ux * (least + ring) - w / 2, body.y + uy * (least + ring) - h / 2
            box = (left, top, left + w, top + h)
            out.append((ring + turned, number * _DIRECTIONS + k, box, ux < -0.2))
    out.sort()
    return out


def _leader(body: Body, box: Box) -> tuple[Spot, Spot] | None:
    """From the near end of the name to the edge of the part, where that is far."""
    line = box[1] + min(10.0, (box[3] - box[1]) / 2)
    if body.x > box[2]:
        start = (box[2] + 5.0, line)
    elif body.x < box[0]:
        start = (box[0] - 5.0, line)
    else:
        start = ((box[0] + box[2]) / 2, box[3] + 2.0 if body.y > box[3] else box[1] - 2.0)
    near = body.nearest(*start)
    if hypot(near[0] - start[0], near[1] - start[1]) < _LEADER_FROM:
        return None
    return (start, near if body.long else body.edge_towards(*start))


def _crosses(line: tuple[Spot, Spot], box: Box) -> bool:
    (ax, ay), (bx, by) = line
    # (most lines are nowhere near)
    if (ax <= box[0] and bx <= box[0]) or (ax >= box[2] and bx >= box[2]):
        return False
    if (ay <= box[1] and by <= box[1]) or (ay >= box[3] and by >= box[3]):
        return False
    for k in range(1, 16):
        x, y = ax + (bx - ax) * k / 16, ay + (by - ay) * k / 16
        if box[0] < x < box[2] and box[1] < y < box[3]:
            return True
    return False


def lay_out(
    wanted: list[Wanted],
    bodies: list[Body],
    lines: list[Line],
    room: Box,
    blocked: list[Box],
    before: dict[str, int],
) -> dict[str, Placed]:
    """Place the labels; those for which there is no free room are left out.

    Parameters
    ----------
    wanted : in order of importance
    bodies : outlines of the parts
    lines : polylines of leads and their widths, which words should not cover
    room : the visible area
    blocked : areas that are taken (scale bar, buttons)
    before : number of the place each label had
    """
    covered = _Covered(room, bodies, lines)
    placed: dict[str, Placed] = {}
    taken = list(blocked)
    leaders: list[tuple[Spot, Spot]] = []
    for label in wanted:
        best: Placed | None = None
        best_cost = float("inf")
        kept = before.get(label.id)
        for base, number, box, right in _candidates(label):
            if base - 14.0 >= best_cost:
                break
            cost = base - (14.0 if number == kept else 0.0)
            outside = max(room[0] - box[0], box[2] - room[2], room[1] - box[1], box[3] - room[3])
            if outside > 0:
                cost += _UNREADABLE + 10.0 * outside
            padded = (box[0] - 5.0, box[1] - 1.0, box[2] + 5.0, box[3] + 1.0)
            cost += covered.under((box[0] - 4.0, box[1] + 1.0, box[2] + 4.0, box[3] - 1.0))
            if cost >= best_cost:
                continue
            cost += _UNREADABLE * sum(_overlap(padded, other) for other in taken)
            if cost >= best_cost:
                continue
            cost += 60.0 * sum(_crosses(line, padded) for line in leaders)
            if cost >= best_cost:
                continue
            leader = _leader(label.body, box)
            if leader is not None:
                cost += 12.0 + 0.15 * covered.along(*leader)
                cost += 150.0 * sum(_crosses(leader, other) for other in taken)
                cost += 40.0 * sum(_meet(leader, other) for other in leaders)
            if cost < best_cost:
                best, best_cost = Placed(box, right, leader, number), cost
        # Rather no words than words on words: the rest is on hover and in the outline.
        if best is not None and best_cost < _TOO_POOR:
            placed[label.id] = best
            taken.append(best.box)
            if best.leader is not None:
                leaders.append(best.leader)
    return placed


def _meet(a: tuple[Spot, Spot], b: tuple[Spot, Spot]) -> bool:
    """Whether two lines cross."""

    def side(p: Spot, q: Spot, r: Spot) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return side(*a, b[0]) * side(*a, b[1]) < 0 and side(*b, a[0]) * side(*b, a[1]) < 0

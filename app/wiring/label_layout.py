"""Where the words beside the parts go: no two on each other, none on a part. Pixels only.

Greedy, most important first; each label tries a ring of places around its part
and takes the cheapest. A place taken before is a little cheaper, so that labels
do not jump about while something is dragged.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, hypot, radians, sin

Box = tuple[float, float, float, float]
Spot = tuple[float, float]

#: From this distance between label and part on, a line says which part is meant.
LEADER_FROM = 26.0
_GAP = 8.0


@dataclass(frozen=True)
class Wanted:
    """A label to be placed.

    Attributes
    ----------
    id : whose label it is
    anchor : left, top, right, bottom of the part
    size : width and height of the words
    outward : unit vector away from the middle of the frame
    """

    id: str
    anchor: Box
    size: tuple[float, float]
    outward: Spot


@dataclass(frozen=True)
class Placed:
    """Where a label went: its box, and the end of its leader line if it needs one.

    `right` says that the words end at the box's right side.
    """

    box: Box
    right: bool
    leader: tuple[Spot, Spot] | None = None
    choice: int = 0


def _overlap(a: Box, b: Box) -> float:
    w = min(a[2], b[2]) - max(a[0], b[0])
    h = min(a[3], b[3]) - max(a[1], b[1])
    return w * h if w > 0 and h > 0 else 0.0


def _candidates(wanted: Wanted) -> list[tuple[Box, bool, float]]:
    """Boxes around the part, whether words end at the right, and how far away they are."""
    left, top, right, bottom = wanted.anchor
    w, h = wanted.size
    cx, cy = (left + right) / 2, (top + bottom) / 2
    out: list[tuple[Box, bool, float]] = []
    for ring in (0.0, 18.0, 40.0, 70.0, 105.0, 145.0):
        for degrees in range(0, 360, 30 if ring < 60 else 20):
            ux, uy = cos(radians(degrees)), sin(radians(degrees))
            # Just outside the part's box in this direction, then the ring's distance more.
            reach_x = (right - left) / 2 + _GAP + ring * abs(ux) if abs(ux) > 0.3 else 0.0
            reach_y = (bottom - top) / 2 + (3 if abs(ux) > 0.3 else _GAP * 0.5) + ring * abs(uy)
            if abs(ux) > 0.9:
                reach_y = 0.0
            x = cx + (reach_x if ux > 0 else -reach_x)
            y = cy + (reach_y if uy > 0 else -reach_y)
            on_right = ux < -0.3
            if abs(ux) <= 0.3:
                x0 = x - w / 2
            else:
                x0 = x - w if on_right else x
            if abs(ux) > 0.9:
                y0 = y - h / 2
            elif abs(ux) > 0.3 and ring == 0.0:
                y0 = cy + uy * ((bottom - top) / 2 + h / 2) - h / 2
            else:
                y0 = y if uy > 0 else y - h
            out.append(((x0, y0, x0 + w, y0 + h), on_right, ring))
    return out


def _leader(anchor: Box, box: Box, right: bool) -> tuple[Spot, Spot] | None:
    """From the near end of the label's first line to the edge of the part."""
    left, top, r, bottom = anchor
    nx = min(max((box[0] + box[2]) / 2, left), r)
    ny = min(max((box[1] + box[3]) / 2, top), bottom)
    dx = max(box[0] - nx, nx - box[2], 0.0)
    dy = max(box[1] - ny, ny - box[3], 0.0)
    if hypot(dx, dy) < LEADER_FROM:
        return None
    line = box[1] + min(10.0, (box[3] - box[1]) / 2)
    if (left + r) / 2 > box[2]:
        start = (box[2] + 6.0, line)
    elif (left + r) / 2 < box[0]:
        start = (box[0] - 6.0, line)
    else:
        below = ny > box[3]
        start = ((box[0] + box[2]) / 2, box[3] + 2.0 if below else box[1] - 2.0)
    end = (min(max(start[0], left), r), min(max(start[1], top), bottom))
    return (start, end)


def _crosses(a: Spot, b: Spot, box: Box) -> bool:
    """Whether a line goes through a box, looked at in a few places."""
    for k in range(1, 12):
        x = a[0] + (b[0] - a[0]) * k / 12
        y = a[1] + (b[1] - a[1]) * k / 12
        if box[0] < x < box[2] and box[1] < y < box[3]:
            return True
    return False


def lay_out(
    wanted: list[Wanted],
    bodies: dict[str, Box],
    courses: list[list[Spot]],
    room: Box,
    blocked: list[Box],
    before: dict[str, int],
) -> dict[str, Placed]:
    """Place all labels.

    Parameters
    ----------
    wanted : in order of importance
    bodies : boxes of the parts by id
    courses : polylines of leads, which words should not cover
    room : the visible area
    blocked : areas that are taken (scale bar, buttons)
    before : number of the place each label had
    """
    placed: dict[str, Placed] = {}
    taken: list[Box] = list(blocked)
    lines: list[tuple[Spot, Spot]] = []
    spots = [p for course in courses for p in _sampled(course)]
    for label in wanted:
        best: Placed | None = None
        best_cost = float("inf")
        for index, (box, right, ring) in enumerate(_candidates(label)):
            cost = 0.9 * ring
            cx = (box[0] + box[2]) / 2 - (label.anchor[0] + label.anchor[2]) / 2
            cy = (box[1] + box[3]) / 2 - (label.anchor[1] + label.anchor[3]) / 2
            d = hypot(cx, cy) or 1.0
            # Sideways reads best; above or below is the second choice.
            cost += 22.0 * (1 - (cx * label.outward[0] + cy * label.outward[1]) / d)
            cost += 16.0 * abs(cy) / d
            outside = (
                max(0.0, room[0] - box[0])
                + max(0.0, box[2] - room[2])
                + max(0.0, room[1] - box[1])
                + max(0.0, box[3] - room[3])
            )
            cost += 60.0 * (outside > 0) + 30.0 * outside
            if cost >= best_cost:
                continue
            pad = (box[0] - 4, box[1] - 1, box[2] + 4, box[3] + 1)
            for other in taken:
                cost += 200.0 * (_overlap(pad, other) > 0) + 0.5 * _overlap(pad, other)
            for body in bodies.values():
                cost += 60.0 * (_overlap(pad, body) > 0) + 0.25 * _overlap(pad, body)
            for x, y in spots:
                if pad[0] < x < pad[2] and pad[1] < y < pad[3]:
                    cost += 9.0
            for a, b in lines:
                cost += 80.0 * _crosses(a, b, pad)
            if cost >= best_cost:
                continue
            leader = _leader(label.anchor, box, right)
            if leader is not None:
                cost += 14.0
                for other in taken:
                    cost += 120.0 * _crosses(*leader, other)
                for id_, body in bodies.items():
                    cost += 12.0 * (id_ != label.id and _crosses(*leader, body))
            if before.get(label.id) == index:
                cost -= 12.0
            if cost < best_cost:
                best, best_cost = Placed(box, right, leader, index), cost
        if best is not None:
            placed[label.id] = best
            taken.append(best.box)
            if best.leader is not None:
                lines.append(best.leader)
    return placed


def _sampled(points: list[Spot], step: float = 9.0) -> list[Spot]:
    out: list[Spot] = []
    for a, b in zip(points, points[1:], strict=False):
        d = hypot(b[0] - a[0], b[1] - a[1])
        for k in range(int(d / step) + 1):
            t = k * step / d if d else 0.0
            out.append((a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t))
    return out

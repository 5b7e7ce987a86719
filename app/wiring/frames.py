"""Frame outlines by name, in millimetres from the frame's middle.

Our own generic shapes with the usual proportions (common practice, no source):
only arms, plates, motor places, room between plates and propeller size matter.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, radians, sin

from app.wiring.geometry import Point


@dataclass(frozen=True)
class Frame:
    """What is drawn under the parts.

    Attributes
    ----------
    title : words for it
    plate : x, y, width, height of the main plate
    radius : of the plate's corners
    motors : places of the motors; arms run there from `roots`
    roots : where each arm starts
    arm_mm : width of an arm
    propeller_mm : radius of the propeller disc, 0 for none
    gap_mm : room between one plate and the next above it, 0 where there is none above
    ducts : propellers run in rings
    """

    title: str
    plate: tuple[float, float, float, float]
    radius: float
    motors: tuple[Point, ...]
    roots: tuple[Point, ...]
    arm_mm: float
    propeller_mm: float
    gap_mm: float = 0.0
    ducts: bool = False

    @property
    def reach_mm(self) -> float:
        """Distance between motors that face each other; 0 without motors."""
        if not self.motors:
            return 0.0
        return max(hypot(a[0] - b[0], a[1] - b[1]) for a in self.motors for b in self.motors)

    @property
    def sizes(self) -> str:
        """Its measures in words."""
        plate = f"plate {self.plate[2]:.0f} × {self.plate[3]:.0f} mm"
        if not self.motors:
            return plate
        return f"{self.reach_mm:.0f} mm across the motors, {plate}"


def _star(
    title: str,
    diagonal: float,
    plate: tuple[float, float],
    arm: float,
    inch: float,
    angles: tuple[float, ...] = (-45.0, 45.0, 135.0, -135.0),
    gap: float = 25.0,
) -> Frame:
    """Arms from the middle; angles in degrees clockwise from the right, as motors are numbered."""
    reach = diagonal / 2
    motors = tuple(
        (round(reach * cos(radians(a)), 2), round(reach * sin(radians(a)), 2)) for a in angles
    )
    width, depth = plate
    return Frame(
        title,
        (-width / 2, -depth / 2 - 0.04 * depth, width, depth),
        7.0 if width > 40 else 4.0,
        motors,
        ((0.0, 0.0),) * len(motors),
        arm,
        inch * 25.4 / 2,
        gap,
    )


def _h(title: str, width: float, depth: float, plate: float, arm: float, inch: float) -> Frame:
    """An H: arms straight out from a long plate."""
    motors = (
        (width / 2, -depth / 2),
        (width / 2, depth / 2),
        (-width / 2, depth / 2),
        (-width / 2, -depth / 2),
    )
    roots = tuple((0.0, y) for _, y in motors)
    return Frame(
        title,
        (-plate / 2, -depth * 0.66, plate, depth * 1.32),
        6.0,
        motors,
        roots,
        arm,
        inch * 25.4 / 2,
        25.0,
    )


_HEX = (-60.0, 0.0, 60.0, 120.0, 180.0, -120.0)
_OCTO = (-67.5, -22.5, 22.5, 67.5, 112.5, 157.5, -157.5, -112.5)

FRAMES: dict[str, Frame] = {
    "x-5": _star("X frame, 5 inch", 220.0, (60.0, 108.0), 12.7, 5.1),
    "x-3": _star("X frame, 3 inch", 140.0, (44.0, 76.0), 9.0, 3.0, gap=20.0),
    "x-7": _star("long-range frame, 7 inch", 310.0, (62.0, 150.0), 14.0, 7.0, gap=28.0),
    "x-9": _star("lifting frame, 9 inch", 420.0, (90.0, 190.0), 18.0, 9.0, gap=35.0),
    "h-5": _h("H frame, 5 inch", 165.0, 165.0, 56.0, 13.0, 5.1),
    "hex-6": _star("hex frame, 6 inch", 360.0, (110.0, 130.0), 14.0, 6.0, _HEX, 30.0),
    "octo-8": _star("octo frame, 8 inch", 640.0, (150.0, 170.0), 18.0, 8.0, _OCTO, 35.0),
    "whoop": Frame(
        "whoop",
        (-17.0, -17.0, 34.0, 34.0),
        5.0,
        ((24.0, -24.0), (24.0, 24.0), (-24.0, 24.0), (-24.0, -24.0)),
        ((0.0, 0.0),) * 4,
        4.0,
        15.5,
        ducts=True,
    ),
    "bench": Frame("bench board", (-140.0, -90.0, 280.0, 180.0), 8.0, (), (), 0.0, 0.0),
}


def frame(name: str) -> Frame:
    """The frame called `name`; the 5 inch X for a name this version does not know."""
    return FRAMES.get(name, FRAMES["x-5"])


#: A part this near to an arm, in mm, goes where the arm goes.
_ON_ARM_MM = 18.0
#: Share of an arm from its root within which a part belongs to the plate.
_ON_PLATE = 0.3


def carried_over(places: dict[str, Point], old: Frame, new: Frame) -> dict[str, Point]:
    """Where parts go when the frame is changed: what is on an arm stays on an arm.

    Parameters
    ----------
    places : ids to places in mm
    old, new : each arm of `old` becomes the arm of `new` that points most nearly where it
        did; what is on the plate or beside the frame stays and is left out
    """
    moved: dict[str, Point] = {}
    arms = _same_way(old, new)
    x0, y0, width, depth = old.plate
    for id_, at in places.items():
        if x0 <= at[0] <= x0 + width and y0 <= at[1] <= y0 + depth:
            continue
        found = [
            (off, k)
            for k in arms
            for along, off in [_on_arm(old.roots[k], old.motors[k], at)]
            if along > _ON_PLATE and off < _ON_ARM_MM
        ]
        if found:
            k = min(found)[1]
            moved[id_] = _carried(old.roots[k], old.motors[k], at, new, arms[k])
    return moved


def _carried(root: Point, motor: Point, at: Point, new: Frame, arm: int) -> Point:
    """A place on an arm of another frame: as far from the motor, and as far aside."""
    along, aside = _on_arm(root, motor, at)[0], _aside(root, motor, at)
    inward = (1.0 - along) * hypot(motor[0] - root[0], motor[1] - root[1])
    (rx, ry), (mx, my) = new.roots[arm], new.motors[arm]
    size = hypot(mx - rx, my - ry) or 1.0
    ux, uy = (mx - rx) / size, (my - ry) / size
    t = size - inward
    return (round(rx + ux * t - uy * aside, 1), round(ry + uy * t + ux * aside, 1))


def _same_way(old: Frame, new: Frame) -> dict[int, int]:
    """Arms of `old` to those of `new`, nearest directions first, each taken once."""

    def apart(a: Point, b: Point) -> float:
        turn = degrees(atan2(a[1], a[0]) - atan2(b[1], b[0])) % 360.0
        return round(min(turn, 360.0 - turn), 3)

    pairs = sorted(
        (apart(a, b), i, j) for i, a in enumerate(old.motors) for j, b in enumerate(new.motors)
    )
    out: dict[int, int] = {}
    for _, i, j in pairs:
        if i not in out and j not in out.values():
            out[i] = j
    return out


def _on_arm(root: Point, motor: Point, at: Point) -> tuple[float, float]:
    """Share of the way from root to motor, and distance from the arm's line and ends, mm."""
    dx, dy = motor[0] - root[0], motor[1] - root[1]
    square = dx * dx + dy * dy
    t = ((at[0] - root[0]) * dx + (at[1] - root[1]) * dy) / square if square else 0.0
    within = min(1.0, max(0.0, t))
    return t, hypot(at[0] - root[0] - within * dx, at[1] - root[1] - within * dy)


def _aside(root: Point, motor: Point, at: Point) -> float:
    """Distance to the right of the arm's line, mm."""
    dx, dy = motor[0] - root[0], motor[1] - root[1]
    size = hypot(dx, dy) or 1.0
    return ((at[1] - root[1]) * dx - (at[0] - root[0]) * dy) / size

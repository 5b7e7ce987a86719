"""Frame outlines by name, in millimetres from the frame's middle.

Our own generic shapes with the usual proportions (common practice, no source):
only arms, plate, motor places and propeller size matter for the drawing.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians, sin

from app.wiring.geometry import Point


@dataclass(frozen=True)
class Frame:
    """What is drawn under the parts.

    Attributes
    ----------
    title : words for it
    plate : x, y, width, height of the main plate, and its corner radius
    motors : places of the motors; arms run there from `roots`
    roots : where each arm starts
    arm_mm : width of an arm
    propeller_mm : radius of the propeller disc, 0 for none
    ducts : propellers run in rings
    """

    title: str
    plate: tuple[float, float, float, float]
    radius: float
    motors: tuple[Point, ...]
    roots: tuple[Point, ...]
    arm_mm: float
    propeller_mm: float
    ducts: bool = False


def _x(title: str, diagonal: float, plate: tuple[float, float], arm: float, inch: float) -> Frame:
    """A true X: motors on both diagonals."""
    reach = diagonal / 2
    motors = tuple(
        (reach * cos(radians(a)), reach * sin(radians(a))) for a in (-45.0, 45.0, 135.0, -135.0)
    )
    width, depth = plate
    return Frame(
        title,
        (-width / 2, -depth / 2 - 0.04 * depth, width, depth),
        7.0 if width > 40 else 4.0,
        motors,
        ((0.0, 0.0),) * 4,
        arm,
        inch * 25.4 / 2,
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
    )


FRAMES: dict[str, Frame] = {
    "x-5": _x("X frame, 5 inch", 220.0, (60.0, 108.0), 12.7, 5.1),
    "x-3": _x("X frame, 3 inch", 140.0, (44.0, 76.0), 9.0, 3.0),
    "x-7": _x("long-range frame, 7 inch", 310.0, (62.0, 150.0), 14.0, 7.0),
    "x-9": _x("lifting frame, 9 inch", 420.0, (90.0, 190.0), 18.0, 9.0),
    "h-5": _h("H frame, 5 inch", 165.0, 165.0, 56.0, 13.0, 5.1),
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

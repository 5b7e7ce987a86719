"""Several parts in one gesture: an ESC with its motor on an arm, on all arms, or as a 4-in-1.

Their values are those of our own 5-inch sample, all our guesses unless the build has
an ESC or a motor already: then a new one is like it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, radians, sin
from typing import TYPE_CHECKING

from app.wiring import placing
from app.wiring.facts import SOURCES, part_name

if TYPE_CHECKING:
    from app.wiring.frames import Frame
    from app.wiring.geometry import Point
    from app.wiring.scene import WiringScene
    from sim.build import Build, Given, Part


@dataclass(frozen=True)
class Set:
    """A row of the tray that stands for several parts."""

    title: str
    help: str


SETS: dict[str, Set] = {
    "set:arm": Set("ESC with motor on an arm", "One ESC, its ceramics and its motor, joined up."),
    "set:arms": Set("ESC with motor on every arm", "The same on every arm that is still bare."),
    "set:board": Set("4-in-1 with all motors", "One board with an output for every bare arm."),
}
GROUP = "Whole arms"

_ESC = {
    "pwm_frequency": "24 kHz", "bridge_resistance": "6 mOhm", "rise_time": "20 ns",
    "current_limit": "50 A", "brake_current_limit": "50 A", "mosfet_rating": "30 V",
}  # fmt: skip
_MOTOR = {
    "kv": "2400 rpm/V", "resistance": "52 mOhm", "inductance": "14 uH", "poles": 14,
    "inertia": "7.5e-6 kg m2", "drag": "12.63 nN m s2",
}  # fmt: skip
#: What is left of 10 µF at the pack's voltage.
_CERAMIC = {"capacitance": "4.5 uF", "esr": "3 mOhm"}
#: A lead along an arm of a 220 mm frame, with some to spare; longer by as much on a larger one.
_ARM_LEAD = {"gauge": "18 AWG", "spacing": "4.1 mm"}
_ARM_LEAD_MM, _FOR_REACH_MM = 120.0, 220.0
#: From the motor inwards along the arm, mm.
_ESC_IN_MM, _CERAMIC_IN_MM = 33.9, 43.1
#: A motor this near to an arm's end sits on that arm, mm.
_TAKEN_MM = 15.0
_BOARD_STEP_MM, _BOARD_PADS_MM, _BOARD_CERAMIC_MM = 10.0, 22.0, 5.0


def bare_arms(frame: Frame, build: Build) -> list[int]:
    """Arms without a motor at their end."""
    motors = [p.at for p in build.parts if p.kind == "motor" and p.at is not None]
    return [
        k
        for k, (x, y) in enumerate(frame.motors)
        if all(hypot(x - mx, y - my) > _TAKEN_MM for mx, my in motors)
    ]


def supply(build: Build) -> str:
    """Where ESCs get their current: the joint nearest to the frame's middle, else a source."""
    joints = [p for p in build.parts if p.kind == "joint"]
    if joints:
        return min(joints, key=lambda p: hypot(*(p.at or (0.0, 0.0)))).id
    source = next((p for p in build.parts if p.kind in SOURCES), None)
    return "" if source is None else f"{source.id}.out"


def aim(scene: WiringScene, name: str, at: Point) -> tuple[placing.Aim, list[int]]:
    """What would happen, and on which arms."""
    build, frame = scene.build, scene.frame_item.frame
    if build is None:
        return placing.Aim("no", "", at, "There is no build to put it on."), []
    if not frame.motors:
        words = f"A {frame.title} has no arms: place ESC and motor one by one."
        return placing.Aim("no", "", at, words), []
    arms = bare_arms(frame, build)
    if not arms:
        return placing.Aim("no", "", at, "Every arm of this frame has its motor."), []
    if name == "set:arm":
        near = min(
            arms, key=lambda k: hypot(frame.motors[k][0] - at[0], frame.motors[k][1] - at[1])
        )
        arms = [near]
    pads = supply(build)
    count = "ESC and motor on this arm" if len(arms) == 1 else f"{len(arms)} ESCs with motors"
    if name == "set:board":
        words = f"A 4-in-1 with pads and {len(arms)} motors."
        if len(arms) != 4:
            words = f"A board with pads, {len(arms)} outputs and motors."
        return placing.Aim("free", "", at, words + " Pull the pack's lead to its pads."), arms
    if not pads:
        return placing.Aim(
            "free", "", at, f"{count}. Pull a lead to each: there is no pack yet."
        ), arms
    where = next(p for p in build.parts if p.id == pads.partition(".")[0])
    length = _lead_mm(frame)
    words = f"{count}, joined to {part_name(where)} by {length:.0f} mm of {_ARM_LEAD['gauge']}."
    return placing.Aim("free", pads, at, words), arms


def put(build: Build, name: str, frame: Frame, arms: list[int]) -> tuple[Build, tuple[str, ...]]:
    """With the parts of a set on these arms; ids of what is new."""
    before = {p.id for p in build.parts} | {x.id for x in build.leads}
    pads = supply(build)
    if name == "set:board":
        build, pads = _board_pads(build)
    board = _free_board(build) if name == "set:board" else ""
    for k in arms:
        build = _arm(build, frame, k, pads, board)
    made = [p.id for p in build.parts] + [x.id for x in build.leads]
    return build, tuple(i for i in made if i not in before)


def places(frame: Frame, arm: int, board: bool) -> tuple[Point, float, Point, Point]:
    """Place and turn of the ESC, of the motor, and of the ceramics, for one arm."""
    root, motor = frame.roots[arm], frame.motors[arm]
    angle = atan2(motor[1] - root[1], motor[0] - root[0])
    turn = (round(degrees(angle), 1) + 90.0) % 360.0

    def inward(by: float) -> Point:
        return (round(motor[0] - by * cos(angle), 1), round(motor[1] - by * sin(angle), 1))

    if not board:
        return inward(_ESC_IN_MM), turn, inward(0.0), inward(_CERAMIC_IN_MM)
    # Outputs side by side in the middle, each at the corner that looks to its motor.
    x = _BOARD_STEP_MM if motor[0] >= 0 else -_BOARD_STEP_MM
    y = _BOARD_STEP_MM if motor[1] >= 0 else -_BOARD_STEP_MM
    rows = [k for k in range(len(frame.motors)) if (frame.motors[k][0] >= 0) == (motor[0] >= 0)]
    if len(rows) > 2:
        ordered = sorted(rows, key=lambda k: frame.motors[k][1])
        y = (2 * ordered.index(arm) - len(rows) + 1) * _BOARD_STEP_MM
    half = _BOARD_CERAMIC_MM
    turn = round(degrees(radians(90.0) + atan2(y, x)), 1) % 360.0
    return (x, y), turn, inward(0.0), (x - half if x > 0 else x + half, y)


def _arm(build: Build, frame: Frame, arm: int, pads: str, board: str) -> Build:
    from sim.build import Lead
    from sim.edit import add_lead, add_part, way_mm
    from sim.fragment import next_id

    esc_at, turn, motor_at, ceramic_at = places(frame, arm, bool(board))
    esc = _part(build, "esc", esc_at, _ESC, turn, board)
    build = add_part(build, esc)
    motor = _part(build, "motor", motor_at, _MOTOR)
    build = add_part(build, motor)
    ceramic = _part(build, "ceramic", ceramic_at, _CERAMIC)
    build = add_part(build, ceramic)
    if pads:
        lead = Lead(id=next_id(build, "arm1"), from_=pads, to=f"{esc.id}.in")
        if not board:
            length = max(_lead_mm(frame), round(way_mm(build, lead)))
            lead = Lead(
                id=lead.id, from_=pads, to=f"{esc.id}.in", length=_guess(f"{length:.0f} mm"),
                gauge=_guess(_ARM_LEAD["gauge"]), spacing=_guess(_ARM_LEAD["spacing"]),
            )  # fmt: skip
        build = add_lead(build, lead)
    phases = Lead(id=next_id(build, "phases1"), from_=f"{esc.id}.motor", to=f"{motor.id}.in")
    build = add_lead(build, phases)
    return add_lead(
        build, Lead(id=next_id(build, "on_board1"), from_=ceramic.id, to=f"{esc.id}.in")
    )


def _part(
    build: Build,
    kind: str,
    at: Point,
    values: dict[str, str | int] | dict[str, str],
    turn: float = 0.0,
    board: str = "",
) -> Part:
    from sim.build import Part
    from sim.fragment import next_id

    like = next((p for p in build.parts if p.kind == kind and kind in ("esc", "motor")), None)
    given: dict[str, Given] = {name: _guess(value) for name, value in values.items()}
    if like is not None:
        given = {name: value for name, value in like.values.items() if name != "board"}
    if board:
        given["board"] = board
    id_ = next_id(build, f"{kind}1")
    number = id_.removeprefix(kind)
    title = {"esc": "Output" if board else "ESC", "motor": "Motor", "ceramic": "Ceramics"}[kind]
    return Part(id=id_, kind=kind, at=at, turn=turn, label=f"{title} {number}", values=given)


def _board_pads(build: Build) -> tuple[Build, str]:
    from sim.build import Part
    from sim.edit import add_part, fresh_id

    pads = Part(
        id=fresh_id(build, "pads"), kind="joint", at=(0.0, _BOARD_PADS_MM), label="Board pads"
    )
    return add_part(build, pads), pads.id


def _free_board(build: Build) -> str:
    taken = {str(getattr(b, "value", b)) for p in build.parts if (b := p.values.get("board"))}
    name, number = "4-in-1", 2
    while name in taken:
        name, number = f"4-in-1 {number}", number + 1
    return name


def _lead_mm(frame: Frame) -> float:
    return float(round(_ARM_LEAD_MM * max(1.0, frame.reach_mm / _FOR_REACH_MM)))


def _guess(value: str | int) -> Given:
    from sim.build import Quantity

    return Quantity(value=value, mark="assumed", source="our guess")

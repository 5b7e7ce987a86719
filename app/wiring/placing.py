"""What happens when a part from the tray is put down somewhere: asked, then done.

`aim` says what would happen, in words, without doing it; `put` does it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot
from typing import TYPE_CHECKING, Any, Literal

from app.wiring.facts import is_across, lead_name, part_name, place_name
from sim.parts import KINDS

if TYPE_CHECKING:
    from app.wiring.geometry import Point
    from app.wiring.scene import WiringScene
    from sim.build import Build, Given, Lead, Part
    from sim.parts import Kind
    from sim.records import Deck

#: Gauge of a lead that is pulled by hand. Our guess for signal and video power leads.
PULLED_GAUGE = "18 AWG"
_FEED_GAUGE = "22 AWG"
#: Space between the outlines of a part and the joint it is put across.
_CLEAR_MM = 4.0

#: What the lead to a new part is made of, by its kind; else `_FEED_GAUGE`. Our guesses.
_LEADS: dict[str, dict[str, str]] = {
    "battery": {"gauge": "14 AWG", "spacing": "3.8 mm"},
    "bench_supply": {"gauge": "14 AWG", "spacing": "3.8 mm"},
    "esc": {"gauge": "18 AWG"},
    "motor": {"gauge": "18 AWG"},
    "vtx": {"gauge": "24 AWG"},
    "flight_controller": {"gauge": "24 AWG"},
    "camera": {"gauge": "28 AWG"},
    "receiver": {"gauge": "28 AWG"},
}
#: Where a part is usually put (common practice); the rest lies on the lower deck.
_DECKS: dict[str, Deck] = {"battery": "top", "flight_controller": "upper"}


@dataclass(frozen=True)
class Aim:
    """What putting a part down would do.

    Attributes
    ----------
    how : "across" a place, "splice" into a lead, "join" by a new lead, stand "free",
        or "no" where it cannot go
    target : address or lead id, "" when free
    at : where the part would stand, mm
    words : what happens, or why not
    """

    how: Literal["across", "splice", "join", "free", "no"]
    target: str
    at: Point
    words: str

    @property
    def allowed(self) -> bool:
        return self.how != "no"


def start_values(kind: Kind, build: Build) -> dict[str, Given]:
    """Values of a new part: those of another of its kind where alike, else typical ones."""
    from sim.build import Quantity

    if kind.kind in ("esc", "motor", "battery"):
        for part in build.parts:
            if part.kind == kind.kind:
                return dict(part.values)
    return {name: Quantity(value=value, mark="assumed") for name, value in kind.typical.items()}


def new_part(kind_name: str, build: Build, at: Point) -> Part:
    """A part of a kind with values that solve and an id that is free."""
    from sim.build import Part
    from sim.edit import fresh_id

    kind = KINDS[kind_name]
    return Part(
        id=fresh_id(build, kind_name),
        kind=kind_name,
        deck=_DECKS.get(kind_name, "lower"),
        at=(round(at[0], 1), round(at[1], 1)),
        values=start_values(kind, build),
    )


def input_port(kind: Kind) -> str:
    """The port by which a part hangs on its supply ("" where it has none)."""
    names = [port.name for port in kind.ports]
    return "in" if "in" in names else names[0] if names else ""


def aim(scene: WiringScene, kind_name: str, size: Point, at: Point, slack_mm: float) -> Aim:
    """What would happen if a part of this kind and size were put down at `at`."""
    from PySide6.QtCore import QPointF

    build, kind = scene.build, KINDS[kind_name]
    if build is None:
        return Aim("no", "", at, "There is no build to put it on.")
    place = QPointF(*at)
    item = scene.part_at(place, slack_mm)
    if item is not None:
        address = address_at(scene, item.part, at)
        return _on_part(scene, kind, size, at, item.part, address)
    lead = scene.lead_at(place, slack_mm)
    if lead is not None:
        return _on_lead(build, kind, at, lead.lead, *lead.distance(at))
    if kind.kind == "joint":
        return Aim("free", "", at, "A joint by itself. Pull leads to it.")
    return Aim("free", "", at, f"{kind.title} stands free here: pull a lead from it to join it.")


def address_at(scene: WiringScene, part: Part, at: Point) -> str:
    """The address of the pads of `part` that are nearest to `at`."""
    item = scene.parts[part.id]
    ports = list(item.facts.ports)
    if part.kind == "joint" or len(ports) <= 1:
        return part.id if part.kind == "joint" or not ports else f"{part.id}.{ports[0]}"
    here = {port: item.pad(port) for port in ports}
    near = min(ports, key=lambda p: hypot(here[p][0] - at[0], here[p][1] - at[1]))
    return f"{part.id}.{near}"


def _on_part(
    scene: WiringScene, kind: Kind, size: Point, at: Point, part: Part, address: str
) -> Aim:
    build = scene.build
    assert build is not None
    name = place_name(build, address)
    if kind.kind == "joint":
        return Aim(
            "no", "", at, f"{name} has pads already. Put a joint on a lead or on bare frame."
        )
    motor_side = address.endswith(".motor") or part.kind == "motor"
    if kind.kind == "motor":
        if part.kind == "esc":
            address = f"{part.id}.motor"
            stand = _beside(scene, part, size, at, scene.pad(address))
            return Aim("join", address, stand, f"Joins the motor pads of {part_name(part)}.")
        return Aim("no", "", at, "A motor joins the motor pads of an ESC.")
    if motor_side:
        if part.kind != "esc":
            return Aim("no", "", at, f"Only an ESC drives {part_name(part)}.")
        address = f"{part.id}.in"
        name = place_name(build, address)
    stand = _beside(scene, part, size, at, scene.pad(address))
    if is_across(kind):
        return Aim("across", address, stand, f"{kind.title} across {name}: red leg to plus.")
    if kind.series and kind.kind in ("inductor", "bead", "resistor", "antispark"):
        return Aim("no", "", at, f"{kind.title} goes into a lead. Put it on a lead.")
    words = f"Joined to {name} by a new lead."
    if any(p.name == "out" for p in kind.ports) and kind.series:
        words += " Then pull a lead from its quiet end, or put it on a lead instead."
    return Aim("join", address, stand, words)


def _on_lead(build: Build, kind: Kind, at: Point, lead: Lead, distance: float, along: float) -> Aim:
    name = lead_name(build, lead)
    if lead.from_.endswith(".motor") or lead.to.endswith(".motor"):
        return Aim("no", "", at, "Nothing goes into a motor's three wires.")
    if kind.kind == "motor":
        return Aim("no", "", at, "A motor joins the motor pads of an ESC.")
    if is_across(kind):
        end = lead.from_ if along < 0.5 else lead.to
        return Aim(
            "across", end, at,
            f"{kind.title} across {place_name(build, end)}, the nearer end of this lead.",
        )  # fmt: skip
    if kind.series or kind.kind == "joint":
        if lead.conductor != "pair":
            return Aim("no", "", at, "This is a single conductor: the part needs both.")
        verb = "joint in" if kind.kind == "joint" else "goes into"
        return Aim("splice", lead.id, at, f"{kind.title} {verb} the lead {name}.")
    end = lead.from_ if along < 0.5 else lead.to
    return Aim("join", end, at, f"Joined to {place_name(build, end)} by a new lead.")


def _beside(scene: WiringScene, part: Part, size: Point, at: Point, pad: Point | None) -> Point:
    """A place next to a part's outline, on the side the pointer is on, clear of other parts."""
    from PySide6.QtCore import QPointF, QRectF

    item = scene.parts[part.id]
    body = item.scene_box
    cx, cy = (
        pad if pad is not None and part.kind != "joint" else (body.center().x(), body.center().y())
    )
    dx, dy = at[0] - cx, at[1] - cy
    if hypot(dx, dy) < 1e-6:
        dx, dy = 0.0, 1.0
    reach = max(size) / 2 + _CLEAR_MM
    grown = body.adjusted(-reach, -reach, reach, reach)
    others = [
        other.scene_box
        for other in scene.parts.values()
        if other is not item and not other.on_board
    ]

    def edge(ux: float, uy: float) -> Point:
        """Where a ray from the pads leaves the grown outline."""
        tx = (
            (grown.right() - cx) / ux
            if ux > 1e-9
            else ((grown.left() - cx) / ux if ux < -1e-9 else 1e9)
        )
        ty = (
            (grown.bottom() - cy) / uy
            if uy > 1e-9
            else ((grown.top() - cy) / uy if uy < -1e-9 else 1e9)
        )
        t = max(0.0, min(tx, ty))
        return (round(cx + ux * t, 1), round(cy + uy * t, 1))

    from math import atan2, cos, pi, sin

    towards = atan2(dy, dx)
    for k in range(24):
        angle = towards + (k + 1) // 2 * (1 if k % 2 else -1) * pi / 12
        x, y = edge(cos(angle), sin(angle))
        here = QRectF(x - size[0] / 2, y - size[1] / 2, size[0], size[1])
        if not any(here.intersects(other) for other in others):
            return (x, y)
    return edge(cos(towards), sin(towards)) if QPointF(*at) is not None else at


def put(build: Build, kind_name: str, where: Aim) -> tuple[Build, str]:
    """Do what `aim` said; returns the new build and the id of the new part."""
    from sim.edit import add_part, place_across, splice_in

    part = new_part(kind_name, build, where.at)
    if where.how == "across":
        return place_across(build, part, where.target, part.at), part.id
    if where.how == "splice":
        return splice_in(build, part, where.target), part.id
    build = add_part(build, part)
    if where.how == "join":
        port = input_port(KINDS[kind_name])
        lead = _LEADS.get(kind_name, {"gauge": _FEED_GAUGE})
        build = join(build, where.target, f"{part.id}.{port}", **lead)[0]
    return build, part.id


def put_at_each(build: Build, kind_name: str, where: Aim) -> tuple[Build, tuple[str, ...]]:
    """What `aim` said of one ESC, at every ESC alike: same side, same distance."""
    from dataclasses import replace as changed

    from app.wiring.geometry import turned

    owner, _, port = where.target.partition(".")
    first = build.part(owner)
    made: list[str] = []
    if first is None or first.at is None:
        return build, ()
    aside = turned((where.at[0] - first.at[0], where.at[1] - first.at[1]), -first.turn)
    for esc in escs(build):
        x, y = esc.at or (0.0, 0.0)
        dx, dy = turned(aside, esc.turn)
        at = (round(x + dx, 1), round(y + dy, 1))
        build, id_ = put(build, kind_name, changed(where, target=f"{esc.id}.{port}", at=at))
        made.append(id_)
    return build, tuple(made)


def escs(build: Build) -> list[Part]:
    """All ESCs."""
    return [part for part in build.parts if part.kind == "esc"]


def can_be_at_each(build: Build, where: Aim) -> bool:
    """Whether `put_at_each` is another thing than `put`."""
    owner = where.target.partition(".")[0]
    found = [part.id for part in escs(build)]
    return where.how in ("across", "join") and owner in found and len(found) > 1


def join(
    build: Build, start: str, end: str, gauge: str = PULLED_GAUGE, spacing: str | None = None
) -> tuple[Build, str]:
    """Pull a lead between two addresses: as long as its way, in a usual gauge."""
    from sim.build import Lead
    from sim.edit import add_lead, fresh_id, way_mm

    lead = Lead(id=fresh_id(build, "lead"), from_=start, to=end)
    way = way_mm(build, lead)
    values: dict[str, Any] = {}
    if not start.endswith(".motor") and way >= 1.0:
        values = {"gauge": gauge, "length": f"{way:.0f} mm", "spacing": spacing}
    return add_lead(build, Lead(id=lead.id, from_=start, to=end, **values)), lead.id


def why_not_join(build: Build, start: str, end: str) -> str:
    """Why a lead cannot run between two addresses; "" if it can."""
    if start.partition(".")[0] == end.partition(".")[0]:
        return "A lead runs to another part."
    motors = [a.endswith(".motor") for a in (start, end)]
    kinds = {p.id: p.kind for p in build.parts}
    is_motor = [kinds.get(a.partition(".")[0]) == "motor" for a in (start, end)]
    belong = (motors[0] and is_motor[1]) or (motors[1] and is_motor[0])
    if (any(motors) or any(is_motor)) and not belong:
        return "Motor pads of an ESC and a motor belong together."
    for lead in build.leads:
        if {lead.from_, lead.to} == {start, end}:
            return "There is a lead between these two already."
    return ""

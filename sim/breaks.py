"""Ways in which a thing on a quad breaks, each as an edit of the build.

Nothing is solved here. What a break takes off its supply is found by `sim.salvage`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from msgspec.structs import replace

from sim.edit import fresh_id, leads_of, pad_position
from sim.errors import WrongPort
from sim.options import owner_of
from sim.parts.families import LoadKind
from sim.records import Build, Lead, Part, Quantity
from sim.resolve import kind_of

Way = Literal["off", "leg", "dry", "chain", "plus", "minus"]

_CANS = ("electrolytic", "polymer")
_TWO_LEGS = (*_CANS, "ceramic", "clamp", "resistor")
#: A can whose electrolyte is gone: our guess, from a part that was 1000 µF and 18 mOhm new and
#: 650 µF and 150 mOhm after a winter's use (our own preset, no measurement).
DRY_CAPACITANCE = 0.65
DRY_ESR = 150.0 / 18.0


@dataclass(frozen=True)
class Break:
    """One way to break one thing.

    `words` follow the thing's name: "comes off".
    """

    way: Way
    words: str


def ways(build: Build, id_: str) -> tuple[Break, ...]:
    """The ways in which a part or lead can break, the plainest first; () if there is no such.

    A joint of many leads does not come off.
    """
    lead = build.lead(id_)
    if lead is not None:
        if lead.conductor != "pair":
            return (Break("off", "comes off"),)
        red, black = Break("plus", "breaks its red wire"), Break("minus", "breaks its black wire")
        return Break("off", "comes off"), red, black
    part = build.part(id_)
    if part is None or part.kind == "joint":
        return ()
    found = [Break("off", "comes off")]
    if part.kind in _TWO_LEGS and leads_of(build, id_):
        found.append(Break("leg", "breaks its minus leg"))
    if part.kind in _CANS:
        found.append(Break("dry", "dries out"))
    if isinstance(kind_of(part), LoadKind) and _chain(build, part) is not None:
        found.append(Break("chain", "takes its ground from a neighbour"))
    return tuple(found)


def broken(build: Build, id_: str, way: Way) -> Build:
    """The build after a part or lead has broken.

    Raises
    ------
    WrongPort   if there is no such thing, or it cannot break so
    """
    if way not in {known.way for known in ways(build, id_)}:
        raise WrongPort(id_, f"does not break that way ({way})")
    lead, part = build.lead(id_), build.part(id_)
    if lead is not None:
        return _lead_broken(build, lead, way)
    assert part is not None
    if way == "off":
        ends = {x.id for x in leads_of(build, id_)}
        return replace(
            build,
            parts=tuple(p for p in build.parts if p.id != id_),
            leads=tuple(x for x in build.leads if x.id not in ends),
        )
    if way == "leg":
        ends = {x.id for x in leads_of(build, id_)}
        leads = tuple(replace(x, conductor="plus") if x.id in ends else x for x in build.leads)
        return replace(build, leads=leads)
    if way == "dry":
        return _dried(build, part)
    return _chained(build, part)


def _lead_broken(build: Build, lead: Lead, way: Way) -> Build:
    if way == "off":
        return replace(build, leads=tuple(x for x in build.leads if x.id != lead.id))
    left = replace(lead, conductor="minus" if way == "plus" else "plus")
    return replace(build, leads=tuple(left if x.id == lead.id else x for x in build.leads))


def _dried(build: Build, part: Part) -> Build:
    from sim.resolve import resolve

    read = resolve(part)
    dry = {
        "capacitance": Quantity(
            value=read.number("capacitance") * DRY_CAPACITANCE,
            mark="assumed",
            source="dried out, our guess",
        ),
        "esr": Quantity(
            value=read.number("esr") * DRY_ESR, mark="assumed", source="dried out, our guess"
        ),
    }
    new = replace(part, values={**part.values, **dry})
    return replace(build, parts=tuple(new if p.id == part.id else p for p in build.parts))


def _chain(build: Build, part: Part) -> tuple[Lead, Part] | None:
    """The pair that feeds a load, and the nearest other consumer it can borrow ground from."""
    feeds = [x for x in leads_of(build, part.id) if x.conductor == "pair"]
    if len(feeds) != 1:
        return None
    other = {owner_of(feeds[0].from_), owner_of(feeds[0].to)} - {part.id}
    here = pad_position(build, part.id if len(kind_of(part).ports) == 1 else f"{part.id}.in")
    escs = [p for p in build.parts if p.kind == "esc" and p.id not in other]
    loads = [
        p
        for p in build.parts
        if isinstance(kind_of(p), LoadKind) and p.id != part.id and p.id not in other
    ]
    near = min(
        escs or loads,
        key=lambda p: math.dist(here, pad_position(build, f"{p.id}.in")),
        default=None,
    )
    return None if near is None else (feeds[0], near)


def _chained(build: Build, part: Part) -> Build:
    found = _chain(build, part)
    assert found is not None
    feed, near = found
    place = f"{part.id}.in"
    length = math.dist(pad_position(build, place), pad_position(build, f"{near.id}.in"))
    borrowed = Lead(
        id=fresh_id(build, f"{part.id}_ground"),
        from_=f"{near.id}.in",
        to=place,
        gauge=feed.gauge,
        length=f"{max(length, 1.0):.0f} mm",
        conductor="minus",
    )
    leads = tuple(replace(x, conductor="plus") if x.id == feed.id else x for x in build.leads)
    return replace(build, leads=(*leads, borrowed))

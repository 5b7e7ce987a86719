"""What is done to a lead as wire: split into its two conductors, joined again, led elsewhere."""

from __future__ import annotations

from msgspec.structs import replace

from sim import quantity
from sim.edit import add_lead, fresh_id, keeping_slack
from sim.errors import Conflict, WrongPort
from sim.records import Build, Given, Lead
from sim.resolve import find_port, given_number

_OTHER = {"plus": "minus", "minus": "plus"}


def split_pair(build: Build, lead_id: str) -> Build:
    """With the two conductors of a pair as leads of their own.

    The plus keeps the lead's id. Typed resistance and inductance are halved; a geometry
    stays, but leads of their own have no mutual inductance: their ring has more than the
    pair's.

    Raises
    ------
    WrongPort   if there is no such lead
    Conflict    if it is one conductor already, or goes to a motor
    """
    lead = _lead(build, lead_id)
    if lead.conductor != "pair":
        raise Conflict(lead_id, "is one conductor already", "Split a pair")
    if any(end.endswith(".motor") for end in (lead.from_, lead.to)):
        raise Conflict(lead_id, "has three wires to a motor", "Split a pair")
    halves: dict[str, Given] = {}
    for key, unit in (("resistance", "Ohm"), ("inductance", "H")):
        given = getattr(lead, key)
        if given is not None:
            half = given_number(given, unit, f"{lead_id}.{key}") / 2.0
            halves[key] = quantity.format(half, unit, 6)
    plus = replace(lead, conductor="plus", **halves)
    minus = replace(plus, id=fresh_id(build, f"{lead_id}_minus"), conductor="minus")
    leads: list[Lead] = []
    for each in build.leads:
        leads += [plus, minus] if each.id == lead_id else [each]
    return replace(build, leads=tuple(leads))


def join_pair(build: Build, lead_id: str) -> Build:
    """With a conductor and the other one between the same places as one pair again.

    Raises
    ------
    Conflict   if there is no such other one, or it is of another length or gauge
    """
    lead = _lead(build, lead_id)
    twin = twin_of(build, lead)
    if twin is None:
        raise Conflict(
            lead_id, "has no other conductor between the same places", "Lead one back first"
        )
    alike = ("gauge", "length", "resistance", "inductance", "spacing")
    if any(getattr(lead, key) != getattr(twin, key) for key in alike):
        raise Conflict(lead_id, "is not like the other conductor", "Give both one length and gauge")
    doubled: dict[str, Given] = {}
    for key, unit in (("resistance", "Ohm"), ("inductance", "H")):
        given = getattr(lead, key)
        if given is not None:
            doubled[key] = quantity.format(given_number(given, unit, lead_id) * 2.0, unit, 6)
    first = next(x for x in build.leads if x.id in (lead.id, twin.id))
    second = twin if first.id == lead.id else lead
    pair = replace(first, conductor="pair", **doubled)
    leads = tuple(pair if x.id == first.id else x for x in build.leads if x.id != second.id)
    return replace(build, leads=leads)


def twin_of(build: Build, lead: Lead) -> Lead | None:
    """The other conductor between the same places, None if there is none."""
    for other in build.leads:
        if other.conductor == _OTHER.get(lead.conductor) and (
            {other.from_, other.to} == {lead.from_, lead.to}
        ):
            return other
    return None


def rehome(build: Build, lead_id: str, end: str, address: str) -> Build:
    """With one end of a lead ("from" or "to") elsewhere; it keeps its slack.

    Raises
    ------
    WrongPort   if there is no such lead or place
    Conflict    if both its ends would be one place
    """
    lead = _lead(build, lead_id)
    moved = replace(lead, from_=address) if end == "from" else replace(lead, to=address)
    ends = [find_port(build, a) for a in (moved.from_, moved.to)]
    if ends[0] == ends[1]:
        raise Conflict(lead_id, "both its ends would be one place", "Lead it to another part")
    without = replace(build, leads=tuple(x for x in build.leads if x.id != lead_id))
    add_lead(without, moved)  # only to refuse what it would refuse
    leads = tuple(moved if x.id == lead_id else x for x in build.leads)
    return keeping_slack(build, replace(build, leads=leads))


def _lead(build: Build, id_: str) -> Lead:
    lead = build.lead(id_)
    if lead is None:
        raise WrongPort(id_, "there is no such lead")
    return lead

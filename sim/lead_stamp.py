"""Leads as primitives: conductors with their mutual, and their skin effect."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim import copper
from sim import lead as geometry
from sim.errors import BadField
from sim.parts import KINDS
from sim.parts.families import LoadKind
from sim.resolve import canonical, find_port, resolve, resolve_lead

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sim.network import NetworkMaker
    from sim.parts.kind import Values
    from sim.records import Build, Lead


def add_lead(maker: NetworkMaker, build: Build, lead: Lead) -> Half | None:
    """The conductors of a lead from end to end, each R then L, and their mutual.

    Returns what a single wire needs to find its other half.
    """
    start = maker.port(canonical(build, lead.from_))
    end = maker.port(canonical(build, lead.to))
    values = resolve_lead(lead)
    each = geometry.conductors(values, lead.conductor)
    led = {"pair": (0, 1), "plus": (0,), "minus": (1,)}[lead.conductor]
    coils: list[int | None] = []
    inner = [maker.node() for _ in led]
    for side, between in zip(led, inner, strict=True):
        name = ("plus", "minus")[side]
        maker.branch("resistor", start[side], between, each.resistance_ohm, lead.id, name)
        coils.append(
            maker.branch(
                "inductor",
                between,
                end[side],
                each.self_inductance_h,
                lead.id,
                f"{name} inductance",
            )
        )
    if len(coils) == 2:
        maker.mutual(coils[0], coils[1], each.mutual_inductance_h)
    if not any(_is_lone_load(build, address) for address in (lead.from_, lead.to)):
        _add_skin(maker, lead.id, inner[0], coils, each.loops)
    if each.resistance_ohm or each.self_inductance_h:
        # Amps of a lead count from `from` to `to`. A plain joint has none that can be told.
        maker.add_alias(lead.id, (start[led[0]], start[1]))
        if len(led) == 2 and any(other.conductor != "pair" for other in build.leads):
            # what comes back along a pair is not what goes out where another wire leads some
            maker.add_alias(lead.minus_address, (start[1], start[1]))
    wire = values.optional("length") and values.optional("width") is None
    if len(led) == 2 or not wire or values.optional("inductance") is not None:
        return None
    return Half(lead, values, (canonical(build, lead.from_), canonical(build, lead.to)), coils[0])


def _add_skin(
    maker: NetworkMaker,
    owner: str,
    node: int,
    coils: Sequence[int | None],
    loops: Sequence[tuple[float, float]],
) -> None:
    """The skin effect of a lead: closed loops of copper, coupled to what flows there and back.

    A loop of n R and n L, coupled by L to each of the n conductors, takes
    L (jw L)/(R + jw L) from the inductance of each: all of it for the one current that a pair
    leads there and back, in both conductors alike, and at the cost of one state. The loop hangs
    on one node inside the lead, so that no other current knows of it.
    """
    for number, (ohm, henry) in enumerate(loops, 1):
        far, name = maker.node(), f"skin effect {number}"
        maker.branch("resistor", node, far, ohm * len(coils), owner, name)
        loop = maker.branch("inductor", far, node, henry * len(coils), owner, name)
        for coil, sign in zip(coils, (1.0, -1.0), strict=False):
            maker.mutual(coil, loop, sign * henry)


def _is_lone_load(build: Build, address: str) -> bool:
    """Whether an address is a load's without a capacitor, and nothing else is joined to it."""
    part, port = find_port(build, address)
    if not isinstance(KINDS[part.kind], LoadKind) or resolve(part).number("input_capacitance"):
        return False
    ends = (end for lead in build.leads for end in (lead.from_, lead.to))
    return sum(find_port(build, end) == (part, port) for end in ends) == 1


def couple_halves(maker: NetworkMaker, halves: Sequence[Half]) -> None:
    """The mutual of pairs that were parted: one plus and one minus lead between two places.

    Without it, a pair whose conductors are drawn one by one would have the inductance of two
    wires that know nothing of each other.
    """
    for plus in halves:
        mates = [half for half in halves if half.joins(plus)]
        if plus.lead.conductor != "plus" or len(mates) != 2:
            continue
        minus = next(half for half in mates if half is not plus)
        if minus.lead.conductor != "minus":
            continue
        given = [h for h in mates if h.values.optional("spacing") is not None] or mates
        spacing = max(geometry.wire_spacing_m(half.values) for half in given)
        thickest = max(half.values.number("gauge") for half in mates)
        if spacing < thickest * (1.0 - 1e-9):
            raise BadField(
                f"{given[0].lead.id}.spacing",
                f"{spacing * 1e3:.3g} mm is less than the conductor's {thickest * 1e3:.3g} mm",
                "It counts from centre to centre: give more than the conductor's diameter",
            )
        shorter = min(half.values.number("length") for half in mates)
        mutual = copper.mutual_h(shorter, spacing)
        maker.mutual(plus.coil, minus.coil, mutual if minus.ends[0] == plus.ends[0] else -mutual)


@dataclass(frozen=True)
class Half:
    """A single conductor of known geometry, from and to which ports, and its inductor."""

    lead: Lead
    values: Values
    ends: tuple[str, str]
    coil: int | None

    def joins(self, other: Half) -> bool:
        """Whether it runs between the same two places."""
        return set(self.ends) == set(other.ends)

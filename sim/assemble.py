"""A build, with its option applied, as a network of primitives.

Parts stamp themselves; leads are stamped here from their geometry. Nothing is made
up to make a build solvable: what hangs free is refused, or left out where the caller
says so, and so is an ideal source that is shorted.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim import copper
from sim import lead as geometry
from sim.errors import BadField, Conflict, Unjoined
from sim.network import Network, NetworkMaker, Stamp
from sim.parts import KINDS
from sim.parts.families import LoadKind
from sim.resolve import find_port, given_number, resolve, resolve_lead

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from sim.build import Build, Event, Lead, Part
    from sim.parts.kind import Values

#: Kinds that feed the rest.
SOURCES = ("battery", "bench_supply")


#: Volts of an arc between opening contacts; from memory.
ARC_V = 13.0
#: A contact that may bounce, closed and open: our guess, and the leakage of a clean plug.
CONTACT_OHM, OPEN_OHM = 1e-3, 1e7


@dataclass(frozen=True)
class Contact:
    """The contact of a source in a plug-in that bounces.

    Attributes
    ----------
    ohm : of the contact, closed or open
    arc_v : of the arc, against the current out of the pack; 0 without one
    """

    ohm: float = CONTACT_OHM
    arc_v: float = 0.0


def assemble(
    build: Build,
    event: Event | None = None,
    *,
    skip_free: bool = False,
    contact: Contact | None = None,
) -> Network:
    """The network of a build whose option is already applied.

    Parameters
    ----------
    event : a plug_in event puts its pre-charge resistor in series with each pack's plus, and
        refuses an ideal source onto a capacitor
    skip_free : leave out what hangs free instead of refusing it
    contact : stands behind each source's plus

    Raises
    ------
    Unjoined    if a part is not joined to any source, or there is no source
    WrongPort   if a lead ends where there is nothing
    Conflict    if a source is shorted, or stands straight across another or a capacitor
    BadField    if a value is outside its range
    """
    free = unjoined(build)
    kept = [part for part in build.parts if part.id not in free]
    if not any(part.kind in SOURCES for part in kept):
        raise Unjoined(
            build.name or "the build",
            "has no battery or bench supply",
            "Place one and join it with a lead",
        )
    if free and not skip_free:
        more = f", and {len(free) - 1} more" if len(free) > 1 else ""
        raise Unjoined(
            free[0],
            f"hangs free{more}",
            "Join both its conductors to the supply with leads, or remove it",
        )
    maker = NetworkMaker()
    for part in kept:
        _add_ports(maker, build, part)
    precharge = 0.0
    if event is not None and event.kind == "plug_in" and event.resistance is not None:
        precharge = given_number(event.resistance, "Ohm", f"{event.name}: resistance")
    for part in kept:
        values = resolve(part)
        behind = precharge if part.kind in SOURCES else 0.0
        if behind or (contact is not None and part.kind in SOURCES):
            view: Stamp = _BehindContact(maker, part.id, behind, contact)
        else:
            view = maker.stamp(part.id, behind_watts(build, part))
        KINDS[part.kind].stamp(values, view)
    halves: list[_Half | None] = []
    for lead in build.leads:
        ends = [find_port(build, address)[0].id for address in (lead.from_, lead.to)]
        if not any(end in free for end in ends):
            halves.append(_add_lead(maker, build, lead))
    _couple_halves(maker, [half for half in halves if half is not None])
    network = maker.finish()
    _refuse_shorted(network)
    if event is not None and event.kind == "plug_in":
        _refuse_ideal_plug_in(network)
    return network


def canonical(build: Build, address: str) -> str:
    """The address as it stands in `Network.ports` with its label: "bulk" is "bulk.in".

    Raises
    ------
    WrongPort   if there is no such part or port
    """
    part, port = find_port(build, address)
    return part.id if part.kind == "joint" else f"{part.id}.{port.name}"


def unjoined(build: Build) -> list[str]:
    """Ids of the parts that hang free: no source's plus and minus both reach a port of theirs.

    A joint needs only one of the two, as the conductors of a pair may part ways there.

    Raises
    ------
    WrongPort   if a lead ends where there is nothing
    """
    plus, minus = _Groups(), _Groups()
    for part in build.parts:
        ports = [f"{part.id}.{port.name}" for port in KINDS[part.kind].ports]
        for other in ports[1:]:
            plus.join(ports[0], other)
            minus.join(ports[0], other)
    for lead in build.leads:
        ends = []
        for address in (lead.from_, lead.to):
            part, port = find_port(build, address)
            ends.append(f"{part.id}.{port.name}")
        for groups, name in ((plus, "plus"), (minus, "minus")):
            if lead.conductor in ("pair", name):
                groups.join(ends[0], ends[1])
    fed = {
        (plus.find(f"{part.id}.out"), minus.find(f"{part.id}.out"))
        for part in build.parts
        if part.kind in SOURCES
    }
    fed_plus, fed_minus = {pair[0] for pair in fed}, {pair[1] for pair in fed}
    free = []
    for part in build.parts:
        place = f"{part.id}.{KINDS[part.kind].ports[0].name}"
        at_plus, at_minus = plus.find(place), minus.find(place)
        if part.kind == "joint":
            joined = at_plus in fed_plus or at_minus in fed_minus
        else:
            joined = (at_plus, at_minus) in fed
        if not joined:
            free.append(part.id)
    return free


class _Groups:
    """Names joined into groups, each called by one of them."""

    def __init__(self) -> None:
        self._parent: dict[str, str] = {}

    def find(self, name: str) -> str:
        parent = self._parent.setdefault(name, name)
        while parent != name:
            name, parent = parent, self._parent[parent]
        return name

    def join(self, a: str, b: str) -> None:
        self._parent[self.find(a)] = self.find(b)


class _BehindContact(Stamp):
    """A source's view whose `out` lies behind contact and pre-charge resistor.

    The part's address stays at the outside of the contact, and its current is still the
    one that leaves it.
    """

    def __init__(
        self, maker: NetworkMaker, part_id: str, ohm: float, contact: Contact | None
    ) -> None:
        super().__init__(maker, part_id)
        self._ohm, self._contact = ohm, contact

    def port(self, name: str) -> tuple[int, int]:
        plus, minus = super().port(name)
        inner = self.node()
        self.resistor(plus, inner, self._ohm, "pre-charge")
        if self._contact is None:
            return inner, minus
        behind, arc = self.node(), self.node()
        self.resistor(inner, arc, self._contact.ohm, "contact")
        # the current flows from the pack outwards, from `behind` to `arc`
        self.source(behind, arc, self._contact.arc_v, "arc")
        return behind, minus


def behind_watts(build: Build, part: Part, above: tuple[str, ...] = ()) -> float:
    """What hangs on a regulator's `out` draws at its set voltage, in W; 0 for other parts.

    Found from leads and parts that let current pass, regulators in a row included.

    Raises
    ------
    Conflict   if regulators feed each other in a ring
    """
    volts = KINDS[part.kind].output_volts(resolve(part))
    if volts is None:
        return 0.0
    if part.id in above:
        raise Conflict(part.id, "feeds itself", "Lead its input to the pack's side")
    reached = joined(build, f"{part.id}.out")
    total = 0.0
    for other in build.parts:
        if f"{other.id}.in" not in reached or other.id == part.id:
            continue
        kind = KINDS[other.kind]
        own = 0.0
        if kind.output_volts(resolve(other)) is not None:
            own = behind_watts(build, other, (*above, part.id))
        total += kind.watts(resolve(other), volts, own)
    return total


def joined(build: Build, start: str) -> set[str]:
    """All ports that leads and series parts join with the port `start`."""
    nearby: defaultdict[str, set[str]] = defaultdict(set)

    def join(a: str, b: str) -> None:
        nearby[a].add(b)
        nearby[b].add(a)

    for lead in build.leads:
        ends = [find_port(build, address) for address in (lead.from_, lead.to)]
        (one, port), (other, other_port) = ends
        join(f"{one.id}.{port.name}", f"{other.id}.{other_port.name}")
    for part in build.parts:
        if KINDS[part.kind].series:
            join(f"{part.id}.in", f"{part.id}.out")
    reached = {start}
    edge = [start]
    while edge:
        new = nearby[edge.pop()] - reached
        reached |= new
        edge += new
    return reached


def _add_ports(maker: NetworkMaker, build: Build, part: Part) -> None:
    """The part's addresses: its ports, and its bare id where that is clear."""
    kind = KINDS[part.kind]
    name = part.label or part.id
    if part.kind == "joint":
        pair = maker.add_port(part.id, name, joint=True)
        mentioned = _mentioned(build)
        # A bypassed series part is a joint whose old ports leads and clips still name.
        for old in (f"{part.id}.in", f"{part.id}.out"):
            if old in mentioned:
                maker.add_alias(old, pair, joint=True)
        return
    for port in kind.ports:
        plain = len(kind.ports) == 1 or (port.name == "in" and not kind.series)
        label = name if plain else f"{name} {port.name}"
        pair = maker.add_port(f"{part.id}.{port.name}", label)
        if len(kind.ports) == 1:
            maker.add_alias(part.id, pair)


def _mentioned(build: Build) -> set[str]:
    clips: Iterable[str | None] = (a for clip in build.clips for a in (clip.tip, clip.ground))
    return {a for lead in build.leads for a in (lead.from_, lead.to)} | {a for a in clips if a}


def _add_lead(maker: NetworkMaker, build: Build, lead: Lead) -> _Half | None:
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
    wire = values.optional("length") and values.optional("width") is None
    if len(led) == 2 or not wire or values.optional("inductance") is not None:
        return None
    return _Half(lead, values, (canonical(build, lead.from_), canonical(build, lead.to)), coils[0])


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


def _couple_halves(maker: NetworkMaker, halves: Sequence[_Half]) -> None:
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
class _Half:
    """A single conductor of known geometry, from and to which ports, and its inductor."""

    lead: Lead
    values: Values
    ends: tuple[str, str]
    coil: int | None

    def joins(self, other: _Half) -> bool:
        """Whether it runs between the same two places."""
        return set(self.ends) == set(other.ends)


def _refuse_shorted(network: Network) -> None:
    """No ideal source in a ring of ideal sources, the ring of one that is shorted included."""
    groups = _Groups()
    for branch in network.branches:
        if branch.type != "source":
            continue
        a, b = str(branch.a), str(branch.b)
        if groups.find(a) == groups.find(b):
            raise Conflict(
                branch.owner,
                "is shorted, or stands straight across another ideal source",
                "Give it, or the lead between, some resistance or inductance",
            )
        groups.join(a, b)


def _refuse_ideal_plug_in(network: Network) -> None:
    """No discharged capacitor straight across an ideal source: its current would be infinite."""
    groups = _Groups()
    for branch in network.branches:
        if branch.type == "capacitor":
            groups.join(str(branch.a), str(branch.b))
    for branch in network.branches:
        if branch.type != "source":
            continue
        a, b = str(branch.a), str(branch.b)
        if groups.find(a) == groups.find(b) and branch.value != 0.0:
            raise Conflict(
                branch.owner,
                "is an ideal source plugged onto a capacitor without any resistance",
                "Give the pack, the lead or the capacitor some resistance or inductance",
            )
        groups.join(a, b)

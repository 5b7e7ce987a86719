"""A build, with its option applied, as a network of primitives.

Parts stamp themselves, leads are stamped by `sim.lead_stamp`. Nothing is made
up to make a build solvable: what hangs free is refused, or left out where the caller
says so, and so is an ideal source that is shorted.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim.errors import Conflict, Unjoined
from sim.lead_stamp import Half, add_lead, couple_halves
from sim.network import Network, NetworkMaker, Stamp
from sim.parts import KINDS
from sim.resolve import find_port, given_number, resolve
from sim.threads import heed

if TYPE_CHECKING:
    from collections.abc import Iterable

    from sim.build import Build, Event, Part

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
        heed()
    halves: list[Half | None] = []
    for lead in build.leads:
        ends = [find_port(build, address)[0].id for address in (lead.from_, lead.to)]
        if not any(end in free for end in ends):
            halves.append(add_lead(maker, build, lead))
    couple_halves(maker, [half for half in halves if half is not None])
    network = maker.finish()
    _refuse_shorted(network)
    if event is not None and event.kind == "plug_in":
        _refuse_ideal_plug_in(network)
    return network


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

"""The ring a lead is part of: from a source through it to what it feeds, and its share of that."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from sim.errors import SimError
from sim.lead import Conductors, conductors
from sim.records import Build, Lead
from sim.resolve import find_port, kind_of, resolve, resolve_lead

_SOURCES = ("battery", "bench_supply")
_SINKS = ("esc", "vtx", "camera", "receiver", "flight_controller", "load", "regulator")


@dataclass(frozen=True)
class Ring:
    """A lead in the ring through it.

    Attributes
    ----------
    own : the lead's conductors
    source, sink : ids of what is at the ends of the ring
    resistance_ohm, inductance_h : of all leads in the ring and of the source itself
    """

    own: Conductors
    source: str
    sink: str
    resistance_ohm: float
    inductance_h: float

    @property
    def share(self) -> float:
        """The lead's part of the ring's inductance, 0 to 1; 0 where the ring has none."""
        own = self.own.loop_inductance_h
        return own / self.inductance_h if self.inductance_h > 0.0 else 0.0


def ring_of(build: Build, lead: Lead) -> Ring | None:
    """The shortest ring (in leads) from a source through a lead to an ESC, else to a load.

    A capacitor nearer than the source closes a smaller ring for fast edges; this is the one
    of the whole current. None where there is no such ring, or the lead goes to a motor.

    Raises
    ------
    SimError   if a value in the ring is wrong
    """
    ends = [_port(build, a) for a in (lead.from_, lead.to)]
    if any(end.endswith(".motor") for end in ends):
        return None
    nearby = _graph(build, without=lead.id)
    best: tuple[tuple[bool, int], list[str], str, str] | None = None
    for near, far in (ends, ends[::-1]):
        back, ahead = _ways(nearby, near), _ways(nearby, far)
        for source, way in _reached(build, back, _SOURCES):
            for sink, on in _reached(build, ahead, _SINKS):
                if set(way) & set(on):
                    continue
                is_esc = (build.part(sink) or build.parts[0]).kind == "esc"
                rank = (not is_esc, len(way) + len(on))
                if best is None or rank < best[0]:
                    best = (rank, [*way, *on], source, sink)
    if best is None:
        return None
    _, others, source, sink = best
    own = conductors(resolve_lead(lead), lead.conductor)
    ohm, henry = own.loop_resistance_ohm, own.loop_inductance_h
    for id_ in others:
        other = build.lead(id_)
        if other is not None:
            each = conductors(resolve_lead(other), other.conductor)
            ohm += each.loop_resistance_ohm
            henry += each.loop_inductance_h
    part = build.part(source)
    assert part is not None
    values = resolve(part)
    ohm += values.number("resistance")
    henry += values.number("inductance")
    if part.kind == "battery":
        ohm += values.number("cells") * values.number("cell_resistance")
    return Ring(own, source, sink, ohm, henry)


def _port(build: Build, address: str) -> str:
    part, port = find_port(build, address)
    return f"{part.id}.{port.name}"


def _graph(build: Build, without: str) -> dict[str, list[tuple[str, str]]]:
    """From each port: the next port, and the lead there ("" through a series part)."""
    nearby: dict[str, list[tuple[str, str]]] = {}
    for lead in build.leads:
        if lead.id == without:
            continue
        try:
            a, b = _port(build, lead.from_), _port(build, lead.to)
        except SimError:
            continue
        nearby.setdefault(a, []).append((b, lead.id))
        nearby.setdefault(b, []).append((a, lead.id))
    for part in build.parts:
        if kind_of(part).series:
            a, b = f"{part.id}.in", f"{part.id}.out"
            nearby.setdefault(a, []).append((b, ""))
            nearby.setdefault(b, []).append((a, ""))
    return nearby


def _ways(nearby: dict[str, list[tuple[str, str]]], start: str) -> dict[str, list[str]]:
    """Leads on the shortest way from a port to every other."""
    ways: dict[str, list[str]] = {start: []}
    queue = deque([start])
    while queue:
        here = queue.popleft()
        for there, lead in nearby.get(here, ()):
            if there not in ways:
                ways[there] = [*ways[here], lead] if lead else ways[here]
                queue.append(there)
    return ways


def _reached(
    build: Build, ways: dict[str, list[str]], kinds: tuple[str, ...]
) -> list[tuple[str, list[str]]]:
    port = "out" if kinds is _SOURCES else "in"
    return [
        (p.id, ways[f"{p.id}.{port}"])
        for p in build.parts
        if p.kind in kinds and f"{p.id}.{port}" in ways
    ]

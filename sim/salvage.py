"""What can still be solved of a build that is broken.

A part that hangs free and a source that is shorted are left out, each with its
sentence; the rest is a build like any other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from msgspec.structs import replace

from sim.assemble import SOURCES, assemble, unjoined
from sim.errors import Conflict, SimError, Unjoined
from sim.options import apply, owner_of
from sim.parts import KINDS
from sim.records import Change
from sim.resolve import find_port

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sim.build import Build, Event
    from sim.records import Part


@dataclass(frozen=True)
class Salvage:
    """What is left, and what was left out and why.

    Attributes
    ----------
    build : the document with the broken parts taken out of the option asked for
    faults : one error a part, its id as the place
    """

    build: Build
    faults: tuple[SimError, ...]


def salvage(build: Build, option: int | None, event: Event) -> Salvage:
    """Take out of an option what keeps it from being solved.

    Raises
    ------
    SimError   if nothing that can be solved is left, or a value is wrong
    """
    chosen = None if option is None else build.options[option]
    shown = apply(build, chosen)
    faults: list[SimError] = []
    kept = shown
    while True:
        free = unjoined(kept)
        sources = [p for p in kept.parts if p.kind in SOURCES and p.id not in free]
        if not sources and faults:
            raise faults[0]
        if free and sources:
            faults += [_why_free(kept, id_) for id_ in free]
            kept = _without(kept, set(free))
        try:
            assemble(kept, event)
            break
        except Conflict as problem:
            id_ = problem.where
            if not any(p.id == id_ and p.kind in SOURCES for p in kept.parts):
                raise
            if len(sources) < 2:
                raise
            faults.append(problem)
            kept = _without(kept, {id_})
    if not faults:
        return Salvage(build, ())
    gone = tuple(p.id for p in shown.parts if kept.part(p.id) is None)
    return Salvage(_taken_out(build, option, gone), tuple(faults))


def salvage_all(
    build: Build, events: Sequence[Event]
) -> tuple[Build, dict[str, tuple[SimError, ...]]]:
    """Take out of each option, by itself, what keeps it from being solved in any of the events.

    Returns the document and, by option's name, what was taken out or why nothing is left of it.
    """
    found = {}
    for number, option in enumerate(build.options):
        faults: tuple[SimError, ...] = ()
        try:
            for event in events:
                kept = salvage(build, number, event)
                build, faults = kept.build, (*faults, *kept.faults)
        except SimError as error:
            faults = (error,)
        if faults:
            found[option.name] = faults
    return build, found


def without(fault: SimError) -> str:
    """What was left out and why, as a clause."""
    return f"without {fault.where}: {fault.what}"


def _taken_out(build: Build, option: int | None, gone: tuple[str, ...]) -> Build:
    if option is None:
        return _without(build, set(gone))
    options = list(build.options)
    chosen = options[option]
    changes = (*chosen.changes, *(Change(remove=id_) for id_ in gone))
    options[option] = replace(chosen, changes=changes)
    return replace(build, options=tuple(options))


def _without(build: Build, gone: set[str]) -> Build:
    """Without parts and the leads that end on them; events and clips stay as they are."""
    return replace(
        build,
        parts=tuple(p for p in build.parts if p.id not in gone),
        leads=tuple(x for x in build.leads if not {owner_of(x.from_), owner_of(x.to)} & gone),
    )


def _why_free(build: Build, id_: str) -> SimError:
    """Why no supply reaches a part, in a sentence a builder can act on."""
    part = build.part(id_)
    assert part is not None
    ends = [
        (x, a)
        for x in build.leads
        for a in (x.from_, x.to)
        if owner_of(a) == id_ and owner_of(x.from_) != owner_of(x.to)
    ]
    if not ends:
        return Unjoined(id_, "hangs free", "Pull a lead from it to its supply, or remove it")
    by = _conductors_by(build, part)
    if by and by != {"plus", "minus"}:
        there = next(iter(by))
        lacking = {"plus": "minus", "minus": "plus"}[there]
        return Unjoined(
            id_, f"only its {there} reaches the supply", f"Join its {lacking}, too, or remove it"
        )
    return Unjoined(
        id_,
        "cannot be reached from the supply",
        "Join what it hangs on to the supply, or remove it",
    )


def _conductors_by(build: Build, part: Part) -> set[str]:
    """Which of a part's two conductors reach a source."""
    reached: set[str] = set()
    for name in ("plus", "minus"):
        nearby: dict[str, set[str]] = {}
        for lead in build.leads:
            if lead.conductor in ("pair", name):
                a, b = (
                    ".".join((p.id, q.name))
                    for p, q in (find_port(build, x) for x in (lead.from_, lead.to))
                )
                nearby.setdefault(a, set()).add(b)
                nearby.setdefault(b, set()).add(a)
        for each in build.parts:
            ports = [f"{each.id}.{port.name}" for port in KINDS[each.kind].ports]
            for port in ports[1:]:
                nearby.setdefault(ports[0], set()).add(port)
                nearby.setdefault(port, set()).add(ports[0])
        seen = {f"{p.id}.out" for p in build.parts if p.kind in SOURCES}
        edge = list(seen)
        while edge:
            new = nearby.get(edge.pop(), set()) - seen
            seen |= new
            edge += new
        if any(place.partition(".")[0] == part.id for place in seen):
            reached.add(name)
    return reached

"""Return paths: which leads a ground offset runs along, and which of them it only guesses.

An offset is read along minus conductors. A lead of known geometry has its self and mutual
inductance; one with a typed loop inductance is split evenly, half in each conductor and
nothing between them. That is right while what goes out on plus comes back on minus, and a
guess as soon as it does not, which is just when an offset is asked for.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from sim.errors import SimError
from sim.lead import splits_evenly
from sim.parts import KINDS
from sim.resolve import find_port, resolve_lead

if TYPE_CHECKING:
    from sim.records import Build, Clip, Lead


def minus_leads(build: Build, place: str, ground: str) -> tuple[Lead, ...]:
    """The leads on minus ways between two places; dead ends are left out.

    Raises
    ------
    WrongPort   if there is no such place
    """
    ends = {_node(build, place), _node(build, ground)}
    if len(ends) == 1:
        return ()
    edges: list[tuple[str, str, Lead | None]] = [
        (_node(build, lead.from_), _node(build, lead.to), lead)
        for lead in build.leads
        if lead.conductor != "plus"
    ]
    for part in build.parts:  # minus passes through series parts and bridges
        ports = [f"{part.id}.{port.name}" for port in KINDS[part.kind].ports]
        edges += [(ports[0], other, None) for other in ports[1:]]
    while True:
        degree = Counter(node for a, b, _ in edges for node in (a, b))
        kept = [
            edge
            for edge in edges
            if edge[0] != edge[1] and all(degree[n] > 1 or n in ends for n in edge[:2])
        ]
        if len(kept) == len(edges):
            return tuple(lead for _, _, lead in edges if lead is not None)
        edges = kept


def guessed(build: Build, clip: Clip) -> tuple[str, ...]:
    """Ids of leads with an evenly split inductance through which a clip reads an offset."""
    if clip.reads not in ("volts", "offset") or clip.ground in (None, clip.tip):
        return ()
    assert clip.ground is not None
    try:
        ways = minus_leads(build, clip.tip, clip.ground)
        return tuple(lead.id for lead in ways if splits_evenly(resolve_lead(lead)))
    except SimError:
        return ()  # a clip in the air reads nothing; `sim.problems` says where that is wrong


def sentence(build: Build, clip: Clip) -> str:
    """What to say of a clip that reads through an evenly split lead, "" of any other."""
    leads = guessed(build, clip)
    if not leads:
        return ""
    of = "lead" if len(leads) == 1 else "leads"
    return (
        f"the offset from {clip.tip} to {clip.ground} runs through {of} {', '.join(leads)} of "
        "typed inductance, split evenly: right for equal currents there and back only"
    )


def said(build: Build) -> tuple[str, ...]:
    """The sentences of all clips of a build, none for those that guess nothing."""
    return tuple(text for clip in build.clips if (text := sentence(build, clip)))


def _node(build: Build, address: str) -> str:
    part, port = find_port(build, address)
    return f"{part.id}.{port.name}"

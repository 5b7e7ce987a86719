"""Why there is no answer: a sentence, and what of the build it is about."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim.errors import SimError

if TYPE_CHECKING:
    from app.solver.protocol import Fault
    from sim.build import Build


@dataclass(frozen=True)
class Problem:
    """Why there is no answer.

    `ids` are the parts and leads to outline, `marks` each with its own sentence where
    several things are broken; `kind` is the name of the error
    class, "" for a fault of the program. `compared` is False where what is shown has its
    answer, and only holding the options against each other found none.
    """

    kind: str
    where: str
    what: str
    hint: str
    ids: tuple[str, ...] = ()
    report: str = ""
    marks: tuple[tuple[str, str], ...] = ()
    compared: bool = True

    def __str__(self) -> str:
        # "run" is the engine's word: there is nothing of that name on the frame.
        where = "" if self.where == "run" else self.where
        if not self.compared:
            where = f"Comparing the options, {where}" if where else "Comparing the options"
        text = str(SimError(where, self.what, self.hint))
        others = len({id_ for id_, _ in self.marks} - set(self.ids))
        if others:
            text += f" So is it with {others} more, outlined." if others > 1 else " One more, too."
        return text


def ids_named(build: Build, where: str) -> tuple[str, ...]:
    """Ids of the parts and leads that an error's `where` points at.

    `where` is a path (``parts[2].values.esr``), an address (``esc1.in``), an id,
    or words around one of them.
    """
    found: list[str] = []
    for group, index in re.findall(r"\b(parts|leads)\[(\d+)\]", where):
        items = build.parts if group == "parts" else build.leads
        if int(index) < len(items):
            found.append(items[int(index)].id)
    known = {part.id for part in build.parts} | {lead.id for lead in build.leads}
    found += [word for word in re.findall(r"\w+", where) if word in known]
    return tuple(dict.fromkeys(found))


def marks(build: Build, fault: Fault) -> tuple[tuple[str, str], ...]:
    """What is outlined, each with its sentence."""
    also = fault.also or ((fault.where, fault.what),)
    return tuple((id_, what) for where, what in also for id_ in ids_named(build, where))

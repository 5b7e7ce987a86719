"""What happens when a part fails: a leg breaks, a can dries out, a coil shorts.

Each fault is a change to the build, solved like any option, in the event that decides and with
few ESC timings. What dies is what was not over its limit before and is then.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from sim import quantity
from sim.errors import Cancelled, SimError
from sim.options import apply
from sim.parts import KINDS
from sim.records import Change, Option
from sim.resolve import event_index, events_of, option_index, resolve
from sim.tolerance import cells, replace_options
from sim.verdict import LOWER, grown

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.findings import Cell
    from sim.records import Build, Part

#: A dried-out can: ESR times this, and what is left of its capacitance. End-of-life limits of
#: makers are 2 to 3 times and 0.8; a can that vented is far beyond. Our guess.
DRY_ESR, DRY_C = 4.0, 0.5

#: Kinds of part that are made to fail.
CAN_FAIL = ("electrolytic", "polymer", "ceramic", "clamp", "inductor", "lc_stage", "bead")

FaultKind = Literal["comes off", "dries out", "shorts"]


@dataclass(frozen=True)
class Fault:
    """One part that fails.

    Attributes
    ----------
    what : "comes off" (a broken leg), "dries out", "shorts" (a coil's turns)
    before, after : the worst limit of all without and with the fault
    dies : limits that are over only with it
    says : in words
    """

    part: str
    label: str
    what: FaultKind
    before: Cell
    after: Cell
    dies: tuple[Cell, ...]
    says: str


def faults(
    build: Build,
    option: str | int | None = None,
    *,
    event: str | int | None = None,
    seeds: int = 1,
    detail: Literal["averaged", "edges"] = "edges",
    tell: Callable[[str], None] | None = None,
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Fault, ...]:
    """Every capacitor, coil and stage of an option failing, the worst first.

    Equal parts on equal places fail alike; each is tried all the same, as places differ.

    Parameters
    ----------
    event : None for all events
    tell : told of each as soon as it is worked out
    progress : told the share done, 0 to 1

    Raises
    ------
    Cancelled   if `cancelled` says so
    DocumentError, NetworkError, SolveError
    """
    at = option_index(build, option)
    drawn = replace_options(apply(build, None if at is None else build.options[at]))
    count = len(events_of(drawn))
    numbers = range(1, count + 1) if event is None else [event_index(drawn, event) + 1]

    def solved(what: Build) -> list[Cell]:
        return [c for n in numbers for c in cells(what, n, detail, seeds, cancelled)]

    sound = solved(drawn)
    if not sound:
        return ()
    before = max(sound, key=lambda c: c.used)
    over = {(c.part, c.rating, c.event) for c in sound if c.verdict == "over"}
    tried = [(part, kind) for part in drawn.parts for kind in _ways(part)]
    found = []
    for done, (part, kind) in enumerate(tried, 1):
        try:
            broken = solved(apply(drawn, Option(name="", changes=_changes(part, kind))))
        except Cancelled:
            raise
        except SimError:
            # without it there is no circuit to speak of
            broken = []
        if progress is not None:
            progress(done / len(tried))
        if not broken:
            continue
        after = max(broken, key=lambda c: c.used)
        dies = tuple(
            c
            for c in sorted(broken, key=lambda c: -c.used)
            if c.verdict == "over" and (c.part, c.rating, c.event) not in over
        )
        found.append(_told(part, kind, before, after, dies))
        if tell is not None:
            tell(found[-1].says)
    return tuple(sorted(found, key=lambda f: -f.after.used))


def _ways(part: Part) -> tuple[FaultKind, ...]:
    if part.kind == "electrolytic":
        return ("comes off", "dries out")
    if part.kind in ("polymer", "ceramic", "clamp"):
        return ("comes off",)
    if part.kind in ("inductor", "lc_stage", "bead"):
        return ("shorts",)
    return ()


def _changes(part: Part, kind: FaultKind) -> tuple[Change, ...]:
    if kind == "comes off":
        return (Change(remove=part.id),)
    if kind == "shorts":
        return (Change(bypass=part.id),)
    values = resolve(part)
    return (
        Change(set=f"{part.id}.esr", value=values.number("esr") * DRY_ESR),
        Change(set=f"{part.id}.capacitance", value=values.number("capacitance") * DRY_C),
    )


def _told(part: Part, kind: FaultKind, before: Cell, after: Cell, dies: tuple[Cell, ...]) -> Fault:
    label = part.label or f"{KINDS[part.kind].title} {part.id}"

    def said(cell: Cell) -> str:
        if cell.reads == "growth":
            return f"a swing at {cell.label} {grown(cell.value)} in {cell.event}"
        against = ", needs" if cell.reads in LOWER else " of"
        return (
            f"{cell.label} {cell.reads} {quantity.format(cell.value, cell.unit, 3)}{against} "
            f"{quantity.format(cell.limit, cell.unit, 3)} in {cell.event}"
        )

    text = f"{label} {kind}: {said(after)} ({after.verdict})"
    if dies:
        names = ", ".join(dict.fromkeys(c.label for c in dies))
        text += f"; over only then: {names}"
    return Fault(part.id, label, kind, before, after, dies, text + ".")

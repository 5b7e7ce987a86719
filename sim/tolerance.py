"""What is not known for sure, and how much of it moves the verdict.

Every number of a build has a mark. Without a tolerance of its own a number may be off by a
share that goes with the mark: measured 5 %, worked out 10 %, sourced 20 %, our guess 40 %.
Those shares are our guesses. Equal numbers of equal parts are one unknown: four ceramics of one
board are from one reel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from sim import quantity
from sim.errors import BadField, Cancelled, SimError
from sim.lead import LEAD_FIELDS
from sim.options import apply
from sim.parts import KINDS
from sim.records import LEAD_VALUES, Build, Change, Given, Mark, Option, Quantity
from sim.resolve import event_index, events_of, option_index, resolve, resolve_lead

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from sim.findings import Cell
    from sim.parts.kind import Field

#: Shares by which a number may be off, by its mark; our guesses.
SHARES: dict[Mark, float] = {"measured": 0.05, "derived": 0.1, "sourced": 0.2, "assumed": 0.4}
#: Units of values that are chosen, not uncertain, and names of limits and drives.
_CHOSEN = ("text", "flag", "choice", "", "1/s")
_LIMITS = (
    "mass", "cells", "charge", "poles", "current_limit", "brake_current_limit", "pwm_frequency",
    "gauge", "open_circuit_voltage", "voltage", "output_voltage", "bypass_after", "age",
    "temperature",
)  # fmt: skip


@dataclass(frozen=True)
class Unknown:
    """One number that may be off, of one part or of several equal ones.

    Attributes
    ----------
    addresses : "bulk.esr", or those of all the equal parts
    label : in words, such as "ESR of Ceramics (4)"
    value, unit : as it stands, SI
    share : by how much of itself it may be off either way
    mark, source : where it is from
    """

    addresses: tuple[str, ...]
    label: str
    value: float
    unit: str
    share: float
    mark: Mark
    source: str

    @property
    def low(self) -> float:
        """The least it may be."""
        return self.value * max(1.0 - self.share, 0.0)

    @property
    def high(self) -> float:
        """The most it may be."""
        return self.value * (1.0 + self.share)


def unknowns(build: Build) -> tuple[Unknown, ...]:
    """All numbers of a build that its answer rests on, in file order, equal ones together.

    Raises
    ------
    DocumentError   if a value is no value
    """
    groups: dict[tuple[object, ...], Unknown] = {}

    def add(
        owner: str, name: str, title: str, field: Field, given: Given | None, value: object
    ) -> None:
        if field.unit in _CHOSEN or field.name in _LIMITS or field.whole:
            return
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not value:
            return
        mark, source, share = _mark_of(given, field)
        address = f"{owner}.{field.name}"
        key = (title, field.name, float(value), mark, share)
        if share <= 0.0:
            return
        known = groups.get(key)
        if known is None:
            words = _words(field, name)
            groups[key] = Unknown((address,), words, float(value), field.unit, share, mark, source)
        else:
            groups[key] = replace(known, addresses=(*known.addresses, address))

    for part in build.parts:
        kind = KINDS[part.kind]
        limits = {rating.field for rating in kind.ratings}
        values = resolve(part).as_dict()
        for field in kind.fields:
            # a limit is what is asked about; a minimum voltage also bends a load's current
            if field.name not in limits:
                name = part.label or f"{kind.title} {part.id}"
                add(
                    part.id,
                    name,
                    kind.title,
                    field,
                    part.values.get(field.name),
                    values[field.name],
                )
    for lead in build.leads:
        values = resolve_lead(lead).as_dict()
        for field in LEAD_FIELDS:
            if field.name in LEAD_VALUES:
                given = getattr(lead, field.name)
                if given is not None and not isinstance(given, Quantity):
                    # a plain length is drawn, or laid with a ruler
                    given = Quantity(value=given, mark="derived", source="as drawn")
                if given is not None:
                    add(lead.id, f"lead {lead.id}", "Lead", field, given, values[field.name])
    out = []
    for unknown in groups.values():
        count = len(unknown.addresses)
        name = unknown.label
        out.append(
            replace(unknown, label=f"{name} and {count - 1} more alike" if count > 1 else name)
        )
    return tuple(out)


def _words(field: Field, name: str) -> str:
    value = {"esr": "ESR", "esl": "ESL", "dcr": "DCR", "kv": "kv"}.get(field.name, field.title)
    return f"{value[:1].upper()}{value[1:]} of {name}"


def _mark_of(given: Given | None, field: Field) -> tuple[Mark, str, float]:
    if given is None:
        return field.mark, field.source, SHARES[field.mark]
    if not isinstance(given, Quantity):
        return "assumed", "", SHARES["assumed"]
    mark: Mark = given.mark or "assumed"
    if given.tolerance is None:
        return mark, given.source, SHARES[mark]
    text = given.tolerance
    if isinstance(text, str):
        text = text.strip().removeprefix("+/-").removeprefix("±")
    return mark, given.source, quantity.parse(text, "%")


def varied(build: Build, factors: Mapping[str, float]) -> Build:
    """A build with values times factors, by address ("bulk.esr").

    Raises
    ------
    WrongPort, BadField   if an address names no value, or the result is not allowed
    """
    changes = []
    for address, factor in factors.items():
        changes.append(Change(set=address, value=_value_at(build, address) * factor))
    return apply(build, Option(name="varied", changes=tuple(changes)))


def _value_at(build: Build, address: str) -> float:
    owner, _, key = address.partition(".")
    part, lead = build.part(owner), build.lead(owner)
    values = resolve(part) if part is not None else resolve_lead(lead) if lead is not None else None
    found = None if values is None else values.as_dict().get(key)
    if isinstance(found, bool) or not isinstance(found, (int, float)):
        raise BadField(
            address, "is no number of this build", 'Give part and key, such as "bulk.esr"'
        )
    return float(found)


# --- what moves the verdict ------------------------------------------------------------


#: Unknowns moved once more on all ESC timings, and how often it is told how far it has come.
_AGAIN, _TOLD_EVERY = 4, 6


@dataclass(frozen=True)
class Swing:
    """What one unknown does to the figure that decides.

    Attributes
    ----------
    low, high : the figure with the unknown at its least and its most, in `unit`
    verdicts : the words for the two
    """

    unknown: Unknown
    low: float
    high: float
    unit: str
    verdicts: tuple[str, str]

    @property
    def size(self) -> float:
        """How far apart the two are."""
        return abs(self.high - self.low)


@dataclass(frozen=True)
class Sensitivity:
    """The figure that decides an option, and what is not known about it.

    Attributes
    ----------
    cell : the limit that decides
    swings : all unknowns tried, the one that moves it most first
    low, high : where the figure lies with all that is not known, independent errors taken
        together as the root of their squares
    verdicts : the words for the better and the worse end
    sentence : the three that move it most, with figures and marks
    """

    cell: Cell
    swings: tuple[Swing, ...]
    low: float
    high: float
    verdicts: tuple[str, str]
    sentence: str


def sensitivity(
    build: Build,
    option: str | int | None = None,
    event: str | int | None = None,
    *,
    detail: Literal["averaged", "edges"] = "edges",
    seeds: int = 2,
    only: Sequence[Unknown] | None = None,
    tell: Callable[[str], None] | None = None,
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Sensitivity:
    """Move every unknown of a build to its ends, one at a time, and see what the verdict does.

    All are moved on the ESC timing that decides; those that then move it most once more on all
    timings, as another may decide there.

    Parameters
    ----------
    event : None for the event that decides
    seeds : ESC timings, the same for every try
    only : unknowns to try; None for all
    tell : told what it comes to so far, now and then
    progress : told the share done, 0 to 1

    Raises
    ------
    BadField   if nothing of the build has a limit
    Cancelled   if `cancelled` says so
    DocumentError, NetworkError, SolveError
    """
    at = option_index(build, option)
    drawn = replace_options(apply(build, None if at is None else build.options[at]))
    events = (
        range(1, len(events_of(drawn)) + 1) if event is None else [event_index(drawn, event) + 1]
    )
    base = [cell for which in events for cell in cells(drawn, which, detail, seeds, cancelled)]
    if not base:
        raise BadField("sensitivity", "no part here has a limit", "Give one a limit")
    worst = max(base, key=lambda cell: cell.used)
    which = event_index(drawn, worst.event) + 1
    tried = unknowns(drawn) if only is None else tuple(only)

    def swing(unknown: Unknown, timings: Sequence[int]) -> Swing:
        ends = []
        for value in (unknown.low, unknown.high):
            found = worst
            try:
                moved = varied(drawn, dict.fromkeys(unknown.addresses, value / unknown.value))
                same = [
                    cell
                    for cell in cells(moved, which, detail, timings, cancelled)
                    if (cell.part, cell.rating) == (worst.part, worst.rating)
                ]
                found = same[0] if same else worst
            except Cancelled:
                raise
            except SimError:
                # an end that cannot be built or solved says nothing
                pass
            ends.append(found)
        low, high = ends
        return Swing(unknown, low.value, high.value, worst.unit, (low.verdict, high.verdict))

    swings: list[Swing] = []
    again = min(_AGAIN, len(tried)) if seeds > 1 and detail == "edges" else 0
    for done, unknown in enumerate(tried, 1):
        swings.append(swing(unknown, [worst.seed]))
        if progress is not None:
            progress(done / (len(tried) + again))
        if tell is not None and done % _TOLD_EVERY == 0:
            ranked = sorted(swings, key=lambda s: -s.size)
            tell(f"With {done} of {len(tried)} tried: {_told(worst, ranked).sentence}")
    swings.sort(key=lambda swing: -swing.size)
    for done in range(again):
        swings[done] = swing(swings[done].unknown, range(seeds))
        if progress is not None:
            progress((len(tried) + done + 1) / (len(tried) + again))
    swings.sort(key=lambda swing: -swing.size)
    return _told(worst, swings)


def replace_options(build: Build) -> Build:
    """A build without options, which its changes would otherwise name in vain."""
    import msgspec

    return msgspec.structs.replace(build, options=())


def cells(
    build: Build,
    event: str | int,
    detail: Literal["averaged", "edges"],
    seeds: int | Sequence[int],
    cancelled: Callable[[], bool] | None,
) -> list[Cell]:
    """Worst and typical of each limit in one event of a build as drawn.

    `seeds` are so many ESC timings, or which.
    """
    from sim.api import cells_over_timings, prepare

    if cancelled is not None and cancelled():
        raise Cancelled("search", "stopped for a newer request")
    case = prepare(build, event)
    timings = range(seeds) if isinstance(seeds, int) else seeds
    if detail != "edges" or not case.chops:
        timings = range(1)
    return cells_over_timings(case, "As drawn", detail, timings, cancelled)


def _told(cell: Cell, swings: Sequence[Swing]) -> Sensitivity:
    from sim.verdict import use_of_limit, verdict

    up = math.sqrt(sum(max(s.low - cell.value, s.high - cell.value, 0.0) ** 2 for s in swings))
    down = math.sqrt(sum(max(cell.value - s.low, cell.value - s.high, 0.0) ** 2 for s in swings))
    low, high = cell.value - down, cell.value + up
    lower = cell.reads in ("lowest", "slow lowest")
    ends = (high, low) if lower else (low, high)
    words = tuple(verdict(use_of_limit(v, cell.limit, lower=lower, rest=cell.rest)) for v in ends)

    def show(value: float, unit: str) -> str:
        return quantity.format(value, unit, 3)

    named = []
    for s in swings[:3]:
        if s.size > 1e-6 * abs(cell.value):
            known = f"{show(s.unknown.value, s.unknown.unit)} ± {100 * s.unknown.share:.0f} %"
            ends_at = sorted((s.low, s.high))
            named.append(
                f"{s.unknown.label} ({known}, {WORDS[s.unknown.mark]}): "
                f"{show(ends_at[0], s.unit)} to {show(ends_at[1], s.unit)}"
            )
    text = (
        f"{cell.label}, {cell.reads} in {cell.event}: {show(cell.value, cell.unit)}, and "
        f"{show(low, cell.unit)} to {show(high, cell.unit)} with what is not known; limit "
        f"{show(cell.limit, cell.unit)}."
    )
    if named:
        text += " It moves most with " + "; ".join(named) + "."
    return Sensitivity(cell, tuple(swings), low, high, (words[0], words[1]), text)


#: Marks as they are said.
WORDS: dict[Mark, str] = {
    "sourced": "sourced",
    "derived": "worked out",
    "assumed": "our guess",
    "measured": "you measured",
}

"""What an option has that the build as drawn has not, in words and as places on the canvas."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from msgspec.structs import replace

from app.wiring.facts import lead_name, part_name
from sim import quantity
from sim.errors import SimError
from sim.lead import LEAD_FIELDS
from sim.options import PLACE_KEYS, apply, apply_change, difference, owner_of
from sim.parts import KINDS
from sim.records import Build, Lead, Part, Quantity

if TYPE_CHECKING:
    from sim.records import Change

_PLACED = {"at": "moved", "turn": "turned", "deck": "on another deck", "label": "called otherwise"}


@dataclass(frozen=True)
class Difference:
    """One thing that is other in an option.

    Attributes
    ----------
    id : the part or lead it is about
    words : "Main capacitor taken off"
    gone : it is in the build as drawn only
    changes : which changes of the option make it
    """

    id: str
    words: str
    gone: bool
    changes: tuple[int, ...]


def differences(build: Build, index: int) -> tuple[Difference, ...]:
    """What an option changes, one row a thing; joints that only come with a part are left out."""
    option = build.options[index]
    try:
        shown = apply(build, option)
    except SimError:
        shown = build
    rows: list[Difference] = []
    added = {c.add.id: k for k, c in enumerate(option.changes) if c.add is not None}
    removed = {c.remove for c in option.changes if c.remove is not None}
    taken: set[int] = set()
    for k, change in enumerate(option.changes):
        if k in taken:
            continue
        id_ = _id(change)
        mine = {k}
        if change.remove is not None and change.remove in added:
            mine.add(added[change.remove])
        if isinstance(change.add, Part) or (change.remove is not None and len(mine) > 1):
            # its leads come and go with it
            mine |= {
                j
                for j, c in enumerate(option.changes)
                if isinstance(c.add, Lead) and id_ in (owner_of(c.add.from_), owner_of(c.add.to))
            }
        if change.add is not None and change.add.id in removed:
            continue  # said at its removal
        taken |= mine
        gone = change.remove is not None and len(mine) == 1
        words = _words(build, shown, change, anew=change.remove is not None and not gone)
        rows.append(Difference(id_, words, gone, tuple(sorted(mine))))
    return tuple(rows)


def without(build: Build, index: int, row: Difference) -> Build:
    """The document with one difference of an option taken back."""
    option = build.options[index]
    changes = tuple(c for k, c in enumerate(option.changes) if k not in row.changes)
    return _with_changes(build, index, changes)


def into_all(build: Build, index: int, row: Difference) -> Build:
    """The document with one difference drawn in the build itself, so that all options have it.

    Raises
    ------
    SimError   if another option cannot be held against the build any more
    """
    option = build.options[index]
    base = build
    for k in row.changes:
        base = apply_change(base, option.changes[k], option.name)
    wanted = apply(build, option)
    base = _with_changes(base, index, difference(base, wanted))
    for other in base.options:
        apply(base, other)
    return base


def _with_changes(build: Build, index: int, changes: tuple[Change, ...]) -> Build:
    options = list(build.options)
    options[index] = replace(options[index], changes=changes)
    return replace(build, options=tuple(options))


def _id(change: Change) -> str:
    if change.add is not None:
        return change.add.id
    return owner_of(change.remove or change.bypass or change.set or "")


def _words(build: Build, shown: Build, change: Change, *, anew: bool) -> str:
    name = _name(build, shown, _id(change))
    if anew:
        return f"{name} other"
    if change.remove is not None:
        return f"{name} taken off"
    if change.bypass is not None:
        return f"{name} bypassed"
    if change.add is not None:
        return f"{name} added"
    id_, _, key = (change.set or "").partition(".")
    if key in PLACE_KEYS and build.lead(id_) is None:
        return f"{name} {_PLACED[key]}"
    if key == "conductor":
        return f"{name}: {change.value} only"
    part = build.part(id_)
    old = part.values.get(key) if part is not None else getattr(build.lead(id_), key, None)
    fields = LEAD_FIELDS if part is None else KINDS[part.kind].fields if part.kind in KINDS else ()
    field = next((f for f in fields if f.name == key), None)
    title = key.replace("_", " ") if field is None else field.title
    unit = "" if field is None else field.unit
    return f"{name}: {title} {_text(old, unit)} → {_text(change.value, unit)}"


def _name(build: Build, shown: Build, id_: str) -> str:
    for where in (build, shown):
        part = where.part(id_)
        if part is not None:
            return part_name(part)
        lead = where.lead(id_)
        if lead is not None:
            return f"lead {lead_name(where, lead)}"
    return id_


def _text(given: Any, unit: str) -> str:
    value = given.value if isinstance(given, Quantity) else given
    if value is None:
        return "default"
    try:
        return quantity.format(quantity.parse(value, unit), unit)
    except (SimError, ValueError, KeyError):
        return str(value)

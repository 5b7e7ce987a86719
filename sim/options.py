"""A build with an option applied.

Pure: the build that comes in is not changed. An option is a row of changes, each
on what the one before left.
"""

from __future__ import annotations

from msgspec.structs import replace

from sim.errors import BadField, Conflict, WrongPort
from sim.records import LEAD_VALUES, Build, Change, Given, Lead, Option, Part
from sim.resolve import kind_of, nearest_names


def apply(build: Build, option: Option | None) -> Build:
    """The build as the option has it; None is the build as drawn.

    Raises
    ------
    WrongPort   if a change names a part or lead that is not there
    Conflict    if a part cannot be bypassed or an added id is taken
    BadField    if a change sets what a part or lead has not
    """
    if option is None:
        return build
    for index, change in enumerate(option.changes):
        build = apply_change(build, change, f"{option.name}: changes[{index}]")
    return build


def apply_change(build: Build, change: Change, where: str) -> Build:
    """One change; `where` is its path for errors. Raises as `apply`."""
    if change.remove is not None:
        return _removed(build, change.remove, f"{where}.remove")
    if change.bypass is not None:
        return _bypassed(build, change.bypass, f"{where}.bypass")
    if change.set is not None and change.value is not None:
        return _set(build, change.set, change.value, f"{where}.set")
    if change.add is not None:
        return _added(build, change.add, f"{where}.add")
    raise BadField(where, "changes nothing", "Give one of remove, bypass, set, add")


def _removed(build: Build, id_: str, where: str) -> Build:
    """Without a lead, or without a part and the leads that end on it."""
    if build.lead(id_) is not None:
        return replace(build, leads=tuple(x for x in build.leads if x.id != id_))
    _part(build, id_, where)
    return replace(
        build,
        parts=tuple(p for p in build.parts if p.id != id_),
        leads=tuple(x for x in build.leads if id_ not in (owner_of(x.from_), owner_of(x.to))),
    )


def _bypassed(build: Build, id_: str, where: str) -> Build:
    """With a joint in place of a series part; its "in" and "out" are that joint."""
    part = _part(build, id_, where)
    if not kind_of(part, where).series:
        raise Conflict(where, f"{id_!r} has no way through", "Bypass a series part, or remove it")
    joint = Part(id=id_, kind="joint", at=part.at, deck=part.deck, label=part.label)
    return replace(build, parts=tuple(joint if p.id == id_ else p for p in build.parts))


def _set(build: Build, target: str, value: Given, where: str) -> Build:
    """With one value of a part or a lead changed."""
    id_, _, key = target.partition(".")
    lead = build.lead(id_)
    if lead is not None:
        changed = _set_in_lead(lead, key, value, where)
        return replace(build, leads=tuple(changed if x.id == id_ else x for x in build.leads))
    part = _part(build, id_, where)
    names = tuple(field.name for field in kind_of(part, where).fields)
    if key not in names:
        raise BadField(where, f"{id_!r} has no {key!r}", nearest_names(key, names, "Allowed are"))
    new = replace(part, values={**part.values, key: value})
    return replace(build, parts=tuple(new if p.id == id_ else p for p in build.parts))


def _set_in_lead(lead: Lead, key: str, value: Given, where: str) -> Lead:
    if key == "conductor":
        if value == "pair" or value == "plus" or value == "minus":
            return replace(lead, conductor=value)
        raise BadField(where, f"{value!r} is not known", "Allowed are pair, plus, minus")
    if key not in LEAD_VALUES:
        allowed = nearest_names(key, (*LEAD_VALUES, "conductor"), "Allowed are")
        raise BadField(where, f"{lead.id!r} has no {key!r}", allowed)
    return replace(lead, **{key: value})


def _added(build: Build, item: Part | Lead, where: str) -> Build:
    if build.part(item.id) is not None or build.lead(item.id) is not None:
        raise Conflict(f"{where}.id", f"{item.id!r} is there already", "Give it its own id")
    if isinstance(item, Lead):
        return replace(build, leads=(*build.leads, item))
    return replace(build, parts=(*build.parts, item))


def owner_of(address: str) -> str:
    """The id of the part that an address lies on."""
    return address.partition(".")[0]


def _part(build: Build, id_: str, where: str) -> Part:
    part = build.part(id_)
    if part is None:
        ids = (*(p.id for p in build.parts), *(x.id for x in build.leads))
        raise WrongPort(
            where, f"there is no part or lead {id_!r}", nearest_names(id_, ids, "There are")
        )
    return part

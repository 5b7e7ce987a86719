"""A build with an option applied, and edits made while one is shown.

Pure: the build that comes in is not changed. An option is a row of changes, each
on what the one before left.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from msgspec.structs import replace

from sim.errors import BadField, Conflict, SimError, WrongPort
from sim.records import LEAD_VALUES, Build, Change, Given, Lead, Option, Part, Quantity
from sim.resolve import kind_of, nearest_names

#: What an option may set of a part besides its values: where it is and what it is called.
PLACE_KEYS: Final = ("at", "deck", "turn", "label")


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


def through_option(
    build: Build,
    option: int | None,
    action: Callable[[Build], Build],
    *,
    only_here: bool = False,
) -> Build:
    """What `action` does to the build as an option shows it, kept where it belongs.

    What comes or goes belongs to the option; so does a value that the option sets, and
    all of a part that the option adds. Every other value, place and name belongs to the
    build itself and shows in all options. Clips, events and options are no option's:
    `action` does not reach them here.

    What is done to the build as drawn may leave an option a change that has nothing left
    to change: a healed lead ends on another part, say, and goes with that part. Such a
    change goes.

    Parameters
    ----------
    option : index into `build.options`; None: the build as drawn
    action : any function of `sim.edit`, with its other arguments filled in
    only_here : values, places and names belong to the option, too: nothing that `action`
        does shows in another option
    """
    if option is None:
        return _fitting(build, action(build))
    chosen = build.options[option]
    shown = apply(build, chosen)
    wanted = action(shown)
    if only_here:
        if wanted == shown:
            return build
        options = list(build.options)
        options[option] = replace(chosen, changes=difference(build, wanted))
        return _with_known_clips(replace(build, options=tuple(options)))
    old, new = _items(shown), _items(wanted)
    # A lead that is led to another place cannot be told by a value: it goes and comes.
    led_elsewhere = {id_ for id_ in old.keys() & new.keys() if _ends(old[id_]) != _ends(new[id_])}
    gone = (old.keys() - new.keys()) | led_elsewhere
    # What is taken off and put back under its old id stays taken off, when the new one goes.
    changes = [c for c in chosen.changes if c.remove is not None or not _names(c, gone)]
    if gone:
        changes += _removals(_items(apply(build, replace(chosen, changes=tuple(changes)))), gone)
    for id_, item in new.items():
        if id_ not in old or id_ in led_elsewhere:
            changes.append(Change(add=item))
        elif item != old[id_]:
            build, changes = _kept(build, changes, old[id_], item)
    options = list(build.options)
    options[option] = replace(chosen, changes=tuple(changes))
    return _with_known_clips(replace(build, options=tuple(options)))


def _fitting(before: Build, after: Build) -> Build:
    """`after`, its options without what no longer fits there and did fit `before`."""
    if _joined(before) == _joined(after):
        return after
    old = {option.name: option for option in before.options}
    options = tuple(
        _fitted(after, o) if o.name in old and _fits(before, old[o.name]) else o
        for o in after.options
    )
    return replace(after, options=options)


def _joined(build: Build) -> dict[str, tuple[str, ...]]:
    """What there is, and where leads end: all that changes of an option rest on."""
    return {id_: _ends(item) for id_, item in _items(build).items()}


def _fits(build: Build, option: Option) -> bool:
    try:
        apply(build, option)
    except SimError:
        return False
    return True


def _fitted(build: Build, option: Option) -> Option:
    kept: list[Change] = []
    for change in option.changes:
        try:
            build = apply_change(build, change, option.name)
        except SimError:
            continue
        kept.append(change)
    return option if len(kept) == len(option.changes) else replace(option, changes=tuple(kept))


def difference(build: Build, wanted: Build) -> tuple[Change, ...]:
    """The changes that make the parts and leads of one build those of another.

    Applying them gives `wanted` but for the order of its parts and leads. A part that
    cannot be told by values (its kind is another, a value is back at its default) goes
    and comes again with its leads.
    """
    old, new = _items(build), _items(wanted)
    bypassed = {id_ for id_ in old.keys() & new.keys() if _is_bypass(old[id_], new[id_])}
    anew = {
        id_
        for id_ in old.keys() & new.keys()
        if id_ not in bypassed and not _told_by_values(old[id_], new[id_])
    }
    gone = (old.keys() - new.keys()) | anew
    changes = _removals(old, gone)
    taken = {
        id_
        for id_, item in old.items()
        if id_ in gone or {owner_of(end) for end in _ends(item)} & gone
    }
    changes += [Change(bypass=id_) for id_ in old if id_ in bypassed]
    for id_, item in new.items():
        if id_ in old and id_ not in taken and id_ not in bypassed:
            changes += _sets(old[id_], item)
    changes += [Change(add=item) for id_, item in new.items() if id_ not in old or id_ in taken]
    return tuple(changes)


def _is_bypass(old: Part | Lead, new: Part | Lead) -> bool:
    if not isinstance(old, Part) or not isinstance(new, Part) or old.kind == new.kind:
        return False
    return kind_of(old).series and new == _as_joint(old)


def _told_by_values(old: Part | Lead, new: Part | Lead) -> bool:
    """Whether rows of `set` lead from one to the other."""
    if isinstance(old, Part) and isinstance(new, Part):
        if old.kind != new.kind or (new.at is None and old.at is not None):
            return False
        return not old.values.keys() - new.values.keys()
    if isinstance(old, Lead) and isinstance(new, Lead):
        if _ends(old) != _ends(new) or old.via != new.via:
            return False
        return all(getattr(new, k) is not None or getattr(old, k) is None for k in LEAD_VALUES)
    return False


def _sets(old: Part | Lead, new: Part | Lead) -> list[Change]:
    rows = []
    for key in sorted(_changed_keys(old, new)):
        value = _value(new, key)
        if value is not None:
            rows.append(Change(set=f"{new.id}.{key}", value=value))
    if isinstance(old, Part) and isinstance(new, Part):
        for key in PLACE_KEYS:
            if getattr(old, key) != getattr(new, key):
                rows.append(Change(set=f"{new.id}.{key}", value=_place_text(new, key)))
    elif isinstance(old, Lead) and isinstance(new, Lead) and old.conductor != new.conductor:
        rows = [c for c in rows if c.set != f"{new.id}.conductor"]
        rows.append(Change(set=f"{new.id}.conductor", value=new.conductor))
    return rows


def _place_text(part: Part, key: str) -> Given:
    if key == "at" and part.at is not None:
        return f"{part.at[0]:.10g}, {part.at[1]:.10g}"
    value: Given = getattr(part, key)
    return value


def _items(build: Build) -> dict[str, Part | Lead]:
    """Parts, then leads, by id."""
    return {**{p.id: p for p in build.parts}, **{x.id: x for x in build.leads}}


def _ends(item: Part | Lead) -> tuple[str, ...]:
    return (item.from_, item.to) if isinstance(item, Lead) else ()


def _names(change: Change, ids: set[str]) -> bool:
    """Whether a change is about one of these parts and leads."""
    if change.add is not None:
        return change.add.id in ids
    return owner_of(change.remove or change.bypass or change.set or "") in ids


def _removals(items: dict[str, Part | Lead], gone: set[str]) -> list[Change]:
    """Changes that take away what is still there; a part takes its leads with it."""
    parts = {id_ for id_ in gone & items.keys() if isinstance(items[id_], Part)}
    leads = {
        id_
        for id_ in (gone & items.keys()) - parts
        if not parts & {owner_of(end) for end in _ends(items[id_])}
    }
    return [Change(remove=id_) for id_ in items if id_ in parts | leads]


def _with_known_clips(build: Build) -> Build:
    """Without clips on a part or lead that neither the build nor any option has."""
    known = {p.id for p in build.parts} | {lead.id for lead in build.leads}
    known |= {c.add.id for o in build.options for c in o.changes if c.add is not None}
    clips = tuple(c for c in build.clips if {owner_of(c.tip), owner_of(c.ground or c.tip)} <= known)
    return replace(build, clips=clips)


def _kept(
    build: Build, changes: list[Change], old: Part | Lead, new: Part | Lead
) -> tuple[Build, list[Change]]:
    """One changed part or lead, written into the option's change or into the build."""
    for index, change in enumerate(changes):
        if change.add is not None and change.add.id == new.id:
            changes[index] = Change(add=new)
            return build, changes
    own = {
        c.set.partition(".")[2]: i
        for i, c in enumerate(changes)
        if c.set is not None and owner_of(c.set) == new.id
    }
    keys = _changed_keys(old, new)
    for key in keys & own.keys():
        value = _value(new, key)
        if value is not None:
            changes[own[key]] = Change(set=f"{new.id}.{key}", value=value)
    if isinstance(new, Part):
        base = _part(build, new.id, new.id)
        for key in own.keys() & set(PLACE_KEYS):
            changes[own[key]] = Change(set=f"{new.id}.{key}", value=_place_text(new, key))
        values = dict(base.values)
        for key in keys - own.keys():
            if key in new.values:
                values[key] = new.values[key]
            else:
                values.pop(key, None)
        placed = {key: getattr(new, key) for key in PLACE_KEYS if key not in own}
        base = replace(base, values=values, **placed)
        parts = tuple(base if p.id == base.id else p for p in build.parts)
        return replace(build, parts=parts), changes
    moved = {key: getattr(new, key) for key in keys - own.keys()}
    leads = tuple(
        replace(x, from_=new.from_, to=new.to, via=new.via, **moved) if x.id == new.id else x
        for x in build.leads
    )
    return replace(build, leads=leads), changes


def _value(item: Part | Lead, key: str) -> Given | None:
    return item.values.get(key) if isinstance(item, Part) else getattr(item, key)


def _changed_keys(old: Part | Lead, new: Part | Lead) -> set[str]:
    if isinstance(new, Part) and isinstance(old, Part):
        keys = old.values.keys() | new.values.keys()
    else:
        keys = {*LEAD_VALUES, "conductor"}
    return {key for key in keys if _value(old, key) != _value(new, key)}


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
    joint = _as_joint(part)
    return replace(build, parts=tuple(joint if p.id == id_ else p for p in build.parts))


def _as_joint(part: Part) -> Part:
    return Part(id=part.id, kind="joint", at=part.at, deck=part.deck, label=part.label)


def _set(build: Build, target: str, value: Given, where: str) -> Build:
    """With one value of a part or a lead changed."""
    id_, _, key = target.partition(".")
    lead = build.lead(id_)
    if lead is not None:
        changed = _set_in_lead(lead, key, value, where)
        return replace(build, leads=tuple(changed if x.id == id_ else x for x in build.leads))
    part = _part(build, id_, where)
    if key in PLACE_KEYS:
        placed = _set_place(part, key, value, where)
        return replace(build, parts=tuple(placed if p.id == id_ else p for p in build.parts))
    names = tuple(field.name for field in kind_of(part, where).fields)
    if key not in names:
        raise BadField(where, f"{id_!r} has no {key!r}", nearest_names(key, names, "Allowed are"))
    new = replace(part, values={**part.values, key: value})
    return replace(build, parts=tuple(new if p.id == id_ else p for p in build.parts))


def _set_place(part: Part, key: str, value: Given, where: str) -> Part:
    """Place ("10, 27" in mm), turn in degrees, deck or name of a part."""
    given = value.value if isinstance(value, Quantity) else value
    if key == "label":
        return replace(part, label=str(given))
    if key == "deck":
        if given == "lower" or given == "upper" or given == "top":
            return replace(part, deck=given)
        raise BadField(where, f"{given!r} is not known", "Allowed are lower, upper, top")
    try:
        numbers = [float(word) for word in str(given).split(",")]
    except ValueError:
        numbers = []
    if not all(math.isfinite(n) and abs(n) <= 1e4 for n in numbers):
        numbers = []
    if key == "turn" and len(numbers) == 1:
        return replace(part, turn=numbers[0])
    if key == "at" and len(numbers) == 2:
        return replace(part, at=(numbers[0], numbers[1]))
    hint = "Write degrees" if key == "turn" else 'Write millimetres, such as "10, 27"'
    raise BadField(where, f"{given!r} is no {'turn' if key == 'turn' else 'place'}", hint)


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

"""Values of a build as SI numbers, held against what the kinds declare.

`resolve` and `resolve_lead` serve one part or lead; `problems` gathers everything
that is wrong with a build, `validate` raises the first of it.
"""

from __future__ import annotations

import contextlib
import difflib
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from sim import quantity
from sim.errors import BadField, Conflict, SimError, UnknownKind, WrongPort
from sim.records import (
    LEAD_VALUES,
    Build,
    Change,
    Event,
    Given,
    Lead,
    Option,
    Part,
    Quantity,
)

if TYPE_CHECKING:
    from sim.parts.kind import Field, Kind, Port, Scalar, Values

MAX_NAME = 200
MAX_MM = 10_000.0
MAX_DURATION_S = 3600.0
_ID = re.compile(r"[A-Za-z0-9_]+", re.ASCII)
_YES = {"yes": True, "true": True, "on": True, "no": False, "false": False, "off": False}


def nearest_names(name: str, allowed: Sequence[str], lead_in: str) -> str:
    """A hint that lists what is allowed, the nearest first if the list is long."""
    if not allowed:
        return "There are none"
    near = difflib.get_close_matches(name[:MAX_NAME], allowed, n=3, cutoff=0.5)
    if near and len(allowed) > 12:
        return f"Did you mean {', '.join(near)}"
    return f"{lead_in} {', '.join(allowed[:40])}"


# --- values -------------------------------------------------------------------------


def kind_of(part: Part, where: str = "") -> Kind:
    """The kind of a part.

    Raises
    ------
    UnknownKind   if there is none of that name
    """
    from sim.parts import KINDS  # the kinds import this module's neighbours

    try:
        return KINDS[part.kind]
    except KeyError:
        raise UnknownKind(
            _place(where, "kind", part.id),
            f"there is no kind {part.kind!r}",
            nearest_names(part.kind, tuple(KINDS), "Kinds are"),
        ) from None


def resolve(part: Part, where: str = "") -> Values:
    """All values of a part in SI, defaults filled in.

    Parameters
    ----------
    where : path of the part in its file; errors name the part alone without it

    Raises
    ------
    UnknownKind   if the kind does not exist
    BadUnit       if a text is no quantity of the field's unit
    BadField      if a key is unknown or missing, or a value outside its range
    """
    kind = kind_of(part, where)
    return _resolved(
        kind.fields, part.values, part.id, lambda key: _place(where, f"values.{key}", part.id, key)
    )


def resolve_lead(lead: Lead, where: str = "") -> Values:
    """All values of a lead in SI; `gauge` is the conductor's diameter in m.

    Raises
    ------
    BadUnit, BadField   as `resolve`
    """
    from sim.lead import LEAD_FIELDS

    names = {field.name for field in LEAD_FIELDS}
    given: dict[str, Given] = {
        key: value for key in LEAD_VALUES if (value := getattr(lead, key)) is not None
    }
    if "conductor" in names:
        given["conductor"] = lead.conductor
    return _resolved(LEAD_FIELDS, given, lead.id, lambda key: _place(where, key, lead.id, key))


def _resolved(
    fields: Sequence[Field], given: Mapping[str, Given], owner: str, place: Callable[[str], str]
) -> Values:
    from sim.parts.kind import Values

    names = tuple(field.name for field in fields)
    for key in given:
        if key not in names:
            raise BadField(place(key), "is no key here", nearest_names(key, names, "Allowed are"))
    made: dict[str, Scalar | None] = {}
    for field in fields:
        raw = given.get(field.name)
        if raw is None:
            if field.required:
                raise BadField(
                    place(field.name), "is missing", f"It is needed: {field.help or field.title}"
                )
            made[field.name] = field.default
        else:
            made[field.name] = value_of(raw, field, place(field.name))
    return Values(owner, made)


def value_of(given: Given, field: Field, where: str) -> Scalar:
    """One value as the field wants it: an SI number in range, a word, or a flag.

    Raises
    ------
    BadUnit, BadField
    """
    if isinstance(given, Quantity):
        _check_tolerance(given, where)
        given = given.value
    if field.unit == "flag":
        flag = _YES.get(given.strip().casefold()) if isinstance(given, str) else given
        if not isinstance(flag, bool):
            raise BadField(where, f"{given!r} is neither true nor false", "Give true or false")
        return flag
    if field.unit == "choice":
        word = given.strip().casefold() if isinstance(given, str) else None
        if word not in field.choices:
            allowed = ", ".join(field.choices)
            raise BadField(where, f"{given!r} is not known", f"Allowed are {allowed}")
        return word
    if field.unit == "text":
        if not isinstance(given, str):
            raise BadField(where, f"{given!r} is no text", 'Put it in quotes, such as "40 dB"')
        _check_name(given, where)
        return given
    value = quantity.parse(given, field.unit, where)
    too_low = value <= field.low if field.open_low else value < field.low
    if too_low or value > field.high:
        shown = quantity.format(value, field.unit)
        raise BadField(where, f"{shown} is outside its range", f"Allowed is {allowed_range(field)}")
    if field.whole and not value.is_integer():
        raise BadField(where, f"{value:g} is no whole number", f"Allowed is {allowed_range(field)}")
    return value


def allowed_range(field: Field) -> str:
    """The range of a field in words: "above 0 s, up to 1 µs"."""
    low, high = (quantity.format(v, field.unit) for v in (field.low, field.high))
    if math.isinf(field.low):
        return f"up to {high}"
    if math.isinf(field.high):
        return f"above {low}" if field.open_low else f"{low} or more"
    return f"above {low}, up to {high}" if field.open_low else f"{low} to {high}"


def _check_tolerance(given: Quantity, where: str) -> None:
    if given.tolerance is None:
        return
    text = given.tolerance
    if isinstance(text, str):
        text = text.strip().removeprefix("+/-").removeprefix("±")
    share = quantity.parse(text, "%", f"{where}.tolerance")
    if not 0.0 <= share <= 1.0:
        raise BadField(f"{where}.tolerance", f"{share:.4g} is outside its range", "Give 0 to 100 %")


def _place(where: str, path: str, owner: str, short: str = "") -> str:
    """ "parts[2].values.esr (bulk)" in a file, "bulk.esr" without a path."""
    return f"{where}.{path} ({owner})" if where else f"{owner}.{short or path}"


# --- addresses ----------------------------------------------------------------------


def find_port(build: Build, address: str, where: str = "") -> tuple[Part, Port]:
    """The part and port that an address means: "esc1.in", or "bulk" where there is one port.

    A joint has one place, so "filter.in" and "filter.out" of a bypassed part are it.

    Raises
    ------
    WrongPort     if there is no such part or port
    UnknownKind   if the part's kind does not exist
    """
    id_, dot, name = address.partition(".")
    part = build.part(id_)
    if part is None:
        ids = tuple(p.id for p in build.parts)
        raise WrongPort(
            where or address, f"there is no part {id_!r}", nearest_names(id_, ids, "Parts are")
        )
    ports = kind_of(part).ports
    if part.kind == "joint" and name in ("", "in", "out"):
        return part, ports[0]
    if not dot and len(ports) == 1:
        return part, ports[0]
    for port in ports:
        if dot and port.name == name:
            return part, port
    allowed = ", ".join(f"{id_}.{port.name}" for port in ports)
    what = f"{id_!r} has no port {name!r}" if dot else f"{id_!r} has more than one port"
    raise WrongPort(where or address, what, f"Allowed are {allowed}")


# --- events and options by name or number ---------------------------------------------


def events_of(build: Build) -> tuple[Event, ...]:
    """The build's events, or those every build has if it names none."""
    if build.events:
        return build.events
    from sim.event import default_events

    return tuple(default_events(build))


def option_index(build: Build, which: str | int | None) -> int | None:
    """Index into `build.options` of a name or a 1-based number; None is "as drawn".

    Raises
    ------
    BadField   if there is no such option
    """
    if which is None or (isinstance(which, str) and which.strip().casefold() == "as drawn"):
        return None
    return _index("option", which, tuple(o.name for o in build.options))


def event_index(build: Build, which: str | int | None = None) -> int:
    """Index into `events_of(build)` of a name or a 1-based number; None is the first.

    Raises
    ------
    BadField   if there is no such event
    """
    names = tuple(e.name for e in events_of(build))
    return _index("event", 1 if which is None else which, names)


def _index(what: str, which: str | int, names: tuple[str, ...]) -> int:
    text = str(which).strip()
    if isinstance(which, str):
        if text in names:
            return names.index(text)
        alike = [i for i, name in enumerate(names) if name.casefold() == text.casefold()]
        if len(alike) == 1:
            return alike[0]
    if re.fullmatch(r"[0-9]{1,6}", text) and 1 <= int(text) <= len(names):
        return int(text) - 1
    listed = ", ".join(f"{i} {name}" for i, name in enumerate(names, 1))
    raise BadField(
        what, f"there is no {what} {which!r}", f"Allowed are {listed}" if names else "It has none"
    )


# --- all problems ---------------------------------------------------------------------


def validate(build: Build) -> None:
    """Raise the first of `problems`."""
    for problem in problems(build):
        raise problem


def problems(build: Build) -> Iterator[SimError]:
    """Everything wrong with values, addresses, options, events and clips.

    Wiring that hangs free or is shorted is found by `sim.assemble`, not here.
    """
    yield from _names(build)
    broken = False
    for problem in _parts_and_leads(build):
        broken = True
        yield problem
    for index, clip in enumerate(build.clips):
        for key, address in (("tip", clip.tip), ("ground", clip.ground)):
            if address is not None and not _is_added(build, address):
                yield from _tried(find_port, build, address, f"clips[{index}].{key}")
    for index, event in enumerate(build.events):
        yield from _event(build, event, f"events[{index}]")
    if not broken:  # an option of a broken build would repeat its faults
        for index, option in enumerate(build.options):
            yield from _option(build, option, f"options[{index}]")


def _tried(action: Callable[..., object], *arguments: object) -> Iterator[SimError]:
    try:
        action(*arguments)
    except SimError as problem:
        yield problem


def _check_name(text: str, where: str) -> None:
    if len(text) > MAX_NAME:
        raise BadField(where, f"has {len(text)} characters", f"Allowed are {MAX_NAME}")
    if not all(c.isprintable() for c in text):
        raise BadField(where, "holds a line break or control character", "Use plain text")


def _check_id(id_: str, where: str) -> None:
    _check_name(id_, where)
    if not _ID.fullmatch(id_):
        raise BadField(where, f"{id_!r} is no id", "Use letters A to Z, digits and _")


def _names(build: Build) -> Iterator[SimError]:
    """Names and ids: their length, their letters, and each id once."""
    for key in ("name", "story", "frame"):
        yield from _tried(_check_name, getattr(build, key), key)
    seen: set[str] = set()
    ids = [(f"parts[{i}].id", part.id) for i, part in enumerate(build.parts)]
    ids += [(f"leads[{i}].id", lead.id) for i, lead in enumerate(build.leads)]
    for where, id_ in ids:
        yield from _tried(_check_id, id_, where)
        if id_ in seen:
            yield Conflict(where, f"{id_!r} is there twice", "Give each its own id")
        seen.add(id_)
    yield from _once("options", [option.name for option in build.options])
    yield from _once("events", [event.name for event in build.events])


def _once(list_: str, names: Sequence[str]) -> Iterator[SimError]:
    for index, name in enumerate(names):
        where = f"{list_}[{index}].name"
        yield from _tried(_check_name, name, where)
        if not name.strip():
            yield BadField(where, "is empty", "Give it a name")
        if name in names[:index]:
            yield Conflict(where, f"{name!r} is there twice", "Give each its own name")


def _parts_and_leads(build: Build) -> Iterator[SimError]:
    for index, part in enumerate(build.parts):
        where = f"parts[{index}]"
        yield from _part(part, where)
    for index, lead in enumerate(build.leads):
        yield from _lead(build, lead, f"leads[{index}]")


def _part(part: Part, where: str) -> Iterator[SimError]:
    yield from _tried(_check_name, part.label, f"{where}.label ({part.id})")
    yield from _tried(resolve, part, where)
    yield from _tried(_check_points, part, where)


def _lead(build: Build, lead: Lead, where: str) -> Iterator[SimError]:
    yield from _tried(resolve_lead, lead, where)
    yield from _tried(_check_points, lead, where)
    for key, address in (("from", lead.from_), ("to", lead.to)):
        yield from _tried(_check_end, build, address, f"{where}.{key} ({lead.id})")


def _check_end(build: Build, address: str, where: str) -> None:
    with contextlib.suppress(UnknownKind):  # said at the part already
        find_port(build, address, where)


def _check_points(item: Part | Lead, where: str) -> None:
    if isinstance(item, Part):
        points = {} if item.at is None else {"at": item.at}
        if not math.isfinite(item.turn):
            raise BadField(f"{where}.turn ({item.id})", "is not a finite number", "")
    else:
        points = {f"via[{i}]": point for i, point in enumerate(item.via)}
    for key, point in points.items():
        if not all(abs(c) <= MAX_MM for c in point):
            raise BadField(
                f"{where}.{key} ({item.id})",
                "lies off the bench",
                f"Allowed are {-MAX_MM:g} to {MAX_MM:g} mm",
            )


def _is_added(build: Build, address: str) -> bool:
    """Whether an option adds the part that an address names."""
    id_ = address.partition(".")[0]
    return any(
        isinstance(change.add, Part) and change.add.id == id_
        for option in build.options
        for change in option.changes
    )


def _option(build: Build, option: Option, where: str) -> Iterator[SimError]:
    """Change by change, so that the place is the change and not the part it broke."""
    from sim.options import apply_change

    for index, change in enumerate(option.changes):
        place = f"{where}.changes[{index}]"
        try:
            build = apply_change(build, change, place)
        except SimError as problem:
            yield problem
            return
        yield from _changed(build, change, place)
    for index, lead in enumerate(build.leads):
        for key, address in (("from", lead.from_), ("to", lead.to)):
            yield from _tried(find_port, build, address, f"{where}: leads[{index}].{key}")


def _changed(build: Build, change: Change, where: str) -> Iterator[SimError]:
    if isinstance(change.add, Part):
        yield from _part(change.add, f"{where}.add")
    elif isinstance(change.add, Lead):
        yield from _lead(build, change.add, f"{where}.add")
    elif change.set is not None:
        id_ = change.set.partition(".")[0]
        part, lead = build.part(id_), build.lead(id_)
        for problem in _tried(resolve, part) if part else _tried(resolve_lead, lead):
            yield type(problem)(f"{where}.value ({change.set})", problem.what, problem.hint)


# --- events ---------------------------------------------------------------------------

_ONLY_FOR = {
    "size": ("tap",),
    "frequency": ("tap",),
    "decay": ("tap",),
    "resistance": ("plug_in",),
    "part": ("load_step",),
    "at": ("load_step",),
    "value": ("load_step",),
    "duty": ("steady", "tap", "load_step"),
    "course": ("throttle", "tap", "load_step", "steady"),
    "courses": ("throttle", "tap", "load_step", "steady"),
}
_NEEDED = {
    "throttle": (),
    "steady": (),
    "plug_in": (),
    "tap": ("size", "frequency", "decay"),
    "load_step": ("part", "at", "value"),
}
_EVENT_UNITS = {"frequency": "Hz", "decay": "s", "resistance": "Ohm", "at": "s"}


def _event(build: Build, event: Event, where: str) -> Iterator[SimError]:
    for key, kinds in _ONLY_FOR.items():
        if getattr(event, key) not in (None, (), {}) and event.kind not in kinds:
            yield BadField(
                f"{where}.{key}", f"is nothing for {event.kind}", f"It is for {', '.join(kinds)}"
            )
    for key in _NEEDED[event.kind]:
        if getattr(event, key) is None:
            yield BadField(f"{where}.{key}", "is missing", f"A {event.kind} needs it")
    if event.kind == "throttle" and not event.course and not event.courses:
        yield BadField(f"{where}.course", "is missing", 'Write it like [["0 s", 0.6]]')
    yield from _tried(_check_duration, event, where)
    for key, unit in _EVENT_UNITS.items():
        given = getattr(event, key)
        if given is not None:
            yield from _tried(_not_negative, given, unit, f"{where}.{key}")
    for key, low in (("duty", 0.0), ("size", -1.0)):
        share = getattr(event, key)
        if share is not None and not low <= share <= 1.0:
            yield BadField(
                f"{where}.{key}", f"{share:g} is outside its range", f"Give {low:g} to 1"
            )
    yield from _tried(_check_course, event.course, f"{where}.course")
    for id_, course in event.courses.items():
        place = f"{where}.courses.{id_}"
        part = build.part(id_)
        if (part is None or part.kind != "esc") and not _is_added(build, id_):
            escs = tuple(p.id for p in build.parts if p.kind == "esc")
            yield BadField(place, "is no ESC", nearest_names(id_, escs, "ESCs are"))
        yield from _tried(_check_course, course, place)
    if event.part is not None and not _is_added(build, event.part):
        yield from _tried(_check_step, build, event, where)


def seconds(given: Given, where: str = "") -> float:
    """A time of an event in s."""
    return given_number(given, "s", where)


def given_number(given: Given, unit: str, where: str = "") -> float:
    """The SI number of a value that no field describes, such as an event's."""
    return quantity.parse(given.value if isinstance(given, Quantity) else given, unit, where)


def _not_negative(given: Given, unit: str, where: str) -> None:
    if given_number(given, unit, where) < 0.0:
        raise BadField(where, "is below 0", f"Give {quantity.format(0.0, unit)} or more")


def _check_duration(event: Event, where: str) -> None:
    place = f"{where}.duration"
    if not 0.0 < seconds(event.duration, place) <= MAX_DURATION_S:
        raise BadField(place, "is outside its range", "Give above 0 s, up to one hour")


def _check_course(course: Sequence[tuple[Given, float]], where: str) -> None:
    before = -math.inf
    for index, (time, duty) in enumerate(course):
        at = seconds(time, f"{where}[{index}][0]")
        if at < before:
            raise BadField(f"{where}[{index}][0]", "lies before the point above", "Sort by time")
        before = at
        if not 0.0 <= duty <= 1.0:
            raise BadField(f"{where}[{index}][1]", f"{duty:g} is no duty", "Give 0 to 1")


def _check_step(build: Build, event: Event, where: str) -> None:
    from sim.parts.families import LoadKind

    place = f"{where}.part"
    part = build.part(event.part or "")
    if part is None:
        ids = tuple(p.id for p in build.parts)
        raise BadField(
            place,
            f"there is no part {event.part!r}",
            nearest_names(event.part or "", ids, "Parts are"),
        )
    kind = kind_of(part)
    if not isinstance(kind, LoadKind):
        raise BadField(place, f"{part.id!r} is no load", "A load step needs a load")
    if event.value is not None:
        unit = {"resistor": "Ohm", "current": "A", "power": "W"}[kind.mode(resolve(part))]
        _not_negative(event.value, unit, f"{where}.value")

"""Values of a build as SI numbers, held against what the kinds declare.

One part or lead, one address, one name at a time; `sim.problems` does it for a whole
build.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from sim import quantity
from sim.errors import BadField, UnknownKind, WrongPort
from sim.records import (
    LEAD_VALUES,
    Build,
    Event,
    Given,
    Lead,
    Part,
    Quantity,
)

if TYPE_CHECKING:
    from sim.parts.kind import Field, Kind, Port, Scalar, Values

MAX_NAME = 200
#: In SI, far below anything real: what is nearer to nothing overflows when divided by.
SMALLEST = 1e-30
#: Values of parts seen last, by identity: a part is asked for several times for each network.
_known: dict[int, tuple[Part, dict[str, Given], Values]] = {}
_MOST_KNOWN = 512
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
    known = _known.get(id(part))
    if known is not None and known[0] is part and known[1] == part.values:
        return known[2]
    kind = kind_of(part, where)
    values = _resolved(
        kind.fields, part.values, part.id, lambda key: _place(where, f"values.{key}", part.id, key)
    )
    if len(_known) >= _MOST_KNOWN:
        _known.clear()
    _known[id(part)] = part, dict(part.values), values
    return values


def resolve_lead(lead: Lead, where: str = "") -> Values:
    """All values of a lead in SI; `gauge` is the conductor's diameter in m.

    Raises
    ------
    BadUnit, BadField   as `resolve`
    """
    from sim.lead import LEAD_FIELDS

    given: dict[str, Given] = {
        key: value for key in LEAD_VALUES if (value := getattr(lead, key)) is not None
    }
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
        check_name(given, where)
        return given
    value = quantity.parse(given, field.unit, where)
    if 0.0 < abs(value) < SMALLEST:
        raise BadField(where, f"{value:.3g} is too small to reckon with", "Give 0 for nothing")
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


def seconds(given: Given, where: str = "") -> float:
    """A time of an event in s."""
    return given_number(given, "s", where)


def given_number(given: Given, unit: str, where: str = "") -> float:
    """The SI number of a value that no field describes, such as an event's."""
    return quantity.parse(given.value if isinstance(given, Quantity) else given, unit, where)


def check_name(text: str, where: str) -> None:
    """Refuse a name that is too long or breaks the line.

    Raises
    ------
    BadField
    """
    if len(text) > MAX_NAME:
        raise BadField(where, f"has {len(text)} characters", f"Allowed are {MAX_NAME}")
    if not all(c.isprintable() for c in text):
        raise BadField(where, "holds a line break or control character", "Use plain text")


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


def canonical(build: Build, address: str) -> str:
    """The address as it stands in `Network.ports` with its label: "bulk" is "bulk.in".

    Raises
    ------
    WrongPort   if there is no such part or port
    """
    part, port = find_port(build, address)
    return part.id if part.kind == "joint" else f"{part.id}.{port.name}"


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

"""Everything that is wrong with a build as a document.

`problems` gathers it, `validate` raises the first of it. Places are paths in the file.
"""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Callable, Iterator, Sequence

from sim import quantity
from sim.errors import BadField, Conflict, SimError, UnknownKind, WrongPort
from sim.options import apply_change
from sim.probe import probe_of
from sim.records import Build, Change, Clip, Event, Given, Lead, Option, Part
from sim.resolve import (
    check_name,
    find_port,
    given_number,
    kind_of,
    nearest_names,
    resolve,
    resolve_lead,
    seconds,
)

MAX_MM = 10_000.0
MAX_DURATION_S = 3600.0
_ID = re.compile(r"[A-Za-z0-9_]+", re.ASCII)


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
        yield from _clip(build, clip, f"clips[{index}]")
    for index, event in enumerate(build.events):
        yield from _event(build, event, f"events[{index}]")
    if not broken:  # an option of a broken build would repeat its faults
        for index, option in enumerate(build.options):
            yield from _option(build, option, f"options[{index}]")


def _clip(build: Build, clip: Clip, where: str) -> Iterator[SimError]:
    """A clip reads something that there is, and has a ground only where that means anything."""
    grounded = clip.reads in ("volts", "offset")
    if clip.probe is not None:
        yield from _tried(probe_of, clip, f"{where}.probe")
        if not grounded:
            yield BadField(f"{where}.probe", f"{clip.reads} needs no probe", "Leave it out")
    if clip.ground is not None and not grounded:
        yield BadField(f"{where}.ground", f"{clip.reads} has no ground", "Leave it out")
    for key, address in (("tip", clip.tip), ("ground", clip.ground)):
        if address is None or _is_added(build, address) or (key == "ground" and not grounded):
            continue
        if clip.reads == "amps" and build.lead(address) is not None:
            continue
        if clip.reads == "amps" and build.part(address) is not None:
            continue
        if clip.reads in ("speed", "duty"):
            kind = {"speed": "motor", "duty": "esc"}[clip.reads]
            part = build.part(address)
            if part is None or part.kind != kind:
                words = {"motor": "motor", "esc": "ESC"}[kind]
                yield WrongPort(
                    f"{where}.tip",
                    f"{address!r} is no {words}",
                    f"{clip.reads.capitalize()} is read from the id of a part of kind {kind}",
                )
            continue
        yield from _tried(find_port, build, address, f"{where}.{key}")


def _tried(action: Callable[..., object], *arguments: object) -> Iterator[SimError]:
    try:
        action(*arguments)
    except SimError as problem:
        yield problem


def _check_id(id_: str, where: str) -> None:
    check_name(id_, where)
    if not _ID.fullmatch(id_):
        raise BadField(where, f"{id_!r} is no id", "Use letters A to Z, digits and _")


def _names(build: Build) -> Iterator[SimError]:
    """Names and ids: their length, their letters, and each id once."""
    for key in ("name", "story", "frame"):
        yield from _tried(check_name, getattr(build, key), key)
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
        yield from _tried(check_name, name, where)
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
    yield from _tried(check_name, part.label, f"{where}.label ({part.id})")
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
    "bounce": ("plug_in",),
    "log": ("log",),
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
    "log": ("log",),
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
    yield from _tried(_check_bounce, event, f"{where}.bounce")
    if event.log is not None:
        from sim.event import log_courses

        escs = tuple(part.id for part in build.parts if part.kind == "esc")
        yield from _tried(log_courses, event.log, escs, f"{where}.log")
    if event.part is not None and not _is_added(build, event.part):
        yield from _tried(_check_step, build, event, where)


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


def _check_bounce(event: Event, where: str) -> None:
    before = 0.0
    for index, pair in enumerate(event.bounce):
        for at, given in enumerate(pair):
            place = f"{where}[{index}][{at}]"
            if not seconds(given, place) > before:
                raise BadField(place, "does not lie after the time before", "Sort by time")
            before = seconds(given, place)


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

"""Where in an event the build itself changes: loads that step or start, contacts, bypasses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from msgspec.structs import replace

from sim.errors import BadField
from sim.parts import KINDS
from sim.parts.families import LoadKind
from sim.resolve import given_number, resolve, seconds

if TYPE_CHECKING:
    from sim.records import Build, Event, Given

#: Stages an event may have: each is wired and solved on its own.
MOST_STAGES = 64


@dataclass(frozen=True)
class Stage:
    """The build from `start_s` to `end_s`; `contact` is "", or with a bounce "closed" or "lifted".

    A lifted contact burns until its current is zero.
    """

    start_s: float
    end_s: float
    build: Build
    contact: str = ""


def stages_of(build: Build, event: Event) -> tuple[Stage, ...]:
    """The stages of an event of a build whose option is applied, in order, without gaps.

    Raises
    ------
    BadField   if a value of the event or a part is none, or there are too many stages
    """
    end = seconds(event.duration, f"{event.name}: duration")
    plugged = event.kind == "plug_in"
    changes: list[tuple[float, str, dict[str, Given]]] = []
    for part in build.parts:
        values = resolve(part)
        for at, new in KINDS[part.kind].changes(values, plugged=plugged):
            changes.append((at, part.id, dict(new)))
    if event.kind == "load_step":
        changes.append(_step(build, event))
    lifts = []
    for i, (opens, closes) in enumerate(event.bounce if plugged else ()):
        where = f"{event.name}: bounce[{i}]"
        lifts.append((seconds(opens, where), seconds(closes, where)))
    times = {at for at, _, _ in changes} | {t for pair in lifts for t in pair}
    starts = [0.0, *sorted(t for t in times if 0.0 < t < end)]
    if len(starts) > MOST_STAGES:
        raise BadField(
            event.name, f"changes {len(starts)} times", f"At most {MOST_STAGES - 1} are allowed"
        )
    found = []
    for i, start in enumerate(starts):
        stop = starts[i + 1] if i + 1 < len(starts) else end
        state = build
        for at, id_, change in changes:
            if at <= start:
                state = _changed(state, id_, change)
        contact = "" if not lifts else "closed"
        if any(opens <= start < closes for opens, closes in lifts):
            contact = "lifted"
        found.append(Stage(start, stop, state, contact))
    return tuple(found)


def _step(build: Build, event: Event) -> tuple[float, str, dict[str, Given]]:
    part = build.part(event.part or "")
    where = f"{event.name}: part"
    if part is None or event.value is None or event.at is None:
        raise BadField(where, f"{event.part!r} is not there", "Name a load of this build")
    kind = KINDS[part.kind]
    if not isinstance(kind, LoadKind):
        raise BadField(where, f"{part.id!r} is no load", "A load step needs a load")
    mode = kind.mode(resolve(part))
    name, unit = ("resistance", "Ohm") if mode == "resistor" else (mode, "A")
    unit = "W" if mode == "power" else unit
    given_number(event.value, unit, f"{event.name}: value")
    return seconds(event.at, f"{event.name}: at"), part.id, {name: event.value}


def _changed(build: Build, id_: str, new: dict[str, Given]) -> Build:
    parts = tuple(
        replace(part, values={**part.values, **new}) if part.id == id_ else part
        for part in build.parts
    )
    return replace(build, parts=parts)

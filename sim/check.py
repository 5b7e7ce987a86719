"""Everything that is wrong or odd about a build, with what to do about it.

Unlike `sim.build.validate`, which raises the first fault, this gathers all, for the
build as drawn and under each option.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from sim import quantity, returns
from sim.edit import WAY_SLACK_MM, length_mm, pad_position, way_mm
from sim.errors import SimError
from sim.options import apply, owner_of
from sim.parts.kind import Values
from sim.problems import problems
from sim.records import Build, Lead, Part
from sim.resolve import events_of, find_port, kind_of, resolve

#: A capacitor's rating over the full pack, at least. Common practice, no source.
RATING_OVER_PACK = 1.2
#: Volts of a full LiPo cell. Common practice, no source.
FULL_CELL_V = 4.2
#: How far a plain joint may be drawn before it is asked for its length, in mm.
LONG_JOINT_MM = 20.0


@dataclass(frozen=True)
class Finding:
    """One fault or oddity.

    Attributes
    ----------
    level : "error" (cannot be solved as it is) or "warning"
    where : place, as in errors; an option's name stands before it
    what : what is the matter
    hint : what to do
    """

    level: Literal["error", "warning"]
    where: str
    what: str
    hint: str

    def __str__(self) -> str:
        return f"{self.level}: {SimError(self.where, self.what, self.hint)}"


def check(build: Build) -> list[Finding]:
    """All findings, errors first; what holds for the build as drawn is said once."""
    faults = [_error(problem) for problem in problems(build)]
    if faults:
        return faults
    found: dict[tuple[str, str], Finding] = {}
    for name, variant in _variants(build):
        for finding in (*_wiring(variant), *_warnings(variant)):
            key = finding.where, finding.what
            if key not in found:
                where = f"{name}: {finding.where}" if name else finding.where
                found[key] = Finding(finding.level, where, finding.what, finding.hint)
    if not build.clips:
        found["", "clips"] = Finding(
            "warning", "clips", "nothing is watched", 'Hang a clip, such as {"tip": "esc1.in"}'
        )
    return sorted(found.values(), key=lambda finding: finding.level != "error")


def _error(problem: SimError) -> Finding:
    return Finding("error", problem.where, problem.what, problem.hint)


def _variants(build: Build) -> Iterator[tuple[str, Build]]:
    yield "", build
    for option in build.options:
        yield option.name, apply(build, option)


def _wiring(build: Build) -> Iterator[Finding]:
    """What keeps the network from being made, per event as a plug-in asks for more."""
    from sim.assemble import assemble

    for event in (None, *events_of(build)):
        try:
            assemble(build, event)
        except SimError as problem:
            yield _error(problem)


def _warnings(build: Build) -> Iterator[Finding]:
    values = {part.id: resolve(part) for part in build.parts}
    yield from _ratings(build, values)
    yield from _braking(build, values)
    yield from _clamps(build, values)
    for part in build.parts:
        kind = kind_of(part)
        for sentence in kind.check(values[part.id]):
            what, _, hint = sentence.rstrip(".").partition(". ")
            yield Finding("warning", part.id, what, hint)
        yield from _odd_capacitor(part, values[part.id])
        if part.at is None and any(p.at is not None for p in build.parts):
            yield Finding(
                "warning",
                part.id,
                "has no place on the frame",
                'Give it one, such as "at": [0, 20], in mm',
            )
    for lead in build.leads:
        yield from _lead(build, lead)
    for sentence in returns.said(build):
        yield Finding(
            "warning", "clips", sentence, "Give those leads gauge, length and spacing instead"
        )


def _braking(build: Build, values: dict[str, Values]) -> Iterator[Finding]:
    """Motors that may brake into a supply that takes nothing back."""
    brakes = [p.id for p in build.parts if p.kind == "esc" and values[p.id].flag("freewheel")]
    if not brakes or any(part.kind == "battery" for part in build.parts):
        return
    for part in build.parts:
        if part.kind == "bench_supply" and not values[part.id].flag("sinks"):
            yield Finding(
                "warning",
                part.id,
                "takes no current back: a motor that brakes raises the voltage of everything",
                "Never brake into a bench supply; test braking with a pack",
            )


def _ratings(build: Build, values: dict[str, Values]) -> Iterator[Finding]:
    """Capacitors whose printed voltage leaves little over the full supply."""
    for part in build.parts:
        numbers = values[part.id].as_dict()
        if "capacitance" not in numbers or numbers.get("rated_voltage") is None:
            continue
        full = _full_volts(build, values, part)
        rated = values[part.id].number("rated_voltage")
        if rated < RATING_OVER_PACK * full:
            over = rated / full
            yield Finding(
                "warning",
                f"{part.id}.rated_voltage",
                f"{quantity.format(rated, 'V')} is {over:.2f} times the full supply of "
                f"{quantity.format(full, 'V')}",
                f"Use a part for {quantity.format(RATING_OVER_PACK * full, 'V', 3)} or more "
                "(common practice)",
            )


def _clamps(build: Build, values: dict[str, Values]) -> Iterator[Finding]:
    """Clamps that a full pack already reaches."""
    for part in build.parts:
        if part.kind != "clamp":
            continue
        standoff = values[part.id].optional("standoff_voltage")
        full = _full_volts(build, values, part)
        if standoff is not None and standoff < full:
            yield Finding(
                "warning",
                f"{part.id}.standoff_voltage",
                f"{quantity.format(standoff, 'V')} is below the full supply of "
                f"{quantity.format(full, 'V')}: it may conduct all the time and burn",
                "Use one with a higher standoff voltage, or none",
            )


def _full_volts(build: Build, values: dict[str, Values], part: Part) -> float:
    """The highest full supply that reaches a part without a regulator between; 0 if none."""
    from sim.assemble import joined

    reached = joined(build, f"{part.id}.{kind_of(part).ports[0].name}")
    highest = 0.0
    for source in build.parts:
        if f"{source.id}.out" not in reached:
            continue
        numbers = values[source.id]
        if source.kind == "battery":
            own = numbers.optional("open_circuit_voltage")
            highest = max(highest, own or FULL_CELL_V * numbers.number("cells"))
        elif source.kind == "bench_supply":
            highest = max(highest, numbers.number("voltage"))
    return highest


def _port(build: Build, address: str) -> str:
    part, port = find_port(build, address)
    return f"{part.id}.{port.name}"


#: Per kind and field: the usual range; our guess within common practice, wide on purpose.
_USUAL: dict[str, dict[str, tuple[float, float]]] = {
    "electrolytic": {"capacitance": (1e-6, 22e-3), "esr": (3e-3, 5.0), "esl": (1e-9, 60e-9)},
    "polymer": {"capacitance": (1e-6, 5e-3), "esr": (1e-3, 0.2), "esl": (0.5e-9, 40e-9)},
    "ceramic": {"capacitance": (1e-12, 200e-6), "esr": (0.1e-3, 0.1), "esl": (0.05e-9, 5e-9)},
}
_UNITS = {"capacitance": "F", "esr": "Ohm", "esl": "H"}


def _odd_capacitor(part: Part, values: Values) -> Iterator[Finding]:
    for field, (low, high) in _USUAL.get(part.kind, {}).items():
        value = values.number(field)
        if low <= value <= high or (field == "esl" and value == 0.0):  # 0 H: left out on purpose
            continue
        shown, bottom, top = (quantity.format(v, _UNITS[field]) for v in (value, low, high))
        yield Finding(
            "warning",
            f"{part.id}.{field}",
            f"{shown} is unusual for {part.kind.replace('_', ' ')}",
            f"Usual is {bottom} to {top}",
        )


def _lead(build: Build, lead: Lead) -> Iterator[Finding]:
    if _port(build, lead.from_) == _port(build, lead.to):
        yield Finding(
            "warning", lead.id, "both its ends are one place", "Lead it elsewhere, or remove it"
        )
        return
    if lead.resistance is not None or lead.inductance is not None:
        return
    ends = [build.part(owner_of(address)) for address in (lead.from_, lead.to)]
    if any(end is None or end.at is None for end in ends):
        return
    straight = math.dist(pad_position(build, lead.from_), pad_position(build, lead.to))
    length = length_mm(lead)
    if length is not None and length < straight - WAY_SLACK_MM:
        yield Finding(
            "warning",
            f"{lead.id}.length",
            f"{length:.4g} mm is shorter than the {straight:.0f} mm between its pads",
            f"Give at least {math.ceil(straight)} mm, or move the parts together",
        )
    # A motor's own values cover its wires.
    to_motor = any(end is not None and end.kind == "motor" for end in ends)
    if length is None and way_mm(build, lead) > LONG_JOINT_MM and not to_motor:
        yield Finding(
            "warning",
            lead.id,
            f"is drawn {way_mm(build, lead):.0f} mm long but is a plain joint",
            "Give it a length and a gauge, or move the parts together",
        )

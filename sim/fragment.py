"""Pieces of a build: copied out, put into another, doubled, mirrored.

A piece is itself a build, with nothing but parts and leads, so it travels as the
text of a build file. As in `sim.edit`, every function gives a new build.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from msgspec.structs import replace

from sim.edit import Point, fresh_id, keeping_slack, pad_position
from sim.errors import BadField
from sim.options import owner_of
from sim.records import Build, Given, Part, Quantity
from sim.resolve import kind_of

#: Ports that take one lead only, so that a copy cannot share it.
_SINGLE_PORTS = ("motor",)


@dataclass(frozen=True)
class Placed:
    """A build with something new in it, and the ids of what is new: parts, then leads."""

    build: Build
    ids: tuple[str, ...]


def fragment(build: Build, ids: Iterable[str]) -> Build:
    """These parts, and the leads that run between them; other leads stay behind."""
    wanted = set(ids)
    parts = tuple(part for part in build.parts if part.id in wanted)
    kept = {part.id for part in parts}
    leads = tuple(x for x in build.leads if {owner_of(x.from_), owner_of(x.to)} <= kept)
    return Build(frame=build.frame, parts=parts, leads=leads)


def middle(build: Build) -> Point:
    """The middle of the parts' places; the frame's middle where none has one."""
    places = [part.at for part in build.parts if part.at is not None]
    if not places:
        return (0.0, 0.0)
    xs, ys = zip(*places, strict=True)
    return ((min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2)


def paste(build: Build, piece: Build, by: Point = (0.0, 0.0)) -> Placed:
    """With all parts and leads of `piece`, moved by so many mm, under free ids.

    A board whose name is taken gets another one, so that its ESCs stay one board of
    their own. What `piece` has besides parts and leads is left out.

    Raises
    ------
    BadField   if a place is not finite
    """
    return _put(build, piece, lambda at: (at[0] + by[0], at[1] + by[1]))


def duplicate(build: Build, ids: Iterable[str], by: Point = (8.0, 8.0)) -> Placed:
    """With the same once more beside it, hanging on the same places.

    A second capacitor stands across the same pads. Leads of series parts and of motor
    ports are not doubled: a copy of these waits to be joined.
    """
    ids = tuple(ids)
    placed = paste(build, fragment(build, ids), by)
    return _hung_up(build, ids, placed, lambda at: (at[0] + by[0], at[1] + by[1]))


def mirrored_copy(build: Build, ids: Iterable[str]) -> Placed:
    """With the same once more on the other side of the frame's middle line, as `duplicate`."""
    ids = tuple(ids)
    placed = _put(build, fragment(build, ids), _mirror)
    placed = replace_build(placed, _turned_over(build, placed, ids))
    return _hung_up(build, ids, placed, _mirror)


def mirror(build: Build, ids: Iterable[str]) -> Build:
    """With these parts on the other side of the middle line; their leads keep their slack."""
    wanted = {part.id for part in build.parts if part.id in set(ids)}
    parts = tuple(_mirrored(build, part) if part.id in wanted else part for part in build.parts)
    leads = tuple(
        replace(x, via=tuple(_mirror(p) for p in x.via))
        if {owner_of(x.from_), owner_of(x.to)} <= wanted
        else x
        for x in build.leads
    )
    return keeping_slack(build, replace(build, parts=parts, leads=leads))


def replace_build(placed: Placed, build: Build) -> Placed:
    """The same new ids in another build."""
    return Placed(build, placed.ids)


def _mirror(at: Point) -> Point:
    return (-at[0] + 0.0, at[1])  # + 0.0: no minus zero in a file


def _mirrored(build: Build, part: Part) -> Part:
    """A part on the other side, turned so that its pads lie as near to the mirror as they can."""
    if part.at is None:
        return part
    over = replace(part, at=_mirror(part.at))
    ports = [port.name for port in kind_of(part).ports]
    wanted = [_mirror(pad_position(build, _address(part.id, name))) for name in ports]

    def off(turn: float) -> float:
        turned = Build(parts=(replace(over, turn=turn),))
        pads = [pad_position(turned, _address(part.id, name)) for name in ports]
        return round(sum(math.dist(a, b) for a, b in zip(pads, wanted, strict=True)), 6)

    # + 0.0: turning 0 degrees the other way is no minus zero
    turns = (-part.turn % 360.0 + 0.0, (180.0 - part.turn) % 360.0)
    return replace(over, turn=min(turns, key=off))


def _turned_over(before: Build, placed: Placed, ids: tuple[str, ...]) -> Build:
    """The placed copies turned as the mirror of what they are copies of."""
    originals = [part for part in before.parts if part.id in set(ids)]
    turns = {
        new: _mirrored(before, part).turn
        for new, part in zip(placed.ids[: len(originals)], originals, strict=True)
    }
    parts = tuple(
        replace(part, turn=turns[part.id]) if part.id in turns else part
        for part in placed.build.parts
    )
    return replace(placed.build, parts=parts)


def _put(build: Build, piece: Build, to: Callable[[Point], Point]) -> Placed:
    names: dict[str, str] = {}
    boards = _free_boards(build, piece)
    made: list[str] = []
    for part in piece.parts:
        names[part.id] = next_id(build, part.id)
        values = dict(part.values)
        if "board" in values:
            values["board"] = _renamed(values["board"], boards)
        at = None if part.at is None else _finite(to(part.at), part.id)
        label = _next_label(build, part.label)
        copy = replace(part, id=names[part.id], at=at, label=label, values=values)
        build = replace(build, parts=(*build.parts, copy))
        made.append(copy.id)
    for lead in piece.leads:
        id_ = next_id(build, lead.id)
        copied = replace(
            lead,
            id=id_,
            from_=_moved_to(lead.from_, names),
            to=_moved_to(lead.to, names),
            via=tuple(_finite(to(p), lead.id) for p in lead.via),
        )
        build = replace(build, leads=(*build.leads, copied))
        made.append(id_)
    return Placed(build, tuple(made))


def _hung_up(
    before: Build, ids: tuple[str, ...], placed: Placed, to: Callable[[Point], Point]
) -> Placed:
    """Copies of the leads that run from what was copied to what was not."""
    originals = [part for part in before.parts if part.id in set(ids)]
    names = {
        part.id: new for part, new in zip(originals, placed.ids[: len(originals)], strict=True)
    }
    # A joint's copy with all its leads again would be a net nobody asked for.
    alone = {p.id for p in originals if kind_of(p).series or p.kind in ("joint", "motor")}
    # What hangs on a part is no place to hang on.
    hanging = {p.id for p in before.parts if p.kind == "motor" or _hangs(p)}
    build, made = placed.build, list(placed.ids)
    for lead in before.leads:
        ends = (lead.from_, lead.to)
        inner = [end for end in ends if owner_of(end) in names]
        outer = [end for end in ends if owner_of(end) not in names]
        if len(inner) != 1 or owner_of(inner[0]) in alone or owner_of(outer[0]) in hanging:
            continue
        if any(end.partition(".")[2] in _SINGLE_PORTS for end in ends):
            continue
        copied = replace(
            lead,
            id=next_id(build, lead.id),
            from_=_moved_to(lead.from_, names),
            to=_moved_to(lead.to, names),
            via=tuple(to(p) for p in lead.via),
        )
        after = replace(build, leads=(*build.leads, copied))
        # As much slack as the original: compared under the copy's own id.
        original = replace(before, leads=(replace(lead, id=copied.id),))
        build = keeping_slack(original, after)
        made.append(copied.id)
    return Placed(build, tuple(made))


def _hangs(part: Part) -> bool:
    """Whether a part has one pair of terminals and is neither a joint nor a source."""
    kind = kind_of(part)
    return len(kind.ports) == 1 and kind.kind not in ("joint", "battery", "bench_supply")


def next_id(build: Build, id_: str) -> str:
    """`id_` if it is free, else the first free one after it: esc5 after esc1 to esc4."""
    stem = id_.rstrip("0123456789")
    if not stem or stem == id_:
        return fresh_id(build, id_)
    number = int(id_[len(stem) :])
    while fresh_id(build, f"{stem}{number}") != f"{stem}{number}":
        number += 1
    return f"{stem}{number}"


def _next_label(build: Build, label: str) -> str:
    """The first free name after `label`: "ESC 5" after "ESC 1" to "ESC 4"."""
    taken = {part.label for part in build.parts}
    stem = label.rstrip("0123456789")
    if not label or label not in taken or not stem:
        return label
    number = int(label[len(stem) :] or 1) + 1
    stem = stem if stem != label else f"{label} "
    while f"{stem}{number}" in taken:
        number += 1
    return f"{stem}{number}"[:200]


def _address(id_: str, port: str) -> str:
    return f"{id_}.{port}" if port else id_


def _moved_to(address: str, names: dict[str, str]) -> str:
    owner, dot, port = address.partition(".")
    return names.get(owner, owner) + dot + port


def _free_boards(build: Build, piece: Build) -> dict[str, str]:
    """Board names of a piece to names that the build has not."""
    taken = {_text(part.values["board"]) for part in build.parts if "board" in part.values}
    out: dict[str, str] = {}
    for part in piece.parts:
        if "board" not in part.values:
            continue
        name = _text(part.values["board"])
        if name in out:
            continue
        free, number = name, 2
        while free in taken:
            free, number = f"{name} {number}", number + 1
        out[name] = free
        taken.add(free)
    return out


def _renamed(given: Given, names: dict[str, str]) -> Given:
    name = names[_text(given)]
    return replace(given, value=name) if isinstance(given, Quantity) else name


def _text(given: Given) -> str:
    return str(given.value if isinstance(given, Quantity) else given)


def _finite(at: Point, owner: str) -> Point:
    if not all(map(math.isfinite, at)):
        raise BadField(f"{owner}.at", "is not a finite place", "Give millimetres")
    return (round(at[0], 3), round(at[1], 3))

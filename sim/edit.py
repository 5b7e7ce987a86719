"""What a gesture on the canvas or a line on a part sheet does to a build.

Every function takes a build and gives a new one; the old one stays as it was, so
undo is keeping it. Places are in mm from the frame's middle, x right, y to the rear.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable, Mapping, Sequence

from msgspec.structs import replace

from sim import quantity
from sim.errors import BadField, Conflict, WrongPort
from sim.options import owner_of
from sim.records import (
    Build,
    Change,
    Conductor,
    Deck,
    Event,
    Given,
    Lead,
    Option,
    Part,
)
from sim.resolve import find_port, given_number, kind_of, nearest_names, resolve_lead, value_of
from sim.shelf import ShelfPart, put_in

Point = tuple[float, float]

#: How much shorter than its way a lead may be before it is said, in mm: drawing is not exact.
WAY_SLACK_MM = 2.0
#: A lead that has a length keeps at least this much of it, in mm.
SHORTEST_MM = 1.0


# --- looking ------------------------------------------------------------------------


def pad_position(build: Build, address: str) -> Point:
    """Where the pads of an address are, in mm; a part without a place is in the middle.

    Raises
    ------
    WrongPort   if there is no such part or port
    """
    part, port = find_port(build, address)
    x, y = part.at or (0.0, 0.0)
    dx, dy = port.offset_mm
    turn = math.radians(part.turn)
    cos, sin = math.cos(turn), math.sin(turn)
    return x + dx * cos - dy * sin, y + dx * sin + dy * cos  # y points down: this is clockwise


def way_mm(build: Build, lead: Lead) -> float:
    """Length of the drawn way of a lead, pad to pad through its points, in mm."""
    points = (pad_position(build, lead.from_), *lead.via, pad_position(build, lead.to))
    return _way(points)


def length_mm(lead: Lead) -> float | None:
    """The typed length of a lead in mm, None if it has none.

    Raises
    ------
    BadUnit   if the text is no length
    """
    if lead.length is None:
        return None
    return given_number(lead.length, "m", f"{lead.id}.length") * 1e3


def leads_of(build: Build, id_: str) -> tuple[Lead, ...]:
    """The leads that end on a part."""
    return tuple(x for x in build.leads if id_ in (owner_of(x.from_), owner_of(x.to)))


def fresh_id(build: Build, stem: str) -> str:
    """`stem`, or `stem` with the first free number; options' own parts count as taken."""
    taken = {p.id for p in build.parts} | {x.id for x in build.leads}
    taken |= {c.add.id for o in build.options for c in o.changes if c.add is not None}
    stem = re.sub(r"[^A-Za-z0-9_]+", "_", stem).strip("_")[:50] or "part"
    if stem not in taken:
        return stem
    number = 2
    while f"{stem}{number}" in taken:
        number += 1
    return f"{stem}{number}"


# --- adding ---------------------------------------------------------------------------


def add_part(build: Build, part: Part) -> Build:
    """With a part that hangs free.

    Raises
    ------
    Conflict   if its id is taken
    """
    _check_free(build, part.id)
    return replace(build, parts=(*build.parts, part))


def add_lead(build: Build, lead: Lead) -> Build:
    """With a lead.

    Raises
    ------
    Conflict    if its id is taken or both ends are one place
    WrongPort   if an end is no place of the build
    """
    _check_free(build, lead.id)
    ends = [find_port(build, address) for address in (lead.from_, lead.to)]
    if ends[0] == ends[1]:
        raise Conflict(lead.id, "both its ends are one place", "Lead it to another part")
    return replace(build, leads=(*build.leads, lead))


def connect(build: Build, from_: str, to: str, gauge: Given | None = None) -> Build:
    """With a lead as long as the straight way between two addresses. Raises as `add_lead`."""
    lead = Lead(id=fresh_id(build, f"{owner_of(from_)}_lead"), from_=from_, to=to, gauge=gauge)
    return add_lead(build, replace(lead, length=_mm_text(max(way_mm(build, lead), SHORTEST_MM))))


def place_across(build: Build, part: Part, address: str, at: Point | None = None) -> Build:
    """With a part soldered straight across the pads of an address.

    The joint between is a plain one: what legs a part has is a value of its own.

    Parameters
    ----------
    at : place of the part's middle; None: as the part has it, or else on the pads

    Raises
    ------
    WrongPort   if the address is no place, or the part has more than one port
    Conflict    if its id is taken
    """
    x, y = pad_position(build, address)
    placed = replace(part, at=at or part.at or (x, y))
    ports = kind_of(placed).ports
    if len(ports) != 1:
        raise WrongPort(part.id, "has more than one port", "Splice it into a lead")
    build = add_part(build, placed)
    lead = Lead(id=fresh_id(build, f"{part.id}_joint"), from_=part.id, to=address)
    return add_lead(build, lead)


def splice_in(build: Build, part: Part, lead_id: str) -> Build:
    """With a lead cut in two and a series part between.

    The first half keeps the lead's id and ends on the part's "in"; length, resistance
    and inductance are shared out by distance. A part without a place goes where the
    middle of the lead is, and one that is not turned turns along the lead.

    Raises
    ------
    WrongPort   if there is no such lead, or the part has no "in" and "out"
    Conflict    if its id is taken
    """
    lead = _lead(build, lead_id)
    if {"in", "out"} - {port.name for port in kind_of(part).ports}:
        raise WrongPort(part.id, "has no way through", "Place it across a joint")
    points = (pad_position(build, lead.from_), *lead.via, pad_position(build, lead.to))
    at = part.at or _along(points, 0.5)
    cut = _nearest_segment(points, at)
    turn = part.turn or _direction(points[cut], points[cut + 1])
    placed = replace(part, at=_finite(at, part.id), turn=turn)
    with_part = add_part(build, placed)
    first = replace(lead, to=f"{part.id}.in", via=lead.via[:cut])
    second = replace(
        lead,
        id=fresh_id(with_part, f"{lead_id}_rest"),
        from_=f"{part.id}.out",
        via=lead.via[cut:],
    )
    ways = way_mm(with_part, first), way_mm(with_part, second)
    share = ways[0] / sum(ways) if sum(ways) > 0.0 else 0.5
    slack = (length_mm(lead) or 0.0) - _way(points)  # below 0 where the drawing is not exact
    first = _shared(first, share, ways[0] + slack * share)
    second = _shared(second, 1.0 - share, ways[1] + slack * (1.0 - share))
    leads: list[Lead] = []
    for each in build.leads:
        leads += [first, second] if each.id == lead_id else [each]
    options = tuple(_also_remove(option, lead_id, part.id) for option in build.options)
    return replace(with_part, leads=tuple(leads), options=options)


def _shared(lead: Lead, share: float, length: float) -> Lead:
    """A piece of a cut lead: `share` of its resistance and inductance, its own length."""
    changes: dict[str, Given] = {}
    if lead.length is not None:
        changes["length"] = _mm_text(max(length, SHORTEST_MM))
    for key, unit in (("resistance", "Ohm"), ("inductance", "H")):
        given = getattr(lead, key)
        if given is not None:
            changes[key] = _text(given_number(given, unit, f"{lead.id}.{key}") * share, unit)
    return replace(lead, **changes)


def _also_remove(option: Option, lead_id: str, part_id: str) -> Option:
    """An option that takes a lead away takes what was spliced into it, too."""
    changes: list[Change] = []
    for change in option.changes:
        changes.append(change)
        if change.remove == lead_id:
            changes.append(Change(remove=part_id))
    return replace(option, changes=tuple(changes))


# --- taking away ------------------------------------------------------------------------


def remove(build: Build, ids: Iterable[str]) -> Build:
    """Without these parts and leads, and without what names them.

    A series part between exactly two leads leaves them joined to one. Other parts take
    their leads with them. Clips, changes of options, courses and load steps that name
    what is gone, go too; ids that are not there are passed over.
    """
    for id_ in ids:
        part = build.part(id_)
        if part is not None:
            build = _without_part(build, part)
        elif build.lead(id_) is not None:
            build = replace(build, leads=tuple(x for x in build.leads if x.id != id_))
            build = _without_mentions(build, {id_})
    return build


def _without_part(build: Build, part: Part) -> Build:
    healed = _healed(build, part)
    ends = leads_of(build, part.id)
    gone = {part.id} | {lead.id for lead in ends if healed is None or lead.id != healed.id}
    leads: list[Lead] = []
    for lead in build.leads:
        if healed is not None and lead.id == healed.id:
            leads.append(healed)
        elif lead.id not in gone:
            leads.append(lead)
    parts = tuple(p for p in build.parts if p.id != part.id)
    return _without_mentions(replace(build, parts=parts, leads=tuple(leads)), gone)


def _healed(build: Build, part: Part) -> Lead | None:
    """The one lead that the two leads of a series part become, or None."""
    ends = leads_of(build, part.id)
    if not kind_of(part).series or len(ends) != 2:
        return None
    by_port: dict[str, Lead] = {}
    for lead in ends:
        for address in (lead.from_, lead.to):
            if owner_of(address) == part.id:
                by_port[address.partition(".")[2]] = lead
    if set(by_port) != {"in", "out"} or by_port["in"] == by_port["out"]:
        return None
    first, second = by_port["in"], by_port["out"]
    if owner_of(first.from_) == part.id:
        first = _reversed(first)
    if owner_of(second.to) == part.id:
        second = _reversed(second)
    if first.conductor != second.conductor or first.from_ == second.to:
        return None
    body = math.dist(pad_position(build, f"{part.id}.in"), pad_position(build, f"{part.id}.out"))
    return _in_a_row(first, second, body)


def _in_a_row(first: Lead, second: Lead, body_mm: float) -> Lead:
    """Two leads as one. Lengths add, with the part's own, and the first's gauge holds; where
    one has typed resistance or inductance, the loops' resistances and inductances add.
    """
    from sim.lead import conductors

    changes: dict[str, Given | None] = {}
    both = (first, second)
    if any(x.resistance is not None or x.inductance is not None for x in both):
        loops = [conductors(resolve_lead(x), x.conductor) for x in both]
        changes["resistance"] = _text(sum(x.loop_resistance_ohm for x in loops), "Ohm")
        changes["inductance"] = _text(sum(x.loop_inductance_h for x in loops), "H")
        changes["length"] = None
    else:
        lengths = [mm for x in both if (mm := length_mm(x)) is not None]
        if lengths:
            changes["length"] = _mm_text(sum(lengths) + body_mm)
        if first.length is None:
            for key in ("gauge", "spacing", "twist_pitch", "temperature", "width", "thickness"):
                changes[key] = getattr(second, key)
    return replace(first, to=second.to, via=(*first.via, *second.via), **changes)


def _reversed(lead: Lead) -> Lead:
    return replace(lead, from_=lead.to, to=lead.from_, via=lead.via[::-1])


def _without_mentions(build: Build, gone: set[str]) -> Build:
    clips = tuple(
        c
        for c in build.clips
        if owner_of(c.tip) not in gone and (c.ground is None or owner_of(c.ground) not in gone)
    )
    options = tuple(
        replace(o, changes=tuple(c for c in o.changes if not _mentions(c, gone)))
        for o in build.options
    )
    events = tuple(e for event in build.events if (e := _event_without(event, gone)) is not None)
    return replace(build, clips=clips, options=options, events=events)


def _mentions(change: Change, gone: set[str]) -> bool:
    if isinstance(change.add, Lead):
        return owner_of(change.add.from_) in gone or owner_of(change.add.to) in gone
    target = change.remove or change.bypass or change.set
    return target is not None and owner_of(target) in gone


def _event_without(event: Event, gone: set[str]) -> Event | None:
    if event.part in gone:
        return None
    courses = {id_: course for id_, course in event.courses.items() if id_ not in gone}
    if event.courses and not courses and not event.course:
        return None
    return replace(event, courses=courses) if courses != event.courses else event


# --- changing ---------------------------------------------------------------------------


def move_part(build: Build, id_: str, at: Point) -> Build:
    """With a part elsewhere; its leads keep their slack.

    New length = new way + old slack. A plain joint counts as length 0 of whatever way it
    is drawn, so it becomes a lead when its part is drawn away and a joint again when it
    is brought back. Typed resistance and inductance stay.

    Raises
    ------
    WrongPort   if there is no such part
    """
    part = _part(build, id_)
    return keeping_slack(build, _with_part(build, replace(part, at=_finite(at, id_))))


def move_parts(build: Build, places: Mapping[str, Point]) -> Build:
    """With several parts elsewhere at once: leads between them stay as they are.

    Raises as `move_part`.
    """
    parts = {id_: replace(_part(build, id_), at=_finite(at, id_)) for id_, at in places.items()}
    moved = tuple(parts.get(part.id, part) for part in build.parts)
    return keeping_slack(build, replace(build, parts=moved))


def turn_part(build: Build, id_: str, turn: float) -> Build:
    """With a part turned to `turn` degrees clockwise; its leads keep their slack."""
    part = _part(build, id_)
    return keeping_slack(build, _with_part(build, replace(part, turn=turn % 360.0)))


def set_deck(build: Build, id_: str, deck: Deck) -> Build:
    """With a part on another deck."""
    return _with_part(build, replace(_part(build, id_), deck=deck))


def set_via(build: Build, lead_id: str, via: Sequence[Point]) -> Build:
    """With a lead led through other points; it keeps its slack."""
    lead = replace(_lead(build, lead_id), via=tuple(_finite(p, lead_id) for p in via))
    return keeping_slack(build, _with_lead(build, lead))


def set_value(build: Build, id_: str, field: str, given: Given | None) -> Build:
    """With one value of a part changed; None takes the default.

    Raises
    ------
    BadUnit, BadField   if the kind has no such field or the value is not allowed
    WrongPort           if there is no such part
    """
    part = _part(build, id_)
    fields = {f.name: f for f in kind_of(part).fields}
    if field not in fields:
        hint = nearest_names(field, tuple(fields), "Allowed are")
        raise BadField(f"{id_}.{field}", "is no key here", hint)
    if given is None:
        if fields[field].required:
            raise BadField(f"{id_}.{field}", "is missing", f"It is needed: {fields[field].help}")
        values = {key: value for key, value in part.values.items() if key != field}
    else:
        value_of(given, fields[field], f"{id_}.{field}")
        values = {**part.values, field: given}
    return _with_part(build, replace(part, values=values))


def exchange(build: Build, id_: str, item: ShelfPart) -> Build:
    """With a part exchanged for one of the shelf.

    Raises
    ------
    WrongPort, BadField   if there is no such part, or the shelf's is of another kind
    """
    return _with_part(build, put_in(_part(build, id_), item))


def set_lead_value(build: Build, lead_id: str, field: str, given: Given | None) -> Build:
    """With one value of a lead changed; None takes it away. Raises as `set_value`."""
    from sim.lead import LEAD_FIELDS

    lead = _lead(build, lead_id)
    fields = {f.name: f for f in LEAD_FIELDS}
    if field not in fields:
        hint = nearest_names(field, tuple(fields), "Allowed are")
        raise BadField(f"{lead_id}.{field}", "is no key here", hint)
    if given is not None:
        known = value_of(given, fields[field], f"{lead_id}.{field}")
        if field == "conductor":  # a word of the file, not a value with a mark
            given = str(known)
        elif field == "length":
            _refuse_short(build, lead, float(str(known)) * 1e3)
    elif field == "conductor":
        given = "pair"
    return _with_lead(build, replace(lead, **{field: given}))


def _refuse_short(build: Build, lead: Lead, mm: float) -> None:
    """A lead cannot be shorter than the straight line between its pads.

    Where it is drawn so already, as a file may have it, it may at least not get shorter.
    """
    ends = [build.part(owner_of(address)) for address in (lead.from_, lead.to)]
    if any(end is None or end.at is None for end in ends):
        return
    straight = math.dist(pad_position(build, lead.from_), pad_position(build, lead.to))
    if mm < straight - WAY_SLACK_MM and mm < (length_mm(lead) or math.inf):
        raise BadField(
            f"{lead.id}.length",
            f"{mm:.4g} mm is shorter than the {straight:.0f} mm between its pads",
            f"Give at least {math.ceil(straight)} mm, or move the parts together",
        )


def set_conductor(build: Build, lead_id: str, conductor: Conductor) -> Build:
    """With a lead that is a pair, or its plus or minus conductor alone."""
    return _with_lead(build, replace(_lead(build, lead_id), conductor=conductor))


def rename(build: Build, id_: str, label: str) -> Build:
    """With another name of a part on screen; its id stays.

    Raises
    ------
    BadField   if the name is longer than 200 characters or holds a line break
    """
    part = _part(build, id_)
    if len(label) > 200 or not label.isprintable():
        raise BadField(f"{id_}.label", "is no name", "Allowed are 200 characters on one line")
    return _with_part(build, replace(part, label=label))


def keeping_slack(before: Build, after: Build) -> Build:
    """`after` with the leads whose way has changed as much longer or shorter."""
    was = {part.id: part for part in before.parts}
    moved = {part.id for part in after.parts if was.get(part.id) is not part}
    old_leads = {lead.id: lead for lead in before.leads}
    leads = []
    for lead in after.leads:
        old = old_leads.get(lead.id)
        # Looked at in every frame of a drag: what nothing has touched is not measured.
        touched = old is not lead or not moved.isdisjoint(_owners(lead))
        if touched and old is not None and lead.resistance is None and lead.inductance is None:
            grown = way_mm(after, lead) - way_mm(before, old)
            if abs(grown) > 1e-9:
                lead = _longer(lead, grown)
        leads.append(lead)
    return replace(after, leads=tuple(leads))


def _owners(lead: Lead) -> tuple[str, str]:
    return owner_of(lead.from_), owner_of(lead.to)


def _longer(lead: Lead, grown_mm: float) -> Lead:
    length = (length_mm(lead) or 0.0) + grown_mm
    plain = lead.gauge is None and lead.spacing is None and lead.twist_pitch is None
    if plain and length < 0.05:
        return replace(lead, length=None)
    return replace(lead, length=_mm_text(max(length, SHORTEST_MM)))


# --- small things -------------------------------------------------------------------------


def _check_free(build: Build, id_: str) -> None:
    if build.part(id_) is not None or build.lead(id_) is not None:
        raise Conflict(id_, "is there already", "Give it its own id")


def _part(build: Build, id_: str) -> Part:
    part = build.part(id_)
    if part is None:
        raise WrongPort(id_, "there is no such part")
    return part


def _lead(build: Build, id_: str) -> Lead:
    lead = build.lead(id_)
    if lead is None:
        raise WrongPort(id_, "there is no such lead")
    return lead


def _with_part(build: Build, part: Part) -> Build:
    return replace(build, parts=tuple(part if p.id == part.id else p for p in build.parts))


def _with_lead(build: Build, lead: Lead) -> Build:
    return replace(build, leads=tuple(lead if x.id == lead.id else x for x in build.leads))


def _finite(point: Point, owner: str) -> Point:
    x, y = (round(float(c), 3) if math.isfinite(c) else math.nan for c in point)
    if math.isnan(x) or math.isnan(y):
        raise BadField(f"{owner}.at", "is not a finite place", "Give millimetres")
    return x, y


def _way(points: Sequence[Point]) -> float:
    return sum(math.dist(a, b) for a, b in itertools.pairwise(points))


def _along(points: Sequence[Point], share: float) -> Point:
    """The point at a share of the way."""
    left = _way(points) * share
    for a, b in itertools.pairwise(points):
        piece = math.dist(a, b)
        if piece > 0.0 and left <= piece:
            t = left / piece
            return a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])
        left -= piece
    return points[-1]


def _nearest_segment(points: Sequence[Point], at: Point) -> int:
    """Index of the piece of a way that lies nearest to a point."""

    def off(index: int) -> float:
        a, b = points[index], points[index + 1]
        dx, dy = b[0] - a[0], b[1] - a[1]
        square = dx * dx + dy * dy
        t = ((at[0] - a[0]) * dx + (at[1] - a[1]) * dy) / square if square > 0.0 else 0.0
        t = min(max(t, 0.0), 1.0)
        return math.dist(at, (a[0] + t * dx, a[1] + t * dy))

    return min(range(len(points) - 1), key=off)


def _direction(a: Point, b: Point) -> float:
    """Degrees clockwise from the right in which `b` lies as seen from `a`."""
    return round(math.degrees(math.atan2(b[1] - a[1], b[0] - a[0])), 1) % 360.0


def _mm_text(mm: float) -> str:
    """A length as it stands in a file; a tenth of a millimetre is finer than a hand is."""
    return f"{mm:.1f}".removesuffix(".0") + " mm"


def _text(value: float, unit: str) -> str:
    return quantity.format(value, unit, 6)

"""Advice that is worked out: the smallest change that brings everything within.

Moves are tried on the build itself, the least trouble first: shorter legs, a carrier that the
firmware has, a part off the shelf in place of one that is there, a part more on the pads or at
every ESC, then two of them together. A move is held against more and more: the event that
decides on one ESC timing, every event on one, a whole flight, every event on a few timings and
at last on all. The first that is over ends it, so that all timings, which cost most, are
worked out for what holds, and told as soon as a few of them hold.
Ripple ratings are for hours, events last milliseconds: they are left to a whole flight
(`sim.heat`), which is worked out for the answer and said with it. A change that cooks a can
over such a flight (above 105 °C, and hotter than before) is none.

`pwm_sweep` shows how the carrier meets the supply's own resonance.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from msgspec.structs import replace

from sim import quantity
from sim.errors import BadField, Cancelled, SimError
from sim.options import apply
from sim.parts import KINDS
from sim.records import Build, Change, Event, Lead, Option, Part, Quantity
from sim.resolve import event_index, events_of, option_index, resolve
from sim.shelf import ShelfPart, shelf
from sim.tolerance import WORDS, replace_options
from sim.verdict import WITHIN

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from sim.api import Case
    from sim.findings import Cell

#: Legs a careful builder gets, m; common practice, no source.
SHORT_LEGS_M = 5e-3
#: Carriers that ESC firmware offers, Hz; usual values in trade guides.
CARRIERS_HZ = (24e3, 48e3, 96e3)
#: Trouble of a move: flashing, cutting legs, swapping a part, adding one, and of each gram.
_FLASH, _CUT, _SWAP, _ADD, _GRAM = 1.0, 1.5, 3.0, 4.0, 0.25
#: Quick tries use so many ESC timings, and what is told early holds on so many.
_QUICK, _FEW = 1, 4
#: Singles that pairs are made of, and most pairs tried.
_PAIRED, _PAIRS = 6, 12
_CANS = ("electrolytic", "polymer")
#: Temperature that usual cans are rated for, °C.
_HOTTEST_C = 105.0


@dataclass(frozen=True)
class Move:
    """One thing to do to a build.

    Attributes
    ----------
    says : in words, as an order: "Shorten the legs of Main capacitor from 20 mm to 5 mm"
    why : where its figures are from
    trouble : how much of a change it is; smaller is tried first
    grams : what it adds
    """

    says: str
    why: str
    changes: tuple[Change, ...]
    trouble: float
    grams: float = 0.0


@dataclass(frozen=True)
class Tried:
    """A move and the worst use of a limit it leads to, in the event that decided before."""

    moves: tuple[Move, ...]
    worst: Cell


@dataclass(frozen=True)
class Advice:
    """The smallest change found.

    Attributes
    ----------
    moves : what to do; none where all is within already, or nothing found
    before, after : the limit that decides, as it is and with the moves; `after` is over all
        events and ESC timings
    option : the moves as an option of the drawn build
    within : all is within its limits with the moves
    tried : how many moves were tried, and the best of those that fell short
    sentence : all of it in words, with figures and where they are from
    """

    moves: tuple[Move, ...]
    before: Cell
    after: Cell
    option: Option | None
    within: bool
    tried: int
    runners_up: tuple[Tried, ...]
    sentence: str

    def to_json_dict(self) -> dict[str, object]:
        """Plain data."""
        return {
            "sentence": self.sentence,
            "within": self.within,
            "tried": self.tried,
            "moves": [
                {"says": move.says, "why": move.why, "grams": move.grams} for move in self.moves
            ],
            "before": dict(vars(self.before)),
            "after": dict(vars(self.after)),
            "runners_up": [
                {"says": [m.says for m in t.moves], "worst": dict(vars(t.worst))}
                for t in self.runners_up
            ],
        }


def moves_for(build: Build) -> tuple[Move, ...]:
    """All single moves for a build as drawn, the least trouble first."""
    found: list[Move] = []
    found += _legs(build)
    found += _carriers(build)
    found += _swaps(build)
    found += _additions(build)
    return tuple(sorted(found, key=lambda move: move.trouble))


def _name(part: Part) -> str:
    return part.label or f"{KINDS[part.kind].title} {part.id}"


def _legs(build: Build) -> list[Move]:
    out = []
    for part in build.parts:
        if part.kind not in _CANS:
            continue
        legs = resolve(part).number("leg_length")
        if legs > 1.2 * SHORT_LEGS_M:
            change = Change(set=f"{part.id}.leg_length", value=SHORT_LEGS_M)
            out.append(
                Move(
                    f"Shorten the legs of {_name(part)} from {_show(legs, 'm')} to "
                    f"{_show(SHORT_LEGS_M, 'm')}",
                    "1.2 nH per mm of legs, our guess",
                    (change,),
                    _CUT,
                )
            )
    return out


def _carriers(build: Build) -> list[Move]:
    escs = [part for part in build.parts if part.kind == "esc"]
    if not escs:
        return []
    now = {resolve(part).number("pwm_frequency") for part in escs}
    out = []
    for hz in CARRIERS_HZ:
        if now != {hz}:
            changes = tuple(Change(set=f"{part.id}.pwm_frequency", value=hz) for part in escs)
            were = ", ".join(_show(v, "Hz") for v in sorted(now))
            out.append(
                Move(
                    f"Set the ESCs' PWM frequency from {were} to {_show(hz, 'Hz')}",
                    "a usual choice of ESC firmware",
                    changes,
                    _FLASH + (0.2 if hz > 50e3 else 0.0),
                )
            )
    return out


def _fits(build: Build, candidate: ShelfPart) -> bool:
    """Its rated voltage stands a fifth above the highest the supply gives."""
    rated = quantity.parse(_plain(candidate.values["rated_voltage"]), "V")
    return rated >= 1.2 * _supply(build)


def _plain(given: object) -> str | float:
    value = given.value if isinstance(given, Quantity) else given
    assert isinstance(value, (str, float, int))
    return value


def _supply(build: Build) -> float:
    from sim.assemble import assemble

    network = assemble(build, skip_free=True)
    return max((abs(b.value) for b in network.branches if b.type == "source"), default=0.0)


def _grams(part: Part) -> float:
    return 1e3 * (resolve(part).optional("mass") or 0.0)


def _shelf_cans(build: Build) -> list[ShelfPart]:
    return [p for p in shelf() if p.kind in _CANS and _fits(build, p)]


def _swaps(build: Build) -> list[Move]:
    """Each can, with all its equals, against bigger or better ones of its kind's shelf."""
    out = []
    groups: dict[tuple[object, ...], list[Part]] = {}
    for part in build.parts:
        if part.kind in _CANS:
            given = resolve(part).as_dict()
            groups.setdefault((part.kind, *sorted(given.items())), []).append(part)
    shelf_cans = _shelf_cans(build)
    for parts in groups.values():
        values = resolve(parts[0])
        farad, esr = values.number("capacitance"), values.number("esr")
        rated = values.optional("rated_voltage") or 0.0
        better = []
        for candidate in shelf_cans:
            new = resolve(candidate.part("x"))
            volts = new.optional("rated_voltage") or 0.0
            gains = new.number("esr") < 0.9 * esr or new.number("capacitance") > 1.2 * farad
            if (gains or volts > rated) and volts >= min(rated, 1e9):
                better.append((_grams(candidate.part("x")), candidate))
        # nearby sizes say enough: the five lightest
        for grams, candidate in sorted(better, key=lambda item: item[0])[:5]:
            changes = []
            for part in parts:
                changes += _set_all(part, candidate)
            more = len(parts) * (grams - _grams(parts[0]))
            each = "each of " if len(parts) > 1 else ""
            names = _name(parts[0]) + (f" and {len(parts) - 1} alike" if len(parts) > 1 else "")
            out.append(
                Move(
                    f"Replace {each}{names} by a {candidate.title} ({candidate.size})",
                    _origin(candidate),
                    tuple(changes),
                    _SWAP + 0.5 * len(parts) + _GRAM * max(more, 0.0),
                    more,
                )
            )
    return out


def _set_all(part: Part, candidate: ShelfPart) -> list[Change]:
    """Values of a shelf part that the part's own kind knows; a polymer can is set alike."""
    known = {field.name for field in KINDS[part.kind].fields}
    return [
        Change(set=f"{part.id}.{key}", value=value)
        for key, value in candidate.values.items()
        if key in known
    ]


def _origin(candidate: ShelfPart) -> str:
    marks = [
        WORDS[value.mark]
        for value in candidate.values.values()
        if isinstance(value, Quantity) and value.mark is not None
    ]
    words = " and ".join(dict.fromkeys(marks)) or "our guess"
    return f"generic part of the shelf, {words}"


def _additions(build: Build) -> list[Move]:
    """A can more on the joint that feeds the ESCs, or one at every ESC."""
    out = []
    escs = [part for part in build.parts if part.kind == "esc"]
    joint = _feeding_joint(build, [part.id for part in escs])
    lightest = sorted(_shelf_cans(build), key=lambda p: _grams(p.part("x")))
    for candidate in lightest[:8]:
        grams = _grams(candidate.part("x"))
        if joint is not None:
            name = next(p.label or p.id for p in build.parts if p.id == joint)
            out.append(
                Move(
                    f"Add a {candidate.title} ({candidate.size}) on {name}, legs "
                    f"{_show(SHORT_LEGS_M, 'm')}",
                    _origin(candidate),
                    _added(build, candidate, [joint]),
                    _ADD + _GRAM * grams,
                    grams,
                )
            )
    for candidate in lightest[:4] if len(escs) > 1 else []:
        grams = len(escs) * _grams(candidate.part("x"))
        out.append(
            Move(
                f"Add a {candidate.title} ({candidate.size}) at each of the {len(escs)} ESCs, legs "
                f"{_show(SHORT_LEGS_M, 'm')}",
                _origin(candidate),
                _added(build, candidate, [f"{part.id}.in" for part in escs]),
                _ADD + 1.0 * len(escs) + _GRAM * grams,
                grams,
            )
        )
    return out


def _feeding_joint(build: Build, escs: Sequence[str]) -> str | None:
    """The joint most ESCs hang on; the first joint where there is no ESC."""
    joints = [part.id for part in build.parts if part.kind == "joint"]
    if not joints:
        return None
    hung = dict.fromkeys(joints, 0)
    for lead in build.leads:
        ends = [address.partition(".")[0] for address in (lead.from_, lead.to)]
        for one, other in (ends, ends[::-1]):
            if one in hung and other in escs:
                hung[one] += 1
    return max(joints, key=lambda joint: hung[joint])


def _added(build: Build, candidate: ShelfPart, places: Sequence[str]) -> tuple[Change, ...]:
    taken = {part.id for part in build.parts} | {lead.id for lead in build.leads}
    changes: list[Change] = []
    for place in places:
        number = next(n for n in itertools.count(1) if f"more{n}" not in taken)
        taken |= {f"more{number}", f"to_more{number}"}
        owner = build.part(place.partition(".")[0])
        at = None if owner is None or owner.at is None else (owner.at[0] + 9.0, owner.at[1] + 9.0)
        part = candidate.part(f"more{number}", at)
        part = replace(part, values={**part.values, "leg_length": SHORT_LEGS_M})
        changes.append(Change(add=part))
        changes.append(Change(add=Lead(id=f"to_more{number}", from_=f"more{number}", to=place)))
    return tuple(changes)


# --- the search --------------------------------------------------------------------------


def smallest_change(
    build: Build,
    option: str | int | None = None,
    *,
    aim: Literal["within", "close"] = "within",
    seeds: int = 16,
    detail: Literal["averaged", "edges"] = "edges",
    before: Cell | None = None,
    tell: Callable[[str], None] | None = None,
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Advice:
    """The least trouble that brings every limit of an option within (or close, at the most).

    Parameters
    ----------
    seeds : ESC timings the answer is held against
    before : the limit that decides the option as it is, if a comparison over all events and
        timings has found it already; ripple ratings are no such limit
    tell : told a sentence on what holds so far, before all timings are worked out
    progress : told the share done, 0 to 1; it jumps to 1 where an answer is found early

    Raises
    ------
    BadField   if nothing of the build has a limit
    Cancelled   if `cancelled` says so
    DocumentError, NetworkError, SolveError
    """
    at = option_index(build, option)
    name = "as drawn" if at is None else build.options[at].name
    drawn = replace_options(apply(build, None if at is None else build.options[at]))
    most = WITHIN if aim == "within" else 1.0
    found = _Held(drawn, detail, cancelled)
    # over already on one timing: the others can only be worse, and are asked at the end
    now = found.worst(_QUICK) if before is None else before
    if now.used <= most and before is None:
        now = found.worst(seeds)
    if now.used <= most:
        text = f"Nothing to change: {_said(now)}."
        return Advice((), now, now, None, True, 0, (), text)
    singles = moves_for(drawn)
    total = len(singles) + _PAIRS
    done = 0
    tried: list[Tried] = []
    cooks: list[tuple[Move, ...]] = []
    before_c: list[float] = []

    def allowed_c() -> float:
        if not before_c:
            before_c.append(_hottest(drawn, cancelled))
        return max(_HOTTEST_C, before_c[0])

    def say(moves: tuple[Move, ...], worst: Cell, how: str) -> None:
        if tell is not None:
            orders = ", and ".join(move.says for move in moves)
            tell(f"{how}: {orders}; then {_said(worst)}.")

    def attempt(moves: tuple[Move, ...]) -> Cell | None:
        nonlocal done
        changes = tuple(change for move in moves for change in move.changes)
        worst = None
        try:
            moved = apply(drawn, Option(name="tried", changes=changes))
            held = _Held(moved, detail, cancelled)
            worst = held.worst(_QUICK, [now.event])
            if worst.used <= most:
                worst = held.worst(_QUICK, most=most)
            if worst.used <= most and _hottest(moved, cancelled) > allowed_c():
                cooks.append(moves)
                worst = None
            for some, more in ((_QUICK, _FEW), (_FEW, seeds)):
                # where nothing chops one timing is as good as all
                if worst is not None and worst.used <= most and held.chops:
                    say(moves, worst, f"On {some} of {seeds} ESC timings it is enough")
                    worst = held.worst(min(more, seeds), most=most)
        except Cancelled:
            raise
        except SimError:
            # a move that cannot be built or solved is none
            pass
        if worst is not None:
            nearest = min((t.worst.used for t in tried), default=now.used)
            tried.append(Tried(moves, worst))
            if most < worst.used < nearest:
                say(moves, worst, "Not enough, the nearest so far")
        done += 1
        if progress is not None:
            progress(min(done / total, 1.0))
        return worst

    def decided() -> Cell:
        """The limit that decides as it is, over all timings."""
        return found.worst(seeds, [now.event]) if before is None else before

    for move in singles:
        worst = attempt((move,))
        if worst is not None and worst.used <= most:
            return _found(drawn, (move,), decided(), worst, tried, name, seeds, progress, cancelled)
    cool = [t for t in tried if t.moves not in cooks]
    best = sorted(cool, key=lambda t: t.worst.used)[:_PAIRED]
    pairs = [
        (a.moves[0], b.moves[0])
        for a, b in itertools.combinations(best, 2)
        if not _clash(a.moves[0], b.moves[0])
    ]
    pairs.sort(key=lambda pair: pair[0].trouble + pair[1].trouble)
    for pair in pairs[:_PAIRS]:
        worst = attempt(pair)
        if worst is not None and worst.used <= most:
            return _found(drawn, pair, decided(), worst, tried, name, seeds, progress, cancelled)
    if progress is not None:
        progress(1.0)
    ranked = sorted((t for t in tried if t.moves not in cooks), key=lambda t: t.worst.used)
    nearest = ranked[0] if ranked else None
    now = decided()
    text = f"No change of those tried ({len(tried)}) brings {name} {aim}. Now: {_said(now)}."
    if nearest is not None and nearest.worst.used < now.used:
        orders = ", and ".join(move.says for move in nearest.moves)
        text += f" The nearest: {orders}; then {_said(nearest.worst)}."
    after = nearest.worst if nearest is not None else now
    return Advice((), now, after, None, False, len(tried), tuple(ranked[:5]), text)


def _clash(one: Move, other: Move) -> bool:
    """Both set or add the same thing."""
    names = [
        {change.set or getattr(change.add, "id", "") for change in move.changes}
        for move in (one, other)
    ]
    return bool(names[0] & names[1])


def _hottest(build: Build, cancelled: Callable[[], bool] | None) -> float:
    """Core of the hottest can over a flight, °C; 0 without cans or ESCs."""
    from sim.heat import flight

    if not any(part.kind == "esc" for part in build.parts):
        return 0.0
    return max((can.core_C for can in flight(build, cancelled=cancelled)), default=0.0)


def _warmth(build: Build, cancelled: Callable[[], bool] | None) -> str:
    """The can that a flight warms most, in words; "" where there is none or no ESC."""
    from sim.heat import flight

    if not any(part.kind == "esc" for part in build.parts):
        return ""
    cans = flight(build, cancelled=cancelled)
    if not cans:
        return ""
    hot = max(cans, key=lambda can: can.core_C)
    part = next(p for p in build.parts if p.id == hot.part)
    text = f" Over a flight {_name(part)} carries {_show(hot.rms_A, 'A')} of ripple"
    if hot.rated_ripple_A is not None:
        passes = hot.rms_A > hot.rated_ripple_A
        text += f"{', over its rated' if passes else ', rated'} {_show(hot.rated_ripple_A, 'A')}"
    return f"{text}, its core {hot.core_C:.0f} °C."


def _found(
    drawn: Build,
    moves: tuple[Move, ...],
    before: Cell,
    after: Cell,
    tried: Sequence[Tried],
    name: str,
    seeds: int,
    progress: Callable[[float], None] | None,
    cancelled: Callable[[], bool] | None,
) -> Advice:
    orders = ", and ".join(move.says for move in moves)
    why = "; ".join(dict.fromkeys(move.why for move in moves))
    grams = sum(move.grams for move in moves)
    weight = f", {grams:+.1f} g" if abs(grams) >= 0.05 else ""
    text = (
        f"{orders}{weight} ({why}). {_said(before)}; then the worst of all is {_said(after)}. "
        f"Of {len(tried)} changes tried on {name} the one of least trouble; worst of {seeds} "
        "ESC timings over all events."
    )
    changes = tuple(change for move in moves for change in move.changes)
    option = Option(name=f"{name}, changed", changes=changes)
    text += _warmth(apply(drawn, option), cancelled)
    if progress is not None:
        progress(1.0)
    others = tuple(sorted((t for t in tried if t.moves != moves), key=lambda t: t.worst.used)[:5])
    return Advice(moves, before, after, option, True, len(tried), others, text)


class _Held:
    """A build held against its limits, over few ESC timings or many; set up once."""

    def __init__(
        self,
        build: Build,
        detail: Literal["averaged", "edges"],
        cancelled: Callable[[], bool] | None,
    ) -> None:
        self._build, self._detail, self._cancelled = build, detail, cancelled
        self._cases: dict[str, Case] = {}
        #: How near each event came to its limits last: the nearest is asked first.
        self._near: dict[str, float] = {}

    @property
    def chops(self) -> bool:
        """Whether ESC timings make a difference in what has been looked at."""
        return any(case.chops for case in self._cases.values())

    def worst(
        self, seeds: int, events: Sequence[str] | None = None, most: float | None = None
    ) -> Cell:
        """The limit that decides, in some events or all; the first above `most` ends it.

        Raises
        ------
        BadField   if nothing has a limit
        """
        from sim.api import cells_over_timings, prepare

        names = [e.name for e in events_of(self._build)] if events is None else list(events)
        names.sort(key=lambda name: -self._near.get(name, 0.0))
        found: list[Cell] = []
        for name in names:
            if self._cancelled is not None and self._cancelled():
                raise Cancelled("search", "stopped for a newer request")
            if name not in self._cases:
                self._cases[name] = prepare(self._build, event_index(self._build, name) + 1)
            case = self._cases[name]
            tries = seeds if self._detail == "edges" and case.chops else 1
            rated = [
                cell
                for cell in cells_over_timings(
                    case, "As drawn", self._detail, range(tries), self._cancelled
                )
                if cell.reads != "RMS"
            ]
            found += rated
            self._near[name] = max((cell.used for cell in rated), default=0.0)
            if most is not None and self._near[name] > most:
                break
        if not found:
            raise BadField("advice", "no part here has a limit", "Give one a limit")
        return max(found, key=lambda cell: cell.used)


def _said(cell: Cell) -> str:
    return (
        f"{cell.label} {cell.reads} {_show(cell.value, cell.unit)} in {cell.event}, "
        f"{cell.rating} {_show(cell.limit, cell.unit)}: {cell.verdict}"
    )


def _show(value: float, unit: str) -> str:
    return quantity.format(value, unit, 3)


# --- PWM frequency against the supply ------------------------------------------------------


@dataclass(frozen=True)
class SweepPoint:
    """One carrier: what an ESC's supply does at a steady duty, V."""

    hz: float
    pp_V: float
    peak_V: float
    rms_ac_V: float


@dataclass(frozen=True)
class Sweep:
    """PWM frequencies against the supply's resonance.

    Attributes
    ----------
    place : where it is read
    resonance_hz, resonance_ohm, damping : of the supply seen there; None where nothing rings
        between 1 kHz and 2 MHz
    points : by rising frequency
    sentence : in words
    """

    place: str
    duty: float
    resonance_hz: float | None
    resonance_ohm: float | None
    damping: float | None
    points: tuple[SweepPoint, ...]
    sentence: str


def pwm_sweep(
    build: Build,
    option: str | int | None = None,
    *,
    carriers_hz: Sequence[float] = (16e3, 24e3, 32e3, 48e3, 64e3, 96e3, 128e3),
    duty: float = 0.6,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Sweep:
    """Ripple at the first ESC over its carrier, beside where the supply rings.

    Raises
    ------
    BadField   if the build has no ESC, or a carrier or the duty is out of range
    Cancelled   if `cancelled` says so
    DocumentError, NetworkError, SolveError
    """
    from sim.api import solve
    from sim.impedance import impedance

    at = option_index(build, option)
    drawn = replace_options(apply(build, None if at is None else build.options[at]))
    escs = [part.id for part in drawn.parts if part.kind == "esc"]
    if not escs:
        raise BadField("sweep", "the build has no ESC", "Place one")
    if not 0.0 < duty < 1.0:
        raise BadField("sweep", f"duty {duty:g} does not chop", "Give a duty between 0 and 1")
    place = f"{escs[0]}.in"
    event = Event(name="Steady", kind="steady", duration=4e-3, duty=duty)
    drawn = replace(drawn, events=(event,))
    seen = impedance(drawn, place)
    rings = [m for m in seen.modes if m.damping < 0.5 and 1e3 < m.hz < 2e6]
    peak = None
    if rings:
        near = [(float(v), float(f)) for v, f in zip(seen.values, seen.hz, strict=True)
                if any(abs(f - m.hz) < 0.3 * m.hz for m in rings)]  # fmt: skip
        peak = max(near)
    points = []
    for done, hz in enumerate(sorted(carriers_hz), 1):
        changes = tuple(Change(set=f"{esc}.pwm_frequency", value=hz) for esc in escs)
        run = solve(apply(drawn, Option(name="", changes=changes)), seed=seed, cancelled=cancelled)
        joints, _ = run.figures(1e-3, run.duration_s)
        joint = next(j for j in joints if j.id == place)
        assert joint.pp_V is not None
        assert joint.peak_V is not None
        points.append(SweepPoint(hz, joint.pp_V, joint.peak_V, joint.rms_ac_V))
        if progress is not None:
            progress(done / len(carriers_hz))
    worst, least = max(points, key=lambda p: p.pp_V), min(points, key=lambda p: p.pp_V)
    name = _name(next(p for p in drawn.parts if p.id == escs[0]))
    text = (
        f"At {name}, duty {100 * duty:.0f} %: {_show(worst.pp_V, 'V')} peak to peak at "
        f"{_show(worst.hz, 'Hz')}, {_show(least.pp_V, 'V')} at {_show(least.hz, 'Hz')}"
    )
    damping = None
    if peak is not None:
        damping = min(rings, key=lambda m: abs(m.hz - peak[1])).damping
        _, times = min((abs(math.log(n * worst.hz / peak[1])), n) for n in range(1, 20))
        multiple = "it" if times == 1 else f"{times} times it"
        text += (
            f". The supply there rings at {_show(peak[1], 'Hz')} ({_show(peak[0], 'Ohm')}, damping "
            f"{damping:.2f}); {_show(worst.hz, 'Hz')} has {multiple} at "
            f"{_show(times * worst.hz, 'Hz')}"
        )
    return Sweep(
        place,
        duty,
        None if peak is None else peak[1],
        None if peak is None else peak[0],
        damping,
        tuple(points),
        text + ".",
    )

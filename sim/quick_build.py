"""A build from a few answers, so that nobody has to draw before he sees something.

What is not answered is not made up: the build takes the plausible value that strains the
parts most, the other plausible one becomes a what-if option beside it, and both are said.
Everything starts from two samples; an answer that is the sample's own changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from msgspec.structs import replace

from sim import edit, quantity
from sim.build import load
from sim.errors import BadField
from sim.options import apply, difference
from sim.records import Build, Clip, Given, Lead, Mark, Option, Part, Quantity

Board = Literal["four_in_one", "separate"]
Hurt = Literal["lines", "reboots", "twitches", "burnt", "nothing"]

CELLS: Final = (1, 2, 3, 4, 5, 6, 8)
PROPELLERS: Final = (1.2, 2.0, 3.0, 5.0, 7.0, 9.0)
BOARDS: Final[tuple[Board, ...]] = ("four_in_one", "separate")
HURTS: Final[tuple[Hurt, ...]] = ("lines", "reboots", "twitches", "burnt", "nothing")
MOST_LEAD_MM: Final = 1000.0
MOST_UF: Final = 10_000.0

_GUESS = "our guess from the size"
_AS_NOW = ", as now"


@dataclass(frozen=True)
class Answers:
    """What somebody says of his quad; None is "don't know".

    Attributes
    ----------
    cells : one of CELLS
    propeller_inch : one of PROPELLERS
    board : one board for all ESCs, or an ESC on each arm
    lead_mm : pack lead from its plug to the pads
    capacitor_uf : of the main capacitor, 0 where there is none
    hurts : what brought him here; () is the same as None
    """

    cells: int | None = None
    propeller_inch: float | None = None
    board: Board | None = None
    lead_mm: float | None = None
    capacitor_uf: float | None = None
    hurts: tuple[Hurt, ...] | None = None


@dataclass(frozen=True)
class Assumption:
    """One thing that was not asked or not known.

    Attributes
    ----------
    what, value, why : "Pack lead", "160 mm", "not known: 60 to 160 mm, the worst is drawn"
    mark : as in the file
    open : it was asked and not known: both ends of it are among the options
    """

    what: str
    value: str
    why: str
    mark: Mark = "assumed"
    open: bool = False

    def __str__(self) -> str:
        return f"{self.what}: {self.value} ({self.why})"


@dataclass(frozen=True)
class QuickBuild:
    """The build, and what it takes for granted; what is not known comes first."""

    build: Build
    assumptions: tuple[Assumption, ...]


@dataclass(frozen=True)
class _Size:
    """What usually goes with a propeller. All our guesses within what such quads have."""

    frame: str
    reach: float  # of the motors, over that of a 5-inch frame
    cells: tuple[int, ...]  # plausible, the fewest first
    boards: tuple[Board, ...]
    lead_mm: tuple[float, float]
    gauge: str
    arm_gauge: str
    capacity: str
    cell_resistance: str
    pack_resistance: str
    pack_inductance: str
    kv_cells: float  # kv times cells
    ohm: float  # line to line, at `at_cells`
    henry: float
    at_cells: int
    inertia: str
    amps: float
    carrier: str
    ceramics_uf: float
    main_uf: float
    local_uf: float


_SIZES: Final[dict[float, _Size]] = {
    1.2: _Size("whoop", 0.31, (1, 2), ("four_in_one",), (25.0, 60.0), "22 AWG", "26 AWG",
               "450 mAh", "35 mOhm", "25 mOhm", "15 nH", 20000.0, 0.22, 12e-6, 1,
               "6e-8 kg m2", 7.0, "48 kHz", 10.0, 100.0, 22.0),
    2.0: _Size("x-3", 0.5, (2, 3), ("four_in_one",), (35.0, 80.0), "20 AWG", "24 AWG",
               "450 mAh", "20 mOhm", "15 mOhm", "30 nH", 16000.0, 0.18, 12e-6, 2,
               "3e-7 kg m2", 12.0, "48 kHz", 12.0, 220.0, 47.0),
    3.0: _Size("x-3", 0.64, (3, 4), ("four_in_one",), (40.0, 90.0), "18 AWG", "22 AWG",
               "650 mAh", "14 mOhm", "9 mOhm", "40 nH", 13800.0, 0.11, 11e-6, 3,
               "1.1e-6 kg m2", 22.0, "48 kHz", 15.0, 220.0, 47.0),
    5.0: _Size("x-5", 1.0, (4, 6), ("four_in_one", "separate"), (60.0, 160.0), "14 AWG",
               "18 AWG", "1300 mAh", "4.5 mOhm", "5 mOhm", "70 nH", 10200.0, 0.058, 16e-6, 5,
               "7.5e-6 kg m2", 55.0, "24 kHz", 20.0, 470.0, 220.0),
    7.0: _Size("x-7", 1.41, (4, 6), ("four_in_one", "separate"), (80.0, 200.0), "12 AWG",
               "16 AWG", "4000 mAh", "6 mOhm", "6 mOhm", "120 nH", 7800.0, 0.06, 26e-6, 6,
               "2.2e-5 kg m2", 45.0, "24 kHz", 30.0, 1000.0, 220.0),
    9.0: _Size("x-9", 1.91, (6, 8), ("four_in_one", "separate"), (120.0, 260.0), "10 AWG",
               "14 AWG", "5200 mAh", "3 mOhm", "4 mOhm", "150 nH", 6800.0, 0.055, 30e-6, 8,
               "6.5e-5 kg m2", 70.0, "24 kHz", 30.0, 1000.0, 470.0),
}  # fmt: skip
#: Volts of MOSFETs and of capacitors, and the share of a ceramic left, by cells. The first two
#: are the usual classes (common practice, no source), the last our guess.
_MOSFET_V = {1: 12, 2: 20, 3: 30, 4: 30, 5: 40, 6: 40, 8: 60}
_CAN_V = {1: 10, 2: 16, 3: 25, 4: 35, 5: 35, 6: 35, 8: 63}
_LOAD_V = {5: 36.0, 6: 36.0, 8: 42.0}  # most that loads for these cells bear; our guess
_LEFT = {1: 0.9, 2: 0.75, 3: 0.6, 4: 0.45, 5: 0.37, 6: 0.3, 8: 0.25}


@dataclass(frozen=True)
class _Sample:
    """A sample that builds start from, and the answers that it is."""

    preset: str
    cells: int
    propeller_inch: float
    lead_mm: float
    capacitor_uf: float


_SAMPLES: Final[dict[Board, _Sample]] = {
    "separate": _Sample("arms_4s_analogue", 4, 5.0, 80.0, 470.0),
    "four_in_one": _Sample("board_6s_digital", 6, 5.0, 90.0, 1000.0),
}
#: Motor drag of a 5-inch propeller, N m s2: 0.0866 N m at 25 000 rpm, measured data of a 5x4.3
#: propeller, University of Illinois vol. 2. Torque goes with the fifth power of the diameter.
_DRAG_5IN = 12.63e-9
_SHORTEST_LEAD_MM = 15.0


@dataclass(frozen=True)
class _Known:
    """Answers without holes."""

    cells: int
    propeller_inch: float
    board: Board
    lead_mm: float
    capacitor_uf: float
    hurts: tuple[Hurt, ...]


def quick_build(answers: Answers) -> QuickBuild:
    """A build that solves, from whatever was answered.

    Raises
    ------
    BadField   if an answer is none of those allowed
    """
    _check(answers)
    drawn, others, assumptions = _filled(answers)
    build, _ = _one(drawn, answers)
    options = list(build.options)
    for name, other in others:
        alternative, its_now = _one(other, answers)
        changes = difference(build, apply(alternative, its_now))
        options.append(Option(name=name, changes=changes, what_if=True))
    assumptions = [*assumptions, *_usual(drawn, build)]
    notes = "Made from a few answers. " + " ".join(f"{a}." for a in assumptions)
    build = replace(build, options=tuple(options), notes=notes)
    return QuickBuild(build, tuple(assumptions))


def plausible_cells(propeller_inch: float | None) -> tuple[int, ...]:
    """Cells that go with a propeller; with none, of a 5-inch quad."""
    return _SIZES[propeller_inch or 5.0].cells


def _check(answers: Answers) -> None:
    for name, value, allowed in (
        ("cells", answers.cells, CELLS),
        ("propeller", answers.propeller_inch, PROPELLERS),
        ("board", answers.board, BOARDS),
    ):
        if value is not None and value not in allowed:
            words = ", ".join(f"{a:g}" if isinstance(a, float) else str(a) for a in allowed)
            raise BadField(name, f"{value} is not known", f"Allowed are {words}")
    for name, number, low, high, unit in (
        ("lead length", answers.lead_mm, _SHORTEST_LEAD_MM, MOST_LEAD_MM, "mm"),
        ("capacitor", answers.capacitor_uf, 0.0, MOST_UF, "µF"),
    ):
        if number is not None and not low <= number <= high:
            raise BadField(
                name, f"{number:g} {unit} is outside its range", f"Give {low:g} to {high:g} {unit}"
            )
    for hurt in answers.hurts or ():
        if hurt not in HURTS:
            raise BadField("what hurts", f"{hurt!r} is not known", f"Allowed: {', '.join(HURTS)}")


def _filled(
    answers: Answers,
) -> tuple[_Known, list[tuple[str, _Known]], list[Assumption]]:
    """The case that is drawn, the others to hold beside it, and what was not known."""
    said: list[Assumption] = []
    inches = _inches(answers)
    inch = answers.propeller_inch or inches[-1]
    size = _SIZES[inch]
    if answers.propeller_inch is None:
        said.append(_not_known("Propeller", inches, f"{inch:g} inch", "inch"))
    cells = answers.cells or size.cells[-1]
    if answers.cells is None:
        said.append(_not_known("Cells", size.cells, f"{cells}S", "cells"))
    board = answers.board or size.boards[-1]
    if answers.board is None:
        why = (
            "not known: one board or an ESC on each arm; the one with longer leads is drawn"
            if len(size.boards) > 1
            else "usual for this size"
        )
        value = "an ESC on each arm" if board == "separate" else "one board"
        said.append(Assumption("ESCs", value, why, open=len(size.boards) > 1))
    lead = answers.lead_mm if answers.lead_mm is not None else size.lead_mm[1]
    if answers.lead_mm is None:
        said.append(_not_known("Pack lead", size.lead_mm, f"{lead:g} mm", "mm"))
    farad = answers.capacitor_uf
    if farad is None:
        why = "not known: drawn without one, which is worst; a usual one stands beside it"
        said.append(Assumption("Main capacitor", "none", why, open=True))
    drawn = _Known(cells, inch, board, lead, farad or 0.0, answers.hurts or ())
    others: list[tuple[str, _Known]] = []
    if answers.propeller_inch is None:
        others += [
            (f"If {other:g} inch", _vary(drawn, propeller_inch=other))
            for other in inches
            if other != inch
        ]
    if answers.cells is None:
        others += [(f"If {n}S", _vary(drawn, cells=n)) for n in size.cells if n != cells]
    if answers.board is None:
        others += [("If on one board", _vary(drawn, board=b)) for b in size.boards if b != board]
    if answers.lead_mm is None:
        short = size.lead_mm[0]
        others.append((f"If the lead is {short:g} mm", _vary(drawn, lead_mm=short)))
    return drawn, others, said


def _vary(known: _Known, **changes: object) -> _Known:
    import dataclasses

    return dataclasses.replace(known, **changes)  # type: ignore[arg-type]


def _inches(answers: Answers) -> tuple[float, ...]:
    """Plausible propellers, the smallest first."""
    if answers.cells is None:
        return (5.0, 7.0)
    return tuple(inch for inch, size in _SIZES.items() if answers.cells in size.cells)[:2] or (
        (5.0, 7.0)
    )


def _not_known(what: str, ends: tuple[float, ...], value: str, unit: str) -> Assumption:
    if len(ends) < 2:
        return Assumption(what, value, "usual for this size")
    between = "to" if unit == "mm" else "or"
    return Assumption(
        what,
        value,
        f"not known: {ends[0]:g} {between} {ends[-1]:g} {unit}; the harder case is drawn",
        open=True,
    )


def _one(known: _Known, answers: Answers) -> tuple[Build, Option]:
    """A build of known answers, and its option that is the quad as it is now."""
    sample = _SAMPLES[known.board]
    build = load(sample.preset)
    size = _SIZES[known.propeller_inch]
    if known.propeller_inch != sample.propeller_inch:
        build = _resized(build, size)
    if (known.cells, known.propeller_inch) != (sample.cells, sample.propeller_inch):
        build = _with_size(build, size, known)
    build = _with_lead(build, known, sample)
    build = _with_capacitor(build, known, sample, size)
    build = _with_video(build, known)
    build, now = _with_options(build, known, answers)
    return _with_view(build, known), now


def _given(value: Given, source: str = _GUESS, mark: Mark = "assumed") -> Quantity:
    assert not isinstance(value, Quantity)
    return Quantity(value=value, mark=mark, source=source)


def _set(build: Build, kinds: tuple[str, ...], values: dict[str, Given]) -> Build:
    """These values for all parts of some kinds."""
    parts = tuple(
        replace(p, values={**p.values, **values}) if p.kind in kinds else p for p in build.parts
    )
    return replace(build, parts=parts)


def _resized(build: Build, size: _Size) -> Build:
    """Parts where they are on a frame of another size; what sits on an arm goes with its ESC."""
    by_id = {p.id: p for p in build.parts}
    targets: dict[str, tuple[float, float]] = {}
    separate = not any("board" in p.values for p in build.parts if p.kind == "esc")
    for part in build.parts:
        if part.at is None:
            continue
        x, y = part.at
        host = by_id.get(f"esc{part.id[-1]}")
        rides = separate and part.kind in ("ceramic", "electrolytic") and host is not None
        if part.kind == "motor" or (separate and part.kind == "esc"):
            targets[part.id] = (round(x * size.reach, 1), round(y * size.reach, 1))
        elif rides and host is not None and host.at is not None:
            hx, hy = host.at
            targets[part.id] = (
                round(hx * size.reach + x - hx, 1),
                round(hy * size.reach + y - hy, 1),
            )
        elif part.kind == "camera":
            targets[part.id] = (x, round(y * size.reach, 1))
        elif size.frame == "whoop" and part.id in _ON_A_WHOOP:
            targets[part.id] = _ON_A_WHOOP[part.id]
    build = replace(edit.move_parts(build, targets), frame=size.frame)
    if size.frame == "whoop":
        build = edit.set_deck(build, "vtx", "top")
    return replace(build, leads=tuple(_to_reach(build, lead) for lead in build.leads))


#: A whoop has no room behind its board: what stands there on other frames.
_ON_A_WHOOP: Final = {"lc": (-9.0, 37.0), "vtx": (0.0, -14.0)}


def _to_reach(build: Build, lead: Lead) -> Lead:
    """A lead that has become shorter than its way gets the length of it."""
    length = edit.length_mm(lead)
    way = edit.way_mm(build, lead)
    if length is None or length >= way:
        return lead
    return replace(lead, length=_given(f"{way:.0f} mm", "as long as its way"))


def _with_size(build: Build, size: _Size, known: _Known) -> Build:
    """Pack, motors, ESCs and ceramics as they usually are for the propeller and cells."""
    cells = known.cells
    kv = round(size.kv_cells / cells, -2 if size.kv_cells / cells > 1500 else -1)
    wound = (cells / size.at_cells) ** 2
    build = _set(build, ("battery",), {
        "cells": cells,
        "capacity": _given(size.capacity),
        "cell_resistance": _given(size.cell_resistance),
        "resistance": _given(size.pack_resistance),
        "inductance": _given(size.pack_inductance),
    })  # fmt: skip
    parts = tuple(
        replace(p, label=f"Pack {cells}S") if p.kind == "battery" else p for p in build.parts
    )
    build = replace(build, parts=parts)
    rewound = "same copper wound for this speed per volt, worked out from our guess"
    drag = _DRAG_5IN * (known.propeller_inch / 5.0) ** 5
    build = _set(build, ("motor",), {
        "kv": _given(f"{kv:g} rpm/V", "usual speed for these cells, our guess"),
        "resistance": _given(quantity.format(size.ohm * wound, "Ohm", 3), rewound, "derived"),
        "inductance": _given(quantity.format(size.henry * wound, "H", 3), rewound, "derived"),
        "inertia": _given(size.inertia),
        "drag": _given(
            drag, "measured data of a 5x4.3 propeller, University of Illinois vol. 2, times the "
            "fifth power of the diameter", "derived",
        ),
    })  # fmt: skip
    build = _set(build, ("esc",), {
        "pwm_frequency": _given(size.carrier),
        "mosfet_rating": _given(f"{_MOSFET_V[cells]} V", "usual class for these cells"),
        "current_limit": _given(f"{size.amps:g} A"),
        "brake_current_limit": _given(f"{size.amps:g} A"),
    })  # fmt: skip
    left = size.ceramics_uf * _LEFT[cells]
    build = _set(build, ("ceramic",), {
        "capacitance": _given(
            f"{left:.3g} uF",
            f"{size.ceramics_uf:g} µF an output, of which {_LEFT[cells]:g} is left; our guess",
            "derived",
        ),
    })  # fmt: skip
    build = _set(build, ("electrolytic",), {
        "capacitance": _given(f"{size.local_uf:g} uF"),
        "esr": _given(_can_esr(size.local_uf)),
        "rated_voltage": _given(f"{_CAN_V[cells]} V", "usual class for these cells"),
    })  # fmt: skip
    build = _set(build, ("lc_stage",), {"rated_voltage": _given(f"{_CAN_V[cells]} V")})
    return _with_supplies(_with_arm_gauge(build, size), cells)


def _with_supplies(build: Build, cells: int) -> Build:
    """Loads that live on this pack: what they need and bear goes with its cells."""
    parts = []
    for part in build.parts:
        if "minimum_voltage" in part.values and "maximum_voltage" in part.values:
            low = min(_volt(part, "minimum_voltage"), 2.7 * cells)
            high = max(_volt(part, "maximum_voltage"), _LOAD_V.get(cells, 0.0))
            part = replace(
                part,
                values={
                    **part.values,
                    "minimum_voltage": _given(f"{low:.3g} V"),
                    "maximum_voltage": _given(f"{high:.3g} V"),
                },
            )
        parts.append(part)
    return replace(build, parts=tuple(parts))


def _volt(part: Part, key: str) -> float:
    given = part.values[key]
    value = given.value if isinstance(given, Quantity) else given
    assert isinstance(value, (str, int, float))
    return quantity.parse(value, "V")


def _with_arm_gauge(build: Build, size: _Size) -> Build:
    leads = []
    for lead in build.leads:
        if lead.gauge is not None and lead.id.startswith(("arm", "main")):
            gauge = size.gauge if lead.id == "main" else size.arm_gauge
            lead = replace(lead, gauge=_given(gauge), spacing=None)
        leads.append(lead)
    return replace(build, leads=tuple(leads))


def _with_lead(build: Build, known: _Known, sample: _Sample) -> Build:
    """The pack's lead; the pack comes nearer where the lead is shorter than its way."""
    lead = build.lead("main")
    assert lead is not None
    pack = build.part("pack")
    assert pack is not None
    assert pack.at is not None
    if known.lead_mm == sample.lead_mm and known.propeller_inch == sample.propeller_inch:
        return build
    said = Quantity(value=f"{known.lead_mm:g} mm", mark="measured", source="as answered")
    over = edit.way_mm(build, lead) - known.lead_mm
    if over > 0.0:
        build = edit.move_part(build, "pack", (pack.at[0], round(pack.at[1] - over - 0.5, 1)))
    leads = tuple(replace(x, length=said) if x.id == "main" else x for x in build.leads)
    return replace(build, leads=leads)


def _with_capacitor(build: Build, known: _Known, sample: _Sample, size: _Size) -> Build:
    """The main capacitor: his own, else a usual one to try."""
    farad = known.capacitor_uf
    resized = (known.cells, known.propeller_inch) != (sample.cells, sample.propeller_inch)
    if farad in (0.0, sample.capacitor_uf) and not resized:
        return build
    own = farad > 0.0
    farad = farad or size.main_uf
    values: dict[str, Given] = {
        "capacitance": Quantity(value=f"{farad:g} uF", mark="measured", source="as answered")
        if own
        else _given(f"{farad:g} uF", "usual for this size, our guess"),
        "esr": _given(_can_esr(farad), "our guess for a can of this value"),
        "rated_voltage": _given(f"{_CAN_V[known.cells]} V", "usual class for these cells"),
    }
    parts = tuple(
        replace(p, values={**p.values, **values}) if p.id == "bulk" else p for p in build.parts
    )
    return replace(build, parts=parts)


def _can_esr(farad_uf: float) -> str:
    """Of a low-impedance can: 18 mOhm at 1000 uF, 60 at 220, as in the samples; between by power.

    Our guess.
    """
    return f"{min(18.0 * (1000.0 / farad_uf) ** 0.8, 500.0):.3g} mOhm"


def _analogue(known: _Known) -> bool:
    return "lines" in known.hurts or known.cells <= 4


def _video(known: _Known) -> str:
    """Lines are seen in an analogue picture only; otherwise nobody was asked."""
    return "analogue" if "lines" in known.hurts else "not known"


def _with_video(build: Build, known: _Known) -> Build:
    """Analogue video where there are lines or few cells, else digital."""
    sample = "separate" if _analogue(known) else "four_in_one"
    if known.board == sample and known.cells == _SAMPLES[known.board].cells:
        return _set(build, ("vtx",), {"video": _video(known)})
    watt = 1.3 if known.cells == 1 else 4.7 if _analogue(known) else 12.0
    kind = "analogue" if _analogue(known) else "digital"
    build = _set(build, ("vtx",), {
        "mode": "power",
        "video": _video(known),
        "power": _given(f"{watt:g} W", f"{kind} video, our guess"),
    })  # fmt: skip
    return _set(build, ("lc_stage",), {
        "inductance": _given("10 uH"), "dcr": _given("40 mOhm"),
        "saturation_current": _given("3 A"), "capacitance": _given("470 uF"),
        "esr": _given("60 mOhm"), "esl": _given("12 nH"),
    })  # fmt: skip


def _with_options(build: Build, known: _Known, answers: Answers) -> tuple[Build, Option]:
    """What he has now first and named so; the last of the sample's is kept where lines hurt."""
    bare, one = "No capacitor", "One on the pads"
    now = one if known.capacitor_uf > 0.0 else bare
    # A sample's option that adds wiring shows a fault; faults are for who looks for them.
    own = [o for o in build.options if all(c.add is None for c in o.changes)]
    options = sorted(own, key=lambda o: o.name != now)
    if answers.capacitor_uf is not None:
        options[0] = replace(options[0], name=now + _AS_NOW)
    return replace(build, options=tuple(options)), options[0]


def _with_view(build: Build, known: _Known) -> Build:
    """The event and the places that go with what hurts, first."""
    first = "Punch" if "reboots" in known.hurts else "Chop"
    events = tuple(sorted(build.events, key=lambda e: e.name != first))
    tip = "fc.in" if "reboots" in known.hurts else "vtx.in" if "lines" in known.hurts else "esc3.in"
    others = [c for c in build.clips if c.tip != tip]
    clips = (Clip(tip=tip), *others)
    name = f"My {known.propeller_inch:g}-inch {known.cells}S"
    story = "Made from a few answers: put in what you know of it."
    return replace(build, name=name, story=story, events=events, clips=clips)


#: What is said of the things that were not asked: part, key, words.
_SAID: Final = (
    ("motor1", "kv", "Motors"),
    ("esc1", "mosfet_rating", "ESC MOSFETs"),
    ("esc1", "pwm_frequency", "ESC carrier"),
    ("esc1", "brake_current_limit", "Braking current"),
    ("cer1", "capacitance", "Ceramics left at each ESC"),
    ("pack", "cell_resistance", "Resistance of a cell"),
    ("pack", "inductance", "Pack and plug"),
    ("bulk", "esr", "Main capacitor's ESR"),
    ("bulk", "rated_voltage", "Main capacitor's limit"),
    ("bulk", "leg_length", "Main capacitor's legs"),
    ("vtx", "power", "VTX"),
)


def _usual(known: _Known, build: Build) -> list[Assumption]:
    """Numbers nobody was asked for."""
    rows = []
    for id_, key, words in _SAID:
        part = build.part(id_)
        given = None if part is None else part.values.get(key)
        if isinstance(given, Quantity) and given.mark in ("assumed", "derived", "sourced"):
            value = given.value
            text = quantity.format(value, "N m s2") if isinstance(value, float) else str(value)
            text = text.replace("uF", "µF").replace("mOhm", "mΩ").replace("uH", "µH")
            rows.append(Assumption(words, text, given.source or _GUESS, given.mark))
    rows.append(
        Assumption(
            "Video",
            _video(known),
            "you see lines" if "lines" in known.hurts else "analogue and digital are both told",
        )
    )
    main: Lead | None = build.lead("main")
    if main is not None and isinstance(main.gauge, Quantity):
        rows.append(Assumption("Pack lead's gauge", str(main.gauge.value), _GUESS))
    return rows


#: What each trouble may also be; shown beside the answer so that nobody solders in vain.
NOT_ELECTRICAL: Final[dict[Hurt, str]] = {
    "lines": "Lines may also come from a shared ground or the camera itself.",
    "reboots": "A reboot may also be a loose plug, firmware or a bad regulator.",
    "twitches": "Twitches may also be mechanical or the firmware: bent bells, filters.",
    "burnt": "ESCs also burn from shorts, water and blocked propellers.",
}

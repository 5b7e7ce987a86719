"""What the canvas needs to know of a part, and the words and figures beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sim.errors import SimError
from sim.parts import KINDS
from sim.verdict import LOWER, grown

if TYPE_CHECKING:
    from app.wiring.geometry import Point
    from sim.build import Build, Lead, Part
    from sim.parts import Kind

#: Kinds drawn as a can seen from above, and kinds drawn round.
CANS = ("electrolytic", "polymer")
ROUND = (*CANS, "motor")
CAPACITORS = (*CANS, "ceramic")
SOURCES = ("battery", "bench_supply")

_SHORT = {"camera": "cam", "flight_controller": "FC", "receiver": "RX", "vtx": "VTX"}
_ORDER = {"over": 2, "close": 1, "within": 0}


@dataclass(frozen=True)
class Facts:
    """What a part is, worked out once per change of the part.

    Attributes
    ----------
    size_mm : width and depth before turning
    ports : offset of each port's pads from the middle, before turning
    name, short : full name; a few letters for inside a small box
    summary : the part's own data ("220 µF 35 V")
    across : it is a two-pole part that stands across a joint
    series : current passes from `in` to `out`
    height_mm : above its deck, 0 where it is not known
    """

    size_mm: tuple[float, float]
    ports: dict[str, Point]
    name: str
    short: str
    summary: str
    across: bool
    series: bool
    height_mm: float = 0.0

    def drawn_as(self, other: Facts) -> bool:
        """Whether box and pads are the same; words and height may differ."""
        return (self.size_mm, self.ports) == (other.size_mm, other.ports)

    @property
    def measures(self) -> str:
        """Its size in words: what has to find room."""
        w, d = self.size_mm
        size = f"{w:g} mm across" if abs(w - d) < 0.05 else f"{w:.3g} × {d:.3g} mm"
        return size + (f", {self.height_mm:g} mm high" if self.height_mm else "")


#: The part asked about last: frame and sheet ask about the same one in each step of a drag.
_last: tuple[Part, Facts] | None = None


def facts(part: Part) -> Facts:
    """Facts of a part; a part that cannot be read still gets a box and a name."""
    global _last
    if _last is None or _last[0] is not part:
        _last = (part, _read(part))
    return _last[1]


def _read(part: Part) -> Facts:
    from sim.build import resolve

    kind = KINDS.get(part.kind)
    if kind is None:
        return Facts((14.0, 10.0), {"in": (0.0, 0.0)}, part.label or part.id, "?", "", False, False)
    size, summary, high = (14.0, 10.0), "", 0.0
    try:
        values = resolve(part)
        size, summary = kind.size_mm(values), kind.summary(values)
        high = kind.height_mm(values)
    except SimError:
        summary = "cannot be read"
        legs = values.as_dict().get("leg_length")
        if isinstance(legs, float) and legs > 0:
            summary += f", legs {legs * 1e3:.3g} mm"
    return Facts(
        size_mm=size,
        ports={port.name: port.offset_mm for port in kind.ports},
        name=part_name(part),
        short=_SHORT.get(part.kind, ""),
        summary=summary,
        across=is_across(kind),
        series=kind.series,
        height_mm=high,
    )


def is_across(kind: Kind) -> bool:
    """Whether a kind is a two-pole part that stands across a joint."""
    names = tuple(port.name for port in kind.ports)
    return names == ("in",) and (kind.kind in CAPACITORS or kind.kind in ("clamp", "resistor"))


def part_name(part: Part) -> str:
    """The part's label, else its kind's title with the number its id ends in."""
    if part.label:
        return part.label
    kind = KINDS.get(part.kind)
    title = kind.title if kind else part.id
    digits = part.id[len(part.id.rstrip("0123456789")) :]
    return f"{title} {digits}" if digits else title


def place_name(build: Build, address: str) -> str:
    """Words for an address: the part's name, and the port where it is not the input."""
    owner, _, port = address.partition(".")
    for part in build.parts:
        if part.id == owner:
            kind = KINDS.get(part.kind)
            several = kind is not None and len(kind.ports) > 1
            told = several and port not in ("", "in")
            return f"{part_name(part)} {port}" if told else part_name(part)
    return address


def lead_name(build: Build, lead: Lead) -> str:
    """Words for a lead: where it runs."""
    return f"{place_name(build, lead.from_)} – {place_name(build, lead.to)}"


def lead_summary(lead: Lead) -> str:
    """Length and gauge, or what is typed instead."""
    from sim.build import Quantity

    def text(given: Any) -> str:
        return str(given.value if isinstance(given, Quantity) else given)

    parts = [text(v) for v in (lead.length, lead.gauge) if v is not None]
    if not parts:
        parts = [text(v) for v in (lead.resistance, lead.inductance) if v is not None]
    return ", ".join(parts) or "joined directly"


def ring_words(build: Build, lead: Lead) -> list[str]:
    """Resistance and inductance of a lead, and its share of the ring it is part of."""
    from sim import quantity
    from sim.ring import ring_of

    try:
        ring = ring_of(build, lead)
    except SimError:
        return []
    if ring is None:
        return []
    own = ring.own
    if not own.loop_resistance_ohm and not own.loop_inductance_h:
        return []
    there = "there and back" if own.count == 2 else "one way"
    lines = [
        f"{quantity.format(own.loop_resistance_ohm, 'Ohm', 2)}, "
        f"{quantity.format(own.loop_inductance_h, 'H', 2)} {there}"
    ]
    if own.count == 2 and ring.inductance_h > 0.0:
        names = [place_name(build, id_) for id_ in (ring.source, ring.sink)]
        total = quantity.format(ring.inductance_h, "H", 3)
        lines.append(f"{ring.share * 100:.0f} % of the ring {names[0]} – {names[1]}, {total}")
    return lines


@dataclass(frozen=True)
class Figure:
    """The one number beside a part.

    `verdict` is "within", "close", "over", or "" where nothing is held against a limit.
    """

    text: str
    verdict: str = ""
    used: float = 0.0


def figures(answer: Any) -> dict[str, Figure]:
    """The figure of each part and joint from an answer's figures; empty without one."""
    out: dict[str, Figure] = {}
    if answer is None:
        return out
    for joint in answer.joints:
        peak = joint.peak_V if joint.peak_V is not None else joint.slow_peak_V
        if peak is not None:
            out[joint.id] = Figure(f"{volts(peak)} peak")
    for part in answer.parts:
        uses = [use for use in part.ratings if use.used is not None and use.value is not None]
        if uses:
            worst = max(uses, key=lambda use: (_ORDER.get(use.verdict, 0), use.used))
            out[part.id] = Figure(_use_text(worst), worst.verdict, worst.used)
    return out


def _use_text(use: Any) -> str:
    if use.reads == "growth":
        return grown(use.value)
    if use.reads in LOWER:
        return f"{use.value:.1f} {use.unit}, needs {use.limit:g}"
    digits = 1 if abs(use.value) >= 1 else 2
    return f"{use.value:.{digits}f} {use.unit} of {use.limit:g}"


def volts(value: float) -> str:
    """Volts as people say them."""
    return f"{value:.1f} V" if abs(value) >= 1 else f"{value * 1e3:.0f} mV"

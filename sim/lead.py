"""A lead's geometry to resistance and inductance of its two conductors.

Both conductors of a pair carry a partial self-inductance and share a mutual
inductance. Only so is the common mode right: 100 mm of 12 AWG at 4.5 mm has 67 nH
around the loop and 74 nH for a current that goes out on both conductors at once.
An even split of the loop value without the mutual would give 17 nH there.

Its help page is `HELP`. The formulas and their sources are in `sim.copper` and `sim.skin`.
"""

from __future__ import annotations

from dataclasses import dataclass

from sim import copper, skin
from sim.errors import BadField
from sim.parts.kind import Field, Values
from sim.quantity import awg_diameter_m

DEFAULT_GAUGE_M = awg_diameter_m(14)
#: Copper of 1 oz per square foot.
DEFAULT_THICKNESS_M = 34.8e-6
#: Centre to centre over copper diameter of two silicone-insulated wires side by side.
#: Our guess: 4.5 mm for 12 AWG.
INSULATED = 2.2
#: Of two traces with no spacing given: the two sides of a usual board.
BOARD_M = 1.6e-3

HELP = """A lead: a pair of conductors between two places, or one conductor of it.

    R = 2 rho length / area, rho = (1/58e6 Ohm m) (1 + 0.00393 (temperature - 20 degC))
    L = 2 (self - mutual)
    self = 0.2 nH/mm length (ln(2 length/radius) - 3/4)
    mutual = 0.2 nH/mm length (asinh(length/D) - sqrt(1 + (D/length)^2) + D/length)
    twisted: both times sqrt(1 + (pi D/pitch)^2)
    trace: both as the mutual, at the mean distance of a trace from itself, 0.2231 (w+t),
        and of the two from each other
    skin: Z = R (1 + sum of c_k jw/(w_k + jw)), 1 to 3 terms

D is the spacing from centre to centre. Self and mutual are of each conductor, so that a
current out on both, or out on one and back by another way, meets what it really meets.
With a width the lead is a flat trace of board copper: two traces closer than they are
wide lie over each other on two layers, others side by side. A plus and a minus lead
between the same two places are a pair that was parted: they share their mutual too. Where
a resistance or an inductance is typed it takes the place of the geometry, a typed
inductance half in each conductor without mutual: right for equal currents there and back,
and a ground offset through it says so.

Round wires keep their current to the skin, and a pair to the sides that face each other.
Up to three loops of copper per lead stand for it, within 5 % of the exact resistance up
to 1 MHz. A lead to a lone load has none, as its current is the load's own; nor has one
with typed values, or with skin off.

Sources: resistivity IEC 60028:1925; gauge ASTM B258; inductances Rosa, Bulletin of the
Bureau of Standards 4(2) 301, 1908; traces by Maxwell's mean
distances, within 0.1 % of Terman 1943 after Grover (from memory); skin
effect by Bessel functions, and 1/sqrt(1 - (d/D)^2) times that for a pair at high
frequency (from memory).

Left out: coupling between different leads, bends, what a metal frame or a carbon plate
nearby does, insulation and its capacitance, skin effect of flat traces and of currents
that run the same way in both conductors, warming by its own current. Strands that touch
count as solid copper.
"""

LEAD_FIELDS: tuple[Field, ...] = (
    Field(
        "gauge",
        "AWG",
        "Conductor: 12 AWG, or its copper diameter in mm",
        default=DEFAULT_GAUGE_M,
        low=0.05e-3,
        high=20e-3,
        source="common size of a 4S to 6S main lead",
    ),
    Field(
        "length",
        "m",
        "Length one way, in mm; with none of length, resistance and inductance the lead is "
        "a plain joint",
        low=0.0,
        high=100.0,
    ),
    Field(
        "spacing",
        "m",
        "From the centre of one conductor to the centre of the other, in mm; none: wires side "
        "by side in their insulation, 2.2 copper diameters, and traces on both sides of a board, "
        "1.6 mm",
        low=0.0,
        open_low=True,
        high=10.0,
    ),
    Field(
        "twist_pitch",
        "m",
        "Length of one full turn of a twisted pair, in mm; none: not twisted",
        low=0.0,
        open_low=True,
        high=10.0,
        label="twist pitch",
    ),
    Field(
        "resistance",
        "Ohm",
        "There and back, in mOhm; takes the place of what the geometry gives",
        low=0.0,
        high=1e6,
    ),
    Field(
        "inductance",
        "H",
        "Of the loop, in nH; takes the place of what the geometry gives, half in each "
        "conductor without mutual, which is right for equal currents there and back only",
        low=0.0,
        high=1.0,
    ),
    Field(
        "temperature",
        "degC",
        "Temperature of the copper in °C; it adds 0.39 % of resistance per °C",
        20.0,
        low=-60.0,
        high=200.0,
        source="where wire tables state the resistance",
    ),
    Field(
        "width",
        "m",
        "Width of a flat trace of board copper in mm, in place of a round wire; none: a wire",
        low=0.05e-3,
        high=1.0,
        label="trace width",
    ),
    Field(
        "thickness",
        "m",
        "Thickness of that trace in mm; 0.035 mm is 1 oz copper, 0.07 mm is 2 oz",
        DEFAULT_THICKNESS_M,
        low=1e-6,
        high=10e-3,
        label="trace thickness",
        source="1 oz copper, common practice, no source",
    ),
    Field(
        "skin",
        "flag",
        "Whether a round wire's resistance rises with frequency, as it does; not with a typed "
        "resistance or inductance, nor to a lone load",
        True,
        label="skin effect",
        mark="derived",
        source="it is there in every wire",
    ),
    Field(
        "conductor",
        "choice",
        "What is led: a pair of plus and minus, or one of them alone",
        "pair",
        choices=("pair", "plus", "minus"),
        source="usual",
    ),
)


@dataclass(frozen=True)
class Conductors:
    """What each conductor of a lead is electrically.

    Attributes
    ----------
    count : 2 for a pair, 1 where only plus or minus is led
    resistance_ohm, self_inductance_h : of one conductor
    mutual_inductance_h : between the two of a pair, 0 for a single one
    loops : (ohm, henry) of one conductor's share in each skin-effect loop, see `sim.skin`
    """

    count: int
    resistance_ohm: float
    self_inductance_h: float
    mutual_inductance_h: float
    loops: tuple[tuple[float, float], ...] = ()

    @property
    def loop_resistance_ohm(self) -> float:
        """There and back; of the one conductor where there is only one."""
        return self.count * self.resistance_ohm

    @property
    def loop_inductance_h(self) -> float:
        """Of a current there and back; of the one conductor where there is only one."""
        return self.count * (self.self_inductance_h - self.mutual_inductance_h)

    @property
    def common_inductance_h(self) -> float:
        """Of a current that goes the same way through all conductors, shared evenly."""
        return (self.self_inductance_h + (self.count - 1) * self.mutual_inductance_h) / self.count


def default_spacing_m(diameter_m: float) -> float:
    """Centre to centre of two insulated wires side by side, in m. Our guess."""
    return INSULATED * diameter_m


def is_plain_joint(values: Values) -> bool:
    """True if the lead gives none of length, resistance, inductance: it joins directly."""
    return all(values.optional(name) is None for name in ("length", "resistance", "inductance"))


def splits_evenly(values: Values) -> bool:
    """True if a typed inductance is split evenly, so that offsets along it are a guess."""
    return bool(values.optional("inductance"))


def conductors(values: Values, conductor: str = "pair") -> Conductors:
    """Resistance and inductances of a lead with the resolved `values` of `LEAD_FIELDS`.

    A typed resistance or inductance takes the place of what the length gives. Without a
    length the other one is 0. Of a single conductor the typed value is its own.

    Raises
    ------
    BadField   if the conductors would overlap, or a trace is twisted
    """
    count = 2 if conductor == "pair" else 1
    made = Conductors(count, 0.0, 0.0, 0.0)
    length = values.optional("length")
    if length:
        drawn = _wires if values.optional("width") is None else _traces
        made = drawn(values, length, count)
    ohm, henry = values.optional("resistance"), values.optional("inductance")
    if ohm is None and henry is None:
        return made
    typed = henry is not None
    return Conductors(
        count,
        made.resistance_ohm if ohm is None else ohm / count,
        henry / count if henry is not None else made.self_inductance_h,
        0.0 if typed else made.mutual_inductance_h,
    )


def wire_spacing_m(values: Values) -> float:
    """Centre to centre of the wires of a lead, in m: given, or our guess."""
    spacing = values.optional("spacing")
    return default_spacing_m(values.number("gauge")) if spacing is None else spacing


def _wires(values: Values, length: float, count: int) -> Conductors:
    diameter, celsius = values.number("gauge"), values.number("temperature")
    spacing, pitch = wire_spacing_m(values), values.optional("twist_pitch")
    pair = count == 2
    if pair and spacing < diameter * (1.0 - 1e-9):
        raise BadField(
            f"{values.owner}.spacing",
            f"{spacing * 1e3:.3g} mm is less than the conductor's {diameter * 1e3:.3g} mm",
            "It counts from centre to centre: give more than the conductor's diameter",
        )
    # Both a wire of a helix and its effects grow with its true length.
    twist = copper.twist_factor(spacing, pitch) if pair and pitch is not None else 1.0
    self_h = copper.wire_h(length, diameter / 2.0)
    mutual_h = copper.mutual_h(length, spacing) if pair else 0.0
    loops: tuple[tuple[float, float], ...] = ()
    if values.flag("skin"):
        per_m = skin.loops(diameter, spacing if pair else None, copper.resistivity_ohm_m(celsius))
        loops = tuple((o * length * twist, h * length * twist) for o, h in per_m)
    return Conductors(
        count,
        copper.wire_ohm(diameter, length, celsius) * twist,
        self_h * twist,
        mutual_h * twist,
        loops,
    )


def _traces(values: Values, length: float, count: int) -> Conductors:
    width, thickness = values.number("width"), values.number("thickness")
    if values.optional("twist_pitch") is not None:
        raise BadField(
            f"{values.owner}.twist_pitch",
            "is given, and so is the width of a trace",
            "Twist wires: leave out width, or twist_pitch",
        )
    spacing = values.optional("spacing")
    spacing = BOARD_M if spacing is None else spacing
    if count == 2 and spacing < width and spacing < thickness * (1.0 + 1e-9):
        raise BadField(
            f"{values.owner}.spacing",
            f"{spacing * 1e3:.3g} mm is less than the copper's thickness of "
            f"{thickness * 1e3:.3g} mm",
            "Between layers it counts from the middle of the copper: give more",
        )
    ohm = copper.trace_ohm(width, thickness, length, values.number("temperature"))
    self_h = copper.trace_h(length, width, thickness)
    mutual_h = 0.0
    if count == 2:
        mutual_h = copper.mutual_h(length, copper.trace_distance_m(width, spacing))
    return Conductors(count, ohm, self_h, mutual_h)

"""A lead's geometry to resistance and inductance of its two conductors.

Both conductors of a pair carry a partial self-inductance and share a mutual
inductance. Only so is the common mode right: 100 mm of 12 AWG at 4.5 mm has 67 nH
around the loop and 74 nH for a current that goes out on both conductors at once.
An even split of the loop value without the mutual would give 17 nH there.

Copper at 20 degC, direct current. Left out: skin and proximity effect in the
network (`skin_depth_m` and `ac_resistance_ratio` say how much that is), coupling
between different leads, bends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim import skin
from sim.errors import BadField
from sim.parts.kind import Field, Values
from sim.quantity import awg_diameter_m

#: Ohm metre. IEC 60028:1925, 58 MS/m for annealed copper at 20 degC.
COPPER_OHM_M = 1.0 / 58e6
#: Per kelvin at 20 degC. IEC 60028:1925.
COPPER_PER_K = 0.00393
#: H/m, before the revision of the SI of 2019 exact.
MU0 = 4e-7 * math.pi

DEFAULT_GAUGE_M = awg_diameter_m(14)
#: Centre to centre over copper diameter of two silicone-insulated wires side by side.
#: Our guess: 4.5 mm for 12 AWG.
INSULATED = 2.2
#: Wires shorter than this many radii are no wires: Rosa's form is for long ones.
_SHORTEST_IN_RADII = 10.0

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
        "From the centre of one conductor to the centre of the other, in mm; none: side by "
        "side in their insulation, 2.2 copper diameters",
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
)


@dataclass(frozen=True)
class Conductors:
    """What each conductor of a lead is electrically.

    Attributes
    ----------
    count : 2 for a pair, 1 where only plus or minus is led
    resistance_ohm, self_inductance_h : of one conductor
    mutual_inductance_h : between the two of a pair, 0 for a single one
    loops : (ohm, henry) of each conductor's skin-effect loops, see `sim.skin`
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


def conductors(values: Values, conductor: str = "pair") -> Conductors:
    """Resistance and inductances of a lead with the resolved `values` of `LEAD_FIELDS`.

    A typed resistance or inductance takes the place of what the length gives. Without a
    length the other one is 0. Of a single conductor the typed value is its own.

    Raises
    ------
    BadField   if the conductors would overlap
    """
    count = 2 if conductor == "pair" else 1
    ohm = self_h = mutual_h = 0.0
    rungs: tuple[tuple[float, float], ...] = ()
    length = values.optional("length")
    if length:
        diameter = values.number("gauge")
        spacing = values.optional("spacing")
        if spacing is None:
            spacing = default_spacing_m(diameter)
        if count == 2 and spacing < diameter * (1.0 - 1e-9):
            raise BadField(
                f"{values.owner}.spacing",
                f"{spacing * 1e3:.3g} mm is less than the conductor's {diameter * 1e3:.3g} mm",
                "It counts from centre to centre: give more than the conductor's diameter",
            )
        pitch = values.optional("twist_pitch")
        twist = twist_factor(spacing, pitch) if count == 2 and pitch is not None else 1.0
        ohm = resistance_ohm(diameter, length) * twist
        self_h = self_inductance_h(length, diameter / 2.0) * twist
        mutual_h = mutual_inductance_h(length, spacing) * twist if count == 2 else 0.0
        rungs = tuple(
            (ohm_per_m * length * twist, h_per_m * length * twist)
            for ohm_per_m, h_per_m in skin.loops(
                diameter, spacing if count == 2 else None, COPPER_OHM_M
            )
        )
    typed_ohm = values.optional("resistance")
    if typed_ohm is not None:
        ohm = typed_ohm / count
    typed_h = values.optional("inductance")
    if typed_h is not None:
        self_h, mutual_h = typed_h / count, 0.0
    if typed_ohm is not None or typed_h is not None:
        rungs = ()
    return Conductors(count, ohm, self_h, mutual_h, rungs)


def resistance_ohm(diameter_m: float, length_m: float, temperature_c: float = 20.0) -> float:
    """Of one round copper conductor, direct current. Source: IEC 60028:1925."""
    at_20 = COPPER_OHM_M * length_m / (math.pi / 4.0 * diameter_m**2)
    return at_20 * (1.0 + COPPER_PER_K * (temperature_c - 20.0))


def self_inductance_h(length_m: float, radius_m: float) -> float:
    """Partial self-inductance of a straight round wire, direct current.

    0.2 l (ln(2 l / r) - 3/4) nH with l in mm. Source: Rosa 1908, Bulletin of the Bureau
    of Standards 4(2) 301. It is for l >> r; below ten radii the inductance per length is
    held, so that a lead dragged short never turns negative.
    """
    if length_m == 0.0:
        return 0.0
    slenderness = max(length_m / radius_m, _SHORTEST_IN_RADII)
    return 2e-7 * length_m * (math.log(2.0 * slenderness) - 0.75)


def mutual_inductance_h(length_m: float, spacing_m: float) -> float:
    """Mutual inductance of two equal parallel filaments side by side.

    Source: Neumann's integral, in closed form in Rosa 1908.
    """
    if length_m == 0.0:
        return 0.0
    ratio = length_m / spacing_m
    return 2e-7 * length_m * (math.asinh(ratio) - math.hypot(1.0, 1.0 / ratio) + 1.0 / ratio)


def pair_inductance_per_m(spacing_m: float, radius_m: float, *, internal: bool) -> float:
    """Loop inductance per metre of an infinite pair of round wires, in H/m.

    With `internal` at direct current, (mu0/pi)(ln(D/a) + 1/4); without it at high
    frequency, where the current keeps to the skin, (mu0/pi) acosh(D/2a).
    From memory: any text on transmission lines.
    """
    if internal:
        return MU0 / math.pi * (math.log(spacing_m / radius_m) + 0.25)
    return MU0 / math.pi * math.acosh(spacing_m / (2.0 * radius_m))


def twist_factor(spacing_m: float, pitch_m: float) -> float:
    """How much longer the conductors of a twisted pair are than the pair. Plain geometry."""
    return math.hypot(1.0, math.pi * spacing_m / pitch_m)


def skin_depth_m(frequency_hz: float) -> float:
    """Depth at which the current density has fallen to 1/e, copper at 20 degC."""
    return math.sqrt(COPPER_OHM_M / (math.pi * frequency_hz * MU0))


def ac_resistance_ratio(radius_m: float, frequency_hz: float) -> float:
    """Resistance of a lone round wire over its direct-current value.

    Re[ka I0(ka) / (2 I1(ka))] with ka = (1 + j) a / skin depth. Non-litz strands that
    touch count as solid. From memory: any text on the skin effect.
    """
    z = (1.0 + 1.0j) * radius_m / skin_depth_m(frequency_hz)
    # I(v+1)/I(v) by its continued fraction from far below, where the tail is nothing.
    ratio = 0.0 + 0.0j
    for order in range(int(2.0 * abs(z)) + 40, -1, -1):
        ratio = 1.0 / (2.0 * (order + 1) / z + ratio)
    return (z / (2.0 * ratio)).real

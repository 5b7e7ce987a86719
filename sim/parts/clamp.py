"""An avalanche diode across a joint."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, ClassVar

from sim import quantity
from sim.nonlinear import Curve
from sim.parts.families import SOLDER_CAUTION, leg_fields, leg_h
from sim.parts.kind import Field, Kind, Port, Rating, Values
from sim.pulse_heat import RATED_RISE_K

if TYPE_CHECKING:
    from sim.network import Stamp

#: Current that a breakdown voltage is stated at, in A: data sheets of 600 W parts say 1 mA.
KNEE_A = 1e-3
#: Leakage as a conductance, in S. Our guess: parts leak microamperes at their standoff voltage.
LEAK_S = 1e-6
#: Slope above the knee where none is given, in ohm. Of 600 W parts: 0.44 at 22 V, 0.63 at 26 V,
#: 0.82 at 30 V standoff, worked out from maximum clamp voltage and current in makers' tables.
SLOPE_OHM = 0.6


class Clamp(Kind):
    """An avalanche (transient voltage suppressor) diode across a joint.

        i = next to nothing up to the breakdown voltage, (v - breakdown) / slope above

    Its corner is round, so that 1 mA flows at the breakdown voltage, which is how data sheets
    state it. They give a range: take its upper end for what is let through. The slope is (clamp -
    upper breakdown) / A. One that rests up to 26 V lets some 42 V through, above MOSFETs of 40 V:
    on 6S it seldom helps. One that rests only below the full pack conducts all the time: `check`
    says so. Rated energy is held against the heat of the whole event. A 600 W part stands that
    for 1 ms: some 0.6 J of one pulse (P t, half of it at the half-value time; common practice, no
    source).

    The pulse temperature is worked out from the power over time and the rated pulse, which takes
    the junction from 25 to 175 °C:

        rise = c integral of P(u) / (2 sqrt(t - u)) du

    as heat flows into a thick block, so that a pulse a hundred times shorter may have ten times
    the power, which is what makers' curves show. The limit is a rise of 150 K.

    Sources: makers' tables of 600 W parts (standoff; breakdown; clamps at): 22 V; 24.4 to 28.0;
    35.5 V at 16.9 A. 26 V; 28.9 to 33.2; 42.1 V at 14.2 A. 30 V; 33.3 to 38.3; 48.4 V at 12.4 A.

    Heat: Carslaw and Jaeger, Conduction of Heat in Solids, 2.9 (from memory).

    Where every edge is worked out its corner is sharp: open below where its straight part begins,
    that straight part above. Within a third of a volt of the corner up to 0.1 A less flows then.
    In an event in which it conducts so, ceramics and coils that fade are taken as they are at the
    start, and motors' EMFs without the ripple of commutation.

    Left out: that breakdown rises with temperature (about 0.1 % per K), junction capacitance, and
    that it conducts forwards when reversed.
    """

    kind = "clamp"
    title = "Clamp diode"
    ports = (Port("in"),)
    group = "Filters"
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating("pulse energy", "rated_energy", "joules"),
        Rating("pulse temperature", "pulse_power", "pulse_kelvin"),
    )
    typical: ClassVar[dict[str, str]] = {
        "standoff_voltage": "26 V",
        "breakdown_voltage": "30 V",
        "slope_resistance": "0.6 Ohm",
        "rated_energy": "0.6 J",
        "pulse_power": "600 W",
    }
    cautions = (SOLDER_CAUTION,)
    fields = (
        Field(
            "standoff_voltage",
            "V",
            "Highest supply in V at which it rests; none: not checked",
            low=0.0,
            open_low=True,
            high=1e4,
            label="standoff voltage",
        ),
        Field(
            "breakdown_voltage",
            "V",
            "Voltage in V at which 1 mA flows; data sheets give a range",
            required=True,
            low=0.0,
            open_low=True,
            high=1e4,
            label="breakdown voltage",
        ),
        Field(
            "slope_resistance",
            "Ohm",
            "Volts it lets through more per ampere, in Ohm; 0.4 to 0.8 Ohm is usual",
            SLOPE_OHM,
            low=0.0,
            open_low=True,
            high=1e6,
            label="slope",
            source="worked out from makers' tables of 600 W parts for 22 to 30 V",
        ),
        Field(
            "rated_energy",
            "J",
            "Energy in J it stands in one pulse; none: not checked",
            low=0.0,
            open_low=True,
            high=1e6,
            label="rated energy",
        ),
        Field(
            "pulse_power",
            "W",
            "Peak power in W of the rated pulse, half of it left after 1 ms (10/1000 µs); none: "
            "not checked",
            low=0.0,
            open_low=True,
            high=1e6,
            label="pulse power",
        ),
        *leg_fields(),
    )

    def curve(self, values: Values) -> Curve:
        """Its current over its voltage."""
        breakdown, slope = values.number("breakdown_voltage"), values.number("slope_resistance")
        # as round as a 300th of its voltage, about what a data sheet's knee is
        width = breakdown / 300.0
        # the straight part begins where the corner lets 1 mA through at the breakdown voltage
        beyond = width * math.log(math.expm1(KNEE_A * slope / width))
        return Curve.knee(breakdown - beyond, slope, width, LEAK_S)

    def stamp(self, values: Values, net: Stamp) -> None:
        """The legs, then the curve."""
        plus, minus = net.port("in")
        inner = net.node()
        net.inductor(plus, inner, leg_h(values), "legs")
        net.curve(inner, minus, self.curve(values), "avalanche")

    def limit(self, rating: Rating, values: Values) -> float | None:
        """A rated pulse power allows its rise in temperature."""
        given = super().limit(rating, values)
        return RATED_RISE_K if rating.reads == "pulse_kelvin" and given is not None else given

    def size_mm(self, values: Values) -> tuple[float, float]:
        """The usual case for 600 W."""
        return (5.4, 3.6)

    def height_mm(self, values: Values) -> float:
        """It lies flat."""
        return 2.4

    def summary(self, values: Values) -> str:
        """Where it breaks down."""
        return f"clamps from {quantity.format(values.number('breakdown_voltage'), 'V')}"

    def check(self, values: Values) -> list[str]:
        """A standoff above the breakdown is a slip."""
        standoff = values.optional("standoff_voltage")
        if standoff is None or standoff <= values.number("breakdown_voltage"):
            return []
        return ["The standoff voltage is above the breakdown voltage. Swap them."]

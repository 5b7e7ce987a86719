"""An RC filter as one board."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from sim import quantity
from sim.parts.families import (
    CAPACITOR_CAUTION,
    stage_capacitor_fields,
    stamp_stage_capacitors,
    straight_through,
)
from sim.parts.kind import Field, Kind, Port, Rating, Values

if TYPE_CHECKING:
    from sim.network import Stamp


class RcStage(Kind):
    """An RC filter: a resistor in the plus conductor, a capacitor behind it; minus passes.

        from in to out: resistance
        across out: esr + esl + capacitance, beside it damping_esr + damping_capacitance

    It never resonates, and costs resistance x current of supply: 0.7 V with 4.7 Ohm at 0.15 A.

    Source: Kirchhoff's laws; 4.7 Ohm and 100 µF for a camera are trade advice.

    Left out: that the resistor warms, and its inductance.
    """

    kind = "rc_stage"
    title = "RC stage"
    ports = (Port("in", (-9.0, 0.0)), Port("out", (9.0, 0.0)))
    series = True
    group = "Filters"
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating("voltage limit", "rated_voltage", "peak_volts", "out"),
    )
    typical: ClassVar[dict[str, str]] = {
        "resistance": "4.7 Ohm",
        "capacitance": "100 uF",
        "esr": "100 mOhm",
        "rated_voltage": "35 V",
    }
    cautions = (CAPACITOR_CAUTION,)
    fields = (
        Field(
            "resistance",
            "Ohm",
            "In Ohm, such as 4R7",
            4.7,
            low=0.0,
            high=1e9,
            series="E12",
            source="trade advice for a camera's supply",
        ),
        *stage_capacitor_fields(100e-6),
    )

    def stamp(self, values: Values, net: Stamp) -> None:
        """The resistor, then the capacitors at the quiet end."""
        in_plus, out_plus, minus = straight_through(net)
        net.resistor(in_plus, out_plus, values.number("resistance"), "resistance")
        stamp_stage_capacitors(values, net, out_plus, minus)

    def size_mm(self, values: Values) -> tuple[float, float]:
        """A small can or ceramic and a resistor."""
        return (6.0, 4.0) if values.number("capacitance") <= 100e-6 else (18.0, 10.0)

    def summary(self, values: Values) -> str:
        """Resistor and capacitor."""
        return (
            f"{quantity.format(values.number('resistance'), 'Ohm')}, "
            f"{quantity.format(values.number('capacitance'), 'F')}"
        )

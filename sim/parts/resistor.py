"""A resistor in the plus conductor."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from sim import quantity
from sim.parts.families import straight_through
from sim.parts.kind import Field, Kind, Port, Rating, Values

if TYPE_CHECKING:
    from sim.network import Stamp


class Resistor(Kind):
    """A resistor in the plus conductor; minus passes through.

        v = resistance i

    For a resistor across a joint take a load of mode resistor. The rated power
    is held against the mean over the event.

    Source: Ohm's law.

    Left out: its inductance, and that it warms.
    """

    kind = "resistor"
    title = "Resistor"
    ports = (Port("in", (-4.0, 0.0)), Port("out", (4.0, 0.0)))
    series = True
    group = "Filters"
    ratings: ClassVar[tuple[Rating, ...]] = (Rating("power limit", "rated_power", "mean_watts"),)
    typical: ClassVar[dict[str, str]] = {"resistance": "4.7 Ohm", "rated_power": "500 mW"}
    fields = (
        Field(
            "resistance",
            "Ohm",
            "In Ohm, such as 4R7",
            required=True,
            low=0.0,
            high=1e9,
            series="E12",
        ),
        Field(
            "rated_power",
            "W",
            "Power in W it stands for long; none: not checked",
            low=0.0,
            open_low=True,
            high=1e6,
            label="rated power",
        ),
    )

    def stamp(self, values: Values, net: Stamp) -> None:
        """One resistor between the plus terminals."""
        in_plus, out_plus, _minus = straight_through(net)
        net.resistor(in_plus, out_plus, values.number("resistance"), "resistance")

    def size_mm(self, values: Values) -> tuple[float, float]:
        """A small wired resistor."""
        return (8.0, 3.0)

    def summary(self, values: Values) -> str:
        """Its resistance."""
        return quantity.format(values.number("resistance"), "Ohm")

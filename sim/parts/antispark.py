"""A resistor that takes the spark."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from sim import quantity
from sim.parts.families import straight_through
from sim.parts.kind import Field, Kind, Port, Rating, Values

if TYPE_CHECKING:
    from sim.network import Stamp


class Antispark(Kind):
    """A resistor in the plus conductor through which the capacitors charge at plug-in.

        v = resistance i              until bypass_after, counted from contact
        v = bypass_resistance i       from then on, and in every event but a plug-in

    Too early a bypass sparks with what is still missing on the capacitors. Without
    bypass_after the resistor stays in for good, which no quad can fly on.

    Source of usual values, trade advice: 22 Ohm for 5 to 6 cells, 47 Ohm for 10 to 12; three
    time constants charge to 95 %, which for 1000 µF and 22 Ohm is 66 ms.

    Left out: its inductance, its warming, the pulse power it stands.
    """

    kind = "antispark"
    title = "Antispark"
    ports = (Port("in", (-6.0, 0.0)), Port("out", (6.0, 0.0)))
    series = True
    group = "Power"
    ratings: ClassVar[tuple[Rating, ...]] = (Rating("power limit", "rated_power", "mean_watts"),)
    typical: ClassVar[dict[str, str]] = {"resistance": "22 Ohm", "bypass_after": "100 ms"}
    fields = (
        Field(
            "resistance",
            "Ohm",
            "Of the pre-charge resistor in Ohm; 22 Ohm is usual for 6 cells",
            required=True,
            low=0.0,
            open_low=True,
            high=1e6,
            series="E12",
        ),
        Field(
            "bypass_after",
            "s",
            "Time in ms from first contact until it is bypassed; none: never",
            low=0.0,
            high=3600.0,
            label="bypassed after",
        ),
        Field(
            "bypass_resistance",
            "Ohm",
            "Of its contacts or MOSFETs once bypassed, in mOhm",
            1e-3,
            low=0.0,
            open_low=True,
            high=1.0,
            label="bypass resistance",
            source="our guess",
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

    def changes(
        self, values: Values, *, plugged: bool
    ) -> tuple[tuple[float, dict[str, float]], ...]:
        """Bypassed some time after contact, and from the start where it was plugged in before."""
        after = values.optional("bypass_after")
        if after is None:
            return ()
        bypass = {"resistance": values.number("bypass_resistance")}
        return ((after if plugged else 0.0, bypass),)

    def size_mm(self, values: Values) -> tuple[float, float]:
        """A plug with a resistor in it."""
        return (14.0, 10.0)

    def summary(self, values: Values) -> str:
        """Its resistance."""
        return quantity.format(values.number("resistance"), "Ohm")

    def check(self, values: Values) -> list[str]:
        """In for good."""
        if values.optional("bypass_after") is None:
            return ["It is never bypassed: everything flies through the resistor. Give a time."]
        return []

"""A bench supply."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from sim import quantity
from sim.parts.kind import Field, Kind, Port, Values

if TYPE_CHECKING:
    from sim.network import Stamp


class BenchSupply(Kind):
    """A bench supply on its leads: a voltage behind resistance and inductance.

        v(out) = voltage - resistance i - inductance di/dt

    Source: the equation is Kirchhoff's; values are set on the supply, or our guess.

    Left out so far, and said in `check`: its current limit, and that it cannot take current
    back. Real ones rise in voltage when a motor brakes into them; this one absorbs it.
    """

    kind = "bench_supply"
    title = "Bench supply"
    ports = (Port("out", (0.0, -40.0)),)
    group = "Power"
    typical: ClassVar[dict[str, str]] = {
        "voltage": "16.8 V",
        "resistance": "20 mOhm",
        "inductance": "500 nH",
        "current_limit": "10 A",
    }
    cautions = ("Never brake into a bench supply. Limiter for the first power-up only.",)
    fields = (
        Field("voltage", "V", "Set voltage in V", required=True, low=0.0, high=1000.0),
        Field(
            "resistance",
            "Ohm",
            "Of output and leads, there and back, in mOhm",
            0.0,
            low=0.0,
            high=1e6,
            source="not there unless given",
        ),
        Field(
            "inductance",
            "H",
            "Of output and leads, in nH",
            0.0,
            low=0.0,
            high=1.0,
            source="not there unless given",
        ),
        Field(
            "current_limit",
            "A",
            "Set current limit in A; none: no limit",
            low=0.0,
            open_low=True,
            high=1e4,
            label="current limit",
        ),
        Field(
            "sinks",
            "flag",
            "Whether it takes current back when a motor brakes; few do",
            False,
            label="takes current back",
            source="usual for bench supplies",
        ),
    )

    def stamp(self, values: Values, net: Stamp) -> None:
        """R, L and the EMF in series."""
        plus, minus = net.port("out")
        emf = net.node()
        net.chain(
            plus,
            emf,
            ohm=values.number("resistance"),
            henry=values.number("inductance"),
            names=("resistance", "inductance", ""),
        )
        net.source(emf, minus, values.number("voltage"), "set voltage")

    def size_mm(self, values: Values) -> tuple[float, float]:
        """Drawn small: it stands beside the frame."""
        return (60.0, 80.0)

    def summary(self, values: Values) -> str:
        """Its voltage and limit."""
        text = quantity.format(values.number("voltage"), "V")
        amps = values.optional("current_limit")
        return text + (f", limit {quantity.format(amps, 'A')}" if amps else "")

    def check(self, values: Values) -> list[str]:
        """What is given but not modelled."""
        found = []
        if values.optional("current_limit") is not None:
            found.append("The current limiter is not modelled yet: the supply gives any current.")
        if not values.flag("sinks"):
            found.append(
                "That it cannot take current back is not modelled yet: braking raises a real "
                "supply's voltage more than shown."
            )
        return found

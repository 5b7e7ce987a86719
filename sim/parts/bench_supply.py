"""A bench supply."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, ClassVar

from sim import quantity
from sim.parts.kind import Field, Kind, Port, Values

if TYPE_CHECKING:
    from sim.network import Stamp


#: Of the output stage while it holds its voltage, in ohm; our guess for regulation and bonding.
STAGE_OHM = 10e-3


class BenchSupply(Kind):
    """A bench supply on its leads: an output stage with its capacitor, resistance, inductance.

        v(out) = v(stage) - resistance i - inductance di/dt
        output_capacitance dv(stage)/dt = i(stage) - i
        i(stage) = (voltage - v(stage)) / 10 mOhm, but no less than 0 and no more than
                   current_limit

    So it holds its voltage until the limit, gives the limit from there on while the voltage
    falls, and takes nothing back (unless it sinks): when a motor brakes into it, the current
    charges its capacitor and yours, and the voltage rises. The capacitor gives more than the
    limit for a moment, at a plug-in too, where it starts charged. Where it blocks or limits is
    found to the instant with every edge. Without output_capacitance it is an ideal source that
    gives and takes any current, and `check` says so.

    Sources: the equations are Kirchhoff's, values are set on the supply; 10 mOhm of the stage
    and some 470 µF are our guess.

    Left out: the loops that regulate, which take some 0.1 to 1 ms to limit (more current
    until then), ripple and noise of the supply, foldback, overvoltage protection, that its
    own bleeder brings the voltage down in seconds.
    """

    kind = "bench_supply"
    title = "Bench supply"
    ports = (Port("out", (0.0, -40.0)),)
    group = "Power"
    typical: ClassVar[dict[str, str]] = {
        "voltage": "16.8 V",
        "resistance": "20 mOhm",
        "inductance": "500 nH",
        "output_capacitance": "470 uF",
        "current_limit": "10 A",
    }
    cautions = ("Never brake into a bench supply. Limiter for the first power-up only.",)
    fields = (
        Field("voltage", "V", "Set voltage in V", required=True, low=0.0, high=1000.0),
        Field(
            "resistance",
            "Ohm",
            "Of its leads, there and back, in mOhm",
            0.0,
            low=0.0,
            high=1e6,
            source="not there unless given",
        ),
        Field(
            "inductance",
            "H",
            "Of its leads, in nH",
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
            "output_capacitance",
            "F",
            "Capacitor at its output in µF, behind the leads; 0: neither limit nor blocking is "
            "modelled",
            0.0,
            low=0.0,
            high=1.0,
            series="E6",
            label="output capacitance",
            source="not there unless given",
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
        """The EMF or the output stage, R and L in series."""
        plus, minus = net.port("out")
        emf = net.node()
        farad, sinks = values.number("output_capacitance"), values.flag("sinks")
        limit = values.optional("current_limit") or math.inf
        if farad and not (sinks and math.isinf(limit)):
            net.supply(emf, minus, values.number("voltage"), STAGE_OHM, farad, limit, sinks=sinks)
        else:
            net.source(emf, minus, values.number("voltage"), "set voltage")
        net.chain(
            plus,
            emf,
            ohm=values.number("resistance"),
            henry=values.number("inductance"),
            names=("resistance", "inductance", ""),
        )

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
        if values.number("output_capacitance"):
            return []
        found = []
        if values.optional("current_limit") is not None:
            found.append(
                "Without an output capacitance the current limiter is not modelled: the supply "
                "gives any current. 470 µF is usual."
            )
        if not values.flag("sinks"):
            found.append(
                "Without an output capacitance it is not modelled that it cannot take current "
                "back: braking raises a real supply's voltage more than shown. 470 µF is usual."
            )
        return found

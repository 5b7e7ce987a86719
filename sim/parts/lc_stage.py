"""An LC filter as one board."""

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


class LcStage(Kind):
    """An LC filter: a coil in the plus conductor, a capacitor behind it; minus passes through.

        from in to out: dcr + j w inductance
        across out: esr + esl + capacitance, beside it damping_esr + damping_capacitance

    It resonates at 1/(2 pi sqrt(L C)) and amplifies there. A constant-power load behind it
    makes that worse: without damping it may even start to swing by itself.

    A second capacitor of at least twice the first with about sqrt(L/C) in series damps it well.

    Sources: 10 µH and 470 µF for analogue video are trade advice; the damping is Erickson's,
    APEC 1999.

    With a saturation current the inductance falls as L / (1 + (i / 1.5275 saturation_current)^2),
    which leaves 70 % there (30 % down is the usual meaning in data sheets; common practice, no
    source).

    Left out: losses of the core. Where runs cannot follow it (averaged, dead time, freewheel off)
    the inductance stays what is left of it where the event starts.
    """

    kind = "lc_stage"
    title = "LC stage"
    ports = (Port("in", (-9.0, 0.0)), Port("out", (9.0, 0.0)))
    series = True
    group = "Filters"
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating("saturation current", "saturation_current", "peak_amps"),
        Rating("voltage limit", "rated_voltage", "peak_volts", "out"),
    )
    typical: ClassVar[dict[str, str]] = {
        "inductance": "10 uH",
        "dcr": "40 mOhm",
        "saturation_current": "3 A",
        "capacitance": "470 uF",
        "esr": "60 mOhm",
        "rated_voltage": "35 V",
    }
    cautions = (CAPACITOR_CAUTION,)
    fields = (
        Field(
            "inductance",
            "H",
            "Inductance of the coil in µH",
            10e-6,
            low=0.0,
            high=10.0,
            series="E6",
            source="trade advice for analogue video",
        ),
        Field(
            "dcr",
            "Ohm",
            "Resistance of the coil in mOhm",
            0.0,
            low=0.0,
            high=1e6,
            source="not there unless given",
        ),
        Field(
            "saturation_current",
            "A",
            "Current in A at which 30 % of the inductance is lost; none: it stays",
            low=0.0,
            open_low=True,
            high=1e4,
            label="saturates at",
        ),
        *stage_capacitor_fields(470e-6),
    )

    def stamp(self, values: Values, net: Stamp) -> None:
        """The coil, then the capacitors at the quiet end."""
        in_plus, out_plus, minus = straight_through(net)
        net.chain(
            in_plus,
            out_plus,
            ohm=values.number("dcr"),
            henry=values.number("inductance"),
            saturation_a=values.optional("saturation_current"),
            names=("dcr", "inductance", ""),
        )
        stamp_stage_capacitors(values, net, out_plus, minus)

    def size_mm(self, values: Values) -> tuple[float, float]:
        """A coil and a can on a small board."""
        return (18.0, 12.0)

    def summary(self, values: Values) -> str:
        """Coil and capacitor."""
        return (
            f"{quantity.format(values.number('inductance'), 'H')}, "
            f"{quantity.format(values.number('capacitance'), 'F')}"
        )

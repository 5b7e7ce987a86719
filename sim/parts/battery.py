"""A LiPo pack."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, ClassVar

from sim import quantity
from sim.parts.kind import Field, Kind, Port, Rating, Values

if TYPE_CHECKING:
    from sim.network import Stamp

#: Open-circuit volts of one cell at 0, 10 .. 100 % charge. Common practice, no source;
#: within 0.03 V of what hobby tables print.
CELL_VOLTS = (3.27, 3.69, 3.73, 3.77, 3.80, 3.84, 3.87, 3.95, 4.02, 4.11, 4.20)
#: Electronvolt and electronvolt per kelvin: activation energy (common practice, no source)
#: and Boltzmann's constant (CODATA 2018).
_ACTIVATION_EV = 0.3
_BOLTZMANN_EV_K = 8.617333262e-5


#: Resistance of a pack that should be retired, over new. Our guess from trade advice.
_RETIRED = 3.0


def cell_volts(charge: float) -> float:
    """Open-circuit voltage of one LiPo cell at a share of its charge, straight lines between."""
    place = min(max(charge, 0.0), 1.0) * (len(CELL_VOLTS) - 1)
    below = min(int(place), len(CELL_VOLTS) - 2)
    return CELL_VOLTS[below] + (place - below) * (CELL_VOLTS[below + 1] - CELL_VOLTS[below])


def temperature_factor(temperature_c: float) -> float:
    """Cell resistance over that at 25 degC: 2.9 at 0 degC, 0.48 at 45 degC.

    exp(Ea/k (1/T - 1/298.15 K)) with Ea = 0.3 eV. Common practice, no source.
    """
    kelvin = temperature_c + 273.15
    return math.exp(_ACTIVATION_EV / _BOLTZMANN_EV_K * (1.0 / kelvin - 1.0 / 298.15))


class Battery(Kind):
    """A LiPo pack of cells in series, with its plug and wiring.

    It is an open-circuit voltage behind resistance and inductance, and a slow part.

        E = cells x table(charge), or open_circuit_voltage of the whole pack
        table: 3.27 3.69 3.73 3.77 3.80 3.84 3.87 3.95 4.02 4.11 4.20 V at 0, 10 .. 100 %
        R = cells x cell_resistance x factor(temperature) x (1 + 2 wear) + resistance
        factor = exp(0.3 eV / k (1/T - 1/298.15 K)), 1 at 25 degC
        slow part: slow_resistance x (1 + 2 wear) beside a capacitor, time constant slow_time

    It takes current back like it gives it, so braking is absorbed. The slow part is settled
    when an event begins; after a step of current it moves in seconds, as a pilot sees it sag.
    A tired pack has more resistance and no other voltage at rest.

    Sources: table and temperature factor are common practice, no source; the table is within
    0.03 V of what is printed on the field, and from 10 % up within 0.1 V of the fit of Chen and
    Rincon-Mora, IEEE Transactions on Energy Conversion 21, 504 (2006). That a pack is retired
    at three times its resistance is our guess from trade advice: 2 to 6 mOhm a cell when new,
    15 when done.

    Left out: the charge does not run down during an event, the cells are all alike, the
    temperature factor acts on cell_resistance alone, nothing limits what is pushed back.
    """

    kind = "battery"
    title = "LiPo pack"
    ports = (Port("out", (0.0, -17.0)),)
    group = "Power"
    ratings: ClassVar[tuple[Rating, ...]] = ()
    typical: ClassVar[dict[str, str]] = {
        "cells": "4",
        "capacity": "1500 mAh",
        "cell_resistance": "5 mOhm",
        "resistance": "5 mOhm",
        "inductance": "60 nH",
    }
    cautions = (
        "Charge attended, in a fire-safe place. Swollen or damaged: do not use. "
        "Maker's data and local rules come first.",
    )
    fields = (
        Field("cells", "", "Cells in series: 4 for 4S", required=True, low=1, high=24, whole=True),
        Field(
            "capacity",
            "Ah",
            "Capacity in mAh; only shown, an event does not run the pack down",
            1.5,
            low=0.0,
            open_low=True,
            high=1000.0,
            source="usual 5-inch pack",
        ),
        Field(
            "charge",
            "%",
            "Charge in %, which sets the open-circuit voltage; 100 % is 4.2 V per cell",
            1.0,
            low=0.0,
            high=1.0,
            source="a full pack gives the highest voltages",
        ),
        Field(
            "open_circuit_voltage",
            "V",
            "Of the whole pack in V, in place of the charge; none: from the charge",
            low=0.0,
            high=1000.0,
            label="open-circuit voltage",
        ),
        Field(
            "cell_resistance",
            "Ohm",
            "Resistance of one cell at 25 °C in mOhm; a new 1300 mAh cell has 2 to 6",
            0.0,
            low=0.0,
            high=100.0,
            label="cell resistance",
            source="not there unless given",
        ),
        Field(
            "resistance",
            "Ohm",
            "Resistance of plug and pack wiring in mOhm",
            0.0,
            low=0.0,
            high=1e6,
            label="plug and wiring",
            source="not there unless given",
        ),
        Field(
            "inductance",
            "H",
            "Inductance of pack and plug in nH; 50 to 150 nH is usual",
            0.0,
            low=0.0,
            high=1.0,
            source="not there unless given",
        ),
        Field(
            "slow_resistance",
            "Ohm",
            "Resistance of the slow part of the whole pack in mOhm, which shows after seconds; "
            "half to all of the pack's resistance is usual",
            0.0,
            low=0.0,
            high=100.0,
            label="slow resistance",
            source="not there unless given",
        ),
        Field(
            "slow_time",
            "s",
            "Time constant of the slow part in s; 5 to 30 s is usual",
            15.0,
            low=0.0,
            open_low=True,
            high=1e5,
            label="slow time",
            source="common practice, no source",
        ),
        Field(
            "temperature",
            "degC",
            "Temperature of the cells in °C; cold cells have more resistance",
            25.0,
            low=-60.0,
            high=100.0,
            source="where the factor is 1",
        ),
        Field(
            "wear",
            "%",
            "How tired the pack is, in %: at 100 % it has three times the resistance and should "
            "be retired",
            0.0,
            low=0.0,
            high=3.0,
            source="a pack in its first flights",
        ),
    )

    def volts(self, values: Values) -> float:
        """Open-circuit voltage of the pack."""
        given = values.optional("open_circuit_voltage")
        if given is not None:
            return given
        return values.number("cells") * cell_volts(values.number("charge"))

    def stamp(self, values: Values, net: Stamp) -> None:
        """R, L, the slow part and the EMF in series from plus to minus."""
        plus, minus = net.port("out")
        after_r, after_l, emf = net.node(), net.node(), net.node()
        worn = 1.0 + (_RETIRED - 1.0) * values.number("wear")
        factor = temperature_factor(values.number("temperature")) * worn
        cell = values.number("cell_resistance") * factor
        # Cells and plug apart, so that the losses of each can be told.
        between = net.node()
        net.resistor(plus, between, values.number("resistance"), "plug and wiring")
        net.resistor(between, after_r, values.number("cells") * cell, "cells")
        net.inductor(after_r, after_l, values.number("inductance"), "inductance")
        slow = values.number("slow_resistance") * worn
        net.resistor(after_l, emf, slow, "slow resistance")
        if slow > 0.0:
            net.capacitor(after_l, emf, values.number("slow_time") / slow, "slow part")
        net.source(emf, minus, self.volts(values), "open-circuit voltage")

    def size_mm(self, values: Values) -> tuple[float, float]:
        """Across the rear of the frame; grows with the cube root of what it holds."""
        watt_hours = values.number("cells") * 3.7 * values.number("capacity")
        scale = (watt_hours / 22.2) ** (1.0 / 3.0)
        return (68.0 * scale, 34.0 * scale)

    def summary(self, values: Values) -> str:
        """Cells and capacity."""
        amp_hours = quantity.format(values.number("capacity"), "Ah")
        return f"{values.number('cells'):.0f}S {amp_hours}"

    def check(self, values: Values) -> list[str]:
        """Voltages no LiPo pack has."""
        per_cell = self.volts(values) / values.number("cells")
        if per_cell > 4.36:
            return [f"{per_cell:.2f} V per cell is above a full cell, 4.20 V (4.35 V for HV)."]
        if 0.0 < per_cell < 3.0:
            return [
                f"{per_cell:.2f} V per cell is below what a LiPo cell stands, 3.0 V. Do not charge "
                "such a pack again."
            ]
        return []

"""A ceramic capacitor."""

from __future__ import annotations

from typing import ClassVar

from sim.parts.families import SOLDER_CAUTION, CapacitorKind, capacitor_fields
from sim.parts.kind import Field, Values


class Ceramic(CapacitorKind):
    """A ceramic capacitor, or several side by side as one.

        v = C voltage + esr i + (esl + 1.2 nH/mm x leg_length) di/dt

    Give the capacitance that is left at the pack's voltage: a 22 µF 35 V part keeps a fifth
    of it at 25 V.

    Source of usual values: 2 to 5 mOhm; 0.6 nH for a 0603 to 1 nH for a 1206 case, and
    0.5 to 1 nH more as mounted (from memory).

    With a half voltage it falls as C / (1 + (v / half_voltage)^2), followed from edge to edge and
    in plug-ins: within 0.01 V of a general solver on the 4S sample with ceramics of 12 V half
    voltage. Averaged runs, answers while something is dragged, and events with dead time or
    freewheel off keep what is left of it where the event starts, and say so: in hard braking an
    ESC's peak then reads more than 1 V low.

    Left out: that it falls further when warm and over years.
    """

    kind = "ceramic"
    title = "Ceramic capacitor"
    typical: ClassVar[dict[str, str]] = {
        "capacitance": "10 uF",
        "esr": "3 mOhm",
        "esl": "1 nH",
        "rated_voltage": "50 V",
    }
    cautions = (SOLDER_CAUTION,)
    fields = (
        *capacitor_fields(
            esr="2 to 5 mOhm is usual",
            esl="0.4 to 1 nH is usual, and 0.5 to 1 nH more as mounted",
            ripple="It hardly ever limits a ceramic",
        ),
        Field(
            "half_voltage",
            "V",
            "Voltage in V at which half of the capacitance is left; none: constant",
            low=0.0,
            open_low=True,
            high=1e4,
            label="half left at",
        ),
    )

    def size_mm(self, values: Values) -> tuple[float, float]:
        """A 1210 case, or a smaller one below 5 µF."""
        return (3.2, 2.5) if values.number("capacitance") >= 5e-6 else (2.0, 1.25)

    def height_mm(self, values: Values) -> float:
        """A chip lies flat."""
        return 0.0

    def half_v(self, values: Values) -> float | None:
        """As given."""
        return values.optional("half_voltage")

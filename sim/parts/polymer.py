"""A polymer capacitor."""

from __future__ import annotations

from typing import ClassVar

from sim.parts.families import (
    CAPACITOR_CAUTION,
    SOLDER_CAUTION,
    CapacitorKind,
    capacitor_fields,
)


class Polymer(CapacitorKind):
    """A solid polymer can with its legs.

        v = C voltage + esr i + (esl + 1.2 nH/mm x leg_length) di/dt

    Its resistance is low and nearly the same in the cold, so it has no temperature here.
    Usual values: 220 to 330 µF at 35 V in 8x12 to 10x13 mm have 10 to 20 mOhm and stand 3 to
    5 A of ripple (from memory).

    Left out: what happens above the rated voltage. Polymer cans leave little room there.
    """

    kind = "polymer"
    title = "Polymer capacitor"
    typical: ClassVar[dict[str, str]] = {
        "capacitance": "330 uF",
        "esr": "15 mOhm",
        "esl": "10 nH",
        "rated_voltage": "35 V",
        "leg_length": "5 mm",
    }
    cautions = (CAPACITOR_CAUTION, SOLDER_CAUTION)
    fields = capacitor_fields(
        esr="10 to 20 mOhm is usual", esl="8 to 15 nH is usual", ripple="3 to 5 A is usual"
    )

"""An aluminium electrolytic capacitor."""

from __future__ import annotations

import math
from typing import ClassVar

from sim.parts.families import (
    CAPACITOR_CAUTION,
    SOLDER_CAUTION,
    CapacitorKind,
    capacitor_fields,
)
from sim.parts.kind import Field, Values

#: degC and ESR over that at 20 degC. From memory, 100 kHz, wet electrolyte: 2 to 3 at -10,
#: 10 to 20 at -40.
_COLD = ((20.0, 1.0), (-10.0, 2.5), (-40.0, 14.0))
#: At the end of its rated life, over new. Our guess within common practice: x2 to 3 and -20 %.
_AGED_ESR, _AGED_CAPACITANCE = 2.5, 0.8


def cold_factor(temperature_c: float) -> float:
    """ESR over that at 20 degC; straight in the logarithm, 1 above 20 degC."""
    if temperature_c >= _COLD[0][0]:
        return 1.0
    (warm, low), (cold, high) = _COLD[0:2] if temperature_c >= _COLD[1][0] else _COLD[1:3]
    share = (warm - temperature_c) / (warm - cold)
    return low * math.exp(share * math.log(high / low))


class Electrolytic(CapacitorKind):
    """An aluminium electrolytic can with its legs.

        v = C voltage + esr i + (esl + 1.2 nH/mm x leg_length) di/dt

    esr is as given at 20 degC, new. It rises in the cold (x2.5 at -10 degC, x14 at -40 degC,
    from memory) and with age (x2.5 at the end of the rated life, where a fifth of the
    capacitance is gone; our guess). Warm cans are taken as at 20 degC.

    Sources for usual values: low-impedance cans of the 35 V class have 28 mOhm at 10x16 mm,
    18 mOhm at 12.5x20 mm (from memory, within a fifth); body inductance 15 nH up to 6.3 mm,
    20 nH up to 12.5 mm, 26 nH at 16 mm diameter (makers' data).

    Left out: ESR that falls with frequency, warming by ripple, dielectric absorption, what
    happens above the rated voltage.
    """

    kind = "electrolytic"
    title = "Electrolytic capacitor"
    typical: ClassVar[dict[str, str]] = {
        "capacitance": "470 uF",
        "esr": "35 mOhm",
        "esl": "12 nH",
        "rated_voltage": "35 V",
        "leg_length": "5 mm",
    }
    cautions = (CAPACITOR_CAUTION, SOLDER_CAUTION)
    fields = (
        *capacitor_fields(
            esr="18 to 60 mOhm is usual for 1000 to 220 µF at 35 V",
            esl="12 to 26 nH is usual",
            ripple="1 to 3 A is usual",
        ),
        Field(
            "temperature",
            "degC",
            "Temperature of the can in °C; cold raises its resistance",
            20.0,
            low=-60.0,
            high=125.0,
            source="where makers state the resistance",
        ),
        Field(
            "age",
            "%",
            "Share of its rated life that is used up, in %",
            0.0,
            low=0.0,
            high=2.0,
            source="not there unless given",
        ),
    )

    def esr_ohm(self, values: Values) -> float:
        """Cold and aged."""
        aged = 1.0 + (_AGED_ESR - 1.0) * values.number("age")
        return values.number("esr") * cold_factor(values.number("temperature")) * aged

    def capacitance_f(self, values: Values) -> float:
        """Aged."""
        return values.number("capacitance") * (
            1.0 - (1.0 - _AGED_CAPACITANCE) * values.number("age")
        )

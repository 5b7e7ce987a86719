"""A polymer capacitor."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from sim.parts.cans import FAULT_FIELDS, CanKind
from sim.parts.families import CAPACITOR_CAUTION, SOLDER_CAUTION, capacitor_fields, leg_h
from sim.parts.kind import Values

if TYPE_CHECKING:
    from sim.network import Stamp


class Polymer(CanKind):
    """A solid polymer can with its legs.

        v = C voltage + (esr + leg_resistance) i + L di/dt
        L = esl + 1.2 nH/mm x leg_length, or of two 0.6 mm legs leg_spacing apart
        core = air + loss / (15 W/(m2 K) x area of side and top)

    Its resistance is low and nearly the same in the cold and over life, so it has neither
    temperature nor age here. It is held to its printed voltage alone: polymer cans leave little
    room above it. A cracked leg is a value, a missing part an option that removes it, and a
    reversed one is refused.

    Source: from memory, makers' data: 220 to 330 µF at 35 V in 8x12 to 10x13 mm have 10 to
    20 mOhm and stand 3 to 5 A of ripple; 1 to 1.2 times the resistance at -40 degC. Heat by 10
    to 20 W/(m2 K) is common practice, no source.

    Left out: leakage current; what happens above the rated voltage; that they fail short.
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
    fields = (
        *capacitor_fields(
            esr="10 to 20 mOhm is usual", esl="8 to 15 nH is usual", ripple="3 to 5 A is usual"
        ),
        *FAULT_FIELDS,
    )

    def stamp(self, values: Values, net: Stamp) -> None:
        """One chain between the legs."""
        plus, minus = net.port("in")
        net.chain(
            plus,
            minus,
            ohm=values.number("esr") + self.leg_ohm(values),
            henry=values.number("esl") + leg_h(values),
            farad=values.number("capacitance"),
        )

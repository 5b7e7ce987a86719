"""An aluminium electrolytic capacitor."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, ClassVar

from sim.errors import BadField
from sim.parts.cans import FAULT_FIELDS, Surging
from sim.parts.families import CAPACITOR_CAUTION, SOLDER_CAUTION, capacitor_fields, leg_h
from sim.parts.kind import Field, Values

if TYPE_CHECKING:
    from sim.network import Stamp

#: degC and ESR over that at 20 degC. From memory, 100 kHz, wet electrolyte: 2 to 3 at -10,
#: 10 to 20 at -40.
_COLD = ((20.0, 1.0), (-10.0, 2.5), (-40.0, 14.0))
#: At the end of its rated life, over new. Our guess within common practice: x2 to 3 and -20 %.
_AGED_ESR, _AGED_CAPACITANCE = 2.5, 0.8
#: Dried out, over good. Our guess.
_DRY_ESR, _DRY_CAPACITANCE = 20.0, 0.2
#: Where makers state the loss factor, and above which its share of the ESR falls. Our guess.
_LOSS_HZ, _LOSS_CORNER_HZ = 120.0, 1000.0


def cold_factor(temperature_c: float) -> float:
    """ESR over that at 20 degC; straight in the logarithm, 1 above 20 degC."""
    if temperature_c >= _COLD[0][0]:
        return 1.0
    (warm, low), (cold, high) = _COLD[0:2] if temperature_c >= _COLD[1][0] else _COLD[1:3]
    share = (warm - temperature_c) / (warm - cold)
    return low * math.exp(share * math.log(high / low))


class Electrolytic(Surging):
    """An aluminium electrolytic can with its legs, new or old, warm or cold, whole or not.

        v = C voltage + (esr x cold x aged x dried + leg_resistance) i + oxide + L di/dt
        cold = 1 from 20 degC up, 2.5 at -10, 14 at -40 degC, straight in the logarithm
        aged = 1 + 1.5 age, and 1 - 0.2 age of the capacitance
        dried = 1 + 19 dried_out, and 1 - 0.8 dried_out of the capacitance
        oxide: R beside C with a corner at 1 kHz, so that at 120 Hz
            loss_factor = 2 pi 120 Hz capacitance x (whole resistance)
        L = esl + 1.2 nH/mm x leg_length, or of two 0.6 mm legs leg_spacing apart
        core = air + loss / (15 W/(m2 K) x area of side and top)

    esr is what is left at 100 kHz, 20 degC, new. The oxide's losses matter for slow ripple only;
    as in any real part they take some capacitance with them at high frequency. Beside the printed
    voltage stands the surge limit, 1.15 times that up to 315 V, for what comes seldom and is
    short. Faults are values, so that an option can set them: a cracked leg, a dried-out can; a
    missing one is an option that removes it; a reversed one is refused.

    Sources: surge limit IEC 60384-4; low-impedance cans of the 35 V class have 28 mOhm at
    10x16 mm, 18 mOhm at 12.5x20 mm (from memory, within a fifth); body inductance 15 nH up to
    6.3 mm, 20 nH up to 12.5 mm, 26 nH at 16 mm diameter (makers' data); cold from memory, makers'
    curves; age, drying and the oxide's corner are our guesses; heat by 10 to 20 W/(m2 K) is common
    practice, no source.

    Left out: leakage current, which is microamperes; dielectric absorption; that ripple warms
    it and so lowers its esr; warm cans, which are taken as at 20 degC; what happens above the
    surge limit.
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
        Field(
            "loss_factor",
            "%",
            "Loss factor (tan delta) at 120 Hz in %, 4 to 12 % is usual at 35 V; none: the "
            "resistance is the same at all frequencies",
            low=0.0,
            open_low=True,
            high=1.0,
            label="loss factor",
        ),
        Field(
            "dried_out",
            "%",
            "How far it has dried out, in %: at 100 % a fifth of the capacitance and twenty "
            "times the resistance is left",
            0.0,
            low=0.0,
            high=1.0,
            label="dried out",
            source="not there unless given",
        ),
        *FAULT_FIELDS,
    )

    def esr_ohm(self, values: Values) -> float:
        """Cold, aged and dried out, at high frequency."""
        aged = 1.0 + (_AGED_ESR - 1.0) * values.number("age")
        dried = 1.0 + (_DRY_ESR - 1.0) * values.number("dried_out")
        return values.number("esr") * cold_factor(values.number("temperature")) * aged * dried

    def capacitance_f(self, values: Values) -> float:
        """Aged and dried out."""
        aged = 1.0 - (1.0 - _AGED_CAPACITANCE) * values.number("age")
        dried = 1.0 - (1.0 - _DRY_CAPACITANCE) * values.number("dried_out")
        return values.number("capacitance") * aged * dried

    def oxide(self, values: Values) -> tuple[float, float]:
        """Resistance and capacitance, side by side, of the oxide's losses; 0, 0 without.

        Raises
        ------
        BadField   if the loss factor is less than the esr alone makes
        """
        loss = values.optional("loss_factor")
        farad = values.number("capacitance")
        if loss is None or farad == 0.0:
            return 0.0, 0.0
        whole = loss / (2.0 * math.pi * _LOSS_HZ * farad)
        rest = whole - values.number("esr")
        if rest <= 0.0:
            least = values.number("esr") * 2.0 * math.pi * _LOSS_HZ * farad
            raise BadField(
                f"{values.owner}.loss_factor",
                f"{loss * 100.0:.3g} % is less than the esr alone makes",
                f"Give more than {least * 100.0:.3g} %, or a smaller esr",
            )
        ohm = rest * (1.0 + (_LOSS_HZ / _LOSS_CORNER_HZ) ** 2)
        return ohm, 1.0 / (2.0 * math.pi * _LOSS_CORNER_HZ * ohm)

    def stamp(self, values: Values, net: Stamp) -> None:
        """The oxide's losses, then one chain between the legs."""
        plus, minus = net.port("in")
        ohm, farad = self.oxide(values)
        inner = net.node()
        net.resistor(plus, inner, ohm, "oxide losses")
        net.capacitor(plus, inner, farad, "oxide losses")
        net.chain(
            inner,
            minus,
            ohm=self.esr_ohm(values) + self.leg_ohm(values),
            henry=values.number("esl") + leg_h(values),
            farad=self.capacitance_f(values),
        )

"""An inductor in the plus conductor."""

from __future__ import annotations

from typing import ClassVar

from sim.parts.families import CoilKind


class Inductor(CoilKind):
    """A wound inductor in the plus conductor; minus passes through.

    dcr in series with the inductance; across the inductance its own capacitance and, if
    given, a resistance for the losses of its core:

        Z = dcr + (j w L // Rp // 1/(j w Cp)), self-resonance at 1/(2 pi sqrt(L Cp))

    Source of usual values: 20 to 80 mOhm for 4.7 to 22 µH at 3 A, 6 to 8 mm shielded (common
    practice, no source).

    Left out so far, and said in `check`: that the inductance falls towards saturation.
    """

    kind = "inductor"
    title = "Inductor"
    typical: ClassVar[dict[str, str]] = {
        "inductance": "10 uH",
        "dcr": "40 mOhm",
        "saturation_current": "3 A",
    }

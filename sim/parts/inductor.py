"""An inductor in the plus conductor."""

from __future__ import annotations

from typing import ClassVar

from sim.parts.families import CoilKind


class Inductor(CoilKind):
    """A wound inductor in the plus conductor; minus passes through.

    It is dcr in series with the inductance; across the inductance lie its own capacitance and, if
    given, a resistance for the losses of its core.

        Z = dcr + (j w L // Rp // 1/(j w Cp)), self-resonance at 1/(2 pi sqrt(L Cp))

    Source of usual values: 20 to 80 mOhm for 4.7 to 22 µH at 3 A, 6 to 8 mm shielded (common
    practice, no source).

    With a saturation current the inductance falls as L / (1 + (i / 1.5275 saturation_current)^2):
    70 % is left there, as data sheets usually mean it (30 % down; 10 and 20 % are also met;
    common practice, no source). Its energy is L Is^2 / 2 ln(1 + (i / Is)^2), Is = 1.5275
    saturation_current. Soft, as in powder cores; ferrite breaks down more sharply.

    Left out: losses of the core that move with frequency; where runs cannot follow it (averaged,
    dead time, freewheel off) the inductance stays what is left where the event starts.
    """

    kind = "inductor"
    title = "Inductor"
    typical: ClassVar[dict[str, str]] = {
        "inductance": "10 uH",
        "dcr": "40 mOhm",
        "saturation_current": "3 A",
    }

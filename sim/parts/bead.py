"""A ferrite bead in the plus conductor."""

from __future__ import annotations

from typing import ClassVar

from sim.parts.families import CoilKind


class Bead(CoilKind):
    """A ferrite bead in the plus conductor; minus passes through.

        Z = dcr + (parallel_resistance // j w inductance // 1/(j w parallel_capacitance))

    Source: the model of application note AN-1368 of Analog Devices. A bead of 1.208 µH,
    1082 Ohm and 1.678 pF has 76 Ohm at 10 MHz and 1041 Ohm at 100 MHz, and hardly anything at
    the carrier of an ESC: with 10 µF behind it, it resonates near 46 kHz unless damped.

    With a saturation current the inductance falls as in an inductor. Beads lose most of it far
    below their rated current: give the current at which 70 % is left.

    Left out: where runs cannot follow it (averaged, dead time, freewheel off) the inductance stays
    what is left where the event starts.
    """

    kind = "bead"
    title = "Ferrite bead"
    typical: ClassVar[dict[str, str]] = {
        "inductance": "1.2 uH",
        "dcr": "300 mOhm",
        "parallel_resistance": "1 kOhm",
        "parallel_capacitance": "1.7 pF",
    }

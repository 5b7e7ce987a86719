"""A video transmitter."""

from __future__ import annotations

from typing import ClassVar

from sim.parts.families import LoadKind, load_fields
from sim.parts.kind import Field, Values


class Vtx(LoadKind):
    """A video transmitter, as a load with its supply limits.

        resistor: i = v / resistance
        current:  i = current, above minimum_voltage; below it current v / minimum_voltage
        power:    i = power / v, above minimum_voltage; below it power v / minimum_voltage^2,
                  following the supply as a first-order lag of its bandwidth

    An analogue one draws some 4 W, a digital one 9 to 14 W, nearly constant as it has a
    switching regulator (our guess). Ripple on its supply is seen as lines in an analogue picture;
    a digital one shows none and drops out when its supply does. Where it is not known which it
    is, both are told.

    Source: the laws are arithmetic; what it draws, its limits and its bandwidth are our guess.

    Left out: a soft start (plugged in, it draws all at once after start_delay), how long it takes
    to come back after a brown-out, what its regulator lets through, its ripple.
    """

    kind = "vtx"
    title = "VTX"
    fields = (
        *load_fields(minimum=7.0, maximum=None),
        Field(
            "video",
            "choice",
            "analogue (ripple is seen as lines), digital (it drops out); not known: both are told",
            "not known",
            choices=("analogue", "digital", "not known"),
            source="not known unless given",
        ),
    )
    typical: ClassVar[dict[str, str]] = {
        "mode": "power",
        "power": "4.7 W",
        "maximum_voltage": "26 V",
    }

    def size_mm(self, values: Values) -> tuple[float, float]:
        """Usual size; a whoop's below 2 W."""
        small = (values.optional("power") or 1e3) <= 2.0
        return (14.0, 12.0) if small else (28.0, 20.0)

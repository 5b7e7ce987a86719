"""A radio receiver."""

from __future__ import annotations

from typing import ClassVar

from sim.parts.families import LoadKind, load_fields
from sim.parts.kind import Values


class Receiver(LoadKind):
    """A radio receiver, as a load with its supply limits.

        resistor: i = v / resistance
        current:  i = current, above minimum_voltage; below it current v / minimum_voltage
        power:    i = power / v, above minimum_voltage; below it power v / minimum_voltage^2,
                  following the supply as a first-order lag of its bandwidth

    It draws some 0.1 A, nearly constant as it has a linear regulator (our guess).

    Source: the laws are arithmetic; what it draws, its limits and its bandwidth are our guess.

    Left out: a soft start (plugged in, it draws all at once after start_delay), how long it takes
    to come back after a brown-out, what its regulator lets through, its ripple.
    """

    kind = "receiver"
    title = "Receiver"
    fields = load_fields(minimum=4.0, maximum=None)
    typical: ClassVar[dict[str, str]] = {
        "mode": "current",
        "current": "100 mA",
        "maximum_voltage": "10 V",
    }

    def size_mm(self, values: Values) -> tuple[float, float]:
        """Usual size."""
        return (16.0, 11.0)

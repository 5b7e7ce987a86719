"""A flight controller."""

from __future__ import annotations

from typing import ClassVar

from sim.parts.families import LoadKind, load_fields
from sim.parts.kind import Values


class FlightController(LoadKind):
    """A flight controller with its 5 V regulator, as a load with its supply limits.

        resistor: i = v / resistance
        current:  i = current, above minimum_voltage; below it current v / minimum_voltage
        power:    i = power / v, above minimum_voltage; below it power v / minimum_voltage^2,
                  following the supply as a first-order lag of its bandwidth

    It draws about 1.4 W with its receiver (our guess).

    Source: the laws are arithmetic; what it draws, its limits and its bandwidth are our guess.

    Left out: a soft start (plugged in, it draws all at once after start_delay), how long it takes
    to come back after a brown-out, what its regulator lets through, its ripple.
    """

    kind = "flight_controller"
    title = "Flight controller"
    fields = load_fields(minimum=6.0, maximum=None)
    typical: ClassVar[dict[str, str]] = {
        "mode": "power",
        "power": "1.4 W",
        "maximum_voltage": "30 V",
    }

    def size_mm(self, values: Values) -> tuple[float, float]:
        """Usual size; a whoop's up to 0.15 A."""
        small = (values.optional("current") or 1e3) <= 0.15
        return (26.0, 26.0) if small else (36.0, 36.0)

"""A camera."""

from __future__ import annotations

from typing import ClassVar

from sim.parts.families import LoadKind, load_fields
from sim.parts.kind import Values


class Camera(LoadKind):
    """A camera, as a load with its supply limits.

        resistor: i = v / resistance
        current:  i = current, above minimum_voltage; below it current v / minimum_voltage
        power:    i = power / v, above minimum_voltage; below it power v / minimum_voltage^2,
                  following the supply as a first-order lag of its bandwidth

    An analogue one draws about 1 W (our guess).

    Source: the laws are arithmetic; what it draws, its limits and its bandwidth are our guess.

    Left out: a soft start (plugged in, it draws all at once after start_delay), how long it takes
    to come back after a brown-out, what its regulator lets through, its ripple.
    """

    kind = "camera"
    title = "Camera"
    fields = load_fields(minimum=4.5, maximum=None)
    typical: ClassVar[dict[str, str]] = {
        "mode": "power",
        "power": "1.1 W",
        "maximum_voltage": "36 V",
    }

    def size_mm(self, values: Values) -> tuple[float, float]:
        """Usual size; a whoop's up to 0.1 A."""
        small = (values.optional("current") or 1e3) <= 0.1
        return (11.0, 9.0) if small else (19.0, 19.0)

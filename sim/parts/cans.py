"""What electrolytic and polymer cans share: surge limit, faults, and how warm they get."""

from __future__ import annotations

import math
from typing import ClassVar

from sim.errors import BadField
from sim.parts.families import CapacitorKind, can_mm
from sim.parts.kind import Field, Rating, Values

#: Heat that leaves a can by its side and top, in W/(m2 K). Common practice, no source: 10 to 20.
CONVECTION_W_M2K = 15.0

FAULT_FIELDS: tuple[Field, ...] = (
    Field(
        "leg_resistance",
        "Ohm",
        "Resistance of a cracked joint or a leg that hangs by a thread, in mOhm; remove the part "
        "for a leg that is off",
        0.0,
        low=0.0,
        high=1e6,
        label="broken leg",
        source="not there unless given",
    ),
    Field(
        "reversed",
        "flag",
        "Soldered in the wrong way round: it is refused, as it would burst",
        False,
        source="not there unless given",
    ),
)


class CanKind(CapacitorKind):
    """A polarised can: refuses to be reversed, may have a broken leg, has a surge limit."""

    def leg_ohm(self, values: Values) -> float:
        """Resistance of a broken leg. BadField if the can is reversed."""
        if values.flag("reversed"):
            raise BadField(
                f"{values.owner}.reversed",
                "it is the wrong way round and would heat, vent and burst",
                "Turn it: the stripe is minus. Do not power it before",
            )
        return values.number("leg_resistance")

    def watts_per_kelvin(self, values: Values) -> float:
        """Heat that leaves the can per kelvin above the air, by side and top: h A.

        Common practice, no source: still air of a frame, 10 to 20 W/(m2 K).
        """
        diameter, height = can_mm(values.number("capacitance"), values.optional("rated_voltage"))
        area = math.pi * diameter * height + math.pi / 4.0 * diameter**2
        return CONVECTION_W_M2K * area * 1e-6


class Surging(CanKind):
    """A can that stands more than its rated voltage for a short time."""

    ratings: ClassVar[tuple[Rating, ...]] = (
        *CapacitorKind.ratings,
        Rating("surge limit", "rated_voltage", "peak_volts"),
    )

    def limit(self, rating: Rating, values: Values) -> float | None:
        """The surge limit is 1.15 times the rated voltage up to 315 V, 1.10 times above."""
        limit = values.optional(rating.field)
        if limit is None or rating.name != "surge limit":
            return limit
        return limit * (1.15 if limit <= 315.0 else 1.10)

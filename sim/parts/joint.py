"""Where leads meet."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sim.parts.kind import Kind, Port, Values

if TYPE_CHECKING:
    from sim.network import Stamp


class Joint(Kind):
    """A place where leads meet: pads, a plug, a distribution board.

        sum of currents into plus = 0, sum of currents into minus = 0

    It has a voltage and nothing else: no resistance, no inductance, no limit. Its address
    is its id alone. A part that hangs on it without a lead of its own is joined by a lead
    with no values.

    Source: Kirchhoff's law.

    Left out: the resistance of the solder and the few nH of the copper between two pads of
    one board. Draw a lead with its own values where they matter.
    """

    kind = "joint"
    title = "Joint"
    ports = (Port("in"),)
    group = "Power"

    def stamp(self, values: Values, net: Stamp) -> None:
        """Nothing: the joint is its pair of nodes."""

    def size_mm(self, values: Values) -> tuple[float, float]:
        """A pair of pads."""
        return (8.0, 6.0)

    def summary(self, values: Values) -> str:
        """It has no values."""
        return "joint"

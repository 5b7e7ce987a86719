"""What is not linear in a network: stores that fade, and curves of current over voltage.

A store that fades is a capacitor that loses capacitance with voltage, or an inductor that
loses inductance with current. Its state is its charge (flux) p; with z its voltage (current)

    X(z) = full / (1 + (z / half)^2)             capacitance, inductance: the change dp/dz
    p    = full half atan(z / half)
    E    = full half^2 / 2 ln(1 + (z / half)^2)  energy stored

(charge and energy are integrals of X; that bell is a common fit to makers' bias curves of
ceramics, and to the soft saturation of powder and gapped cores: our choice, no standard).
A curve is a current i(v) that never falls as v rises, made of straight pieces with round
corners.

Both stand in the network beside a linear element, `value`, and the equations know only how
they differ from it: a residual as a function of a control.

    store:  control c = p / value,   residual r = z - c
    curve:  control c = v + value i, residual r = v - value i

For a curve |dr/dc| <= 1, however steep or flat: the residual stays tame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.errors import Conflict

#: Share of the full inductance that is left where data sheets state a saturation current:
#: 30 % down is the usual one (10 % and 20 % are also met). Common practice, no source.
SATURATED_SHARE = 0.7
#: Where z / half a store stops to fade: the bell's charge is bounded, a real one's is not, and
#: a step that is only tried must find a voltage to any charge. A part in 2,500 is left there.
STEEPEST = 50.0

#: Widths of its round corner that a limiter's begin is away from 0 V.
CORNER_WIDTHS = 10.0


@dataclass(frozen=True)
class Fading:
    """Law of a store that fades.

    Attributes
    ----------
    full : F or H at 0 V or 0 A, above 0
    half : V or A at which half of it is left, above 0
    """

    full: float
    half: float

    @classmethod
    def saturating(cls, full: float, saturation_a: float) -> Fading:
        """An inductor of which `SATURATED_SHARE` is left at a saturation current."""
        return cls(full, saturation_a / math.sqrt(1.0 / SATURATED_SHARE - 1.0))

    def slope(self, z: float) -> float:
        """Capacitance at a voltage, or inductance at a current."""
        ratio = min(abs(z) / self.half, STEEPEST)
        return self.full / (1.0 + ratio * ratio)


@dataclass(frozen=True)
class Curve:
    """A current through a two-terminal over the voltage across it, i(0) = 0.

        i(v) = leak v + sum of corners, each change width (s((v - at) / width) - s(-at / width)),
        s(x) = ln(1 + exp(x))

    Attributes
    ----------
    leak_s : slope far below all corners, in S, above 0
    corners : (at_v, change_s, width_v): where the slope changes, by how much, and how round
    """

    leak_s: float
    corners: tuple[tuple[float, float, float], ...]

    def __post_init__(self) -> None:
        if not self.leak_s > 0.0 or any(not width > 0.0 for _, _, width in self.corners):
            raise Conflict("curve", "needs a leakage and rounding above 0", "Give more")
        # the slope is a sum of steps, each done within some widths of its corner
        looked = (at + 0.25 * i * w for at, _, w in self.corners for i in range(-160, 161))
        if any(self.slope(v) < 0.0 for v in looked):
            raise Conflict("curve", "falls somewhere", "Let the current rise with the voltage")

    @classmethod
    def knee(cls, at_v: float, slope_ohm: float, width_v: float, leak_s: float) -> Curve:
        """Next to nothing below a voltage, from there on a resistance: a clamp."""
        return cls(leak_s, ((at_v, 1.0 / slope_ohm, width_v),))

    @property
    def sharp(self) -> tuple[float, float]:
        """A `knee` without its round corner: where it begins to conduct, in V, and its ohm.

        Raises
        ------
        Conflict   if it is no knee
        """
        if len(self.corners) != 1 or self.corners[0][1] <= 0.0:
            raise Conflict("curve", "is no knee", "Give it one corner")
        at, change, _width = self.corners[0]
        return at, 1.0 / change

    @classmethod
    def limiter(cls, ohm: float, limit_a: float, width_v: float, leak_s: float) -> Curve:
        """A resistance forwards up to a current, and nothing backwards.

        In series with an EMF, from its plus outwards, it lets 0 A to `limit_a` pass and no other
        current but the leakage: a supply that cannot sink. `limit_a` may be infinite. It costs
        ten widths of voltage, so that hardly anything flows backwards on its round corner.
        """
        begin = CORNER_WIDTHS * width_v
        forwards = (begin, 1.0 / ohm, width_v)
        if math.isinf(limit_a):
            return cls(leak_s, (forwards,))
        return cls(leak_s, (forwards, (begin + ohm * limit_a, -1.0 / ohm, width_v)))

    @classmethod
    def limited(cls, ohm: float, limit_a: float, width_v: float, leak_s: float) -> Curve:
        """A resistance both ways, but for `limit_a` (finite), which no more is let through."""
        return cls(1.0 / ohm, ((ohm * limit_a, leak_s - 1.0 / ohm, width_v),))

    def amps(self, v: float) -> float:
        """Current at a voltage, in A."""
        return self.leak_s * v + sum(
            change * width * (_softplus((v - at) / width) - _softplus(-at / width))
            for at, change, width in self.corners
        )

    def slope(self, v: float) -> float:
        """di/dv at a voltage, in S."""
        return self.leak_s + sum(
            change * 0.5 * (1.0 + math.tanh(0.5 * (v - at) / width))
            for at, change, width in self.corners
        )

    def ohm(self, v: float) -> float:
        """Differential resistance at a voltage, kept within what computes well."""
        return min(max(1.0 / max(self.slope(v), 1.0 / MOST_OHM), LEAST_OHM), MOST_OHM)


#: Limits of the resistance a curve is linearised to, in ohm.
LEAST_OHM, MOST_OHM = 1e-6, 1e6


def _softplus(x: float) -> float:
    return max(x, 0.0) + math.log1p(math.exp(-abs(x)))

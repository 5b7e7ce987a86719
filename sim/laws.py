"""The laws of `sim.nonlinear` on arrays: residuals as functions of their controls."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from sim.nonlinear import STEEPEST, Curve, Fading
from sim.nonlinear_kernels import curve_residual

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]


_LAST = math.atan(STEEPEST)


class StoreLaws:
    """Residuals of stores that fade; `values` (n,) are of the linear stores beside them."""

    def __init__(self, laws: Sequence[Fading], values: Array) -> None:
        self.full = np.array([law.full for law in laws], dtype=float)
        self.half = np.array([law.half for law in laws], dtype=float)
        self.value = np.asarray(values, dtype=float)

    def residuals(self, c: Array) -> tuple[Array, Array, Array]:
        """r, dr/dc and d2r/dc2 at controls (..., n)."""
        angle = c * (self.value / (self.full * self.half))
        inside = np.clip(angle, -_LAST, _LAST)
        z = np.tan(inside)
        slope = 1.0 + z * z
        bend = np.where(inside == angle, 2.0 * z * slope, 0.0)
        z = z + (angle - inside) * slope
        scale = self.value / self.full
        return self.half * z - c, scale * slope - 1.0, scale * scale / self.half * bend

    def residual(self, k: int, c: float) -> tuple[float, float, float]:
        """The same of store k alone at a control c."""
        full, half, value = float(self.full[k]), float(self.half[k]), float(self.value[k])
        angle = c * value / (full * half)
        inside = min(max(angle, -_LAST), _LAST)
        z = math.tan(inside)
        slope = 1.0 + z * z
        scale = value / full
        bend = scale * scale / half * 2.0 * z * slope if inside == angle else 0.0
        z += (angle - inside) * slope
        return half * z - c, scale * slope - 1.0, bend

    def residuals_at(self, z: Array) -> Array:
        """r at voltages or currents z (..., n)."""
        ratio = z / self.half
        low = np.clip(ratio, -STEEPEST, STEEPEST)
        held = np.arctan(low) + (ratio - low) / (1.0 + STEEPEST**2)
        return np.asarray(z - self.full * self.half / self.value * held)

    def energy_beyond(self, z: Array) -> Array:
        """Energy more than the linear stores would hold at z (..., n), summed over them, in J."""
        ratio = np.abs(z) / self.half
        low = np.minimum(ratio, STEEPEST)
        beyond = ratio - low
        straight = beyond * (0.5 * beyond + STEEPEST) / (1.0 + STEEPEST**2)
        held = self.full * self.half**2 * (0.5 * np.log1p(low * low) + straight)
        return np.asarray(np.sum(held - 0.5 * self.value * z * z, axis=-1))


class CurveLaws:
    """Residuals of curves; `values` (n,) are of the linear resistors beside them."""

    def __init__(self, curves: Sequence[Curve], values: Array) -> None:
        self.value = np.asarray(values, dtype=float)
        self.leak = np.array([c.leak_s for c in curves], dtype=float)
        most = max((len(c.corners) for c in curves), default=0)
        #: (n, most, 3): at, change, width; a corner of no change where a curve has fewer
        self.corners = np.zeros((len(curves), most, 3))
        self.corners[:, :, 2] = 1.0
        for row, curve in zip(self.corners, curves, strict=True):
            if curve.corners:
                row[: len(curve.corners)] = curve.corners

    def residuals(self, c: Array) -> tuple[Array, Array]:
        """r and dr/dc at controls (..., n)."""
        r, slope = np.zeros(c.shape), np.zeros(c.shape)
        for at in np.ndindex(c.shape):
            k = at[-1]
            r[at], slope[at] = curve_residual(
                float(c[at]), self.value[k], self.leak[k], self.corners[k]
            )
        return r, slope

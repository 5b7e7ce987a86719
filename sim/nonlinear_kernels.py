"""The laws of `sim.nonlinear` one number at a time, written for numba."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from sim.kernels import compiled
from sim.nonlinear import STEEPEST

if TYPE_CHECKING:
    import numpy as np

_LAST = math.atan(STEEPEST)


@compiled
def store_residual(c: float, value: float, full: float, half: float) -> tuple[float, float]:
    """r = z - c of a store that fades, and dr/dc."""
    angle = c * value / (full * half)
    inside = min(max(angle, -_LAST), _LAST)
    z = math.tan(inside)
    slope = 1.0 + z * z
    z += (angle - inside) * slope
    return half * z - c, value / full * slope - 1.0


@compiled
def store_bend(c: float, value: float, full: float, half: float) -> float:
    """d2r/dc2 of a store that fades."""
    angle = c * value / (full * half)
    if abs(angle) > _LAST:
        return 0.0
    z = math.tan(angle)
    scale = value / full
    return scale * scale / half * 2.0 * z * (1.0 + z * z)


@compiled
def softplus(x: float) -> tuple[float, float]:
    """ln(1 + exp(x)) and its slope."""
    if x > 0.0:
        e = math.exp(-x)
        return x + math.log1p(e), 1.0 / (1.0 + e)
    e = math.exp(x)
    return math.log1p(e), e / (1.0 + e)


@compiled
def curve_amps(v: float, leak: float, corners: np.ndarray) -> tuple[float, float]:
    """i(v) of a curve, and di/dv; corners (n, 3) as in `sim.nonlinear.CurveLaws`."""
    amps, slope = leak * v, leak
    for k in range(len(corners)):
        at, change, width = corners[k, 0], corners[k, 1], corners[k, 2]
        if change != 0.0:
            here, share = softplus((v - at) / width)
            none, _ = softplus(-at / width)
            amps += change * width * (here - none)
            slope += change * share
    return amps, slope


@compiled
def curve_residual(c: float, ohm: float, leak: float, corners: np.ndarray) -> tuple[float, float]:
    """r = v - ohm i of a curve where v + ohm i = c, and dr/dc.

    Newton, kept between bounds: the left side rises by at least one with v, so that the root is
    no further off than what is missing.
    """
    # where the nearest straight piece has it
    v = c / (1.0 + ohm * leak)
    amps, slope = curve_amps(v, leak, corners)
    missing = v + ohm * amps - c
    low, high = min(v, v - missing), max(v, v - missing)
    for _ in range(100):
        if missing > 0.0:
            high = v
        else:
            low = v
        new = v - missing / (1.0 + ohm * slope)
        if not low <= new <= high:
            new = 0.5 * (low + high)
        moved = abs(new - v)
        v = new
        amps, slope = curve_amps(v, leak, corners)
        missing = v + ohm * amps - c
        if moved <= 1e-15 * (1.0 + abs(v)) or missing == 0.0:
            break
    return 2.0 * v - c, 2.0 / (1.0 + ohm * slope) - 1.0

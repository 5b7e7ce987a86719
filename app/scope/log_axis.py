"""Figures on logarithmic axes."""

from __future__ import annotations

import math

from sim import quantity


def decades(low: float, high: float) -> list[float]:
    """Powers of ten within [low, high], both above 0."""
    first, last = math.ceil(math.log10(low) - 1e-9), math.floor(math.log10(high) + 1e-9)
    return [10.0**k for k in range(first, last + 1)]


def whole_decades(low: float, high: float, *, most: int = 7) -> tuple[float, float]:
    """The decades that hold both values, the uppermost `most` of them."""
    top = math.ceil(math.log10(high) - 1e-9)
    bottom = math.floor(math.log10(low) + 1e-9)
    if top == bottom:
        top += 1
    return 10.0 ** max(bottom, top - most), 10.0**top


def share(value: float, low: float, high: float) -> float:
    """Where a value lies between two others on a logarithmic axis, 0 to 1 and beyond."""
    return math.log(max(value, 1e-300) / low) / math.log(high / low)


def label(value: float, unit: str) -> str:
    """ "100 Hz", "10 kHz", "1 mΩ"; never in scientific notation."""
    return quantity.format(value, unit, 3)

"""Round numbers for the axes."""

from __future__ import annotations

import math


def ticks(low: float, high: float, most: int) -> list[float]:
    """At most `most` multiples of 1, 2 or 5 times a power of ten within [low, high]."""
    span = high - low
    if not (math.isfinite(span) and span > 0.0) or most < 1:
        return []
    raw = span / most
    decade = 10.0 ** math.floor(math.log10(raw))
    for factor in (1.0, 2.0, 5.0, 10.0, 20.0):
        step = factor * decade
        first = math.ceil(low / step - 1e-9)
        last = math.floor(high / step + 1e-9)
        if last - first + 1 <= most:
            return [k * step for k in range(first, last + 1)]
    return []


def least_span(low: float, high: float) -> float:
    """From low to high; what hardly moves is not blown up into noise."""
    return max(high - low, 0.05 * max(abs(high), abs(low)), 0.1)


def volt_range(
    values: list[float], above: float = 0.24, below: float = 0.12
) -> tuple[float, float]:
    """A range that holds all values, with air, and `above` them a share for a limit's name."""
    if not values:
        return 0.0, 1.0
    low, high = min(values), max(values)
    span = least_span(low, high)
    return low - below * span, high + above * span

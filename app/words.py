"""Figures and places as people say them."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from sim import quantity
from sim.verdict import LOWER, grown

if TYPE_CHECKING:
    from app.solver.protocol import CellRow, RatingRow

#: Marks in the file to words on screen.
MARKS = {
    "sourced": "sourced",
    "derived": "worked out",
    "assumed": "our guess",
    "measured": "you measured",
}


#: A figure and a unit, that no line may end between.
_QUANTITY = re.compile(r"(?<=\d) (?=(?:[µmkM]?(?:V|A|W|Ω|F|H|Hz|s|J)|mm|g|rpm|°C|%)\b)")


def unbroken(text: str) -> str:
    """The same with figures that stay with their units where lines fold."""
    return _QUANTITY.sub("\N{NO-BREAK SPACE}", text)


def volts(value: float) -> str:
    """Volts to a tenth, below one volt in mV."""
    return f"{value:.1f} V" if abs(value) >= 1.0 else quantity.format(value, "V", 2)


def reading(value: float, reads: str) -> str:
    """A figure of a curve, by what its clip reads."""
    if reads == "amps":
        return f"{value:.1f} A" if abs(value) >= 1.0 else quantity.format(value, "A", 2)
    if reads == "speed":
        return f"{value:.0f} rpm"
    if reads == "duty":
        return f"{value:.0f} %"
    return volts(value)


def of_limit(row: CellRow | RatingRow, digits: int | None = None) -> str:
    """A figure against its limit: "22.1 of 30 V", "9.8 V, needs 10".

    digits : decimals of the figure; as many as it needs where left out
    """
    if row.value is None:
        return "not known yet"
    if row.reads == "growth":
        return grown(row.value)
    if digits is not None:
        value = f"{row.value:.{digits}f}"
    else:
        value = f"{row.value:.1f}" if abs(row.value) >= 1.0 else f"{row.value:.2g}"
    if row.reads in LOWER:
        return f"{value} {row.unit}, needs {row.limit:g}"
    return f"{value} of {row.limit:g} {row.unit}"


def seconds(value: float, span: float) -> str:
    """A time on an axis that spans `span` seconds: "30 ms", "0", "12.5 µs"."""
    if abs(value) < 1e-9 * max(span, 1e-12):
        return "0"
    # digits enough to tell neighbours apart, however far into the event they are
    digits = math.ceil(math.log10(max(abs(value) / max(span, 1e-12), 1.0))) + 2
    return quantity.format(value, "s", max(digits, 6))

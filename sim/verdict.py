"""How much of each rating a run uses.

within up to 80 % of a limit, close up to 100 %, over above. The 80 % is a common
practice of the trade (no source): a margin of a fifth for what the model leaves out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Verdict = Literal["within", "close", "over"]

#: Readings held against a lower limit.
LOWER = ("lowest", "slow lowest")

WITHIN = 0.8
#: Use is cut here, so that a voltage of nothing against a lower limit stays a number.
MOST = 1000.0


def verdict(used: float) -> Verdict:
    """The word for a use of 0 .. of a limit."""
    if used <= WITHIN:
        return "within"
    return "close" if used <= 1.0 else "over"


def use_of_limit(value: float, limit: float, *, lower: bool) -> float:
    """Share of a limit that a value uses: value/limit, or limit/value for a lower limit."""
    if lower:
        return MOST if value <= limit / MOST else limit / value
    return min(max(value, 0.0) / limit, MOST) if limit > 0.0 else MOST


@dataclass(frozen=True)
class RatingUse:
    """One limit of one part in one run.

    Attributes
    ----------
    name : what the limit is called ("MOSFET limit")
    reads : what was held against it: "peak", "slow peak", "lowest", "slow lowest",
        "RMS", "peak current", "mean power", "warms by"
    place : address it was read at
    value, limit : in `unit`
    used : share of the limit used, 1 at the limit
    note : what the figure means beyond the limit, "" where nothing is to be said
    """

    name: str
    reads: str
    place: str
    value: float
    limit: float
    used: float
    unit: str
    verdict: Verdict
    note: str = ""

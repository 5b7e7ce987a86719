"""How much of each rating a run uses.

within up to 80 % of a limit, close up to 100 %, over above. The 80 % is a common
practice of the trade (no source): a margin of a fifth for what the model leaves out.

A use is the way from where a part is not strained at all to its limit, and how much of it
is gone. An upper limit strains a part from nothing on: a MOSFET of 30 V at 24 V is at 80 %
whether 16 V or 24 V is its rest, and makers and trade derate by the rating itself. So it is
value/limit. Measured from rest, 25 V on 26 V would be nothing as long as nothing moves. A lower
limit does not strain a part that has its supply: 5 V of a rail that needs 3.9 V is not 78 %
of anything. So it is what is lost of the room between its voltage at rest and the limit.
Past the limit both are the ratio of the two, else a rail with little room would by its
smallness alone outdo whatever is over elsewhere. At the limit all are 1.
"""

from __future__ import annotations

import math
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


def use_of_limit(value: float, limit: float, *, lower: bool, rest: float | None = None) -> float:
    """Share of a limit that a value uses, 1 at the limit and above 1 beyond it.

    value/limit for an upper limit. For a lower one (rest - value)/(rest - limit), and limit/value
    once it is crossed, or where no rest above the limit is known.

    Parameters
    ----------
    rest : the value before anything runs, for a lower limit
    """
    if not lower:
        return min(max(value, 0.0) / limit, MOST) if limit > 0.0 else MOST
    if value >= limit and rest is not None and rest > limit:
        return max(rest - value, 0.0) / (rest - limit)
    return MOST if value <= limit / MOST else limit / value


def grown(folds: float) -> str:
    """How much a swing grows by itself, from how often it does so by 2.718."""
    if folds > math.log(1000.0):
        return "grows over 1000-fold"
    return f"grows {math.exp(folds):.2g}-fold"


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
    used : share of the limit used, 1 at the limit; see `use_of_limit`
    note : what the figure means beyond the limit, "" where nothing is to be said
    rest : the value with all throttles at zero, for a lower limit
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
    rest: float | None = None

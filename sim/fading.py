"""How far ceramics and coils that fade move from what is left of them at the start.

A run that follows them costs some three times as much as one that takes them as they are at the
start. Where they hardly move the two say the same: this tells where.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from sim.switching import EdgeRun

#: Moments of a run looked at; ripple and edges make them fall anywhere in a period.
_LOOKS = 4096


def moved(run: EdgeRun) -> float:
    """Most that a store's slope (C or L at a moment) is off its value at the start, of one.

    Parameters
    ----------
    run : one that takes stores as they are at the start, so that its states are linear in them
    """
    stores = run.equations.stores
    if not len(stores):
        return 0.0
    # (not evenly spaced: a whole number of looks a carrier period would see one phase of it)
    spread = (np.arange(_LOOKS) * 0.6180339887498949) % 1.0
    x = run.states(np.sort(spread) * run.duration_s)
    z = x @ stores.reach.T + stores.rest
    far = np.abs(z).max(axis=0), np.abs(z).min(axis=0)
    # slopes fall as |z| grows: the ends tell all between
    slopes = np.array([[law.slope(float(v)) for law, v in zip(stores.laws, end, strict=True)]
                       for end in far])  # fmt: skip
    return float(np.max(np.abs(slopes / stores.value - 1.0)))

"""How warm pulses make the junction of an avalanche diode.

Heat of a short pulse flows into the chip and its lead frame as into a thick block: under a
steady power the rise goes with the square root of time (Carslaw and Jaeger, Conduction of Heat
in Solids, 2nd ed. 1959, section 2.9, from memory), and so the power allowed falls with its
inverse, as makers' curves of peak pulse power over pulse time do. Under any power P(t),

    rise(t) = c integral of P(u) / (2 sqrt(t - u)) du,

and c is what the rated pulse says: peak power, half of it left after 1 ms ("10/1000 us"), takes
the junction from 25 to 175 C, the most that data sheets allow. Such a pulse, P exp(-t/T), rises
by at most c P sqrt(T) times the largest value of Dawson's integral.

Left out: the package's slow thermal resistance, which counts from some 10 ms on, and that it
starts warm.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Rise that the rated pulse may make, in K: from 25 to 175 C.
RATED_RISE_K = 150.0
#: Time constant of the rated pulse, in s: half of it is left after 1 ms.
RATED_S = 1e-3 / math.log(2.0)
#: Largest value of Dawson's integral, exp(-x^2) times the integral of exp(y^2) from 0 to x.
DAWSON_MAX = 0.5410442246
#: Stretches of a run that are told apart.
_MOST = 2000


def peak_rise(edges_s: Array, joules: Array, rated_w: float) -> float:
    """Highest rise of the junction in K.

    Parameters
    ----------
    edges_s : (n + 1,) ends of stretches, rising; power is taken as even within each
    joules : (n,) turned to heat in each
    rated_w : power of the rated pulse, W
    """
    if len(joules) > _MOST:
        # those with least in them are joined: what they change is small
        cuts = np.concatenate([[0.0], np.cumsum(np.abs(joules))])
        even = np.arange(len(cuts)) / max(len(joules), 1)
        way = cuts / max(float(cuts[-1]), 1e-300) + even
        keep = np.unique(np.searchsorted(way, np.linspace(0.0, float(way[-1]), _MOST + 1)))
        keep = np.unique(np.concatenate([[0], np.minimum(keep, len(joules)), [len(joules)]]))
        total = np.concatenate([[0.0], np.cumsum(joules)])
        edges_s, joules = edges_s[keep], np.diff(total[keep])
    width = np.diff(edges_s)
    watts = np.where(width > 0.0, joules / np.where(width > 0.0, width, 1.0), 0.0)
    since = np.sqrt(np.maximum(edges_s[1:, None] - edges_s[None, :], 0.0))
    rise = (since[:, :-1] - since[:, 1:]) @ watts
    scale = RATED_RISE_K / (rated_w * math.sqrt(RATED_S) * DAWSON_MAX)
    return scale * max(float(np.max(rise, initial=0.0)), 0.0)

"""Skin and proximity effect of round copper conductors as a few resistors and inductors.

The current of a thick wire keeps to its surface as frequency rises, and two wires that
lead it there and back draw it to the sides that face each other. Seen from its ends a
conductor then has

    Z(jw) = R (1 + sum_k c_k jw / (w_k + jw)),

in time a loop of copper R_k, L_k beside the conductor, coupled to it, for each k: one
state each. Corner and size of each loop depend on (radius / skin depth)^2, which is
proportional to frequency, and on diameter over spacing alone, so that a small table
serves all wires.

The table is fitted, by least squares on the logarithm of the resistance, to the exact
two-dimensional eddy currents of a lone wire and of two wires with opposite currents
(a series of multipoles about each axis, Bessel functions inside). That solution has the
limits of any text: the Bessel form of a lone wire, and 1/sqrt(1 - (d/D)^2) times it for
a pair at high frequency. The resistance is within 5 % from direct current up to the end
of each row's range, within 3.1 % for wires side by side in their insulation.

Left out: what happens above the range (some MHz, where the resistance stops rising), and
common currents of a pair, which see the resistance at direct current. Strands that touch
count as solid copper.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass

from sim.copper import MU0

#: Frequency in Hz up to which the loops hold; their number follows from it.
HIGHEST_HZ = 1e6
#: Diameter over spacing of the columns below; 0 is a lone wire.
_CLOSENESS = (0.0, 0.3, 0.45, 0.6, 0.7, 0.8, 0.9)


@dataclass(frozen=True)
class _Row:
    """Loops that serve up to (radius / skin depth)^2 = `reach`.

    `corners` and `sizes` have one tuple per loop, with one number per closeness.
    """

    reach: float
    corners: tuple[tuple[float, ...], ...]
    sizes: tuple[tuple[float, ...], ...]


_ROWS = (
    # worst error 4.9 %; 2.4 % at closeness 0.45
    _Row(
        16.0,
        ((9.612, 9.115, 8.597, 8.070, 7.793, 7.641, 7.698),),
        ((1.6890, 1.7378, 1.8203, 1.9862, 2.1773, 2.4798, 2.9792),),
    ),
    # worst error 0.8 %; 0.4 % at closeness 0.45
    _Row(
        32.0,
        (
            (7.529, 6.733, 6.015, 5.397, 5.106, 4.925, 4.855),
            (36.938, 31.852, 28.630, 26.656, 25.988, 25.804, 26.340),
        ),
        (
            (1.0675, 1.0023, 0.9727, 1.0079, 1.0835, 1.2103, 1.3985),
            (2.5201, 2.4868, 2.5901, 2.8657, 3.1981, 3.7632, 4.8676),
        ),
    ),
    # worst error 1.9 %; 1.0 % at closeness 0.45
    _Row(
        64.0,
        (
            (8.180, 7.555, 6.918, 6.309, 5.994, 5.788, 5.716),
            (51.480, 48.527, 45.576, 42.978, 41.744, 41.061, 41.461),
        ),
        (
            (1.2375, 1.2367, 1.2535, 1.3265, 1.4290, 1.5945, 1.8484),
            (3.3266, 3.4448, 3.6372, 4.0206, 4.4757, 5.2650, 6.8912),
        ),
    ),
    # worst error 4.8 %; 3.1 % at closeness 0.45
    _Row(
        170.0,
        (
            (9.925, 9.358, 8.726, 8.047, 7.666, 7.412, 7.357),
            (92.716, 89.926, 86.674, 82.960, 80.692, 78.996, 79.045),
        ),
        (
            (1.6254, 1.6647, 1.7264, 1.8524, 2.0027, 2.2436, 2.6340),
            (5.1724, 5.4035, 5.7475, 6.3796, 7.1103, 8.3852, 11.1444),
        ),
    ),
    # worst error 1.7 %; 1.1 % at closeness 0.45
    _Row(
        400.0,
        (
            (8.371, 7.702, 6.990, 6.299, 5.942, 5.703, 5.606),
            (50.166, 46.682, 42.831, 39.204, 37.412, 36.265, 36.122),
            (304.983, 294.033, 281.586, 269.462, 263.167, 258.712, 257.620),
        ),
        (
            (1.2793, 1.2710, 1.2709, 1.3203, 1.4065, 1.5550, 1.7883),
            (2.7260, 2.8128, 2.9462, 3.2204, 3.5575, 4.1471, 5.3281),
            (8.2466, 8.6006, 9.1343, 10.1378, 11.3166, 13.4114, 18.2143),
        ),
    ),
    # worst error 2.9 %; 2.0 % at closeness 0.45
    _Row(
        800.0,
        (
            (9.160, 8.530, 7.833, 7.109, 6.713, 6.442, 6.335),
            (68.020, 64.480, 60.371, 55.910, 53.342, 51.415, 50.784),
            (506.105, 493.422, 478.242, 460.998, 450.410, 441.517, 436.627),
        ),
        (
            (1.4597, 1.4735, 1.4999, 1.5764, 1.6835, 1.8629, 2.1506),
            (3.5946, 3.7242, 3.9183, 4.2900, 4.7349, 5.5182, 7.1512),
            (11.4001, 11.9167, 12.6853, 14.1014, 15.7495, 18.6746, 25.4464),
        ),
    ),
)


def loops(
    diameter_m: float, spacing_m: float | None, resistivity_ohm_m: float
) -> tuple[tuple[float, float], ...]:
    """(ohm, henry) per metre of conductor of each loop, largest time constant first.

    Parameters
    ----------
    spacing_m : centre to centre of a conductor with the opposite current; None: there is none
    """
    radius = diameter_m / 2.0
    reach = radius**2 * math.pi * HIGHEST_HZ * MU0 / resistivity_ohm_m
    row = next((r for r in _ROWS if reach <= r.reach), _ROWS[-1])
    closeness = 0.0 if spacing_m is None else min(diameter_m / spacing_m, _CLOSENESS[-1])
    direct = resistivity_ohm_m / (math.pi * radius**2)
    per_s = 2.0 * resistivity_ohm_m / (MU0 * radius**2)  # w at (radius / skin depth)^2 = 1
    made = []
    for corners, sizes in zip(row.corners, row.sizes, strict=True):
        ohm = direct * _between(sizes, closeness)
        made.append((ohm, ohm / (per_s * _between(corners, closeness))))
    return tuple(made)


def _between(column: tuple[float, ...], closeness: float) -> float:
    """A number of the table at a closeness, straight lines between columns."""
    at = min(bisect_right(_CLOSENESS, closeness), len(_CLOSENESS) - 1)
    low, high = _CLOSENESS[at - 1], _CLOSENESS[at]
    share = (closeness - low) / (high - low)
    return column[at - 1] + share * (column[at] - column[at - 1])

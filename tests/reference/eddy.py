"""Exact eddy currents of one and of two parallel round wires, two-dimensional.

Written for the tests alone, by other means than the program's table: multipoles about each
axis. Inside a wire the vector potential is c_n I_n(k r) cos(n theta) with k^2 = j w mu0 sigma,
outside it is b_n (a/r)^n cos(n theta) beside what the other wire sends in, and both join
smoothly at r = a. Each wire's multipoles, expanded about the other's axis, close the system.
Any text on eddy currents has the parts; the limits are tested beside it.
"""

from __future__ import annotations

import numpy as np
from scipy.special import comb, ive

MU0 = 4e-7 * np.pi
SIGMA = 58e6


def lone_ratio(radius_m: float, hz: float) -> float:
    """Resistance over that at direct current: Re[ka I0(ka) / (2 I1(ka))]."""
    ka = (1.0 + 1.0j) * radius_m * np.sqrt(np.pi * hz * MU0 * SIGMA)
    return float((ka * ive(0, ka) / (2.0 * ive(1, ka))).real)


def pair(radius_m: float, spacing_m: float, hz: float, order: int = 16) -> tuple[float, float]:
    """Resistance over that at direct current, and loop inductance in H/m, of opposite currents."""
    a, w = radius_m, 2.0 * np.pi * hz
    ka = a * np.sqrt(1j * w * MU0 * SIGMA)
    n = np.arange(1, order + 1)
    q = ka * ive(n - 1, ka) / ive(n, ka) - n  # ka I_n'(ka) / I_n(ka)
    answer = (n - q) / (n + q)  # outgoing over incoming multipole
    share = a / spacing_m
    across = -(share ** (n[:, None] + n)) * comb(n[:, None] + n - 1, n[:, None])
    incoming = np.linalg.solve(np.eye(order) - across * answer, -(share**n) / n + 0j)
    outgoing = answer * incoming
    outside = np.log(spacing_m / a) - np.sum(outgoing * share**n)
    direct = 1.0 / (SIGMA * np.pi * a * a)
    z = direct * ka * ive(0, ka) / (2.0 * ive(1, ka)) + 1j * w * MU0 / (2.0 * np.pi) * outside
    return float(z.real / direct), float(2.0 * z.imag / w)

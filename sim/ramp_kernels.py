"""Maps across full ramps in the modes of the pattern they lead out of, for numba to compile.

See `patterns.RampSeries`. In modes A_0 is diagonal, and what a bridge moves is a product L R(t)
of few columns, so that y' = lambda y + F u + L z with z = R(t) y of about two numbers. Only z needs
a series in t; what its t^k does to a mode by the ramp's end is an integral in closed form.
"""

from __future__ import annotations

import numpy as np

from sim.kernels import compiled, multiply, on_disk


def ready() -> bool:
    """Ramps need not wait for a compiler."""
    return on_disk(ramp_maps)


@compiled
def ramp_maps(
    pairs: int,
    re: np.ndarray,
    im: np.ndarray,
    force: np.ndarray,
    left: np.ndarray,
    right: np.ndarray,
    rise: np.ndarray,
    count: int,
    out: np.ndarray,
) -> None:
    """Maps from modes and inputs at a ramp's start to modes at its end, (legs, n, n + n_inputs).

    Parameters
    ----------
    re, im : (n,) rates of the modes in 1/s, pairs first
    force : (n, n_inputs) what inputs do to the modes
    left : (legs, n, rank) and
    right : (legs, degree + 1, rank, n + n_inputs): x' has left right t^d more, t from 0 to 1
    rise : (legs,) in s
    count : terms of the series of z, at least one
    """
    n, n_u = force.shape
    width, degrees, rank = n + n_u, right.shape[1], right.shape[2]
    bends = (degrees - 1) * rank
    factorial = np.ones(count + 1)
    for k in range(1, count + 1):
        factorial[k] = k * factorial[k - 1]
    # R_d lambda^p, what these make of L and F, z by its series, and what its terms do to the modes
    powers = np.zeros((count, bends, n))
    both = np.zeros((n, rank + n_u))
    back = np.zeros((count * bends, rank + n_u))
    series = np.zeros((count * rank, width))
    gain = np.zeros((n, count * rank))
    for leg in range(len(out)):
        h = rise[leg]
        for i in range(n):
            for c in range(rank):
                both[i, c] = h * left[leg, i, c]
            for c in range(n_u):
                both[i, rank + c] = h * force[i, c]
        for d in range(1, degrees):
            for r in range(rank):
                for i in range(n):
                    powers[0, (d - 1) * rank + r, i] = right[leg, d, r, i]
        for p in range(1, count):
            for b in range(bends):
                for i in range(pairs):
                    x, y = h * re[2 * i], h * im[2 * i]
                    r0, r1 = powers[p - 1, b, 2 * i], powers[p - 1, b, 2 * i + 1]
                    powers[p, b, 2 * i], powers[p, b, 2 * i + 1] = x * r0 + y * r1, x * r1 - y * r0
                for i in range(2 * pairs, n):
                    powers[p, b, i] = h * re[i] * powers[p - 1, b, i]
        multiply(powers.reshape((count * bends, n)), both, back)
        # z_m = sum_d R_d y_{m-d}; of y_q it has k!/q! lambda^{q-1-k} L z_k
        series[:] = 0.0
        for m in range(1, count):
            for r in range(rank):
                at = m * rank + r
                if m < degrees:
                    for j in range(n, width):
                        series[at, j] = right[leg, m, r, j]
                for d in range(1, min(m + 1, degrees)):
                    b, q = (d - 1) * rank + r, m - d
                    share = 1.0 / factorial[q]
                    for i in range(n):
                        series[at, i] += share * powers[q, b, i]
                    if q > 0:
                        for c in range(n_u):
                            series[at, n + c] += share * back[(q - 1) * bends + b, rank + c]
                for k in range(1, m - 1):
                    for c in range(rank):
                        share = 0.0
                        for d in range(1, min(m - k, degrees)):
                            q = m - d
                            share += (
                                back[(q - 1 - k) * bends + (d - 1) * rank + r, c] / factorial[q]
                            )
                        share *= factorial[k]
                        for j in range(width):
                            series[at, j] += share * series[k * rank + c, j]
        for i in range(n):
            for j in range(width):
                out[leg, i, j] = 0.0
        i = 0
        while i < n:
            two = i < 2 * pairs
            x, y = h * re[i], h * im[i] if two else 0.0
            # p_k, the integral of exp(lambda (1 - t)) t^k: the last by its series
            pr, pi = 0.0, 0.0
            tr, ti = 1.0 / count, 0.0
            for k in range(count + 1, count + 60):
                pr += tr
                pi += ti
                if abs(tr) + abs(ti) < 1e-18:
                    break
                tr, ti = (x * tr - y * ti) / k, (x * ti + y * tr) / k
            for k in range(count - 1, 0, -1):
                for r in range(rank):
                    l0 = both[i, r]
                    if two:
                        l1 = both[i + 1, r]
                        gain[i, k * rank + r] = pr * l0 - pi * l1
                        gain[i + 1, k * rank + r] = pi * l0 + pr * l1
                    else:
                        gain[i, k * rank + r] = pr * l0
                pr, pi = (x * pr - y * pi + 1.0) / k, (x * pi + y * pr) / k
            er, ei = 1.0 + x * pr - y * pi, x * pi + y * pr
            out[leg, i, i] = er
            if two:
                out[leg, i, i + 1], out[leg, i + 1, i], out[leg, i + 1, i + 1] = -ei, ei, er
            for c in range(n_u):
                f0 = both[i, rank + c]
                if two:
                    f1 = both[i + 1, rank + c]
                    out[leg, i, n + c] = pr * f0 - pi * f1
                    out[leg, i + 1, n + c] = pi * f0 + pr * f1
                else:
                    out[leg, i, n + c] = pr * f0
            i += 2 if two else 1
        first, last = rank, count * rank
        whole = last - (last - first) % 4
        for i in range(n):
            for q in range(first, whole, 4):
                g0, g1, g2, g3 = gain[i, q], gain[i, q + 1], gain[i, q + 2], gain[i, q + 3]
                for j in range(width):
                    out[leg, i, j] += (
                        g0 * series[q, j]
                        + g1 * series[q + 1, j]
                        + g2 * series[q + 2, j]
                        + g3 * series[q + 3, j]
                    )
            for q in range(whole, last):
                g0 = gain[i, q]
                for j in range(width):
                    out[leg, i, j] += g0 * series[q, j]

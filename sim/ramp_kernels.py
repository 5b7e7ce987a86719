"""Maps across full ramps in the modes of the pattern they lead out of, for numba to compile.

See `patterns.RampSeries`, whose series these are: in modes A_0 is diagonal, and what a bridge
moves is of few columns, so that a term costs a tenth of what it does in states.
"""

from __future__ import annotations

import numpy as np

from sim.kernels import compiled, on_disk


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
    count : terms of the series
    """
    n, n_u = force.shape
    width, degrees, rank = n + n_u, right.shape[1], right.shape[2]
    terms: np.ndarray = np.zeros((degrees, n, width))
    new: np.ndarray = np.zeros((n, width))
    small: np.ndarray = np.zeros((rank, width))
    for leg in range(len(out)):
        terms[:] = 0.0
        for i in range(n):
            for j in range(width):
                out[leg, i, j] = 0.0
            terms[0, i, i] = 1.0
            out[leg, i, i] = 1.0
        for k in range(count):
            now = k % degrees
            for i in range(pairs):
                a, b = re[2 * i], im[2 * i]
                for j in range(width):
                    new[2 * i, j] = a * terms[now, 2 * i, j] - b * terms[now, 2 * i + 1, j]
                for j in range(width):
                    new[2 * i + 1, j] = b * terms[now, 2 * i, j] + a * terms[now, 2 * i + 1, j]
            for i in range(2 * pairs, n):
                for j in range(width):
                    new[i, j] = re[i] * terms[now, i, j]
            if k == 0:
                for i in range(n):
                    for j in range(n_u):
                        new[i, n + j] += force[i, j]
            for d in range(1, min(k, degrees - 1) + 1):
                before = (k - d) % degrees
                for r in range(rank):
                    for j in range(width):
                        small[r, j] = 0.0
                    for i in range(n):
                        share = right[leg, d, r, i]
                        for j in range(width):
                            small[r, j] += share * terms[before, i, j]
                    if d == k:
                        for j in range(n, width):
                            small[r, j] += right[leg, d, r, j]
                for i in range(n):
                    for r in range(rank):
                        share = left[leg, i, r]
                        for j in range(width):
                            new[i, j] += share * small[r, j]
            scale = rise[leg] / (k + 1)
            after = (k + 1) % degrees
            for i in range(n):
                for j in range(width):
                    terms[after, i, j] = scale * new[i, j]
                    out[leg, i, j] += terms[after, i, j]

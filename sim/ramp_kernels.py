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
    kept = max(degrees, 2)
    terms: np.ndarray = np.zeros((kept, n, width))
    # what the bridge moves by, and two rows of a new term
    small: np.ndarray = np.zeros((rank, width))
    new: np.ndarray = np.zeros((2, width))
    for leg in range(len(out)):
        terms[:] = 0.0
        for i in range(n):
            for j in range(width):
                out[leg, i, j] = 0.0
            terms[0, i, i] = 1.0
            out[leg, i, i] = 1.0
        for k in range(count):
            now, after = k % kept, (k + 1) % kept
            small[:] = 0.0
            for d in range(1, min(k, degrees - 1) + 1):
                before = (k - d) % kept
                for r in range(rank):
                    whole = n - n % 4
                    for i in range(0, whole, 4):
                        s0, s1 = right[leg, d, r, i], right[leg, d, r, i + 1]
                        s2, s3 = right[leg, d, r, i + 2], right[leg, d, r, i + 3]
                        for j in range(width):
                            small[r, j] += (
                                s0 * terms[before, i, j]
                                + s1 * terms[before, i + 1, j]
                                + s2 * terms[before, i + 2, j]
                                + s3 * terms[before, i + 3, j]
                            )
                    for i in range(whole, n):
                        s0 = right[leg, d, r, i]
                        for j in range(width):
                            small[r, j] += s0 * terms[before, i, j]
                    if d == k:
                        for j in range(n, width):
                            small[r, j] += right[leg, d, r, j]
            scale = rise[leg] / (k + 1)
            i = 0
            while i < n:
                rows = 2 if i < 2 * pairs else 1
                a = re[i]
                if rows == 2:
                    b = im[i]
                    for j in range(width):
                        new[0, j] = a * terms[now, i, j] - b * terms[now, i + 1, j]
                    for j in range(width):
                        new[1, j] = b * terms[now, i, j] + a * terms[now, i + 1, j]
                else:
                    for j in range(width):
                        new[0, j] = a * terms[now, i, j]
                for p in range(rows):
                    if k == 0:
                        for j in range(n_u):
                            new[p, n + j] += force[i, j]
                    for r in range(rank):
                        share = left[leg, i, r]
                        for j in range(width):
                            new[p, j] += share * small[r, j]
                    for j in range(width):
                        term = scale * new[p, j]
                        terms[after, i, j] = term
                        out[leg, i, j] += term
                    i += 1

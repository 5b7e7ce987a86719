"""Integrals of modes that never decay, for the figures of runs with every edge.

`kernels.add_moments` divides by the sum of two modes' rates. Where that is nothing, as for
the swing of a circuit without resistance or the speed of a rotor behind an open output, the
integral is taken here piece by piece in closed form: such a real mode runs straight, and
exp(z t) is integrated by its series where z is small.
"""

from __future__ import annotations

import cmath

import numpy as np

from sim.kernels import advance, compiled

#: Modes that grow or fade slower than this, per s, count as not decaying.
SLOWEST_PER_S = 1e-3


@compiled
def integral_exp(z: complex, t: float) -> complex:
    """Integral of exp(z t) from 0 to t."""
    zt = z * t
    if abs(zt) < 0.1:
        total, term = 1.0 + 0.0j, 1.0 + 0.0j
        for k in range(2, 14):
            term = term * zt / k
            total += term
        return complex(t * total)
    return complex((cmath.exp(zt) - 1.0) / z)


@compiled
def integral_t_exp(z: complex, t: float) -> complex:
    """Integral of t exp(z t) from 0 to t."""
    zt = z * t
    if abs(zt) < 0.5:
        total, term = 0.5 + 0.0j, 1.0 + 0.0j
        for k in range(1, 18):
            term = term * zt / k
            total += term / (k + 2)
        return complex(t * t * total)
    return complex((t * cmath.exp(zt) - integral_exp(z, t)) / z)


@compiled
def product(
    straight_i: bool, rate_i: complex, rest_i: complex, swing_i: complex,
    straight_j: bool, rate_j: complex, rest_j: complex, swing_j: complex, t: float,
) -> complex:  # fmt: skip
    """Integral of the product of two modes.

    A mode is rest + swing exp(rate t), or, if straight, rest + swing t.
    """
    if straight_i and straight_j:
        mixed = rest_i * swing_j + rest_j * swing_i
        return complex(t * (rest_i * rest_j + t * (0.5 * mixed + t * swing_i * swing_j / 3.0)))
    if straight_j:
        straight_i, rest_i, rest_j = straight_j, rest_j, rest_i
        swing_i, swing_j, rate_j = swing_j, swing_i, rate_i
    elif not straight_i:
        return complex(
            rest_i * rest_j * t
            + rest_i * swing_j * integral_exp(rate_j, t)
            + rest_j * swing_i * integral_exp(rate_i, t)
            + swing_i * swing_j * integral_exp(rate_i + rate_j, t)
        )
    return complex(
        rest_j * t * (rest_i + 0.5 * swing_i * t)
        + swing_j * (rest_i * integral_exp(rate_j, t) + swing_i * integral_t_exp(rate_j, t))
    )


@compiled
def add_undamped(
    t0: float,
    t1: float,
    piece_t: np.ndarray,
    piece_d: np.ndarray,
    piece_pattern: np.ndarray,
    piece_ramp: np.ndarray,
    piece_y: np.ndarray,
    piece_held: np.ndarray,
    pairs: np.ndarray,
    re: np.ndarray,
    im: np.ndarray,
    force: np.ndarray,
    undamped: np.ndarray,
    second: np.ndarray,
) -> None:
    """Integrals of z z^T, z = (modal state, one, held inputs), of modes that never decay.

    `undamped` (patterns, n) marks them. Their rows and columns of `second` (patterns,
    n + 1 + held, the same), nothing before, get the sums over the flat pieces of a window.
    """
    n = piece_y.shape[1]
    n_h = piece_held.shape[1] + 1
    h = np.ones(n_h)
    y, w = np.zeros(n), np.zeros(n)
    rate, rest, swing = (
        np.zeros(n, np.complex128),
        np.zeros(n, np.complex128),
        np.zeros(n, np.complex128),
    )
    straight = np.zeros(n, np.bool_)
    place = np.zeros(n, np.int64)
    for p in range(len(piece_t)):
        begin, stop = piece_t[p], piece_t[p] + piece_d[p]
        if begin >= t1:
            break
        at = piece_pattern[p]
        if piece_ramp[p] <= -2 or stop < t0 or not undamped[at].any():
            continue
        m = pairs[at]
        for j in range(1, n_h):
            h[j] = piece_held[p, j - 1]
        for i in range(n):
            y[i] = piece_y[p, i]
            w[i] = 0.0
            for j in range(n_h):
                w[i] += force[at, i, j] * h[j]
        if begin < t0:
            advance(m, re[at], im[at], y, w, t0 - begin)
            begin = t0
        span = min(stop, t1) - begin
        count = n - m
        for i in range(count):
            k = 2 * i if i < m else i + m
            place[i] = k
            two = i < m
            rate[i] = complex(re[at, k], im[at, k]) if two else complex(re[at, k], 0.0)
            now = complex(y[k], y[k + 1]) if two else complex(y[k], 0.0)
            push = complex(w[k], w[k + 1]) if two else complex(w[k], 0.0)
            straight[i] = not two and undamped[at, k]
            if straight[i]:
                rest[i], swing[i] = now, push + rate[i] * now
            else:
                rest[i] = -push / rate[i]
                swing[i] = now - rest[i]
        for i in range(count):
            a = place[i]
            if not undamped[at, a]:
                continue
            alone = product(
                straight[i], rate[i], rest[i], swing[i], True, 0.0j, 1.0 + 0.0j, 0.0j, span
            )
            for j in range(n_h):
                second[at, a, n + j] += alone.real * h[j]
                second[at, n + j, a] += alone.real * h[j]
                if i < m:
                    second[at, a + 1, n + j] += alone.imag * h[j]
                    second[at, n + j, a + 1] += alone.imag * h[j]
            for j in range(count):
                b = place[j]
                if undamped[at, b] and j < i:
                    continue
                plain = product(
                    straight[i], rate[i], rest[i], swing[i],
                    straight[j], rate[j], rest[j], swing[j], span,
                )  # fmt: skip
                conj = product(
                    straight[i], rate[i], rest[i], swing[i],
                    straight[j], rate[j].conjugate(), rest[j].conjugate(),
                    swing[j].conjugate(), span,
                )  # fmt: skip
                # (Re a Re b and so on, from a b and a b*)
                for di in range(2 if i < m else 1):
                    for dj in range(2 if j < m else 1):
                        if di == 0 and dj == 0:
                            v = 0.5 * (plain + conj).real
                        elif di == 1 and dj == 1:
                            v = 0.5 * (conj - plain).real
                        elif di == 1:
                            v = 0.5 * (plain + conj).imag
                        else:
                            v = 0.5 * (plain - conj).imag
                        second[at, a + di, b + dj] += v
                        if i != j:
                            second[at, b + dj, a + di] += v

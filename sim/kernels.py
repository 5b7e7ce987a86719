"""Inner loops of the every-edge engine, written so that numba can compile them.

Without numba (or until it is ready) they run as plain Python and give the same
answer. Only arrays and numbers cross the border; the names of the pattern arrays are
those of `sim.patterns.PatternTable`.

A run is a row of pieces. A flat piece holds one pattern for a while, then an edge's
full ramp may follow in one map. Where ramps overlap or are cut short, ramp pieces carry
the state itself through fourth-order Magnus steps.
"""

from __future__ import annotations

import hashlib
import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import platformdirs

from sim.nonlinear import STEEPEST

if TYPE_CHECKING:
    from collections.abc import Callable

try:
    import numba

    HAVE_NUMBA = True
except ImportError:
    HAVE_NUMBA = False


def _cache_folder() -> str:
    """Where compiled code is kept: a folder of its own for each version of the kernels.

    numba looks at the date of a function's own file only, so a kernel that has taken in another
    file's functions would be run as it was when that other file was older.
    """
    here = Path(__file__).parent
    digest = hashlib.sha256(numba.__version__.encode())
    for source in sorted(here.glob("*.py")):
        text = source.read_bytes()
        if b"@compiled" in text:
            digest.update(text)
    kept = here / "__pycache__"
    if not os.access(kept if kept.exists() else here, os.W_OK):
        kept = Path(platformdirs.user_cache_dir("rippletree"))
    return str(kept / f"kernels-{digest.hexdigest()[:16]}")


_CACHE_FOLDER = _cache_folder() if HAVE_NUMBA else ""


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """`function` compiled by numba where it is installed, and cached on disk."""
    return _jitted(function)


def compiled_lean(function: Callable[..., Any]) -> Callable[..., Any]:
    """The same for a function that makes no array: without counting who holds its arguments.

    The counts are atomic, and up to a third of the time of a kernel of many small calls.
    """
    return _jitted(function, _nrt=False)


def compiled_within(function: Callable[..., Any]) -> Callable[..., Any]:
    """As `compiled_lean`, put into each function that calls it.

    What is called for a few numbers takes longer to be told what to work on than to do it: an
    array is handed over as seven numbers and more.
    """
    return _jitted(function, _nrt=False, forceinline=True)


def _jitted(function: Callable[..., Any], **options: Any) -> Callable[..., Any]:
    if not HAVE_NUMBA:
        return function
    # sums may be reordered, so that they run several at a time; nothing else is relaxed
    options |= {"fastmath": {"reassoc", "contract"}, "error_model": "numpy", "nogil": True}
    config: Any = numba.config
    before = config.CACHE_DIR
    config.CACHE_DIR = _CACHE_FOLDER
    try:
        made: Callable[..., Any] = numba.njit(cache=True, **options)(function)
    finally:
        config.CACHE_DIR = before
    return made


def on_disk(function: Any) -> bool:
    """A compiled function is loaded, or its code lies in the cache and comes in a moment."""
    # (numba can be told not to compile; then it hands the plain function back)
    if not HAVE_NUMBA or not hasattr(function, "signatures"):
        return False
    if function.signatures:
        return True
    # numba's own word on whether its index is of this source; there is no public way to ask
    index = getattr(getattr(function, "_cache", None), "_cache_file", None)
    if index is not None:
        return bool(index._load_index())
    source = Path(function.py_func.__code__.co_filename)
    name = f"{source.stem}.{function.py_func.__qualname__}-*.nbi"
    # (an index older than its source is of another version and will be made again)
    return any(
        index.stat().st_mtime >= source.stat().st_mtime
        for index in Path(function.stats.cache_path).glob(name)
    )


def ready() -> bool:
    """Every-edge runs need not wait for a compiler."""
    return all(on_disk(f) for f in (march, swing_rows, ramp_states, read_flat))


#: What loads' amps may be off for what they move themselves, as a share of their sum.
CLOSE = 1e-12

#: Why `march` came back; the last is between it and what it calls.
DONE, NEED_PATTERN, FULL, GO_ON = 0, 1, 2, 3

#: Above this norm of a Magnus step its exponential is made as a matrix.
SERIES_NORM = 4.0

#: Places in the `clock` array.
T_NOW, T_PAUSE, T_END = 0, 1, 2
#: Places in the `count` array: pieces, ramp pieces, pattern now, pattern and leg wanted,
#: and edges done.
N_PIECES, N_RAMPS, NOW, WANT_PATTERN, WANT_LEG, N_EDGES = 0, 1, 2, 3, 4, 5


@compiled_lean
def times(a: np.ndarray, x: np.ndarray, out: np.ndarray) -> None:
    """out = a x. The matrices are small: a call to BLAS costs more than the sum."""
    for i in range(len(out)):
        total = 0.0
        for j in range(len(x)):
            total += a[i, j] * x[j]
        out[i] = total


def _multiply(a: np.ndarray, b: np.ndarray, out: np.ndarray) -> None:
    """The product of two matrices, into out; two rows of four each at a time, see `gather`.

    A library's takes as long for twenty rows and two thirds for forty, but to call one numba
    reads in 16 MB of scipy.
    """
    inner, width, rows = a.shape[1], b.shape[1], a.shape[0]
    fours, twos = inner - inner % 4, rows - rows % 2
    for i in range(rows):
        for j in range(width):
            out[i, j] = 0.0
    for i in range(0, twos, 2):
        for k in range(0, fours, 4):
            p, q, r, s = a[i, k], a[i, k + 1], a[i, k + 2], a[i, k + 3]
            t, u, v, w = a[i + 1, k], a[i + 1, k + 1], a[i + 1, k + 2], a[i + 1, k + 3]
            for j in range(width):
                b0, b1, b2, b3 = b[k, j], b[k + 1, j], b[k + 2, j], b[k + 3, j]
                out[i, j] += p * b0 + q * b1 + r * b2 + s * b3
                out[i + 1, j] += t * b0 + u * b1 + v * b2 + w * b3
        for k in range(fours, inner):
            p, t = a[i, k], a[i + 1, k]
            for j in range(width):
                out[i, j] += p * b[k, j]
                out[i + 1, j] += t * b[k, j]
    for i in range(twos, rows):
        for k in range(inner):
            p = a[i, k]
            for j in range(width):
                out[i, j] += p * b[k, j]


multiply: Callable[..., Any] = compiled_lean(_multiply) if HAVE_NUMBA else np.matmul


@compiled_lean
def dot(a: np.ndarray, b: np.ndarray) -> float:
    """Sum of products."""
    total = 0.0
    for i in range(len(a)):
        total += a[i] * b[i]
    return total


@compiled_lean
def mode_factors(re: float, im: float, t: float) -> tuple[float, float, float, float]:
    """exp(lambda t) and t phi1(lambda t) of one complex mode, as real and imaginary parts."""
    a, b = re * t, im * t
    grow = math.exp(a)
    c, s = math.cos(b), math.sin(b)
    er, ei = grow * c, grow * s
    if abs(a) + abs(b) < 0.2:
        # series of phi1(z) = sum z^k / (k+1)!: (e^z - 1)/z loses figures for short times
        pr, pi = 1.0, 0.0
        tr, ti = 1.0, 0.0
        for k in range(2, 12):
            tr, ti = (tr * a - ti * b) / k, (tr * b + ti * a) / k
            pr += tr
            pi += ti
        return er, ei, t * pr, t * pi
    size = re * re + im * im
    pr = ((er - 1.0) * re + ei * im) / size
    pi = (ei * re - (er - 1.0) * im) / size
    return er, ei, pr, pi


@compiled_lean
def real_factors(re: float, t: float) -> tuple[float, float]:
    """exp(lambda t) and t phi1(lambda t) of one real mode."""
    a = re * t
    if abs(a) < 1e-5:
        return math.exp(a), t * (1.0 + a * (0.5 + a / 6.0))
    return math.exp(a), math.expm1(a) / re


#: ln 2 and pi / 2 in parts, for arguments reduced without loss (constants of fdlibm).
_LN2_HIGH, _LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10
_HALF_PI = (1.57079632673412561417e00, 6.07710050630396597660e-11, 2.02226624871116645580e-21)
#: Powers of two by their exponent; below the first they count as nothing.
_LEAST_POWER, _MOST_POWER = -1070, 1020
_POWERS = np.ldexp(1.0, np.arange(_LEAST_POWER, _MOST_POWER + 1))
#: Angles up to which the reduction above is exact.
_WIDEST_ANGLE = 1e5


@compiled_lean
def eights(count: int) -> int:
    """`count` filled up to a multiple of eight: numbers that a processor takes at once."""
    whole: int = count + (-count) % 8
    return whole


@compiled_lean
def all_factors(
    at: int,
    pairs: int,
    count: int,
    rates: np.ndarray,
    t: float,
    er: np.ndarray,
    ei: np.ndarray,
    pr: np.ndarray,
    pi: np.ndarray,
) -> None:
    """exp(lambda t) and t phi1(lambda t) of all modes of pattern `at`, `count` with one a pair.

    rates (patterns, 4, n): real and imaginary parts, then of the inverse; `mode_rates` makes it.
    Series without branches, so that the compiler does several modes at a time: four times as
    fast as a library's exponential, sine and cosine one by one, and as exact. Eight at a time where
    there is room: what is left over would be done one by one. Behind `count` is nothing of use.
    """
    # (numbers that cannot be below nothing: no index then counts from an array's end)
    many, turning = max(min(eights(count), len(er)), 0), max(min(eights(pairs), len(er)), 0)
    # exp(a) - 1 = 2^k (exp(r) - 1) + 2^k - 1, nothing lost where it is small
    for i in range(many):
        a = min(max(rates[at, 0, i] * t, -740.0), 700.0)
        k = math.floor(a * 1.4426950408889634 + 0.5)
        r = (a - k * _LN2_HIGH) - k * _LN2_LOW
        p = 1.0 / 6227020800.0
        p = p * r + 1.0 / 479001600.0
        p = p * r + 1.0 / 39916800.0
        p = p * r + 1.0 / 3628800.0
        p = p * r + 1.0 / 362880.0
        p = p * r + 1.0 / 40320.0
        p = p * r + 1.0 / 5040.0
        p = p * r + 1.0 / 720.0
        p = p * r + 1.0 / 120.0
        p = p * r + 1.0 / 24.0
        p = p * r + 1.0 / 6.0
        p = p * r + 0.5
        two = _POWERS[int(k) - _LEAST_POWER]
        er[i] = two * (p * r * r + r) + (two - 1.0)
    widest = 0.0
    for i in range(pairs):
        widest = max(widest, abs(rates[at, 1, i]))
    if 0.5 * t * widest < _WIDEST_ANGLE:
        for i in range(turning):
            b = 0.5 * rates[at, 1, i] * t
            k = math.floor(b * 0.6366197723675814 + 0.5)
            r = ((b - k * _HALF_PI[0]) - k * _HALF_PI[1]) - k * _HALF_PI[2]
            q = r * r
            s = -1.0 / 1307674368000.0
            s = s * q + 1.0 / 6227020800.0
            s = s * q - 1.0 / 39916800.0
            s = s * q + 1.0 / 362880.0
            s = s * q - 1.0 / 5040.0
            s = s * q + 1.0 / 120.0
            s = s * q - 1.0 / 6.0
            s = s * q * r + r
            c = 1.0 / 20922789888000.0
            c = c * q - 1.0 / 87178291200.0
            c = c * q + 1.0 / 479001600.0
            c = c * q - 1.0 / 3628800.0
            c = c * q + 1.0 / 40320.0
            c = c * q - 1.0 / 720.0
            c = c * q + 1.0 / 24.0
            c = c * q * q - 0.5 * q + 1.0
            # quarter turns: whether sine and cosine change places, and their product's sign
            odd = k - 2.0 * math.floor(0.5 * k)
            ei[i] = (1.0 - 2.0 * odd) * s * c
            pr[i] = odd * c * c + (1.0 - odd) * s * s
    else:
        for i in range(turning):
            b = 0.5 * rates[at, 1, i] * t
            s, c = math.sin(b), math.cos(b)
            ei[i] = s * c
            pr[i] = s * s
    # exp(z) - 1 with the half angle's sine and cosine, and over lambda: of real modes that come to
    # fill up the eights too, of which all that turns is nothing. (In loops that write few arrays:
    # of more the compiler does not look whether they are apart.)
    for i in range(turning):
        xr = er[i] * (1.0 - 2.0 * pr[i]) - 2.0 * pr[i]
        ei[i] = 2.0 * (er[i] + 1.0) * ei[i]
        pi[i] = xr
    for i in range(turning):
        er[i] = pi[i] + 1.0
    for i in range(turning):
        xr, xi = pi[i], ei[i]
        pr[i] = xr * rates[at, 2, i] - xi * rates[at, 3, i]
        pi[i] = xr * rates[at, 3, i] + xi * rates[at, 2, i]
    for i in range(max(many - turning, 0)):
        pr[turning + i] = er[turning + i] * rates[at, 2, turning + i]
        er[turning + i] += 1.0


def mode_rates(pairs: int, re: np.ndarray, im: np.ndarray) -> np.ndarray:
    """Real and imaginary part of each mode and of its inverse, one of each pair, (4, n)."""
    n, two = len(re), 2 * pairs
    out = np.zeros((4, n))
    real, imaginary, *inverse = out[:, : n - pairs]
    real[:pairs], real[pairs:] = re[:two:2], re[two:]
    imaginary[:pairs] = im[:two:2]
    size = np.hypot(real, imaginary)
    # a mode that stands still: (exp(z) - 1) / lambda is then t to the last bit
    still = size == 0.0
    real[still], size[still] = -1e-100, 1e-100
    inverse[0][:], inverse[1][:] = real / size / size, -imaginary / size / size
    return out


@compiled_within
def move(
    n: int,
    pairs: int,
    er: np.ndarray,
    ei: np.ndarray,
    pr: np.ndarray,
    pi: np.ndarray,
    y: np.ndarray,
    w: np.ndarray,
) -> None:
    """Advance modal states y (n,) under a steady modal force w with factors of all modes."""
    for i in range(pairs):
        y1, y2 = y[2 * i], y[2 * i + 1]
        w1, w2 = w[2 * i], w[2 * i + 1]
        y[2 * i] = er[i] * y1 - ei[i] * y2 + pr[i] * w1 - pi[i] * w2
        y[2 * i + 1] = ei[i] * y1 + er[i] * y2 + pi[i] * w1 + pr[i] * w2
    # (numbers that cannot be below nothing: no index then counts from an array's end)
    two, single = max(2 * pairs, 0), max(pairs, 0)
    for i in range(max(n - 2 * pairs, 0)):
        y[two + i] = er[single + i] * y[two + i] + pr[single + i] * w[two + i]


@compiled_lean
def gather(
    at: int, table: np.ndarray, x: np.ndarray, rows: int, width: int, out: np.ndarray
) -> None:
    """out[:width] = sum over j < rows of x[j] table[at, j, :width].

    Four rows at a time, so that `out` is read and written a quarter as often.
    """
    for i in range(width):
        out[i] = 0.0
    whole = rows - rows % 4
    for j in range(0, whole, 4):
        a, b, c, d = x[j], x[j + 1], x[j + 2], x[j + 3]
        for i in range(width):
            out[i] += (
                a * table[at, j, i]
                + b * table[at, j + 1, i]
                + c * table[at, j + 2, i]
                + d * table[at, j + 3, i]
            )
    for j in range(whole, rows):
        a = x[j]
        for i in range(width):
            out[i] += a * table[at, j, i]


@compiled_lean
def advance(
    pairs: int, re: np.ndarray, im: np.ndarray, y: np.ndarray, w: np.ndarray, t: float
) -> None:
    """Move modal states y (n,) by t seconds under constant modal force w (n,), in place."""
    n = len(y)
    for i in range(pairs):
        er, ei, pr, pi = mode_factors(re[2 * i], im[2 * i], t)
        y1, y2 = y[2 * i], y[2 * i + 1]
        w1, w2 = w[2 * i], w[2 * i + 1]
        y[2 * i] = er * y1 - ei * y2 + pr * w1 - pi * w2
        y[2 * i + 1] = ei * y1 + er * y2 + pi * w1 + pr * w2
    for i in range(2 * pairs, n):
        e, p = real_factors(re[i], t)
        y[i] = e * y[i] + p * w[i]


@compiled
def switch_matrices(
    keys: np.ndarray,
    k_terms: np.ndarray,
    b_terms: np.ndarray,
    mass_terms: np.ndarray,
    ramp_terms: np.ndarray,
    trivial_mass: bool,
    s: np.ndarray,
    slope: np.ndarray,
    u: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """A(s) and B(s) u at switch values s moving at `slope`.

    keys (n_monomials, 4) hold switch indices, -1 for none; the terms hold one matrix a
    monomial; ramp_terms (n_switches or 0, n_monomials, n, n).
    """
    n = k_terms.shape[1]
    a: np.ndarray = np.zeros((n, n))
    force: np.ndarray = np.zeros(n)
    part = np.zeros(n)
    mass = np.zeros((n, n))
    for m in range(len(keys)):
        weight = 1.0
        for j in range(keys.shape[1]):
            if keys[m, j] >= 0:
                weight *= s[keys[m, j]]
        if weight == 0.0:
            continue
        a += weight * k_terms[m]
        times(b_terms[m], u, part)
        force += weight * part
        if not trivial_mass:
            mass += weight * mass_terms[m]
            for k in range(len(ramp_terms)):
                if slope[k] != 0.0:
                    a -= (slope[k] * weight) * ramp_terms[k, m]
    if not trivial_mass:
        a = np.linalg.solve(mass, a)
        force = np.linalg.solve(mass, force)
    return a, force


@compiled_lean
def largest_row(a: np.ndarray) -> float:
    """Largest sum of sizes along a row."""
    largest = 0.0
    for i in range(a.shape[0]):
        row = 0.0
        for j in range(a.shape[1]):
            row += abs(a[i, j])
        largest = max(largest, row)
    return largest


@compiled
def exponential_step(
    a1: np.ndarray, a2: np.ndarray, f1: np.ndarray, f2: np.ndarray, h: float, x: np.ndarray
) -> np.ndarray:
    """One Magnus step by the exponential itself, halved until its series is short, then squared.

    For steps in which a mode dies or turns many times, where a series on the state is long.
    """
    n = len(x)
    m1: np.ndarray = np.zeros((n + 1, n + 1))
    m2: np.ndarray = np.zeros((n + 1, n + 1))
    m1[:n, :n], m1[:n, n] = a1, f1
    m2[:n, :n], m2[:n, n] = a2, f2
    one, other = np.zeros((n + 1, n + 1)), np.zeros((n + 1, n + 1))
    multiply(m2, m1, one)
    multiply(m1, m2, other)
    omega = 0.5 * h * (m1 + m2) + (math.sqrt(3.0) / 12.0) * h * h * (one - other)
    halvings = 0
    size = largest_row(omega)
    while size > 0.5 and halvings < 200:
        size *= 0.5
        halvings += 1
    omega *= 0.5**halvings
    total: np.ndarray = np.eye(n + 1)
    for k in range(14, 0, -1):
        multiply(omega, total, one)
        total = np.eye(n + 1) + one / k
    for _ in range(halvings):
        multiply(total, total, one)
        total, one = one, total
    out = np.zeros(n)
    times(total[:n], np.append(x, 1.0), out)
    return out


#: Norm of a step on a ramp up to which its Taylor series is summed, and most such steps.
TAYLOR_NORM, TAYLOR_STEPS = 5.0, 64


@compiled
def ramp_series(
    keys: np.ndarray,
    k_terms: np.ndarray,
    b_terms: np.ndarray,
    s0: np.ndarray,
    slope: np.ndarray,
    u: np.ndarray,
    a: np.ndarray,
    f: np.ndarray,
) -> int:
    """A(s) and B(s) u on a ramp as series in the time since s0, for equations of trivial mass.

    a (degrees, n, n) and f (degrees, n) are filled, and their number of terms returned.
    """
    n = len(u)
    degrees = len(a)
    own, grown = np.zeros(degrees), np.zeros(degrees)
    part = np.zeros(a.shape[1])
    a[:] = 0.0
    f[:] = 0.0
    used = 1
    for m in range(len(keys)):
        own[:] = 0.0
        own[0] = 1.0
        top = 0
        for j in range(keys.shape[1]):
            k = keys[m, j]
            if k < 0:
                continue
            for d in range(top + 2):
                grown[d] = own[d] * s0[k]
                if d > 0:
                    grown[d] += own[d - 1] * slope[k]
            top += 1
            for d in range(top + 1):
                own[d] = grown[d]
        for i in range(a.shape[1]):
            # (a bridge moves few rows)
            size = 0.0
            for j in range(a.shape[2]):
                size += abs(k_terms[m, i, j])
            if size == 0.0:
                continue
            for d in range(top + 1):
                weight = own[d]
                if weight != 0.0:
                    for j in range(a.shape[2]):
                        a[d, i, j] += weight * k_terms[m, i, j]
        force = False
        for d in range(top + 1):
            weight = own[d]
            if weight == 0.0:
                continue
            used = max(used, d + 1)
            if not force:
                force = True
                for i in range(len(part)):
                    total = 0.0
                    for j in range(n):
                        total += b_terms[m, i, j] * u[j]
                    part[i] = total
            for i in range(len(part)):
                f[d, i] += weight * part[i]
    return used


@compiled_lean
def series_norm(a: np.ndarray, used: int, seconds: float) -> float:
    """A bound on the norm of a ramp's generator over a stretch."""
    total, power = 0.0, 1.0
    for d in range(used):
        total += largest_row(a[d]) * power
        power *= seconds
    return total


@compiled
def move_series(
    a: np.ndarray, f: np.ndarray, used: int, seconds: float, count: int, x: np.ndarray
) -> None:
    """Carry x along a ramp by `count` Taylor steps, exact to rounding, in place.

    The series of a and f begin at the ramp stretch's start; afterwards at its end.
    """
    n = len(x)
    h = seconds / count
    # the last terms of the solution's series
    terms = np.zeros((used, n))
    new, last = np.zeros(n), np.zeros(n)
    # what counts most, as columns: a sum of them is made several numbers at a time
    still: np.ndarray = np.zeros((1, n, n))
    # a bridge moves few rows
    rows, some = np.zeros((used, n), dtype=np.int64), np.zeros(used, dtype=np.int64)
    for d in range(1, used):
        for i in range(n):
            largest = 0.0
            for e in range(d, used):
                for j in range(n):
                    largest = max(largest, abs(a[e, i, j]))
            if largest > 0.0:
                rows[d, some[d]] = i
                some[d] += 1
    for _ in range(count):
        terms[:] = 0.0
        for i in range(n):
            terms[0, i] = x[i]
            last[i] = x[i]
            for j in range(n):
                still[0, j, i] = a[0, i, j]
        small = 0
        for k in range(80):
            # (k + 1) x_{k+1} = h sum_d a_d h^d x_{k-d} + h f_k h^k
            gather(0, still, last, n, n, new)
            for i in range(n):
                new[i] *= h
            scale = h
            for d in range(1, min(used, k + 1)):
                scale *= h
                row = (k - d) % used
                for r in range(some[d]):
                    i = rows[d, r]
                    total = 0.0
                    for j in range(n):
                        total += a[d, i, j] * terms[row, j]
                    new[i] += scale * total
            if k < used:
                scale = h ** (k + 1)
                for i in range(n):
                    new[i] += scale * f[k, i]
            size, whole = 0.0, 0.0
            row = (k + 1) % used
            for i in range(n):
                term = new[i] / (k + 1)
                terms[row, i] = term
                last[i] = term
                x[i] += term
                size = max(size, abs(term))
                whole = max(whole, abs(x[i]))
            # (a single term can vanish by chance)
            small = small + 1 if size <= 1e-17 * whole else 0
            if small >= used:
                break
        # begin the series of a and f again at the step's end
        for low in range(used):
            factor, power = 1.0, h
            for d in range(low + 1, used):
                factor = factor * d / (d - low)
                weight = factor * power
                for i in range(n):
                    f[low, i] += weight * f[d, i]
                for r in range(some[d]):
                    i = rows[d, r]
                    for j in range(n):
                        a[low, i, j] += weight * a[d, i, j]
                power *= h


@compiled
def ramp_vector(
    keys: np.ndarray,
    k_terms: np.ndarray,
    b_terms: np.ndarray,
    mass_terms: np.ndarray,
    ramp_terms: np.ndarray,
    trivial_mass: bool,
    s0: np.ndarray,
    slope: np.ndarray,
    seconds: float,
    step: float,
    u: np.ndarray,
    x: np.ndarray,
) -> np.ndarray:
    """State after a stretch of ramp.

    By Taylor series where A(s) is a polynomial and not too fast for them, otherwise by Magnus
    steps of order four of at most `step` s.
    """
    n = len(x)
    if trivial_mass:
        degrees = keys.shape[1] + 1
        a: np.ndarray = np.empty((degrees, n, n))
        f: np.ndarray = np.empty((degrees, n))
        used = ramp_series(keys, k_terms, b_terms, s0, slope, u, a, f)
        pieces = math.ceil(series_norm(a, used, seconds) * seconds / TAYLOR_NORM)
        if pieces <= TAYLOR_STEPS:
            moved = x.copy()
            move_series(a, f, used, seconds, max(pieces, 1), moved)
            return moved
    count = max(1, math.ceil(seconds / step - 1e-9))
    h = seconds / count
    gauss = math.sqrt(3.0) / 6.0
    c = math.sqrt(3.0) / 12.0 * h * h
    out = x.copy()
    term = np.zeros(n)
    v1, v2, v12, v21 = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    for i_step in range(count):
        a1, f1 = switch_matrices(
            keys, k_terms, b_terms, mass_terms, ramp_terms, trivial_mass,
            s0 + slope * (h * (i_step + 0.5 - gauss)), slope, u,
        )  # fmt: skip
        a2, f2 = switch_matrices(
            keys, k_terms, b_terms, mass_terms, ramp_terms, trivial_mass,
            s0 + slope * (h * (i_step + 0.5 + gauss)), slope, u,
        )  # fmt: skip
        if h * max(largest_row(a1), largest_row(a2)) > SERIES_NORM:
            out = exponential_step(a1, a2, f1, f2, h, out)
            continue
        # exp(omega) [x; 1] by its series
        term[:] = out
        for k in range(1, 60):
            times(a1, term, v1)
            times(a2, term, v2)
            times(a2, v1, v21)
            times(a1, v2, v12)
            new = 0.5 * h * (v1 + v2) + c * (v21 - v12)
            if k == 1:
                times(a2, f1, v21)
                times(a1, f2, v12)
                new += 0.5 * h * (f1 + f2) + c * (v21 - v12)
            term[:] = new / k
            out += term
            size, whole = 0.0, 0.0
            for i in range(n):
                size = max(size, abs(term[i]))
                whole = max(whole, abs(out[i]))
            if size <= 1e-17 * whole:
                break
    return out


@compiled_within
def load_amps(power: bool, value: float, minimum: float, volts: float) -> float:
    """Commanded current of a load at its voltage (see `LoadLaws`)."""
    if volts >= minimum:
        return value / volts if power else value
    if power:
        return value * volts / (minimum * minimum)
    return value * volts / minimum


@compiled_within
def push(
    k: int, when: float, up: int, queue_t: np.ndarray, queue_up: np.ndarray, queue_n: np.ndarray
) -> None:
    """Queue an edge of leg k."""
    i = queue_n[k]
    queue_t[k, i], queue_up[k, i] = when, up
    queue_n[k] = i + 1


@compiled_within
def pop(k: int, queue_t: np.ndarray, queue_up: np.ndarray, queue_n: np.ndarray) -> None:
    """Drop the first queued edge of leg k."""
    queue_n[k] -= 1
    for i in range(queue_n[k]):
        queue_t[k, i], queue_up[k, i] = queue_t[k, i + 1], queue_up[k, i + 1]


@compiled_within
def latch_period(
    k: int,
    emf: float,
    supply: float,
    frequency: np.ndarray,
    phase: np.ndarray,
    first: np.ndarray,
    command: np.ndarray,
    used: np.ndarray,
    centred: np.ndarray,
    period: np.ndarray,
    target: np.ndarray,
    queue_t: np.ndarray,
    queue_up: np.ndarray,
    queue_n: np.ndarray,
    limited: np.ndarray,
    drive_a: np.ndarray,
    brake_a: np.ndarray,
    path_ohm: np.ndarray,
) -> None:
    """Start a carrier period of leg k: latch its duty, hold it to the limits, queue its edges.

    `target` is the state the leg has after its queued edges.
    """
    start = (period[k] - phase[k]) / frequency[k]
    length = 1.0 / frequency[k]
    at = period[k] - first[k]
    duty = command[k, at]
    if limited[k] and supply > 1e-3:
        low = (emf - path_ohm[k] * brake_a[k]) / supply
        high = (emf + path_ohm[k] * drive_a[k]) / supply
        duty = min(max(duty, low), high)
        duty = min(max(duty, 0.0), 1.0)
    used[k, at] = duty
    period[k] += 1
    if duty <= 0.0:
        if target[k] == 1:
            push(k, start, 0, queue_t, queue_up, queue_n)
        target[k] = 0
    elif duty >= 1.0:
        if target[k] == 0:
            push(k, start, 1, queue_t, queue_up, queue_n)
        target[k] = 1
    else:
        on = 0.5 * (1.0 - duty) * length if centred[k] else 0.0
        if centred[k]:
            if target[k] == 1:
                push(k, start, 0, queue_t, queue_up, queue_n)
            push(k, start + on, 1, queue_t, queue_up, queue_n)
        elif target[k] == 0:
            push(k, start, 1, queue_t, queue_up, queue_n)
        push(k, start + on + duty * length, 0, queue_t, queue_up, queue_n)
        target[k] = 0


@compiled_within
def row_dot(at: int, k: int, table: np.ndarray, y: np.ndarray) -> float:
    """table[at, k] times y."""
    total = 0.0
    for i in range(len(y)):
        total += table[at, k, i] * y[i]
    return total


@compiled_within
def hold(
    at: int,
    n: int,
    span: float,
    y: np.ndarray,
    read: np.ndarray,
    load_0: np.ndarray,
    load_load: np.ndarray,
    speed_slope_drag: np.ndarray,
    drag: np.ndarray,
    power: np.ndarray,
    value: np.ndarray,
    minimum: np.ndarray,
    lean: np.ndarray,
    last: int,
    piece_held: np.ndarray,
    fresh: bool,
    seen: np.ndarray,
    volts: np.ndarray,
    more: np.ndarray,
    amps: np.ndarray,
    held: np.ndarray,
) -> None:
    """What is not linear, for a stretch: loads' amps and drag torques into `held` behind its one.

    Drag at the speed predicted for the stretch's middle, a load at the voltage it begins with,
    less what it leans on that voltage: `lean` (n_loads,) in S, see `sim.leaning`. Amps move
    volts themselves: they are found from those of the `last` piece (or, with -1, from none)
    in four goes, or as many as `CLOSE` takes. `commute` adds what commutation does.
    `seen` (speeds, their slopes, load volts) is read of `y` unless it is `fresh`.
    """
    n_j, n_w = len(value), len(drag)
    if not fresh:
        gather(at, read, y, n, read.shape[2], seen)
    for j in range(n_w):
        speed = seen[j]
        rate = seen[n_w + j] + speed_slope_drag[at, j] * drag[j] * speed * abs(speed)
        middle = speed + 0.5 * span * rate
        held[1 + n_j + j] = drag[j] * middle * abs(middle)
    if n_j == 0:
        return
    for j in range(n_j):
        volts[j] = load_0[at, j] + seen[2 * n_w + j]
        amps[j] = piece_held[last, j] if last >= 0 else 0.0
    before = 0.0
    for go in range(4):
        own = False
        for j in range(n_j):
            extra = 0.0
            for i in range(n_j):
                own = own or load_load[at, j, i] != 0.0
                extra += load_load[at, j, i] * amps[i]
            more[j] = volts[j] + extra
        moved, whole = 0.0, 0.0
        for j in range(n_j):
            v = more[j]
            new = load_amps(power[j], value[j], minimum[j], v) - lean[j] * v
            moved = max(moved, abs(new - amps[j]))
            whole += new
            amps[j] = new
        # what is left falls from go to go as it has so far
        if not own or (go > 0 and moved * moved <= CLOSE * abs(whole) * before):
            break
        before = moved
    for j in range(n_j):
        held[1 + j] = amps[j]


class Commutation(NamedTuple):
    """Motors whose EMF ripples (see `sim.commutation`); of no rows where none does.

    The first four, (n_rotors,), are what they are: share of the EMF that ripples, pole pairs,
    ke in V s, inertia in kg m2. The rest is where the march stands: electrical angle in rad and
    speed in rad/s at the time `since[0]`; mean current in A of the stretch before; J `owed`, which
    the rippling EMF took and the torque has yet to give; and since then torque held, of that the
    torque given, both in N m, and EMF in V. `since[1]` is how long a stretch may be, in s.
    """

    share: np.ndarray
    pole_pairs: np.ndarray
    ke: np.ndarray
    inertia: np.ndarray
    angle: np.ndarray
    speed: np.ndarray
    amps: np.ndarray
    owed: np.ndarray
    torque: np.ndarray
    given: np.ndarray
    emf: np.ndarray
    since: np.ndarray


#: A sixth of a turn, the mean of a cosine over one around its top, and how far it falls there.
SIXTH, TOP_MEAN, FALL = math.pi / 3.0, 3.0 / math.pi, 1.0 - math.cos(math.pi / 6.0)
#: Stretches of a sixth of an electrical turn, at the least.
STRETCHES = 12
#: What is owed is given back within this, in s, or in a longer stretch; not below this speed.
SOON_S, SLOW = 1e-6, 1.0


@compiled_lean
def ripple_sum(angle: float) -> float:
    """Integral of cos a - 3/pi from the nearest middle of a sixth, itself of period pi / 3."""
    off = angle - SIXTH * math.floor(angle / SIXTH + 0.5)
    # the sine's series: to rounding within 30 degrees
    q = off * off
    s = 1.0 - q / 156.0 * (1.0 - q / 210.0)
    s = 1.0 - q / 42.0 * (1.0 - q / 72.0 * (1.0 - q / 110.0 * s))
    return off * (1.0 - TOP_MEAN - q / 6.0 * (1.0 - q / 20.0 * s))


@compiled_lean
def ripple_over(angle: float, turned: float) -> float:
    """Mean of a rippling EMF's shape, of height 1, over a turn in electrical rad."""
    if abs(turned) < 1e-6:
        off = angle - SIXTH * math.floor(angle / SIXTH + 0.5)
        return (math.cos(off) - TOP_MEAN) / FALL
    mean: float = (ripple_sum(angle + turned) - ripple_sum(angle)) / (turned * FALL)
    return mean


@compiled_within
def commute(
    t: float, span: float, n_j: int, n_w: int, seen: np.ndarray, held: np.ndarray, c: Commutation
) -> None:
    """EMFs of commutation for a stretch into `held`, and their torques off those held there.

    Torque gives with the current of the stretch before, and what the EMF has taken beside that:
    the charge of a stretch, and so its work, follows from what it did to the speed.
    """
    dt = t - c.since[0]
    quickest = 0.0
    for j in range(len(c.share)):
        speed = seen[j]
        if dt > 0.0:
            mean = 0.5 * (speed + c.speed[j])
            charge = (c.inertia[j] * (speed - c.speed[j]) + c.torque[j] * dt) / c.ke[j]
            c.owed[j] += c.emf[j] * charge - c.given[j] * mean * dt
            if dt > 1e-9:
                c.amps[j] = charge / dt
            c.angle[j] += c.pole_pairs[j] * mean * dt
        drag = held[1 + n_j + j]
        middle = speed + 0.5 * span * (seen[n_w + j] - drag / c.inertia[j])
        share = c.share[j] * ripple_over(c.angle[j], c.pole_pairs[j] * middle * span)
        given = c.ke[j] * share * c.amps[j]
        if abs(speed) > SLOW:
            given += c.owed[j] / (speed * max(span, SOON_S))
        c.speed[j], c.given[j], c.torque[j] = speed, given, drag - given
        c.emf[j] = c.ke[j] * share * middle
        held[1 + n_j + j] = c.torque[j]
        held[1 + n_j + n_w + j] = c.emf[j]
        quickest = max(quickest, c.pole_pairs[j] * abs(speed))
    c.since[0] = t
    c.since[1] = SIXTH / (STRETCHES * quickest) if quickest > 0.0 else math.inf


class Stores(NamedTuple):
    """Stores that fade, as the kernels read them (`sim.nonlinear`); of no rows where none do.

    reach (n_stores, n_states), own (n_stores, n_stores) and rest (n_stores,) give controls of
    states; their law is r = half tan(scale c) - c. `scale` and `half` hold all stores three
    times, for three moments at once.
    """

    reach: np.ndarray
    own: np.ndarray
    rest: np.ndarray
    scale: np.ndarray
    half: np.ndarray


#: tan(scale c) goes on straight where scale c is beyond this.
_LAST_ANGLE = math.atan(STEEPEST)


@compiled_lean
def residuals(stores: Stores, count: int, c: np.ndarray, r: np.ndarray) -> None:
    """r of stores at controls c, (count,): of all of them, up to three times.

    The tangent from series of the half angle's sine and cosine, without branches, so that
    several are made at a time; as exact as a library's.
    """
    for i in range(count):
        angle = c[i] * stores.scale[i]
        inside = min(max(angle, -_LAST_ANGLE), _LAST_ANGLE)
        a = 0.5 * inside
        q = a * a
        s = -1.0 / 1307674368000.0
        s = s * q + 1.0 / 6227020800.0
        s = s * q - 1.0 / 39916800.0
        s = s * q + 1.0 / 362880.0
        s = s * q - 1.0 / 5040.0
        s = s * q + 1.0 / 120.0
        s = s * q - 1.0 / 6.0
        s = s * q * a + a
        d = 1.0 / 20922789888000.0
        d = d * q - 1.0 / 87178291200.0
        d = d * q + 1.0 / 479001600.0
        d = d * q - 1.0 / 3628800.0
        d = d * q + 1.0 / 40320.0
        d = d * q - 1.0 / 720.0
        d = d * q + 1.0 / 24.0
        d = d * q * q - 0.5 * q + 1.0
        z = 2.0 * s * d / ((d - s) * (d + s))
        z += (angle - inside) * (1.0 + z * z)
        r[i] = stores.half[i] * z - c[i]


@compiled_lean
def settled(stores: Stores, x: np.ndarray, base: np.ndarray, c: np.ndarray, r: np.ndarray) -> None:
    """r (n_stores,) of stores at a state x; `r` holds a guess where stores meet.

    Their own part is small wherever stores have states of their own: it is iterated.
    """
    n_r = len(stores.rest)
    for k in range(n_r):
        total = stores.rest[k]
        for i in range(stores.reach.shape[1]):
            total += stores.reach[k, i] * x[i]
        base[k] = total
    for _ in range(50):
        moved = 0.0
        for k in range(n_r):
            total = base[k]
            for j in range(n_r):
                total += stores.own[k, j] * r[j]
            moved = max(moved, abs(total - c[k]))
            c[k] = total
        residuals(stores, n_r, c, r)
        if moved <= 1e-12:
            break


@compiled_within
def next_thing(
    t: float,
    end: float,
    longest: float,
    starts: np.ndarray,
    queue_t: np.ndarray,
    queue_n: np.ndarray,
) -> tuple[float, int, int]:
    """When the next thing happens, and which leg has an edge or latches its duty (or -1).

    Where that is more than `longest` away, in s: the end of an equal part of the way there.
    """
    t_next = end
    leg = -1
    latch = -1
    for k in range(len(starts)):
        start = starts[k]
        if start < t_next or (start <= t_next and leg < 0 and latch < 0):
            t_next, leg, latch = start, -1, k
        if queue_n[k] > 0 and queue_t[k, 0] < t_next:
            t_next, leg, latch = queue_t[k, 0], k, -1
    if t_next - t > longest:
        return t + (t_next - t) / math.ceil((t_next - t) / longest), -1, -1
    return max(t_next, t), leg, latch


@compiled_within
def alone(
    leg: int, end: float, starts: np.ndarray, queue_t: np.ndarray, queue_n: np.ndarray
) -> bool:
    """Nothing else happens until the first edge of a leg is done at `end`."""
    for k in range(len(starts)):
        if starts[k] < end:
            return False
        if k == leg:
            if queue_n[k] > 1 and queue_t[k, 1] < end:
                return False
        elif queue_n[k] > 0 and queue_t[k, 0] < end:
            return False
    return True


@compiled
def carry_ramps(
    t: float,
    clock: np.ndarray,
    count: np.ndarray,
    y: np.ndarray,
    x: np.ndarray,
    u: np.ndarray,
    held: np.ndarray,
    frequency: np.ndarray,
    phase: np.ndarray,
    first: np.ndarray,
    command: np.ndarray,
    used: np.ndarray,
    centred: np.ndarray,
    rise: np.ndarray,
    period: np.ndarray,
    target: np.ndarray,
    starts: np.ndarray,
    queue_t: np.ndarray,
    queue_up: np.ndarray,
    queue_n: np.ndarray,
    limited: np.ndarray,
    drive_a: np.ndarray,
    brake_a: np.ndarray,
    path_ohm: np.ndarray,
    bits: np.ndarray,
    leg_ramp: np.ndarray,
    ramp_to: np.ndarray,
    inverse: np.ndarray,
    emf_y: np.ndarray,
    sense_y: np.ndarray,
    keys: np.ndarray,
    k_terms: np.ndarray,
    b_terms: np.ndarray,
    mass_terms: np.ndarray,
    ramp_terms: np.ndarray,
    trivial_mass: bool,
    step: float,
    piece_t: np.ndarray,
    piece_d: np.ndarray,
    piece_pattern: np.ndarray,
    piece_ramp: np.ndarray,
    piece_y: np.ndarray,
    piece_held: np.ndarray,
    ramp_s: np.ndarray,
    ramp_slope: np.ndarray,
    bits_now: np.ndarray,
    stores: Stores,
    piece_r: np.ndarray,
) -> int:
    """Carry the state x through ramps that overlap until all legs stand still.

    With stores that fade, x goes on with their residuals, u with the rates of those, and the
    terms are of such equations; what a residual changes over a stretch is found in two goes.
    `GO_ON` leaves the modal state in y; the other codes are those of `march`.
    """
    n, n_s, n_h, n_r = len(y), len(frequency), len(held) - 1, len(stores.rest)
    at = count[NOW]
    s_now, slope = np.zeros(n_s), np.zeros(n_s)
    kept_y, kept_t, kept_up, kept_n = y.copy(), queue_t.copy(), queue_up.copy(), queue_n.copy()
    kept_period, kept_target, kept_count = period.copy(), target.copy(), count.copy()
    live_leg = np.zeros(8 * n_s + 8, dtype=np.int64)
    live_rate = np.zeros(8 * n_s + 8)
    live_end = np.zeros(8 * n_s + 8)
    base, c, r = np.zeros(n_r), np.zeros(n_r), np.zeros(n_r)
    rates_at = len(u) - n_r
    for k in range(n_s):
        s_now[k] = bits[at, k]
    live = 0
    finished = False
    while True:
        # start every ramp that begins now
        for k in range(n_s):
            while queue_n[k] > 0 and queue_t[k, 0] <= t:
                rate = (2.0 * queue_up[k, 0] - 1.0) / rise[k]
                live_leg[live], live_rate[live] = k, rate
                live_end[live] = t + rise[k]
                slope[k] += rate
                live += 1
                pop(k, queue_t, queue_up, queue_n)
                count[N_EDGES] += 1
        if live == 0:
            break
        stop = clock[T_END]
        for i in range(live):
            stop = min(stop, live_end[i])
        who = -1
        for k in range(n_s):
            if starts[k] < stop:
                stop, who = starts[k], k
            if queue_n[k] > 0 and queue_t[k, 0] < stop:
                stop, who = queue_t[k, 0], -1
        stop = max(stop, t)
        if count[N_PIECES] + 1 >= len(piece_t) or count[N_RAMPS] + 1 >= len(ramp_s):
            # a chain of ramps longer than there is room for: again from where it began
            queue_t[:], queue_up[:], queue_n[:] = kept_t, kept_up, kept_n
            period[:], target[:], count[:] = kept_period, kept_target, kept_count
            y[:] = kept_y
            return FULL
        if stop > t:
            p, row = count[N_PIECES], count[N_RAMPS]
            piece_t[p], piece_d[p], piece_pattern[p] = t, stop - t, at
            piece_ramp[p] = -2 - row
            piece_y[p, :] = x[:n]
            for j in range(n_h):
                piece_held[p, j] = held[1 + j]
            for k in range(n_s):
                ramp_s[row, k], ramp_slope[row, k] = s_now[k], slope[k]
            count[N_PIECES], count[N_RAMPS] = p + 1, row + 1
            if n_r > 0:
                settled(stores, x[:n], base, c, r)
                x[n:] = r
                u[rates_at:] = 0.0
                piece_r[p, :n_r] = r
                ahead = ramp_vector(
                    keys, k_terms, b_terms, mass_terms, ramp_terms, trivial_mass,
                    s_now, slope, stop - t, step, u, x,
                )  # fmt: skip
                settled(stores, ahead[:n], base, c, r)
                u[rates_at:] = (r - x[n:]) / (stop - t)
                piece_r[p, n_r:] = r
            moved = ramp_vector(
                keys, k_terms, b_terms, mass_terms, ramp_terms, trivial_mass,
                s_now, slope, stop - t, step, u, x,
            )  # fmt: skip
            x[:] = moved
            for k in range(n_s):
                s_now[k] += slope[k] * (stop - t)
            t = stop
        if t >= clock[T_END]:
            finished = True
            break
        if who >= 0:
            times(inverse[at], x[:n], y)
            latch_period(
                who, dot(emf_y[at, who], y), dot(sense_y[at, who], y),
                frequency, phase, first, command, used, centred, period, target,
                queue_t, queue_up, queue_n, limited, drive_a, brake_a, path_ohm,
            )  # fmt: skip
            starts[who] = (period[who] - phase[who]) / frequency[who]
            continue
        keep = 0
        for i in range(live):
            if live_end[i] <= t:
                slope[live_leg[i]] -= live_rate[i]
                if abs(slope[live_leg[i]]) * rise[live_leg[i]] < 1e-9:
                    slope[live_leg[i]] = 0.0
                    s_now[live_leg[i]] = round(s_now[live_leg[i]])
            else:
                live_leg[keep] = live_leg[i]
                live_rate[keep] = live_rate[i]
                live_end[keep] = live_end[i]
                keep += 1
        live = keep
    clock[T_NOW] = t
    if finished:
        return DONE
    # back into modes: walk to the new pattern leg by leg
    known = True
    for k in range(n_s):
        bits_now[k] = 1 if s_now[k] > 0.5 else 0
        if known and bits_now[k] != bits[at, k]:
            ramp = leg_ramp[at, k]
            if ramp < 0:
                known = False
            else:
                at = ramp_to[ramp]
    if not known:
        y[:] = x[:n]
        count[WANT_PATTERN] = -1
        return NEED_PATTERN
    times(inverse[at], x[:n], y)
    count[NOW] = at
    return GO_ON


@compiled
def march(
    clock: np.ndarray,
    count: np.ndarray,
    y: np.ndarray,
    # carriers
    frequency: np.ndarray,
    phase: np.ndarray,
    first: np.ndarray,
    command: np.ndarray,
    used: np.ndarray,
    centred: np.ndarray,
    rise: np.ndarray,
    period: np.ndarray,
    target: np.ndarray,
    queue_t: np.ndarray,
    queue_up: np.ndarray,
    queue_n: np.ndarray,
    # limits
    limited: np.ndarray,
    drive_a: np.ndarray,
    brake_a: np.ndarray,
    path_ohm: np.ndarray,
    # held inputs
    power: np.ndarray,
    value: np.ndarray,
    minimum: np.ndarray,
    lean: np.ndarray,
    drag: np.ndarray,
    sources: np.ndarray,
    # patterns
    pairs: np.ndarray,
    bits: np.ndarray,
    leg_ramp: np.ndarray,
    rates: np.ndarray,
    basis: np.ndarray,
    inverse: np.ndarray,
    forced: np.ndarray,
    read: np.ndarray,
    load_0: np.ndarray,
    load_load: np.ndarray,
    speed_slope_drag: np.ndarray,
    emf_y: np.ndarray,
    sense_y: np.ndarray,
    # full ramps
    ramp_rows: np.ndarray,
    ramp_to: np.ndarray,
    # overlapping ramps
    keys: np.ndarray,
    k_terms: np.ndarray,
    b_terms: np.ndarray,
    mass_terms: np.ndarray,
    ramp_terms: np.ndarray,
    trivial_mass: bool,
    step: float,
    # what is kept
    piece_t: np.ndarray,
    piece_d: np.ndarray,
    piece_pattern: np.ndarray,
    piece_ramp: np.ndarray,
    piece_y: np.ndarray,
    piece_held: np.ndarray,
    ramp_s: np.ndarray,
    ramp_slope: np.ndarray,
    bits_now: np.ndarray,
    commutation: Commutation,
    # stores that fade: none here, see `sim.followed_kernels`
    stores: Stores,
    piece_r: np.ndarray,
    # what a ramp has left: modal state, and what is read of it; a one behind where that holds
    ahead: np.ndarray,
) -> int:
    """March from edge to edge until the end, or until something is needed from outside.

    Pieces are written at `count[N_PIECES]`: start and flat duration (s), pattern, ramp
    that follows (-1 none; -2 - i: this piece is ramp piece i), modal state at the start (the
    state itself for a ramp piece) and held inputs (loads' amps, torques, EMFs of commutation).
    The return value is one of the codes above; calling again goes on. NEED_PATTERN wants
    the ramp `count[WANT_PATTERN]`, `count[WANT_LEG]`, or with -1 the pattern `bits_now`,
    into whose modes the state left in y then has to be put.
    """
    n = len(y)
    n_j, n_w = len(value), len(drag)
    n_h = piece_held.shape[1]
    # a one for the constant sources, then what is held: loads' amps, torques, EMFs
    held = np.ones(1 + n_h)
    # modal state, then the same
    both = np.ones(n + 1 + n_h)
    seen = np.zeros(read.shape[2])
    n_seen, last = 2 * n_w + n_j, len(ahead) - 1
    volts, more, amps = np.zeros(n_j), np.zeros(n_j), np.zeros(n_j)
    w = np.zeros(n)
    er, ei, pr, pi = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    starts = (period - phase) / frequency
    u = np.zeros(len(sources) + n_h)
    x = np.zeros(n)
    while True:
        t = clock[T_NOW]
        # a pause cuts nothing: what follows is the same with it and without
        if t >= clock[T_PAUSE] or t >= clock[T_END]:
            return DONE
        at = count[NOW]
        if count[N_PIECES] + 2 >= len(piece_t) or count[N_RAMPS] + 2 >= len(ramp_s):
            return FULL

        longest = commutation.since[1]
        t_next, leg, latch = next_thing(t, clock[T_END], longest, starts, queue_t, queue_n)
        span = t_next - t

        fresh = ahead[last] > 0.0
        if fresh:
            for j in range(n_seen):
                seen[j] = ahead[n + j]

        # to the next thing, flat
        if span > 0.0:
            hold(
                at, n, span, y, read, load_0, load_load, speed_slope_drag, drag,
                power, value, minimum, lean, count[N_PIECES] - 1, piece_held, fresh,
                seen, volts, more, amps, held,
            )  # fmt: skip
            commute(t, span, n_j, n_w, seen, held, commutation)
            p = count[N_PIECES]
            piece_t[p], piece_d[p], piece_pattern[p], piece_ramp[p] = t, span, at, -1
            for i in range(n):
                piece_y[p, i] = y[i]
            for j in range(n_h):
                piece_held[p, j] = held[1 + j]
            gather(at, forced, held, 1 + n_h, n, w)
            all_factors(at, pairs[at], n - pairs[at], rates, span, er, ei, pr, pi)
            move(n, pairs[at], er, ei, pr, pi, y, w)
            ahead[last], fresh = 0.0, False
            count[N_PIECES] = p + 1
            clock[T_NOW] = t_next
        if leg < 0 and latch < 0:
            if t_next >= clock[T_END]:
                return DONE
            continue

        if latch >= 0:
            emf, supply = 0.0, 0.0
            if limited[latch]:
                emf, supply = row_dot(at, latch, emf_y, y), row_dot(at, latch, sense_y, y)
            latch_period(
                latch, emf, supply,
                frequency, phase, first, command, used, centred, period, target,
                queue_t, queue_up, queue_n, limited, drive_a, brake_a, path_ohm,
            )  # fmt: skip
            starts[latch] = (period[latch] - phase[latch]) / frequency[latch]
            continue

        end = t_next + rise[leg]
        if end <= clock[T_END] and alone(leg, end, starts, queue_t, queue_n):
            ramp = leg_ramp[at, leg]
            if ramp < 0:
                count[WANT_PATTERN], count[WANT_LEG] = at, leg
                return NEED_PATTERN
            pop(leg, queue_t, queue_up, queue_n)
            p = count[N_PIECES] - 1
            if p >= 0 and piece_ramp[p] == -1 and abs(piece_t[p] + piece_d[p] - t_next) <= 1e-15:
                piece_ramp[p] = ramp
            else:
                if span == 0.0:
                    hold(
                        at, n, 0.0, y, read, load_0, load_load, speed_slope_drag, drag,
                        power, value, minimum, lean, count[N_PIECES] - 1, piece_held, fresh,
                        seen, volts, more, amps, held,
                    )  # fmt: skip
                    commute(t_next, 0.0, n_j, n_w, seen, held, commutation)
                p += 1
                piece_t[p], piece_d[p], piece_pattern[p], piece_ramp[p] = t_next, 0.0, at, ramp
                for i in range(n):
                    piece_y[p, i] = y[i]
                for j in range(n_h):
                    piece_held[p, j] = held[1 + j]
                count[N_PIECES] = p + 1
            for i in range(n):
                both[i] = y[i]
            for j in range(n_h):
                both[n + 1 + j] = piece_held[p, j]
            gather(ramp, ramp_rows, both, n + 1 + n_h, ramp_rows.shape[2], ahead)
            ahead[last] = 1.0
            for i in range(n):
                y[i] = ahead[i]
            count[NOW] = ramp_to[ramp]
            count[N_EDGES] += 1
            clock[T_NOW] = end
            continue

        # ramps that overlap: carry the state itself until all legs stand still
        if span == 0.0:
            hold(
                at, n, 0.0, y, read, load_0, load_load, speed_slope_drag, drag,
                power, value, minimum, lean, count[N_PIECES] - 1, piece_held, fresh,
                seen, volts, more, amps, held,
            )  # fmt: skip
            commute(t, span, n_j, n_w, seen, held, commutation)
        times(basis[at], y, x)
        for j in range(len(sources)):
            u[j] = sources[j]
        for j in range(n_h):
            u[len(sources) + j] = held[1 + j]
        code: int = carry_ramps(
            t_next, clock, count, y, x, u, held,
            frequency, phase, first, command, used, centred, rise, period, target, starts,
            queue_t, queue_up, queue_n, limited, drive_a, brake_a, path_ohm,
            bits, leg_ramp, ramp_to, inverse, emf_y, sense_y,
            keys, k_terms, b_terms, mass_terms, ramp_terms, trivial_mass, step,
            piece_t, piece_d, piece_pattern, piece_ramp, piece_y, piece_held, ramp_s, ramp_slope,
            bits_now, stores, piece_r,
        )  # fmt: skip
        if code != FULL:
            ahead[last] = 0.0
        if code != GO_ON:
            return code


@compiled
def read_flat(
    at: np.ndarray,
    piece: np.ndarray,
    dt: np.ndarray,
    piece_y: np.ndarray,
    piece_held: np.ndarray,
    pairs: np.ndarray,
    rates: np.ndarray,
    forced: np.ndarray,
    row_all: np.ndarray,
    out: np.ndarray,
) -> None:
    """Outputs (T, rows) at `dt` into flat pieces of patterns `at`, (T,) each."""
    rows, n, n_h = row_all.shape[1], piece_y.shape[1], piece_held.shape[1]
    y, w = np.zeros(n), np.zeros(n)
    held = np.ones(1 + n_h)
    er, ei, pr, pi = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    for k in range(len(piece)):
        p, a = piece[k], at[k]
        m = pairs[a]
        for i in range(n):
            y[i] = piece_y[p, i]
        for j in range(n_h):
            held[1 + j] = piece_held[p, j]
        if dt[k] != 0.0:
            gather(a, forced, held, 1 + n_h, n, w)
            all_factors(a, m, n - m, rates, dt[k], er, ei, pr, pi)
            move(n, m, er, ei, pr, pi, y, w)
        for r in range(rows):
            total = 0.0
            for i in range(n):
                total += row_all[a, r, i] * y[i]
            for j in range(1 + n_h):
                total += row_all[a, r, n + j] * held[j]
            out[k, r] = total


@compiled
def swing_rows(
    t0: float,
    t1: float,
    at: int,
    pieces: np.ndarray,
    piece_t: np.ndarray,
    piece_d: np.ndarray,
    piece_y: np.ndarray,
    piece_held: np.ndarray,
    pairs: np.ndarray,
    rates: np.ndarray,
    forced: np.ndarray,
    change: np.ndarray,
    middle: np.ndarray,
    last: np.ndarray,
    spans: np.ndarray,
) -> None:
    """What integrals over a window need of flat pieces of one pattern, a row a piece.

    A mode is a rest, which the held inputs give, and a swing that runs as exp(lambda t): the
    change of each swing over the piece's part in the window and its mean of both ends, the modal
    state at the end with the held inputs (one in front) behind, and the part's length.
    """
    n, n_h = piece_y.shape[1], piece_held.shape[1] + 1
    h = np.ones(n_h)
    y, w = np.zeros(n), np.zeros(n)
    er, ei, pr, pi = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    m = pairs[at]
    for row in range(len(pieces)):
        p = pieces[row]
        begin, stop = piece_t[p], piece_t[p] + piece_d[p]
        for j in range(1, n_h):
            h[j] = piece_held[p, j - 1]
        for i in range(n):
            y[i] = piece_y[p, i]
        gather(at, forced, h, n_h, n, w)
        if begin < t0:
            all_factors(at, m, n - m, rates, t0 - begin, er, ei, pr, pi)
            move(n, m, er, ei, pr, pi, y, w)
            begin = t0
        span = min(stop, t1) - begin
        spans[row] = span
        all_factors(at, m, n - m, rates, span, er, ei, pr, pi)
        for i in range(m):
            k = 2 * i
            a, b = rates[at, 2, i], rates[at, 3, i]
            rr, ri = -(w[k] * a - w[k + 1] * b), -(w[k] * b + w[k + 1] * a)
            sr, si = y[k] - rr, y[k + 1] - ri
            tr, ti = er[i] * sr - ei[i] * si, ei[i] * sr + er[i] * si
            change[row, k], change[row, k + 1] = tr - sr, ti - si
            middle[row, k], middle[row, k + 1] = 0.5 * (tr + sr), 0.5 * (ti + si)
            last[row, k], last[row, k + 1] = tr + rr, ti + ri
        for k in range(2 * m, n):
            rest = -w[k] * rates[at, 2, k - m]
            s = y[k] - rest
            t = s * er[k - m]
            change[row, k] = t - s
            middle[row, k] = 0.5 * (t + s)
            last[row, k] = t + rest
        for j in range(n_h):
            last[row, n + j] = h[j]


@compiled
def ramp_states(
    keys: np.ndarray,
    k_terms: np.ndarray,
    b_terms: np.ndarray,
    mass_terms: np.ndarray,
    ramp_terms: np.ndarray,
    trivial_mass: bool,
    step: float,
    s0: np.ndarray,
    slope: np.ndarray,
    seconds: np.ndarray,
    u: np.ndarray,
    x0: np.ndarray,
    shares: np.ndarray,
    s_out: np.ndarray,
    x_out: np.ndarray,
    dx_out: np.ndarray,
) -> None:
    """States and their slopes at shares of ramp pieces, (pieces, shares, ...) each."""
    n = x0.shape[1]
    degrees = keys.shape[1] + 1
    series: np.ndarray = np.empty((degrees, n, n))
    force: np.ndarray = np.empty((degrees, n))
    for p in range(len(seconds)):
        x = x0[p].copy()
        last = 0.0
        if trivial_mass:
            used = ramp_series(keys, k_terms, b_terms, s0[p], slope[p], u[p], series, force)
            norm = series_norm(series, used, seconds[p])
            if norm * seconds[p] <= TAYLOR_NORM * TAYLOR_STEPS:
                for i in range(len(shares)):
                    t = shares[i] * seconds[p]
                    if t > last:
                        count = max(math.ceil(norm * (t - last) / TAYLOR_NORM), 1)
                        move_series(series, force, used, t - last, count, x)
                        last = t
                    s_out[p, i] = s0[p] + t * slope[p]
                    x_out[p, i] = x
                    # the series now begins here
                    times(series[0], x, dx_out[p, i])
                    dx_out[p, i] += force[0]
                continue
        for i in range(len(shares)):
            t = shares[i] * seconds[p]
            if t > last:
                x = ramp_vector(
                    keys, k_terms, b_terms, mass_terms, ramp_terms, trivial_mass,
                    s0[p] + last * slope[p], slope[p], t - last, step, u[p], x,
                )  # fmt: skip
                last = t
            s = s0[p] + t * slope[p]
            a, f = switch_matrices(
                keys, k_terms, b_terms, mass_terms, ramp_terms, trivial_mass, s, slope[p], u[p]
            )
            s_out[p, i] = s
            x_out[p, i] = x
            times(a, x, dx_out[p, i])
            dx_out[p, i] += f

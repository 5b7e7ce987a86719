"""Inner loops of the every-edge engine, written so that numba can compile them.

Without numba (or until it is ready) they run as plain Python and give the same
answer. Only arrays and numbers cross the border; the names of the pattern arrays are
those of `sim.patterns.PatternTable`.

A run is a row of pieces. A flat piece holds one pattern for a while, then an edge's
full ramp may follow in one map. Where ramps overlap or are cut short, ramp pieces carry
the state itself through fourth-order Magnus steps.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

try:
    import numba

    HAVE_NUMBA = True
except ImportError:
    HAVE_NUMBA = False


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """`function` compiled by numba where it is installed, and cached on disk."""
    if not HAVE_NUMBA:
        return function
    # sums may be reordered, so that they run several at a time; nothing else is relaxed
    loose = {"reassoc", "contract"}
    return numba.njit(cache=True, fastmath=loose, error_model="numpy", nogil=True)(function)


def on_disk(function: Any) -> bool:
    """A compiled function is loaded, or its code lies in the cache and comes in a moment."""
    if not HAVE_NUMBA:
        return False
    if function.signatures:
        return True
    source = Path(function.py_func.__code__.co_filename)
    name = f"{source.stem}.{function.py_func.__qualname__}-*.nbi"
    # (an index older than its source is of another version and will be made again)
    return any(
        index.stat().st_mtime >= source.stat().st_mtime
        for index in Path(function.stats.cache_path).glob(name)
    )


def ready() -> bool:
    """Every-edge runs need not wait for a compiler."""
    return all(on_disk(f) for f in (march, scan, add_moments, ramp_states, advance_many))


#: Why `march` came back.
DONE, NEED_PATTERN, FULL = 0, 1, 2

#: Above this norm of a Magnus step its exponential is made as a matrix.
SERIES_NORM = 4.0

#: Places in the `clock` array.
T_NOW, T_PAUSE, T_END = 0, 1, 2
#: Places in the `count` array: pieces, ramp pieces, pattern now, pattern and leg wanted,
#: and edges done.
N_PIECES, N_RAMPS, NOW, WANT_PATTERN, WANT_LEG, N_EDGES = 0, 1, 2, 3, 4, 5


@compiled
def times(a: np.ndarray, x: np.ndarray, out: np.ndarray) -> None:
    """out = a x. The matrices are small: a call to BLAS costs more than the sum."""
    for i in range(len(out)):
        total = 0.0
        for j in range(len(x)):
            total += a[i, j] * x[j]
        out[i] = total


@compiled
def dot(a: np.ndarray, b: np.ndarray) -> float:
    """Sum of products."""
    total = 0.0
    for i in range(len(a)):
        total += a[i] * b[i]
    return total


@compiled
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


@compiled
def real_factors(re: float, t: float) -> tuple[float, float]:
    """exp(lambda t) and t phi1(lambda t) of one real mode."""
    a = re * t
    if abs(a) < 1e-5:
        return math.exp(a), t * (1.0 + a * (0.5 + a / 6.0))
    return math.exp(a), math.expm1(a) / re


@compiled
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
def advance_many(
    pairs: np.ndarray,
    re: np.ndarray,
    im: np.ndarray,
    at: np.ndarray,
    y: np.ndarray,
    w: np.ndarray,
    t: np.ndarray,
) -> None:
    """Move modal states y (T, n) of patterns at (T,) by t (T,) seconds, in place."""
    for i in range(len(t)):
        advance(pairs[at[i]], re[at[i]], im[at[i]], y[i], w[i], t[i])


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


@compiled
def largest_column(a: np.ndarray) -> float:
    """Largest sum of sizes down a column."""
    largest = 0.0
    for j in range(a.shape[1]):
        column = 0.0
        for i in range(a.shape[0]):
            column += abs(a[i, j])
        largest = max(largest, column)
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
    omega = 0.5 * h * (m1 + m2) + (math.sqrt(3.0) / 12.0) * h * h * (m2 @ m1 - m1 @ m2)
    halvings = 0
    size = largest_column(omega)
    while size > 0.5 and halvings < 200:
        size *= 0.5
        halvings += 1
    omega *= 0.5**halvings
    total: np.ndarray = np.eye(n + 1)
    for k in range(14, 0, -1):
        total = np.eye(n + 1) + omega @ total / k
    for _ in range(halvings):
        total = total @ total
    out = np.zeros(n)
    times(total[:n], np.append(x, 1.0), out)
    return out


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
    """State after a stretch of ramp, by Magnus steps of order four of at most `step` s."""
    n = len(x)
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
        if h * max(largest_column(a1), largest_column(a2)) > SERIES_NORM:
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


@compiled
def load_amps(
    power: np.ndarray, value: np.ndarray, minimum: np.ndarray, volts: np.ndarray, out: np.ndarray
) -> None:
    """Commanded currents of loads at their voltages (see `LoadLaws`), into `out`."""
    for j in range(len(value)):
        v = volts[j]
        if v >= minimum[j]:
            out[j] = value[j] / v if power[j] else value[j]
        elif power[j]:
            out[j] = value[j] * v / (minimum[j] * minimum[j])
        else:
            out[j] = value[j] * v / minimum[j]


@compiled
def push(
    k: int, when: float, up: int, queue_t: np.ndarray, queue_up: np.ndarray, queue_n: np.ndarray
) -> None:
    """Queue an edge of leg k."""
    i = queue_n[k]
    queue_t[k, i], queue_up[k, i] = when, up
    queue_n[k] = i + 1


@compiled
def pop(k: int, queue_t: np.ndarray, queue_up: np.ndarray, queue_n: np.ndarray) -> None:
    """Drop the first queued edge of leg k."""
    queue_n[k] -= 1
    for i in range(queue_n[k]):
        queue_t[k, i], queue_up[k, i] = queue_t[k, i + 1], queue_up[k, i + 1]


@compiled
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
    drag: np.ndarray,
    sources: np.ndarray,
    # patterns
    pairs: np.ndarray,
    bits: np.ndarray,
    leg_ramp: np.ndarray,
    re: np.ndarray,
    im: np.ndarray,
    basis: np.ndarray,
    inverse: np.ndarray,
    force: np.ndarray,
    force_load: np.ndarray,
    force_drag: np.ndarray,
    load_y: np.ndarray,
    load_0: np.ndarray,
    load_load: np.ndarray,
    speed_y: np.ndarray,
    speed_slope_y: np.ndarray,
    speed_slope_drag: np.ndarray,
    emf_y: np.ndarray,
    sense_y: np.ndarray,
    # full ramps
    ramp_map: np.ndarray,
    ramp_force: np.ndarray,
    ramp_force_load: np.ndarray,
    ramp_force_drag: np.ndarray,
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
) -> int:
    """March from edge to edge until the end, or until something is needed from outside.

    Pieces are written at `count[N_PIECES]`: start and flat duration (s), pattern, ramp
    that follows (-1 none; -2 - i: this piece is ramp piece i), modal state at the start (the
    state itself for a ramp piece) and held inputs (loads' amps, then drag torques).
    The return value is one of the codes above; calling again goes on. NEED_PATTERN wants
    the ramp `count[WANT_PATTERN]`, `count[WANT_LEG]`, or with -1 the pattern `bits_now`,
    into whose modes the state left in y then has to be put.
    """
    n = len(y)
    n_s, n_j, n_w = len(frequency), len(value), len(drag)
    held = np.zeros(n_j + n_w)
    volts = np.zeros(n_j)
    amps = np.zeros(n_j)
    w = np.zeros(n)
    after = np.zeros(n)
    u = np.zeros(len(sources) + n_j + n_w)
    s_now = np.zeros(n_s)
    slope = np.zeros(n_s)
    x = np.zeros(n)
    kept_y = np.zeros(n)
    kept_t, kept_up, kept_n = queue_t.copy(), queue_up.copy(), queue_n.copy()
    kept_period, kept_target, kept_count = period.copy(), target.copy(), count.copy()
    live_leg = np.zeros(8 * n_s + 8, dtype=np.int64)
    live_rate = np.zeros(8 * n_s + 8)
    live_end = np.zeros(8 * n_s + 8)
    while True:
        t = clock[T_NOW]
        # a pause cuts nothing: what follows is the same with it and without
        if t >= clock[T_PAUSE] or t >= clock[T_END]:
            return DONE
        at = count[NOW]
        if count[N_PIECES] + 2 >= len(piece_t) or count[N_RAMPS] + 2 >= len(ramp_s):
            return FULL

        # the next thing that happens
        t_next = clock[T_END]
        leg = -1
        latch = -1
        for k in range(n_s):
            start = (period[k] - phase[k]) / frequency[k]
            if start < t_next or (start <= t_next and leg < 0 and latch < 0):
                t_next, leg, latch = start, -1, k
            if queue_n[k] > 0 and queue_t[k, 0] < t_next:
                t_next, leg, latch = queue_t[k, 0], k, -1
        t_next = max(t_next, t)

        # hold what is not linear for this stretch
        span = t_next - t
        for j in range(n_w):
            speed, rate = 0.0, 0.0
            for i in range(n):
                speed += speed_y[at, j, i] * y[i]
                rate += speed_slope_y[at, j, i] * y[i]
            rate += speed_slope_drag[at, j] * drag[j] * speed * abs(speed)
            middle = speed + 0.5 * span * rate
            held[n_j + j] = drag[j] * middle * abs(middle)
        if n_j > 0:
            for j in range(n_j):
                base = load_0[at, j]
                for i in range(n):
                    base += load_y[at, j, i] * y[i]
                volts[j] = base
            load_amps(power, value, minimum, volts, amps)
            for _ in range(3):
                moved = False
                for j in range(n_j):
                    extra = 0.0
                    for i in range(n_j):
                        extra += load_load[at, j, i] * amps[i]
                    if extra != 0.0:
                        moved = True
                    held[j] = volts[j] + extra
                if not moved:
                    break
                load_amps(power, value, minimum, held[:n_j], amps)
            held[:n_j] = amps

        # to the next thing, flat
        if span > 0.0:
            p = count[N_PIECES]
            piece_t[p], piece_d[p], piece_pattern[p], piece_ramp[p] = t, span, at, -1
            for i in range(n):
                piece_y[p, i] = y[i]
                total = force[at, i]
                for j in range(n_j):
                    total += force_load[at, i, j] * held[j]
                for j in range(n_w):
                    total += force_drag[at, i, j] * held[n_j + j]
                w[i] = total
            for j in range(n_j + n_w):
                piece_held[p, j] = held[j]
            advance(pairs[at], re[at], im[at], y, w, span)
            count[N_PIECES] = p + 1
            clock[T_NOW] = t_next
        if leg < 0 and latch < 0:
            return DONE

        if latch >= 0:
            latch_period(
                latch, dot(emf_y[at, latch], y), dot(sense_y[at, latch], y),
                frequency, phase, first, command, used, centred, period, target,
                queue_t, queue_up, queue_n, limited, drive_a, brake_a, path_ohm,
            )  # fmt: skip
            continue

        # an edge: does anything else happen on its ramp?
        end = t_next + rise[leg]
        alone = end <= clock[T_END]
        for k in range(n_s):
            if (period[k] - phase[k]) / frequency[k] < end:
                alone = False
            if k == leg:
                if queue_n[k] > 1 and queue_t[k, 1] < end:
                    alone = False
            elif queue_n[k] > 0 and queue_t[k, 0] < end:
                alone = False
        if alone:
            ramp = leg_ramp[at, leg]
            if ramp < 0:
                count[WANT_PATTERN], count[WANT_LEG] = at, leg
                return NEED_PATTERN
            pop(leg, queue_t, queue_up, queue_n)
            p = count[N_PIECES] - 1
            if p >= 0 and piece_ramp[p] == -1 and abs(piece_t[p] + piece_d[p] - t_next) <= 1e-15:
                piece_ramp[p] = ramp
                for j in range(n_j + n_w):
                    held[j] = piece_held[p, j]
            else:
                p += 1
                piece_t[p], piece_d[p], piece_pattern[p], piece_ramp[p] = t_next, 0.0, at, ramp
                for i in range(n):
                    piece_y[p, i] = y[i]
                for j in range(n_j + n_w):
                    piece_held[p, j] = held[j]
                count[N_PIECES] = p + 1
            for i in range(n):
                total = ramp_force[ramp, i]
                for j in range(n):
                    total += ramp_map[ramp, i, j] * y[j]
                for j in range(n_j):
                    total += ramp_force_load[ramp, i, j] * held[j]
                for j in range(n_w):
                    total += ramp_force_drag[ramp, i, j] * held[n_j + j]
                after[i] = total
            y[:] = after
            count[NOW] = ramp_to[ramp]
            count[N_EDGES] += 1
            clock[T_NOW] = end
            continue

        # ramps that overlap: carry the state itself until all legs stand still
        kept_y[:], kept_t[:], kept_up[:], kept_n[:] = y, queue_t, queue_up, queue_n
        kept_period[:], kept_target[:], kept_count[:] = period, target, count
        times(basis[at], y, x)
        for j in range(len(sources)):
            u[j] = sources[j]
        for j in range(n_j + n_w):
            u[len(sources) + j] = held[j]
        for k in range(n_s):
            s_now[k] = bits[at, k]
            slope[k] = 0.0
        live = 0
        t = t_next
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
                start = (period[k] - phase[k]) / frequency[k]
                if start < stop:
                    stop, who = start, k
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
                p, r = count[N_PIECES], count[N_RAMPS]
                piece_t[p], piece_d[p], piece_pattern[p] = t, stop - t, at
                piece_ramp[p] = -2 - r
                piece_y[p, :] = x
                for j in range(n_j + n_w):
                    piece_held[p, j] = held[j]
                for k in range(n_s):
                    ramp_s[r, k], ramp_slope[r, k] = s_now[k], slope[k]
                count[N_PIECES], count[N_RAMPS] = p + 1, r + 1
                x = ramp_vector(
                    keys, k_terms, b_terms, mass_terms, ramp_terms, trivial_mass,
                    s_now, slope, stop - t, step, u, x,
                )  # fmt: skip
                for k in range(n_s):
                    s_now[k] += slope[k] * (stop - t)
                t = stop
            if t >= clock[T_END]:
                finished = True
                break
            if who >= 0:
                times(inverse[at], x, y)
                latch_period(
                    who, dot(emf_y[at, who], y), dot(sense_y[at, who], y),
                    frequency, phase, first, command, used, centred, period, target,
                    queue_t, queue_up, queue_n, limited, drive_a, brake_a, path_ohm,
                )  # fmt: skip
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
            y[:] = x
            count[WANT_PATTERN] = -1
            return NEED_PATTERN
        times(inverse[at], x, y)
        count[NOW] = at


@compiled
def modal_force(
    at: int,
    p: int,
    force: np.ndarray,
    force_load: np.ndarray,
    force_drag: np.ndarray,
    held: np.ndarray,
    w: np.ndarray,
) -> None:
    """Modal force of pattern `at` under the held inputs of piece `p`, into w (n,).

    Whole tables come in and are indexed here: a view costs more than the sum it is for.
    """
    n_j, n_w = force_load.shape[2], force_drag.shape[2]
    for i in range(len(w)):
        total = force[at, i]
        for j in range(n_j):
            total += force_load[at, i, j] * held[p, j]
        for j in range(n_w):
            total += force_drag[at, i, j] * held[p, n_j + j]
        w[i] = total


@compiled
def mode_reach(
    span: float,
    at: int,
    pairs: int,
    re: np.ndarray,
    im: np.ndarray,
    y: np.ndarray,
    w: np.ndarray,
    drive_r: np.ndarray,
    drive_i: np.ndarray,
    swing: np.ndarray,
    free: np.ndarray,
    reach: np.ndarray,
) -> None:
    """How fast each mode starts (drive) and how far it can go within a span (reach).

    A pair that has time to swing round (free) reaches twice its swing; its swing is the mode less
    where it rests. A real mode runs one way, ever slower: its reach is the longest it would take
    at first speed.
    """
    for i in range(pairs):
        k = 2 * i
        lr, li = re[at, k], im[at, k]
        drive_r[i] = lr * y[k] - li * y[k + 1] + w[k]
        drive_i[i] = lr * y[k + 1] + li * y[k] + w[k + 1]
        size = lr * lr + li * li
        speed = math.sqrt(drive_r[i] * drive_r[i] + drive_i[i] * drive_i[i])
        free[i] = span * span * size >= 4.0
        reach[i] = speed * (2.0 / math.sqrt(size) if free[i] else span)
        if free[i]:
            swing[k] = (drive_r[i] * lr + drive_i[i] * li) / size
            swing[k + 1] = (drive_i[i] * lr - drive_r[i] * li) / size
    for i in range(2 * pairs, len(y)):
        drive_r[i] = re[at, i] * y[i] + w[i]
        reach[i] = span if re[at, i] * span > -1.0 else -1.0 / re[at, i]


@compiled
def output_reach(
    at: int,
    r: int,
    pairs: int,
    row: np.ndarray,
    size: np.ndarray,
    drive: np.ndarray,
    swing: np.ndarray,
    free: np.ndarray,
    reach: np.ndarray,
) -> tuple[float, float]:
    """Bounds on how far an output can rise and fall from its value at the start."""
    up, down = 0.0, 0.0
    for i in range(pairs):
        far = size[at, r, i] * reach[i]
        if free[i]:
            own = row[at, r, 2 * i] * swing[2 * i] + row[at, r, 2 * i + 1] * swing[2 * i + 1]
            up += min(far, 0.5 * far - own)
            down += min(far, 0.5 * far + own)
        else:
            up += far
            down += far
    for i in range(2 * pairs, len(drive)):
        far = row[at, r, i] * drive[i] * reach[i]
        up += max(far, 0.0)
        down += max(-far, 0.0)
    return up, down


#: Most halvings of a grid's first step.
LEVELS = 24


@compiled
def grid_factors(
    span: float,
    tolerance: float,
    pairs: int,
    re: np.ndarray,
    im: np.ndarray,
    drive: np.ndarray,
    reach: np.ndarray,
    most: np.ndarray,
    er: np.ndarray,
    ei: np.ndarray,
    fr: np.ndarray,
    fi: np.ndarray,
) -> tuple[int, int]:
    """Steps that resolve what matters in a piece, and the factors of each length.

    Returns the number of steps, eight a period of the fastest ringing mode that matters, and how
    often the first of them is halved, so that what decays quickly is resolved too. er, ei, fr,
    fi (levels, n) get exp(lambda t) and t phi1(lambda t), level 0 for the shortest.
    """
    n = len(re)
    ring, quick = 0.0, 0.0
    for i in range(pairs):
        if most[i] * reach[i] > tolerance:
            ring = max(ring, abs(im[2 * i]))
            quick = max(quick, abs(re[2 * i]))
    for i in range(2 * pairs, n):
        if most[i] * abs(drive[i]) * reach[i] > tolerance:
            quick = max(quick, abs(re[i]))
    steps = min(max(2, int(span * ring * 1.3) + 1), 4096)
    d = span / steps
    levels = 0
    while d * quick > 1.0 and levels < LEVELS - 1:
        d *= 0.5
        levels += 1
    for i in range(pairs):
        er[0, i], ei[0, i], fr[0, i], fi[0, i] = mode_factors(re[2 * i], im[2 * i], d)
    for i in range(2 * pairs, n):
        er[0, i], fr[0, i] = real_factors(re[i], d)
    for k in range(levels):
        for i in range(pairs):
            a, b, c, e = er[k, i], ei[k, i], fr[k, i], fi[k, i]
            er[k + 1, i], ei[k + 1, i] = a * a - b * b, 2.0 * a * b
            fr[k + 1, i] = c + c * a - e * b
            fi[k + 1, i] = e + c * b + e * a
        for i in range(2 * pairs, n):
            er[k + 1, i] = er[k, i] * er[k, i]
            fr[k + 1, i] = fr[k, i] * (1.0 + er[k, i])
    return steps, levels


@compiled
def turning_point(
    length: float,
    pairs: int,
    re: np.ndarray,
    im: np.ndarray,
    qr: np.ndarray,
    qi: np.ndarray,
    slope0: float,
    slope1: float,
    value1: float,
) -> tuple[float, float]:
    """Where a slope vanishes in a step whose ends have slopes of two signs, and the value there.

    By regula falsi with the Illinois change, counted backwards from the step's end.
    """
    a0, a1, s0, s1 = -length, 0.0, slope0, slope1
    back, value = 0.0, value1
    for _ in range(12):
        back = a1 - s1 * (a1 - a0) / (s1 - s0)
        value, slope = value1, 0.0
        for i in range(pairs):
            xr, xi, br, bi = mode_factors(re[2 * i], im[2 * i], back)
            value += qr[i] * br - qi[i] * bi
            slope += qr[i] * xr - qi[i] * xi
        for i in range(2 * pairs, len(re)):
            xr, br = real_factors(re[i], back)
            value += qr[i] * br
            slope += qr[i] * xr
        # the value is flat there: a tenth of a microvolt is near enough
        if abs(slope) * min(a1 - back, back - a0) < 1e-7:
            break
        if slope * s0 > 0.0:
            a0, s0 = back, slope
            s1 *= 0.5
        else:
            a1, s1 = back, slope
            s0 *= 0.5
    return back, value


@compiled
def walk_output(
    base: float,
    span: float,
    steps: int,
    levels: int,
    pairs: int,
    re: np.ndarray,
    im: np.ndarray,
    row: np.ndarray,
    drive_r: np.ndarray,
    drive_i: np.ndarray,
    er: np.ndarray,
    ei: np.ndarray,
    fr: np.ndarray,
    fi: np.ndarray,
    qr: np.ndarray,
    qi: np.ndarray,
    high: float,
    low: float,
) -> tuple[float, float, float, float]:
    """What in a piece beats a highest and a lowest value, and when since its start (0: nothing)."""
    n = len(row)
    slope0 = 0.0
    for i in range(pairs):
        c1, c2 = row[2 * i], -row[2 * i + 1]
        qr[i] = c1 * drive_r[i] - c2 * drive_i[i]
        qi[i] = c1 * drive_i[i] + c2 * drive_r[i]
        slope0 += qr[i]
    for i in range(2 * pairs, n):
        qr[i] = row[i] * drive_r[i]
        slope0 += qr[i]
    h, gone = span / steps, 0.0
    value0 = base
    high_at, low_at = 0.0, 0.0
    # the first step in parts d, d, 2 d, 4 d ... h / 2, the others whole
    for part in range(levels + steps):
        k = levels if part > levels else max(part - 1, 0)
        length = h * 0.5 ** (levels - k)
        value1, slope1 = value0, 0.0
        for i in range(pairs):
            value1 += qr[i] * fr[k, i] - qi[i] * fi[k, i]
            turned = qr[i] * er[k, i] - qi[i] * ei[k, i]
            qi[i] = qr[i] * ei[k, i] + qi[i] * er[k, i]
            qr[i] = turned
            slope1 += turned
        for i in range(2 * pairs, n):
            value1 += qr[i] * fr[k, i]
            qr[i] *= er[k, i]
            slope1 += qr[i]
        gone += length
        if value1 > high:
            high, high_at = value1, gone
        if value1 < low:
            low, low_at = value1, gone
        # only a turn that can beat what is known is solved for
        most = 0.5 * length * (abs(slope0) + abs(slope1))
        top, bottom = max(value0, value1) + most, min(value0, value1) - most
        if slope0 * slope1 < 0.0 and (top > high or bottom < low):
            back, value = turning_point(length, pairs, re, im, qr, qi, slope0, slope1, value1)
            if value > high:
                high, high_at = value, gone + back
            if value < low:
                low, low_at = value, gone + back
        value0, slope0 = value1, slope1
    return high, low, high_at, low_at


@compiled
def scan(
    t0: float,
    t1: float,
    bins: int,
    tolerance: float,
    slack: float,
    # pieces
    piece_t: np.ndarray,
    piece_d: np.ndarray,
    piece_pattern: np.ndarray,
    piece_ramp: np.ndarray,
    piece_y: np.ndarray,
    piece_held: np.ndarray,
    # patterns
    pairs: np.ndarray,
    re: np.ndarray,
    im: np.ndarray,
    force: np.ndarray,
    force_load: np.ndarray,
    force_drag: np.ndarray,
    # outputs in modes, (patterns, rows, n), of constant sources, and of loads' amps
    row_y: np.ndarray,
    row_size: np.ndarray,
    row_most: np.ndarray,
    row_0: np.ndarray,
    row_load: np.ndarray,
    # lowest and highest so far, (rows, bins), and when
    low: np.ndarray,
    high: np.ndarray,
    low_at: np.ndarray,
    high_at: np.ndarray,
) -> None:
    """Exact lowest and highest of outputs in equal bins of a window, over its flat pieces.

    row_size holds the modulus of each pair's two coefficients at the pair's number and of each
    real mode's at its place, row_most (patterns, n) the largest of them over the rows.

    Within a piece an output is a sum of exponentials. A piece whose bound on that sum cannot beat
    its bin is passed over; the first of two looks takes only where pieces begin, so that few can.
    What cannot beat it by more than `slack` is passed over too: 0 is exact, otherwise no extreme
    is further off than that. Any other is walked through in steps that resolve what matters
    (above `tolerance`), and where the slope changes sign in a step, the extremum is solved for.
    """
    rows, n, n_j = row_y.shape[1], piece_y.shape[1], row_load.shape[2]
    y, w = np.zeros(n), np.zeros(n)
    qr, qi = np.zeros(n), np.zeros(n)
    er, ei = np.zeros((LEVELS, n)), np.zeros((LEVELS, n))
    fr, fi = np.zeros((LEVELS, n)), np.zeros((LEVELS, n))
    drive_r, drive_i = np.zeros(n), np.zeros(n)
    swing, reach = np.zeros(n), np.zeros(n)
    free = np.zeros(n, dtype=np.bool_)
    steps, levels = 1, 0
    width = (t1 - t0) / bins
    for look in range(2):
        for p in range(len(piece_t)):
            begin, end = piece_t[p], piece_t[p] + piece_d[p]
            if begin > t1:
                break
            if piece_ramp[p] <= -2 or end < t0:
                continue
            at = piece_pattern[p]
            m = pairs[at]
            for i in range(n):
                y[i] = piece_y[p, i]
            modal_force(at, p, force, force_load, force_drag, piece_held, w)
            left, stop = max(begin, t0), min(end, t1)
            if left > begin:
                advance(m, re[at], im[at], y, w, left - begin)
            while True:
                # the part of the piece in one bin
                b = min(max(int((left - t0) / width), 0), bins - 1)
                right = min(stop, t0 + (b + 1) * width)
                if right <= left and right < stop:
                    b = min(b + 1, bins - 1)
                    right = min(stop, t0 + (b + 1) * width)
                span = max(right - left, 0.0)
                if look == 1 and span > 0.0:
                    mode_reach(span, at, m, re, im, y, w, drive_r, drive_i, swing, free, reach)
                ready = False
                for r in range(rows):
                    base = row_0[at, r]
                    for i in range(n):
                        base += row_y[at, r, i] * y[i]
                    for j in range(n_j):
                        base += row_load[at, r, j] * piece_held[p, j]
                    if base > high[r, b]:
                        high[r, b], high_at[r, b] = base, left
                    if base < low[r, b]:
                        low[r, b], low_at[r, b] = base, left
                    if look == 0 or span == 0.0:
                        continue
                    up, down = output_reach(at, r, m, row_y, row_size, drive_r, swing, free, reach)
                    if base + up <= high[r, b] + slack and base - down >= low[r, b] - slack:
                        continue
                    if not ready:
                        ready = True
                        steps, levels = grid_factors(
                            span, tolerance, m, re[at], im[at], drive_r, reach, row_most[at],
                            er, ei, fr, fi,
                        )  # fmt: skip
                    top, bottom, top_at, bottom_at = walk_output(
                        base, span, steps, levels, m, re[at], im[at], row_y[at, r],
                        drive_r, drive_i, er, ei, fr, fi, qr, qi, high[r, b], low[r, b],
                    )  # fmt: skip
                    if top > high[r, b]:
                        high[r, b], high_at[r, b] = top, left + top_at
                    if bottom < low[r, b]:
                        low[r, b], low_at[r, b] = bottom, left + bottom_at
                if right >= stop:
                    break
                advance(m, re[at], im[at], y, w, span)
                left = right


@compiled
def scan_ramps(
    t0: float,
    t1: float,
    bins: int,
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
    force_load: np.ndarray,
    force_drag: np.ndarray,
    # shares of the ramp the nodes stand at, and outputs there, (ramps, nodes, rows, n) and so on
    node_at: np.ndarray,
    node_y: np.ndarray,
    node_0: np.ndarray,
    node_load: np.ndarray,
    node_drag: np.ndarray,
    rise: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    low_at: np.ndarray,
    high_at: np.ndarray,
) -> None:
    """Adds nodes inside full ramps to what `scan` found."""
    n = piece_y.shape[1]
    n_j, n_w = node_load.shape[3], node_drag.shape[3]
    y, w = np.zeros(n), np.zeros(n)
    width = (t1 - t0) / bins
    for p in range(len(piece_t)):
        ramp, end = piece_ramp[p], piece_t[p] + piece_d[p]
        if ramp < 0 or end < t0 or end > t1:
            continue
        at = piece_pattern[p]
        y[:] = piece_y[p]
        modal_force(at, p, force, force_load, force_drag, piece_held, w)
        advance(pairs[at], re[at], im[at], y, w, piece_d[p])
        for node in range(len(node_at)):
            when = end + node_at[node] * rise[ramp]
            if when > t1:
                break
            b = min(max(int((when - t0) / width), 0), bins - 1)
            for r in range(node_y.shape[2]):
                v = node_0[ramp, node, r] + dot(node_y[ramp, node, r], y)
                for j in range(n_j):
                    v += node_load[ramp, node, r, j] * piece_held[p, j]
                for j in range(n_w):
                    v += node_drag[ramp, node, r, j] * piece_held[p, n_j + j]
                if v > high[r, b]:
                    high[r, b], high_at[r, b] = v, when
                if v < low[r, b]:
                    low[r, b], low_at[r, b] = v, when


@compiled
def add_moments(
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
    held_time: np.ndarray,
    swing_held: np.ndarray,
    swing_swing: np.ndarray,
    ramp_second: np.ndarray,
) -> None:
    """Sums over a window from which every mean and mean square follows.

    A mode is a rest, which the held inputs h (one in front) give, and a swing that runs as
    exp(lambda t); the integral of a product of swings is the change of the product over the sum
    of their rates, so that the changes alone are summed here. `force` (patterns, n, 1 + held)
    is the modal force of h, and `re`, `im` hold no rate of nothing. Added to, one a pattern:
    held_time, integral of h h^T; swing_held, change of swing h^T; swing_swing, change of
    swing swing^T (upper triangle); and one a ramp: ramp_second, z z^T at the start of each full
    ramp in the window, z = (modal state, h) (upper triangle).
    """
    n = piece_y.shape[1]
    n_h = piece_held.shape[1] + 1
    h = np.ones(n_h)
    start, end = np.zeros(n), np.zeros(n)
    z = np.zeros(n + n_h)
    y, w = np.zeros(n), np.zeros(n)
    for p in range(len(piece_t)):
        begin, stop = piece_t[p], piece_t[p] + piece_d[p]
        if begin >= t1:
            break
        ramp = piece_ramp[p]
        if ramp <= -2 or stop < t0:
            continue
        at = piece_pattern[p]
        m = pairs[at]
        for j in range(1, n_h):
            h[j] = piece_held[p, j - 1]
        for i in range(n):
            y[i] = piece_y[p, i]
            total = 0.0
            for j in range(n_h):
                total += force[at, i, j] * h[j]
            w[i] = total
        if begin < t0:
            advance(m, re[at], im[at], y, w, t0 - begin)
            begin = t0
        span = min(stop, t1) - begin
        for i in range(m):
            k = 2 * i
            a, b = re[at, k], im[at, k]
            size = a * a + b * b
            rr, ri = -(w[k] * a + w[k + 1] * b) / size, -(w[k + 1] * a - w[k] * b) / size
            start[k], start[k + 1] = y[k] - rr, y[k + 1] - ri
            grow = math.exp(a * span)
            er, ei = grow * math.cos(b * span), grow * math.sin(b * span)
            end[k] = er * start[k] - ei * start[k + 1]
            end[k + 1] = ei * start[k] + er * start[k + 1]
            z[k], z[k + 1] = end[k] + rr, end[k + 1] + ri
        for k in range(2 * m, n):
            rest = -w[k] / re[at, k]
            start[k] = y[k] - rest
            end[k] = start[k] * math.exp(re[at, k] * span)
            z[k] = end[k] + rest
        for i in range(n_h):
            for j in range(n_h):
                held_time[at, i, j] += span * h[i] * h[j]
        for i in range(n):
            change = end[i] - start[i]
            for j in range(n_h):
                swing_held[at, i, j] += change * h[j]
            e, b = end[i], start[i]
            for j in range(i, n):
                swing_swing[at, i, j] += e * end[j] - b * start[j]
        if ramp >= 0 and stop >= t0 and stop < t1:
            for j in range(n_h):
                z[n + j] = h[j]
            for i in range(n + n_h):
                for j in range(i, n + n_h):
                    ramp_second[ramp, i, j] += z[i] * z[j]


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
    for p in range(len(seconds)):
        x = x0[p].copy()
        last = 0.0
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

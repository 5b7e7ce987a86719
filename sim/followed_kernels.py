"""Inner loops of every-edge runs in which charge and flux of fading stores are followed.

As `kernels.march`, but a flat stretch is a row of steps (see `sim.followed_patterns`): in each
the residuals at three Gauss points are found by iteration, all else is closed form. The last
step of a stretch is longer than what is left of it and is cut: its polynomial holds for as
much of it as there is, and what it does to the modes until there is closed form too. The same
reads any output between edges, so that whatever is read belongs to one solution.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from sim.kernels import (
    DONE,
    FULL,
    GO_ON,
    N_EDGES,
    N_PIECES,
    N_RAMPS,
    NEED_PATTERN,
    NOW,
    T_END,
    T_NOW,
    T_PAUSE,
    WANT_LEG,
    WANT_PATTERN,
    Commutation,
    Stores,
    all_factors,
    alone,
    carry_ramps,
    commute,
    compiled,
    compiled_lean,
    gather,
    hold,
    latch_period,
    move,
    next_thing,
    on_disk,
    pop,
    residuals,
    row_dot,
    times,
)

#: Why `march` came back, beside the codes of `sim.kernels`: matrices of a step are wanted.
NEED_LEVEL, UNSETTLED = 4, 5
#: Places in the `count` array: steps, and the length last used.
N_STEPS, LENGTH = 6, 7

#: 1 / (k + 3)!
_INVERSE = tuple(1.0 / math.factorial(k + 3) for k in range(11))
#: How far the Gauss points are from a step's middle, as a share of it.
APART = math.sqrt(0.15)
#: Residuals are found to this share of what a step may miss by at its end, in so many goes.
_FOUND, _MOST_GOES = 1e-3, 12
#: A step that misses by less than this share is followed by one twice as long.
_EASY = 0.08
#: What even the shortest step misses by at most, of what it may: beyond that nothing is followed.
_STRAY = 100.0


def ready() -> bool:
    """Followed runs need not wait for a compiler."""
    return all(on_disk(f) for f in (march, read_steps, parts_of))


class Steps(NamedTuple):
    """A followed run as its readers see it; names as in `Marcher` and `FollowedTable`."""

    t: np.ndarray
    d: np.ndarray
    pattern: np.ndarray
    ramp: np.ndarray
    y: np.ndarray
    held: np.ndarray
    begin: np.ndarray
    length: np.ndarray
    r: np.ndarray
    pairs: np.ndarray
    rates: np.ndarray
    forced: np.ndarray
    inject: np.ndarray
    lengths: np.ndarray
    level_index: np.ndarray
    factors: np.ndarray
    step: np.ndarray


class Levels(NamedTuple):
    """What a march needs of steps; see `FollowedTable`."""

    lengths: np.ndarray
    made: np.ndarray
    first: np.ndarray
    top: np.ndarray
    base: np.ndarray
    own: np.ndarray
    step: np.ndarray
    factors: np.ndarray
    control: np.ndarray
    inject: np.ndarray
    tolerance: np.ndarray


@compiled_lean
def polynomial(n_r: int, s: int, step_r: np.ndarray, h: float, poly: np.ndarray) -> None:
    """Coefficients (3, n_r) in t of the residuals of step s, which is h long."""
    for k in range(n_r):
        early, middle, late = step_r[s, k], step_r[s, n_r + k], step_r[s, 2 * n_r + k]
        b = (late - early) / (2.0 * APART)
        g = (early + late - 2.0 * middle) / (2.0 * APART * APART)
        poly[0, k] = middle - 0.5 * b + 0.25 * g
        poly[1, k] = (b - g) / h
        poly[2, k] = g / (h * h)


@compiled_lean
def forces(at: int, n: int, n_r: int, inject: np.ndarray, poly: np.ndarray, q: np.ndarray) -> None:
    """Modal forces (3, n) of polynomial residuals, by powers of t."""
    for i in range(n):
        q[0, i], q[1, i], q[2, i] = 0.0, 0.0, 0.0
    for k in range(n_r):
        a, b, c = poly[0, k], poly[1, k], poly[2, k]
        for i in range(n):
            q[0, i] += inject[at, k, i] * a
            q[1, i] += inject[at, k, i] * b
            q[2, i] += inject[at, k, i] * c


@compiled_lean
def later_factors(
    at: int,
    pairs: int,
    count: int,
    rates: np.ndarray,
    t: float,
    pr: np.ndarray,
    pi: np.ndarray,
    more: np.ndarray,
) -> None:
    """t^2 phi_2 and 2 t^3 phi_3 of all modes into more (4, n): real, imaginary, twice.

    From t phi_1 by recurrence, or by their series where that would lose figures.
    """
    for i in range(pairs, count):
        pi[i] = 0.0
    for i in range(count):
        a, b = rates[at, 0, i] * t, rates[at, 1, i] * t
        # where it is small phi_3 is its series, and phi_2 = 1/2 + z phi_3; otherwise each
        # follows from the one before: both, and one is taken
        yr, yi = _INVERSE[10], 0.0
        yr, yi = yr * a - yi * b + _INVERSE[9], yr * b + yi * a
        yr, yi = yr * a - yi * b + _INVERSE[8], yr * b + yi * a
        yr, yi = yr * a - yi * b + _INVERSE[7], yr * b + yi * a
        yr, yi = yr * a - yi * b + _INVERSE[6], yr * b + yi * a
        yr, yi = yr * a - yi * b + _INVERSE[5], yr * b + yi * a
        yr, yi = yr * a - yi * b + _INVERSE[4], yr * b + yi * a
        yr, yi = yr * a - yi * b + _INVERSE[3], yr * b + yi * a
        yr, yi = yr * a - yi * b + _INVERSE[2], yr * b + yi * a
        yr, yi = yr * a - yi * b + _INVERSE[1], yr * b + yi * a
        yr, yi = yr * a - yi * b + _INVERSE[0], yr * b + yi * a
        xr, xi = t * t * (0.5 + a * yr - b * yi), t * t * (a * yi + b * yr)
        yr, yi = 2.0 * t * t * t * yr, 2.0 * t * t * t * yi
        vr, vi = rates[at, 2, i], rates[at, 3, i]
        ur, ui = pr[i] - t, pi[i]
        ur, ui = ur * vr - ui * vi, ur * vi + ui * vr
        zr, zi = 2.0 * ur - t * t, 2.0 * ui
        zr, zi = zr * vr - zi * vi, zr * vi + zi * vr
        small = abs(a) + abs(b) < 0.4
        more[0, i] = xr if small else ur
        more[1, i] = xi if small else ui
        more[2, i] = yr if small else zr
        more[3, i] = yi if small else zi


@compiled_lean
def add_later(n: int, pairs: int, more: np.ndarray, q: np.ndarray, y: np.ndarray) -> None:
    """Add to modal states what the parts of a force that go with t and t^2 do."""
    for i in range(pairs):
        k = 2 * i
        y[k] += (
            more[0, i] * q[1, k] - more[1, i] * q[1, k + 1]
            + more[2, i] * q[2, k] - more[3, i] * q[2, k + 1]
        )  # fmt: skip
        y[k + 1] += (
            more[1, i] * q[1, k] + more[0, i] * q[1, k + 1]
            + more[3, i] * q[2, k] + more[2, i] * q[2, k + 1]
        )  # fmt: skip
    for k in range(2 * pairs, n):
        y[k] += more[0, k - pairs] * q[1, k] + more[2, k - pairs] * q[2, k]


@compiled_lean
def move_within(
    at: int,
    n: int,
    pairs: int,
    rates: np.ndarray,
    t: float,
    w: np.ndarray,
    q: np.ndarray,
    y: np.ndarray,
    whole: np.ndarray,
    f: np.ndarray,
    more: np.ndarray,
) -> None:
    """Move modal states y (n,) by t within a step whose residuals force q, in place.

    `whole` (n,), f (4, n) and more (4, n) are room to work in.
    """
    for i in range(n):
        whole[i] = w[i] + q[0, i]
    all_factors(at, pairs, n - pairs, rates, t, f[0], f[1], f[2], f[3])
    move(n, pairs, f[0], f[1], f[2], f[3], y, whole)
    later_factors(at, pairs, n - pairs, rates, t, f[2], f[3], more)
    add_later(n, pairs, more, q, y)


@compiled_lean
def whole_step(
    slot: int,
    s: int,
    n: int,
    pairs: int,
    n_r: int,
    factors: np.ndarray,
    step: np.ndarray,
    step_r: np.ndarray,
    w: np.ndarray,
    y: np.ndarray,
) -> None:
    """Move modal states y (n,) over all of step s of a run, in place."""
    f = factors[slot]
    move(n, pairs, f[0], f[1], f[2], f[3], y, w)
    for j in range(3 * n_r):
        a = step_r[s, j]
        for i in range(n):
            y[i] += a * step[slot, j, i]


@compiled_lean
def found(
    slot: int,
    count: int,
    stores: Stores,
    own: np.ndarray,
    base: np.ndarray,
    enough: float,
    tolerance: np.ndarray,
    c: np.ndarray,
    r: np.ndarray,
    new: np.ndarray,
) -> bool:
    """Residuals r (count,) at a step's points, from a guess; False where it does not settle."""
    n_r = len(tolerance)
    for _ in range(_MOST_GOES):
        for i in range(count):
            c[i] = base[i]
        for j in range(count):
            a = r[j]
            for i in range(count):
                c[i] += a * own[slot, j, i]
        residuals(stores, count, c, new)
        settled = True
        for first in range(0, count, n_r):
            for k in range(n_r):
                i = first + k
                # (what is no number any more has not settled)
                settled &= abs(new[i] - r[i]) <= enough * tolerance[k]
                r[i] = new[i]
        if settled:
            return True
    return False


@compiled_lean
def missed(
    at: int,
    control: np.ndarray,
    stores: Stores,
    y: np.ndarray,
    poly: np.ndarray,
    t: float,
    tolerance: np.ndarray,
    c: np.ndarray,
    r: np.ndarray,
    new: np.ndarray,
) -> float:
    """How far residuals' polynomials are from their laws at a step's end, of what they may be."""
    n_r = len(tolerance)
    for k in range(n_r):
        r[k] = poly[0, k] + t * (poly[1, k] + t * poly[2, k])
    for k in range(n_r):
        total = stores.rest[k]
        for i in range(len(y)):
            total += control[at, k, i] * y[i]
        for j in range(n_r):
            total += stores.own[k, j] * r[j]
        c[k] = total
    residuals(stores, n_r, c, new)
    worst = 0.0
    for k in range(n_r):
        worst = max(worst, abs(new[k] - r[k]) / tolerance[k])
    return worst


@compiled_lean
def settled_in(
    at: int,
    control: np.ndarray,
    stores: Stores,
    y: np.ndarray,
    base: np.ndarray,
    c: np.ndarray,
    r: np.ndarray,
) -> None:
    """As `kernels.settled`, of the modal state of a pattern."""
    n_r = len(stores.rest)
    for k in range(n_r):
        total = stores.rest[k]
        for i in range(len(y)):
            total += control[at, k, i] * y[i]
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


@compiled
def follow(
    at: int,
    pairs: int,
    span: float,
    y: np.ndarray,
    held: np.ndarray,
    w: np.ndarray,
    rates: np.ndarray,
    stores: Stores,
    levels: Levels,
    count: np.ndarray,
    step_length: np.ndarray,
    step_r: np.ndarray,
    r_now: np.ndarray,
) -> int:
    """Carry modal states y (n,) over a flat stretch in steps; `GO_ON`, or what is wanted.

    `UNSETTLED` where even the shortest step finds no residuals: a coil far beyond saturation is
    thousands of times faster than what it was made linear to.
    """
    n, n_r = len(y), len(r_now)
    wide, n_h = 3 * n_r, len(held)
    both = np.zeros(n + n_h)
    base, c, new = np.zeros(wide), np.zeros(wide), np.zeros(wide)
    r = np.zeros(wide)
    poly, q, f, more = np.zeros((3, n_r)), np.zeros((3, n)), np.zeros((4, n)), np.zeros((4, n))
    whole, begun, ahead = np.zeros(n), y.copy(), np.zeros(n)
    level = min(count[LENGTH], levels.first[at])
    steps, s = count[N_STEPS], count[N_STEPS]
    done, last_h = 0.0, 0.0
    while True:
        left = span - done
        # what is left by rounding alone is nothing
        if left <= 1e-15 and s > steps:
            break
        while level > 0 and levels.lengths[level - 1] >= left:
            level -= 1
        slot = levels.made[at, level]
        if slot < 0:
            y[:] = begun
            count[WANT_PATTERN], count[WANT_LEG] = at, level
            return NEED_LEVEL
        if s >= len(step_length):
            y[:] = begun
            return FULL
        h = levels.lengths[level]
        for i in range(n):
            both[i] = y[i]
        for j in range(n_h):
            both[n + j] = held[j]
        gather(slot, levels.base, both, n + n_h, wide, base)
        for j in range(3):
            t = (0.5 + (j - 1) * APART) * h
            for k in range(n_r):
                if last_h > 0.0:
                    # the last step's polynomial goes on
                    u = last_h + t
                    r[j * n_r + k] = poly[0, k] + u * (poly[1, k] + u * poly[2, k])
                else:
                    r[j * n_r + k] = r_now[k]
        sure = found(slot, wide, stores, levels.own, base, _FOUND, levels.tolerance, c, r, new)
        if not sure:
            if level == 0:
                return UNSETTLED
            level -= 1
            continue
        for i in range(wide):
            step_r[s, i] = r[i]
        polynomial(n_r, s, step_r, h, poly)
        ahead[:] = y
        until = h
        if left >= h * (1.0 - 1e-12):
            whole_step(slot, s, n, pairs, n_r, levels.factors, levels.step, step_r, w, ahead)
        else:
            until = left
            forces(at, n, n_r, levels.inject, poly, q)
            move_within(at, n, pairs, rates, left, w, q, ahead, whole, f, more)
        off = missed(at, levels.control, stores, ahead, poly, until, levels.tolerance, c, r, new)
        if level == 0 and not off <= _STRAY:
            return UNSETTLED
        if level > 0 and off > 1.0:
            level -= 1
            if last_h > 0.0:
                polynomial(n_r, s - 1, step_r, last_h, poly)
            continue
        y[:] = ahead
        step_length[s] = level
        s += 1
        last_h = h
        done = done + h if until == h else span
        if done >= span:
            break
        if off < _EASY and level < levels.top[at]:
            level += 1
    u = last_h if left >= last_h else left
    for k in range(n_r):
        r_now[k] = poly[0, k] + u * (poly[1, k] + u * poly[2, k])
    count[N_STEPS], count[LENGTH] = s, level
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
    # stores that fade
    stores: Stores,
    levels: Levels,
    piece_begin: np.ndarray,
    piece_r: np.ndarray,
    step_length: np.ndarray,
    step_r: np.ndarray,
    r_now: np.ndarray,
) -> int:
    """As `kernels.march`, with stores whose residuals are followed.

    Beside what that keeps: the first step of each piece, residuals at both ends of the ramp
    behind it (2 n_stores), and of each step its length and residuals. `r_now` are the
    residuals where the march stands. NEED_LEVEL wants the step `count[WANT_LEG]` long of the
    pattern `count[WANT_PATTERN]`.
    """
    n, n_r = len(y), len(r_now)
    n_j, n_w = len(value), len(drag)
    n_h = piece_held.shape[1]
    held = np.ones(1 + n_h)
    both = np.ones(n + 1 + n_h + 2 * n_r)
    yr = np.zeros(n + n_r)
    seen = np.zeros(read.shape[2])
    volts, more, amps = np.zeros(n_j), np.zeros(n_j), np.zeros(n_j)
    w, x = np.zeros(n), np.zeros(n + n_r)
    base, c, r_end = np.zeros(n_r), np.zeros(n_r), np.zeros(n_r)
    starts = (period - phase) / frequency
    u = np.zeros(len(sources) + n_h + n_r)
    while True:
        t = clock[T_NOW]
        if t >= clock[T_PAUSE] or t >= clock[T_END]:
            return DONE
        at = count[NOW]
        if count[N_PIECES] + 2 >= len(piece_t) or count[N_RAMPS] + 2 >= len(ramp_s):
            return FULL
        longest = commutation.since[1]
        t_next, leg, latch = next_thing(t, clock[T_END], longest, starts, queue_t, queue_n)
        span = t_next - t
        p = count[N_PIECES] - 1
        # what a ramp straight behind a flat stretch is held by is what that was held by
        behind = p >= 0 and piece_ramp[p] == -1 and abs(piece_t[p] + piece_d[p] - t) <= 1e-15
        if span > 0.0 or not behind:
            for i in range(n):
                yr[i] = y[i]
            for k in range(n_r):
                yr[n + k] = r_now[k]
            hold(
                at, n + n_r, span, yr, read, load_0, load_load, speed_slope_drag, drag,
                power, value, minimum, lean, count[N_PIECES] - 1, piece_held, False,
                seen, volts, more, amps, held,
            )  # fmt: skip
            commute(t, span, n_j, n_w, seen, held, commutation)
        else:
            for j in range(n_h):
                held[1 + j] = piece_held[p, j]
        if span > 0.0:
            p = count[N_PIECES]
            piece_t[p], piece_d[p], piece_pattern[p], piece_ramp[p] = t, span, at, -1
            piece_begin[p] = count[N_STEPS]
            for i in range(n):
                piece_y[p, i] = y[i]
            for j in range(n_h):
                piece_held[p, j] = held[1 + j]
            gather(at, forced, held, 1 + n_h, n, w)
            code: int = follow(
                at, pairs[at], span, y, held, w, rates, stores, levels, count, step_length,
                step_r, r_now,
            )  # fmt: skip
            if code != GO_ON:
                return code
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
                p += 1
                piece_t[p], piece_d[p], piece_pattern[p], piece_ramp[p] = t_next, 0.0, at, ramp
                piece_begin[p] = count[N_STEPS]
                for i in range(n):
                    piece_y[p, i] = y[i]
                for j in range(n_h):
                    piece_held[p, j] = held[1 + j]
                count[N_PIECES] = p + 1
            settled_in(at, levels.control, stores, y, base, c, r_now)
            for i in range(n):
                both[i] = y[i]
            for j in range(n_h):
                both[n + 1 + j] = piece_held[p, j]
            for k in range(n_r):
                both[n + 1 + n_h + k] = r_now[k]
                both[n + 1 + n_h + n_r + k] = 0.0
                r_end[k] = r_now[k]
            wide = n + 1 + n_h + 2 * n_r
            gather(ramp, ramp_rows, both, wide, n, y)
            # what the residuals have become, and once more with that
            settled_in(ramp_to[ramp], levels.control, stores, y, base, c, r_end)
            for k in range(n_r):
                both[n + 1 + n_h + n_r + k] = (r_end[k] - r_now[k]) / rise[leg]
            gather(ramp, ramp_rows, both, wide, n, y)
            for k in range(n_r):
                piece_r[p, k], piece_r[p, n_r + k] = r_now[k], r_end[k]
                r_now[k] = r_end[k]
            count[NOW] = ramp_to[ramp]
            count[N_EDGES] += 1
            clock[T_NOW] = end
            continue

        times(basis[at], y, x[:n])
        for j in range(len(sources)):
            u[j] = sources[j]
        for j in range(n_h):
            u[len(sources) + j] = held[1 + j]
        kept = count[N_PIECES]
        code = carry_ramps(
            t_next, clock, count, y, x, u, held,
            frequency, phase, first, command, used, centred, rise, period, target, starts,
            queue_t, queue_up, queue_n, limited, drive_a, brake_a, path_ohm,
            bits, leg_ramp, ramp_to, inverse, emf_y, sense_y,
            keys, k_terms, b_terms, mass_terms, ramp_terms, trivial_mass, step,
            piece_t, piece_d, piece_pattern, piece_ramp, piece_y, piece_held, ramp_s, ramp_slope,
            bits_now, stores, piece_r,
        )  # fmt: skip
        if code == FULL:
            return code
        for p in range(kept, count[N_PIECES]):
            piece_begin[p] = count[N_STEPS]
        if count[N_PIECES] > kept:
            r_now[:] = piece_r[count[N_PIECES] - 1, n_r:]
        if code != GO_ON:
            return code


#: Two times are as one that are no further apart than this share of themselves, about two
#: roundings.
_SAME_TIME = 4.5e-16


@compiled
def read_steps(
    run: Steps, piece: np.ndarray, dt: np.ndarray, rows: np.ndarray, out: np.ndarray
) -> None:
    """Outputs (T, k) at `dt` into flat pieces, (T,) each and in order of time.

    Where samples within a step are evenly spaced the state goes on from one to the next, by
    factors made once a pattern; elsewhere it goes to each from where its step begins.
    """
    n, n_h = run.y.shape[1], run.held.shape[1]
    n_r, k = run.inject.shape[1], rows.shape[1]
    y, now, w, held = np.zeros(n), np.zeros(n), np.zeros(n), np.ones(1 + n_h)
    poly, q, f, more = np.zeros((3, n_r)), np.zeros((3, n)), np.zeros((4, n)), np.zeros((4, n))
    whole, later = np.zeros(n), np.zeros((3, n))
    stride = np.zeros((len(run.pairs), 8, n))
    made = np.zeros(len(run.pairs), dtype=np.bool_)
    gap, apart, since = 0.0, 0.0, -1.0
    last, s, begun, h = -1, 0, 0.0, 0.0
    at, m, fresh = 0, 0, False
    for i in range(len(piece)):
        p = piece[i]
        near = _SAME_TIME * abs(run.t[p] + dt[i])
        if p != last or dt[i] < begun:
            last, begun = p, 0.0
            at, s = run.pattern[p], run.begin[p]
            m = run.pairs[at]
            y[:] = run.y[p]
            for j in range(n_h):
                held[1 + j] = run.held[p, j]
            gather(at, run.forced, held, 1 + n_h, n, w)
            fresh = True
        elif i > 0:
            now_apart = dt[i] - dt[i - 1]
            if abs(now_apart - apart) <= near and abs(now_apart - gap) > near:
                gap = even_gap(i, near, piece, dt)
                made[:] = False
            apart = now_apart
        end = run.begin[p + 1]
        while s < end - 1 and begun + run.lengths[run.length[s]] <= dt[i]:
            slot = run.level_index[at, run.length[s]]
            whole_step(slot, s, n, m, n_r, run.factors, run.step, run.r, w, y)
            begun += run.lengths[run.length[s]]
            s += 1
            fresh = True
        if fresh:
            since = -1.0
            fresh = False
            if end > run.begin[p]:
                h = run.lengths[run.length[s]]
                polynomial(n_r, s, run.r, h, poly)
                forces(at, n, n_r, run.inject, poly, q)
        t = dt[i] - begun
        if since >= 0.0 and gap > 0.0 and abs(since + gap - t) <= near:
            if not made[at]:
                made[at] = True
                own = stride[at]
                all_factors(at, m, n - m, run.rates, gap, own[0], own[1], own[2], own[3])
                later_factors(at, m, n - m, run.rates, gap, own[2], own[3], own[4:])
            move_stride(at, n, m, since, stride, w, q, now, whole, later)
            since += gap
        else:
            now[:] = y
            if t > 0.0:
                move_within(at, n, m, run.rates, t, w, q, now, whole, f, more)
            since = t
        for row in range(k):
            out[i, row] = value_of(at, row, n, n_h, n_r, rows, now, held, poly, t)


@compiled_lean
def even_gap(i: int, near: float, piece: np.ndarray, dt: np.ndarray) -> float:
    """How far apart samples are from the one before i on, as far as they are evenly spaced."""
    gap, j = dt[i] - dt[i - 1], i
    while j + 1 < len(dt) and piece[j + 1] == piece[i]:
        if abs(dt[j + 1] - dt[j] - gap) > near:
            break
        j += 1
    evenly: float = (dt[j] - dt[i - 1]) / (j - i + 1)
    return evenly


@compiled_lean
def move_stride(
    at: int,
    n: int,
    pairs: int,
    t: float,
    stride: np.ndarray,
    w: np.ndarray,
    q: np.ndarray,
    y: np.ndarray,
    whole: np.ndarray,
    later: np.ndarray,
) -> None:
    """Move modal states y (n,) on from `t` within a step, by a stride of pattern `at`.

    stride (patterns, 8, n): as `all_factors` and `later_factors` make it.
    """
    for i in range(n):
        whole[i] = w[i] + q[0, i] + t * (q[1, i] + t * q[2, i])
        later[1, i] = q[1, i] + 2.0 * t * q[2, i]
        later[2, i] = q[2, i]
    own = stride[at]
    move(n, pairs, own[0], own[1], own[2], own[3], y, whole)
    add_later(n, pairs, own[4:], later, y)


@compiled_lean
def value_of(
    at: int,
    row: int,
    n: int,
    n_h: int,
    n_r: int,
    rows: np.ndarray,
    y: np.ndarray,
    held: np.ndarray,
    poly: np.ndarray,
    t: float,
) -> float:
    """An output of a modal state, of what is held, of residuals and of their rates."""
    total = 0.0
    for i in range(n):
        total += rows[at, row, i] * y[i]
    for j in range(1 + n_h):
        total += rows[at, row, n + j] * held[j]
    first = n + 1 + n_h
    for k in range(n_r):
        total += rows[at, row, first + k] * (poly[0, k] + t * (poly[1, k] + t * poly[2, k]))
        total += rows[at, row, first + n_r + k] * (poly[1, k] + 2.0 * t * poly[2, k])
    return total


@compiled
def ends_of(run: Steps, pieces: np.ndarray, out: np.ndarray) -> None:
    """Modal states (T, n) where flat pieces end."""
    n, n_h, n_r = run.y.shape[1], run.held.shape[1], run.inject.shape[1]
    y, w, held = np.zeros(n), np.zeros(n), np.ones(1 + n_h)
    poly, q, f, more = np.zeros((3, n_r)), np.zeros((3, n)), np.zeros((4, n)), np.zeros((4, n))
    whole = np.zeros(n)
    for i in range(len(pieces)):
        p = pieces[i]
        at = run.pattern[p]
        y[:] = run.y[p]
        for j in range(n_h):
            held[1 + j] = run.held[p, j]
        gather(at, run.forced, held, 1 + n_h, n, w)
        begun = 0.0
        for s in range(run.begin[p], run.begin[p + 1]):
            begun = over_step(
                run, p, s, begun, n, n_r, w, y, poly, q, whole, f, more
            )  # fmt: skip
        out[i] = y


@compiled
def over_step(
    run: Steps,
    p: int,
    s: int,
    begun: float,
    n: int,
    n_r: int,
    w: np.ndarray,
    y: np.ndarray,
    poly: np.ndarray,
    q: np.ndarray,
    whole: np.ndarray,
    f: np.ndarray,
    more: np.ndarray,
) -> float:
    """Move y to the end of step s of piece p, which began `begun` into it; and that end."""
    at, h = run.pattern[p], run.lengths[run.length[s]]
    left = run.d[p] - begun
    if left >= h * (1.0 - 1e-12) or s < run.begin[p + 1] - 1:
        slot = run.level_index[at, run.length[s]]
        whole_step(slot, s, n, run.pairs[at], n_r, run.factors, run.step, run.r, w, y)
        return float(begun + h)
    polynomial(n_r, s, run.r, h, poly)
    forces(at, n, n_r, run.inject, poly, q)
    move_within(at, n, run.pairs[at], run.rates, left, w, q, y, whole, f, more)
    return float(run.d[p])


#: Gauss points and weights of the integrals over a part of a step, of its length.
_NODES = (0.5 - APART, 0.5, 0.5 + APART)
_WEIGHTS = (5.0 / 18.0, 8.0 / 18.0, 5.0 / 18.0)


@compiled
def parts_of(
    run: Steps,
    pieces: np.ndarray,
    t0: float,
    t1: float,
    part_t: np.ndarray,
    part_d: np.ndarray,
    part_y: np.ndarray,
    part_held: np.ndarray,
    half: np.ndarray,
    rest: np.ndarray,
) -> int:
    """What integrals over a window need of the steps of flat pieces of one pattern.

    Each step, or what of it lies in the window, as a part under steady residuals (their mean,
    behind what is held): start, length, modal state and held inputs. What the residuals'
    changes add to z = (modal state, one, held, residuals, their rates) is `rest` at three
    Gauss points a part, and `half` is z less half of that, times the points' weights: the
    integral of z z^T is that of the parts, and half^T rest and its transpose. Returns how
    many parts there are.
    """
    n, n_h, n_r = run.y.shape[1], run.held.shape[1], run.inject.shape[1]
    y, w, held = np.zeros(n), np.zeros(n), np.ones(1 + n_h)
    poly, q, f, more = np.zeros((3, n_r)), np.zeros((3, n)), np.zeros((4, n)), np.zeros((4, n))
    whole, steady, off = np.zeros(n), np.zeros(n), np.zeros(n)
    ya = np.zeros(n)
    mean = np.zeros(n_r)
    count = 0
    for i_piece in range(len(pieces)):
        p = pieces[i_piece]
        at = run.pattern[p]
        m = run.pairs[at]
        y[:] = run.y[p]
        for j in range(n_h):
            held[1 + j] = run.held[p, j]
        gather(at, run.forced, held, 1 + n_h, n, w)
        begun = 0.0
        for s in range(run.begin[p], run.begin[p + 1]):
            here = run.t[p] + begun
            if here >= t1:
                break
            h = run.lengths[run.length[s]]
            left = max(0.0, t0 - here)
            right = min(min(h, run.d[p] - begun), t1 - here)
            if right > left:
                polynomial(n_r, s, run.r, h, poly)
                ya[:] = y
                if left > 0.0:
                    forces(at, n, n_r, run.inject, poly, q)
                    move_within(at, n, m, run.rates, left, w, q, ya, whole, f, more)
                span = right - left
                for k in range(n_r):
                    # the polynomial from here on
                    poly[0, k] += left * (poly[1, k] + left * poly[2, k])
                    poly[1, k] += 2.0 * left * poly[2, k]
                    mean[k] = poly[0, k] + span * (0.5 * poly[1, k] + span * poly[2, k] / 3.0)
                forces(at, n, n_r, run.inject, poly, q)
                for i in range(n):
                    total = 0.0
                    for k in range(n_r):
                        total += run.inject[at, k, i] * mean[k]
                    whole[i] = w[i] + total
                    steady[i] = total
                part_t[count], part_d[count] = here + left, span
                part_y[count] = ya
                for j in range(n_h):
                    part_held[count, j] = held[1 + j]
                for k in range(n_r):
                    part_held[count, n_h + k] = mean[k]
                # (what is left of the force once its mean is off)
                for i in range(n):
                    q[0, i] -= steady[i]
                for node in range(3):
                    t = _NODES[node] * span
                    weight = _WEIGHTS[node] * span
                    row = 3 * count + node
                    all_factors(at, m, n - m, run.rates, t, f[0], f[1], f[2], f[3])
                    later_factors(at, m, n - m, run.rates, t, f[2], f[3], more)
                    off[:] = 0.0
                    move(n, m, f[0], f[1], f[2], f[3], off, q[0])
                    add_later(n, m, more, q, off)
                    steady[:] = ya
                    move(n, m, f[0], f[1], f[2], f[3], steady, whole)
                    for i in range(n):
                        rest[row, i] = off[i]
                        half[row, i] = weight * (steady[i] + 0.5 * off[i])
                    for j in range(1 + n_h):
                        rest[row, n + j] = 0.0
                        half[row, n + j] = weight * held[j]
                    first = n + 1 + n_h
                    for k in range(n_r):
                        r = poly[0, k] + t * (poly[1, k] + t * poly[2, k])
                        rate = poly[1, k] + 2.0 * t * poly[2, k]
                        rest[row, first + k] = r - mean[k]
                        half[row, first + k] = weight * 0.5 * (r + mean[k])
                        rest[row, first + n_r + k] = rate
                        half[row, first + n_r + k] = weight * 0.5 * rate
                count += 1
            begun = over_step(run, p, s, begun, n, n_r, w, y, poly, q, whole, f, more)
    return count

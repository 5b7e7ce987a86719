"""Inner loop of every-edge runs in which bridges have diodes (see `sim.diodes`).

As `kernels.march`, but what a leg does next also depends on its current: guards, outputs
that stay above zero while a leg's state lasts, are watched on every flat stretch. Only
arrays and numbers cross the border.
"""

from __future__ import annotations

import math

import numpy as np

from sim.kernels import (
    DONE,
    FULL,
    N_EDGES,
    N_PIECES,
    NEED_PATTERN,
    NOW,
    T_END,
    T_NOW,
    T_PAUSE,
    WANT_LEG,
    WANT_PATTERN,
    advance,
    compiled,
    dot,
    latch_period,
    load_amps,
    mode_factors,
    on_disk,
    pop,
    real_factors,
    times,
)

#: Why `march` came back, beside the codes of `sim.kernels`: ramps meet something else.
OVERLAP = 3
#: Place in the `count` array of the leg state wanted; -1 for a ramp.
WANT_STATE = 6

#: States of a leg: a switch on, a diode conducting, or nothing.
LOW, HIGH, LOW_DIODE, HIGH_DIODE, OPEN = 0, 1, 2, 3, 4
#: What the gates ask for: the low switch, the high one, or none.
GATE_LOW, GATE_HIGH, GATE_OFF = 0, 1, 2

#: After a leg's state changed by itself its guards rest for this long, in s.
CALM_S = 1e-9
#: Most steps on the way to a zero.
_MOST_STEPS = 20_000


def ready() -> bool:
    """Runs with diodes need not wait for a compiler."""
    return on_disk(march)


@compiled
def first_zero(
    pairs: int,
    re: np.ndarray,
    im: np.ndarray,
    y: np.ndarray,
    w: np.ndarray,
    row: np.ndarray,
    base: float,
    span: float,
    skip: float,
) -> float:
    """When base + row y(t) first is no more above zero, from `skip` to `span` s; -1.0 if never.

    Between here and t the output stays above g + g' t - c t^2/2, with c a bound on its
    curvature: the step to where that bound is zero cannot pass a zero, and near one it is
    Newton's.
    """
    n = len(y)
    z = y.copy()
    if skip > 0.0:
        advance(pairs, re, im, z, w, skip)
    t = skip
    for count in range(_MOST_STEPS):
        left = span - t
        g, slope, curve, reach, size = base, 0.0, 0.0, 0.0, abs(base)
        for i in range(pairs):
            k = 2 * i
            lr, li = re[k], im[k]
            dr = lr * z[k] - li * z[k + 1] + w[k]
            di = lr * z[k + 1] + li * z[k] + w[k + 1]
            g += row[k] * z[k] + row[k + 1] * z[k + 1]
            size += abs(row[k] * z[k]) + abs(row[k + 1] * z[k + 1])
            slope += row[k] * dr + row[k + 1] * di
            own = math.hypot(row[k], row[k + 1]) * math.hypot(dr, di)
            rate = math.hypot(lr, li)
            grow = math.exp(min(lr * left, 50.0)) if lr > 0.0 else 1.0
            curve += own * rate * grow
            reach += own * grow * (min(left, 2.0 / rate) if lr <= 0.0 and rate > 0.0 else left)
        for i in range(2 * pairs, n):
            d = re[i] * z[i] + w[i]
            g += row[i] * z[i]
            size += abs(row[i] * z[i])
            slope += row[i] * d
            own = abs(row[i] * d)
            grow = math.exp(min(re[i] * left, 50.0)) if re[i] > 0.0 else 1.0
            curve += own * abs(re[i]) * grow
            reach += own * grow * (min(left, -1.0 / re[i]) if re[i] < 0.0 else left)
        if g <= 4e-16 * size:
            if slope <= 0.0 or g < -1e-9 * size:
                return t
            g = 0.0
        if g > reach:
            return -1.0
        if g + left * (slope - 0.5 * curve * left) > 0.0:
            return -1.0
        root = math.sqrt(slope * slope + 2.0 * curve * g)
        # (of two ways to write the root, the one that loses no figures)
        step = (slope + root) / curve if slope > 0.0 else 2.0 * g / (root - slope)
        if t + step == t:
            return t
        if count > 200:
            # ringing that only just stays clear: looked at no closer than this
            step = max(step, span / _MOST_STEPS)
        if step >= left:
            return -1.0
        for i in range(pairs):
            k = 2 * i
            er, ei, pr, pi = mode_factors(re[k], im[k], step)
            a, b = z[k], z[k + 1]
            z[k] = er * a - ei * b + pr * w[k] - pi * w[k + 1]
            z[k + 1] = ei * a + er * b + pi * w[k] + pr * w[k + 1]
        for i in range(2 * pairs, n):
            e, p = real_factors(re[i], step)
            z[i] = e * z[i] + p * w[i]
        t += step
    return -1.0


@compiled
def hold_inputs(
    at: int,
    span: float,
    y: np.ndarray,
    power: np.ndarray,
    value: np.ndarray,
    minimum: np.ndarray,
    drag: np.ndarray,
    load_y: np.ndarray,
    load_0: np.ndarray,
    load_load: np.ndarray,
    speed_y: np.ndarray,
    speed_slope_y: np.ndarray,
    speed_slope_drag: np.ndarray,
    held: np.ndarray,
) -> None:
    """Currents of loads and drag torques for a stretch that begins at y, into `held`."""
    n, n_j, n_w = len(y), len(value), len(drag)
    for j in range(n_w):
        speed, rate = dot(speed_y[at, j], y), dot(speed_slope_y[at, j], y)
        rate += speed_slope_drag[at, j] * drag[j] * speed * abs(speed)
        middle = speed + 0.5 * span * rate
        held[n_j + j] = drag[j] * middle * abs(middle)
    if n_j == 0:
        return
    volts, seen, amps = np.zeros(n_j), np.zeros(n_j), np.zeros(n_j)
    for j in range(n_j):
        volts[j] = load_0[at, j]
        for i in range(n):
            volts[j] += load_y[at, j, i] * y[i]
    for j in range(n_j):
        amps[j] = load_amps(power[j], value[j], minimum[j], volts[j])
    for _ in range(3):
        moved = False
        for j in range(n_j):
            extra = dot(load_load[at, j], amps)
            if extra != 0.0:
                moved = True
            seen[j] = volts[j] + extra
        if not moved:
            break
        for j in range(n_j):
            amps[j] = load_amps(power[j], value[j], minimum[j], seen[j])
    for j in range(n_j):
        held[j] = amps[j]


@compiled
def state_for(gate: int, now: int, amps: float) -> int:
    """State of a leg whose gates ask for `gate`, which was `now` and carries `amps` out."""
    if gate == GATE_LOW:
        return LOW
    if gate == GATE_HIGH:
        return HIGH
    if now >= LOW_DIODE:
        return now
    if amps > 0.0:
        return LOW_DIODE
    return HIGH_DIODE if amps < 0.0 else OPEN


@compiled
def is_up(state: int) -> bool:
    """The leg's output is at the supply's plus side."""
    return state in (HIGH, HIGH_DIODE)


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
    # legs
    gate: np.ndarray,
    wait_t: np.ndarray,
    wait_gate: np.ndarray,
    calm: np.ndarray,
    dead: np.ndarray,
    freewheel: np.ndarray,
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
    # patterns
    pairs: np.ndarray,
    states: np.ndarray,
    next_at: np.ndarray,
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
    amps_y: np.ndarray,
    guard_y: np.ndarray,
    guard_0: np.ndarray,
    guard_held: np.ndarray,
    first_knee: int,
    ramp_guard: np.ndarray,
    # full ramps
    ramp_map: np.ndarray,
    ramp_force: np.ndarray,
    ramp_force_load: np.ndarray,
    ramp_force_drag: np.ndarray,
    ramp_to: np.ndarray,
    # what is kept
    piece_t: np.ndarray,
    piece_d: np.ndarray,
    piece_pattern: np.ndarray,
    piece_ramp: np.ndarray,
    piece_y: np.ndarray,
    piece_held: np.ndarray,
) -> int:
    """March on until the end, or until something is needed from outside.

    Pieces are those of `kernels.march`. `count` names what is wanted: the pattern in which
    leg WANT_LEG of pattern WANT_PATTERN is in state WANT_STATE, or, if that is -1, the ramp
    WANT_LEG (see `DiodeTable.leg_ramp`). On OVERLAP nothing of what is due has been done.
    """
    n, n_s, n_h = len(y), len(frequency), piece_held.shape[1]
    n_j = force_load.shape[2]
    held, w, after, x = np.zeros(n_h), np.zeros(n), np.zeros(n), np.zeros(n)
    while True:
        t = clock[T_NOW]
        if t >= clock[T_PAUSE] or t >= clock[T_END]:
            return DONE
        at = count[NOW]
        if count[N_PIECES] + 2 >= len(piece_t):
            return FULL

        # what is due next: 1 a period, 2 a command, 3 the end of a dead time
        t_next = clock[T_END]
        due, who = 0, -1
        for k in range(n_s):
            start = (period[k] - phase[k]) / frequency[k]
            if start < t_next or (start <= t_next and due == 0):
                t_next, due, who = start, 1, k
            if queue_n[k] > 0 and queue_t[k, 0] < t_next:
                t_next, due, who = queue_t[k, 0], 2, k
            if wait_t[k] < t_next:
                t_next, due, who = wait_t[k], 3, k
        t_next = max(t_next, t)

        span = t_next - t
        hold_inputs(
            at, span, y, power, value, minimum, drag, load_y, load_0, load_load,
            speed_y, speed_slope_y, speed_slope_drag, held,
        )  # fmt: skip
        for i in range(n):
            total = force[at, i]
            for j in range(n_h):
                total += (force_load[at, i, j] if j < n_j else force_drag[at, i, j - n_j]) * held[j]
            w[i] = total

        # does a leg's state end before that?
        turned, turned_to = -1, OPEN
        for k in range(n_s):
            state = states[at, k]
            if state < LOW_DIODE:
                continue
            skip = max(calm[k] - t, 0.0)
            for j in range(2 if state == OPEN else 1):
                g = 2 * k + j
                if skip >= span:
                    continue
                base = guard_0[at, g] + dot(guard_held[at, g], held)
                zero = first_zero(pairs[at], re[at], im[at], y, w, guard_y[at, g], base, span, skip)
                if zero >= 0.0 and zero < span:
                    span, turned = zero, k
                    turned_to = OPEN if state != OPEN else (LOW_DIODE if j == 0 else HIGH_DIODE)

        if span > 0.0:
            p = count[N_PIECES]
            piece_t[p], piece_d[p], piece_pattern[p], piece_ramp[p] = t, span, at, -1
            piece_y[p] = y
            piece_held[p] = held
            advance(pairs[at], re[at], im[at], y, w, span)
            count[N_PIECES] = p + 1
            t = t_next if turned < 0 else t + span
            clock[T_NOW] = t

        if turned >= 0:
            to = next_at[at, turned, turned_to]
            if to < 0:
                count[WANT_PATTERN], count[WANT_LEG] = at, turned
                count[WANT_STATE] = turned_to
                return NEED_PATTERN
            calm[turned] = t + CALM_S
            times(basis[at], y, x)
            times(inverse[to], x, y)
            count[NOW] = to
            continue
        if due == 0:
            return DONE
        if due == 1:
            latch_period(
                who, dot(emf_y[at, who], y), dot(sense_y[at, who], y),
                frequency, phase, first, command, used, centred, period, target,
                queue_t, queue_up, queue_n, limited, drive_a, brake_a, path_ohm,
            )  # fmt: skip
            continue

        # a leg's gates change
        now = states[at, who]
        if due == 3:
            asked = wait_gate[who]
        elif not freewheel[who]:
            asked = GATE_HIGH if queue_up[who, 0] else GATE_OFF
        elif dead[who] > 0.0:
            asked = GATE_OFF
        else:
            asked = queue_up[who, 0]
        new = state_for(asked, now, dot(amps_y[at, who], y))
        to, ramp = at, -1
        if now != OPEN and new != OPEN and is_up(now) != is_up(new):
            end = t + rise[who]
            if end > clock[T_END]:
                return OVERLAP
            for k in range(n_s):
                if (period[k] - phase[k]) / frequency[k] < end:
                    return OVERLAP
                own = 1 if due == 2 and k == who else 0
                if queue_n[k] > own and queue_t[k, own] < end:
                    return OVERLAP
                if wait_t[k] < end and k != who:
                    return OVERLAP
            if due == 2 and asked == GATE_OFF and freewheel[who] and dead[who] < rise[who]:
                return OVERLAP
            place = who + (n_s if new >= LOW_DIODE else 0)
            ramp = leg_ramp[at, place]
            if ramp < 0:
                count[WANT_PATTERN], count[WANT_LEG], count[WANT_STATE] = at, place, -1
                return NEED_PATTERN
            to = ramp_to[ramp]
            p = count[N_PIECES] - 1
            joined = p >= 0 and piece_ramp[p] == -1 and piece_pattern[p] == at
            joined = joined and abs(piece_t[p] + piece_d[p] - t) <= 1e-15
            if joined:
                held[:] = piece_held[p]
            for i in range(n):
                total = ramp_force[ramp, i] + dot(ramp_map[ramp, i], y)
                for j in range(n_j):
                    total += ramp_force_load[ramp, i, j] * held[j]
                for j in range(n_j, n_h):
                    total += ramp_force_drag[ramp, i, j - n_j] * held[j]
                after[i] = total
            # a diode's current that turns within the ramp is found there
            for k in range(n_s):
                state = states[to, k]
                amps = dot(amps_y[to, k], after)
                if (state == LOW_DIODE and amps < 0.0) or (state == HIGH_DIODE and amps > 0.0):
                    return OVERLAP
            # and so is a clamp that begins or ends to conduct within it
            for k in range(first_knee, n_s):
                g = guard_0[to, 2 * k] + dot(guard_held[to, 2 * k], held)
                if g + dot(guard_y[to, 2 * k], after) < 0.0:
                    return OVERLAP
                for j in range(ramp_guard.shape[2]):
                    own = ramp_guard[ramp, k - first_knee, j]
                    g = own[n] + dot(own[:n], y)
                    for i in range(n_h):
                        g += own[n + 1 + i] * held[i]
                    if g < 0.0:
                        return OVERLAP
            if joined:
                piece_ramp[p] = ramp
            else:
                p += 1
                piece_t[p], piece_d[p], piece_pattern[p], piece_ramp[p] = t, 0.0, at, ramp
                piece_y[p] = y
                piece_held[p] = held
                count[N_PIECES] = p + 1
            y[:] = after
            count[N_EDGES] += 1
            clock[T_NOW] = end
        elif new != now:
            to = next_at[at, who, new]
            if to < 0:
                count[WANT_PATTERN], count[WANT_LEG], count[WANT_STATE] = at, who, new
                return NEED_PATTERN
            times(basis[at], y, x)
            times(inverse[to], x, y)
            if new < LOW_DIODE and is_up(now) != is_up(new):
                count[N_EDGES] += 1
        count[NOW] = to
        gate[who] = asked
        if due == 3:
            wait_t[who] = np.inf
        else:
            wait_t[who] = np.inf
            if asked == GATE_OFF and freewheel[who]:
                wait_t[who] = t + dead[who]
                wait_gate[who] = queue_up[who, 0]
            pop(who, queue_t, queue_up, queue_n)

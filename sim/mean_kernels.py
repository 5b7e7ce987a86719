"""The Rosenbrock steps of `sim.rosenbrock` on averaged equations, written for numba.

The matrices are sparse (some 300 of 2,000 entries), so products walk the entries one by
one, and elimination follows a plan made once.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.kernels import compiled
from sim.nonlinear_kernels import curve_residual, store_bend, store_residual

Array = NDArray[np.float64]
Index = NDArray[np.int64]
#: Places in other arrays. Unsigned, for which no count from the end need be looked out for.
Place = NDArray[np.uint32]

#: Why `march` came back.
DONE, FULL, STUCK = 0, 1, 2

#: A step may be so many times longer than the one before.
GROW = 6.0
#: A step shorter than this share of the event's time is given up.
SHORTEST = 1e-15


class Entries(NamedTuple):
    """Nonzero entries of H's matrices: y[row] += weight[m] value z[column].

    Those of monomial m are start[m] to start[m + 1].
    """

    start: Index
    row: Place
    column: Place
    value: Array


class Plan(NamedTuple):
    """In what order unknowns are eliminated, and which others each one then meets.

    Those of order[p] are neighbour[start[p] : start[p + 1]].
    """

    order: Place
    start: Index
    neighbour: Place


class Fade(NamedTuple):
    """Stores that fade; see `sim.state_equations.FadingStores`.

    `lift` (n_laws, n_stores): how controls of laws go with the rate of each store's residual;
    `lifts`: any does. `apart`: own is zero.
    """

    full: Array
    half: Array
    value: Array
    reach: Array
    gain: Array
    own: Array
    rest: Array
    lift: Array
    lifts: bool
    apart: bool


class Form(NamedTuple):
    """What `sim.mean_form.MeanForm` knows, as arrays.

    Attributes
    ----------
    flow, drop : entries of the slope's and of the controls' rows
    plan : of the Jacobian's entries
    factors : (n_monomials, p) places in [1, duties] whose product is the monomial's mean
    z : (columns,) of [states; inputs], sources filled in
    torque, amps, speed : where drag torques and laws' inputs start in z, speeds in the states
    power, value, minimum : load laws; curve_ohm, curve_leak, corners : curves, laws after loads
    fading : stores that fade
    drag, speed_scale : rotors
    sense, emf, brake, drive : limits (sense -1 for none), brake and drive in V
    """

    flow: Entries
    drop: Entries
    plan: Plan
    factors: Index
    z: Array
    n: int
    torque: int
    amps: int
    speed: int
    power: NDArray[np.bool_]
    value: Array
    minimum: Array
    curve_ohm: Array
    curve_leak: Array
    corners: Array
    fading: Fade
    drag: Array
    speed_scale: Array
    sense: Index
    sense_scale: float
    emf: Array
    brake: Array
    drive: Array


class Course(NamedTuple):
    """Commands of one piece: base + rate (t - start), and a tap on top where size is not 0."""

    start: float
    base: Array
    rate: Array
    signs: Array
    size: float
    omega: float
    decay: float


class Method(NamedTuple):
    """Coefficients of `sim.rosenbrock`."""

    gamma: float
    a: Array
    c: Array
    nodes: Array
    by_time: Array
    dense: Array


@compiled
def even_step(h: float) -> float:
    """The step to take where one of h s is allowed: a whole sixteenth of an octave, about below.

    An error is a difference of near equals: between machines, and between the compiled and the
    numpy path, its last places differ, and a step after a kink hangs on them. So steps differ by
    whole parts or not at all. (What stands on the raster stays: it is not rounded down on a hair.)
    """
    return float(2.0 ** (math.floor(16.0 * math.log2(h) + 0.25) / 16.0))


@compiled
def step_factor(error: float, grow: float) -> float:
    """By how much the next step is longer, for an error in units of what is allowed."""
    if not error < math.inf:
        return 0.1
    return min(grow, max(0.2, 0.9 / math.sqrt(math.sqrt(max(error, 1e-10)))))


@compiled
def eliminate(a: Array, pivots: Index) -> bool:
    """LU factors of a small full matrix, in place; False if it is singular."""
    n = len(a)
    for k in range(n):
        best, at = abs(a[k, k]), k
        for i in range(k + 1, n):
            if abs(a[i, k]) > best:
                best, at = abs(a[i, k]), i
        pivots[k] = at
        if not best > 0.0:
            return False
        if at != k:
            for j in range(n):
                a[k, j], a[at, j] = a[at, j], a[k, j]
        inverse = 1.0 / a[k, k]
        for i in range(k + 1, n):
            if a[i, k] != 0.0:
                share = a[i, k] * inverse
                a[i, k] = share
                for j in range(k + 1, n):
                    a[i, j] -= share * a[k, j]
    return True


@compiled
def substitute(lu: Array, pivots: Index, b: Array) -> None:
    """Solve with the factors of `eliminate`, in place."""
    n = len(b)
    for k in range(n):
        at = pivots[k]
        if at != k:
            b[k], b[at] = b[at], b[k]
    for i in range(1, n):
        total = b[i]
        for j in range(i):
            total -= lu[i, j] * b[j]
        b[i] = total
    for i in range(n - 1, -1, -1):
        total = b[i]
        for j in range(i + 1, n):
            total -= lu[i, j] * b[j]
        b[i] = total / lu[i, i]


@compiled
def eliminate_sparse(a: Array, plan: Plan, smallest: float) -> bool:
    """LU factors of a, in place and in the order of a plan, without exchanging rows.

    In energy coordinates the symmetric part of a step's matrix is nearly always
    positive, and then no exchange is needed. False where a pivot is below `smallest`:
    a shorter step mends that.
    """
    for place in range(len(plan.order)):
        k = plan.order[place]
        if not abs(a[k, k]) >= smallest:
            return False
        inverse = 1.0 / a[k, k]
        for p in range(plan.start[place], plan.start[place + 1]):
            i = plan.neighbour[p]
            if a[i, k] != 0.0:
                share = a[i, k] * inverse
                a[i, k] = share
                for q in range(plan.start[place], plan.start[place + 1]):
                    j = plan.neighbour[q]
                    a[i, j] -= share * a[k, j]
    return True


@compiled
def substitute_sparse(lu: Array, plan: Plan, b: Array) -> None:
    """Solve with the factors of `eliminate_sparse`, in place."""
    n = len(b)
    for place in range(n):
        k = plan.order[place]
        own = b[k]
        for p in range(plan.start[place], plan.start[place + 1]):
            i = plan.neighbour[p]
            b[i] -= lu[i, k] * own
    for place in range(n - 1, -1, -1):
        k = plan.order[place]
        total = b[k]
        for p in range(plan.start[place], plan.start[place + 1]):
            j = plan.neighbour[p]
            total -= lu[k, j] * b[j]
        b[k] = total / lu[k, k]


@compiled
def command(course: Course, t: float, duty: Array, rate: Array) -> None:
    """Commanded duties and their change per s at a time."""
    ring, ring_rate = 0.0, 0.0
    if course.size != 0.0:
        fade = course.size * math.exp(-t / course.decay)
        sine, cosine = math.sin(course.omega * t), math.cos(course.omega * t)
        ring = fade * sine
        ring_rate = fade * (course.omega * cosine - sine / course.decay)
    for k in range(len(duty)):
        raw = course.base[k] + course.rate[k] * (t - course.start)
        rate[k] = course.rate[k]
        if course.size != 0.0:
            raw += course.signs[k] * ring
            rate[k] += course.signs[k] * ring_rate
        duty[k] = min(max(raw, 0.0), 1.0)
        if raw <= 0.0 or raw >= 1.0:
            rate[k] = 0.0


@compiled
def limit(form: Form, x: Array, duty: Array, held: NDArray[np.bool_]) -> None:
    """Hold commanded duties within the current limits, in place."""
    for k in range(len(duty)):
        held[k] = False
        at = form.sense[k]
        if at < 0:
            continue
        supply = form.sense_scale * x[at]
        if supply <= 1e-3:
            continue
        emf = 0.0
        for j in range(form.speed, form.speed + len(form.drag)):
            emf += form.emf[k, j] * x[j]
        low, high = (emf - form.brake[k]) / supply, (emf + form.drive[k]) / supply
        own = min(max(duty[k], low), high)
        held[k] = own != duty[k] and 0.0 < own < 1.0
        duty[k] = min(max(own, 0.0), 1.0)


@compiled
def law(form: Form, j: int, volts: float) -> tuple[float, float]:
    """Current of a load, or residual of a curve, and its slope by the control.

    See `sim.mean_equations.LoadLaws` and `sim.nonlinear`.
    """
    if j >= len(form.value):
        k = j - len(form.value)
        ohm, leak = form.curve_ohm[k], form.curve_leak[k]
        residual, bend = curve_residual(volts, ohm, leak, form.corners[k])
        return residual, bend
    value, minimum = form.value[j], form.minimum[j]
    if volts >= minimum:
        if form.power[j]:
            return value / volts, -value / (volts * volts)
        return value, 0.0
    slope = value / minimum
    if form.power[j]:
        slope /= minimum
    return slope * volts, slope


@compiled
def settle_stores(fade: Fade, x: Array, c: Array, r: Array, bend: Array) -> None:
    """Controls, residuals and their slopes of stores that fade, at a state."""
    n_k = len(r)
    base = np.zeros(n_k)
    for k in range(n_k):
        total = fade.rest[k]
        for i in range(len(x)):
            total += fade.reach[k, i] * x[i]
        base[k] = total
        c[k] = total
        r[k], bend[k] = store_residual(total, fade.value[k], fade.full[k], fade.half[k])
    if fade.apart:
        return
    system, pivots = np.zeros((n_k, n_k)), np.zeros(n_k, np.int64)
    step, trial = np.zeros(n_k), np.zeros(n_k)
    for _ in range(60):
        size = 0.0
        for k in range(n_k):
            missing = base[k] - c[k]
            for j in range(n_k):
                missing += fade.own[k, j] * r[j]
                system[k, j] = -fade.own[k, j] * bend[j]
            system[k, k] += 1.0
            step[k] = missing
            size = max(size, abs(missing))
        if not eliminate(system, pivots):
            break
        substitute(system, pivots, step)
        share, moved, largest = 1.0, 0.0, 0.0
        for _ in range(40):
            for k in range(n_k):
                trial[k] = c[k] + share * step[k]
                r[k], bend[k] = store_residual(trial[k], fade.value[k], fade.full[k], fade.half[k])
            new = 0.0
            for k in range(n_k):
                missing = base[k] - trial[k]
                for j in range(n_k):
                    missing += fade.own[k, j] * r[j]
                new = max(new, abs(missing))
            if new <= size:
                break
            share *= 0.5
        for k in range(n_k):
            moved = max(moved, abs(trial[k] - c[k]))
            c[k] = trial[k]
            largest = max(largest, abs(c[k]))
        if moved <= 1e-13 * (1.0 + largest):
            break


@compiled
def untie_stores(fade: Fade, bend: Array, columns: Array) -> None:
    """Solve (1 - bend own) columns = columns, in place."""
    n_k = len(bend)
    system, pivots, column = np.zeros((n_k, n_k)), np.zeros(n_k, np.int64), np.zeros(n_k)
    for k in range(n_k):
        for j in range(n_k):
            system[k, j] = -bend[k] * fade.own[k, j]
        system[k, k] += 1.0
    eliminate(system, pivots)
    for j in range(columns.shape[1]):
        some = False
        for k in range(n_k):
            column[k] = columns[k, j]
            some = some or column[k] != 0.0
        if some:
            substitute(system, pivots, column)
            for k in range(n_k):
                columns[k, j] = column[k]


@compiled
def follow_stores(fade: Fade, bend: Array, follow: Array) -> None:
    """How residuals of stores follow the state (n_stores, n), from their slopes."""
    n_k, n = follow.shape
    for k in range(n_k):
        for j in range(n):
            follow[k, j] = bend[k] * fade.reach[k, j]
    if not fade.apart:
        untie_stores(fade, bend, follow)


@compiled
def turn_stores(fade: Fade, c: Array, bend: Array, follow: Array, slope: Array) -> Array:
    """How the rate of each residual moves with the state while its slope stands, (n_stores, n)."""
    n_k, n = follow.shape
    out = np.zeros((n_k, n))
    rate = np.zeros(n_k)
    for k in range(n_k):
        for j in range(n):
            rate[k] += follow[k, j] * slope[j]
    for k in range(n_k):
        total = 0.0
        for j in range(n):
            total += fade.reach[k, j] * slope[j]
        for m in range(n_k):
            total += fade.own[k, m] * rate[m]
        total *= store_bend(c[k], fade.value[k], fade.full[k], fade.half[k])
        for j in range(n):
            by_state = fade.reach[k, j]
            for m in range(n_k):
                by_state += fade.own[k, m] * follow[m, j]
            out[k, j] = total * by_state
    if not fade.apart:
        untie_stores(fade, bend, out)
    return out


@compiled
def chain_stores(fade: Fade, follow: Array, by_w: Array) -> None:
    """Derivatives by the states from those by w, in place."""
    n_k, n = follow.shape
    gained = np.zeros(n_k)
    for i in range(len(by_w)):
        for k in range(n_k):
            total = 0.0
            for j in range(n):
                total += by_w[i, j] * fade.gain[j, k]
            gained[k] = total
        for k in range(n_k):
            if gained[k] != 0.0:
                for j in range(n):
                    by_w[i, j] += gained[k] * follow[k, j]


@compiled
def weigh(form: Form, duty: Array, weight: Array) -> None:
    """Mean of each monomial."""
    for m in range(len(weight)):
        product = 1.0
        for p in range(form.factors.shape[1]):
            k = form.factors[m, p]
            if k > 0:
                product *= duty[k - 1]
        weight[m] = product


@compiled
def weigh_slope(form: Form, duty: Array, s: int, weight: Array) -> None:
    """Derivative of each monomial's mean by one duty."""
    for m in range(len(weight)):
        product, found = 1.0, False
        for p in range(form.factors.shape[1]):
            k = form.factors[m, p]
            if k == s + 1:
                found = True
            elif k > 0:
                product *= duty[k - 1]
        weight[m] = product if found else 0.0


@compiled
def add_product(entries: Entries, weight: Array, z: Array, out: Array) -> None:
    """out += H z."""
    for m in range(len(weight)):
        if weight[m] != 0.0:
            for e in range(entries.start[m], entries.start[m + 1]):
                out[entries.row[e]] += weight[m] * entries.value[e] * z[entries.column[e]]


@compiled
def lift_laws(
    form: Form, weight: Array, z: Array, c: Array, bend: Array, base: Array, through: Array
) -> None:
    """Adds to the laws' controls what comes with the rates of residuals; no amps are in z yet."""
    fade, n, n_j = form.fading, form.n, len(base)
    n_k = len(fade.full)
    follow, slope = np.zeros((n_k, n)), np.zeros(n)
    follow_stores(fade, bend, follow)
    add_product(form.flow, weight, z, slope)
    drawn = np.zeros((n_k, n_j))
    for m in range(len(weight)):
        for e in range(form.flow.start[m], form.flow.start[m + 1]):
            at = form.flow.column[e]
            if form.amps <= at < form.amps + n_j:
                value = weight[m] * form.flow.value[e]
                for k in range(n_k):
                    drawn[k, at - form.amps] += follow[k, form.flow.row[e]] * value
    for k in range(n_k):
        rate = 0.0
        for j in range(n):
            rate += follow[k, j] * slope[j]
        for i in range(n_j):
            base[i] += fade.lift[i, k] * rate
            for j in range(n_j):
                through[i, j] += fade.lift[i, k] * drawn[k, j]


@compiled
def evaluate(form: Form, weight: Array, x: Array, z: Array, amps: Array, slope: Array) -> None:
    """Slope at a state; leaves all inputs in z and the loads' currents in `amps`.

    Loads and curves move their own control: Newton from the inputs of the call before.
    """
    n, n_j, n_k = form.n, len(amps), len(form.fading.full)
    for i in range(n):
        z[i] = x[i]
    c, r, faded = np.zeros(n_k), np.zeros(n_k), np.zeros(n_k)
    if n_k:
        settle_stores(form.fading, x, c, r, faded)
        for i in range(n):
            for k in range(n_k):
                z[i] += form.fading.gain[i, k] * r[k]
    for i in range(len(form.drag)):
        w = x[form.speed + i] * form.speed_scale[i]
        z[form.torque + i] = form.drag[i] * w * abs(w)
    if n_j:
        through = np.zeros((n_j, n_j))
        base = np.zeros(n_j)
        for m in range(len(weight)):
            for e in range(form.drop.start[m], form.drop.start[m + 1]):
                at = form.drop.column[e]
                value = weight[m] * form.drop.value[e]
                if form.amps <= at < form.amps + n_j:
                    through[form.drop.row[e], at - form.amps] += value
                else:
                    base[form.drop.row[e]] += value * z[at]
        if form.fading.lifts:
            for j in range(n_j):
                z[form.amps + j] = 0.0
            lift_laws(form, weight, z, c, faded, base, through)
        system, step = np.zeros((n_j, n_j)), np.zeros(n_j)
        pivots = np.zeros(n_j, np.int64)
        most, share = math.inf, 1.0
        for _ in range(60):
            size = 0.0
            for j in range(n_j):
                volts = base[j]
                for i in range(n_j):
                    volts += through[j, i] * amps[i]
                drawn, bend = law(form, j, volts)
                step[j] = drawn - amps[j]
                size = max(size, abs(step[j]))
                for i in range(n_j):
                    system[j, i] = -bend * through[j, i]
                system[j, j] += 1.0
            if not eliminate(system, pivots):
                break
            substitute(system, pivots, step)
            # corners of a curve can send it to and fro: then by shorter steps
            stuck = size > 0.9 * most and len(form.curve_ohm) > 0
            share = max(0.5 * share, 0.1) if stuck else 1.0
            most = min(most, size)
            moved, largest = 0.0, 0.0
            for j in range(n_j):
                amps[j] += share * step[j]
                moved = max(moved, abs(step[j]))
                largest = max(largest, abs(amps[j]))
            # quadratic: the next step would be smaller than rounding
            if moved <= 1e-8 * (1.0 + largest):
                break
        for j in range(n_j):
            z[form.amps + j] = amps[j]
    slope[:] = 0.0
    add_product(form.flow, weight, z, slope)


@compiled
def spread(
    form: Form, entries: Entries, weight: Array, x: Array, by_state: Array, by_amps: Array
) -> None:
    """Derivatives of H z by the states, drag included, and by the loads' currents; added."""
    n, n_j, n_w = form.n, by_amps.shape[1], len(form.drag)
    for m in range(len(weight)):
        for e in range(entries.start[m], entries.start[m + 1]):
            i, j = entries.row[e], entries.column[e]
            value = weight[m] * entries.value[e]
            if j < n:
                by_state[i, j] += value
            elif form.amps <= j < form.amps + n_j:
                by_amps[i, j - form.amps] += value
            elif form.torque <= j < form.torque + n_w:
                at = form.speed + j - form.torque
                scale = form.speed_scale[j - form.torque]
                drag = 2.0 * form.drag[j - form.torque] * abs(x[at] * scale) * scale
                by_state[i, at] += value * drag


@compiled
def linearise(
    form: Form,
    duty: Array,
    held: NDArray[np.bool_],
    rate: Array,
    weight: Array,
    x: Array,
    z: Array,
    jacobian: Array,
    by_time: Array,
) -> None:
    """Jacobian and derivative by time of the slope, right after `evaluate`."""
    n, n_j, n_k = form.n, len(form.value) + len(form.curve_ohm), len(form.fading.full)
    jacobian[:] = 0.0
    by_time[:] = 0.0
    draw, volts_x = np.zeros((n, n_j)), np.zeros((n_j, n))
    through, volts = np.zeros((n_j, n_j)), np.zeros(n_j)
    volts_t = np.zeros(n_j)
    spread(form, form.flow, weight, x, jacobian, draw)
    spread(form, form.drop, weight, x, volts_x, through)
    add_product(form.drop, weight, z, volts)
    c, r, faded = np.zeros(n_k), np.zeros(n_k), np.zeros(n_k)
    follow = np.zeros((n_k, n))
    if n_k:
        settle_stores(form.fading, x, c, r, faded)
        follow_stores(form.fading, faded, follow)
        chain_stores(form.fading, follow, jacobian)
        chain_stores(form.fading, follow, volts_x)
    for s in range(len(duty)):
        free = 0.0 < duty[s] < 1.0
        if not free or (not held[s] and rate[s] == 0.0):
            continue
        slopes = np.zeros(len(weight))
        weigh_slope(form, duty, s, slopes)
        flow, drop = np.zeros(n), np.zeros(n_j)
        add_product(form.flow, slopes, z, flow)
        add_product(form.drop, slopes, z, drop)
        if held[s]:
            at = form.sense[s]
            for j in range(n):
                by_state = form.emf[s, j] / (form.sense_scale * x[at])
                if j == at:
                    by_state -= duty[s] / x[at]
                if by_state != 0.0:
                    for i in range(n):
                        jacobian[i, j] += flow[i] * by_state
                    for i in range(n_j):
                        volts_x[i, j] += drop[i] * by_state
        else:
            for i in range(n):
                by_time[i] += flow[i] * rate[s]
            for i in range(n_j):
                volts_t[i] += drop[i] * rate[s]
    if form.fading.lifts:
        slope = np.zeros(n)
        add_product(form.flow, weight, z, slope)
        moved = turn_stores(form.fading, c, faded, follow, slope)
        drawn_r, slope_r, time_r = np.zeros((n_k, n_j)), np.zeros(n_k), np.zeros(n_k)
        for k in range(n_k):
            for i in range(n):
                share = follow[k, i]
                if share != 0.0:
                    slope_r[k] += share * slope[i]
                    time_r[k] += share * by_time[i]
                    for j in range(n):
                        moved[k, j] += share * jacobian[i, j]
                    for j in range(n_j):
                        drawn_r[k, j] += share * draw[i, j]
        for i in range(n_j):
            for k in range(n_k):
                lift = form.fading.lift[i, k]
                volts[i] += lift * slope_r[k]
                volts_t[i] += lift * time_r[k]
                for j in range(n):
                    volts_x[i, j] += lift * moved[k, j]
                for j in range(n_j):
                    through[i, j] += lift * drawn_r[k, j]
    if n_j:
        system, pivots = np.zeros((n_j, n_j)), np.zeros(n_j, np.int64)
        right = np.zeros(n_j)
        for i in range(n_j):
            bend = law(form, i, volts[i])[1]
            volts_t[i] *= bend
            for j in range(n):
                volts_x[i, j] *= bend
            for j in range(n_j):
                system[i, j] = -bend * through[i, j]
            system[i, i] += 1.0
        eliminate(system, pivots)
        substitute(system, pivots, volts_t)
        # loads with a bandwidth move no state but their own
        drawn, n_drawn = np.zeros(n, np.int64), 0
        for i in range(n):
            for k in range(n_j):
                if draw[i, k] != 0.0:
                    drawn[n_drawn] = i
                    n_drawn += 1
                    break
        for j in range(n):
            some = False
            for i in range(n_j):
                right[i] = volts_x[i, j]
                some = some or right[i] != 0.0
            if some:
                substitute(system, pivots, right)
                for d in range(n_drawn):
                    i = drawn[d]
                    for k in range(n_j):
                        jacobian[i, j] += draw[i, k] * right[k]
        for i in range(n):
            for k in range(n_j):
                by_time[i] += draw[i, k] * volts_t[k]


@compiled
def march(
    form: Form,
    method: Method,
    course: Course,
    end: float,
    scale: Array,
    kind: Index,
    largest: Array,
    rtol: float,
    amps: Array,
    clock: Array,
    t: Array,
    x: Array,
    first: Array,
    second: Array,
) -> tuple[int, int]:
    """Steps from t[0], x[0] towards `end`, until there or the arrays are full.

    `clock` holds the step to try and the growth allowed, `largest` the largest seen of
    each kind, `amps` the loads' currents; all go on where the call before stopped.

    Returns
    -------
    (DONE, FULL or STUCK, number of steps)
    """
    n, n_s = form.n, len(course.base)
    stages = len(method.nodes)
    duty, rate, held = np.zeros(n_s), np.zeros(n_s), np.zeros(n_s, np.bool_)
    weight, z = np.zeros(len(form.factors)), form.z.copy()
    slope, by_time, y, new = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    jacobian, lu = np.zeros((n, n)), np.zeros((n, n))
    k = np.zeros((stages, n))
    done, fresh = 0, True
    while t[done] < end:
        if done == len(first):
            return FULL, done
        now, here = t[done], x[done]
        h = clock[0]
        last = h >= (end - now) * (1.0 - 1e-9)
        if last:
            h = end - now
        if fresh:
            command(course, now, duty, rate)
            limit(form, here, duty, held)
            weigh(form, duty, weight)
            evaluate(form, weight, here, z, amps, slope)
            linearise(form, duty, held, rate, weight, here, z, jacobian, by_time)
            for i in range(n):
                k[0, i] = slope[i]
            fresh = False
        else:
            # a rejected step: only its length is new
            for i in range(n):
                k[0, i] = slope[i]
        for i in range(n):
            for j in range(n):
                lu[i, j] = -jacobian[i, j]
            lu[i, i] += 1.0 / (h * method.gamma)
        sound = eliminate_sparse(lu, form.plan, 1e-3 / (h * method.gamma))
        if sound:
            for s in range(stages):
                if s:
                    for i in range(n):
                        y[i] = here[i]
                    for j in range(s):
                        share = method.a[s, j]
                        if share != 0.0:
                            for i in range(n):
                                y[i] += share * k[j, i]
                    command(course, now + method.nodes[s] * h, duty, rate)
                    limit(form, y, duty, held)
                    weigh(form, duty, weight)
                    evaluate(form, weight, y, z, amps, new)
                    for i in range(n):
                        k[s, i] = new[i]
                    for j in range(s):
                        share = method.c[s, j] / h
                        for i in range(n):
                            k[s, i] += share * k[j, i]
                share = h * method.by_time[s]
                if share != 0.0:
                    for i in range(n):
                        k[s, i] += share * by_time[i]
                substitute_sparse(lu, form.plan, k[s])
        error = 0.0
        for i in range(n):
            own = abs(k[stages - 1, i]) / (rtol * scale[i] * largest[kind[i]])
            error = max(error, own)
            # also where it is no number
            sound = sound and own < math.inf
        if not sound:
            error = math.inf
        factor = step_factor(error, clock[1])
        if error <= 1.0:
            for i in range(n):
                new[i] = y[i] + k[stages - 1, i]
                largest[kind[i]] = max(largest[kind[i]], abs(new[i]) / scale[i])
                x[done + 1, i] = new[i]
                total, bend = 0.0, 0.0
                for s in range(stages):
                    total += method.dense[0, s] * k[s, i]
                    bend += method.dense[1, s] * k[s, i]
                first[done, i] = total
                second[done, i] = bend
            t[done + 1] = end if last else now + h
            done += 1
            clock[1] = GROW
            fresh = True
        else:
            clock[1] = 1.0
            if h * factor <= SHORTEST * max(abs(now), abs(end)):
                return STUCK, done
        clock[0] = even_step(h * factor)
    return DONE, done

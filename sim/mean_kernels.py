"""The Rosenbrock steps of `sim.rosenbrock` on averaged equations, written for numba.

The matrices are sparse (some 300 of 2,000 entries), so products walk the entries one by
one, and elimination follows a plan made once.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.kernels import compiled_lean, on_disk
from sim.nonlinear_kernels import curve_residual, store_bend, store_residual

Array = NDArray[np.float64]
Index = NDArray[np.int64]
#: Places in other arrays. Unsigned, for which no count from the end need be looked out for.
Place = NDArray[np.uint32]

#: Why `march` came back.
DONE, FULL, STUCK = 0, 1, 2

#: A step may be so many times longer than the one before.
GROW = 20.0
#: What acts on a duty: nothing, the brake or drive current's limit, or either end.
FREE, BRAKES, DRIVES, OFF, ON = 0, 1, 2, 3, 4
#: A supply (V) below which its limits do not act.
LEAST_SUPPLY = 1e-3
#: Halvings by which it is found where in a step that changes, and where it is so late that the step
#: ends there already: what is read between the corner and the end of the step is off by as much.
HALVINGS, LATE = 20, 0.9999
#: A corner before this share of a step is where the step begins; one after that other share cuts
#: it short, and one between asks for a step that ends there. So often one is looked for: what stays
#: on a corner for long is on either side of it alike.
AT_ONCE, CUT, LOOKS = 2e-6, 0.01, 8
#: Where f turned into another one, x'' jumps, and what is fast rings: the first step is so many
#: times what takes half of that jump, alone, to the allowed error. (Tried on all samples: what is
#: needed is 10 to 200 times that, and a step that is too short soon grows.)
FIRST = 40.0
#: A step shorter than this share of the event's time is given up.
SHORTEST = 1e-15


def ready() -> bool:
    """Averaged runs need not wait for a compiler."""
    return on_disk(march)


class Entries(NamedTuple):
    """Nonzero entries of a block of H's matrices: y[row] += weight[m] value z[column].

    Monomial m has rows start[m] to start[m + 1]; of row[g] the entries are first[g] to
    first[g + 1]. (Each added to y by itself they would wait for one another: twice as long.)
    """

    start: Place
    row: Place
    first: Place
    column: Place
    value: Array


class Plan(NamedTuple):
    """In what order unknowns are eliminated, and which others each one then meets.

    Those of order[p] are neighbour[start[p] : start[p + 1]].
    """

    order: Place
    start: Place
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
    flow, drop : entries of the slope's and of the controls' rows, but for those of
    draw, tie : the same rows by the laws' inputs, column 0 the first of them
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
    draw: Entries
    tie: Entries
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


class Factors(NamedTuple):
    """LU factors along a `Plan`: below and beside each pivot, in its order, and one over it."""

    below: Array
    beside: Array
    inverse: Array

    @classmethod
    def of(cls, plan: Plan) -> Factors:
        """Factors to be filled by `eliminate_sparse`."""
        size = len(plan.neighbour)
        return cls(np.zeros(size), np.zeros(size), np.zeros(len(plan.order)))


class StoreRoom(NamedTuple):
    """Of stores that fade.

    Attributes
    ----------
    c, r, bend : (n_stores,) controls, residuals and slopes of these; what `settle_stores` found
    follow : (n_stores, n) residuals by the state; moved : their rates by the state
    rates : (n_stores, 1 + n_laws) rates of residuals, by the slope and by each law's input
    base, step, trial, column : (n_stores,); system, pivots : of a Newton
    """

    c: Array
    r: Array
    bend: Array
    follow: Array
    moved: Array
    rates: Array
    base: Array
    step: Array
    trial: Array
    column: Array
    system: Array
    pivots: Index


class LawRoom(NamedTuple):
    """Of loads and curves.

    Attributes
    ----------
    volts, volts_t : (n_laws,) controls without what laws draw, and by time
    volts_x : (n_laws, n) controls by the state; draw : (n, n_laws) slope by what laws draw
    through : (n_laws, n_laws) controls by what laws draw
    step, drop : (n_laws,); system, pivots : of a Newton
    """

    volts: Array
    volts_t: Array
    volts_x: Array
    draw: Array
    through: Array
    step: Array
    drop: Array
    system: Array
    pivots: Index


class Room(NamedTuple):
    """Where `march` works: nothing is allocated, so that nothing need be counted.

    Attributes
    ----------
    duty, rate, acts, there : (n_switches,) of bridges; acts where the step begins
    weight, turned : (n_monomials,) means and their slopes by one duty
    z : as `Form.z`; slope, by_time, y, new, flow : (n,); k : (stages, n)
    second : (n,) x'' where the last step ended
    jacobian, matrix : (n, n); lu : of the matrix
    """

    duty: Array
    rate: Array
    acts: Index
    there: Index
    weight: Array
    turned: Array
    z: Array
    slope: Array
    by_time: Array
    y: Array
    new: Array
    flow: Array
    second: Array
    k: Array
    jacobian: Array
    matrix: Array
    lu: Factors
    stores: StoreRoom
    laws: LawRoom

    @classmethod
    def of(cls, form: Form, stages: int) -> Room:
        """Room for a method of so many stages on these equations."""
        n, n_s, n_k = form.n, len(form.sense), len(form.fading.full)
        n_j, monomials = len(form.value) + len(form.curve_ohm), len(form.factors)
        zeros = np.zeros
        return cls(
            duty=zeros(n_s),
            rate=zeros(n_s),
            acts=zeros(n_s, np.int64),
            there=zeros(n_s, np.int64),
            weight=zeros(monomials),
            turned=zeros(monomials),
            z=form.z.copy(),
            slope=zeros(n),
            by_time=zeros(n),
            y=zeros(n),
            new=zeros(n),
            flow=zeros(n),
            second=zeros(n),
            k=zeros((stages, n)),
            jacobian=zeros((n, n)),
            matrix=zeros((n, n)),
            lu=Factors.of(form.plan),
            stores=StoreRoom(
                c=zeros(n_k),
                r=zeros(n_k),
                bend=zeros(n_k),
                follow=zeros((n_k, n)),
                moved=zeros((n_k, n)),
                rates=zeros((n_k, 1 + n_j)),
                base=zeros(n_k),
                step=zeros(n_k),
                trial=zeros(n_k),
                column=zeros(n_k),
                system=zeros((n_k, n_k)),
                pivots=zeros(n_k, np.int64),
            ),
            laws=LawRoom(
                volts=zeros(n_j),
                volts_t=zeros(n_j),
                volts_x=zeros((n_j, n)),
                draw=zeros((n, n_j)),
                through=zeros((n_j, n_j)),
                step=zeros(n_j),
                drop=zeros(n_j),
                system=zeros((n_j, n_j)),
                pivots=zeros(n_j, np.int64),
            ),
        )


@compiled_lean
def even_step(h: float) -> float:
    """The step to take where one of h s is allowed: a whole sixteenth of an octave, about below.

    An error is a difference of near equals: between machines, and between the compiled and the
    numpy path, its last places differ, and a step after a kink hangs on them. So steps differ by
    whole parts or not at all. (What stands on the raster stays: it is not rounded down on a hair.)
    """
    return float(2.0 ** (math.floor(16.0 * math.log2(h) + 0.25) / 16.0))


@compiled_lean
def just_past(h: float, error: float) -> float:
    """A step that ends just after a corner at h s, so that the next one begins past it.

    Two thousandths after it where the step that found it is far off (`error`, in units of what is
    allowed, above one), and finds it again; else twenty millionths.
    """
    parts = 256.0 if error > 1.0 else 65536.0
    return float(2.0 ** (math.floor(parts * math.log2(h) + 1.75) / parts))


@compiled_lean
def step_factor(error: float, grow: float, turned: bool) -> float:
    """By how much the next step is longer, for an error in units of what is allowed.

    Just after f `turned`, what rings is not resolved by steps that are far too long, and their
    error goes by a lower power.
    """
    if not error < math.inf:
        return 0.1
    power = 1.0 / 3.0 if turned and error > 1.0 else 0.2
    return min(grow, max(0.1, 0.95 * math.exp(-power * math.log(max(error, 1e-10)))))


@compiled_lean
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


@compiled_lean
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


@compiled_lean
def substitute_rows(lu: Array, pivots: Index, b: Array) -> None:
    """The same for all columns of b (n, columns) at once."""
    n, columns = b.shape
    for k in range(n):
        at = pivots[k]
        if at != k:
            for j in range(columns):
                b[k, j], b[at, j] = b[at, j], b[k, j]
    for i in range(1, n):
        for k in range(i):
            share = lu[i, k]
            if share != 0.0:
                for j in range(columns):
                    b[i, j] -= share * b[k, j]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            share = lu[i, k]
            if share != 0.0:
                for j in range(columns):
                    b[i, j] -= share * b[k, j]
        inverse = 1.0 / lu[i, i]
        for j in range(columns):
            b[i, j] *= inverse


@compiled_lean
def eliminate_sparse(a: Array, plan: Plan, smallest: float, lu: Factors) -> bool:
    """LU factors of a, in the order of a plan, without exchanging rows; a is used up.

    In energy coordinates the symmetric part of a step's matrix is nearly always
    positive, and then no exchange is needed. False where a pivot is below `smallest`:
    a shorter step mends that.
    """
    for place in range(len(plan.order)):
        k = plan.order[place]
        # (places with a sign: then the innermost loop is the faster, all others are without)
        start, stop = np.int64(plan.start[place]), np.int64(plan.start[place + 1])
        if not abs(a[k, k]) >= smallest:
            return False
        inverse = 1.0 / a[k, k]
        lu.inverse[place] = inverse
        for q in range(start, stop):
            lu.beside[q] = a[k, plan.neighbour[q]]
        for p in range(start, stop):
            i = plan.neighbour[p]
            share = a[i, k] * inverse
            lu.below[p] = share
            if share != 0.0:
                for q in range(start, stop):
                    a[i, plan.neighbour[q]] -= share * lu.beside[q]
    return True


@compiled_lean
def substitute_sparse(lu: Factors, plan: Plan, b: Array) -> None:
    """Solve with the factors of `eliminate_sparse`, in place."""
    n = len(b)
    for place in range(n):
        own = b[plan.order[place]]
        for p in range(plan.start[place], plan.start[place + 1]):
            b[plan.neighbour[p]] -= lu.below[p] * own
    for place in range(n - 1, -1, -1):
        k = plan.order[place]
        total = b[k]
        for p in range(plan.start[place], plan.start[place + 1]):
            total -= lu.beside[p] * b[plan.neighbour[p]]
        b[k] = total * lu.inverse[place]


@compiled_lean
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


@compiled_lean
def bounds(form: Form, x: Array, k: int) -> tuple[float, float]:
    """The duties between which the current limits of a bridge leave it alone."""
    supply = max(form.sense_scale * x[form.sense[k]], LEAST_SUPPLY)
    emf = 0.0
    for j in range(form.speed, form.speed + len(form.drag)):
        emf += form.emf[k, j] * x[j]
    return (emf - form.brake[k]) / supply, (emf + form.drive[k]) / supply


@compiled_lean
def find_acts(form: Form, x: Array, duty: Array, acts: Index) -> None:
    """What acts on each commanded duty at a state."""
    for k in range(len(duty)):
        acts[k] = FREE
        if form.sense[k] >= 0 and form.sense_scale * x[form.sense[k]] > LEAST_SUPPLY:
            low, high = bounds(form, x, k)
            own = min(max(duty[k], low), high)
            if own != duty[k]:
                acts[k] = BRAKES if own > duty[k] else DRIVES
                if own <= 0.0:
                    acts[k] = OFF
                elif own >= 1.0:
                    acts[k] = ON


@compiled_lean
def hold(form: Form, x: Array, duty: Array, acts: Index) -> None:
    """The duties as what acts on them leaves them, in place.

    What acts is kept over a step, so that none has a corner inside; see `first_turn`.
    """
    for k in range(len(duty)):
        if acts[k] == OFF or acts[k] == ON:
            duty[k] = 0.0 if acts[k] == OFF else 1.0
        elif acts[k] != FREE:
            low, high = bounds(form, x, k)
            duty[k] = min(max(low if acts[k] == BRAKES else high, 0.0), 1.0)


@compiled_lean
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


@compiled_lean
def settle_stores(fade: Fade, x: Array, room: StoreRoom) -> None:
    """Controls, residuals and their slopes of stores that fade, at a state; left in `room`."""
    c, r, bend, base = room.c, room.r, room.bend, room.base
    system, pivots, step, trial = room.system, room.pivots, room.step, room.trial
    n_k = len(r)
    for k in range(n_k):
        total = fade.rest[k]
        for i in range(len(x)):
            total += fade.reach[k, i] * x[i]
        base[k] = total
        c[k] = total
        r[k], bend[k] = store_residual(total, fade.value[k], fade.full[k], fade.half[k])
    if fade.apart:
        return
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


@compiled_lean
def untie_stores(fade: Fade, columns: Array, room: StoreRoom) -> None:
    """Solve (1 - bend own) columns = columns, in place; nothing to do where stores are apart."""
    if fade.apart:
        return
    n_k, system, column = len(room.bend), room.system, room.column
    for k in range(n_k):
        for j in range(n_k):
            system[k, j] = -room.bend[k] * fade.own[k, j]
        system[k, k] += 1.0
    eliminate(system, room.pivots)
    for j in range(columns.shape[1]):
        some = False
        for k in range(n_k):
            column[k] = columns[k, j]
            some = some or column[k] != 0.0
        if some:
            substitute(system, room.pivots, column)
            for k in range(n_k):
                columns[k, j] = column[k]


@compiled_lean
def follow_stores(fade: Fade, room: StoreRoom) -> None:
    """How residuals of stores follow the state, from their slopes."""
    n_k, n = room.follow.shape
    for k in range(n_k):
        for j in range(n):
            room.follow[k, j] = room.bend[k] * fade.reach[k, j]
    untie_stores(fade, room.follow, room)


@compiled_lean
def turn_stores(fade: Fade, slope: Array, room: StoreRoom) -> None:
    """How the rate of each residual moves with the state while its slope stands: `moved`."""
    follow, out, rate = room.follow, room.moved, room.step
    n_k, n = follow.shape
    for k in range(n_k):
        total = 0.0
        for j in range(n):
            total += follow[k, j] * slope[j]
        rate[k] = total
    for k in range(n_k):
        total = 0.0
        for j in range(n):
            total += fade.reach[k, j] * slope[j]
        for m in range(n_k):
            total += fade.own[k, m] * rate[m]
        total *= store_bend(room.c[k], fade.value[k], fade.full[k], fade.half[k])
        for j in range(n):
            by_state = fade.reach[k, j]
            for m in range(n_k):
                by_state += fade.own[k, m] * follow[m, j]
            out[k, j] = total * by_state
    untie_stores(fade, out, room)


@compiled_lean
def chain_stores(fade: Fade, by_w: Array, room: StoreRoom) -> None:
    """Derivatives by the states from those by w, in place."""
    follow, gained = room.follow, room.column
    n_k, n = follow.shape
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


@compiled_lean
def weigh(form: Form, duty: Array, weight: Array) -> None:
    """Mean of each monomial."""
    for m in range(len(weight)):
        product = 1.0
        for p in range(form.factors.shape[1]):
            k = form.factors[m, p]
            if k > 0:
                product *= duty[k - 1]
        weight[m] = product


@compiled_lean
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


@compiled_lean
def add_product(entries: Entries, weight: Array, z: Array, out: Array) -> None:
    """out += H z."""
    for m in range(len(weight)):
        share = weight[m]
        if share != 0.0:
            for g in range(entries.start[m], entries.start[m + 1]):
                total = 0.0
                for e in range(entries.first[g], entries.first[g + 1]):
                    total += entries.value[e] * z[entries.column[e]]
                out[entries.row[g]] += share * total


@compiled_lean
def add_matrix(entries: Entries, weight: Array, out: Array) -> None:
    """out += H, of a block of few columns."""
    for m in range(len(weight)):
        share = weight[m]
        if share != 0.0:
            for g in range(entries.start[m], entries.start[m + 1]):
                i = entries.row[g]
                for e in range(entries.first[g], entries.first[g + 1]):
                    out[i, entries.column[e]] += share * entries.value[e]


@compiled_lean
def lift_laws(form: Form, weight: Array, slope: Array, stores: StoreRoom, laws: LawRoom) -> None:
    """Adds to the laws' controls what comes with the rates of residuals.

    `slope` is without what the laws draw.
    """
    fade, rates, draw, n_j = form.fading, stores.rates, form.draw, len(laws.volts)
    n_k = len(fade.full)
    rates[:] = 0.0
    for k in range(n_k):
        total = 0.0
        for i in range(len(slope)):
            total += fade.reach[k, i] * slope[i]
        rates[k, 0] = total
    for m in range(len(weight)):
        for g in range(draw.start[m], draw.start[m + 1]):
            i = draw.row[g]
            for e in range(draw.first[g], draw.first[g + 1]):
                value = weight[m] * draw.value[e]
                for k in range(n_k):
                    rates[k, 1 + draw.column[e]] += fade.reach[k, i] * value
    for k in range(n_k):
        for j in range(1 + n_j):
            rates[k, j] *= stores.bend[k]
    untie_stores(fade, rates, stores)
    for i in range(n_j):
        for k in range(n_k):
            lift = fade.lift[i, k]
            if lift != 0.0:
                laws.volts[i] += lift * rates[k, 0]
                for j in range(n_j):
                    laws.through[i, j] += lift * rates[k, 1 + j]


@compiled_lean
def settle_laws(form: Form, amps: Array, room: LawRoom) -> None:
    """Inputs of loads and curves, which move their own control: Newton from those before."""
    base, through, system, step = room.volts, room.through, room.system, room.step
    n_j = len(amps)
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
        if not eliminate(system, room.pivots):
            break
        substitute(system, room.pivots, step)
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


@compiled_lean
def evaluate(form: Form, weight: Array, x: Array, amps: Array, slope: Array, room: Room) -> None:
    """Slope at a state; leaves all inputs in `room.z` and the loads' currents in `amps`."""
    n, fade, z, stores, laws = form.n, form.fading, room.z, room.stores, room.laws
    for i in range(n):
        z[i] = x[i]
    if len(fade.full):
        settle_stores(fade, x, stores)
        for k in range(len(fade.full)):
            for i in range(n):
                z[i] += fade.gain[i, k] * stores.r[k]
    for i in range(len(form.drag)):
        w = x[form.speed + i] * form.speed_scale[i]
        z[form.torque + i] = form.drag[i] * w * abs(w)
    slope[:] = 0.0
    add_product(form.flow, weight, z, slope)
    if len(amps):
        laws.volts[:] = 0.0
        laws.through[:] = 0.0
        add_product(form.drop, weight, z, laws.volts)
        add_matrix(form.tie, weight, laws.through)
        if fade.lifts:
            lift_laws(form, weight, slope, stores, laws)
        settle_laws(form, amps, laws)
        add_product(form.draw, weight, amps, slope)


@compiled_lean
def spread(form: Form, entries: Entries, weight: Array, x: Array, by_state: Array) -> None:
    """Derivatives of H z by the states, drag included; added."""
    n, n_w = form.n, len(form.drag)
    for m in range(len(weight)):
        for g in range(entries.start[m], entries.start[m + 1]):
            i = entries.row[g]
            for e in range(entries.first[g], entries.first[g + 1]):
                j = entries.column[e]
                value = weight[m] * entries.value[e]
                if j < n:
                    by_state[i, j] += value
                elif form.torque <= j < form.torque + n_w:
                    at = form.speed + j - form.torque
                    scale = form.speed_scale[j - form.torque]
                    drag = 2.0 * form.drag[j - form.torque] * abs(x[at] * scale) * scale
                    by_state[i, at] += value * drag


@compiled_lean
def linearise(form: Form, x: Array, amps: Array, room: Room) -> None:
    """Jacobian and derivative by time of the slope, right after `evaluate`."""
    fade, stores, laws = form.fading, room.stores, room.laws
    duty, rate, weight, turned, z = room.duty, room.rate, room.weight, room.turned, room.z
    jacobian, by_time, flow, drop = room.jacobian, room.by_time, room.flow, laws.drop
    draw, volts_x, through = laws.draw, laws.volts_x, laws.through
    volts, volts_t = laws.volts, laws.volts_t
    n, n_j, n_k = form.n, len(amps), len(fade.full)
    jacobian[:] = 0.0
    by_time[:] = 0.0
    draw[:] = 0.0
    volts_x[:] = 0.0
    through[:] = 0.0
    volts[:] = 0.0
    volts_t[:] = 0.0
    spread(form, form.flow, weight, x, jacobian)
    spread(form, form.drop, weight, x, volts_x)
    add_matrix(form.draw, weight, draw)
    add_matrix(form.tie, weight, through)
    add_product(form.drop, weight, z, volts)
    add_product(form.tie, weight, amps, volts)
    if n_k:
        follow_stores(fade, stores)
        chain_stores(fade, jacobian, stores)
        chain_stores(fade, volts_x, stores)
    for s in range(len(duty)):
        held = room.acts[s] == BRAKES or room.acts[s] == DRIVES
        if not 0.0 < duty[s] < 1.0 or (not held and rate[s] == 0.0):
            continue
        weigh_slope(form, duty, s, turned)
        flow[:] = 0.0
        drop[:] = 0.0
        add_product(form.flow, turned, z, flow)
        add_product(form.draw, turned, amps, flow)
        add_product(form.drop, turned, z, drop)
        add_product(form.tie, turned, amps, drop)
        if held:
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
    if fade.lifts:
        flow[:] = 0.0
        add_product(form.flow, weight, z, flow)
        add_product(form.draw, weight, amps, flow)
        turn_stores(fade, flow, stores)
        for k in range(n_k):
            slope_r, time_r = 0.0, 0.0
            for j in range(n_j):
                stores.rates[k, j] = 0.0
            for i in range(n):
                share = stores.follow[k, i]
                if share != 0.0:
                    slope_r += share * flow[i]
                    time_r += share * by_time[i]
                    for j in range(n):
                        stores.moved[k, j] += share * jacobian[i, j]
                    for j in range(n_j):
                        stores.rates[k, j] += share * draw[i, j]
            for i in range(n_j):
                lift = fade.lift[i, k]
                if lift != 0.0:
                    volts[i] += lift * slope_r
                    volts_t[i] += lift * time_r
                    for j in range(n):
                        volts_x[i, j] += lift * stores.moved[k, j]
                    for j in range(n_j):
                        through[i, j] += lift * stores.rates[k, j]
    if n_j:
        system, pivots = laws.system, laws.pivots
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
        substitute_rows(system, pivots, volts_x)
        for i in range(n):
            for k in range(n_j):
                share = draw[i, k]
                # (loads with a bandwidth move no state but their own)
                if share != 0.0:
                    for j in range(n):
                        jacobian[i, j] += share * volts_x[k, j]
        for i in range(n):
            for k in range(n_j):
                by_time[i] += draw[i, k] * volts_t[k]


@compiled_lean
def first_turn(
    form: Form, course: Course, now: float, h: float, x: Array, bends: Array, room: Room
) -> float:
    """Share of a step from x to `room.new` at which something else acts on a duty; 1 if not before.

    Across such a corner steps would be rejected again and again until one ends just past it, or,
    worse, be taken while what is between their ends is far off. (A guess suffices: the states of
    a rejected step are good to some 1e-3.) What acts then is left in `room.there`.
    """
    duty, there, y, new = room.duty, room.there, room.y, room.new
    low, high, share = 0.0, 1.0, 1.0
    for look in range(HALVINGS + 2):
        if look > HALVINGS:
            share = high
        for i in range(len(x)):
            bend = bends[0, i] + share * (bends[1, i] + share * bends[2, i])
            y[i] = x[i] + share * (new[i] - x[i] + (1.0 - share) * bend)
        command(course, now + share * h, duty, room.rate)
        find_acts(form, y, duty, there)
        same = True
        for k in range(len(duty)):
            same = same and there[k] == room.acts[k]
        if not same:
            high = share
        elif share == 1.0:
            return 1.0
        else:
            low = share
        share = 0.5 * (low + high)
    return high


@compiled_lean
def first_step(
    h: float, allowed: float, scale: Array, size: Array, kind: Index, room: Room
) -> float:
    """The step (s), at most h, to try where f turned into another one; right after `linearise`.

    An error of `allowed` is allowed, over scale and the size of its kind.
    """
    most = 0.0
    for i in range(len(scale)):
        jump = room.by_time[i] - room.second[i]
        for j in range(len(scale)):
            jump += room.jacobian[i, j] * room.slope[j]
        most = max(most, abs(jump) / (allowed * scale[i] * size[kind[i]]))
    return min(h, even_step(FIRST / math.sqrt(most))) if most > 0.0 else h


@compiled_lean
def cut_short(share: float, x: Array, new: Array, bends: Array) -> None:
    """Leave the first part of a step from x to `new` of it, in place: its end and its bends."""
    for i in range(len(x)):
        zero, one, two = bends[0, i], bends[1, i], bends[2, i]
        bend = zero + share * (one + share * two)
        new[i] = x[i] + share * (new[i] - x[i] + (1.0 - share) * bend)
        linear, square = share**2 * (one - zero), share**3 * (two - one)
        cube = -(share**4) * two
        bends[0, i] = -(linear + square + cube)
        bends[1, i] = -(square + cube)
        bends[2, i] = -cube


@compiled_lean
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
    bends: Array,
    room: Room,
) -> tuple[int, int]:
    """Steps from t[0], x[0] towards `end`, until there or the arrays are full.

    `clock` holds the step to try, the growth allowed and whether f is another one than before:
    0 if not, 1 where a piece begins, 2 where what acts is another and known. `largest` is the
    largest seen of each kind, `amps` the loads' currents; all go on where the call before stopped.

    Returns
    -------
    (DONE, FULL or STUCK, number of steps)
    """
    n, stages = form.n, len(method.nodes)
    duty, weight, k, y, new = room.duty, room.weight, room.k, room.y, room.new
    jacobian, matrix, by_time = room.jacobian, room.matrix, room.by_time
    done, fresh, looks = 0, True, 0
    while t[done] < end:
        if done == len(bends):
            return FULL, done
        now, here = t[done], x[done]
        if fresh:
            command(course, now, duty, room.rate)
            if looks == 0 and clock[2] != 2.0:
                find_acts(form, here, duty, room.acts)
            hold(form, here, duty, room.acts)
            weigh(form, duty, weight)
            evaluate(form, weight, here, amps, room.slope, room)
            linearise(form, here, amps, room)
            if clock[2] != 0.0:
                clock[0] = first_step(clock[0], rtol, scale, largest, kind, room)
            # (a step tried again: only its length is new)
            fresh = False
        h = clock[0]
        last = h >= (end - now) * (1.0 - 1e-9)
        if last:
            h = end - now
        for i in range(n):
            k[0, i] = room.slope[i]
            for j in range(n):
                matrix[i, j] = -jacobian[i, j]
            matrix[i, i] += 1.0 / (h * method.gamma)
        sound = eliminate_sparse(matrix, form.plan, 1e-3 / (h * method.gamma), room.lu)
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
                    command(course, now + method.nodes[s] * h, duty, room.rate)
                    hold(form, y, duty, room.acts)
                    weigh(form, duty, weight)
                    evaluate(form, weight, y, amps, new, room)
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
                substitute_sparse(room.lu, form.plan, k[s])
        error = 0.0
        for i in range(n):
            own = abs(k[stages - 1, i]) / (rtol * scale[i] * largest[kind[i]])
            error = max(error, own)
            # also where it is no number
            sound = sound and own < math.inf
        if not sound:
            error = math.inf
        longer = h * step_factor(error, clock[1], clock[2] != 0.0)
        turn = 1.0
        if error < math.inf:
            for i in range(n):
                new[i] = y[i] + k[stages - 1, i]
            for b in range(len(method.dense)):
                bend = bends[done, b]
                bend[:] = 0.0
                for s in range(stages):
                    share = method.dense[b, s]
                    for i in range(n):
                        bend[i] += share * k[s, i]
            turn = first_turn(form, course, now, h, here, bends[done], room)
        early = turn < LATE and looks < LOOKS
        if early and turn < AT_ONCE:
            looks += 1
            for i in range(len(duty)):
                room.acts[i] = room.there[i]
            fresh = True
        elif error <= 1.0 and not (early and turn < CUT):
            if early:
                # what acts until then is what the whole step was taken with
                cut_short(turn, here, new, bends[done])
                h *= turn
                last = False
                for i in range(len(duty)):
                    room.acts[i] = room.there[i]
            for i in range(n):
                largest[kind[i]] = max(largest[kind[i]], abs(new[i]) / scale[i])
                x[done + 1, i] = new[i]
                bend_end = 2.0 * bends[done, 0, i] + 4.0 * bends[done, 1, i]
                room.second[i] = -(bend_end + 6.0 * bends[done, 2, i]) / (h * h)
            t[done + 1] = end if last else now + h
            done += 1
            # (a step that a kink cut short says little about the next)
            clock[0] = max(even_step(longer), clock[0]) if last else even_step(longer)
            clock[1] = GROW
            clock[2] = 2.0 if early else 0.0
            fresh, looks = True, 0
        elif early and h * turn < longer:
            looks += 1
            clock[0] = just_past(h * turn, error)
        else:
            clock[0] = even_step(longer)
        if error > 1.0:
            # right after a rejection a longer step would be rejected again
            clock[1] = 1.0
            if longer <= SHORTEST * max(abs(now), abs(end)):
                return STUCK, done
    return DONE, done

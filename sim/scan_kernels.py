"""Extremes of outputs over the pieces of a run, bin by bin, written so that numba can compile them.

See `kernels` for what a run is made of and what the arrays are called.
"""

from __future__ import annotations

import math

import numpy as np

from sim.kernels import advance, all_factors, compiled, compiled_lean, dot, gather, move, on_disk


def ready() -> bool:
    """Extremes need not wait for a compiler."""
    return on_disk(scan) and on_disk(scan_ramps)


@compiled_lean
def turning_point(
    at: int,
    count: int,
    pairs: int,
    length: float,
    rates: np.ndarray,
    qr: np.ndarray,
    qi: np.ndarray,
    slope0: float,
    slope1: float,
    value0: float,
    gr: np.ndarray,
    gi: np.ndarray,
    pr: np.ndarray,
    pi: np.ndarray,
) -> tuple[float, float]:
    """When since a stretch's start a slope vanishes that has two signs at its ends, and the value.

    By Newton's method, held between the last points of either sign. q: slope of each mode at the
    start.
    """
    early, late = 0.0, length
    t = length * slope0 / (slope0 - slope1)
    value = value0
    for _ in range(20):
        all_factors(at, pairs, count, rates, t, gr, gi, pr, pi)
        value, slope, bend = value0, 0.0, 0.0
        for i in range(pairs):
            value += qr[i] * pr[i] - qi[i] * pi[i]
            own_r = qr[i] * gr[i] - qi[i] * gi[i]
            own_i = qr[i] * gi[i] + qi[i] * gr[i]
            slope += own_r
            bend += own_r * rates[at, 0, i] - own_i * rates[at, 1, i]
        for i in range(pairs, count):
            value += qr[i] * pr[i]
            slope += qr[i] * gr[i]
            bend += qr[i] * gr[i] * rates[at, 0, i]
        # the value is flat there: a tenth of a microvolt is near enough
        if abs(slope) * min(t - early, late - t) < 1e-7:
            break
        if slope * slope0 > 0.0:
            early = t
        else:
            late = t
        t = t - slope / bend if bend != 0.0 else early
        if not early < t < late:
            t = 0.5 * (early + late)
    return t, value


#: Most halvings of a stretch in which an extreme is looked for.
LEVELS = 24

#: What is kept of every level and mode, (LEVEL_PARTS, LEVELS, n): exp(lambda h), h phi1(lambda h)
#: as real and imaginary parts, then the bounds of `level_bounds`. One array, as an array costs a
#: dozen words at each call, and a walk is short.
ER, EI, FR, FI, CR, CI, DR, DI, BOW, LEFT = range(10)
LEVEL_PARTS = 10


@compiled_lean
def first_slopes(
    n: int,
    at: int,
    pairs: int,
    rates: np.ndarray,
    y: np.ndarray,
    w: np.ndarray,
    drive_r: np.ndarray,
    drive_i: np.ndarray,
    fast: np.ndarray,
) -> None:
    """How fast each mode starts, one a pair, as complex numbers and their size."""
    for i in range(pairs):
        lr, li = rates[at, 0, i], rates[at, 1, i]
        drive_r[i] = lr * y[2 * i] - li * y[2 * i + 1] + w[2 * i]
        drive_i[i] = lr * y[2 * i + 1] + li * y[2 * i] + w[2 * i + 1]
    for i in range(pairs):
        fast[i] = math.sqrt(drive_r[i] * drive_r[i] + drive_i[i] * drive_i[i])
    for i in range(n - 2 * pairs):
        drive_r[pairs + i] = rates[at, 0, pairs + i] * y[2 * pairs + i] + w[2 * pairs + i]
        fast[pairs + i] = abs(drive_r[pairs + i])


@compiled_lean
def mode_reach(
    at: int,
    count: int,
    pairs: int,
    rates: np.ndarray,
    sizes: np.ndarray,
    span: float,
    drive_r: np.ndarray,
    drive_i: np.ndarray,
    fast: np.ndarray,
    mid_r: np.ndarray,
    mid_i: np.ndarray,
    reach: np.ndarray,
) -> None:
    """A disc that holds all a mode does within a span: its centre from the start, its radius.

    sizes (patterns, 2, n): of each rate and of its inverse. What swings round and round stays
    within its swing of where it rests; what is slow goes a little way along its first slope,
    and bends off it by half the square of the angle at most. A real mode runs one way, ever
    slower. One that grows does all that by as much more.
    """
    # (loops without branches: the compiler then does several modes at a time)
    widest = 0.0
    for i in range(pairs):
        over = max(rates[at, 0, i], 0.0) * span
        widest = max(widest, over)
        grown = 1.0 + over + over * over  # not under exp(over) up to 1.7
        swing = sizes[at, 1, i] * grown
        half = 0.5 * span * (1.0 + 0.25 * sizes[at, 0, i] * span * grown)
        turns = 1.0 if swing < half else 0.0
        lr = -turns * rates[at, 2, i] + (1.0 - turns) * 0.5 * span
        li = -turns * rates[at, 3, i]
        mid_r[i] = lr * drive_r[i] - li * drive_i[i]
        mid_i[i] = lr * drive_i[i] + li * drive_r[i]
        reach[i] = min(swing, half) * fast[i]
    for i in range(pairs, count):
        over = max(rates[at, 0, i], 0.0) * span
        widest = max(widest, over)
        rest = sizes[at, 1, i] if over == 0.0 else span * (1.0 + over + over * over)
        far = 0.5 * min(span * (1.0 + over + over * over), rest)
        mid_r[i], mid_i[i], reach[i] = far * drive_r[i], 0.0, far * fast[i]
    if widest > 1.7:
        # nothing is known of what grows like that
        for i in range(count):
            reach[i] = 1e200


@compiled_lean
def output_reach(
    at: int,
    r: int,
    count: int,
    row: np.ndarray,
    mid_r: np.ndarray,
    mid_i: np.ndarray,
    reach: np.ndarray,
) -> tuple[float, float]:
    """Bounds on how far an output can rise and fall from its value at the start.

    row (patterns, rows, 3, n): coefficients of the parts of each pair, and their size.
    """
    middle, both = 0.0, 0.0
    for i in range(count):
        middle += row[at, r, 0, i] * mid_r[i] + row[at, r, 1, i] * mid_i[i]
        both += row[at, r, 2, i] * reach[i]
    return both + middle, both - middle


@compiled_lean
def output_reaches(
    at: int,
    count: int,
    row: np.ndarray,
    mid_r: np.ndarray,
    mid_i: np.ndarray,
    reach: np.ndarray,
    up: np.ndarray,
    down: np.ndarray,
) -> None:
    """`output_reach` of all outputs, (rows,) each."""
    for r in range(row.shape[1]):
        middle, both = 0.0, 0.0
        for i in range(count):
            middle += row[at, r, 0, i] * mid_r[i] + row[at, r, 1, i] * mid_i[i]
            both += row[at, r, 2, i] * reach[i]
        up[r] = both + middle
        down[r] = both - middle


@compiled_lean
def output_values(at: int, row_all: np.ndarray, z: np.ndarray, values: np.ndarray) -> None:
    """All outputs (rows,) where the modal state is z, with a one and the held inputs behind."""
    for r in range(row_all.shape[1]):
        total = 0.0
        for i in range(row_all.shape[2]):
            total += row_all[at, r, i] * z[i]
        values[r] = total


@compiled_lean
def level_factors(
    count: int,
    pairs: int,
    deepest: int,
    levels: np.ndarray,
) -> None:
    """Factors of every mode for wider and wider stretches, from those of the deepest level.

    `LEFT` is the size of what is left of a mode's slope at a stretch's end.
    """
    k = deepest
    for i in range(pairs):
        er, ei = levels[ER, k, i], levels[EI, k, i]
        levels[LEFT, k, i] = math.sqrt(er * er + ei * ei)
    for i in range(pairs, count):
        levels[LEFT, k, i] = levels[ER, k, i]
    for k in range(deepest - 1, -1, -1):
        for i in range(pairs):
            er, ei = levels[ER, k + 1, i], levels[EI, k + 1, i]
            fr, fi = levels[FR, k + 1, i], levels[FI, k + 1, i]
            levels[ER, k, i] = er * er - ei * ei
            levels[EI, k, i] = 2.0 * er * ei
            levels[FR, k, i] = fr * (1.0 + er) - fi * ei
            levels[FI, k, i] = fi * (1.0 + er) + fr * ei
            levels[LEFT, k, i] = levels[LEFT, k + 1, i] * levels[LEFT, k + 1, i]
        for i in range(pairs, count):
            er = levels[ER, k + 1, i]
            levels[ER, k, i] = er * er
            levels[FR, k, i] = levels[FR, k + 1, i] * (1.0 + er)
            levels[LEFT, k, i] = er * er


@compiled_lean
def level_bounds(
    k: int,
    at: int,
    count: int,
    pairs: int,
    h: float,
    rates: np.ndarray,
    sizes: np.ndarray,
    levels: np.ndarray,
) -> None:
    """Where a mode that starts at slope one can be within h, a stretch of level k.

    A slow one goes along the line between its values at both ends, but for a bow of h^2 / 8 of
    its curvature; c = 0, d = 0. One that turns on the way is within a bow of c, where it rests;
    its part d of the way is not on the line. (Either holds of any: which is taken is a guess at
    the closer one.)
    """
    for i in range(pairs):
        grown = max(1.0, levels[LEFT, k, i])
        line = 0.125 * h * h * sizes[at, 0, i] * grown
        swing = sizes[at, 1, i] * grown
        far = 0.5 * max(abs(levels[FR, k, i]), abs(levels[FI, k, i]))
        turns = 1.0 if swing < line + far else 0.0
        levels[CR, k, i], levels[CI, k, i] = -turns * rates[at, 2, i], -turns * rates[at, 3, i]
        levels[DR, k, i], levels[DI, k, i] = turns * levels[FR, k, i], turns * levels[FI, k, i]
        levels[BOW, k, i] = swing if turns > 0.0 else line
    for i in range(pairs, count):
        fr = levels[FR, k, i]
        line = 0.125 * h * h * sizes[at, 0, i] * max(1.0, levels[ER, k, i])
        turns = 1.0 if 0.5 * fr < line else 0.0
        levels[CR, k, i], levels[CI, k, i] = turns * 0.5 * fr, 0.0
        levels[DR, k, i], levels[DI, k, i] = turns * fr, 0.0
        levels[BOW, k, i] = min(line, 0.5 * fr)


@compiled_lean
def walk_output(
    base: float,
    span: float,
    deepest: int,
    slack: float,
    at: int,
    r: int,
    count: int,
    pairs: int,
    rates: np.ndarray,
    sizes: np.ndarray,
    row: np.ndarray,
    drive_r: np.ndarray,
    drive_i: np.ndarray,
    levels: np.ndarray,
    made: np.ndarray,
    first_level: np.ndarray,
    fast: np.ndarray,
    size: np.ndarray,
    qr: np.ndarray,
    qi: np.ndarray,
    nr: np.ndarray,
    ni: np.ndarray,
    gr: np.ndarray,
    gi: np.ndarray,
    pr: np.ndarray,
    pi: np.ndarray,
    high: float,
    low: float,
) -> tuple[float, float, float, float]:
    """What in a piece beats a highest and a lowest value, and when since its start (0: nothing).

    The piece is halved, and each half again, wherever a bound on what lies between the ends of a
    stretch can beat what is known. Where that goes on down to stretches that resolve every mode
    that matters, a slope that changes sign says that there is a turn, which is solved for.

    made (levels,): whether a level's bounds are there; each is made when it is first come to.
    first_level (patterns, rows): how wide a stretch is tried first; pieces of a pattern are alike.
    """
    slope0 = 0.0
    for i in range(pairs):
        c1, c2 = row[at, r, 0, i], -row[at, r, 1, i]
        qr[i] = c1 * drive_r[i] - c2 * drive_i[i]
        qi[i] = c1 * drive_i[i] + c2 * drive_r[i]
        slope0 += qr[i]
    for i in range(pairs, count):
        qr[i] = row[at, r, 0, i] * drive_r[i]
        qi[i] = 0.0
        slope0 += qr[i]
    for i in range(count):
        size[i] = row[at, r, 2, i] * fast[i]
    value0, high_at, low_at = base, 0.0, 0.0
    # where the walk is, in stretches of the deepest level
    gone, whole = 0, 1 << deepest
    level = first = min(first_level[at, r], deepest)
    while gone < whole:
        if not made[level]:
            level_bounds(level, at, count, pairs, span * 0.5**level, rates, sizes, levels)
            made[level] = True
        # (loops that write little each: the compiler then does several modes at a time)
        value1, slope1, most, middle, off = value0, 0.0, 0.0, 0.0, 0.0
        for i in range(count):
            value1 += qr[i] * levels[FR, level, i] - qi[i] * levels[FI, level, i]
            middle += qr[i] * levels[CR, level, i] - qi[i] * levels[CI, level, i]
            off += qr[i] * levels[DR, level, i] - qi[i] * levels[DI, level, i]
            most += levels[BOW, level, i] * size[i]
        stretch = 1 << (deepest - level)
        length = span * 0.5**level
        end = span * (gone + stretch) / whole
        if value1 > high:
            high, high_at = value1, end
        if value1 < low:
            low, low_at = value1, end
        # what stays on the line ends at value1 - off; all else is about its middle
        top = max(value0, value1 - off) + middle + most
        bottom = min(value0, value1 - off) + middle - most
        if level < deepest and (top > high + slack or bottom < low - slack):
            level += 1
            continue
        if gone == 0:
            # next time one wider is tried, if this was wide enough at once
            first_level[at, r] = level if level > first else max(level - 1, 0)
        for i in range(pairs):
            nr[i] = qr[i] * levels[ER, level, i] - qi[i] * levels[EI, level, i]
        for i in range(pairs):
            ni[i] = qr[i] * levels[EI, level, i] + qi[i] * levels[ER, level, i]
        for i in range(pairs, count):
            nr[i] = qr[i] * levels[ER, level, i]
        for i in range(count):
            slope1 += nr[i]
        if level == deepest:
            # only a turn that can beat what is known by more than the slack is solved for
            far = 0.5 * length * (abs(slope0) + abs(slope1))
            top, bottom = max(value0, value1) + far, min(value0, value1) - far
            if slope0 * slope1 < 0.0 and (top > high + slack or bottom < low - slack):
                since, value = turning_point(
                    at, count, pairs, length, rates, qr, qi, slope0, slope1, value0, gr, gi, pr, pi
                )
                when = end - length + since
                if value > high:
                    high, high_at = value, when
                if value < low:
                    low, low_at = value, when
        for i in range(count):
            qr[i] = nr[i]
        for i in range(pairs):
            qi[i] = ni[i]
        for i in range(count):
            size[i] *= levels[LEFT, level, i]
        value0, slope0 = value1, slope1
        gone += stretch
        # as wide again as where it now stands allows
        if level > 0 and gone % (2 * stretch) == 0:
            level -= 1
    return high, low, high_at, low_at


@compiled_lean
def deepest_level(
    at: int,
    count: int,
    span: float,
    tolerance: float,
    sizes: np.ndarray,
    most: np.ndarray,
    reach: np.ndarray,
) -> int:
    """Halvings that resolve every mode which can move an output by more than `tolerance`."""
    quick = 0.0
    for i in range(count):
        if 2.0 * most[at, i] * reach[i] > tolerance:
            quick = max(quick, sizes[at, 0, i])
    level = 1
    while 0.5**level * span * quick > 0.8 and level < LEVELS - 1:
        level += 1
    return level


@compiled_lean
def look_through(
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
    rates: np.ndarray,
    sizes: np.ndarray,
    forced: np.ndarray,
    # outputs, (patterns, rows, ...): of the modal state, one and held inputs; of each pair's
    # parts and their size
    row_all: np.ndarray,
    row: np.ndarray,
    row_most: np.ndarray,
    # lowest and highest so far, (rows, bins), and when
    low: np.ndarray,
    high: np.ndarray,
    low_at: np.ndarray,
    high_at: np.ndarray,
    halt: np.ndarray,
    # room to work in: z is y with held behind
    z: np.ndarray,
    y: np.ndarray,
    held: np.ndarray,
    w: np.ndarray,
    begun: np.ndarray,
    values: np.ndarray,
    up: np.ndarray,
    down: np.ndarray,
    levels: np.ndarray,
    made: np.ndarray,
    first_level: np.ndarray,
    size: np.ndarray,
    drive_r: np.ndarray,
    drive_i: np.ndarray,
    fast: np.ndarray,
    reach: np.ndarray,
    mid_r: np.ndarray,
    mid_i: np.ndarray,
    qr: np.ndarray,
    qi: np.ndarray,
    nr: np.ndarray,
    ni: np.ndarray,
    gr: np.ndarray,
    gi: np.ndarray,
    pr: np.ndarray,
    pi: np.ndarray,
) -> None:
    """Both looks of `scan`."""
    rows, n, n_h = row_all.shape[1], piece_y.shape[1], piece_held.shape[1]
    width = (t1 - t0) / bins
    for look in range(2):
        for p in range(len(piece_t)):
            begin, end = piece_t[p], piece_t[p] + piece_d[p]
            if begin > t1 or halt[0] != 0:
                break
            if piece_ramp[p] <= -2 or end < t0:
                continue
            at = piece_pattern[p]
            m = pairs[at]
            count = n - m
            left, stop = max(begin, t0), min(end, t1)
            # (a piece within one bin needs no more than its value at the start, at first)
            b = min(max(int((left - t0) / width), 0), bins - 1)
            simple = left == begin and stop <= t0 + (b + 1) * width
            if look == 0 or not simple:
                for i in range(n):
                    y[i] = piece_y[p, i]
            for j in range(n_h):
                held[1 + j] = piece_held[p, j]
            if look == 1 or not simple:
                gather(at, forced, held, 1 + n_h, n, w)
            if left > begin:
                all_factors(at, m, count, rates, left - begin, gr, gi, pr, pi)
                move(n, m, gr, gi, pr, pi, y, w)
            while True:
                # the part of the piece in one bin
                b = min(max(int((left - t0) / width), 0), bins - 1)
                right = min(stop, t0 + (b + 1) * width)
                if right <= left and right < stop:
                    b = min(b + 1, bins - 1)
                    right = min(stop, t0 + (b + 1) * width)
                span = max(right - left, 0.0)
                if look == 1 and simple:
                    # (begins no bin: these values have counted)
                    for r in range(rows):
                        values[r] = begun[p, r]
                else:
                    output_values(at, row_all, z, values)
                    for r in range(rows):
                        begun[p, r] = values[r]
                        if values[r] > high[r, b]:
                            high[r, b], high_at[r, b] = values[r], left
                        if values[r] < low[r, b]:
                            low[r, b], low_at[r, b] = values[r], left
                if look == 1 and span > 0.0:
                    if simple:
                        for i in range(n):
                            y[i] = piece_y[p, i]
                    first_slopes(n, at, m, rates, y, w, drive_r, drive_i, fast)
                    mode_reach(
                        at, count, m, rates, sizes, span, drive_r, drive_i, fast, mid_r, mid_i,
                        reach,
                    )  # fmt: skip
                    output_reaches(at, count, row, mid_r, mid_i, reach, up, down)
                    ready, deepest = False, 0
                    for r in range(rows):
                        base = values[r]
                        if (
                            base + up[r] <= high[r, b] + slack
                            and base - down[r] >= low[r, b] - slack
                        ):
                            continue
                        if not ready:
                            ready = True
                            deepest = deepest_level(
                                at, count, span, tolerance, sizes, row_most, reach
                            )
                            all_factors(
                                at, m, count, rates, span * 0.5**deepest, levels[ER, deepest],
                                levels[EI, deepest], levels[FR, deepest], levels[FI, deepest],
                            )  # fmt: skip
                            level_factors(count, m, deepest, levels)
                            made[:] = False
                        top, bottom, top_at, bottom_at = walk_output(
                            base, span, deepest, slack, at, r, count, m, rates, sizes, row,
                            drive_r, drive_i, levels, made, first_level, fast, size, qr, qi, nr,
                            ni, gr, gi, pr, pi, high[r, b], low[r, b],
                        )  # fmt: skip
                        if top > high[r, b]:
                            high[r, b], high_at[r, b] = top, left + top_at
                        if bottom < low[r, b]:
                            low[r, b], low_at[r, b] = bottom, left + bottom_at
                if right >= stop:
                    break
                all_factors(at, m, count, rates, span, gr, gi, pr, pi)
                move(n, m, gr, gi, pr, pi, y, w)
                left = right


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
    rates: np.ndarray,
    sizes: np.ndarray,
    forced: np.ndarray,
    # outputs, (patterns, rows, ...): of the modal state, one and held inputs; of each pair's
    # parts and their size
    row_all: np.ndarray,
    row: np.ndarray,
    row_most: np.ndarray,
    # lowest and highest so far, (rows, bins), and when
    low: np.ndarray,
    high: np.ndarray,
    low_at: np.ndarray,
    high_at: np.ndarray,
    halt: np.ndarray,
) -> None:
    """Exact lowest and highest of outputs in equal bins of a window, over its flat pieces.

    row_most (patterns, n) holds the largest of the sizes over the rows.

    Within a piece an output is a sum of exponentials. A piece whose bound on that sum cannot beat
    its bin is passed over; the first of two looks takes only where pieces begin, so that few can.
    What cannot beat it by more than `slack` is passed over too: 0 is exact, otherwise no extreme
    is further off than that. Any other is walked through; modes that cannot move an output by
    `tolerance` are not resolved there. What is found is of no use where halt[0] was set.
    """
    rows, n, n_h = row_all.shape[1], piece_y.shape[1], piece_held.shape[1]
    z = np.ones(n + 1 + n_h)
    w = np.zeros(n)
    qr, qi, nr, ni = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    levels = np.zeros((LEVEL_PARTS, LEVELS, n))
    made, first_level = np.zeros(LEVELS, dtype=np.bool_), np.zeros(row.shape[:2], dtype=np.int64)
    size = np.zeros(n)
    drive_r, drive_i, fast, reach = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    mid_r, mid_i = np.zeros(n), np.zeros(n)
    gr, gi, pr, pi = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    begun = np.zeros((len(piece_t), rows))
    values, up, down = np.zeros(rows), np.zeros(rows), np.zeros(rows)
    look_through(
        t0, t1, bins, tolerance, slack, piece_t, piece_d, piece_pattern, piece_ramp, piece_y,
        piece_held, pairs, rates, sizes, forced, row_all, row, row_most, low, high, low_at,
        high_at, halt, z, z[:n], z[n:], w, begun, values, up, down, levels, made, first_level, size,
        drive_r, drive_i, fast, reach, mid_r, mid_i, qr, qi, nr, ni, gr, gi, pr, pi,
    )  # fmt: skip


@compiled_lean
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

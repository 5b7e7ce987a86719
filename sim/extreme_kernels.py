"""Lowest and highest of outputs over the flat pieces of a run, bin by bin.

Within a stretch an output is a sum of few exponentials: modes as quick as each other count as
one, modes it does not see not at all. It is walked along in strides of a ladder, each twice the
one before, whose factors and bounds are made once for each pattern, so that no exponential is
worked out on the way. What of a run cannot beat what its bin already has is passed over, and what
promises most is looked at first.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from sim.followed_kernels import (
    APART,
    Steps,
    forces,
    later_factors,
    move_within,
    polynomial,
    whole_step,
)
from sim.kernels import all_factors, compiled, compiled_lean, compiled_within, gather, on_disk

#: The shortest stride, in s, and how many there are: each length of a step is one of them.
SHORTEST, STRIDES = 2.0**-10 * 1e-9, 40
_LENGTHS = SHORTEST * 2.0 ** np.arange(STRIDES)
#: Rates this much alike, as a share of themselves, are one; shares of a mode below this one of
#: the largest are rounding.
_ALIKE, _NOTHING = 1e-9, 1e-14
#: An extreme is found to this many volts or amperes.
NEAR = 1e-9
#: Strides kept; where more are met all are made anew.
_SLOTS = 1024

#: What is kept of a stride h and a group of modes that swings, as real and imaginary parts:
#: exp(lambda h), h phi_1, h^2 phi_2, h^3 phi_3; of one that starts at slope one the middle of
#: where it can be within h, what of its way counts as off the line between its ends, and how far
#: it can be from that middle; and how far it may be off the cubic through its ends. Behind that
#: the same of groups that do not swing.
ER, EI, PR, PI, P2R, P2I, P3R, P3I, CR, CI, DR, DI, BOW, BEND = range(14)
RE, RP, RP2, RP3, RC, RD, RBOW, RBEND = range(14, 22)
#: And how far one of each kind can be from where it starts within h.
REACH, RREACH = 22, 23
KEPT = 24
#: Room to work in. Slopes of groups, how fast residuals change them, and how fast that changes;
#: the same of groups that do not swing. Slopes of modes. Two rows for what is made on the way.
QR, QI, BR, BI, CCR, CCI, Q, B, C, MR, MI, M, ONE, OTHER = range(14)
ROOM = 14
_AT_ONCE = 8


def ready() -> bool:
    """Extremes need not wait for a compiler."""
    return on_disk(search)


class Sums(NamedTuple):
    """Outputs as sums of groups of modes, by pattern; of each two kinds, one that swings first.

    Attributes
    ----------
    order, into (patterns, 2, n) : first places of modes in the state, one of each group first,
        and the group each is of
    modes, groups, wide (patterns, 2) : how many there are; groups rounded up to eights, which
        the processor takes at once
    rates (patterns, 4, n) : of groups, as in `kernels.mode_rates`
    shares (patterns, rows, 3, n) : what outputs see of modes, in that order: real and imaginary
        parts, then of those that do not swing
    sizes (patterns, rows, 2, n) : sizes of the same
    driven (patterns, rows, stores, 3, n) : what a residual does to slopes of groups, alike
    lasting (patterns, rows, 3, stores) : bounds on what a change of residuals adds to a second
        derivative, and to a fourth by its speed and by its change
    slot (patterns, STRIDES) : the row of a stride in what follows, -1: yet to be made
    used (1,) : rows taken
    ladder (_SLOTS, KEPT, n) : strides
    stray (_SLOTS, rows, stores) : how far a residual of one can move an output
    pushed (_SLOTS, rows, stores, 3) : how far a residual that grows by one a second moves an
        output by way of modes, and its slope, and how far one that grows by t
    """

    order: np.ndarray
    into: np.ndarray
    modes: np.ndarray
    groups: np.ndarray
    wide: np.ndarray
    rates: np.ndarray
    shares: np.ndarray
    sizes: np.ndarray
    driven: np.ndarray
    lasting: np.ndarray
    slot: np.ndarray
    used: np.ndarray
    ladder: np.ndarray
    stray: np.ndarray
    pushed: np.ndarray


class Parts(NamedTuple):
    """Flat pieces cut at the ends of bins, each (parts,), and what outputs start with there.

    piece, step, inside : where it starts, `inside` s into that step
    bin, begin, span : its bin, its start in the event and its length, s
    own (parts,), state (cuts, n) : row of `state` with its modal state; -1: the piece's own
    value (parts, rows) : outputs where it begins
    """

    piece: np.ndarray
    step: np.ndarray
    inside: np.ndarray
    bin: np.ndarray
    begin: np.ndarray
    span: np.ndarray
    own: np.ndarray
    state: np.ndarray
    value: np.ndarray


@compiled
def sums_of(
    pairs: np.ndarray, rates: np.ndarray, rows: np.ndarray, inject: np.ndarray, longest: float
) -> Sums:
    """Outputs as sums of groups; `longest` is that of steps, s."""
    patterns, k, n, n_r = len(pairs), rows.shape[1], rates.shape[2], inject.shape[1]
    size = (n + _AT_ONCE - 1) // _AT_ONCE * _AT_ONCE
    order = np.zeros((patterns, 2, size), dtype=np.int64)
    into = np.zeros((patterns, 2, size), dtype=np.int64)
    modes = np.zeros((patterns, 2), dtype=np.int64)
    groups, wide = np.zeros_like(modes), np.zeros_like(modes)
    own = np.zeros((patterns, 4, size))
    shares, driven = np.zeros((patterns, k, 3, size)), np.zeros((patterns, k, n_r, 3, size))
    sizes, lasting = np.zeros((patterns, k, 2, size)), np.zeros((patterns, k, 3, n_r))
    first, of = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64)
    most = np.zeros(k)
    for at in range(patterns):
        m = pairs[at]
        for row in range(k):
            most[row] = 0.0
            for i in range(n):
                most[row] = max(most[row], abs(rows[at, row, i]))
        before = 0
        for kind in range(2):
            begin, end = (0, m) if kind == 0 else (m, n - m)
            found = 0
            for i in range(begin, end):
                place = 2 * i if kind == 0 else i + m
                of[i] = -1
                seen = False
                for row in range(k):
                    least = _NOTHING * most[row]
                    seen |= abs(rows[at, row, place]) > least
                    seen |= kind == 0 and abs(rows[at, row, place + 1]) > least
                if not seen:
                    continue
                a, b = rates[at, 0, i], rates[at, 1, i]
                g = 0
                while g < found:
                    j = first[g]
                    apart = math.hypot(a - rates[at, 0, j], b - rates[at, 1, j])
                    if apart <= _ALIKE * math.hypot(a, b):
                        break
                    g += 1
                of[i] = g
                if g == found:
                    first[g] = i
                    found += 1
            last = found
            for i in range(begin, end):
                g = of[i]
                if g < 0:
                    continue
                place, j = 2 * i if kind == 0 else i + m, g
                if first[g] == i:
                    for part in range(4):
                        own[at, part, before + g] = rates[at, part, i]
                else:
                    j = last
                    last += 1
                order[at, kind, j], into[at, kind, j] = place, g
                for row in range(k):
                    if kind == 1:
                        shares[at, row, 2, j] = rows[at, row, place]
                        sizes[at, row, 1, j] = abs(rows[at, row, place])
                        for s in range(n_r):
                            driven[at, row, s, 2, g] += rows[at, row, place] * inject[at, s, place]
                        continue
                    cr, ci = rows[at, row, place], -rows[at, row, place + 1]
                    shares[at, row, 0, j], shares[at, row, 1, j] = cr, ci
                    sizes[at, row, 0, j] = math.hypot(cr, ci)
                    for s in range(n_r):
                        fr, fi = inject[at, s, place], inject[at, s, place + 1]
                        driven[at, row, s, 0, g] += cr * fr - ci * fi
                        driven[at, row, s, 1, g] += cr * fi + ci * fr
            modes[at, kind], groups[at, kind] = last, found
            wide[at, kind] = (found + _AT_ONCE - 1) // _AT_ONCE * _AT_ONCE
            for row in range(k):
                for s in range(n_r):
                    for g in range(found):
                        a, b = own[at, 0, before + g], own[at, 1, before + g]
                        quick = math.hypot(a, b)
                        much = abs(driven[at, row, s, 2, g])
                        if kind == 0:
                            much = math.hypot(driven[at, row, s, 0, g], driven[at, row, s, 1, g])
                        lasts = 1.0 + quick * lasting_for(a, longest)
                        lasting[at, row, 0, s] += much * lasts
                        lasting[at, row, 1, s] += much * lasts * quick * quick
                        lasting[at, row, 2, s] += much * quick
            before = found
    return Sums(
        order, into, modes, groups, wide, own, shares, sizes, driven, lasting,
        np.full((patterns, STRIDES), -1), np.zeros(1, dtype=np.int64),
        np.empty((_SLOTS, KEPT, size)), np.empty((_SLOTS, k, n_r)),
        np.empty((_SLOTS, k, n_r, 3)),
    )  # fmt: skip


@compiled_lean
def lasting_for(decay: float, span: float) -> float:
    """A bound on the integral of |exp(lambda t)| over a span, by the real part of lambda."""
    if decay > 0.0:
        return span * math.exp(min(decay * span, 700.0))
    return span if decay * span > -1.0 else -1.0 / decay


@compiled_lean
def stride_of(at: int, level: int, sums: Sums, room: np.ndarray) -> int:
    """The row of a stride of a pattern, made if new; room (12, n)."""
    slot: int = sums.slot[at, level]
    if slot >= 0:
        return slot
    if sums.used[0] == _SLOTS:
        sums.used[0] = 0
        for i in range(sums.slot.shape[0]):
            for j in range(STRIDES):
                sums.slot[i, j] = -1
    slot = sums.used[0]
    sums.used[0] = slot + 1
    sums.slot[at, level] = slot
    make_stride(
        at, _LENGTHS[level], sums.groups, sums.wide, sums.rates, sums.driven, sums.ladder[slot],
        sums.stray[slot], sums.pushed[slot], room,
    )  # fmt: skip
    return slot


@compiled_lean
def make_stride(
    at: int,
    h: float,
    groups: np.ndarray,
    wide: np.ndarray,
    rates: np.ndarray,
    driven: np.ndarray,
    t: np.ndarray,
    stray: np.ndarray,
    pushed: np.ndarray,
    room: np.ndarray,
) -> None:
    """What is kept of a stride h of a pattern, into t (KEPT, n), stray and pushed of it."""
    pairs = groups[at, 0]
    count = pairs + groups[at, 1]
    # sixteenths show how a mode bends
    fine = h / 16.0
    er, ei, pr, pi = room[0], room[1], room[2], room[3]
    gr, gi, fr, fi = room[4], room[5], room[6], room[7]
    all_factors(at, pairs, count, rates, fine, gr, gi, fr, fi)
    all_factors(at, pairs, count, rates, h, er, ei, pr, pi)
    for i in range(pairs, count):
        ei[i], pi[i], gi[i], fi[i] = 0.0, 0.0, 0.0, 0.0
    later_factors(at, pairs, count, rates, h, pr, pi, room[8:12])
    for part in range(KEPT):
        for i in range(wide[at, 0] if part <= BEND or part == REACH else wide[at, 1]):
            t[part, i] = 0.0
    for i in range(count):
        lr, li = rates[at, 0, i], rates[at, 1, i]
        size, grown = math.hypot(lr, li), max(1.0, math.hypot(er[i], ei[i]))
        # what lies between two sixteenths
        excess = 0.125 * fine * fine * size * grown
        bend = h**4 * size**3 * grown / 384.0
        if i >= pairs:
            # one that runs one way is on one side of its chord
            most, e, u = 0.0, 1.0, 0.0
            for j in range(1, 16):
                u += e * fr[i]
                e *= gr[i]
                most = max(most, abs(u - pr[i] * (j / 16.0)))
            most = 0.5 * (most + excess)
            k = i - pairs
            t[RE, k], t[RP, k], t[RBEND, k] = er[i], pr[i], bend
            t[RP2, k], t[RP3, k] = room[8, i], 0.5 * room[10, i]
            t[RC, k], t[RBOW, k] = most if lr < 0.0 else -most, most
            t[RREACH, k] = abs(pr[i])
            if lr < 0.0 and pr[i] < 4.0 * most:
                t[RC, k], t[RD, k], t[RBOW, k] = 0.5 * pr[i], pr[i], 0.5 * pr[i]
            continue
        t[ER, i], t[EI, i], t[PR, i], t[PI, i], t[BEND, i] = er[i], ei[i], pr[i], pi[i], bend
        t[P2R, i], t[P2I, i] = room[8, i], room[9, i]
        t[P3R, i], t[P3I, i] = 0.5 * room[10, i], 0.5 * room[11, i]
        mr, mi, most, reach = 0.0, 0.0, 1e200, 1e200
        if size * h < 5.0:
            # half of what it is off the chord half way is about the middle of where it is
            for go in range(2):
                a, b, x, y, most = 1.0, 0.0, 0.0, 0.0, 0.0
                for j in range(17):
                    u, v = x - pr[i] * (j / 16.0) - mr, y - pi[i] * (j / 16.0) - mi
                    if go == 0 and j == 8:
                        mr, mi = 0.5 * u, 0.5 * v
                        break
                    most = max(most, math.hypot(u, v))
                    if go == 1:
                        reach = max(reach if j else 0.0, math.hypot(x, y))
                    x += a * fr[i] - b * fi[i]
                    y += a * fi[i] + b * fr[i]
                    a, b = a * gr[i] - b * gi[i], a * gi[i] + b * gr[i]
            most += excess
            reach += excess
        t[CR, i], t[CI, i], t[BOW, i] = mr, mi, most
        # or it is within its swing of where it rests
        swing = grown / size
        t[REACH, i] = min(reach, swing + 1.0 / size) if size > 0.0 else reach
        if swing < most + 0.5 * math.hypot(pr[i], pi[i]) - math.hypot(mr, mi):
            t[CR, i], t[CI, i] = -rates[at, 2, i], -rates[at, 3, i]
            t[DR, i], t[DI, i], t[BOW, i] = pr[i], pi[i], swing
    for row in range(driven.shape[1]):
        for s in range(driven.shape[2]):
            total, far, slope, later = 0.0, 0.0, 0.0, 0.0
            for i in range(count):
                fr, fi = driven[at, row, s, 2, max(i - pairs, 0)], 0.0
                if i < pairs:
                    fr, fi = driven[at, row, s, 0, i], driven[at, row, s, 1, i]
                total += math.hypot(fr, fi) * lasting_for(rates[at, 0, i], h)
                slope += fr * pr[i] - fi * pi[i]
                far += fr * room[8, i] - fi * room[9, i]
                later += 0.5 * (fr * room[10, i] - fi * room[11, i])
            pushed[row, s, 0], pushed[row, s, 1], pushed[row, s, 2] = far, slope, later
            stray[row, s] = total


@compiled_within
def slopes_of_modes(
    at: int,
    order: np.ndarray,
    modes: np.ndarray,
    own: np.ndarray,
    into: np.ndarray,
    groups: np.ndarray,
    y: np.ndarray,
    w: np.ndarray,
    room: np.ndarray,
) -> None:
    """How fast the modes that outputs see move at modal states y under forces w, in order."""
    # (numbers that cannot be below nothing: no index then counts from an array's end)
    for j in range(modes[at, 0]):
        i, g = max(order[at, 0, j], 0), max(into[at, 0, j], 0)
        lr, li = own[at, 0, g], own[at, 1, g]
        room[MR, j] = lr * y[i] - li * y[i + 1] + w[i]
        room[MI, j] = li * y[i] + lr * y[i + 1] + w[i + 1]
    for j in range(modes[at, 1]):
        i, g = max(order[at, 1, j], 0), max(into[at, 1, j] + groups[at, 0], 0)
        room[M, j] = own[at, 0, g] * y[i] + w[i]


@compiled_within
def slopes_of_groups(
    at: int,
    row: int,
    into: np.ndarray,
    modes: np.ndarray,
    groups: np.ndarray,
    wide: np.ndarray,
    shares: np.ndarray,
    room: np.ndarray,
) -> None:
    """How fast the groups of an output move it, from slopes of modes."""
    for j in range(wide[at, 0]):
        cr, ci, mr, mi = shares[at, row, 0, j], shares[at, row, 1, j], room[MR, j], room[MI, j]
        room[QR, j] = cr * mr - ci * mi
        room[QI, j] = cr * mi + ci * mr
    for j in range(wide[at, 1]):
        room[Q, j] = shares[at, row, 2, j] * room[M, j]
    for j in range(groups[at, 0], modes[at, 0]):
        cr, ci, g = shares[at, row, 0, j], shares[at, row, 1, j], into[at, 0, j]
        room[QR, g] += cr * room[MR, j] - ci * room[MI, j]
        room[QI, g] += cr * room[MI, j] + ci * room[MR, j]
    for j in range(groups[at, 1], modes[at, 1]):
        room[Q, into[at, 1, j]] += shares[at, row, 2, j] * room[M, j]
    # (what the eights took in of further modes)
    for j in range(groups[at, 0], wide[at, 0]):
        room[QR, j], room[QI, j] = 0.0, 0.0
    for j in range(groups[at, 1], wide[at, 1]):
        room[Q, j] = 0.0


@compiled_within
def reaches_of_modes(
    at: int,
    slot: int,
    into: np.ndarray,
    modes: np.ndarray,
    ladder: np.ndarray,
    room: np.ndarray,
) -> None:
    """How far each mode can get in a stride, from slopes of modes."""
    for j in range(modes[at, 0]):
        mr, mi = room[MR, j], room[MI, j]
        room[ONE, j] = ladder[slot, REACH, into[at, 0, j]] * math.sqrt(mr * mr + mi * mi)
    for j in range(modes[at, 1]):
        room[OTHER, j] = ladder[slot, RREACH, into[at, 1, j]] * abs(room[M, j])


@compiled_within
def most_reach(at: int, row: int, modes: np.ndarray, sizes: np.ndarray, room: np.ndarray) -> float:
    """How far an output can get, were all its modes to move it one way."""
    total = 0.0
    for j in range(modes[at, 0]):
        total += sizes[at, row, 0, j] * room[ONE, j]
    for j in range(modes[at, 1]):
        total += sizes[at, row, 1, j] * room[OTHER, j]
    return total


@compiled_within
def stride_reach(
    slot: int, pairs: int, others: int, ladder: np.ndarray, room: np.ndarray
) -> tuple[float, float, float, float]:
    """How far an output gets in a stride; middle, part off the line and half width of its bound."""
    far, middle, off, most = 0.0, 0.0, 0.0, 0.0
    for i in range(pairs):
        qr, qi = room[QR, i], room[QI, i]
        far += qr * ladder[slot, PR, i] - qi * ladder[slot, PI, i]
        middle += qr * ladder[slot, CR, i] - qi * ladder[slot, CI, i]
        off += qr * ladder[slot, DR, i] - qi * ladder[slot, DI, i]
        most += ladder[slot, BOW, i] * math.sqrt(qr * qr + qi * qi)
    for i in range(others):
        q = room[Q, i]
        far += q * ladder[slot, RP, i]
        middle += q * ladder[slot, RC, i]
        off += q * ladder[slot, RD, i]
        most += ladder[slot, RBOW, i] * abs(q)
    return far, middle, off, most


@compiled_within
def stride_slopes(
    slot: int, pairs: int, others: int, ladder: np.ndarray, room: np.ndarray
) -> tuple[float, float, float]:
    """Slopes at both ends of a stride, and what the output may be off the cubic they give."""
    slope0, slope1, most = 0.0, 0.0, 0.0
    for i in range(pairs):
        qr, qi = room[QR, i], room[QI, i]
        slope0 += qr
        slope1 += qr * ladder[slot, ER, i] - qi * ladder[slot, EI, i]
        most += ladder[slot, BEND, i] * math.sqrt(qr * qr + qi * qi)
    for i in range(others):
        q = room[Q, i]
        slope0 += q
        slope1 += q * ladder[slot, RE, i]
        most += ladder[slot, RBEND, i] * abs(q)
    return slope0, slope1, most


@compiled_within
def stride_bends(
    at: int,
    slot: int,
    h: float,
    pairs: int,
    others: int,
    forced: bool,
    rates: np.ndarray,
    ladder: np.ndarray,
    room: np.ndarray,
) -> tuple[float, float]:
    """Second derivatives of an output at both ends of a stride, of as many groups as there are."""
    bend0, bend1 = 0.0, 0.0
    for i in range(pairs):
        lr, li = rates[at, 0, i], rates[at, 1, i]
        qr, qi = room[QR, i], room[QI, i]
        ur, ui = lr * qr - li * qi, lr * qi + li * qr
        bend0 += ur
        bend1 += ur * ladder[slot, ER, i] - ui * ladder[slot, EI, i]
    for i in range(others):
        u = rates[at, 0, pairs + i] * room[Q, i]
        bend0 += u
        bend1 += u * ladder[slot, RE, i]
    if not forced:
        return bend0, bend1
    for i in range(pairs):
        lr, li = rates[at, 0, i], rates[at, 1, i]
        br, bi, cr, ci = room[BR, i], room[BI, i], room[CCR, i], room[CCI, i]
        pr, pi = ladder[slot, PR, i], ladder[slot, PI, i]
        p2r, p2i = ladder[slot, P2R, i], ladder[slot, P2I, i]
        ur = br * pr - bi * pi + cr * p2r - ci * p2i
        ui = br * pi + bi * pr + cr * p2i + ci * p2r
        bend0 += br
        bend1 += lr * ur - li * ui + br + h * cr
    for i in range(others):
        b, c = room[B, i], room[C, i]
        u = b * ladder[slot, RP, i] + c * ladder[slot, RP2, i]
        bend0 += b
        bend1 += rates[at, 0, pairs + i] * u + b + h * c
    return bend0, bend1


@compiled_lean
def moved_by(
    at: int,
    t: float,
    pairs: int,
    others: int,
    forced: bool,
    slope: float,
    curve: float,
    rates: np.ndarray,
    room: np.ndarray,
    making: np.ndarray,
) -> tuple[float, float, float]:
    """How far an output has moved after any t, its slope then, and its second derivative.

    slope, curve : what it moves by itself, in t and t^2; making (12, n) to work in
    """
    count = pairs + others
    er, ei, pr, pi = making[0], making[1], making[2], making[3]
    all_factors(at, pairs, count, rates, t, er, ei, pr, pi)
    far, now, bend = t * (slope + curve * t), slope + 2.0 * curve * t, 2.0 * curve
    for i in range(pairs):
        lr, li = rates[at, 0, i], rates[at, 1, i]
        qr, qi = room[QR, i], room[QI, i]
        ur, ui = qr * er[i] - qi * ei[i], qr * ei[i] + qi * er[i]
        far += qr * pr[i] - qi * pi[i]
        now += ur
        bend += lr * ur - li * ui
    for i in range(others):
        q = room[Q, i]
        u = q * er[pairs + i]
        far += q * pr[pairs + i]
        now += u
        bend += rates[at, 0, pairs + i] * u
    if not forced:
        return far, now, bend
    more = making[8:12]
    later_factors(at, pairs, count, rates, t, pr, pi, more)
    for i in range(pairs):
        lr, li = rates[at, 0, i], rates[at, 1, i]
        br, bi, cr, ci = room[BR, i], room[BI, i], room[CCR, i], room[CCI, i]
        ur = br * pr[i] - bi * pi[i] + cr * more[0, i] - ci * more[1, i]
        ui = br * pi[i] + bi * pr[i] + cr * more[1, i] + ci * more[0, i]
        far += br * more[0, i] - bi * more[1, i] + 0.5 * (cr * more[2, i] - ci * more[3, i])
        now += ur
        bend += lr * ur - li * ui + br + t * cr
    for i in range(others):
        b, c, j = room[B, i], room[C, i], pairs + i
        u = b * pr[j] + c * more[0, j]
        far += b * more[0, j] + 0.5 * c * more[2, j]
        now += u
        bend += rates[at, 0, j] * u + b + t * c
    return far, now, bend


@compiled_lean
def turn_within(
    at: int,
    end: float,
    guess: float,
    up: bool,
    pairs: int,
    others: int,
    forced: bool,
    slope: float,
    curve: float,
    rates: np.ndarray,
    room: np.ndarray,
    making: np.ndarray,
) -> tuple[float, float]:
    """How far an output moves until it turns, and when: once, as it bends one way until `end`.

    `up`: it rises until then. By Newton's steps, halvings where these leave what is known.
    """
    early, late, t, far = 0.0, end, guess, 0.0
    for _ in range(60):
        far, now, bend = moved_by(
            at, t, pairs, others, forced, slope, curve, rates, room, making
        )  # fmt: skip
        if (now > 0.0) == up:
            early = t
        else:
            late = t
        # what bends one way is on one side of its tangents
        if abs(now) * (late - early) <= 0.1 * NEAR:
            break
        t -= now / bend
        if not early < t < late:
            t = 0.5 * (early + late)
    return far, t


@compiled_within
def go_on(
    slot: int,
    h: float,
    pairs: int,
    others: int,
    forced: bool,
    ladder: np.ndarray,
    room: np.ndarray,
) -> None:
    """Move slopes of groups on by a stride."""
    for i in range(pairs):
        qr, qi = room[QR, i], room[QI, i]
        er, ei = ladder[slot, ER, i], ladder[slot, EI, i]
        room[QR, i] = qr * er - qi * ei
        room[QI, i] = qr * ei + qi * er
    for i in range(others):
        room[Q, i] *= ladder[slot, RE, i]
    if not forced:
        return
    for i in range(pairs):
        br, bi, cr, ci = room[BR, i], room[BI, i], room[CCR, i], room[CCI, i]
        pr, pi = ladder[slot, PR, i], ladder[slot, PI, i]
        p2r, p2i = ladder[slot, P2R, i], ladder[slot, P2I, i]
        room[QR, i] += br * pr - bi * pi + cr * p2r - ci * p2i
        room[QI, i] += br * pi + bi * pr + cr * p2i + ci * p2r
        room[BR, i] = br + h * cr
        room[BI, i] = bi + h * ci
    for i in range(others):
        b, c = room[B, i], room[C, i]
        room[Q, i] += b * ladder[slot, RP, i] + c * ladder[slot, RP2, i]
        room[B, i] = b + h * c


@compiled_within
def force_groups(
    at: int,
    row: int,
    n_r: int,
    inside: float,
    pairs: int,
    others: int,
    driven: np.ndarray,
    poly: np.ndarray,
    room: np.ndarray,
) -> None:
    """How fast residuals change slopes of groups `inside` s into a step, and how that changes."""
    for i in range(pairs):
        room[BR, i], room[BI, i], room[CCR, i], room[CCI, i] = 0.0, 0.0, 0.0, 0.0
    for i in range(others):
        room[B, i], room[C, i] = 0.0, 0.0
    for s in range(n_r):
        a, b = poly[1, s] + 2.0 * inside * poly[2, s], 2.0 * poly[2, s]
        for i in range(pairs):
            fr, fi = driven[at, row, s, 0, i], driven[at, row, s, 1, i]
            room[BR, i] += a * fr
            room[BI, i] += a * fi
            room[CCR, i] += b * fr
            room[CCI, i] += b * fi
        for i in range(others):
            f = driven[at, row, s, 2, i]
            room[B, i] += a * f
            room[C, i] += b * f


@compiled_within
def next_step(
    at: int,
    row: int,
    s: int,
    h: float,
    first: int,
    n_r: int,
    run_r: np.ndarray,
    next_h: float,
    pairs: int,
    others: int,
    driven: np.ndarray,
    rows: np.ndarray,
    poly: np.ndarray,
    room: np.ndarray,
) -> float:
    """Enter step s from the one before, h long: residuals begin anew, states go on.

    Moves slopes of groups, and returns by how much the output jumps.
    """
    for k in range(n_r):
        room[ONE, k] = poly[0, k] + h * (poly[1, k] + h * poly[2, k])
        room[OTHER, k] = poly[1, k] + 2.0 * h * poly[2, k]
    polynomial(n_r, s, run_r, next_h, poly)
    jump = 0.0
    for k in range(n_r):
        a = poly[0, k] - room[ONE, k]
        jump += rows[at, row, first + k] * a
        jump += rows[at, row, first + n_r + k] * (poly[1, k] - room[OTHER, k])
        for i in range(pairs):
            room[QR, i] += a * driven[at, row, k, 0, i]
            room[QI, i] += a * driven[at, row, k, 1, i]
        for i in range(others):
            room[Q, i] += a * driven[at, row, k, 2, i]
    return jump


@compiled_within
def strays(run: Steps, p: int, n_r: int, start: np.ndarray, far: np.ndarray) -> None:
    """How far (2, n_r) the residuals of a flat piece go from their start, and their fastest rate.

    start (n_r,): the residuals its first step begins with.
    """
    for k in range(n_r):
        far[0, k], far[1, k] = 0.0, 0.0
    for s in range(run.begin[p], run.begin[p + 1]):
        h = run.lengths[run.length[s]]
        for k in range(n_r):
            early, middle, late = run.r[s, k], run.r[s, n_r + k], run.r[s, 2 * n_r + k]
            b = (late - early) / (2.0 * APART)
            g = (early + late - 2.0 * middle) / (2.0 * APART * APART)
            bend = abs(g)
            slope = abs(b - g)
            off = abs(middle - 0.5 * b + 0.25 * g - start[k])
            far[0, k] = max(far[0, k], off + slope + bend)
            far[1, k] = max(far[1, k], (slope + 2.0 * bend) / h)


@compiled_within
def output_values(at: int, rows: np.ndarray, z: np.ndarray, values: np.ndarray) -> None:
    """All outputs (rows,) where z is the modal state, with a one and all else they read behind."""
    for r in range(rows.shape[1]):
        total = 0.0
        for i in range(rows.shape[2]):
            total += rows[at, r, i] * z[i]
        values[r] = total


@compiled_within
def level_for(span: float) -> int:
    """The shortest stride that holds a span, or the longest there is."""
    share, level = math.frexp(span * (1.0 / SHORTEST))
    # (a length of steps is a stride but for rounding)
    if share <= 0.5 * (1.0 + 1e-12):
        level -= 1
    return min(max(level, 0), STRIDES - 1)


@compiled_lean
def walk(
    run: Steps,
    sums: Sums,
    rows: np.ndarray,
    p: int,
    row: int,
    s: int,
    inside: float,
    span: float,
    value: float,
    above: float,
    below: float,
    high: float,
    low: float,
    wont: np.ndarray,
    poly: np.ndarray,
    room: np.ndarray,
    making: np.ndarray,
) -> tuple[float, float, float, float]:
    """What in a part of a piece beats a highest and a lowest value, and when since its start.

    It begins `inside` s into step s, at an output of `value` and the slopes in `room`. A stride
    is halved wherever a bound on what lies within it can beat what is known, by more than
    `above` or `below`, until it bends one way, so that where it turns is found by Newton's steps,
    or until the cubic through its ends is near enough to say what it does.

    wont (patterns, rows): how wide a stride is tried first; parts of a pattern are alike.
    """
    at = run.pattern[p]
    n_r, first = run.inject.shape[1], run.y.shape[1] + 1 + run.held.shape[1]
    pairs, others = sums.wide[at, 0], sums.wide[at, 1]
    real_pairs, real_others = max(sums.groups[at, 0], 0), max(sums.groups[at, 1], 0)
    ladder, driven, lasting, pushed = sums.ladder, sums.driven, sums.lasting, sums.pushed
    high_at, low_at, gone = 0.0, 0.0, 0.0
    while True:
        # a step, or what of it is wanted
        whole, full = span - gone, False
        slope, curve, bow, bend = 0.0, 0.0, 0.0, 0.0
        if n_r > 0:
            h = run.lengths[run.length[s]]
            if inside == 0.0 and h <= whole * (1.0 + 1e-12):
                whole, full = h, True
            polynomial(n_r, s, run.r, h, poly)
            force_groups(at, row, n_r, inside, pairs, others, driven, poly, room)
            for k in range(n_r):
                a, b = poly[1, k] + 2.0 * inside * poly[2, k], 2.0 * poly[2, k]
                # what residuals themselves are in the output, and bounds on what they do to modes
                slope += rows[at, row, first + k] * a + rows[at, row, first + n_r + k] * b
                curve += 0.5 * rows[at, row, first + k] * b
                fastest = abs(a) + abs(b) * whole
                bow += lasting[at, row, 0, k] * fastest
                bend += lasting[at, row, 1, k] * fastest + lasting[at, row, 2, k] * abs(b)
            bow, bend = 0.125 * bow + 0.25 * abs(curve), bend / 384.0
        top_level = level_for(whole)
        level, begun = min(top_level, wont[at, row]), False
        # where the walk is, in the shortest strides
        at_now = 0
        while True:
            left = whole - SHORTEST * at_now
            if left <= 1e-13 * whole:
                break
            slot = sums.slot[at, level]
            if slot < 0:
                slot = stride_of(at, level, sums, making)
            h = _LENGTHS[level]
            far, middle, off, most = stride_reach(slot, pairs, others, ladder, room)
            forced_slope = 0.0
            if n_r > 0:
                far += h * (slope + curve * h)
                most += h * h * bow
                begin = inside + SHORTEST * at_now
                for k in range(n_r):
                    a, b = poly[1, k] + 2.0 * begin * poly[2, k], 2.0 * poly[2, k]
                    far += a * pushed[slot, row, k, 0] + b * pushed[slot, row, k, 2]
                    forced_slope += a * pushed[slot, row, k, 1] + b * pushed[slot, row, k, 0]
            then = value + far
            # what stays on the line ends at then - off; all else is about its middle
            top = max(value, then - off) + middle + most
            bottom = min(value, then - off) + middle - most
            within = h <= left * (1.0 + 1e-12)
            if within:
                when = gone + SHORTEST * at_now + h
                if then > high:
                    high, high_at = then, when
                if then < low:
                    low, low_at = then, when
            # (what is no number is no bound)
            if not (top <= high + above and bottom >= low - below):
                slope0, slope1, err = stride_slopes(slot, pairs, others, ladder, room)
                slope0 = h * (slope0 + slope)
                slope1 = h * (slope1 + slope + 2.0 * curve * h + forced_slope)
                err += h**4 * bend
                # a cubic is within its four control points
                third, later = value + slope0 / 3.0, then - slope1 / 3.0
                top = max(max(value, then), max(third, later)) + err
                bottom = min(min(value, then), min(third, later)) - err
                if not (top <= high + above and bottom >= low - below):
                    ends = min(left / h, 1.0)
                    if err <= NEAR or level == 0:
                        one, other = cubic_turns(far, slope0, slope1)
                        c2 = 3.0 * far - 2.0 * slope0 - slope1
                        c3 = slope0 + slope1 - 2.0 * far
                        for x in (one, other, ends):
                            if 0.0 < x <= ends:
                                v = value + x * (slope0 + x * (c2 + x * c3))
                                when = gone + SHORTEST * at_now + x * h
                                if v > high:
                                    high, high_at = v, when
                                if v < low:
                                    low, low_at = v, when
                    else:
                        bend0, bend1 = stride_bends(
                            at, slot, h, real_pairs, real_others, n_r > 0, sums.rates, ladder, room
                        )
                        bend0, bend1 = h * h * (bend0 + 2.0 * curve), h * h * (bend1 + 2.0 * curve)
                        # on the way it is no further than this off the line between its ends
                        off = 48.0 * err
                        if not (max(bend0, bend1) + off < 0.0 or min(bend0, bend1) - off > 0.0):
                            level -= 1
                            continue
                        # it bends one way: it turns once where its slopes are of two signs
                        for x in (0.0, ends):
                            if x == 0.0 and slope0 * slope1 < 0.0:
                                moved, when = turn_within(
                                    at, h, h * slope0 / (slope0 - slope1), slope0 > 0.0, real_pairs,
                                    real_others, n_r > 0, slope, curve, sums.rates, room, making,
                                )  # fmt: skip
                            elif x > 0.0 and not within:
                                when = left
                                moved, _, _ = moved_by(
                                    at, left, real_pairs, real_others, n_r > 0, slope, curve,
                                    sums.rates, room, making,
                                )  # fmt: skip
                            else:
                                continue
                            if when > left:
                                continue
                            v = value + moved
                            when += gone + SHORTEST * at_now
                            if v > high:
                                high, high_at = v, when
                            if v < low:
                                low, low_at = v, when
            if not begun:
                # next time one wider is tried, if this was wide enough at once
                wont[at, row] = level if level < wont[at, row] else min(level + 1, STRIDES - 1)
                begun = True
            if not within:
                break
            go_on(slot, h, pairs, others, n_r > 0, ladder, room)
            slope += 2.0 * curve * h
            value = then
            at_now += 1 << level
            # as wide again as where it now stands allows
            if level < top_level and (at_now >> level) & 1 == 0:
                level += 1
        gone += whole
        if not full or gone >= span * (1.0 - 1e-13) or s + 1 == run.begin[p + 1]:
            break
        s += 1
        value += next_step(
            at, row, s, whole, first, n_r, run.r, run.lengths[run.length[s]], pairs, others,
            driven, rows, poly, room,
        )  # fmt: skip
        if value > high:
            high, high_at = value, gone
        if value < low:
            low, low_at = value, gone
    return high, low, high_at, low_at


@compiled_within
def cubic_turns(far: float, slope0: float, slope1: float) -> tuple[float, float]:
    """Where the cubic over (0, 1) turns that gains `far` between these slopes; -1: nowhere."""
    c2, c3 = 3.0 * far - 2.0 * slope0 - slope1, slope0 + slope1 - 2.0 * far
    under = c2 * c2 - 3.0 * c3 * slope0
    if under <= 0.0:
        return -1.0, -1.0
    # (of the two ways to write a root the one that subtracts nothing)
    q = -(c2 + math.sqrt(under)) if c2 > 0.0 else math.sqrt(under) - c2
    one = slope0 / q if q != 0.0 else -1.0
    other = q / (3.0 * c3) if c3 != 0.0 else -1.0
    return one, other


@compiled
def cut_pieces(
    run: Steps, rows: np.ndarray, t0: float, t1: float, bins: int, halt: np.ndarray
) -> Parts:
    """The flat pieces of a window, each part of them in one bin."""
    n, n_h, n_r, k = run.y.shape[1], run.held.shape[1], run.inject.shape[1], rows.shape[1]
    width = (t1 - t0) / bins
    first = n + 1 + n_h
    # a piece that is cut within a step goes on with what is left of the step, then with the next
    most = len(run.t) + 2 * (bins + 1)
    piece, step, inside = np.zeros(most, np.int64), np.zeros(most, np.int64), np.zeros(most)
    of_bin, begin, span = np.zeros(most, np.int64), np.zeros(most), np.zeros(most)
    own, state = np.full(most, -1), np.zeros((2 * (bins + 1), n))
    value = np.zeros((most, k))
    z = np.ones(rows.shape[2])
    y, w, held = np.zeros(n), np.zeros(n), np.ones(1 + n_h)
    poly, q, f, more = np.zeros((3, n_r)), np.zeros((3, n)), np.zeros((4, n)), np.zeros((4, n))
    whole, into = np.zeros(n), z[:n]
    count, cuts = 0, 0
    for p in range(len(run.t)):
        start, end = run.t[p], run.t[p] + run.d[p]
        if start > t1 or halt[0] != 0:
            break
        if run.ramp[p] <= -2 or end < t0 or (n_r > 0 and run.begin[p + 1] == run.begin[p]):
            continue
        at = run.pattern[p]
        now, stop = max(t0 - start, 0.0), min(end, t1) - start
        s, since = run.begin[p], 0.0
        for j in range(n_h):
            z[n + 1 + j] = run.held[p, j]
        known = False
        ahead = now
        while True:
            if ahead > 0.0:
                if not known:
                    known = True
                    for i in range(n):
                        y[i] = run.y[p, i]
                    for j in range(n_h):
                        held[1 + j] = run.held[p, j]
                    gather(at, run.forced, held, 1 + n_h, n, w)
                # y stays where step s begins
                while n_r > 0:
                    h = run.lengths[run.length[s]]
                    # what is left of a step by rounding alone is nothing
                    least = 1e-9 * h + 1e-15 * now
                    if h - since - ahead > least or s >= run.begin[p + 1] - 1:
                        break
                    slot = run.level_index[at, run.length[s]]
                    whole_step(slot, s, n, run.pairs[at], n_r, run.factors, run.step, run.r, w, y)
                    ahead -= h - since
                    if ahead <= least:
                        ahead = 0.0
                    since = 0.0
                    s += 1
                since += ahead
            b = min(max(int((start + now - t0) / width), 0), bins - 1)
            # (the last bin ends where the window does, whatever its rounding, or the walk may not)
            right = stop if b == bins - 1 else min(stop, t0 + (b + 1) * width - start)
            if right <= now and right < stop:
                b = min(b + 1, bins - 1)
                right = stop if b == bins - 1 else min(stop, t0 + (b + 1) * width - start)
            if n_r > 0:
                h = run.lengths[run.length[s]]
                polynomial(n_r, s, run.r, h, poly)
                for j in range(n_r):
                    r = poly[0, j] + since * (poly[1, j] + since * poly[2, j])
                    z[first + j] = r
                    z[first + n_r + j] = poly[1, j] + 2.0 * since * poly[2, j]
                if since > 0.0 and s < run.begin[p + 1] - 1:
                    right = min(right, now + h - since)
            for i in range(n):
                into[i] = y[i] if known else run.y[p, i]
            if since > 0.0:
                forces(at, n, n_r, run.inject, poly, q)
                move_within(at, n, run.pairs[at], run.rates, since, w, q, into, whole, f, more)
            if count == most or (known and cuts == len(state)):
                raise IndexError("more parts than bins cut")
            piece[count], step[count], inside[count], of_bin[count] = p, s, since, b
            begin[count], span[count] = start + now, max(right - now, 0.0)
            if known:
                own[count] = cuts
                for i in range(n):
                    state[cuts, i] = into[i]
                cuts += 1
            output_values(at, rows, z, value[count])
            count += 1
            if right >= stop:
                break
            ahead = right - now
            now = right
    return Parts(
        piece[:count], step[:count], inside[:count], of_bin[:count], begin[:count], span[:count],
        own[:count], state, value[:count],
    )  # fmt: skip


@compiled_within
def enter(
    run: Steps,
    sums: Sums,
    parts: Parts,
    e: int,
    held: np.ndarray,
    w: np.ndarray,
    poly: np.ndarray,
    r: np.ndarray,
    room: np.ndarray,
) -> None:
    """Slopes of modes where a part begins, into `room`, and the residuals there, into r."""
    p = parts.piece[e]
    at, n, n_h, n_r = run.pattern[p], run.y.shape[1], run.held.shape[1], run.inject.shape[1]
    for j in range(n_h):
        held[1 + j] = run.held[p, j]
    gather(at, run.forced, held, 1 + n_h, n, w)
    if n_r > 0:
        s, since = parts.step[e], parts.inside[e]
        polynomial(n_r, s, run.r, run.lengths[run.length[s]], poly)
        for k in range(n_r):
            r[k] = poly[0, k] + since * (poly[1, k] + since * poly[2, k])
            for i in range(n):
                w[i] += r[k] * run.inject[at, k, i]
    y = run.y[p] if parts.own[e] < 0 else parts.state[parts.own[e]]
    slopes_of_modes(at, sums.order, sums.modes, sums.rates, sums.into, sums.groups, y, w, room)


@compiled
def search(
    run: Steps,
    rows: np.ndarray,
    t0: float,
    t1: float,
    bins: int,
    slack: float,
    across: int,
    across_slack: float,
    low: np.ndarray,
    high: np.ndarray,
    low_at: np.ndarray,
    high_at: np.ndarray,
    halt: np.ndarray,
) -> None:
    """Let the flat pieces of a run count in lowest and highest (rows, bins) of a window.

    No extreme is further off than `slack` and what rounding makes (`NEAR`). What is found is of
    no use where halt[0] was set.

    across : so many rows, the last, are of the window as a whole, in the first bin and within
        `across_slack`: half of what reading costs is the same for any rows
    """
    n, n_h, n_r, k = run.y.shape[1], run.held.shape[1], run.inject.shape[1], rows.shape[1]
    first = n + 1 + n_h
    parts = cut_pieces(run, rows, t0, t1, bins, halt)
    sums = sums_of(run.pairs, run.rates, rows, run.inject, run.lengths[-1])
    size = sums.rates.shape[2]
    room, making = np.zeros((ROOM, size)), np.zeros((12, size))
    w, held = np.zeros(n), np.ones(1 + n_h)
    poly, r, far = np.zeros((3, n_r)), np.zeros(n_r), np.zeros((2, n_r))
    count = len(parts.piece)
    # where parts begin is soon told, and most of what there is
    binned = k - across
    for e in range(count):
        for row in range(k):
            b = parts.bin[e] if row < binned else 0
            v = parts.value[e, row]
            if v > high[row, b]:
                high[row, b], high_at[row, b] = v, parts.begin[e]
            if v < low[row, b]:
                low[row, b], low_at[row, b] = v, parts.begin[e]
    # What may beat that, of parts and outputs together: few, so most of this is never touched.
    most_left = count * k
    of_part, of_row = np.empty(most_left, np.int64), np.empty(most_left, np.int64)
    ups, downs, left = np.empty(most_left), np.empty(most_left), 0
    best = np.full((2, k, bins), -1)
    for e in range(count):
        if halt[0] != 0:
            return
        span = parts.span[e]
        if span <= 0.0:
            continue
        p, level = parts.piece[e], level_for(span)
        at = run.pattern[p]
        slot = stride_of(at, level, sums, making)
        enter(run, sums, parts, e, held, w, poly, r, room)
        if n_r > 0:
            strays(run, p, n_r, r, far)
        reaches_of_modes(at, slot, sums.into, sums.modes, sums.ladder, room)
        whole = span <= _LENGTHS[level] * (1.0 + 1e-12)
        for row in range(k):
            v, most = parts.value[e, row], 0.0
            b, near = (parts.bin[e], slack) if row < binned else (0, across_slack)
            for j in range(n_r):
                direct, by_rate = rows[at, row, first + j], rows[at, row, first + n_r + j]
                most += far[0, j] * (sums.stray[slot, row, j] + abs(direct))
                most += 2.0 * far[1, j] * abs(by_rate)
            # most of what there is is soon passed over
            reach = most + most_reach(at, row, sums.modes, sums.sizes, room)
            if whole and v + reach <= high[row, b] + near and v - reach >= low[row, b] - near:
                continue
            slopes_of_groups(
                at, row, sums.into, sums.modes, sums.groups, sums.wide, sums.shares, room
            )
            way, middle, off, bow = stride_reach(
                slot, sums.wide[at, 0], sums.wide[at, 1], sums.ladder, room
            )
            most += bow
            top = max(v, v + way - off) + middle + most
            bottom = min(v, v + way - off) + middle - most
            if not whole:
                top, bottom = np.inf, -np.inf
            if top <= high[row, b] + near and bottom >= low[row, b] - near:
                continue
            of_part[left], of_row[left], ups[left], downs[left] = e, row, top, bottom
            i = best[0, row, b]
            if i < 0 or top > ups[i]:
                best[0, row, b] = left
            i = best[1, row, b]
            if i < 0 or bottom < downs[i]:
                best[1, row, b] = left
            left += 1
    wont = np.full((len(run.pairs), k), STRIDES - 1)
    # what may go furthest, each way, then all that still may go further than that went
    firsts = k * bins
    for i in range(2 * firsts + left):
        if halt[0] != 0:
            return
        one, look = i - 2 * firsts, 2
        if one < 0:
            look, row, b = i // firsts, (i % firsts) // bins, i % bins
            one = best[look, row, b]
            if one < 0:
                continue
        e, row = of_part[one], of_row[one]
        b, near = (parts.bin[e], slack) if row < binned else (0, across_slack)
        up = look != 1 and not ups[one] <= high[row, b] + near
        down = look != 0 and not downs[one] >= low[row, b] - near
        if not (up or down):
            continue
        p = parts.piece[e]
        enter(run, sums, parts, e, held, w, poly, r, room)
        slopes_of_groups(
            run.pattern[p], row, sums.into, sums.modes, sums.groups, sums.wide, sums.shares, room
        )
        top, bottom, top_at, bottom_at = walk(
            run, sums, rows, p, row, parts.step[e], parts.inside[e], parts.span[e],
            parts.value[e, row], near if up else np.inf, near if down else np.inf,
            high[row, b], low[row, b], wont, poly, room, making,
        )  # fmt: skip
        if top > high[row, b]:
            high[row, b], high_at[row, b] = top, parts.begin[e] + top_at
        if bottom < low[row, b]:
            low[row, b], low_at[row, b] = bottom, parts.begin[e] + bottom_at
        # (of this side no more is to be known)
        if up:
            ups[one] = -np.inf
        if down:
            downs[one] = np.inf

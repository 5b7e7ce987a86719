"""Extremes of outputs: every bound that lets work be skipped, against dense looks at the output."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
import pytest

from sim import extreme_kernels as kernels
from sim import followed_kernels
from sim.kernels import mode_rates
from tests.sim.small import drive_of, steady
from tests.sim.test_followed import _bench, _run, _two_legs

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.extreme_kernels import Sums
    from sim.followed_kernels import Steps

    Array = NDArray[np.float64]

STORES = 2


def _random_sums(rng: np.random.Generator) -> tuple[Sums, Array]:
    """One pattern of modes slow and quick, some alike, some that grow; with their rates (m,)."""
    pairs, others = int(rng.integers(0, 6)), int(rng.integers(1, 9))
    size = 10.0 ** rng.uniform(2.0, 8.0, pairs + others)
    angle = np.concatenate([rng.uniform(0.5 * np.pi, np.pi, pairs), np.full(others, np.pi)])
    rate = size * np.exp(1j * angle)
    if pairs > 2:
        rate[1] = rate[0]
        rate[2] = -rate[2].conjugate()  # grows
        rate[2] *= 1e5 / abs(rate[2])
    if others > 2:
        rate[-1] = rate[-2]
    re = np.concatenate([np.repeat(rate[:pairs].real, 2), rate[pairs:].real])
    im = np.concatenate([np.repeat(rate[:pairs].imag, 2), np.zeros(others)])
    n = len(re)
    rows = rng.normal(size=(1, 1, n + 1 + 2 * STORES))
    inject = rng.normal(size=(1, STORES, n)) * 1e3
    sums = kernels.sums_of(np.array([pairs]), mode_rates(pairs, re, im)[None], rows, inject, 16e-6)
    return sums, rate


def _course(sums: Sums, q: Array, forcing: Array, times: Array) -> tuple[Array, Array]:
    """An output at times (T,) and its slope, of groups that start at slopes q.

    forcing (2, groups): how fast slopes are changed, and how fast that changes.
    """
    pairs, others = sums.groups[0]
    rates = sums.rates[0, 0, : pairs + others] + 1j * sums.rates[0, 1, : pairs + others]
    z = np.multiply.outer(times, rates)
    phi = [np.exp(z)]
    for k in range(1, 4):
        # the series where the quotient would lose figures
        term, total = np.ones_like(z), np.zeros_like(z)
        for j in range(1, k + 1):
            term = term / j
        for j in range(1, 40):
            total, term = total + term, term * z / (j + k)
        quotient = (phi[-1] - 1.0 / max(np.prod(range(1, k)), 1)) / z
        phi.append(np.where(np.abs(z) < 2.0, total, quotient))
    t = times[:, None]
    value = q * t * phi[1] + forcing[0] * t**2 * phi[2] + forcing[1] * t**3 * phi[3]
    slope = q * phi[0] + forcing[0] * t * phi[1] + forcing[1] * t**2 * phi[2]
    return value.real.sum(axis=1), slope.real.sum(axis=1)


def _put(sums: Sums, room: Array, rows: tuple[int, int, int], values: Array) -> None:
    """Complex values of groups into the room that kernels work in."""
    pairs, others = sums.groups[0]
    room[rows[0], :pairs], room[rows[1], :pairs] = values[:pairs].real, values[:pairs].imag
    room[rows[2], :others] = values[pairs:].real


@pytest.mark.parametrize("seed", range(40))
def test_where_an_output_turns(seed: int) -> None:
    """Far, slope and second derivative at any time and at both ends; and the turn they lead to."""
    rng = np.random.default_rng(seed)
    sums, _ = _random_sums(rng)
    pairs, others = sums.groups[0]
    width, count = sums.rates.shape[2], int(pairs + others)
    room, making = np.zeros((kernels.ROOM, width)), np.zeros((12, width))
    rates = sums.rates[0, 0, :count] + 1j * sums.rates[0, 1, :count]
    turned = 0
    for level in range(2, 27):
        h = kernels.SHORTEST * 2.0**level
        slot = kernels.stride_of(0, level, sums, making)
        q, b, c = (
            (rng.normal(size=count) + 1j * rng.normal(size=count)) / h**power for power in range(3)
        )
        for values in (q, b, c):
            values[pairs:] = values[pairs:].real
        _put(sums, room, (kernels.QR, kernels.QI, kernels.Q), q)
        _put(sums, room, (kernels.BR, kernels.BI, kernels.B), b)
        _put(sums, room, (kernels.CCR, kernels.CCI, kernels.C), c)
        slope, curve = rng.normal(), rng.normal() / h
        own = int(pairs), int(others)
        for forced in (False, True):
            forcing = np.array([b, c]) * float(forced)
            far, now = _course(sums, q, forcing, h * np.array([1e-9, 0.3, 1.0]))
            ends = kernels.stride_bends(0, slot, h, *own, forced, sums.rates, sums.ladder, room)
            size = float(np.sum(np.abs(rates * q) + np.abs(forcing).T @ [1.0, h]))
            size *= 1.0 + np.exp(1e5 * h) * h * np.max(np.abs(rates))
            size += abs(curve)
            for i, share in enumerate((1e-9, 0.3, 1.0)):
                t = share * h
                moved = kernels.moved_by(0, t, *own, forced, slope, curve, sums.rates, room, making)
                assert moved[0] == pytest.approx(
                    far[i] + t * (slope + curve * t), abs=1e-10 * size * h * h + 1e-12
                )
                assert moved[1] == pytest.approx(
                    now[i] + slope + 2.0 * curve * t, abs=1e-10 * size * h + 1e-12
                )
                slopes = rates * _each_slope(rates, q, forcing, t) + forcing[0] + t * forcing[1]
                bend = float(np.sum(slopes.real))
                assert moved[2] - 2.0 * curve == pytest.approx(bend, abs=1e-9 * size)
                if share != 0.3:
                    assert ends[int(share)] == pytest.approx(
                        moved[2] - 2.0 * curve, abs=1e-9 * size
                    )
            slope0 = float(np.sum(q.real)) + slope
            slope1 = float(now[2]) + slope + 2.0 * curve * h
            bends = [end + 2.0 * curve for end in ends]
            # (bends one way for sure where it does at many points)
            many = [
                kernels.moved_by(0, x * h, *own, forced, slope, curve, sums.rates, room, making)
                for x in np.linspace(0.0, 1.0, 200)[1:]
            ]
            one_way = min(bends) > 0.0 or max(bends) < 0.0
            one_way &= len({np.sign(point[2]) for point in many}) == 1
            if not one_way or slope0 * slope1 >= 0.0:
                continue
            turned += 1
            far_then, when = kernels.turn_within(
                0, h, 0.5 * h, slope0 > 0.0, *own, forced, slope, curve, sums.rates, room, making
            )
            assert 0.0 < when < h
            sign = 1.0 if slope0 > 0.0 else -1.0
            assert sign * far_then >= max(sign * point[0] for point in many) - kernels.NEAR
    assert turned


def _each_slope(rates: Array, q: Array, forcing: Array, t: Array) -> Array:
    """Slopes of groups at a time each, (groups,), by their equation put together from phi_k."""
    z = rates * t
    phi = [np.exp(z)]
    for k in range(1, 3):
        term, total = np.ones_like(z), np.zeros_like(z)
        for j in range(1, k + 1):
            term = term / j
        for j in range(1, 40):
            total, term = total + term, term * z / (j + k)
        phi.append(np.where(np.abs(z) < 2.0, total, (phi[-1] - 1.0) / np.where(z == 0.0, 1.0, z)))
    return np.asarray(q * phi[0] + forcing[0] * t * phi[1] + forcing[1] * t**2 * phi[2])


@pytest.mark.parametrize("seed", range(40))
def test_bounds_of_a_stride(seed: int) -> None:
    """Reach, cubic and what residuals add, on strides short and long against modes."""
    rng = np.random.default_rng(seed)
    sums, _ = _random_sums(rng)
    pairs, others = sums.groups[0]
    width = sums.rates.shape[2]
    room, making = np.zeros((kernels.ROOM, width)), np.zeros((12, width))
    wide = int(sums.wide[0, 0]), int(sums.wide[0, 1])
    closeness = []
    for level in range(2, 27):
        q = rng.normal(size=pairs + others) + 1j * rng.normal(size=pairs + others)
        q[pairs:] = q[pairs:].real
        # as quick modes are after an edge
        size = np.hypot(sums.rates[0, 0], sums.rates[0, 1])[: pairs + others]
        q *= size ** rng.uniform(0.0, 1.0)
        _put(sums, room, (kernels.QR, kernels.QI, kernels.Q), q)
        slot = kernels.stride_of(0, level, sums, making)
        h = kernels.SHORTEST * 2.0**level
        times = h * np.linspace(0.0, 1.0, 3001)[1:]
        value, slope = _course(sums, q, np.zeros((2, 1)), times)
        scale = float(np.sum(np.abs(q) * np.minimum(h, 2.0 / size))) * (1.0 + np.exp(1e5 * h))
        far, middle, off, most = kernels.stride_reach(slot, *wide, sums.ladder, room)
        assert far == pytest.approx(value[-1], abs=1e-11 * scale)
        top, bottom = max(0.0, far - off) + middle + most, min(0.0, far - off) + middle - most
        assert value.max() <= top + 1e-9 * scale
        assert value.min() >= bottom - 1e-9 * scale
        # none of the groups gets further than it is said to
        rates = sums.rates[0, 0, : pairs + others] + 1j * sums.rates[0, 1, : pairs + others]
        path = np.max(np.abs(np.expm1(np.multiply.outer(times, rates)) / rates), axis=0)
        reach = sums.ladder[slot, kernels.REACH, :pairs], sums.ladder[slot, kernels.RREACH, :others]
        assert np.all(path <= np.concatenate(reach) * (1.0 + 1e-9))
        closeness.append((top - bottom) / np.ptp(np.append(value, 0.0)))
        slope0, slope1, err = kernels.stride_slopes(slot, *wide, sums.ladder, room)
        assert slope1 == pytest.approx(slope[-1], abs=1e-9 * scale / h)
        x = times / h
        c2, c3 = 3.0 * far - h * (2.0 * slope0 + slope1), h * (slope0 + slope1) - 2.0 * far
        cubic = x * (h * slope0 + x * (c2 + x * c3))
        assert np.max(np.abs(cubic - value)) <= err + 1e-9 * scale
        # and with residuals that change
        rate = rng.normal(size=STORES) / h
        bend = rng.normal(size=STORES) / h**2
        poly = np.array([np.zeros(STORES), rate, 0.5 * bend])
        kernels.force_groups(0, 0, STORES, 0.0, *wide, sums.driven, poly, room)
        driven = np.concatenate(
            [
                sums.driven[0, 0, :, 0, :pairs] + 1j * sums.driven[0, 0, :, 1, :pairs],
                sums.driven[0, 0, :, 2, :others],
            ],
            axis=1,
        )
        forcing = np.array([rate @ driven, bend @ driven])
        forced, forced_slope = _course(sums, np.zeros(1), forcing, times)
        most_forced = float(np.max(np.abs(forced))) + 1e-300
        pushed = sums.pushed[slot, 0]
        added = rate @ pushed[:, 0] + bend @ pushed[:, 2]
        added_slope = rate @ pushed[:, 1] + bend @ pushed[:, 0]
        assert added == pytest.approx(forced[-1], abs=1e-9 * most_forced)
        assert added_slope * h == pytest.approx(forced_slope[-1] * h, abs=1e-9 * most_forced)
        if h > 16e-6:
            continue  # no step is as long
        fastest = np.abs(rate) + np.abs(bend) * h
        off_line = np.abs(forced - added * x)
        bow = 0.125 * h * h * float(sums.lasting[0, 0, 0] @ fastest)
        assert off_line.max() <= bow * (1.0 + 1e-9)
        c2, c3 = 3.0 * added - h * added_slope, h * added_slope - 2.0 * added
        bow = h**4 / 384.0 * float(sums.lasting[0, 0, 1] @ fastest)
        bow += h**4 / 384.0 * float(sums.lasting[0, 0, 2] @ np.abs(bend))
        off_cubic = np.abs(forced - x * x * (c2 + x * c3))
        assert off_cubic.max() <= bow + 1e-8 * most_forced
        # a residual of one that comes and stays, and of any size up to one in between
        for s in range(STORES):
            stays, _ = _course(sums, driven[s], np.zeros((2, 1)), times)
            comes_and_goes = stays - np.where(
                x > 0.5, np.interp(x - 0.5, np.append(0.0, x), np.append(0.0, stays)), 0.0
            )
            for course in (stays, comes_and_goes):
                reach = sums.stray[slot, 0, s]
                assert np.max(np.abs(course)) <= reach * (1.0 + 1e-6)
    # bounds that hold because they are of no use would pass all of that
    assert np.median(closeness) < 3.0


def _steps(rng: np.random.Generator, phases: tuple[float, float]) -> tuple[Steps, Array, float]:
    """Pieces of a run with states, held inputs and residuals that no march ever met."""
    drive = (
        steady([0.6, 0.4], 0.2e-3)
        if rng.random() < 0.5
        else drive_of([([0.0, 5e-5, 1e-4], [0.7, 0.7, 0.2])] * 2, 0.2e-3)
    )
    bench = _bench(lambda part, node: _two_legs(part, node, phases), drive)
    run = _run(bench, drive)
    steps = run._steps
    swing = np.ptp(steps.y, axis=0)
    y = steps.y + rng.normal(size=steps.y.shape) * rng.choice([0.0, 0.1, 1.0]) * swing
    r = steps.r + rng.normal(size=steps.r.shape) * rng.choice([0.0, 0.01, 0.1])
    held = steps.held * rng.uniform(0.5, 1.5, steps.held.shape)
    rows = [bench.volts("in0"), bench.volts("in1"), bench.volts("pads"), bench.amps("esr")]
    whole = np.concatenate([run._in_modes(row) for row in rows], axis=1)
    return steps._replace(y=y, r=r, held=held), whole, drive.duration_s


def _seen(
    steps: Steps, whole: Array, t0: float, t1: float, bins: int
) -> tuple[Array, Array, Array, Array]:
    """Lowest and highest (rows, bins) of dense looks; and by how much they may miss each."""
    k = whole.shape[1]
    low, high = np.full((k, bins), np.inf), np.full((k, bins), -np.inf)
    low_by, high_by = np.zeros((k, bins)), np.zeros((k, bins))
    edges = np.linspace(t0, t1, bins + 1)
    for p in range(len(steps.t)):
        if steps.ramp[p] <= -2 or steps.begin[p] == steps.begin[p + 1]:
            continue
        begin, end = steps.t[p], steps.t[p] + steps.d[p]
        # steps have corners of their own
        corners = begin + np.cumsum(
            steps.lengths[steps.length[steps.begin[p] : steps.begin[p + 1]]]
        )
        cuts = np.concatenate([[begin, end], edges, corners])
        cuts = np.unique(np.clip(cuts, max(begin, t0), min(end, t1)))
        for a, b in itertools.pairwise(cuts):
            if b - a < 1e-14:
                continue
            at = min(max(int(np.searchsorted(edges, 0.5 * (a + b))) - 1, 0), bins - 1)
            # (inside what begins at a corner by more than rounding)
            dt = np.linspace(a - begin + 1e-15, b - begin - 1e-15, 301)
            values = np.zeros((len(dt), k))
            followed_kernels.read_steps(steps, np.full(len(dt), p), dt, whole, values)
            bow = np.abs(np.diff(values, 2, axis=0))
            for row in range(k):
                v = values[:, row]
                if v.max() > high[row, at]:
                    i = int(v.argmax())
                    high[row, at], high_by[row, at] = v[i], bow[max(i - 3, 0) : i + 3, row].max()
                if v.min() < low[row, at]:
                    i = int(v.argmin())
                    low[row, at], low_by[row, at] = v[i], bow[max(i - 3, 0) : i + 3, row].max()
    return low, high, low_by, high_by


@pytest.mark.parametrize("phases", [(0.2, 0.7), (0.2, 0.2 + 8e-9 * 48e3)])
@pytest.mark.parametrize("seed", range(3))
def test_search_against_dense_looks(seed: int, phases: tuple[float, float]) -> None:
    """Exact, in bins wide and narrow and windows that cut pieces; and within a slack."""
    rng = np.random.default_rng(seed)
    steps, whole, seconds = _steps(rng, phases)
    for bins in (1, 7, 90):
        t0, t1 = np.sort(rng.uniform(0.0, seconds, 2)) if bins > 1 else (0.0, seconds)
        low, high, low_by, high_by = _seen(steps, whole, t0, t1, bins)
        swing = np.max(high[:, np.isfinite(high[0])]) - np.min(low[:, np.isfinite(low[0])])
        shape = high.shape
        for slack in (0.0, 0.02 * swing):
            found = (
                np.full(shape, np.inf), np.full(shape, -np.inf), np.zeros(shape), np.zeros(shape),
            )  # fmt: skip
            kernels.search(
                steps, whole, t0, t1, bins, slack, 0, 0.0, *found, np.zeros(1, dtype=np.int64)
            )
            known = np.isfinite(high) & np.isfinite(found[1])
            # (bins with no more in them than a rounding's width)
            assert np.mean(known) > 0.9
            near = 1e-8 * swing + kernels.NEAR
            assert np.all(found[1][known] >= high[known] - near - slack)
            assert np.all(found[0][known] <= low[known] + near + slack)
            assert np.all(found[1][known] <= (high + high_by)[known] + near)
            assert np.all(found[0][known] >= (low - low_by)[known] - near)

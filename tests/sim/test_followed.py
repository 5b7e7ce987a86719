"""Stores that fade, followed from edge to edge: against equations written out here, and Radau."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import msgspec
import numpy as np
import pytest
from scipy.integrate import solve_ivp

import sim
from sim import api, followed, followed_kernels, restarted, switching
from sim.errors import Cancelled
from sim.followed_patterns import FollowedTable, can_follow
from sim.mean_equations import MeanEquations, equilibrium, linear_values
from sim.network import Chopper, Rotor
from sim.records import Quantity
from sim.solution import STORES_STAY
from sim.state_equations import StateEquations, stack_rows
from sim.warm import compile_kernels
from tests.sim.small import Bench, drive_of, esc, steady

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from sim.event import Drive
    from sim.followed import FollowedRun
    from sim.network import Stamp
    from sim.records import Build

    Array = NDArray[np.float64]

EMF, R_W, L_W, SATURATES = 16.8, 15e-3, 80e-9, 40.0
R_C, FULL, HALF = 5e-3, 20e-6, 7.0
HENRY, OHM, RISE = 15e-6, 0.2, 20e-9
F, DUTY, PHASE = 48e3, 0.55, 0.3


def _one_leg(part: Stamp, node: Callable[[str], int]) -> None:
    part.source(node("emf"), node("0"), EMF, "emf")
    part.resistor(node("emf"), node("w"), R_W, "lead ohm")
    part.inductor(node("w"), node("in"), L_W, "lead", saturation_a=SATURATES)
    part.chain(node("in"), node("0"), ohm=R_C, farad=FULL, half_v=HALF)
    esc(part, node, 0, "in", Chopper("esc", F, 0.0, PHASE, rise_s=RISE), henry=HENRY, ohm=OHM)


def _bench(build: Callable[[Stamp, Callable[[str], int]], None], drive: Drive) -> Bench:
    """Linearised where the event starts, as `sim.api` has it."""
    bench = Bench(build)
    at = equilibrium(bench.mean, drive.start_duty)
    bench.network = bench.network.linearised(linear_values(bench.mean, drive.start_duty, at))
    bench.equations = StateEquations(bench.network)
    bench.mean = MeanEquations(bench.equations)
    return bench


def _run(bench: Bench, drive: Drive) -> FollowedRun:
    x0 = equilibrium(bench.mean, drive.start_duty)
    return followed.run(bench.mean, drive, x0, table=FollowedTable(bench.equations))


def test_one_leg_as_its_equations_say() -> None:
    """A ceramic that keeps a tenth of itself and a lead that saturates, written out here.

        L(j) j' = E - Rw j - v,  q' = j - s i,  v = uc(q) + Rc (j - s i),  L i' = s v - R i
        uc = half tan(q / (full half)), flux likewise

    held against Runge-Kutta of order 8 restarted at every corner of the bridge.
    """
    seconds = 200e-6
    drive = steady([DUTY], seconds)
    bench = _bench(_one_leg, drive)
    run = _run(bench, drive)
    rows = stack_rows([bench.volts("in"), bench.amps("lead"), bench.amps("winding 0")])
    capacitor = bench.across("capacitance")
    _, j, i = run.sample(rows, np.array([0.0]))[:, 0]
    uc = run.sample(capacitor, np.array([0.0]))[0, 0]
    amps = SATURATES / np.sqrt(1.0 / 0.7 - 1.0)
    x = np.array([L_W * amps * np.arctan(j / amps), i, FULL * HALF * np.arctan(uc / HALF), 0, 0, 0])

    ramps = []
    for n in range(12):
        start = (n - PHASE) / F
        ramps += [(start, 1.0), (start + DUTY / F, -1.0)]
    low = [way for start, way in ramps if start + RISE <= 0.0]
    first = sum(low)
    ramps = [(start, way) for start, way in ramps if 0.0 < start < seconds]
    corners = np.unique(
        [0.0, seconds, *(a for a, _ in ramps), *(a + RISE for a, _ in ramps if a + RISE < seconds)]
    )

    def switch(t: float) -> float:
        return first + sum(way * min(max((t - a) / RISE, 0.0), 1.0) for a, way in ramps)

    def volts(t: float, x: Array) -> tuple[float, float, float]:
        current = amps * np.tan(x[0] / (L_W * amps))
        through = current - switch(t) * x[1]
        return HALF * np.tan(x[2] / (FULL * HALF)) + R_C * through, current, through

    def slopes(t: float, x: Array) -> Array:
        v, current, through = volts(t, x)
        return np.array(
            [
                EMF - R_W * current - v,
                (switch(t) * v - OHM * x[1]) / HENRY,
                through,
                v,
                v * v,
                EMF * current,
            ]
        )

    worst, highest, lowest = 0.0, -np.inf, np.inf
    for a, b in itertools.pairwise(corners):
        done = solve_ivp(
            slopes, (a, b), x, "DOP853", rtol=1e-10, atol=1e-12, dense_output=True,
            max_step=2e-7,
        )  # fmt: skip
        times = np.linspace(a, b, 801)
        expected = np.array(
            [volts(t, y)[:2] for t, y in zip(times, done.sol(times).T, strict=True)]
        )
        found = run.sample(rows, times)
        worst = max(worst, float(np.max(np.abs(found[0] - expected[:, 0]))))
        highest = max(highest, float(expected[:, 0].max()))
        lowest = min(lowest, float(expected[:, 0].min()))
        x = done.y[:, -1]
    figures = run.figures(rows, 0.0, seconds)
    swing = highest - lowest
    assert swing > 3.0  # the case asked for
    assert worst < 0.02
    assert figures.highest[0] == pytest.approx(highest, abs=0.02)
    assert figures.lowest[0] == pytest.approx(lowest, abs=0.02)
    assert figures.mean[0] == pytest.approx(x[3] / seconds, abs=1e-3)
    assert figures.mean_square[0] == pytest.approx(x[4] / seconds, rel=1e-4)
    balance = run.energy(0.0, seconds)
    assert balance.from_sources == pytest.approx(x[5], rel=1e-4)
    assert balance.residual < 1e-6
    # held at what is left at the start it would be another circuit
    start = bench.mean.stores.w(equilibrium(bench.mean, drive.start_duty))
    other = switching.run(bench.mean, drive, start).figures(rows, 0.0, seconds)
    assert abs(other.highest[0] - highest) > 0.1


def _two_legs(part: Stamp, node: Callable[[str], int], phases: tuple[float, float]) -> None:
    part.source(node("emf"), node("0"), EMF, "emf")
    part.chain(node("emf"), node("pads"), ohm=R_W, henry=L_W)
    part.chain(node("pads"), node("0"), ohm=20e-3, henry=10e-9, farad=330e-6)
    for k, phase in enumerate(phases):
        part.chain(node("pads"), node(f"in{k}"), ohm=2e-3, henry=50e-9)
        part.chain(node(f"in{k}"), node("0"), ohm=R_C, farad=FULL, half_v=9.0 + 3.0 * k)
        chopper = Chopper(f"esc{k}", F, 0.0, phase, rise_s=RISE)
        esc(part, node, k, f"in{k}", chopper, henry=HENRY, ohm=OHM, rotor=ROTOR)


ROTOR = Rotor("motor", 4e-3, 8e-6, 2e-9)


@pytest.mark.parametrize("phases", [(0.2, 0.7), (0.2, 0.2 + 8e-9 * F)])
def test_two_legs_in_hard_braking_against_radau(phases: tuple[float, float]) -> None:
    """Restarted at each edge; with the second phases the ramps of both legs overlap."""
    drive = drive_of([([0.0, 1e-4, 2e-4], [0.7, 0.7, 0.2])] * 2, 0.5e-3)
    bench = _bench(lambda part, node: _two_legs(part, node, phases), drive)
    run = _run(bench, drive)
    rows = stack_rows([bench.volts("in0"), bench.volts("in1"), bench.volts("pads")])
    t0, t1 = 0.3e-3, 0.36e-3
    x0 = run.mean.stores.x(run.states(np.array([t0]))[0])
    bits = restarted.solve(run.mean, restarted.spans(run, 0, t0, t1), x0, 1e-8, run.angles(t0))
    times, expected = restarted.read(run.mean, bits, rows)
    assert np.ptp(expected[0]) > 2.0
    assert np.max(np.abs(run.sample(rows, times) - expected)) < 0.02
    assert run.energy(0.0, 0.5e-3).residual < 1e-6


def test_extremes_and_integrals_are_of_what_is_sampled() -> None:
    drive = drive_of([([0.0, 1e-4, 2e-4], [0.7, 0.7, 0.2])] * 2, 0.5e-3)
    bench = _bench(lambda part, node: _two_legs(part, node, (0.2, 0.7)), drive)
    run = _run(bench, drive)
    rows = stack_rows([bench.volts("in0"), bench.amps("esr"), bench.volts("pads")])
    t0, t1 = 0.30001e-3, 0.3412e-3
    edges = run.edge_times(t0, t1)
    # every stretch between edges on its own, both its ends included
    cuts = np.concatenate([[t0], np.sort(np.concatenate([edges, edges + RISE])), [t1]])
    cuts = cuts[cuts <= t1]
    mean, square = np.zeros(3), np.zeros(3)
    highest, lowest = np.full(3, -np.inf), np.full(3, np.inf)
    points, weights = np.polynomial.legendre.leggauss(12)
    for a, b in itertools.pairwise(cuts):
        for c, d in itertools.pairwise(np.linspace(a, b, 41)):
            times = 0.5 * (c + d) + 0.5 * (d - c) * points
            values = run.sample(rows, times)
            mean += 0.5 * (d - c) * values @ weights
            square += 0.5 * (d - c) * values**2 @ weights
            highest = np.maximum(highest, values.max(axis=1))
            lowest = np.minimum(lowest, values.min(axis=1))
    figures = run.figures(rows, t0, t1)
    assert figures.mean * (t1 - t0) == pytest.approx(mean, rel=1e-6, abs=1e-9)
    assert figures.mean_square * (t1 - t0) == pytest.approx(square, rel=1e-6)
    swing = highest - lowest
    assert np.all(figures.highest >= highest - 1e-5)
    assert np.all(figures.lowest <= lowest + 1e-5)
    assert np.all(figures.highest <= highest + 2e-2 * swing)
    assert np.all(figures.lowest >= lowest - 2e-2 * swing)
    low, high = run.envelope(rows, t0, t1, 60)
    assert high.max(axis=1) == pytest.approx(figures.highest, abs=2e-5)
    assert low.min(axis=1) == pytest.approx(figures.lowest, abs=2e-5)
    assert np.all(low <= high)
    # what is passed over piece by piece in the whole run is seen where each has bins of its own
    low, high = run.envelope(rows, 0.0, drive.duration_s, 2000)
    whole = run.extremes(rows, 0.0, drive.duration_s)
    assert whole[0] == pytest.approx(low.min(axis=1), abs=2e-5)
    assert whole[1] == pytest.approx(high.max(axis=1), abs=2e-5)
    # and the same in one walk
    beside = run.envelope_beside(rows, rows, 0.0, drive.duration_s, 2000)
    for one, other in zip(beside, (low, high, *whole), strict=True):
        assert one == pytest.approx(other, abs=2e-5)


@pytest.mark.parametrize("phases", [(0.2, 0.7), (0.2, 0.2 + 8e-9 * F)])
def test_samples_side_by_side_are_those_one_by_one(phases: tuple[float, float]) -> None:
    """Evenly spaced, of a spacing that changes, of none, and of one missing here and there."""
    drive = drive_of([([0.0, 1e-4, 2e-4], [0.7, 0.7, 0.2])] * 2, 0.5e-3)
    run = _run(bench := _bench(lambda part, node: _two_legs(part, node, phases), drive), drive)
    rows = stack_rows([bench.volts("in0"), bench.amps("esr"), bench.volts("pads")])
    rng = np.random.default_rng(7)
    even = np.linspace(0.3e-3, 0.34e-3, 1501)
    grids = {
        "even": even,
        "closer": np.union1d(even[:500], np.linspace(0.32e-3, 0.321e-3, 700)),
        "none": np.sort(rng.uniform(0.3e-3, 0.34e-3, 700)),
        "missing": even[rng.random(len(even)) < 0.7],
        "backwards": even[::-1],
    }
    for name, times in grids.items():
        found = run.sample(rows, times)
        alone = np.hstack([run.sample(rows, times[i : i + 1]) for i in range(len(times))])
        swing = np.ptp(alone, axis=1, keepdims=True)
        assert np.max(np.abs(found - alone) / swing) < 1e-9, name


def test_the_same_again_with_a_shared_table_and_after_a_stop() -> None:
    drive = steady([0.6, 0.4], 0.4e-3)
    bench = _bench(lambda part, node: _two_legs(part, node, (0.2, 0.7)), drive)
    mean, x0 = bench.mean, equilibrium(bench.mean, drive.start_duty)
    table = FollowedTable(mean.eq)
    times = np.linspace(0.0, 0.4e-3, 501)
    rows = bench.volts("in0")
    first = followed.run(mean, drive, x0, table=table).sample(rows, times)
    with pytest.raises(Cancelled):
        followed.run(mean, drive, x0, table=table, cancelled=lambda: True)
    told: list[float] = []
    again = followed.run(mean, drive, x0, table=table, progress=told.append)
    assert np.array_equal(again.sample(rows, times), first)
    assert told[-1] == pytest.approx(0.4e-3)
    own = followed.run(mean, drive, x0, table=FollowedTable(mean.eq))
    assert own.sample(rows, times) == pytest.approx(first, abs=1e-9)


def test_stores_in_one_loop_are_not_followed() -> None:
    """Two ceramics without resistance share a voltage: one has no state of its own."""

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        _one_leg(part, node)
        part.capacitor(node("0"), node("c"), 1e-6, "first", half_v=5.0)
        part.capacitor(node("0"), node("c"), 1e-6, "second", half_v=7.0)
        part.resistor(node("in"), node("c"), 1e-3, "both")

    assert can_follow(Bench(_one_leg).equations)
    assert not can_follow(Bench(build).equations)


def _with_bias(build: Build) -> Build:
    parts = []
    for part in build.parts:
        if part.kind == "ceramic":
            half = Quantity(value="12 V", mark="assumed", source="for this test")
            part = msgspec.structs.replace(part, values={**part.values, "half_voltage": half})
        parts.append(part)
    return msgspec.structs.replace(build, parts=tuple(parts))


def test_a_solution_says_what_became_of_ceramics() -> None:
    compile_kernels()
    assert followed_kernels.ready()
    build = sim.load("arms_4s_analogue")
    chop = next(e for e in build.events if e.name == "Chop")
    short = msgspec.structs.replace(
        chop, duration="1 ms", course=((0.0, 0.6), (0.2e-3, 0.6), (0.3e-3, 0.2))
    )
    build = _with_bias(msgspec.structs.replace(build, events=(short,)))
    case = api.prepare(build, 1, "No capacitor")
    runs = {
        "followed": api.solve_case(case, "edges"),
        "held": api.solve_case(case, "edges", follow=False),
        "averaged": api.solve_case(case, "averaged"),
    }
    assert [run.stores for run in runs.values()] == [
        "followed",
        "as at the start",
        "as at the start",
    ]
    assert [STORES_STAY in run.not_covered for run in runs.values()] == [False, True, True]
    assert runs["followed"].energy.residual < 1e-6
    peaks = [
        next(j.peak_V for j in runs[name].joints if j.id == "esc1.in")
        for name in ("followed", "held")
    ]
    assert peaks[0] is not None
    assert peaks[1] is not None
    assert abs(peaks[0] - peaks[1]) > 0.2
    plain = api.solve_case(
        api.prepare(sim.load("arms_4s_analogue"), "Chop", "No capacitor"), "averaged"
    )
    assert plain.stores == "steady"


def test_a_coil_deep_in_saturation_is_taken_as_at_the_start() -> None:
    """Without a capacitor the rig's stage sees 17 to 35 V: its coil is beyond what steps follow."""
    compile_kernels()
    run = api.solve_case(api.prepare(sim.load("bench_rig_6s"), "Chop", "No capacitor"), "edges")
    assert run.stores == "as at the start"
    assert STORES_STAY in run.not_covered
    assert run.energy.residual < 1e-6

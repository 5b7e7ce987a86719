"""Runs with every edge: hand-written references, edge cases, energy, extremes, repeatability."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

import sim
from sim import api, averaged, restarted, switching
from sim.errors import Conflict
from sim.mean_equations import equilibrium, residual_scale
from sim.network import Chopper, Load, Rotor
from sim.patterns import RampMatrices
from sim.state_equations import stack_rows
from tests.sim.nodal import Nodal
from tests.sim.small import Bench, Course, Reference, drive_of, edge_run, esc, quad, steady

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from sim.event import Drive
    from sim.network import Stamp
    from sim.state_equations import Rows

    Array = NDArray[np.float64]

PLAIN_ROTOR = Rotor("motor", 5e-3, 8e-6, 0.0)
PROPELLER = Rotor("motor", 5e-3, 8e-6, 2.5e-9)


# -- a hand-written circuit -----------------------------------------------------


@pytest.mark.parametrize("output_farad", [0.0, 1.5e-9])
def test_one_leg_with_a_ceramic(output_farad: float) -> None:
    """0.6 nH behind the bridge, 60 A, a 20 ns ramp: the peak to 0.1 V of Radau at 1e-10.

    The equations are written out here. Without output capacitance the ceramic's inductance and
    the lead's carry the bridge's current s i; with it that current meets a voltage:

        v = s vi,  L i' = s v - R i;  lead: Lw j' = E - Rw j - v;  ceramic: Lc q' = v - uc - Rc q
        j = q + s i (cut-set), or  Co v' = j - q - s i
    """
    emf, r_w, l_w = 16.8, 5e-3, 60e-9
    r_c, l_c, c_c = 5e-3, 0.6e-9, 10e-6
    henry, ohm, rise = 100e-6, 0.265, 20e-9
    f, duty, phase = 48e3, 0.975, 0.965

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), emf, "emf")
        part.resistor(node("emf"), node("w"), r_w, "lead ohm")
        part.inductor(node("w"), node("in"), l_w, "lead")
        part.chain(node("in"), node("0"), ohm=r_c, henry=l_c, farad=c_c)
        part.capacitor(node("in"), node("0"), output_farad, "output")
        esc(part, node, 0, "in", Chopper("esc", f, 0.0, phase, rise_s=rise), henry=henry, ohm=ohm)

    bench = Bench(build)
    # high at first; low for half a microsecond, then high again
    end = 0.9e-6
    run = bench.run(steady([duty], end), settle_s=0.0)
    edges = [((duty - phase) / f, -1), ((1.0 - phase) / f, 1)]
    corners = sorted({0.0, *(t for t, _ in edges), *(t + rise for t, _ in edges), end})
    rows = stack_rows(
        [bench.amps("lead"), bench.amps("winding 0"), bench.amps("esl"), bench.volts("in")]
    )
    j, i, q, _ = run.sample(rows, np.array([0.0]))[:, 0]
    at_rest = run.sample(bench.across("capacitance"), np.array([0.0]))[0, 0]
    i_0 = 60.0
    assert abs(i - i_0) < 2.0  # the case asked for

    def switch(t: float) -> tuple[float, float]:
        s, slope = 1.0, 0.0
        for start, way in edges:
            s += way * min(max((t - start) / rise, 0.0), 1.0)
            slope += way / rise * (start <= t < start + rise)
        return s, slope

    def supply(t: float, x: Array) -> float:
        """Voltage of the cut-set of lead, ceramic and bridge: j' = q' + s' i + s i'."""
        j, i, uc = x[:3]
        s, slope = switch(t)
        q = j - s * i
        g = 1.0 / l_w + 1.0 / l_c + s * s / henry
        drive = (emf - r_w * j) / l_w + (uc + r_c * q) / l_c - slope * i + s * ohm * i / henry
        return float(drive / g)

    def slopes(t: float, x: Array) -> Array:
        j, i, uc = x[:3]
        s, _ = switch(t)
        if output_farad == 0.0:
            v = supply(t, x)
            q = j - s * i
            return np.array([(emf - r_w * j - v) / l_w, (s * v - ohm * i) / henry, q / c_c])
        q, v = x[3:]
        return np.array(
            [
                (emf - r_w * j - v) / l_w,
                (s * v - ohm * i) / henry,
                q / c_c,
                (v - uc - r_c * q) / l_c,
                (j - q - s * i) / output_farad,
            ]
        )

    x = np.array([j, i, at_rest])
    if output_farad:
        x = np.array([j, i, at_rest, q, run.sample(bench.volts("in"), np.array([0.0]))[0, 0]])
    peaks, lows = [], []
    for t0, t1 in itertools.pairwise(corners):
        # inside the stretch, so that the slope of s is its own throughout
        eps = 1e-9 * (t1 - t0)
        solved = solve_ivp(
            lambda t, x, a=t0 + eps, b=t1 - eps: slopes(min(max(t, a), b), x),
            (t0, t1), x, method="Radau", rtol=1e-10, atol=1e-10, dense_output=True,
        )  # fmt: skip
        times = np.linspace(t0 + eps, t1 - eps, 4001)
        times = np.union1d(times, np.linspace(t0 + eps, min(t1, t0 + 500e-9) - eps, 4001))
        states = solved.sol(times)
        v = np.array(
            [
                supply(t, y) if not output_farad else y[4]
                for t, y in zip(times, states.T, strict=True)
            ]
        )
        peaks.append(v.max())
        lows.append(v.min())
        x = solved.y[:, -1]
        middle = times[len(times) // 3 :: len(times) // 3]
        got = run.sample(bench.volts("in"), middle)[0]
        wanted = v[len(times) // 3 :: len(times) // 3]
        assert np.max(np.abs(got - wanted)) < 0.01
    found = run.figures(bench.volts("in"), 0.0, end)
    assert abs(found.highest[0] - max(peaks)) < 0.1
    assert abs(found.lowest[0] - min(lows)) < 0.1
    # a spike there is: an edge of 60 A through a nanohenry is no smooth affair
    assert max(peaks) > emf + 2.5


# -- edge cases against the node equations ---------------------------------------


def agrees(bench: Bench, drive: Drive, share: float = 1e-6) -> switching.EdgeRun:
    """A run equals the node equations' own solution, to a share of each kind's swing."""
    run = bench.run(drive, settle_s=0.0)
    nodal = Nodal(bench.network)
    known = bench.network.n_nodes - 1
    rows = [bench.equations.volts(node, 0) for node in range(1, known + 1)]
    rows += [bench.equations.amps([(i, 1.0)]) for i in nodal.inductors]
    every = stack_rows(rows)
    start = np.zeros(nodal.n)
    start[: len(rows)] = run.sample(every, np.array([0.0]))[:, 0]
    reference = Reference(nodal, Course(bench.network, drive), start)
    # (edges at one instant are rounded apart; between them is no time to speak of)
    real = np.diff(Course(bench.network, drive).corners) > 1e-14
    wanted = reference.x[real, : len(rows)]
    got = run.sample(every, reference.times[real]).T
    for kind in (slice(0, known), slice(known, None)):
        allowed = share * max(np.max(np.ptp(wanted[:, kind], axis=0)), 1e-3)
        assert np.max(np.abs(got[:, kind] - wanted[:, kind])) < allowed
    return run


F = 48e3
PERIOD = 1.0 / F


def one_and_another(n: int = 2, phases: tuple[float, ...] = (0.3, 0.62), **spec: object) -> Bench:
    """A pack, a capacitor and n bridges at one place: small enough for 50 digits."""

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), 16.8, "emf")
        part.resistor(node("emf"), node("w"), 25e-3, "pack")
        part.inductor(node("w"), node("in"), 200e-9, "lead")
        part.chain(node("in"), node("0"), ohm=8e-3, henry=3e-9, farad=330e-6)
        for k in range(n):
            esc(part, node, k, "in", Chopper(f"esc{k}", F, 0.0, phases[k], **spec))  # type: ignore[arg-type]

    return Bench(build)


@pytest.mark.parametrize(
    ("what", "spec", "courses"),
    [
        ("low and high for good", {}, [([0.0], [0.0]), ([0.0], [1.0])]),
        ("a pulse shorter than its ramp", {}, [([0.0], [1e-4]), ([0.0], [0.5])]),
        ("a gap shorter than its ramp", {}, [([0.0], [1.0 - 1e-4]), ([0.0], [0.5])]),
        (
            "edges 10 ps apart",
            {"phases": (0.3, 0.3 + 1e-11 * F)},
            [([0.0], [0.4]), ([0.0], [0.4])],
        ),
        ("edges at one instant", {"phases": (0.3, 0.3)}, [([0.0], [0.4]), ([0.0], [0.4])]),
        (
            "one up as the other comes down",
            {"phases": (0.25, 0.75)},
            [([0.0], [0.5]), ([0.0], [0.5])],
        ),
        ("centred carriers", {"centred": True}, [([0.0], [0.3]), ([0.0], [0.8])]),
        (
            "a duty that moves over its whole range",
            {},
            [([0.0, 4 * PERIOD], [0.0, 1.0]), ([0.0, 4 * PERIOD], [1.0, 0.0])],
        ),
        (
            "steps of duty",
            {},
            [([0.0, 1.5 * PERIOD, 1.5 * PERIOD], [0.9, 0.9, 0.0]), ([0.0], [0.6])],
        ),
        (
            "slow edges that overlap all the time",
            {"rise_s": 8e-6},
            [([0.0], [0.4]), ([0.0], [0.7])],
        ),
        ("an edge cut off by the end", {"phases": (0.5 + 5e-9 * F, 0.0)}, [([0.0], [0.5])] * 2),
    ],
    ids=lambda value: value.replace(" ", "-") if isinstance(value, str) else "",
)
def test_edge_cases(
    what: str, spec: dict[str, object], courses: list[tuple[list[float], list[float]]]
) -> None:
    bench = one_and_another(**spec)  # type: ignore[arg-type]
    drive = drive_of(courses, 5 * PERIOD if len(courses[0][0]) > 1 else 2 * PERIOD)
    agrees(bench, drive)


@pytest.mark.parametrize(
    "zeros",
    [
        {"esr": 0.0},
        {"esl": 0.0},
        {"esr": 0.0, "esl": 0.0},
        {"farad": 0.0},  # a bridge in a cut-set of inductors
        {"farad": 0.0, "arm_ohm": 0.0},
    ],
    ids=str,
)
def test_exact_zeros(zeros: dict[str, float]) -> None:
    """No made-up parasitics: an exact zero is an exact zero."""
    agrees(quad(1, phases=[0.4], **zeros), steady([0.5], PERIOD))


def test_a_ceramic_straight_on_the_bulk() -> None:
    """A loop of capacitors alone."""

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), 16.8, "emf")
        part.resistor(node("emf"), node("in"), 25e-3, "pack")
        part.capacitor(node("in"), node("0"), 470e-6, "bulk")
        part.capacitor(node("in"), node("0"), 10e-6, "ceramic")
        esc(part, node, 0, "in", Chopper("esc", F, 0.0, 0.4))

    agrees(Bench(build), steady([0.5], PERIOD))


def test_twelve_escs_at_once_are_one_of_twelve_times_the_size() -> None:
    """Equal ESCs with equal carriers: equal modes, 24 edges at one instant."""
    twelve = quad(12, phases=[0.4] * 12)
    one = quad(1, phases=[0.4], share=12.0)
    times = np.linspace(0.0, 2 * PERIOD, 500)
    found = []
    for bench, n in ((twelve, 12), (one, 1)):
        run = bench.run(steady([0.45] * n, 2 * PERIOD), settle_s=0.0)
        rows = stack_rows([bench.volts("in0"), bench.volts("pads"), bench.amps("pack leads")])
        found.append(run.sample(rows, times))
        assert run.edges == 4 * n
    assert np.max(np.abs(found[0] - found[1])) < 1e-6


def test_twelve_free_escs_meet_few_patterns() -> None:
    """4,096 patterns there are; a run makes those it meets, and its energy adds up."""
    bench = quad(12, offset=None)
    run = bench.run(steady([0.4] * 12, 2e-3), settle_s=0.0)
    assert len(run._m.table.index) < 2 * run.edges
    assert run.energy(0.0, 2e-3).residual < 1e-9


@pytest.mark.parametrize("miss", [0.0, 1e-15, 1e-9, 1e-6])
def test_critical_damping(miss: float) -> None:
    """Two modes that merge, or nearly: against scipy's exponential of the plain matrix."""
    henry, farad = 1e-6, 1e-6
    ohm = 2.0 * (1.0 + miss)  # of a series circuit: twice the root of L/C
    bulk_ohm = 1e-3

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), 10.0, "emf")
        part.resistor(node("emf"), node("w"), ohm, "series")
        part.inductor(node("w"), node("in"), henry, "coil")
        part.capacitor(node("in"), node("0"), farad, "cap")
        esc(part, node, 0, "in", Chopper("esc", F, 0.0, 0.1), ohm=bulk_ohm)

    bench = Bench(build)
    eq = bench.equations
    x0 = np.zeros(eq.n_states)
    run = edge_run(bench.mean, steady([0.0], 50e-6), x0, settle_s=0.0)
    times = np.array([1e-9, 1e-7, 1e-6, 3e-6, 1e-5, 4.9e-5])
    a = np.array([[-ohm / henry, -1.0 / henry, 10.0 / henry], [1.0 / farad, 0.0, 0.0], [0.0] * 3])
    wanted = np.array([(expm(a * t) @ [0.0, 0.0, 1.0])[:2] for t in times]).T
    got = run.sample(stack_rows([bench.amps("coil"), bench.volts("in")]), times)
    # (of 10: modes that merge are parted by a change of 1e-11 in the network's values)
    assert np.max(np.abs(got - wanted)) < 3e-8


def test_an_edge_longer_than_its_period_is_refused() -> None:
    with pytest.raises(Conflict, match="carrier period"):
        quad(1, phases=[0.0], rise_s=25e-6).run(steady([0.5], PERIOD))


# -- the sample -------------------------------------------------------------------


def every_edge(case: api.Case, run: switching.EdgeRun) -> tuple[Array, Callable[[float], Array]]:
    """Corners and switch values of a run, from carriers and the duties that were latched."""
    c = run._m.carriers
    ramps = []
    for k, chopper in enumerate(case.equations.network.choppers):
        f, phase = c.frequency_hz[k], c.phase[k]
        for n in range(-1, int(run.duration_s * f) + 2):
            start = (n - phase) / f
            duty = float(run.duties(np.array([max(start, 0.0) + 1e-9 / f]))[k, 0])
            ramps += [(start, 1.0, k, chopper.rise_s), (start + duty / f, -1.0, k, chopper.rise_s)]

    def s_of(t: float) -> Array:
        s = np.zeros(case.equations.n_switches)
        for start, way, k, rise in ramps:
            s[k] += way * min(max((t - start) / rise, 0.0), 1.0)
        return s

    times = np.array([t for t, *_ in ramps] + [t + rise for t, _, _, rise in ramps])
    return np.sort(times), s_of


@pytest.mark.parametrize("begin_s", [2e-3, 26e-3], ids=["cruise", "braking"])
def test_sample_against_radau(begin_s: float) -> None:
    """Every edge of the sample: within 1e-4 V of Radau at 1e-9 restarted at each corner."""
    case = api.prepare(sim.load("arms_4s_analogue"), "Chop", None)
    run = switching.run(case.mean, case.drive, case.start, 0)
    eq, mean = case.equations, case.mean
    end = begin_s + 0.12e-3
    corners, s_of = every_edge(case, run)
    cuts = [begin_s, *np.unique(corners[(corners > begin_s) & (corners < end)]), end]
    places = ["esc1.in", "esc3.in", "pads", "pack.out", "vtx.in"]
    rows = stack_rows([eq.volts(*eq.network.ports[p]) for p in places if p in eq.network.ports])
    x = run.states(np.array([begin_s]))[0]
    # (of the equations themselves, not those that lean on their loads)
    ramps = RampMatrices(eq)
    worst, reverse = 0.0, False
    for t0, t1 in itertools.pairwise(cuts):
        if t1 - t0 < 1e-13:
            continue
        s0, s1 = s_of(t0), s_of(t1)
        slope = (s1 - s0) / (t1 - t0)

        def inputs(s: Array, x: Array, a: Array, b: Array) -> Array:
            u = np.zeros(eq.n_inputs)
            u[eq.source_inputs] = eq.sources
            w = eq.speeds(x)
            u[eq.torque_inputs] = eq.drag * w * np.abs(w)
            lv = eq.load_volts
            for _ in range(4):
                volts = lv.x.at(s) @ x + lv.u.at(s) @ u + lv.d.at(s) @ (a @ x + b @ u)
                u[eq.load_inputs] = mean.laws.amps(volts)[0]
            return u

        still = not np.any(np.abs(s1 - s0) > 1e-9)
        fixed = ramps.at(np.round(s0), np.zeros_like(slope)) if still else None

        def slopes(
            t: float,
            x: Array,
            t0: float = t0,
            s0: Array = s0,
            slope: Array = slope,
            fixed: tuple[Array, Array] | None = fixed,
        ) -> Array:
            s = s0 + slope * (t - t0)
            a, b = fixed or ramps.at(s, slope)
            return np.asarray(a @ x + b @ inputs(s, x, a, b))

        jac = ramps.at(0.5 * (s0 + s1), slope)[0]
        solved = solve_ivp(
            slopes, (t0, t1), x, method="Radau", jac=lambda t, x, j=jac: j,
            rtol=1e-9, atol=1e-9 * residual_scale(eq), dense_output=True,
        )  # fmt: skip
        x = solved.y[:, -1]
        times = t0 + np.array([0.21, 0.5, 0.83]) * (t1 - t0)
        got = run.sample(rows, times)
        for i, t in enumerate(times):
            s = s0 + slope * (t - t0)
            a, b = fixed or ramps.at(s, slope)
            state = solved.sol(t)
            u = inputs(s, state, a, b)
            dx = a @ state + b @ u
            wanted = rows.x.at(s) @ state + rows.d.at(s) @ dx + rows.u.at(s) @ u
            for k, ramp in enumerate(rows.ramp):
                wanted = wanted + slope[k] * (ramp.at(s) @ state)
            worst = max(worst, float(np.max(np.abs(got[:, i] - wanted))))
    reverse = float(run.figures(eq.source_amps, begin_s, end).mean[0]) < 0.0
    assert worst < 1e-4
    assert reverse == (begin_s > 25e-3), "braking pushes current into the pack"


def against_radau(run: switching.EdgeRun, rows: Rows, t0: float, seconds: float) -> float:
    """Largest difference (V) to Radau at 1e-9 with P/v at every instant, over a stretch."""
    spans = restarted.spans(run, 0, t0, t0 + seconds)
    start = run.states(np.array([t0]))[0]
    times, expected = restarted.read(
        run.mean, restarted.solve(run.mean, spans, start, 1e-9, run.angles(t0)), rows
    )
    return float(np.max(np.abs(run.sample(rows, times) - expected)))


@pytest.mark.parametrize("begin_s", [2e-3, 26e-3], ids=["cruise", "braking"])
@pytest.mark.parametrize("option", ["One on the pads", "One at each ESC"])
def test_options_of_the_sample_against_radau(option: str, begin_s: float) -> None:
    """Loads of constant power follow their law, P/v, to 1e-4 V at ESCs, pads, pack and VTX."""
    case = api.prepare(sim.load("arms_4s_analogue"), "Chop", option)
    drive = replace(case.drive, duration_s=begin_s + 50e-6)
    run = switching.run(case.mean, drive, case.start, 0, table=case.table)
    eq = case.equations
    ports = eq.network.ports
    places = ["esc1.in", "esc2.in", "esc3.in", "esc4.in", "pads", "pack.out", "vtx.in"]
    rows = stack_rows([eq.volts(*ports[p]) for p in places])
    assert against_radau(run, rows, begin_s, 40e-6) < 1e-4


def ringing(watts: float = 20.0) -> Bench:
    """A load of constant power on a ceramic that rings by volts with its lead at every edge."""

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), 16.8, "emf")
        part.resistor(node("emf"), node("w"), 15e-3, "pack")
        part.inductor(node("w"), node("in"), 200e-9, "lead")
        part.chain(node("in"), node("0"), ohm=4e-3, farad=3e-6)
        part.load(node("in"), node("0"), Load("vtx", "power", watts, 7.0, 0.0))
        part.load(node("in"), node("0"), Load("cam", "power", 0.3 * watts, 5.0, 50e3))
        esc(part, node, 0, "in", Chopper("esc", F, 0.0, 0.4), ohm=0.4)

    return Bench(build)


def test_a_large_ring_with_power_loads_against_radau() -> None:
    """Two periods of the bridge; with the loads' currents held whole it is 0.27 V off."""
    bench = ringing()
    run = bench.run(steady([0.5], 0.4e-3))
    rows = bench.volts("in")
    swing = np.ptp(run.sample(rows, np.linspace(0.2e-3, 0.24e-3, 4000)))
    assert swing > 6.0, "the case asked for"
    assert against_radau(run, rows, 0.2e-3, 2.0 * PERIOD) < 0.1
    balance = run.energy(0.0, 0.4e-3)
    assert balance.residual < 1e-9
    assert balance.by_owner["vtx"] == pytest.approx(20.0 * 0.4e-3, rel=0.013)


# -- energy -----------------------------------------------------------------------


@pytest.mark.parametrize(
    "bench",
    [
        pytest.param(lambda: quad(2, offset=None), id="two legs"),
        pytest.param(lambda: quad(4, offset=None, rotor=PLAIN_ROTOR), id="four motors"),
        pytest.param(lambda: quad(2, phases=[0.2, 0.2], rise_s=2e-6), id="overlapping ramps"),
        pytest.param(lambda: quad(2, offset=None, farad=0.0), id="cut-sets"),
        pytest.param(lambda: quad(2, offset=None, esr=0.0), id="zero ESR"),
        pytest.param(lambda: quad(2, offset=None, esr=0.0, esl=0.0), id="capacitor loops"),
        pytest.param(lambda: one_and_another(), id="one place"),
    ],
)
def test_energy_adds_up_on_linear_builds(bench: Callable[[], Bench]) -> None:
    made = bench()
    n = made.equations.n_switches
    drive = drive_of([([0.0, 1e-3, 1.2e-3], [0.6, 0.6, 0.2])] * n, 3e-3)
    run = made.run(drive)
    for t0, t1 in ((0.0, 3e-3), (0.31e-3, 1.7e-3)):
        assert run.energy(t0, t1).residual < 1e-9


def test_energy_adds_up_with_drag_and_power_loads() -> None:
    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), 16.8, "emf")
        part.resistor(node("emf"), node("w"), 25e-3, "pack")
        part.inductor(node("w"), node("in"), 200e-9, "lead")
        part.chain(node("in"), node("0"), ohm=8e-3, henry=3e-9, farad=330e-6)
        part.load(node("in"), node("0"), Load("vtx", "power", 12.0, 7.0, 0.0))
        part.load(node("in"), node("0"), Load("cam", "power", 3.0, 5.0, 50e3))
        esc(part, node, 0, "in", Chopper("esc", F, 0.0, 0.4), ohm=0.08, rotor=PROPELLER)

    bench = Bench(build)
    run = bench.run(drive_of([([0.0, 2e-3, 3e-3], [0.6, 0.6, 0.2])], 10e-3))
    balance = run.energy(0.0, 10e-3)
    assert balance.residual < 1e-9
    # beside its slope its current is held from one edge to the next, while the voltage moves on
    assert balance.by_owner["vtx"] == pytest.approx(0.12, rel=0.02)


# -- extremes ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "bench",
    [
        pytest.param(lambda: quad(2, phases=[0.2, 0.45]), id="ceramics"),
        pytest.param(lambda: quad(2, phases=[0.2, 0.45], farad=0.0), id="cut-sets"),
        pytest.param(lambda: quad(2, phases=[0.2, 0.201], rise_s=200e-9), id="overlapping"),
        pytest.param(
            lambda: quad(1, phases=[0.2], farad=2e-9, esr=0.1), id="fast and lightly damped"
        ),
    ],
)
def test_extremes_against_brute_force(bench: Callable[[], Bench]) -> None:
    """Never inside what dense sampling sees; outside it by no more than it can miss."""
    made = bench()
    n = made.equations.n_switches
    run = made.run(steady([0.5] * n, 2.2 * PERIOD))
    rows = stack_rows([made.volts("in0"), made.volts("pads"), made.volts("mid0"), made.amps("arm")])
    t0, t1 = 0.3 * PERIOD, 2.1 * PERIOD
    figures = run.figures(rows, t0, t1)
    edges = run.edge_times(t0, t1 - 2e-6)
    assert np.all(np.diff(edges) >= 0.0)
    times = np.union1d(
        np.linspace(t0, t1, 60_001),
        np.concatenate([t + np.linspace(-1e-12, 1.5e-6, 12_001) for t in edges]),
    )
    times = times[(times >= t0) & (times <= t1)]
    seen = run.sample(rows, times)
    # what lies between two samples: the bow of a parabola through three of them
    bow = np.abs(np.diff(seen, 2, axis=1))
    for row in range(4):
        swing = np.ptp(seen[row])
        high, low = figures.highest[row], figures.lowest[row]
        assert high >= seen[row].max() - 3e-6 * swing
        assert low <= seen[row].min() + 3e-6 * swing
        at_top, at_floor = np.argmax(seen[row]), np.argmin(seen[row])
        for at, outside in ((at_top, high - seen[row].max()), (at_floor, seen[row].min() - low)):
            near = bow[row, max(at - 3, 0) : at + 3]
            assert outside <= near.max() + 1e-5 * swing
        # and each extreme is really taken, where it says
        for value, at_s in (
            (high, figures.highest_at[row]),
            (low, figures.lowest_at[row]),
        ):
            around = run.sample(rows, np.array([at_s - 1e-15, at_s, at_s + 1e-15]))[row]
            assert np.min(np.abs(around - value)) < 1e-5 * swing
    low, high = run.envelope(rows, t0, t1, 400)
    assert np.max(high, axis=1) == pytest.approx(figures.highest, abs=1e-6)
    assert np.min(low, axis=1) == pytest.approx(figures.lowest, abs=1e-6)
    # bin by bin, but for samples within a ramp, which a bin's border may cut
    which = np.clip(((times - t0) / (t1 - t0) * 400).astype(int), 0, 399)
    inside = (times - t0) / (t1 - t0) * 400 - which
    clear = (inside > 1e-6) & (inside < 1.0 - 1e-6)
    for t in run.edge_times(0.0, t1):
        clear &= (times < t - 1e-12) | (times > t + made.network.choppers[0].rise_s + 1e-12)
    for row in range(4):
        swing = np.ptp(seen[row])
        assert np.max(seen[row, clear] - high[row, which[clear]]) < 1e-5 * swing
        assert np.max(low[row, which[clear]] - seen[row, clear]) < 1e-5 * swing


# -- both levels ------------------------------------------------------------------


def test_averaged_is_honest_about_itself() -> None:
    """Modes far below the carrier: twice the carrier, at most half the difference."""

    def difference(carrier: float) -> float:
        def build(part: Stamp, node: Callable[[str], int]) -> None:
            part.source(node("emf"), node("0"), 16.8, "emf")
            part.resistor(node("emf"), node("w"), 50e-3, "pack")
            part.inductor(node("w"), node("in"), 5e-6, "lead")
            part.chain(node("in"), node("0"), ohm=20e-3, henry=0.0, farad=1000e-6)
            chopper = Chopper("esc", carrier, 0.0, 0.0, centred=True)
            esc(part, node, 0, "in", chopper, henry=200e-6, ohm=0.5)

        bench = Bench(build)
        # a step at the start of a period of every carrier: a duty that moves is latched late
        drive = drive_of([([0.0, 1e-3, 1e-3], [0.6, 0.6, 0.3])], 4e-3)
        start = equilibrium(bench.mean, drive.start_duty)
        edges = edge_run(bench.mean, drive, start)
        mean = averaged.run(bench.mean, drive, start)
        rows = stack_rows([bench.volts("in"), bench.amps("lead")])
        worst = 0.0
        # whole carrier periods, the same stretches of time at every carrier
        for t0 in np.arange(0.5e-3, 3.6e-3, 0.25e-3):
            window = t0, t0 + 0.125e-3
            one = edges.figures(rows, *window).mean
            other = mean.figures(rows, *window).mean
            worst = max(worst, abs(float(one[0] - other[0])))
        return worst

    slow, middle, fast = (difference(f) for f in (16e3, 32e3, 64e3))
    assert middle <= 0.5 * slow
    assert fast <= 0.5 * middle


# -- repeatability ----------------------------------------------------------------


def test_the_same_twice() -> None:
    build = sim.load("arms_4s_analogue")
    signals = [sim.Signal("volts", "pads"), sim.Signal("volts", "esc1.in")]
    times = np.linspace(0.0, 0.15, 2000)
    runs = [sim.solve(build, "Chop", None, "edges", seed) for seed in (3, 3, 4)]
    one, two, three = (run.sample(signals, times) for run in runs)
    assert np.max(np.abs(one - two)) == 0.0
    assert np.max(np.abs(one - three)) > 1e-3
    assert runs[0].joints == runs[1].joints


def test_being_watched_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Progress and cancelling, with every place they look at inside the ramp of an edge."""
    monkeypatch.setattr(switching, "_LEAST_LOOKS", 40)
    bench = quad(2, phases=[10e-9 * F] * 2, frequency=F)
    drive = steady([0.5, 0.3], 40 * PERIOD)
    times = np.linspace(0.0, 40 * PERIOD, 3000)
    plain = bench.run(drive, settle_s=0.0)
    told: list[float] = []
    watched = bench.run(drive, settle_s=0.0, progress=told.append, cancelled=lambda: False)
    assert len(told) >= 40
    assert told == sorted(told)
    assert np.max(np.abs(plain.states(times) - watched.states(times))) == 0.0


def test_cancelled() -> None:
    told: list[float] = []
    with pytest.raises(sim.SimError, match="newer request"):
        quad(2).run(steady([0.5, 0.3], 5e-3), progress=told.append, cancelled=lambda: True)


_WITHOUT_NUMBA = """
import sys
import numpy as np
from sim import switching, kernels
from tests.sim.small import quad, drive_of
bench = quad(2, phases=[0.2, 0.5])
run = bench.run(drive_of([([0.0, 1e-4], [0.6, 0.2])] * 2, 2e-4), settle_s=0.0)
times = np.linspace(0.0, 2e-4, 300)
figures = run.figures(bench.volts("in0"), 0.0, 2e-4)
np.save(sys.argv[1], np.append(run.states(times).ravel(), [figures.highest, figures.mean_square]))
"""


def test_without_numba_the_same(tmp_path: Path) -> None:
    found = []
    for off in ("0", "1"):
        file = tmp_path / f"{off}.npy"
        subprocess.run(
            [sys.executable, "-c", _WITHOUT_NUMBA, str(file)],
            check=True,
            timeout=300,
            env={**os.environ, "NUMBA_DISABLE_JIT": off},
            cwd=Path(__file__).parents[2],
        )
        found.append(np.load(file))
    assert np.max(np.abs(found[0] - found[1])) < 1e-9 * np.max(np.abs(found[0]))

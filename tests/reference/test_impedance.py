"""Impedance and transfer against handbook formulas, node equations and the time domain."""

from __future__ import annotations

import itertools
import json
import math
from typing import TYPE_CHECKING, Any

import control
import numpy as np
import pytest
from scipy.integrate import solve_ivp

import sim
from sim.assemble import assemble
from sim.build import loads
from sim.impedance import SmallSignal, default_hz, impedance, transfer
from sim.options import apply
from sim.records import Build, Change, Option
from sim.state_equations import AUX_SCALE
from tests.sim.node_impedance import node_impedance
from tests.sim.small import Bench

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from sim.network import Stamp


def wired(parts: Sequence[dict[str, Any]], *joins: tuple[str, str]) -> Build:
    """Parts as {"id", "kind", values...}, joined by plain leads; steady event."""
    document = {
        "name": "check",
        "parts": [
            {
                "id": part["id"],
                "kind": part["kind"],
                "values": {k: v for k, v in part.items() if k not in ("id", "kind")},
            }
            for part in parts
        ],
        "leads": [{"id": f"w{i}", "from": a, "to": b} for i, (a, b) in enumerate(joins)],
        "events": [{"name": "Still", "kind": "steady", "duration": "1 ms", "duty": 0.5}],
    }
    return loads(json.dumps(document).encode())


def supply(volt: float = 24.0, **more: Any) -> dict[str, Any]:
    return {"id": "psu", "kind": "bench_supply", "voltage": volt, **more}


def ceramic(name: str, farad: float, **more: Any) -> dict[str, Any]:
    return {"id": name, "kind": "ceramic", "capacitance": farad, **more}


def coil(name: str, henry: float, **more: Any) -> dict[str, Any]:
    return {"id": name, "kind": "inductor", "inductance": henry, **more}


def peak_near(build: Build, at: str, hz: float) -> float:
    """Largest impedance within a factor of three of a frequency."""
    grid = np.geomspace(hz / 3.0, 3.0 * hz, 2001)
    return float(np.max(impedance(build, at, hz=grid).values))


# Optimum damping of an LC filter by Rd in series with Cd = n C across C. Formulas: R. W.
# Erickson, Optimal single resistor damping of input filters, APEC 1999 (formulas from memory,
# confirmed by a numerical minimax); the second line of each is R0, Rd and Zpeak in ohm.
@pytest.mark.parametrize(
    ("n", "peak", "q"),
    [
        (1.0, 2.44949, 1.449138),
        (2.0, 1.414214, 0.912871),
        (4.0, 0.866025, 0.612372),
        (10.0, 0.489898, 0.381725),
    ],
)
def test_capacitive_damping_has_the_peak_of_the_formula(n: float, peak: float, q: float) -> None:
    henry, farad = 10e-6, 22e-6
    r0, f0 = math.sqrt(henry / farad), 1.0 / math.tau / math.sqrt(henry * farad)
    build = wired(
        [supply(), coil("l", henry), ceramic("c", farad), ceramic("cd", n * farad, esr=q * r0)],
        ("psu.out", "l.in"), ("l.out", "c"), ("l.out", "cd"),
    )  # fmt: skip
    assert peak_near(build, "c", f0) == pytest.approx(peak * r0, rel=2e-5)


def test_book_example_of_a_damped_input_filter() -> None:
    # Erickson & Maksimovic, Fundamentals of Power Electronics, 2nd ed., ch. 10 (from memory):
    # 330 uH, 470 uF, peak 1 ohm wanted: Cd 1200 uF (1184), Rd 0.67 ohm (0.6657)
    build = wired(
        [
            supply(30.0),
            coil("l", 330e-6),
            ceramic("c", 470e-6),
            ceramic("cd", 2.5191 * 470e-6, esr=0.6657),
        ],
        ("psu.out", "l.in"), ("l.out", "c"), ("l.out", "cd"),
    )  # fmt: skip
    assert peak_near(build, "c", 404.12) == pytest.approx(1.0, rel=2e-4)


# The same author's second circuit: Ld = n L in series with Rd, across L.
@pytest.mark.parametrize(
    ("n", "peak", "q"), [(0.25, 0.866025, 0.612372), (0.5, 1.414214, 0.912871)]
)
def test_inductive_damping_has_the_peak_of_the_formula(n: float, peak: float, q: float) -> None:
    henry, farad = 10e-6, 22e-6
    r0, f0 = math.sqrt(henry / farad), 1.0 / math.tau / math.sqrt(henry * farad)
    build = wired(
        [supply(), coil("l", henry), coil("ld", n * henry, dcr=q * r0), ceramic("c", farad)],
        ("psu.out", "l.in"), ("psu.out", "ld.in"), ("l.out", "c"), ("ld.out", "c"),
    )  # fmt: skip
    assert peak_near(build, "c", f0) == pytest.approx(peak * r0, rel=2e-5)


def test_a_filter_of_a_quad_damped_by_the_same_rule() -> None:
    # 10 uH, 22 uF, Cd 220 uF: f0 10.730 kHz, R0 0.6742, Rd 0.2574, peak 0.3303 ohm
    # (the formulas above, worked out)
    build = wired(
        [supply(), coil("l", 10e-6), ceramic("c", 22e-6), ceramic("cd", 220e-6, esr=0.2574)],
        ("psu.out", "l.in"), ("l.out", "c"), ("l.out", "cd"),
    )  # fmt: skip
    assert peak_near(build, "c", 10.73e3) == pytest.approx(0.3303, abs=5e-5)
    plain = wired(
        [supply(), coil("l", 10e-6), ceramic("c", 22e-6)], ("psu.out", "l.in"), ("l.out", "c")
    )
    (mode,) = impedance(plain, "c", hz=[1e3]).modes
    assert mode.hz == pytest.approx(10.730e3, rel=1e-4)
    assert dict(mode.owners) == pytest.approx({"l": 0.5, "c": 0.5}, abs=1e-6)


# Negative resistance of a constant-power load: R. D. Middlebrook, 1976, the principle; critical
# capacitance C = L P / (R V^2) worked out: 22 uH, 0.1 ohm, 12 W from 22.2 V: 22.1458 V, 5.383 uF,
# real parts at 5.36 uF and 5.7 uF from the characteristic polynomial.
@pytest.mark.parametrize(("farad", "real"), [(5.36e-6, 9.7), (5.7e-6, -126.0)])
def test_constant_power_load_on_an_undamped_filter(farad: float, real: float) -> None:
    build = wired(
        [
            supply(22.2, resistance=0.1),
            coil("l", 22e-6),
            ceramic("c", farad),
            {"id": "vtx", "kind": "load", "power": 12, "bandwidth": 0, "minimum_voltage": 5},
        ],
        ("psu.out", "l.in"), ("l.out", "c"), ("l.out", "vtx"),
    )  # fmt: skip
    found = impedance(build, "c", hz=[1e3])
    assert found.modes[0].real_per_s == pytest.approx(real, abs=0.6)
    assert found.stable == (real < 0.0)
    (margin,) = found.margins
    assert margin.volts == pytest.approx(22.1458, abs=1e-4)
    assert margin.load_ohm == pytest.approx(22.1458**2 / 12.0, rel=1e-5)
    # the source's peak is L / (R C) where little damps it: at 0 margin for C = L P / (R V^2)
    assert margin.source_ohm == pytest.approx(22e-6 / (0.1 * farad), rel=2e-3)
    assert (margin.margin_db > 0.0) == found.stable


@pytest.mark.parametrize(
    ("uf", "mohm", "nh", "points"),
    [
        (470, 25, 20, {1e3: 339.42, 10e3: 41.087, 100e3: 26.632, 1e6: 127.79}),
        (1000, 18, 20, {100e3: 21.082}),
        (220, 12, 20, {100e3: 13.131}),
    ],
)
def test_series_impedance_of_a_can(
    uf: float, mohm: float, nh: float, points: dict[float, float]
) -> None:
    # |ESR + jwL + 1/jwC| worked out; mOhm
    build = wired(
        [
            supply(20.0, resistance=1e6),
            {
                "id": "can",
                "kind": "electrolytic",
                "capacitance": uf * 1e-6,
                "esr": mohm * 1e-3,
                "esl": nh * 1e-9,
            },
        ],
        ("psu.out", "can"),
    )
    found = impedance(build, "can", hz=list(points))
    assert found.values * 1e3 == pytest.approx(list(points.values()), rel=4e-5)


def test_bead_against_the_model_of_an_application_note() -> None:
    # Analog Devices AN-1368: Rs + (R // L // C); values of a measured bead: 0.3 ohm, 1082 ohm,
    # 1.208 uH, 1.678 pF. Impedance worked out by that formula, ohm.
    points = {1e6: 7.5985, 10e6: 76.344, 100e6: 1040.9, 111.787e6: 1082.3, 1e9: 95.70}
    build = wired(
        [
            supply(5.0),
            {
                "id": "bead",
                "kind": "bead",
                "inductance": 1.208e-6,
                "dcr": 0.3,
                "parallel_resistance": 1082,
                "parallel_capacitance": 1.678e-12,
            },
            {"id": "r", "kind": "load", "resistance": 1e9},
        ],
        ("psu.out", "bead.in"), ("bead.out", "r"),
    )  # fmt: skip
    found = impedance(build, "bead.out", hz=list(points))
    assert found.values == pytest.approx(list(points.values()), rel=1e-4)


@pytest.mark.parametrize(("dcr", "esr", "db"), [(0.0, 0.0, -45.982), (0.05, 0.02, -41.574)])
def test_lc_stage_at_48_khz(dcr: float, esr: float, db: float) -> None:
    # 10 uH, 220 uF: |1 / (1 - w^2 LC)| and with losses |Zc / (Zc + R + jwL)|, worked out
    build = wired(
        [
            supply(20.0, resistance=0.02),
            {"id": "f", "kind": "lc_stage", "inductance": 10e-6, "capacitance": 220e-6, "dcr": dcr,
             "esr": esr},
        ],
        ("psu.out", "f.in"),
    )  # fmt: skip
    found = transfer(build, "f.out", "f.in", hz=[48e3])
    assert found.quantity == "gain_dB"
    assert found.values[0] == pytest.approx(db, abs=1e-3)


def test_ladder_against_a_control_library() -> None:
    # the state space written down by hand: i1, vC1, i2, vC2; input a current into C2
    rs, l1, c1, re, l2, r2, c2 = 25e-3, 200e-9, 470e-6, 20e-3, 10e-6, 0.1, 47e-6
    a = np.array(
        [
            [-(rs + re) / l1, -1 / l1, re / l1, 0],
            [1 / c1, 0, -1 / c1, 0],
            [re / l2, 1 / l2, -(r2 + re) / l2, -1 / l2],
            [0, 0, 1 / c2, 0],
        ]
    )
    b = np.array([[0.0], [0.0], [0.0], [1 / c2]])
    there = control.ss(a, b, np.array([[re, 1, -re, 0], [0, 0, 0, 1.0]]), np.zeros((2, 1)))
    hz = np.geomspace(10.0, 1e7, 200)
    answer = control.frequency_response(there, math.tau * hz).complex[:, 0, :]
    build = wired(
        [
            supply(16.8, resistance=rs, inductance=l1),
            ceramic("bus", c1, esr=re),
            coil("l", l2, dcr=r2),
            ceramic("out", c2),
        ],
        ("psu.out", "bus"), ("bus", "l.in"), ("l.out", "out"),
    )  # fmt: skip
    own = impedance(build, "out", hz=hz)
    assert own.values == pytest.approx(np.abs(answer[1]), rel=1e-6)
    assert own.phase_deg == pytest.approx(np.degrees(np.angle(answer[1])), abs=1e-4)
    back = transfer(build, "bus", "out", hz=hz)
    assert back.values == pytest.approx(20 * np.log10(np.abs(answer[0] / answer[1])), abs=1e-5)
    # eigenvalues of the same ladder, from the table of the linear references
    values = sorted(mode.real_per_s for mode in own.modes)
    assert values == pytest.approx([-157652.28, -67009.34, -6169.19], rel=1e-7)


def without_loads(build: Build) -> Build:
    """Constant-power loads taken off: the node equations leave them open."""
    quiet = [p.id for p in build.parts if p.kind in ("vtx", "camera", "flight_controller",
             "receiver", "load", "regulator")]  # fmt: skip
    return apply(build, Option(name="bare", changes=tuple(Change(remove=q) for q in quiet)))


@pytest.mark.parametrize("preset", ["arms_4s_analogue", "board_6s_digital"])
def test_presets_against_node_equations(preset: str) -> None:
    """Before a plug-in no bridge draws anything: modified nodal analysis gives the same."""
    build = without_loads(sim.load(preset))
    event = next(i for i, e in enumerate(build.events, 1) if e.kind == "plug_in")
    network = assemble(build, build.events[event - 1])
    # (a ceramic is full at 0 V: both sides are told the same values)
    for place, hz in itertools.product(("pads", "esc1.in"), (1e3, 30e3, 200e3, 3e6)):
        found = impedance(build, place, hz=[hz], event=event)
        expected = node_impedance(network, *network.ports[place], hz)
        assert found.values[0] == pytest.approx(abs(expected), rel=1e-6)
        assert found.phase_deg[0] == pytest.approx(math.degrees(np.angle(expected)), abs=1e-3)


def quad() -> Build:
    """Pack, leads, an ESC with its motor, an LC stage and a constant-power load."""
    return wired(
        [
            supply(16.8, resistance=0.025, inductance=120e-9),
            ceramic("cer", 20e-6, esr=5e-3),
            {"id": "esc", "kind": "esc", "pwm_frequency": 48e3, "bridge_resistance": 6e-3},
            {"id": "motor", "kind": "motor", "kv": 2400, "resistance": 0.05, "inductance": 14e-6},
            {"id": "f", "kind": "lc_stage", "inductance": 10e-6, "capacitance": 47e-6, "dcr": 0.05,
             "esr": 0.05},
            {"id": "vtx", "kind": "load", "power": 8, "bandwidth": 20e3, "minimum_voltage": 6},
        ],
        ("psu.out", "cer"), ("cer", "esc.in"), ("esc.motor", "motor"), ("cer", "f.in"),
        ("f.out", "vtx"),
    )  # fmt: skip


@pytest.mark.parametrize("hz", [3e3, 20e3, 110e3])
def test_agrees_with_the_time_domain(hz: float) -> None:
    """A sine of current into the full nonlinear equations, solved by `solve_ivp`."""
    build = quad()
    network = assemble(build, build.events[0])
    small = SmallSignal(network, [network.ports["cer"]], np.array([0.5]))
    mean = small.mean
    test = len(network.loads)
    amps, period = 0.5, 1.0 / hz

    def slope(t: float, x: np.ndarray) -> np.ndarray:
        mean.laws.value[test] = amps * math.sin(math.tau * hz * t)
        return np.asarray(mean.moment(small.command, x).slope)

    settle = math.ceil(0.8e-3 / period) * period
    cycles = 4
    times = settle + np.linspace(0.0, cycles * period, 40 * cycles, endpoint=False)
    run = solve_ivp(
        slope, (0.0, times[-1]), small.x, method="LSODA", t_eval=times, rtol=1e-6, atol=1e-9
    )
    assert run.success
    turning = np.exp(-1j * math.tau * hz * times)
    drawn = AUX_SCALE * run.y[small._test_state[0]] @ turning
    mean.laws.value[test] = 0.0
    rows = small.place_rows([network.ports["cer"], network.ports["f.out"]])
    outputs = []
    for x in run.y.T:
        at = mean.moment(small.command, x)
        outputs.append(
            mean.rows(rows, at.duty[None], x[None], at.slope[None], at.inputs[None])[:, 0]
        )
    volts = np.array(outputs).T
    own, far = (v @ turning for v in volts - volts.mean(axis=1, keepdims=True))

    def db(size: float) -> float:
        return 20.0 * math.log10(size)

    found = impedance(build, "cer", hz=[hz])
    assert db(abs(own / drawn)) == pytest.approx(db(found.values[0]), abs=0.1)
    shift = math.degrees(np.angle(-own / drawn)) - found.phase_deg[0]
    assert (shift + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1.0)
    gain = transfer(build, "f.out", "cer", hz=[hz])
    assert db(abs(far / own)) == pytest.approx(gain.values[0], abs=0.1)
    per_amp = transfer(build, "f.out", "esc.in", per="amp", hz=[hz])
    assert db(abs(far / drawn)) == pytest.approx(db(per_amp.values[0]), abs=0.1)


def seen_at(bench: Bench, node: str, hz: float, *, from_rest: bool = False) -> float:
    """Impedance from a node to ground."""
    pair = (bench.network.ports[node][0], bench.network.ports["0"][0])
    small = SmallSignal(bench.network, [pair], np.zeros(0), from_rest=from_rest)
    return float(abs(small.response(small.place_rows([pair]), np.array([hz]), 0)[0, 0]))


def test_a_ceramic_has_what_is_left_at_its_voltage() -> None:
    # dq/dv of q = C0 Vh atan(v / Vh): 22 uF, Vh 12.5 V at 25 V: 4.4 uF (worked out)
    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), 25.0, "emf")
        part.resistor(node("emf"), node("c"), 1e4, "supply")
        part.resistor(node("c"), node("in"), 3e-3, "esr")
        part.capacitor(node("in"), node("0"), 22e-6, "ceramic", half_v=12.5)

    jw = 2j * math.pi * 20e3
    bench = Bench(build)
    assert seen_at(bench, "c", 20e3) == pytest.approx(abs(3e-3 + 1 / (jw * 4.4e-6)), rel=1e-3)
    full = abs(3e-3 + 1 / (jw * 22e-6))
    assert seen_at(bench, "c", 20e3, from_rest=True) == pytest.approx(full, rel=1e-3)


def test_a_coil_has_what_its_current_leaves() -> None:
    # L0 / (1 + (I/Is)^2), 30 % gone at 3 A: 7 of 10 uH at 3 A (worked out)
    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), 12.0, "emf")
        part.inductor(node("emf"), node("out"), 10e-6, "coil", saturation_a=3.0)
        part.resistor(node("out"), node("0"), 4.0, "load")

    reactance = 2j * math.pi * 1e3 * 7e-6
    want = abs(1 / (1 / reactance + 0.25))
    assert seen_at(Bench(build), "out", 1e3) == pytest.approx(want, rel=1e-3)


def test_equal_arms_share_their_modes_equally() -> None:
    found = impedance(sim.load("arms_4s_analogue"), "pads", option="No capacitor")
    ringing = [m for m in found.modes if m.damping < 0.05]
    assert len(ringing) == 3, "three ways for four arms to ring against each other"
    for mode in ringing:
        shares = dict(mode.owners)
        arms = [share for name, share in shares.items() if name.startswith(("arm", "cer"))]
        assert mode.part == "cer1"
        assert max(arms) < 0.14


def test_the_default_grid_shows_every_peak() -> None:
    found = impedance(sim.load("arms_4s_analogue"), "esc1.in", option="No capacitor")
    fine = default_hz(found.modes)
    assert np.array_equal(found.hz, fine)
    closer = np.unique(np.concatenate([fine, *(fine * f for f in (0.9985, 1.0015, 1.003))]))
    again = impedance(sim.load("arms_4s_analogue"), "esc1.in", option="No capacitor", hz=closer)
    assert found.values.max() == pytest.approx(again.values.max(), rel=0.01)

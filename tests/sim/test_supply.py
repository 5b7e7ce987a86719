"""A bench supply that limits and takes nothing back, at both levels of detail."""

from __future__ import annotations

import itertools
import json
import math
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace
from scipy.integrate import solve_ivp

import sim
from sim.api import prepare, solve_case
from sim.build import loads
from sim.errors import SimError
from sim.records import Build, Part
from sim.signals import Signal

VOLT, STAGE, FARAD, LIMIT = 16.0, 10e-3, 470e-6, 4.0
LEAD_OHM, LEAD_H, INPUT_F = 20e-3, 500e-9, 47e-6
BRIDGE_OHM, MOTOR_OHM, MOTOR_H, KV, INERTIA, DRAG = 5e-3, 60e-3, 15e-6, 1800.0, 7.5e-6, 1e-8
CARRIER, RISE = 24e3, 20e-9


def rig(event: dict[str, Any], *, esc: Any = None, **supply: Any) -> Build:
    """A supply, an ESC with a capacitor beside it, and a motor."""
    own = {"voltage": VOLT, "resistance": LEAD_OHM, "inductance": LEAD_H}
    tree = {
        "name": "bench",
        "parts": [
            {
                "id": "psu",
                "kind": "bench_supply",
                "values": {**own, "output_capacitance": FARAD, "current_limit": LIMIT, **supply},
            },
            {
                "id": "cap",
                "kind": "electrolytic",
                "values": {"capacitance": INPUT_F, "esr": "10 mOhm", "esl": 0, "leg_length": 0},
            },
            {
                "id": "esc1",
                "kind": "esc",
                "values": {
                    "bridge_resistance": BRIDGE_OHM,
                    "rise_time": RISE,
                    "carrier_phase": 0,
                    "pwm_frequency": CARRIER,
                    **(esc or {}),
                },
            },
            {
                "id": "m1",
                "kind": "motor",
                "values": {
                    "kv": KV,
                    "resistance": MOTOR_OHM,
                    "inductance": MOTOR_H,
                    "inertia": INERTIA,
                    "drag": DRAG,
                },
            },
        ],
        "leads": [
            {"id": "a", "from": "psu.out", "to": "esc1.in"},
            {"id": "b", "from": "cap", "to": "esc1.in"},
            {"id": "c", "from": "esc1.motor", "to": "m1"},
        ],
        "events": [event],
    }
    return loads(json.dumps(tree).encode())


def course(*points: tuple[float, float], duration: str = "4 ms") -> dict[str, Any]:
    return {"name": "Go", "kind": "throttle", "duration": duration, "course": list(points)}


def stage(volts: float) -> float:
    """Current of the output stage over the voltage of its capacitor."""
    return min(max((VOLT - volts) / STAGE, 0.0), LIMIT)


def by_hand(duty: Any, x: np.ndarray, end: float, times: np.ndarray) -> np.ndarray:
    """The rig's equations from x, written out, edge by edge by DOP853: (5, T).

    x: volts of the supply's capacitor, amps of the lead, volts of `cap`, amps and speed of the
    motor. The bridge's ratio runs straight within an edge.
    """
    ke, esr = 60.0 / (math.tau * KV), 10e-3
    ohm = BRIDGE_OHM + MOTOR_OHM
    knots: list[tuple[float, float]] = []
    for n in range(math.ceil(end * CARRIER)):
        on, own = n / CARRIER, duty(n / CARRIER)
        off = on + own / CARRIER
        knots += [(on, 0.0), (on + RISE, 1.0), (off, 1.0), (off + RISE, 0.0)]
    corners = sorted({t for t, _ in knots if t < end} | {0.0, end})
    at, level = (np.array(v) for v in zip(*knots, strict=True))

    def slope(t: float, y: np.ndarray) -> list[float]:
        v_out, i, v_cap, i_m, w = y
        s = float(np.interp(t, at, level))
        pads = v_cap + esr * (i - s * i_m)
        return [
            (stage(v_out) - i) / FARAD,
            (v_out - LEAD_OHM * i - pads) / LEAD_H,
            (i - s * i_m) / INPUT_F,
            (s * pads - ohm * i_m - ke * w) / MOTOR_H,
            (ke * i_m - DRAG * w * abs(w)) / INERTIA,
        ]

    out = np.zeros((5, len(times)))
    for a, b in itertools.pairwise(corners):
        mine = (times >= a) & (times < b)
        run = solve_ivp(
            slope, (a, b), x, "DOP853", np.append(times[mine], b), rtol=1e-9, atol=1e-10,
            max_step=4e-6,
        )  # fmt: skip
        out[:, mine], x = run.y[:, :-1], run.y[:, -1]
    return out


@pytest.mark.parametrize(
    ("before", "after"), [(0.15, 0.4), (0.5, 0.2)], ids=["into the limit", "braking"]
)
def test_every_edge_follows_the_equations_written_out(before: float, after: float) -> None:
    points = ((0.0, before), (0.4e-3, before), (0.4e-3, after))
    build = rig(course(*points, duration="1.6 ms"))
    solution = sim.solve(build)
    run: Any = solution.trajectory
    eq = solution.equations
    net = eq.network
    supply = net.supplies[0]
    ends = net.branches[supply.capacitor]
    lead = solution.trajectory.equations.amps(net.port_branches["psu.out"])
    motor = eq.amps(net.port_branches["m1.in"])
    cap = net.branches[
        next(i for i, b in enumerate(net.branches) if b.owner == "cap" and b.type == "capacitor")
    ]
    zero = np.zeros(1)
    x = np.array(
        [
            run.sample(eq.volts(ends.a, ends.b), zero)[0, 0],
            -run.sample(lead, zero)[0, 0],
            run.sample(eq.volts(cap.a, cap.b), zero)[0, 0],
            run.sample(motor, zero)[0, 0],
            run.speeds(zero)[0, 0],
        ]
    )
    times = np.linspace(1e-6, 1.55e-3, 700)
    expected = by_hand(lambda t: before if t < 0.4e-3 else after, x, 1.6e-3, times)
    found = run.sample(eq.volts(ends.a, ends.b), times)[0]
    assert found == pytest.approx(expected[0], abs=2e-5)
    assert -run.sample(lead, times)[0] == pytest.approx(expected[1], abs=2e-4)
    given = np.array([stage(v) for v in expected[0]])
    amps = run.sample(eq.amps([(supply.resistor, 1.0)]), times)[0]
    assert amps == pytest.approx(given, abs=3e-3)
    # it did what this is about
    assert (np.max(given) == LIMIT) if after > before else (np.min(given) == 0.0)
    assert solution.energy.residual < 1e-9


@pytest.mark.parametrize("detail", ["averaged", "edges"])
def test_braking_charges_the_capacitors_where_a_supply_that_sinks_absorbs(detail: Any) -> None:
    event = course((0.0, 0.6), (0.5e-3, 0.6), (1e-3, 0.3))
    esc = {"brake_current_limit": "10 A"}
    high = {}
    for sinks in (False, True):
        solution = sim.solve(rig(event, esc=esc, sinks=sinks, current_limit="50 A"), detail=detail)
        _, _, top = solution.envelope([Signal("volts", "psu.out")], 0.0, 4e-3, 1)
        high[sinks] = float(top[0, 0])
        assert solution.energy.residual < 1e-6
    assert high[True] < VOLT + 1.5
    assert high[False] > VOLT + 4.0


def test_both_levels_agree_on_the_mean() -> None:
    event = course((0.0, 0.6), (0.5e-3, 0.6), (1e-3, 0.3))
    esc = {"brake_current_limit": "10 A", "pwm_frequency": "96 kHz"}
    build = rig(event, esc=esc, current_limit="50 A")
    # a motor that hardly ripples: the heat of ripple is what the averaged level leaves out
    parts = tuple(
        replace(p, values={**p.values, "inductance": "100 uH"}) if p.id == "m1" else p
        for p in build.parts
    )
    joints = [
        {j.id: j.mean_V for j in sim.solve(replace(build, parts=parts), detail=detail).joints}
        for detail in ("averaged", "edges")
    ]
    assert joints[0]["esc1.in"] == pytest.approx(joints[1]["esc1.in"], rel=5e-3)
    assert joints[0]["esc1.in"] > VOLT + 2.0


def test_a_steady_start_in_the_limit_gives_the_limit() -> None:
    # 16 V would drive some 100 A into the motor held by drag at this duty; the supply gives 4
    build = rig(course((0.0, 0.9)))
    parts = tuple(
        replace(p, values={**p.values, "drag": 1e-7}) if p.id == "m1" else p for p in build.parts
    )
    solution = sim.solve(replace(build, parts=parts))
    amps = solution.equations.amps(solution.equations.network.port_branches["psu.out"])
    mean, _ = solution.trajectory.means(amps, 0.0, 4e-3)
    assert -mean[0] == pytest.approx(LIMIT, rel=2e-3)
    assert solution.energy.residual < 1e-8


def test_plugged_in_it_starts_charged_and_limits() -> None:
    event = {"name": "In", "kind": "plug_in", "duration": "5 ms"}
    build = rig(event, output_capacitance="47 uF")
    solution = sim.solve(build)
    supply = solution.equations.network.supplies[0]
    ends = solution.equations.network.branches[supply.capacitor]
    volts = solution.equations.volts(ends.a, ends.b)
    seen = solution.trajectory.sample(volts, np.array([0.0, 4.9e-3]))[0]
    # the lead's inductance carries on past 16 V, and nothing takes that back
    assert seen[0] == pytest.approx(VOLT, abs=1e-9)
    assert VOLT < seen[1] < VOLT + 0.1
    # the charge of one capacitor shared by two, then 4 A until it is full
    amps = solution.trajectory.sample(
        solution.equations.amps([(supply.resistor, 1.0)]), np.array([60e-6, 4.9e-3])
    )[0]
    assert amps == pytest.approx([LIMIT, 0.0], abs=1e-3)


def test_a_limit_across_another_source_is_refused() -> None:
    build = rig(course((0.0, 0.3)), resistance=0, inductance=0)
    twin = {"id": "twin", "kind": "bench_supply", "values": {"voltage": 12}}
    tree = json.loads(sim.build.dumps(build))
    tree["parts"].append(twin)
    tree["leads"].append({"id": "d", "from": "twin.out", "to": "psu.out"})
    with pytest.raises(SimError, match="psu"):
        sim.solve(loads(json.dumps(tree).encode()))


def test_ceramics_that_fade_are_of_one_model_at_both_levels_beside_it() -> None:
    build = rig(course((0.0, 0.5), (0.2e-3, 0.5), (0.5e-3, 0.3)), current_limit="50 A")
    can = Part(
        id="cap",
        kind="ceramic",
        values={"capacitance": "100 uF", "esr": "3 mOhm", "half_voltage": "12 V"},
    )
    build = replace(build, parts=tuple(can if p.id == "cap" else p for p in build.parts))
    case = prepare(build)
    assert case.stages[0].counted is not None
    ends = []
    for detail in ("averaged", "edges"):
        solution = solve_case(case, detail)
        assert solution.energy.residual < 1e-6
        assert solution.detail == detail
        ends.append({j.id: j.mean_V for j in solution.joints}["esc1.in"])
    assert ends[0] == pytest.approx(ends[1], rel=0.03)

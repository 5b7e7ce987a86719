"""A constant-power load behind a filter: stable only with enough capacitance.

Linearised about v, the load is a resistance of -v^2/p. With L and R in front and C across it
the characteristic equation is s^2 + s (R/L - p/(C v^2)) + (1 - R p/v^2)/(L C): stable if
C > L p/(R v^2) and R < v^2/p. R. D. Middlebrook, "Input filter considerations in design and
application of switching regulators", IEEE Industry Applications Society annual meeting, 1976.
"""

import json
import math

import numpy as np
import pytest

import sim
from sim.build import loads
from sim.records import Build

L, R, P, E = 22e-6, 0.1, 12.0, 22.2
#: Volts at the load: v = E - R p/v.
V = 0.5 * (E + math.sqrt(E * E - 4.0 * R * P))
CRITICAL = L * P / (R * V * V)


def build(farad: float) -> Build:
    parts = [
        {"id": "src", "kind": "bench_supply", "values": {"voltage": E, "sinks": True}},
        {"id": "coil", "kind": "inductor", "values": {"inductance": L, "dcr": R}},
        {"id": "cap", "kind": "ceramic", "values": {"capacitance": farad}},
        {
            "id": "vtx",
            "kind": "load",
            "values": {"power": P, "minimum_voltage": 5.0, "bandwidth": 0.0},
        },
    ]
    leads = [
        {"id": "a", "from": "src.out", "to": "coil.in"},
        {"id": "b", "from": "coil.out", "to": "cap"},
        {"id": "c", "from": "cap", "to": "vtx"},
    ]
    events = [{"name": "Still", "kind": "steady", "duration": "2 ms"}]
    tree = {"name": "limit", "parts": parts, "leads": leads, "events": events}
    return loads(json.dumps(tree).encode())


def test_the_example_is_worked_out_right() -> None:
    assert pytest.approx(22.1458, abs=1e-4) == V
    assert pytest.approx(5.383e-6, abs=1e-9) == CRITICAL


@pytest.mark.parametrize(("farad", "stable"), [(5.36e-6, False), (5.7e-6, True)])
def test_it_turns_unstable_at_the_stated_capacitance(farad: float, stable: bool) -> None:
    solution = sim.solve(build(farad))
    assert solution.stable is stable
    want = np.roots([1.0, R / L - P / (farad * V * V), (1.0 - R * P / V**2) / (L * farad)])
    ring = max(solution.modes, key=lambda mode: mode.real_per_s)
    assert ring.real_per_s == pytest.approx(want.real.max(), abs=0.1)
    assert ring.hz == pytest.approx(abs(want[0]) / math.tau, rel=1e-6)
    assert want.real.max() == pytest.approx({5.36e-6: 9.7, 5.7e-6: -126.0}[farad], abs=1.0)


def test_far_below_the_limit_the_run_says_that_it_grows() -> None:
    solution = sim.solve(build(0.5 * CRITICAL))
    want = 0.5 * (P / (0.5 * CRITICAL * V * V) - R / L)
    assert solution.growth is not None
    assert solution.growth.per_s == pytest.approx(want, rel=0.02)
    assert solution.to_json_dict()["stable"] is False
    assert sim.solve(build(2.0 * CRITICAL)).growth is None

"""The junction of an avalanche diode against closed forms of heat flowing into a half space.

Source: Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, section 2.9, from memory;
Dawson's integral by `scipy`.
"""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy.special import dawsn

import sim
from sim.build import loads
from sim.pulse_heat import DAWSON_MAX, RATED_RISE_K, RATED_S, peak_rise
from sim.records import Build
from sim.state_equations import stack_rows


def test_the_rated_pulse_makes_the_rated_rise() -> None:
    """600 W at first, half of it left after 1 ms; longer than `peak_rise` tells apart."""
    edges = np.concatenate([[0.0], np.geomspace(1e-8, 20e-3, 6000)])
    joules = 600.0 * RATED_S * -np.diff(np.exp(-edges / RATED_S))
    assert peak_rise(edges, joules, 600.0) == pytest.approx(RATED_RISE_K, rel=2e-3)
    assert dawsn(np.linspace(0.9, 0.95, 10001)).max() == pytest.approx(DAWSON_MAX, abs=1e-9)


@pytest.mark.parametrize("seconds", [1e-6, 1e-4, 1e-2])
def test_a_steady_power_warms_with_the_root_of_time(seconds: float) -> None:
    edges = np.array([0.0, 1e-5, 1e-5 + 0.3 * seconds, 1e-5 + seconds, 0.1])
    joules = 200.0 * np.diff(edges) * [0.0, 1.0, 1.0, 0.0]
    expected = RATED_RISE_K / 3.0 * math.sqrt(seconds / RATED_S) / DAWSON_MAX
    assert peak_rise(edges, joules, 600.0) == pytest.approx(expected, rel=1e-9)


def test_two_pulses_add_up_while_the_first_is_still_warm() -> None:
    """Rise of a pulse from 0 to a, seen at t: c P (sqrt(t) - sqrt(t - a))."""
    a, gap = 1e-5, 4e-5
    edges = np.array([0.0, a, gap, gap + a])
    both = peak_rise(edges, 1e3 * a * np.array([1.0, 0.0, 1.0]), 600.0)
    one = peak_rise(edges[:2], np.array([1e3 * a]), 600.0)
    root = math.sqrt(gap + a) - math.sqrt(gap)
    assert both / one == pytest.approx(1.0 + root / math.sqrt(a), rel=1e-9)


def _plug_in(**clamp: str) -> Build:
    tree = {
        "name": "clamped",
        "parts": [
            {"id": "psu", "kind": "bench_supply", "values": {"voltage": "24 V"}},
            {
                "id": "tvs",
                "kind": "clamp",
                "values": {"breakdown_voltage": "28 V", "rated_energy": "0.6 J", **clamp},
            },
            {"id": "cap", "kind": "ceramic", "values": {"capacitance": "10 uF", "esr": "3 mOhm"}},
        ],
        "leads": [
            {"id": "a", "from": "psu.out", "to": "tvs", "resistance": "20m", "inductance": "1u"},
            {"id": "b", "from": "cap", "to": "tvs"},
        ],
        "events": [{"name": "In", "kind": "plug_in", "duration": "0.2 ms"}],
    }
    return loads(json.dumps(tree).encode())


def test_a_plug_in_shows_it_beside_the_energy() -> None:
    solution = sim.solve(_plug_in(pulse_power="600 W"))
    uses = {use.name: use for use in solution.rated()["tvs"]}
    warm = uses["pulse temperature"]
    assert (warm.limit, warm.unit, warm.reads) == (RATED_RISE_K, "K", "warms by")
    # from the curves as anybody could read them: 50 ns apart, the integral by brute force
    eq = solution.equations
    times = np.linspace(0.0, 0.2e-3, 4001)
    both = stack_rows(
        [eq.volts(*eq.network.ports["tvs"]), eq.amps(eq.network.port_branches["tvs.in"])]
    )
    volts, amps = solution.trajectory.sample(both, times)
    kernel = np.sqrt(times[1:]) - np.sqrt(times[:-1])
    rise = np.convolve((volts * amps)[:-1], kernel)[: len(times)].max()
    rise *= RATED_RISE_K / (600.0 * math.sqrt(RATED_S) * DAWSON_MAX)
    assert warm.value == pytest.approx(rise, rel=5e-3)
    assert 1.0 < warm.value < 150.0
    assert warm.used == pytest.approx(warm.value / RATED_RISE_K)


def test_without_a_pulse_power_nothing_is_said() -> None:
    uses = sim.solve(_plug_in()).rated()["tvs"]
    assert [use.name for use in uses] == ["pulse energy"]

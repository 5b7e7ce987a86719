"""A ramp that hardly moves a slow circuit was cut off after too few terms of its series.

What moves with the square of time shows three terms on, so that a bound on the terms of an
exponential stopped before them: 1e-8 A in a step of 4e-4 A.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sim.network import Chopper
from tests.sim.small import Bench, edge_run, esc, steady

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.network import Stamp

VOLTS, FEED_OHM, COIL_OHM, HENRY, RISE_S = 16.9, 2.53, 0.0114, 4.84e-4, 40e-9


def _build(part: Stamp, node: Callable[[str], int]) -> None:
    part.source(node("emf"), node("0"), VOLTS, "emf")
    part.resistor(node("emf"), node("in"), FEED_OHM, "feed")
    chopper = Chopper("esc0", 143e3, 0.0, 0.1, rise_s=RISE_S)
    esc(part, node, 0, "in", chopper, henry=HENRY, ohm=COIL_OHM)


@pytest.mark.parametrize("way", [0, 1])
def test_current_after_a_ramp(way: int) -> None:
    bench = Bench(_build)
    amps = bench.amps("winding 0")
    per_amp = amps.x.at([0.0])[0, 0]
    run = edge_run(bench.mean, steady([0.3], 20e-6), np.array([4.8 / per_amp]), settle_s=0.0)
    start = run.edge_times(0.0, 15e-6)[way]
    high = run.sample(bench.volts("mid0"), np.array([start]))[0, 0] > 1.0

    def slope(t: float, i: np.ndarray) -> np.ndarray:
        s = 1.0 - t / RISE_S if high else t / RISE_S
        return np.asarray((s * (VOLTS - FEED_OHM * s * i) - COIL_OHM * i) / HENRY)

    before, after = run.sample(amps, np.array([start, start + RISE_S]))[0]
    # Hairer, Norsett & Wanner, Solving Ordinary Differential Equations I: the eighth-order pair
    exact = solve_ivp(slope, (0.0, RISE_S), [before], "DOP853", rtol=1e-13, atol=1e-16).y[0, -1]
    assert abs(after - before) > 1e-4
    assert after == pytest.approx(exact, abs=1e-13)

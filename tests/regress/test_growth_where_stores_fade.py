"""Growth along a run with every edge took voltages and currents for charges and fluxes.

Where ceramics fade the averaged equations are linearised at charges, and a run with every edge
tells voltages: what a swing gains was told about another state, of too little capacitance lost.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

import sim
from sim.mean_equations import MeanEquations


@pytest.mark.parametrize("follow", [True, False])
def test_it_is_looked_at_about_the_state_the_run_is_in(
    monkeypatch: pytest.MonkeyPatch, follow: bool
) -> None:
    build = sim.load("arms_4s_analogue")
    parts = tuple(
        replace(p, values={**p.values, "half_voltage": "12 V"}) if p.kind == "ceramic" else p
        for p in build.parts
    )
    events = tuple(replace(e, duration="4 ms") for e in build.events if e.name == "Mid throttle")
    build = replace(build, parts=parts, events=events)
    solution = sim.solve(build, "Mid throttle", "One on the pads", follow=follow)
    assert solution.stores == ("followed" if follow else "as at the start")
    run: Any = solution.trajectory
    seen: list[np.ndarray] = []
    plain = MeanEquations.jacobian

    def spied(self: MeanEquations, command: np.ndarray, x: np.ndarray) -> np.ndarray:
        seen.append(x)
        return plain(self, command, x)

    monkeypatch.setattr(MeanEquations, "jacobian", spied)
    run.growth()
    assert len(seen) == 16
    stores = run.mean.stores
    mean = run.states(np.linspace(0.0, 4e-3, 4001)).mean(axis=0)
    for x in seen:
        # (steady: every look is about the mean, but for ripple of volts that few looks leave in)
        volts = stores.w(x) @ stores.eq.reach.T + stores.eq.rest
        assert volts == pytest.approx(mean @ stores.eq.reach.T + stores.eq.rest, rel=0.08)
        # charges taken for voltages are far off that
        assert np.max(np.abs(x @ stores.eq.reach.T + stores.eq.rest - volts)) > 5.0

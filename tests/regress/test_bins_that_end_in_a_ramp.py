"""A bin of an envelope that ended within a switching ramp lacked what the ramp did until there.

A ramp's start and end counted where they are, and points inside where modes are as fast as it: a
leg's output halfway up at the border of two bins was in neither of them. The same at a window's
ends. Zoomed in to a ramp the bands had gaps between them.
"""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

import sim


@pytest.fixture(scope="module", params=["steady", "fading"])
def solved(request: pytest.FixtureRequest) -> sim.Solution:
    build = sim.load("arms_4s_analogue")
    if request.param == "fading":
        parts = tuple(
            replace(p, values={**p.values, "half_voltage": "12 V"}) if p.kind == "ceramic" else p
            for p in build.parts
        )
        build = replace(build, parts=parts)
    events = tuple(replace(e, duration="1 ms") for e in build.events if e.name == "Mid throttle")
    return sim.solve(replace(build, events=events), "Mid throttle", "One on the pads")


def test_both_bins_reach_to_their_border(solved: sim.Solution) -> None:
    run, eq = solved.trajectory, solved.equations
    rows = eq.volts(*eq.network.ports["esc1.motor"])
    rise = eq.network.choppers[0].rise_s
    met = 0
    for t in run.edge_times(0.2e-3, 0.8e-3)[:12]:
        # bins of a microsecond, a border in the middle of the ramp; one side long, one short
        border = t + 0.5 * rise
        low, high = run.envelope(rows, border - 2e-6, border + 1e-6, 3)
        there = float(run.sample(rows, np.array([border]))[0, 0])
        begin, end = (float(run.sample(rows, np.array([t + d]))[0, 0]) for d in (0.0, rise))
        met += abs(end - begin) > 5.0
        # (the middle of a leg's own ramp is some half of the supply, which neither end is)
        for b in (1, 2):
            assert low[0, b] <= there + 1e-9
            assert high[0, b] >= there - 1e-9
        # windows that end, or begin, there
        before = run.extremes(rows, border - 1e-6, border)
        after = run.extremes(rows, border, border + 1e-6)
        for least, most in (before, after):
            assert least[0] <= there + 1e-9
            assert most[0] >= there - 1e-9
    assert met >= 2


def test_zoomed_in_to_a_ramp_bands_join(solved: sim.Solution) -> None:
    run, eq = solved.trajectory, solved.equations
    rows = eq.volts(*eq.network.ports["esc1.motor"])
    rise = eq.network.choppers[0].rise_s
    for t in run.edge_times(0.2e-3, 0.8e-3)[:8]:
        low, high = run.envelope(rows, t - 1.03 * rise, t + 2.1 * rise, 30)
        # of neighbours one does not end above where the other begins
        assert np.all(low[0, 1:] <= high[0, :-1] + 1e-6)
        assert np.all(low[0, :-1] <= high[0, 1:] + 1e-6)

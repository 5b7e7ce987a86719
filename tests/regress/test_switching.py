"""What once went wrong in runs with every edge."""

from __future__ import annotations

import numpy as np

from tests.sim.small import quad, steady

F = 48e3


def test_a_pause_inside_a_ramp_lost_the_edge() -> None:
    """Runs that tell their progress stop 40 times; a stop on a ramp left the bridge as it was."""
    bench = quad(2, phases=[10e-9 * F] * 2, frequency=F)
    drive = steady([0.5, 0.3], 40.0 / F)
    times = np.linspace(0.0, 40.0 / F, 1000)
    plain = bench.run(drive, settle_s=0.0).states(times)
    watched = bench.run(drive, settle_s=0.0, progress=lambda t: None).states(times)
    assert np.max(np.abs(plain - watched)) == 0.0


def test_a_chain_of_ramps_wrote_past_its_arrays() -> None:
    """Slow edges of four free carriers: some ramp or other is always running."""
    bench = quad(4, phases=[0.0, 0.21, 0.47, 0.7], frequency=F, rise_s=6e-6)
    run = bench.run(steady([0.5, 0.4, 0.6, 0.3], 120.0 / F), settle_s=0.0)
    assert run.steps > 1500
    assert np.all(np.isfinite(run.states(np.linspace(0.0, 120.0 / F, 500))))


def test_figures_where_no_ramps_overlap() -> None:
    bench = quad(1, phases=[0.3], frequency=F)
    figures = bench.run(steady([0.5], 2.2 / F), settle_s=0.0).figures(bench.volts("in0"), 0.0, 2e-5)
    assert figures.highest[0] > figures.lowest[0]


def test_energy_of_slow_edges_that_overlap() -> None:
    """Three points were laid over a ramp however long it was: the energy missed by 3e-6."""
    bench = quad(2, phases=[0.2, 0.2], frequency=F, rise_s=2e-6)
    run = bench.run(steady([0.5, 0.4], 20.0 / F))
    # 1e-9 is what is wanted of a linear circuit; 1.6e-9 is what comes with edges this slow
    assert run.energy(0.0, 20.0 / F).residual < 1e-8


def test_the_peak_at_a_ramp_of_a_bridge_in_a_cut_set() -> None:
    """The voltage jumps at a ramp's ends; points inside it missed 0.08 of 155 V."""
    bench = quad(1, phases=[0.3], frequency=F, farad=0.0)
    run = bench.run(steady([0.5], 2.2 / F), settle_s=0.0)
    rows = bench.volts("in0")
    edges = run.edge_times(0.0, 2.0 / F)
    near = np.concatenate([t + np.linspace(-1e-12, 25e-9, 2001) for t in edges])
    seen = run.sample(rows, near)[0]
    figures = run.figures(rows, 0.0, 2.2 / F)
    assert figures.highest[0] > seen.max() - 1e-3
    assert figures.lowest[0] < seen.min() + 1e-3

"""The engine in numpy against the compiled kernels."""

from __future__ import annotations

import numpy as np
import pytest

from sim import plain, speed, switching
from sim.api import prepare, solve_case
from sim.build import load
from sim.signals import Signal
from sim.solution import Solution


@pytest.fixture(scope="module")
def solved() -> tuple[Solution, Solution]:
    """The same 3 ms by the kernels and in numpy."""
    pytest.importorskip("numba")
    build = speed.shortened(load(speed.SAMPLE), speed.Effort(event_s=3e-3))
    case = prepare(build, speed.EVENT, speed.OPTION)
    found = []
    with pytest.MonkeyPatch.context() as patch:
        for compiled in (True, False):
            patch.setattr(plain, "usable", lambda compiled=compiled: compiled)
            # (numpy follows no store that fades)
            found.append(solve_case(case, "edges", follow=False))
    kernels, numpy = found
    assert isinstance(kernels.trajectory, switching.EdgeRun)
    assert kernels.trajectory._m.compiled
    assert not numpy.trajectory._m.compiled
    return kernels, numpy


def test_samples(solved: tuple[Solution, Solution]) -> None:
    """Every state, in flat stretches and in ramps, to 1e-9 of its swing."""
    kernels, numpy = (one.trajectory for one in solved)
    edges = kernels.edge_times(0.0, 3e-3)[:40]
    times = np.sort(np.concatenate([np.linspace(0.0, 3e-3, 500), edges + 7e-9]))
    one, other = kernels.states(times), numpy.states(times)
    assert np.max(np.abs(one - other) / np.ptp(one, axis=0).clip(1e-9)) < 1e-9


def test_figures(solved: tuple[Solution, Solution]) -> None:
    kernels, numpy = solved
    rows = kernels.rows(Signal("volts", "esc3.in"))
    one, other = (s.trajectory.figures(rows, 0.2e-3, 2.9e-3) for s in solved)
    swing = float(one.highest[0] - one.lowest[0])
    for name in ("highest", "lowest", "mean"):
        assert abs(getattr(one, name)[0] - getattr(other, name)[0]) < 1e-8 * swing
    assert other.mean_square[0] == pytest.approx(one.mean_square[0], rel=1e-10)
    assert other.highest_at[0] == pytest.approx(one.highest_at[0], abs=1e-11)
    assert kernels.energy.residual < 1e-9
    assert numpy.energy.residual < 1e-9


def test_envelopes(solved: tuple[Solution, Solution]) -> None:
    bands = [s.envelope([Signal("volts", "esc3.in")], 0.0, 3e-3, 60) for s in solved]
    swing = np.ptp(bands[0][1])
    for one, other in zip(*bands, strict=True):
        assert np.max(np.abs(one - other)) < 1e-7 * swing


def test_ramps_in_modes_are_those_in_states() -> None:
    """The kernel sums maps across ramps in modes, numpy in states: to rounding the same."""
    pytest.importorskip("numba")
    case = prepare(load(speed.SAMPLE), speed.EVENT, speed.OPTION)
    tables = []
    with pytest.MonkeyPatch.context() as patch:
        for compiled in (True, False):
            patch.setattr(plain, "usable", lambda compiled=compiled: compiled)
            table = case.stages[0].empty_table()
            for bits in np.ndindex(2, 2, 2, 2):
                for leg in range(4):
                    table.make_ramp(table.pattern(bits), leg)
            assert all((maps is not None) == compiled for maps in table._modal.values())
            tables.append(table)
    one, other = (table.ramp["rows"][: len(table.ramp_index)] for table in tables)
    assert len(one) == 64
    assert tables[0].ramp_index == tables[1].ramp_index
    assert np.max(np.abs(one - other)) < 1e-12 * np.max(np.abs(other))


def test_it_serves_when_told_to_and_no_longer() -> None:
    """Else its row of `rippletree speed` would be of the kernels."""
    before = plain.usable()
    with plain.serving():
        assert not plain.usable()
    assert plain.usable() == before

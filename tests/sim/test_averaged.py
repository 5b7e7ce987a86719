"""Averaged runs: signs, equilibrium, Jacobian and energy."""

from __future__ import annotations

import functools
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from sim import averaged, rosenbrock
from sim.api import prepare
from sim.build import load, presets
from sim.mean_equations import residual_scale

if TYPE_CHECKING:
    from sim.api import Case

SAMPLES = [info.id for info in presets()]


@functools.cache
def _case(build: str, event: str) -> Case:
    return prepare(load(build), event)


def _bus(case: Case, run: averaged.AveragedRun, times: np.ndarray) -> np.ndarray:
    return run.sample(case.equations.volts(*case.equations.network.ports["pads"]), times)[0]


@pytest.mark.parametrize("build", SAMPLES)
def test_chop_lifts_the_bus_above_both_steady_values(build: str) -> None:
    """Rotors that brake feed the pack: current flows back and the bus rises above its EMF."""
    case = _case(build, "Chop")
    run = rosenbrock.run(case.mean, case.drive, case.start, compiled=False, rtol=1e-5)
    volts = _bus(case, run, np.linspace(0.0, run.duration_s, 1500, endpoint=False))
    emf = float(np.max(case.equations.sources))
    assert volts[0] < emf
    assert np.max(volts) > emf
    assert np.max(volts) > volts[-1]
    pack = case.equations.amps(case.equations.network.port_branches["pack.out"])
    assert np.ptp(np.sign(run.sample(pack, np.linspace(0.0, 0.06, 600))[0])) == 2.0


@pytest.mark.parametrize("build", SAMPLES)
def test_punch_sags_the_bus(build: str) -> None:
    case = _case(build, "Punch")
    drive = replace(case.drive, duration_s=0.05)
    run = rosenbrock.run(case.mean, drive, case.start, compiled=False, rtol=1e-5)
    volts = _bus(case, run, np.linspace(0.0, 0.05, 800, endpoint=False))
    assert volts[-1] < volts[0] - 1.0
    assert np.max(volts) < volts[0] + 0.05


@pytest.mark.parametrize("build", SAMPLES)
def test_equilibrium_does_not_move(build: str) -> None:
    case = _case(build, "Chop")
    moment = case.mean.moment(case.drive.start_duty, case.start)
    scale = residual_scale(case.equations)
    assert np.max(np.abs(moment.slope) / scale) < 1e-2  # per s, against 1 V, 1 A, 10 rad/s
    steady = replace(
        case.drive,
        duration_s=0.02,
        courses=tuple((np.zeros(1), np.full(1, d)) for d in case.drive.start_duty),
    )
    run = rosenbrock.run(case.mean, steady, case.start, compiled=False)
    assert np.max(np.abs(run.states(np.array([0.02]))[0] - case.start) / scale) < 1e-6


@pytest.mark.parametrize("build", SAMPLES)
@pytest.mark.parametrize("command", [0.05, 0.4, 0.95])
def test_jacobian_against_differences(build: str, command: float) -> None:
    """At 0.05 the brake limit holds the duty, at 0.95 the drive limit."""
    case = _case(build, "Chop")
    duty = np.full(case.equations.n_switches, command)
    unit = residual_scale(case.equations)
    jacobian = case.mean.jacobian(duty, case.start) * unit
    size = np.max(np.abs(jacobian))
    for i in range(case.equations.n_states):
        step = np.zeros(case.equations.n_states)
        step[i] = 1e-4 * unit[i]
        up, down = (case.mean.moment(duty, case.start + s * step).slope for s in (1.0, -1.0))
        assert np.allclose(jacobian[:, i], (up - down) / 2e-4, atol=1e-7 * size)


@pytest.mark.parametrize("build", SAMPLES)
def test_energy_adds_up(build: str) -> None:
    case = _case(build, "Chop")
    run = averaged.run(case.mean, case.drive, case.start, rtol=1e-6)
    whole = run.energy(0.0, run.duration_s)
    assert whole.residual < 1e-8
    # rotors end slower than they began, and what they give up goes back into the pack
    assert whole.stored_change < 0.0
    assert whole.from_sources < 0.0
    assert run.energy(0.0, 0.02).from_sources > 0.0
    first, second = run.energy(0.0, 0.03), run.energy(0.03, run.duration_s)
    assert first.dissipated + second.dissipated == pytest.approx(whole.dissipated, rel=1e-7)


def test_envelope_and_figures_hold_every_sample() -> None:
    case = _case("arms_4s_analogue", "Chop")
    run = rosenbrock.run(case.mean, case.drive, case.start, compiled=False)
    rows = case.equations.volts(*case.equations.network.ports["pads"])
    times = np.linspace(0.0, 0.15, 20000, endpoint=False)
    volts = run.sample(rows, times)[0]
    figures = run.figures(rows, 0.0, 0.15)
    assert figures.highest[0] >= np.max(volts) - 1e-6
    assert figures.highest[0] == pytest.approx(np.max(volts), abs=1e-4)
    assert figures.lowest[0] == pytest.approx(np.min(volts), abs=1e-4)
    assert figures.highest_at[0] == pytest.approx(times[np.argmax(volts)], abs=1e-3)
    assert figures.mean[0] == pytest.approx(np.mean(volts), abs=1e-4)
    low, high = run.envelope(rows, 0.0, 0.15, 100)
    which = np.minimum((times / 1.5e-3).astype(int), 99)
    assert np.all(volts <= high[0][which] + 1e-4)
    assert np.all(volts >= low[0][which] - 1e-4)

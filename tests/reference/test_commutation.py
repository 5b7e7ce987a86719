"""Ripple of commutation against closed forms and an independent solver.

The six-pulse rectifier's figures (mean 3/pi of the top, harmonics 2 / ((6 k)^2 - 1) of the mean)
are in any handbook of power electronics; the rest is worked out here.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from sim import kernels, plain, restarted, switching
from sim.carriers import draw_angles
from sim.commutation import SINUSOIDAL, harmonic, ripple
from sim.mean_equations import equilibrium
from sim.network import Chopper, Rotor
from sim.patterns import PatternTable
from sim.state_equations import stack_rows
from tests.sim.small import Bench, edge_run, esc, steady

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from sim.network import Stamp
    from sim.switching import EdgeRun

    Array = NDArray[np.float64]

OHM, HENRY, DUTY, KE, DRAG = 0.08, 18e-6, 0.6, 4.9e-3, 1.2e-8


def bench(share: float = 0.14, *, carrier: float = 48e3, lead: float = 0.0, legs: int = 1) -> Bench:
    """Motors at 17 400 rpm on 16 V; with a lead of some henry there is a capacitor behind it."""

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), 16.0, "emf")
        part.chain(node("emf"), node("in"), ohm=1e5 * lead, henry=lead, names=("r", "lead", ""))
        if lead:
            part.chain(node("in"), node("0"), ohm=5e-3, farad=20e-6)
        for k in range(legs):
            spec = Chopper(f"esc{k}", carrier, 0.0, 0.3 + 0.21 * k, rise_s=20e-9)
            rotor = Rotor(f"motor{k}", KE, 7.5e-6, DRAG, 14, share)
            esc(part, node, k, "in", spec, henry=HENRY, ohm=OHM, rotor=rotor)

    return Bench(build)


def run_of(bench: Bench, seconds: float, **options: object) -> EdgeRun:
    return bench.run(steady([DUTY] * bench.equations.n_switches, seconds), **options)


def line(run: EdgeRun, name: str, hz: float, bench: Bench) -> float:
    """Amplitude at one frequency over a whole run, by a Hann window."""
    count = 2**18
    times = (np.arange(count) + 0.5) / count * run.duration_s
    window = np.hanning(count)
    value = run.sample(stack_rows([bench.amps(name)]), times)[0]
    return 2.0 * abs(np.sum(value * window * np.exp(-2j * np.pi * hz * times))) / window.sum()


def test_shape_is_that_of_a_six_pulse_rectifier() -> None:
    assert pytest.approx(0.1403, abs=5e-5) == SINUSOIDAL
    angle = np.linspace(0.0, math.pi / 3.0, 100_001)[:-1]
    shape = ripple(np.array(SINUSOIDAL), angle)
    # from cos 30 degrees to 1 of the top, whose mean is 3/pi
    assert (1.0 + shape.max()) * 3.0 / math.pi == pytest.approx(1.0, abs=1e-9)
    assert (1.0 + shape.min()) * 3.0 / math.pi == pytest.approx(math.cos(math.pi / 6.0), abs=1e-9)
    assert np.mean(shape) == pytest.approx(0.0, abs=1e-9)
    for order, expected in ((1, 2.0 / 35.0), (2, -2.0 / 143.0), (3, 2.0 / 323.0)):
        found = 2.0 * np.mean(shape * np.cos(6.0 * order * angle))
        assert harmonic(SINUSOIDAL, order) == pytest.approx(expected, rel=1e-12)
        assert found == pytest.approx(expected, abs=1e-8)
        assert harmonic(0.05, order) == pytest.approx(expected * 0.05 / SINUSOIDAL, rel=1e-12)


@pytest.mark.parametrize("turned", [0.0, 3e-7, 2e-6, 0.01, -0.2, 0.7, math.pi / 3.0, 2.5])
@pytest.mark.parametrize("angle", [0.0, 0.5, 0.5236, 0.6, -1.0, 1234.5])
def test_the_kernels_mean_of_it(angle: float, turned: float) -> None:
    """Against the midpoint rule, on either side of a commutation and over more than one."""
    points = angle + turned * (np.arange(20_000) + 0.5) / 20_000
    expected = float(np.mean(ripple(np.array(1.0), points)))
    assert kernels.ripple_over(angle, turned) == pytest.approx(expected, abs=1e-6)
    assert plain.ripple_over(angle, turned) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(("carrier", "within"), [(48e3, 0.025), (192e3, 0.006)])
def test_line_in_the_supply_current(carrier: float, within: float) -> None:
    """On a stiff supply the motor's current is that of PWM and of the ripple apart: at six times
    the electrical frequency duty x EMF / |R + j w L|. What is missing is held EMF, and less of
    it the shorter stretches are."""
    made = bench(carrier=carrier)
    run = run_of(made, 20e-3)
    hz = float(np.mean(run.speeds(np.linspace(0.0, 20e-3, 101)))) * 42.0 / math.tau
    emf = KE * hz * math.tau / 42.0 * harmonic(0.14, 1)
    expected = DUTY * emf / abs(OHM + 2j * math.pi * hz * HENRY)
    found = line(run, "emf", hz, made)
    assert 12.0e3 < hz < 12.4e3
    assert expected > 0.2
    assert found == pytest.approx(expected, rel=within)
    assert found < expected
    # no line without ripple, and next to none beside it (the window's own skirt)
    assert line(run, "emf", 1.07 * hz, made) < 5e-3 * expected
    smooth = bench(0.0, carrier=carrier)
    assert line(run_of(smooth, 20e-3), "emf", hz, smooth) < 1e-3 * expected


def test_against_radau_restarted_at_each_edge() -> None:
    """Two ESCs behind a lead: currents within what a stretch bends, and as one at edges."""
    made = bench(lead=150e-9, legs=2)
    run = run_of(made, 6e-3)
    t0, t1 = 5e-3, 5.3e-3
    rows = stack_rows([made.amps("winding 0"), made.amps("winding 1"), made.volts("in")])
    row = restarted.spans(run, 0, t0, t1)
    x0 = run.states(np.array([t0]))[0]
    bits = restarted.solve(run.mean, row, x0, 1e-9, run.angles(t0))
    times, expected = restarted.read(run.mean, bits, rows)
    off = np.abs(run.sample(rows, times) - expected)
    # (the ripple of the current is 0.37 A, 0.74 A from top to bottom)
    assert np.max(off[:2]) < 0.034 * 0.37
    assert np.max(off[2]) < 2e-3
    assert run.angles(t1) == pytest.approx(bits[-1].angle[:, -1], abs=1e-5)
    # and without its ripple the reference would be somewhere else
    smooth = bench(0.0, lead=150e-9, legs=2)
    bits = restarted.solve(smooth.mean, row, x0, 1e-9)
    plain_rows = stack_rows([smooth.amps("winding 0"), smooth.amps("winding 1")])
    times, other = restarted.read(smooth.mean, bits, plain_rows)
    assert np.max(np.abs(run.sample(rows, times)[:2] - other)) > 0.3


def test_what_the_emf_takes_the_torque_gives() -> None:
    """The ledger closes, and what is left with the motor is what its propeller took: to a
    hundredth of what the rippling EMF alone turned over."""
    made = bench()
    run = run_of(made, 20e-3)
    balance = run.energy(0.0, 20e-3)
    assert balance.residual < 1e-9
    (owner,) = [name for name in balance.by_owner if name == "motor0"]
    times = (np.arange(200_000) + 0.5) * 1e-7
    drag = DRAG * float(np.mean(run.speeds(times)[0] ** 3)) * 20e-3
    hz = float(np.mean(run.speeds(times[::1000]))) * 42.0 / math.tau
    emf = [KE * hz * math.tau / 42.0 * harmonic(0.14, k) for k in range(1, 6)]
    ripple_a = [e / abs(OHM + 2j * math.pi * hz * k * HENRY) for k, e in enumerate(emf, 1)]
    # of the current's ripple alone; with the mean current it comes and goes 40 W each way
    through = 0.5 * OHM * sum(a * a for a in ripple_a) * 20e-3
    assert through > 5e-5
    assert balance.by_owner[owner] == pytest.approx(drag, abs=0.01 * through)


def test_the_mean_is_the_averaged_one() -> None:
    """Ripple has no mean: averaged runs, which know none, stay within a part in a thousand."""
    whole, smooth = (run_of(bench(share), 20e-3) for share in (0.14, 0.0))
    means = [
        run.means(stack_rows([bench(share).amps("emf")]), 0.0, 20e-3)[0][0]
        for run, share in ((whole, 0.14), (smooth, 0.0))
    ]
    assert means[0] == pytest.approx(means[1], rel=1e-3)
    averaged = bench().mean
    assert averaged.eq.n_inputs > smooth.equations.n_inputs
    x = equilibrium(averaged, np.array([DUTY]))
    assert x == pytest.approx(equilibrium(smooth.mean, np.array([DUTY])), rel=1e-12)


def test_an_esc_timing_sets_the_angles_and_nothing_else_does() -> None:
    made = bench(legs=2)
    rows = stack_rows([made.amps("winding 0")])
    times = np.linspace(0.0, 1e-3, 500)
    once, again, other = (run_of(made, 1e-3, seed=seed).sample(rows, times) for seed in (3, 3, 4))
    assert np.array_equal(once, again)
    assert np.max(np.abs(once - other)) > 0.05
    angles = draw_angles(made.network, 3)
    assert len(set(angles.tolist())) == 2
    assert np.array_equal(angles, draw_angles(made.network, 3))


def test_it_goes_on_where_another_run_ends() -> None:
    """As events in stages do."""
    made = bench()
    whole = run_of(made, 4e-3)
    first = run_of(made, 2e-3)
    x = first.end_flat()
    start = first.duration_s
    drive = steady([DUTY], 4e-3)
    second = switching.run(made.mean, drive, x, before=first, table=PatternTable(made.equations))
    assert second.angles(start) == pytest.approx(whole.angles(start), abs=1e-6)
    times = np.linspace(start + 1e-6, 4e-3, 3000)
    rows = stack_rows([made.amps("winding 0")])
    assert np.max(np.abs(second.sample(rows, times) - whole.sample(rows, times))) < 5e-3
    for run in (first, second):
        assert run.energy(max(0.0, float(run._t[0])), run.duration_s).residual < 1e-9


def test_in_numpy_the_same() -> None:
    """Where kernels are not compiled."""
    made = bench(lead=150e-9, legs=2)
    drive = steady([DUTY] * 2, 0.5e-3)
    x0 = equilibrium(made.mean, drive.start_duty)
    runs = []
    for compiled in (True, False):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(plain, "usable", lambda compiled=compiled: compiled)
            runs.append(edge_run(made.mean, drive, x0))
    assert [run._m.compiled for run in runs] == [True, False]
    rows = stack_rows([made.amps("winding 0"), made.volts("in")])
    times = np.linspace(0.0, 0.5e-3, 4001)
    one, other = (run.sample(rows, times) for run in runs)
    assert np.max(np.abs(one - other)) < 1e-8
    assert runs[0].steps == runs[1].steps
    assert runs[0].angles(0.2e-3) == pytest.approx(runs[1].angles(0.2e-3), abs=1e-9)

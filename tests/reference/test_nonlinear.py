"""Stores that fade and curves, against closed forms and an ODE written here from scratch."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from sim import averaged, rosenbrock
from sim.event import Drive
from sim.laws import StoreLaws
from sim.nonlinear import Curve, Fading
from tests.sim.small import Bench


def _plug_in(seconds: float) -> Drive:
    return Drive("plug_in", seconds, (), np.ones(0, bool))


# Worked out by energy: at the peak no current flows, and what the source gave, V Q(v), is what
# C0 Vh^2 / 2 ln(1 + u^2) stores: r atan(u) = ln(1 + u^2) / 2 with r = V / Vh, peak / V = u / r.
# Overshoots of this size were measured on 36 inch leads: Pololu's notes on LC voltage spikes.
@pytest.mark.parametrize(
    ("r", "peak"), [(0.01, 2.0001), (0.5, 2.34408), (0.8, 2.92252), (1.0, 3.50264), (1.2, 4.27605)]
)
@pytest.mark.parametrize("solver", ["Radau", "fast"])
def test_plug_in_onto_a_ceramic_overshoots_as_energy_says(
    r: float, peak: float, solver: str
) -> None:
    volts, henry, farad = 25.2, 100e-9, 10e-6
    bench = Bench(
        lambda s, n: (
            s.source(n("e"), n("0"), volts, "emf"),
            s.inductor(n("e"), n("c"), henry, "lead"),
            s.capacitor(n("c"), n("0"), farad, "ceramic", half_v=volts / r),
        )[0]
    )
    seconds = 8.0 * math.sqrt(henry * farad)
    run = (averaged if solver == "Radau" else rosenbrock).run(
        bench.mean, _plug_in(seconds), np.zeros(2), rtol=1e-9
    )
    found = run.figures(bench.volts("c"), 0.0, seconds).highest[0] / volts
    assert found == pytest.approx(peak, rel=1e-4)
    # the table's own digits, by its equation
    u = r * found
    assert r * math.atan(u) == pytest.approx(0.5 * math.log1p(u * u), rel=1e-6)
    assert run.energy(0.0, seconds).residual < 1e-8


@pytest.mark.parametrize(
    ("law", "z", "left", "charge", "energy"),
    [
        # a 22 uF 35 V 1210 part of which 0.20 is left at 25 V (makers' texts on bias)
        (Fading(22e-6, 12.5), 25.0, 4.4e-6, 304.466e-6, 2.76622e-3),
        # 10 uH, 3 A at 30 % down
        (Fading.saturating(10e-6, 3.0), 3.0, 7e-6, 26.5624e-6, None),
    ],
)
def test_charge_flux_and_energy_of_stores(
    law: Fading, z: float, left: float, charge: float, energy: float | None
) -> None:
    assert law.slope(z) == pytest.approx(left, rel=1e-6)
    # what the solver uses: the control of a store linearised to half of it
    laws = StoreLaws([law], np.array([0.5 * law.full]))
    c = np.array([charge / (0.5 * law.full)])
    assert (c + laws.residuals(c)[0])[0] == pytest.approx(z, rel=1e-5)
    held = laws.energy_beyond(np.array([z])) + 0.25 * law.full * z * z
    assert held == pytest.approx(quad(lambda v: v * law.slope(v), 0.0, z)[0], rel=1e-9)
    if energy is not None:
        assert held == pytest.approx(energy, rel=1e-5)


def test_current_into_a_saturating_coil_follows_its_flux() -> None:
    # at a steady voltage the flux rises straight: i = Is tan(V t / (L Is)), worked out
    henry, limit, volts = 10e-6, 3.0, 5.0
    bench = Bench(
        lambda s, n: (
            s.source(n("e"), n("0"), volts, "emf"),
            s.inductor(n("e"), n("0"), henry, "coil", saturation_a=limit),
        )[0]
    )
    half = 1.527525 * limit
    times = np.linspace(0.0, 12e-6, 50)
    run = rosenbrock.run(bench.mean, _plug_in(12.1e-6), np.zeros(1), rtol=1e-9)
    expected = half * np.tan(volts * times / (henry * half))
    assert run.sample(bench.amps("coil"), times)[0] == pytest.approx(expected, rel=1e-5)


def _softplus(x: float) -> float:
    return max(x, 0.0) + math.log1p(math.exp(-abs(x)))


@pytest.mark.parametrize("solver", ["Radau", "fast"])
def test_a_clamp_takes_what_an_inductor_has_left(solver: str) -> None:
    # plug-in through 200 nH onto 4.7 uF beside a clamp: an ODE of two states written here
    volts, ohm, henry, farad = 25.2, 20e-3, 200e-9, 4.7e-6
    clamp = Curve.knee(29.0, 0.3, 0.1, 1e-5)
    bench = Bench(
        lambda s, n: (
            s.source(n("e"), n("0"), volts, "emf"),
            s.chain(n("e"), n("c"), ohm=ohm, henry=henry),
            s.capacitor(n("c"), n("0"), farad, "c"),
            s.curve(n("c"), n("0"), clamp, "clamp"),
        )[0]
    )
    seconds = 20e-6
    run = (averaged if solver == "Radau" else rosenbrock).run(
        bench.mean, _plug_in(seconds), np.zeros(2), rtol=1e-9
    )

    def through(v: float) -> float:
        return 1e-5 * v + 0.1 / 0.3 * (_softplus((v - 29.0) / 0.1) - _softplus(-290.0))

    def slope(_: float, y: list[float]) -> list[float]:
        return [
            (volts - ohm * y[0] - y[1]) / henry,
            (y[0] - through(y[1])) / farad,
            through(y[1]) * y[1],
        ]

    times = np.linspace(0.0, seconds, 301)
    expected = solve_ivp(
        slope, (0.0, seconds), [0.0, 0.0, 0.0], "DOP853", times, rtol=1e-11, atol=1e-12
    ).y
    found = run.sample(bench.volts("c"), times)[0]
    assert found == pytest.approx(expected[1], abs=2e-5)
    assert 38.0 < np.max(found) < 43.0  # unclamped it would be some 46 V
    balance = run.energy(0.0, seconds)
    assert balance.residual < 1e-8
    # the clamp's own entry: all is of one part here, the resistor's share taken off
    heat = quad(lambda t: ohm * np.interp(t, times, expected[0]) ** 2, 0.0, seconds, limit=400)[0]
    assert balance.dissipated - heat == pytest.approx(expected[2, -1], rel=2e-3)


def test_a_supply_that_cannot_sink_is_a_curve_too() -> None:
    # 5 A limit into 470 uF from 0 V: the voltage rises straight, then stays; worked out
    volts, limit, farad = 16.0, 5.0, 470e-6
    bench = Bench(
        lambda s, n: (
            s.source(n("e"), n("0"), volts, "emf"),
            s.curve(n("e"), n("c"), Curve.limiter(20e-3, limit, 1e-4, 1e-6), "limiter"),
            s.capacitor(n("c"), n("0"), farad, "c"),
        )[0]
    )
    for solver in (averaged, rosenbrock):
        run = solver.run(bench.mean, _plug_in(3e-3), np.zeros(1), rtol=1e-8)
        times = np.array([0.3e-3, 1e-3, 2.5e-3])
        expected = np.minimum(limit * times / farad, volts)
        assert run.sample(bench.volts("c"), times)[0] == pytest.approx(expected, abs=5e-3)
        # pushed above its EMF nothing flows back
        above = run.mean.eq.voltage_scale[0, 0]
        pushed = solver.run(bench.mean, _plug_in(1e-3), np.array([20.0 / above]), rtol=1e-8)
        assert pushed.sample(bench.volts("c"), np.array([1e-3]))[0, 0] == pytest.approx(
            20.0, abs=1e-4
        )
        assert run.energy(0.0, 3e-3).residual < 1e-6


def test_curves_that_fall_are_refused() -> None:
    with pytest.raises(Exception, match="falls"):
        Curve(1e-3, ((1.0, -0.5, 0.1),))

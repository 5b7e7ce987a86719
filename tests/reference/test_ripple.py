"""Ripple that bridges draw from a capacitor, against published closed forms.

A supply that hardly varies feeds the capacitor, so that the capacitor carries all ripple;
windings of many millihenries keep the motors' currents smooth unless a ripple is asked for.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from sim.network import Chopper
from tests.sim.small import Bench, esc, steady

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from sim.network import Stamp
    from sim.switching import EdgeRun

F = 48e3
VOLTS = 20.0


def legs(
    phases: Sequence[float | None],
    duty: float,
    amps: float,
    *,
    farad: float = 50e-3,
    henry: float = 0.1,
    offset: float | None = 0.0,
    carrier: float = F,
) -> Bench:
    """Legs that carry `amps` each out of a capacitor held at 20 V by 1 kohm from far above."""
    ohm = duty * VOLTS / amps
    drawn = len(phases) * duty * amps

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), VOLTS + 1e3 * drawn, "emf")
        part.resistor(node("emf"), node("in"), 1e3, "supply")
        part.capacitor(node("in"), node("0"), farad, "capacitor")
        for k, phase in enumerate(phases):
            spec = Chopper(f"esc{k}", carrier, offset, phase, rise_s=1e-9)
            esc(part, node, k, "in", spec, henry=henry, ohm=ohm)

    return Bench(build)


def settled(bench: Bench, duty: float, periods: int, carrier: float = F, seed: int = 0) -> EdgeRun:
    drive = steady([duty] * bench.equations.n_switches, periods / carrier)
    return bench.run(drive, seed=seed)


def ripple_amps(bench: Bench, run: EdgeRun) -> float:
    """RMS current of the capacitor."""
    figures = run.figures(bench.amps("capacitor"), 0.0, run.duration_s)
    return math.sqrt(float(figures.mean_square[0]) - float(figures.mean[0]) ** 2)


@pytest.mark.parametrize(("duty", "wanted"), [(0.1, 0.3), (0.25, 0.433013), (0.5, 0.5)])
def test_one_leg(duty: float, wanted: float) -> None:
    """I sqrt(D (1 - D)).

    Source: "Switching regulator input capacitor RMS current explained",
    industrialmonitordirect.com. The same holds for six-step drive with one leg chopped, with the
    phase current for I; the supply then gives D I on average (derived).
    """
    bench = legs([0.0], duty, 10.0)
    run = settled(bench, duty, 20)
    assert ripple_amps(bench, run) == pytest.approx(10.0 * wanted, rel=5e-4)
    drawn = float(run.figures(bench.amps("supply"), 0.0, run.duration_s).mean[0])
    assert drawn == pytest.approx(duty * 10.0, rel=1e-6)


def test_one_leg_whose_own_current_ripples() -> None:
    """I^2 D (1 - D) + D dI^2 / 12: 20 A, half on, 6 A of ripple give 10.0747 A. Same source."""
    henry = VOLTS * 0.5 * 0.5 / (6.0 * F)

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        # a back-EMF rather than a resistance: the current then runs straight, as the formula has it
        part.source(node("emf"), node("0"), VOLTS + 1e3 * 10.0, "emf")
        part.resistor(node("emf"), node("in"), 1e3, "supply")
        part.capacitor(node("in"), node("0"), 50e-3, "capacitor")
        part.chopper(node("in"), node("0"), node("mid"), Chopper("esc", F, 0.0, 0.0, rise_s=1e-9))
        part.inductor(node("mid"), node("w"), henry, "winding 0")
        part.resistor(node("w"), node("back"), 0.05, "motor")
        part.source(node("back"), node("0"), 0.5 * VOLTS - 20.0 * 0.05, "back-EMF")

    bench = Bench(build)
    run = settled(bench, 0.5, 50)
    figures = run.figures(bench.amps("winding 0"), 0.0, run.duration_s)
    assert figures.highest[0] - figures.lowest[0] == pytest.approx(6.0, rel=2e-3)
    assert ripple_amps(bench, run) == pytest.approx(10.0747, rel=1e-3)


@pytest.mark.parametrize(("carrier", "farad"), [(48e3, 416.67e-6), (24e3, 833.3e-6)])
def test_capacitor_for_one_volt(carrier: float, farad: float) -> None:
    """I D (1 - D) / (f C): 80 A, half on, one volt. Derived from the charge of half a period."""
    bench = legs([0.0], 0.5, 80.0, farad=farad, carrier=carrier)
    run = settled(bench, 0.5, 10, carrier)
    figures = run.figures(bench.volts("in"), 1.0 / carrier, 9.0 / carrier)
    assert figures.highest[0] - figures.lowest[0] == pytest.approx(1.0, rel=5e-3)


INTERLEAVED = [
    # N, duty, RMS over total current, peak to peak over total current times T / C
    (4, 0.3, 0.1, 0.01),
    (4, 0.25, 0.0, 0.0),
    (3, 0.4, 0.133333, 0.017778),
    (2, 0.25, 0.25, 0.0625),
    (1, 0.3, 0.458258, 0.21),
]


@pytest.mark.parametrize(("n", "duty", "amps", "volts"), INTERLEAVED)
def test_interleaved(n: int, duty: float, amps: float, volts: float) -> None:
    """N legs a phase of 1/N apart.

    Current: Itot sqrt((D - m/N) ((m+1)/N - D)), m = floor(N D), worked out from rectangles that
    add up; two phases are worst at 1/4 and 3/4, as page 24 of the LTC3861 data sheet shows.
    Voltage: (Itot T / C) d (1 - d) / N^2, d = N D - m; the factor of four between one phase
    and two is on the same page.
    """
    total, farad = 40.0, 50e-3
    bench = legs([k / n for k in range(n)], duty, total / n, farad=farad)
    run = settled(bench, duty, 24)
    # edges of 1 ns, and millihenries that are not endless, leave a little where nothing should be
    assert ripple_amps(bench, run) == pytest.approx(total * amps, rel=2e-3, abs=total * 6e-3)
    figures = run.figures(bench.volts("in"), 4.0 / F, 20.0 / F)
    swing = float(figures.highest[0] - figures.lowest[0])
    unit = total / (F * farad)
    assert swing == pytest.approx(unit * volts, rel=5e-3, abs=unit * 2e-3)


def test_four_legs_in_phase() -> None:
    """As one leg of four times the current (same formula with N = 1)."""
    bench = legs([0.0] * 4, 0.3, 10.0)
    assert ripple_amps(bench, settled(bench, 0.3, 24)) == pytest.approx(40.0 * 0.458258, rel=1e-3)


def test_four_legs_of_random_phase() -> None:
    """sqrt(D (1 - D) / N) over many phases: the squares of independent carriers add up."""
    bench = legs([None] * 4, 0.3, 10.0, offset=None)
    squares = [ripple_amps(bench, settled(bench, 0.3, 480, seed=s)) ** 2 for s in range(24)]
    assert math.sqrt(np.mean(squares)) == pytest.approx(40.0 * 0.229129, rel=0.03)

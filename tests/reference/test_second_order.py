"""A pack plugged into a discharged capacitor is the second-order step of every textbook."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

import sim
from tests.reference.closed_forms import (
    LEG_HENRY_PER_MM,
    Series,
    amps,
    battery,
    can,
    joint,
    lead,
    plug_in,
    series_build,
    volts,
)

if TYPE_CHECKING:
    from pathlib import Path

#: What the project promises of a linear plug-in: error over the source's voltage.
PROMISE = 1e-6


def _damped(damping: float) -> Series:
    """25.2 V, 100 nH, 100 uF with the resistance that gives a damping ratio."""
    ohm = 2.0 * damping * math.sqrt(100e-9 / 100e-6)
    return Series(volt=25.2, ohm=ohm, henry=100e-9, farad=100e-6)


# Overshoot of a standard second-order step, exp(-pi z / sqrt(1 - z^2)).
# Source of 16.3 % at z = 0.5: ecexplain.in, "Time response" notes; the others from the formula,
# and `control.step_info`, which finds it from a simulated step, agrees (below).
OVERSHOOT = [(0.1, 0.72925), (0.2, 0.52662), (0.3, 0.37233), (0.5, 0.16303), (0.7071, 0.04321)]


@pytest.mark.parametrize("damping, overshoot", OVERSHOOT)
def test_overshoot(tmp_path: Path, damping: float, overshoot: float) -> None:
    circuit = _damped(damping)
    solution = sim.solve(series_build(tmp_path, circuit, 20.0 / circuit.natural))
    (pads,) = [joint for joint in solution.joints if joint.id == "pads"]
    # The table gives 0.001 %.
    assert pads.peak_V == pytest.approx(25.2 * (1.0 + overshoot), abs=25.2 * 1e-5)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # inside the other package
def test_overshoot_by_another_program(tmp_path: Path) -> None:
    # Source: the `control` package, `step_info`.
    import control

    circuit = _damped(0.3)
    solution = sim.solve(series_build(tmp_path, circuit, 20.0 / circuit.natural))
    (pads,) = [joint for joint in solution.joints if joint.id == "pads"]
    times = np.linspace(0.0, 20.0, 20_001)
    response = control.step_response(control.tf([1], [1, 0.6, 1]), times)
    assert pads.peak_V is not None
    assert pads.peak_V / 25.2 == pytest.approx(float(np.max(response.outputs)), abs=1e-5)


@pytest.mark.parametrize("damping, decrement", [(0.05, 0.31455), (0.1, 0.63148), (0.2, 1.28255)])
def test_logarithmic_decrement(tmp_path: Path, damping: float, decrement: float) -> None:
    # 2 pi z / sqrt(1 - z^2) between peaks one period apart. From memory.
    circuit = _damped(damping)
    damped = circuit.natural * math.sqrt(1.0 - damping**2)
    solution = sim.solve(series_build(tmp_path, circuit, 6.0 * math.pi / damped))
    peaks = volts(solution, "pads", np.array([1.0, 3.0]) * math.pi / damped) - 25.2
    assert math.log(peaks[0] / peaks[1]) == pytest.approx(decrement, abs=1e-5)


def test_time_of_the_peak(tmp_path: Path) -> None:
    # pi / (w sqrt(1 - z^2)) = 3.62760 / w at z = 0.5. Source: ecexplain.in, "Time response" notes.
    circuit = _damped(0.5)
    solution = sim.solve(series_build(tmp_path, circuit, 8.0 / circuit.natural))
    times = np.linspace(3.62, 3.635, 1501) / circuit.natural
    highest = times[np.argmax(volts(solution, "pads", times))]
    # A peak is flat: an error of 1e-7 in height moves it by some 5e-4.
    assert highest * circuit.natural == pytest.approx(3.62760, abs=1e-3)


@pytest.mark.parametrize(
    "damping, settled",
    [(0.1, 38.383), (0.2, 19.602), (0.3, 11.230), (0.5, 8.076), (0.7071, 5.963)],
)
def test_settling_to_two_percent(tmp_path: Path, damping: float, settled: float) -> None:
    # The last time outside 2 %, found numerically (the rule 4/z is only a rule). Worked out.
    circuit = _damped(damping)
    solution = sim.solve(series_build(tmp_path, circuit, 45.0 / circuit.natural))
    times = np.linspace(0.0, 45.0, 45_001)
    away = np.abs(volts(solution, "pads", times / circuit.natural) / 25.2 - 1.0)
    assert times[np.flatnonzero(away > 0.02)[-1]] == pytest.approx(settled, abs=2e-3)


def test_no_loss_doubles_the_voltage(tmp_path: Path) -> None:
    # Source of "twice the step": Linear Technology application note 88, "Ceramic input
    # capacitors can cause overvoltage transients".
    circuit = Series(volt=25.2, ohm=0.0, henry=200e-9, farad=22e-6)
    solution = sim.solve(series_build(tmp_path, circuit, 4.0 * math.pi / circuit.natural))
    (pads,) = [joint for joint in solution.joints if joint.id == "pads"]
    assert pads.peak_V == pytest.approx(2.0 * 25.2, abs=25.2 * PROMISE)


# 25.2 V through 200 nH and 20 mohm. Worked out from the closed form; peaks of the
# capacitor alone and at its terminals, and of the current.
# farad, esr, capacitor V, terminal V, time of the terminal peak, A
RINGING = [
    (22e-6, 3e-3, 42.404, 42.4125, 6.572e-6, 221.6),
    (4.4e-6, 3e-3, 46.467, 46.469, None, None),
]


@pytest.mark.parametrize("farad, esr, inner, terminal, when, current", RINGING)
def test_plug_in_rings(
    tmp_path: Path,
    farad: float,
    esr: float,
    inner: float,
    terminal: float,
    when: float | None,
    current: float | None,
) -> None:
    circuit = Series(volt=25.2, ohm=20e-3, henry=200e-9, farad=farad, esr=esr)
    solution = sim.solve(series_build(tmp_path, circuit, 100e-6))
    figures = {joint.id: joint for joint in solution.joints}
    parts = {part.id: part for part in solution.parts}
    assert figures["pads"].peak_V == pytest.approx(terminal, abs=6e-4)
    times = np.linspace(0.0, 12e-6, 12_001)
    inside = volts(solution, "pads", times) - esr * amps(solution, "pack.out", times)
    assert np.max(inside) == pytest.approx(inner, abs=6e-4)
    if when is not None:
        highest = times[np.argmax(volts(solution, "pads", times))]
        assert highest == pytest.approx(when, abs=2e-9)
    if current is not None:
        assert parts["pack"].peak_A == pytest.approx(current, abs=0.05)


@pytest.mark.parametrize(
    "farad, esr, damping, current", [(470e-6, 25e-3, 1.09, 423.7), (1000e-6, 18e-3, 1.34, 532.4)]
)
def test_a_large_capacitor_does_not_overshoot(
    tmp_path: Path, farad: float, esr: float, damping: float, current: float
) -> None:
    # Worked out from the closed form.
    circuit = Series(volt=25.2, ohm=20e-3, henry=200e-9, farad=farad, esr=esr)
    assert circuit.damping == pytest.approx(damping, abs=0.006)
    solution = sim.solve(series_build(tmp_path, circuit, 400e-6))
    parts = {part.id: part for part in solution.parts}
    times = np.linspace(0.0, 400e-6, 8001)
    inside = volts(solution, "pads", times) - esr * amps(solution, "pack.out", times)
    assert np.max(inside) <= 25.2 * (1.0 + PROMISE)
    assert parts["pack"].peak_A == pytest.approx(current, abs=0.05)


@pytest.mark.parametrize("share, overshoots", [(0.9, True), (1.1, False)])
def test_capacitance_that_just_does_not_overshoot(
    tmp_path: Path, share: float, overshoots: bool
) -> None:
    # C > 4 L / R^2: 200 nH and 45 mohm give 395 uF. Source: a rule quoted at
    # discuss.bluerobotics.com, thread 13687; it is z = 1 of the textbook step.
    farad = 4.0 * 200e-9 / 45e-3**2
    assert farad == pytest.approx(395e-6, abs=0.5e-6)
    circuit = Series(volt=25.2, ohm=45e-3, henry=200e-9, farad=farad * share)
    solution = sim.solve(series_build(tmp_path, circuit, 60.0 / circuit.natural))
    times = np.linspace(0.0, 60.0, 60_001) / circuit.natural
    highest = float(np.max(volts(solution, "pads", times)))
    # At 0.9 of it z is 0.949 and the overshoot exp(-pi z / sqrt(1 - z^2)) = 8e-5.
    assert (highest > 25.2 * (1.0 + 4e-5)) is overshoots
    assert highest <= 25.2 * (1.0 + (1e-4 if overshoots else PROMISE))


@pytest.mark.parametrize("ohm, henry", [(20e-3, 200e-9), (45e-3, 50e-9), (0.5, 0.0)])
def test_charging_loses_what_it_stores(tmp_path: Path, ohm: float, henry: float) -> None:
    # C V^2 / 2 whatever R and L are: 0.31752 J for 1000 uF and 25.2 V. Textbook physics.
    circuit = Series(volt=25.2, ohm=ohm, henry=henry, farad=1000e-6)
    solution = sim.solve(series_build(tmp_path, circuit, 40.0 * max(ohm, 45e-3) * 1000e-6))
    assert solution.energy.dissipated_J == pytest.approx(0.31752, rel=1e-6)
    assert solution.energy.stored_change_J == pytest.approx(0.31752, rel=1e-6)
    assert sum(part.loss_J for part in solution.parts) == pytest.approx(0.31752, rel=1e-6)


# Where the plug-in's resistance and inductance sit, with esr, esl and legs zero and not zero.
PLACES = [
    pytest.param(Series(25.2, 20e-3, 200e-9, 22e-6), 0.0, id="all zero, rings"),
    pytest.param(Series(25.2, 20e-3, 200e-9, 22e-6, esr=3e-3), 0.0, id="esr"),
    pytest.param(Series(25.2, 20e-3, 200e-9, 22e-6, esl=12e-9), 0.0, id="esl"),
    pytest.param(
        Series(25.2, 20e-3, 200e-9, 22e-6, esl=5.0 * LEG_HENRY_PER_MM), 5.0, id="legs of 5 mm"
    ),
    pytest.param(
        Series(25.2, 20e-3, 200e-9, 22e-6, 18e-3, 12e-9 + 5.0 * LEG_HENRY_PER_MM),
        5.0,
        id="esr, esl and legs",
    ),
    pytest.param(Series(25.2, 20e-3, 200e-9, 1000e-6), 0.0, id="all zero, creeps"),
    pytest.param(Series(25.2, 20e-3, 200e-9, 1000e-6, 18e-3, 12e-9), 0.0, id="esr and esl, creeps"),
    pytest.param(Series(25.2, 20e-3, 0.0, 1000e-6, 18e-3, 12e-9), 0.0, id="esl alone"),
    pytest.param(Series(25.2, 0.0, 200e-9, 1000e-6, 18e-3), 0.0, id="esr alone"),
    pytest.param(Series(25.2, 0.0, 200e-9, 22e-6), 0.0, id="no loss at all"),
]


@pytest.mark.parametrize("circuit, leg_mm", PLACES)
def test_plug_in_against_forty_digits(tmp_path: Path, circuit: Series, leg_mm: float) -> None:
    # Closed form of the series circuit, any textbook; evaluated by mpmath at 40 digits.
    duration = 200e-6
    solution = sim.solve(series_build(tmp_path, circuit, duration, leg_mm))
    times = np.linspace(0.0, duration, 401)[1:]
    exact = circuit.answers(times)
    worst = np.max(np.abs(volts(solution, "pads", times) - exact["pads"]))
    assert worst <= PROMISE * circuit.volt
    # Currents against the largest that this source could drive through the circuit.
    scale = np.max(np.abs(exact["amps"]))
    assert np.max(np.abs(amps(solution, "pack.out", times) - exact["amps"])) <= PROMISE * scale
    assert np.max(np.abs(amps(solution, "bulk", times) - exact["amps"])) <= PROMISE * scale


def test_split_over_lead_and_parts(tmp_path: Path) -> None:
    """The same circuit in other clothes: typed lead values, a resistor, an inductor.

    Inductors in series through a joint that nothing else holds are a cut-set: their
    currents are one state, not three.
    """
    circuit = Series(volt=25.2, ohm=20e-3, henry=200e-9, farad=22e-6, esr=3e-3)
    solution = sim.solve(
        plug_in(
            tmp_path,
            [
                battery(25.2, 5e-3, 50e-9),
                joint("plug"),
                {"id": "shunt", "kind": "resistor", "at": [0, 60], "values": {"resistance": 5e-3}},
                {
                    "id": "choke",
                    "kind": "inductor",
                    "at": [0, 40],
                    "values": {"inductance": "40 nH", "dcr": "4 mOhm"},
                },
                joint("pads"),
                can("bulk", 22e-6, 3e-3),
            ],
            [
                lead("main", "pack.out", "plug", resistance="6 mOhm", inductance="110 nH"),
                lead("a", "plug", "shunt.in"),
                lead("b", "shunt.out", "choke.in"),
                lead("c", "choke.out", "pads"),
                lead("on_pads", "bulk", "pads"),
            ],
            100e-6,
        )
    )
    times = np.linspace(0.0, 100e-6, 201)[1:]
    exact = circuit.answers(times)
    assert np.max(np.abs(volts(solution, "pads", times) - exact["pads"])) <= PROMISE * 25.2
    through = amps(solution, "main", times)
    assert np.max(np.abs(through - exact["amps"])) <= PROMISE * np.max(np.abs(exact["amps"]))


def test_ideal_capacitors_side_by_side_add_up(tmp_path: Path) -> None:
    """A loop of two capacitors without resistance is one state, not two."""
    circuit = Series(volt=25.2, ohm=20e-3, henry=200e-9, farad=22e-6)
    solution = sim.solve(
        plug_in(
            tmp_path,
            [battery(25.2, 20e-3, 200e-9), joint("pads"), can("one", 15e-6), can("two", 7e-6)],
            [
                lead("main", "pack.out", "pads"),
                lead("first", "one", "pads"),
                lead("second", "two", "pads"),
            ],
            100e-6,
        )
    )
    times = np.linspace(0.0, 100e-6, 201)[1:]
    exact = circuit.answers(times)
    assert np.max(np.abs(volts(solution, "pads", times) - exact["pads"])) <= PROMISE * 25.2
    share = amps(solution, "one", times) / 15.0 - amps(solution, "two", times) / 7.0
    assert np.max(np.abs(share)) <= PROMISE * np.max(np.abs(exact["amps"])) / 15.0

"""Two linear circuits whose figures several independent methods agree on.

The tables were worked out once and are checked here by three methods that share
no code: matrix exponential at 40 digits (`mpmath.expm`), an explicit and an
implicit Runge-Kutta (`scipy.integrate.solve_ivp`, DOP853 and Radau), and the
numerical inverse Laplace transform (`mpmath.invertlaplace`, Talbot's contour).
Then the program's own answer, from a build file, must agree with them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import mpmath
import numpy as np
import pytest
from scipy.integrate import solve_ivp

import sim
from tests.reference.closed_forms import (
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
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Problem:
    """x' = A x + b from rest, and x at some times (times x states)."""

    name: str
    a: tuple[tuple[float, ...], ...]
    b: tuple[float, ...]
    times_s: tuple[float, ...]
    answers: tuple[tuple[float, ...], ...]


# Series circuit from rest: 25.2 V, 20 mohm, 100 nH, 100 uF; [i, v].
SERIES = Problem(
    "series circuit",
    ((-20e-3 / 100e-9, -1 / 100e-9), (1 / 100e-6, 0.0)),
    (25.2 / 100e-9, 0.0),
    (5e-6, 10e-6, 20e-6, 50e-6),
    (
        (508.209485519401, 19.0367172486438),
        (43.6087257506656, 33.9416994801083),
        (-31.7644114951387, 22.2430321889314),
        (3.68054820094787, 25.2921866876863),
    ),
)

# 16.8 V, 25 mohm and 200 nH onto a bus of 470 uF with 20 mohm; from there 10 uH with
# 0.1 ohm onto 47 uF; from rest; [i1, vC1, i2, vC2].
_R1, _L1, _C1, _ESR, _R2, _L2, _C2 = 25e-3, 200e-9, 470e-6, 20e-3, 0.1, 10e-6, 47e-6
LADDER = Problem(
    "four-state ladder",
    (
        (-(_R1 + _ESR) / _L1, -1 / _L1, _ESR / _L1, 0.0),
        (1 / _C1, 0.0, -1 / _C1, 0.0),
        (_ESR / _L2, 1 / _L2, -(_R2 + _ESR) / _L2, -1 / _L2),
        (0.0, 0.0, 1 / _C2, 0.0),
    ),
    (16.8 / _L1, 0.0, 0.0, 0.0),
    (10e-6, 100e-6, 500e-6),
    (
        (283.5289958501, 4.407312015437, 5.577015551906, 0.4381883392097),
        (-5.640241509415, 16.9080446157, -14.51557559742, 22.56993097021),
        (0.09908165193755, 16.79548983831, -0.6460228925831, 17.47192698908),
    ),
)
PROBLEMS = (SERIES, LADDER)
LADDER_RATES = np.array([-157652.28, -67009.34, -6169.19 - 45875.15j, -6169.19 + 45875.15j])


def by_exponential(problem: Problem, time_s: float) -> Floats:
    n = len(problem.b)
    with mpmath.workdps(40):
        whole = mpmath.zeros(n + 1)
        for row in range(n):
            for column in range(n):
                whole[row, column] = mpmath.mpf(problem.a[row][column]) * time_s
            whole[row, n] = mpmath.mpf(problem.b[row]) * time_s
        result = mpmath.expm(whole)
        return np.array([float(result[row, n]) for row in range(n)])


def by_integration(method: str) -> Callable[[Problem, float], Floats]:
    def solve(problem: Problem, time_s: float) -> Floats:
        a, b = np.array(problem.a), np.array(problem.b)
        run = solve_ivp(
            lambda _t, x: a @ x + b,
            (0.0, time_s),
            np.zeros(len(b)),
            method=method,
            rtol=1e-11,
            atol=1e-11,
            **({"jac": a} if method == "Radau" else {}),
        )
        assert run.success
        return np.asarray(run.y[:, -1])

    return solve


def by_inverse_laplace(problem: Problem, time_s: float) -> Floats:
    n = len(problem.b)
    with mpmath.workdps(60):  # Talbot's sum cancels: half as many digits as its degree and more
        a = mpmath.matrix([[mpmath.mpf(value) for value in row] for row in problem.a])
        b = mpmath.matrix([mpmath.mpf(value) for value in problem.b])

        def transform(state: int) -> Callable[[mpmath.mpc], mpmath.mpc]:
            return lambda s: mpmath.lu_solve(s * mpmath.eye(n) - a, b / s)[state]

        return np.array(
            [
                float(mpmath.invertlaplace(transform(state), time_s, method="talbot", degree=80))
                for state in range(n)
            ]
        )


# method, error allowed over the largest figure of each state
METHODS = [
    pytest.param(by_exponential, 1e-11, id="matrix exponential"),
    pytest.param(by_integration("DOP853"), 1e-8, id="DOP853"),
    pytest.param(by_integration("Radau"), 1e-8, id="Radau"),
    pytest.param(by_inverse_laplace, 1e-8, id="inverse Laplace"),
]


@pytest.mark.parametrize("method, allowed", METHODS)
@pytest.mark.parametrize("problem", PROBLEMS, ids=lambda problem: problem.name)
def test_methods_agree_with_the_table(
    problem: Problem, method: Callable[[Problem, float], Floats], allowed: float
) -> None:
    answers = np.array(problem.answers)
    scale = np.max(np.abs(answers), axis=0)
    for time_s, answer in zip(problem.times_s, answers, strict=True):
        assert np.max(np.abs(method(problem, time_s) - answer) / scale) <= allowed


def test_series_circuit_peak_by_the_program(tmp_path: Path) -> None:
    # Worked out by closed form: 34.0431791409 V at 10.471975512 us.
    solution = sim.solve(series_build(tmp_path, Series(25.2, 20e-3, 100e-9, 100e-6), 60e-6))
    (pads,) = [joint for joint in solution.joints if joint.id == "pads"]
    assert pads.peak_V == pytest.approx(34.0431791409, abs=1e-6 * 25.2)
    near = volts(solution, "pads", np.array([10.471975512e-6]))
    assert near[0] == pytest.approx(34.0431791409, abs=1e-6 * 25.2)


def test_series_circuit_by_the_program(tmp_path: Path) -> None:
    solution = sim.solve(series_build(tmp_path, Series(25.2, 20e-3, 100e-9, 100e-6), 60e-6))
    times, answers = np.array(SERIES.times_s), np.array(SERIES.answers)
    assert amps(solution, "pack.out", times) == pytest.approx(answers[:, 0], abs=1e-6 * 508.2)
    assert volts(solution, "pads", times) == pytest.approx(answers[:, 1], abs=1e-6 * 25.2)


def test_ladder_by_the_program(tmp_path: Path) -> None:
    choke = {
        "id": "choke",
        "kind": "inductor",
        "at": [20, 20],
        "values": {"inductance": "10 uH", "dcr": "0.1 Ohm"},
    }
    solution = sim.solve(
        plug_in(
            tmp_path,
            [
                battery(16.8, _R1, _L1),
                joint("pads"),
                can("bulk", _C1, _ESR),
                choke,
                joint("quiet"),
                can("small", _C2),
            ],
            [
                lead("main", "pack.out", "pads"),
                lead("on_pads", "bulk", "pads"),
                lead("to_choke", "pads", "choke.in"),
                lead("from_choke", "choke.out", "quiet"),
                lead("on_quiet", "small", "quiet"),
            ],
            600e-6,
        )
    )
    # A plug-in's natural modes are the circuit's own, from rest to settled.
    modes = sorted((mode.hz, mode.damping) for mode in solution.modes)
    rates = LADDER_RATES[LADDER_RATES.imag <= 0.0]
    expected = sorted((abs(r) / (2.0 * np.pi), -r.real / abs(r)) for r in rates)
    assert np.array(modes) == pytest.approx(np.array(expected), rel=1e-6)
    times, answers = np.array(LADDER.times_s), np.array(LADDER.answers)
    i1, v1, i2, v2 = answers.T
    allowed = 1e-6 * 16.8
    assert volts(solution, "pads", times) == pytest.approx(v1 + _ESR * (i1 - i2), abs=allowed)
    assert volts(solution, "quiet", times) == pytest.approx(v2, abs=allowed)
    assert amps(solution, "pack.out", times) == pytest.approx(i1, abs=1e-6 * 283.5)
    assert amps(solution, "choke.in", times) == pytest.approx(i2, abs=1e-6 * 14.5)
    assert amps(solution, "choke.out", times) == pytest.approx(i2, abs=1e-6 * 14.5)


def test_ladder_rings_where_its_eigenvalues_say() -> None:
    # Worked out before, found again here at 40 digits, so that the program's modes can lean on it.
    with mpmath.workdps(40):
        found, _ = mpmath.eig(mpmath.matrix([[mpmath.mpf(v) for v in row] for row in LADDER.a]))
        values = np.array([complex(value) for value in found])
    assert np.sort_complex(values) == pytest.approx(np.sort_complex(LADDER_RATES), abs=0.006)

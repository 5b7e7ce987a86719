"""The averaged fast path: its method, its equations, and its answers against Radau."""

from __future__ import annotations

import functools
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from sim import averaged, rosenbrock
from sim.api import prepare, solve_case
from sim.build import load, presets
from sim.errors import Cancelled
from sim.event import Tap
from sim.kernels import HAVE_NUMBA
from sim.mean_equations import MeanEquations
from sim.mean_form import MeanForm, plan
from sim.mean_kernels import (
    Factors,
    cut_short,
    eliminate,
    eliminate_sparse,
    march,
    ready,
    substitute_rows,
    substitute_sparse,
)
from sim.network import Chopper, Load, NetworkMaker, Rotor
from sim.state_equations import Rows, StateEquations, stack_rows
from sim.warm import circuit, compile_kernels

if TYPE_CHECKING:
    from sim.api import Case
    from sim.event import Drive

#: Radau takes seconds a run: every option of two samples, the others as drawn.
CASES = [
    (info.id, option)
    for info in presets()
    for option in [
        None,
        *(info.options if info.id in ("arms_4s_analogue", "board_6s_digital") else ()),
    ]
]
SAMPLES = [info.id for info in presets()]


@functools.cache
def _case(build: str, option: str | None = None, event: str = "Chop") -> Case:
    return prepare(load(build), event, option)


def _voltages(case: Case) -> Rows:
    """Voltages of all places that have one."""
    eq = case.equations
    piece = eq.tree.piece
    ports = eq.network.ports.values()
    return stack_rows([eq.volts(p, m) for p, m in ports if piece[p] == piece[m]])


def _off(case: Case, run: averaged.AveragedRun, reference: averaged.AveragedRun) -> float:
    """Largest difference of any place's voltage, over its swing (10 mV at least)."""
    rows = _voltages(case)
    end = case.drive.duration_s * (1.0 - 1e-12)
    times = np.unique(np.concatenate([np.linspace(0.0, end, 3000), reference.knots[:-1]]))
    expected = reference.sample(rows, times)
    swing = np.maximum(np.ptp(expected, axis=1), 0.01)
    return float(np.max(np.abs(run.sample(rows, times) - expected) / swing[:, None]))


# -- the method --------------------------------------------------------------


class _Known:
    """x' = rate (x - phi) + phi' + bend (x^2 - phi^2), whose solution is phi = (cos t, sin t).

    With a large rate this is the stiff test problem of Prothero and Robinson (1974, from
    memory), on which most methods lose order.
    """

    def __init__(self, rate: float, bend: float) -> None:
        self.rate, self.bend = rate, bend

    def solution(self, t: float) -> np.ndarray:
        return np.array([np.cos(t), np.sin(t)])

    def slope(self, t: float, x: np.ndarray, acts: tuple[int, ...]) -> np.ndarray:
        phi, phi_t = self.solution(t), np.array([-np.sin(t), np.cos(t)])
        return self.rate * (x - phi) + phi_t + self.bend * (x * x - phi * phi)

    def linear(
        self, t: float, x: np.ndarray, acts: tuple[int, ...]
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        phi, phi_t = self.solution(t), np.array([-np.sin(t), np.cos(t)])
        jacobian = np.diag(self.rate + 2.0 * self.bend * x)
        by_time = -self.rate * phi_t - phi - 2.0 * self.bend * phi * phi_t
        return self.slope(t, x, acts), jacobian, by_time

    def acts(self, t: float, x: np.ndarray) -> tuple[int, ...]:
        return ()

    def errors(self, steps: int) -> tuple[float, float]:
        """Errors at t = 1, and of the dense output between."""
        h, x = 1.0 / steps, self.solution(0.0)
        ts, xs, bends = [0.0], [x], []
        for i in range(steps):
            k, x = rosenbrock.step(self, i * h, x, h)
            ts.append((i + 1) * h)
            xs.append(x)
            bends.append(rosenbrock.DENSE @ k)
        dense_output = rosenbrock.Steps(np.array(ts), np.array(xs), np.array(bends))
        times = np.linspace(0.0, 1.0, 333)
        between = dense_output.states(times) - np.array([np.cos(times), np.sin(times)])
        return float(np.max(np.abs(x - self.solution(1.0)))), float(np.max(np.abs(between)))


def test_order_is_five_and_of_the_dense_output_four() -> None:
    (coarse, coarse_between), (fine, fine_between) = (_Known(-1.0, 0.7).errors(n) for n in (5, 20))
    assert np.log(coarse / fine) / np.log(4.0) > 4.8
    assert np.log(coarse_between / fine_between) / np.log(4.0) > 3.8


def test_order_holds_where_the_problem_is_stiff() -> None:
    coarse, fine = (_Known(-1e5, 0.7).errors(n)[0] for n in (10, 40))
    assert fine < coarse
    assert fine < 1e-9
    # what is no longer resolved is damped at once, not carried along
    _, x = rosenbrock.step(_Known(-1e9, 0.0), 0.0, np.array([2.0, 1.0]), 0.1)
    assert np.allclose(x, _Known(-1e9, 0.0).solution(0.1), atol=1e-6)


def test_coefficients_are_consistent() -> None:
    """A stage's time is the sum of its weights: in the form without products, solved back."""
    eye = np.eye(rosenbrock.STAGES)
    # k = gamma^-1 (...) of x' = 1: every stage's slope is 1 in the untransformed method
    k = np.linalg.solve(eye / rosenbrock.GAMMA - rosenbrock.C, np.ones(rosenbrock.STAGES))
    assert np.allclose(rosenbrock.A @ k, rosenbrock.NODES, atol=1e-12)
    assert rosenbrock.A[-1] @ k + k[-1] == pytest.approx(1.0, abs=1e-12)


def test_sparse_elimination_solves() -> None:
    rng = np.random.default_rng(1)
    n = 30
    matrix = np.where(rng.random((n, n)) < 0.1, rng.normal(size=(n, n)), 0.0) + 8.0 * np.eye(n)
    right = rng.normal(size=n)
    x, order = right.copy(), plan(matrix != 0.0)
    lu = Factors.of(order)
    assert eliminate_sparse(matrix.copy(), order, 1e-3, lu)
    substitute_sparse(lu, order, x)
    assert np.allclose(matrix @ x, right, atol=1e-12)
    assert not eliminate_sparse(np.zeros((n, n)), order, 1e-3, lu)


def test_a_step_cut_short_is_the_same_curve() -> None:
    rng = np.random.default_rng(4)
    start, end, bends = rng.normal(size=6), rng.normal(size=6), rng.normal(size=(3, 6))
    for share in (0.013, 0.4, 0.97):
        there, own = rosenbrock.up_to(share, start, end, bends)
        for s in (0.0, 0.2, 0.7, 1.0):
            whole = rosenbrock.between(start, end, bends, share * s)
            assert np.allclose(rosenbrock.between(start, there, own, s), whole, atol=1e-14)
        new, left = end.copy(), bends.copy()
        cut_short(share, start, new, left)
        assert np.allclose(new, there, atol=1e-14)
        assert np.allclose(left, own, atol=1e-14)


@pytest.mark.parametrize("n", [1, 3, 7])
def test_rows_are_substituted_as_columns_are(n: int) -> None:
    rng = np.random.default_rng(n)
    matrix, right = rng.normal(size=(n, n)), rng.normal(size=(n, 12))
    lu, pivots, solved = matrix.copy(), np.zeros(n, dtype=np.int64), right.copy()
    assert eliminate(lu, pivots)
    substitute_rows(lu, pivots, solved)
    assert np.allclose(matrix @ solved, right, atol=1e-12)


# -- the equations -----------------------------------------------------------


def _without_capacitor() -> MeanEquations:
    """Two bridges straight on the pack's inductance: their mass moves with the duty."""
    maker = NetworkMaker()
    plus, minus = maker.add_port("pack.out", "pack")
    pack, esc, motor, load_ = (maker.stamp(name) for name in ("pack", "esc", "motor", "load"))
    inner = pack.node()
    pack.source(inner, minus, 16.0, "emf")
    pack.chain(inner, plus, ohm=0.02, henry=1e-7)
    for _ in range(2):
        mid, behind = esc.node(), esc.node()
        esc.chopper(plus, minus, mid, Chopper("esc", 48e3, 0.0, 0.0))
        motor.chain(mid, behind, ohm=0.06, henry=2e-5)
        motor.rotor(behind, minus, Rotor("motor", 4e-3, 7e-6, 1e-8))
    load_.load(plus, minus, Load("load", "power", 5.0, 5.0, 20e3))
    return MeanEquations(StateEquations(maker.finish()))


@pytest.mark.parametrize("where", [*SAMPLES, "no capacitor"])
def test_form_says_what_the_equations_say(where: str) -> None:
    mean = _without_capacitor() if where == "no capacitor" else _case(where).mean
    form = MeanForm(mean)
    assert form.plain == (where != "no capacitor")
    rng = np.random.default_rng(2)
    start = np.zeros(form.n) if where == "no capacitor" else _case(where).start
    for _ in range(5):
        x = start + 0.2 * rng.normal(size=form.n) * form.unit
        x[mean.eq.sense_states] = 0.02
        command = rng.uniform(0.1, 0.9, mean.eq.n_switches)
        rate = rng.normal(size=len(command))
        acts = form.acts(command, x)
        slope, jacobian, by_time = form.linear(command, rate, x, acts)
        expected = mean.moment(command, x).slope
        size = np.max(np.abs(expected))
        assert np.allclose(slope, expected, atol=1e-8 * size)
        assert np.allclose(form.slope(command, x, acts), expected, atol=1e-8 * size)
        h = 1e-6
        moved = mean.moment(command + h * rate, x).slope - mean.moment(command - h * rate, x).slope
        assert np.allclose(by_time, moved / (2.0 * h), atol=1e-5 * size)
        for i in range(form.n):
            d = np.zeros(form.n)
            d[i] = 1e-5 * form.unit[i]
            column = mean.moment(command, x + d).slope - mean.moment(command, x - d).slope
            assert np.allclose(
                jacobian[:, i], column / (2.0 * d[i]), atol=1e-5 * size / d[i] * 1e-3
            )


# -- runs --------------------------------------------------------------------


@pytest.mark.parametrize("build, option", CASES)
def test_chop_agrees_with_radau(build: str, option: str | None) -> None:
    case = _case(build, option)
    reference = averaged.run(case.mean, case.drive, case.start, rtol=1e-7)
    run = rosenbrock.run(case.mean, case.drive, case.start, compiled=HAVE_NUMBA)
    assert _off(case, run, reference) < 1e-4
    assert run.energy(0.0, run.duration_s).residual < 1e-6


def test_few_steps_are_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """After a kink or a corner the first step is short enough, as x'' jumps there."""
    case, tried = _case("arms_4s_analogue", "At each ESC and LC stage"), []
    own = rosenbrock.step

    def counted(*args: Any) -> tuple[np.ndarray, np.ndarray]:
        tried.append(args[1])
        return own(*args)

    monkeypatch.setattr(rosenbrock, "step", counted)
    run = rosenbrock.run(case.mean, case.drive, case.start, compiled=False)
    assert len(tried) <= run.steps + 5
    # where the brake limit takes hold and lets go, a step ends, and the next begins at once
    ends = run.knots[:-1]
    commands = np.array([case.drive.duty(float(t))[0] for t in ends])
    corners = np.diff((run.duties(ends)[0] > commands + 1e-9).astype(int))
    assert np.count_nonzero(corners) == 2
    assert run.steps < 80


@pytest.mark.parametrize("build", SAMPLES)
def test_compiled_and_numpy_give_the_same(build: str) -> None:
    pytest.importorskip("numba")
    case = _case(build)
    fast, plain = (
        rosenbrock.run(case.mean, case.drive, case.start, rtol=1e-5, compiled=c)
        for c in (True, False)
    )
    assert fast.steps == plain.steps
    assert _off(case, fast, plain) < 1e-10


def test_the_kernel_is_compiled_ahead_of_need() -> None:
    """Else every averaged run goes without it, and nothing but its time tells."""
    pytest.importorskip("numba")
    compile_kernels()
    assert ready()
    form = MeanForm(MeanEquations(StateEquations(circuit(0.0))))
    assert form.plain
    assert form.fits
    # a tap is no other type, and asks for no compiler of its own
    case = _case("arms_4s_analogue")
    kinds = len(march.signatures)
    rosenbrock.run(case.mean, _tapped(case), case.start, compiled=True)
    assert len(march.signatures) == max(kinds, 1)


def test_current_limit_takes_hold_and_lets_go() -> None:
    """The brake limit holds the duty up through a chop; the run crosses both kinks."""
    case = _case("arms_4s_analogue")
    run = rosenbrock.run(case.mean, case.drive, case.start, compiled=False)
    times = np.linspace(0.0, 0.1499, 2000)
    held = run.duties(times)[0] - np.array([case.drive.duty(float(t))[0] for t in times])
    assert np.max(held) > 0.01
    assert abs(held[0]) < 1e-12
    assert abs(held[-1]) < 1e-12


def _tapped(case: Case) -> Drive:
    """A tap that is clipped."""
    tap = Tap(size=0.3, frequency_hz=180.0, decay_s=8e-3)
    flat = tuple((np.array([0.0]), np.array([0.85])) for _ in range(4))
    return replace(
        case.drive, kind="tap", duration_s=0.02, courses=flat, tap=tap, tap_signs=(1, 1, -1, -1)
    )


def test_tap_agrees_with_radau() -> None:
    case = _case("arms_4s_analogue")
    drive = _tapped(case)
    start = averaged.run(case.mean, case.drive, case.start, rtol=1e-6).states(np.array([0.15]))[0]
    tapped = replace(case, drive=drive, start=start)
    reference = averaged.run(case.mean, drive, start, rtol=1e-7)
    run = rosenbrock.run(case.mean, drive, start, compiled=HAVE_NUMBA)
    assert len(drive.kinks_s), "the tap is meant to be clipped"
    assert set(drive.kinks_s) <= set(run.knots)
    assert _off(tapped, run, reference) < 1e-4


def test_a_step_of_duty_leaves_states_continuous() -> None:
    case = _case("arms_4s_analogue")
    course = (np.array([0.0, 4e-3, 4e-3]), np.array([0.6, 0.6, 0.5]))
    drive = replace(case.drive, duration_s=8e-3, courses=(course,) * 4)
    run = rosenbrock.run(case.mean, drive, case.start, compiled=False)
    assert 4e-3 in run.knots
    before, after = run.states(np.array([4e-3 * (1.0 - 1e-12), 4e-3]))
    assert np.allclose(before, after, atol=1e-9 * np.max(np.abs(before)))
    assert np.allclose(before, case.start, atol=1e-6 * np.max(np.abs(before)))
    assert run.duties(np.array([3.999e-3, 4e-3]))[0].tolist() == pytest.approx([0.6, 0.5])


@pytest.mark.parametrize("compiled", [False, HAVE_NUMBA])
def test_cancel_and_progress(compiled: bool) -> None:
    case = _case("arms_4s_analogue")
    seen: list[float] = []
    with pytest.raises(Cancelled):
        rosenbrock.run(
            case.mean,
            case.drive,
            case.start,
            compiled=compiled,
            cancelled=lambda: len(seen) >= 2,
            progress=seen.append,
        )
    assert len(seen) == 2
    assert seen == sorted(seen)


def test_solve_takes_the_fast_path_and_the_reference_on_request() -> None:
    case = _case("arms_4s_analogue")
    fast = solve_case(case, "averaged")
    reference = solve_case(case, "averaged", reference=True)
    assert fast.cost.steps != reference.cost.steps
    for ours, theirs in zip(fast.joints, reference.joints, strict=True):
        assert ours.peak_V is None
        assert ours.slow_peak_V == pytest.approx(theirs.slow_peak_V, abs=1e-4)
        assert ours.slow_min_V == pytest.approx(theirs.slow_min_V, abs=1e-4)
        assert ours.rms_ac_V == pytest.approx(theirs.rms_ac_V, abs=1e-4)


@pytest.mark.skipif(not HAVE_NUMBA, reason="tens of thousands of steps")
def test_undamped_filter_before_a_regulator_rings_up() -> None:
    """Constant power draws more as the voltage sinks: the sagging pack undoes the damping.

    The linear analysis says so beforehand; a coarse implicit run would hide it.
    """
    case = _case("board_6s_digital", None, "Punch")
    drive = replace(case.drive, duration_s=0.09)
    run = rosenbrock.run(case.mean, drive, case.start, compiled=True)
    sagged = run.states(np.array([0.04]))[0]
    modes = np.linalg.eigvals(case.mean.jacobian(drive.duty(0.04), sagged))
    assert np.max(modes.real) > 100.0
    rows = case.equations.volts(*case.equations.network.ports["lc.out"])
    early = run.sample(rows, np.linspace(0.03, 0.031, 500))
    late = run.sample(rows, np.linspace(0.085, 0.086, 500))
    assert np.ptp(early) < 0.2
    assert np.ptp(late) > 5.0
    assert run.energy(0.0, run.duration_s).residual < 1e-6


@pytest.mark.parametrize("option", ["LC stage only", "At each ESC, camera grounded at one"])
def test_loads_behind_a_coil_that_saturates(option: str) -> None:
    """A load's voltage goes by how fast the coil's flux moves: the kernel knows it too."""
    case = _case("arms_4s_analogue", option, "Plug in")
    assert MeanForm(case.mean).lifts
    slow = rosenbrock.run(case.mean, case.drive, case.start, compiled=False)
    fast = rosenbrock.run(case.mean, case.drive, case.start, compiled=True)
    times = np.linspace(0.0, case.drive.duration_s, 2001)
    states = slow.states(times)
    assert fast.steps == slow.steps
    assert np.max(np.abs(fast.states(times) - states)) <= 1e-11 * np.max(np.abs(states))


@pytest.mark.parametrize("option", ["LC stage only", "At each ESC, camera grounded at one"])
def test_form_knows_loads_behind_a_coil_that_saturates(option: str) -> None:
    """The same of the form without the kernel, against the equations it is made of."""
    case = _case("arms_4s_analogue", option, "Plug in")
    mean, form = case.mean, MeanForm(case.mean)
    assert form.lifts
    assert form.plain
    run = rosenbrock.run(mean, case.drive, case.start, compiled=False)
    rng = np.random.default_rng(3)
    for x in run.states(np.linspace(0.0, case.drive.duration_s, 20)):
        command = rng.uniform(0.1, 0.9, mean.eq.n_switches)
        rate = rng.normal(size=len(command))
        acts = form.acts(command, x)
        slope, jacobian, by_time = form.linear(command, rate, x, acts)
        expected, expected_x = mean.slope_and_jacobian(command, x)
        size = np.max(np.abs(expected))
        assert np.max(np.abs(slope - expected)) < 1e-10 * size
        assert np.max(np.abs(form.slope(command, x, acts) - expected)) < 1e-10 * size
        # in units of the states, lest the smallest decide
        both = (j * form.unit / form.unit[:, None] for j in (jacobian, expected_x))
        one, other = both
        off = np.abs(one - other).max(axis=1)
        assert np.all(off <= 1e-8 * np.abs(other).max(axis=1) + 1e-12 * np.abs(other).max())
        h = 1e-6
        moved = mean.moment(command + h * rate, x).slope - mean.moment(command - h * rate, x).slope
        assert np.allclose(by_time, moved / (2.0 * h), atol=1e-5 * size)

"""The engine in numpy against the compiled kernels."""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from sim import kernels, plain, speed, switching
from sim.api import prepare, solve_case
from sim.build import load
from sim.mean_equations import equilibrium
from sim.network import Chopper, Load
from sim.patterns import RampSeries
from sim.signals import Signal
from sim.solution import Solution
from sim.state_equations import stack_rows
from tests.sim.small import Bench, drive_of, edge_run, esc

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from sim.event import Drive
    from sim.network import Stamp

F = 48e3
#: W or A of a load, and the Ohm it is behind.
Loads = list[tuple[str, float, float]]


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


@pytest.mark.parametrize("within", [(0.0, 0.0), (0.5, 0.1)])
def test_curves_and_figures_of_one_walk(
    solved: tuple[Solution, Solution], within: tuple[float, float]
) -> None:
    """As each alone has them: bins within one slack, the whole window within another."""
    places = ["esc3.in", "pads", "vtx.in", "esc1.in"]
    for one in solved:
        rows = [one.rows(Signal("volts", place)) for place in places]
        some, others = stack_rows(rows[:2]), stack_rows(rows[1:])
        t0, t1, bins = 0.2e-3, 2.9e-3, 37
        low, high, lowest, highest = one.trajectory.envelope_beside(
            some, others, t0, t1, bins, *within
        )
        low_alone, high_alone = one.trajectory.envelope(some, t0, t1, bins)
        lowest_alone, highest_alone = one.trajectory.extremes(others, t0, t1)
        near = 1e-7 * np.ptp(high_alone)
        # what is said to be seen is there, and nothing goes further than the slack beyond it
        for found, true, slack in (
            (high, high_alone, within[0]),
            (-low, -low_alone, within[0]),
            (highest, highest_alone, within[1]),
            (-lowest, -lowest_alone, within[1]),
        ):
            assert found.shape == true.shape
            assert np.all(found <= true + near)
            assert np.all(found >= true - slack - near)


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


def test_all_patterns_at_once_are_those_made_one_by_one() -> None:
    """The first edge of few bridges has all patterns and ramps made together."""
    pytest.importorskip("numba")
    case = prepare(load(speed.SAMPLE), speed.EVENT, speed.OPTION)
    once, singly = (case.stages[0].empty_table() for _ in range(2))
    once.meet(once.pattern((0, 1, 0, 0)), 2)
    for bits in reversed(list(np.ndindex(2, 2, 2, 2))):
        for leg in range(4):
            singly.make_ramp(singly.pattern(bits), leg)
    assert len(once.index) == len(singly.index) == 16
    assert len(once.ramp_index) == len(singly.ramp_index) == 64
    largest = np.max(np.abs(singly.ramp["rows"]))
    for bits, at in once.index.items():
        other = singly.index[bits]
        assert once.names[at] == bits
        assert once.pairs[at] == singly.pairs[other]
        for name, array in singly.patterns.items():
            most = np.max(np.abs(array), initial=1e-300)
            assert np.max(np.abs(once.patterns[name][at] - array[other])) < 1e-12 * most, name
        for leg in range(4):
            one, two = once.leg_ramp[at, leg], singly.leg_ramp[other, leg]
            assert (one, two) == (once.ramp_index[at, leg], singly.ramp_index[other, leg])
            assert once.names[once.ramp_to[one]] == singly.names[singly.ramp_to[two]]
            off = np.max(np.abs(once.ramp["rows"][one] - singly.ramp["rows"][two]))
            assert off < 1e-12 * largest


@pytest.mark.parametrize("slower", [1.0, 5.0, 30.0])
def test_ramps_in_modes_however_slow(slower: float) -> None:
    """Also where a mode dies within the ramp, which takes as many terms as there may be."""
    pytest.importorskip("numba")
    table = prepare(load(speed.SAMPLE), speed.EVENT, speed.OPTION).stages[0].empty_table()
    series = RampSeries(table.moving, slower * table.rise_s)
    n = table.eq.n_states
    for bits in ((0, 0, 0, 0), (1, 0, 1, 1)):
        at, s = table.pattern(bits), np.array(bits, dtype=float)
        of = {name: array[at] for name, array in table.patterns.items()}
        a, b = table.moving.k.at(s), table.moving.b.at(s)
        norms = series.norms(s, a)
        one = series.in_modes(s, norms, int(table.pairs[at]), of)
        assert one is not None
        assert norms[0] > 4.0 or slower < 30.0
        other = of["inverse"] @ series.maps(s, a, b, np.ones(1))[:, 0]
        other[..., :n] = other[..., :n] @ of["basis"]
        assert np.max(np.abs(one - other)) < 1e-13 * np.max(np.abs(other))


def test_it_serves_when_told_to_and_no_longer() -> None:
    """Else its row of `rippletree speed` would be of the kernels."""
    before = plain.usable()
    with plain.serving():
        assert not plain.usable()
    assert plain.usable() == before


def board(loads: Loads, phases: Sequence[float] = (0.3, 0.62), **spec: object) -> Bench:
    """A pack, a capacitor, bridges, and loads, each behind a resistor alone."""

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), 16.8, "emf")
        part.resistor(node("emf"), node("w"), 25e-3, "pack")
        part.inductor(node("w"), node("in"), 200e-9, "lead")
        part.chain(node("in"), node("0"), ohm=8e-3, farad=330e-6)
        for k, phase in enumerate(phases):
            esc(part, node, k, "in", Chopper(f"esc{k}", F, 0.0, phase, **spec))  # type: ignore[arg-type]
        for i, (mode, value, ohm) in enumerate(loads):
            part.resistor(node("in"), node(f"l{i}"), ohm, f"wire {i}")
            part.load(node(f"l{i}"), node("0"), Load(f"load{i}", mode, value, 5.0, 0.0))  # type: ignore[arg-type]

    return Bench(build)


@pytest.mark.parametrize(
    ("loads", "spec", "duties"),
    [
        ([("power", 5.0, 0.02), ("current", 0.4, 0.1)], {}, (0.4, 0.7)),
        ([("power", 5.0, 2.0), ("power", 1.0, 0.1)], {}, (0.4, 0.7)),
        ([("power", 10.0, 4.0)], {}, (0.4, 0.7)),
        ([("power", 5.0, 0.02)], {"centred": True}, (0.3, 0.8)),
        ([("power", 5.0, 0.02)], {"centred": True, "phases": (0.3, 0.3)}, (0.3, 0.3)),
        ([], {"rise_s": 8e-6}, (0.4, 0.7)),
        ([("power", 5.0, 0.02)], {"phases": (0.3, 0.3 + 1e-11 * F)}, (0.4, 0.4)),
        ([], {"phases": (0.5 + 5e-9 * F, 0.0)}, (0.5, 0.5)),
        ([("power", 5.0, 0.02)], {}, (0.0, 1.0)),
        ([("power", 5.0, 0.02)], {}, (1e-4, 1.0 - 1e-4)),
    ],
    ids=lambda value: "" if isinstance(value, tuple) else str(value),
)
def test_whatever_edges_and_loads_do(
    loads: Loads, spec: dict[str, object], duties: Sequence[float]
) -> None:
    """Piece by piece: loads that move their own voltages much or little, edges that meet."""
    pytest.importorskip("numba")
    # to the end of a period, in which one duty steps to nothing and back
    course = ([0.0, 1e-4, 1e-4, 1.5e-4, 1.5e-4], [duties[0]] * 2 + [0.0] * 2 + [duties[0]])
    drive = drive_of([course, ([0.0], [duties[1]])], 10.0 / F)
    agrees(board(loads, **spec), drive)  # type: ignore[arg-type]


def test_more_ramps_that_overlap_than_there_is_room_for() -> None:
    """The kernels ask for room, numpy needs none."""
    pytest.importorskip("numba")
    one = agrees(board([], rise_s=8e-6), drive_of([([0.0], [0.4]), ([0.0], [0.7])], 150.0 / F))
    assert len(one._ramp_s) > 512


def agrees(made: Bench, drive: Drive) -> switching.EdgeRun:
    """A run by the kernels, piece by piece that in numpy."""
    x0 = equilibrium(made.mean, drive.start_duty)
    runs = []
    for compiled in (True, False):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(plain, "usable", lambda compiled=compiled: compiled)
            runs.append(edge_run(made.mean, drive, x0))
    one, other = runs
    assert [run._m.compiled for run in runs] == [True, False]
    assert (one.steps, one.edges) == (other.steps, other.edges)
    # (ramps are numbered as they are met)
    assert np.array_equal(np.minimum(one._ramp, 0), np.minimum(other._ramp, 0))
    for name, scale in (("_t", 1e-15), ("_d", 1e-15), ("_y", 1e-11), ("_held", 1e-9)):
        ours, theirs = getattr(one, name), getattr(other, name)
        assert np.max(np.abs(ours - theirs), initial=0.0) < scale * max(
            np.max(np.abs(ours), initial=0.0), 1.0
        ), name
    assert np.array_equal(one._m.used, other._m.used)
    for run in runs:
        assert np.max(missed(run), initial=0.0) < 2e-6
    return one


def missed(run: switching.EdgeRun) -> NDArray[np.float64]:
    """What loads' amps miss their laws by at the start of flat pieces, where they move volts."""
    table, some = run._m.table, run._ramp > -2
    p, at, amps = table.patterns, run._pattern[some], run._held[some, : len(table.lean)]
    volts = p["load_0"][at] + np.einsum("pji,pi->pj", p["load_y"][at], run._y[some])
    volts += np.einsum("pji,pi->pj", p["load_load"][at], amps)
    return np.abs(amps - run.mean.laws.amps(volts)[0] + table.lean * volts)


@pytest.mark.parametrize("n_w", range(4))
@pytest.mark.parametrize("n_j", range(4))
@pytest.mark.parametrize("coupled", [False, True])
def test_what_is_held_written_out(n_w: int, n_j: int, coupled: bool) -> None:
    """For any number of rotors and loads as by lists; and nothing where a load is too low."""
    rng = np.random.default_rng(100 * n_w + 10 * n_j)
    own = (-rng.uniform(0.0, 0.02, (n_j, n_j))).tolist()
    march: Any = SimpleNamespace(
        n_w=n_w,
        n_j=n_j,
        commutes=None,
        powers=True,
        drag=rng.uniform(0.0, 1e-7, n_w).tolist(),
        values=rng.uniform(1.0, 20.0, n_j).tolist(),
        leans=rng.uniform(-0.1, 0.0, n_j).tolist(),
        minima=[6.0] * n_j,
    )
    march.laws = [
        (True, value, least, lean)
        for value, least, lean in zip(march.values, march.minima, march.leans, strict=True)
    ]
    march.amps = lambda volts: plain._March.amps(march, volts)
    pattern: Any = SimpleNamespace(
        slope_drag=rng.uniform(-1e-3, 0.0, n_w).tolist(), load_load=own if coupled and n_j else None
    )
    held = plain._written_out(n_w, n_j, pattern.load_load is not None)(
        pattern.slope_drag, march.drag, march.values, march.leans, march.minima,
        [share for row in own for share in row], kernels.CLOSE,
    )  # fmt: skip
    speeds, rates = rng.uniform(-2e3, 2e3, n_w), rng.normal(size=n_w) * 1e4
    seen = [*speeds, *rates, *rng.uniform(10.0, 20.0, n_j)]
    before, span = rng.uniform(0.0, 2.0, n_j + n_w).tolist(), 5e-6
    expected = plain._March.hold(march, pattern, seen, before, 0.0, span)
    assert held(seen, before, 0.5 * span) == pytest.approx(expected, rel=1e-13)
    if n_j:
        assert held([*seen[:-1], 5.9], before, 0.5 * span) is None

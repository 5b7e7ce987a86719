"""What the averaged level says it is off by, against runs with every edge."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from msgspec.structs import replace

import sim
from sim import harmonic_balance
from sim.carriers import draw
from sim.mean_equations import equilibrium
from sim.records import Build, Event
from sim.state_equations import stack_rows
from tests.sim.small import quad, steady

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.sim.small import Bench

F = 48e3


@pytest.mark.parametrize(
    ("made", "duties"),
    [
        pytest.param(lambda: quad(1, phases=[0.3]), [0.5], id="one ESC"),
        pytest.param(
            lambda: quad(1, phases=[0.3], frequency=20e3, esr=0.1), [0.3], id="slow carrier"
        ),
        pytest.param(lambda: quad(2, phases=[0.3, 0.3]), [0.5, 0.5], id="in step"),
        pytest.param(lambda: quad(2, offset=None), [0.5, 0.4], id="free"),
    ],
)
def test_expected_difference(made: Callable[[], Bench], duties: list[float]) -> None:
    """To 20 % of the difference to the mean of every edge, where that is above 1 %."""
    bench = made()
    drive = steady(duties, 6e-3)
    x = equilibrium(bench.mean, drive.start_duty)
    rows = stack_rows([bench.amps("pack leads"), bench.amps("winding 0"), bench.volts("pads")])
    add = harmonic_balance.ripple(bench.mean, drive.start_duty, x, *draw(bench.network, 0))
    expected = harmonic_balance.shift_of(bench.mean, rows, drive.start_duty, x, add)
    at = bench.mean.moment(drive.start_duty, x)
    averaged = bench.mean.rows(rows, at.duty[None], x[None], at.slope[None], at.inputs[None])[:, 0]
    real = bench.run(drive).means(rows, 0.0, 6e-3)[0] - averaged
    counts = np.abs(real) > 0.01 * np.abs(averaged)
    assert counts[0], "a case in which there is something to expect"
    assert expected[counts] == pytest.approx(real[counts], rel=0.2)


def test_averaged_answers_say_it() -> None:
    solved = sim.solve(sim.load("arms_4s_analogue"), "Chop", None, "averaged")
    said = solved.to_json_dict()["expected_difference"]
    assert isinstance(said, dict)
    assert 0.0 < abs(said["volts"]) < 1.0
    assert said["place"] in solved.places()
    assert "V" in said["sentence"]


@pytest.mark.parametrize("duty", [0.3, 0.6, 0.9])
def test_averaged_answers_say_what_dead_time_does(duty: float) -> None:
    """To a fifth of what runs with every edge, with and without dead time, differ by.

    At 0.3 ripple turns the current's sign in every period, and next to nothing is left.
    """
    build = sim.load("park_4s_freestyle")
    event = Event(name="Still", kind="steady", duration="1 ms", duty=duty)

    def with_dead(time: str) -> Build:
        parts = tuple(
            replace(part, values={**part.values, "dead_time": time, "current_limit": "200 A"})
            if part.kind == "esc"
            else part
            for part in build.parts
        )
        return replace(build, parts=parts, events=(event,))

    # (where diodes are met, the start is that of what the legs really put out)
    speed = [
        sim.solve(with_dead(time)).trajectory.speeds(np.zeros(1))[:, 0]
        for time in ("0.1 ns", "300 ns")
    ]
    real = speed[1] / speed[0] - 1.0
    averaged = sim.solve(with_dead("300 ns"), detail="averaged").expected_difference
    assert averaged is not None
    most = real[np.argmax(np.abs(real))]
    assert averaged.dead_speed == pytest.approx(most, rel=0.2, abs=5e-4)
    assert (averaged.dead_speed < -0.005) is (duty > 0.5)
    assert (averaged.dead_amps < -0.1) is (duty > 0.5)
    assert ("Dead time is not counted" in averaged.sentence) is (duty > 0.5)
    still = sim.solve(with_dead("0"), detail="averaged").expected_difference
    assert still is not None
    assert "Dead time" not in still.sentence

"""An averaged run that follows a swing gives up in words, and is no way to wait for an answer.

Behind an undamped stage a constant-power video transmitter swings at 19 kHz as the pack sags. The
averaged level followed each turn: 152,000 steps, 70 s, where every edge takes 3.
"""

from __future__ import annotations

import pytest

import sim
from sim import rosenbrock
from sim.api import prepare, solve_case
from sim.errors import Swings


def test_a_swing_that_grows_is_declined_in_words() -> None:
    build = sim.load("board_6s_digital")
    reached = [0.0]
    with pytest.raises(Swings) as declined:
        sim.solve(build, "Punch", "On the pads and LC stage", "averaged", progress=reached.append)
    said = str(declined.value)
    assert declined.value.where == "lc"
    assert "a swing of 19" in said
    assert "kHz grows by itself" in said
    assert said.endswith("Solve every edge, or damp it.")
    # given up early: each step was told
    assert len(reached) < rosenbrock.MOST_STEPS


@pytest.mark.parametrize(
    ("option", "event"),
    [("On the pads and LC stage", "Plug in"), ("On the pads and damped LC stage", "Punch")],
)
def test_what_rings_and_dies_is_followed(option: str, event: str) -> None:
    solved = sim.solve(sim.load("board_6s_digital"), event, option, "averaged")
    assert solved.energy.residual < 1e-6


def test_without_bridges_a_swing_is_followed_to_the_end() -> None:
    """There is no other way to solve it."""
    case = prepare(sim.load("board_6s_digital"), "Plug in", "On the pads and LC stage")
    assert not case.chops
    steps = rosenbrock.MOST_STEPS, rosenbrock._LOOK
    try:
        rosenbrock.MOST_STEPS = rosenbrock._LOOK = 10
        assert solve_case(case, "averaged").trajectory.steps > 10
    finally:
        rosenbrock.MOST_STEPS, rosenbrock._LOOK = steps

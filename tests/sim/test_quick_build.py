"""A build from answers: it solves, it is a sample where the answers are the sample's."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from sim import api, check, load
from sim.build import dumps, loads
from sim.errors import BadField
from sim.options import apply
from sim.problems import problems
from sim.quick_build import CELLS, PROPELLERS, Answers, quick_build

#: The answers that are the first sample, and those that are the second's wiring.
ARMS = Answers(4, 5.0, "separate", 80.0, 470.0, ("lines",))
BOARD = Answers(6, 5.0, "four_in_one", 90.0, 1000.0, ("nothing",))


def figures(build, option, event):
    """All peaks and lows of the averaged run, which is exact for the same network."""
    solution = api.solve(build, event, option, "averaged")
    return {place: np.array(pair) for place, pair in solution.volts_range().items()}


@pytest.mark.parametrize(
    ("answers", "preset", "option", "same"),
    [
        (ARMS, "arms_4s_analogue", "One on the pads, as now", "One on the pads"),
        (ARMS, "arms_4s_analogue", "At each ESC and LC stage", "At each ESC and LC stage"),
        (BOARD, "board_6s_digital", "One on the pads, as now", "One on the pads"),
        (BOARD, "board_6s_digital", "No capacitor", "No capacitor"),
    ],
)
@pytest.mark.parametrize("event", ["Chop", "Plug in"])
def test_answers_that_are_a_samples_give_its_answer(answers, preset, option, same, event):
    ours = figures(quick_build(answers).build, option, event)
    theirs = figures(load(preset), same, event)
    assert ours.keys() == theirs.keys()
    for place, pair in ours.items():
        np.testing.assert_allclose(pair, theirs[place], rtol=1e-9)


def test_another_answer_gives_another_figure():
    """Else the test above could not fail."""
    other = quick_build(replace(ARMS, lead_mm=160.0)).build
    assert not np.allclose(
        figures(other, 1, "Plug in")["pads"],
        figures(load("arms_4s_analogue"), 2, "Plug in")["pads"],
        rtol=1e-3,
    )


ALL = [
    Answers(cells, inch, board, lead, farad, hurts)
    for (cells, inch), board, lead, farad, hurts in zip(
        itertools.product((None, *CELLS), (None, *PROPELLERS)),
        itertools.cycle((None, "four_in_one", "separate")),
        itertools.cycle((None, 30.0, 90.0, 400.0)),
        itertools.cycle((None, 0.0, 100.0, 470.0, 2200.0)),
        itertools.cycle((None, ("lines",), ("reboots", "burnt"), ("nothing",), ("twitches",))),
        strict=False,
    )
]


@pytest.mark.parametrize("answers", ALL[::3], ids=str)
def test_any_answers_are_a_valid_build_file(answers):
    build = quick_build(answers).build
    assert not list(problems(build))
    assert loads(dumps(build)) == build
    assert [f for f in check.check(build) if f.level == "error"] == []


@pytest.mark.parametrize("answers", ALL[::14], ids=str)
def test_any_answers_solve(answers):
    build = quick_build(answers).build
    for option in (0, len(build.options) - 1):
        solution = api.solve(build, 1, option + 1, "averaged")
        low, high = solution.volts_range()["pads"]
        assert 0.0 < low < high < 100.0


def test_what_is_not_known_is_two_cases_and_said():
    made = quick_build(Answers())
    open_ = {a.what for a in made.assumptions if a.open}
    assert open_ == {"Propeller", "Cells", "ESCs", "Pack lead", "Main capacitor"}
    cases = [o for o in made.build.options if o.what_if]
    assert [o.name for o in cases] == [
        "If 5 inch", "If 4S", "If on one board", "If the lead is 80 mm",
    ]  # fmt: skip
    longest = made.build.lead("main").length.value
    shortest = apply(made.build, cases[-1]).lead("main").length.value
    assert (longest, shortest) == ("200 mm", "80 mm")
    assert apply(made.build, cases[1]).part("pack").values["cells"] == 4
    escs = [p for p in apply(made.build, cases[2]).parts if p.kind == "esc"]
    assert all("board" in esc.values for esc in escs)
    for assumption in made.assumptions:
        assert str(assumption) in made.build.notes


def test_what_is_known_is_not_widened():
    made = quick_build(ARMS)
    assert not [o for o in made.build.options if o.what_if]
    assert not [a for a in made.assumptions if a.open]


def test_an_unknown_value_is_never_called_best():
    findings = api.compare(
        quick_build(Answers(4, 5.0, "separate")).build, "Chop", detail="averaged"
    )
    names = [card.option for card in findings.cards]
    assert "If the lead is 60 mm" in names
    assert findings.best is not None
    assert not findings.cards[findings.best].what_if
    assert "If" not in findings.sentence


def test_what_hurts_comes_first():
    assert quick_build(replace(ARMS, hurts=("lines",))).build.clips[0].tip == "vtx.in"
    reboots = quick_build(replace(ARMS, hurts=("reboots",))).build
    assert (reboots.clips[0].tip, reboots.events[0].name) == ("fc.in", "Punch")


@pytest.mark.parametrize(
    ("answers", "named"),
    [
        (Answers(cells=7), "Allowed are 1, 2, 3, 4, 5, 6, 8"),
        (Answers(propeller_inch=4.2), "Allowed are 1.2, 2, 3, 5, 7, 9"),
        (Answers(lead_mm=2.0), "Give 15 to 1000 mm"),
        (Answers(capacitor_uf=-1.0), "Give 0 to 10000 µF"),
        (Answers(hurts=("hunger",)), "Allowed"),
    ],
)
def test_an_answer_that_cannot_be_is_refused_in_words(answers, named):
    with pytest.raises(BadField, match=named):
        quick_build(answers)

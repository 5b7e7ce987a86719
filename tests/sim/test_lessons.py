"""Lessons: checked on load with the place of a mistake, figures from the engine, claims held."""

from __future__ import annotations

import json
from typing import Any

import pytest

import sim
from sim import lessons
from sim.errors import SimError
from sim.options import apply
from sim.records import Change, Clip
from sim.resolve import option_index

# Our own invention, on a preset of the program.
SMALL: dict[str, Any] = {
    "format": "rippletree-lesson",
    "title": "Near or far",
    "build": "arms_4s_analogue",
    "event": "Chop",
    "option": "No capacitor",
    "figures": [
        {"name": "bare", "words": "no capacitor", "reads": "swing", "at": "esc1.in"},
        {"name": "near", "words": "one at each ESC", "reads": "swing", "at": "esc1.in",
         "screen": {"option": "One at each ESC"}},
        {"name": "ring", "words": "impedance", "reads": "impedance", "at": "esc1.in",
         "hz": "24 kHz"},
    ],
    "claims": [
        {"text": "local capacitors cut the swing to under half", "figure": "near", "over": "bare",
         "below": 0.5}
    ],
    "cards": [
        {"kind": "guess", "title": "How much less?", "guess": {"figure": "bare", "over": "near"},
         "choices": [{"text": "the same", "below": 1.2},
                     {"text": "two to ten times", "at_least": 2, "below": 10}]},
        {"kind": "reveal", "title": "This much", "figures": ["bare", "near"]},
    ],
}  # fmt: skip


def _bytes(**changes: Any) -> bytes:
    return json.dumps({**SMALL, **changes}).encode()


def test_figures_are_the_engines() -> None:
    lesson = lessons.loads(_bytes())
    numbers = lessons.compute(lesson)
    build = sim.load("arms_4s_analogue")
    for name, option in (("bare", "No capacitor"), ("near", "One at each ESC")):
        solution = sim.solve(build, event="Chop", option=option)
        joint = next(j for j in solution.joints if j.id == "esc1.in")
        assert numbers[name].value == pytest.approx(joint.pp_V, rel=1e-6)
        assert numbers[name].text.endswith("V")
    assert lessons.right_choice(lesson.cards[0], numbers) == 1
    assert lessons.broken_claims(lesson, numbers) == []


def test_a_claim_the_engine_does_not_bear_out_is_named() -> None:
    claims = [{"text": "it doubles", "figure": "near", "over": "bare", "at_least": 2}]
    choices = [{"text": "less", "below": 0.1}, {"text": "far less", "below": 0.01}]
    cards = [{**SMALL["cards"][0], "choices": choices}]
    lesson = lessons.loads(_bytes(claims=claims, cards=cards))
    broken = lessons.broken_claims(lesson, lessons.compute(lesson))
    assert len(broken) == 2
    assert broken[0].startswith("it doubles: the engine says 0.")
    assert "no choice holds" in broken[1]


@pytest.mark.parametrize(
    ("changes", "place"),
    [
        ({"format": "other"}, "format"),
        ({"build": "nowhere"}, "nowhere"),
        ({"title": 3}, "title"),
        ({"spare": 1}, "spare"),
        ({"cards": []}, "cards"),
        ({"cards": [{"kind": "reveal", "title": "x", "figures": ["gone"]}]}, "cards[0].figures[0]"),
        ({"cards": [{"kind": "reveal", "title": "x", "figures": ["bare"] * 4}]},
         "cards[0].figures"),
        ({"cards": [{"kind": "guess", "title": "x"}]}, "cards[0]"),
        ({"cards": [{"kind": "ask", "title": "x", "screen": {"option": "gone"}}]},
         "cards[0].screen.option"),
        ({"cards": [{"kind": "ask", "title": "x", "screen": {"event": "gone"}}]},
         "cards[0].screen.event"),
        ({"cards": [{"kind": "ask", "title": "x", "screen": {"changes": [{"set": "vtx.gone",
         "value": 1}]}}]}, "cards[0].screen.changes"),
        ({"cards": [{"kind": "ask", "title": "x", "screen": {"slow": "0 us"}}]},
         "cards[0].screen.slow"),
        ({"cards": [{"kind": "ask", "title": "x", "screen": {"build": "gone"}}]},
         "cards[0].screen.build"),
        ({"builds": {"ours": {"format": "rippletree-build", "spare": 1}}}, "builds.ours"),
        ({"figures": [{"name": "a", "words": "b", "reads": "peak", "at": "gone.in"}]},
         "figures[0].at"),
        ({"figures": [{"name": "a", "words": "b", "reads": "loudness", "at": "pads"}]},
         "figures[0].reads"),
        ({"claims": [{"text": "x", "figure": "bare"}]}, "claims[0]"),
        ({"cards": [{"kind": "ask", "title": "x", "screen": {"watch": [{"tip": "gone.in"}]}}]},
         "cards[0].screen.watch[0].tip"),
        ({"cards": [{"kind": "ask", "title": "x", "screen": {
          "against": [{"remove": "local1"}]}}]}, "cards[0].screen.against"),
        ({"cards": [{"kind": "ask", "title": "x", "screen": {"pinned": "one gone",
          "against": [{"remove": "gone"}]}}]}, "cards[0].screen.against"),
        ({"cards": [{"kind": "ask", "title": "x", "screen": {"window": ["0 s", "1 ms"],
          "changes": [{"set": "vtx.gone", "value": 1}]}}]}, "cards[0].screen.changes"),
    ],
)  # fmt: skip
def test_a_mistake_is_refused_with_its_place(changes: dict[str, Any], place: str) -> None:
    with pytest.raises(SimError) as caught:
        lessons.loads(_bytes(**changes))
    assert place in str(caught.value)


def test_a_screen_holds_its_curve_against_the_same_with_other_values() -> None:
    screen = lessons.Screen(
        option="One on the pads",
        pinned="legs 5 mm",
        changes=(Change(set="bulk.leg_length", value="40 mm"),),
        against=(Change(set="bulk.leg_length", value="5 mm"),),
        watch=(Clip(tip="pads"),),
    )
    build = lessons.build_of(lessons.loads(_bytes()), screen)
    assert [clip.tip for clip in build.clips] == ["pads"]
    found = {}
    for name in ("One on the pads", "legs 5 mm"):
        drawn = apply(build, build.options[option_index(build, name) or 0])
        assert {p.id for p in drawn.parts if p.kind == "electrolytic"} == {"bulk"}
        found[name] = next(p for p in drawn.parts if p.id == "bulk").values["leg_length"]
    assert found == {"One on the pads": "40 mm", "legs 5 mm": "5 mm"}


def test_a_lesson_comes_back_from_its_file() -> None:
    lesson = lessons.loads(_bytes())
    assert lessons.loads(lessons.dumps(lesson)) == lesson


@pytest.mark.parametrize("id_", [row.id for row in lessons.lessons()])
def test_what_a_lesson_says_is_what_the_engine_says(id_: str) -> None:
    """If this fails the lesson has to change, not the engine."""
    lesson = lessons.load(id_)
    numbers = lessons.compute(lesson)
    assert lessons.broken_claims(lesson, numbers) == []
    assert lesson.claims


def test_there_are_six_lessons_with_a_bench_task_each() -> None:
    rows = lessons.lessons()
    assert len(rows) == 6
    for row in rows:
        kinds = {card.kind for card in lessons.load(row.id).cards}
        assert {"bench", "sum_up"} <= kinds
        assert kinds & {"guess", "measure"}

"""A lesson being written: screens taken, names kept, mistakes placed, builds in its file."""

from __future__ import annotations

import math

import pytest
from msgspec.structs import replace

import sim
from sim import lesson_draft, lessons
from sim.errors import SimError
from sim.lessons import Card, Figure, Screen

ARMS = "arms_4s_analogue"


def test_the_template_is_borne_out_by_the_engine() -> None:
    lesson = lesson_draft.template()
    assert lesson_draft.mistake(lesson) is None
    numbers = lessons.compute(lesson)
    assert lessons.broken_claims(lesson, numbers) == []
    assert lesson_draft.mistake(lesson_draft.empty()) is None


def test_a_preset_goes_by_its_id_and_anything_else_into_the_file() -> None:
    lesson = lesson_draft.empty()
    preset = sim.load(ARMS)
    assert lesson_draft.with_build(lesson, preset) == (lesson, ARMS)
    own = replace(preset, parts=tuple(p for p in preset.parts if p.id != "camera"),
                  leads=tuple(w for w in preset.leads if "camera" not in w.from_ + w.to),
                  options=(), clips=())  # fmt: skip
    taken, screen = lesson_draft.taken(
        lesson, own, option="", event=own.events[0].name, window=(1e-3, 1.2345678901e-3), slow=1e-5
    )
    assert screen.build is not None
    assert screen.build != ARMS
    # the same once more is not kept twice; another of the same name is kept beside it
    assert lesson_draft.with_build(taken, own) == (taken, screen.build)
    other = replace(own, notes="another")
    more, name = lesson_draft.with_build(taken, other)
    assert len(more.builds) == 2
    assert name != screen.build
    # all of it comes back from the bytes of a file
    card = Card(kind="ask", title="Ours", screen=screen)
    back = lessons.loads(lessons.dumps(replace(taken, cards=(card,))))
    shown = back.cards[0].screen
    assert lessons.document(back, shown) == own
    assert shown.window == ("1 ms", 1.2345678901e-3), "a time that has no short name stays exact"
    assert shown.slow == "10 µs"
    # what no screen names any more is left out
    assert lesson_draft.without_unused(more).builds == {}


def test_a_mistake_in_an_own_build_is_refused_with_its_place() -> None:
    lesson = lesson_draft.empty()
    own = replace(sim.load(ARMS), notes="ours")
    taken, screen = lesson_draft.taken(lesson, own, option="", event=own.events[0].name)
    assert screen.build is not None
    tree = {**taken.builds[screen.build], "leads": [{"id": "x", "from": "pack.out", "to": "gone"}]}
    broken = replace(taken, builds={screen.build: tree})
    with pytest.raises(SimError, match=f"builds.{screen.build}: leads.0."):
        lessons.loads(lessons.dumps(broken))


def test_a_renamed_figure_is_called_by_its_new_name_everywhere() -> None:
    lesson = lesson_draft.template()
    claim = lessons.Claim(text="less", figure="near", over="bare", below=1.0)
    lesson = replace(lesson, claims=(claim,))
    renamed = lesson_draft.with_figure(lesson, 0, replace(lesson.figures[0], name="without"))
    assert lesson_draft.mistake(renamed) is None
    assert renamed.claims[0].over == "without"
    assert renamed.cards[1].guess is not None
    assert renamed.cards[1].guess.over == "without"
    assert renamed.cards[2].figures == ("without", "near")
    # two of one name are a mistake, and give no card away to the wrong one
    double = lesson_draft.with_figure(renamed, 0, replace(renamed.figures[0], name="near"))
    assert double.cards[2].figures == ("near", "near")
    error = lesson_draft.mistake(double)
    assert error is not None
    assert "near" in str(error)


def test_places_are_said_as_people_count() -> None:
    lesson = lesson_draft.template()
    words = lesson_draft.place_words
    assert words(lesson, "cards[1].choices[0]") == "card 2, choice 1"
    assert words(lesson, "figures[1].at") == "figure “near”, at"
    assert words(lesson, "cards[0].screen.option") == "card 1, screen, option"
    assert lesson_draft.place_in("cards[12].figures[1]", "cards") == 12
    assert lesson_draft.place_in("figures[1].at", "cards") is None


@pytest.mark.parametrize("reads", sorted(lessons.UNITS))
def test_every_place_offered_can_be_read(reads: str) -> None:
    build = sim.load("board_6s_digital")
    places = lesson_draft.places(build, reads)
    assert bool(places) == (reads not in ("stable", "returned", "braked"))
    lesson = replace(lesson_draft.empty(), build="board_6s_digital")
    for place in places:
        figure = Figure(name="f", words="", reads=reads, at=place, hz="24 kHz",  # type: ignore[arg-type]
                        screen=Screen(option=""))  # fmt: skip
        assert lesson_draft.mistake(replace(lesson, figures=(figure,))) is None
    if places:
        # and by the engine
        figure = Figure(name="f", words="", reads=reads, at=places[-1], hz="24 kHz",  # type: ignore[arg-type]
                        screen=Screen(option="", event="Plug in"))  # fmt: skip
        found = lessons.compute(replace(lesson, figures=(figure,)))
        assert math.isfinite(found["f"].value)

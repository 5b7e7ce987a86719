"""Options as a row: what each shows never changes unless asked."""

from __future__ import annotations

import random

import pytest
from msgspec.structs import replace

from sim import edit, load, option_list
from sim.build import dumps, loads
from sim.errors import BadField, Conflict, SimError
from sim.options import apply, difference, through_option
from sim.problems import problems
from sim.records import Build, Change, Option, Quantity


def things(build: Build):
    """Parts and leads without their order."""
    return ({p.id: p for p in build.parts}, {x.id: x for x in build.leads})


def shown(build: Build) -> list[object]:
    return [things(apply(build, option)) for option in build.options]


@pytest.fixture(params=["arms_4s_analogue", "board_6s_digital"])
def sample(request) -> Build:
    return load(request.param)


def test_the_difference_leads_to_what_was_wanted(sample):
    for option in sample.options:
        wanted = apply(sample, option)
        ours = apply(sample, Option(name="again", changes=difference(sample, wanted)))
        assert things(ours) == things(wanted)


def test_a_bypass_stays_one(sample):
    bypass = (Change(bypass="lc"),)
    wanted = apply(sample, Option(name="x", changes=bypass))
    assert difference(sample, wanted) == bypass


EDITS = (
    lambda b: edit.move_part(b, "pack", (3.0, 120.0)),
    lambda b: edit.turn_part(b, "vtx", 90.0),
    lambda b: edit.set_deck(b, "vtx", "top"),
    lambda b: edit.rename(b, "vtx", "Sender"),
    lambda b: edit.set_value(b, "esc1", "mosfet_rating", "60 V"),
    lambda b: edit.set_value(b, "esc1", "mosfet_rating", None),
    lambda b: edit.set_lead_value(b, "main", "length", "300 mm"),
    lambda b: edit.set_lead_value(b, "main", "spacing", None),
    lambda b: edit.set_via(b, "main", [(20.0, 40.0)]),
    lambda b: edit.set_conductor(b, "to_fc", "plus"),
    lambda b: edit.remove(b, ["vtx"]),
    lambda b: edit.remove(b, ["fc", "esc2"]),
    lambda b: edit.remove(b, ["lc"]),
)


@pytest.mark.parametrize("index", range(len(EDITS)))
def test_an_edit_here_only_shows_here_only(sample, index):
    before = shown(sample)
    action = EDITS[index]
    wanted = things(action(apply(sample, sample.options[2])))
    build = through_option(sample, 2, action, only_here=True)
    after = shown(build)
    assert after[2] == wanted
    assert after[:2] == before[:2]
    assert after[3:] == before[3:]
    assert things(build) == things(sample)
    assert loads(dumps(build)) == build
    assert not list(problems(build))


def test_many_edits_in_a_row_are_still_one_difference(sample):
    rng = random.Random(7)
    build = sample
    for _ in range(60):
        index = rng.randrange(len(build.options))
        try:
            build = through_option(build, index, rng.choice(EDITS), only_here=True)
        except SimError:
            continue
    assert things(build) == things(sample)
    for option in build.options:
        again = difference(build, apply(build, option))
        assert things(apply(build, Option(name="x", changes=again))) == things(apply(build, option))


def test_a_place_that_an_option_sets_is_moved_there(sample):
    build = through_option(sample, 1, EDITS[0], only_here=True)
    build = through_option(build, 1, lambda b: edit.move_part(b, "pack", (0.0, 140.0)))
    assert apply(build, build.options[1]).part("pack").at == (0.0, 140.0)
    assert build.part("pack").at == sample.part("pack").at


@pytest.mark.parametrize("index", range(5))
def test_another_base_shows_the_same_options(sample, index):
    before = shown(sample)
    build = option_list.make_base(sample, index)
    assert shown(build)[: len(before)] == before
    assert things(build) == before[index]
    assert build.options[index].changes == ()
    assert build.options[-1].name == option_list.FORMER_BASE
    assert shown(build)[-1] == things(sample)
    assert loads(dumps(build)) == build


def test_the_row(sample):
    build, copy = option_list.duplicate(sample, 1)
    assert copy == 2
    assert build.options[2].name == f"{sample.options[1].name} 2"
    assert shown(build)[1] == shown(build)[2]
    build = option_list.move(build, 2, 0)
    assert build.options[0].name.endswith(" 2")
    build = option_list.rename(build, 0, " Mine ")
    assert build.options[0].name == "Mine"
    assert option_list.delete(build, 0) == sample
    with pytest.raises(Conflict):
        option_list.rename(build, 0, sample.options[0].name)
    with pytest.raises(BadField):
        option_list.rename(build, 0, "  ")


@pytest.mark.parametrize(
    ("key", "value"), [("at", "here"), ("at", "1, nan"), ("turn", "left"), ("deck", "cellar")]
)
def test_a_place_that_is_none_is_refused(sample, key, value):
    with pytest.raises(BadField):
        apply(sample, Option(name="x", changes=(Change(set=f"pack.{key}", value=value),)))


def test_a_case_is_kept_in_the_file(sample):
    options = (replace(sample.options[0], what_if=True), *sample.options[1:])
    build = replace(sample, options=options)
    assert loads(dumps(build)).options[0].what_if
    mark = Quantity(value="9 mOhm", mark="measured")
    build = through_option(
        build, 1, lambda b: edit.set_value(b, "bulk", "esr", mark), only_here=True
    )
    assert build.options[1].changes[-1].value == mark

"""Options: what each change does, and edits made while one is shown."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from sim import edit
from sim.build import Build, Change, Clip, Lead, Option, Part, validate
from sim.errors import BadField, Conflict, WrongPort
from sim.options import apply, through_option

#: pack - main - pads - a1 - choke - a2 - lamp, with a capacitor on the pads.
BUILD = Build(
    name="On paper",
    parts=(
        Part(id="pack", kind="battery", at=(0, 100), values={"cells": 4}),
        Part(id="pads", kind="joint", at=(0, 20)),
        Part(id="bulk", kind="electrolytic", at=(0, 20), values={"capacitance": "470 uF"}),
        Part(id="choke", kind="inductor", at=(30, 0), values={"inductance": "10 uH"}),
        Part(id="lamp", kind="load", at=(60, 0), values={"resistance": "10 Ohm"}),
    ),
    leads=(
        Lead(id="main", from_="pack", to="pads", length="90 mm"),
        Lead(id="on_pads", from_="bulk", to="pads"),
        Lead(id="a1", from_="pads", to="choke.in", length="40 mm"),
        Lead(id="a2", from_="choke.out", to="lamp", length="30 mm"),
    ),
    clips=(Clip(tip="bulk"), Clip(tip="lamp", ground="pads")),
)


def with_option(*changes: Change) -> Build:
    return Build(
        name=BUILD.name,
        parts=BUILD.parts,
        leads=BUILD.leads,
        options=(Option(name="It", changes=changes), Option(name="Other")),
        clips=BUILD.clips,
    )


def shown(build: Build) -> Build:
    return apply(build, build.options[0])


def ids(build: Build) -> set[str]:
    return {p.id for p in build.parts} | {x.id for x in build.leads}


def test_no_option_is_the_build_as_drawn() -> None:
    assert apply(BUILD, None) is BUILD


def test_remove_takes_a_parts_leads_with_it_and_leaves_the_build_alone() -> None:
    build = with_option(Change(remove="bulk"))
    assert ids(BUILD) - ids(shown(build)) == {"bulk", "on_pads"}
    assert ids(build) == ids(BUILD)


def test_remove_of_a_lead_takes_the_lead_alone() -> None:
    assert ids(BUILD) - ids(shown(with_option(Change(remove="on_pads")))) == {"on_pads"}


def test_bypass_leaves_a_joint_under_the_same_addresses() -> None:
    build = replace(shown(with_option(Change(bypass="choke"))), options=())
    part = build.part("choke")
    assert part is not None
    assert (part.kind, part.at, part.values) == ("joint", (30, 0), {})
    validate(build)
    assert edit.pad_position(build, "choke.in") == edit.pad_position(build, "choke.out")


def test_set_changes_one_value_of_a_part_or_a_lead() -> None:
    build = shown(
        with_option(
            Change(set="bulk.esr", value="8 mOhm"),
            Change(set="main.length", value="60 mm"),
            Change(set="main.conductor", value="plus"),
        )
    )
    bulk, main = build.part("bulk"), build.lead("main")
    assert bulk is not None
    assert main is not None
    assert bulk.values == {"capacitance": "470 uF", "esr": "8 mOhm"}
    assert (main.length, main.conductor) == ("60 mm", "plus")


def test_changes_build_on_one_another() -> None:
    cap = Part(id="c2", kind="ceramic", values={"capacitance": "10 uF"})
    build = shown(
        with_option(
            Change(add=cap),
            Change(add=Lead(id="on2", from_="c2", to="lamp")),
            Change(set="c2.esr", value="3 mOhm"),
            Change(remove="bulk"),
        )
    )
    assert ids(build) - ids(BUILD) == {"c2", "on2"}
    added = build.part("c2")
    assert added is not None
    assert added.values["esr"] == "3 mOhm"


@pytest.mark.parametrize(
    ("change", "error"),
    [
        (Change(remove="nobody"), WrongPort),
        (Change(bypass="bulk"), Conflict),
        (Change(bypass="nobody"), WrongPort),
        (Change(set="bulk.esrr", value=1), BadField),
        (Change(set="bulk", value=1), BadField),
        (Change(set="main.esr", value=1), BadField),
        (Change(set="main.conductor", value="both"), BadField),
        (Change(set="nobody.esr", value=1), WrongPort),
        (Change(add=Part(id="main", kind="joint")), Conflict),
        (Change(), BadField),
    ],
)
def test_what_a_change_cannot_do_is_refused(change: Change, error: type[Exception]) -> None:
    with pytest.raises(error, match=r"It: changes\[0\]"):
        shown(with_option(change))


# --- edits while an option is shown ---------------------------------------------------


def test_a_part_placed_under_an_option_belongs_to_it() -> None:
    cap = Part(id="c2", kind="ceramic", values={"capacitance": "10 uF"})
    build = through_option(with_option(), 0, lambda b: edit.place_across(b, cap, "lamp", (60, 10)))
    validate(build)
    assert ids(build) == ids(BUILD)
    assert ids(shown(build)) - ids(BUILD) == {"c2", "c2_joint"}
    moved = through_option(build, 0, lambda b: edit.move_part(b, "c2", (90, 10)))
    part, lead = shown(moved).part("c2"), shown(moved).lead("c2_joint")
    assert part is not None
    assert lead is not None
    assert part.at == (90, 10)
    assert lead.length is not None
    gone = through_option(moved, 0, lambda b: edit.remove(b, ["c2"]))
    assert gone.options[0].changes == ()


def test_a_part_taken_away_under_an_option_stays_in_the_others() -> None:
    build = through_option(with_option(), 0, lambda b: edit.remove(b, ["bulk"]))
    assert build.options[0].changes == (Change(remove="bulk"),)
    assert build.clips == BUILD.clips
    validate(build)


def test_a_value_that_the_option_sets_is_changed_there() -> None:
    build = with_option(Change(set="bulk.esr", value="8 mOhm"))
    build = through_option(build, 0, lambda b: edit.set_value(b, "bulk", "esr", "9 mOhm"))
    assert build.options[0].changes == (Change(set="bulk.esr", value="9 mOhm"),)
    assert build.parts == BUILD.parts


def test_other_values_and_places_are_the_builds_own() -> None:
    build = with_option(Change(set="bulk.esr", value="8 mOhm"), Change(bypass="choke"))
    build = through_option(build, 0, lambda b: edit.set_value(b, "bulk", "esl", "9 nH"))
    build = through_option(build, 0, lambda b: edit.move_part(b, "choke", (35, 0)))
    bulk, choke = build.part("bulk"), build.part("choke")
    assert bulk is not None
    assert choke is not None
    assert bulk.values == {"capacitance": "470 uF", "esl": "9 nH"}
    assert (choke.kind, choke.at) == ("inductor", (35, 0))


@pytest.mark.parametrize(
    "action",
    [
        lambda b: edit.remove(b, ["choke"]),
        lambda b: edit.remove(b, ["a1"]),
        lambda b: edit.remove(b, ["pads", "lamp"]),
        lambda b: edit.splice_in(
            b, Part(id="l2", kind="inductor", values={"inductance": "1 uH"}), "main"
        ),
        lambda b: edit.set_lead_value(b, "main", "length", "70 mm"),
        lambda b: edit.turn_part(b, "choke", 90),
        lambda b: edit.move_part(edit.remove(b, ["bulk"]), "pads", (5, 20)),
    ],
)
def test_the_option_then_shows_just_what_the_edit_did(action: object) -> None:
    assert callable(action)
    build = with_option(Change(set="a1.length", value="45 mm"))
    wanted = action(shown(build))
    got = shown(through_option(build, 0, action))
    assert {p.id: p for p in got.parts} == {p.id: p for p in wanted.parts}
    assert {x.id: x for x in got.leads} == {x.id: x for x in wanted.leads}
    validate(through_option(build, 0, action))


def test_without_an_option_the_edit_is_the_builds() -> None:
    build = with_option()
    assert through_option(build, None, lambda b: edit.remove(b, ["bulk"])).part("bulk") is None

"""Gestures on a build: what each leaves, and that no row of them leaves a broken one."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim import edit, quantity
from sim.build import Build, Change, Clip, Event, Lead, Option, Part, dumps, loads, validate
from sim.errors import BadField, BadUnit, Conflict, SimError, WrongPort
from sim.lead import conductors
from sim.parts import KINDS
from sim.resolve import resolve_lead

CAP = Part(id="c2", kind="electrolytic", values={"capacitance": "470 uF"})
COIL = Part(id="l2", kind="inductor", values={"inductance": "10 uH"})

#: Puts the pack's pads at (0, 100), 80 mm behind the joint.
PACK_AT = (0.0, 100.0 - KINDS["battery"].ports[0].offset_mm[1])

BUILD = Build(
    name="On paper",
    parts=(
        Part(id="pack", kind="battery", at=PACK_AT, values={"cells": 4}),
        Part(id="pads", kind="joint", at=(0, 20)),
        Part(id="bulk", kind="electrolytic", at=(0, 27), values={"capacitance": "470 uF"}),
        Part(id="esc1", kind="esc", at=(-60, -60)),
        Part(id="motor1", kind="motor", at=(-90, -90), values={"kv": 1950}),
        Part(id="choke", kind="inductor", at=(30, 20), values={"inductance": "10 uH"}),
        Part(id="lamp", kind="load", at=(60, 20), values={"current": "1 A"}),
    ),
    leads=(
        Lead(id="main", from_="pack", to="pads", gauge="12 AWG", length="90 mm"),
        Lead(id="on_pads", from_="bulk", to="pads"),
        Lead(id="arm1", from_="pads", to="esc1.in", resistance="1 mOhm", inductance="8 nH"),
        Lead(id="phase1", from_="esc1.motor", to="motor1"),
        Lead(id="a1", from_="pads", to="choke.in", length="40 mm"),
        Lead(id="a2", from_="choke.out", to="lamp", length="30 mm"),
    ),
    options=(
        Option(name="None", changes=(Change(remove="bulk"),)),
        Option(name="No choke", changes=(Change(bypass="choke"), Change(remove="a2"))),
        Option(
            name="Local",
            changes=(
                Change(add=Part(id="c1", kind="ceramic", values={"capacitance": "10 uF"})),
                Change(add=Lead(id="on1", from_="c1", to="esc1.in")),
            ),
        ),
    ),
    events=(
        Event(
            name="Chop",
            kind="throttle",
            duration="1 ms",
            course=(("0 s", 0.5),),
            courses={"esc1": (("0 s", 0.4),)},
        ),
        Event(name="Lamp", kind="load_step", duration="1 ms", part="lamp", at="0 s", value="2 A"),
    ),
    clips=(Clip(tip="esc1.in"), Clip(tip="lamp", ground="pads")),
)


def lead(build: Build, id_: str) -> Lead:
    found = build.lead(id_)
    assert found is not None
    return found


def mm(build: Build, id_: str) -> float | None:
    return edit.length_mm(lead(build, id_))


def test_the_build_of_these_tests_is_a_valid_one() -> None:
    validate(BUILD)


# --- looking ---------------------------------------------------------------------------


def test_pads_turn_with_their_part() -> None:
    part = Part(id="x", kind="inductor", at=(10, 20), turn=90, values={"inductance": "1 uH"})
    build = edit.add_part(BUILD, part)
    dx, dy = edit.find_port(build, "x.in")[1].offset_mm
    # A quarter turn clockwise, y to the rear: what lay to the right lies to the rear.
    assert edit.pad_position(build, "x.in") == pytest.approx((10 - dy, 20 + dx))


def test_the_way_runs_through_the_points() -> None:
    build = edit.set_via(BUILD, "on_pads", [(0, 40), (30, 40)])
    assert edit.way_mm(build, lead(build, "on_pads")) == pytest.approx(
        13 + 30 + (30**2 + 20**2) ** 0.5
    )


def test_fresh_ids_are_valid_and_free() -> None:
    assert edit.fresh_id(BUILD, "cap") == "cap"
    assert edit.fresh_id(BUILD, "bulk") == "bulk2"
    assert edit.fresh_id(BUILD, "c1") == "c12"  # an option adds c1
    assert edit.fresh_id(BUILD, "Ölkondensator, groß") == "lkondensator_gro"
    assert edit.fresh_id(BUILD, "--") == "part"


# --- adding ----------------------------------------------------------------------------


def test_a_capacitor_dropped_on_the_pads_stands_across_them() -> None:
    build = edit.place_across(BUILD, CAP, "pads", (0, 12))
    validate(build)
    made = build.leads[-1]
    assert (made.from_, made.to) == ("c2", "pads")
    assert (made.length, made.resistance, made.inductance) == (None, None, None)
    assert edit.place_across(BUILD, CAP, "esc1.in").part("c2") is not None


def test_a_series_part_cannot_stand_across() -> None:
    with pytest.raises(WrongPort, match="Splice"):
        edit.place_across(BUILD, COIL, "pads")


def test_ids_are_not_taken_twice() -> None:
    for part in (Part(id="pads", kind="joint"), Part(id="main", kind="joint")):
        with pytest.raises(Conflict):
            edit.add_part(BUILD, part)
    with pytest.raises(Conflict):
        edit.add_lead(BUILD, Lead(id="pads", from_="pack", to="pads"))


def test_a_lead_ends_on_two_places() -> None:
    for ends in (("pads", "pads"), ("bulk", "bulk.in")):
        with pytest.raises(Conflict):
            edit.add_lead(BUILD, Lead(id="x", from_=ends[0], to=ends[1]))
    with pytest.raises(WrongPort):
        edit.add_lead(BUILD, Lead(id="x", from_="pads", to="nobody"))


def test_a_drawn_lead_is_as_long_as_its_way() -> None:
    build = edit.connect(BUILD, "pads", "lamp")
    assert edit.length_mm(build.leads[-1]) == pytest.approx(60, abs=0.05)
    validate(build)


def test_a_part_spliced_into_a_lead_shares_out_its_length() -> None:
    build = edit.splice_in(BUILD, COIL, "main")
    validate(build)
    first, second = lead(build, "main"), build.leads[1]
    assert (first.from_, first.to) == ("pack", "l2.in")
    assert (second.from_, second.to) == ("l2.out", "pads")
    assert first.gauge == second.gauge == "12 AWG"
    body = 10.0  # from pad to pad of the coil, which now lies where wire lay
    total = (mm(build, first.id) or 0) + (mm(build, second.id) or 0)
    assert total + body == pytest.approx(90, abs=0.11)
    assert mm(build, first.id) == pytest.approx(mm(build, second.id), abs=0.11)


def test_a_part_spliced_near_one_end_gets_the_shorter_piece_there() -> None:
    near = Part(id="l2", kind="inductor", at=(0, 90), values={"inductance": "10 uH"})
    build = edit.splice_in(BUILD, near, "main")
    assert (mm(build, "main") or 0) < (mm(build, build.leads[1].id) or 0)


def test_typed_resistance_and_inductance_are_shared_out_whole() -> None:
    build = edit.splice_in(BUILD, COIL, "arm1")
    pieces = [x for x in build.leads if "l2" in x.from_ + x.to]
    for key, unit, whole in (("resistance", "Ohm", 1e-3), ("inductance", "H", 8e-9)):
        total = sum(quantity.parse(getattr(x, key), unit) for x in pieces)
        assert total == pytest.approx(whole, rel=1e-5)


def test_points_of_a_cut_lead_go_to_their_side() -> None:
    bent = edit.set_via(BUILD, "main", [(40, 100), (40, 20)])
    coil = Part(id="l2", kind="inductor", at=(40, 60), values={"inductance": "1 uH"})
    build = edit.splice_in(bent, coil, "main")
    assert lead(build, "main").via == ((40, 100),)
    assert build.leads[1].via == ((40, 20),)
    part = build.part("l2")
    assert part is not None
    assert part.turn == 270.0  # along the lead, which runs to the front here


def test_an_option_without_the_lead_has_not_what_was_spliced_in() -> None:
    build = edit.splice_in(BUILD, COIL, "a2")
    changes = build.options[1].changes
    assert changes[-2:] == (Change(remove="a2"), Change(remove="l2"))
    validate(build)


def test_only_what_has_a_way_through_is_spliced_in() -> None:
    with pytest.raises(WrongPort, match="across"):
        edit.splice_in(BUILD, CAP, "main")
    with pytest.raises(WrongPort):
        edit.splice_in(BUILD, COIL, "nobody")


# --- taking away -------------------------------------------------------------------------


def test_a_series_part_taken_out_leaves_its_leads_joined() -> None:
    build = edit.remove(BUILD, ["choke"])
    validate(build)
    healed = lead(build, "a1")
    assert (healed.from_, healed.to) == ("pads", "lamp")
    assert mm(build, "a1") == pytest.approx(40 + 30 + 10)
    assert build.lead("a2") is None


def test_splicing_in_and_taking_out_is_as_before() -> None:
    build = edit.remove(edit.splice_in(BUILD, COIL, "main"), ["l2"])
    assert mm(build, "main") == pytest.approx(90, abs=0.11)
    assert (lead(build, "main").from_, lead(build, "main").to) == ("pack", "pads")


def test_leads_drawn_the_other_way_round_heal_too() -> None:
    turned = [
        Lead(id="a1", from_="choke.in", to="pads", length="40 mm", via=((1, 2), (3, 4))),
        Lead(id="a2", from_="lamp", to="choke.out", length="30 mm", via=((5, 6), (7, 8))),
    ]
    build = edit.remove(_with_leads({x.id: x for x in turned}), ["choke"])
    healed = lead(build, "a1")
    assert (healed.from_, healed.to) == ("pads", "lamp")
    assert healed.via == ((3, 4), (1, 2), (7, 8), (5, 6))


def test_healing_drawn_and_typed_leads_adds_their_loops() -> None:
    typed = Lead(id="a2", from_="choke.out", to="lamp", resistance="5 mOhm", inductance="20 nH")
    drawn = conductors(resolve_lead(lead(BUILD, "a1")))
    healed = lead(edit.remove(_with_leads({"a2": typed}), ["choke"]), "a1")
    made = conductors(resolve_lead(healed))
    assert made.loop_resistance_ohm == pytest.approx(5e-3 + drawn.loop_resistance_ohm, rel=1e-5)
    assert made.loop_inductance_h == pytest.approx(20e-9 + drawn.loop_inductance_h, rel=1e-5)


def test_a_series_part_with_three_leads_takes_them_with_it() -> None:
    three = edit.add_lead(BUILD, Lead(id="a3", from_="choke.out", to="pads"))
    build = edit.remove(three, ["choke"])
    assert {x.id for x in BUILD.leads} - {x.id for x in build.leads} == {"a1", "a2"}


def test_what_names_a_part_goes_with_it() -> None:
    build = edit.remove(BUILD, ["bulk", "esc1", "lamp"])
    validate(build)
    assert build.options[0].changes == ()
    assert [c.add.id for c in build.options[2].changes if c.add] == ["c1"]
    assert [(e.name, e.courses) for e in build.events] == [("Chop", {})]
    assert build.clips == ()


def test_unknown_ids_are_passed_over() -> None:
    assert edit.remove(BUILD, ["nobody"]) == BUILD


# --- changing ----------------------------------------------------------------------------


def test_a_moved_parts_leads_keep_their_slack() -> None:
    before = edit.way_mm(BUILD, lead(BUILD, "main"))
    build = edit.move_part(BUILD, "pack", (30, 150))
    after = edit.way_mm(build, lead(build, "main"))
    assert mm(build, "main") == pytest.approx(90 + after - before, abs=0.05)
    assert lead(build, "arm1") == lead(BUILD, "arm1")


def test_typed_leads_are_not_touched_by_moving() -> None:
    build = edit.move_part(BUILD, "esc1", (-100, -100))
    assert lead(build, "arm1") == lead(BUILD, "arm1")


def test_a_plain_joint_drawn_away_becomes_a_lead_and_comes_back() -> None:
    away = edit.move_part(BUILD, "bulk", (0, 67))
    assert mm(away, "on_pads") == pytest.approx(40)
    assert edit.move_part(away, "bulk", (0, 27)) == BUILD


@given(st.lists(st.tuples(st.floats(-200, 200), st.floats(-200, 200)), min_size=1, max_size=8))
def test_dragging_about_and_back_gives_the_same_length(way: list[tuple[float, float]]) -> None:
    """The text has a tenth of a mm, so each step may be half of that off."""
    build = BUILD
    for at in way:
        build = edit.move_part(build, "pack", (at[0], at[1] + 400))
    build = edit.move_part(build, "pack", PACK_AT)
    assert mm(build, "main") == pytest.approx(90, abs=0.051 * (len(way) + 1))


def test_values_are_changed_checked_and_given_back() -> None:
    build = edit.set_value(BUILD, "bulk", "esr", "18m")
    assert edit.set_value(build, "bulk", "esr", None) == BUILD
    for field, given_, error in (
        ("esrr", 1, BadField),
        ("esr", "18 mH", BadUnit),
        ("esr", -1, BadField),
        ("capacitance", None, BadField),
    ):
        with pytest.raises(error) as caught:
            edit.set_value(BUILD, "bulk", field, given_)
        assert caught.value.where == f"bulk.{field}"
    build = edit.set_lead_value(BUILD, "main", "gauge", "14AWG")
    assert lead(build, "main").gauge == "14AWG"
    assert lead(edit.set_lead_value(build, "main", "gauge", None), "main").gauge is None
    with pytest.raises(BadField):
        edit.set_lead_value(BUILD, "main", "esr", 1)
    with pytest.raises(BadUnit):
        edit.set_lead_value(BUILD, "main", "length", "3 V")


def test_names_decks_turns_and_conductors() -> None:
    build = edit.rename(BUILD, "bulk", "Main capacitor")
    build = edit.set_deck(build, "bulk", "top")
    build = edit.turn_part(build, "bulk", 450)
    build = edit.set_conductor(build, "main", "minus")
    part = build.part("bulk")
    assert part is not None
    assert (part.label, part.deck, part.turn) == ("Main capacitor", "top", 90)
    assert lead(build, "main").conductor == "minus"
    with pytest.raises(BadField):
        edit.rename(BUILD, "bulk", "a\nb")


def test_a_place_that_is_no_place_is_refused() -> None:
    for at in ((float("nan"), 0.0), (0.0, float("inf"))):
        with pytest.raises(BadField):
            edit.move_part(BUILD, "bulk", at)


def _with_leads(new: dict[str, Lead]) -> Build:
    from msgspec.structs import replace

    return replace(BUILD, leads=tuple(new.get(x.id, x) for x in BUILD.leads))


# --- any row of gestures ---------------------------------------------------------------------

_ids = st.sampled_from(["pack", "pads", "bulk", "esc1", "choke", "lamp", "main", "a1", "c2", "x"])
_points = st.tuples(st.floats(-300, 300), st.floats(-300, 300))
_gestures = st.one_of(
    st.builds(lambda i: lambda b: edit.remove(b, [i]), _ids),
    st.builds(lambda i, p: lambda b: edit.move_part(b, i, p), _ids, _points),
    st.builds(lambda i, t: lambda b: edit.turn_part(b, i, t), _ids, st.floats(-400, 400)),
    st.builds(
        lambda i, p: (
            lambda b: edit.place_across(
                b, Part(id=edit.fresh_id(b, "c2"), kind="ceramic", values=CAP.values), i, p
            )
        ),
        _ids,
        st.none() | _points,
    ),
    st.builds(
        lambda i: (
            lambda b: edit.splice_in(
                b, Part(id=edit.fresh_id(b, "l2"), kind="inductor", values=COIL.values), i
            )
        ),
        st.sampled_from(["main", "a1", "a2", "arm1", "on_pads", "phase1"]),
    ),
    st.builds(lambda i, j: lambda b: edit.connect(b, i, j), _ids, _ids),
    st.builds(
        lambda i, p: lambda b: edit.set_via(b, i, p),
        st.sampled_from(["main", "a1"]),
        st.lists(_points, max_size=3),
    ),
)


@given(st.lists(_gestures, max_size=8))
def test_no_row_of_gestures_leaves_a_broken_build(
    gestures: list[Callable[[Build], Build]],
) -> None:
    build = BUILD
    for gesture in gestures:
        before = dumps(build)
        try:
            after = gesture(build)
        except SimError:
            after = build
        assert dumps(build) == before
        build = after
        validate(build)
        assert loads(dumps(build)) == build

"""Copying pieces of a build: what is new hangs together as the original does."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

import sim
from sim.build import dumps, loads, validate
from sim.edit import length_mm, pad_position, way_mm
from sim.fragment import duplicate, fragment, mirror, mirrored_copy, paste
from sim.options import owner_of

PRESETS = ("arms_4s_analogue", "board_6s_digital")


def some_ids(build):
    return st.lists(st.sampled_from([p.id for p in build.parts]), min_size=1, unique=True)


@pytest.mark.parametrize("preset", PRESETS)
@given(data=st.data())
def test_a_piece_travels_as_the_text_of_a_file_and_leaves_what_is_there(preset, data):
    build = sim.load(preset)
    ids = data.draw(some_ids(build))
    piece = fragment(build, ids)
    assert loads(dumps(piece)) == piece
    placed = paste(build, piece, (3.0, -4.0))
    validate(placed.build)
    assert placed.build.parts[: len(build.parts)] == build.parts
    assert placed.build.leads[: len(build.leads)] == build.leads
    new = [placed.build.part(i) for i in placed.ids[: len(ids)]]
    old = [p for p in build.parts if p.id in ids]
    for a, b in zip(old, new, strict=True):
        assert (a.kind, a.turn, a.deck) == (b.kind, b.turn, b.deck)
        assert b.at == pytest.approx((a.at[0] + 3.0, a.at[1] - 4.0))
    for lead in placed.build.leads[len(build.leads) :]:
        assert {owner_of(lead.from_), owner_of(lead.to)} <= set(placed.ids)


@pytest.mark.parametrize("preset", PRESETS)
@given(data=st.data())
def test_mirrored_twice_is_as_it_was(preset, data):
    build = sim.load(preset)
    ids = data.draw(some_ids(build))
    over = mirror(build, ids)
    assert {p.id: p.at for p in over.parts if p.id in ids} == {
        p.id: (-p.at[0], p.at[1]) for p in build.parts if p.id in ids
    }
    back = mirror(over, ids)
    assert back.parts == build.parts
    for lead, old in zip(back.leads, build.leads, strict=True):
        if old.length is not None and length_mm(old) - way_mm(build, old) > 0.0:
            assert length_mm(lead) == pytest.approx(length_mm(old), abs=0.11)


def test_pads_of_a_mirrored_esc_lie_where_the_mirror_has_them():
    build = sim.load("arms_4s_analogue")
    over = mirror(build, [p.id for p in build.parts])
    for address in ("esc1.in", "esc1.motor", "lc.in", "lc.out", "pack.out"):
        x, y = pad_position(build, address)
        assert pad_position(over, address) == pytest.approx((-x, y), abs=1e-6)


def test_a_doubled_capacitor_stands_across_the_same_pads():
    build = sim.load("arms_4s_analogue")
    placed = duplicate(build, ["bulk"])
    part, lead = placed.ids
    old = next(x for x in build.leads if "bulk" in (x.from_, x.to) or "bulk." in x.from_)
    new = placed.build.lead(lead)
    assert {owner_of(new.from_), owner_of(new.to)} == {part, "pads"}
    assert (new.gauge, new.spacing) == (old.gauge, old.spacing)
    assert placed.build.part(part).label == "Main capacitor 2"


def test_a_doubled_esc_hangs_on_the_pads_and_takes_nothing_else_along():
    build = sim.load("arms_4s_analogue")
    placed = duplicate(build, ["esc1"])
    assert placed.ids == ("esc5", "arm5")
    assert {placed.build.lead("arm5").from_, placed.build.lead("arm5").to} == {"pads", "esc5.in"}


def test_an_arm_goes_to_the_other_side_with_its_motor():
    build = sim.load("arms_4s_analogue")
    arm = ["esc1", "motor1", "cer1"]
    placed = mirrored_copy(build, arm)
    validate(placed.build)
    kinds = [p.kind for p in placed.build.parts if p.id in placed.ids]
    assert sorted(kinds) == ["ceramic", "esc", "motor"]
    motor = next(p for p in placed.build.parts if p.id in placed.ids and p.kind == "motor")
    x, y = build.part("motor1").at
    assert motor.at == (-x, y)


def test_a_copied_board_gets_a_name_of_its_own():
    build = sim.load("board_6s_digital")
    escs = [p.id for p in build.parts if p.kind == "esc"]
    placed = paste(build, fragment(build, escs), (60.0, 0.0))
    names = {str(getattr(p.values["board"], "value", p.values["board"])) for p in placed.build.parts
             if "board" in p.values}  # fmt: skip
    assert len(names) == 2
    validate(placed.build)


def test_a_place_that_is_no_place_is_refused():
    build = sim.load("arms_4s_analogue")
    with pytest.raises(sim.errors.BadField, match="finite"):
        paste(build, fragment(build, ["pack"]), (float("inf"), 0.0))


def test_parts_moved_together_keep_the_leads_between_them():
    from sim.edit import move_parts

    build = sim.load("arms_4s_analogue")
    places = {p.id: (p.at[0] + 7.3, p.at[1] - 2.1) for p in build.parts}
    moved = move_parts(build, places)
    plain = tuple(replace(x, via=()) for x in moved.leads)
    for lead, old in zip(plain, build.leads, strict=True):
        if not old.via:
            assert lead == old

"""Leads as wire: split, joined, re-homed, and what a lead is of its ring."""

from __future__ import annotations

import pytest

from sim import edit, lead_edit, load
from sim.errors import BadField, Conflict
from sim.lead import conductors
from sim.resolve import resolve_lead
from sim.ring import ring_of


@pytest.fixture(scope="module")
def sample():
    return load("arms_4s_analogue")


def test_a_pair_is_split_and_joined_again(sample):
    build = lead_edit.split_pair(sample, "to_fc")
    assert build.lead("to_fc").conductor == "plus"
    assert build.lead("to_fc_minus").conductor == "minus"
    assert lead_edit.join_pair(build, "to_fc_minus") == sample
    assert lead_edit.join_pair(build, "to_fc") == sample


def test_typed_values_are_shared_between_the_two():
    board = load("board_6s_digital")
    build = lead_edit.split_pair(board, "arm1")
    for id_ in ("arm1", "arm1_minus"):
        lead = build.lead(id_)
        each = conductors(resolve_lead(lead), lead.conductor)
        assert each.resistance_ohm == pytest.approx(0.5e-3)
        assert each.self_inductance_h == pytest.approx(4e-9)


def test_what_cannot_be_split_or_joined_is_said(sample):
    with pytest.raises(Conflict, match="motor"):
        lead_edit.split_pair(sample, "phases1")
    with pytest.raises(Conflict, match="no other conductor"):
        lead_edit.join_pair(sample, "to_fc")
    build = lead_edit.split_pair(sample, "to_fc")
    with pytest.raises(Conflict, match="one conductor"):
        lead_edit.split_pair(build, "to_fc")
    longer = edit.set_lead_value(build, "to_fc", "length", "70 mm")
    with pytest.raises(Conflict, match="not like"):
        lead_edit.join_pair(longer, "to_fc")


def test_an_end_led_elsewhere_keeps_its_slack(sample):
    before = sample.lead("to_fc")
    slack = edit.length_mm(before) - edit.way_mm(sample, before)
    build = lead_edit.rehome(sample, "to_fc", "from", "esc1.in")
    after = build.lead("to_fc")
    assert after.from_ == "esc1.in"
    assert edit.length_mm(after) - edit.way_mm(build, after) == pytest.approx(slack, abs=0.06)
    with pytest.raises(Conflict):
        lead_edit.rehome(sample, "to_fc", "from", "fc.in")


def test_a_length_below_the_way_is_refused_in_a_sentence(sample):
    lead = sample.lead("arm1")
    way = edit.way_mm(sample, lead)
    with pytest.raises(BadField) as refused:
        edit.set_lead_value(sample, "arm1", "length", f"{way - 5.0:.1f} mm")
    assert "shorter than" in str(refused.value)
    assert "Give at least" in str(refused.value)
    same = edit.set_lead_value(sample, "arm1", "length", f"{way + 0.5:.1f} mm")
    assert same.lead("arm1") != lead


def test_the_share_of_the_ring_adds_up(sample):
    """Main and arm lead share one ring with the pack's own 60 nH."""
    main, arm = (ring_of(sample, sample.lead(x)) for x in ("main", "arm3"))
    assert (arm.source, arm.sink) == ("pack", "esc3")
    assert main.source == "pack"
    assert main.sink.startswith("esc")
    assert main.inductance_h == pytest.approx(arm.inductance_h)
    assert main.share + arm.share + 60e-9 / main.inductance_h == pytest.approx(1.0)
    # 56 and 110 nH as the sample's own notes say, to a few percent
    assert main.own.loop_inductance_h == pytest.approx(56e-9, rel=0.05)
    assert arm.own.loop_inductance_h == pytest.approx(110e-9, rel=0.05)
    assert main.resistance_ohm > 4 * 5e-3 + 5e-3


def test_a_lead_behind_a_filter_has_the_load_as_its_ring(sample):
    ring = ring_of(sample, sample.lead("to_vtx"))
    assert (ring.source, ring.sink) == ("pack", "vtx")
    assert ring_of(sample, sample.lead("phases1")) is None

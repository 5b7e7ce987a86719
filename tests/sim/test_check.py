"""All faults and oddities of a build, each with what to do."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from sim import edit
from sim.build import Build, Change, Clip, Event, Lead, Option, Part
from sim.check import Finding, check
from sim.parts import KINDS

GOOD_CAP = {
    "capacitance": "470 uF",
    "esr": "35 mOhm",
    "esl": "12 nH",
    "rated_voltage": "35 V",
}
#: Puts the pack's pads at (0, 100), 80 mm behind the joint.
PACK_AT = (0.0, 100.0 - KINDS["battery"].ports[0].offset_mm[1])

BUILD = Build(
    name="On paper",
    parts=(
        Part(id="pack", kind="battery", at=PACK_AT, values={"cells": 6, "inductance": "80 nH"}),
        Part(id="pads", kind="joint", at=(0, 20)),
        Part(id="bulk", kind="electrolytic", at=(0, 27), values=GOOD_CAP),
        Part(id="choke", kind="inductor", at=(30, 20), values={"inductance": "10 uH"}),
        Part(id="lamp", kind="load", at=(60, 20), values={"current": "1 A"}),
    ),
    leads=(
        Lead(id="main", from_="pack", to="pads", length="90 mm"),
        Lead(id="on_pads", from_="bulk", to="pads"),
        Lead(id="a1", from_="pads", to="choke.in", length="40 mm"),
        Lead(id="a2", from_="choke.out", to="lamp", length="30 mm"),
    ),
    options=(Option(name="No capacitor", changes=(Change(remove="bulk"),)),),
    events=(Event(name="Plug in", kind="plug_in", duration="500 us"),),
    clips=(Clip(tip="pads"),),
)


def found(build: Build, where: str) -> Finding:
    hits = [f for f in check(build) if f.where == where]
    assert len(hits) == 1, [str(f) for f in check(build)]
    return hits[0]


def with_value(id_: str, key: str, value: str | None) -> Build:
    return edit.set_value(BUILD, id_, key, value)


def test_a_good_build_has_no_findings() -> None:
    assert [str(f) for f in check(BUILD)] == []


def test_all_faults_are_told_not_just_the_first() -> None:
    parts = [replace(p, values={**p.values, "nonsense": 1}) for p in BUILD.parts]
    build = replace(BUILD, parts=tuple(parts), clips=(Clip(tip="nowhere"),))
    findings = check(build)
    assert len(findings) == 6
    assert all(f.level == "error" and f.hint for f in findings)


@pytest.mark.parametrize(("rated", "odd"), [("25 V", True), ("30 V", True), ("35 V", False)])
def test_a_rating_below_the_usual_margin(rated: str, odd: bool) -> None:
    # 6S is 25.2 V full; 1.2 times that is 30.24 V. Common practice, no source.
    places = [f.where for f in check(with_value("bulk", "rated_voltage", rated))]
    assert ("bulk.rated_voltage" in places) is odd


def test_the_margin_holds_behind_a_series_part() -> None:
    cap = Part(id="c2", kind="electrolytic", values={**GOOD_CAP, "rated_voltage": "25 V"})
    build = edit.place_across(BUILD, cap, "lamp", (60, 25))
    finding = found(build, "c2.rated_voltage")
    assert "25.2 V" in finding.what
    assert "30.2 V" in finding.hint


@pytest.mark.parametrize(("standoff", "odd"), [("22 V", True), ("26 V", False), (None, False)])
def test_a_clamp_that_a_full_pack_already_reaches(standoff: str | None, odd: bool) -> None:
    values = {"breakdown_voltage": "33 V", **({"standoff_voltage": standoff} if standoff else {})}
    build = edit.place_across(BUILD, Part(id="tvs", kind="clamp", values=values), "pads", (20, 20))
    places = [f.where for f in check(build)]
    assert ("tvs.standoff_voltage" in places) is odd


def test_a_lead_shorter_than_its_way() -> None:
    leads = tuple(replace(x, length="50 mm") if x.id == "main" else x for x in BUILD.leads)
    build = replace(BUILD, leads=leads)
    assert "at least 80 mm" in found(build, "main.length").hint


def test_a_plain_joint_drawn_long() -> None:
    part = replace(BUILD.parts[2], at=(0, 90))
    build = replace(BUILD, parts=(*BUILD.parts[:2], part, *BUILD.parts[3:]))
    assert "plain joint" in found(build, "on_pads").what


def test_nothing_watched() -> None:
    assert found(replace(BUILD, clips=()), "clips").level == "warning"


@pytest.mark.parametrize(
    ("key", "value"), [("esr", "18 Ohm"), ("esl", "12 uH"), ("capacitance", "470 nF")]
)
def test_odd_values_of_a_capacitor(key: str, value: str) -> None:
    assert "unusual" in found(with_value("bulk", key, value), f"bulk.{key}").what


def test_what_hangs_free_is_an_error() -> None:
    build = edit.add_part(BUILD, Part(id="c2", kind="ceramic", values={"capacitance": "1 uF"}))
    errors = [f for f in check(build) if f.level == "error"]
    assert [f.where for f in errors] == ["c2"]


def test_what_holds_only_under_an_option_names_it() -> None:
    options = (Option(name="Loose", changes=(Change(remove="a2"),)),)
    errors = [f for f in check(replace(BUILD, options=options)) if f.level == "error"]
    assert [f.where for f in errors] == ["Loose: lamp"]


def test_a_fault_as_drawn_is_not_repeated_for_each_option() -> None:
    build = replace(
        with_value("bulk", "rated_voltage", "25 V"),
        options=tuple(Option(name=f"o{i}") for i in range(3)),
    )
    assert [f.where for f in check(build)] == ["bulk.rated_voltage"]


def test_errors_come_first() -> None:
    build = edit.add_part(
        replace(BUILD, clips=()), Part(id="c2", kind="ceramic", values={"capacitance": "1 uF"})
    )
    levels = [f.level for f in check(build)]
    assert levels == sorted(levels)
    assert levels[0] == "error"

"""Broken builds: what is broken is named in a sentence, the rest is solved as if it were alone."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from sim import api, edit, load
from sim.build import events_of
from sim.errors import Conflict, Unjoined
from sim.option_list import add_like
from sim.records import Build, Lead, Part
from sim.salvage import salvage


@pytest.fixture(scope="module")
def sample() -> Build:
    return load("arms_4s_analogue")


def plug_in(build: Build) -> dict[str, tuple[float, float]]:
    return api.solve(build, "Plug in", "One on the pads", "averaged").volts_range()


def saved(build: Build, name: str = "One on the pads"):
    option = [o.name for o in build.options].index(name)
    event = next(e for e in events_of(build) if e.name == "Plug in")
    return salvage(build, option, event)


def test_a_sound_build_stays_as_it_is(sample):
    kept = saved(sample)
    assert kept.build is sample
    assert kept.faults == ()


def test_what_hangs_free_is_left_out_and_the_rest_solved_as_without_it(sample):
    lone = Part(id="lone", kind="camera", at=(200.0, 0.0), values={"mode": "power", "power": "1 W"})
    kept = saved(edit.add_part(sample, lone))
    assert [(type(f), f.where, f.what) for f in kept.faults] == [(Unjoined, "lone", "hangs free")]
    ours, theirs = plug_in(kept.build), plug_in(sample)
    assert ours.keys() == theirs.keys()
    for place, pair in ours.items():
        np.testing.assert_allclose(pair, theirs[place], rtol=1e-12)


def test_a_load_behind_a_cut_lead_cannot_be_reached(sample):
    cut = replace(sample, leads=tuple(x for x in sample.leads if x.id != "to_lc"))
    kept = saved(cut, "LC stage only")
    said = {f.where: f.what for f in kept.faults}
    assert said["vtx"] == said["camera"] == "cannot be reached from the supply"
    assert "fc" not in said
    assert saved(kept.build, "LC stage only").faults == ()


def test_one_conductor_alone_is_said(sample):
    cut = edit.set_conductor(sample, "to_fc", "plus")
    (fault,) = saved(cut).faults
    assert fault.where == "fc"
    assert "only its plus" in fault.what


def test_of_two_supplies_the_shorted_one_is_left_out(sample):
    ideal = {"voltage": "12 V", "resistance": "0 Ohm", "inductance": "0 H"}
    short = Part(id="short", kind="bench_supply", at=(300.0, 0.0), values=ideal)
    build = edit.add_part(sample, short)
    ring = (
        Lead(id="a", from_="short.out", to="knot"),
        Lead(id="b", from_="knot", to="short.out", conductor="plus"),
    )
    build = edit.add_part(build, Part(id="knot", kind="joint", at=(320.0, 0.0)))
    second = Part(id="twin", kind="bench_supply", at=(340.0, 0.0), values=ideal)
    build = edit.add_part(build, second)
    build = replace(build, leads=(*build.leads, *ring, Lead(id="c", from_="twin.out", to="knot")))
    kept = saved(build)
    assert isinstance(kept.faults[0], Conflict)
    assert "shorted" in kept.faults[0].what
    ours, theirs = plug_in(kept.build), plug_in(sample)
    np.testing.assert_allclose(ours["pads"], theirs["pads"], rtol=1e-9)


def test_nothing_left_is_an_error_as_before(sample):
    bare = edit.remove(sample, ["main"])
    with pytest.raises(Unjoined):
        saved(replace(bare, parts=tuple(p for p in bare.parts if p.id != "pack")))


def test_only_the_option_that_is_broken_loses_its_part(sample):
    lone = Part(id="lone", kind="camera", at=(200.0, 0.0), values={"mode": "power", "power": "1 W"})
    build, index = add_like(sample, edit.add_part(sample, lone), "With a lone camera")
    event = events_of(build)[0]
    assert salvage(build, index, event).faults
    assert salvage(build, 0, event).faults == ()

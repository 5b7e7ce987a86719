"""Each way to break a thing, and what it does to the voltages."""

from __future__ import annotations

import pytest

from sim import api, breaks, load
from sim.build import events_of
from sim.errors import WrongPort
from sim.option_list import add_like
from sim.options import apply
from sim.problems import problems
from sim.salvage import salvage


@pytest.fixture(scope="module")
def sample():
    return load("arms_4s_analogue")


def ways(build, id_):
    return [b.way for b in breaks.ways(build, id_)]


def test_what_can_break_how(sample):
    assert ways(sample, "bulk") == ["off", "leg", "dry"]
    assert ways(sample, "cer1") == ["off", "leg"]
    assert ways(sample, "camera") == ["off", "chain"]
    assert ways(sample, "main") == ["off", "plus", "minus"]
    assert ways(sample, "esc1") == ["off"]
    assert ways(sample, "pads") == []
    assert ways(sample, "nobody") == []


def test_every_break_of_everything_is_a_build_that_solves(sample):
    event = next(e for e in events_of(sample) if e.name == "Plug in")
    whole = api.solve(sample, "Plug in", None, "averaged").volts_range()
    for id_ in [p.id for p in sample.parts] + [x.id for x in sample.leads]:
        for way in ways(sample, id_):
            broken = breaks.broken(sample, id_, way)
            if not any(p.kind == "battery" for p in broken.parts):
                continue
            assert broken != sample
            assert not [
                p for p in problems(broken) if "clips" not in p.where and "options" not in p.where
            ]
            kept = salvage(broken, None, event)
            if id_ in ("bulk", "esc1", "camera"):
                got = api.solve(kept.build, "Plug in", None, "averaged").volts_range()
                assert set(got) <= set(whole)


def plug_in_peak(build):
    event = next(e for e in events_of(build) if e.name == "Plug in")
    kept = salvage(build, None, event)
    return api.solve(kept.build, "Plug in", None, "averaged").volts_range()["pads"][1]


def test_a_capacitor_that_comes_off_or_loses_a_leg_is_the_same_to_the_pads(sample):
    bare = apply(sample, sample.options[1])
    whole = plug_in_peak(bare)
    off = plug_in_peak(breaks.broken(bare, "bulk", "off"))
    leg = plug_in_peak(breaks.broken(bare, "bulk", "leg"))
    dry = plug_in_peak(breaks.broken(bare, "bulk", "dry"))
    assert off == pytest.approx(leg, rel=1e-12)
    assert whole < dry < off


def test_a_borrowed_ground_leads_through_a_neighbour(sample):
    build = breaks.broken(sample, "camera", "chain")
    assert build.lead("to_camera").conductor == "plus"
    borrowed = build.lead("camera_ground")
    assert borrowed.conductor == "minus"
    assert borrowed.from_.startswith("esc")
    api.solve(build, "Chop", None, "averaged")


def test_a_break_can_be_kept_as_an_option(sample):
    broken = breaks.broken(sample, "lc", "off")
    build, index = add_like(sample, broken, "LC stage comes off", what_if=True)
    assert apply(build, build.options[index]).part("lc") is None
    said = {f.where for f in salvage(build, index, events_of(build)[0]).faults}
    assert said == {"vtx", "camera"}


def test_what_does_not_break_so_is_refused(sample):
    with pytest.raises(WrongPort):
        breaks.broken(sample, "esc1", "dry")

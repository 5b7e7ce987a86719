"""Options: one test for each fault that was found."""

from __future__ import annotations

from msgspec.structs import replace

import sim
from sim.edit import add_lead, add_part, remove
from sim.options import apply, through_option
from sim.records import Build, Change, Lead


def test_an_id_used_again_in_an_option_can_be_taken_off_again() -> None:
    """Taking off a part that had replaced one of the build's dropped the removal of the old one
    as well: the old one's leads came back and met the option's own of the same id.
    """
    build = sim.load("board_6s_digital")
    motor, phases = build.part("motor4"), build.lead("phases4")
    assert motor is not None
    assert phases is not None
    build = through_option(build, 0, lambda b: remove(b, ["motor4"]))

    def put_back(b: Build) -> Build:
        b = add_lead(add_part(b, motor), replace(phases, id="phases9"))
        return add_lead(b, Lead(id="phases4", from_="pads", to="fc.in"))

    build = through_option(build, 0, put_back)
    build = through_option(build, 0, lambda b: remove(b, ["motor4"]))
    shown = apply(build, build.options[0])
    assert shown.part("motor4") is None
    assert shown.lead("phases9") is None
    again = shown.lead("phases4")
    assert again is not None
    assert again.to == "fc.in"
    assert build.part("motor4") == motor


def test_an_option_goes_on_fitting_when_a_healed_lead_ends_on_what_it_takes_off() -> None:
    """An option takes off the VTX and then, by itself, the lead to the LC stage before it. With
    the stage taken off the build that lead is healed and ends on the VTX, goes with it, and the
    option asked for a lead that was not there: it could be neither shown nor changed any more.
    """
    build = sim.load("board_6s_digital")
    build = through_option(build, 0, lambda b: remove(b, ["vtx"]))
    build = through_option(build, 0, lambda b: remove(b, ["to_lc"]))
    build = through_option(build, None, lambda b: remove(b, ["lc"]))
    healed = build.lead("to_lc")
    assert healed is not None
    assert healed.to == "vtx.in"
    shown = apply(build, build.options[0])
    assert shown.part("vtx") is None
    assert shown.lead("to_lc") is None
    through_option(build, 0, lambda b: remove(b, ["fc"]))


def test_an_option_that_did_not_fit_is_left_for_its_owner_to_see() -> None:
    """Only what an edit itself makes fall away goes without a word."""
    build = sim.load("board_6s_digital")
    wrong = replace(build.options[0], changes=(Change(remove="no_such_part"),))
    build = replace(build, options=(wrong, *build.options[1:]))
    assert through_option(build, None, lambda b: remove(b, ["lc"])).options[0] == wrong

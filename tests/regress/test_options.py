"""Options: one test for each fault that was found."""

from __future__ import annotations

from msgspec.structs import replace

import sim
from sim.edit import add_lead, add_part, remove
from sim.options import apply, through_option
from sim.records import Build, Lead


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

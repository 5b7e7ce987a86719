"""Which unknowns there are, and which of them move the verdict."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

import sim
from sim.build import loads
from sim.errors import Cancelled, SimError
from sim.options import apply
from sim.records import Change, Lead, Option, Part
from sim.tolerance import SHARES, sensitivity, unknowns, varied
from tests.sim.test_fit import bench


def test_equal_numbers_of_equal_parts_are_one_unknown() -> None:
    found = {u.addresses[0]: u for u in unknowns(sim.load("arms_4s_analogue"))}
    assert len(found["cer1.capacitance"].addresses) == 4
    assert found["cer1.capacitance"].mark == "derived"
    assert found["bulk.esr"].share == SHARES["assumed"]
    assert found["pack.cell_resistance"].mark == "sourced"
    # what is chosen or a limit is not uncertain
    keys = {address.partition(".")[2] for address in found}
    assert not keys & {"mosfet_rating", "pwm_frequency", "cells", "gauge", "rated_voltage"}


def test_a_tolerance_of_its_own_counts() -> None:
    build = apply(
        sim.load("arms_4s_analogue"),
        Option(name="", changes=(Change(set="bulk.esr", value=0.035),)),
    )
    text = {"value": "35 mOhm", "mark": "measured", "tolerance": "±8 %"}
    data = (
        sim.build.dumps(build).decode().replace('"esr": 0.035', f'"esr": {text}'.replace("'", '"'))
    )
    found = {u.addresses[0]: u for u in unknowns(loads(data.encode()))}
    assert found["bulk.esr"].share == pytest.approx(0.08)
    assert found["bulk.esr"].low == pytest.approx(0.035 * 0.92)


def test_varied_refuses_what_is_no_number() -> None:
    build = sim.load("arms_4s_analogue")
    assert unknowns(varied(build, {"bulk.esr": 2.0}))
    with pytest.raises(SimError, match=r"bulk\.wings"):
        varied(build, {"bulk.wings": 2.0})


def test_what_moves_a_plug_in_most() -> None:
    """Ceramics alone: lead and pack inductance and damping rule, a load of a watt does not."""
    limit = Change(set="cer.rated_voltage", value=50)
    load = Part(id="cam", kind="camera", values={"power": 1})
    wire = Lead(id="to_cam", from_="pads", to="cam")
    changes = (Change(remove="bulk"), limit, Change(add=load), Change(add=wire))
    build = apply(bench(), Option(name="", changes=changes))
    short = replace(build.events[0], duration="8 us")
    build = replace(build, events=(short,))
    tried = [
        u
        for u in unknowns(build)
        if u.addresses[0] in ("pack.inductance", "cer.capacitance", "cam.power")
    ]
    seen: list[float] = []
    found = sensitivity(build, event="Plug in", only=tried, progress=seen.append)
    assert seen[-1] == 1.0
    assert found.cell.part == "cer"
    order = [swing.unknown.addresses[0] for swing in found.swings]
    assert order[-1] == "cam.power"
    assert found.swings[-1].size < 0.05 * found.swings[0].size
    assert found.low < found.cell.value < found.high
    assert "our guess" in found.sentence
    assert "50 V" in found.sentence


def test_it_stops_when_told() -> None:
    with pytest.raises(Cancelled):
        sensitivity(sim.load("arms_4s_analogue"), cancelled=lambda: True)

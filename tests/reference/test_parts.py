"""Single parts against printed values; the source stands beside each check."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import ive

import sim
from sim import api, copper, skin
from sim.assemble import assemble
from sim.quantity import awg_diameter_m
from sim.records import Build, Event, Lead, Part
from sim.resolve import resolve
from sim.shelf import of_kind
from tests.sim.node_impedance import node_impedance

PLUG = Event(name="Plug in", kind="plug_in", duration="100 us")


def in_a_row(coil: Part, behind: Part) -> Build:
    """An ideal pack, a part in the plus conductor, and a part behind it."""
    pack = Part(id="pack", kind="battery", values={"cells": 1})
    leads = (
        Lead(id="a", from_="pack", to=f"{coil.id}.in"),
        Lead(id="b", from_=f"{coil.id}.out", to=behind.id),
    )
    return Build(name="row", parts=(pack, coil, behind), leads=leads, events=(PLUG,))


def test_self_resonance_of_a_coil() -> None:
    """1/(2 pi sqrt(L Cp)): 10 uH and 6.3326 pF at 20 MHz, worked out. There its impedance is that
    of the core's losses alone, beside what closes the loop."""
    coil = Part(
        id="coil",
        kind="inductor",
        values={
            "inductance": "10 uH",
            "parallel_capacitance": "6.3326 pF",
            "parallel_resistance": "10k",
        },
    )
    # seen from the coil's ends, the pack and a load of 100 kOhm are nothing
    network = assemble(in_a_row(coil, Part(id="lamp", kind="load", values={"resistance": "100k"})))
    ends = network.ports["coil.in"][0], network.ports["coil.out"][0]
    at = {hz: abs(node_impedance(network, *ends, hz)) for hz in (15e6, 19.9e6, 20e6, 20.1e6, 27e6)}
    assert max(at, key=lambda hz: at[hz]) == 20e6
    assert at[20e6] == pytest.approx(1.0 / (1.0 / 10e3 + 1.0 / 100e3), rel=1e-4)
    assert at[15e6] < 0.9 * at[20e6] > at[27e6]


def test_a_bead_with_a_ceramic_behind_it_rings() -> None:
    """1.208 uH and 10 uF: 45.79 kHz, R0 0.3476 Ohm; damped by half of dcr over that. Application
    note AN-1368 of Analog Devices warns of it."""
    bead = Part(
        id="bead",
        kind="bead",
        values={"inductance": "1.208u", "parallel_resistance": 1082, "dcr": 0.05},
    )
    cap = Part(id="cap", kind="ceramic", values={"capacitance": "10u"})
    ring = min(api.prepare(in_a_row(bead, cap)).modes, key=lambda mode: abs(mode.hz - 45.79e3))
    assert ring.hz == pytest.approx(45.79e3, rel=1e-3)
    assert math.sqrt(1.208e-6 / 10e-6) == pytest.approx(0.3476, abs=1e-4)
    assert ring.damping == pytest.approx(0.05 / (2.0 * 0.3476), rel=1e-2)


def test_braking_pumps_current_back() -> None:
    """1750 rpm/V at 25 000 rpm: 14.2857 V; duty 0.3 of 25.2 V through 0.1 Ohm: 67.257 A in the
    motor, 20.177 A and 508.46 W back into the pack. Worked out; Ke w > D V is when it pumps."""
    pack = {"cells": 6, "open_circuit_voltage": "25.2 V", "inductance": "10 nH"}
    motor = {"kv": 1750, "resistance": 0.1, "inductance": "5u", "inertia": "1 kg m2", "drag": 0}
    emf = 25_000 / 1750
    cruise = emf / 25.2  # as fast as that duty would spin it: no current
    event = Event(
        name="Chop",
        kind="throttle",
        duration="4 ms",
        course=(("0 s", cruise), ("1 ms", cruise), ("1 ms", 0.3)),
    )
    build = Build(
        name="pump",
        parts=(
            Part(id="pack", kind="battery", values=pack),
            Part(id="esc", kind="esc"),
            Part(id="motor", kind="motor", values=motor),
        ),
        leads=(
            Lead(id="a", from_="pack", to="esc.in"),
            Lead(id="m", from_="esc.motor", to="motor"),
        ),
        events=(event,),
    )
    run = sim.solve(build, detail="averaged")
    at_end = np.array([3.9e-3])
    bus, phase = (
        float(run.sample([sim.Signal("amps", place)], at_end)[0, 0]) for place in ("esc", "motor")
    )
    assert emf == pytest.approx(14.2857, abs=1e-4)
    assert phase == pytest.approx(-67.257, abs=0.02)
    assert bus == pytest.approx(-20.177, abs=0.01)
    assert bus * 25.2 == pytest.approx(-508.46, abs=0.2)


def test_internal_inductance_leaves_a_wire_as_its_current_does() -> None:
    """12 AWG at 100 kHz keeps 0.4033 of mu0/(8 pi): Bessel form, from memory. What the model's
    loops take away at that frequency comes from there, for a lone wire within a tenth of it."""
    a = awg_diameter_m(12) / 2.0
    w = 2.0 * math.pi * 100e3
    ka = (1.0 + 1.0j) * a / copper.skin_depth_m(100e3)
    z = copper.wire_ohm(2.0 * a, 1.0) * ka * ive(0, ka) / (2.0 * ive(1, ka))
    whole = copper.MU0 / (8.0 * math.pi)
    assert z.imag / w / whole == pytest.approx(0.4033, abs=1e-4)
    lost = sum(
        h * (w * h) ** 2 / (r * r + (w * h) ** 2)
        for r, h in skin.loops(2.0 * a, None, copper.COPPER_OHM_M)
    )
    assert 1.0 - lost / whole == pytest.approx(0.4033, abs=0.1 * (1.0 - 0.4033))


# Makers' data of radial cans: 15 nH up to 6.3 mm, 20 nH up to 12.5 mm, 26 nH at 16 mm, 34 nH at
# 18 mm, 40 nH at 20 to 25 mm.
def test_inductance_of_the_shelfs_cans() -> None:
    table = ((6.3, 15e-9), (12.5, 20e-9), (16.0, 26e-9), (18.0, 34e-9), (25.0, 40e-9))
    cans = of_kind("electrolytic")
    assert len(cans) >= 5
    for can in cans:
        diameter = float(can.size.partition("x")[0].split()[-1])
        printed = next(henry for largest, henry in table if diameter <= largest)
        assert resolve(can.part("x")).number("esl") == pytest.approx(printed)

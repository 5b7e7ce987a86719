"""Drop-outs, video, stages, plug-in, grams and faults against what is known of them."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest

import sim
from sim.build import loads
from sim.details import (
    bars_per_field,
    can_grams,
    dropouts,
    mass,
    moment_of,
    picture,
    plug_in,
    stages,
    summary,
    video_ripple,
)
from sim.errors import Cancelled
from sim.faults import _told, faults
from sim.findings import Cell, cells_of
from sim.records import Build, Part
from sim.signals import Signal


def build(parts: list[dict[str, Any]], joins: list[tuple[str, str]], **more: Any) -> Build:
    document = {
        "name": "detail",
        "parts": [
            {"id": p["id"], "kind": p["kind"],
             "values": {k: v for k, v in p.items() if k not in ("id", "kind")}}
            for p in parts
        ],
        "leads": [{"id": f"w{i}", "from": a, "to": b} for i, (a, b) in enumerate(joins)],
        **more,
    }  # fmt: skip
    return loads(json.dumps(document).encode())


# Beat of a ripple with the line frequency, ITU-R BT.1700 (from memory), arithmetic: 48 kHz is
# 1125 Hz from three lines of 625, 22.5 bars; 797 Hz from three of 525, 13.30 bars.
@pytest.mark.parametrize(
    ("hz", "lines", "bars"),
    [(48e3, 625, 22.5), (48e3, 525, 13.30), (96e3, 625, 45.0), (96e3, 525, 26.6)],
)
def test_bars_of_a_picture(hz: float, lines: int, bars: float) -> None:
    assert bars_per_field(hz, lines) == pytest.approx(bars, rel=2e-3)


@pytest.fixture(scope="module")
def sag() -> sim.solution.Solution:  # type: ignore[name-defined]
    """12 V behind 1 ohm: a step to 5 A at 1 ms leaves 7 V for a part that needs 9."""
    made = build(
        [
            {"id": "psu", "kind": "bench_supply", "voltage": 12, "resistance": 1},
            {"id": "heavy", "kind": "load", "current": 0.5, "minimum_voltage": 1},
            {"id": "vtx", "kind": "vtx", "resistance": 1000, "mode": "resistor",
             "minimum_voltage": 9, "maximum_voltage": 26},
        ],
        [("psu.out", "heavy"), ("heavy", "vtx")],
        events=[{"name": "Step", "kind": "load_step", "duration": "4 ms", "part": "heavy",
                 "at": "1 ms", "value": "5 A"}],
    )  # fmt: skip
    return sim.solve(made)


def test_time_below_a_limit(sag: Any) -> None:
    (found,) = dropouts(sag)
    assert found.part == "vtx"
    assert found.limit_V == 9.0
    assert found.lowest_V == pytest.approx(7.0, abs=0.02)
    assert found.below_s == pytest.approx(3e-3, abs=2e-6)
    assert found.longest_s == pytest.approx(found.below_s)
    (said,) = summary(sag)
    assert "below its 9 V for 3 ms" in said


def test_a_click_goes_to_where_the_figure_is() -> None:
    made = sim.load("arms_4s_analogue")
    run = sim.solve(made, "Plug in", "No capacitor")
    for cell in cells_of("No capacitor", run):
        at = moment_of(run, cell)
        volts = run.sample([Signal("volts", cell.place)], np.array([at]))[0, 0]
        assert volts == pytest.approx(cell.value, abs=1e-3)


def test_stage_against_its_formula() -> None:
    # 10 uH, 220 uF at 48 kHz: 45.982 dB and f0 3.393 kHz (worked out); 0.3 A through 50 mOhm
    made = build(
        [
            {"id": "psu", "kind": "bench_supply", "voltage": 20, "resistance": 1e-3},
            {"id": "f", "kind": "lc_stage", "inductance": 10e-6, "capacitance": 220e-6,
             "dcr": 0.05},
            {"id": "vtx", "kind": "load", "current": 0.3, "minimum_voltage": 5},
            {"id": "esc", "kind": "esc", "pwm_frequency": 48e3},
            {"id": "motor", "kind": "motor", "kv": 2000},
        ],
        [("psu.out", "f.in"), ("f.out", "vtx"), ("psu.out", "esc.in"), ("esc.motor", "motor")],
        events=[{"name": "Still", "kind": "steady", "duration": "1 ms", "duty": 0.0}],
    )  # fmt: skip
    (found,) = stages(made)
    assert found.at_pwm_dB == pytest.approx(-45.98, abs=0.02)
    assert found.resonance_hz == pytest.approx(1 / math.tau / math.sqrt(2.2e-9), rel=1e-3)
    assert found.damping is not None
    assert found.damping == pytest.approx(0.5 * 0.051 * math.sqrt(220e-6 / 10e-6), rel=0.02)
    # 1 / (2 z) of resonance, from `in` to `out` only the stage's own resistance damps
    z = 0.5 * 0.05 * math.sqrt(220e-6 / 10e-6)
    peak = 1.0 / (2.0 * z * math.sqrt(1.0 - z * z))
    assert found.peak_dB == pytest.approx(20.0 * math.log10(peak), abs=0.1)
    assert found.drop_V == pytest.approx(0.015, rel=1e-6)
    assert stages(sim.load("arms_4s_analogue"), "No capacitor") == ()


def test_plug_in_of_a_ceramic() -> None:
    # 25.2 V, 200 nH, 20 mOhm, 22 uF + 3 mOhm: 42.4125 V, 221.6 A (closed form); charging any
    # capacitor turns C V^2 / 2 into heat
    made = build(
        [
            {"id": "pack", "kind": "battery", "cells": 6, "open_circuit_voltage": 25.2,
             "resistance": 20e-3, "cell_resistance": 0, "inductance": 200e-9},
            {"id": "cer", "kind": "ceramic", "capacitance": 22e-6, "esr": 3e-3},
        ],
        [("pack.out", "cer")],
        events=[{"name": "Plug in", "kind": "plug_in", "duration": "400 us"}],
    )  # fmt: skip
    found = plug_in(made)
    assert found is not None
    assert found.peak_V == pytest.approx(42.4125, abs=1e-3)
    assert found.inrush_A == pytest.approx(221.6, abs=0.05)
    assert found.heat_J == pytest.approx(0.5 * 22e-6 * 25.2**2, rel=1e-3)
    assert found.contact_J == 0.0


def test_grams_by_size_or_as_given() -> None:
    # 12.5 x 20 mm at 1.5 g/cm3: 3.7 g (from memory)
    can = Part(id="c", kind="electrolytic", values={"capacitance": "1000 uF", "rated_voltage": 35})
    assert can_grams(can) == pytest.approx(3.7, abs=0.05)
    made = build(
        [
            {"id": "pack", "kind": "battery", "cells": 6},
            {"id": "a", "kind": "electrolytic", "capacitance": "1000 uF", "rated_voltage": "35 V"},
            {"id": "b", "kind": "polymer", "capacitance": "220 uF", "mass": "1.1 g"},
        ],
        [("pack.out", "a"), ("a", "b")],
        options=[{"name": "Bare", "changes": [{"remove": "a"}]}],
    )
    found = mass(made)
    assert found.guessed == pytest.approx(can_grams(can))
    assert found.grams == pytest.approx(found.guessed + 1.1)
    assert mass(made, "Bare").grams == pytest.approx(1.1)


def test_what_happens_when_the_can_comes_off() -> None:
    made = build(
        [
            {"id": "pack", "kind": "battery", "cells": 6, "resistance": "30 mOhm",
             "inductance": "150 nH"},
            {"id": "cer", "kind": "ceramic", "capacitance": "6 uF", "esr": "4 mOhm",
             "rated_voltage": "35 V"},
            {"id": "bulk", "kind": "electrolytic", "capacitance": "470 uF", "esr": "28 mOhm"},
        ],
        [("pack.out", "cer"), ("cer", "bulk")],
        events=[{"name": "Plug in", "kind": "plug_in", "duration": "40 us"}],
    )  # fmt: skip
    seen: list[float] = []
    found = faults(made, progress=seen.append)
    assert (found[0].part, found[0].what) == ("bulk", "comes off")
    assert found[0].before.verdict != "over"
    assert [c.part for c in found[0].dies] == ["cer"]
    assert "over only then" in found[0].says
    assert {f.what for f in found} == {"comes off", "dries out"}
    assert seen[-1] == 1.0
    with pytest.raises(Cancelled):
        faults(made, cancelled=lambda: True)


@pytest.mark.parametrize(
    "rating, reads, value, limit, unit, said",
    [
        ("lowest supply", "lowest", 4.46, 7.0, "V", "VTX lowest 4.46 V, needs 7 V in Punch"),
        ("highest supply", "peak", 27.1, 26.0, "V", "VTX peak 27.1 V of 26 V in Punch"),
        ("stability", "growth", 2.303, 1.0, "", "a swing at VTX grows 10-fold in Punch"),
    ],
)
def test_what_a_failure_does_is_told_as_its_limit_is(
    rating: str, reads: str, value: float, limit: float, unit: str, said: str
) -> None:
    """It said "4.46 V of 7 V" of a part that needs 7 V."""
    cell = Cell("a", "Punch", "vtx", "VTX", rating, reads, "vtx.in", value, value, limit, 1.2, unit,
                "over")  # fmt: skip
    part = Part(id="cap", kind="polymer", label="Capacitor")
    assert _told(part, "comes off", cell, cell, ()).says == f"Capacitor comes off: {said} (over)."


def test_a_picture_shows_ripple_as_the_supply_has_it() -> None:
    made = sim.load("arms_4s_analogue")
    run = sim.solve(made, "Chop", "No capacitor")
    field = picture(run, "vtx", 0.0, columns=60)
    assert field.shape == (288, 60)
    louder = picture(run, "vtx", 0.0, columns=60, rejection_db=10.0)
    assert louder == pytest.approx(10.0 * field)
    assert np.abs(field.mean(axis=1)).max() < 1e-12, "black is held line by line"
    ripple = video_ripple(run, "vtx", 1e-3, 2e-3)
    # 24 kHz carriers and their multiples, a percent off
    order = ripple.strongest_hz / 24e3
    assert abs(order - round(order)) < 0.05
    assert ripple.video_mV > 20.0 * ripple.low_mV
    assert ripple.pp_mV > 2.0 * ripple.video_mV

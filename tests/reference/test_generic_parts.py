"""The shelf, defaults and rules against what such parts have; the source stands beside each check.

From memory, common practice and makers' data as it says: none of it is a law, so figures are held
within the stated ranges.
"""

from __future__ import annotations

import math

import pytest

import sim
from sim.check import check
from sim.parts import KINDS
from sim.parts.clamp import Clamp
from sim.parts.electrolytic import cold_factor
from sim.quick_build import CELLS, Answers, quick_build
from sim.records import Build, Event, Lead, Part
from sim.resolve import resolve
from sim.shelf import of_kind

# --- capacitors ---------------------------------------------------------------------------


# Low-impedance cans of the 35 V class at 100 kHz and 20 degC: case, mOhm, A of ripple, g (by
# 1.5 g/cm3).
# From memory, within a fifth.
CANS = [
    ("8x12 mm", 56, 0.95, 0.9), ("10x12.5 mm", 43, 1.29, 1.5), ("10x16 mm", 28, 1.79, 1.9),
    ("10x20 mm", 20, 2.18, 2.4), ("12.5x20 mm", 18, 2.6, 3.7), ("12.5x25 mm", 15, 3.19, 4.6),
    ("16x25 mm", 14, 3.8, 7.5),
]  # fmt: skip


@pytest.mark.parametrize(("case", "milliohm", "ripple", "grams"), CANS, ids=lambda x: str(x))
def test_cans_by_case(case: str, milliohm: float, ripple: float, grams: float) -> None:
    volts = []
    for item in of_kind("electrolytic"):
        values = resolve(item.part("x"))
        if item.size != case or values.number("rated_voltage") > 50:
            continue
        volts.append(values.number("rated_voltage"))
        assert values.number("esr") == pytest.approx(milliohm * 1e-3, rel=0.2)
        assert values.number("rated_ripple") == pytest.approx(ripple, rel=0.2)
        assert values.number("mass") == pytest.approx(grams * 1e-3, rel=0.2)
    assert sorted(volts) == [35.0, 50.0]


def test_polymer_cans() -> None:
    """220 to 330 uF at 35 V, 8x12 to 10x13 mm: 10 to 20 mOhm, 3 to 5 A. From memory."""
    items = [i for i in of_kind("polymer") if i.size in ("8x12 mm", "10x13 mm")]
    found = [v for v in (resolve(i.part("x")) for i in items) if v.number("rated_voltage") == 35]
    assert {round(v.number("capacitance") * 1e6) for v in found} == {220, 330}
    for values in found:
        assert 10e-3 <= values.number("esr") <= 20e-3
        assert 3.0 <= values.number("rated_ripple") <= 5.0


def test_cold_cans() -> None:
    """At 100 kHz a wet can has 2 to 3 times its resistance at -10 degC and 10 to 20 times at -40,
    a polymer 1 to 1.2 times (from memory). At 120 Hz makers allow four times the impedance at
    -40 degC for 25 to 100 V."""
    assert cold_factor(20.0) == 1.0
    assert 2.0 <= cold_factor(-10.0) <= 3.0
    assert 10.0 <= cold_factor(-40.0) <= 20.0
    # so little that a polymer here has no temperature at all
    assert "temperature" not in {field.name for field in KINDS["polymer"].fields}
    for item in of_kind("electrolytic"):
        values = resolve(item.part("x"))
        reactance = 1.0 / (math.tau * 120.0 * values.number("capacitance"))
        warm, cold = (
            math.hypot(values.number("esr") * factor, reactance)
            for factor in (1.0, cold_factor(-40.0))
        )
        assert cold / warm <= 4.0


# What is left at a quarter, half, three quarters and all of the rated voltage, within 0.12:
# common practice of the trade, no source.
@pytest.mark.parametrize(
    ("source", "left"),
    [("large X7R", (0.90, 0.75, 0.58, 0.45)), ("small X5R", (0.70, 0.42, 0.27, 0.18))],
)
def test_ceramics_under_bias(source: str, left: tuple[float, ...]) -> None:
    items = [
        item for item in of_kind("ceramic")
        if source in getattr(item.values["half_voltage"], "source", "")
    ]  # fmt: skip
    assert len(items) >= 2
    for item in items:
        values = resolve(item.part("x"))
        half, rated = values.number("half_voltage"), values.number("rated_voltage")
        for quarter, wanted in enumerate(left, 1):
            share = 1.0 / (1.0 + (quarter / 4.0 * rated / half) ** 2)
            assert share == pytest.approx(wanted, abs=0.12), item.id


# Two 10 uF 10 V parts at 5 V, vendors' texts: an 0805 keeps 0.50, a 1206 0.93.
@pytest.mark.parametrize("kept", [0.50, 0.93])
def test_a_ceramic_can_be_set_to_what_its_vendor_measured(kept: float) -> None:
    """The one-parameter law C0/(1 + (v/half)^2) passes through any measured point."""
    half = 5.0 / math.sqrt(1.0 / kept - 1.0)
    values = {"capacitance": "10 uF", "half_voltage": half, "esr": "3m", "rated_voltage": 10}
    pack = {"cells": 2, "open_circuit_voltage": 5, "inductance": "20 nH", "resistance": "20m"}
    build = Build(
        name="bias",
        parts=(
            Part(id="pack", kind="battery", values=pack),
            Part(id="c", kind="ceramic", values=values),
        ),
        leads=(Lead(id="w", from_="pack", to="c"),),
        events=(Event(name="Still", kind="steady", duration="10 us"),),
    )
    ring = max(sim.solve(build, detail="averaged").modes, key=lambda m: m.hz)
    assert ring.hz == pytest.approx(1.0 / (math.tau * math.sqrt(20e-9 * 10e-6 * kept)), rel=1e-3)


# 0.4, 0.6, 0.7, 1.0 and 0.9 nH for 0402, 0603, 0805, 1206 and 1210 cases, and 0.5 to 1 nH more
# as mounted: from memory; makers quote 0.4 and 0.7 nH.
def test_inductance_of_ceramics_by_case() -> None:
    body = {"0402": 0.4e-9, "0603": 0.6e-9, "0805": 0.7e-9, "1206": 1.0e-9, "1210": 0.9e-9}
    items = of_kind("ceramic")
    assert {"0603", "0805", "1206", "1210"} <= {item.size for item in items}
    for item in items:
        mounted = resolve(item.part("x")).number("esl") - body[item.size]
        assert 0.5e-9 <= mounted <= 1e-9, item.id


# A fifth above the full pack (a guide for builders; another says twice).
@pytest.mark.parametrize("cells", CELLS)
def test_a_build_in_a_minute_takes_cans_with_room(cells: int) -> None:
    build = quick_build(Answers(cells=cells)).build
    assert not [f for f in check(build) if f.where.endswith("rated_voltage")]


# --- coils ----------------------------------------------------------------------------------


def test_resistance_of_coils() -> None:
    """4.7 to 22 uH for 3 A, 6 to 8 mm, shielded: 20 to 80 mOhm. Common practice, no source."""
    coils = [resolve(item.part("x")) for item in of_kind("inductor")]
    assert len(coils) >= 3
    coils += [resolve(Part(id="x", kind="lc_stage", values=dict(KINDS["lc_stage"].typical)))]
    for values in coils:
        assert 4.7e-6 <= values.number("inductance") <= 22e-6
        assert 20e-3 <= values.number("dcr") <= 80e-3


# --- clamps ---------------------------------------------------------------------------------

# Makers' tables of 600 W parts: standoff, breakdown least and most, V at A. Beside them the slope
# (V at A - most)/A of three, worked out.
CLAMPS = [
    (16, 17.8, 20.5, 26.0, 23.1, None), (18, 20.0, 23.3, 29.2, 20.5, None),
    (22, 24.4, 28.0, 35.5, 16.9, 0.444), (26, 28.9, 33.2, 42.1, 14.2, 0.627),
    (30, 33.3, 38.3, 48.4, 12.4, 0.815), (36, 40.0, 46.0, 58.1, 10.3, None),
]  # fmt: skip


# The larger case of 1500 W has the same volts, at 1500 W/V: of the 26 V part 35.6 A (the same
# tables); its slope is worked out.
LARGER = [(26, 28.9, 33.2, 42.1, 35.6, 0.250)]


@pytest.mark.parametrize(
    ("standoff", "least", "most", "volts", "amps", "slope", "watts"),
    [*((*row, 600.0) for row in CLAMPS), *((*row, 1500.0) for row in LARGER)],
)
def test_a_clamp_lets_through_what_its_table_says(
    standoff: float,
    least: float,
    most: float,
    volts: float,
    amps: float,
    slope: float | None,
    watts: float,
) -> None:
    """Its power, ratios and slope; and here, with its corner as round as a data sheet's, the volts
    at that current within 2 %."""
    assert volts * amps == pytest.approx(watts, rel=0.01)
    assert 1.108 <= least / standoff <= 1.114
    assert 1.61 <= volts / standoff <= 1.66
    given = (volts - most) / amps
    if slope is not None:
        assert given == pytest.approx(slope, abs=1e-3)
    kind = KINDS["clamp"]
    assert isinstance(kind, Clamp)
    part = Part(
        id="x", kind="clamp",
        values={"standoff_voltage": standoff, "breakdown_voltage": most, "slope_resistance": given},
    )  # fmt: skip
    curve = kind.curve(resolve(part))
    assert curve.amps(most) == pytest.approx(1e-3, rel=0.05)
    assert curve.amps(0.98 * volts) < amps < curve.amps(1.02 * volts)
    assert curve.amps(standoff) < 1e-4


def test_the_default_slope_is_one_of_a_600_w_part() -> None:
    slope = resolve(Part(id="x", kind="clamp", values={"breakdown_voltage": 30})).number(
        "slope_resistance"
    )
    assert 0.444 <= slope <= 0.815

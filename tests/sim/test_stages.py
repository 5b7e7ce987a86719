"""Events in which the build itself changes: load steps, bouncing contacts, bypasses, logs."""

import json
from typing import Any

import numpy as np
import pytest

import sim
from sim.build import dumps, loads
from sim.errors import SimError
from sim.problems import problems
from sim.records import Build
from sim.signals import Signal

PACK = {
    "id": "pack",
    "kind": "battery",
    "values": {
        "cells": 4,
        "open_circuit_voltage": "16 V",
        "cell_resistance": "5 mOhm",
        "inductance": "200 nH",
    },
}
CAP = {"id": "cap", "kind": "electrolytic", "values": {"capacitance": "220u", "esr": "30m"}}
ESC = {"id": "esc1", "kind": "esc", "values": {"pwm_frequency": "24 kHz", "carrier_phase": 0.3}}
MOTOR = {"id": "m1", "kind": "motor", "values": {"kv": 2400, "resistance": "60 mOhm"}}
MAIN = {"id": "main", "from": "pack.out", "to": "cap"}
ARM = {"id": "arm", "from": "cap", "to": "esc1.in", "gauge": "18 AWG", "length": "80 mm"}
WINDING = {"id": "winding", "from": "esc1.motor", "to": "m1"}


def build(parts: list[Any], leads: list[Any], **event: Any) -> Build:
    tree = {
        "name": "stages",
        "parts": [PACK, CAP, *parts],
        "leads": [MAIN, *leads],
        "events": [{"name": "It", "duration": "2 ms", **event}],
    }
    return loads(json.dumps(tree).encode())


def vtx(**values: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    part = {"id": "vtx", "kind": "vtx", "values": {"minimum_voltage": "7 V", **values}}
    return part, {"id": "feed", "from": "cap", "to": "vtx.in", "gauge": "24 AWG", "length": "5 cm"}


def series(solution: Any, place: str, times: Any, kind: str = "amps") -> Any:
    return solution.sample([Signal(kind, place)], np.asarray(times))[0]  # type: ignore[arg-type]


@pytest.mark.parametrize("detail", ["averaged", "edges"])
@pytest.mark.parametrize(
    ("values", "step", "before", "after"),
    [
        ({"current": "1 A"}, "3 A", 1.0, 3.0),
        ({"power": "10 W"}, "30 W", 10.0 / 15.9, 30.0 / 15.8),
        ({"resistance": "20 Ohm"}, "5 Ohm", 15.9 / 20.0, 15.8 / 5.0),
    ],
)
def test_a_load_steps(
    detail: Any, values: dict[str, Any], step: str, before: float, after: float
) -> None:
    load, feed = vtx(**values)
    made = build(
        [ESC, MOTOR, load],
        [ARM, WINDING, feed],
        kind="load_step", part="vtx", at="1 ms", value=step, duty=0.4,
    )  # fmt: skip
    solution = sim.solve(made, detail=detail)
    assert solution.energy.residual < 1e-6
    drawn = series(solution, "vtx", [0.9e-3, 1.9e-3])
    assert drawn == pytest.approx([before, after], rel=0.04)
    # inductors and capacitors do not jump
    around = series(solution, "arm", [1e-3 - 1e-9, 1e-3 + 1e-9])
    assert around[0] == pytest.approx(around[1], abs=0.05)
    # figures of the whole are those of its halves put together
    whole = solution.figures(0.0, 2e-3)[0]
    halves = [solution.figures(0.0, 1e-3)[0], solution.figures(1e-3, 2e-3)[0]]
    for joint, one, other in zip(whole, *halves, strict=True):
        assert joint.mean_V == pytest.approx(0.5 * (one.mean_V + other.mean_V), rel=1e-9)
    _, low, high = solution.envelope([Signal("volts", "cap")], 0.3e-3, 1.7e-3, 33)
    inside = series(solution, "cap", np.linspace(0.3e-3, 1.7e-3, 3301)[:-1], "volts")
    bins = inside.reshape(33, 100)
    # (ramps of 20 ns are not looked into where they hardly bend an output)
    assert np.all(low[0] <= bins.min(axis=1) + 2e-3)
    assert np.all(high[0] >= bins.max(axis=1) - 2e-3)
    assert high[0].max() == pytest.approx(inside.max(), abs=0.05)


def test_the_edges_go_on_over_a_step_that_changes_nothing() -> None:
    """A step to the same value is the run without it."""
    load, feed = vtx(current="1 A")
    course = {"course": [["0 s", 0.5], ["2 ms", 0.3]]}
    parts, leads = [ESC, MOTOR, load], [ARM, WINDING, feed]
    plain = sim.solve(build(parts, leads, kind="throttle", **course))
    cut = sim.solve(
        build(parts, leads, kind="load_step", part="vtx", at="1.013 ms", value="1 A", **course)
    )
    times = np.linspace(0.0, 2e-3, 4001)[1:-1]
    for place in ("cap", "esc1.in"):
        one, other = (series(s, place, times, "volts") for s in (plain, cut))
        assert np.abs(one - other).max() < 1e-6
    assert cut.energy.residual < 1e-9


def test_a_load_starts_late() -> None:
    load, feed = vtx(current="1 A", start_delay="1 ms")
    solution = sim.solve(build([load], [feed], kind="plug_in"))
    drawn = series(solution, "vtx", [0.5e-3, 0.99e-3, 1.5e-3])
    assert drawn == pytest.approx([0.0, 0.0, 1.0], abs=1e-6)
    assert solution.energy.residual < 1e-6


def test_a_contact_that_lifts_burns_until_its_current_is_zero() -> None:
    """The arc takes 13 V: the current falls by (16 - 13 - v - R i)/L, then nothing flows."""
    made = build([], [], kind="plug_in", bounce=[["10 us", "60 us"], ["80 us", "81 us"]])
    assert loads(dumps(made)) == made
    solution = sim.solve(made)
    assert solution.energy.residual < 1e-6
    closed = sim.solve(build([], [], kind="plug_in"))
    early = np.linspace(0.0, 9e-6, 10)
    # 1 mOhm of contact apart the same
    same = [series(s, "pack.out", early) for s in (solution, closed)]
    assert same[0] == pytest.approx(same[1], rel=0.02)
    times = np.linspace(10e-6, 60e-6, 5001)
    amps = series(solution, "pack.out", times)
    out = int(np.flatnonzero(np.abs(amps) < 1e-3)[0])
    assert 10 < out < 5000
    assert np.abs(amps[out:-1]).max() < 1e-3
    # just after it lifts
    h = times[1] - times[0]
    volts = series(solution, "cap", times[:2], "volts")[0]
    slope = (16.0 - 13.0 - volts - (0.02 + 0.001) * amps[0]) / 200e-9
    assert (amps[1] - amps[0]) / h == pytest.approx(slope, rel=0.01)
    # and charged further when it closes again
    late = series(solution, "cap", [59e-6, 79e-6], "volts")
    assert late[1] > late[0] + 1.0
    arc = {p.id: p.loss_J for p in solution.parts}["pack"]
    assert arc > {p.id: p.loss_J for p in closed.parts}["pack"]


def test_an_antispark_charges_slowly_and_is_bypassed() -> None:
    spark = {"id": "spark", "kind": "antispark", "values": {"resistance": "22 Ohm"}}
    late = {**spark, "values": {"resistance": "22 Ohm", "bypass_after": "15 ms"}}
    leads = [
        {"id": "main", "from": "pack.out", "to": "spark.in"},
        {"id": "on", "from": "spark.out", "to": "cap"},
    ]

    def plugged(part: Any) -> Any:
        tree = {
            "name": "spark",
            "parts": [PACK, CAP, part],
            "leads": leads,
            "events": [
                {"name": "It", "kind": "plug_in", "duration": "20 ms"},
                {"name": "Fly", "kind": "steady", "duration": "1 ms"},
            ],
        }
        return loads(json.dumps(tree).encode())

    solution = sim.solve(plugged(late))
    assert solution.energy.residual < 1e-6
    # an RC of 22.05 Ohm and 220 uF
    tau = 22.05 * 220e-6
    at = np.array([5e-3, 14.9e-3])
    inside = series(solution, "cap", at, "volts")
    assert inside == pytest.approx(16.0 * (1.0 - np.exp(-at / tau)), rel=2e-3)
    missing = 16.0 - series(solution, "cap", [15e-3], "volts")[0]
    peak = max(p.peak_A for p in solution.parts if p.id == "spark")
    # bypassed, the rest meets 20 mOhm, 1 mOhm and 30 mOhm, slowed by 200 nH
    assert 5.0 < peak < missing / 0.051
    never = sim.solve(plugged(spark))
    assert max(p.peak_A for p in never.parts if p.id == "spark") < 16.0 / 22.0
    flying = sim.solve(plugged(late), "Fly")
    assert {p.id: p.loss_J for p in flying.parts}["spark"] == pytest.approx(0.0, abs=1e-12)


def test_a_log_flies_like_the_course_it_holds() -> None:
    text = "time_ms,esc1%\n100,30\n101,60\n102,40\n"
    log = build([ESC, MOTOR], [ARM, WINDING], kind="log", log=text)
    assert loads(dumps(log)) == log
    course = build(
        [ESC, MOTOR], [ARM, WINDING],
        kind="throttle", courses={"esc1": [["0 s", 0.3], ["1 ms", 0.6], ["2 ms", 0.4]]},
    )  # fmt: skip
    times = np.linspace(0.0, 2e-3, 201)[1:-1]
    one, other = (series(sim.solve(made), "cap", times, "volts") for made in (log, course))
    assert one == pytest.approx(other, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("esc1\n0.5", "is no time"),
        ("time_s,esc9\n0,0.5", "is no ESC"),
        ("time_s,esc1\n0,fast", "line 2"),
        ("time_s,esc1\n0,0.5,0.6", "has 3 cells"),
        ("time_s,esc1\n0,30", "leaves 0 to 1"),
        ("time_s,esc1\n1,0.3\n0,0.4", "back in time"),
        ("time_s,esc1", "no lines"),
    ],
)
def test_a_log_that_is_none_is_refused_with_its_line(text: str, says: str) -> None:
    with pytest.raises(SimError, match=says):
        build([ESC, MOTOR], [ARM, WINDING], kind="log", log=text)


def test_bounces_out_of_order_are_refused() -> None:
    with pytest.raises(SimError, match="bounce"):
        build([], [], kind="plug_in", bounce=[["10 us", "5 us"]])
    with pytest.raises(SimError, match="is nothing for steady"):
        build([], [], kind="steady", bounce=[["10 us", "15 us"]])


def test_time_below_the_lowest_supply_is_held_against_the_drop_out_time() -> None:
    load, feed = vtx(current="0.2 A", dropout_time="0.3 ms", minimum_voltage="15 V")
    heavy = {"id": "lamp", "kind": "load", "values": {"current": "1 A"}}
    wire = {"id": "wire", "from": "cap", "to": "lamp.in"}
    made = build(
        [load, heavy], [feed, wire], kind="load_step", part="lamp", at="1 ms", value="100 A"
    )
    assert not list(problems(made))
    solution = sim.solve(made)
    uses = {u.name: u for p in solution.parts if p.id == "vtx" for u in p.ratings}
    use = uses["drop-out time"]
    assert use.value == pytest.approx(1e-3, rel=0.1)
    assert use.verdict == "over"
    assert use.unit == "s"

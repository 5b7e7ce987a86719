"""The smallest change is found, is enough, and is said with its figures."""

from __future__ import annotations

import json
from functools import cache

import pytest

import sim
from sim.assemble import assemble
from sim.build import loads
from sim.errors import BadField, Cancelled
from sim.options import apply
from sim.records import Build, Change, Option
from sim.sizing import CARRIERS_HZ, Advice, moves_for, pwm_sweep, smallest_change


@cache
def one_arm() -> Build:
    """One ESC at the end of a lead, chopped: its supply spikes."""
    document = {
        "name": "arm",
        "parts": [
            {
                "id": "pack",
                "kind": "battery",
                "values": {
                    "cells": 4,
                    "open_circuit_voltage": "16 V",
                    "cell_resistance": "5 mOhm",
                    "inductance": "60 nH",
                },
            },
            {"id": "pads", "kind": "joint", "label": "Pads"},
            {"id": "esc1", "kind": "esc", "label": "ESC 1", "values": {"mosfet_rating": "30 V"}},
            {
                "id": "motor1",
                "kind": "motor",
                "values": {
                    "kv": 2400,
                    "resistance": "52 mOhm",
                    "inductance": "14 uH",
                    "inertia": "7.5e-6 kg m2",
                    "drag": "1.0e-8 N m s2",
                },
            },
            {
                "id": "cer1",
                "kind": "ceramic",
                "values": {"capacitance": "6 uF", "esr": "3 mOhm"},
            },
        ],
        "leads": [
            {"id": "main", "from": "pack.out", "to": "pads", "gauge": "14 AWG", "length": "90 mm"},
            {"id": "arm", "from": "pads", "to": "esc1.in", "gauge": "18 AWG", "length": "85 mm"},
            {"id": "phase", "from": "esc1.motor", "to": "motor1.in"},
            {"id": "cer_joint", "from": "cer1", "to": "esc1.in"},
        ],
        "events": [
            {
                "name": "Chop",
                "kind": "throttle",
                "duration": "15 ms",
                "course": [["0 s", 0.6], ["5 ms", 0.6], ["5 ms", 0.2]],
            }
        ],
    }
    return loads(json.dumps(document).encode())


@cache
def plug(rated: str = "35 V") -> Build:
    """6S plugged into ceramics alone: they overshoot."""
    document = {
        "name": "plug",
        "parts": [
            {
                "id": "pack",
                "kind": "battery",
                "values": {"cells": 6, "resistance": "30 mOhm", "inductance": "150 nH"},
            },
            {"id": "pads", "kind": "joint", "label": "Pads"},
            {
                "id": "cer",
                "kind": "ceramic",
                "label": "Ceramics",
                "values": {"capacitance": "6 uF", "esr": "4 mOhm", "rated_voltage": rated},
            },
        ],
        "leads": [
            {"id": "main", "from": "pack.out", "to": "pads"},
            {"id": "a", "from": "cer", "to": "pads"},
        ],
        "events": [{"name": "Plug in", "kind": "plug_in", "duration": "40 us"}],
    }
    return loads(json.dumps(document).encode())


def test_moves_come_by_trouble_and_can_all_be_built() -> None:
    build = sim.load("arms_4s_analogue")
    moves = moves_for(build)
    troubles = [move.trouble for move in moves]
    assert troubles == sorted(troubles)
    said = " ".join(move.says for move in moves)
    assert "PWM frequency" in said
    assert "Add a" in said
    assert "Replace" in said
    for move in moves:
        assert move.why
        drawn = apply(build, Option(name="x", changes=move.changes))
        assert assemble(drawn).n_nodes > 0


def test_long_legs_are_a_move_and_short_ones_none() -> None:
    build = apply(
        sim.load("arms_4s_analogue"),
        Option(name="", changes=(Change(set="bulk.leg_length", value="40 mm"),)),
    )
    said = [move.says for move in moves_for(build)]
    legs = [text for text in said if "legs of" in text]
    assert legs == ["Shorten the legs of Main capacitor from 40 mm to 5 mm"]


def test_the_lightest_can_that_is_enough_is_found() -> None:
    seen: list[float] = []
    advice = smallest_change(plug(), progress=seen.append)
    assert advice.before.verdict == "over"
    (move,) = advice.moves
    assert move.says.startswith("Add a ")
    assert "on Pads" in move.says
    assert advice.within
    assert advice.option is not None
    assert seen[-1] == 1.0
    # it is true: the changed build solved anew
    again = sim.compare(apply(plug(), advice.option))
    assert again.cards[0].worst is not None
    assert again.cards[0].worst.value == pytest.approx(advice.after.value, rel=1e-9)
    assert again.cards[0].verdict == "within"
    # and the smallest: no lighter single was enough
    lighter = [m for m in moves_for(plug()) if m.trouble < move.trouble]
    for other in lighter[-2:]:
        less = sim.compare(apply(plug(), Option(name="x", changes=other.changes)))
        assert less.cards[0].verdict != "within"
    for part in ("35 V", "shelf", "Plug in", "over", f"{move.grams:+.1f} g"):
        assert part in advice.sentence
    assert move.says in advice.sentence
    assert move.why in advice.sentence


def test_nothing_to_change_is_said() -> None:
    advice = smallest_change(plug("63 V"), aim="close")
    assert not advice.moves
    assert advice.within
    assert advice.sentence.startswith("Nothing to change")


@cache
def unreached() -> tuple[Advice, tuple[str, ...]]:
    """Advice where nothing is enough, and what was told on the way to it."""
    told: list[str] = []
    return smallest_change(plug("25.1 V"), tell=told.append), tuple(told)


def test_what_cannot_be_reached_is_said_with_the_nearest() -> None:
    advice, _ = unreached()
    assert not advice.within
    assert advice.tried > 3
    used = [t.worst.used for t in advice.runners_up]
    assert used
    assert used == sorted(used)
    assert "No change of those tried" in advice.sentence


def test_it_stops_when_told() -> None:
    calls = iter(range(100))
    with pytest.raises(Cancelled):
        smallest_change(plug(), cancelled=lambda: next(calls) > 1)


def test_the_sweep_finds_the_carrier_that_meets_the_ring() -> None:
    """A supply that rings at 64 kHz: ripple is largest there, and the ring is named."""
    document = {
        "name": "ring",
        "parts": [
            {
                "id": "psu",
                "kind": "bench_supply",
                "values": {"voltage": 24, "resistance": 0.02, "inductance": "250 nH"},
            },
            {
                "id": "cer",
                "kind": "ceramic",
                "values": {"capacitance": "24.7 uF", "esr": "3 mOhm"},
            },
            {
                "id": "esc",
                "kind": "esc",
                "label": "ESC",
                "values": {"pwm_frequency": 48e3, "carrier_phase": 0},
            },
            {
                "id": "motor",
                "kind": "motor",
                "values": {"kv": 1800, "resistance": 0.06, "inductance": "20 uH"},
            },
        ],
        "leads": [
            {"id": "a", "from": "psu.out", "to": "cer"},
            {"id": "b", "from": "cer", "to": "esc.in"},
            {"id": "c", "from": "esc.motor", "to": "motor"},
        ],
    }
    build = loads(json.dumps(document).encode())
    found = pwm_sweep(build, carriers_hz=(24e3, 64e3, 96e3))
    # 1 / (2 pi sqrt(250 nH 24.7 uF)) = 64.05 kHz
    assert found.resonance_hz == pytest.approx(64.05e3, rel=0.02)
    by_hz = {p.hz: p.pp_V for p in found.points}
    assert max(by_hz, key=by_hz.__getitem__) == 64e3
    assert by_hz[64e3] > 1.5 * by_hz[96e3]
    assert "64 kHz" in found.sentence
    with pytest.raises(BadField, match="no ESC"):
        pwm_sweep(plug())


def test_carriers_are_those_of_the_trade() -> None:
    assert CARRIERS_HZ == (24e3, 48e3, 96e3)


def test_what_is_known_so_far_is_told() -> None:
    advice, told = unreached()
    assert not advice.within
    assert told
    assert all(words.startswith("Not enough, the nearest so far: ") for words in told)
    # the last that was told is the nearest there is
    nearest = advice.runners_up[0]
    assert all(move.says in told[-1] for move in nearest.moves)
    # a limit that a comparison has found already is not worked out again, nor said otherwise
    again = smallest_change(plug("25.1 V"), before=advice.before)
    assert again.sentence == advice.sentence


def test_what_holds_on_few_timings_is_told_before_all_are_known() -> None:
    told: list[str] = []
    drawn = one_arm()
    advice = smallest_change(drawn, seeds=5, aim="close", tell=told.append)
    assert advice.within
    assert advice.moves
    assert told[-1].startswith("On 4 of 5 ESC timings it is enough: ")
    assert advice.moves[0].says in told[-1]
    # ripple ratings are for hours: they are left to a flight
    after = [c for c in sim.compare(apply(drawn, advice.option), seeds=5).cells if c.reads != "RMS"]
    assert max(c.used for c in after) == pytest.approx(advice.after.used)
    assert advice.after.used <= 1.0

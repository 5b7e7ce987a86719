"""What builders argue about, answered by the samples.

The directions were worked out beforehand by a crude model of the same kind of quads (edges at
once, one ESC timing, ceramics that do not fade); the figures beside them are that model's. They
are no targets: only the direction is held here.
"""

from functools import cache

import pytest
from msgspec.structs import replace

import sim
from sim.impedance import transfer
from sim.records import Build, Event, Given

NONE, PADS, LOCAL = "No capacitor", "One on the pads", "One at each ESC"
FOUR = ("esc1", "esc2", "esc3", "esc4")


def changed(build: Build, ids: tuple[str, ...], **values: Given) -> Build:
    parts = tuple(
        replace(part, values={**part.values, **values}) if part.id in ids else part
        for part in build.parts
    )
    return replace(build, parts=parts)


def ripple(build: Build, option: str, duty: float = 0.5, ms: float = 1.5) -> float:
    """Volts peak to peak at the board's pads, at steady throttle."""
    event = Event(name="Steady", kind="steady", duration=f"{ms} ms", duty=duty)
    solution = sim.solve(replace(build, events=(event,)), option=option)
    return next(j.pp_V for j in solution.joints if j.id == "pads") or 0.0


@cache
def peak(id_: str, option: str, event: str) -> float:
    solution = sim.solve(sim.load(id_), event, option)
    return max(j.peak_V or 0.0 for j in solution.joints if j.id in {f"{e}.in" for e in FOUR})


def test_ripple_is_worst_at_three_quarters_not_at_full_throttle() -> None:
    """(worst at 0.74 of duty with a propeller's load, nothing at 0 and 1)"""
    board = sim.load("board_6s_digital")
    by_duty = {duty: ripple(board, NONE, duty) for duty in (0.3, 0.5, 0.75, 0.85, 1.0)}
    assert max(by_duty, key=lambda duty: by_duty[duty]) in (0.75, 0.85)
    assert by_duty[1.0] < 0.01 * by_duty[0.75]


def test_place_beats_size() -> None:
    """(pads 1.4 V; 3.5 V with legs of 40 mm; 3.4 V at 90 mm; 2.0 V with 470 uF well placed)"""
    board = sim.load("board_6s_digital")
    close = ripple(board, PADS)
    long_legs = ripple(changed(board, ("bulk",), leg_length="40 mm"), PADS)
    twice = ripple(changed(board, ("bulk",), capacitance="2000 uF"), PADS)
    half = ripple(changed(board, ("bulk",), capacitance="470 uF", esr="35 mOhm"), PADS)
    assert long_legs > 1.5 * close
    assert long_legs > half > close
    assert twice == pytest.approx(close, rel=0.1)


def test_escs_on_arms_turn_the_answer_round() -> None:
    """(braking on arms: none 33.0, bulk 30.3, local 22.3 V; on one board 35.9, 31.1, 30.3 V)"""
    arms = [peak("arms_4s_analogue", option, "Chop") for option in (NONE, PADS, LOCAL)]
    board = [peak("board_6s_digital", option, "Chop") for option in (NONE, PADS, LOCAL)]
    assert arms[0] > 30.0  # the class of its MOSFETs
    assert arms[1] > 30.0
    assert arms[2] < 24.0
    # on one board the two are close
    assert abs(board[1] - board[2]) < 0.33 * (board[0] - board[2])
    assert (arms[1] - arms[2]) > 0.5 * (arms[0] - arms[2])


def test_the_carrier_can_hit_the_supplys_own_ring() -> None:
    """(no capacitor: 8.4 V at 24 kHz, 30 at its ring of 64, 6.4 at 96; else 2.8 to 3.8)

    Here the regulators' input capacitors put the ring at 48 kHz and damp it.
    """
    racer = sim.load("racer_6s_spread")
    ring = max(
        (m for m in sim.solve(racer, "Chop", NONE, detail="averaged").modes if m.damping < 0.5),
        key=lambda m: m.hz if m.hz < 200e3 else 0.0,
    )
    assert ring.hz == pytest.approx(48e3, rel=0.1)
    bare, filled = (
        {
            khz: ripple(changed(racer, FOUR, pwm_frequency=f"{khz} kHz"), option, ms=4)
            for khz in (24, 48, 96)
        }
        for option in (NONE, PADS)
    )
    assert bare[48] > 1.3 * bare[24]
    assert bare[48] > 1.5 * bare[96]
    assert max(filled.values()) < 1.3 * min(filled.values())
    assert max(filled.values()) < 0.5 * bare[48]


def test_a_filter_can_make_it_worse_and_damping_cures_it() -> None:
    """(22 uH and 3 uF: +20 dB at 19.6 kHz, +6 dB at 24; beside 100 uF, 150 mOhm -26 dB at 24)"""
    board = sim.load("board_6s_digital")
    trap, cure = (
        transfer(board, "vtx", "pads", hz=[19.6e3, 24e3], event="Punch", option=option).values
        for option in ("On the pads and LC stage", "On the pads and damped LC stage")
    )
    assert trap[0] > 12.0
    assert trap[1] > 3.0
    assert cure[1] < -20.0


def test_plugged_in_a_bigger_capacitor_sparks_more_and_overshoots_less() -> None:
    """(ceramics alone 37.9 V and 274 A; with 1000 uF 25.2 V and some 480 A)"""
    board = sim.load("board_6s_digital")
    found = {}
    for option in (NONE, PADS):
        solution = sim.solve(board, "Plug in", option)
        amps = next(p.peak_A for p in solution.parts if p.id == "pack")
        found[option] = (amps, peak("board_6s_digital", option, "Plug in"))
    assert found[NONE][1] > 1.4 * 25.2
    assert found[PADS][1] < 1.02 * 25.2
    assert found[PADS][0] > 1.3 * found[NONE][0]

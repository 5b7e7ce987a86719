"""The energy check of every sample, edge by edge and averaged.

A short stretch of each; all options and events are run by hand before a release (`compare` says
the residual of none, `solve` of each).
"""

from typing import Any

import pytest
from msgspec.structs import replace

import sim
from sim.build import presets
from sim.records import Build, Event

SAMPLES = [info.id for info in presets()]
#: What the check may leave unexplained of the energy turned over.
BOUND = 1e-6


def short(build: Build) -> Build:
    """The build with a step of throttle of 1.5 ms as its only event."""
    course = (("0 s", 0.6), ("0.5 ms", 0.6), ("0.5 ms", 0.3))
    event = Event(name="Step", kind="throttle", duration="1.5 ms", course=course)
    return replace(build, events=(event,))


@pytest.mark.parametrize("detail", ["averaged", "edges"])
@pytest.mark.parametrize("id_", SAMPLES)
def test_energy_adds_up(id_: str, detail: Any) -> None:
    assert sim.solve(short(sim.load(id_)), detail=detail).energy.residual < BOUND


@pytest.mark.parametrize("kilohertz", [16, 128])
def test_energy_adds_up_from_slow_to_fast_carriers(kilohertz: int) -> None:
    build = short(sim.load("park_4s_freestyle"))
    parts = tuple(
        replace(part, values={**part.values, "pwm_frequency": f"{kilohertz} kHz"})
        if part.kind == "esc"
        else part
        for part in build.parts
    )
    assert sim.solve(replace(build, parts=parts)).energy.residual < BOUND


def test_one_esc_alone_may_follow_its_own_course() -> None:
    build = sim.load("park_4s_freestyle")
    still = (("0 s", 0.4),)
    event = Event(
        name="One",
        kind="throttle",
        duration="2 ms",
        course=still,
        courses={"esc2": (("0 s", 0.4), ("1 ms", 0.9))},
    )
    solution = sim.solve(replace(build, events=(event,)))
    amps = {part.id: part.rms_A for part in solution.parts}
    assert amps["esc2"] > 1.5 * amps["esc1"]
    assert solution.energy.residual < BOUND


@pytest.mark.parametrize(
    ("id_", "event", "option"),
    [
        ("coast_6s_seven", "Punch", "The capacitor falls off in flight"),
        ("park_4s_freestyle", "Tap on the frame", "No capacitor"),
        ("bench_rig_6s", "Chop", "On the pads, short leads"),
        ("bench_rig_6s", "Chop", "No capacitor"),
    ],
)
def test_energy_adds_up_over_whole_events_where_steps_are_long(
    id_: str, event: str, option: str
) -> None:
    """Averaged steps are longest where rotors brake or spin up smoothly for tens of ms."""
    solution = sim.solve(sim.load(id_), event, option, "averaged")
    assert solution.energy.residual < 0.5 * BOUND

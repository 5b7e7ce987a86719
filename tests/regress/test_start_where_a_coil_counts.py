"""Averaged runs with a coil that saturates began with its current given to another state.

They take such a coil for what is left of it where the event starts, by equations of their own,
whose states stand in another order where the coil takes its place among the other inductors.
The number of states was looked at, not their order: a quad at rest began with a swing of 30 mV.
"""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

import sim
from sim.records import Event
from sim.signals import Signal


@pytest.mark.parametrize("option", [None, "LC stage only", "At each ESC and LC stage"])
@pytest.mark.parametrize("duty", [0.0, 0.3])
def test_what_rests_stays_at_rest(option: str | None, duty: float) -> None:
    build = sim.load("arms_4s_analogue")
    event = Event(name="Still", kind="steady", duration="5 ms", duty=duty)
    solved = sim.solve(replace(build, events=(event,)), option=option, detail="averaged")
    signals = [Signal("volts", "vtx.in"), Signal("amps", "vtx.in")]
    _, lowest, highest = solved.envelope(signals, 0.0, 5e-3, 20)
    # (of amperes and volts: what the solver lets go is parts in a million)
    assert np.ptp(np.array([lowest.min(axis=1), highest.max(axis=1)]), axis=0).max() < 1e-4

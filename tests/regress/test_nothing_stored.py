"""A build that stores no energy at all: a trace of numpy reached the user."""

from __future__ import annotations

import pytest

import sim
from sim.records import Build, Event, Lead, Part


@pytest.mark.parametrize("kind", ["steady", "plug_in"])
def test_a_pack_and_a_resistor_are_ohms_law(kind: str) -> None:
    """Newton's search for the start took the largest of no states. 12.6 V, 3 mOhm, 1 Ohm."""
    build = Build(
        name="lamp",
        parts=(
            Part(id="pack", kind="battery", values={"cells": 3, "cell_resistance": "1m"}),
            Part(id="lamp", kind="load", values={"resistance": 1}),
        ),
        leads=(Lead(id="w", from_="pack", to="lamp"),),
        events=(Event(name="On", kind=kind, duration="1 ms"),),
    )
    run = sim.solve(build)
    volts = next(j for j in run.joints if j.id == "lamp.in")
    assert volts.mean_V == pytest.approx(12.6 / 1.003, rel=1e-9)
    assert run.energy.residual <= 1e-6

"""A motor that may brake into a bench supply is warned of."""

import json
from typing import Any

import pytest

from sim.build import loads
from sim.check import check


@pytest.mark.parametrize(
    ("supply", "esc", "said"),
    [({}, {}, True), ({"sinks": True}, {}, False), ({}, {"freewheel": False}, False)],
)
def test_braking_into_a_supply_that_takes_nothing_back(
    supply: dict[str, Any], esc: dict[str, Any], said: bool
) -> None:
    tree = {
        "name": "bench",
        "parts": [
            {"id": "psu", "kind": "bench_supply", "values": {"voltage": "16 V", **supply}},
            {"id": "esc1", "kind": "esc", "values": esc},
            {"id": "m1", "kind": "motor", "values": {"kv": 1800}},
        ],
        "leads": [
            {"id": "a", "from": "psu.out", "to": "esc1.in", "length": "0.3 m"},
            {"id": "b", "from": "esc1.motor", "to": "m1"},
        ],
    }
    found = [f for f in check(loads(json.dumps(tree).encode())) if f.where == "psu"]
    assert any("takes no current back" in f.what for f in found) is said

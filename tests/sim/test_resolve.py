"""Values of a part are kept by identity, and yet never those of another state of it."""

from __future__ import annotations

import pytest

from sim.build import load
from sim.errors import BadUnit
from sim.resolve import resolve


def test_values_that_changed_are_resolved_anew() -> None:
    part = load("arms_4s_analogue").part("bulk")
    assert part is not None
    before = resolve(part)
    assert resolve(part) is before
    part.values["capacitance"] = "220 uF"
    assert resolve(part).number("capacitance") == pytest.approx(220e-6)
    part.values["capacitance"] = "220 Ohm"
    for _ in range(2):
        with pytest.raises(BadUnit):
            resolve(part)

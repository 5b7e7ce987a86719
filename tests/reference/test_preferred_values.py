"""Preferred values and value marks against what others publish."""

from __future__ import annotations

import eseries
import pytest

from sim import quantity


@pytest.mark.parametrize("name", ["E3", "E6", "E12", "E24", "E48", "E96", "E192"])
def test_preferred_values(name: str) -> None:
    # Source: IEC 60063, as the `eseries` package has it.
    published = eseries.series(eseries.ESeries[name])
    scale = published[0]
    assert quantity.series(name) == pytest.approx([value / scale for value in published], rel=1e-12)


def test_the_two_odd_values_of_e192() -> None:
    # Source: IEC 60063 prints 298 and 920, where rounding gives 298 and 919.
    values = {round(100 * value) for value in quantity.series("E192")}
    assert {298, 920} <= values
    assert 919 not in values
    assert len(values) == 192


# Source: IEC 60062; resistors as listed at en.wikipedia.org/wiki/IEC_60062, capacitors
# from memory.
MARKS = [
    ("R47", "Ohm", 0.47),
    ("4R7", "Ohm", 4.7),
    ("470R", "Ohm", 470.0),
    ("4K7", "Ohm", 4700.0),
    ("47K3", "Ohm", 47_300.0),
    ("4M7", "Ohm", 4.7e6),
    ("p33", "F", 0.33e-12),
    ("4n7", "F", 4.7e-9),
    ("4u7", "F", 4.7e-6),
    ("4µ7", "F", 4.7e-6),
    ("4μ7", "F", 4.7e-6),
]


@pytest.mark.parametrize("text, unit, value", MARKS)
def test_letter_as_the_point(text: str, unit: str, value: float) -> None:
    assert quantity.parse(text, unit) == pytest.approx(value, rel=1e-12)

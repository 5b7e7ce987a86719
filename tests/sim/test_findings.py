"""The sentence at the top: what the best option does, and when it rests on averages."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sim.findings import Cell, card_of, conclude


def _cell(option: str, reads: str, value: float) -> Cell:
    return Cell(
        option=option, event="Chop", part="esc1", label="ESC 1", rating="MOSFET limit",
        reads=reads, place="esc1.in", value=value, typical=value, limit=30.0, used=value / 30.0,
        unit="V", verdict="within",
    )  # fmt: skip


@pytest.mark.parametrize(("reads", "said"), [("slow peak", True), ("peak", False)])
def test_averages_are_said_to_be_averages(reads: str, said: bool) -> None:
    cells = [_cell("None", reads, 22.0), _cell("One", reads, 18.0)]
    cards = [card_of(name, cells, stable=True) for name in ("None", "One")]
    found = conclude("Quad", cells, cards, "averaged" if said else "edges", 1)
    assert found.best == 1
    assert found.sentence.startswith("Best so far: One.")
    assert found.sentence.endswith("On averages only.") is said


@pytest.mark.parametrize(
    ("rating", "reads", "values", "said"),
    [
        ("MOSFET limit", "peak", (35.5, 22.6), "Spike at ESC 1: 35.5 V → 22.6 V, limit 30 V."),
        ("lowest supply", "lowest", (31.0, 37.0),
         "Lowest voltage at ESC 1: 31 V → 37 V, it needs 30 V."),
    ],
)  # fmt: skip
def test_the_best_option_is_held_against_the_worst(
    rating: str, reads: str, values: tuple[float, float], said: str
) -> None:
    lower = reads == "lowest"
    cells = [
        replace(_cell(name, reads, v), rating=rating, used=30.0 / v if lower else v / 30.0)
        for name, v in zip(("None", "One"), values, strict=True)
    ]
    cards = [card_of(name, cells, stable=True) for name in ("None", "One")]
    found = conclude("Quad", cells, cards, "edges", 1)
    assert found.sentence.endswith(f"One. {said}")


@pytest.mark.parametrize(
    ("rating", "reads", "said"),
    [
        ("saturation current", "peak current", "saturation current, peak"),
        ("MOSFET limit", "peak", "MOSFET limit, peak"),
        ("lowest supply", "lowest", "lowest supply"),
    ],
)
def test_a_limit_is_named_once(rating: str, reads: str, said: str) -> None:
    assert replace(_cell("One", reads, 1.0), rating=rating).named == said

"""The sentence at the top says when it rests on averages."""

from __future__ import annotations

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

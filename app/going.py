"""From a figure to where it is read: option, event, ESC timing, place and moment."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from app.solver.protocol import CellRow
    from app.workbench import Workbench


def go_to_worst(bench: Workbench, index: int | None = None) -> bool:
    """Go to the figure that decides an option, the present one if not given."""
    cell = worst_of(bench, index)
    if cell is None:
        return False
    bench.go_to(cell)
    return True


def worst_of(bench: Workbench, index: int | None = None) -> CellRow | None:
    """The figure that decides an option."""
    findings = bench.findings
    if findings is None:
        return None
    options = bench.build.options
    if index is None:
        index = bench.option
    if not options:
        return findings.cards[0].worst if findings.cards else None
    if index is None or index >= len(options):
        return None
    name = options[index].name
    return next((card.worst for card in findings.cards if card.option == name), None)

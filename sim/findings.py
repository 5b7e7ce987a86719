"""All options of a build held against all limits, and the answer in a sentence."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from sim.quantity import format as show
from sim.verdict import LOWER, Verdict

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from sim.solution import Solution

#: What a reading is called in the answer sentence.
_SAID = {
    "peak": "Spike",
    "slow peak": "Slow peak",
    "lowest": "Lowest voltage",
    "slow lowest": "Slow lowest voltage",
    "RMS": "Ripple current",
    "peak current": "Peak current",
    "mean power": "Heat",
    "growth": "A swing grows by itself",
    "time below": "Time below the lowest supply",
    "warms by": "Pulse temperature",
}
_ORDER: tuple[Verdict, ...] = ("within", "close", "over")


@dataclass(frozen=True)
class Cell:
    """One limit of one part under one option and event, the worst over ESC timings.

    `typical` is the median over the timings; the same as `value` where there is one. `seed`
    is the timing that decides, `rest` the value before anything runs, for a lower limit.
    """

    option: str
    event: str
    part: str
    label: str
    rating: str
    reads: str
    place: str
    value: float
    typical: float
    limit: float
    used: float
    unit: str
    verdict: Verdict
    seed: int = 0
    rest: float | None = None

    @property
    def named(self) -> str:
        """The limit, and how it is read where its name does not say: "MOSFET limit, peak"."""
        if self.reads in self.rating:
            return self.rating
        reads = self.reads
        if self.rating.endswith("current"):
            # "saturation current, peak": not the word twice
            reads = reads.removesuffix(" current")
        return f"{self.rating}, {reads}"


@dataclass(frozen=True)
class Card:
    """An option in one line: its worst cell over all events; None if nothing has a limit.

    `what_if`: another case of the same quad, which is never called best. `solved`: under all
    events; what ended one says nothing of how good the option is, and it is never best either.
    `why`: sentences on why it was not, or on what had to be left out of it. Without a part an
    option has one limit less to pass, so that one is never best as well.
    """

    option: str
    verdict: Verdict | None
    worst: Cell | None
    stable: bool = True
    what_if: bool = False
    solved: bool = True
    why: tuple[str, ...] = ()


@dataclass(frozen=True)
class Findings:
    """What `sim.compare` finds.

    Attributes
    ----------
    cells : every limit under every option and event
    cards : one per option
    best : index of the best option, None if no limit could be read
    sentence : the answer
    detail, seeds : level of detail, and ESC timings tried
    """

    build: str
    cells: tuple[Cell, ...]
    cards: tuple[Card, ...]
    best: int | None
    sentence: str
    detail: str
    seeds: int

    def to_json_dict(self) -> dict[str, object]:
        """The JSON document of the `compare` verb."""
        return {
            "build": self.build,
            "detail": self.detail,
            "seeds": self.seeds,
            "sentence": self.sentence,
            "best": None if self.best is None else self.cards[self.best].option,
            "options": [
                {
                    "name": card.option,
                    "verdict": card.verdict,
                    "stable": card.stable,
                    "solved": card.solved,
                    "why": list(card.why),
                    "worst": None if card.worst is None else dict(vars(card.worst)),
                }
                for card in self.cards
            ],
            "cells": [dict(vars(cell)) for cell in self.cells],
        }


def cells_of(
    option: str, solution: Solution, cancelled: Callable[[], bool] | None = None
) -> list[Cell]:
    """Cells of one run.

    Raises
    ------
    Cancelled   if `cancelled` says so
    """
    labels = solution.equations.network.labels
    return [
        Cell(
            option=option,
            event=solution.event,
            part=part,
            label=labels.get(use.place, part),
            rating=use.name,
            reads=use.reads,
            place=use.place,
            value=use.value,
            typical=use.value,
            limit=use.limit,
            used=use.used,
            unit=use.unit,
            verdict=use.verdict,
            seed=solution.seed,
            rest=use.rest,
        )
        for part, uses in solution.rated(cancelled=cancelled).items()
        for use in uses
    ]


def worst_of(timings: Sequence[Sequence[Cell]]) -> list[Cell]:
    """The worst of each limit over several ESC timings, the median beside it."""
    by_key: dict[tuple[str, str], list[Cell]] = {}
    for cells in timings:
        for cell in cells:
            by_key.setdefault((cell.part, cell.rating), []).append(cell)
    worst = []
    for cells in by_key.values():
        ranked = sorted(cells, key=lambda c: c.used)
        worst.append(replace(ranked[-1], typical=ranked[len(ranked) // 2].value))
    return worst


def card_of(
    option: str,
    cells: Sequence[Cell],
    *,
    stable: bool,
    what_if: bool = False,
    why: tuple[str, ...] = (),
) -> Card:
    """The worst of an option's cells as its card."""
    own = [cell for cell in cells if cell.option == option]
    if not own:
        return Card(option, None, None, stable, what_if, why=why)
    worst = max(own, key=lambda cell: cell.used)
    return Card(option, worst.verdict, worst, stable, what_if, why=why)


def conclude(
    build: str,
    cells: Sequence[Cell],
    cards: Sequence[Card],
    detail: str,
    seeds: int,
    *,
    only: str = "",
) -> Findings:
    """Choose the best option and say it.

    Parameters
    ----------
    only : the one event looked at so far, where there are others
    """
    rated = [
        i
        for i, card in enumerate(cards)
        if card.worst is not None and not card.what_if and not card.why
    ]
    best = min(rated, key=lambda i: _rank(cards[i]), default=None)
    sentence = _sentence(cells, cards, best)
    # where bridges chop, what an average calls enough may be far from it
    if any(cell.reads.startswith("slow") for cell in cells):
        sentence += " On averages only."
    unsolved = [card.option for card in cards if not card.solved]
    if unsolved:
        sentence += f" Not solved: {', '.join(unsolved)}."
    if only:
        sentence += f" {only} only, so far."
    return Findings(
        build=build,
        cells=tuple(cells),
        cards=tuple(cards),
        best=best,
        sentence=sentence,
        detail=detail,
        seeds=seeds,
    )


def _rank(card: Card) -> tuple[bool, int, float]:
    assert card.worst is not None
    # half a percent of a limit is no difference: the earlier, simpler option then wins
    return not card.stable, _ORDER.index(card.worst.verdict), round(card.worst.used * 200.0)


def _sentence(cells: Sequence[Cell], cards: Sequence[Card], best: int | None) -> str:
    if best is None:
        return "No part here has a limit to hold the voltage against."
    card = cards[best]
    worst = card.worst
    assert worst is not None
    said = _SAID.get(worst.reads, worst.reads)
    if worst.reads == "growth" and worst.verdict == "over":
        lead = "" if len(cards) == 1 else "None of these is enough; the best is: "
        name = "" if len(cards) == 1 else f"{card.option}. "
        return f"{lead}{name}{said} in {worst.label}: it needs damping."
    limit = ("it needs " if worst.reads in LOWER else "limit ") + show(worst.limit, worst.unit, 3)
    value = show(worst.value, worst.unit, 3)
    if len(cards) == 1:
        return f"{said} at {worst.label}: {value}, {limit}: {worst.verdict}."
    cases = {card.option for card in cards if card.what_if or card.why}
    # the same limit under the option that is worst there
    rivals = [
        cell
        for cell in cells
        if (cell.part, cell.rating, cell.event) == (worst.part, worst.rating, worst.event)
        and cell.option not in cases
    ]
    other = max(rivals, key=lambda cell: cell.used)
    change = value
    if other.used > worst.used * 1.005:
        change = f"{show(other.value, other.unit, 3)} → {value}"
    lead = "Best so far" if worst.verdict != "over" else "None of these is enough; the best is"
    return f"{lead}: {card.option}. {said} at {worst.label}: {change}, {limit}."

"""Where a class is in a lesson: the card, what was revealed, hands and measurements.

Plain data and moves on it; nothing here draws.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from sim.lessons import right_choice

if TYPE_CHECKING:
    from sim.lessons import Card, Lesson, Number

MOST_HANDS = 99


@dataclass
class Course:
    """The class's place, kept until the lesson is closed.

    Attributes
    ----------
    at : index of the card
    revealed : cards whose answer was shown
    hands : hands counted for each choice, by card
    asked : measurements taken, in order, by card
    """

    lesson: Lesson
    at: int = 0
    revealed: set[int] = field(default_factory=set)
    hands: dict[int, list[int]] = field(default_factory=dict)
    asked: dict[int, list[int]] = field(default_factory=dict)
    _left: int | None = None

    @property
    def card(self) -> Card:
        """The present card."""
        return self.lesson.cards[self.at]

    @property
    def next_card(self) -> Card | None:
        """The card after this, or None."""
        after = self.at + 1
        return self.lesson.cards[after] if after < len(self.lesson.cards) else None

    @property
    def shown(self) -> bool:
        """Whether the present card's answer may be seen; what has none to hide is always shown."""
        return self.card.kind not in ("guess", "measure") or self.at in self.revealed

    @property
    def covered(self) -> bool:
        """Whether frame and curves would give something away."""
        return self.card.hidden and self.at not in self.revealed

    def go(self, step: int) -> bool:
        """To another card; False at either end."""
        wanted = self.at + step
        if not 0 <= wanted < len(self.lesson.cards):
            return False
        self.at = wanted
        self._left = None
        return True

    def home(self) -> None:
        """To the first card; a second time back to where the class was."""
        if self._left is not None:
            self.at, self._left = self._left, None
        elif self.at:
            self._left, self.at = self.at, 0

    def reveal(self) -> bool:
        """Show the present card's answer; False if there is nothing more to show."""
        if self.at in self.revealed or self.card.kind not in ("guess", "measure"):
            return False
        self.revealed.add(self.at)
        return True

    def count(self, choice: int, hands: int) -> None:
        """Hands more (or fewer) for a choice of a guess that is still open."""
        if self.card.kind != "guess" or self.shown or not 0 <= choice < len(self.card.choices):
            return
        row = self.hands.setdefault(self.at, [0] * len(self.card.choices))
        row[choice] = min(max(row[choice] + hands, 0), MOST_HANDS)

    def hands_of(self, card: int) -> list[int]:
        """Hands for each choice of a card."""
        return self.hands.get(card, [0] * len(self.lesson.cards[card].choices))

    def measure(self, which: int) -> bool:
        """Take a measurement; False if it was taken, is not there, or none is left."""
        card = self.card
        if card.kind != "measure" or not 0 <= which < len(card.measurements):
            return False
        taken = self.asked.setdefault(self.at, [])
        if which in taken or len(taken) >= card.allowed or self.shown:
            return False
        taken.append(which)
        return True

    def taken(self) -> list[int]:
        """Measurements taken on the present card."""
        return self.asked.get(self.at, [])

    def tally(self, numbers: dict[str, Number]) -> tuple[int, int]:
        """Hands that were right, and all hands, over the guesses revealed so far.

        Guesses whose figures are still being worked out are left out.
        """
        right = total = 0
        for index in sorted(self.revealed):
            card = self.lesson.cards[index]
            guess = card.guess
            if guess is None or any(f and f not in numbers for f in (guess.figure, guess.over)):
                continue
            hands = self.hands_of(index)
            total += sum(hands)
            choice = right_choice(card, numbers)
            right += 0 if choice is None else hands[choice]
        return right, total

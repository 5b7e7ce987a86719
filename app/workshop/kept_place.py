"""The class's place in a lesson on disk, so that it outlives the program and the laptop."""

from __future__ import annotations

import hashlib
import time
from contextlib import suppress
from typing import TYPE_CHECKING

import msgspec

from app.workshop.course import Course
from sim.build import write_whole
from sim.errors import SimError

if TYPE_CHECKING:
    from pathlib import Path

    from sim.lessons import Lesson

#: After so long it is another evening's class, s.
_SAME_EVENING_S = 12 * 3600.0


class _Place(msgspec.Struct, frozen=True):
    """What is written: `lesson` tells the lesson by its content, `when` is in s since 1970."""

    lesson: str
    when: float
    at: int
    revealed: tuple[int, ...]
    hands: dict[int, tuple[int, ...]]
    asked: dict[int, tuple[int, ...]]


class KeptPlace:
    """Keeps the place of a lesson in a file of the user's data."""

    def __init__(self, path: Path, lesson: Lesson) -> None:
        self._path = path
        self._lesson = lesson
        self._mark = hashlib.sha256(repr(lesson).encode()).hexdigest()
        self._written: _Place | None = None

    def keep(self, course: Course) -> None:
        """Write it where it has changed; a full disk must not disturb the class."""
        place = _Place(
            self._mark,
            0.0,
            course.at,
            tuple(sorted(course.revealed)),
            {card: tuple(hands) for card, hands in course.hands.items()},
            {card: tuple(taken) for card, taken in course.asked.items()},
        )
        if place == self._written:
            return
        self._written = place
        now = msgspec.structs.replace(place, when=time.time())
        with suppress(SimError, OSError):
            self._path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(self._path, msgspec.json.encode(now))

    def found(self) -> Course | None:
        """Where a class of this evening was in just this lesson; None if at its beginning."""
        try:
            place = msgspec.json.decode(self._path.read_bytes(), type=_Place)
        except (OSError, msgspec.MsgspecError):
            return None
        recent = 0.0 <= time.time() - place.when < _SAME_EVENING_S
        if not recent or place.lesson != self._mark:
            return None
        if not 0 <= place.at < len(self._lesson.cards) or not (place.at or place.revealed):
            return None
        return Course(
            self._lesson,
            place.at,
            set(place.revealed),
            {card: list(hands) for card, hands in place.hands.items()},
            {card: list(taken) for card, taken in place.asked.items()},
        )

    def forget(self) -> None:
        """The lesson is over."""
        with suppress(OSError):
            self._path.unlink(missing_ok=True)

"""A lesson's figures, worked out by the engine in a process of their own while cards are read."""

from __future__ import annotations

import os
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QObject, Signal

from app.solver.beside import Beside
from sim import lessons
from sim.errors import SimError

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from sim.lessons import Lesson, Number


class Sums(Beside):
    """Works out all figures of a lesson, in the order its cards need them.

    Signals
    -------
    came : the name of a figure that is there now
    failed : a sentence; the figures that came before it stay
    """

    came = Signal(str)
    failed = Signal(str)

    def __init__(self, lesson: Lesson, parent: QObject | None = None) -> None:
        self.numbers: dict[str, Number] = {}
        super().__init__(_work, (lessons.dumps(lesson), names_in_order(lesson)), parent)

    def _take(self, message: Number | str | None) -> None:
        if message is None or isinstance(message, str):
            self.stop()
            if message:
                self.failed.emit(message)
            return
        self.numbers[message.name] = message
        self.came.emit(message.name)

    def _died(self) -> None:
        self.failed.emit("The lesson's figures could not be worked out: their process ended.")


def names_in_order(lesson: Lesson) -> list[str]:
    """Names of all figures, those of early cards first."""
    wanted: list[str] = []
    for card in lesson.cards:
        if card.guess is not None:
            wanted += [card.guess.figure, *([card.guess.over] if card.guess.over else [])]
        wanted += card.figures
        for one in card.measurements:
            wanted += [one.figure, one.sound]
    wanted += [figure.name for figure in lesson.figures]
    return list(dict.fromkeys(wanted))


def _work(pipe: Connection, data: bytes, names: list[str]) -> None:
    """Entry of the process: a `Number` each, then None, or a sentence if it cannot go on."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    last: Any = None
    try:
        lesson = lessons.loads(data)
        runs: dict[bytes, Any] = {}
        for name in names:
            pipe.send(lessons.number(lesson, lesson.figure(name), runs))
    except SimError as error:
        last = str(error)
    except Exception as error:  # the room gets a sentence, whatever it was
        last = f"The lesson's figures could not be worked out: {type(error).__name__}: {error}"
    with suppress(OSError):
        pipe.send(last)
        pipe.close()

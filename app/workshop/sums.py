"""A lesson's figures, worked out by the engine in a process of their own while cards are read."""

from __future__ import annotations

import multiprocessing
import os
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QObject, QTimer, Signal

from sim import lessons
from sim.errors import SimError

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from sim.lessons import Lesson, Number

_LOOK_MS = 50
_START = "forkserver" if os.name == "posix" else "spawn"


class Sums(QObject):
    """Works out all figures of a lesson, in the order its cards need them.

    Signals
    -------
    came : the name of a figure that is there now
    failed : a sentence; the figures that came before it stay
    """

    came = Signal(str)
    failed = Signal(str)

    def __init__(self, lesson: Lesson, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.numbers: dict[str, Number] = {}
        self.over = False
        context = multiprocessing.get_context(_START)
        self._ours, theirs = context.Pipe(duplex=False)
        order = names_in_order(lesson)
        self._process = context.Process(
            target=_work, args=(theirs, lessons.dumps(lesson), order), daemon=True
        )
        self._process.start()
        theirs.close()
        self._timer = QTimer(self, interval=_LOOK_MS)
        self._timer.timeout.connect(self._look)
        self._timer.start()

    def close(self) -> None:
        """Stop what is being worked out; safe to call twice."""
        self._timer.stop()
        self.over = True
        if self._process.is_alive():
            self._process.kill()
        self._process.join(2.0)
        self._ours.close()

    def _look(self) -> None:
        try:
            while self._ours.poll():
                message = self._ours.recv()
                if isinstance(message, str):
                    self._end(message)
                    return
                if message is None:
                    self._end("")
                    return
                self.numbers[message.name] = message
                self.came.emit(message.name)
        except (EOFError, OSError):
            self._end("The lesson's figures could not be worked out: their process ended.")

    def _end(self, why: str) -> None:
        self._timer.stop()
        self.over = True
        if why:
            self.failed.emit(why)


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

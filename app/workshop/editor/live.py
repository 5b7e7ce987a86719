"""Figures of a lesson that is being written, worked out while it is.

What was worked out stays as long as nothing it depends on has changed: another text, another card
or another name of a figure asks the engine for nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
from msgspec.structs import replace
from PySide6.QtCore import QObject, QTimer, Signal

from app.workshop.sums import Sums
from sim import lessons
from sim.build import dumps
from sim.errors import SimError
from sim.lessons import Card, Number

if TYPE_CHECKING:
    from sim.lessons import Figure, Lesson

_WAIT_MS = 500


class LiveFigures(QObject):
    """Numbers of the present lesson, as far as they are known.

    Signals
    -------
    changed : `numbers`, `why` or `busy` changed
    """

    changed = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.numbers: dict[str, Number] = {}
        #: Why figures cannot be worked out, by name.
        self.why: dict[str, str] = {}
        self.busy = False
        self._lesson: Lesson | None = None
        self._known: dict[bytes, Number | str] = {}
        self._keys: dict[str, bytes] = {}
        self._sums: Sums | None = None
        self._timer = QTimer(self, singleShot=True, interval=_WAIT_MS)
        self._timer.timeout.connect(self._begin)

    def show(self, lesson: Lesson) -> None:
        """The lesson is another now; what is not known of it is worked out shortly."""
        self._lesson = lesson
        self._keys = {}
        for figure in lesson.figures:
            try:
                lessons.check(_alone(lesson, figure))
                self._keys[figure.name] = _key(lesson, figure)
            except SimError:
                continue  # said as the lesson's mistake
        self._tell()
        if any(key not in self._known for key in self._keys.values()):
            self.busy = True
            self._timer.start()
        else:
            self.busy = False
            self._timer.stop()

    def stop(self) -> None:
        """End what is being worked out."""
        self._timer.stop()
        if self._sums is not None:
            self._sums.stop()
            self._sums = None

    def _begin(self) -> None:
        """Work out the first that is not known; the rest follow."""
        lesson = self._lesson
        if self._sums is not None:
            self._sums.stop()
            self._sums.deleteLater()
            self._sums = None
        missing = [] if lesson is None else [
            f for f in lesson.figures
            if f.name in self._keys and self._keys[f.name] not in self._known]  # fmt: skip
        if lesson is None or not missing:
            self.busy = False
            self.changed.emit()
            return
        keys = dict(self._keys)
        sums = Sums(replace(lesson, figures=tuple(missing), claims=(), cards=(_ANY,)), self)
        self._sums = sums

        def came(name: str) -> None:
            self._known[keys[name]] = sums.numbers[name]
            self._tell()
            if len(sums.numbers) == len(missing):
                self._begin()

        def failed(why: str) -> None:
            # they come in order, so the next one is what could not be worked out
            self._known[keys[missing[len(sums.numbers)].name]] = why
            self._tell()
            self._begin()

        sums.came.connect(came)
        sums.failed.connect(failed)

    def _tell(self) -> None:
        self.numbers, self.why = {}, {}
        for figure in () if self._lesson is None else self._lesson.figures:
            found = self._known.get(self._keys.get(figure.name, b""))
            if isinstance(found, Number):
                self.numbers[figure.name] = replace_words(found, figure)
            elif found is not None:
                self.why[figure.name] = found
        self.changed.emit()


#: A lesson has a card; which one makes no difference to its figures.
_ANY = Card(kind="ask", title="figures")


def replace_words(number: Number, figure: Figure) -> Number:
    """The same number under the figure's present name and words."""
    return Number(figure.name, figure.words, number.value, number.unit)


def _alone(lesson: Lesson, figure: Figure) -> Lesson:
    return replace(lesson, figures=(figure,), claims=(), cards=(_ANY,))


def _key(lesson: Lesson, figure: Figure) -> bytes:
    """All that a figure's value depends on."""
    screen = figure.screen
    asked = (figure.reads, figure.at, figure.ground, figure.hz, screen.window,
             lessons.option_of(lesson, screen), lessons.event_of(lesson, screen))  # fmt: skip
    return msgspec.json.encode(asked) + dumps(lessons.build_of(lesson, screen))

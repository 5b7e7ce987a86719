"""The lesson that is being written: undo, file, and the copy that survives a crash."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import platformdirs
from PySide6.QtCore import QObject, QTimer, Signal
from PySide6.QtGui import QUndoStack

from app.documents import AUTOSAVE_MS
from app.kept_copy import KeptCopy, delete, origin_of
from app.snapshot import Snapshot
from sim import lesson_draft, lessons
from sim.errors import SimError

if TYPE_CHECKING:
    from sim.lessons import Lesson


class Draft(QObject):
    """One lesson with its undo stack.

    Signals
    -------
    changed : the lesson is another
    named : its file or whether it is saved changed
    """

    changed = Signal()
    named = Signal()

    def __init__(
        self, lesson: Lesson, folder: Path | None = None, parent: QObject | None = None
    ) -> None:
        super().__init__(parent)
        self.lesson = lesson
        self.path: Path | None = None
        self.undo_stack = QUndoStack(self)
        data = folder or platformdirs.user_data_path("rippletree", appauthor=False)
        self._kept = KeptCopy(data / "unsaved lessons")
        self._timer = QTimer(self, singleShot=True, interval=AUTOSAVE_MS)
        self._timer.timeout.connect(self.autosave)
        self._closed = False
        self.undo_stack.cleanChanged.connect(lambda _: self._closed or self.named.emit())

    @property
    def dirty(self) -> bool:
        """Whether there is unsaved work."""
        return not self.undo_stack.isClean()

    def do(self, text: str, lesson: Lesson, merge: str | None = None) -> None:
        """Make it the lesson as one undo step; steps of one `merge` key in a row become one."""
        lesson = lesson_draft.without_unused(lesson)
        if lesson != self.lesson:
            self.undo_stack.push(Snapshot(self._put, text, self.lesson, lesson, merge))

    def start(self, lesson: Lesson, path: Path | None = None, *, saved: bool = True) -> None:
        """Go on with another lesson; one that is not `saved` counts as unsaved work."""
        self.undo_stack.clear()
        self._kept.forget()
        self.path = path
        self._put(lesson)
        if not saved:
            self.undo_stack.resetClean()
            self.autosave()
        self.named.emit()

    def open(self, path: Path) -> None:
        """Go on with a file.

        Raises
        ------
        SimError   if it is no lesson's; a mistake in what it says is shown, not refused
        """
        self.start(lessons.load(path, checked=False), path.resolve())

    def save_as(self, path: Path) -> None:
        """Save to a file and go on with that one.

        Raises
        ------
        DocumentError   if it cannot be written; the old file is then untouched
        """
        lessons.save(self.lesson, path)
        self.path = path.resolve()
        self.undo_stack.setClean()
        self._kept.forget()
        self.named.emit()

    def autosave(self) -> None:
        """Keep a copy of unsaved work."""
        if self.dirty and not self._kept.keep(lessons.dumps(self.lesson), self.path):
            self._timer.start()

    def recover(self) -> bool:
        """Go on with what a window that ended without closing left; False if there is nothing."""
        for copy in self._kept.left_behind():
            try:
                lesson = lessons.loads(copy.read_bytes(), checked=False)
            except (SimError, OSError):
                continue
            self.start(lesson, origin_of(copy), saved=False)
            delete(copy)
            return True
        return False

    def close(self) -> None:
        """The window closes in the ordinary way. Safe to call twice."""
        if not self._closed:
            self._closed = True
            self._timer.stop()
            self._kept.close()

    def _put(self, lesson: Lesson) -> None:
        self.lesson = lesson
        self.changed.emit()
        # Not restarted by each letter, or a long text would never be kept.
        if not self._timer.isActive():
            self._timer.start()

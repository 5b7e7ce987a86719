"""The file that is open, as it is on disk: who else has it open, and whether it changed there."""

from __future__ import annotations

import hashlib
import os
from typing import TYPE_CHECKING

from PySide6.QtCore import QFileSystemWatcher, QLockFile, QObject, QTimer, Signal

if TYPE_CHECKING:
    from pathlib import Path

#: Several notes come for one save; they are looked at together.
_AFTER_MS = 200


class FileOnDisk(QObject):
    """One file, watched through its folder: a file that is replaced is another file.

    Parameters
    ----------
    folder : where the locks of open files are kept; never beside the user's own files

    Signals
    -------
    changed : another program wrote something else into it
    gone : it was there and is not any more
    """

    changed = Signal()
    gone = Signal()

    def __init__(self, folder: Path, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._locks = folder / "open"
        self._locks.mkdir(parents=True, exist_ok=True)
        self._path: Path | None = None
        self._lock: QLockFile | None = None
        self._known: bytes | None = None
        self._told: bytes | None = None
        self._watcher = QFileSystemWatcher(self)
        self._watcher.directoryChanged.connect(self._note)
        self._watcher.fileChanged.connect(self._note)
        self._timer = QTimer(self, singleShot=True, interval=_AFTER_MS)
        self._timer.timeout.connect(self.look)

    def follow(self, path: Path | None) -> bool:
        """Watch this file from now on, None for none; False if another window has it open."""
        self.let_go()
        self._path = path
        if path is None:
            return True
        self.accept()
        self._watcher.addPath(str(path.parent))
        self._watch_file()
        name = hashlib.sha256(os.fsencode(path)).hexdigest()[:32]
        lock = QLockFile(str(self._locks / f"{name}.lock"))
        lock.setStaleLockTime(0)  # a window may stand open for days; a dead owner is found
        if not lock.tryLock(0):
            return False
        self._lock = lock
        return True

    def let_go(self) -> None:
        """Watch nothing."""
        self._timer.stop()
        watched = [*self._watcher.files(), *self._watcher.directories()]
        if watched:
            self._watcher.removePaths(watched)
        if self._lock is not None:
            self._lock.unlock()
            self._lock = None
        self._path = self._known = self._told = None

    def accept(self) -> None:
        """What is on disk now is what this window knows."""
        self._known = self._told = self._mark()

    @property
    def differs(self) -> bool:
        """Whether the file holds something else than when it was read or saved here."""
        mark = self._mark()
        return mark is not None and mark != self._known

    def look(self) -> None:
        """See whether it changed; each change is told once."""
        if self._path is None:
            return
        self._watch_file()
        mark = self._mark()
        if mark == self._told:
            return
        self._told = mark
        if mark is None:
            self.gone.emit()
        elif mark != self._known:
            self.changed.emit()

    def _note(self) -> None:
        self._timer.start()

    def _watch_file(self) -> None:
        # Written in place, the folder tells nothing; replaced, the watch is lost.
        if self._path is not None and self._path.exists() and not self._watcher.files():
            self._watcher.addPath(str(self._path))

    def _mark(self) -> bytes | None:
        """What tells one content from another; None where there is no file."""
        if self._path is None:
            return None
        try:
            return hashlib.sha256(self._path.read_bytes()).digest()
        except OSError:
            return None

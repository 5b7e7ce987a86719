"""A copy of unsaved work that survives a crash.

Every window keeps one in the user's data folder, under a name of its own and held by a lock file.
A copy whose lock nobody holds any more is from a window that ended without closing.
"""

from __future__ import annotations

import uuid
from pathlib import Path

from PySide6.QtCore import QLockFile

from sim.build import write_whole
from sim.errors import SimError


class KeptCopy:
    """The copy of one window."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._copy = folder / f"{uuid.uuid4().hex}.json"
        self._lock = _lock_of(self._copy)
        self._lock.tryLock(0)

    def keep(self, data: bytes, origin: Path | None) -> bool:
        """Write it; False if that failed: a full disk must not disturb the work itself."""
        try:
            write_whole(self._copy, data)
            _origin_file(self._copy).write_text("" if origin is None else str(origin), "utf-8")
        except (SimError, OSError):
            return False
        return True

    def forget(self) -> None:
        """The work was saved, or let go."""
        delete(self._copy)

    def close(self) -> None:
        """The window closes in the ordinary way: nothing to recover."""
        self.forget()
        self._lock.unlock()

    def left_behind(self) -> list[Path]:
        """Copies of windows that ended without closing."""
        for left in self._folder.glob("*.lock"):
            # A window that was killed with nothing unsaved leaves its lock alone.
            lock = _lock_of(left)
            if not left.with_suffix(".json").exists() and lock.tryLock(0):
                lock.unlock()
        found = []
        for copy in self._folder.glob("*.json"):
            lock = _lock_of(copy)
            if copy == self._copy or not lock.tryLock(0):
                continue
            lock.unlock()  # which also deletes the lock file
            found.append(copy)
        return found


def delete(copy: Path) -> None:
    """Delete a copy, and the note of where its file is."""
    copy.unlink(missing_ok=True)
    _origin_file(copy).unlink(missing_ok=True)


def origin_of(copy: Path) -> Path | None:
    """The file whose unsaved work a copy holds, None if it had none."""
    try:
        origin = _origin_file(copy).read_text("utf-8")
    except OSError:
        return None
    return Path(origin) if origin else None


def _origin_file(copy: Path) -> Path:
    return copy.with_suffix(".origin")


def _lock_of(copy: Path) -> QLockFile:
    lock = QLockFile(str(copy.with_suffix(".lock")))
    # Never stale by age: a window may stand open for days. A dead owner is found.
    lock.setStaleLockTime(0)
    return lock

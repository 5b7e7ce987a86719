"""Open, save, recent files, and the copy that survives a crash.

The copy of a window that ended without closing (`app.kept_copy`) is offered at the next start.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import platformdirs
from PySide6.QtCore import QObject, QTimer, Signal

from app.kept_copy import KeptCopy, delete, origin_of
from app.on_disk import FileOnDisk
from sim.build import Build, dumps, load, save
from sim.errors import DocumentError, SimError

if TYPE_CHECKING:
    from app.workbench import Workbench

AUTOSAVE_MS = 3000
_RECENT = 8


class ChangedOnDisk(DocumentError):
    """The file is not what was read or saved last."""


@dataclass(frozen=True)
class Recovery:
    """Unsaved work of a window that ended without closing."""

    copy: Path
    build: Build
    origin: Path | None
    saved: datetime


class Documents(QObject):
    """Files of one window.

    Parameters
    ----------
    workbench : whose document it is
    folder : where copies and the list of recent files are kept; the user's data
        folder if not given

    Signals
    -------
    shared : another window has the same file open
    changed_on_disk, gone_from_disk : what another program did to the file
    """

    dirty_changed = Signal(bool)
    autosaved = Signal()
    recent_changed = Signal()
    shared = Signal()
    changed_on_disk = Signal()
    gone_from_disk = Signal()

    def __init__(
        self, workbench: Workbench, folder: Path | None = None, parent: QObject | None = None
    ) -> None:
        super().__init__(parent)
        self._workbench = workbench
        self._folder = folder or platformdirs.user_data_path("rippletree", appauthor=False)
        self._kept = KeptCopy(self._folder / "unsaved")
        self._closed = False
        self.on_disk = FileOnDisk(self._folder, self)
        self.on_disk.changed.connect(self.changed_on_disk)
        self.on_disk.gone.connect(self.gone_from_disk)
        if workbench.path is not None:
            # said once the window is there to show it
            QTimer.singleShot(0, self, self._follow)
        self._timer = QTimer(self, singleShot=True, interval=AUTOSAVE_MS)
        self._timer.timeout.connect(self.autosave)
        workbench.build_changed.connect(self._touched)
        workbench.undo_stack.cleanChanged.connect(self._clean_changed)

    @property
    def dirty(self) -> bool:
        """Whether there is unsaved work."""
        return not self._workbench.undo_stack.isClean()

    @property
    def folder(self) -> Path:
        return self._folder

    def new(self) -> None:
        """An empty frame."""
        self._replace(Build(name="New build"), None)

    def start(self, build: Build) -> None:
        """Put a build that comes from no file on the bench; it counts as unsaved."""
        self._replace(build, None)
        self._workbench.undo_stack.resetClean()
        self.autosave()

    @property
    def asked(self) -> bool:
        """Whether the questions were offered in this user's folder before."""
        return self._asked_file.exists()

    @asked.setter
    def asked(self, asked: bool) -> None:
        try:
            if asked:
                self._asked_file.touch()
            else:
                self._asked_file.unlink(missing_ok=True)
        except OSError:
            return  # then they are offered again

    @property
    def _asked_file(self) -> Path:
        return self._folder / "asked"

    def open(self, path_or_preset: str | Path) -> None:
        """Put a file or a preset on the bench.

        Raises
        ------
        SimError   if it is no build; what is on the bench then stays
        """
        path = Path(path_or_preset)
        build = load(path_or_preset)
        on_disk = path.is_file()
        self._replace(build, path.resolve() if on_disk else None)
        if on_disk:
            self._remember(path.resolve())

    def save(self) -> bool:
        """Save to the file it came from; False if it has none yet.

        Raises
        ------
        ChangedOnDisk   if another program has written it since; `save_as` writes over it
        SimError        if it cannot be written; the old file is then untouched
        """
        path = self._workbench.path
        if path is None:
            return False
        if self.on_disk.differs:
            raise ChangedOnDisk(
                str(path), "has been changed by another program", "Save over it or elsewhere"
            )
        self.save_as(path)
        return True

    def save_as(self, path: Path) -> None:
        """Save to a file and go on with that one."""
        path = path.resolve()
        save(self._workbench.build, path)
        moved = path != self._workbench.path
        self._workbench.set_path(path)
        self._workbench.undo_stack.setClean()
        self._kept.forget()
        self._remember(path)
        if moved:
            self._follow()
        else:
            self.on_disk.accept()

    def read_again(self) -> None:
        """What is on disk, as one undo step: what was on the bench is not lost.

        Raises
        ------
        SimError   if it is no build any more
        """
        path = self._workbench.path
        if path is None:
            return
        build = load(path)
        self.on_disk.accept()
        self._workbench.do("Read the file again", build)
        self._workbench.undo_stack.setClean()

    def _follow(self) -> None:
        if not self._closed and not self.on_disk.follow(self._workbench.path):
            self.shared.emit()

    def autosave(self) -> None:
        """Keep a copy of unsaved work; a full disk must not disturb the work itself."""
        if not self.dirty:
            return
        try:
            kept = self._kept.keep(dumps(self._workbench.build), self._workbench.path)
        except SimError:  # it holds a number that no file can
            kept = False
        if not kept:
            self._timer.start()
            return
        self.autosaved.emit()

    def recoveries(self) -> list[Recovery]:
        """Copies left behind by windows that ended without closing, newest first."""
        found: list[Recovery] = []
        for copy in self._kept.left_behind():
            try:
                build = load(copy, checked=False)
                saved = datetime.fromtimestamp(copy.stat().st_mtime)
            except (SimError, OSError):
                continue
            found.append(Recovery(copy, build, origin_of(copy), saved))
        return sorted(found, key=lambda r: r.saved, reverse=True)

    def recover(self, recovery: Recovery) -> None:
        """Go on with a copy left behind; it counts as unsaved."""
        self._replace(recovery.build, recovery.origin)
        self._workbench.undo_stack.resetClean()
        self.autosave()
        self.discard(recovery)

    def discard(self, recovery: Recovery) -> None:
        """Delete a copy left behind."""
        delete(recovery.copy)

    @property
    def recent(self) -> list[Path]:
        """Files opened or saved lately that are still there, newest first."""
        try:
            names = msgspec.json.decode(self._recent_file.read_bytes(), type=list[str])
        except (OSError, msgspec.DecodeError):
            return []
        return [path for path in map(Path, names) if path.is_file()]

    def close(self) -> None:
        """The window closes in the ordinary way: nothing to recover. Safe to call twice."""
        if self._closed:
            return
        self._closed = True
        # The undo stack still speaks while it is being destroyed.
        self._workbench.build_changed.disconnect(self._touched)
        self._workbench.undo_stack.cleanChanged.disconnect(self._clean_changed)
        self._timer.stop()
        self.on_disk.let_go()
        self._kept.close()

    @property
    def _recent_file(self) -> Path:
        return self._folder / "recent.json"

    def _replace(self, build: Build, path: Path | None) -> None:
        self._kept.forget()
        self._workbench.replace(build, path)
        self._follow()

    def _touched(self) -> None:
        # Not restarted by each edit, or a long drag would never be kept.
        if not self._timer.isActive():
            self._timer.start()

    def _clean_changed(self, clean: bool) -> None:
        self.dirty_changed.emit(not clean)

    def _remember(self, path: Path) -> None:
        names = [str(path), *(str(p) for p in self.recent if p != path)][:_RECENT]
        try:
            self._recent_file.write_bytes(msgspec.json.encode(names))
        except OSError:
            return
        self.recent_changed.emit()

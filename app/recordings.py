"""Recordings of a real scope beside the curves: kept, aligned, and remembered.

They are no part of the build: what is remembered of them (file, channel, place, shift) lies
beside the build's file, as NAME.recordings.json, and only once the build has a file. What is set
of one (channel, unit, probe, place, shift, gain) is a step of undo among those of the build.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec
from PySide6.QtCore import QObject, Signal

from app.snapshot import Snapshot
from app.solver.errand import Errand
from app.solver.protocol import Laying

if TYPE_CHECKING:
    import numpy as np

    from app.solver.protocol import Curve, LaidRow
    from app.workbench import Workbench
    from sim.capture import Capture
    from sim.fit import Band

#: Units a file may not name, and what a figure is then to be taken times.
UNITS = {"V": ("V", 1.0), "mV": ("V", 1e-3), "A": ("A", 1.0), "mA": ("A", 1e-3)}

#: A recording up to so many times as long as what is shown belongs there, not elsewhere.
_LONGER = 2.0


class Recording(msgspec.Struct, frozen=True, kw_only=True):
    """What is remembered of one recording.

    Attributes
    ----------
    path : of the CSV file, from the build's folder where it lies below it
    channel : number from 1
    unit : a key of `UNITS`; what the file's figures are, if it does not say
    probe : 10 where a 10x probe hung on a scope set to 1x, else 1 (0.1 the other way)
    scale, offset : value = (figure x unit x probe) x scale + offset
    event : name of the event; reads, place, ground : of the clip
    shift_s : to the event's time
    """

    path: str
    channel: int = 1
    unit: str = "V"
    probe: float = 1.0
    scale: float = 1.0
    offset: float = 0.0
    event: str = ""
    reads: str = "volts"
    place: str = ""
    ground: str | None = None
    shift_s: float = 0.0

    @property
    def key(self) -> tuple[str, str, str | None]:
        """Of the curve it lies over."""
        return self.reads, self.place, self.ground


class _Beside(msgspec.Struct, frozen=True, kw_only=True):
    """The file beside a build's."""

    format: str = "rippletree-recordings"
    version: int = 1
    recordings: tuple[Recording, ...] = ()


class Trace:
    """A recording that has been read.

    Attributes
    ----------
    hidden : not shown yet: its owner is to say first what he expects
    row : how far it is off, once known
    moved_after : so many askings were made when it was moved last; their rows are late
    band : what was expected
    guess : the owner's own guess of its highest value
    """

    def __init__(self, recording: Recording, capture: Capture) -> None:
        self.recording = recording
        self.capture = capture
        self.hidden = False
        self.row: LaidRow | None = None
        self.moved_after = -1
        self.band: Band | None = None
        self.guess: float | None = None

    def times(self) -> np.ndarray:
        """Event times of its samples, (n,) s."""
        return self.capture.times + self.recording.shift_s

    def values(self) -> np.ndarray:
        """(n,) in V or A."""
        r = self.recording
        factor = UNITS[r.unit][1] * r.probe * r.scale
        return self.capture.channel(r.channel).values * factor + r.offset

    def drawn(self, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
        """Times, lowest and highest in each column of a window; None where it has nothing.

        Where samples are fewer than columns, the samples themselves.
        """
        import numpy as np  # not before the window stands

        times, values = self.times(), self.values()
        first, last = np.searchsorted(times, (edges[0], edges[-1]))
        first, last = max(int(first) - 1, 0), min(int(last) + 1, len(times))
        if last - first < 2:
            return None
        times, values = times[first:last], values[first:last]
        if len(times) <= 2 * (len(edges) - 1):
            return times, values, values
        at = np.searchsorted(times, edges)
        some = np.flatnonzero(np.diff(at) > 0)
        if not len(some):
            return None
        starts = at[some]
        values = values[: at[some[-1] + 1]]
        middle = 0.5 * (edges[some] + edges[some + 1])
        return middle, np.minimum.reduceat(values, starts), np.maximum.reduceat(values, starts)


class Recordings(QObject):
    """All recordings of the build on the bench.

    Signals
    -------
    changed : a recording came, went, moved, was shown, or its figures are there
    failed : a sentence
    """

    changed = Signal()
    failed = Signal(str)
    #: Whether settings are steps of undo of the workbench.
    _undoable = True

    def __init__(self, workbench: Workbench, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._workbench = workbench
        self._known: list[Recording] = []
        self.traces: list[Trace] = []
        self._errands: list[Errand] = []
        self._loading = False
        #: Where a drag began, and what has not been aligned since it was read in.
        self._before: dict[Trace, Recording] = {}
        self._fresh: set[Trace] = set()
        #: so many times recordings were laid over curves
        self._asked = 0
        workbench.replaced.connect(self._load)
        workbench.path_changed.connect(self._keep)
        workbench.laid.connect(self._take)
        workbench.answer_changed.connect(self._lay_anew)
        workbench.truth_changed.connect(self._lay_anew)
        self._laid_for: object = None

    def read(self, path: Path, ready: Any) -> None:
        """Read a file beside the window; `ready` gets the capture."""
        errand = Errand("recording", self._workbench.build, {"path": str(path)}, self)
        self._errands.append(errand)
        errand.done.connect(ready)
        errand.failed.connect(self.failed.emit)

    def stop(self) -> None:
        """End what is being read."""
        for errand in self._errands:
            errand.stop()
        self._errands.clear()

    def add(self, recording: Recording, capture: Capture, *, hidden: bool) -> Trace:
        """One more; it takes the place of another on the same clip and event."""
        for old in [t for t in self.traces if _same(t.recording, recording)]:
            self.remove(old)
        trace = Trace(recording, capture)
        trace.hidden = hidden
        self.traces.append(trace)
        self._known.append(recording)
        self._fresh.add(trace)
        self._keep()
        self.changed.emit()
        return trace

    def remove(self, trace: Trace) -> None:
        """Take it off."""
        self.traces.remove(trace)
        self._known = [r for r in self._known if r is not trace.recording]
        self._keep()
        self.changed.emit()

    def set(self, trace: Trace, **fields: Any) -> None:
        """Other settings of one, as one step of undo; its figures are read off anew."""
        before = self._before.pop(trace, trace.recording)
        after = msgspec.structs.replace(trace.recording, **fields)
        if after == before or not self._undoable:
            self._put(trace, after)
            return
        only_moved = after == msgspec.structs.replace(before, shift_s=after.shift_s)
        text = f"{'Move' if only_moved else 'Set'} the recording"
        self._workbench.undo_stack.push(
            Snapshot(partial(self._put, trace), text, before, after, None)
        )

    def move(self, trace: Trace, **fields: Any) -> None:
        """The same while a hand still drags: drawn, nothing read off."""
        self._before.setdefault(trace, trace.recording)
        self._exchange(trace, msgspec.structs.replace(trace.recording, **fields))

    def _put(self, trace: Trace, recording: Recording) -> None:
        """Set by hand, undone or redone; of one that was taken off there is nothing to set."""
        if trace in self.traces:
            self._exchange(trace, recording)
            self.lay(trace)
            self._keep()

    def _exchange(self, trace: Trace, new: Recording) -> None:
        self._known = [new if r is trace.recording else r for r in self._known]
        if new.key != trace.recording.key:
            # it was expected of another place
            trace.band = None
        trace.recording = new
        trace.row = None
        # what was asked of it where it lay before says nothing of where it lies now
        trace.moved_after = self._asked
        self.changed.emit()

    def lay(self, trace: Trace, how: str = "as it is") -> None:
        """Have it aligned and held against what is on the screen."""
        if how != "as it is" and trace.row is not None:
            trace.row = None
            self.changed.emit()
        r = trace.recording
        names = [event.name for event in self._workbench.events]
        if r.event in names:
            self._asked += 1
            self._workbench.lay(
                Laying(
                    key=r.key,
                    event=names.index(r.event),
                    times=trace.capture.times,
                    values=trace.values(),
                    how=how,
                    shift_s=r.shift_s,
                    within=self._close_stretch(trace),
                    number=self._asked,
                )
            )

    def _close_stretch(self, trace: Trace) -> tuple[float, float] | None:
        """What is looked at closely, if a recording is short enough to be of that alone."""
        window, times = self._workbench.window, trace.capture.times
        if window is None or times[-1] - times[0] > _LONGER * (window[1] - window[0]):
            return None
        return window

    def show(self, trace: Trace) -> None:
        """The reveal."""
        trace.hidden = False
        self.changed.emit()

    def of_curve(self, curve: Curve) -> Trace | None:
        """The recording that lies over a curve in the present event."""
        name = self._event_name()
        return next(
            (t for t in self.traces if t.recording.key == curve.key and t.recording.event == name),
            None,
        )

    def present(self) -> Trace | None:
        """The one of the present event, the newest first."""
        name = self._event_name()
        return next((t for t in reversed(self.traces) if t.recording.event == name), None)

    def _event_name(self) -> str:
        return self._workbench.events[self._workbench.event_index].name

    def _take(self, row: LaidRow) -> None:
        for trace in self.traces:
            late = row.number <= trace.moved_after
            here = trace.recording.key == row.key and trace.recording.event == self._event_name()
            if here and not late:
                if not row.why and row.how != "as it is":
                    new = msgspec.structs.replace(trace.recording, shift_s=row.shift_s)
                    if trace in self._fresh:
                        # where it lies at first is nothing to go back from
                        self._fresh.discard(trace)
                        self._exchange(trace, new)
                        self._keep()
                    else:
                        self.set(trace, shift_s=row.shift_s)
                trace.row = row
                self.changed.emit()

    def _lay_anew(self) -> None:
        """Another solution is on the screen: the figures are of the old one."""
        bench = self._workbench
        answer = bench.answer
        trace = self.present()
        if trace is None or answer is None or bench.stale or answer.live:
            return
        of = (answer.request_id, answer.detail, bench.truth, id(trace))
        if of != self._laid_for:
            self._laid_for = of
            self.lay(trace)

    # What is remembered

    def _file(self) -> Path | None:
        path = self._workbench.path
        return None if path is None else path.with_name(f"{path.stem}.recordings.json")

    def _keep(self) -> None:
        file = self._file()
        if file is None or self._loading:
            return
        try:
            if self._known:
                rows = tuple(_from_folder(r, file.parent) for r in self._known)
                file.write_bytes(
                    msgspec.json.format(msgspec.json.encode(_Beside(recordings=rows)), indent=1)
                )
            elif file.exists():
                file.unlink()
        except OSError as error:
            self.failed.emit(f"{file.name}: cannot be written: {error.strerror}.")

    def _load(self) -> None:
        """The recordings of the build that has just been opened."""
        self.stop()
        self.traces, self._known = [], []
        file = self._file()
        if file is not None and file.exists():
            try:
                found = msgspec.json.decode(file.read_bytes(), type=_Beside)
            except (OSError, msgspec.MsgspecError) as error:
                # left as it is: nothing is kept over a file that cannot be read
                self._loading = True
                self.failed.emit(f"{file.name}: cannot be read: {error}. It is left as it is.")
                self.changed.emit()
                return
            for row in found.recordings:
                self._read_again(row, file.parent)
        self._loading = False
        self.changed.emit()

    def _read_again(self, row: Recording, folder: Path) -> None:
        path = folder / row.path
        row = msgspec.structs.replace(row, path=str(path))
        self._known.append(row)

        def ready(capture: Capture) -> None:
            if row not in self._known or row.channel > len(capture.channels):
                return
            self.traces.append(Trace(row, capture))
            self.changed.emit()
            self._lay_anew()

        self.read(path, ready)


def _same(one: Recording, other: Recording) -> bool:
    return one.key == other.key and one.event == other.event


def _from_folder(row: Recording, folder: Path) -> Recording:
    """With its path from the build's folder, where it lies below it."""
    try:
        path = Path(row.path).resolve().relative_to(folder.resolve()).as_posix()
    except ValueError:
        return row
    return msgspec.structs.replace(row, path=path)

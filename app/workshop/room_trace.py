"""The room's own recording beside the model's curve, picked by hand from a CSV file.

A trace belongs to what the screen showed when it was picked (build, changes, option, event),
for over another build it would say nothing; it comes back whenever that screen does.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtWidgets import QFileDialog, QMenu

from app.panels.recording_words import difference_words
from app.recordings import UNITS, Recording, Recordings

if TYPE_CHECKING:
    from collections.abc import Callable

    from PySide6.QtWidgets import QWidget

    from app.recordings import Trace
    from app.solver.protocol import Curve
    from app.workbench import Workbench
    from sim.capture import Capture

_FILTER = "Recording (*.csv *.txt *.tsv);;All files (*)"
_PROBES = {1.0: "Probe as the file says", 10.0: "10x probe, scope set to 1x",
           0.1: "1x probe, scope set to 10x"}  # fmt: skip


class RoomTraces(Recordings):
    """What the room recorded, by screen; shown only where `may_show` says so."""

    # undo on a lesson's bench goes back in the lesson
    _undoable = False

    def __init__(self, bench: Workbench, may_show: Callable[[], bool], parent: QWidget) -> None:
        super().__init__(bench, parent)
        self._bench = bench
        self._may_show = may_show
        self._window = parent
        self._scene: object = None
        self._by_scene: dict[object, list[Trace]] = {}
        self._waiting: tuple[object, Path, Capture] | None = None
        bench.answer_changed.connect(self._place_waiting)

    def set_scene(self, scene: object) -> None:
        """The screen shows something else; traces of that are what there is now."""
        self._scene = scene
        self.traces = self._by_scene.setdefault(scene, [])
        self.changed.emit()

    def of_curve(self, curve: Curve) -> Trace | None:
        """None also where it would give an answer away."""
        return super().of_curve(curve) if self._may_show() else None

    def in_words(self) -> str:
        """How far room and model are apart, for the presenter; "" without a trace."""
        trace = self.present()
        return "" if trace is None else f"The room's trace: {difference_words(trace)}".strip()

    def key(self) -> None:
        """Pick a file; where a trace is there already, what can be done with it."""
        trace = self.present()
        if trace is None:
            self.choose()
        else:
            self.menu(trace).popup(self._window.mapToGlobal(self._window.rect().center()))

    def choose(self) -> None:
        """Ask for a file."""
        name, _ = QFileDialog.getOpenFileName(
            self._window, "The room's recording", str(Path.home()), _FILTER
        )
        if name:
            self.pick(Path(name))

    def pick(self, path: Path) -> None:
        """Read a file and lay it over the first voltage (or current) of this screen."""
        scene = self._scene

        def ready(capture: Capture) -> None:
            self._waiting = scene, path, capture
            self._place_waiting()

        self.read(path, ready)

    def menu(self, trace: Trace) -> QMenu:
        """What can be done with a trace."""
        menu = QMenu(self._window)
        menu.addAction("Best shift").triggered.connect(lambda _=0: self.lay(trace, "best"))
        menu.addAction("At its trigger").triggered.connect(lambda _=0: self.lay(trace, "trigger"))
        menu.addSeparator()

        def offer(words: str, present: bool, **fields: Any) -> None:
            if not present:
                menu.addAction(words).triggered.connect(
                    lambda _=0, fields=fields: self.set(trace, **fields)
                )

        r = trace.recording
        answer = self._bench.answer
        for curve in () if answer is None else answer.curves:
            if (curve.reads == "amps") == (r.reads == "amps"):
                offer(f"Recorded at {curve.label}", curve.key == r.key, reads=curve.reads,
                      place=curve.place, ground=curve.ground)  # fmt: skip
        for k, channel in enumerate(trace.capture.channels, start=1):
            offer(f"Channel {channel.name}", k == r.channel, channel=k)
        for unit, (kind, _) in UNITS.items():
            if kind == UNITS[r.unit][0]:
                offer(f"Figures are in {unit}", unit == r.unit, unit=unit)
        for factor, words in _PROBES.items():
            offer(words, factor == r.probe, probe=factor)
        menu.addSeparator()
        menu.addAction("Another file…").triggered.connect(lambda _=0: self.choose())
        menu.addAction("Take it off").triggered.connect(lambda _=0: self.remove(trace))
        return menu

    def _place_waiting(self) -> None:
        """Lay what was read as soon as the curves of its screen are there."""
        bench = self._bench
        if self._waiting is None or bench.answer is None or bench.stale:
            return
        scene, path, capture = self._waiting
        self._waiting = None
        if scene != self._scene:
            self.failed.emit(f"{path.name}: the card was left before it was read. Pick it again.")
            return
        unit = capture.channels[0].unit
        wanted = ("amps",) if unit == "A" else ("volts", "offset")
        curve = next((c for c in bench.answer.curves if c.reads in wanted), None)
        if curve is None:
            what = "a current" if unit == "A" else "a voltage"
            self.failed.emit(f"{path.name}: this card's screen watches no place with {what}.")
            return
        recording = Recording(
            path=str(path), unit=unit, event=bench.events[bench.event_index].name,
            reads=curve.reads, place=curve.place, ground=curve.ground,
        )  # fmt: skip
        self.lay(self.add(recording, capture, hidden=False), "best")

    # A lesson has no file beside which these could be remembered, and its builds come and go

    def _keep(self) -> None:
        pass

    def _load(self) -> None:
        pass

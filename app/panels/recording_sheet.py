"""A recording of a real scope: first the expectation, then the reveal, then what it tells."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QRect, Qt, Signal
from PySide6.QtWidgets import (
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from app.panels.flat import FlatButton
from app.panels.recording_form import RecordingForm
from app.panels.recording_words import difference_words, fit_words, shot_words
from app.recordings import UNITS, Recording, Recordings, Trace
from app.solver.errand import Errand
from sim import quantity
from sim.errors import SimError

if TYPE_CHECKING:
    from collections.abc import Callable

    from PySide6.QtGui import QKeyEvent

    from app.look import Look
    from app.workbench import Workbench
    from sim.capture import Capture
    from sim.fit import Fit

CAUTION = (
    "Props off. VTX on its antenna or a dummy load. Scope ground to pack minus only; laptop on "
    "battery."
)
_FILTER = "Recording (*.csv *.txt *.tsv);;All files (*)"


class RecordingSheet(QFrame):
    """Stands over the frame, beside the curves, so that they stay in sight."""

    closed = Signal()

    def __init__(
        self,
        workbench: Workbench,
        recordings: Recordings,
        look: Look,
        parent: QWidget,
        area: Callable[[], QRect],
    ) -> None:
        super().__init__(parent)
        self._area = area
        self._workbench = workbench
        self._recordings = recordings
        self._look = look
        self._trace: Trace | None = None
        self._errand: Errand | None = None
        self._found: Fit | None = None
        self.setAccessibleName("Recording")
        self._make()
        recordings.changed.connect(self.refresh)
        recordings.failed.connect(self._failed)
        workbench.event_changed.connect(self._another)
        workbench.replaced.connect(self.close_sheet)
        look.changed.connect(self._restyle)
        self._restyle()
        self.hide()

    def _make(self) -> None:
        self._title = QLabel("Recording", textFormat=Qt.TextFormat.PlainText)
        self._close = FlatButton(self._look, "figure", "Close the recording")
        self._close.setText("×")
        self._close.clicked.connect(self.close_sheet)
        head = QHBoxLayout()
        head.addWidget(self._title)
        head.addStretch(1)
        head.addWidget(self._close)
        self.form = RecordingForm()
        self.form.edited.connect(self._set)
        self.best = QPushButton("Best shift")
        self.best.clicked.connect(lambda: self._align("best"))
        self.trigger = QPushButton("At its trigger")
        self.trigger.clicked.connect(lambda: self._align("trigger"))
        self._hint = QLabel("or drag it with Shift", wordWrap=True)
        align = QHBoxLayout()
        for widget in (self.best, self.trigger, self._hint):
            align.addWidget(widget)
        align.addStretch(1)
        self._aligning = QWidget()
        self._aligning.setLayout(align)
        align.setContentsMargins(0, 0, 0, 0)
        self.shot = QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText)
        self.shot.setAccessibleName("Your shot")
        self.guess = QLineEdit(placeholderText="your guess of its highest, such as 26 V")
        self.guess.setAccessibleName("Your guess of its highest")
        self.reveal = QPushButton("Reveal")
        self.reveal.clicked.connect(self._reveal)
        guess = QHBoxLayout()
        guess.addWidget(self.guess, 1)
        guess.addWidget(self.reveal)
        self._guessing = QWidget()
        self._guessing.setLayout(guess)
        guess.setContentsMargins(0, 0, 0, 0)
        self.difference = QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText)
        self.difference.setAccessibleName("Difference")
        self.fit = QPushButton("Fit what is unknown")
        self.fit.clicked.connect(self._fit)
        self.stop_button = QPushButton("Stop")
        self.stop_button.clicked.connect(self._stop)
        self.take = QPushButton("Take it over into the build")
        self.take.clicked.connect(self._take_over)
        fits = QHBoxLayout()
        for button in (self.fit, self.stop_button, self.take):
            fits.addWidget(button)
        fits.addStretch(1)
        self.result = QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText)
        self.result.setAccessibleName("Fitted")
        self.result.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.off = QPushButton("Take the recording off")
        self.off.clicked.connect(self._take_off)
        self.other = QPushButton("Another file…")
        self.other.clicked.connect(self.choose)
        self._caution = QLabel(CAUTION, wordWrap=True)
        foot = QHBoxLayout()
        foot.addWidget(self.off)
        foot.addWidget(self.other)
        foot.addStretch(1)
        inner = QWidget()
        column = QVBoxLayout(inner)
        column.setContentsMargins(0, 0, 8, 0)
        column.setSpacing(8)
        column.addWidget(self.shot)
        column.addWidget(self._guessing)
        column.addWidget(self.form)
        column.addWidget(self._aligning)
        column.addWidget(self.difference)
        column.addLayout(fits)
        column.addWidget(self.result)
        column.addStretch(1)
        column.addWidget(self._caution)
        column.addLayout(foot)
        self._scroll = QScrollArea(widgetResizable=True)
        self._scroll.setFrameShape(QFrame.Shape.NoFrame)
        self._scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._scroll.setWidget(inner)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(18, 10, 10, 10)
        whole.addLayout(head)
        whole.addWidget(self._scroll, 1)

    # Coming and going

    def open(self) -> None:
        """Stand over the frame; without a recording in this event a file is asked for."""
        self._trace = self._recordings.present()
        if self._trace is None:
            self.choose()
            return
        self._come()

    def _come(self) -> None:
        self.place_it()
        self.refresh()
        self.show()
        self.raise_()
        (self.guess if self._guessing.isVisibleTo(self) else self.best).setFocus()

    def place_it(self) -> None:
        """Where the frame is now."""
        self.setGeometry(self._area())

    def close_sheet(self) -> None:
        """Go; the recording stays on the curves."""
        self._stop()
        if self.isVisible():
            self.hide()
            self.closed.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Escape:
            self.close_sheet()
        else:
            super().keyPressEvent(event)

    def choose(self) -> None:
        """Ask for a file and lay it over the first clip."""
        bench = self._workbench
        folder = Path.home() if bench.path is None else bench.path.parent
        name, _ = QFileDialog.getOpenFileName(self, "Open a recording", str(folder), _FILTER)
        if name:
            self.import_file(Path(name))

    def import_file(self, path: Path) -> None:
        """Read a file beside the window, then call the shot."""
        self._recordings.read(path, lambda capture: self._read(path, capture))

    def _read(self, path: Path, capture: Capture) -> None:
        bench = self._workbench
        unit = capture.channels[0].unit
        wanted = ("amps",) if unit == "A" else ("volts", "offset")
        clips = [] if bench.answer is None else bench.answer.curves
        curve = next((c for c in clips if c.reads in wanted), None)
        if curve is None:
            what = "a current (A)" if unit == "A" else "a voltage (H)"
            self._recordings.failed.emit(
                f"{path.name}: nothing watches {what} yet. Hang a clip where it was recorded."
            )
            return
        recording = Recording(
            path=str(path),
            unit=unit,
            event=bench.events[bench.event_index].name,
            reads=curve.reads,
            place=curve.place,
            ground=curve.ground,
        )
        self._trace = self._recordings.add(recording, capture, hidden=True)
        self._found = None
        self.result.setText("")
        self._recordings.lay(self._trace, "best")
        self._come()
        self._call_shot()

    # Call your shot

    def _call_shot(self) -> None:
        trace = self._trace
        self._stop()
        if trace is None:
            return
        r = trace.recording
        if r.reads != "volts" or r.ground not in (None, r.place):
            # what is expected is worked out for voltages against pack minus
            self.shot.setText("What do you expect it to show?")
            return
        self.shot.setText("Working out what the model expects there…")
        bench = self._workbench
        arguments = {
            "option": None if bench.option is None else bench.option + 1,
            "event": bench.event_index + 1,
            "at": r.place,
        }
        self._errand = Errand("band", bench.build, arguments, self)
        self._errand.moved.connect(
            lambda share: self.shot.setText(
                f"Working out what the model expects there: {share:.0%}"
            )
        )
        self._errand.done.connect(lambda band: self._expect(trace, band))
        self._errand.failed.connect(self.shot.setText)

    def _expect(self, trace: Trace, band: Any) -> None:
        self._errand = None
        trace.band = band
        self._recordings.changed.emit()

    def _reveal(self) -> None:
        trace = self._trace
        if trace is None:
            return
        text = self.guess.text().strip()
        if text:
            try:
                bare = text.replace(",", ".").replace(".", "", 1).isdigit()
                unit = "A" if trace.recording.reads == "amps" else "V"
                trace.guess = quantity.parse(f"{text} {unit}" if bare else text, unit)
            except SimError as error:
                self.shot.setText(str(error))
                return
        self._recordings.show(trace)
        self._look_at(trace)
        self.best.setFocus()

    def _look_at(self, trace: Trace) -> None:
        """A short recording in a long event is looked at closely."""
        bench, times = self._workbench, trace.times()
        start, end = float(times[0]), float(times[-1])
        if bench.answer is None or end - start > 0.4 * bench.answer.duration_s:
            return
        room = 0.1 * (end - start)
        window = max(start - room, 0.0), min(end + room, bench.answer.duration_s)
        if window[1] > window[0]:
            bench.set_window(window)

    # What it is and where it lies

    def _set(self) -> None:
        trace = self._trace
        if trace is None:
            return
        r = trace.recording
        try:
            fields = self.form.fields()
        except SimError as error:
            self.difference.setText(str(error))
            return
        moved = fields.get("place", r.place) != r.place
        amps = UNITS[fields["unit"]][0] == "A"
        if amps != (fields.get("reads", r.reads) == "amps"):
            self.difference.setText(
                f"A recording in {fields['unit']} does not lie over that curve. Choose another "
                "place or unit."
            )
            return
        if all(getattr(r, name) == value for name, value in fields.items()):
            return
        self._recordings.set(trace, **fields)
        if moved and trace.hidden:
            self._call_shot()

    def _align(self, how: str) -> None:
        if self._trace is not None:
            self._recordings.lay(self._trace, how)

    def _take_off(self) -> None:
        self._stop()
        if self._trace is not None and self._trace in self._recordings.traces:
            self._recordings.remove(self._trace)
        self._trace = None
        self.close_sheet()

    # What it tells

    def _fit(self) -> None:
        trace = self._trace
        self._stop()
        if trace is None:
            return
        bench = self._workbench
        arguments = {
            "option": None if bench.option is None else bench.option + 1,
            "event": bench.event_index + 1,
            "at": trace.recording.place,
            "capture": _scaled(trace),
        }
        self._found = None
        self.result.setText("Fitting…")
        self._errand = Errand("fit", bench.build, arguments, self)
        self._errand.moved.connect(lambda share: self.result.setText(f"Fitting: {share:.0%}"))
        self._errand.done.connect(self._show_fit)
        self._errand.failed.connect(self._fit_failed)
        self.refresh()

    def _show_fit(self, found: Fit) -> None:
        self._errand = None
        self._found = found
        self.result.setText("\n".join(fit_words(found)))
        if self._trace is not None:
            self._recordings.set(self._trace, shift_s=found.shift_s)
        self.refresh()

    def _fit_failed(self, words: str) -> None:
        self._errand = None
        self.result.setText(words)
        self.refresh()

    def _take_over(self) -> None:
        """The fitted values into the build, as one step of undo."""
        found, bench = self._found, self._workbench
        if found is None:
            return
        try:
            bench.do(f"Take over what {found.capture} tells", bench.through(found.taken))
        except SimError as error:
            self.result.setText(str(error))
            return
        self._found = None
        self.result.setText(self.result.text() + "\nTaken over; Ctrl+Z takes it back.")
        self.refresh()

    def _stop(self) -> None:
        if self._errand is not None:
            self._errand.stop()
            self._errand = None
            if self.result.text().startswith("Fitting"):
                self.result.setText("Stopped.")
            self.refresh()

    # Showing

    def _failed(self, words: str) -> None:
        self.difference.setText(words)

    def _another(self) -> None:
        """Another event has recordings of its own."""
        if self.isVisible():
            self.close_sheet()

    def refresh(self) -> None:
        """Fill all boxes from the recording."""
        trace = self._trace
        if trace is None or trace not in self._recordings.traces:
            return
        r = trace.recording
        self._title.setText(f"{trace.capture.name}, in {r.event.lower()}")
        answer = self._workbench.answer
        self.form.fill(trace, () if answer is None else answer.curves)
        hidden = trace.hidden
        self._guessing.setVisible(hidden)
        self.shot.setText(shot_words(trace, self.shot.text()))
        self.shot.setVisible(bool(self.shot.text()))
        for widget in (self._aligning, self.difference, self.fit, self.result):
            widget.setVisible(not hidden)
        fitting = self._errand is not None and not hidden
        self.fit.setEnabled(not fitting)
        self.stop_button.setVisible(fitting)
        self.take.setVisible(not hidden and self._found is not None and bool(self._found.fitted))
        self.difference.setText(difference_words(trace))

    def _restyle(self) -> None:
        p = self._look.palette
        self.setStyleSheet(
            f"RecordingSheet {{ background: {p.card.name()};"
            f" border-right: 1.5px solid {p.ink.name()}; border-top: 1px solid {p.faint.name()}; }}"
            f"QScrollArea, QScrollArea > QWidget > QWidget {{ background: {p.card.name()}; }}"
        )
        self._title.setFont(self._look.font("name"))
        self.shot.setFont(self._look.font("figure"))
        for widget in (self._caution, self._hint):
            widget.setFont(self._look.font("small"))
            widget.setStyleSheet(f"color: {p.muted.name()}")
        self.form.restyle(self._look)
        buttons = (self.best, self.trigger, self.reveal, self.fit, self.stop_button, self.take)
        for widget in (*buttons, self.off, self.other, self.guess):
            widget.setFont(self._look.font())
        for label in (self.difference, self.result):
            label.setFont(self._look.font())


def _scaled(trace: Trace) -> Capture:
    """The capture with its one channel as it is shown, in volts."""
    from dataclasses import replace

    channel = trace.capture.channel(trace.recording.channel)
    unit = UNITS[trace.recording.unit][0]
    shown = replace(channel, values=trace.values(), unit=unit)
    return replace(trace.capture, channels=(shown,))

"""A real scope's recording over the curves: shot called, revealed, aligned, fitted, remembered.

The recordings are made of the model itself with other values, noise and a trigger of their
own: what comes out must be what went in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from msgspec.structs import replace
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QMouseEvent
from PySide6.QtWidgets import QFileDialog

import sim
from app.recordings import Recording, Trace
from sim.build import save
from sim.capture import Capture, Channel
from sim.errors import BadField
from sim.overlay import lay
from sim.signals import Signal
from sim.tolerance import varied
from tests.app.driver import WAIT_MS, Driver, with_capacitor

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from app.panels.recording_sheet import RecordingSheet
    from sim.build import Build
    from sim.solution import Solution

PADS = Signal("volts", "pads")
#: The scope's trigger came so long after the contact touched, s.
LATE = 7e-6


def plug_only() -> Build:
    """The small build with its plug-in alone, watched at the pads first: quickly compared."""
    build = with_capacitor()
    return replace(build, events=build.events[1:], clips=build.clips[::-1])


def plugged(build: Build, factor: float = 1.0) -> Solution:
    if factor != 1.0:
        build = varied(build, {"pack.inductance": factor})
    return sim.solve(build, event="Plug in", option=2)


def recorded(run: Solution, path: Path, scale: float = 1.0) -> Path:
    """What a scope would have written: 4000 points from before the contact on."""
    times = np.linspace(-10e-6, 150e-6, 4001)
    volts = np.where(times < 0.0, 0.0, run.sample([PADS], np.clip(times, 0.0, None))[0])
    volts = volts + np.random.default_rng(1).normal(0.0, 0.02, len(times))
    lines = [f"{t - LATE:.9e},{v * scale:.5f}" for t, v in zip(times, volts, strict=True)]
    path.write_text("Time (s),CH1\n" + "\n".join(lines) + "\n")
    return path


def imported(driver: Driver, path: Path) -> RecordingSheet:
    """At the plug-in with one on the pads: the file is read, the shot is called."""
    bench, window = driver.bench, driver.window
    driver.curves()
    bench.set_option(1)
    driver.curves()
    sheet = window.recording_sheet
    sheet.import_file(path)
    driver.qtbot.waitUntil(
        lambda: sheet.isVisible() and _trace(sheet).band is not None, timeout=WAIT_MS
    )
    return sheet


def _trace(sheet: RecordingSheet) -> Trace:
    assert sheet._trace is not None
    return sheet._trace


def test_the_shot_is_called_revealed_aligned_and_taken_off(
    opened: Callable[[Build], Driver], tmp_path: Path
) -> None:
    build = plug_only()
    driver = opened(build)
    sheet = imported(driver, recorded(plugged(build), tmp_path / "plug.csv"))
    scope, recordings = driver.window.scope, driver.window.recordings
    assert scope is not None
    strip = scope.strips[0]
    trace = _trace(sheet)
    assert trace.recording.place == "pads"
    # nothing of it is seen before the reveal
    assert trace.hidden
    assert strip._recorded._label.toPlainText() == ""
    assert "Expected" in sheet.shot.text()
    assert "Recorded highest" not in sheet.shot.text()
    sheet.guess.setText("3")
    sheet.reveal.click()
    highest = float(trace.values().max())
    assert "Recorded highest" in sheet.shot.text()
    assert "in the band" in sheet.shot.text()
    assert f"{highest - 3:.1f} V too low" in sheet.shot.text()
    assert strip._recorded._label.toPlainText() == "recorded"
    sheet.best.click()
    driver.until(recordings.changed, lambda: trace.row is not None and trace.row.how == "best")
    # its time 0 is the scope's trigger
    assert trace.recording.shift_s == pytest.approx(LATE, abs=0.1e-6)
    assert trace.row is not None
    assert trace.row.course == "true"
    assert trace.row.rms < 0.2
    assert "RMS" in sheet.difference.text()
    # dragged with Shift by a tenth of what is shown
    plot = strip.plot
    place = QPointF(100.0, 20.0)
    for kind, at in (
        (QMouseEvent.Type.MouseButtonPress, place),
        (QMouseEvent.Type.MouseMove, place + QPointF(plot.width() / 10.0, 0.0)),
        (QMouseEvent.Type.MouseButtonRelease, place + QPointF(plot.width() / 10.0, 0.0)),
    ):
        shift = Qt.KeyboardModifier.ShiftModifier
        button = Qt.MouseButton.LeftButton
        on_screen = QPointF(plot.mapToGlobal(QPoint(0, 0))) + at
        event = QMouseEvent(kind, at, on_screen, button, button, shift)
        {
            QMouseEvent.Type.MouseButtonPress: plot.mousePressEvent,
            QMouseEvent.Type.MouseMove: plot.mouseMoveEvent,
        }.get(kind, plot.mouseReleaseEvent)(event)
    assert trace.recording.shift_s == pytest.approx(LATE + 20e-6, abs=0.5e-6)
    driver.until(recordings.changed, lambda: trace.row is not None)
    assert trace.row.rms > 1.0
    # a row of where it lay before comes too late
    driver.bench.laid.emit(replace(trace.row, number=1, rms=0.0))
    assert trace.row.rms > 1.0
    # the whole drag is one step of undo, and what was aligned on reading it in is none
    stack = driver.bench.undo_stack
    dragged = trace.recording.shift_s
    assert stack.undoText() == "Move the recording"
    stack.undo()
    assert trace.recording.shift_s == pytest.approx(LATE, abs=0.1e-6)
    stack.redo()
    assert trace.recording.shift_s == dragged
    # hung elsewhere its shot is called anew
    sheet.form.place.setCurrentIndex(1)
    sheet.form.place.activated.emit(1)
    assert trace.recording.place == "esc1.in"
    assert trace.band is None
    assert stack.undoText() == "Set the recording"
    stack.undo()
    assert trace.recording.place == "pads"
    assert sheet.form.place.currentText() == "Pads"
    stack.redo()
    sheet.off.click()
    # what is undone of one that was taken off is nothing, and no fault
    stack.undo()
    assert not recordings.traces
    assert not sheet.isVisible()
    assert strip._recorded._label.toPlainText() == ""


def test_a_10x_probe_that_the_file_does_not_know_of(
    opened: Callable[[Build], Driver], tmp_path: Path
) -> None:
    build = plug_only()
    driver = opened(build)
    sheet = imported(driver, recorded(plugged(build), tmp_path / "tenth.csv", scale=0.1))
    trace = _trace(sheet)
    small = float(trace.values().max())
    sheet.form.probe.setCurrentIndex(1)
    sheet.form.probe.activated.emit(1)
    assert float(trace.values().max()) == pytest.approx(10.0 * small)
    sheet.reveal.click()
    assert "in the band" in sheet.shot.text()
    sheet.form.offset.setText("1 V")
    sheet.form.offset.editingFinished.emit()
    assert float(trace.values().max()) == pytest.approx(10.0 * small + 1.0)
    sheet.form.scale.setText("none")
    sheet.form.scale.editingFinished.emit()
    assert "no factor" in sheet.difference.text()


def test_what_is_unknown_is_fitted_and_taken_over_in_one_step(
    opened: Callable[[Build], Driver], tmp_path: Path
) -> None:
    build = plug_only()
    driver = opened(build)
    sheet = imported(driver, recorded(plugged(build, 1.5), tmp_path / "long.csv"))
    sheet.reveal.click()
    sheet.fit.click()
    assert sheet.stop_button.isVisible()
    driver.qtbot.waitUntil(lambda: sheet._found is not None, timeout=WAIT_MS)
    found = sheet._found
    assert found is not None
    pack = next(item for item in found.fitted if "pack.inductance" in item.addresses)
    assert pack.value == pytest.approx(1.5 * pack.before, rel=0.03)
    assert pack.low < pack.value < pack.high
    assert pack.off
    assert "95 %" in sheet.result.text()
    sheet.take.click()
    part = driver.bench.build.part("pack")
    assert part is not None
    given = part.values["inductance"]
    assert given.mark == "measured"
    assert given.source == "fitted to long.csv"
    assert given.value == pytest.approx(pack.value)
    driver.bench.undo_stack.undo()
    assert driver.bench.build == build


def test_a_recording_is_remembered_beside_the_build(
    opened: Callable[[Build], Driver], tmp_path: Path
) -> None:
    build = plug_only()
    driver = opened(build)
    sheet = imported(driver, recorded(plugged(build), tmp_path / "plug.csv"))
    sheet.reveal.click()
    file = tmp_path / "mine.json"
    save(build, file)
    driver.window.documents.save_as(file)
    beside = tmp_path / "mine.recordings.json"
    assert '"plug.csv"' in beside.read_text()
    again = opened(build)
    again.window.open(file)
    recordings = again.window.recordings
    again.until(recordings.changed, lambda: bool(recordings.traces))
    assert recordings.traces[0].recording.place == "pads"
    assert not recordings.traces[0].hidden
    recordings.remove(recordings.traces[0])
    assert not beside.exists()
    # a file that cannot be read is said and left alone
    beside.write_text("{")
    again.window.workbench.replace(build, file)
    assert "cannot be read" in again.window.strip.text
    assert beside.read_text() == "{"


def test_a_file_that_is_no_recording_is_refused(
    opened: Callable[[Build], Driver], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    path = tmp_path / "letter.csv"
    path.write_text("Dear all, no numbers here\n")
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: (str(path), ""))
    driver.key(Qt.Key.Key_I, Qt.KeyboardModifier.ControlModifier)
    driver.qtbot.waitUntil(lambda: "letter.csv" in driver.window.strip.text, timeout=WAIT_MS)
    assert not driver.window.recording_sheet.isVisible()


def test_the_trigger_and_the_slow_course() -> None:
    build = with_capacitor()
    run = sim.solve(build, event=1, option=2, detail="averaged")
    times = np.linspace(-4e-3, 15e-3, 3000)
    # recorded with its trigger where the chop starts to lift the pads, other ESC timing
    volts = sim.solve(build, event=1, option=2, seed=3).sample([PADS], times + 6e-3)[0]
    laid = lay(run, PADS, times, volts, how="best")
    assert laid.course == "slow"
    assert laid.shift_s == pytest.approx(6e-3, abs=0.3e-3)
    assert laid.rms < 0.3
    # what is told of its extremes is of every sample, however it was thinned for comparing
    long = np.linspace(-4e-3, 15e-3, 90_001)
    ripple = 15.0 + np.random.default_rng(3).normal(size=len(long))
    laid = lay(run, PADS, long, ripple, how="as it is", shift_s=6e-3)
    assert laid.recorded == (ripple.min(), ripple.max())
    plug = plugged(build)
    times = np.linspace(-3e-6, 60e-6, 2000)
    volts = np.where(times < -1e-6, 0.0, plug.sample([PADS], np.clip(times + 1e-6, 0, None))[0])
    laid = lay(plug, PADS, times, volts, how="trigger")
    assert laid.shift_s == pytest.approx(1e-6, abs=0.1e-6)
    with pytest.raises(BadField, match="does not cross"):
        lay(plug, PADS, times, volts + 1e3, how="trigger")
    with pytest.raises(BadField, match="too little time"):
        lay(plug, PADS, times, volts, how="as it is", shift_s=1.0)


def test_a_few_periods_of_ripple_are_laid_inside_what_is_looked_at() -> None:
    """With one steady ripple over the whole event, the best of all is anywhere."""
    run = sim.solve(with_capacitor(), event=1, option=1)
    period = 1.0 / 48e3
    window = 2e-3, 2e-3 + 5 * period
    times = np.linspace(0.0, 4 * period, 1200)
    volts = run.sample([PADS], times + 2.01e-3)[0]
    volts = volts + np.random.default_rng(5).normal(0.0, 0.02, len(times))
    laid = lay(run, PADS, times - period, volts, how="best", within=window)
    assert laid.course == "ripple"
    assert window[0] <= laid.shift_s - period <= window[1]
    # where it was read, or a carrier period beside it
    beside = (laid.shift_s - period - 2.01e-3) / period
    assert beside == pytest.approx(round(beside), abs=0.02)
    assert laid.rms < 0.1


def test_columns_hold_every_sample() -> None:
    rng = np.random.default_rng(2)
    values = rng.normal(size=10_000)
    capture = Capture("x", np.linspace(0, 1, 10_000), (Channel("a", "V", values, False),), ())
    trace = Trace(Recording(path="x", scale=2.0, offset=1.0), capture)
    drawn = trace.drawn(np.linspace(0, 1, 301))
    assert drawn is not None
    assert drawn[1].min() == 2.0 * values.min() + 1.0
    assert drawn[2].max() == 2.0 * values.max() + 1.0
    few = trace.drawn(np.linspace(0.5, 0.501, 301))
    assert few is not None
    assert few[1] is few[2]
    assert trace.drawn(np.linspace(2.0, 3.0, 10)) is None

"""What a recording is and where it lies: channel, unit, probe, place, shift and gain."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QComboBox, QGridLayout, QLabel, QLineEdit, QWidget

from app.recordings import UNITS
from app.scope.cursors import fine_seconds
from sim import quantity
from sim.errors import BadField

if TYPE_CHECKING:
    from app.look import Look
    from app.recordings import Recording, Trace
    from app.solver.protocol import Curve

_PROBES = {
    "as the file says": 1.0,
    "10x probe, scope set to 1x": 10.0,
    "1x probe, scope set to 10x": 0.1,
}


class RecordingForm(QWidget):
    """Boxes in two columns.

    Signals
    -------
    edited : a box was left or chosen from; `fields` says what they hold
    """

    edited = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.channel, self.unit, self.probe, self.place = (QComboBox() for _ in range(4))
        self.unit.addItems(list(UNITS))
        self.probe.addItems(list(_PROBES))
        self.shift, self.scale, self.offset = (QLineEdit() for _ in range(3))
        boxes: list[tuple[str, QWidget]] = [
            ("channel", self.channel),
            ("figures are in", self.unit),
            ("probe", self.probe),
            ("recorded at", self.place),
            ("shift", self.shift),
            ("times", self.scale),
            ("plus", self.offset),
        ]
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setColumnStretch(1, 1)
        grid.setColumnStretch(3, 1)
        self._boxes = [box for _, box in boxes]
        self._words: list[QLabel] = []
        for k, (words, box) in enumerate(boxes):
            label = QLabel(words)
            self._words.append(label)
            box.setAccessibleName(words)
            grid.addWidget(label, k // 2, 2 * (k % 2))
            grid.addWidget(box, k // 2, 2 * (k % 2) + 1)
        for combo in (self.channel, self.unit, self.probe, self.place):
            combo.setSizeAdjustPolicy(
                QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
            )
            combo.activated.connect(lambda _=0: self.edited.emit())
        for edit in (self.shift, self.scale, self.offset):
            edit.editingFinished.connect(self.edited.emit)

    def fields(self) -> dict[str, Any]:
        """What the boxes hold, by the names of a `Recording`; the shift only if it was typed.

        Raises
        ------
        SimError   if a box holds no such value
        """
        found: dict[str, Any] = {
            "channel": self.channel.currentIndex() + 1,
            "unit": self.unit.currentText(),
            "probe": _PROBES[self.probe.currentText()],
            "scale": _plain(self.scale.text()),
            "offset": quantity.parse(self.offset.text(), UNITS[self.unit.currentText()][0]),
        }
        if self.shift.isModified():
            found["shift_s"] = quantity.parse(self.shift.text(), "s")
        key = self.place.currentData()
        if key is not None:
            found |= {"reads": key[0], "place": key[1], "ground": key[2]}
        return found

    def fill(self, trace: Trace, curves: tuple[Curve, ...]) -> None:
        """Show a recording's; while it is hidden only what it was recorded with."""
        r = trace.recording
        _fill(self.channel, [c.name for c in trace.capture.channels], r.channel - 1)
        self.unit.setCurrentText(r.unit)
        self.probe.setCurrentIndex(list(_PROBES.values()).index(r.probe))
        self._fill_places(r, curves)
        span = float(trace.capture.times[-1] - trace.capture.times[0])
        if not self.shift.hasFocus():
            self.shift.setText(fine_seconds(r.shift_s, span))
        if not self.scale.hasFocus():
            self.scale.setText(f"{r.scale:g}")
        if not self.offset.hasFocus():
            self.offset.setText(quantity.format(r.offset, UNITS[r.unit][0], 4))
        for box, label in zip(self._boxes[4:], self._words[4:], strict=True):
            box.setVisible(not trace.hidden)
            label.setVisible(not trace.hidden)

    def restyle(self, look: Look) -> None:
        """Colours and type of the present look."""
        for label in self._words:
            label.setFont(look.font("small"))
            label.setStyleSheet(f"color: {look.palette.muted.name()}")
        for box in self._boxes:
            box.setFont(look.font())

    def _fill_places(self, r: Recording, curves: tuple[Curve, ...]) -> None:
        self.place.clear()
        for curve in curves:
            self.place.addItem(curve.label, curve.key)
        at = next((k for k, c in enumerate(curves) if c.key == r.key), -1)
        if at < 0:
            self.place.addItem(r.place, r.key)
            at = self.place.count() - 1
        self.place.setCurrentIndex(at)


def _plain(text: str) -> float:
    """A number without a unit.

    Raises
    ------
    BadField   if it is none
    """
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or value == 0.0:
        raise BadField("times", f"{text!r} is no factor", "Give a number such as 1 or -1")
    return value


def _fill(combo: QComboBox, names: list[str], index: int) -> None:
    if [combo.itemText(k) for k in range(combo.count())] != names:
        combo.clear()
        combo.addItems(names)
    combo.setCurrentIndex(index)

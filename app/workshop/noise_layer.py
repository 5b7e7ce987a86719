"""The noise path on the frame: weight and moving dashes in every conductor.

A conductor is as thick as its current in the band is large, and its dashes move as the current
of the band's strongest frequency does, slowed down: both from the solution. What flows out
along plus comes back along minus, unless another wire leads it back: then minus has its own.
"""

from __future__ import annotations

import cmath
import math
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, QRectF, Qt, QTimer
from PySide6.QtGui import QColor, QGuiApplication, QPainter, QPainterPath, QPen
from PySide6.QtWidgets import QGraphicsItem, QLabel, QStyleOptionGraphicsItem, QWidget

from sim import quantity

if TYPE_CHECKING:
    from collections.abc import Collection

    from app.look import Look
    from app.solver.protocol import LeadFlow
    from app.wiring.view import FrameView
    from app.workbench import Workbench
    from sim.build import Lead

BANDS = ("slow", "PWM", "edges")
_WORDS = ("Slow flow", "PWM ripple", "Edges")
_TIPS = (
    "What flows on average; braking sends it back into the pack",
    "What the chopping of the motors' current draws back and forth",
    "What each switching throws into the wires, far above the PWM frequency",
)
_Z = 6.0
_FRAME_MS = 16
#: One turn of the drawn current takes so many seconds; slow flow passes so many dashes a second.
_TURN_S = 2.0
_DASHES_A_SECOND = 2.5
# Pixels: the thickest and the thinnest line, and a dash with its gap.
_THICK, _THIN, _DASH, _GAP = 11.0, 1.2, 5.0, 9.0
#: Less is what rounding leaves of none.
_NOTHING_A = 1e-6
#: Below this share of the largest current nothing moves.
_STILL = 0.01


def led_by(lead: Lead, conductor: str, known: Collection[str]) -> tuple[str, float]:
    """Whose current a conductor of a lead carries, and with what sign along it.

    What goes out along a pair's plus comes back along its minus, but for pairs whose minus is
    known by itself.
    """
    if conductor != "minus" or lead.conductor != "pair":
        return lead.id, 1.0
    own = lead.minus_address
    return (own, 1.0) if own in known else (lead.id, -1.0)


class NoiseLayer(QGraphicsItem):
    """Above the leads, below the parts' words."""

    def __init__(self, view: FrameView, look: Look) -> None:
        super().__init__()
        self._view = view
        self._look = look
        self._band = 1
        self._time = 0.0
        self._flows: dict[str, LeadFlow] = {}
        self._area = QRectF()
        #: The largest current of each band since another build or event: one scale for all
        #: options, so that a capacitor is seen to take the current off the leads.
        self._scale = [0.0, 0.0, 0.0]
        self.setZValue(_Z)
        self.setAcceptedMouseButtons(Qt.MouseButton.NoButton)

    def show_flows(self, flows: dict[str, LeadFlow], band: int) -> None:
        self._flows, self._band = flows, band
        self.fit()
        for k in range(len(BANDS)):
            largest = max((flow.rms[k] for flow in flows.values()), default=0.0)
            self._scale[k] = max(self._scale[k], largest)
        self.update()

    def forget_scale(self) -> None:
        """Another build or event: its largest current is the thickest line."""
        self._scale = [0.0, 0.0, 0.0]

    def set_time(self, seconds: float) -> None:
        """Where in its motion the current is drawn."""
        self._time = seconds
        self.update()

    def current(self, id_: str) -> float:
        """Current along a lead as drawn now, A of the band's strongest frequency."""
        flow = self._flows[id_]
        turn = complex(*flow.turn[self._band])
        if self._band == 0:
            return turn.real
        return (turn * cmath.exp(2j * math.pi * self._time / _TURN_S)).real

    def weight(self, id_: str) -> float:
        """Width of a lead's conductors in pixels."""
        largest = self._largest()
        share = self._flows[id_].rms[self._band] / largest if largest else 0.0
        return _THIN + (_THICK - _THIN) * share

    def _largest(self) -> float:
        return self._scale[self._band]

    def _shift(self, flow: LeadFlow, largest: float) -> float:
        """How far the dashes have moved along the lead, in pixels."""
        turn = complex(*flow.turn[self._band])
        if self._band == 0:
            # whole dashes, so that nothing jumps however long it runs
            pace = _DASHES_A_SECOND * (_DASH + _GAP) * turn.real / largest
            return math.fmod(pace * self._time, _DASH + _GAP)
        # charge that has passed is the current's integral: a quarter turn behind it
        swing = turn / 1j * cmath.exp(2j * math.pi * self._time / _TURN_S)
        peak = max(abs(complex(*f.turn[self._band])) for f in self._flows.values()) or 1.0
        return 2.0 * _GAP * swing.real / peak

    def fit(self) -> None:
        """Take up the room of the leads as they lie now."""
        self.prepareGeometryChange()
        self._area = self._view.scene_.room_of(self._flows)

    def boundingRect(self) -> QRectF:
        # kept, not asked of the leads: a scene must be told before it changes
        return self._area

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        p = self._look.palette
        pixel = 1.0 / painter.worldTransform().m11()
        largest = self._largest()
        if largest <= 0.0:
            return
        for id_ in self._flows:
            item = self._view.scene_.leads.get(id_)
            if item is None or item.phases:
                continue
            for path, name in item.conductors():
                id_, way = led_by(item.lead, name, self._flows)
                flow = self._flows[id_]
                width = self.weight(id_) * self._look.scale * pixel
                still = flow.rms[self._band] < _STILL * largest
                shift = 0.0 if still else self._shift(flow, largest)
                self._paint_conductor(painter, path, p.plus if name == "plus" else p.minus,
                                      width, None if still else way * shift, pixel)  # fmt: skip

    def _paint_conductor(
        self,
        painter: QPainter,
        path: QPainterPath,
        colour: QColor,
        width: float,
        shift: float | None,
        pixel: float,
    ) -> None:
        pen = QPen(colour, width, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap)
        painter.strokePath(path, pen)
        if shift is None or width < 2.2 * pixel:
            return
        inner = max(0.42 * width, 1.2 * pixel)
        dashes = QPen(self._look.palette.card, inner, Qt.PenStyle.CustomDashLine)
        dashes.setCapStyle(Qt.PenCapStyle.FlatCap)
        # a pattern and its offset count in widths of the pen
        dashes.setDashPattern([_DASH * pixel / inner, _GAP * pixel / inner])
        dashes.setDashOffset(-shift * pixel / inner)
        painter.strokePath(path, dashes)


class NoisePath(QObject):
    """Shows the band that the workbench names, with a word on what is seen."""

    def __init__(self, view: FrameView, workbench: Workbench, look: Look) -> None:
        super().__init__(view)
        self._view = view
        self._bench = workbench
        self._look = look
        self.layer = NoiseLayer(view, look)
        self.layer.setVisible(False)
        view.scene_.addItem(self.layer)
        self.words = QLabel(view, textFormat=Qt.TextFormat.PlainText)
        self.words.setAccessibleName("Noise path")
        self.words.hide()
        self._timer = QTimer(self, interval=_FRAME_MS)
        self._timer.timeout.connect(self._step)
        workbench.noise_changed.connect(self.refresh)
        workbench.flows_changed.connect(self.refresh)
        workbench.build_changed.connect(self.layer.fit)
        workbench.path_changed.connect(self.layer.forget_scale)
        workbench.event_changed.connect(self.layer.forget_scale)
        look.changed.connect(self.refresh)

    def next_band(self) -> None:
        """PWM, edges, slow, then off."""
        order: tuple[int | None, ...] = (None, 1, 2, 0)
        at = order.index(self._bench.noise)
        self._bench.set_noise(order[(at + 1) % len(order)])

    def refresh(self) -> None:
        """Draw the present band, or nothing."""
        band, flows = self._bench.noise, self._bench.flows
        self.words.setVisible(band is not None)
        shown = band is not None and flows is not None
        self.layer.setVisible(shown)
        moving = shown and QGuiApplication.styleHints().cursorFlashTime() != 0
        if moving and not self._timer.isActive():
            self._timer.start()
        elif not moving:
            self._timer.stop()
        if band is None:
            return
        if flows is not None:
            self.layer.show_flows({flow.id: flow for flow in flows.leads}, band)
        p = self._look.palette
        self.words.setFont(self._look.font())
        words, room = self.in_words(), self._view.width() - 40
        self.words.setText(
            self.words.fontMetrics().elidedText(words, Qt.TextElideMode.ElideRight, room)
        )
        self.words.setStyleSheet(
            f"background: {p.card.name()}; color: {p.ink.name()};"
            f" border: 1px solid {p.faint.name()}; border-radius: 6px; padding: 2px 8px;"
        )
        self.words.setToolTip(_TIPS[band])
        self.words.adjustSize()
        self.words.move(8, 4)
        self.words.raise_()

    def in_words(self) -> str:
        """What the picture says: which lead carries most, and how much."""
        band, flows = self._bench.noise, self._bench.flows
        if band is None:
            return ""
        if flows is None:
            return f"{_WORDS[band]}: being read…"
        leads = [flow for flow in flows.leads if flow.id in self._view.scene_.leads]
        # copies of the motor wires say nothing new
        leads = [f for f in leads if not self._view.scene_.leads[f.id].phases]
        if not leads:
            return f"{_WORDS[band]}: no lead carries any."
        most = max(leads, key=lambda flow: flow.rms[band])
        if most.rms[band] < _NOTHING_A:
            return f"{_WORDS[band]}: no lead carries any."
        lead = self._bench.shown_build.lead(most.id)
        ends = most.id if lead is None else f"{self._name(lead.from_)} to {self._name(lead.to)}"
        amps = quantity.format(most.rms[band], "A", 2)
        if self._look.projector:
            return f"{_WORDS[band]}, most {amps}: {ends if lead is None else self._far(lead)}"
        kind = "" if band == 0 else " RMS"
        hz = "" if band == 0 else f", here at {quantity.format(flows.hz[band], 'Hz', 2)}"
        return f"{_WORDS[band]}{hz}. Most: {amps}{kind}, {ends}. P: next"

    def _far(self, lead: Lead) -> str:
        """One end is enough for a room: the part, not the joint it hangs on."""
        build = self._bench.shown_build
        ends = (lead.from_, lead.to)
        parts = [build.part(end.split(".")[0]) for end in ends]
        named = [e for e, p in zip(ends, parts, strict=True) if p is not None and p.kind != "joint"]
        return self._name((named or ends)[0])

    def _name(self, address: str) -> str:
        part = self._bench.shown_build.part(address.split(".")[0])
        return address if part is None else part.label or part.id

    def _step(self) -> None:
        self.layer.set_time(self.layer._time + _FRAME_MS / 1000.0)

"""Currents of one moment on the frame: weight and arrows in every conductor.

An arrow has moved by the charge that has passed, on one scale for all conductors; which way
it points is which way current flows then. What flows out along plus comes back along minus,
unless another wire leads it back: then minus has its own.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QPainter, QPainterPath, QPen, QRegion, QTransform
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem, QWidget

from app.wiring.still import Still
from app.workshop.noise_layer import led_by

if TYPE_CHECKING:
    from app.look import Look
    from app.solver.protocol import Moments
    from app.wiring.lead_item import LeadItem
    from app.wiring.view import FrameView

_Z = 6.1
# Pixels: the thickest and the thinnest line; from arrow to arrow; what an arrow moves in a
# second of watching at the largest current.
_THICK, _THIN, _SPACING, _PACE = 11.0, 1.2, 20.0, 45.0
#: Conductors thinner than this have no room for arrows, pixels.
_ROOM = 2.6
# Half an arrow's width, as a share of the conductor's; and its length to that.
_HALF, _LONG = 0.36, 1.6
# Widths and shifts are drawn to a part of a pixel: less is not seen, and what looks as before
# need not be painted anew.
_STEPS = 4
#: A conductor that runs aslant is covered by squares of about this size, pixels.
_PIECE = 24.0

#: A conductor's width and shift of its arrows, pixels, and which way they point.
Drawn = tuple[float, float, float]


class Track:
    """Points along a conductor, to be found by their way from its start."""

    def __init__(self, path: QPainterPath) -> None:
        points = [path.elementAt(k) for k in range(path.elementCount())]
        self.x = np.array([p.x for p in points])
        self.y = np.array([p.y for p in points])
        self.way = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(self.x), np.diff(self.y)))))

    def arrows(
        self, into: QPainterPath, first: float, spacing: float, half: float, way: float
    ) -> None:
        """Add arrow heads every `spacing` from `first` on, pointing along (1) or back (-1)."""
        if not math.isfinite(first) or self.way[-1] <= spacing / 2:
            return
        long = _LONG * half
        at = np.arange(first % spacing, self.way[-1], spacing)
        at = at[(at > long / 2) & (at < self.way[-1] - long / 2)]
        if not len(at):
            return
        # both ends in one go
        both = np.concatenate([at - way * long / 2, at + way * long / 2])
        x, y = np.interp(both, self.way, self.x), np.interp(both, self.way, self.y)
        (xa, xb), (ya, yb) = x.reshape(2, -1), y.reshape(2, -1)
        size = half / np.maximum(np.hypot(xb - xa, yb - ya), 1e-9)
        nx, ny = (ya - yb) * size, (xb - xa) * size
        corners = np.array([xa + nx, ya + ny, xa - nx, ya - ny, xb, yb]).T.tolist()
        for a, b, c, d, e, f in corners:
            into.moveTo(a, b)
            into.lineTo(c, d)
            into.lineTo(e, f)
            into.closeSubpath()

    def room(self, onto: QTransform, half: float) -> QRegion:
        """Squares along it on a view, `half` pixels to each side of its middle."""
        count = max(math.ceil(self.way[-1] * onto.m11() / _PIECE), 1)
        at = np.unique(np.concatenate([np.linspace(0.0, self.way[-1], count + 1), self.way]))
        x = onto.m11() * np.interp(at, self.way, self.x) + onto.dx()
        y = onto.m22() * np.interp(at, self.way, self.y) + onto.dy()
        region = QRegion()
        left, right = np.minimum(x[:-1], x[1:]) - half, np.maximum(x[:-1], x[1:]) + half
        top, bottom = np.minimum(y[:-1], y[1:]) - half, np.maximum(y[:-1], y[1:]) + half
        for a, b, c, d in zip(*(v.tolist() for v in (left, top, right, bottom)), strict=True):
            region += QRectF(a, b, c - a, d - b).toAlignedRect()
        return region


class SlowLayer(QGraphicsItem):
    """Above the leads, below the parts' words."""

    def __init__(self, view: FrameView, look: Look) -> None:
        super().__init__()
        self._view = view
        self._look = look
        self._moments: Moments | None = None
        self._area = QRectF()
        self._charge = np.zeros((0, 0))
        self._amps: dict[str, float] = {}
        self._passed: dict[str, float] = {}
        self._speed = 1.0
        #: Largest current since another build or event, A: one scale for all options.
        self._scale = 0.0
        self._tracks: dict[str, tuple[list[tuple[QPainterPath, str]], list[Track]]] = {}
        #: All that rests, as pictures, so that only what moves is painted.
        self.still = Still(view, self)
        #: How each lead's conductors look: width and shift in pixels, way of the arrows.
        self._looks: dict[str, tuple[Drawn, ...]] = {}
        self._rooms: dict[str, tuple[object, QTransform, QRegion]] = {}
        self.setZValue(_Z)
        self.setAcceptedMouseButtons(Qt.MouseButton.NoButton)

    def forget_scale(self) -> None:
        """Another build or event: its largest current is the thickest line."""
        self._scale = 0.0

    def show_moments(self, moments: Moments | None) -> None:
        """What is played from now on."""
        self._moments = moments
        self.fit()
        self._amps, self._passed, self._looks = {}, {}, {}
        self.still.set_on(moments is not None)
        if moments is None or moments.amps.size == 0:
            return
        steps = np.diff(moments.t) * (moments.amps[:, 1:] + moments.amps[:, :-1]) / 2.0
        self._charge = np.concatenate(
            [np.zeros((len(moments.amps), 1)), np.cumsum(steps, axis=1)], axis=1
        )
        self._scale = max(self._scale, float(np.abs(moments.amps).max()))

    def show_now(self, now: float, speed: float) -> None:
        """Draw the currents at a moment (s), watched at `speed` s of event a second."""
        moments = self._moments
        if moments is None or moments.amps.size == 0:
            return
        self._speed = speed
        amps = at(moments.t, moments.amps, now).tolist()
        passed = at(moments.t, self._charge, now).tolist()
        self._amps = dict(zip(moments.leads, amps, strict=True))
        self._passed = dict(zip(moments.leads, passed, strict=True))
        before, self._looks = self._looks, self._looks_now()
        if before.keys() != self._looks.keys():
            self.update()
            return
        region = QRegion()
        for id_, looks in self._looks.items():
            if looks != before[id_]:
                region += self._room(id_)
        if not region.isEmpty():
            self.still.show(region)

    def current(self, id_: str) -> float:
        """Current along a lead, from its `from` to its `to`, as drawn now, A."""
        return self._amps[id_]

    @property
    def currents(self) -> dict[str, float]:
        """All currents drawn now, A, by lead."""
        return dict(self._amps)

    def weight(self, id_: str) -> float:
        """Width of a lead's conductors in pixels."""
        share = abs(self._amps[id_]) / self._scale if self._scale else 0.0
        return _THIN + (_THICK - _THIN) * share

    def shift(self, id_: str) -> float:
        """How far the arrows of a lead have moved since the stretch began, in pixels."""
        largest = self._scale * self._speed
        return _PACE * self._passed[id_] / largest if largest else 0.0

    def fit(self) -> None:
        """Take up the room of the leads as they lie now."""
        self.prepareGeometryChange()
        leads = () if self._moments is None else self._moments.leads
        self._area = self._view.scene_.room_of(leads)

    def boundingRect(self) -> QRectF:
        # kept, not asked of the leads: a scene must be told before it changes
        return self._area

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        # leads may have come or gone, and a room's look has wider lines
        self._looks = self._looks_now()
        p = self._look.palette
        pixel = 1.0 / painter.worldTransform().m11()
        spacing = _SPACING * self._look.scale * pixel
        heads = QPainterPath()
        heads.setFillRule(Qt.FillRule.WindingFill)
        # a new pen for each line would cost nearly half as much as painting it
        solid, cap = Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap
        plus, minus = (QPen(colour, 1.0, solid, cap) for colour in (p.plus, p.minus))
        for id_, looks in self._looks.items():
            item = self._view.scene_.leads.get(id_)
            if item is None:
                continue
            lines, tracks = item.conductors(), self._tracks_of(item)
            for (path, name), track, (width, shift, way) in zip(lines, tracks, looks, strict=False):
                pen = plus if name == "plus" else minus
                pen.setWidthF(width * pixel)
                painter.strokePath(path, pen)
                if width >= _ROOM:
                    half = max(_HALF * width, 1.4) * pixel
                    track.arrows(heads, shift * pixel, spacing, half, way)
        painter.fillPath(heads, p.card)

    def _looks_now(self) -> dict[str, tuple[Drawn, ...]]:
        out = {}
        scale = self._look.scale
        for id_ in self._amps:
            item = self._view.scene_.leads.get(id_)
            if item is None or item.phases:
                continue
            looks = []
            for _, name in item.conductors():
                own, way = led_by(item.lead, name, self._amps)
                width = round(self.weight(own) * scale * _STEPS) / _STEPS
                if width < _ROOM:
                    looks.append((width, 0.0, 0.0))
                    continue
                shift = round(way * self.shift(own) * scale * _STEPS) / _STEPS
                looks.append((width, shift, math.copysign(way, way * self._amps[own])))
            out[id_] = tuple(looks)
        return out

    def _room(self, id_: str) -> QRegion:
        """What a lead takes up in the view at its thickest, pixels."""
        item = self._view.scene_.leads[id_]
        lines, onto = item.conductors(), self._view.viewportTransform()
        kept = self._rooms.get(id_)
        if kept is None or kept[0] is not lines or kept[1] != onto:
            half = _THICK * self._look.scale / 2 + 2.0
            region = QRegion()
            for track in self._tracks_of(item):
                region += track.room(onto, half)
            kept = self._rooms[id_] = (lines, onto, region)
        return kept[2]

    def _tracks_of(self, item: LeadItem) -> list[Track]:
        lines = item.conductors()
        kept = self._tracks.get(item.lead.id)
        # a lead that was laid anew has other lines
        if kept is None or kept[0] is not lines:
            kept = self._tracks[item.lead.id] = lines, [Track(path) for path, _ in lines]
        return kept[1]


def at(times: np.ndarray, values: np.ndarray, now: float) -> np.ndarray:
    """All rows of `values` (n, T) at one moment, on the line between two instants."""
    if len(times) < 2:
        return np.asarray(values[:, 0])
    k = int(np.clip(np.searchsorted(times, now, side="right") - 1, 0, len(times) - 2))
    share = min(max((now - times[k]) / (times[k + 1] - times[k]), 0.0), 1.0)
    return np.asarray(values[:, k] + share * (values[:, k + 1] - values[:, k]))

"""Views over frequency: what a signal holds, and what the supply's impedance is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QFontMetrics, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import QWidget

from app.look import LINE_STYLES
from app.scope.log_axis import decades, label, share, whole_decades

if TYPE_CHECKING:
    from collections.abc import Sequence

    from PySide6.QtGui import QMouseEvent

    from app.look import Look
    from app.solver.protocol import Across, Line

_TITLES = {
    "impedance": "Impedance of the supply, where the event starts",
    "spectrum": "Strength at each frequency, in what is shown",
}
_LEFT, _RIGHT, _TOP, _BOTTOM = 62, 12, 46, 28
#: Pixels between two figures.
_APART = 10
#: For a room: the title is left out, and figures stand where there is room for them.
_ROOM_TOP, _ROOM_BOTTOM = 22, 18
# Impedances and voltages below this share of the largest are nobody's concern.
_DECADES = {"impedance": 6, "spectrum": 5}


class AcrossView(QWidget):
    """Lines over frequency on logarithmic axes, with what stands where named."""

    def __init__(self, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._look = look
        self._across: Across | None = None
        self._pointer: float | None = None
        self.setMouseTracking(True)
        self.setAccessibleName("Over frequency")
        look.changed.connect(self.update)

    def show_across(self, across: Across | None) -> None:
        """Draw a view; None while it is on its way."""
        self._across = across
        self.setAccessibleDescription(self.in_words())
        self.update()

    def in_words(self) -> str:
        """The same for a screen reader: where each line is highest, and the marks."""
        across = self._across
        if across is None:
            return "being read"
        words = [across.why] if across.why else []
        for line in across.lines:
            if len(line.hz):
                k = int(np.argmax(line.value))
                words.append(
                    f"{line.label}: highest {label(float(line.value[k]), across.unit)} "
                    f"at {label(float(line.hz[k]), 'Hz')}"
                )
        words += [f"{mark.label} at {label(mark.hz, 'Hz')}" for mark in across.marks]
        return "; ".join(words)

    def value_at(self, hz: float) -> list[tuple[str, float]]:
        """Name and value of each line at a frequency; the larger of two neighbours."""
        if self._across is None:
            return []
        found = []
        for line in self._across.lines:
            if len(line.hz) and line.hz[0] <= hz <= line.hz[-1]:
                k = int(np.searchsorted(line.hz, hz))
                found.append((line.label, float(np.max(line.value[max(k - 1, 0) : k + 1]))))
        return found

    # Painting

    def paintEvent(self, event: object) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        p = self._look.palette
        across = self._across
        painter.setPen(p.ink)
        painter.setFont(self._look.font("name"))
        if across is None:
            painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, "being read…")
            return
        box = self._box()
        if not self._look.projector:
            painter.drawText(
                QRectF(self._scaled(_LEFT), 0, box.width(), self._scaled(20)),
                Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter,
                _TITLES[across.view],
            )
        lines = self._drawn()
        if not lines:
            painter.setFont(self._look.font())
            flags = Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap
            painter.drawText(box, flags, across.why or "Nothing to show: hang a clip on a joint.")
            return
        ranges = self._ranges()
        self._paint_grid(painter, box, ranges, across.unit)
        self._paint_marks(painter, box, ranges[0])
        painter.save()
        painter.setClipRect(box)
        for k, line in enumerate(lines):
            painter.setPen(QPen(p.line(k), 1.6 * self._look.scale, LINE_STYLES[k % 3]))
            x = box.left() + box.width() * _shares(line.hz, *ranges[0])
            y = box.bottom() - box.height() * _shares(line.value, *ranges[1])
            painter.drawPolyline(QPolygonF([QPointF(a, b) for a, b in zip(x, y, strict=True)]))
        painter.restore()
        self._paint_names(painter, box)
        if across.why:
            words = painter.fontMetrics().boundingRect(across.why)
            at = QPointF(box.left() + 6, box.bottom() - words.height() / 2)
            painter.fillRect(words.translated(at.toPoint()).adjusted(-2, 0, 2, 0), p.paper)
            painter.setPen(p.muted)
            painter.drawText(at, across.why)

    def _paint_grid(
        self,
        painter: QPainter,
        box: QRectF,
        ranges: tuple[tuple[float, float], tuple[float, float]],
        unit: str,
    ) -> None:
        p = self._look.palette
        painter.setFont(self._look.font("small"))
        height = painter.fontMetrics().height()
        free = 0.0
        for hz in decades(*ranges[0]):
            x = box.left() + box.width() * share(hz, *ranges[0])
            painter.setPen(QPen(p.faint, 1))
            painter.drawLine(QPointF(x, box.top()), QPointF(x, box.bottom()))
            painter.setPen(p.muted)
            words = label(hz, "Hz")
            half = painter.fontMetrics().horizontalAdvance(words) / 2 + 2
            left = min(max(x - half, 0.0), self.width() - 2 * half)
            if left < free:
                continue
            free = left + 2 * half + _APART
            painter.drawText(
                QRectF(left, box.bottom() + 4, 2 * half, height),
                Qt.AlignmentFlag.AlignCenter,
                words,
            )
        # the lowest would stand on the first of the other axis
        free = box.bottom() + height / 4
        for value in decades(*ranges[1]):
            y = box.bottom() - box.height() * share(value, *ranges[1])
            painter.setPen(QPen(p.faint, 1))
            painter.drawLine(QPointF(box.left(), y), QPointF(box.right(), y))
            if y + height / 2 > free:
                continue
            free = y - height / 2
            painter.setPen(p.muted)
            painter.drawText(
                QRectF(0, y - height / 2, box.left() - 6, height),
                Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter,
                label(value, unit),
            )

    def _paint_marks(self, painter: QPainter, box: QRectF, hz_range: tuple[float, float]) -> None:
        assert self._across is not None
        p = self._look.palette
        painter.setFont(self._look.font("small"))
        metrics = painter.fontMetrics()
        marks = []
        for mark in sorted(self._across.marks, key=lambda m: m.hz):
            seen = not self._look.projector or mark.label == "PWM"
            if seen and hz_range[0] <= mark.hz <= hz_range[1]:
                marks.append((mark, box.left() + box.width() * share(mark.hz, *hz_range)))
        for mark, x in marks:
            pen = QPen(p.limit if mark.kind == "PWM" else p.muted, 1)
            pen.setDashPattern([4, 3] if mark.kind == "PWM" else [1.5, 2.5])
            painter.setPen(pen)
            painter.drawLine(QPointF(x, box.top()), QPointF(x, box.bottom()))
        # Words lie on the lines, and not the lines on words.
        widths = [metrics.horizontalAdvance(mark.label) + 6.0 for mark, _ in marks]
        rows = int(box.height() / metrics.height())
        places = beside_marks([x for _, x in marks], widths, (box.left(), box.right()), rows)
        for (mark, _), width, place in zip(marks, widths, places, strict=True):
            if place is None:
                continue
            left, row = place
            y = box.top() + row * metrics.height()
            painter.fillRect(QRectF(left - 1, y, width, metrics.height()), p.paper)
            painter.setPen(p.ink if mark.kind == "PWM" else p.muted)
            painter.drawText(QPointF(left + 2, y + metrics.ascent()), mark.label)

    def _paint_names(self, painter: QPainter, box: QRectF) -> None:
        """Names of the lines, with their values where the pointer is."""
        assert self._across is not None
        p = self._look.palette
        painter.setFont(self._look.font("small"))
        metrics = painter.fontMetrics()
        values = {} if self._pointer is None else dict(self.value_at(self._pointer))
        title = self._room_title()
        top = self._scaled(0 if title else 22) + metrics.ascent()
        painter.setPen(p.ink)
        painter.drawText(QPointF(box.left(), top), title)
        places = self._name_places(metrics, box.left())
        for k, (line, (x, row)) in enumerate(zip(self._drawn(), places, strict=True)):
            words = line.label
            if line.label in values:
                words += f" {label(values[line.label], self._across.unit)}"
            y = top + row * metrics.height()
            painter.setPen(QPen(p.line(k), 2 * self._look.scale, LINE_STYLES[k % 3]))
            middle = y - metrics.ascent() / 3
            painter.drawLine(QPointF(x, middle), QPointF(x + 22, middle))
            painter.setPen(p.ink)
            painter.drawText(QPointF(x + 27, y), words)
        if self._pointer is not None:
            painter.setPen(p.muted)
            words = label(self._pointer, "Hz")
            painter.drawText(QPointF(box.right() - metrics.horizontalAdvance(words), top), words)

    # Where things are

    def _room_title(self) -> str:
        """One word before the names, where the title is left out."""
        assert self._across is not None
        return f"{self._across.view.capitalize()}: " if self._look.projector else ""

    def _drawn(self) -> list[Line]:
        return [] if self._across is None else [x for x in self._across.lines if len(x.hz)]

    def _name_places(self, metrics: QFontMetrics, left: float) -> list[tuple[float, int]]:
        """Where each line's name begins, and in which row: more than one where type is large."""
        x, row = left + metrics.horizontalAdvance(self._room_title()), 0
        places = []
        for line in self._drawn():
            wide = 27 + metrics.horizontalAdvance(line.label)
            if self._look.projector and places and x + wide > self.width():
                x, row = left, row + 1
            places.append((x, row))
            x += wide + 16
        return places

    def _scaled(self, pixels: float) -> float:
        return pixels * self._look.scale

    def _box(self) -> QRectF:
        left, right, top, bottom = (self._scaled(v) for v in (_LEFT, _RIGHT, _TOP, _BOTTOM))
        if self._look.projector:
            top, bottom = self._scaled(_ROOM_TOP), self._scaled(_ROOM_BOTTOM)
            metrics = QFontMetrics(self._look.font("small"), self)
            rows = self._name_places(metrics, left)
            top += rows[-1][1] * metrics.height() if rows else 0.0
        return QRectF(left, top, self.width() - left - right, self.height() - top - bottom)

    def _ranges(self) -> tuple[tuple[float, float], tuple[float, float]]:
        assert self._across is not None
        lines = self._drawn()
        hz = (min(float(x.hz[0]) for x in lines), max(float(x.hz[-1]) for x in lines))
        low = min(float(x.value.min()) for x in lines)
        high = max(float(x.value.max()) for x in lines)
        return hz, whole_decades(low, high, most=_DECADES[self._across.view])

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        box = self._box()
        self._pointer = None
        if self._drawn():
            low, high = self._ranges()[0]
            at = (event.position().x() - box.left()) / max(box.width(), 1.0)
            if 0.0 <= at <= 1.0:
                self._pointer = low * (high / low) ** at
        self.update()

    def leaveEvent(self, event: object) -> None:
        self._pointer = None
        self.update()


def beside_marks(
    marks: Sequence[float], widths: Sequence[float], room: tuple[float, float], rows: int
) -> list[tuple[float, int] | None]:
    """Left edge and row of the words of each mark: beside it, and on no other words.

    The highest row that is free; there rather at the right, and rather where no line of another
    mark is covered. None where all rows are full. All in pixels, marks from left to right.
    """
    taken: list[tuple[float, float, int]] = []
    places: list[tuple[float, int] | None] = []
    for x, width in zip(marks, widths, strict=True):
        lefts = [left for left in (x + 2.0, x - 2.0 - width) if room[0] <= left <= room[1] - width]
        free = [
            (left, row)
            for row in range(rows)
            for left in lefts
            if not any(r == row and left < right and a < left + width for a, right, r in taken)
        ]
        clear = [
            (left, row)
            for left, row in free
            if not any(left <= other <= left + width for other in marks if other != x)
        ]
        # Covering a line is better than standing more than two rows lower.
        best = min(clear, key=lambda p: p[1], default=None)
        if free and (best is None or best[1] > free[0][1] + 2):
            best = free[0]
        places.append(best)
        if best is not None:
            taken.append((best[0], best[0] + width, best[1]))
    return places


def _shares(values: np.ndarray, low: float, high: float) -> np.ndarray:
    return np.asarray(np.log(np.maximum(values, low * 1e-3) / low) / np.log(high / low))

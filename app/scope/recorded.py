"""A recording on a strip: its own colour, and the band it was expected in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyqtgraph as pg

from app.scope.plot import Course

if TYPE_CHECKING:
    from app.look import Look
    from app.recordings import Trace
    from app.scope.plot import Plot
    from app.solver.protocol import Curve
    from sim.fit import Band


#: Opacity of the fill between a recording's extremes, of 255.
_THROUGH = 80


class Recorded:
    """What lies over one strip's curve; empty until `show`."""

    def __init__(self, plot: Plot, look: Look) -> None:
        self._look = look
        self._there = False
        self._band = Course(plot, pairs=True)
        self._fill = Course(plot, pairs=True)
        self._lines = [Course(plot) for _ in range(2)]
        self._label = pg.TextItem(anchor=(0, 1))
        # the band behind all curves, the recording above them
        for depth, item in (
            (0.5, self._band),
            (10.0, self._fill),
            *((11.0, line) for line in self._lines),
            (19.0, self._label),
        ):
            item.setZValue(depth)
            item.hide()
            plot.addItem(item, ignoreBounds=True)

    def clear(self) -> None:
        """Nothing lies here."""
        if not self._there:
            return
        self._there = False
        for item in (self._band, self._fill, *self._lines):
            item.setData([], [])
            # An empty curve that is not hidden works out its bounds whenever it is asked for them.
            item.hide()
        self._label.setText("")
        self._label.hide()

    def show(self, trace: Trace, curve: Curve) -> None:
        """The recording over a curve; only its band while it is hidden."""
        self.clear()
        self._there = True
        p = self._look.palette
        width = 2.5 if self._look.projector else 1.3
        if trace.band is not None and curve.reads == "volts":
            self._band.setPen(pg.mkPen(p.faint if p.dark else p.deck, width=1))
            self._band.setData(*_pairs(*band_columns(trace.band, curve)), connect="pairs")
            self._band.show()
        if trace.hidden:
            return
        found = trace.drawn(np.asarray(curve.t))
        if found is None:
            return
        times, low, high = found
        pen = pg.mkPen(p.recorded, width=width)
        self._lines[0].setPen(pen)
        self._lines[0].setData(times, high)
        self._lines[0].show()
        if low is not high:
            self._lines[1].setPen(pen)
            self._lines[1].setData(times, low)
            self._lines[1].show()
            # what lies behind it is seen through it
            through = pg.mkColor(p.recorded)
            through.setAlpha(_THROUGH)
            self._fill.setPen(pg.mkPen(through, width=1))
            self._fill.setData(*_pairs(times, low, high), connect="pairs")
            self._fill.show()
        self._label.setColor(p.recorded)
        self._label.setFont(self._look.font("small"))
        self._label.setText("recorded")
        self._label.show()
        # above its middle: at the right end stands a ghost's name
        middle, around = len(high) // 2, max(len(high) // 16, 1)
        self._label.setAnchor((0.5, 1))
        self._label.setPos(
            float(times[middle]), float(high[max(middle - around, 0) : middle + around].max())
        )


def band_columns(band: Band, curve: Curve) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The band where a curve's columns are: times, lowest, highest."""
    middle = 0.5 * (np.asarray(curve.t[:-1]) + np.asarray(curve.t[1:]))
    at = np.clip(np.searchsorted(band.edges, middle, side="right") - 1, 0, len(band.low) - 1)
    return middle, band.low[at], band.high[at]


def extremes(trace: Trace, curve: Curve) -> list[float]:
    """Values that the scale has to hold."""
    values: list[float] = []
    if trace.band is not None and curve.reads == "volts":
        _, low, high = band_columns(trace.band, curve)
        values += [float(low.min()), float(high.max())]
    if not trace.hidden and (found := trace.drawn(np.asarray(curve.t))) is not None:
        values += [float(found[1].min()), float(found[2].max())]
    return values


def _pairs(times: np.ndarray, low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    across, up = np.repeat(times, 2), np.empty(2 * len(times))
    up[0::2], up[1::2] = low, high
    return across, up

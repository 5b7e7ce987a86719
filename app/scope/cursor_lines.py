"""The two cursors' lines on one strip."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyqtgraph as pg

from app.scope.cursors import NAMES

if TYPE_CHECKING:
    from app.look import Look
    from app.scope.plot import Plot


class CursorLines:
    """Both lines, and on the strip that is `named` their names; none until `show`."""

    def __init__(self, plot: Plot, look: Look) -> None:
        self._plot = plot
        self._look = look
        self._times: tuple[float, float] | None = None
        self._named = False
        #: Names stand at the foot of the strip: words of a limit have its top.
        self.foot = False
        self._lines: list[pg.InfiniteLine] = []
        self._labels: list[pg.TextItem] = []

    def show(self, times: tuple[float, float] | None, *, named: bool) -> None:
        """Hang them at two times (s); None: put away."""
        if (times is None) != (not self._lines) or named != self._named:
            self._named = named
            self._make(there=times is not None)
        self._times = times
        self.place()

    def place(self) -> None:
        """Where they hang in what is shown now."""
        times = self._times
        if times is None or not self._lines:
            self._plot.cursor_shares = ()
            return
        (left, right), (low, high) = self._plot.getViewBox().viewRange()
        span = max(right - left, 1e-15)
        self._plot.cursor_shares = tuple((time - left) / span for time in times)
        for line, time in zip(self._lines, times, strict=True):
            line.setValue(time)
        for label, time in zip(self._labels, times, strict=False):
            label.setAnchor((0.5, 1.0 if self.foot else 0.0))
            label.setPos(time, low if self.foot else high)
            label.setVisible(left <= time <= right)

    def restyle(self) -> None:
        """Colours and type of the present look."""
        if self._lines:
            self._make(there=True)
            self.place()

    def _make(self, *, there: bool) -> None:
        for item in (*self._lines, *self._labels):
            self._plot.removeItem(item)
        self._lines, self._labels = [], []
        if not there:
            return
        p = self._look.palette
        for name in NAMES:
            line = pg.InfiniteLine(0.0, angle=90, pen=pg.mkPen(p.ink, width=1))
            line.setZValue(20)
            self._plot.addItem(line, ignoreBounds=True)
            self._lines.append(line)
            if self._named:
                label = pg.TextItem(name, color=p.ink, fill=p.paper, anchor=(0.5, 0))
                label.setFont(self._look.font("small"))
                label.setZValue(21)
                self._plot.addItem(label, ignoreBounds=True)
                self._labels.append(label)

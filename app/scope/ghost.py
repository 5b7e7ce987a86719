"""The same place of another option, dotted behind a curve."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyqtgraph as pg

from app.scope.dashes import GHOST, set_line
from app.scope.plot import Course
from app.words import reading

if TYPE_CHECKING:
    from app.look import Look
    from app.scope.plot import Plot
    from app.solver.protocol import Curve


class Ghost:
    """A dotted line along the other option's highest values, with its name and peak."""

    def __init__(self, plot: Plot, look: Look) -> None:
        self._plot = plot
        self._look = look
        self.curve: Curve | None = None
        self._name = ""
        self.line = Course(plot)
        self.label = pg.TextItem(anchor=(1, 1))
        for depth, item in ((2.0, self.line), (5.0, self.label)):
            item.setZValue(depth)
            item.hide()
            plot.addItem(item, ignoreBounds=True)

    def show(self, curve: Curve | None, name: str) -> None:
        """Take another curve, and the option it is of; `draw` draws it."""
        self.curve, self._name = curve, name

    def draw(self, front: Curve) -> None:
        """Draw it, its name clear of the curve in front."""
        ghost = self.curve
        if ghost is None or len(ghost.high) == 0:
            if self.line.isVisible():
                self.line.setData([], [])
                self.label.setText("")
                self.line.hide()
                self.label.hide()
            return
        middle = (ghost.t[:-1] + ghost.t[1:]) / 2.0
        high = np.asarray(ghost.high)
        set_line(self.line, middle, high, GHOST, self._plot)
        peak = "" if ghost.peak is None else f": {reading(ghost.peak, ghost.reads)}"
        self.label.setText(f"{self._name}{peak}")
        self.line.show()
        self.label.show()
        self._place_label(front, float(middle[-1]), high)

    def restyle(self) -> None:
        """Colours and type of the present look."""
        p = self._look.palette
        self.line.setPen(pg.mkPen(p.muted, width=2.0 if self._look.projector else 1.0))
        self.label.setColor(p.muted)
        self.label.setFont(self._look.font("small"))

    def _place_label(self, front: Curve, end: float, high: np.ndarray) -> None:
        """At the right end, above both curves; below them where a limit or the edge is near."""
        low_edge, high_edge = self._plot.getViewBox().viewRange()[1]
        volts_per_pixel = (high_edge - low_edge) / max(self._plot.height(), 1)
        text = self.label.boundingRect()
        share = min(text.width() / max(self._plot.width(), 1), 1.0)
        tail = slice(-max(round(len(high) * share), 1), None)
        top = max(float(high[tail].max()), float(np.max(front.high[tail])))
        bottom = min(float(high[tail].min()), float(np.min(front.low[tail])))
        ceiling = top + text.height() * volts_per_pixel
        crossed = any(top < limit.value < ceiling for limit in front.limits)
        below = crossed or ceiling > high_edge
        self.label.setAnchor((1, 0) if below else (1, 1))
        self.label.setPos(end, bottom if below else top)

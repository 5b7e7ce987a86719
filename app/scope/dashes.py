"""Solid, dashed and dotted lines of many points.

Made by leaving out segments, because a dashed pen on a line of a thousand points costs ten
times a solid one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pyqtgraph as pg

#: Pixels on and off: solid, dash, dot; and the ghost's.
DASHES = ((1.0, 0.0), (7.0, 3.5), (2.0, 3.0))
GHOST = (1.5, 3.5)
# A line is cut into pieces of a pixel for its dashes, up to so many.
_MOST_PIECES = 6000


def set_line(
    line: pg.PlotCurveItem,
    across: np.ndarray,
    values: np.ndarray,
    dash: tuple[float, float],
    plot: pg.PlotWidget,
) -> None:
    """Give a line its points, in the view's units, cut into dashes of so many pixels."""
    if dash[1] == 0.0 or len(across) < 2:
        line.setData(across, values, connect="all")
        return
    # Cut by way on the screen, so that a steep flank is dashed like a flat stretch.
    low, high = plot.getViewBox().viewRange()[1]
    span = max(float(across[-1] - across[0]), 1e-15)
    dx = np.diff(across) / span * plot.width()
    dy = np.diff(values) / (high - low) * plot.height()
    way = np.concatenate(([0.0], np.cumsum(np.hypot(dx, dy))))
    pieces = np.linspace(0.0, way[-1], min(int(way[-1]) + 2, _MOST_PIECES))
    on = (pieces % (dash[0] + dash[1])) < dash[0]
    line.setData(
        np.interp(pieces, way, across),
        np.interp(pieces, way, values),
        connect=on.astype(np.int32),
    )

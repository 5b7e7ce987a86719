"""All currents and clips of a stretch at the same instants, for slow motion.

One grid of times for everything: a value between two instants is drawn on the straight line
between them, which is linear, so the currents at a joint sum to zero in between as they do at
the instants themselves.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from app.solver import rows
from app.solver.protocol import Moments
from sim.errors import Cancelled
from sim.noise_path import lead_addresses
from sim.signals import Signal

if TYPE_CHECKING:
    from collections.abc import Callable

    from app.solver.rows import Solved

#: Instants from each other, where the stretch is short enough; our choice.
_FINE_S = 50e-9
_FEWEST, _MOST = 2_000, 24_000
#: Of more edges than this only those are kept that the grid would tell apart anyway.
_MOST_EDGES = 8_000
# After an edge currents turn within nanoseconds: instants up to that long after it, close
# together at first. As many of them as the most of all instants leaves room for.
_AFTER_S = np.concatenate([np.arange(1, 61) * 2e-9, np.geomspace(125e-9, 1e-6, 20)])
_MOST_IN_ALL = 60_000
#: A jump at an edge is drawn as steep as this.
_JUMP_S = 0.1e-9
#: Read so many instants at a time, so that a newer question need not wait.
_BLOCK = 4_000


def moments(
    solved: Solved,
    window: tuple[float, float],
    request_id: int,
    cancelled: Callable[[], bool],
) -> Moments:
    """Currents along the leads, A, and what the clips read, at instants of a window.

    Raises
    ------
    Cancelled   if `cancelled` says so
    """
    solution = solved.solution
    times, edges = instants(solution.edge_times(*window), window)
    addresses = lead_addresses(solution.context.build, solved.network)
    ports = solution.equations.network.port_branches
    found = {id_: pair for id_, pair in addresses.items() if pair[0] in ports}
    clips = [clip for clip in solved.clips if clip.reads in ("volts", "offset", "amps")]
    signals = [Signal("amps", address) for address, _ in found.values()]
    signals += [rows.signal_of(clip) for clip in clips]
    values = np.zeros((len(signals), len(times)))
    for start in range(0, len(times), _BLOCK):
        if cancelled():
            raise Cancelled("moments", "stopped for a newer request")
        block = slice(start, start + _BLOCK)
        if signals:
            values[:, block] = solution.sample(signals, times[block])
    signs = np.array([sign for _, sign in found.values()])
    return Moments(
        request_id=request_id,
        window=window,
        t=times,
        edges=edges,
        leads=tuple(found),
        amps=signs[:, None] * values[: len(found)] if found else values[:0],
        clips=tuple((clip.reads, clip.tip, clip.ground) for clip in clips),
        values=values[len(found) :],
    )


def instants(edges: np.ndarray, window: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Evenly spaced instants (s) with both sides of every edge, and the edges among them."""
    start, end = window
    count = int(np.clip((end - start) / _FINE_S, _FEWEST, _MOST))
    if len(edges) > _MOST_EDGES:
        edges = edges[:0]
    room = (_MOST_IN_ALL - count) // max(len(edges), 1) - 2
    after = _AFTER_S[:: max(-(-len(_AFTER_S) // max(room, 1)), 1)]
    sides = np.concatenate([edges, edges - _JUMP_S, np.add.outer(edges, after).ravel()])
    times = np.unique(np.concatenate([np.linspace(start, end, count + 1), sides]))
    return times[(times >= start) & (times <= end)], np.unique(edges)

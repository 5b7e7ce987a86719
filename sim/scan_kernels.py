"""Extremes of outputs over the pieces of a run, bin by bin, written so that numba can compile them.

See `kernels` for what a run is made of and what the arrays are called, `extreme_kernels` for the
search itself.
"""

from __future__ import annotations

import numpy as np

from sim.extreme_kernels import search
from sim.followed_kernels import Steps
from sim.kernels import advance, compiled, compiled_lean, dot, on_disk

#: Most halvings of a stretch in which an extreme is looked for without compiled kernels.
LEVELS = 24


def ready() -> bool:
    """Extremes need not wait for a compiler."""
    return on_disk(scan) and on_disk(scan_ramps)


@compiled
def scan(
    t0: float,
    t1: float,
    bins: int,
    slack: float,
    across: int,
    across_slack: float,
    # pieces
    piece_t: np.ndarray,
    piece_d: np.ndarray,
    piece_pattern: np.ndarray,
    piece_ramp: np.ndarray,
    piece_y: np.ndarray,
    piece_held: np.ndarray,
    # patterns
    pairs: np.ndarray,
    rates: np.ndarray,
    forced: np.ndarray,
    # outputs, (patterns, rows, ...): of the modal state, one and held inputs
    row_all: np.ndarray,
    # lowest and highest so far, (rows, bins), and when
    low: np.ndarray,
    high: np.ndarray,
    low_at: np.ndarray,
    high_at: np.ndarray,
    halt: np.ndarray,
) -> None:
    """Lowest and highest of outputs in equal bins of a window, over its flat pieces.

    Within a piece an output is a sum of exponentials: pieces are searched as those of a followed
    run are, as if each were a single step in which nothing is followed. No extreme is further off
    than `slack`; what is found is of no use where halt[0] was set. The last `across` rows are of
    the window as a whole, see `extreme_kernels.search`.
    """
    patterns, n = len(pairs), piece_y.shape[1]
    run = Steps(
        piece_t, piece_d, piece_pattern, piece_ramp, piece_y, piece_held,
        np.zeros(len(piece_t) + 1, dtype=np.int64), np.zeros(0, dtype=np.int8), np.zeros((0, 0)),
        pairs, rates, forced, np.zeros((patterns, 0, n)), np.ones(1),
        np.zeros((patterns, 1), dtype=np.int64), np.zeros((0, 4, n)), np.zeros((0, 0, n)),
    )  # fmt: skip
    search(
        run, row_all, t0, t1, bins, slack, across, across_slack, low, high, low_at, high_at, halt
    )


@compiled_lean
def modal_force(
    at: int,
    p: int,
    force: np.ndarray,
    force_load: np.ndarray,
    force_drag: np.ndarray,
    held: np.ndarray,
    w: np.ndarray,
) -> None:
    """Modal force of pattern `at` under the held inputs of piece `p`, into w (n,).

    Whole tables come in and are indexed here: a view costs more than the sum it is for.
    """
    n_j, n_w = force_load.shape[2], force_drag.shape[2]
    for i in range(len(w)):
        total = force[at, i]
        for j in range(n_j):
            total += force_load[at, i, j] * held[p, j]
        for j in range(n_w):
            total += force_drag[at, i, j] * held[p, n_j + j]
        w[i] = total


@compiled
def scan_ramps(
    t0: float,
    t1: float,
    bins: int,
    piece_t: np.ndarray,
    piece_d: np.ndarray,
    piece_pattern: np.ndarray,
    piece_ramp: np.ndarray,
    piece_y: np.ndarray,
    piece_held: np.ndarray,
    pairs: np.ndarray,
    re: np.ndarray,
    im: np.ndarray,
    force: np.ndarray,
    force_load: np.ndarray,
    force_drag: np.ndarray,
    # shares of the ramp the nodes stand at, and outputs there, (ramps, nodes, rows, n) and so on
    node_at: np.ndarray,
    node_y: np.ndarray,
    node_0: np.ndarray,
    node_load: np.ndarray,
    node_drag: np.ndarray,
    rise: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    low_at: np.ndarray,
    high_at: np.ndarray,
) -> None:
    """Adds nodes inside full ramps to what `scan` found."""
    n = piece_y.shape[1]
    n_j, n_w = node_load.shape[3], node_drag.shape[3]
    y, w = np.zeros(n), np.zeros(n)
    width = (t1 - t0) / bins
    for p in range(len(piece_t)):
        ramp, end = piece_ramp[p], piece_t[p] + piece_d[p]
        if ramp < 0 or end < t0 or end > t1:
            continue
        at = piece_pattern[p]
        y[:] = piece_y[p]
        modal_force(at, p, force, force_load, force_drag, piece_held, w)
        advance(pairs[at], re[at], im[at], y, w, piece_d[p])
        for node in range(len(node_at)):
            when = end + node_at[node] * rise[ramp]
            if when > t1:
                break
            b = min(max(int((when - t0) / width), 0), bins - 1)
            for r in range(node_y.shape[2]):
                v = node_0[ramp, node, r] + dot(node_y[ramp, node, r], y)
                for j in range(n_j):
                    v += node_load[ramp, node, r, j] * piece_held[p, j]
                for j in range(n_w):
                    v += node_drag[ramp, node, r, j] * piece_held[p, n_j + j]
                if v > high[r, b]:
                    high[r, b], high_at[r, b] = v, when
                if v < low[r, b]:
                    low[r, b], low_at[r, b] = v, when

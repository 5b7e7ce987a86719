"""A curve over 1 ms to 60 ms in 200 columns was never done: the solver hung.

By rounding the last of the equal columns ended just before the window did, so the walk from
column to column could not reach its end. One window in a thousand is such a one.
"""

from __future__ import annotations

import json
import random

import numpy as np
import pytest

import sim
from sim.build import loads
from sim.signals import Signal
from sim.switching import _reached
from tests.sim.test_sizing import one_arm

ENDS_EARLY = (0.001, 0.06, 200)


def test_equal_columns_reach_the_end() -> None:
    t0, t1, columns = ENDS_EARLY
    assert t0 + columns * ((t1 - t0) / columns) < t1, "or this tests nothing"
    rng = random.Random(1)
    windows = [ENDS_EARLY]
    for _ in range(20_000):
        start = rng.uniform(0.0, 0.1)
        windows.append((start, start + 10 ** rng.uniform(-6, -1), rng.randint(1, 2000)))
    for t0, t1, columns in windows:
        end = _reached(t0, t1, columns)
        assert t0 + columns * ((end - t0) / columns) >= end
        assert end == pytest.approx(t1, rel=1e-14)


def test_a_walk_comes_to_the_end_of_any_window() -> None:
    """As kernels may sum: with other rounding than Python's, the last column ended early again."""
    tree = json.loads(sim.build.dumps(one_arm()))
    tree["events"][0]["duration"] = "3 ms"
    run = sim.solve(loads(json.dumps(tree).encode()), follow=False)
    signals = [Signal("volts", "esc1.in")]
    rng = random.Random(2)
    for _ in range(600):
        t0, t1 = sorted(rng.uniform(0.0, 3e-3) for _ in range(2))
        edges, low, high = run.envelope(signals, t0, t1, rng.randint(1, 300))
        assert edges[-1] == t1
        assert np.all(low <= high)


def test_such_a_window_is_drawn() -> None:
    tree = json.loads(sim.build.dumps(one_arm()))
    tree["events"][0]["duration"] = "60 ms"
    run = sim.solve(loads(json.dumps(tree).encode()))
    edges, low, high = run.envelope([Signal("volts", "esc1.in")], *ENDS_EARLY)
    grid = run.sample([Signal("volts", "esc1.in")], np.linspace(0.001, 0.06, 50_001)[:-1])[0]
    assert edges[-1] == pytest.approx(0.06)
    assert low.min() <= grid.min() + 1e-6
    assert high.max() >= grid.max() - 1e-6

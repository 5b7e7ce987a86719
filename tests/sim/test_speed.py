"""`sim.speed` in its tiny form: what it measures and how far off, never how long."""

from __future__ import annotations

import functools
import math
from dataclasses import replace

import numpy as np
import pytest

from sim import restarted, speed, switching
from sim.api import prepare
from sim.build import load, validate
from sim.carriers import draw
from sim.state_equations import stack_rows

#: Errors that hold at any length of the event; volts and shares of the swing.
BOUNDS = {
    "of the swing": 1e-4,
    "V at ESC pads": 1e-4,
    "V of the zoom outside": 1e-9,
    "V at ceramics on ESC pads": 0.02,
}


_told: list[str] = []


@functools.cache
def _rows() -> list[speed.Row]:
    return speed.measure(speed.TINY, _told.append)


def test_who_waits_is_told_what_is_measured() -> None:
    builds = {row.build.split(",")[0] for row in _rows()}
    for name in builds:
        steps = [words for words in _told if words.startswith(name)]
        assert [words.rsplit(", ")[-1] for words in steps] == [f"{n} of 6" for n in range(1, 7)]


def test_both_builds_have_the_same_rows() -> None:
    names = list(dict.fromkeys(row.build for row in _rows()))
    assert len(names) == 2
    heads = [
        [row.what.split(":")[0].split("(")[0] for row in _rows() if row.build == n] for n in names
    ]
    assert heads[0] == heads[1]
    said = " ".join(heads[0])
    for word in (
        "averaged",
        "edge",
        "fade",
        "without",
        "set-up",
        "schedule",
        "zoom",
        "envelope",
        "memory",
        "batch",
    ):
        assert word in said


def test_ratios_are_those_of_the_times() -> None:
    for row in _rows():
        assert 0.0 < row.seconds < math.inf
        assert (row.peer is None) == (row.peer_seconds is None) == (row.ratio is None)
        if row.ratio is not None and row.peer_seconds is not None:
            assert 0.0 < row.ratio < math.inf
            assert row.ratio == pytest.approx(row.peer_seconds / row.seconds)


def test_errors_are_within_their_bounds() -> None:
    found = {row.error_unit for row in _rows() if row.error is not None}
    assert found == set(BOUNDS)
    for row in _rows():
        assert (row.error is None) == (row.error_unit is None)
        if row.error is not None and row.error_unit is not None:
            assert 0.0 <= row.error <= BOUNDS[row.error_unit], row.what


def test_json_has_exactly_the_promised_keys() -> None:
    document = speed.to_json_dict(_rows())
    assert list(document) == ["rows"]
    keys = ["what", "build", "seconds", "peer", "peer_seconds", "ratio", "error", "error_unit"]
    assert all(list(row) == keys for row in document["rows"])


def test_the_hexa_is_a_build_with_12_more_capacitors() -> None:
    build = speed.hexa()
    validate(build)
    names = [part.id for part in build.parts]
    assert sum(name.startswith("esc") for name in names) == 6
    assert sum(name.startswith(("local", "extra")) for name in names) == 12


def test_contenders_take_turns() -> None:
    order: list[tuple[str, int]] = []
    times, last = speed.take_turns(
        2, lambda turn: order.append(("a", turn)), lambda turn: order.append(("b", turn)) or turn
    )
    assert order == [("a", 0), ("b", 0), ("a", 1), ("b", 1)]
    assert len(times) == 2
    assert last == [None, 1]


def test_the_reference_would_tell_an_edge_20_ns_late() -> None:
    """Otherwise the small errors above would say nothing about the schedule of edges."""
    build = speed.shortened(load(speed.SAMPLE), speed.TINY)
    case = prepare(build, speed.EVENT, speed.OPTION)
    run = switching.run(case.mean, case.drive, case.start, 0)
    eq = case.equations
    pads = stack_rows([eq.volts(*eq.network.ports["esc1.in"])])
    frequency, phase = (values[0] for values in draw(eq.network, 0))
    start = (5.0 - phase) / frequency - 2e-6
    row = restarted.spans(run, 0, start, start + 4e-6)
    late = [replace(s, start=s.start + 20e-9, end=s.end + 20e-9) for s in row]
    x0, angle = run.states(np.array([start]))[0], run.angles(start)

    def off(spans: list[restarted.Span]) -> float:
        bits = restarted.solve(case.mean, spans, x0, 1e-8, angle)
        at, expected = restarted.read(case.mean, bits, pads)
        return float(np.max(np.abs(run.sample(pads, at) - expected)))

    assert off(row) < 1e-4
    assert off(late) > 1e-3

"""The noise path on the frame: what is drawn is what the engine says."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from PySide6.QtCore import Qt

import sim
from sim.noise_path import noise_path
from tests.app.driver import Driver, with_capacitor

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.build import Build


def test_p_shows_bands_and_goes_away(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    bench, path = driver.bench, driver.window.noise_path
    bands = []
    for _ in range(4):
        driver.key(Qt.Key.Key_P)
        bands.append(bench.noise)
        if bench.noise is not None:
            driver.until(bench.flows_changed, lambda: bench.flows is not None)
            assert path.layer.isVisible()
            assert "A" in path.in_words()
    assert bands == [1, 2, 0, None]
    assert not path.layer.isVisible()
    assert not path.words.isVisible()


def test_weight_and_motion_are_the_engines(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    bench, path = driver.bench, driver.window.noise_path
    bench.set_noise(0)
    driver.until(bench.flows_changed, lambda: bench.flows is not None)
    assert bench.answer is not None
    assert bench.flows is not None
    detail = bench.answer.detail
    solution = sim.solve(bench.build, event=1, option=1, detail=detail)  # type: ignore[arg-type]
    wanted = noise_path(solution, 0.0, solution.duration_s)
    flows = {flow.id: flow for flow in bench.flows.leads}
    for id_ in ("main", "arm"):
        found = wanted.at(id_)
        assert found is not None
        assert flows[id_].rms == pytest.approx((abs(found.rms[0]), *found.rms[1:]), rel=1e-6)
        assert path.layer.current(id_) == pytest.approx(found.rms[0], rel=1e-6)
    # the whole current of the only ESC comes along both leads, at every instant
    for band in (0, 1, 2):
        bench.set_noise(band)
        for turn in range(5):
            path.layer.set_time(turn * 0.31)
            here, there = path.layer.current("main"), path.layer.current("arm")
            assert here == pytest.approx(there, rel=1e-6, abs=1e-9)


def test_currents_of_another_option_are_not_shown_on_this_one(
    opened: Callable[[Build], Driver],
) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    bench, path = driver.bench, driver.window.noise_path
    bench.set_noise(1)
    driver.until(bench.flows_changed, lambda: bench.flows is not None)
    bench.set_option(1)
    assert bench.flows is None
    assert not path.layer.isVisible()
    assert path.words.text().endswith("being read…")
    driver.until(bench.flows_changed, lambda: bench.flows is not None)
    assert path.layer.isVisible()


def test_options_share_one_scale(opened: Callable[[Build], Driver]) -> None:
    """A lead that carries less with a capacitor is drawn thinner, not as thick as before."""
    driver = opened(with_capacitor())
    driver.curves()
    bench, layer = driver.bench, driver.window.noise_path.layer
    bench.set_noise(0)
    driver.until(bench.flows_changed, lambda: bench.flows is not None)
    layer.show_flows(dict(layer._flows), 0)
    before = layer.weight("main")
    from msgspec.structs import replace

    halved = {
        id_: replace(flow, rms=tuple(v / 2 for v in flow.rms)) for id_, flow in layer._flows.items()
    }
    layer.show_flows(halved, 0)
    assert layer.weight("main") < before
    assert math.isfinite(before)

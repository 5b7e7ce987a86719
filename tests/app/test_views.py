"""Other views of the same answer: spectrum, impedance, where the joules go."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from PySide6.QtCore import Qt

import sim
from app.panels.option_menu import entries
from app.scope.log_axis import decades, share, whole_decades
from app.solver.protocol import Across, Joules
from sim.impedance import impedance
from tests.app.driver import Driver, with_capacitor

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.build import Build


def test_v_goes_through_the_views(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    bench, window = driver.bench, driver.window
    scope = window.scope
    assert scope is not None
    seen = []
    for _ in range(4):
        driver.key(Qt.Key.Key_V)
        if bench.view != "time":
            driver.until(bench.across_changed, lambda: bench.across is not None)
        seen.append((bench.view, scope.across_view.isVisible(), scope.joules_view.isVisible()))
    assert seen == [
        ("spectrum", True, False),
        ("impedance", True, False),
        ("joules", False, True),
        ("time", False, False),
    ]
    assert scope.strips[0].isVisible()


def test_impedance_is_the_engines(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    bench, scope = driver.bench, driver.window.scope
    assert scope is not None
    scope.view_row.buttons["impedance"].click()
    driver.until(bench.across_changed, lambda: isinstance(bench.across, Across))
    assert isinstance(bench.across, Across)
    lines = {line.place: line for line in bench.across.lines}
    line = lines["pads"]
    found = impedance(bench.build, "pads", hz=line.hz[::40], event=1, option=1)
    assert line.value[::40] == pytest.approx(found.values, rel=1e-6)
    assert "Pads: highest" in scope.across_view.in_words()
    # another option, another impedance, without being asked for
    without = lines["pads"].value[len(line.hz) // 2]
    bench.set_option(1)
    driver.until(
        bench.across_changed,
        lambda: (
            isinstance(bench.across, Across)
            and bench.across.request_id == bench._request_id
            and not bench.stale
        ),
    )
    assert isinstance(bench.across, Across)
    now = next(line for line in bench.across.lines if line.place == "pads")
    assert now.value[len(now.hz) // 2] != pytest.approx(without, rel=0.05)


def test_the_joules_add_up(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    bench, scope = driver.bench, driver.window.scope
    assert scope is not None
    scope.view_row.buttons["joules"].click()
    driver.until(bench.across_changed, lambda: isinstance(bench.across, Joules))
    joules = bench.across
    assert isinstance(joules, Joules)
    assert bench.answer is not None
    energy = bench.answer.energy
    used = sum(bar.joule for bar in joules.bars)
    assert used == pytest.approx(energy.dissipated_J, rel=1e-6)
    assert joules.from_sources == pytest.approx(energy.from_sources_J, rel=1e-6)
    solution = sim.solve(bench.build, event=1, option=1, detail="edges")
    assert used == pytest.approx(solution.energy.dissipated_J, rel=0.05)


def test_logarithmic_axes() -> None:
    assert decades(90.0, 1100.0) == [100.0, 1000.0]
    assert whole_decades(0.012, 3.0) == (0.01, 10.0)
    assert whole_decades(1e-9, 3.0, most=4) == (1e-3, 10.0)
    assert share(100.0, 10.0, 1000.0) == pytest.approx(0.5)


def test_before_and_after_on_one_key_with_axes_that_stay(
    opened: Callable[[Build], Driver],
) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    bench, scope = driver.bench, driver.window.scope
    assert scope is not None
    assert bench.option == bench.pinned == 0
    # from the first moment on, with nothing chosen yet, B goes to another option
    driver.key(Qt.Key.Key_B)
    assert (bench.option, bench.pinned) == (1, 0)
    driver.until(bench.answer_changed, lambda: bench.ghost is not None and not bench.stale)
    assert scope.strips[0]._ghost.curve is not None
    before = [strip._range for strip in scope.strips]
    seen: list[list[tuple[float, float]]] = []
    bench.answer_changed.connect(lambda: seen.append([strip._range for strip in scope.strips]))
    driver.key(Qt.Key.Key_B)
    assert (bench.option, bench.pinned) == (0, 1)
    driver.until(bench.answer_changed, lambda: bench.ghost is not None and not bench.stale)
    # not even between the answer and its ghost do the axes move
    assert seen
    assert all(ranges == before for ranges in seen)
    # the ghost is chosen from the card's menu, too
    entry = next(e for e in entries(bench, 1, driver.window) if e and e[0].startswith("No longer"))
    entry[2]()
    assert bench.pinned is None
    driver.until(bench.answer_changed, lambda: not bench.stale)
    assert scope.strips[0]._ghost.curve is None

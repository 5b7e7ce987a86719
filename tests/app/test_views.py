"""Other views of the same answer: spectrum, impedance, where the joules go."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetrics

import sim
from app.panels.option_menu import entries
from app.scope.across import beside_marks
from app.scope.log_axis import decades, share, whole_decades
from app.solver.protocol import Across, Joules
from sim import load
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


def test_words_of_marks_lie_beside_their_lines_and_on_no_others() -> None:
    """Lines of PWM went through "commutation" and "video line" of the spectrum."""
    # where they stand in a window of 1280 pixels
    marks, widths = [246.0, 253.0, 273.0, 305.0, 324.0], [82.0, 66.0, 36.0, 66.0, 66.0]
    places = [p for p in beside_marks(marks, widths, (60.0, 530.0), 20) if p is not None]
    assert len(places) == 5
    boxes = [(left, left + w, row) for (left, row), w in zip(places, widths, strict=True)]
    for k, (left, right, row) in enumerate(boxes):
        assert min(abs(left - marks[k]), abs(right - marks[k])) <= 4.0
        assert not any(a < right and left < b and r == row for a, b, r in boxes[:k])
    assert boxes[0][1] < marks[0], "there is room at the left of the first"
    assert max(row for _, _, row in boxes) <= 2
    # full rows: left out rather than laid on others
    assert beside_marks([100.0, 101.0, 102.0], [50.0] * 3, (90.0, 160.0), 2)[2] is None


def test_names_of_lines_fold_in_large_type(opened: Callable[[Build], Driver]) -> None:
    """ "Power board pads" was cut off after two letters."""
    driver = opened(load("arms_4s_analogue"))
    driver.window.resize(1280, 720)
    driver.curves()
    driver.bench.set_view("impedance")
    driver.until(driver.bench.across_changed, lambda: isinstance(driver.bench.across, Across))
    driver.key(Qt.Key.Key_F11)
    scope = driver.window.scope
    assert scope is not None
    view = scope.across_view
    driver.qtbot.wait(50)
    metrics = QFontMetrics(driver.window.look.font("small"))
    places = view._name_places(metrics, view._box().left())
    assert len(places) == 3
    for line, (x, _) in zip(view._drawn(), places, strict=True):
        assert x + 27 + metrics.horizontalAdvance(line.label) <= view.width()
    assert places[-1][1] > 0

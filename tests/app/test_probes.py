"""What a scope would show of a clip, and the truth; figures that are gone to."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QAction

import sim
from app.scope import probe_menu
from app.words import reading
from sim.errors import SimError
from sim.options import apply
from sim.probe import Probe, look
from sim.records import Change, Option, ProbeSettings
from sim.signals import Signal
from tests.app.driver import Driver, with_capacitor

if TYPE_CHECKING:
    from collections.abc import Callable

    from PySide6.QtWidgets import QMenu

    from app.solver.protocol import Curve
    from sim.build import Build

WIRE = ProbeSettings(ground_wire="150 mm")


def edges(driver: Driver) -> None:
    """Wait until every edge is solved, not averages."""
    driver.curves()
    bench = driver.bench
    driver.until(
        bench.answer_changed,
        lambda: bench.answer is not None and bench.answer.detail == "edges" and not bench.stale,
    )


def first(driver: Driver) -> Curve:
    assert driver.bench.answer is not None
    return driver.bench.answer.curves[0]


def chosen(menu: QMenu, words: str) -> None:
    """Take a menu's entry, also out of a submenu."""
    next(a for a in menu.findChildren(QAction) if a.text() == words).trigger()


def test_a_long_ground_wire_shows_a_false_ring_and_t_the_truth(
    opened: Callable[[Build], Driver],
) -> None:
    # edges of 10 ns against 1 nH of the ceramics: a step of a volt or so at the ESC
    quick = (Change(set="esc1.rise_time", value="10 ns"), Change(set="cer1.esl", value="1 nH"))
    driver = opened(apply(with_capacitor(), Option(name="", changes=quick)))
    edges(driver)
    bench, window = driver.bench, driver.window
    assert window.scope is not None
    # a stretch of an edge in which a ring of 119 MHz can be told apart
    solution = sim.solve(bench.build, event=1, option=1, seed=0)
    times = solution.edge_times(2e-3, 4e-3)
    around = np.stack([times - 5e-9, times + 15e-9])
    moved = np.abs(np.diff(solution.sample([Signal("volts", "esc1.in")], around.T.ravel())[0]))
    at = float(times[int(np.argmax(moved[::2]))])
    bench.set_window((at - 0.05e-6, at + 0.3e-6))
    strip = window.scope.strips[0]
    assert strip.probe.text() == "no probe"
    true_top = first(driver)
    chosen(probe_menu.menu(bench, 0, window), "150 mm")
    driver.until(bench.answer_changed, lambda: bool(first(driver).probe) and not bench.stale)
    assert "150 mm ground wire" in strip.probe.text()
    assert "on a scope" in strip.probe.text()
    signal = Signal("volts", "esc1.in")
    shown = look(solution, [signal], Probe(10, 0.15), at - 0.05e-6, at + 0.3e-6)
    drawn = first(driver)
    # the same extremes as the library, and the figure printed is the figure drawn
    assert drawn.high.max() == pytest.approx(shown.seen[0].max(), abs=1e-6)
    assert drawn.low.min() == pytest.approx(shown.seen[0].min(), abs=1e-6)
    assert drawn.peak == drawn.high.max()
    ends = [reading(float(v), "volts") for v in (drawn.low.min(), drawn.high.max())]
    assert strip.figure.text() == f"shown: {ends[0]} to {ends[1]}"
    # the ring is false: once the edge is over the wire shows volts that are not there, more
    # than there is at all between two columns of the truth; a spring at the tip shows few
    late = shown.times > at + 20e-9
    false = float(np.abs(shown.seen[0] - shown.true[0])[late].max())
    assert false > 0.1
    spring = look(solution, [signal], Probe(10), at - 0.05e-6, at + 0.3e-6)
    little = np.abs(spring.seen[0] - spring.true[0])[spring.times > at + 20e-9].max()
    assert false > 4.0 * little
    driver.key(Qt.Key.Key_T)
    driver.until(bench.answer_changed, lambda: not first(driver).probe)
    assert bench.truth
    assert strip.probe.text().startswith("the truth, without 10x")
    assert first(driver).high.max() <= max(true_top.high.max(), shown.true[0].max()) + 1e-6
    driver.key(Qt.Key.Key_T)
    driver.until(bench.answer_changed, lambda: bool(first(driver).probe))
    bench.undo_stack.undo()
    driver.curves()
    assert bench.build.clips[0].probe is None


def test_ac_coupling_takes_the_level_away_and_cursors_read_the_screen(
    opened: Callable[[Build], Driver],
) -> None:
    driver = opened(with_capacitor())
    edges(driver)
    bench = driver.bench
    probe_menu.set_probe(bench, 0, ProbeSettings(coupling="ac", bandwidth="20 MHz"))
    driver.until(bench.answer_changed, lambda: bool(first(driver).probe) and not bench.stale)
    drawn = first(driver)
    assert abs(0.5 * float(drawn.high.max() + drawn.low.min())) < 6.0
    assert not drawn.limits
    bench.set_cursors((1e-3, 4e-3))
    driver.until(bench.between_changed, lambda: bool(bench.between))
    assert abs(bench.between[0].mean) < 2.0
    assert bench.between[1].mean > 10.0


def test_a_wrong_probe_is_refused_in_words(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    with pytest.raises(SimError, match="ground wire"):
        probe_menu.set_probe(driver.bench, 0, ProbeSettings(ground_wire="30 m"))
    driver.key(Qt.Key.Key_T)
    assert "No clip has a probe" in driver.window.strip.text


def test_a_figure_is_gone_to(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.findings()
    bench, window = driver.bench, driver.window
    driver.until(
        bench.findings_changed,
        lambda: (
            bench.findings is not None
            and bench.findings.detail == "edges"
            and not bench.findings_stale
        ),
    )
    bench.set_event(1)
    driver.curves()
    card = window.cards.cards[0]
    driver.qtbot.mouseClick(
        card,
        Qt.MouseButton.LeftButton,
        pos=card.rect().bottomRight() - card.rect().center() / 8,
    )
    assert bench.findings is not None
    worst = bench.findings.cards[0].worst
    assert worst is not None
    assert bench.option == 0
    driver.until(
        bench.answer_changed,
        lambda: (
            bench.answer is not None
            and bench.answer.goal is not None
            and bench.answer.window == bench.window
            and not bench.stale
        ),
    )
    assert bench.answer is not None
    assert bench.events[bench.event_index].name == worst.event
    assert bench.answer.timing == worst.seed
    assert bench.selection == (worst.part,)
    curve = next(c for c in bench.answer.curves if c.place == worst.place)
    # the figure in the card is the extreme of the curve that is shown now
    extreme = curve.low.min() if worst.reads == "lowest" else curve.high.max()
    assert extreme == pytest.approx(worst.value, abs=2e-3)
    start, end = bench.answer.window
    assert bench.answer.moment_s is not None
    assert start <= bench.answer.moment_s <= end
    assert window.scope is not None
    strip = next(s for s in window.scope.strips if s._curve is curve)
    assert reading(worst.value, "volts") in strip._moment.toPlainText()


def test_a_rating_in_the_part_sheet_leads_to_its_figure(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    edges(driver)
    bench, window = driver.bench, driver.window
    window.part_sheet.open("esc1", window.rect().center())
    lines = window.part_sheet.summary
    assert lines.plain.splitlines()[0].startswith(("●", "▲", "■"))
    lines.linkActivated.emit("0")
    driver.until(
        bench.answer_changed,
        lambda: (
            bench.answer is not None
            and bench.answer.goal is not None
            and bench.answer.window == bench.window
            and not bench.stale
        ),
    )
    assert bench.answer is not None
    rating = bench.answer.part("esc1").ratings[0]  # type: ignore[union-attr]
    curve = next(c for c in bench.answer.curves if c.place == rating.place)
    assert float(curve.high.max()) == pytest.approx(rating.value, abs=2e-3)
    assert window.part_sheet.isVisible()

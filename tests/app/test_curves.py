"""Curves: cursors and what is read between them, edges, what is taken out of the window."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from PySide6.QtCore import QEvent, QObject, QPoint, Qt
from PySide6.QtGui import QImage
from PySide6.QtSvg import QSvgRenderer
from PySide6.QtWidgets import QFileDialog, QWidget

import sim
from app.look import Look
from app.scope.cursors import fine_seconds
from app.scope.heading import Heading
from app.scope.limit_lines import Name, scale_values, spots_for
from app.scope.strip import Strip
from app.solver.protocol import Curve, Limit
from sim.build import Clip
from sim.signals import Signal
from tests.app.driver import Driver, with_capacitor

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pytestqt.qtbot import QtBot

    from sim.build import Build


class Paintings(QObject):
    """How often a widget is painted."""

    def __init__(self, widget: QWidget) -> None:
        super().__init__(widget)
        self.count = 0
        widget.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        self.count += event.type() == QEvent.Type.Paint
        return False


def test_cursors_read_what_the_engine_says(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    bench, scope = driver.bench, driver.window.scope
    assert scope is not None
    assert not scope.cursor_row.isVisible()
    driver.key(Qt.Key.Key_C)
    driver.until(bench.between_changed, lambda: len(bench.between) == 2)
    assert bench.cursors is not None
    a, b = bench.cursors
    assert bench.answer is not None
    solution = sim.solve(bench.build, event=1, option=1, detail=bench.answer.detail)  # type: ignore[arg-type]
    signals = [Signal("volts", "esc1.in"), Signal("volts", "pads")]
    expected = solution.sample(signals, np.array([a, b]))
    grid = solution.sample(signals, np.linspace(a, b, 20_001))
    for k, row in enumerate(bench.between):
        assert row.at == pytest.approx(tuple(expected[k]), abs=1e-6)
        assert not row.bands or len(row.bands) == 4
        if row.slow:
            rms = float(np.sqrt(np.mean((grid[k] - grid[k].mean()) ** 2)))
            assert row.rms_ac == pytest.approx(rms, rel=1e-2)
            assert row.lowest == pytest.approx(grid[k].min(), abs=1e-3)
            assert row.highest == pytest.approx(grid[k].max(), abs=1e-3)
    assert "between:" in scope.strips[0].figure.text()
    assert scope.cursor_row.isVisible()
    driver.key(Qt.Key.Key_C)
    assert bench.cursors is None
    assert "peak" in scope.strips[0].figure.text()


def test_a_cursor_is_dragged_and_nudged(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    bench, scope, qtbot = driver.bench, driver.window.scope, driver.qtbot
    assert scope is not None
    driver.key(Qt.Key.Key_C)
    driver.until(bench.between_changed, lambda: bool(bench.between))
    before = bench.cursors
    window = bench.window
    plot = scope.strips[1].plot
    assert before is not None
    x = round(plot.cursor_shares[0] * plot.width())
    view = plot.viewport()
    qtbot.mousePress(view, Qt.MouseButton.LeftButton, pos=QPoint(x, 20))
    qtbot.mouseMove(view, QPoint(x + 40, 20))
    qtbot.mouseRelease(view, Qt.MouseButton.LeftButton, pos=QPoint(x + 40, 20))
    after = bench.cursors
    assert after is not None
    assert bench.window == window  # the curves did not move with it
    assert after[1] == before[1]
    assert after[0] == pytest.approx(before[0] + 40 / plot.width() * 0.03, abs=1e-4)
    qtbot.keyClick(scope.cursor_row.chips[1], Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    moved = bench.cursors
    assert moved is not None
    assert moved[1] == pytest.approx(before[1] + 10 / 500 * 0.03)


def test_another_event_puts_the_cursors_away(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    driver.key(Qt.Key.Key_C)
    driver.bench.set_event(1)
    assert driver.bench.cursors is None
    assert driver.bench.between == ()


@pytest.mark.parametrize(
    ("value", "span", "words"),
    [
        (0.0223104, 0.15, "22.3 ms"),
        (0.0223104, 1e-6, "22.3104 ms"),
        (1.2e-6, 1e-4, "1.2 µs"),
        (0.0, 0.15, "0"),
        (-0.0451, 0.15, "-45.1 ms"),
    ],
)
def test_times_have_the_digits_that_can_be_seen(value: float, span: float, words: str) -> None:
    assert fine_seconds(value, span) == words


def test_a_watched_current_has_its_own_scale(opened: Callable[[Build], Driver]) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    bench = driver.bench
    bench.select(("main", "esc1", "motor1"))
    driver.key(Qt.Key.Key_A)
    driver.curves()
    scope = driver.window.scope
    assert scope is not None
    names = [strip.name.text() for strip in scope.strips]
    assert names[2:] == ["pack to Pads, current", "ESC 1, current", "motor1, speed"]
    assert scope.strips[2].figure.text().endswith("A")
    assert scope.strips[4].figure.text().endswith("rpm")
    assert scope.strips[0]._range == scope.strips[1]._range != scope.strips[4]._range
    solution = sim.solve(bench.build, event=1, option=1, detail="edges")
    assert bench.answer is not None
    main = next(c for c in bench.answer.curves if c.place == "main")
    times = (main.t[:-1] + main.t[1:]) / 2
    inside = solution.sample([Signal("amps", "main")], times)[0]
    assert np.all(inside >= main.low - 1e-6)
    assert np.all(inside <= main.high + 1e-6)
    driver.key(Qt.Key.Key_A)  # the ESC's duty; current of lead and speed of motor go
    driver.curves()
    assert [strip.name.text() for strip in scope.strips][2:] == ["ESC 1, duty"]
    driver.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    driver.key(Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert bench.build == with_capacitor()


def test_curves_are_saved_as_they_are_shown(
    opened: Callable[[Build], Driver], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    window, answer = driver.window, driver.bench.answer
    assert answer is not None
    assert window.scope is not None
    for ending in ("png", "svg", "csv"):
        path = tmp_path / f"curves.{ending}"
        monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_, p=path: (str(p), ""))
        window.save_curves()
        assert path.stat().st_size > 1000
    image = QImage(str(tmp_path / "curves.png"))
    assert image.width() == 2 * window.scope.width()
    assert QSvgRenderer(str(tmp_path / "curves.svg")).isValid()
    table = np.genfromtxt(tmp_path / "curves.csv", delimiter=",", names=True)
    names = ("from_s", "to_s", "esc1in_V_lowest", "esc1in_V_highest")
    assert set(names) <= set(table.dtype.names or ())
    first = answer.curves[0]
    assert len(table) == len(first.low)
    assert table["esc1in_V_highest"] == pytest.approx(np.asarray(first.high), rel=1e-8)
    # The largest figure saved is the figure printed, to a hundredth of the digit it has: an
    # averaged band is read at the nodes of the solver's steps, its peak between them.
    assert table["esc1in_V_highest"].max() == pytest.approx(first.peak, abs=1e-3)


def test_curves_with_an_unknown_ending_are_refused_in_words(
    opened: Callable[[Build], Driver], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    driver = opened(with_capacitor())
    driver.curves()
    path = tmp_path / "curves.doc"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(path), ""))
    driver.window.save_curves()
    assert driver.window.strip.isVisible()
    assert not path.exists()


def test_an_offset_that_is_a_guess_says_so_beside_its_curve(
    opened: Callable[[Build], Driver],
) -> None:
    """A typed inductance is split evenly: a ground offset through it is a guess."""
    build = with_capacitor()
    arm = build.lead("arm")
    assert arm is not None
    typed = replace(arm, gauge=None, length=None, resistance="4 mOhm", inductance="80 nH")
    leads = tuple(typed if lead.id == "arm" else lead for lead in build.leads)
    clips = (
        Clip(tip="esc1.in", ground="pads", reads="offset"),
        Clip(tip="pads", ground="pack.out", reads="offset"),
    )
    driver = opened(replace(build, leads=leads, clips=clips))
    driver.curves()
    assert driver.window.scope is not None
    guess, known = driver.window.scope.strips
    assert guess.name.text().endswith("(a guess)")
    assert "arm" in guess.name.toolTip()
    assert "split evenly" in guess.name.toolTip()
    assert not known.name.text().endswith("(a guess)")
    assert known.name.toolTip() == ""


def _flat(low: float, high: float, *limits: Limit) -> Curve:
    edges = np.array([0.0, 1.0, 2.0])
    return Curve("a", None, "A", edges, np.full(2, low), np.full(2, high), limits, high)


def test_a_limit_far_away_does_not_press_a_ripple_flat() -> None:
    far = Limit("MOSFETs", 40.0, upper=True)
    near = Limit("Capacitor", 26.0, upper=True)
    low = Limit("VTX starves below", 22.0, upper=False)
    ripple = _flat(23.5, 24.9, far, near, low)
    held = scale_values((ripple,), [])
    assert 40.0 not in held
    assert {26.0, 22.0} & set(held)  # the nearest has its place
    bottom, top = min(held), max(held)
    # the curve keeps two fifths of what is drawn
    assert (24.9 - 23.5) / (top - bottom) >= 0.4
    # a swing that comes near it is held against it
    assert 40.0 in scale_values((_flat(18.0, 31.0, far),), [])
    assert scale_values((), []) == []


def test_a_limit_beyond_the_scale_is_named_at_the_edge(
    opened: Callable[[Build], Driver],
) -> None:
    build = with_capacitor()
    parts = tuple(
        replace(part, values=part.values | {"mosfet_rating": "80 V"}) if part.id == "esc1" else part
        for part in build.parts
    )
    driver = opened(replace(build, parts=parts))
    driver.curves()
    scope = driver.window.scope
    assert scope is not None
    strip = scope.strips[0]
    assert strip._range[1] < 40.0
    (label,) = strip._limits.labels
    assert "▲" in label.toPlainText()
    assert "80 V" in label.toPlainText()
    assert label.pos().y() == strip._range[1]


def test_a_strip_whose_scale_changes_is_painted_once(qtbot: QtBot) -> None:
    strip = Strip(0, Look())
    qtbot.addWidget(strip)
    strip.resize(500, 120)
    strip.show()
    qtbot.waitExposed(strip)
    strip.show_curve(_flat(5.0, 20.0), None, "", (0.0, 25.0), (0.0, 1.0))
    qtbot.wait(40)
    painted = Paintings(strip.plot.viewport())
    strip.show_curve(_flat(5.0, 50.0), None, "", (0.0, 55.0), (0.0, 1.0))
    qtbot.wait(40)
    assert painted.count == 1


def test_names_of_limits_close_together_do_not_lie_on_each_other(
    opened: Callable[[Build], Driver],
) -> None:
    build = with_capacitor()
    driver = opened(build)
    driver.curves()
    scope = driver.window.scope
    assert scope is not None
    strip = scope.strips[0]
    low, high = strip._range
    middle = (low + high) / 2
    strip._limits.show(
        (
            Limit("highest supply", middle + 0.01 * (high - low), upper=True),
            Limit("lowest supply", middle, upper=False),
        )
    )
    scope.grab()  # words find their place when they are painted
    one, two = (x.mapRectToScene(x.boundingRect()) for x in strip._limits.labels)
    assert not one.intersects(two)


@given(
    st.lists(st.floats(-50.0, 170.0), min_size=1, max_size=3, unique=True),
    st.floats(90.0, 300.0),
    st.lists(st.booleans(), min_size=3, max_size=3),
)
def test_names_of_limits_lie_on_no_line_and_no_name(
    ats: list[float], length: float, lower: list[bool]
) -> None:
    """In a strip of 600 by 120 pixels; where lines leave no room at all the first come first."""
    height, high = 120.0, 18.0
    inside = [0.0 < at < height for at in ats]
    names = [
        Name(min(max(at, 0.0), height), length, there, seen=True, lower=there and low)
        for at, there, low in zip(ats, inside, lower, strict=False)
    ]
    spots = spots_for(names, (600.0, height), high)
    boxes = [(s.line - high, s.line) if s.above else (s.line, s.line + high) for s in spots]
    lines = [name.at for name in names if name.line]
    for top, bottom in boxes:
        assert top >= -1.0
        assert bottom <= height + 1.0
        assert not any(top + 2.0 < line < bottom - 2.0 for line in lines)
    for i, (top, bottom) in enumerate(boxes):
        for j in range(i):
            level = boxes[j][0] < bottom - 2.0 and top < boxes[j][1] - 2.0
            assert not level or spots[i].right != spots[j].right


@pytest.mark.parametrize("look", ["desk", "projector"])
def test_figures_between_the_cursors_are_whole_at_1280(
    opened: Callable[[Build], Driver], look: str
) -> None:
    """The probe read "nc", or in large type the whole window was wider than the screen."""
    driver = opened(with_capacitor())
    window, bench = driver.window, driver.bench
    window.resize(1280, 720)
    driver.curves()
    if look == "projector":
        driver.key(Qt.Key.Key_F11)
    driver.key(Qt.Key.Key_C)
    scope = window.scope
    assert scope is not None
    driver.until(bench.between_changed, lambda: len(bench.between) == 2)
    driver.qtbot.waitUntil(lambda: "p-p" in scope.strips[0].figure.text())
    driver.qtbot.wait(50)
    assert window.paper.width() == window.width()
    for strip in scope.strips:
        if not strip.isVisible():
            continue
        words = strip.figure.fontMetrics().horizontalAdvance(strip.figure.text())
        assert words <= strip.figure.width()
        assert strip.name.width() >= strip.name.sizeHint().width()
        if strip.probe.isVisible():
            assert strip.probe.width() >= strip.probe.sizeHint().width()
    # names of the cursors stand clear of the words of a limit
    labels = scope.strips[0]._cursors._labels
    limits = [x for x in scope.strips[0]._limits.labels if x.isVisible()]
    assert len(labels) == 2
    for label in labels:
        box = label.mapRectToScene(label.boundingRect())
        assert not any(box.intersects(x.mapRectToScene(x.boundingRect())) for x in limits)


def test_figures_are_said_in_as_many_words_as_there_is_room_for(qtbot: QtBot) -> None:
    look = Look(False)
    place = QWidget()
    heading = Heading(look)
    place.setLayout(heading)
    qtbot.addWidget(place)
    place.show()
    heading.name.setText("ESC 1")
    heading.set_figures(["a very long way to say it, 18.4 V p-p", "18.4 V p-p"])
    seen = []
    for none in (True, False):
        heading.set_probe("on a scope: 10x" if not none else "no probe", there=True, none=none)
        for width in (600, 340, 160):
            heading.fit(width)
            seen.append((heading.figure.text()[:4], heading.probe.isVisibleTo(place)))
    # no probe is left out before words are; one that bends what is read is not
    assert seen[0] == ("a ve", True)
    assert seen[1] == ("a ve", False)
    assert seen[2] == ("18.4", False)
    assert seen[3] == ("a ve", True)
    assert seen[4] == ("18.4", True)
    assert seen[5][1]

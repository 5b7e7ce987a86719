"""Slow motion in the real window: play, scrub, step, loop, and what is drawn is the engine's."""

from __future__ import annotations

import dataclasses
import json
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
import shiboken6
from PySide6.QtCore import QEvent, QObject, QPoint, Qt
from PySide6.QtGui import QImage, QPaintEvent

import sim
from app.solver.moments import instants, moments
from app.solver.rows import Solved
from app.workshop.lesson_window import LessonWindow
from app.workshop.slow_layer import at
from app.workshop.slow_motion import LONGEST_S, SPEEDS
from sim import lessons
from sim.noise_path import lead_addresses
from sim.resolve import canonical, event_index
from tests.app.driver import WAIT_MS, Driver, with_capacitor
from tests.app.test_lessons import SMALL

if TYPE_CHECKING:
    from collections.abc import Callable

    from pytestqt.qtbot import QtBot

    from sim.build import Build
    from sim.solution import Solution

WINDOW = (6e-3, 6.1e-3)


@pytest.fixture
def slow(opened: Callable[[Build], Driver]) -> Driver:
    """The window with 100 µs of a chop in slow motion, standing still at its start."""
    driver = opened(with_capacitor())
    driver.curves()
    bench, player = driver.bench, driver.window.slow
    bench.set_option(1)
    driver.curves()
    bench.set_window(WINDOW)
    driver.until(bench.answer_changed, lambda: bench.answer.window == WINDOW)  # type: ignore[union-attr]
    driver.key(Qt.Key.Key_Z)
    driver.until(bench.moments_changed, lambda: bench.moments is not None)
    assert player.playing
    player.pause()
    player.seek(WINDOW[0])
    return driver


def _bar_key(driver: Driver, key: Qt.Key, modifier: Qt.KeyboardModifier | None = None) -> None:
    held = Qt.KeyboardModifier.NoModifier if modifier is None else modifier
    driver.qtbot.keyClick(driver.window.slow_bar, key, held)


def _solution(driver: Driver) -> Solution:
    answer = driver.bench.answer
    assert answer is not None
    return sim.solve(driver.bench.build, event=1, option=2, detail=answer.detail)  # type: ignore[arg-type]


def test_plays_without_asking_the_solver(slow: Driver, monkeypatch: pytest.MonkeyPatch) -> None:
    """Time passes on frame and strips, and nothing is asked meanwhile."""
    bench, player = slow.bench, slow.window.slow
    asked: list[object] = []
    monkeypatch.setattr(bench._solver, "zoom", asked.append)
    monkeypatch.setattr(bench._solver, "request", asked.append)
    player.set_speed(SPEEDS[3])
    before, seen = player.now, []
    player.moved.connect(lambda: seen.append((player.now, player.layer.current("main"))))
    _bar_key(slow, Qt.Key.Key_Space)
    slow.qtbot.waitUntil(lambda: len(seen) >= 12, timeout=10_000)
    assert slow.window.slow_bar.play.text() == "Pause"
    _bar_key(slow, Qt.Key.Key_Space)
    assert not player.playing
    times = [time for time, _ in seen]
    assert before < times[0]
    assert times == sorted(times)
    assert len({current for _, current in seen}) > 5
    left, right = WINDOW
    for pane in player.panes:
        share = (pane.line_x() or 0.0) / pane.width()
        assert share == pytest.approx((player.now - left) / (right - left), abs=1e-3)
    assert asked == []


def test_frame_and_strips_show_what_the_engine_says(slow: Driver) -> None:
    """At any moment, on the grid or between: leads and clips against the solution itself."""
    player, solution = slow.window.slow, _solution(slow)
    addresses = lead_addresses(solution.context.build, solution.equations.network)
    moments = slow.bench.moments
    assert moments is not None
    assert {"main", "arm", "on_pads"} <= set(moments.leads)
    ids = ("main", "arm", "on_pads", "cer_joint")
    signals = [sim.Signal("amps", addresses[id_][0]) for id_ in ids]
    signals.append(sim.Signal("volts", "esc1.in"))
    signs = np.array([*(addresses[id_][1] for id_ in ids), 1.0])
    # anywhere, and within and after the ramp of each edge, where currents turn in nanoseconds
    near = np.add.outer(moments.edges, [1e-9, 7.3e-9, 23e-9, 61e-9, 0.33e-6]).ravel()
    times = np.concatenate([np.linspace(*WINDOW, 23), near[near < WINDOW[1]]])
    true = signs[:, None] * solution.sample(signals, times)
    largest = np.abs(solution.sample(signals, np.linspace(*WINDOW, 4001))).max(axis=1)
    for k, now in enumerate(times):
        player.seek(float(now))
        value = player.panes[0]._value
        assert value is not None
        shown = np.array([*(player.layer.current(id_) for id_ in ids), value])
        # what the straight line from instant to instant leaves out
        assert np.all(np.abs(shown - true[:, k]) <= 1e-3 * largest)


def test_currents_drawn_at_each_joint_sum_to_zero_at_every_frame(slow: Driver) -> None:
    """Kirchhoff's current law, also between the instants and on both sides of an edge."""
    player, build = slow.window.slow, slow.bench.shown_build
    moments = slow.bench.moments
    assert moments is not None
    at_pads = []
    for lead in build.leads:
        ends = [canonical(build, end) for end in (lead.from_, lead.to)]
        if "pads" in ends:
            at_pads.append((lead.id, 1.0 if ends[1] == "pads" else -1.0))
    assert len(at_pads) == 3
    largest = float(np.abs(moments.amps).max())
    assert largest > 1.0
    # random, so that hardly one is on the grid; and each edge with its surroundings
    rng = np.random.default_rng(8)
    edges = np.concatenate([moments.edges + d for d in (-1e-9, -5e-11, 0.0, 5e-11)])
    for now in [*rng.uniform(*WINDOW, 300), *edges]:
        player.seek(float(now))
        drawn = [sign * player.layer.current(id_) for id_, sign in at_pads]
        assert abs(sum(drawn)) <= 1e-9 * largest
        # arrows have moved by the charge that has passed: that sums to nothing, too
        moved = [sign * player.layer.shift(id_) for id_, sign in at_pads]
        assert abs(sum(moved)) <= 1e-6 * max(sum(map(abs, moved)), 1.0)


@pytest.mark.parametrize("option", [4, 5])
def test_currents_played_on_the_sample_sum_to_zero_at_every_joint_and_port(option: int) -> None:
    """All of them, also where the camera's pair is split: plus conductors, at any instant."""
    build = sim.load("arms_4s_analogue")
    event = event_index(build, "Mid throttle")
    solution = sim.solve(build, event=event + 1, option=option + 1)
    solved = Solved(solution, build, option, event)
    played = moments(solved, (2.0e-3, 2.05e-3), 0, lambda: False)
    rows = dict(zip(played.leads, played.amps, strict=True))
    network = solved.network
    into: dict[str, list[np.ndarray]] = {}
    for lead in solution.context.build.leads:
        for end, way in ((lead.from_, -1.0), (lead.to, 1.0)):
            if lead.conductor in ("pair", "plus"):
                place = canonical(solution.context.build, end)
                into.setdefault(place, []).append(way * rows[lead.id])
    rng = np.random.default_rng(9)
    edges = np.concatenate([played.edges + d for d in (-1e-9, 0.0, 5e-11)])
    largest = float(np.abs(played.amps).max())
    for place, leads in into.items():
        total = np.array([sum(leads)])
        if place in network.port_branches:
            own = solution.sample([sim.Signal("amps", place)], played.t)
            total = total + (own if place.endswith(".out") else -own)
        # a frame is the straight line between two instants, as the player draws it
        for now in [*rng.uniform(*played.window, 60), *edges]:
            assert abs(float(at(played.t, total, float(now))[0])) <= 1e-9 * largest, place
    assert len(into) >= 20


def test_steps_from_edge_to_edge(slow: Driver) -> None:
    player, solution = slow.window.slow, _solution(slow)
    edges = solution.edge_times(*WINDOW)
    assert len(edges) >= 4
    forth = []
    for _ in edges:
        _bar_key(slow, Qt.Key.Key_Period)
        forth.append(player.now)
    assert forth == pytest.approx(list(edges), rel=1e-12)
    _bar_key(slow, Qt.Key.Key_Period)
    assert player.now == WINDOW[1]
    back = []
    for _ in edges:
        _bar_key(slow, Qt.Key.Key_Comma)
        back.append(player.now)
    assert back == forth[::-1]
    _bar_key(slow, Qt.Key.Key_Comma)
    assert player.now == WINDOW[0]


def test_scrubs_by_keys_and_by_hand(slow: Driver) -> None:
    player = slow.window.slow
    span = WINDOW[1] - WINDOW[0]
    _bar_key(slow, Qt.Key.Key_Right)
    assert player.now == pytest.approx(WINDOW[0] + span / 200)
    _bar_key(slow, Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    assert player.now == pytest.approx(WINDOW[0] + 11 * span / 200)
    _bar_key(slow, Qt.Key.Key_Left)
    assert player.now == pytest.approx(WINDOW[0] + 10 * span / 200)
    _bar_key(slow, Qt.Key.Key_End)
    assert player.now == WINDOW[1]
    _bar_key(slow, Qt.Key.Key_Home)
    assert player.now == WINDOW[0]
    # a hand on a strip, also while it plays
    player.play()
    pane = player.panes[0]
    middle = QPoint(pane.width() // 2, pane.height() // 2)
    slow.qtbot.mouseClick(pane, Qt.MouseButton.LeftButton, pos=middle)
    assert not player.playing
    assert player.now == pytest.approx(WINDOW[0] + span / 2, abs=span / 100)
    assert pane.line_x() == pytest.approx(middle.x(), abs=1.0)
    # a drag does not pan the curves: it is the same window
    assert slow.bench.window == WINDOW


def test_loops_what_is_shown_or_what_cursors_hold(slow: Driver) -> None:
    player, bench = slow.window.slow, slow.bench
    assert player.stretch() == WINDOW
    held = (WINDOW[0] + 20e-6, WINDOW[0] + 30e-6)
    bench.set_cursors(held)
    assert player.stretch() == held
    player.set_speed(SPEEDS[-1])
    seen: list[float] = []
    player.moved.connect(lambda: seen.append(player.now))
    player.play()
    slow.qtbot.waitUntil(lambda: len(seen) >= 8, timeout=10_000)
    assert player.playing
    assert all(held[0] <= time <= held[1] for time in seen)
    assert any(b < a for a, b in pairwise(seen))
    # without the loop it stands at the end, and plays from the beginning again
    _bar_key(slow, Qt.Key.Key_L)
    slow.qtbot.waitUntil(lambda: not player.playing, timeout=10_000)
    assert player.now == held[1]
    player.set_speed(SPEEDS[0])
    player.play()
    assert player.playing
    assert player.now < held[1]


def test_speeds_by_keys_and_menu(slow: Driver) -> None:
    player, bar = slow.window.slow, slow.window.slow_bar
    assert (SPEEDS[0], SPEEDS[-1]) == (1e-6, 1e-3)
    for _ in SPEEDS:
        _bar_key(slow, Qt.Key.Key_Down)
    assert player.speed == 1e-6
    assert bar.speed.text() == "1 µs a second"
    _bar_key(slow, Qt.Key.Key_Up)
    assert player.speed == 2e-6
    bar.speeds().actions()[-1].trigger()
    assert player.speed == 1e-3
    assert bar.speed.text() == "1 ms a second"


def test_ends_and_gives_the_strips_and_the_keyboard_back(slow: Driver) -> None:
    window, player = slow.window, slow.window.slow
    assert window.slow_bar.isVisible()
    assert len(player.panes) == len(window.scope.strips)  # type: ignore[union-attr]
    _bar_key(slow, Qt.Key.Key_Escape)
    assert not slow.bench.slow
    assert not player.panes
    assert not player.layer.isVisible()
    assert not window.slow_bar.isVisible()
    assert window.frame.hasFocus()
    # the noise path takes its place, and the other way round
    slow.key(Qt.Key.Key_Z)
    slow.until(slow.bench.moments_changed, lambda: slow.bench.moments is not None)
    slow.key(Qt.Key.Key_P)
    assert slow.bench.noise is not None
    assert not slow.bench.slow


def test_other_options_are_read_anew_on_one_scale(slow: Driver) -> None:
    """Never the currents of one option on the picture of another."""
    bench, player = slow.bench, slow.window.slow
    player.seek(WINDOW[0] + 40e-6)
    with_it, scale = player.layer.current("main"), player.layer._scale
    bench.set_option(0)
    assert bench.moments is None
    assert not player.layer.isVisible()
    slow.until(bench.moments_changed, lambda: bench.moments is not None)
    assert "on_pads" not in bench.moments.leads  # type: ignore[union-attr]
    assert player.layer._scale >= scale
    player.seek(WINDOW[0] + 40e-6)
    assert player.layer.current("main") != pytest.approx(with_it, rel=0.01)


def test_a_whole_event_is_looked_closer_at(opened: Callable[[Build], Driver]) -> None:
    """What cannot be read finely enough is not played; Z goes where the curve is highest."""
    from msgspec.structs import replace

    build = with_capacitor()
    long = replace(build.events[0], duration="60 ms")
    driver = opened(replace(build, events=(long, *build.events[1:])))
    driver.curves()
    bench, player = driver.bench, driver.window.slow
    assert bench.answer is not None
    assert bench.answer.duration_s > LONGEST_S
    curve = bench.answer.curves[0]
    highest = float(curve.t[int(np.argmax(curve.high))])
    driver.key(Qt.Key.Key_Z)
    driver.until(bench.moments_changed, lambda: bench.moments is not None)
    assert bench.window is not None
    assert bench.window[0] <= highest <= bench.window[1]
    bench.set_window(None)
    driver.until(bench.moments_changed, lambda: bench.moments is not None)
    assert not player.playing
    assert not player.panes
    assert player.in_words() == "Look closer to play: 50 ms at the most."


def test_the_whole_event_comes_back_with_its_noise_path(opened: Callable[[Build], Driver]) -> None:
    from msgspec.structs import replace

    build = with_capacitor()
    long = replace(build.events[0], duration="60 ms")
    driver = opened(replace(build, events=(long, *build.events[1:])))
    driver.curves()
    bench = driver.bench
    bench.set_noise(1)
    driver.key(Qt.Key.Key_Z)
    driver.until(bench.moments_changed, lambda: bench.moments is not None)
    assert bench.noise is None
    assert bench.window is not None
    driver.key(Qt.Key.Key_Z)
    assert (bench.window, bench.noise) == (None, 1)


def test_in_a_lesson_nothing_covered_is_played(qtbot: QtBot) -> None:
    """Z plays where curves may be seen; the next card has its own screen again."""
    lesson = LessonWindow(lessons.loads(json.dumps(SMALL).encode()))
    try:
        lesson.show()
        bench, slow = lesson.bench, lesson.slow
        qtbot.waitUntil(
            lambda: bench.answer is not None and not bench.stale and not lesson.sums.running,
            timeout=WAIT_MS,
        )
        qtbot.keyClick(lesson, Qt.Key.Key_Z)
        qtbot.waitUntil(lambda: slow.playing, timeout=WAIT_MS)
        assert lesson.slow_bar.isVisible()
        qtbot.keyClick(lesson, Qt.Key.Key_K)
        assert not slow.playing
        before = slow.now
        qtbot.keyClick(lesson, Qt.Key.Key_Period)
        assert slow.now > before
        # keys of a clicker are the lesson's all the time: a guess, which covers the curves
        qtbot.keyClick(lesson, Qt.Key.Key_Right)
        assert lesson.course.card.kind == "guess"
        assert not bench.slow
        qtbot.keyClick(lesson, Qt.Key.Key_Z)
        assert not bench.slow
        assert not lesson.slow_bar.isVisible()
    finally:
        lesson.close()
        lesson.deleteLater()


def _painted(slow: Driver) -> QImage:
    """What the frame shows, painted anew."""
    image = slow.window.frame.viewport().grab().toImage()
    return image.convertToFormat(QImage.Format.Format_RGB32)


def _unlike(a: QImage, b: QImage) -> float:
    """Share of pixels that are clearly of another colour."""
    one, two = (np.frombuffer(i.constBits(), np.uint8).astype(int) for i in (a, b))
    return float(np.mean(np.abs(one - two).reshape(-1, 4).max(axis=1) > 40))


def _rested(slow: Driver) -> None:
    slow.qtbot.waitUntil(lambda: slow.window.slow.layer.still.laid, timeout=10_000)


def test_a_frame_out_of_pictures_is_what_the_scene_paints(slow: Driver) -> None:
    """Beneath, currents, above: nearly all pixels as item by item, with currents and without."""
    player, view = slow.window.slow, slow.window.frame
    seen = 0
    for share in np.linspace(0.05, 0.95, 19).tolist():
        _rested(slow)
        player.seek(WINDOW[0] + share * (WINDOW[1] - WINDOW[0]))
        # (what lies still is drawn so thin that no measure could tell)
        if seen == 2 or max(map(player.layer.weight, player.layer.currents)) < 8.0:
            continue
        seen += 1
        assert player.layer.still.laid
        pictures = _painted(slow)
        player.layer.still.forget()
        assert not player.layer.still.laid
        same = _unlike(pictures, _painted(slow))
        # the measure can tell: without the currents it is another picture
        player.layer.hide()
        assert same < 0.1 * _unlike(pictures, _painted(slow))
        player.layer.show()
    assert seen == 2
    assert view.still is player.layer.still


def test_a_scene_that_outlives_its_view_is_heard_by_nobody(slow: Driver) -> None:
    """Closed in slow motion: the scene's last changes are no faults (pytest-qt catches them)."""
    _rested(slow)
    window, scene = slow.window, slow.window.frame.scene_
    window.workbench.undo_stack.setClean()
    window.close()
    shiboken6.delete(window)
    with slow.qtbot.waitSignal(scene.changed):
        scene.update()


def test_what_changes_on_the_frame_is_not_kept_from_the_eye(slow: Driver) -> None:
    """What is pointed at, what is said beside a part, a zoom: none leaves an old picture."""
    still, view = slow.window.slow.layer.still, slow.window.frame
    _rested(slow)
    view.scene_.set_hovered("main")
    slow.qtbot.waitUntil(lambda: not still.laid, timeout=10_000)
    _rested(slow)
    before = _painted(slow)
    id_ = next(i for i in view.scene_.labels.items if i in view.scene_.figures)
    figure = view.scene_.figures[id_]
    view.scene_.figures[id_] = dataclasses.replace(figure, text="99.9 V of 99")
    view.scene_.labels.refresh()
    assert _unlike(before, _painted(slow)) > 0.0
    assert not still.laid
    _rested(slow)
    view.zoom_middle(1.3)
    assert not still.laid
    _rested(slow)
    # ended, the scene paints for itself again
    _bar_key(slow, Qt.Key.Key_Escape)
    assert view.still is None


def test_only_what_moves_is_painted(slow: Driver) -> None:
    """On the frame the leads whose look has changed, on a strip the line and its words."""
    player, view = slow.window.slow, slow.window.frame
    _rested(slow)
    targets = [view.viewport(), *player.panes]
    painted: dict[int, list[int]] = {}

    class Watch(QObject):
        def eventFilter(self, watched: QObject, event: QEvent) -> bool:
            if isinstance(event, QPaintEvent):
                area = sum(r.width() * r.height() for r in event.region())
                painted.setdefault(targets.index(watched), []).append(area)
            return False

    slow.qtbot.wait(50)
    watch = Watch()
    for target in targets:
        target.installEventFilter(watch)
    for share in np.linspace(0.2, 0.8, 25):
        player.seek(WINDOW[0] + float(share) * (WINDOW[1] - WINDOW[0]))
        slow.qtbot.wait(5)
    for index, target in enumerate(targets):
        target.removeEventFilter(watch)
        whole = target.width() * target.height()
        assert painted[index], target
        # three leads of one arm; a line, a dot and words twice, where it was and is
        assert max(painted[index]) < (0.15 if index == 0 else 0.3) * whole
    # what stands still is not painted at all
    painted.clear()
    view.viewport().installEventFilter(watch)
    player.seek(player.now)
    slow.qtbot.wait(20)
    assert painted == {}


def test_words_of_the_bar_do_not_lay_the_window_out_again(slow: Driver) -> None:
    """A label that changed ten times a second had the whole window laid out as often."""
    player, bar = slow.window.slow, slow.window.slow_bar
    player.seek(WINDOW[0] + 61e-6)
    slow.qtbot.wait(20)
    asked: list[QEvent.Type] = []

    class Watch(QObject):
        def eventFilter(self, watched: QObject, event: QEvent) -> bool:
            if event.type() == QEvent.Type.LayoutRequest:
                asked.append(event.type())
            return False

    watch = Watch()
    bar.installEventFilter(watch)
    said = set()
    for at_us in (62, 63, 64, 71, 72, 73):
        player.seek(WINDOW[0] + at_us * 1e-6)
        slow.qtbot.wait(5)
        said.add((bar.time.text(), bar.words.text(), bar.words.accessibleName()))
    assert len(said) == 6
    assert all(words == heard for _, words, heard in said)
    assert asked == []


def test_instants_hold_both_sides_of_every_edge() -> None:
    edges = np.array([1.3e-6, 20e-6, 77.7e-6])
    times, kept = instants(edges, (0.0, 100e-6))
    assert np.all(np.isin(edges, times))
    assert np.all(np.diff(times) > 0.0)
    assert np.all(kept == edges)
    for edge in edges:
        k = int(np.searchsorted(times, edge))
        assert times[k] - times[k - 1] == pytest.approx(0.1e-9, rel=1e-3)
    assert len(times) >= 2_000
    few, none = instants(np.linspace(0.0, 1.0, 20_000), (0.0, 1.0))
    assert len(none) == 0
    assert len(few) <= 24_001
    many, _ = instants(np.linspace(0.0, 40e-3, 8_000), (0.0, 40e-3))
    assert len(many) <= 60_000

"""From an empty frame to the sample by hand, and everything once by keys alone.

A gesture is one click or drag of the mouse, or one run of typing without the mouse. All go
through the window as Qt gets them from a hand.
"""

from __future__ import annotations

import pytest
from msgspec.structs import replace
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt
from PySide6.QtGui import QMouseEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

import sim
from sim.build import dumps, validate

CTRL, SHIFT = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier
NONE = Qt.KeyboardModifier.NoModifier
LEFT = Qt.MouseButton.LeftButton
MOST_GESTURES = 40


class Hand:
    """A mouse and a keyboard on a window, with a count of gestures."""

    def __init__(self, window):
        self.window, self.view, self.bench = window, window.frame, window.workbench
        self.gestures = 0
        self._typing = False

    def _settle(self):
        for _ in range(4):
            QApplication.processEvents()

    def _event(self, kind, at, held, mods=NONE):
        target = self.view.viewport()
        button = LEFT if kind != QEvent.Type.MouseMove else Qt.MouseButton.NoButton
        where = QPointF(target.mapToGlobal(at))
        QApplication.sendEvent(target, QMouseEvent(kind, QPointF(at), where, button, held, mods))

    def _pixel(self, place):
        at = self.view.mapFromScene(QPointF(*place))
        assert self.view.viewport().rect().contains(at), f"{place} is out of sight"
        return at

    def click(self, place, mods=NONE, twice=False):
        """Go to a place of the frame in mm and click."""
        self._mouse()
        at = self._pixel(place)
        self._event(QEvent.Type.MouseMove, at, Qt.MouseButton.NoButton)
        self._event(QEvent.Type.MouseButtonPress, at, LEFT, mods)
        self._event(QEvent.Type.MouseButtonRelease, at, Qt.MouseButton.NoButton, mods)
        if twice:
            self._event(QEvent.Type.MouseButtonDblClick, at, LEFT, mods)
            self._event(QEvent.Type.MouseButtonRelease, at, Qt.MouseButton.NoButton, mods)
        self._settle()

    def drag(self, start, to):
        """Press at one place, let go at the other, with stops between as a hand has."""
        self._mouse()
        a, b = self._pixel(start), self._pixel(to)
        self._event(QEvent.Type.MouseMove, a, Qt.MouseButton.NoButton)
        self._event(QEvent.Type.MouseButtonPress, a, LEFT)
        for k in range(1, 6):
            at = QPoint(a.x() + (b.x() - a.x()) * k // 5, a.y() + (b.y() - a.y()) * k // 5)
            self._event(QEvent.Type.MouseMove, at, LEFT)
        self._event(QEvent.Type.MouseButtonRelease, b, Qt.MouseButton.NoButton)
        self._settle()

    def _mouse(self):
        self.gestures += 1
        self._typing = False

    def keys(self, *strokes):
        """Type: words as they are, else a key or a (key, modifiers)."""
        if not self._typing:
            self.gestures += 1
            self._typing = True
        for stroke in strokes:
            target = QApplication.focusWidget() or self.window
            if isinstance(stroke, str):
                QTest.keyClicks(target, stroke)
            else:
                key, mods = stroke if isinstance(stroke, tuple) else (stroke, NONE)
                QTest.keyClick(target, key, mods)
            self._settle()

    def place(self, words, at, mods=NONE):
        """Take a part from the tray by its words and put it down."""
        self.keys(Qt.Key.Key_N, words, Qt.Key.Key_Return)
        self.click(at, mods)

    def lead(self, a, b):
        """The lead between the parts of two kinds, and where on it a hand can touch it."""
        kinds = {p.id: p.kind for p in self.bench.build.parts}
        for lead in self.bench.build.leads:
            ends = {kinds[e.partition(".")[0]] for e in (lead.from_, lead.to)}
            if ends == {a, b} and lead.length is not None:
                points = self.view.scene_.leads[lead.id].course.points
                ways = [_along(points, k / 60) for k in range(1, 60)]
                free = [p for p in ways if self.view.mouse.id_at(QPointF(*p)) == lead.id]
                if free:
                    return lead, free[len(free) // 2]
        raise AssertionError(f"no lead between {a} and {b} can be touched")

    def give(self, a, b, *strokes, back_to="", then=()):
        """Touch a lead twice, and type into its sheet; then go back to another box and type."""
        _, at = self.lead(a, b)
        self.click(at, twice=True)
        self.keys(*strokes)
        if back_to:
            to_box(self, back_to, back=True)
        self.keys(*then, Qt.Key.Key_Escape)


def _along(points, share):
    from itertools import pairwise
    from math import dist

    left = share * sum(dist(a, b) for a, b in pairwise(points))
    for a, b in pairwise(points):
        piece = dist(a, b)
        if left <= piece and piece > 0:
            t = left / piece
            return a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])
        left -= piece
    return points[-1]


def figures(build, event):
    """Slow peaks and lowest voltages of all places, and peak currents, as sorted figures."""
    solution = sim.solve(build, event=event, detail="averaged")
    volts = sorted(solution.volts_range().values())
    return [v for pair in volts for v in pair]


@pytest.fixture
def hand(opened):
    driver = opened(sim.load("board_6s_digital"))
    driver.window.resize(1280, 720)
    driver.window.workbench.undo_stack.setClean()
    hand = Hand(driver.window)
    hand.view.setFocus()
    return hand


def build_the_sample(hand):
    """The analogue sample, part by part."""
    enter = Qt.Key.Key_Return
    hand.keys((Qt.Key.Key_N, CTRL))
    hand.place("joint", (0.0, 0.0))
    hand.place("lipo", (0.0, 2.0))
    pack = next(p for p in hand.bench.build.parts if p.kind == "battery")
    hand.drag(pack.at, (0.0, 96.0))
    hand.place("every arm", (10.0, 30.0))
    hand.place("electrolytic", (0.0, -4.0))
    esc = next(p for p in hand.bench.build.parts if p.kind == "esc")
    hand.place("electrolytic", (esc.at[0] + 2.0, esc.at[1] + 7.0), SHIFT)
    # all four are selected: one sheet for them
    hand.keys(enter, "220u", enter)
    to_box(hand, "esr")
    hand.keys("60m", enter, Qt.Key.Key_Escape)
    hand.place("vtx", (-6.0, 2.0))
    vtx = next(p for p in hand.bench.build.parts if p.kind == "vtx")
    hand.drag(vtx.at, (-24.0, 52.0))
    _, on_lead = hand.lead("joint", "vtx")
    hand.place("lc", on_lead)
    hand.keys(enter)
    to_box(hand, "esl")
    hand.keys("12n", enter, Qt.Key.Key_Escape)
    lc = next(p for p in hand.bench.build.parts if p.kind == "lc_stage")
    x, y = hand.view.scene_.pad(f"{lc.id}.out")
    hand.place("camera", (x, y))
    hand.keys(enter)
    to_box(hand, "minimum_voltage")
    hand.keys("5 V", enter, Qt.Key.Key_Escape)
    hand.place("flight", (0.0, -9.0))
    # beside the pads there was only room 43 mm off, and no lead is shorter than its way
    fc = next(p for p in hand.bench.build.parts if p.kind == "flight_controller")
    hand.drag(fc.at, (0.0, -36.0))
    hand.give("joint", "battery", "80 mm", enter)
    hand.give("joint", "lc_stage", "29 mm", enter, back_to="gauge", then=("22 AWG", enter))
    hand.give("lc_stage", "vtx", "29 mm", enter)
    hand.give("lc_stage", "camera", "97 mm", enter)
    hand.give("joint", "flight_controller", "38 mm", enter)
    return hand.bench.build


def to_box(hand, name, back=False):
    """As many Tabs as it takes to the box of a field."""
    box = hand.window.part_sheet.rows[name].box
    for _ in range(40):
        if QApplication.focusWidget() is box:
            return
        hand.keys((Qt.Key.Key_Tab, SHIFT) if back else Qt.Key.Key_Tab)
    raise AssertionError(f"Tab does not get to {name}")


def test_the_sample_by_hand_in_forty_gestures_gives_the_answer_of_the_preset(hand):
    build = build_the_sample(hand)
    validate(build)
    sample = sim.load("arms_4s_analogue")
    count = {k: sum(p.kind == k for p in sample.parts) for k in {p.kind for p in sample.parts}}
    assert {k: sum(p.kind == k for p in build.parts) for k in count} == count
    assert len(build.leads) == len(sample.leads)
    print(f"{hand.gestures} gestures")
    assert hand.gestures <= MOST_GESTURES
    built = replace(build, events=sample.events)
    for event in (1, 2, 3):
        assert figures(built, event) == pytest.approx(figures(sample, event), rel=1e-9)
    # and all of it can be taken back
    stack = hand.bench.undo_stack
    end = dumps(build)
    while stack.canUndo():
        stack.undo()
    assert hand.bench.build.parts == ()
    while stack.canRedo():
        stack.redo()
    assert dumps(hand.bench.build) == end


def test_everything_once_by_keys_alone(hand):
    """Placing, joining, moving, typing, copying, mirroring, turning, decks, finding, undo."""
    key, enter, tab = Qt.Key, Qt.Key.Key_Return, Qt.Key.Key_Tab
    bench, view = hand.bench, hand.view
    hand.keys((key.Key_N, CTRL))

    def kinds():
        return sorted(p.kind for p in bench.build.parts)

    def take(words, *then):
        hand.keys(key.Key_N, words, enter, *then, enter)

    take("joint")
    take("lipo", tab)  # Tab: to the next place where it can be joined
    assert kinds() == ["battery", "joint"]
    assert len(bench.build.leads) == 1
    hand.keys(*[(key.Key_Down, SHIFT)] * 8)
    take("motor on an arm", tab)
    take("every arm")
    assert kinds().count("motor") == kinds().count("esc") == 4
    take("electrolytic", tab)
    hand.keys(enter)
    to_box(hand, "capacitance")
    hand.keys("330u", enter, key.Key_Up, key.Key_Escape)
    assert next(p for p in bench.build.parts if p.kind == "electrolytic").values["capacitance"] in (
        "470 µF", "470 uF", "470u",
    )  # fmt: skip
    lead = bench.build.leads[0]
    hand.keys((key.Key_F, CTRL), "pack joint", key.Key_Escape)
    assert bench.selection == (lead.id,)
    hand.keys(enter)
    to_box(hand, "length")
    hand.keys("120 mm", enter, key.Key_Escape)
    assert bench.build.lead(lead.id).length == "120 mm"
    take("vtx", *[(key.Key_Right, SHIFT)] * 4)
    vtx = next(p.id for p in bench.build.parts if p.kind == "vtx")
    esc = next(p.id for p in bench.build.parts if p.kind == "esc")
    assert bench.selection == (vtx,)
    hand.keys(key.Key_K, (key.Key_F, CTRL), "esc 1", key.Key_Escape)
    assert bench.selection == (vtx, esc)
    before = len(bench.build.leads)
    hand.keys(key.Key_L)
    assert len(bench.build.leads) == before + 1
    hand.keys(key.Key_Escape, (key.Key_F, CTRL), "vtx", key.Key_Escape)
    assert bench.selection == (vtx,)
    count = len(bench.build.parts)
    hand.keys((key.Key_C, CTRL), (key.Key_V, CTRL), (key.Key_D, CTRL))
    assert len(bench.build.parts) == count + 2
    hand.keys(key.Key_M, (key.Key_M, SHIFT), key.Key_R, key.Key_U)
    assert len(bench.build.parts) == count + 3
    hand.keys(key.Key_Delete)
    assert len(bench.build.parts) == count + 2
    hand.keys(key.Key_S)
    assert view.spread.on
    hand.keys(key.Key_S, key.Key_Home, (key.Key_Plus, CTRL), (key.Key_Minus, CTRL))
    hand.keys((key.Key_A, CTRL))
    assert len(bench.selection) > count
    hand.keys(key.Key_Escape)
    assert bench.selection == ()
    hand.keys(key.Key_O)
    assert hand.window.outline.isVisible()
    hand.window.outline.setFocus()
    hand.keys(key.Key_Down, key.Key_Down)
    assert len(bench.selection) == 1
    assert view.scene_.chosen == bench.selection
    hand.keys(key.Key_O)
    validate(bench.build)
    end, steps = dumps(bench.build), bench.undo_stack.count()
    hand.keys(*[(key.Key_Z, CTRL)] * steps)
    assert bench.build.parts == ()
    hand.keys(*[(key.Key_Y, CTRL)] * steps)
    assert dumps(bench.build) == end

"""Any sequence of canvas commands: undone to the start it is the same file, redone the end.

The suite runs a few short sequences. The long run is asked for by

    RIPPLETREE_SEQUENCES=200 RIPPLETREE_STEPS=1000 python -m pytest tests/app/test_canvas_machine.py
"""

from __future__ import annotations

import gc
import os
import random

import pytest
import shiboken6
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from PySide6.QtCore import QPointF, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLineEdit

import sim
from app.look import Look
from app.panels.part_sheet import PartSheet
from app.wiring import FrameView, copying, sets
from app.wiring.frame_name import change_frame
from app.wiring.frames import FRAMES
from app.workbench import Workbench
from sim.build import dumps, loads
from sim.options import apply
from sim.parts import KINDS

SEQUENCES = int(os.environ.get("RIPPLETREE_SEQUENCES", "6"))
STEPS = int(os.environ.get("RIPPLETREE_STEPS", "40"))
#: More parts than this make a step slow and nothing else.
MOST_PARTS = 30
SEEDS = st.integers(0, 0xFFFF)
CTRL, SHIFT = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier
NONE = Qt.KeyboardModifier.NoModifier


class Canvas(RuleBasedStateMachine):
    """A canvas without a solver; one seed a step keeps a long sequence within what can be drawn."""

    def __init__(self):
        super().__init__()
        self.bench = None
        self.checked = None

    @initialize(preset=st.sampled_from(["arms_4s_analogue", "board_6s_digital"]))
    def start(self, preset):
        self.bench = Workbench(sim.load(preset))
        self.view = FrameView(self.bench, Look(False))
        self.view.resize(900, 700)
        self.sheet = PartSheet(self.bench, self.view.look, self.view)
        self.first = dumps(self.bench.build)

    # What a hand does

    def _some(self, seed, most=4):
        dice = random.Random(seed)
        ids = list(self.view.scene_.parts) + list(self.view.scene_.leads)
        return tuple(dice.sample(ids, min(len(ids), dice.randint(1, most))))

    def _room(self):
        return len(self.bench.build.parts) < MOST_PARTS

    @rule(seed=SEEDS)
    def select(self, seed):
        self.bench.select(self._some(seed))

    @rule(seed=SEEDS)
    def nudge(self, seed):
        dice = random.Random(seed)
        ways = (Qt.Key.Key_Left, Qt.Key.Key_Right, Qt.Key.Key_Up, Qt.Key.Key_Down)
        for _ in range(dice.randint(1, 4)):
            QTest.keyClick(self.view, dice.choice(ways), dice.choice((NONE, SHIFT)))

    @rule(seed=SEEDS)
    def key(self, seed):
        key, mods = random.Random(seed).choice(
            [
                (Qt.Key.Key_M, NONE), (Qt.Key.Key_R, NONE), (Qt.Key.Key_R, SHIFT),
                (Qt.Key.Key_U, NONE), (Qt.Key.Key_L, NONE), (Qt.Key.Key_C, CTRL),
                (Qt.Key.Key_S, NONE), (Qt.Key.Key_K, NONE), (Qt.Key.Key_Tab, NONE),
            ]
        )  # fmt: skip
        QTest.keyClick(self.view, key, mods)

    @rule(seed=SEEDS)
    def remove(self, seed):
        if len(self.bench.shown_build.parts) > 8:
            self.bench.select(self._some(seed, 2))
            self.view.remove_selected()

    @rule(seed=SEEDS)
    def copy(self, seed):
        if self._room():
            self.bench.select(self._some(seed))
            act = random.Random(seed).choice(
                [copying.duplicate, copying.mirrored_copy, copying.copy, copying.paste]
            )
            act(self.view)

    @rule(seed=SEEDS)
    def place(self, seed):
        if self._room():
            dice = random.Random(seed)
            kind = dice.choice([*KINDS, *sets.SETS])
            targets = [self.view.scene_.middle_of(i) for i in self._some(seed, 1)]
            at = dice.choice([*targets, QPointF(dice.uniform(-90, 90), dice.uniform(-90, 90))])
            self.view.start_placing(kind, at)
            self.view.put_down(each=dice.random() < 0.3)
            self.view.end_gesture(cancel=True)

    @rule(seed=SEEDS)
    def type_a_value(self, seed):
        dice = random.Random(seed)
        id_ = self._some(seed, 1)[0]
        self.sheet.open(id_, self.view.rect().center())
        rows = [r for r in self.sheet.rows.values() if isinstance(r.box, QLineEdit)]
        if rows:
            row = dice.choice(rows)
            row.box.setText(dice.choice(["10", "0", "22u", "1 mm", "4u7", "", "rubbish", "12 V"]))
            row.box.editingFinished.emit()
            for _ in range(dice.randint(0, 3)):
                row.box.setFocus()
                QTest.keyClick(row.box, dice.choice((Qt.Key.Key_Up, Qt.Key.Key_Down)))
        self.sheet.close_sheet()

    @rule(seed=SEEDS)
    def drag(self, seed):
        from app.wiring.commands import with_boards
        from app.wiring.gestures import BendLead, DragParts

        dice = random.Random(seed)
        id_ = self._some(seed, 1)[0]
        scene, start = self.view.scene_, self.view.scene_.middle_of(id_)
        if id_ in scene.parts:
            self.view.begin(DragParts(self.view, with_boards(scene, (id_,)), start))
        elif not scene.spread:
            self.view.begin(BendLead(self.view, id_, start))
        for _ in range(dice.randint(0, 5)):
            start = start + QPointF(dice.uniform(-20, 20), dice.uniform(-20, 20))
            self.view.move_gesture(start)
        self.view.end_gesture(start, cancel=dice.random() < 0.2)

    @rule(seed=SEEDS)
    def another_frame(self, seed):
        change_frame(self.view, random.Random(seed).choice(list(FRAMES)))

    @rule(seed=SEEDS)
    def another_option(self, seed):
        count = len(self.bench.build.options)
        self.bench.set_option(random.Random(seed).choice([None, *range(count)]))

    @rule(seed=SEEDS)
    def undo_or_redo(self, seed):
        dice = random.Random(seed)
        for _ in range(dice.randint(1, 3)):
            (self.bench.undo_stack.undo if dice.random() < 0.6 else self.bench.undo_stack.redo)()

    # What must hold

    @invariant()
    def what_is_drawn_is_what_is_there(self):
        if self.bench is not None:
            shown = self.bench.shown_build
            assert self.view.scene_.parts.keys() == {p.id for p in shown.parts}
            assert self.view.scene_.leads.keys() == {x.id for x in shown.leads}
            assert self.bench.drawn is self.bench.build

    @invariant()
    def every_option_fits_its_build(self):
        if self.bench is not None and self.bench.build is not self.checked:
            self.checked = self.bench.build
            for option in self.checked.options:
                apply(self.checked, option)

    def teardown(self):
        if self.bench is None:
            return
        stack = self.bench.undo_stack
        while stack.canRedo():
            stack.redo()
        end = dumps(self.bench.build)
        assert loads(end, checked=False) == self.bench.build
        steps = stack.count()
        while stack.canUndo():
            assert stack.undoText()
            stack.undo()
        assert dumps(self.bench.build) == self.first
        while stack.canRedo():
            stack.redo()
        assert dumps(self.bench.build) == end
        assert stack.count() == steps
        print(f"{steps} undo steps, {len(self.bench.build.parts)} parts")
        # No loop runs between sequences that would do what is left for later: two hundred
        # canvases with all their pictures would stay.
        shiboken6.delete(self.view)
        shiboken6.delete(self.bench)
        del self.view, self.sheet, self.bench
        gc.collect()


@pytest.mark.usefixtures("qapp")
class TestCanvas(Canvas.TestCase):
    settings = settings(
        max_examples=SEQUENCES,
        stateful_step_count=STEPS,
        deadline=None,
        derandomize=True,
        # a failing sequence is printed whole; making it shorter would take minutes
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )

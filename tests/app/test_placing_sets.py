"""An ESC with its motor, all four at once, a 4-in-1, and one of a kind at every ESC."""

from __future__ import annotations

import pytest
from msgspec.structs import replace
from PySide6.QtCore import QPointF, Qt
from PySide6.QtTest import QTest

import sim
from app.wiring.frames import FRAMES
from sim.build import Build, dumps, validate
from sim.edit import length_mm, way_mm
from tests.app.canvas_hands import canvas, settle


def with_pads(frame="x-5"):
    """A pack on its pads, and nothing on the arms."""
    build = sim.load("arms_4s_analogue")
    keep = {"pack", "pads"}
    return replace(
        build,
        frame=frame,
        parts=tuple(p for p in build.parts if p.id in keep),
        leads=tuple(x for x in build.leads if x.id == "main"),
        options=(),
        events=(),
        clips=(),
    )


def test_one_gesture_puts_an_esc_with_its_motor_on_the_nearest_arm(qtbot):
    bench, view = canvas(qtbot, with_pads())
    before = dumps(bench.build)
    view.start_placing("set:arm", QPointF(60.0, 50.0))
    assert "120 mm" in view.gesture.aim.words
    assert "Power board pads" in view.gesture.aim.words
    QTest.keyClick(view, Qt.Key.Key_Return)
    settle()
    kinds = sorted(p.kind for p in bench.build.parts)
    assert kinds == ["battery", "ceramic", "esc", "joint", "motor"]
    motor = next(p for p in bench.build.parts if p.kind == "motor")
    assert motor.at == pytest.approx((77.8, 77.8), abs=0.1)
    validate(bench.build)
    assert bench.undo_stack.count() == 1
    bench.undo_stack.undo()
    assert dumps(bench.build) == before


@pytest.mark.parametrize("frame", [n for n, f in FRAMES.items() if f.motors])
@pytest.mark.parametrize("name", ["set:arms", "set:board"])
def test_all_arms_are_another_gesture_and_leave_none_bare(qtbot, frame, name):
    bench, view = canvas(qtbot, with_pads(frame))
    view.drop(name, QPointF(0.0, 0.0))
    build = bench.build
    validate(build)
    count = len(FRAMES[frame].motors)
    assert [sum(p.kind == k for p in build.parts) for k in ("esc", "motor", "ceramic")] == [
        count, count, count,
    ]  # fmt: skip
    leads = [x for x in build.leads if x.to.endswith(".in") and x.length is not None]
    for lead in leads:
        assert length_mm(lead) >= way_mm(build, lead) - 0.5
    assert view.drop(name, QPointF(0.0, 0.0)).how == "no"
    if name == "set:board":
        assert len({str(p.values["board"]) for p in build.parts if p.kind == "esc"}) == 1
        assert len(view.scene_.boards) == 1


def test_arms_of_the_sample_are_as_the_gesture_makes_them(qtbot):
    """So the sample can be built by hand: same values on every ESC, motor, ceramic and lead."""
    bench, view = canvas(qtbot, with_pads())
    view.drop("set:arms", QPointF(0.0, 0.0))
    sample = sim.load("arms_4s_analogue")

    def plain(values):
        return {k: getattr(v, "value", v) for k, v in values.items()}

    for kind in ("esc", "motor", "ceramic"):
        new = next(p for p in bench.build.parts if p.kind == kind)
        old = next(p for p in sample.parts if p.kind == kind)
        assert plain(new.values) == plain(old.values)
    new, old = bench.build.lead("arm1"), sample.lead("arm1")
    for key in ("gauge", "length", "spacing"):
        assert getattr(new, key).value == getattr(old, key).value


def test_a_frame_without_arms_and_a_build_without_a_pack_say_so(qtbot):
    _, view = canvas(qtbot, replace(with_pads(), frame="bench"))
    assert view.drop("set:arms", QPointF(0.0, 0.0)).how == "no"
    bench, second = canvas(qtbot, Build(name="bare", frame="x-5"))
    aim = second.drop("set:arms", QPointF(0.0, 0.0))
    assert aim.how == "free"
    assert "no pack" in aim.words
    assert len(bench.build.parts) == 12


def test_tab_goes_from_bare_arm_to_bare_arm(qtbot):
    _, view = canvas(qtbot, with_pads())
    view.start_placing("set:arm", QPointF(70.0, 70.0))
    seen = set()
    for _ in range(5):
        view.focusNextPrevChild(True)
        seen.add((round(view.gesture.place.x()), round(view.gesture.place.y())))
    assert len(seen) == 4
    QTest.keyClick(view, Qt.Key.Key_Escape)
    assert view.gesture is None


@pytest.mark.parametrize("preset", ["arms_4s_analogue", "board_6s_digital"])
def test_with_shift_one_stands_at_every_esc_alike(qtbot, preset):
    bench, view = canvas(qtbot, preset, option=None)
    before = bench.build
    esc = view.scene_.parts["esc1"]
    view.start_placing("electrolytic", esc.pos())
    assert view.gesture.aim.how == "across"
    QTest.keyClick(view, Qt.Key.Key_Return, Qt.KeyboardModifier.ShiftModifier)
    settle()
    new = [p for p in bench.build.parts if before.part(p.id) is None]
    assert len(new) == 4
    assert set(bench.selection) == {p.id for p in new}
    leads = [x for x in bench.build.leads if before.lead(x.id) is None]
    assert sorted(x.to for x in leads) == [f"esc{k}.in" for k in (1, 2, 3, 4)]
    ways = [way_mm(bench.build, x) for x in leads]
    assert ways == pytest.approx([ways[0]] * 4, abs=0.2)
    assert bench.undo_stack.undoText() == "Add Electrolytic capacitor at every ESC"

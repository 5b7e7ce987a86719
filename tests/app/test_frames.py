"""Frames to scale, decks that spread, and whether what is drawn on them fits."""

from __future__ import annotations

from math import hypot

import pytest
from msgspec.structs import replace
from PySide6.QtCore import QPointF, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QProxyStyle, QStyle

import sim
from app.wiring.frame_name import change_frame
from app.wiring.frames import FRAMES, carried_over
from sim.build import dumps
from sim.edit import length_mm, move_part, set_deck, set_value, way_mm
from tests.app.canvas_hands import canvas, drag, settle


class Still(QProxyStyle):
    """A style of a system that asks for no motion."""

    def styleHint(self, hint, option=None, widget=None, returnData=None):
        if hint == QStyle.StyleHint.SH_Widget_Animation_Duration:
            return 0
        return super().styleHint(hint, option, widget, returnData)


def test_every_frame_has_room_for_its_propellers_and_says_its_size():
    """Discs of neighbours must not meet: with two tips in one place there is no frame."""
    for name, frame in FRAMES.items():
        assert "mm" in frame.sizes, name
        for k, a in enumerate(frame.motors):
            for b in frame.motors[:k]:
                apart = hypot(a[0] - b[0], a[1] - b[1])
                assert apart > 2 * frame.propeller_mm, name
    assert [len(FRAMES[n].motors) for n in ("x-5", "h-5", "hex-6", "octo-8", "bench")] == [
        4, 4, 6, 8, 0,
    ]  # fmt: skip
    assert FRAMES["x-5"].reach_mm == pytest.approx(220.0, abs=0.1)


@pytest.mark.parametrize("name", [n for n in FRAMES if n != "x-5"])
def test_another_frame_takes_motors_and_escs_along_in_one_step(qtbot, name):
    bench, view = canvas(qtbot)
    before = dumps(bench.build)
    change_frame(view, name)
    settle()
    frame = FRAMES[name]
    assert bench.build.frame == name
    assert view.frame_name.text().startswith(frame.title)
    for k in range(4):
        at = bench.build.part(f"motor{k + 1}").at
        if frame.motors:
            assert min(hypot(at[0] - x, at[1] - y) for x, y in frame.motors) < 1.0
    for lead in bench.build.leads:
        old = sim.load("arms_4s_analogue").lead(lead.id)
        if old.length is not None and lead.length is not None:
            slack = length_mm(old) - way_mm(sim.load("arms_4s_analogue"), old)
            if length_mm(lead) > 1.0:
                assert length_mm(lead) - way_mm(bench.build, lead) == pytest.approx(slack, abs=0.2)
    assert bench.undo_stack.count() == 1
    bench.undo_stack.undo()
    assert dumps(bench.build) == before


def test_what_is_on_an_arm_stays_as_far_from_its_motor():
    old, new = FRAMES["x-5"], FRAMES["x-7"]
    moved = carried_over({"m": (77.8, 77.8), "e": (54.0, 54.0), "on_plate": (10.0, 20.0)}, old, new)
    assert set(moved) == {"m", "e"}
    assert hypot(moved["m"][0] - moved["e"][0], moved["m"][1] - moved["e"][1]) == pytest.approx(
        hypot(23.8, 23.8), abs=0.2
    )


def test_the_key_spreads_the_decks_and_puts_them_together(qtbot):
    bench, view = canvas(qtbot)
    before = dumps(bench.build)
    fc, pack, pads = (view.scene_.parts[i] for i in ("fc", "pack", "pads"))
    home = fc.pos()
    QTest.keyClick(view, Qt.Key.Key_S)
    qtbot.waitUntil(lambda: view.scene_.spread == 1.0, timeout=2000)
    assert view.spread._motion.duration() < 150
    assert fc.pos().x() > home.x() + 80
    assert pack.pos().x() < -80
    assert pads.pos() == QPointF(*pads.part.at)
    shown = bench.shown_build
    for lead in shown.leads:
        # a lead is drawn from pad to pad wherever those are drawn, its slack as it is
        course = view.scene_.leads[lead.id].course
        assert course.points[0] == pytest.approx(view.scene_.pad(lead.from_))
        if lead.length is not None:
            slack = length_mm(lead) - way_mm(shown, lead)
            assert course.slack_mm == pytest.approx(slack, abs=1e-6)
    # what is moved while spread goes as far as the hand did
    at = fc.part.at
    drag(view, fc.pos().toTuple(), (fc.pos().x() + 5, fc.pos().y() + 5))
    assert bench.build.part("fc").at == pytest.approx((at[0] + 5, at[1] + 5), abs=1.0)
    bench.undo_stack.undo()
    QTest.keyClick(view, Qt.Key.Key_S)
    qtbot.waitUntil(lambda: view.scene_.spread == 0.0, timeout=2000)
    assert fc.pos() == home
    assert dumps(bench.build) == before


def test_nothing_moves_where_the_system_wants_no_motion(qtbot):
    _, view = canvas(qtbot)
    style = Still("Fusion")
    style.setParent(view)
    view.setStyle(style)
    view.spread.toggle()
    assert view.scene_.spread == 1.0


@pytest.mark.parametrize("preset", ["arms_4s_analogue", "board_6s_digital"])
def test_all_of_a_sample_fits_in_every_option(qtbot, preset):
    bench, view = canvas(qtbot, preset)
    for option in (None, *range(len(bench.build.options))):
        bench.set_option(option)
        settle()
        assert [m.words for m in view.scene_.check_fit()] == []
        assert not view.fit_line.isVisible()


def test_parts_that_overlap_on_one_deck_are_said(qtbot):
    bench, view = canvas(qtbot, option=0)
    bench.do("Move", move_part(bench.build, "vtx", (0.0, -58.0)))
    settle()
    assert "Camera and VTX overlap on the lower deck" in view.fit_line.text().replace(
        "VTX and Camera", "Camera and VTX"
    )
    assert "overlap" in view.scene_.words("vtx")
    assert view.scene_.parts["camera"].crowded
    bench.do("Up", set_deck(bench.build, "camera", "top"))
    settle()
    assert not view.scene_.parts["camera"].crowded
    assert not view.fit_line.isVisible()


def test_a_can_too_high_for_its_deck_is_said(qtbot):
    """2200 µF are a can of 16 x 25 mm; at 50 V twice that, 18 x 35 mm, over 25 mm of room."""
    bench, view = canvas(qtbot, option=1)
    build = set_value(bench.build, "bulk", "capacitance", "2200 uF")
    build = set_value(build, "bulk", "rated_voltage", "50 V")
    bench.do("Larger", build)
    settle()
    assert "35 mm high" in " ".join(m.words for m in view.scene_.misfits)
    bench.do("Aside", move_part(build, "bulk", (0.0, 68.0)))
    settle()
    assert "mm high" not in " ".join(m.words for m in view.scene_.misfits)


def test_a_frame_of_an_unknown_name_is_drawn_and_kept(qtbot):
    bench, view = canvas(qtbot, replace(sim.load("arms_4s_analogue"), frame="from-the-future"))
    assert bench.build.frame == "from-the-future"
    assert view.scene_.content().width() > 100

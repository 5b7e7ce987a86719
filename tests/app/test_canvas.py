"""The canvas, driven by hand: what is drawn is what is there, and what is done undoes."""

from __future__ import annotations

from math import hypot

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt
from PySide6.QtGui import QColor, QMouseEvent, QPainterPath, QWheelEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

import sim
from app.look import Look
from app.wiring import FrameView, OutlineTree, placing
from app.wiring.geometry import beside, course, length
from app.wiring.label_layout import Body, Wanted, lay_out
from app.wiring.symbols import has_symbol, symbol
from app.workbench import Problem, Workbench
from sim.build import Quantity, resolve, validate
from sim.edit import length_mm, pad_position, way_mm
from sim.lead_edit import split_pair
from sim.parts import KINDS

PRESETS = ("arms_4s_analogue", "board_6s_digital")
#: Option of the first preset in which nothing but the pack is on the pads.
NO_CAPACITOR = 0
LC_ONLY = 3


def canvas(qtbot, preset="arms_4s_analogue", option=None, size=(900, 700)):
    bench = Workbench(sim.load(preset))
    bench.set_option(option)
    view = FrameView(bench, Look(False))
    qtbot.addWidget(view)
    view.resize(*size)
    view.show()
    qtbot.waitExposed(view)
    settle()
    return bench, view


def _path_of(box):
    path = QPainterPath()
    path.addRect(box)
    return path


def settle():
    for _ in range(3):
        QApplication.processEvents()


def mouse(view, kind, at, button=Qt.MouseButton.NoButton, held=Qt.MouseButton.NoButton):
    target = view.viewport()
    event = QMouseEvent(
        kind, QPointF(at), QPointF(target.mapToGlobal(at)), button, held,
        Qt.KeyboardModifier.NoModifier,
    )  # fmt: skip
    QApplication.sendEvent(target, event)


def drag(view, start, *stops, release=True):
    """Press at `start` and go over `stops`, all in mm."""
    left = Qt.MouseButton.LeftButton
    at = view.mapFromScene(QPointF(*start))
    mouse(view, QEvent.Type.MouseButtonPress, at, left, left)
    for stop in stops:
        at = view.mapFromScene(QPointF(*stop))
        mouse(view, QEvent.Type.MouseMove, at, held=left)
    if release:
        mouse(view, QEvent.Type.MouseButtonRelease, at, left)
    settle()


def hover(view, place):
    mouse(view, QEvent.Type.MouseMove, view.mapFromScene(QPointF(*place)))


# --- geometry ---------------------------------------------------------------------------


@given(st.floats(20, 200), st.floats(0, 150), st.floats(1.0, 5.0), st.floats(-90, 90))
def test_a_lead_is_drawn_as_long_as_it_is(way, slack, gap, rise):
    """Within 3 %: a polyline cuts corners, and slack under 2 % is not drawn."""
    ends = [(0.0, 0.0), (way * 0.8, rise)]
    straight = length(ends)
    drawn = course(ends, straight + slack, 0.8 * gap, gap)
    assert length(list(drawn.points)) == pytest.approx(straight + slack, rel=0.03, abs=1.1)
    assert drawn.points[0] == ends[0]
    assert drawn.points[-1] == ends[-1]
    assert drawn.slack_mm == pytest.approx(slack)


def test_a_lead_shorter_than_its_way_is_straight_and_says_so():
    drawn = course([(0.0, 0.0), (100.0, 0.0)], 80.0, 3.0, 3.0)
    assert drawn.points == ((0.0, 0.0), (100.0, 0.0))
    assert drawn.slack_mm == pytest.approx(-20.0)


def test_conductors_keep_their_distance_round_a_corner():
    middle = ((0.0, 0.0), (50.0, 0.0), (50.0, 40.0))
    for o in (2.0, -2.0):
        corner = (50.0 - o, o)
        expected = [(0.0, o), corner, (50.0 - o, 40.0)]
        for drawn, wanted in zip(beside(middle, o), expected, strict=True):
            assert drawn == pytest.approx(wanted, abs=1e-9)


def test_words_do_not_cover_each_other_even_where_parts_crowd():
    crowd = [Body(300 + 12 * k, 300, 5, 5) for k in range(8)]
    wanted = [Wanted(str(k), body, (90, 36), (1.0, 0.0)) for k, body in enumerate(crowd)]
    placed = lay_out(wanted, crowd, [], (0, 0, 800, 600), [], {})
    boxes = [p.box for p in placed.values()]
    assert len(boxes) == 8
    for i, a in enumerate(boxes):
        for b in boxes[:i]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


# --- what is drawn ------------------------------------------------------------------------


@pytest.mark.parametrize("preset", PRESETS)
def test_every_part_and_lead_is_drawn_where_the_build_has_it(qtbot, preset):
    bench, view = canvas(qtbot, preset)
    for option in (None, *range(len(bench.build.options))):
        bench.set_option(option)
        shown = bench.shown_build
        assert set(view.scene_.parts) == {p.id for p in shown.parts}
        assert set(view.scene_.leads) == {lead.id for lead in shown.leads}
        for lead in shown.leads:
            points = view.scene_.leads[lead.id].course.points
            for address, drawn in ((lead.from_, points[0]), (lead.to, points[-1])):
                assert drawn == pytest.approx(pad_position(shown, address), abs=1e-6)


@pytest.mark.parametrize("preset", PRESETS)
@pytest.mark.parametrize("size", [(712, 544), (1150, 880)])
def test_words_cover_neither_words_nor_parts(qtbot, preset, size):
    bench, view = canvas(qtbot, preset, size=size)
    for option in (None, *range(len(bench.build.options))):
        bench.set_option(option)
        view.place_labels()
        scene = view.scene_
        boxes = {}
        for id_, label in scene.labels.items.items():
            corner = view.mapFromScene(label.pos())
            box = label._box.translated(QPointF(corner))
            boxes[id_] = box
            assert view.viewport().rect().contains(box.toAlignedRect()), id_
        for a in boxes:
            for b in boxes:
                assert a == b or not boxes[a].intersects(boxes[b]), (option, a, b)
        inside = {}
        for id_, item in scene.parts.items():
            # Words may come within a cell of the layout's table of an outline.
            outline = item.deviceTransform(view.viewportTransform()).map(item.shape())
            for other, box in boxes.items():
                shared = outline.intersected(_path_of(box.adjusted(6, 6, -6, -6)))
                if not item.see_through and not shared.isEmpty():
                    inside[id_] = other
        assert not inside, option


@pytest.mark.parametrize("size", [(712, 492), (520, 400)])
def test_words_stand_clear_of_the_ends_of_a_selected_lead(qtbot, size):
    """The squares that an end is taken hold of by lay on figures."""
    bench, view = canvas(qtbot, size=size)
    view.change("Split a pair", lambda build: split_pair(build, "main"))
    for option in (None, *range(len(bench.build.options))):
        bench.set_option(option)
        bench.select(("main",))
        view.place_labels()
        ends = [view.viewportTransform().mapRect(box) for box in view.lead_ends.boxes()]
        assert len(ends) == 2
        for label in view.scene_.labels.items.values():
            words = label._box.translated(QPointF(view.mapFromScene(label.pos())))
            assert not any(words.intersects(end) for end in ends), (option, label.name)


def test_the_outputs_of_a_board_are_one_board(qtbot):
    _, view = canvas(qtbot, "board_6s_digital")
    (board,) = view.scene_.boards.values()
    assert {"esc1", "esc2", "esc3", "esc4"} <= set(board.ids)
    copper = [i for i, lead in view.scene_.leads.items() if not lead.isVisible()]
    assert {"arm1", "arm2", "arm3", "arm4"} <= set(copper)
    assert "main" not in copper


def test_a_can_turns_its_stripe_to_its_black_leg(qtbot):
    _, view = canvas(qtbot)
    can, leg = view.scene_.parts["local1"], view.scene_.leads["at_esc1"]
    minus = leg._lines[1]
    assert minus[1] == "minus"
    start = minus[0].elementAt(0)
    from math import cos, radians, sin

    a = radians(can.minus_towards)
    towards = (start.x - can.pos().x()) * cos(a) + (start.y - can.pos().y()) * sin(a)
    assert towards > 0


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_kind_can_be_taken_from_the_tray_and_resolves(qtbot, kind):
    bench, _view = canvas(qtbot)
    part = placing.new_part(kind, bench.build, (0.0, 0.0))
    resolve(part)
    for value in part.values.values():
        assert isinstance(value, Quantity) or part.kind in ("esc", "motor", "battery")
    assert has_symbol(kind) or KINDS[kind].title
    pixmap = symbol(kind, 32, QColor("#123456"))
    if pixmap is not None:
        image = pixmap.toImage()
        colours = {
            image.pixelColor(x, y).name()
            for x in range(32)
            for y in range(32)
            if image.pixelColor(x, y).alpha() == 255
        }
        assert colours == {"#123456"}


def test_figures_stand_beside_the_parts_and_verdicts_show(qtbot):
    from types import SimpleNamespace as Row

    bench, view = canvas(qtbot)
    use = Row(name="MOSFET limit", limit=30.0, value=33.0, used=1.1, unit="V", verdict="over",
              reads="peak_volts", place="esc3.in")  # fmt: skip
    bench.answer = Row(joints=(), parts=(Row(id="esc3", ratings=(use,)),), live=False)
    bench.answer_changed.emit()
    qtbot.waitUntil(lambda: "esc3" in view.scene_.labels.items)
    label = view.scene_.labels.items["esc3"]
    assert label.figure == "■ 33.0 V of 30"
    assert label.verdict == "over"


def test_words_keep_their_room_in_a_drag_and_have_their_own_again_at_rest(qtbot, monkeypatch):
    from types import SimpleNamespace as Row

    bench, view = canvas(qtbot)
    laid = []
    lay_out = view.scene_.labels.lay_out
    monkeypatch.setattr(view.scene_.labels, "lay_out", lambda *a: (laid.append(1), lay_out(*a)))

    def shows(volts, *, live):
        use = Row(name="MOSFET limit", limit=30.0, value=volts, used=volts / 30.0, unit="V",
                  verdict="over", reads="peak_volts", place="esc3.in")  # fmt: skip
        bench.answer = Row(joints=(), parts=(Row(id="esc3", ratings=(use,)),), live=live)
        laid.clear()
        bench.answer_changed.emit()
        # (figures of a drag come ten times a second)
        words, items = f"■ {volts:.1f} V of 30", view.scene_.labels.items
        qtbot.waitUntil(lambda: "esc3" in items and items["esc3"].figure == words)
        qtbot.wait(80)
        return len(laid), items["esc3"]

    shows(33.0, live=False)
    times, label = shows(133.0, live=True)
    assert times == 1
    assert label.fits
    wide = label.boundingRect().width()
    for volts in (34.0, 134.0, 35.0):
        times, label = shows(volts, live=True)
        assert times == 0
    assert label.boundingRect().width() == wide
    assert shows(35.0, live=False)[0] == 1
    assert label.boundingRect().width() < wide
    assert shows(35.0, live=False)[0] == 0


def test_what_cannot_be_solved_is_outlined_with_the_sentence(qtbot):
    bench, view = canvas(qtbot)
    bench.problem = Problem("Unjoined", "vtx", "hangs free", "Join it", ("vtx",))
    bench.problem_changed.emit()
    settle()
    assert view.scene_.parts["vtx"].marked
    assert "hangs free" in view.scene_.labels.items["vtx"].figure
    bench.problem = None
    bench.problem_changed.emit()
    assert not view.scene_.parts["vtx"].marked


def test_half_a_frame_with_one_sentence_says_it_beside_few(qtbot):
    """Twelve times the same words lay on the parts they were about."""
    bench, view = canvas(qtbot)
    ids = ("esc1", "cer1", "motor1", "esc2", "cer2", "motor2")
    told = tuple((id_, "only its minus reaches the supply") for id_ in ids)
    bench.problem = Problem("Unjoined", "esc1", told[0][1], "", ("esc1",), marks=told)
    bench.problem_changed.emit()
    settle()
    assert all(view.scene_.parts[id_].marked for id_ in ids)
    worded = {i for i, x in view.scene_.labels.items.items() if "only its minus" in x.figure}
    assert worded == {"esc1", "esc2"}
    bench.select(("motor1",))
    settle()
    assert "only its minus" in view.scene_.labels.items["motor1"].figure


# --- placing ------------------------------------------------------------------------------


def test_a_capacitor_dropped_on_the_pads_is_connected_and_undoes(qtbot):
    bench, view = canvas(qtbot)
    before = bench.build
    aim = view.drop("electrolytic", QPointF(4, 12))
    assert aim.how == "across"
    new = {p.id for p in bench.build.parts} - {p.id for p in before.parts}
    (id_,) = new
    part = bench.build.part(id_)
    assert part.values["capacitance"].mark == "assumed"
    (lead,) = [x for x in bench.build.leads if x.from_.startswith(id_)]
    assert lead.to == "pads"
    validate(bench.build)
    bench.undo_stack.undo()
    assert bench.build == before
    assert id_ not in view.scene_.parts


def test_a_capacitor_on_the_pads_lowers_the_chop_and_undo_brings_it_back(qtbot):
    """More capacitance at one node takes the same energy at a lower voltage."""
    bench, view = canvas(qtbot, option=NO_CAPACITOR)

    def peak():
        found = sim.solve(bench.build, event=3, option=NO_CAPACITOR + 1, detail="averaged")
        return next(j for j in found.joints if j.id == "pads").peak_V

    bare = peak()
    view.drop("electrolytic", QPointF(4, 12))
    assert peak() < bare - 0.5
    bench.undo_stack.undo()
    assert peak() == pytest.approx(bare, abs=1e-9)


def test_with_an_option_chosen_only_that_option_gets_the_part(qtbot):
    bench, view = canvas(qtbot, option=LC_ONLY)
    before = bench.build
    view.drop("ceramic", QPointF(6, 14))
    assert bench.build.parts == before.parts
    changed = [i for i, o in enumerate(bench.build.options) if o != before.options[i]]
    assert changed == [LC_ONLY]


def test_a_coil_dropped_on_a_lead_is_spliced_in_and_heals_out(qtbot):
    bench, view = canvas(qtbot)
    before = {lead.id for lead in bench.build.leads}
    aim = view.drop("inductor", QPointF(0, 50))
    assert (aim.how, aim.target) == ("splice", "main")
    (coil,) = [p for p in bench.build.parts if p.kind == "inductor"]
    ends = {x.from_ for x in bench.build.leads} | {x.to for x in bench.build.leads}
    assert {f"{coil.id}.in", f"{coil.id}.out"} <= ends
    bench.select((coil.id,))
    QTest.keyClick(view, Qt.Key.Key_Delete)
    assert {lead.id for lead in bench.build.leads} == before
    assert bench.build.part(coil.id) is None


def test_on_bare_frame_a_part_stands_free_and_the_ghost_says_so(qtbot):
    bench, view = canvas(qtbot)
    count = len(bench.build.leads)
    aim = view.drop("vtx", QPointF(-100, 0))
    assert aim.how == "free"
    assert "pull a lead" in aim.words
    assert len(bench.build.leads) == count


def test_an_invalid_target_says_why_and_changes_nothing(qtbot):
    bench, view = canvas(qtbot)
    before = bench.build
    aim = view.drop("motor", QPointF(0, 8))
    assert not aim.allowed
    assert "ESC" in aim.words
    assert bench.build is before
    assert not bench.undo_stack.canUndo()


def test_the_tray_by_keys_alone(qtbot):
    bench, view = canvas(qtbot)
    view.setFocus()
    QTest.keyClick(view, Qt.Key.Key_N)
    assert view.tray.isVisible()
    QTest.keyClicks(view.tray.filter, "poly")
    assert view.tray.kind() == "polymer"
    QTest.keyClick(view.tray.filter, Qt.Key.Key_Return)
    ghost = view.gesture
    at = ghost.place
    QTest.keyClick(view, Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    QTest.keyClick(view, Qt.Key.Key_Up)
    assert (ghost.place - at) == QPointF(10, -1)
    for _ in range(40):
        view.focusNextPrevChild(True)
        if ghost.aim.how == "across" and ghost.aim.target == "pads":
            break
    assert ghost.aim.target == "pads"
    QTest.keyClick(view, Qt.Key.Key_Return)
    (part,) = [p for p in bench.build.parts if p.kind == "polymer"]
    assert bench.selection == (part.id,)
    assert bench.undo_stack.count() == 1


def test_with_a_lead_selected_the_tray_puts_a_coil_into_it(qtbot):
    bench, view = canvas(qtbot)
    view.setFocus()
    bench.select(("main",))
    QTest.keyClick(view, Qt.Key.Key_Plus)
    QTest.keyClicks(view.tray.filter, "inductor")
    QTest.keyClick(view.tray.filter, Qt.Key.Key_Return)
    assert (view.gesture.aim.how, view.gesture.aim.target) == ("splice", "main")
    QTest.keyClick(view, Qt.Key.Key_Return)
    assert any(x.to.startswith("inductor") for x in bench.build.leads)


def test_escape_puts_the_part_back_into_the_tray(qtbot):
    bench, view = canvas(qtbot)
    before, items = bench.build, len(view.scene_.items())
    view.start_placing("electrolytic", QPointF(0, 0))
    QTest.keyClick(view, Qt.Key.Key_Escape)
    assert bench.build is before
    assert len(view.scene_.items()) == items


def test_a_row_is_dragged_out_of_the_tray_onto_the_pads(qtbot):
    bench, view = canvas(qtbot)
    view.open_tray(QPoint(20, 60))
    tray = view.tray
    tray.filter.setText("electrolytic")
    row = tray.list.visualItemRect(tray.list.currentItem()).center()
    target, left = tray.list.viewport(), Qt.MouseButton.LeftButton
    pads = view.viewport().mapToGlobal(view.mapFromScene(QPointF(5, 13)))

    def send(kind, at, held=left):
        event = QMouseEvent(kind, QPointF(target.mapFromGlobal(at)), QPointF(at), left, held,
                            Qt.KeyboardModifier.NoModifier)  # fmt: skip
        QApplication.sendEvent(target, event)

    start = target.mapToGlobal(row)
    send(QEvent.Type.MouseButtonPress, start)
    send(QEvent.Type.MouseMove, start + QPoint(30, 0))
    send(QEvent.Type.MouseMove, pads)
    assert view.gesture.aim.target == "pads"
    send(QEvent.Type.MouseButtonRelease, pads, Qt.MouseButton.NoButton)
    assert not tray.isVisible()
    assert view.gesture is None
    assert any(x.to == "pads" and x.from_.startswith("electrolytic") for x in bench.build.leads)


# --- moving and joining -------------------------------------------------------------------


def test_a_dragged_part_takes_its_leads_along_live_and_is_one_undo_step(qtbot):
    bench, view = canvas(qtbot)
    before = bench.build
    lead = before.lead("to_vtx")
    slack = length_mm(lead) - way_mm(before, lead)
    previews = []
    bench.preview_changed.connect(lambda: previews.append(bench.shown_build))
    drag(view, (-22, 52), (-30, 60), (-44, 70), release=False)
    assert len(previews) == 2
    assert bench.build is before
    held = view.scene_.leads["to_vtx"]
    assert held.course.points[-1] == pytest.approx((-44, 64), abs=0.6)
    drag_end = view.mapFromScene(QPointF(-44, 70))
    mouse(view, QEvent.Type.MouseButtonRelease, drag_end, Qt.MouseButton.LeftButton)
    after = bench.build.lead("to_vtx")
    assert length_mm(after) > length_mm(lead)
    assert length_mm(after) - way_mm(bench.build, after) == pytest.approx(slack, abs=0.11)
    assert bench.undo_stack.count() == 1
    bench.undo_stack.undo()
    assert bench.build == before


def test_escape_drops_a_drag(qtbot):
    bench, view = canvas(qtbot)
    before = bench.build
    drag(view, (-22, 52), (-60, 60), release=False)
    QTest.keyClick(view, Qt.Key.Key_Escape)
    assert bench.build is before
    assert bench.shown_build == before
    assert view.scene_.parts["vtx"].pos() == QPointF(-22, 46)


def test_a_board_moves_with_all_that_lies_on_it(qtbot):
    bench, view = canvas(qtbot, "board_6s_digital")
    ids = ("pads", "esc1", "esc4", "cer1", "cer3")
    before = {i: bench.build.part(i).at for i in ids}
    start = view.scene_.parts["esc1"].pos()
    drag(view, (start.x() + 4, start.y() - 4), (start.x() + 9, start.y() - 1))
    moved = {i: bench.build.part(i).at for i in ids}
    for i in ids:
        assert moved[i][0] - before[i][0] == pytest.approx(5, abs=0.6)
        assert moved[i][1] - before[i][1] == pytest.approx(3, abs=0.6)


def test_arrow_keys_move_what_is_selected_in_one_step(qtbot):
    bench, view = canvas(qtbot)
    bench.select(("vtx",))
    for _ in range(3):
        QTest.keyClick(view, Qt.Key.Key_Left)
    QTest.keyClick(view, Qt.Key.Key_Down, Qt.KeyboardModifier.ShiftModifier)
    assert bench.build.part("vtx").at == (-25.0, 56.0)
    assert bench.undo_stack.count() == 1


def test_a_lead_is_pulled_from_pads_to_pads(qtbot):
    bench, view = canvas(qtbot, option=None)
    before = {x.id for x in bench.build.leads}
    hover(view, (50, -50))
    start = pad_position(bench.build, "esc1.in")
    end = (10.0, 10.0)
    drag(view, start, (30, -20), end)
    (made,) = [x for x in bench.build.leads if x.id not in before] or [None]
    assert made is None
    # There is one already; from the camera to the pads there is none.
    camera = view.scene_.parts["camera"]
    hover(view, (0, -65))
    handle = camera.mapRectToScene(camera.body)
    drag(view, (handle.right(), handle.center().y()), (40, -30), end)
    (made,) = [x for x in bench.build.leads if x.id not in before]
    assert {made.from_, made.to} == {"camera.in", "pads"}
    assert length_mm(made) == pytest.approx(way_mm(bench.build, made), abs=0.6)
    assert bench.selection == (made.id,)


def test_a_lead_drawn_aside_gets_longer_by_the_way_round(qtbot):
    bench, view = canvas(qtbot)
    lead = bench.build.lead("main")
    slack = length_mm(lead) - way_mm(bench.build, lead)
    drag(view, (0, 50), (20, 50), (40, 50))
    bent = bench.build.lead("main")
    assert bent.via == (pytest.approx((40.0, 50.0), abs=0.6),)
    assert length_mm(bent) - way_mm(bench.build, bent) == pytest.approx(slack, abs=0.11)
    bench.undo_stack.undo()
    assert bench.build.lead("main") == lead


def test_two_selected_parts_are_joined_by_a_key(qtbot):
    bench, view = canvas(qtbot)
    bench.select(("camera", "pads"))
    QTest.keyClick(view, Qt.Key.Key_L)
    assert any({x.from_, x.to} == {"camera.in", "pads"} for x in bench.build.leads)


# --- looking and choosing -----------------------------------------------------------------


def test_tab_goes_through_everything_and_out(qtbot):
    bench, view = canvas(qtbot)
    view.activateWindow()
    view.setFocus()
    qtbot.waitUntil(view.hasFocus)
    seen = []
    for _ in range(200):
        if not view.focusNextPrevChild(True) or bench.selection[0] in seen:
            break
        seen.append(bench.selection[0])
    assert set(seen) == {p.id for p in bench.build.parts} | {x.id for x in bench.build.leads}


def test_enter_and_double_click_ask_for_the_sheet(qtbot):
    bench, view = canvas(qtbot)
    bench.select(("vtx",))
    with qtbot.waitSignal(view.sheet_requested) as caught:
        QTest.keyClick(view, Qt.Key.Key_Return)
    assert caught.args[0] == "vtx"
    with qtbot.waitSignal(view.sheet_requested) as caught:
        at = view.mapFromScene(QPointF(54, -60))
        mouse(view, QEvent.Type.MouseButtonDblClick, at, Qt.MouseButton.LeftButton)
    assert caught.args[0] == "esc1"


def test_the_wheel_zooms_to_the_pointer(qtbot):
    _, view = canvas(qtbot)
    at = QPointF(250, 420)
    before = view.mapToScene(at.toPoint())
    zoom = view.scene_.zoom
    wheel = QWheelEvent(
        at, QPointF(view.mapToGlobal(at.toPoint())), QPoint(), QPoint(0, 240),
        Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase,
        False,
    )  # fmt: skip
    view.wheelEvent(wheel)
    assert view.scene_.zoom > 1.2 * zoom
    moved = view.mapToScene(at.toPoint()) - before
    # Scroll bars stand on whole pixels.
    assert hypot(moved.x(), moved.y()) * view.scene_.zoom < 1.5
    QTest.keyClick(view, Qt.Key.Key_Home)
    assert view.scene_.zoom == pytest.approx(zoom)


def test_the_outline_lists_the_same_and_shares_the_selection(qtbot):
    bench, view = canvas(qtbot)
    tree = OutlineTree(bench, view.look)
    qtbot.addWidget(tree)
    assert set(tree._rows) == set(view.scene_.parts) | set(view.scene_.leads)
    bench.select(("esc2",))
    assert [r.text(0) for r in tree.selectedItems()] == ["ESC 2"]
    tree.clearSelection()
    tree._rows["main"].setSelected(True)
    assert bench.selection == ("main",)
    assert view.scene_.leads["main"].chosen
    with qtbot.waitSignal(tree.sheet_requested) as caught:
        tree.setCurrentItem(tree._rows["vtx"])
        QTest.keyClick(tree, Qt.Key.Key_Return)
    assert caught.args[0] == "vtx"


def test_a_part_of_unknown_kind_or_without_place_is_still_drawn(qtbot):
    bench, view = canvas(qtbot)
    build = bench.build
    odd = tuple(
        replace(p, at=None) if p.id == "vtx" else replace(p, kind="plasma") if p.id == "fc" else p
        for p in build.parts
    )
    view.scene_.sync(replace(build, parts=odd))
    assert {"vtx", "fc"} <= set(view.scene_.parts)
    view.grab()

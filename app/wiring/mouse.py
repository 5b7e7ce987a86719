"""The mouse on the canvas: which gesture a press and a move begin, and hovering."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPoint, QPointF, Qt

from app.wiring.clips import DragClip
from app.wiring.commands import with_boards
from app.wiring.context import menu
from app.wiring.gestures import BendLead, DragParts, Pan, PlacePart, PullLead
from app.wiring.lasso import Lasso
from app.wiring.lead_ends import RehomeLead

if TYPE_CHECKING:
    from PySide6.QtGui import QMouseEvent

    from app.wiring.view import FrameView

_START_DRAG = 4
_PAD_REACH = 7.0
_SHIFT = Qt.KeyboardModifier.ShiftModifier
_ADDING = Qt.KeyboardModifier.ShiftModifier | Qt.KeyboardModifier.ControlModifier


class Mouse:
    """Turns presses, moves and releases of a `FrameView` into selection and gestures."""

    def __init__(self, view: FrameView) -> None:
        self.view = view
        #: Space is held down: a drag moves the paper.
        self.space = False
        self._pressed: QPoint | None = None
        self._press_place = QPointF()
        self._adding = False

    # What is where

    def id_at(self, place: QPointF) -> str:
        """The part, else the lead at a place in mm; "" for neither."""
        scene = self.view.scene_
        part = scene.part_at(place, 2.0 / scene.zoom)
        if part is not None:
            return part.part.id
        lead = scene.lead_at(place, _PAD_REACH / scene.zoom)
        return lead.lead.id if lead is not None else ""

    def pad_at(self, place: QPointF) -> str:
        """The address whose pull handle is at a place, "" if none is."""
        scene = self.view.scene_
        return scene.handle_at(place, _PAD_REACH / scene.zoom)

    def words_at(self, place: QPointF) -> str:
        """What a tooltip says there."""
        if self.view.lead_ends.at(place):
            return "Drag this end to other pads."
        clip = self.view.clip_marks.at(place)
        if clip is not None:
            return "Drag the tip elsewhere, or off." if clip[1] == "tip" else "Drag the ground."
        if self.pad_at(place):
            return "Drag from here to pull a lead."
        return self.view.scene_.words(self.id_at(place))

    # Events

    def press(self, event: QMouseEvent) -> None:
        view = self.view
        at = event.position().toPoint()
        if isinstance(view.gesture, PlacePart):
            if event.button() == Qt.MouseButton.RightButton:
                view.end_gesture(cancel=True)
            return
        if view.breaking.armed:
            if event.button() == Qt.MouseButton.LeftButton:
                place = view.mapToScene(at)
                view.breaking.touch_at(place, self.id_at(place))
            return
        if event.button() == Qt.MouseButton.MiddleButton or self.space:
            view.begin(Pan(view, at))
        elif event.button() == Qt.MouseButton.RightButton:
            self._menu_at(event)
        elif event.button() == Qt.MouseButton.LeftButton:
            self._pressed, self._press_place = at, view.mapToScene(at)
            self._adding = bool(event.modifiers() & _ADDING)
            self._select_at(self._press_place, self._adding)

    def _menu_at(self, event: QMouseEvent) -> None:
        """The menu for what is there, which is selected if it was not."""
        view = self.view
        place = view.mapToScene(event.position().toPoint())
        id_ = self.id_at(place)
        if id_ not in view.workbench.selection:
            view.workbench.select((id_,) if id_ else ())
        menu(view, place).popup(event.globalPosition().toPoint())

    def _select_at(self, place: QPointF, add: bool) -> None:
        bench = self.view.workbench
        self.view.keys.kept = ()
        pad = self.pad_at(place)
        id_ = pad.partition(".")[0] if pad else self.id_at(place)
        chosen = bench.selection
        if add and id_:
            bench.select(tuple(i for i in chosen if i != id_) if id_ in chosen else (*chosen, id_))
        elif add:
            return  # a loop is about to add to what is selected
        elif self.view.lead_ends.at(place):
            return  # an end of the selected lead is about to be led elsewhere
        elif id_ not in chosen or not id_:
            bench.select((id_,) if id_ else ())

    def move(self, event: QMouseEvent) -> None:
        view = self.view
        at = event.position().toPoint()
        place = view.mapToScene(at)
        view.pointer = place
        if isinstance(view.gesture, Pan):
            view.gesture.drag_to(at)
        elif view.gesture is not None:
            view.gesture.move(place)
        elif self._pressed is None:
            self.hover(place)
        elif (at - self._pressed).manhattanLength() >= _START_DRAG:
            self._pressed = None
            self._start_drag(self._press_place)
            view.move_gesture(place)

    def _start_drag(self, place: QPointF) -> None:
        view, scene = self.view, self.view.scene_
        end = view.lead_ends.at(place)
        if end:
            view.begin(RehomeLead(view, view.lead_ends.id, end))
            return
        clip = view.clip_marks.at(place)
        if clip is not None:
            view.begin(DragClip(view, *clip))
            return
        pad = self.pad_at(place)
        if pad:
            view.begin(PullLead(view, pad))
            return
        part = scene.part_at(place, 2.0 / scene.zoom)
        if part is not None:
            chosen = tuple(i for i in view.workbench.selection if i in scene.parts)
            ids = chosen if part.part.id in chosen else (part.part.id,)
            view.begin(DragParts(view, with_boards(scene, ids), place))
            return
        lead = scene.lead_at(place, _PAD_REACH / scene.zoom)
        if lead is not None and scene.spread:
            view.say("Put the decks together first: S.")
        elif lead is not None:
            view.begin(BendLead(view, lead.lead.id, place))
        else:
            view.begin(Lasso(view, place, self._adding))

    def release(self, event: QMouseEvent) -> None:
        self._pressed = None
        if isinstance(self.view.gesture, PlacePart):
            if event.button() == Qt.MouseButton.LeftButton:
                self.view.put_down(each=bool(event.modifiers() & _SHIFT))
            return
        self.view.end_gesture(self.view.mapToScene(event.position().toPoint()))

    def double_click(self, event: QMouseEvent) -> None:
        view = self.view
        id_ = self.id_at(view.mapToScene(event.position().toPoint()))
        if event.button() == Qt.MouseButton.LeftButton and id_:
            self._pressed = None
            view.workbench.select((id_,))
            view.sheet_requested.emit(id_, event.globalPosition().toPoint())

    def let_go(self) -> None:
        """Forget a press that has not become a drag."""
        self._pressed = None

    def hover(self, place: QPointF) -> None:
        """Show what a press here would take hold of."""
        scene, viewport = self.view.scene_, self.view.viewport()
        id_ = self.id_at(place)
        scene.set_hovered(id_)
        pad = self.pad_at(place)
        scene.show_pads(pad.partition(".")[0] if pad else id_)
        shape = Qt.CursorShape.ArrowCursor
        if pad:
            shape = Qt.CursorShape.CrossCursor
        elif id_:
            shape = Qt.CursorShape.OpenHandCursor
        if viewport.cursor().shape() != shape:
            viewport.setCursor(shape)

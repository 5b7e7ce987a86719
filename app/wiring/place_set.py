"""The gesture that places several parts at once; their ghosts sit on the arms."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF

from app.wiring import placing, sets
from app.wiring.facts import facts
from app.wiring.gestures import Gesture, PlacePart
from app.wiring.part_item import PartItem

if TYPE_CHECKING:
    from app.wiring.view import FrameView
    from sim.build import Build

_Z = 50.0


class PlaceSet(PlacePart):
    """ESC with motor on the nearest bare arm, or on all of them."""

    def __init__(self, view: FrameView, name: str, at: QPointF) -> None:
        Gesture.__init__(self, view)
        self.kind = name
        self._items: list[PartItem] = []
        self._arms: list[int] = []
        self.place = at
        self.aim = placing.Aim("no", "", (0.0, 0.0), "")
        self.move(at)

    def move(self, place: QPointF) -> None:
        self.place = place
        scene = self.view.scene_
        self.aim, arms = sets.aim(scene, self.kind, (place.x(), place.y()))
        if arms != self._arms or not self._items:
            self._arms = arms
            self._show_ghosts()
        words = self.aim.words
        option = self.view.option_name()
        if self.aim.allowed and option:
            words += f" Only in “{option}”."
        self.view.say(words, at=place, bad=not self.aim.allowed)

    def _show_ghosts(self) -> None:
        self._drop_ghosts()
        scene, build = self.view.scene_, self.view.workbench.shown_build
        for arm in self._arms:
            board = self.kind == "set:board"
            esc_at, turn, motor_at, _ = sets.places(scene.frame_item.frame, arm, board)
            for kind, at, angle in (("esc", esc_at, turn), ("motor", motor_at, 0.0)):
                part = placing.new_part(kind, build, at)
                item = PartItem(part, facts(part), self.view.look)
                item.setRotation(angle)
                item.ghost = True
                item.setZValue(_Z)
                scene.addItem(item)
                self._items.append(item)

    def put_down(self, each: bool = False) -> bool:
        """Place them; False where no arm is bare."""
        if not self.aim.allowed:
            return False
        view, name, arms = self.view, self.kind, self._arms
        frame = view.scene_.frame_item.frame
        self._clear()
        made: list[str] = []

        def edit(build: Build) -> Build:
            build, ids = sets.put(build, name, frame, arms)
            made.extend(ids)
            return build

        if view.change(f"Add {sets.SETS[name].title}", edit):
            view.workbench.select(tuple(made))
        return True

    def targets(self) -> list[QPointF]:
        """Ends of the bare arms."""
        frame, build = self.view.scene_.frame_item.frame, self.view.workbench.shown_build
        return [QPointF(*frame.motors[k]) for k in sets.bare_arms(frame, build)]

    def _drop_ghosts(self) -> None:
        for item in self._items:
            if item.scene() is not None:
                item.scene().removeItem(item)
        self._items = []

    def _clear(self) -> None:
        self._drop_ghosts()
        self.view.say("")

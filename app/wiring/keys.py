"""The keyboard on the canvas: one table of keys, and Tab through parts and leads."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, Qt

from app.wiring import placing
from app.wiring.commands import join_selected, nudge
from app.wiring.gestures import PlacePart

if TYPE_CHECKING:
    from collections.abc import Callable

    from PySide6.QtGui import QKeyEvent

    from app.wiring.view import FrameView

Key = Qt.Key
_WAYS = {
    Key.Key_Left: (-1.0, 0.0),
    Key.Key_Right: (1.0, 0.0),
    Key.Key_Up: (0.0, -1.0),
    Key.Key_Down: (0.0, 1.0),
}
_ENTER = (Key.Key_Return, Key.Key_Enter)


class Keys:
    """Keys of a `FrameView`; what it does not know goes on to the window."""

    def __init__(self, view: FrameView) -> None:
        self.view = view
        #: Without Ctrl, and with it.
        self.plain: dict[Qt.Key, Callable[[], object]] = {
            Key.Key_Plus: view.open_tray_by_key,
            Key.Key_N: view.open_tray_by_key,
            Key.Key_Delete: view.remove_selected,
            Key.Key_Backspace: view.remove_selected,
            Key.Key_Return: view.request_sheet,
            Key.Key_Enter: view.request_sheet,
            Key.Key_Home: view.fit,
            Key.Key_Escape: lambda: view.workbench.select(()),
            Key.Key_L: lambda: join_selected(view),
        }
        self.control: dict[Qt.Key, Callable[[], object]] = {
            Key.Key_Plus: lambda: view.zoom_middle(1.25),
            Key.Key_Equal: lambda: view.zoom_middle(1.25),
            Key.Key_Minus: lambda: view.zoom_middle(0.8),
        }

    def press(self, event: QKeyEvent) -> bool:
        """Do what a key means here; False if it means nothing."""
        shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        control = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
        key = Qt.Key(event.key())
        if self.view.gesture is not None and self._in_gesture(key, shift):
            return True
        if key == Key.Key_Space and not control:
            self.view.mouse.space = True
            return True
        action = (self.control if control else self.plain).get(key)
        if action is not None:
            action()
            return True
        if control or key not in _WAYS:
            return False
        step = 10.0 if shift else 1.0
        dx, dy = _WAYS[key]
        return nudge(self.view, dx * step, dy * step)

    def _in_gesture(self, key: Qt.Key, shift: bool) -> bool:
        view, gesture = self.view, self.view.gesture
        if key == Key.Key_Escape:
            view.mouse.let_go()
            view.end_gesture(cancel=True)
            return True
        if not isinstance(gesture, PlacePart):
            return False
        if key in _ENTER:
            view.put_down()
            return True
        return gesture.key(int(key), shift)

    def tab(self, forward: bool) -> bool:
        """To the next part or lead, or target of a ghost; False at the last."""
        view = self.view
        if isinstance(view.gesture, PlacePart):
            self._next_target(view.gesture, forward)
            return True
        order = view.scene_.reading_order()
        chosen = view.workbench.selection
        at = order.index(chosen[0]) if chosen and chosen[0] in order else None
        to = (0 if forward else len(order) - 1) if at is None else at + (1 if forward else -1)
        if not view.hasFocus() or not 0 <= to < len(order):
            return False
        view.workbench.select((order[to],))
        view.ensure_seen(order[to])
        return True

    def _next_target(self, gesture: PlacePart, forward: bool) -> None:
        """Jump with the ghost to the next place where the part can be joined."""
        scene = self.view.scene_
        places = [scene.middle_of(i) for i in scene.reading_order()]
        places = [p for p in places if self._is_target(gesture, p)]
        if not places:
            return
        here = gesture.place
        at = min(range(len(places)), key=lambda i: (places[i] - here).manhattanLength())
        if (places[at] - here).manhattanLength() < 1e-6:
            at = (at + (1 if forward else -1)) % len(places)
        gesture.move(places[at])

    def _is_target(self, gesture: PlacePart, place: QPointF) -> bool:
        at = (place.x(), place.y())
        aim = placing.aim(self.view.scene_, gesture.kind, (8.0, 8.0), at, 1.0)
        return aim.how in ("across", "splice", "join")

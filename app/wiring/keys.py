"""The keyboard on the canvas: one table of keys, and Tab through parts and leads."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt

from app.panels import option_menu
from app.wiring import copying
from app.wiring.breaking import DIGITS
from app.wiring.clips import hang_by_key
from app.wiring.commands import join_selected, nudge
from app.wiring.gestures import PlacePart
from app.wiring.lead_ends import split_or_join

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
        #: Without Ctrl, with Shift, and with Ctrl.
        self.plain: dict[Qt.Key, Callable[[], object]] = {
            Key.Key_Plus: view.open_tray_by_key,
            Key.Key_N: view.open_tray_by_key,
            Key.Key_Delete: view.remove_selected,
            Key.Key_Backspace: view.remove_selected,
            Key.Key_Return: view.request_sheet,
            Key.Key_Enter: view.request_sheet,
            Key.Key_Home: view.fit,
            Key.Key_Escape: self._escape,
            Key.Key_L: lambda: join_selected(view),
            Key.Key_Y: lambda: split_or_join(view),
            Key.Key_M: lambda: copying.mirror(view),
            Key.Key_R: lambda: copying.turn(view, 45.0),
            Key.Key_U: lambda: copying.next_deck(view),
            Key.Key_K: self.keep,
            Key.Key_H: lambda: hang_by_key(view),
            Key.Key_S: view.spread.toggle,
        }
        self.shifted: dict[Qt.Key, Callable[[], object]] = {
            Key.Key_N: lambda: option_menu.add(view.workbench),
            Key.Key_L: lambda: join_selected(view, other_end=True),
            Key.Key_M: lambda: copying.mirrored_copy(view),
            Key.Key_R: lambda: copying.turn(view, -45.0),
        }
        self.control: dict[Qt.Key, Callable[[], object]] = {
            Key.Key_Plus: lambda: view.zoom_middle(1.25),
            Key.Key_Equal: lambda: view.zoom_middle(1.25),
            Key.Key_Minus: lambda: view.zoom_middle(0.8),
            Key.Key_A: lambda: copying.select_all(view),
            Key.Key_C: lambda: copying.copy(view),
            Key.Key_X: lambda: copying.cut(view),
            Key.Key_V: self._paste,
            Key.Key_D: lambda: copying.duplicate(view),
            Key.Key_F: view.finder.open,
        }
        #: What stays selected while Tab goes on.
        self.kept: tuple[str, ...] = ()

    def wants(self, event: QKeyEvent) -> bool:
        """Whether a key is the canvas's before it is a shortcut of the window."""
        key = Qt.Key(event.key())
        if key == Key.Key_Escape:
            armed = self.view.breaking.armed
            return bool(self.view.gesture or armed or self.view.workbench.selection)
        if self.view.gesture is not None or self.view.breaking.armed:
            way = self.view.breaking.armed and key in DIGITS
            return way or key in _WAYS or key in _ENTER or key == Key.Key_X
        control = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
        shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        if control:
            return key in self.control and not shift
        return key in self.plain or key in self.shifted

    def press(self, event: QKeyEvent) -> bool:
        """Do what a key means here; False if it means nothing."""
        shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        control = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
        key = Qt.Key(event.key())
        if self.view.gesture is not None and self._in_gesture(key, shift):
            return True
        if self.view.breaking.armed and self.view.breaking.key(key):
            return True
        if key == Key.Key_X and not control:
            if not event.isAutoRepeat():
                self.view.breaking.press(latch=shift)
            return True
        if key == Key.Key_Space and not control:
            self.view.mouse.space = True
            return True
        action = (self.control if control else self.plain).get(key)
        if shift and not control:
            action = self.shifted.get(key, action)
        if action is not None:
            action()
            return True
        if control or key not in _WAYS:
            return False
        step = 10.0 if shift else 1.0
        dx, dy = _WAYS[key]
        return nudge(self.view, dx * step, dy * step)

    def _paste(self) -> None:
        """Where the pointer is, or a little aside if it is elsewhere."""
        at = self.view.pointer
        inside = self.view.viewport().underMouse() and self.view.visible_mm().contains(at)
        copying.paste(self.view, (at.x(), at.y()) if inside else None)

    def keep(self) -> None:
        """What is selected stays so while Tab goes on to the next."""
        self.kept = self.view.workbench.selection
        if self.kept:
            self.view.say("Kept. Tab adds the next one; Escape lets all go.")

    def _escape(self) -> None:
        self.kept = ()
        self.view.say("")
        self.view.workbench.select(())

    def _in_gesture(self, key: Qt.Key, shift: bool) -> bool:
        view, gesture = self.view, self.view.gesture
        if key == Key.Key_Escape:
            view.mouse.let_go()
            view.end_gesture(cancel=True)
            return True
        if not isinstance(gesture, PlacePart):
            return False
        if key in _ENTER:
            view.put_down(each=shift)
            return True
        return gesture.key(int(key), shift)

    def tab(self, forward: bool) -> bool:
        """To the next part or lead, or target of a ghost; False at the last."""
        view = self.view
        if isinstance(view.gesture, PlacePart):
            self._next_target(view.gesture, forward)
            return True
        if view.breaking.armed:
            view.breaking.mend()
        order = view.scene_.reading_order()
        chosen = view.workbench.selection
        last = chosen[-1] if chosen else ""
        at = order.index(last) if last in order else None
        to = (0 if forward else len(order) - 1) if at is None else at + (1 if forward else -1)
        if not view.hasFocus() or not 0 <= to < len(order):
            return False
        kept = tuple(i for i in self.kept if i in chosen and i != order[to])
        view.workbench.select((*kept, order[to]))
        view.ensure_seen(order[to])
        if view.breaking.armed:
            view.breaking.touch(order[to])
        return True

    def _next_target(self, gesture: PlacePart, forward: bool) -> None:
        """Jump with the ghost to the next place where the part can be joined."""
        places = gesture.targets()
        if not places:
            return
        here = gesture.place
        at = min(range(len(places)), key=lambda i: (places[i] - here).manhattanLength())
        if (places[at] - here).manhattanLength() < 1e-6:
            at = (at + (1 if forward else -1)) % len(places)
        gesture.move(places[at])

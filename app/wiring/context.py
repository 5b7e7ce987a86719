"""The menu of the right button: what can be done with what is selected, with its keys."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QMenu

from app.wiring import copying

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from PySide6.QtCore import QPointF

    from app.wiring.view import FrameView

#: Words, key as text, what it does; None is a line.
Entry = tuple[str, str, "Callable[[], object]"] | None


def entries(view: FrameView, place: QPointF) -> Iterator[Entry]:
    """What the menu offers at a place, in mm."""
    chosen = view.workbench.selection
    parts = copying.chosen_parts(view)
    at = (round(place.x(), 1), round(place.y(), 1))
    if chosen:
        yield ("Sheet", "Enter", view.request_sheet)
    yield ("Add a part here…", "N", lambda: view.open_tray(view.mapFromScene(place)))
    yield None
    if parts:
        yield ("Cut", "Ctrl+X", lambda: copying.cut(view))
        yield ("Copy", "Ctrl+C", lambda: copying.copy(view))
    yield ("Paste here", "Ctrl+V", lambda: copying.paste(view, at))
    if parts:
        yield ("Duplicate", "Ctrl+D", lambda: copying.duplicate(view))
        yield None
        yield ("Mirror left and right", "M", lambda: copying.mirror(view))
        yield ("Mirrored copy", "Shift+M", lambda: copying.mirrored_copy(view))
        yield ("Turn by 45°", "R", lambda: copying.turn(view, 45.0))
        yield ("One deck up", "U", lambda: copying.next_deck(view))
    if chosen:
        yield None
        yield ("Take off", "Delete", view.remove_selected)
    yield None
    yield ("Select all", "Ctrl+A", lambda: copying.select_all(view))
    yield ("Find a part…", "Ctrl+F", view.finder.open)
    yield ("Spread the decks", "S", view.spread.toggle)
    yield ("Fit the frame", "Home", view.fit)


def menu(view: FrameView, place: QPointF) -> QMenu:
    """The menu for a place; the caller shows it."""
    out = QMenu(view)
    out.setAccessibleName("What can be done here")
    for entry in entries(view, place):
        if entry is None:
            out.addSeparator()
            continue
        words, key, act = entry
        # Keys are told, not bound: the canvas has them already.
        action = out.addAction(f"{words}\t{key}")
        action.triggered.connect(lambda _=False, a=act: a())
    return out

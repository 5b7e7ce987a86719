"""The keyboard in the window: Enter on a button, F6 from one area to the next."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QAbstractButton, QApplication, QWidget

if TYPE_CHECKING:
    from PySide6.QtGui import QKeyEvent

    from app.window import MainWindow


def pressed(event: QKeyEvent) -> bool:
    """Whether Enter pressed the button that has the keyboard.

    Space does everywhere, Enter on some desktops only.
    """
    button = QApplication.focusWidget()
    enter = event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter)
    if not enter or event.isAutoRepeat() or not isinstance(button, QAbstractButton):
        return False
    button.click()
    return True


def next_area(window: MainWindow, step: int) -> None:
    """Give the keyboard to the next area, or back with -1, past all that Tab would go through.

    Areas are the row at the top, a note, the cards, the frame and the curves.
    """
    areas = [
        area
        for area in (
            window.top_row,
            window.strip,
            window.cards,
            window.places.currentWidget(),
            window.scope,
        )
        if area is not None and area.isVisible()
    ]
    here = QApplication.focusWidget()
    at = next((i for i, area in enumerate(areas) if _holds(area, here)), None)
    to = (0 if step > 0 else -1) if at is None else (at + step) % len(areas)
    target = _first(areas[to])
    if target is not None:
        target.setFocus(Qt.FocusReason.TabFocusReason)


def _holds(area: QWidget, widget: QWidget | None) -> bool:
    return widget is not None and (area is widget or area.isAncestorOf(widget))


def _first(area: QWidget) -> QWidget | None:
    """What Tab would reach first in an area; of a row of cards the chosen one."""
    widgets = [area]
    while (following := widgets[-1].nextInFocusChain()) is not area:
        widgets.append(following)
    reached = [
        w
        for w in widgets
        if _holds(area, w)
        and w.isVisible()
        and w.isEnabled()
        and w.focusPolicy() & Qt.FocusPolicy.TabFocus
    ]
    chosen = (w for w in reached if getattr(w, "isChecked", bool)())
    return next(chosen, next(iter(reached), None))

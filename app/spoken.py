"""Words for who hears the window: told when they change, not only where the keyboard is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtGui import QAccessible, QAccessibleAnnouncementEvent

if TYPE_CHECKING:
    from PySide6.QtWidgets import QWidget


def announce(widget: QWidget, words: str, urgent: bool = False) -> None:
    """Have a screen reader say this, if one listens; `urgent` breaks into what it says."""
    if not words:
        return
    event = QAccessibleAnnouncementEvent(widget, words)
    if urgent:
        event.setPoliteness(QAccessible.AnnouncementPoliteness.Assertive)
    QAccessible.updateAccessibility(event)

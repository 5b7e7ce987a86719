"""Text that opens a menu: the only kind of button the top row has."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QPushButton, QWidget

if TYPE_CHECKING:
    from app.look import Look, Role


class FlatButton(QPushButton):
    """A word to press, without a box around it until it has the keyboard."""

    def __init__(
        self, look: Look, role: Role = "figure", name: str = "", parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._look = look
        self._role: Role = role
        self.setFlat(True)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self._name = name
        self.setAccessibleName(name)
        look.changed.connect(self._restyle)
        self._restyle()

    def setText(self, text: str) -> None:
        """Also what is heard: what the button is of, and what stands on it."""
        super().setText(text)
        words = text.replace("&&", "\0").replace("&", "").replace("\0", "&").strip("▾ ·•")
        new = words.lower() not in self._name.lower()
        if self._name and new and sum(c.isalnum() for c in words) > 1:
            self.setAccessibleName(f"{self._name}: {words}")
        elif self._name:
            self.setAccessibleName(self._name)

    def _restyle(self) -> None:
        p = self._look.palette
        self.setFont(self._look.font(self._role))
        self.setStyleSheet(
            f"FlatButton {{ border: 1px solid transparent; border-radius: 4px; padding: 1px 4px;"
            f" color: {p.ink.name()}; background: transparent; text-align: left; }}"
            f"FlatButton:hover {{ background: {p.band.name()}; }}"
            f"FlatButton:focus {{ border-color: {p.ink.name()}; }}"
            "FlatButton::menu-indicator { image: none; width: 0; }"
        )

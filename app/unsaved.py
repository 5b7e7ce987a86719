"""The question before unsaved work is let go."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QMessageBox

if TYPE_CHECKING:
    from collections.abc import Callable

    from PySide6.QtWidgets import QWidget


def may_let_go(parent: QWidget, name: str, save: Callable[[], bool]) -> bool:
    """Ask what to do with unsaved work called `name`; True if it was saved or may go."""
    box = QMessageBox(parent)
    box.setWindowTitle("Unsaved work")
    box.setText(f"“{name}” has changes that are not saved.")
    buttons = QMessageBox.StandardButton
    box.setStandardButtons(buttons.Save | buttons.Discard | buttons.Cancel)
    box.setDefaultButton(buttons.Save)
    answer = box.exec()
    return save() if answer == buttons.Save else bool(answer == buttons.Discard)

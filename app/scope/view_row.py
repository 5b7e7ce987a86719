"""Four ways to look at the same answer."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QHBoxLayout, QPushButton, QWidget

if TYPE_CHECKING:
    from app.look import Look
    from app.workbench import Workbench

VIEWS = {
    "time": "over time",
    "spectrum": "spectrum",
    "impedance": "impedance",
    "joules": "where the joules go",
}
_TIPS = {
    "time": "Voltage at each clip while the event runs",
    "spectrum": "How strong each frequency is in the stretch that is shown",
    "impedance": "How far a place gives way per ampere drawn there, at each frequency",
    "joules": "What each part turned into heat or work in the stretch that is shown",
}


class ViewRow(QWidget):
    """A word for each view; V goes on to the next."""

    def __init__(self, workbench: Workbench, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._workbench = workbench
        self._look = look
        self.buttons: dict[str, QPushButton] = {}
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(2)
        for view, words in VIEWS.items():
            button = QPushButton(words)
            button.setCheckable(True)
            button.setFlat(True)
            button.setToolTip(_TIPS[view])
            button.clicked.connect(lambda _=False, v=view: workbench.set_view(v))
            self.buttons[view] = button
            row.addWidget(button)
        row.addStretch(1)
        workbench.view_changed.connect(self.refresh)
        look.changed.connect(self.refresh)
        self.refresh()

    def next(self) -> None:
        """The view after the present one, and after the last the first."""
        views = list(VIEWS)
        at = views.index(self._workbench.view)
        self._workbench.set_view(views[(at + 1) % len(views)])

    def refresh(self) -> None:
        """Underline the present view."""
        p = self._look.palette
        for view, button in self.buttons.items():
            shown = view == self._workbench.view
            button.setChecked(shown)
            button.setFont(self._look.font("small"))
            colour = p.ink if shown else p.muted
            line = p.ink.name() if shown else "transparent"
            button.setStyleSheet(
                f"QPushButton {{ color: {colour.name()}; background: transparent; border: none;"
                f" border-bottom: 1.5px solid {line}; border-radius: 0; padding: 1px 6px; }}"
                f"QPushButton:hover {{ color: {p.ink.name()}; }}"
                f"QPushButton:focus {{ background: {p.band.name()}; }}"
            )

"""The line over a curve: its name, what stands between clip and scope, its figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QSizePolicy

from app.panels.flat import FlatButton

if TYPE_CHECKING:
    from collections.abc import Sequence

    from app.look import Look

#: Between a name and figures that belong to something else, in widths of a letter.
_APART = 2


class Heading(QHBoxLayout):
    """Figures at the right are said in as many words as there is room for.

    Where there is little, what goes first is a probe that is none, then the longer words;
    nothing is cut off.
    """

    def __init__(self, look: Look) -> None:
        super().__init__()
        self.name = QLabel(textFormat=Qt.TextFormat.PlainText)
        self.figure = QLabel(textFormat=Qt.TextFormat.PlainText)
        self.figure.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        #: Opens a menu.
        self.probe = FlatButton(look, "small", "Probe of this clip")
        self.probe.hide()
        self._probe_wanted = False
        self._probe_is_none = True
        self._words: tuple[str, ...] = ("",)
        self.addWidget(self.name)
        self.addWidget(self.probe)
        # What is said fits the strip, and never the strip what is said.
        self.figure.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.addWidget(self.figure, 1)

    def set_probe(self, words: str, there: bool, none: bool) -> bool:
        """What stands between; `there`: whether one could, `none`: whether nothing does.

        False if that is what it was, and `fit` need not be called.
        """
        if (words, there, none) == (self.probe.text(), self._probe_wanted, self._probe_is_none):
            return False
        self._probe_wanted, self._probe_is_none = there, none
        self.probe.setText(words)
        self.probe.setToolTip(
            f"{words}. Click for probe, ground wire, limit and coupling (I); T shows the truth."
        )
        return True

    def set_figures(self, words: Sequence[str]) -> None:
        """The same figures in words, the longest first."""
        self._words = tuple(words)

    def fit(self, width: int) -> None:
        """Show what there is room for in a strip so wide."""
        margins = self.contentsMargins()
        metrics = self.figure.fontMetrics()
        room = width - margins.left() - margins.right() - self.name.sizeHint().width()
        room -= _APART * metrics.averageCharWidth()
        beside = self.probe.sizeHint().width() + 2 * self.spacing()
        shown, words = self._probe_wanted, self._words[-1]
        for tried in self._words:
            need = metrics.horizontalAdvance(tried)
            with_probe = self._probe_wanted and need + beside <= room
            if with_probe or (need <= room and (self._probe_is_none or not self._probe_wanted)):
                shown, words = with_probe, tried
                break
        self.probe.setVisible(shown)
        self.figure.setText(words)

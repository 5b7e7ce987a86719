"""Words that change many times a second."""

from __future__ import annotations

from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontMetrics, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget


class RunningWords(QWidget):
    """One line of words, cut where its room ends.

    A label asks for the whole window to be laid out again whenever its words change, which
    costs more than painting them. This one asks only when it wants more room than ever, and
    not at all where it takes what is left (`stretches`).
    """

    def __init__(self, *, stretches: bool = False) -> None:
        super().__init__()
        self._words = ""
        self._widest = 0
        self._stretches = stretches
        self._colour = QColor()
        across = QSizePolicy.Policy.Ignored if stretches else QSizePolicy.Policy.Fixed
        self.setSizePolicy(across, QSizePolicy.Policy.Fixed)

    def text(self) -> str:
        """What stands there, whole."""
        return self._words

    def setText(self, words: str) -> None:
        """Say this instead; nothing is done where it is said already."""
        if words == self._words:
            return
        self._words = words
        self.setAccessibleName(words)
        wide = QFontMetrics(self.font()).horizontalAdvance(words)
        if wide > self._widest:
            self._widest = wide
            if not self._stretches:
                self.updateGeometry()
        self.update()

    def dress(self, font: QFont, colour: QColor) -> None:
        """Another look."""
        self._colour = colour
        self.setFont(font)
        self._widest = QFontMetrics(self.font()).horizontalAdvance(self._words)
        self.updateGeometry()
        self.update()

    def sizeHint(self) -> QSize:
        return QSize(self._widest, QFontMetrics(self.font()).height())

    def minimumSizeHint(self) -> QSize:
        return QSize(0, self.sizeHint().height()) if self._stretches else self.sizeHint()

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setPen(self._colour)
        painter.drawText(
            self.rect(), Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter, self._words
        )

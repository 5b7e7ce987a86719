"""A window that fits the screen it is on, and what it holds on a screen that is too small."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QObject, QSize, Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QFrame, QMainWindow, QScrollArea, QWidget

#: The least at which all is comfortable, in the screen's own (scaled) pixels.
COMFORTABLE = QSize(1280, 720)
#: In a window lower than this, rows of words are kept to one line.
LOW = 640


def fit_screen(window: QMainWindow) -> None:
    """Let the window be no smaller than is comfortable, and never larger than its screen."""
    window.setMinimumSize(COMFORTABLE.boundedTo(window.screen().availableGeometry().size()))


class Scrolling(QScrollArea):
    """Gives its widget all the room there is; where that is not enough, it scrolls."""

    def __init__(self, widget: QWidget) -> None:
        super().__init__()
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setWidget(widget)
        # The paper is the window's: it is told of its first painting by it.
        widget.setAutoFillBackground(False)
        self.viewport().setAutoFillBackground(False)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._give_room()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        if watched is self.widget() and event.type() == QEvent.Type.LayoutRequest:
            self._give_room()
        return super().eventFilter(watched, event)

    def _give_room(self) -> None:
        # Not Qt's own resizing: it asks for the height that words folded to this width would
        # like best, and that is far more than they need.
        least = self.widget().minimumSizeHint()
        self.widget().resize(self.maximumViewportSize().expandedTo(least))

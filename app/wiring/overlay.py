"""What lies on the glass over the canvas: add button, scale, a hint, words at the pointer."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRect, QRectF, Qt, QTimer
from PySide6.QtGui import QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QLabel, QToolButton, QWidget

if TYPE_CHECKING:
    from app.look import Look

#: A longer scale bar would meet the pack on a narrow frame in the projector look.
_LONGEST_PX = 110
_HINT = "your frame from above, to scale: drag a part, a lead, a pad"
_EMPTY_HINT = "your frame from above, to scale: the + at the bottom left has the parts"


class PlusButton(QToolButton):
    """Opens the tray."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAccessibleName("Add a part")
        self.setToolTip("Add a part (+ or N)")
        self.setCursor(Qt.CursorShape.PointingHandCursor)

    def dress(self, look: Look) -> None:
        self._look = look
        side = round(36 * min(look.scale, 1.5))
        self.setFixedSize(side, side)
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        p = self._look.palette
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        pen = QPen(p.ink, 2.4 if self.underMouse() or self.hasFocus() else 1.6)
        painter.setPen(pen)
        painter.setBrush(p.card)
        rect = QRectF(self.rect()).adjusted(2, 2, -2, -2)
        painter.drawEllipse(rect)
        c, half = rect.center(), rect.width() * 0.14
        painter.setPen(QPen(p.ink, 2.0))
        painter.drawLine(c - QPointF(half, 0), c + QPointF(half, 0))
        painter.drawLine(c - QPointF(0, half), c + QPointF(0, half))


class ScaleBar(QWidget):
    """How long so many millimetres are on the screen."""

    _STEPS = (1, 2, 5, 10, 20, 50, 100, 200, 500)

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self._zoom, self._mm = 2.0, 50

    def dress(self, look: Look) -> None:
        self._look = look
        self.set_zoom(self._zoom)

    def set_zoom(self, zoom: float) -> None:
        self._zoom = zoom
        best = [mm for mm in self._STEPS if mm * zoom <= _LONGEST_PX * self._look.scale]
        self._mm = best[-1] if best else 1
        height = QFontMetricsF(self._look.font("text")).height() + 6
        self.setFixedSize(round(self._mm * zoom) + 4, round(height))
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        p = self._look.palette
        painter = QPainter(self)
        painter.setFont(self._look.font("text"))
        painter.setPen(p.muted)
        painter.drawText(
            QRect(2, 0, self.width(), self.height() - 4),
            Qt.AlignmentFlag.AlignLeft,
            f"{self._mm} mm",
        )
        painter.setPen(QPen(p.muted, 1.6))
        y = self.height() - 2
        painter.drawLine(2, y, 2 + round(self._mm * self._zoom), y)


class Hint(QLabel):
    """One quiet line that says what the picture is."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(_HINT, parent)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)

    def dress(self, look: Look) -> None:
        # At the projector the room is for the figures.
        self.setVisible(not look.projector)
        self.setFont(look.font("text"))
        self.setStyleSheet(f"color: {look.palette.muted.name()}; background: transparent;")
        self.adjustSize()

    def show_empty(self, empty: bool) -> None:
        """What can be dragged, or where the parts are while there is nothing to drag."""
        self.setText(_EMPTY_HINT if empty else _HINT)
        self.adjustSize()


class Words(QLabel):
    """A sentence beside the pointer while something is held."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.setWordWrap(True)
        self._timer = QTimer(self, singleShot=True, interval=6000)
        self._timer.timeout.connect(self.hide)
        self.hide()

    def dress(self, look: Look) -> None:
        self.setFont(look.font("text"))

    def show_words(self, words: str, bad: bool, look: Look) -> None:
        """Say this; "" hides it."""
        self.setVisible(bool(words))
        if not words:
            return
        p = look.palette
        edge = p.over if bad else p.ink
        self.setStyleSheet(
            f"background: {p.card.name()}; color: {p.ink.name()};"
            f" border: 1px solid {edge.name()}; border-radius: 5px; padding: 4px 8px;"
        )
        self.setText(words)
        self.setFixedWidth(
            round(
                min(
                    300 * look.scale,
                    self.parentWidget().width() - 12,
                    max(map(QFontMetricsF(self.font()).horizontalAdvance, words.split("\n"))) + 24,
                )
            )
        )
        # As high as it was before is the least it would ask for.
        self.setMinimumHeight(0)
        self.setFixedHeight(self.heightForWidth(self.width()))
        self.raise_()
        self._timer.start()

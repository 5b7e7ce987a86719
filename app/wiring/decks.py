"""Spreading the decks apart, so that what lies on which can be seen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QEasingCurve, QObject, QVariantAnimation, Signal
from PySide6.QtWidgets import QStyle

if TYPE_CHECKING:
    from app.wiring.frames import Frame
    from app.wiring.geometry import Point
    from app.wiring.view import FrameView

#: Shorter than 150 ms, or it would be waited for.
_MOTION_MS = 140
_BETWEEN_MM = 8.0


def shift_of(frame: Frame, deck: str, spread: float) -> Point:
    """How far a deck is drawn from its place: the upper one to the right, the top to the left.

    Parameters
    ----------
    spread : 0 where all lie over each other, 1 where they are clear of each other
    """
    side = {"upper": 1.0, "top": -1.0}.get(deck, 0.0)
    across = max([abs(x) for x, _ in frame.motors] or [frame.plate[2] / 2]) + 16.0
    return (side * spread * (across + frame.plate[2] / 2 + _BETWEEN_MM), 0.0)


class Spread(QObject):
    """Moves the decks of one view apart and together.

    Signals
    -------
    ended : all decks are where they stay
    """

    ended = Signal()

    def __init__(self, view: FrameView) -> None:
        super().__init__(view)
        self._view = view
        self._motion = QVariantAnimation(self)
        self._motion.setDuration(_MOTION_MS)
        self._motion.setEasingCurve(QEasingCurve.Type.OutCubic)
        self._motion.valueChanged.connect(self._to)
        self._motion.finished.connect(self._end)
        self.on = False

    def toggle(self) -> None:
        """Apart, or together again."""
        self.set(not self.on)

    def set(self, on: bool) -> None:
        """Apart or together; at once where the system wants no motion."""
        if on == self.on:
            return
        self.on = on
        self._motion.stop()
        style = self._view.style()
        still = style.styleHint(QStyle.StyleHint.SH_Widget_Animation_Duration) == 0
        if still or not self._view.isVisible():
            self._to(float(on))
            self._end()
            return
        self._motion.setStartValue(float(self._view.scene_.spread))
        self._motion.setEndValue(float(on))
        self._motion.start()

    def _to(self, value: float) -> None:
        self._view.scene_.set_spread(value)

    def _end(self) -> None:
        self.ended.emit()

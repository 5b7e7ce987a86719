"""Keys and words of slow motion, in one row under the curves."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QElapsedTimer, QEvent, QObject, QPoint, Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QMenu, QVBoxLayout, QWidget

from app.panels.flat import FlatButton
from app.panels.running_words import RunningWords
from app.scope.cursors import fine_seconds
from app.workshop.slow_motion import SPEEDS
from sim import quantity

if TYPE_CHECKING:
    from collections.abc import Callable

    from PySide6.QtGui import QKeyEvent

    from app.look import Look
    from app.workbench import Workbench
    from app.workshop.slow_motion import SlowMotion

_COARSE = "Ringing quicker than that is not seen, and jumps between: look closer for it."
#: Words change no more often than they can be read.
_WORDS_MS = 100
_HINT = (
    "Space plays, left and right scrub (with Shift ten steps), comma and full stop go from edge "
    "to edge, up and down change the speed, L loops, Z or Escape ends. Cursors (C) hung in the "
    "curves are what is looped."
)


class SlowBar(QWidget):
    """Play, edges, loop and speed; what carries most now.

    Signals
    -------
    left : the keyboard goes back to where it was
    """

    left = Signal()

    def __init__(
        self, slow: SlowMotion, workbench: Workbench, look: Look, *, keys: bool = True
    ) -> None:
        super().__init__()
        self._slow = slow
        self._bench = workbench
        self._look = look
        self._said = QElapsedTimer()
        self.setAccessibleName("Slow motion")
        self.setAccessibleDescription(_HINT)
        self.setToolTip(_HINT)
        #: Without keys of its own where they are the presenter's.
        self._keys = keys
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus if keys else Qt.FocusPolicy.NoFocus)
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.previous = self._button("◂|", "Previous edge (comma)", lambda: slow.step_edge(-1))
        self.play = self._button("Play", "Play or pause (Space)", slow.play_or_pause)
        self.next = self._button("|▸", "Next edge (full stop)", lambda: slow.step_edge(1))
        self.speed = self._button("", "Speed (up, down)", self._choose_speed)
        self.loop = self._button(
            "Loop", "At the end begin again (L)", lambda: slow.set_loop(not slow.loop)
        )
        self.end = self._button("End", "End slow motion (Z)", slow.toggle)
        self.time = RunningWords()
        self.words = RunningWords(stretches=True)
        row = QHBoxLayout()
        row.setSpacing(6)
        for button in (self.previous, self.play, self.next, self.speed, self.loop):
            row.addWidget(button)
        row.addStretch(1)
        row.addWidget(self.end)
        below = QHBoxLayout()
        below.setSpacing(14)
        if keys:
            below.addWidget(self.time)
        else:
            # a room reads how slow it is, when it is, and what flows
            row.addWidget(self.time)
            for button in (self.previous, self.play, self.next, self.loop, self.end):
                button.hide()
        below.addWidget(self.words, 1)
        column = QVBoxLayout(self)
        column.setContentsMargins(10, 3, 10, 4)
        column.setSpacing(1)
        column.addLayout(row)
        column.addLayout(below)
        slow.changed.connect(self.refresh)
        slow.moved.connect(self._say_now)
        workbench.slow_changed.connect(self._come_or_go)
        look.changed.connect(self.refresh)
        self.hide()

    def _button(self, words: str, tip: str, act: Callable[[], object]) -> FlatButton:
        button = FlatButton(self._look, "small", tip)
        button.setText(words)
        button.setToolTip(tip)
        button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        button.clicked.connect(lambda _=False: act())
        return button

    def _come_or_go(self) -> None:
        on = self._bench.slow
        had = self.hasFocus()
        self.setVisible(on)
        if on:
            self.refresh()
            if self._keys:
                self.setFocus()
        elif had:
            self.left.emit()

    def refresh(self) -> None:
        """What is on, and where it is."""
        slow, p = self._slow, self._look.palette
        self.play.setText("Pause" if slow.playing else "Play")
        self.play.setFixedWidth(
            max(map(self.play.fontMetrics().horizontalAdvance, ("Pause", "Play"))) + 14
        )
        self.speed.setText(f"{quantity.format(slow.speed, 's', 2)} a second")
        self.loop.setText("Loop: on" if slow.loop else "Loop: off")
        for label in (self.time, self.words):
            label.dress(self._look.font("small"), p.ink)
        edge = p.selection if self.hasFocus() else p.faint
        self.setStyleSheet(
            f"SlowBar {{ background: {p.band.name()}; border: 1px solid {edge.name()};"
            " border-radius: 4px; }"
        )
        self._say_now(at_once=True)

    def _say_now(self, *, at_once: bool = False) -> None:
        lately = self._said.isValid() and self._said.elapsed() < _WORDS_MS
        if self._slow.playing and lately and not at_once:
            return
        self._said.start()
        moments = self._bench.moments
        span = 1.0 if moments is None else moments.window[1] - moments.window[0]
        self.time.setText("" if moments is None else fine_seconds(self._slow.now, span))
        words = self._slow.in_words()
        self.words.setText(words)
        self.words.setToolTip(f"{words}\n{_COARSE}" if "Read every" in words else words)

    def speeds(self) -> QMenu:
        """All speeds to choose from."""
        menu = QMenu(self)
        for speed in SPEEDS:
            action = menu.addAction(f"{quantity.format(speed, 's', 2)} of event a second")
            action.setCheckable(True)
            action.setChecked(speed == self._slow.speed)
            action.triggered.connect(lambda _=False, s=speed: self._slow.set_speed(s))
        return menu

    def _choose_speed(self) -> None:
        self.speeds().popup(self.speed.mapToGlobal(QPoint(0, self.speed.height())))

    # Keys

    def _act(self, event: QKeyEvent) -> Callable[[], object] | None:
        slow, key = self._slow, Qt.Key(event.key())
        steps = 10 if event.modifiers() & Qt.KeyboardModifier.ShiftModifier else 1
        if event.modifiers() & Qt.KeyboardModifier.ControlModifier:
            return None
        acts: dict[Qt.Key, Callable[[], object]] = {
            Qt.Key.Key_Space: slow.play_or_pause,
            Qt.Key.Key_Left: lambda: slow.scrub(-steps),
            Qt.Key.Key_Right: lambda: slow.scrub(steps),
            Qt.Key.Key_Comma: lambda: slow.step_edge(-1),
            Qt.Key.Key_Period: lambda: slow.step_edge(1),
            Qt.Key.Key_Up: lambda: slow.change_speed(1),
            Qt.Key.Key_Down: lambda: slow.change_speed(-1),
            Qt.Key.Key_Home: lambda: slow.to_end(-1),
            Qt.Key.Key_End: lambda: slow.to_end(1),
            Qt.Key.Key_L: lambda: slow.set_loop(not slow.loop),
            Qt.Key.Key_Escape: slow.toggle,
        }
        return acts.get(key)

    def event(self, event: QEvent) -> bool:
        # these keys are the bar's before they are shortcuts of the window
        if event.type() == QEvent.Type.ShortcutOverride and self._keys and self._act(event):
            event.accept()
            return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        act = self._act(event)
        if act is None or not self._keys:
            super().keyPressEvent(event)
        else:
            act()

    def focusInEvent(self, event: QObject) -> None:
        self.refresh()

    def focusOutEvent(self, event: QObject) -> None:
        self.refresh()

"""Slow motion: the stretch that is shown, played at microseconds of event a second.

The solver reads currents and clips once; every frame after that is interpolated here.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QElapsedTimer, QObject, Qt, QTimer, Signal

from app.scope.now_pane import NowPane
from app.workbench import around
from app.workshop.slow_layer import SlowLayer, at
from sim import quantity

if TYPE_CHECKING:
    from app.look import Look
    from app.scope.scope import Scope
    from app.scope.strip import Strip
    from app.solver.protocol import Moments
    from app.wiring.view import FrameView
    from app.workbench import Workbench

#: Seconds of event in a second of watching.
SPEEDS = (1e-6, 2e-6, 5e-6, 10e-6, 20e-6, 50e-6, 100e-6, 200e-6, 500e-6, 1e-3)
#: A longer stretch than this is not read finely enough to show what the PWM does, s.
LONGEST_S = 50e-3
#: Ringing of the leads is drawn as it is where instants lie closer than this; our choice, s.
_COARSE_S = 200e-9
# What is shown is watched in about so many seconds, as long as a speed allows it.
_WATCH_S = 8.0
_FRAME_MS = 16
# A window that was busy elsewhere goes on where it was instead of leaping, s of watching.
_MOST_S = 0.1
#: A key moves by this share of what is shown.
STEP = 1.0 / 200.0
#: Where nothing switches, "next edge" goes on by this share.
_NO_EDGE = 1.0 / 20.0


class SlowMotion(QObject):
    """Plays `workbench.moments` on the frame and across the strips.

    Signals
    -------
    changed : playing, speed, loop, or what can be played
    moved : `now` is another moment
    """

    changed = Signal()
    moved = Signal()

    def __init__(self, view: FrameView, workbench: Workbench, look: Look) -> None:
        super().__init__(view)
        self._view = view
        self._bench = workbench
        self._look = look
        self._scope: Scope | None = None
        self._panes: list[NowPane] = []
        self.layer = SlowLayer(view, look)
        self.layer.setVisible(False)
        view.scene_.addItem(self.layer)
        self.now = 0.0
        self.speed = SPEEDS[3]
        self.loop = True
        self._window: tuple[float, float] | None = None
        #: The longest way from one instant to the next, s.
        self._step = 0.0
        self._wanted = False
        self._asked_speed: float | None = None
        #: Window and noise band before, and the window that was gone to.
        self._before: tuple[tuple[float, float] | None, int | None] = (None, None)
        self._closer: tuple[float, float] | None = None
        self._clock = QElapsedTimer()
        self._timer = QTimer(self, interval=_FRAME_MS)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self._tick)
        workbench.slow_changed.connect(self._on_or_off)
        workbench.moments_changed.connect(self._take)
        workbench.noise_changed.connect(self._give_way)
        workbench.build_changed.connect(self.layer.fit)
        workbench.path_changed.connect(self.layer.forget_scale)
        workbench.event_changed.connect(self.layer.forget_scale)

    def set_scope(self, scope: Scope) -> None:
        """The curves, which are there later than the window."""
        self._scope = scope
        scope.drawn.connect(self._cover)
        self._cover()

    # What hands do

    def toggle(self) -> None:
        """Begin with what is shown, or end."""
        bench = self._bench
        if bench.slow:
            self._end()
            return
        answer = bench.answer
        if answer is None:
            return
        start, end = bench.window or (0.0, answer.duration_s)
        self._before = (bench.window, bench.noise)
        self._closer = None
        if end - start > LONGEST_S:
            self._closer = around(self._highest(), answer.duration_s)
            bench.set_window(self._closer)
        bench.set_noise(None)
        bench.set_view("time")
        self._wanted = True
        self._window = None
        bench.set_slow(True)

    def begin(self, speed: float) -> None:
        """Play what is shown as soon as it is there, at the speed of `SPEEDS` next to this one."""
        bench = self._bench
        self._before, self._closer = (bench.window, None), None
        bench.set_view("time")
        self._window = None
        self._asked_speed = min(SPEEDS, key=lambda s: abs(math.log(s / speed)))
        bench.set_slow(True)
        self.play()

    def _end(self) -> None:
        """What was shown before is shown again, unless a hand has gone elsewhere since."""
        window, noise = self._before
        self._bench.set_slow(False)
        if self._closer is not None and self._bench.window == self._closer:
            self._bench.set_window(window)
        self._bench.set_noise(noise)

    @property
    def playing(self) -> bool:
        return self._timer.isActive()

    def play(self) -> None:
        """From here on; from the beginning if the end was reached."""
        self._wanted = True
        moments = self._playable()
        if moments is not None and not self.playing:
            if self.now >= self.stretch()[1]:
                self.seek(self.stretch()[0])
            self._clock.start()
            self._timer.start()
        self.changed.emit()

    def pause(self) -> None:
        self._wanted = False
        self._timer.stop()
        self.changed.emit()

    def play_or_pause(self) -> None:
        if self.playing:
            self.pause()
        else:
            self.play()

    def seek(self, time: float) -> None:
        """Go to a moment (s), kept inside what is shown."""
        moments = self._playable()
        if moments is None:
            return
        self.now = min(max(time, moments.window[0]), moments.window[1])
        self._draw()

    def scrub(self, steps: float) -> None:
        """Back or forth by steps, each a 200th of what is shown; stops playing."""
        moments = self._playable()
        if moments is not None:
            self.pause()
            self.seek(self.now + steps * STEP * (moments.window[1] - moments.window[0]))

    def step_edge(self, way: int) -> None:
        """To the next (1) or the previous (-1) time a bridge switches; stops playing."""
        moments = self._playable()
        if moments is None:
            return
        self.pause()
        edges = moments.edges
        if not len(edges):
            self.scrub(way * _NO_EDGE / STEP)
        elif way > 0:
            k = int(np.searchsorted(edges, self.now, side="right"))
            self.seek(float(edges[k]) if k < len(edges) else moments.window[1])
        else:
            k = int(np.searchsorted(edges, self.now, side="left")) - 1
            self.seek(float(edges[k]) if k >= 0 else moments.window[0])

    def to_end(self, way: int) -> None:
        """To the beginning (-1) or the end (1) of what is played."""
        self.pause()
        self.seek(self.stretch()[0 if way < 0 else 1])

    def set_speed(self, speed: float) -> None:
        """Seconds of event in a second of watching, one of `SPEEDS`."""
        self.speed = speed
        self._draw()
        self.changed.emit()

    def change_speed(self, way: int) -> None:
        """The next quicker (1) or slower (-1) speed."""
        k = SPEEDS.index(self.speed) + way
        self.set_speed(SPEEDS[min(max(k, 0), len(SPEEDS) - 1)])

    def set_loop(self, loop: bool) -> None:
        """At the end begin again, or stop there."""
        self.loop = loop
        self.changed.emit()

    def stretch(self) -> tuple[float, float]:
        """What is played, s: between the cursors while both hang in it, else all that is shown."""
        moments = self._playable()
        if moments is None:
            return (0.0, 0.0)
        start, end = moments.window
        cursors = self._bench.cursors
        if cursors is not None:
            a, b = min(cursors), max(cursors)
            if start <= a < b <= end:
                return a, b
        return start, end

    def in_words(self) -> str:
        """Which lead carries most at this moment, or why nothing is played."""
        bench = self._bench
        moments = bench.moments
        if moments is None:
            return "Being read…" if bench.problem is None else "The build cannot be solved."
        if self._playable() is None:
            longest = quantity.format(LONGEST_S, "s", 2)
            return f"Look closer to play: {longest} at the most."
        drawn = self._view.scene_.leads
        amps = {k: v for k, v in self.layer.currents.items() if k in drawn and not drawn[k].phases}
        if not amps:
            return "No lead carries any current."
        most = max(amps, key=lambda id_: abs(amps[id_]))
        lead = bench.shown_build.lead(most)
        ends = [most] if lead is None else [self._name(end) for end in (lead.from_, lead.to)]
        if amps[most] < 0.0:
            ends.reverse()
        words = f"Most: {quantity.format(abs(amps[most]), 'A', 3)}, {' to '.join(ends)}"
        if self._step > _COARSE_S:
            words += f". Read every {quantity.format(self._step, 's', 2)}"
        return words

    # What follows from it

    def _name(self, address: str) -> str:
        part = self._bench.shown_build.part(address.split(".")[0])
        return address if part is None else part.label or part.id

    def _highest(self) -> float:
        """When the first curve is highest in what is shown, s."""
        answer = self._bench.answer
        curves = () if answer is None else answer.curves
        if not curves or not len(curves[0].high):
            return 0.0
        k = int(np.argmax(curves[0].high))
        return float(curves[0].t[k] + curves[0].t[k + 1]) / 2.0

    def _playable(self) -> Moments | None:
        moments = self._bench.moments
        if moments is None or moments.window[1] - moments.window[0] > LONGEST_S:
            return None
        return moments

    def _give_way(self) -> None:
        """Two pictures of currents on one frame cannot be told apart."""
        if self._bench.noise is not None:
            self._bench.set_slow(False)

    def _on_or_off(self) -> None:
        if not self._bench.slow:
            self._wanted = False
        self._take()

    def _take(self) -> None:
        """Other currents have come, or are on their way."""
        moments = self._playable()
        self._timer.stop()
        self.layer.setVisible(moments is not None)
        self.layer.show_moments(moments)
        if moments is not None:
            self._step = float(np.diff(moments.t).max(initial=0.0))
            if moments.window != self._window:
                inside = self._window is not None and (
                    moments.window[0] <= self.now <= moments.window[1]
                )
                if not inside:
                    self.now = moments.window[0]
                if self._window is None:
                    fitting = _fitting(moments.window[1] - moments.window[0])
                    self.speed = self._asked_speed or fitting
                    self._asked_speed = None
                self._window = moments.window
            self._draw()
            if self._wanted:
                self.play()
        self._cover()
        self.changed.emit()

    def _cover(self) -> None:
        """A pane over each strip while there is something to play, and none else."""
        strips: tuple[Strip, ...] = ()
        if self._scope is not None and self._bench.slow and self._playable() is not None:
            strips = self._scope.strips
        if tuple(pane.strip for pane in self._panes) != strips:
            for pane in self._panes:
                pane.remove()
            self._panes = [NowPane(strip, self._look) for strip in strips]
            for pane in self._panes:
                pane.sought.connect(self._seek_by_hand)
        self._place_lines()

    def _seek_by_hand(self, time: float) -> None:
        self.pause()
        self.seek(time)

    @property
    def panes(self) -> tuple[NowPane, ...]:
        """What lies over the strips, from the top."""
        return tuple(self._panes)

    def _tick(self) -> None:
        passed = min(self._clock.restart() / 1e3, _MOST_S)
        start, end = self.stretch()
        now = self.now + passed * self.speed
        if now < start or now >= end:
            if now >= end and not self.loop:
                self.seek(end)
                self.pause()
                return
            # what is left over of the step is played too, so that loops keep their pace
            now = start + (now - end) % (end - start) if now >= end else start
        self.seek(now)

    def _draw(self) -> None:
        if self._playable() is None:
            return
        self.layer.show_now(self.now, self.speed)
        self._place_lines()
        self.moved.emit()

    def _place_lines(self) -> None:
        moments, answer = self._playable(), self._bench.answer
        if moments is None or answer is None:
            return
        values = at(moments.t, moments.values, self.now) if len(moments.values) else ()
        read = dict(zip(moments.clips, (float(v) for v in values), strict=True))
        for pane, curve in zip(self._panes, answer.curves, strict=False):
            # what a probe makes of it is another curve, on which this value does not lie
            value = None if curve.probe else read.get(curve.key)
            pane.show_now(self.now, value, curve.reads)


def _fitting(span: float) -> float:
    """The speed that plays `span` (s) in about eight seconds."""
    return min(SPEEDS, key=lambda speed: abs(np.log(span / speed / _WATCH_S)))

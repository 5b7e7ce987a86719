"""The curves: one strip per clip on one volts scale, and the whole event below."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QRectF, QSize, Qt, QTimer, Signal
from PySide6.QtGui import QFontMetrics, QPainter, QPen
from PySide6.QtWidgets import QHBoxLayout, QLabel, QSizePolicy, QVBoxLayout, QWidget

from app.scope import probe_menu
from app.scope.across import AcrossView
from app.scope.cursors import CursorRow
from app.scope.joules import JoulesView
from app.scope.limit_lines import named_below, scale_values
from app.scope.recorded import extremes
from app.scope.ribbon import Ribbon
from app.scope.strip import Strip, gutter
from app.scope.ticks import ticks, volt_range
from app.scope.view_row import ViewRow
from app.solver.protocol import Across, Joules
from app.words import seconds
from sim.options import owner_of
from sim.verdict import LOWER

if TYPE_CHECKING:
    from app.look import Look
    from app.recordings import Recordings, Trace
    from app.solver.protocol import Answer, Curve, EnergyRow
    from app.workbench import Workbench

# An answer that comes sooner than this never turns the curves pale: no flicker.
_PATIENCE_MS = 150
# Ledger residual up to which the energy check counts as passed.
_RESIDUAL = 1e-6
_MOST_STRIPS = 6
_PROJECTOR_STRIPS = 2
#: Pixels of time, ribbon and caption below the strips, and of a strip, in the projector look.
_BELOW_STRIPS, _PROJECTOR_STRIP_HEIGHT = 140, 190


class Scope(QWidget):
    """Shows `workbench.answer` and its ghost.

    Signals
    -------
    drawn : the strips show the present answer, or none
    """

    drawn = Signal()

    def __init__(
        self,
        workbench: Workbench,
        look: Look,
        parent: QWidget | None = None,
        *,
        plain: bool = False,
        recordings: Recordings | None = None,
    ) -> None:
        super().__init__(parent)
        self._workbench = workbench
        self._look = look
        #: For a room: two strips and the time, nothing to handle.
        self._plain = plain
        self._strips: list[Strip] = []
        #: What the axes are held for, and the axes.
        self._held: tuple[object, dict[str, tuple[float, float]]] = (None, {})
        #: Of a real scope, laid over; a lesson has none.
        self._recordings = recordings
        if recordings is not None:
            recordings.changed.connect(self._show_recordings)
        self.setAccessibleName("Curves")
        self._patience = QTimer(self, singleShot=True, interval=_PATIENCE_MS)
        self._patience.timeout.connect(self._turn_pale)
        self._over_time = QWidget()
        self._column = QVBoxLayout()
        self._column.setSpacing(8)
        self.view_row = ViewRow(workbench, look)
        self.across_view = AcrossView(look)
        self.joules_view = JoulesView(look)
        self._axis = _TimeAxis(look)
        self.ribbon = Ribbon(look)
        self._nothing = QLabel(
            "Curves of the clipped places stand here\nas soon as the build can be solved.",
            alignment=Qt.AlignmentFlag.AlignCenter,
        )
        self._caption = QLabel("drag here to look closer; C hangs cursors")
        self._energy = QLabel()
        ribbon_row = QHBoxLayout()
        ribbon_row.addWidget(self.ribbon)
        caption_row = QHBoxLayout()
        self._indented = (ribbon_row, caption_row)
        self.cursor_row = CursorRow(workbench, look)
        caption_row.addWidget(self._caption)
        caption_row.addWidget(self.cursor_row)
        caption_row.addStretch(1)
        caption_row.addWidget(self._energy)
        column = QVBoxLayout(self)
        column.setContentsMargins(8, 4, 18, 8)
        column.setSpacing(4)
        over_time = QVBoxLayout(self._over_time)
        over_time.setContentsMargins(0, 0, 0, 0)
        over_time.setSpacing(4)
        over_time.addLayout(self._column, 1)
        over_time.addWidget(self._axis)
        column.addWidget(self.view_row)
        column.addWidget(self._nothing, 1)
        for widget in (self._over_time, self.across_view, self.joules_view):
            column.addWidget(widget, 1)
        column.addLayout(ribbon_row)
        column.addLayout(caption_row)
        self.ribbon.window_wanted.connect(workbench.set_window)
        workbench.answer_changed.connect(self.refresh)
        workbench.stale_changed.connect(self._wait_for_answer)
        workbench.window_changed.connect(self._show_window)
        workbench.window_changed.connect(self.cursor_row.refresh)
        workbench.cursors_changed.connect(self._show_cursors)
        workbench.between_changed.connect(self._show_cursors)
        workbench.view_changed.connect(self._show_view)
        workbench.across_changed.connect(self._show_view)
        look.changed.connect(self._restyle)
        self._restyle()

    @property
    def strips(self) -> tuple[Strip, ...]:
        return tuple(self._strips)

    @property
    def pale(self) -> bool:
        """Whether the curves are shown paler because a newer answer is due."""
        return any(strip._pale for strip in self._strips)

    def refresh(self) -> None:
        """Draw what the workbench has now."""
        bench = self._workbench
        self._wait_for_answer()
        answer = bench.answer
        for widget in (self.ribbon, self._energy):
            widget.setVisible(answer is not None and not self._plain)
        self._show_view()
        self._nothing.setVisible(answer is None and not bench.stale)
        self._show_caption()
        if answer is None:
            # Another build: the curves of the old one say nothing about it.
            self._fit_strips(0)
            self.drawn.emit()
            return
        if not bench.stale or answer.live:
            for strip in self._strips:
                strip.set_pale(False)
        if bench.problem is not None and not bench.stale:
            self._turn_pale()
        self._draw(answer)
        self.drawn.emit()

    def _wait_for_answer(self) -> None:
        """Turn the curves pale if the newer answer takes its time."""
        if not self._workbench.stale:
            self._patience.stop()
        else:
            # Each answer of a drag starts the wait anew, so live curves stay strong.
            self._patience.start()

    def _draw(self, answer: Answer) -> None:
        few = self._look.projector or self._plain
        most = _PROJECTOR_STRIPS if few else _MOST_STRIPS
        if self._look.projector:
            # Large type needs room: one strip that can be read, rather than two that collapse.
            most = max(1, min(most, (self.height() - _BELOW_STRIPS) // _PROJECTOR_STRIP_HEIGHT))
        curves = answer.curves[:most]
        self._fit_strips(len(curves))
        ghosts, ghost_name = self._ghosts()
        above = 0.5 if self._look.projector else 0.24
        # One scale for all volts, so that strips can be held against each other; amps have theirs.
        scales = {}
        for reads in {curve.reads for curve in curves}:
            own = tuple(curve for curve in curves if curve.reads == reads)
            behind = [ghosts[curve.key] for curve in own if curve.key in ghosts]
            over = [v for c in own if (t := self._trace(c)) is not None for v in extremes(t, c)]
            # limits of both, so that the axes are the same whichever stands in front
            drawn = (*own, *behind)
            values = scale_values(drawn, over)
            below = above if named_below(drawn, values) else 0.12
            scales[reads] = volt_range(values, above, below)
        scales = self._frozen(answer, scales)
        pixels = [
            (scales[curve.reads][1] - scales[curve.reads][0]) / max(strip.plot.height(), 1)
            for strip, curve in zip(self._strips, curves, strict=True)
            if curve.reads in ("volts", "offset", "amps")
        ]
        self._workbench.set_pixel(min(pixels, default=0.0))
        for strip, curve in zip(self._strips, curves, strict=True):
            ghost = ghosts.get(curve.key)
            strip.show_curve(curve, ghost, ghost_name, scales[curve.reads], answer.window)
            strip.show_edges(answer.edges)
            strip.show_probe(*self._probe_words(curve))
            strip.show_recording(self._trace(curve))
        self._show_moment(answer)
        self._show_energy(answer.energy)
        self._show_cursors()
        self._axis.show_window(answer.window)
        self._show_window()

    def _show_energy(self, energy: EnergyRow | None) -> None:
        if energy is None:
            self._energy.setText(self._while_dragged())
            return
        passed = energy.residual <= _RESIDUAL
        self._energy.setText("energy check: passed" if passed else "energy check: failed")
        self._energy.setToolTip(
            f"{energy.from_sources_J:.4g} J from the pack, {energy.dissipated_J:.4g} J turned to "
            f"heat and air, {energy.stored_change_J:.4g} J more stored; "
            f"not accounted for: {energy.residual:.1e} of what was turned over"
        )

    def _while_dragged(self) -> str:
        """What curves are worth that a hand moves."""
        answer = self._workbench.answer
        if answer is None or not answer.live or not answer.slack:
            return "energy check: on release"
        units = ["V"] if any(c.reads in ("volts", "offset") for c in answer.curves) else []
        units += ["A"] if any(c.reads == "amps" for c in answer.curves) else []
        if not units:
            return "energy check: on release"
        return f"within {answer.slack:.1f} {' or '.join(units)}, exact on release"

    def _trace(self, curve: Curve) -> Trace | None:
        return None if self._recordings is None else self._recordings.of_curve(curve)

    def _show_recordings(self) -> None:
        answer = self._workbench.answer
        if answer is not None:
            self._draw(answer)

    def _pull(self, strip: Strip, share: float, dropped: bool) -> None:
        """A hand moves a strip's recording along the time axis."""
        answer, recordings = self._workbench.answer, self._recordings
        if answer is None or recordings is None or strip not in self._strips:
            return
        trace = self._trace(answer.curves[self._strips.index(strip)])
        if trace is None or trace.hidden:
            return
        start, end = answer.window
        shift = trace.recording.shift_s + share * (end - start)
        if dropped:
            recordings.set(trace, shift_s=shift)
        else:
            recordings.move(trace, shift_s=shift)

    def _probe_words(self, curve: Curve) -> tuple[str, bool, bool]:
        """What a strip says of its clip's probe, whether it has reason to, whether it is none."""
        index = probe_menu.clip_of(self._workbench, curve)
        if index is None:
            return "", False, True
        words = probe_menu.says(self._workbench, index)
        if curve.probe:
            return f"on a scope: {words}", True, False
        if words:
            return f"the truth, without {words}", True, False
        return "no probe", not self._look.projector and not self._plain, True

    def open_probe(self, strip: Strip | None = None) -> bool:
        """The menu of a strip's probe: of what is selected, else of the first voltage."""
        bench = self._workbench
        curves = {} if bench.answer is None else dict(enumerate(bench.answer.curves))
        found = [
            (each, index)
            for k, each in enumerate(self._strips)
            if k in curves and (index := probe_menu.clip_of(bench, curves[k])) is not None
        ]
        if strip is not None:
            found = [pair for pair in found if pair[0] is strip]
        if not found:
            return False
        mine = [
            pair for pair in found if owner_of(bench.build.clips[pair[1]].tip) in bench.selection
        ]
        chosen, index = (mine or found)[0]
        at = chosen.probe.mapToGlobal(chosen.probe.rect().bottomLeft())
        probe_menu.menu(bench, index, self).popup(at)
        return True

    def _frozen(
        self, answer: Answer, scales: dict[str, tuple[float, float]]
    ) -> dict[str, tuple[float, float]]:
        """Axes that stay while the pinned option and the present one change places.

        For one pair of options and one stretch of one build they only ever grow.
        """
        bench = self._workbench
        pair = frozenset((bench.option, bench.pinned))
        of = (bench.drawn, pair, answer.event, answer.window, self._look.projector)
        if bench.pinned is None or len(pair) < 2:
            self._held = (None, {})
            return scales
        kept = self._held[1] if self._held[0] == of else {}
        for reads, (low, high) in scales.items():
            before = kept.get(reads, (low, high))
            kept[reads] = min(low, before[0]), max(high, before[1])
        self._held = (of, kept)
        return {reads: kept[reads] for reads in scales}

    def _show_view(self) -> None:
        """Curves over time, or another view of the same answer."""
        bench = self._workbench
        there = bench.answer is not None
        self.view_row.setVisible(there and not self._look.projector and not self._plain)
        self._over_time.setVisible(there and bench.view == "time")
        self.across_view.setVisible(there and bench.view in ("spectrum", "impedance"))
        self.joules_view.setVisible(there and bench.view == "joules")
        across = bench.across
        self.across_view.show_across(across if isinstance(across, Across) else None)
        self.joules_view.show_joules(across if isinstance(across, Joules) else None)

    def _show_moment(self, answer: Answer) -> None:
        """A mark at the figure that was gone to, on the strip of its place."""
        for strip, curve in zip(self._strips, answer.curves, strict=False):
            here = answer.goal is not None and curve.place == answer.goal.place
            lowest = here and answer.goal is not None and answer.goal.reads in LOWER
            strip.show_moment(answer.moment_s if here else None, lowest=lowest)

    def _show_cursors(self) -> None:
        bench = self._workbench
        rows = {row.key: row for row in bench.between}
        curves = () if bench.answer is None else bench.answer.curves
        for k, (strip, curve) in enumerate(zip(self._strips, curves, strict=False)):
            row = rows.get(curve.key)
            strip.show_cursors(bench.cursors, row, named=k == 0)
        self._show_caption()

    def _show_caption(self) -> None:
        bench = self._workbench
        free = bench.cursors is None and not self._look.projector and not self._plain
        self._caption.setVisible(bench.answer is not None and free)
        # In large type there is no room for both; a check that failed is said all the same.
        apart = self._look.projector and bench.cursors is not None
        self._energy.setVisible(not apart or self._energy.text().endswith("failed"))

    def _move_cursor(self, index: int, share: float) -> None:
        answer = self._workbench.answer
        if answer is not None:
            start, end = self._workbench.window or (0.0, answer.duration_s)
            self.cursor_row.move_to(index, start + share * (end - start))

    def _ghosts(self) -> tuple[dict[tuple[str, str, str | None], Curve], str]:
        bench = self._workbench
        if bench.ghost is None or bench.answer is None or bench.answer.live:
            return {}, ""
        index = bench.ghost.option
        name = "as drawn" if index is None else bench.build.options[index].name
        # (one that is still of another window would stretch the axes, for good while they are held)
        start, end = bench.answer.window
        slip = 0.01 * (end - start)
        of = [
            c
            for c in bench.ghost.curves
            if abs(c.t[0] - start) < slip and abs(c.t[-1] - end) < slip
        ]
        return {c.key: c for c in of}, name

    def _fit_strips(self, count: int) -> None:
        while len(self._strips) > count:
            strip = self._strips.pop()
            self._column.removeWidget(strip)
            strip.hide()
            strip.deleteLater()
        while len(self._strips) < count:
            strip = Strip(len(self._strips), self._look)
            strip.plot.wheeled.connect(lambda notches, share: self.ribbon.zoom(0.8**notches, share))
            strip.plot.dragged.connect(self.ribbon.pan)
            strip.plot.cursor_moved.connect(self._move_cursor)
            strip.plot.whole.connect(lambda: self._workbench.set_window(None))
            strip.plot.pulled.connect(lambda share, off, s=strip: self._pull(s, share, off))
            strip.probe.clicked.connect(lambda _=False, s=strip: self.open_probe(s))
            # for a room the figures are the card's
            strip.figure.setVisible(not self._plain)
            self._strips.append(strip)
            self._column.addWidget(strip, 1)

    def _show_window(self) -> None:
        answer = self._workbench.answer
        if answer is not None:
            self.ribbon.show_event(answer.overview, answer.duration_s, self._workbench.window)

    def _turn_pale(self) -> None:
        for strip in self._strips:
            strip.set_pale(True)

    def _restyle(self) -> None:
        for label in (self._caption, self._energy, self._nothing):
            label.setFont(self._look.font("small"))
            label.setStyleSheet(f"color: {self._look.palette.muted.name()}")
        for row in self._indented:
            row.setContentsMargins(gutter(self._look), 0, 0, 0)
        self.view_row.setContentsMargins(gutter(self._look) - 6, 0, 0, 0)
        if self.isVisible():
            self._ask_for_columns()
        self.refresh()

    def _ask_for_columns(self) -> None:
        """One for each pixel of a strip: with fewer, gaps would stripe the fill."""
        self._workbench.set_columns(self.width() - gutter(self._look) - 26)

    def resizeEvent(self, event: object) -> None:
        self._ask_for_columns()
        if self._look.projector:
            self.refresh()


class _TimeAxis(QWidget):
    """Times under the last strip."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._window = (0.0, 1.0)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        look.changed.connect(self.updateGeometry)

    def sizeHint(self) -> QSize:
        return QSize(200, QFontMetrics(self._look.font("small")).height() + 6)

    def show_window(self, window: tuple[float, float]) -> None:
        if window != self._window:
            self._window = window
            self.update()

    def paintEvent(self, event: object) -> None:
        painter = QPainter(self)
        painter.setFont(self._look.font("small"))
        colour = self._look.palette.muted
        start, end = self._window
        indent = gutter(self._look)
        width = self.width() - indent
        # far into an event neighbours differ late in the figure, so figures are long
        widest = max((seconds(start, end - start), seconds(end, end - start), "000.00 ms"), key=len)
        room = painter.fontMetrics().horizontalAdvance(widest) * 1.3
        for time in ticks(start, end, max(2, int(width / room))):
            x = indent + width * (time - start) / (end - start)
            painter.setPen(QPen(colour, 1))
            painter.drawLine(int(x), 0, int(x), 4)
            text = seconds(time, end - start)
            half = painter.fontMetrics().horizontalAdvance(text) / 2
            left = min(x - half, self.width() - 2 * half)
            painter.drawText(
                QRectF(left - 4, 4, 2 * half + 8, self.height() - 4),
                Qt.AlignmentFlag.AlignHCenter | Qt.AlignmentFlag.AlignTop,
                text,
            )

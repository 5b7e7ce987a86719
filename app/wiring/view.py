"""The canvas: the frame from above, and the hands on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QElapsedTimer, QEvent, QPoint, QPointF, QRectF, Qt, QTimer, Signal
from PySide6.QtGui import (
    QFocusEvent,
    QGuiApplication,
    QHelpEvent,
    QKeyEvent,
    QMouseEvent,
    QResizeEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import QToolTip, QWidget

from app.spoken import announce
from app.wiring import commands, placing
from app.wiring.breaking import Breaking
from app.wiring.clips import ClipButton, ClipMarks, DragClip, hang_by_key
from app.wiring.decks import Spread
from app.wiring.finder import Finder
from app.wiring.frame_name import FitLine, FrameName
from app.wiring.gestures import Gesture, PlacePart
from app.wiring.glass import Glass
from app.wiring.keys import Keys
from app.wiring.lead_ends import LeadEnds
from app.wiring.mouse import Mouse
from app.wiring.overlay import Hint, PlusButton, ScaleBar, Words
from app.wiring.place_set import PlaceSet
from app.wiring.scope_line import ScopeLine
from app.wiring.sets import SETS
from app.wiring.tray import Tray
from sim.errors import SimError

if TYPE_CHECKING:
    from collections.abc import Callable

    from app.look import Look
    from app.workbench import Workbench
    from sim.build import Build

#: While the wheel turns, words keep their places; they are laid out once it rests.
_LABELS_AFTER_MS = 40
#: Figures of a drag that follow each other faster cannot be read.
_READ_MS = 100
#: While a part is dragged, whether it fits is looked at when it rests.
_FIT_AFTER_MS = 120
_OUTLINE_TOO = "The outline lists the same parts and leads."


class FrameView(Glass):
    """Shows `workbench.shown_build` and edits `workbench.build`.

    Keys: Tab and Shift+Tab go through parts and leads, arrows move what is selected by
    1 mm (with Shift 10 mm), Enter asks for its sheet, Delete removes it, L joins two
    selected parts by a lead, K keeps what is selected while Tab goes on, M mirrors, R
    turns, U puts a deck up, S spreads the decks, + or N opens the tray, Home fits the
    frame, Ctrl with plus or minus zooms, with C, X, V and D copies, Escape lets go.

    Signals
    -------
    sheet_requested : the id of a part or lead, and the global place to open its sheet at
    """

    sheet_requested = Signal(str, QPoint)

    def __init__(self, workbench: Workbench, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(look, parent)
        self.workbench = workbench
        self.gesture: Gesture | None = None
        self._plain = False
        #: Where the pointer was last, mm.
        self.pointer = QPointF()
        #: The sentence shown last, "" once it is taken away.
        self.said = ""
        self.setAccessibleName("Frame from above")
        self.setAccessibleDescription(_OUTLINE_TOO)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMinimumSize(320, 240)
        self.viewport().setMouseTracking(True)
        self.viewport().setAccessibleName("Drawing of the frame")
        self._plus = PlusButton(self)
        self._clip = ClipButton(self)
        self._scale = ScaleBar(self)
        self.clip_marks = ClipMarks(look)
        self.scene_.addItem(self.clip_marks)
        self.lead_ends = LeadEnds(look)
        self.scene_.addItem(self.lead_ends)
        self._words = Words(self)
        self._hint = Hint(self)
        self.frame_name = FrameName(self, look)
        self.fit_line = FitLine(self)
        self.spread = Spread(self)
        self.scope_line = ScopeLine(self)
        self.tray = Tray(look, self)
        self.finder = Finder(self)
        self.breaking = Breaking(self)
        self.mouse = Mouse(self)
        self.keys = Keys(self)
        self._label_timer = QTimer(self, singleShot=True)
        self._label_timer.timeout.connect(self.place_labels)
        # Of a drag in a turn of their own: with the curves they would keep a moving hand waiting.
        self._figures_timer = QTimer(self, singleShot=True)
        self._figures_shown = QElapsedTimer()
        self._figures_timer.timeout.connect(self._show_figures)
        self._fit_timer = QTimer(self, singleShot=True, interval=_FIT_AFTER_MS)
        self._fit_timer.timeout.connect(self._check_fit)
        self._connect()
        self._dress()
        self._show_build()
        self._show_answer()

    def _connect(self) -> None:
        bench = self.workbench
        bench.build_changed.connect(self._show_build)
        bench.preview_changed.connect(self._show_preview)
        bench.option_changed.connect(self._show_build)
        bench.answer_changed.connect(self._show_answer)
        bench.selection_changed.connect(self._show_selection)
        bench.problem_changed.connect(self._show_problem)
        self.look.changed.connect(self._dress)
        self.looked.connect(self._on_looked)
        self.spread.ended.connect(self._on_spread)
        self._plus.clicked.connect(self._open_tray_at_button)
        self._clip.clicked.connect(lambda: hang_by_key(self))
        self._clip.pulled.connect(lambda _: self.begin(DragClip(self, None, "tip")))
        self._clip.moved.connect(lambda at: self.move_gesture(self.from_global(at)))
        self._clip.dropped.connect(lambda at: self.end_gesture(self.from_global(at)))
        self.tray.picked.connect(self.start_placing)
        self.tray.pulled.connect(self._start_pulling)
        self.tray.pull_moved.connect(lambda at: self.move_gesture(self.from_global(at)))
        self.tray.pull_released.connect(self._end_pulling)
        self.finder.closed.connect(lambda: self.setFocus(Qt.FocusReason.PopupFocusReason))
        self.tray.closed.connect(lambda: self.setFocus(Qt.FocusReason.PopupFocusReason))

    # Showing

    def _show_build(self) -> None:
        new_frame = self.scene_.build is None or (
            self.scene_.build.frame != self.workbench.shown_build.frame
        )
        self.set_moving(False)
        self.scene_.bypassed = self._bypassed()
        self.scene_.sync(self.workbench.shown_build)
        self.scene_.set_figures(self.workbench.answer)
        self._show_selection()
        self._hint.show_empty(not self.workbench.shown_build.parts)
        # Only another document empties the history: that is looked at whole.
        if (new_frame or self.workbench.undo_stack.count() == 0) and self.isVisible():
            self.fit()
        self.clip_marks.refresh(self.scene_, self.workbench.build)
        self.frame_name.show_frame()
        self.scope_line.refresh()
        self._check_fit()
        self._lay_children()
        self._label_timer.start(0)

    def _check_fit(self) -> None:
        if not self._plain:
            self.fit_line.show_misfits(self.scene_.check_fit())

    def _on_spread(self) -> None:
        for label in self.scene_.labels.items.values():
            label.setVisible(True)
        self.fit()
        self._label_timer.start(0)

    def _bypassed(self) -> frozenset[str]:
        option = self.workbench.option
        if option is None:
            return frozenset()
        changes = self.workbench.build.options[option].changes
        return frozenset(c.bypass for c in changes if c.bypass is not None)

    def _show_preview(self) -> None:
        bench = self.workbench
        moving = bench.drawn is not bench.build
        self.scene_.sync(bench.shown_build, moving=moving)
        self.set_moving(moving)
        self.clip_marks.refresh(self.scene_, self.workbench.drawn)
        self.lead_ends.refresh(self.scene_, self.workbench.selection)
        self._fit_timer.start()

    def _show_answer(self) -> None:
        answer = self.workbench.answer
        if answer is not None and answer.live:
            if not self._figures_timer.isActive():
                since = self._figures_shown.elapsed() if self._figures_shown.isValid() else _READ_MS
                self._figures_timer.start(max(_READ_MS - since, 0))
        else:
            self._figures_timer.stop()
            self._show_figures()

    def _show_figures(self) -> None:
        self._figures_shown.start()
        answer = self.workbench.answer
        self.scene_.set_figures(answer)
        live = answer is not None and answer.live
        if self.scene_.labels.refresh(live=live) and self.gesture is None:
            self._label_timer.start(_LABELS_AFTER_MS)

    def _show_problem(self) -> None:
        self.ground.lift()
        problem = self.workbench.problem
        marks: dict[str, str] = {}
        if problem is not None:
            marks = dict.fromkeys(problem.ids, problem.what) | dict(problem.marks)
        self.scene_.set_marked(marks)
        self._label_timer.start(0)

    def _show_selection(self) -> None:
        self.ground.lift()
        chosen = self.workbench.selection
        self.scene_.set_chosen(chosen)
        self.lead_ends.refresh(self.scene_, chosen)
        words = self.scene_.words(chosen[0]).replace("\n", ", ") if len(chosen) == 1 else ""
        self.setAccessibleDescription(words or _OUTLINE_TOO)
        if self.hasFocus() and not self.breaking.armed:
            announce(self, words or (f"{len(chosen)} selected" if chosen else ""))
        self._label_timer.start(0)

    def place_labels(self) -> None:
        """Find places for the words beside parts and leads."""
        area = self.viewport().rect()
        transform = self.viewportTransform()

        def to_pixels(x: float, y: float) -> tuple[float, float]:
            p = transform.map(QPointF(x, y))
            return (p.x(), p.y())

        room = (8.0, 8.0, area.width() - 8.0, area.height() - 8.0)
        for _ in range(2):
            rects = [QRectF(w.geometry()) for w in self._on_glass() if w.isVisible()]
            if self.clip_marks.isVisible():
                rects += [transform.mapRect(box) for box in self.clip_marks.boxes()]
            rects += [transform.mapRect(box) for box in self.lead_ends.boxes()]
            blocked = [(r.left(), r.top(), r.right(), r.bottom()) for r in rects]
            self.scene_.labels.lay_out(room, to_pixels, blocked)
            # (a clip makes way for words that stand within its part, and others then for it)
            if not self.clip_marks.refresh(self.scene_, self.workbench.drawn):
                return

    def _on_glass(self) -> tuple[QWidget, ...]:
        return (
            self._plus,
            self._clip,
            self._scale,
            self._hint,
            self.frame_name,
            self.fit_line,
            self.scope_line,
        )

    def _on_looked(self) -> None:
        self._scale.set_zoom(self.scene_.zoom)
        self.lead_ends.refresh(self.scene_, self.workbench.selection)
        self.clip_marks.refresh(self.scene_, self.workbench.drawn)
        self._lay_children()
        self._label_timer.start(_LABELS_AFTER_MS)

    def _dress(self) -> None:
        self.ground.lift()
        self.setBackgroundBrush(self.look.palette.paper)
        self.scene_.setBackgroundBrush(self.look.palette.paper)
        self.scene_.repaint_all()
        for child in (self._plus, self._clip, self._scale, self._words, self._hint, self.fit_line):
            child.dress(self.look)
        self._lay_children()
        self._label_timer.start(0)

    def set_plain(self) -> None:
        """Only the drawing and its words, for a room that looks and does not draw."""
        self._plain = self._close = True
        self.scene_.room = {}
        self._lay_children()

    def show_changed(self, changed: dict[str, str]) -> None:
        """What a room is told beside the parts: what was changed on each, by id."""
        if changed != self.scene_.room:
            self.scene_.room = changed
            self._label_timer.start(0)

    def _lay_children(self) -> None:
        if self._plain:
            for child in self._on_glass():
                child.hide()
            return
        height = self.height()
        # Large type on a small frame: the drawing comes first.
        roomy = not self.look.projector or min(self.width() / 600, height / 420) >= 1.0
        for child in (self._scale, self.frame_name):
            child.setVisible(roomy)
        self._plus.move(20, height - self._plus.height() - 14)
        self._clip.move(28 + self._plus.width(), height - self._clip.height() - 14)
        self._scale.move(18, height - self._plus.height() - self._scale.height() - 26)
        self._hint.move(16, 6)
        top = 6 if self._hint.isHidden() else 6 + self._hint.height()
        self.scope_line.adjustSize()
        self.scope_line.move(16, top)
        self.fit_line.move(
            16, top + (0 if self.scope_line.isHidden() else self.scope_line.height())
        )
        name = self.frame_name
        name.adjustSize()
        name.move(self.width() - name.width() - 14, height - name.height() - 12)

    def say(self, words: str, at: QPointF | None = None, bad: bool = False) -> None:
        """A sentence near a place in mm, or at the foot; "" takes it away."""
        self.said = words
        announce(self, words, urgent=bad)
        self._words.show_words(words, bad, self.look)
        if not words:
            return
        size = self._words.size()
        if at is None:
            x, y = (self.width() - size.width()) // 2, self.height() - size.height() - 12
        else:
            p = self.mapFromScene(at)
            x, y = p.x() + 22, p.y() + 26
        x = min(max(6, x), self.width() - size.width() - 6)
        y = min(max(6, y), self.height() - size.height() - 6)
        self._words.move(x, y)

    def option_name(self) -> str:
        """Name of the option that additions belong to, "" for the build itself."""
        option = self.workbench.option
        return "" if option is None else self.workbench.build.options[option].name

    # Editing

    def change(self, text: str, edit: Callable[[Build], Build], merge: str | None = None) -> bool:
        """Make an edit of what is shown one undo step; False, and said, if it cannot be."""
        try:
            build = self.workbench.through(edit)
        except SimError as error:
            self.say(str(error), bad=True)
            return False
        self.workbench.do(text, build, merge)
        return True

    def remove_selected(self) -> None:
        """Take off what is selected."""
        commands.remove_selected(self.workbench)

    def request_sheet(self) -> None:
        """Ask for the sheet of what is selected, beside it."""
        if self.workbench.selection:
            id_ = self.workbench.selection[0]
            at = self.mapFromScene(self.scene_.middle_of(id_))
            self.sheet_requested.emit(id_, self.viewport().mapToGlobal(at))

    # Placing from the tray

    def start_placing(self, kind: str, at: QPointF | None = None) -> None:
        """A ghost of a new part of this kind follows the pointer; `at` in mm."""
        self.end_gesture(cancel=True)
        self.spread.set(False)
        if at is None:
            seen = self.visible_mm()
            at = self.pointer if seen.contains(self.pointer) else seen.center()
        self.gesture = (PlaceSet if kind in SETS else PlacePart)(self, kind, at)
        self.setFocus(Qt.FocusReason.OtherFocusReason)

    def put_down(self, each: bool = False) -> None:
        """Place the ghost, `each`: at every ESC; it stays in the hand where it cannot go."""
        if isinstance(self.gesture, PlacePart) and self.gesture.put_down(each):
            self.gesture = None
            self._label_timer.start(0)

    def drop(self, kind: str, at: QPointF) -> placing.Aim:
        """Place a new part at a place in mm at once; says what happened."""
        self.start_placing(kind, at)
        gesture = self.gesture
        assert isinstance(gesture, PlacePart)
        self.put_down()
        self.end_gesture(cancel=True)
        return gesture.aim

    def open_tray(self, at: QPoint | None = None) -> None:
        """Open the tray at a place of this widget, else at the pointer."""
        self.end_gesture(cancel=True)
        if at is None:
            at = self.mapFromScene(self.pointer)
            if not self.rect().contains(at):
                at = self.rect().center()
        self.pointer = self.mapToScene(at)
        kinds = {part.kind for part in self.workbench.shown_build.parts}
        self.tray.power_first = not kinds & {"battery", "bench_supply"}
        self.tray.open_at(at)

    def open_tray_by_key(self) -> None:
        """At what is selected, so that the part lands there; else at the pointer."""
        chosen = self.workbench.selection
        at = self.mapFromScene(self.scene_.middle_of(chosen[0])) if chosen else None
        self.open_tray(at)

    def _open_tray_at_button(self) -> None:
        self.open_tray(self._plus.geometry().topRight())
        self.pointer = self.visible_mm().center()

    def _start_pulling(self, kind: str, at: QPoint) -> None:
        self.start_placing(kind, self.from_global(at))

    def _end_pulling(self, at: QPoint) -> None:
        if not isinstance(self.gesture, PlacePart):
            return
        if not self.rect().contains(self.mapFromGlobal(at)):
            self.end_gesture(cancel=True)
            return
        self.gesture.move(self.from_global(at))
        held = QGuiApplication.keyboardModifiers()
        self.put_down(each=bool(held & Qt.KeyboardModifier.ShiftModifier))

    # Gestures

    def begin(self, gesture: Gesture) -> None:
        """From now on the pointer is this gesture's."""
        self.gesture = gesture
        QToolTip.hideText()

    def move_gesture(self, place: QPointF) -> None:
        """The pointer is at `place`, mm."""
        self.pointer = place
        if self.gesture is not None:
            self.gesture.move(place)

    def end_gesture(self, place: QPointF | None = None, cancel: bool = False) -> None:
        """The gesture is over: done at `place`, or given up."""
        gesture, self.gesture = self.gesture, None
        if gesture is None:
            return
        if cancel or place is None:
            gesture.cancel()
        else:
            gesture.release(place)
        self._label_timer.start(0)

    # Events

    def wheelEvent(self, event: QWheelEvent) -> None:
        self.zoom_by(1.0015 ** event.angleDelta().y(), event.position())
        event.accept()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self.mouse.press(event)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        self.mouse.move(event)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        self.mouse.release(event)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self.mouse.double_click(event)

    def leaveEvent(self, event: QEvent) -> None:
        if self.gesture is None:
            self.scene_.set_hovered("")
            self.scene_.show_pads("")
        super().leaveEvent(event)

    def event(self, event: QEvent) -> bool:
        if (
            event.type() == QEvent.Type.ShortcutOverride
            and isinstance(event, QKeyEvent)
            and self.keys.wants(event)
        ):
            event.accept()
            return True
        return super().event(event)

    def viewportEvent(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.ToolTip and isinstance(event, QHelpEvent):
            text = "" if self.gesture else self.mouse.words_at(self.mapToScene(event.pos()))
            if text:
                QToolTip.showText(event.globalPos(), text, self)
            else:
                QToolTip.hideText()
            return True
        return super().viewportEvent(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if not self.keys.press(event):
            super().keyPressEvent(event)

    def keyReleaseEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Space and not event.isAutoRepeat():
            self.mouse.space = False
        if event.key() == Qt.Key.Key_X and not event.isAutoRepeat():
            self.breaking.release()
        super().keyReleaseEvent(event)

    def focusOutEvent(self, event: QFocusEvent) -> None:
        self.mouse.space = False
        self.breaking.let_go()
        super().focusOutEvent(event)

    def focusNextPrevChild(self, next: bool) -> bool:
        """Tab goes through parts and leads, and out of the canvas at either end."""
        return self.keys.tab(next) or super().focusNextPrevChild(next)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._lay_children()

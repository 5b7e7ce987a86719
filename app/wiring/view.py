"""The canvas: the frame from above, and the hands on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QEvent, QPoint, QPointF, QRectF, Qt, QTimer, Signal
from PySide6.QtGui import (
    QFocusEvent,
    QHelpEvent,
    QKeyEvent,
    QMouseEvent,
    QPixmapCache,
    QResizeEvent,
    QShowEvent,
    QTransform,
    QWheelEvent,
)
from PySide6.QtWidgets import QFrame, QGraphicsView, QToolTip, QWidget

from app.wiring import placing
from app.wiring.facts import part_name
from app.wiring.gestures import BendLead, DragParts, Gesture, Pan, PlacePart, PullLead, moved
from app.wiring.overlay import Hint, PlusButton, ScaleBar, Words
from app.wiring.scene import WiringScene
from app.wiring.tray import Tray
from sim.errors import SimError

if TYPE_CHECKING:
    from collections.abc import Callable

    from app.look import Look
    from app.workbench import Workbench
    from sim.build import Build

_LEAST_ZOOM, _MOST_ZOOM = 0.4, 24.0
_START_DRAG = 4
#: Room around the frame in pixels when it is fitted: words stand left and right of it.
_FIT_MARGINS = (128, 62, 128, 46)
_PAD_REACH = 7.0
#: While the wheel turns, words keep their places; they are laid out once it rests.
_LABELS_AFTER_MS = 40
_CACHE_KB = 49152


class FrameView(QGraphicsView):
    """Shows `workbench.shown_build` and edits `workbench.build`.

    Keys: Tab and Shift+Tab go through parts and leads, arrows move what is selected by
    1 mm (with Shift 10 mm), Enter asks for its sheet, Delete removes it, L joins two
    selected parts by a lead, + or N opens the tray, Home fits the frame, Ctrl with
    plus or minus zooms, Escape lets go.

    Signals
    -------
    sheet_requested : the id of a part or lead, and the global place to open its sheet at
    """

    sheet_requested = Signal(str, QPoint)

    def __init__(self, workbench: Workbench, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.workbench = workbench
        self.look = look
        self.scene_ = WiringScene(look)
        self._gesture: Gesture | None = None
        self._pressed: QPoint | None = None
        self._press_place = QPointF()
        self._space = False
        self._fitted = True
        self._pointer = QPointF()
        self._set_up()
        self._plus = PlusButton(self)
        self._scale = ScaleBar(self)
        self._words = Words(self)
        self._hint = Hint(self)
        self._tray = Tray(look, self)
        self._label_timer = QTimer(self, singleShot=True)
        self._label_timer.timeout.connect(self._place_labels)
        self._connect()
        self._dress()
        self._show_build()
        self._show_answer()

    def _set_up(self) -> None:
        self.setScene(self.scene_)
        self.setAccessibleName("Frame from above")
        self.setAccessibleDescription("The outline lists the same parts and leads.")
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setViewportUpdateMode(QGraphicsView.ViewportUpdateMode.SmartViewportUpdate)
        self.setTransformationAnchor(QGraphicsView.ViewportAnchor.NoAnchor)
        self.setResizeAnchor(QGraphicsView.ViewportAnchor.NoAnchor)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setSceneRect(-1500.0, -1500.0, 3000.0, 3000.0)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMinimumSize(320, 300)
        self.viewport().setMouseTracking(True)
        # Item caches live in Qt's one pixmap cache; its 10 MB hold too few leads of a large build.
        QPixmapCache.setCacheLimit(max(QPixmapCache.cacheLimit(), _CACHE_KB))

    def _connect(self) -> None:
        bench = self.workbench
        bench.build_changed.connect(self._show_build)
        bench.preview_changed.connect(self._show_preview)
        bench.option_changed.connect(self._show_build)
        bench.answer_changed.connect(self._show_answer)
        bench.selection_changed.connect(self._show_selection)
        bench.problem_changed.connect(self._show_problem)
        self.look.changed.connect(self._dress)
        self._plus.clicked.connect(self._open_tray_at_button)
        self._tray.picked.connect(self.start_placing)
        self._tray.pulled.connect(self._start_pulling)
        self._tray.pull_moved.connect(lambda at: self._move_gesture(self._from_global(at)))
        self._tray.pull_released.connect(self._end_pulling)
        self._tray.closed.connect(lambda: self.setFocus(Qt.FocusReason.PopupFocusReason))

    # Showing

    def _show_build(self) -> None:
        new_frame = self.scene_.build is None or (
            self.scene_.build.frame != self.workbench.shown_build.frame
        )
        self.scene_.bypassed = self._bypassed()
        self.scene_.sync(self.workbench.shown_build)
        self.scene_.set_figures(self.workbench.answer)
        self._show_selection()
        # Only another document empties the history: that is looked at whole.
        if (new_frame or self.workbench.undo_stack.count() == 0) and self.isVisible():
            self.fit()
        self._label_timer.start(0)

    def _bypassed(self) -> frozenset[str]:
        option = self.workbench.option
        if option is None:
            return frozenset()
        changes = self.workbench.build.options[option].changes
        return frozenset(c.bypass for c in changes if c.bypass is not None)

    def _show_preview(self) -> None:
        self.scene_.sync(self.workbench.shown_build)

    def _show_answer(self) -> None:
        self.scene_.set_figures(self.workbench.answer)
        if self.scene_.labels.refresh() and self._gesture is None:
            self._label_timer.start(_LABELS_AFTER_MS)

    def _show_problem(self) -> None:
        problem = self.workbench.problem
        sentence = "" if problem is None else problem.what
        ids = () if problem is None else problem.ids
        self.scene_.set_marked(dict.fromkeys(ids, sentence))
        self._label_timer.start(0)

    def _show_selection(self) -> None:
        self.scene_.set_chosen(self.workbench.selection)
        chosen = self.workbench.selection
        self.setAccessibleDescription(
            self.scene_.words(chosen[0]).replace("\n", ", ")
            if len(chosen) == 1
            else "The outline lists the same parts and leads."
        )
        self._label_timer.start(0)

    def _place_labels(self) -> None:
        area = self.viewport().rect()
        transform = self.viewportTransform()

        def to_pixels(x: float, y: float) -> tuple[float, float]:
            p = transform.map(QPointF(x, y))
            return (p.x(), p.y())

        blocked = [
            (float(r.left()), float(r.top()), float(r.right()), float(r.bottom()))
            for r in (w.geometry() for w in (self._plus, self._scale, self._hint) if w.isVisible())
        ]
        room = (8.0, 8.0, area.width() - 8.0, area.height() - 8.0)
        self.scene_.labels.lay_out(room, to_pixels, blocked)

    def _dress(self) -> None:
        self.setBackgroundBrush(self.look.palette.paper)
        self.scene_.setBackgroundBrush(self.look.palette.paper)
        self.scene_.repaint_all()
        for child in (self._plus, self._scale, self._words, self._hint):
            child.dress(self.look)
        self._lay_children()
        self._label_timer.start(0)

    def say(self, words: str, at: QPointF | None = None, bad: bool = False) -> None:
        """A sentence near a place in mm, or at the foot; "" takes it away."""
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
        from sim.options import through_option

        try:
            build = through_option(self.workbench.build, self.workbench.option, edit)
        except SimError as error:
            self.say(str(error), bad=True)
            return False
        self.workbench.do(text, build, merge)
        return True

    def remove_selected(self) -> None:
        """Take off what is selected."""
        remove_selected(self.workbench)

    def start_placing(self, kind: str, at: QPointF | None = None) -> None:
        """A ghost of a new part of this kind follows the pointer; `at` in mm."""
        self._end_gesture(cancel=True)
        if at is None:
            seen = self._visible_mm()
            at = self._pointer if seen.contains(self._pointer) else seen.center()
        self._gesture = PlacePart(self, kind, at)
        self.setFocus(Qt.FocusReason.OtherFocusReason)

    def drop(self, kind: str, at: QPointF) -> placing.Aim:
        """Place a new part at a place in mm at once; says what happened."""
        self.start_placing(kind, at)
        gesture = self._gesture
        assert isinstance(gesture, PlacePart)
        gesture.release(at)
        if gesture.aim.allowed:
            self._gesture = None
        else:
            self._end_gesture(cancel=True)
        return gesture.aim

    def open_tray(self, at: QPoint | None = None) -> None:
        """Open the tray at a place of this widget, else at the pointer."""
        self._end_gesture(cancel=True)
        if at is None:
            at = self.mapFromScene(self._pointer)
            if not self.rect().contains(at):
                at = self.rect().center()
        self._pointer = self.mapToScene(at)
        self._tray.open_at(at)

    def _open_tray_by_key(self) -> None:
        """At what is selected, so that the part lands there; else at the pointer."""
        chosen = self.workbench.selection
        at = self.mapFromScene(self.scene_.middle_of(chosen[0])) if chosen else None
        self.open_tray(at)

    def _open_tray_at_button(self) -> None:
        self.open_tray(self._plus.geometry().topRight())
        self._pointer = self._visible_mm().center()

    def _start_pulling(self, kind: str, at: QPoint) -> None:
        self.start_placing(kind, self._from_global(at))

    def _end_pulling(self, at: QPoint) -> None:
        place = self._from_global(at)
        gesture = self._gesture
        if not isinstance(gesture, PlacePart):
            return
        if not self.rect().contains(self.mapFromGlobal(at)):
            self._end_gesture(cancel=True)
            return
        gesture.move(place)
        if gesture.put_down():
            self._gesture = None

    # Looking

    def fit(self) -> None:
        """Show the whole frame with room for the words beside it."""
        self._fitted = True
        content = self.scene_.content()
        left, top, right, bottom = (round(m * self.look.scale) for m in _FIT_MARGINS)
        width = max(60, self.viewport().width() - left - right)
        height = max(60, self.viewport().height() - top - bottom)
        zoom = min(width / content.width(), height / content.height(), 6.0)
        self._zoom_to(zoom)
        middle = self.viewportTransform().map(content.center())
        want = QPointF(left + width / 2, top + height / 2)
        self.scroll_by((middle - want).toPoint())

    def scroll_by(self, pixels: QPoint) -> None:
        """Move the glass over the paper."""
        bars = (self.horizontalScrollBar(), self.verticalScrollBar())
        bars[0].setValue(bars[0].value() + pixels.x())
        bars[1].setValue(bars[1].value() + pixels.y())
        self._label_timer.start(_LABELS_AFTER_MS)

    def zoom_by(self, factor: float, at: QPointF) -> None:
        """Zoom about a place in view pixels, which stays where it is."""
        self._fitted = False
        place = self.viewportTransform().inverted()[0].map(at)
        self._zoom_to(self.scene_.zoom * factor)
        self.scroll_by((self.viewportTransform().map(place) - at).toPoint())

    def _zoom_to(self, zoom: float) -> None:
        zoom = min(_MOST_ZOOM, max(_LEAST_ZOOM, zoom))
        self.setTransform(QTransform.fromScale(zoom, zoom))
        self.scene_.set_zoom(zoom)
        self._scale.set_zoom(zoom)
        self._lay_children()
        self._label_timer.start(_LABELS_AFTER_MS)

    def _visible_mm(self) -> QRectF:
        return self.mapToScene(self.viewport().rect()).boundingRect()

    def _from_global(self, at: QPoint) -> QPointF:
        return self.mapToScene(self.viewport().mapFromGlobal(at))

    def _lay_children(self) -> None:
        height = self.height()
        self._plus.move(20, height - self._plus.height() - 14)
        self._scale.move(18, height - self._plus.height() - self._scale.height() - 26)
        self._hint.move(16, 6)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._lay_children()
        if self._fitted:
            self.fit()

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        if self._fitted:
            self.fit()

    # Gestures

    def _begin(self, gesture: Gesture) -> None:
        self._gesture = gesture
        QToolTip.hideText()

    def _move_gesture(self, place: QPointF) -> None:
        self._pointer = place
        if self._gesture is not None:
            self._gesture.move(place)

    def _end_gesture(self, place: QPointF | None = None, cancel: bool = False) -> None:
        gesture, self._gesture = self._gesture, None
        if gesture is None:
            return
        if cancel or place is None:
            gesture.cancel()
        else:
            gesture.release(place)
        self._label_timer.start(0)

    def wheelEvent(self, event: QWheelEvent) -> None:
        self.zoom_by(1.0015 ** event.angleDelta().y(), event.position())
        event.accept()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        at = event.position().toPoint()
        place = self.mapToScene(at)
        if isinstance(self._gesture, PlacePart):
            if event.button() == Qt.MouseButton.RightButton:
                self._end_gesture(cancel=True)
            return
        if event.button() == Qt.MouseButton.MiddleButton or self._space:
            self._begin(Pan(self, at))
            return
        if event.button() != Qt.MouseButton.LeftButton:
            return
        self._pressed, self._press_place = at, place
        pad = self._pad_at(place)
        id_ = pad.partition(".")[0] if pad else self._id_at(place)
        add = bool(
            event.modifiers()
            & (Qt.KeyboardModifier.ShiftModifier | Qt.KeyboardModifier.ControlModifier)
        )
        chosen = self.workbench.selection
        if add and id_:
            self.workbench.select(
                tuple(i for i in chosen if i != id_) if id_ in chosen else (*chosen, id_)
            )
        elif id_ not in chosen or not id_:
            self.workbench.select((id_,) if id_ else ())

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        at = event.position().toPoint()
        place = self.mapToScene(at)
        self._pointer = place
        if isinstance(self._gesture, Pan):
            self._gesture.drag_to(at)
        elif self._gesture is not None:
            self._gesture.move(place)
        elif self._pressed is not None:
            if (at - self._pressed).manhattanLength() >= _START_DRAG:
                self._start_drag()
                self._move_gesture(place)
        else:
            self._hover(place)

    def _start_drag(self) -> None:
        place = self._press_place
        self._pressed = None
        pad = self._pad_at(place)
        part = self.scene_.part_at(place, 2.0 / self.scene_.zoom)
        if pad:
            self._begin(PullLead(self, pad))
            return
        if part is not None:
            chosen = tuple(i for i in self.workbench.selection if i in self.scene_.parts)
            ids = chosen if part.part.id in chosen else (part.part.id,)
            self._begin(DragParts(self, self._with_boards(ids), place))
            return
        lead = self.scene_.lead_at(place, _PAD_REACH / self.scene_.zoom)
        if lead is not None:
            self._begin(BendLead(self, lead.lead.id, place))
        else:
            self._begin(Pan(self, self.mapFromScene(place)))

    def _with_boards(self, ids: tuple[str, ...]) -> tuple[str, ...]:
        """A board moves as one, with all that lies on it."""
        out = dict.fromkeys(ids)
        for board in self.scene_.boards.values():
            if any(i in out for i in board.ids):
                out |= dict.fromkeys(board.ids)
                out |= {
                    i: None
                    for i, item in self.scene_.parts.items()
                    if item.part.deck == "lower" and board.rect.contains(item.pos())
                }
        for id_ in ids:
            out |= dict.fromkeys(self.scene_.riders(id_))
        return tuple(out)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        place = self.mapToScene(event.position().toPoint())
        self._pressed = None
        if isinstance(self._gesture, PlacePart):
            if event.button() == Qt.MouseButton.LeftButton and self._gesture.put_down():
                self._gesture = None
                self._label_timer.start(0)
            return
        self._end_gesture(place)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        id_ = self._id_at(self.mapToScene(event.position().toPoint()))
        if event.button() == Qt.MouseButton.LeftButton and id_:
            self._pressed = None
            self.workbench.select((id_,))
            self.sheet_requested.emit(id_, event.globalPosition().toPoint())

    def leaveEvent(self, event: QEvent) -> None:
        if self._gesture is None:
            self.scene_.set_hovered("")
            self.scene_.show_pads("")
        super().leaveEvent(event)

    def _id_at(self, place: QPointF) -> str:
        part = self.scene_.part_at(place, 2.0 / self.scene_.zoom)
        if part is not None:
            return part.part.id
        lead = self.scene_.lead_at(place, _PAD_REACH / self.scene_.zoom)
        return lead.lead.id if lead is not None else ""

    def _pad_at(self, place: QPointF) -> str:
        """The address whose pull handle is at a place, "" if none is."""
        return self.scene_.handle_at(place, _PAD_REACH / self.scene_.zoom)

    def _hover(self, place: QPointF) -> None:
        id_ = self._id_at(place)
        self.scene_.set_hovered(id_)
        pad = self._pad_at(place)
        self.scene_.show_pads(pad.partition(".")[0] if pad else id_)
        shape = Qt.CursorShape.ArrowCursor
        if pad:
            shape = Qt.CursorShape.CrossCursor
        elif id_:
            shape = Qt.CursorShape.OpenHandCursor
        if self.viewport().cursor().shape() != shape:
            self.viewport().setCursor(shape)

    def viewportEvent(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.ToolTip and isinstance(event, QHelpEvent):
            place = self.mapToScene(event.pos())
            pad = self._pad_at(place)
            text = (
                "Drag from here to pull a lead." if pad else self.scene_.words(self._id_at(place))
            )
            if text and self._gesture is None:
                QToolTip.showText(event.globalPos(), text, self)
            else:
                QToolTip.hideText()
            return True
        return super().viewportEvent(event)

    # Keys

    def keyPressEvent(self, event: QKeyEvent) -> None:
        shift = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        control = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
        key = Qt.Key(event.key())
        if self._gesture is not None and self._key_in_gesture(key, shift):
            return
        middle = QPointF(self.viewport().rect().center())
        if control and key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal):
            self.zoom_by(1.25, middle)
        elif control and key == Qt.Key.Key_Minus:
            self.zoom_by(0.8, middle)
        elif control:
            super().keyPressEvent(event)
        elif key in (Qt.Key.Key_Plus, Qt.Key.Key_N):
            self._open_tray_by_key()
        elif key in (Qt.Key.Key_Delete, Qt.Key.Key_Backspace):
            self.remove_selected()
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self._request_sheet()
        elif key == Qt.Key.Key_Home:
            self.fit()
        elif key == Qt.Key.Key_Space:
            self._space = True
        elif key == Qt.Key.Key_Escape:
            self.workbench.select(())
        elif key == Qt.Key.Key_L:
            self._join_selected()
        elif not self._nudge(key, 10.0 if shift else 1.0):
            super().keyPressEvent(event)

    def _key_in_gesture(self, key: Qt.Key, shift: bool) -> bool:
        gesture = self._gesture
        if key == Qt.Key.Key_Escape:
            self._pressed = None
            self._end_gesture(cancel=True)
            return True
        if isinstance(gesture, PlacePart):
            if key in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
                if gesture.put_down():
                    self._gesture = None
                    self._label_timer.start(0)
                return True
            return gesture.key(int(key), shift)
        return False

    def keyReleaseEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Space and not event.isAutoRepeat():
            self._space = False
        super().keyReleaseEvent(event)

    def focusOutEvent(self, event: QFocusEvent) -> None:
        self._space = False
        super().focusOutEvent(event)

    def focusNextPrevChild(self, next: bool) -> bool:
        """Tab goes through parts and leads, and out of the canvas at either end."""
        if isinstance(self._gesture, PlacePart):
            self._next_target(next)
            return True
        order = self.scene_.reading_order()
        chosen = self.workbench.selection
        at = order.index(chosen[0]) if chosen and chosen[0] in order else None
        to = (0 if next else len(order) - 1) if at is None else at + (1 if next else -1)
        if not self.hasFocus() or not 0 <= to < len(order):
            return super().focusNextPrevChild(next)
        self.workbench.select((order[to],))
        self.ensure_seen(order[to])
        return True

    def _next_target(self, forward: bool) -> None:
        """Jump with the ghost to the next place where the part can be joined."""
        gesture = self._gesture
        assert isinstance(gesture, PlacePart)
        places = [self.scene_.middle_of(i) for i in self.scene_.reading_order()]
        places = [p for p in places if self._is_target(gesture, p)]
        if not places:
            return
        here = gesture.place
        at = min(range(len(places)), key=lambda i: (places[i] - here).manhattanLength())
        if (places[at] - here).manhattanLength() < 1e-6:
            at = (at + (1 if forward else -1)) % len(places)
        gesture.move(places[at])

    def _is_target(self, gesture: PlacePart, place: QPointF) -> bool:
        aim = placing.aim(self.scene_, gesture.kind, (8.0, 8.0), (place.x(), place.y()), 1.0)
        return aim.how in ("across", "splice", "join")

    def ensure_seen(self, id_: str) -> None:
        """Pan so far that a part or lead is in view."""
        p = self.mapFromScene(self.scene_.middle_of(id_))
        inner = self.viewport().rect().adjusted(40, 40, -40, -40)
        dx = min(0, p.x() - inner.left()) + max(0, p.x() - inner.right())
        dy = min(0, p.y() - inner.top()) + max(0, p.y() - inner.bottom())
        if dx or dy:
            self.scroll_by(QPoint(dx, dy))

    def _nudge(self, key: Qt.Key, step: float) -> bool:
        ways = {
            Qt.Key.Key_Left: (-step, 0.0),
            Qt.Key.Key_Right: (step, 0.0),
            Qt.Key.Key_Up: (0.0, -step),
            Qt.Key.Key_Down: (0.0, step),
        }
        ids = tuple(i for i in self.workbench.selection if i in self.scene_.parts)
        if key not in ways or not ids:
            return False
        dx, dy = ways[key]
        targets = {}
        for id_ in self._with_boards(ids):
            p = self.scene_.parts[id_].pos()
            targets[id_] = (round(p.x() + dx, 1), round(p.y() + dy, 1))
        name = self.scene_.parts[ids[0]].facts.name
        text = f"Move {name}" if len(ids) == 1 else f"Move {len(ids)} parts"
        return self.change(text, lambda b: moved(b, targets), merge="nudge " + " ".join(ids))

    def _join_selected(self) -> None:
        ids = [i for i in self.workbench.selection if i in self.scene_.parts]
        if len(ids) != 2:
            self.say("Select two parts, then L joins them by a lead.")
            return
        ends = [self.scene_.parts[i] for i in ids]
        a = placing.address_at(self.scene_, ends[0].part, ends[1].pad())
        b = placing.address_at(self.scene_, ends[1].part, ends[0].pad())
        why = placing.why_not_join(self.workbench.shown_build, a, b)
        if why:
            self.say(why, bad=True)
            return
        self.change("Pull a lead", lambda build: placing.join(build, a, b)[0])

    def _request_sheet(self) -> None:
        if self.workbench.selection:
            id_ = self.workbench.selection[0]
            at = self.mapFromScene(self.scene_.middle_of(id_))
            self.sheet_requested.emit(id_, self.viewport().mapToGlobal(at))


def remove_selected(workbench: Workbench) -> None:
    """Take what is selected off the build, leads with it; one undo step."""
    from sim.edit import remove
    from sim.options import through_option

    ids = workbench.selection
    if not ids:
        return
    shown = workbench.shown_build
    names = [part_name(p) for p in shown.parts if p.id in ids]
    text = (
        f"Remove {names[0]}"
        if len(ids) == 1 and names
        else ("Remove a lead" if len(ids) == 1 else f"Remove {len(ids)} things")
    )
    workbench.do(text, through_option(workbench.build, workbench.option, lambda b: remove(b, ids)))

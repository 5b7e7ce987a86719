"""Clips on the canvas: a tip and a ground each, dragged by hand or hung by key."""

from __future__ import annotations

from math import hypot
from typing import TYPE_CHECKING, Literal

from PySide6.QtCore import QPoint, QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem, QToolButton, QWidget

from app.wiring import placing
from app.wiring.facts import place_name
from app.wiring.gestures import Gesture
from sim import clips
from sim.errors import SimError
from sim.options import owner_of

if TYPE_CHECKING:
    from app.look import Look
    from app.wiring.scene import WiringScene
    from app.wiring.view import FrameView
    from sim.build import Build, Part

End = Literal["tip", "ground"]

_Z = 42.0
#: From the pad to the flag that is taken hold of, and from one clip to the next, px.
_FLAG_PX = (-17.0, -19.0)
_NEXT_PX = 21.0
_JAW_PX = (10.0, -1.0)
_RADIUS_PX = 7.0


#: So many times as far off, pads are clearly not the nearest.
_CLEARLY = 1.5


class ClipMarks(QGraphicsItem):
    """Every clip on volts: a flag by its tip in its curve's colour, a jaw at its ground."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self.setAcceptedMouseButtons(Qt.MouseButton.NoButton)
        self.setZValue(_Z)
        self._look = look
        #: Index of the clip, its pads, and its ground's pads or None where it has none apart.
        self._hung: list[tuple[int, QPointF, QPointF | None]] = []
        self._zoom = 2.0

    def refresh(self, scene: WiringScene, build: Build) -> bool:
        """Where the clips of the build hang now; whether that is elsewhere."""
        hung: list[tuple[int, QPointF, QPointF | None]] = []
        for index, clip in enumerate(build.clips):
            tip = scene.pad(clip.tip)
            if tip is None or clip.reads not in ("volts", "offset"):
                continue
            ground = None if clip.ground is None else scene.pad(clip.ground)
            item = scene.parts[owner_of(clip.tip)]
            if item.part.kind == "joint" or any(item.inside):
                # Its name stands in it; the flag stands at its corner.
                tip = item.scene_box.topLeft().toTuple()
            hung.append((index, QPointF(*tip), None if ground is None else QPointF(*ground)))
        # In every frame of a drag: clips reach over half the frame, and mostly hang still.
        moved = hung != self._hung
        if moved or scene.zoom != self._zoom:
            self.prepareGeometryChange()
            self._hung, self._zoom = hung, scene.zoom
            self.update()
        return moved

    def at(self, place: QPointF) -> tuple[int, End] | None:
        """The clip and end that a press at a place takes hold of."""
        reach = (_RADIUS_PX + 2.0) * self._look.scale / self._zoom
        for row, (index, tip, ground) in enumerate(self._hung):
            flag = self._flag(row, tip)
            jaw = self._jaw(flag) if ground is None else ground
            if hypot(flag.x() - place.x(), flag.y() - place.y()) <= reach:
                return index, "tip"
            if hypot(jaw.x() - place.x(), jaw.y() - place.y()) <= reach * 0.8:
                return index, "ground"
        return None

    def boxes(self) -> list[QRectF]:
        """What flags and jaws cover, mm: no words there."""
        reach = _RADIUS_PX * self._look.scale / self._zoom
        out = []
        for row, (_, tip, ground) in enumerate(self._hung):
            flag = self._flag(row, tip)
            jaw = self._jaw(flag) if ground is None else ground
            out += [QRectF(p.x() - reach, p.y() - reach, 2 * reach, 2 * reach) for p in (flag, jaw)]
        return out

    def place_of(self, index: int, end: End) -> QPointF | None:
        """Where an end of a clip is taken hold of, mm."""
        for row, (which, tip, ground) in enumerate(self._hung):
            if which == index:
                flag = self._flag(row, tip)
                # A point at 0, 0 counts as false.
                jaw = self._jaw(flag) if ground is None else ground
                return flag if end == "tip" else jaw
        return None

    def _flag(self, row: int, tip: QPointF) -> QPointF:
        """Beside its pads; clips on the same pads stand side by side."""
        before = sum(1 for _, other, _ in self._hung[:row] if other == tip)
        scale = self._look.scale / self._zoom
        dx, dy = _FLAG_PX
        return tip + QPointF((dx - before * _NEXT_PX) * scale, dy * scale)

    def _jaw(self, flag: QPointF) -> QPointF:
        scale = self._look.scale / self._zoom
        return flag + QPointF(_JAW_PX[0] * scale, _JAW_PX[1] * scale)

    def boundingRect(self) -> QRectF:
        rect = QRectF()
        for row, (_, tip, ground) in enumerate(self._hung):
            for p in (tip, self._flag(row, tip), tip if ground is None else ground):
                rect = rect.united(QRectF(p.x() - 15, p.y() - 15, 30, 30))
        return rect

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        p = self._look.palette
        scale = self._look.scale / self._zoom
        for row, (index, tip, ground) in enumerate(self._hung):
            flag, colour = self._flag(row, tip), p.line(index)
            jaw = self._jaw(flag) if ground is None else ground
            pen = QPen(colour, 1.8)
            pen.setCosmetic(True)
            painter.setPen(pen)
            painter.drawLine(flag, tip)
            if ground is not None:
                pen = QPen(p.minus, 1.4, Qt.PenStyle.DashLine)
                pen.setCosmetic(True)
                painter.setPen(pen)
                painter.drawLine(flag, ground)
            _paint_jaw(painter, jaw, scale, p.minus, p.card)
            _paint_flag(painter, flag, scale, colour, p.card)


def _paint_flag(painter: QPainter, at: QPointF, scale: float, colour: object, card: object) -> None:
    """A hook seen from the side: a ring with a mouth."""
    pen = QPen(colour, 2.2)
    pen.setCosmetic(True)
    painter.setPen(pen)
    painter.setBrush(card)
    r = _RADIUS_PX * scale * 0.8
    painter.drawEllipse(at, r, r)
    painter.setBrush(colour)
    painter.drawEllipse(at, r * 0.35, r * 0.35)


def _paint_jaw(painter: QPainter, at: QPointF, scale: float, colour: object, card: object) -> None:
    """A small jaw: what bites the ground."""
    pen = QPen(colour, 1.3)
    pen.setCosmetic(True)
    painter.setPen(pen)
    painter.setBrush(card)
    w, h = 4.5 * scale, 5.5 * scale
    shape = [(-w, -h), (w, -h), (w * 0.5, h), (0.0, h * 0.2), (-w * 0.5, h)]
    painter.drawPolygon(QPolygonF([at + QPointF(x, y) for x, y in shape]))


class DragClip(Gesture):
    """One end of a clip follows the pointer; put down on bare frame it comes off."""

    def __init__(self, view: FrameView, index: int | None, end: End) -> None:
        super().__init__(view)
        self._index, self._end = index, end
        self._target = ""
        view.viewport().setCursor(Qt.CursorShape.CrossCursor)

    def move(self, place: QPointF) -> None:
        scene, view = self.view.scene_, self.view
        item = scene.part_at(place, 5.0 / scene.zoom)
        self._target = ""
        if item is not None:
            self._target = _meant(scene, item.part, place)
        scene.set_hovered("" if item is None else item.part.id)
        view.say(self._words(), at=place)

    def _words(self) -> str:
        build = self.view.workbench.shown_build
        if self._target:
            name = place_name(build, self._target)
            return f"Tip at {name}." if self._end == "tip" else f"Ground at {name}."
        if self._end == "ground":
            return "Let go here: the ground goes back to the tip."
        return "Let go on pads to watch them." if self._index is None else "Let go here: it is off."

    def release(self, place: QPointF) -> None:
        self.move(place)
        self._clear()
        bench, index, target = self.view.workbench, self._index, self._target
        try:
            if self._end == "ground" and index is not None:
                build = clips.move_ground(bench.build, index, target or None)
                text = "Ground a clip elsewhere" if target else "Ground a clip at its tip"
            elif index is None and target:
                build, text = clips.hang(bench.build, target), "Hang a clip"
            elif index is not None and target:
                build, text = clips.move_tip(bench.build, index, target), "Move a clip"
            elif index is not None:
                build, text = clips.take_off(bench.build, index), "Take off a clip"
            else:
                return
        except SimError as error:
            self.view.say(str(error), at=place, bad=True)
            return
        bench.do(text, build)

    def cancel(self) -> None:
        self._clear()

    def _clear(self) -> None:
        self.view.viewport().unsetCursor()
        self.view.scene_.set_hovered("")
        self.view.say("")


def hang_by_key(view: FrameView) -> None:
    """A clip on what is selected, or off again; the ground at the second if two are."""
    bench, scene = view.workbench, view.scene_
    ids = [i for i in bench.selection if i in scene.parts]
    if not ids or len(ids) > 2:
        view.say("Select the part to watch, then H; a second one is where its ground goes.")
        return
    places = [_main_address(scene, i) for i in ids]
    tip, ground = places[0], places[1] if len(places) > 1 else None
    hung = clips.of_place(bench.build, tip, ground)
    name = place_name(bench.shown_build, tip)
    if hung is not None:
        bench.do(f"Take the clip off {name}", clips.take_off(bench.build, hung))
        view.say(f"Clip taken off {name}.")
        return
    same_tip = clips.of_place(bench.build, tip)
    try:
        if ground is not None and same_tip is not None:
            build = clips.move_ground(bench.build, same_tip, ground)
        else:
            build = clips.hang(bench.build, tip, ground)
    except SimError as error:
        view.say(str(error), bad=True)
        return
    bench.do(f"Hang a clip on {name}", build)
    at = "" if ground is None else f", ground at {place_name(bench.shown_build, ground)}"
    view.say(f"Clip on {name}{at}. H takes it off.")


def _meant(scene: WiringScene, part: Part, at: QPointF) -> str:
    """The pads of a part that a hand means: its input, unless others are clearly nearer."""
    item = scene.parts[part.id]
    near, main = placing.address_at(scene, part, (at.x(), at.y())), _main_address(scene, part.id)
    if near == main:
        return main
    there, here = (item.pad(address.split(".")[1]) for address in (near, main))
    others_by = hypot(there[0] - at.x(), there[1] - at.y())
    main_by = hypot(here[0] - at.x(), here[1] - at.y())
    return main if main_by < _CLEARLY * others_by else near


def _main_address(scene: WiringScene, id_: str) -> str:
    """The pads of a part that one means by the part: its input."""
    item = scene.parts[id_]
    if item.part.kind == "joint":
        return id_
    ports = list(item.facts.ports)
    return f"{id_}.{'in' if 'in' in ports else ports[0]}" if ports else id_


class ClipButton(QToolButton):
    """A clip to pull: onto pads, and they are watched.

    Signals
    -------
    pulled, moved, dropped : global places
    """

    pulled = Signal(QPoint)
    moved = Signal(QPoint)
    dropped = Signal(QPoint)

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._drags = False
        self.setAccessibleName("Hang a clip on what is selected")
        self.setToolTip("Drag onto pads to watch them, or H on what is selected")
        self.setCursor(Qt.CursorShape.OpenHandCursor)

    def dress(self, look: Look) -> None:
        self._look = look
        side = round(36 * min(look.scale, 1.5))
        self.setFixedSize(side, side)
        self.update()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        at = event.globalPosition().toPoint()
        if not self._drags and not self.rect().contains(event.position().toPoint()):
            self._drags = True
            self.pulled.emit(at)
        if self._drags:
            self.moved.emit(at)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if self._drags:
            self._drags = False
            self.setDown(False)
            self.dropped.emit(event.globalPosition().toPoint())
        else:
            super().mouseReleaseEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        p = self._look.palette
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(p.ink, 2.4 if self.underMouse() or self.hasFocus() else 1.6))
        painter.setBrush(p.card)
        rect = QRectF(self.rect()).adjusted(2, 2, -2, -2)
        painter.drawEllipse(rect)
        c, s = rect.center(), self._look.scale
        painter.drawLine(c + QPointF(-2 * s, 0), c + QPointF(-8 * s, 9 * s))
        _paint_flag(painter, c + QPointF(-3 * s, -3 * s), 0.85 * s, p.line1, p.card)
        _paint_jaw(painter, c + QPointF(8 * s, 1 * s), 0.85 * s, p.minus, p.card)

"""The ends of the selected lead: small squares, dragged to lead it elsewhere."""

from __future__ import annotations

import itertools
from math import hypot
from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QPainter, QPen
from PySide6.QtWidgets import QGraphicsItem, QStyleOptionGraphicsItem, QWidget

from app.wiring import placing
from app.wiring.facts import lead_name, place_name
from app.wiring.gestures import Gesture
from app.wiring.lead_item import LeadItem
from sim import lead_edit
from sim.errors import SimError

if TYPE_CHECKING:
    from app.look import Look
    from app.wiring.scene import WiringScene
    from app.wiring.view import FrameView
    from sim.build import Lead

_Z = 46.0
#: The undo step of an end that went elsewhere.
_REHOME = "End a lead elsewhere"
_HALF_PX = 4.5
#: How far outside the part it ends on an end is taken hold of.
_OUT_PX = 7.0


class LeadEnds(QGraphicsItem):
    """Both ends of one lead."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self.setAcceptedMouseButtons(Qt.MouseButton.NoButton)
        self.setZValue(_Z)
        self._look = look
        self.id = ""
        self._places: dict[str, QPointF] = {}
        self._zoom = 2.0
        self.setVisible(False)

    def refresh(self, scene: WiringScene, chosen: tuple[str, ...]) -> None:
        """Show those of the one lead that is selected, else none."""
        id_ = chosen[0] if len(chosen) == 1 and chosen[0] in scene.leads else ""
        if not id_ and not self.id:
            return
        self.prepareGeometryChange()
        self._zoom = scene.zoom
        self._places = {}
        self.id = id_
        item = scene.leads.get(self.id)
        if item is not None and not item.phases and item.isVisible():
            points = item.course.points
            for end, way in (("from", points), ("to", points[::-1])):
                address = item.lead.from_ if end == "from" else item.lead.to
                self._places[end] = self._outside(scene, address, way)
        self.setVisible(bool(self._places))
        self.update()

    def _outside(
        self, scene: WiringScene, address: str, way: tuple[tuple[float, float], ...]
    ) -> QPointF:
        """The first point along the way that is clear of the part, but before its middle."""
        item = scene.parts.get(address.partition(".")[0])
        out = _OUT_PX * self._look.scale / self._zoom
        places = [QPointF(x, y) for x, y in way[: max(2, len(way) // 2)]]
        steps = [a + (b - a) * (k / 12) for a, b in itertools.pairwise(places) for k in range(12)]
        if item is None:
            return places[0]
        body = item.scene_box.adjusted(-out, -out, out, out)
        return next((p for p in steps if not body.contains(p)), steps[len(steps) // 3])

    def at(self, place: QPointF) -> str:
        """ "from" or "to" where a press takes hold of an end, else ""."""
        reach = (_HALF_PX + 3.0) * self._look.scale / self._zoom
        for end, p in self._places.items():
            if hypot(p.x() - place.x(), p.y() - place.y()) <= reach:
                return end
        return ""

    def place_of(self, end: str) -> QPointF | None:
        """Where an end is taken hold of, mm."""
        return self._places.get(end)

    def boxes(self) -> list[QRectF]:
        """What they cover, mm: no words there."""
        reach = (_HALF_PX + 2.0) * self._look.scale / self._zoom
        return [
            QRectF(p.x() - reach, p.y() - reach, 2 * reach, 2 * reach)
            for p in self._places.values()
        ]

    def boundingRect(self) -> QRectF:
        rect = QRectF()
        for p in self._places.values():
            rect = rect.united(QRectF(p.x() - 12, p.y() - 12, 24, 24))
        return rect

    def paint(
        self, painter: QPainter, option: QStyleOptionGraphicsItem, widget: QWidget | None = None
    ) -> None:
        p = self._look.palette
        pen = QPen(p.ink, 1.6)
        pen.setCosmetic(True)
        painter.setPen(pen)
        painter.setBrush(p.card)
        half = _HALF_PX * self._look.scale / self._zoom
        for at in self._places.values():
            painter.drawRect(QRectF(at.x() - half, at.y() - half, 2 * half, 2 * half))


class RehomeLead(Gesture):
    """One end of a lead follows the pointer to other pads."""

    def __init__(self, view: FrameView, id_: str, end: str) -> None:
        super().__init__(view)
        self._id, self._end = id_, end
        lead = view.workbench.shown_build.lead(id_)
        assert lead is not None
        self._lead: Lead = lead
        other = lead.to if end == "from" else lead.from_
        self._fixed = view.scene_.pad(other) or (0.0, 0.0)
        self._target, self._why = "", ""
        self._item = LeadItem(lead, view.look)
        self._item.ghost = True
        self._item.setZValue(_Z)
        view.scene_.addItem(self._item)

    def move(self, place: QPointF) -> None:
        scene, view = self.view.scene_, self.view
        at = (place.x(), place.y())
        item = scene.part_at(place, 6.0 / scene.zoom)
        self._target, self._why = "", ""
        if item is not None:
            target = placing.address_at(scene, item.part, at)
            try:
                lead_edit.rehome(view.workbench.shown_build, self._id, self._end, target)
                self._target, at = target, scene.pad(target) or at
            except SimError as error:
                self._why = str(error)
        scene.set_hovered("" if item is None else item.part.id)
        self._item.lay(
            self._lead, [self._fixed, at], length_mm=None, copper_mm=1.0, spacing_mm=None,
            zoom=scene.zoom,
        )  # fmt: skip
        words = self._why or "Let go on other pads to end it there."
        if self._target:
            words = f"Ends at {place_name(view.workbench.shown_build, self._target)}."
        view.say(words, at=place, bad=bool(self._why))

    def release(self, place: QPointF) -> None:
        self.move(place)
        self._clear()
        if self._target:
            rehome(self.view, self._id, self._end, self._target)

    def cancel(self) -> None:
        self._clear()

    def _clear(self) -> None:
        self.view.scene_.removeItem(self._item)
        self.view.scene_.set_hovered("")
        self.view.say("")


def rehome(view: FrameView, id_: str, end: str, address: str) -> bool:
    """End a lead elsewhere, as one undo step."""
    done = view.change(_REHOME, lambda b: lead_edit.rehome(b, id_, end, address))
    if done:
        view.workbench.select((id_,))
    return done


def rehome_selected(view: FrameView, lead_id: str, part_id: str, other: bool = False) -> None:
    """By key: the nearer end of a lead goes to a part; `other`: the farther one does.

    Right after the nearer one went there, the farther goes instead of it.
    """
    scene, stack = view.scene_, view.workbench.undo_stack
    part = scene.parts[part_id]
    address = placing.address_at(scene, part.part, part.pad())
    lead = scene.leads[lead_id].lead
    if other and address in (lead.from_, lead.to) and stack.undoText() == _REHOME:
        stack.undo()
        lead = scene.leads[lead_id].lead
    x, y = part.pad()

    def off(end: str) -> float:
        px, py = scene.pad(end) or (0.0, 0.0)
        return hypot(px - x, py - y)

    nearer = off(lead.from_) <= off(lead.to)
    if not rehome(view, lead_id, "from" if nearer != other else "to", address):
        return
    view.workbench.select((lead_id, part_id))
    words = f"Ends at {place_name(view.workbench.shown_build, address)}."
    view.say(words if other else f"{words} Shift+L: its other end instead.")


def split_or_join(view: FrameView) -> None:
    """By key: a selected pair becomes two leads, or one of two a pair again."""
    build = view.workbench.shown_build
    ids = [i for i in view.workbench.selection if build.lead(i) is not None]
    lead = build.lead(ids[0]) if len(ids) == 1 else None
    if lead is None:
        view.say("Select a lead, then Y splits it into plus and minus, or joins them again.")
        return
    if lead.conductor == "pair":
        if view.change("Split a pair", lambda b: lead_edit.split_pair(b, lead.id)):
            view.say(
                f"{lead_name(build, lead)}: plus and minus are leads of their own, without "
                "what a pair saves in its ring. Drag an end elsewhere, or L with a part; Y joins "
                "them again."
            )
    elif view.change("Join a pair", lambda b: lead_edit.join_pair(b, lead.id)):
        view.say("One pair again.")

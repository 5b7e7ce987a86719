"""One class per gesture: what a press, a move and a release do.

A gesture is made at the press and thrown away at the release. It shows its work
through `Workbench.preview`, and leaves one undo step.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

from PySide6.QtCore import QPoint, QPointF, Qt

from app.wiring import placing
from app.wiring.facts import facts, place_name
from app.wiring.lead_item import LeadItem
from app.wiring.part_item import PartItem
from sim.errors import SimError
from sim.parts import KINDS

if TYPE_CHECKING:
    from app.wiring.geometry import Point
    from app.wiring.view import FrameView
    from sim.build import Build, Lead

#: Parts are moved in steps of this many mm, so that figures stay short.
_STEP_MM = 0.5


def _snapped(value: float) -> float:
    return round(value / _STEP_MM) * _STEP_MM


class Gesture:
    """Base: does nothing."""

    #: True while the gesture goes on without a button held down.
    hovering = False

    def __init__(self, view: FrameView) -> None:
        self.view = view

    def move(self, place: QPointF) -> None:
        """The pointer is at `place`, in mm."""

    def release(self, place: QPointF) -> None:
        """The button went up."""

    def cancel(self) -> None:
        """Escape, or the window lost the pointer."""

    def key(self, key: int, shift: bool) -> bool:
        """A key while the gesture goes on; True if it was used."""
        return False


class Pan(Gesture):
    """Moves the paper under the glass."""

    def __init__(self, view: FrameView, at: QPoint) -> None:
        super().__init__(view)
        self._at = at
        view.viewport().setCursor(Qt.CursorShape.ClosedHandCursor)

    def drag_to(self, at: QPoint) -> None:
        """Pointer in view pixels: panning must not depend on where it has panned to."""
        self.view.scroll_by(self._at - at)
        self._at = at

    def release(self, place: QPointF) -> None:
        self.view.viewport().unsetCursor()

    cancel = release  # type: ignore[assignment]


class DragParts(Gesture):
    """Moves parts; their leads follow and keep their slack."""

    def __init__(self, view: FrameView, ids: tuple[str, ...], start: QPointF) -> None:
        super().__init__(view)
        self._ids = ids
        self._start = start
        self._from = view.workbench.build
        self._at = {i: view.scene_.parts[i].place for i in ids}
        self._done: Build | None = None
        view.viewport().setCursor(Qt.CursorShape.ClosedHandCursor)

    def move(self, place: QPointF) -> None:
        from sim.edit import move_parts

        dx = _snapped(place.x() - self._start.x())
        dy = _snapped(place.y() - self._start.y())
        targets = {i: (round(x + dx, 1), round(y + dy, 1)) for i, (x, y) in self._at.items()}
        try:
            self._done = self.view.workbench.through(lambda b: move_parts(b, targets), self._from)
        except SimError as error:
            self.view.say(str(error))
            return
        self.view.workbench.preview(self._done)
        self.view.scene_.labels.follow(self._ids)

    def release(self, place: QPointF) -> None:
        self.view.viewport().unsetCursor()
        if self._done is None:
            return
        names = [self.view.scene_.parts[i].facts.name for i in self._ids]
        text = f"Move {names[0]}" if len(names) == 1 else f"Move {len(names)} parts"
        self.view.workbench.do(text, self._done)

    def cancel(self) -> None:
        self.view.viewport().unsetCursor()
        self.view.workbench.preview(None)


class BendLead(Gesture):
    """Draws a lead aside: it gets a bend and is longer by the way round."""

    def __init__(self, view: FrameView, id_: str, start: QPointF) -> None:
        super().__init__(view)
        self._id = id_
        self._from = view.workbench.build
        self._done: Build | None = None
        shown = view.workbench.shown_build
        lead = next(x for x in shown.leads if x.id == id_)
        pads = [view.scene_.pad(lead.from_), view.scene_.pad(lead.to)]
        self._pads = [p for p in pads if p is not None]
        self._via, self._index = _bend(lead, self._pads, (start.x(), start.y()))

    def move(self, place: QPointF) -> None:
        from sim.edit import set_via

        via = list(self._via)
        via[self._index] = (_snapped(place.x()), _snapped(place.y()))
        ends = [self._pads[0], *via, self._pads[-1]]
        near = _off_line(ends[self._index], ends[self._index + 1], ends[self._index + 2])
        if near * self.view.scene_.zoom < 6.0:
            # Pulled back onto the straight: the bend goes away.
            del via[self._index]
        try:
            self._done = self.view.workbench.through(
                lambda b: set_via(b, self._id, via), self._from
            )
        except SimError as error:
            self.view.say(str(error))
            return
        self.view.workbench.preview(self._done)

    def release(self, place: QPointF) -> None:
        if self._done is not None:
            self.view.workbench.do("Bend a lead", self._done)

    def cancel(self) -> None:
        self.view.workbench.preview(None)


class PullLead(Gesture):
    """Pulls a new lead from pads to other pads."""

    def __init__(self, view: FrameView, address: str) -> None:
        super().__init__(view)
        from sim.build import Lead

        self._address = address
        self._pad = view.scene_.pad(address) or (0.0, 0.0)
        self._end = ""
        self._why = ""
        self._lead = Lead(id="pulled", from_=address, to=address)
        self._item = LeadItem(self._lead, view.look)
        self._item.ghost = True
        self._item.phases = address.endswith(".motor")
        self._item.setZValue(49.0)
        view.scene_.addItem(self._item)

    def move(self, place: QPointF) -> None:
        scene, view = self.view.scene_, self.view
        build = view.workbench.shown_build
        at = (place.x(), place.y())
        self._end, self._why = "", ""
        item = scene.part_at(place, 6.0 / scene.zoom)
        if item is not None:
            end = placing.address_at(scene, item.part, at)
            self._why = placing.why_not_join(build, self._address, end)
            if not self._why:
                self._end = end
                at = scene.pad(end) or at
        scene.set_hovered(item.part.id if item is not None else "")
        self._item.lay(
            self._lead, [self._pad, at], length_mm=None, copper_mm=1.0, spacing_mm=None,
            zoom=scene.zoom,
        )  # fmt: skip
        if self._end:
            way = ((at[0] - self._pad[0]) ** 2 + (at[1] - self._pad[1]) ** 2) ** 0.5
            view.say(f"A lead to {place_name(build, self._end)}, {way:.0f} mm.", at=place)
        else:
            view.say(self._why or "Let go on other pads to join them.", at=place)

    def release(self, place: QPointF) -> None:
        self._clear()
        if not self._end:
            return
        view = self.view
        made: list[str] = []

        def edit(build: Build) -> Build:
            build, id_ = placing.join(build, self._address, self._end)
            made.append(id_)
            return build

        if view.change("Pull a lead", edit):
            view.workbench.select(tuple(made))

    def cancel(self) -> None:
        self._clear()

    def _clear(self) -> None:
        self.view.scene_.removeItem(self._item)
        self.view.scene_.set_hovered("")
        self.view.say("")


class PlacePart(Gesture):
    """A new part that follows the pointer until it is put down."""

    hovering = True

    def __init__(self, view: FrameView, kind: str, at: QPointF) -> None:
        super().__init__(view)
        self.kind = kind
        part = placing.new_part(kind, view.workbench.shown_build, (at.x(), at.y()))
        what = facts(part)
        self._size = what.size_mm
        self._item = PartItem(part, what, view.look)
        self._item.ghost = True
        self._item.setZValue(50.0)
        view.scene_.addItem(self._item)
        self._legs = LeadItem(_nowhere(), view.look)
        self._legs.ghost = True
        self._legs.setZValue(49.0)
        self._legs.setVisible(False)
        view.scene_.addItem(self._legs)
        self.place = at
        self.aim = placing.Aim("no", "", (0.0, 0.0), "")
        self.move(at)

    def move(self, place: QPointF) -> None:
        scene = self.view.scene_
        self.place = place
        at = (_snapped(place.x()), _snapped(place.y()))
        self.aim = placing.aim(scene, self.kind, self._size, at, 7.0 / scene.zoom)
        self._item.setPos(*self.aim.at)
        self._item.marked = not self.aim.allowed
        self._item.update()
        self._show_legs()
        scene.set_hovered(self.aim.target.partition(".")[0])
        words = self.aim.words
        option = self.view.option_name()
        if placing.can_be_at_each(self.view.workbench.shown_build, self.aim):
            words += " With Shift: one at every ESC."
        if self.aim.allowed and option:
            words += f" Only in “{option}”."
        cautions = KINDS[self.kind].cautions
        if self.aim.allowed and cautions:
            words += f"\n{cautions[0]}"
        self.view.say(words, at=QPointF(*self.aim.at), bad=not self.aim.allowed)

    def _show_legs(self) -> None:
        pad = self.view.scene_.pad(self.aim.target) if self.aim.how in ("across", "join") else None
        self._legs.setVisible(pad is not None)
        if pad is not None:
            self._legs.lay(
                _nowhere(), [self.aim.at, pad], length_mm=None, copper_mm=None, spacing_mm=2.5,
                zoom=self.view.scene_.zoom,
            )  # fmt: skip

    def release(self, place: QPointF) -> None:
        self.put_down()

    def put_down(self, each: bool = False) -> bool:
        """Place it; False, and the ghost stays, where it cannot go. `each`: at every ESC."""
        if not self.aim.allowed:
            return False
        self._clear()
        view, aim, kind = self.view, self.aim, self.kind
        each &= placing.can_be_at_each(view.workbench.shown_build, aim)
        made: list[str] = []

        def edit(build: Build) -> Build:
            if each:
                build, ids = placing.put_at_each(build, kind, aim)
                made.extend(ids)
                return build
            build, id_ = placing.put(build, kind, aim)
            made.append(id_)
            return build

        title = KINDS[kind].title
        if view.change(f"Add {title}" + (" at every ESC" if each else ""), edit):
            view.workbench.select(tuple(made))
        return True

    def targets(self) -> list[QPointF]:
        """Places where the part can be joined, as Tab goes through them."""
        scene = self.view.scene_
        places = [scene.middle_of(i) for i in scene.reading_order()]
        return [p for p in places if self._joins(p)]

    def _joins(self, place: QPointF) -> bool:
        at = (place.x(), place.y())
        aim = placing.aim(self.view.scene_, self.kind, (8.0, 8.0), at, 1.0)
        return aim.how in ("across", "splice", "join")

    def cancel(self) -> None:
        self._clear()

    def _clear(self) -> None:
        for item in (self._item, self._legs):
            if item.scene() is not None:
                item.scene().removeItem(item)
        self.view.scene_.set_hovered("")
        self.view.say("")

    def key(self, key: int, shift: bool) -> bool:
        step = 10.0 if shift else 1.0
        ways = {
            Qt.Key.Key_Left: (-step, 0.0),
            Qt.Key.Key_Right: (step, 0.0),
            Qt.Key.Key_Up: (0.0, -step),
            Qt.Key.Key_Down: (0.0, step),
        }
        way = ways.get(Qt.Key(key))
        if way is None:
            return False
        self.move(self.place + QPointF(*way))
        return True


def _bend(lead: Lead, pads: list[Point], at: Point) -> tuple[list[Point], int]:
    """The lead's bends with one at `at`, taken hold of or new, and its index."""
    via = list(lead.via)
    for k, (x, y) in enumerate(via):
        if ((x - at[0]) ** 2 + (y - at[1]) ** 2) ** 0.5 < 5.0:
            return via, k
    ends = [pads[0], *via, pads[-1]]
    spans = [_off_segment(a, at, b) for a, b in itertools.pairwise(ends)]
    k = min(range(len(spans)), key=spans.__getitem__)
    via.insert(k, at)
    return via, k


def _off_line(a: Point, p: Point, b: Point) -> float:
    """Distance of `p` from the line through `a` and `b`."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    size = (dx * dx + dy * dy) ** 0.5
    if size < 1e-9:
        return float(((p[0] - a[0]) ** 2 + (p[1] - a[1]) ** 2) ** 0.5)
    return float(abs((p[0] - a[0]) * dy - (p[1] - a[1]) * dx) / size)


def _off_segment(a: Point, p: Point, b: Point) -> float:
    from app.wiring.geometry import nearest

    return nearest((a, b), p)[0]


def _nowhere() -> Lead:
    from sim.build import Lead

    return Lead(id="legs", from_="", to="")

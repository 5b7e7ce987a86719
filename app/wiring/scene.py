"""The scene: items for the parts and leads of the shown build, kept in step with it."""

from __future__ import annotations

from math import atan2, degrees, hypot
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtWidgets import QGraphicsScene

from app.wiring.board_item import BoardItem
from app.wiring.decks import shift_of
from app.wiring.facts import (
    CANS,
    SOURCES,
    Facts,
    Figure,
    facts,
    figures,
    lead_name,
    lead_summary,
    ring_words,
)
from app.wiring.fit import Misfit, misfits
from app.wiring.frame_item import FrameItem
from app.wiring.frames import frame
from app.wiring.geometry import halfway
from app.wiring.geometry import length as way_length
from app.wiring.handles import Handles
from app.wiring.labels import Labels
from app.wiring.lead_item import LeadItem
from app.wiring.option_marks import OptionMarks
from app.wiring.part_item import PartItem
from sim.edit import length_mm
from sim.errors import SimError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from app.look import Look
    from app.wiring.geometry import Point
    from sim.build import Build, Lead, Part

#: Loose end of a lead whose part is gone, drawn this far from the other end.
_LOOSE_MM = 15.0
#: From so many leads on a joint is drawn as a board.
_HUB_LEADS = 4


class WiringScene(QGraphicsScene):
    """Frame, parts, leads and labels of one build, in millimetres."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self.setItemIndexMethod(QGraphicsScene.ItemIndexMethod.BspTreeIndex)
        self.look = look
        self.zoom = 2.0
        self.build: Build | None = None
        self.frame_item = FrameItem(frame("x-5"), look)
        self.addItem(self.frame_item)
        self.handles = Handles(look)
        self.addItem(self.handles)
        self.option_marks = OptionMarks(look)
        self.addItem(self.option_marks)
        self.parts: dict[str, PartItem] = {}
        self.leads: dict[str, LeadItem] = {}
        self.labels = Labels(self)
        self.figures: dict[str, Figure] = {}
        self.chosen: tuple[str, ...] = ()
        self._hovered = ""
        self.marked: dict[str, str] = {}
        self._lead_values: dict[str, tuple[Lead, tuple[float | None, ...]]] = {}
        self._attached: dict[str, list[str]] = {}
        self._leads_changed = False
        #: Leads that are laid anew in every frame of a drag.
        self.moving: set[str] = set()
        self._laid: set[str] = set()
        self.boards: dict[str, BoardItem] = {}
        self.bypassed: frozenset[str] = frozenset()
        #: For a room: what was changed on a part, by its id; None at the desk.
        self.room: dict[str, str] | None = None
        #: How far the decks are apart, 0 to 1.
        self.spread = 0.0
        self.misfits: tuple[Misfit, ...] = ()

    # Keeping in step

    def sync(self, build: Build, *, moving: bool = False) -> None:
        """Show `build`; only what changed is touched. `moving`: the next one comes at once."""
        before = self.build
        self._laid = set()
        if not moving:
            self._settle()
        self.build = build
        if before is None or before.frame != build.frame:
            self.frame_item.set_frame(frame(build.frame))
            for item in self.parts.values():
                item.set_shift(self._shift(item.part.deck))
        moved = self._sync_parts(build)
        self._sync_leads(build, moved)
        if moved or self._leads_changed:
            self._find_hubs()
            self._find_see_through()
        if moving:
            self._set_moving()
        self.handles.refresh(self.parts)
        self._set_marks()

    def _set_moving(self) -> None:
        """Leads that were laid anew are drawn straight to the screen until they rest."""
        for id_ in self._laid - self.moving:
            self.leads[id_].set_moving(True)
        self.moving |= self._laid

    def _settle(self) -> None:
        for id_ in self.moving & self.leads.keys():
            self.leads[id_].set_moving(False)
        self.moving = set()

    def _sync_parts(self, build: Build) -> set[str]:
        """Ids of parts that came, went, or are not where and as large as they were."""
        changed: set[str] = set()
        otherwise = False
        present = {part.id for part in build.parts}
        for id_ in [i for i in self.parts if i not in present]:
            self.removeItem(self.parts.pop(id_))
            changed.add(id_)
        loose = 0
        for part in build.parts:
            if part.at is None:
                part = _placed(part, loose)
                loose += 1
            item = self.parts.get(part.id)
            if item is None:
                item = PartItem(part, facts(part), self.look)
                item.set_shift(self._shift(part.deck))
                self.parts[part.id] = item
                self.addItem(item)
                changed.add(part.id)
            elif item.part is not part and item.part != part:
                item.set_shift(self._shift(part.deck))
                same = item.part.values == part.values and item.part.kind == part.kind
                before, old = item.part, item.facts
                item.set_part(part, _kept(old, part) if same else facts(part))
                otherwise = True
                if not _stands_as(before, part) or not old.drawn_as(item.facts):
                    changed.add(part.id)
        if changed or otherwise:
            self._find_boards()
        return changed

    def _find_boards(self) -> None:
        """ESCs that name one board are drawn as one: one outline, one set of pads."""
        groups: dict[str, list[PartItem]] = {}
        joints = []
        for item in self.parts.values():
            if item.part.kind == "joint":
                joints.append(item)
            board = item.part.values.get("board") if item.part.kind == "esc" else None
            if board is not None:
                groups.setdefault(_text(board), []).append(item)
        groups = {name: items for name, items in groups.items() if len(items) > 1}
        for name in [n for n in self.boards if n not in groups]:
            self.removeItem(self.boards.pop(name))
        for name, items in groups.items():
            board_item = self.boards.get(name)
            if board_item is None:
                board_item = self.boards[name] = BoardItem(name, self.look)
                self.addItem(board_item)
            board_item.gather(tuple(items), joints)
            board_item.setPos(*self._shift(items[0].part.deck))
        within = {item.part.id for items in groups.values() for item in items}
        # In every frame of a drag: only what came onto a board or off it is painted anew.
        for id_, item in self.parts.items():
            if item.on_board != (id_ in within):
                item.on_board = not item.on_board
                item.update()

    def _find_hubs(self) -> None:
        """A joint on which many leads meet is a distribution board, unless it is a 4-in-1's."""
        own = {i for board in self.boards.values() for i in board.ids}
        for id_, item in self.parts.items():
            if item.part.kind != "joint":
                continue
            real = [i for i in self._attached.get(id_, ()) if _has_values(self.leads[i].lead)]
            hub = len(real) >= _HUB_LEADS and id_ not in own
            if hub != item.hub:
                item.hub = hub
                item.set_part(item.part, item.facts)
                for i in real:
                    self._lay(self.leads[i], self.leads[i].lead)
            item.loaded = hub and self._carries(item)

    def _carries(self, board: PartItem) -> bool:
        """Whether the middle of another part lies on a distribution board."""
        box = board.scene_box
        near = (i for i in self.parts.values() if i is not board and box.contains(*i.middle))
        return any(board.body.contains(board.mapFromScene(i.pos())) for i in near)

    def _find_see_through(self) -> None:
        """What is on an upper deck over other parts is drawn as an outline."""
        solid = [board.mapRectToScene(board.rect) for board in self.boards.values()]
        solid += [item.scene_box for item in self.parts.values() if item.part.deck == "lower"]
        for item in self.parts.values():
            if item.part.deck == "lower" or self.spread:
                through = False
            else:
                through = any(item.scene_box.intersects(other) for other in solid)
            if through != item.see_through:
                item.see_through = through
                item.update()

    def _sync_leads(self, build: Build, moved: set[str]) -> None:
        present = {lead.id for lead in build.leads}
        self._leads_changed = present != self.leads.keys()
        laid: set[str] = set()
        for id_ in [i for i in self.leads if i not in present]:
            gone = self.leads.pop(id_)
            laid |= {a.partition(".")[0] for a in (gone.lead.from_, gone.lead.to)}
            self.removeItem(gone)
            self._lead_values.pop(id_, None)
        self._attached = {}
        for lead in build.leads:
            owners = (lead.from_.partition(".")[0], lead.to.partition(".")[0])
            for owner in owners:
                self._attached.setdefault(owner, []).append(lead.id)
            item = self.leads.get(lead.id)
            # In every frame of a drag: most leads are the very same, and so are their ends.
            if item is not None and item.lead is lead and moved.isdisjoint(owners):
                continue
            new = item is None
            if item is None:
                item = LeadItem(lead, self.look)
                self.leads[lead.id] = item
                self.addItem(item)
            item.phases = lead.from_.endswith(".motor") or lead.to.endswith(".motor")
            item.signed = self._source_end(lead)
            if new or item.lead != lead or not moved.isdisjoint(owners):
                self._lay(item, lead)
                laid.update(owners)
            item.lead = lead
        for id_ in laid | moved:
            part = self.parts.get(id_)
            if part is not None and part.part.kind in CANS:
                self._orient(part)

    def _shift(self, deck: str) -> Point:
        return shift_of(self.frame_item.frame, deck, self.spread)

    def set_spread(self, spread: float) -> None:
        """Draw the decks apart, 0 to 1; nothing of the build changes."""
        self.spread = spread
        self.frame_item.set_spread(spread, {i.part.deck for i in self.parts.values()})
        for part in self.parts.values():
            part.set_shift(self._shift(part.part.deck))
        for board in self.boards.values():
            board.setPos(*self._shift(board.escs[0].part.deck))
        for item in self.leads.values():
            self._lay(item, item.lead)
        for part in self.parts.values():
            if part.part.kind in CANS:
                self._orient(part)
        self._find_see_through()
        self.handles.refresh(self.parts)

    def joined(self, a: str, b: str) -> bool:
        """Whether a lead runs between two parts."""
        return any(
            {self.leads[i].lead.from_.partition(".")[0], self.leads[i].lead.to.partition(".")[0]}
            == {a, b}
            for i in self._attached.get(a, ())
        )

    def _bends(self, lead: Lead) -> tuple[list[Point], float]:
        """The bends as drawn while decks are spread, and what the way is longer by then."""
        ends = [self.parts.get(a.partition(".")[0]) for a in (lead.from_, lead.to)]
        shifts = [item.shift if item is not None else (0.0, 0.0) for item in ends]
        if shifts[0] == shifts[1] == (0.0, 0.0):
            return list(lead.via), 0.0
        count = len(lead.via) + 1
        bends = []
        for k, (x, y) in enumerate(lead.via, 1):
            (ax, ay), (bx, by) = shifts
            t = k / count
            bends.append((x + ax + t * (bx - ax), y + ay + t * (by - ay)))
        pads = [self.pad(lead.from_), self.pad(lead.to)]
        if pads[0] is None or pads[1] is None:
            return bends, 0.0
        drawn = [pads[0], *bends, pads[1]]
        real = [
            (pads[0][0] - shifts[0][0], pads[0][1] - shifts[0][1]),
            *lead.via,
            (pads[1][0] - shifts[1][0], pads[1][1] - shifts[1][1]),
        ]
        return bends, way_length(drawn) - way_length(real)

    def _lay(self, item: LeadItem, lead: Lead) -> None:
        bends, stretched = self._bends(lead)
        way = [self.pad(lead.from_), *bends, self.pad(lead.to)]
        points: list[Point] = [p for p in way if p is not None]
        if len(points) < 2:
            x, y = points[0] if points else (0.0, 0.0)
            points = [(x, y), (x, y + _LOOSE_MM)]
        length, copper, spacing, twist = self._values(lead)
        if length is not None:
            length += stretched
        self._laid.add(lead.id)
        item.setVisible(not self._within_board(lead))
        item.lay(
            lead,
            points,
            length_mm=length,
            copper_mm=copper,
            spacing_mm=spacing,
            twist_mm=twist,
            zoom=self.zoom,
            hidden_mm=(
                self._hidden(lead.from_, points[0], points[1]),
                self._hidden(lead.to, points[-1], points[-2]),
            ),
        )

    def _hidden(self, address: str, pad: Point, towards: Point) -> float:
        """How far a lead runs under the part it ends on, mm."""
        item = self.parts.get(address.partition(".")[0])
        distance = hypot(towards[0] - pad[0], towards[1] - pad[1])
        if item is None or distance < 1e-6:
            return 0.0
        here, there = item.mapFromScene(*pad), item.mapFromScene(*towards)
        dx, dy = (there.x() - here.x()) / distance, (there.y() - here.y()) / distance
        body = item.body
        out = [distance]
        if abs(dx) > 1e-9:
            out.append(((body.right() if dx > 0 else body.left()) - here.x()) / dx)
        if abs(dy) > 1e-9:
            out.append(((body.bottom() if dy > 0 else body.top()) - here.y()) / dy)
        return max(0.0, min(out))

    def _source_end(self, lead: Lead) -> str:
        """The end of a lead that is at a pack or a supply."""
        for end, address in (("from", lead.from_), ("to", lead.to)):
            item = self.parts.get(address.partition(".")[0])
            if item is not None and item.part.kind in SOURCES:
                return end
        return ""

    def _within_board(self, lead: Lead) -> bool:
        """Whether a lead is copper of a board: between its pads and one of its outputs."""
        ends = {lead.from_.partition(".")[0], lead.to.partition(".")[0]}
        return any(ends <= set(board.ids) for board in self.boards.values())

    def _values(self, lead: Lead) -> tuple[float | None, ...]:
        """Length, copper, spacing and twist of a lead in mm, read once per change."""
        kept = self._lead_values.get(lead.id)
        if kept is not None and kept[0] == lead:
            return kept[1]
        if kept is not None and _longer_or_shorter(kept[0], lead) and kept[1][0] is not None:
            # In every frame of a drag: the rest need not be read again.
            values = (length_mm(lead), *kept[1][1:])
            self._lead_values[lead.id] = (lead, values)
            return values
        from sim.build import resolve_lead

        values: tuple[float | None, ...] = (None, None, None, None)
        try:
            read = resolve_lead(lead)
        except SimError:
            pass
        else:
            si = [read.optional(name) for name in ("length", "gauge", "spacing", "twist_pitch")]
            if lead.length is None and lead.gauge is None:
                si[1] = None
            values = tuple(None if v is None else v * 1e3 for v in si)
        self._lead_values[lead.id] = (lead, values)
        return values

    def _orient(self, item: PartItem) -> None:
        """Turn a can so that its stripe meets the black leg."""
        towards = None
        for id_ in self._attached.get(item.part.id, ()):
            lead = self.leads[id_]
            at_start = lead.lead.from_.partition(".")[0] == item.part.id
            x, y = lead.minus_side(at_start)
            towards = degrees(atan2(y, x))
            break
        if towards != item.minus_towards:
            item.minus_towards = towards
            item.update()

    def set_zoom(self, zoom: float) -> None:
        """Pixels per mm: thin leads keep a width that can be seen."""
        if abs(zoom - self.zoom) < 1e-9:
            return
        self.zoom = zoom
        for item in self.leads.values():
            self._lay(item, item.lead)

    # Places

    def room_of(self, leads: Iterable[str]) -> QRectF:
        """What is taken up by leads (those that there are) and what is drawn over them, mm."""
        area = QRectF()
        for id_ in leads:
            item = self.leads.get(id_)
            if item is not None:
                area = area.united(item.sceneBoundingRect())
        return area.adjusted(-20, -20, 20, 20)

    def pad(self, address: str) -> Point | None:
        """Where an address is, in mm; None if there is no such part."""
        owner, _, port = address.partition(".")
        item = self.parts.get(owner)
        return item.pad(port) if item is not None else None

    def content(self) -> QRectF:
        """What should be seen at first: frame without propellers, and all parts."""
        rect = self.frame_item.core if self.frame_item.frame.motors else QRectF()
        for item in self.parts.values():
            rect = rect.united(item.scene_box)
        if self.spread:
            rect = rect.united(self.frame_item.spread_rect())
        return rect if not rect.isNull() else self.frame_item.core

    def wired(self) -> QRectF:
        """All parts but motors: where the supply runs."""
        rect = QRectF()
        for item in self.parts.values():
            if item.part.kind != "motor":
                rect = rect.united(item.mapRectToScene(item.body))
        return rect if not rect.isNull() else self.content()

    def part_at(self, place: QPointF, slack_mm: float = 0.0) -> PartItem | None:
        """The topmost part at a place; a small one wins over the board beneath it."""
        r = max(slack_mm, 1e-3)
        rect = QRectF(place.x() - r, place.y() - r, 2 * r, 2 * r)
        found = [
            item
            for item in self.items(rect, Qt.ItemSelectionMode.IntersectsItemShape)
            if isinstance(item, PartItem) and not item.ghost
        ]
        return found[0] if found else None

    def lead_at(self, place: QPointF, slack_mm: float) -> LeadItem | None:
        """The nearest lead within `slack_mm`, else None."""
        r = slack_mm + 4.0
        rect = QRectF(place.x() - r, place.y() - r, 2 * r, 2 * r)
        best, best_distance = None, slack_mm
        for item in self.items(rect, Qt.ItemSelectionMode.IntersectsItemBoundingRect):
            if isinstance(item, LeadItem) and not item.ghost and item.isVisible():
                distance, _ = item.distance((place.x(), place.y()))
                if distance <= best_distance:
                    best, best_distance = item, distance
        return best

    def reading_order(self) -> list[str]:
        """Ids of parts and leads as Tab goes through them: front to rear, then leads."""
        parts = sorted(self.parts.values(), key=lambda i: (round(i.pos().y() / 15.0), i.pos().x()))
        leads = [i for i in self.leads.values() if i.isVisible()]
        return [i.part.id for i in parts] + [i.lead.id for i in leads]

    def middle_of(self, id_: str) -> QPointF:
        """Where a part or lead is, in mm."""
        item = self.parts.get(id_)
        if item is not None:
            return item.pos()
        lead = self.leads.get(id_)
        return QPointF(*halfway(lead.course.points)) if lead is not None else QPointF()

    def riders(self, id_: str) -> list[str]:
        """Ceramics that lie on a part and move with it."""
        host = self.parts.get(id_)
        if host is None or host.part.kind not in ("esc", "joint"):
            return []
        return [
            other.part.id
            for other in self.parts.values()
            if other is not host
            and other.part.kind == "ceramic"
            and host.shape().contains(host.mapFromScene(other.pos()))
        ]

    # Pads to pull leads from

    def show_pads(self, id_: str) -> None:
        """Show the pull handles of a part; "" hides them."""
        self.handles.show_for(self.parts.get(id_))

    def handle_at(self, place: QPointF, slack_mm: float) -> str:
        """The address whose shown handle is at a place, "" if none is."""
        return self.handles.address_at(place, slack_mm)

    # States

    def set_figures(self, answer: Any) -> None:
        """Take the figures of an answer."""
        self.figures = figures(answer)
        for id_, item in self.parts.items():
            figure = self.figures.get(id_)
            before = item.figure.verdict if item.figure else ""
            item.figure = figure
            # (what it reads is painted when its words are laid out)
            if (figure.verdict if figure else "") != before:
                item.update()

    def set_chosen(self, ids: tuple[str, ...]) -> None:
        """Outline what is selected."""
        for id_ in set(self.chosen) ^ set(ids):
            item = self.parts.get(id_) or self.leads.get(id_)
            if item is not None:
                item.chosen = id_ in ids
                item.raise_up() if isinstance(item, LeadItem) else item.update()
        self.chosen = ids

    def check_fit(self) -> tuple[Misfit, ...]:
        """Find what does not fit, and outline it."""
        self.misfits = misfits(self)
        crowded = {i for m in self.misfits for i in m.ids}
        for id_, item in self.parts.items():
            if item.crowded != (id_ in crowded):
                item.crowded = id_ in crowded
                item.update()
        return self.misfits

    def set_hovered(self, id_: str) -> None:
        """Strengthen what the pointer is on; "" for nothing."""
        if id_ == self._hovered:
            return
        for old in (self._hovered, id_):
            item = self.parts.get(old) or self.leads.get(old)
            if item is not None:
                item.hovered = old == id_
                item.update()
        self._hovered = id_

    def set_marked(self, marks: dict[str, str]) -> None:
        """Outline what a sentence is about: id to sentence."""
        self.marked = marks
        self._set_marks()

    def _set_marks(self) -> None:
        for items in (self.parts, self.leads):
            for id_, item in items.items():
                marked = id_ in self.marked
                if marked != item.marked:
                    item.marked = marked
                    item.update()
        for id_ in self.chosen:
            found = self.parts.get(id_) or self.leads.get(id_)
            if found is not None and not found.chosen:
                found.chosen = True
                found.update()

    def repaint_all(self) -> None:
        """After a change of palette or type size."""
        for item in self.items():
            item.prepareGeometryChange()
            item.update()

    def words(self, id_: str) -> str:
        """All there is to say on hover, as plain lines."""
        if self.build is None:
            return ""
        item = self.parts.get(id_)
        if item is not None:
            lines = [item.facts.name]
            if item.facts.summary and item.facts.summary != item.facts.name:
                lines.append(item.facts.summary)
            lines.append(f"{item.facts.measures}, {item.part.deck} deck")
            figure = self.figures.get(id_)
            if figure is not None:
                lines.append(figure.text + (f", {figure.verdict}" if figure.verdict else ""))
            if id_ in self.marked:
                lines.append(self.marked[id_])
            lines += [m.words for m in self.misfits if id_ in m.ids]
            return "\n".join(lines)
        lead = self.leads.get(id_)
        if lead is None:
            return ""
        lines = [lead_name(self.build, lead.lead), lead_summary(lead.lead)]
        lines += ring_words(self.build, lead.lead)
        if lead.course.slack_mm > 1.0:
            lines.append(f"{lead.course.slack_mm:.0f} mm longer than its way")
        elif lead.course.slack_mm < -1.0:
            lines.append(f"{-lead.course.slack_mm:.0f} mm shorter than its way")
        if id_ in self.marked:
            lines.append(self.marked[id_])
        return "\n".join(lines)


def _stands_as(before: Part, part: Part) -> bool:
    """Whether a part is of the same kind in the same place, so that its leads may stay."""
    # (leads within a board are not drawn)
    there = (before.kind, before.at, before.deck, before.turn, before.values.get("board"))
    return there == (part.kind, part.at, part.deck, part.turn, part.values.get("board"))


def _kept(old: Facts, part: Part) -> Facts:
    """Facts of a part that only moved or was renamed."""
    from dataclasses import replace

    from app.wiring.facts import part_name

    return replace(old, name=part_name(part))


def _placed(part: Part, count: int) -> Part:
    """A part without a place gets one in a row beside the frame."""
    from msgspec.structs import replace

    return replace(part, at=(-120.0 + 40.0 * (count % 7), -20.0 + 40.0 * (count // 7)))


def _text(given: Any) -> str:
    return str(getattr(given, "value", given))


def _longer_or_shorter(before: Lead, lead: Lead) -> bool:
    """Whether nothing but the length and the way of a lead has changed."""
    from msgspec.structs import replace

    return replace(before, length=lead.length, via=lead.via) == lead


def _has_values(lead: Lead) -> bool:
    return any(v is not None for v in (lead.length, lead.resistance, lead.inductance))

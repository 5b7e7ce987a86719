"""Whose words stand beside it on the canvas, what they say, and where they go."""

from __future__ import annotations

from math import hypot
from typing import TYPE_CHECKING, Any

from app.wiring.facts import CAPACITORS, ROUND, SOURCES, Figure, lead_name, lead_summary
from app.wiring.geometry import halfway, heading
from app.wiring.label_item import LabelItem
from app.wiring.label_layout import Body, Box, Wanted, lay_out
from app.wiring.room_words import room_words

if TYPE_CHECKING:
    from collections.abc import Set as AbstractSet

    from app.wiring.board_item import BoardItem
    from app.wiring.geometry import Point
    from app.wiring.lead_item import LeadItem
    from app.wiring.part_item import PartItem
    from app.wiring.scene import WiringScene

#: More words than this cannot be read; the rest is on hover and in the outline.
_MOST_LABELS = 40
#: Before the name of a board, which is no id.
_BOARD = "board:"


class Labels:
    """The labels of one scene."""

    def __init__(self, scene: WiringScene) -> None:
        self._scene = scene
        self.items: dict[str, LabelItem] = {}
        self._choices: dict[str, int] = {}
        self._worded: AbstractSet[str] = frozenset()
        #: Figures come one after the other: words keep the room that they once needed.
        self._live = False
        #: Some have more room than they need by now.
        self._put_off = False
        #: Another number whenever words or their places may be others: of what keeps its
        #: size in pixels the scene does not say that it has changed.
        self.version = 0

    def lay_out(self, room: Box, to_pixels: Any, blocked: list[Box]) -> None:
        """Place the words beside the parts.

        Parameters
        ----------
        room : the visible area in pixels
        to_pixels : function from a place in mm to pixels
        blocked : areas in pixels that are taken
        """
        self.version += 1
        # once a drag rests all is placed by the size it has then
        self._put_off = self._live
        wanted, anchors = self._wanted(to_pixels)
        bodies = [
            self._body(id_, to_pixels)
            for id_, item in self._scene.parts.items()
            if not item.see_through
        ]
        bodies += [self._body(_BOARD + name, to_pixels) for name in self._scene.boards]
        lines = [
            ([to_pixels(*p) for p in item.course.points], item.pair_mm * self._scene.zoom)
            for item in self._scene.leads.values()
            if item.isVisible()
        ]
        signs = [to_pixels(*p) for item in self._scene.leads.values() for p in item.signs()]
        blocked = [*blocked, *((x - 8.0, y - 8.0, x + 8.0, y + 8.0) for x, y in signs)]
        # Words of what is out of sight would only fight over the edge.
        seen = [w for w in wanted if room[0] < w.body.x < room[2] and room[1] < w.body.y < room[3]]
        placed = lay_out(seen, bodies, lines, room, blocked, self._choices)
        for id_ in [i for i in self.items if i not in placed]:
            self._scene.removeItem(self.items.pop(id_))
        for id_, place in placed.items():
            self._choices[id_] = place.choice
            x, y = anchors[id_]
            self.items[id_].setPos(x, y)
            self.items[id_].put(place, to_pixels(x, y))

    def _body(self, id_: str, to_pixels: Any) -> Body:
        """Outline in pixels of a part, a board or the middle of a lead."""
        item = self._scene.parts.get(id_)
        if item is not None:
            w, d = item.size_mm
            x, y = to_pixels(item.pos().x(), item.pos().y())
            round_, scale = item.part.kind in ROUND, self._scene.zoom / 2
            return Body(x, y, w * scale, d * scale, item.part.turn, round_)
        board = self._scene.boards.get(id_.removeprefix(_BOARD))
        if board is not None:
            x, y = to_pixels(board.rect.center().x(), board.rect.center().y())
            scale = self._scene.zoom / 2
            return Body(x, y, board.rect.width() * scale, board.rect.height() * scale)
        lead = self._scene.leads[id_]
        points = lead.course.points
        x, y = to_pixels(*halfway(points))
        # Words may stand anywhere along the middle half.
        along = hypot(points[-1][0] - points[0][0], points[-1][1] - points[0][1]) / 4
        wide = max(lead.pair_mm / 2 * self._scene.zoom, 5.0)
        return Body(x, y, max(along * self._scene.zoom, 5.0), wide, heading(points[0], points[-1]))

    def refresh(self, *, live: bool = False) -> bool:
        """New figures into the labels there are; True if they need new places.

        `live`: the next ones come at once. Finding places takes longer than all else that
        an answer does, so words that became shorter stay where they are meanwhile.
        """
        self.version += 1
        self._live = live
        words = self._label_words()
        others = words.keys() != self._worded
        sized = [
            label
            for id_, (name, figure, verdict) in words.items()
            if (label := self.items.get(id_)) is not None and label.set_words(name, figure, verdict)
        ]
        if live and not others and all(label.fits for label in sized):
            self._put_off |= bool(sized)
            return False
        return others or bool(sized) or self._put_off

    def follow(self, ids: tuple[str, ...]) -> None:
        """Labels of parts that are being dragged go along."""
        self.version += 1
        for id_ in ids:
            label, item = self.items.get(id_), self._scene.parts.get(id_)
            if label is not None and item is not None:
                label.setPos(item.pos())

    def _wanted(self, to_pixels: Any) -> tuple[list[Wanted], dict[str, Point]]:
        words = self._label_words()
        self._worded = words.keys()
        middle = self._scene.frame_item.core.center()
        wanted: list[Wanted] = []
        anchors: dict[str, Point] = {}
        for id_ in [i for i in self.items if i not in words]:
            self._scene.removeItem(self.items.pop(id_))
        for id_, (name, figure, verdict) in words.items():
            label = self.items.get(id_)
            if label is None:
                label = LabelItem(self._scene.look)
                self.items[id_] = label
                self._scene.addItem(label)
            label.set_words(name, figure, verdict)
            item = self._scene.parts.get(id_)
            board = self._scene.boards.get(id_.removeprefix(_BOARD))
            if item is not None:
                x, y = item.pos().x(), item.pos().y()
            elif board is not None:
                x, y = board.rect.center().x(), board.rect.center().y()
            else:
                x, y = halfway(self._scene.leads[id_].course.points)
            dx, dy = x - middle.x(), (y - middle.y()) * 0.5
            far = (dx * dx + dy * dy) ** 0.5
            outward = (dx / far, dy / far) if far > 3.0 else (1.0, 0.0)
            anchors[id_] = (x, y)
            size = label.room() if self._live else label.size()
            wanted.append(Wanted(id_, self._body(id_, to_pixels), size, outward))
        return wanted, anchors

    def _label_words(self) -> dict[str, tuple[str, str, str]]:
        """Whose words stand beside it, most important first: name, figure, verdict."""
        out: dict[str, tuple[str, str, str]] = {}
        worst = self._worst()
        on_boards = {i for board in self._scene.boards.values() for i in board.ids}
        shared: dict[tuple[str, str], list[str]] = {}
        told_elsewhere = self._told_elsewhere()
        for id_, item in self._scene.parts.items():
            figure = self._scene.figures.get(id_)
            bad = figure is not None and figure.verdict in ("close", "over")
            asked = id_ in self._scene.chosen
            kind = item.part.kind
            name = item.facts.name
            text = figure.text if figure else item.facts.summary
            verdict = figure.verdict if figure else ""
            if id_ in self._scene.marked:
                if asked or id_ not in told_elsewhere:
                    out[id_] = (name, self._scene.marked[id_], "over")
                continue
            if kind == "motor" and not (bad or asked):
                continue
            if item.on_board and not asked:
                continue
            if kind in CAPACITORS and not bad:
                if kind == "ceramic" and not asked and self._lies_on(item):
                    continue
                shared.setdefault((kind, item.facts.summary), []).append(id_)
                continue
            if item.see_through and not (bad or asked):
                text = ""
            if kind in SOURCES:
                text = item.facts.summary
            if id_ in self._scene.bypassed:
                name, text = f"{name}, bypassed", ""
            # a room reads names beside the parts, in one size
            inside = ("", "")
            if self._scene.room is None:
                inside = item.fits_inside(self._scene.zoom, name, text)
            told = bool(inside[0] and inside[1] == text)
            if kind == "joint":
                told |= not asked and bool(inside[0] or id_ in on_boards)
            elif kind in ("camera", "flight_controller", "receiver"):
                told |= bool(inside[0]) and not (bad or asked)
            # Its name stands once: inside the outline or beside it.
            inside = inside if told else ("", "")
            if inside != item.inside:
                item.inside = inside
                item.update()
            if told:
                continue
            if id_ == worst:
                name = f"{name}, worst"
            out[id_] = (name, text, verdict)
        for (_, summary), ids in shared.items():
            ids.sort(
                key=lambda i: (
                    i not in self._scene.chosen,
                    self._scene.parts[i].pos().y(),
                    -self._scene.parts[i].pos().x(),
                )
            )
            shown = [i for i in ids if i in self._scene.chosen] or ids[:1]
            for id_ in shown:
                name = self._scene.parts[id_].facts.name
                if len(ids) > 1 and id_ not in self._scene.chosen:
                    name = name.rstrip("0123456789 ")
                out[id_] = (name, summary, "")
        for name, board in self._scene.boards.items():
            figure = self._board_figure(board)
            board.verdict = figure.verdict if figure else ""
            out[_BOARD + name] = (
                f"{name} board",
                figure.text if figure else "",
                figure.verdict if figure else "",
            )
        for id_, lead in self._scene.leads.items():
            if id_ in self._scene.marked:
                out[id_] = ("This lead", self._scene.marked[id_], "over")
            elif lead.isVisible() and (id_ in self._scene.chosen or self._is_main(lead)):
                out[id_] = (self._lead_title(lead), lead_summary(lead.lead), "")
        if self._scene.room is not None:
            return room_words(self._scene, out, self._scene.room)
        order = {"over": 0, "close": 1}
        ranked = sorted(
            out.items(), key=lambda kv: (order.get(kv[1][2], 2), kv[0] not in self._scene.chosen)
        )
        return dict(ranked[:_MOST_LABELS])

    def _told_elsewhere(self) -> set[str]:
        """Marked motors and capacitors whose sentence stands beside another part, too.

        With its supply gone half a frame has one sentence; they are outlined all the same.
        """
        parts, marked = self._scene.parts, self._scene.marked
        small = {i for i in marked if i in parts and parts[i].part.kind in {"motor", *CAPACITORS}}
        said = {marked[i] for i in marked if i in parts and i not in small}
        return {i for i in small if marked[i] in said}

    def _worst(self) -> str:
        """The ESC that uses most of its limit, where there are several to choose from."""
        used = {
            id_: self._scene.figures[id_].used
            for id_, item in self._scene.parts.items()
            if item.part.kind == "esc"
            and not item.on_board
            and id_ in self._scene.figures
            and self._scene.figures[id_].verdict
        }
        if len(used) < 2:
            return ""
        worst = max(used, key=used.__getitem__)
        # Alike to the last figure shown, none is worse than the others.
        same = {self._scene.figures[id_].text for id_ in used}
        return worst if len(same) > 1 else ""

    def _board_figure(self, board: BoardItem) -> Figure | None:
        """The figure of a board is that of its worst output."""
        known = self._scene.figures
        found = [known[e.part.id] for e in board.escs if e.part.id in known]
        return max(found, key=lambda f: f.used, default=None)

    def _lies_on(self, item: PartItem) -> bool:
        """Whether a small part lies on a board or an ESC and needs no words of its own."""
        place = item.pos()
        if any(board.rect.contains(place) for board in self._scene.boards.values()):
            return True
        return any(
            other.part.kind == "esc" and other.shape().contains(other.mapFromScene(place))
            for other in self._scene.parts.values()
        )

    def _is_main(self, lead: LeadItem) -> bool:
        """Leads of the pack are labelled unasked: theirs is the length that matters."""
        ends = (lead.lead.from_.partition(".")[0], lead.lead.to.partition(".")[0])
        parts = self._scene.parts
        return any(i in parts and parts[i].part.kind in SOURCES for i in ends)

    def _lead_title(self, lead: LeadItem) -> str:
        if self._is_main(lead) or self._scene.build is None:
            return "Leads"
        return lead_name(self._scene.build, lead.lead)

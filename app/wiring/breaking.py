"""Break it: while X is held a touched part is broken; let go and it is whole again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, Qt, QTimer

from app.spoken import announce
from app.wiring.break_list import BreakList
from app.wiring.facts import lead_name, part_name, place_name
from app.words import of_limit
from sim import breaks
from sim.errors import SimError
from sim.option_list import add_like
from sim.options import apply, through_option

if TYPE_CHECKING:
    from app.solver.protocol import RatingRow
    from app.wiring.view import FrameView
    from sim.breaks import Break
    from sim.build import Build, Option

_WORSE = 0.02
_MOST_SAID = 3
#: The first way, the second...; no part has more.
DIGITS = (Qt.Key.Key_1, Qt.Key.Key_2, Qt.Key.Key_3, Qt.Key.Key_4, Qt.Key.Key_5)
#: A release that a press follows sooner than this is a held key that repeats.
_REPEAT_MS = 90
#: So near to where a part came off a press is meant for it, mm.
_STILL_MM = 10.0


class Breaking:
    """What is broken now, if anything. The document itself is never touched.

    X held, and a part touched: it breaks in the plainest way, and a list beside it has the
    others, for the mouse or for digits and arrows; touched again it breaks in the next.
    With a part selected, X alone breaks it, and Tab goes on to the next part. Shift
    with X keeps it broken until X or Escape, for hands that cannot hold a key. Enter
    keeps what is seen as an option.
    """

    def __init__(self, view: FrameView) -> None:
        self.view = view
        #: X is held, or latched.
        self.armed = False
        self._latched = False
        self.id = ""
        #: Where it was, mm: it may be gone from the picture.
        self.place = QPointF()
        self._touched = QPointF()
        self._told = ""
        self.ways: tuple[Break, ...] = ()
        self._way = 0
        self._whole: dict[str, RatingRow] = {}
        self._asked_before = 0
        self._up = QTimer(view, singleShot=True, interval=_REPEAT_MS)
        self._up.timeout.connect(self._really_up)
        self.list = BreakList(view.look, view)
        self.list.chosen.connect(self._show)
        self.list.keep_wanted.connect(self.keep)
        bench = view.workbench
        bench.answer_changed.connect(self._say)
        bench.problem_changed.connect(self._say)

    @property
    def way(self) -> Break | None:
        """How the thing is broken now."""
        return self.ways[self._way] if self.ways else None

    # Keys

    def press(self, latch: bool) -> None:
        """X went down; again and again where the system repeats a held key as presses."""
        if self._up.isActive():
            self._up.stop()
            return
        if self.armed and not self._latched:
            return
        if self._latched:
            self.let_go()
            return
        self.armed, self._latched = True, latch
        chosen = self.view.workbench.selection
        if len(chosen) == 1:
            self.touch(chosen[0])
        else:
            self.view.viewport().setCursor(Qt.CursorShape.ForbiddenCursor)
            self.view.say("Touch what is to break. Let go of X and it is whole again.")

    def release(self) -> None:
        """X came up, or the system repeats it: that is known a little later."""
        self._up.start()

    def _really_up(self) -> None:
        if not self._latched:
            self.let_go()

    def key(self, key: Qt.Key) -> bool:
        """A key while X is held; True if it was used."""
        if key in (Qt.Key.Key_Right, Qt.Key.Key_Down) and self.id:
            self._show(self._way + 1)
        elif key in (Qt.Key.Key_Left, Qt.Key.Key_Up) and self.id:
            self._show(self._way - 1)
        elif key in DIGITS and self.id:
            if DIGITS.index(key) < len(self.ways):
                self._show(DIGITS.index(key))
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self.id:
            self.keep()
        elif key == Qt.Key.Key_Escape:
            self.let_go()
        else:
            return False
        return True

    # Breaking

    def touch_at(self, place: QPointF, id_: str) -> None:
        """A press at a place; what came off there before is what is meant again."""
        near = min((place - p).manhattanLength() for p in (self.place, self._touched))
        if self.id and near < _STILL_MM:
            id_ = self.id
        self._touched = place
        self.touch(id_)

    def touch(self, id_: str) -> None:
        """Break a part or lead; the same again breaks it in its next way."""
        if id_ and id_ == self.id:
            self._show(self._way + 1)
            return
        self.mend()
        if not id_:
            return
        shown = self.view.workbench.shown_build
        self.ways = breaks.ways(shown, id_)
        if not self.ways:
            self.view.say(self._why_not(id_), bad=True)
            return
        self._remember_whole()
        self.id, self.place = id_, self.view.scene_.middle_of(id_)
        self._show(0)

    def _why_not(self, id_: str) -> str:
        """What has no way to break is copper: pads, and a part that the option bypasses."""
        name = place_name(self.view.workbench.shown_build, id_)
        if id_ in self.view.scene_.bypassed:
            return f"{name} is bypassed in this option: there is nothing to break."
        return f"{name} cannot break: touch a part or a lead."

    def let_go(self) -> None:
        """All is whole again."""
        self._up.stop()
        was = self.armed
        self.armed = self._latched = False
        self.mend()
        if was:
            self.view.viewport().unsetCursor()
            self.view.say("")

    def keep(self) -> None:
        """What is seen becomes an option of its own: a case, never called best."""
        bench, way = self.view.workbench, self.way
        if way is None:
            return
        name = f"{self._name()} {way.words}"
        try:
            broken = apply(*self._broken_document())
        except SimError as error:
            self.view.say(str(error), bad=True)
            return
        self.mend()
        build, index = add_like(bench.build, broken, name[:1].upper() + name[1:], what_if=True)
        bench.do(f"Keep as an option: {name}", build)
        bench.set_option(index)
        self.armed = self._latched = False
        self.view.viewport().unsetCursor()
        self.view.say("Kept as an option. Whole again in the others.")

    def _show(self, way: int) -> None:
        self._way = way % len(self.ways)
        try:
            document = self._broken_document()[0]
        except SimError as error:
            self.view.say(str(error), bad=True)
            return
        # The part that came off stays in sight where it was: it is what this is about.
        bench = self.view.workbench
        self._asked_before = 0 if bench.answer is None else bench.answer.request_id
        bench.preview(document)
        self._say()

    def _broken_document(self) -> tuple[Build, Option | None]:
        """The document with the present option broken, and that option."""
        bench, way = self.view.workbench, self.way
        assert way is not None
        document = through_option(
            bench.build,
            bench.option,
            lambda b: breaks.broken(b, self.id, way.way),
            only_here=True,
        )
        option = None if bench.option is None else document.options[bench.option]
        return document, option

    def mend(self) -> None:
        """What is broken is whole again; X is still held."""
        self.list.hide()
        if self.id:
            self.id, self.ways, self._way = "", (), 0
            self.view.workbench.preview(None)

    # Words

    def _name(self) -> str:
        bench = self.view.workbench
        whole = apply(bench.build, _present(bench.build, bench.option))
        part = whole.part(self.id)
        if part is not None:
            return part_name(part)
        lead = whole.lead(self.id)
        return self.id if lead is None else f"the lead {lead_name(whole, lead)}"

    def _remember_whole(self) -> None:
        """What every limit reads while nothing is broken."""
        bench = self.view.workbench
        if bench.answer is not None and not bench.stale:
            self._whole = {
                f"{part.id} {rating.name}": rating
                for part in bench.answer.parts
                for rating in part.ratings
            }

    def _say(self) -> None:
        way = self.way
        if way is None:
            return
        name = self._name()
        text = f"{name[:1].upper()}{name[1:]} {way.words}."
        dead = self._dead()
        if dead:
            text += f" Dead: {', '.join(dead)}."
        bench = self.view.workbench
        # Not one thing on its own but the whole build has no answer: it has lost its supply.
        problem = bench.problem
        nothing = problem is not None and not problem.marks and problem.compared
        if problem is not None and nothing:
            whole = problem.where in (bench.shown_build.name, "the build")
            subject = "the build " if whole else ""
            text += f"\nNothing works: {subject}{problem.what}."
        answered = (
            not nothing
            and bench.answer is not None
            and bench.answer.request_id > self._asked_before
            and not bench.stale
        )
        if answered:
            text += "".join(f"\n{line}" for line in self._worse()) or (
                "" if dead else "\nNo limit minds."
            )
        self.view.say("")
        if text != self._told:
            announce(self.view, text, urgent=True)
        self.view.said = self._told = text
        self.list.show_ways(
            self.view.mapFromScene(self.place),
            [w.words for w in self.ways],
            self._way,
            text,
            latched=self._latched,
            bad=nothing or bool(dead),
        )

    def _dead(self) -> list[str]:
        """Names of what no supply reaches any more, the broken thing itself left out."""
        problem = self.view.workbench.problem
        if problem is None or self.view.workbench.stale:
            return []
        shown = self.view.workbench.shown_build
        names = []
        for id_ in dict.fromkeys(i for i, _ in problem.marks):
            part = shown.part(id_)
            if part is not None and id_ != self.id and part.kind != "joint":
                names.append(part_name(part))
        return names

    def _worse(self) -> list[str]:
        """What reads clearly worse than before, the worst first."""
        answer = self.view.workbench.answer
        if answer is None:
            return []
        found = []
        for part in answer.parts:
            for rating in part.ratings:
                before = self._whole.get(f"{part.id} {rating.name}")
                if before is None or before.used is None or rating.used is None:
                    continue
                if rating.used > before.used + _WORSE:
                    found.append((rating.used, part.id, before, rating))
        found.sort(key=lambda row: row[0], reverse=True)
        shown = self.view.workbench.shown_build
        lines = []
        for _, id_, before, rating in found[:_MOST_SAID]:
            thing = shown.part(id_)
            name = id_ if thing is None else part_name(thing)
            was = "?" if before.value is None else f"{before.value:.1f}"
            lines.append(f"{name}: {was} → {of_limit(rating)}, {rating.verdict}")
        if len(found) > _MOST_SAID:
            lines.append(f"and {len(found) - _MOST_SAID} more")
        return lines


def _present(build: Build, option: int | None) -> Option | None:
    return None if option is None else build.options[option]

"""What runs in the solver process: requests in, answers in stages out.

First the curves and figures of the present picture, then the option to compare
with, then all options over all events. A newer request ends any stage.
"""

from __future__ import annotations

import gc
import importlib
import os
import platform
import signal
import threading
import traceback
from collections import OrderedDict
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import msgspec

from app.solver import rows
from app.solver.memory import give_back, hold_little, hold_much, leave_code_generator
from app.solver.protocol import (
    Curves,
    Done,
    Fault,
    Ghost,
    Moved,
    Progress,
    ReadyForNext,
    Request,
)
from app.solver.reading import Reading
from app.solver.warm import Warm
from sim.api import Detail, cells_over_timings, prepare
from sim.build import dumps, events_of
from sim.errors import Cancelled, SimError, Swings
from sim.findings import Card, card_of, cells_of, conclude
from sim.machine_code import leave_linear_algebra, leave_unread
from sim.options import apply
from sim.salvage import Salvage, salvage, without
from sim.threads import side_by_side, stopped_by

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from multiprocessing.connection import Connection

    from app.solver.protocol import CellRow, Message, Zoom
    from sim.build import Build
    from sim.findings import Cell
    from sim.solution import Solution

# How long a worker waits for a message before it looks whether the kernels are compiled.
_IDLE_S = 0.2
# ESC timings tried for the worst and the typical.
TIMINGS = 16
# Solutions kept, 25 to 50 MB each: what is shown and its ghost; and the last of a drag.
_KEPT = 2
# Limits read off solutions, kept far longer: they are small.
_KEPT_CELLS = 400


def main(connection: Connection, newest: Any, zooms: Any, engine_name: str) -> None:
    """Serve requests until the pipe closes.

    `newest` holds the id of the request that is wanted (-1: none), `zooms` how
    many zooms were sent; both are shared with the window.
    """
    # Ctrl+C in a terminal is for the window, which then closes the pipe.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # The window first: solving takes all cores, and its timers fired 23 ms late beside it, now 13.
    with suppress(AttributeError, OSError):
        os.nice(10)
    hold_little()
    leave_unread()
    leave_linear_algebra()
    desk = _Desk(connection, newest, zooms, importlib.import_module(engine_name))
    try:
        _serve(desk, connection)
    finally:
        desk.close()


def _serve(desk: _Desk, connection: Connection) -> None:
    while True:
        try:
            while not connection.poll(_IDLE_S):
                desk.idle()
            message = connection.recv()
        except (EOFError, OSError):
            return
        if message is None:
            return
        try:
            if isinstance(message, Request):
                desk.serve(message)
            else:
                desk.zoom(message)
        except (BrokenPipeError, ConnectionError):
            return


@dataclass
class _Cells:
    """Limits of one option and event, and whether its start is stable."""

    cells: list[Cell]
    stable: bool


class _Desk:
    """The requests, one after the other, and the solutions kept."""

    def __init__(self, connection: Connection, newest: Any, zooms: Any, engine: Any) -> None:
        self._connection = connection
        self._newest = newest
        self._zooms = zooms
        self._zooms_seen = 0
        self._engine = engine
        self._kept: OrderedDict[bytes, Solution] = OrderedDict()
        self._dragged = b""
        self._cells: OrderedDict[bytes, _Cells] = OrderedDict()
        self._present: rows.Solved | None = None
        self._ghost: rows.Solved | None = None
        self._last: Request | None = None
        self._salvaged: tuple[Build, dict[tuple[int | None, int], Salvage]] | None = None
        self._keys: tuple[Build, dict[tuple[int | None, int], bytes]] | None = None
        self.warm = Warm()
        self._reading = Reading()
        self._holds_much = False
        # kernels came, and are read in as they are called for the first time
        self._reads_kernels = False
        # the comparison told last is on averages for want of kernels
        self._on_averages = False
        # the request that was answered twice last
        self._again = -1
        # answers of a drag are sent from the thread that reads them
        self._sending = threading.Lock()

    def close(self) -> None:
        """Let go of threads and processes."""
        self._reading.close()
        self.warm.close()

    def idle(self) -> None:
        """Nothing is asked: once the kernels are there, answer the last request again with them.

        And compare again what was compared on averages for want of them, whatever was asked since.
        """
        last = self._last
        if last is None:
            return
        old = self._on_averages and not last.live
        due = old and self.warm.ready and last.id != self._again
        if self._kernels_came() or due:
            # (once: where it cannot be solved it would go on for ever)
            self._again = last.id
            self.serve(msgspec.structs.replace(last, findings=last.findings or old))

    def _kernels_came(self) -> bool:
        """Whether the kernels became ready since last asked."""
        if not self.warm.finished_now():
            return False
        # Libraries stay: looking through all of theirs at each collection takes 3 % of a drag.
        gc.freeze()
        self._reads_kernels = True
        return True

    def serve(self, request: Request) -> None:
        """All stages of one request, then `Done`; of a drag the last may go on beside."""
        cancelled, beside = False, False
        self._last = request
        stages: list[tuple[str, Callable[[Request], object]]] = [("curves", self._curves)]
        if self._only_a_drag(request):
            stages = [("curves", self._curves_beside)]
            self._hold_much()
        else:
            self._reading.wait()
            self._hold_little()
        if request.ghost:
            stages.append(("ghost", self._ghosts))
        if request.variants:
            stages.append(("curves", self._variants))
        if request.findings:
            stages.append(("findings", self._findings))
        for stage, run in stages:
            try:
                # (zooms are answered between the parts of a run, not within them)
                with stopped_by(lambda: bool(self._newest.value != request.id)):
                    beside = run(request) is True
            except Cancelled:
                cancelled = True
                break
            except SimError as error:
                self._send(_fault(request, error, stage))
                break
            except Exception:
                # The last line of defence: whatever it is, the user gets a
                # sentence and a report to copy, and the process goes on.
                self._send(_bug(request, stage))
                break
            if self._reads_kernels:
                self._reads_kernels = False
                leave_code_generator()
        if not beside:
            self._send(Done(request.id, cancelled))

    def _hold_much(self) -> None:
        """A drag begins or goes on."""
        if not self._holds_much:
            self._holds_much = True
            hold_much()

    def _hold_little(self) -> None:
        """A drag is over, if there was one."""
        if self._holds_much:
            self._holds_much = False
            hold_little()
            give_back()

    def zoom(self, zoom: Zoom) -> None:
        """Curves of the last solutions over another window.

        It may come in the midst of a request; that a newer one is wanted does not end it.
        """
        with stopped_by(None):
            self._zoomed(zoom)

    def _zoomed(self, zoom: Zoom) -> None:
        # (it reads the same run)
        self._reading.wait()
        self._zooms_seen += 1
        if self._present is None:
            return
        ghost = self._ghost if zoom.columns else None
        present = self._present
        cursors = zoom.cursors
        self._send(
            Curves(
                zoom.id,
                zoom.window,
                rows.curves(present, zoom.window, zoom.columns, truth=zoom.truth)
                if zoom.columns
                else (),
                ()
                if ghost is None
                else rows.curves(ghost, zoom.window, zoom.columns, truth=zoom.truth),
                () if cursors is None else rows.between(present, cursors, truth=zoom.truth),
                rows.edges(present, zoom.window) if zoom.columns else (),
            )
        )
        with suppress(Cancelled):
            self._look_closer(present, zoom)

    def _look_closer(self, present: rows.Solved, zoom: Zoom) -> None:
        """What takes longer: bands of frequency, and other views.

        Raises
        ------
        Cancelled   if another zoom or request has come
        """

        def cancelled() -> bool:
            return bool(self._zooms.value != self._zooms_seen or self._newest.value != zoom.id)

        if zoom.laying is not None:
            from app.solver.laying import laid

            row = laid(present, zoom.laying, zoom.id, truth=zoom.truth)
            if row is not None:
                self._send(row)
        if zoom.moments:
            from app.solver.moments import moments

            self._send(moments(present, zoom.window, zoom.id, cancelled))
        if zoom.flows:
            from app.solver.across import flows

            self._send(flows(present, zoom.window, zoom.id, cancelled))
        if zoom.view != "time":
            # Its libraries are read in only when somebody looks.
            from app.solver.across import across

            self._send(across(present, zoom.view, zoom.window, zoom.id, cancelled))
        if zoom.cursors is not None:
            between = rows.between(
                present, zoom.cursors, bands=True, cancelled=cancelled, truth=zoom.truth
            )
            self._send(Curves(zoom.id, zoom.window, (), (), between, ()))

    def _curves(self, request: Request) -> None:
        """The picture asked for; the first of all by averages, until the kernels are read in.

        While something is dragged there is no time to follow stores that fade: they stay as they
        are at the start. With ceramics that lose capacitance that is also the first answer.
        """
        if self.warm.ready:
            first = request.live or _bias_matters(request.build)
            solution = self._picture(request, follow=not first)
            if first and not request.live and solution.stores != "steady":
                self._picture(request)
            return
        swings: Swings | None = None
        try:
            self._picture(request)
        except Swings as error:
            # averages would take longer than every edge: that is then the first answer
            swings = error
        # it is out: now there is time to look for kernels, or to compile them
        self.warm.begin()
        there = self._kernels_came()
        if not _chops(request.build):
            return
        if there:
            self._picture(request)
        elif not request.live:
            # numpy serves meanwhile: seconds for what the kernels do in tenths
            self._picture(request, "edges")
        elif swings is not None:
            raise swings

    def _only_a_drag(self, request: Request) -> bool:
        """There is nothing but curves to answer, and they come from the kernels."""
        more = request.variants or request.findings
        return request.live and not more and self.warm.ready and _chops(request.build)

    def _curves_beside(self, request: Request) -> bool:
        """The picture of a drag, read off beside what comes next; True if the reader says `Done`.

        What is broken is answered before the next is begun: its sentences come right behind.
        """
        present = self._solved_whole(request)
        self._reading.wait()
        if present is None:
            self._curves(request)
            return False
        self._ghost, self._present = None, present
        present.look_at(None if request.goal is None else request.goal.place)
        self._send(ReadyForNext(request.id))
        self._reading.begin(partial(self._read, request, present))
        # (a hand that goes on moving ends the solving of the ghost)
        return not request.ghost

    def _solved_whole(self, request: Request) -> rows.Solved | None:
        """The picture of a build taken for whole; None where it is not, or cannot be solved.

        To look first costs as much as a part of the solving, which sees it, too.
        """
        option, event = request.option, request.event
        self._salvaged = request.build, {(option, event): Salvage(request.build, ())}
        try:
            return self._solve(request, option, event, seed=request.timing, follow=False)
        except Cancelled:
            raise
        except SimError:
            self._salvaged = None
            return None

    def _read(self, request: Request, present: rows.Solved) -> None:
        """Answer a request of a drag, whether or not a newer one is being solved."""
        try:
            answer = rows.answer(present, request, lambda: False)
            self._send(msgspec.structs.replace(answer, compiling=self.warm.busy))
        except (BrokenPipeError, ConnectionError):
            return
        except SimError as error:
            self._send(_fault(request, error, "curves"))
        except Exception:
            self._send(_bug(request, "curves"))
        if not request.ghost:
            self._send(Done(request.id, cancelled=False))

    def _picture(
        self, request: Request, detail: Detail | None = None, *, follow: bool = True
    ) -> Solution:
        self._ghost = None
        seed = request.timing
        present = self._solve(request, request.option, request.event, detail, seed, follow=follow)
        self._present = present
        present.look_at(None if request.goal is None else request.goal.place)
        answer = rows.answer(present, request, self._cancelled(request))
        self._send(msgspec.structs.replace(answer, compiling=self.warm.busy))
        faults = self._mended(request.build, request.option, request.event).faults
        if faults:
            first = faults[0]
            also = tuple((fault.where, fault.what) for fault in faults)
            self._send(
                Fault(
                    request.id,
                    type(first).__name__,
                    first.where,
                    first.what,
                    first.hint,
                    "curves",
                    also=also,
                )
            )
        return present.solution

    def _ghosts(self, request: Request) -> None:
        option = request.ghost[0]
        ghost = self._solve(request, option, request.event, seed=request.timing)
        self._reading.wait()
        self._ghost = ghost
        self._ghost.look_at(None if request.goal is None else request.goal.place)
        window = request.window or (0.0, self._ghost.solution.duration_s)
        if not request.live:
            rows.read_tips(self._ghost, self._cancelled(request))
        drawn = rows.curves(self._ghost, window, request.columns, truth=request.truth)
        self._send(Ghost(request.id, option, drawn))

    def _findings(self, request: Request) -> None:
        """All options over all events, from kept cells where there are any.

        The event that is shown comes first, at one ESC timing, and is answered at once; then
        all events at all timings. Without kernels both are averaged. Only what a newer request
        leaves undone is done again: a comparison that was stopped half-way goes on where it was.
        """
        events = events_of(request.build)
        shown = request.event
        order = [shown, *(i for i in range(len(events)) if i != shown)]
        chopping = _chops(request.build)
        detail: Detail = "edges" if self.warm.ready and chopping else "averaged"
        self._on_averages = chopping and detail == "averaged"
        most = TIMINGS if detail == "edges" else 1
        # where nothing chops one run is all there is, whatever the detail
        still = {i for i, event in enumerate(events) if event.kind == "plug_in"}
        rounds = [([shown], 1)] if len(events) > 1 or (most > 1 and shown not in still) else []
        rounds.append((order, most))
        cost = {i: 1 if i in still else most for i in order}
        options = _options(request.build)
        done, total = 0, len(options) * (len(rounds) - 1 + sum(cost.values()))
        failed: dict[str, SimError] = {}
        told = 0.0
        for among, timings in rounds:
            found: dict[str, _Cells] = {}
            if timings > 1:
                chops = [event for event in among if event not in still]
                told = self._over_timings_ahead(
                    request, options, chops, detail, timings, (done, total)
                )
            for event in among:
                of: tuple[Detail, int] = ("averaged", 1) if event in still else (detail, timings)
                if of[1] == 1:
                    self._solve_ahead(request, options, event, of[0])
                for option, name in options:
                    one = found.setdefault(name, _Cells([], True))
                    try:
                        cells = self._cells_of(request, option, event, name, *of)
                    except Cancelled:
                        raise
                    except SimError as error:
                        # the others are held against each other all the same
                        failed.setdefault(name, error)
                        done += of[1]
                        continue
                    one.cells.extend(cells.cells)
                    one.stable &= cells.stable
                    done += of[1]
                    # (what was solved ahead has been told)
                    if done / total > told:
                        self._send(Progress(request.id, min(done / total, 1.0)))
            if len(failed) == len(options):
                raise next(iter(failed.values()))
            every = [
                cell for name, one in found.items() if name not in failed for cell in one.cells
            ]
            cases = {option.name for option in request.build.options if option.what_if}
            cards = [
                card_of(
                    name,
                    every,
                    stable=one.stable,
                    what_if=name in cases,
                    why=self._left_out(request.build, option, among),
                )
                if name not in failed
                else Card(
                    name,
                    None,
                    None,
                    what_if=name in cases,
                    solved=False,
                    why=(str(failed[name]),),
                )
                for (name, one), (option, _) in zip(found.items(), options, strict=True)
            ]
            only = "" if len(among) == len(events) else events[shown].name
            concluded = conclude(request.build.name, every, cards, detail, timings, only=only)
            self._send(rows.findings(concluded, request.id, whole=(among, timings) == rounds[-1]))
        for name, error in list(failed.items())[:1]:
            what = f"{error.what}, under the option {name!r}"
            self._send(
                Fault(request.id, type(error).__name__, error.where, what, error.hint, "findings")
            )
        give_back()
        leave_code_generator()

    def _solve_ahead(
        self,
        request: Request,
        options: list[tuple[int | None, str]],
        event: int,
        detail: Detail,
    ) -> None:
        """Limits of all options that are not known yet, at one ESC timing, side by side."""

        def keep(key: bytes, build: Build, option: int | None, name: str) -> None:
            solution = self._engine.solve(
                build,
                event=event + 1,
                option=None if option is None else option + 1,
                detail=detail,
                cancelled=cancelled,
                seed=0,
                follow=False,
            )
            # at once: what is stopped half-way goes on where it was
            self._cells[key] = _Cells(cells_of(name, solution, cancelled), solution.stable)

        def tried(key: bytes, build: Build, option: int | None, name: str) -> None:
            try:
                keep(key, build, option, name)
            except Cancelled:
                raise
            except SimError:
                # said where its limits are asked for
                return

        def cancelled() -> bool:
            # zooms are answered in the thread that owns the pipe
            return bool(self._newest.value != request.id)

        works: dict[bytes, Callable[[], None]] = {}
        for option, name in options:
            try:
                build = self._mended(request.build, option, event).build
                bare = self._key(build, option, event)
            except SimError:
                # said where its limits are asked for
                continue
            key = bare + f"{detail} 1".encode()
            # (what is on the screen is solved, and its limits are read)
            if key not in self._cells and self._run_key(bare, detail, 0) not in self._kept:
                works[key] = partial(tried, key, build, option, name)
        side_by_side(list(works.values()), self._heard(request))
        _trim(self._cells, _KEPT_CELLS)

    def _over_timings_ahead(
        self,
        request: Request,
        options: list[tuple[int | None, str]],
        events: list[int],
        detail: Detail,
        timings: int,
        progress: tuple[int, int],
    ) -> float:
        """Limits over all ESC timings that are not known yet, options and events side by side.

        Not the timings of one: what a case needs once would leave the other cores idle.
        progress : runs done before, and all there are. Returns the share done that was told.
        """
        finished = 0

        def cancelled() -> bool:
            return bool(self._newest.value != request.id)

        def keep(key: bytes, build: Build, option: int | None, event: int, name: str) -> None:
            nonlocal finished
            try:
                case = prepare(build, event + 1, None if option is None else option + 1)
                seeds = range(timings if case.chops else 1)
                cells = cells_over_timings(case, name, detail, seeds, cancelled, together=False)
            except Cancelled:
                raise
            except SimError:
                # said where its limits are asked for
                return
            self._cells[key] = _Cells(cells, case.stable)
            finished += timings

        works: dict[bytes, Callable[[], None]] = {}
        # the longest first, or it is what a core does alone at the end
        fading = {option: _fades(request.build, option) for option, _ in options}
        for option, name in sorted(options, key=lambda one: not fading[one[0]]):
            for event in events:
                try:
                    build = self._mended(request.build, option, event).build
                    key = self._key(build, option, event) + f"{detail} {timings}".encode()
                except SimError:
                    continue
                if key not in self._cells:
                    works[key] = partial(keep, key, build, option, event, name)
        heard = self._heard(request)
        done, total = progress
        told = 0

        def meanwhile() -> None:
            nonlocal told
            heard()
            if finished > told:
                told = finished
                self._send(Progress(request.id, min((done + told) / total, 1.0)))

        side_by_side(list(works.values()), meanwhile)
        _trim(self._cells, _KEPT_CELLS)
        return (done + told) / total

    def _variants(self, request: Request) -> None:
        """The worst figure of the present option, as it is and with one value moved."""
        edges = self.warm.ready and _chops(request.build)
        how: tuple[Detail, int] = ("edges" if edges else "averaged", 1)
        found: list[CellRow | None] = []
        for build in (request.build, *request.variants):
            one = msgspec.structs.replace(request, build=build)
            name = "" if request.option is None else build.options[request.option].name
            try:
                every = [
                    self._cells_of(one, request.option, event, name, *_detail(each.kind, how))
                    for event, each in enumerate(events_of(build))
                ]
            except Cancelled:
                raise
            except SimError:
                if build is request.build:
                    raise
                found.append(None)
                continue
            cells = [cell for part in every for cell in part.cells]
            found.append(rows.worst(name, cells, all(part.stable for part in every)))
        self._send(Moved(request.id, found[0], found[1], found[2], how[0]))

    def _cells_of(
        self,
        request: Request,
        option: int | None,
        event: int,
        name: str,
        detail: Detail,
        timings: int,
    ) -> _Cells:
        build = self._mended(request.build, option, event).build
        key = self._key(build, option, event) + f"{detail} {timings}".encode()
        if key not in self._cells:
            self._cells[key] = self._new_cells(request, option, event, name, detail, timings)
            _trim(self._cells, _KEPT_CELLS)
        self._cells.move_to_end(key)
        found = self._cells[key]
        # (what an option is called is not solved anew)
        return _Cells([replace(cell, option=name) for cell in found.cells], found.stable)

    def _new_cells(
        self,
        request: Request,
        option: int | None,
        event: int,
        name: str,
        detail: Detail,
        timings: int,
    ) -> _Cells:
        build = self._mended(request.build, option, event).build
        if timings == 1:
            # (a first word, or one of several held against each other; all timings then follow)
            solved = self._solve(request, option, event, detail, follow=False)
            # Beside this thread, so that a reading is told to stop in the midst of it. What is
            # read may be on the screen: zooms, which read it too, wait until it is done.
            reading = [partial(cells_of, name, solved.solution)]
            (cells,) = side_by_side(reading, self._heard(request, zooms=False))
            return _Cells(cells, solved.solution.stable)
        case = prepare(build, event + 1, None if option is None else option + 1)
        seeds = range(timings if case.chops else 1)
        # zooms are answered here, in the thread that owns the pipe, not in those that solve
        cells = cells_over_timings(
            case,
            name,
            detail,
            seeds,
            cancelled=lambda: self._newest.value != request.id,
            meanwhile=self._heard(request),
        )
        return _Cells(cells, case.stable)

    def _solve(
        self,
        request: Request,
        option: int | None,
        event: int,
        detail: Detail | None = None,
        seed: int = 0,
        *,
        follow: bool = True,
    ) -> rows.Solved:
        # (a plug-in has no edges)
        still = events_of(request.build)[event].kind == "plug_in" or not _chops(request.build)
        wanted = "averaged" if still else detail or ("edges" if self.warm.ready else "averaged")
        build = self._mended(request.build, option, event).build
        key = self._run_key(self._key(build, option, event), wanted, seed, follow=follow)
        if key not in self._kept:
            solution = self._engine.solve(
                build,
                event=event + 1,
                option=None if option is None else option + 1,
                detail=wanted,
                cancelled=self._cancelled(request),
                seed=seed,
                follow=follow,
            )
            # of a drag only the last, and none once it is over: no other is asked for again
            self._kept.pop(self._dragged, None)
            self._dragged = key if request.live else b""
            self._kept[key] = solution
            _trim(self._kept, _KEPT + bool(self._dragged))
        elif key == self._dragged and not request.live:
            # where nothing fades, letting go asks for the very run that was dragged to
            self._dragged = b""
        self._kept.move_to_end(key)
        slack_v = max(request.slack, rows.LIVE_SLACK_V) if request.live else 0.0
        return rows.Solved(self._kept[key], build, option, event, slack_v)

    def _run_key(self, bare: bytes, detail: Detail, seed: int, *, follow: bool = False) -> bytes:
        """What a run is kept by: where nothing fades, followed or not is the same."""
        keys = {on: bare + f"{detail} {seed} {on}".encode() for on in (follow, not follow)}
        other = self._kept.get(keys[not follow])
        steady = other is not None and other.stores == "steady"
        return keys[not follow] if steady and keys[follow] not in self._kept else keys[follow]

    def _mended(self, build: Build, option: int | None, event: int) -> Salvage:
        """The build without what cannot be solved under an option, and why not.

        Raises
        ------
        SimError   if nothing is left to solve
        """
        if self._salvaged is None or self._salvaged[0] is not build:
            self._salvaged = (build, {})
        kept = self._salvaged[1]
        if (option, event) not in kept:
            kept[option, event] = salvage(build, option, events_of(build)[event])
        return kept[option, event]

    def _left_out(self, build: Build, option: int | None, events: Iterable[int]) -> tuple[str, ...]:
        """What an option breaks, and why."""
        faults = (fault for e in events for fault in self._mended(build, option, e).faults)
        return tuple(dict.fromkeys(map(without, faults)))

    def _key(self, build: Build, option: int | None, event: int) -> bytes:
        """All that a solution depends on: other options, clips and events are none of it."""
        if self._keys is None or self._keys[0] is not build:
            self._keys = (build, {})
        kept = self._keys[1]
        if (option, event) not in kept:
            chosen = None if option is None else build.options[option]
            bare = msgspec.structs.replace(
                apply(build, chosen), options=(), clips=(),
                events=(events_of(build)[event],),
            )  # fmt: skip
            kept[option, event] = msgspec.msgpack.encode(bare)
        return kept[option, event]

    def _cancelled(self, request: Request) -> Callable[[], bool]:
        def cancelled() -> bool:
            # Asked at every right-hand side, so a zoom need not wait for a long
            # comparison: only zooms are ever sent to a worker that is busy.
            if self._zooms.value != self._zooms_seen and self._connection.poll():
                self.zoom(self._connection.recv())
            return self._newest.value != request.id

        return cancelled

    def _heard(self, request: Request, *, zooms: bool = True) -> Callable[[], None]:
        """Asked while threads work: answers zooms, raises `Cancelled` once a newer request is in.

        The threads then hear of it by the flag they share, and not when each asks by itself.
        """
        answers = self._cancelled(request)

        def heard() -> None:
            if answers() if zooms else self._newest.value != request.id:
                raise Cancelled("run", "stopped for a newer request")

        return heard

    def _send(self, message: Message) -> None:
        with self._sending:
            self._connection.send(message)


def _detail(kind: str, how: tuple[Detail, int]) -> tuple[Detail, int]:
    """Where nothing chops there is nothing to tell apart."""
    return ("averaged", 1) if kind == "plug_in" else how


def _chops(build: Build) -> bool:
    return any(part.kind == "esc" for part in build.parts)


def _bias_matters(build: Build) -> bool:
    """There are ceramics whose capacitance goes with their voltage: following them takes longer."""
    return any("half_voltage" in part.values for part in build.parts)


def _fades(build: Build, option: int | None) -> bool:
    """Ceramics or coils that fade are in an option: where they move, runs take thrice as long."""
    try:
        parts = build.parts if option is None else apply(build, build.options[option]).parts
    except SimError:
        return False
    return any({"half_voltage", "saturation_current"} & part.values.keys() for part in parts)


def _options(build: Build) -> list[tuple[int | None, str]]:
    """Every option's index and name; the build as drawn where there are none."""
    options: list[tuple[int | None, str]] = [(i, o.name) for i, o in enumerate(build.options)]
    return options or [(None, "As drawn")]


def _trim(kept: OrderedDict[bytes, Any], most: int) -> None:
    while len(kept) > most:
        kept.popitem(last=False)


def _fault(request: Request, error: SimError, stage: str) -> Fault:
    return Fault(request.id, type(error).__name__, error.where, error.what, error.hint, stage)


def _bug(request: Request, stage: str) -> Fault:
    report = "\n".join(
        (
            f"Rippletree, {stage} of event {request.event + 1}, option {request.option}",
            f"Python {platform.python_version()}, {platform.platform()}",
            traceback.format_exc(),
            dumps(request.build).decode(),
        )
    )
    return Fault(
        request.id,
        "",
        "",
        "the solver met a fault of the program",
        "The build is safe. Copy the report and send it to us",
        stage,
        report,
    )

"""The solver process: newest request wins, faults come back as sentences, nothing hangs."""

from __future__ import annotations

import itertools
import os
import statistics
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from app.solver import rows
from app.solver.client import SolverClient
from app.solver.process import SolverProcess
from app.solver.protocol import (
    Answer,
    Curves,
    Done,
    Fault,
    FindingsRow,
    Ghost,
    ReadyForNext,
    Request,
    Zoom,
)
from app.solver.worker import _Desk
from sim import api
from sim.build import Build, Change, Event, Option, load, loads
from sim.threads import stopped_by

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from pytestqt.qtbot import QtBot

THREADS_BEFORE = os.environ.get("OPENBLAS_NUM_THREADS")

# A pack, a lead and a capacitor: solved in milliseconds.
SMALL = b"""{"format": "rippletree-build", "version": 1, "name": "Plug and capacitor",
 "parts": [
  {"id": "pack", "kind": "battery", "values": {"cells": 4, "open_circuit_voltage": "16 V",
    "cell_resistance": "5 mOhm"}},
  {"id": "pads", "kind": "joint"},
  {"id": "cap", "kind": "electrolytic", "values": {"capacitance": "470 uF", "esr": "35 mOhm",
    "rated_voltage": "35 V"}}],
 "leads": [{"id": "main", "from": "pack.out", "to": "pads", "resistance": "2 mOhm",
    "inductance": "80 nH"}, {"id": "on_pads", "from": "cap", "to": "pads"}],
 "options": [{"name": "As bought", "changes": []},
             {"name": "Larger", "changes": [{"set": "cap.capacitance", "value": "1 mF"}]}],
 "events": [{"name": "Plug in", "kind": "plug_in", "duration": "300 us"}],
 "clips": [{"tip": "pads"}, {"tip": "pads", "ground": "pack.out"}]}"""

# Stands in for the engine; what it does is chosen by the build's notes.
ENGINE = """
import os, time
from pathlib import Path
import sim
from sim.errors import Cancelled, SimError, Swings

def solve(build, *, cancelled, **how):
    notes = build.notes
    if notes == "patient":
        while not cancelled():
            time.sleep(0.001)
        raise Cancelled("", "stopped")
    if notes == "slow":
        until = time.monotonic() + 0.3
        while time.monotonic() < until:
            if cancelled():
                raise Cancelled("", "stopped")
            time.sleep(0.001)
    if notes.startswith("stuck "):
        Path(notes.removeprefix("stuck ")).touch()
        time.sleep(3600)
    if notes == "crash":
        os._exit(3)
    if notes == "bug":
        raise ZeroDivisionError("of our own")
    if notes == "threads":
        raise SimError("threads", os.environ.get("OPENBLAS_NUM_THREADS", "not set"), "hint")
    if notes == "swings" and how["detail"] == "averaged":
        raise Swings("lc", "a swing grows by itself", "Solve every edge")
    with open(os.path.join(os.path.dirname(__file__), "solved"), "a") as log:
        log.write("s")
    return sim.solve(build, cancelled=cancelled, **how)
"""


@pytest.fixture
def small() -> Build:
    return loads(SMALL)


def noted(build: Build, notes: str) -> Build:
    from msgspec.structs import replace

    return replace(build, notes=notes)


@pytest.fixture
def client(qtbot: QtBot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SolverClient]:
    (tmp_path / "stand_in_engine.py").write_text(ENGINE)
    monkeypatch.syspath_prepend(str(tmp_path))
    made = SolverClient(engine="stand_in_engine")
    yield made
    made.close()


class Inbox:
    """Messages of a client, and waiting for one of them."""

    def __init__(self, qtbot: QtBot, client: SolverClient) -> None:
        self.qtbot = qtbot
        self.client = client
        self.got: list[Any] = []
        client.message.connect(self.got.append)

    def wait(self, wanted: Callable[[Any], bool]) -> Any:
        for message in self.got:
            if wanted(message):
                return message
        with self.qtbot.waitSignal(
            self.client.message, timeout=120_000, check_params_cb=wanted
        ) as signal:
            pass
        return signal.args[0]


@pytest.fixture
def inbox(qtbot: QtBot, client: SolverClient) -> Inbox:
    return Inbox(qtbot, client)


def test_an_answer_comes_in_stages(client: SolverClient, inbox: Inbox, small: Build) -> None:
    client.request(Request(id=7, build=small, option=0, ghost=(1,), columns=200))
    findings = inbox.wait(lambda m: isinstance(m, FindingsRow))
    assert [type(m) for m in inbox.got] == [Answer, Ghost, FindingsRow]
    answer, ghost, _ = inbox.got
    assert {m.request_id for m in inbox.got} == {7}
    curve = answer.curves[0]
    assert (len(curve.t), len(curve.low), len(curve.high)) == (201, 200, 200)
    # Printed and drawn are the same figure.
    assert curve.high.max() == pytest.approx(curve.peak, rel=1e-6)
    # The larger capacitor takes longer to fill.
    assert ghost.curves[0].high[20] < curve.high[20]
    assert [(limit.label, limit.value) for limit in curve.limits] == [("voltage limit", 35.0)]
    assert [card.option for card in findings.cards] == ["As bought", "Larger"]
    assert findings.best is not None


def test_a_ghost_prints_what_is_drawn_of_it(client: SolverClient, inbox: Inbox) -> None:
    rig = load("bench_rig_6s")
    client.request(Request(id=1, build=rig, option=6, ghost=(1,), columns=300, findings=False))
    ghost = inbox.wait(lambda m: isinstance(m, Ghost))
    for curve in ghost.curves:
        assert curve.peak == pytest.approx(curve.high.max(), abs=2e-5)
        assert curve.lowest == pytest.approx(curve.low.min(), abs=2e-5)


def test_newest_request_wins(client: SolverClient, inbox: Inbox, small: Build) -> None:
    for number in range(1, 9):
        client.request(Request(id=number, build=noted(small, "patient"), findings=False))
    client.request(Request(id=9, build=small, findings=False))
    inbox.wait(lambda m: isinstance(m, Answer))
    assert [m.request_id for m in inbox.got] == [9]


def test_superseded_solve_stops_within_100_ms(small: Build, client: SolverClient) -> None:
    """Median of five: another process may hold the core for one of them."""
    process = client._process
    client._closed = True  # its reader thread still runs, and hands on nothing
    took = []
    heard: list[Any] = []
    client._arrived.disconnect()
    client._arrived.connect(lambda _process, message: heard.append(message))
    from PySide6.QtCore import QCoreApplication

    def wait_for_done() -> None:
        until = time.monotonic() + 20
        while not any(isinstance(m, Done) for m in heard) and time.monotonic() < until:
            QCoreApplication.processEvents()
        heard.clear()

    process.send(Request(id=1, build=small, findings=False))
    wait_for_done()
    for number in range(2, 7):
        process.send(Request(id=number, build=noted(small, "patient"), findings=False))
        begin = time.monotonic()
        process.cancel()
        wait_for_done()
        took.append(time.monotonic() - begin)
    client._closed = False
    assert statistics.median(took) < 0.1


def test_requests_of_a_drag_let_each_other_end(
    client: SolverClient, inbox: Inbox, small: Build
) -> None:
    slow = noted(small, "slow")
    client.request(Request(id=1, build=slow, findings=False, live=True))
    for number in range(2, 6):
        client.request(Request(id=number, build=noted(small, "slow"), findings=False, live=True))
    inbox.wait(lambda m: isinstance(m, Answer) and m.request_id == 5)
    # The first was not stopped, those between were never started.
    assert [m.request_id for m in inbox.got] == [1, 5]


def test_work_the_solver_does_again_by_itself_shows_its_progress(
    client: SolverClient, small: Build, qtbot: QtBot
) -> None:
    """As where the kernels have come, and what was compared on averages is compared with them."""
    told: list[bool | float] = []
    client.busy_changed.connect(told.append)
    client.progress.connect(told.append)
    client._process.send(Request(id=1, build=small))
    qtbot.waitUntil(lambda: told[-1:] == [False], timeout=20_000)
    assert not client.busy
    shares = told[1:-1]
    assert told[0] is True
    assert shares == sorted(shares)
    assert 0.0 < shares[0] < shares[-1] <= 1.0


def _until(there: Callable[[], bool]) -> None:
    """Wait while the window's thread does nothing at all, as if it painted all the time."""
    until = time.monotonic() + 20
    while not there() and time.monotonic() < until:
        time.sleep(0.002)
    assert there()


def test_the_next_request_does_not_wait_for_the_window(
    client: SolverClient, inbox: Inbox, small: Build
) -> None:
    slow = noted(small, "slow")
    client.request(Request(id=1, build=slow, findings=False, live=True))
    for number in (2, 3):
        client.request(Request(id=number, build=slow, findings=False, live=True))
    _until(lambda: client._running is not None and client._running.id == 3)
    client.request(Request(id=4, build=small, findings=False, live=True))
    inbox.wait(lambda m: isinstance(m, Answer) and m.request_id == 4)
    assert [m.request_id for m in inbox.got] == [1, 3, 4]
    inbox.qtbot.waitUntil(lambda: not client.busy, timeout=20_000)


def test_one_that_was_passed_on_and_is_stuck_is_ended_too(
    client: SolverClient, inbox: Inbox, small: Build, tmp_path: Path
) -> None:
    """The end of the one before comes to the window late, and says nothing of this one."""
    client.request(Request(id=1, build=noted(small, "slow"), findings=False, live=True))
    mark = tmp_path / "stuck"
    stuck = noted(small, f"stuck {mark}")
    client.request(Request(id=2, build=stuck, findings=False, live=True))
    _until(mark.exists)
    client.request(Request(id=3, build=small, findings=False))
    inbox.wait(lambda m: isinstance(m, Answer) and m.request_id == 3)


def test_letting_go_stops_the_drag(client: SolverClient, inbox: Inbox, small: Build) -> None:
    client.request(Request(id=1, build=noted(small, "patient"), findings=False, live=True))
    client.request(Request(id=2, build=small, findings=False))
    assert inbox.wait(lambda m: isinstance(m, Answer)).request_id == 2


def test_zoom_is_read_off_the_kept_solution(
    client: SolverClient, inbox: Inbox, small: Build
) -> None:
    client.request(Request(id=1, build=small, findings=False))
    whole = inbox.wait(lambda m: isinstance(m, Answer)).curves[0]
    client.zoom(Zoom(id=1, window=(1e-6, 2e-6), columns=50))
    closer = inbox.wait(lambda m: isinstance(m, Curves)).curves[0]
    assert closer.t[0] == pytest.approx(1e-6)
    assert closer.t[-1] == pytest.approx(2e-6)
    assert whole.low.min() <= closer.low.min() <= closer.high.max() <= whole.high.max()


def test_zoom_does_not_wait_for_a_long_solve(
    client: SolverClient, inbox: Inbox, small: Build
) -> None:
    client.request(Request(id=1, build=small, findings=False))
    inbox.wait(lambda m: isinstance(m, Answer))
    client.request(Request(id=2, build=noted(small, "patient"), findings=False))
    client.zoom(Zoom(id=1, window=(0.0, 1e-5), columns=50))
    inbox.wait(lambda m: isinstance(m, Curves))
    assert client.busy


def test_an_error_comes_back_as_its_fields(
    client: SolverClient, inbox: Inbox, small: Build
) -> None:
    from msgspec.structs import replace

    free = replace(small, leads=small.leads[1:])
    client.request(Request(id=1, build=free))
    fault = inbox.wait(lambda m: isinstance(m, Fault))
    assert fault.kind == "Unjoined"
    assert fault.where
    assert fault.what
    assert not fault.report
    client.request(Request(id=2, build=small, findings=False))
    inbox.wait(lambda m: isinstance(m, Answer) and m.request_id == 2)


def test_an_option_that_cannot_be_solved_leaves_the_others_compared(
    client: SolverClient, inbox: Inbox, small: Build
) -> None:
    broken = Option(name="Gone", changes=(Change(set="not_there.esr", value="1 Ohm"),))
    build = msgspec.structs.replace(small, options=(*small.options, broken))
    client.request(Request(id=3, build=build, option=0))
    fault = inbox.wait(lambda m: isinstance(m, Fault))
    (found,) = (m for m in inbox.got if isinstance(m, FindingsRow))
    assert [card.solved for card in found.cards] == [True, True, False]
    assert found.cards[2].verdict is None
    assert found.best in (0, 1)
    assert "Not solved: Gone." in found.sentence
    assert fault.what.endswith("under the option 'Gone'")
    assert fault.stage == "findings"


def test_where_averages_decline_every_edge_answers_first(
    client: SolverClient, inbox: Inbox
) -> None:
    still = Event(name="Still", kind="steady", duration="500 us", duty=0.3)
    build = msgspec.structs.replace(load("board_6s_digital"), notes="swings", events=(still,))
    client.request(Request(id=3, build=build, option=0, findings=False))
    first = inbox.wait(lambda m: isinstance(m, (Answer, Fault)))
    assert isinstance(first, Answer)
    assert first.detail == "edges"


def test_a_fault_of_ours_comes_back_as_a_report(
    client: SolverClient, inbox: Inbox, small: Build
) -> None:
    client.request(Request(id=1, build=noted(small, "bug")))
    fault = inbox.wait(lambda m: isinstance(m, Fault))
    assert fault.kind == ""
    assert "ZeroDivisionError" in fault.report
    assert "ZeroDivisionError" not in fault.what
    client.request(Request(id=2, build=small, findings=False))
    inbox.wait(lambda m: isinstance(m, Answer) and m.request_id == 2)


def test_a_stuck_solver_is_ended_and_started_anew(
    client: SolverClient, inbox: Inbox, small: Build, tmp_path: Path
) -> None:
    before = client.pid
    mark = tmp_path / "stuck"
    client.request(Request(id=1, build=noted(small, f"stuck {mark}"), findings=False))
    end = time.monotonic() + 60.0
    while not mark.exists() and time.monotonic() < end:
        time.sleep(0.01)
    client.request(Request(id=2, build=small, findings=False))
    assert inbox.wait(lambda m: isinstance(m, Answer)).request_id == 2
    assert client.pid != before


def test_a_solver_that_dies_twice_says_so(client: SolverClient, inbox: Inbox, small: Build) -> None:
    client.request(Request(id=1, build=noted(small, "crash"), findings=False))
    fault = inbox.wait(lambda m: isinstance(m, Fault))
    assert fault.kind == ""
    assert fault.report
    client.request(Request(id=2, build=small, findings=False))
    inbox.wait(lambda m: isinstance(m, Answer) and m.request_id == 2)


def test_one_blas_thread_in_the_solver_only(
    client: SolverClient, inbox: Inbox, small: Build
) -> None:
    client.request(Request(id=1, build=noted(small, "threads")))
    assert inbox.wait(lambda m: isinstance(m, Fault)).what == "1"
    assert os.environ.get("OPENBLAS_NUM_THREADS") == THREADS_BEFORE


def test_comparison_goes_on_where_it_was_stopped(
    client: SolverClient, inbox: Inbox, small: Build
) -> None:
    shares: list[float] = []
    client.progress.connect(shares.append)
    client.request(Request(id=1, build=small, option=0))
    inbox.wait(lambda m: isinstance(m, FindingsRow))
    client.request(Request(id=2, build=small, option=1))
    inbox.wait(lambda m: isinstance(m, FindingsRow) and m.request_id == 2)
    assert shares == [0.5, 1.0, 0.5, 1.0]


def test_an_edit_of_one_option_leaves_the_others_solved(
    client: SolverClient, inbox: Inbox, small: Build, tmp_path: Path
) -> None:
    client.request(Request(id=1, build=small, option=0))
    inbox.wait(lambda m: isinstance(m, FindingsRow))
    log = tmp_path / "solved"
    before = log.read_text().count("s")
    first, second = small.options
    change = msgspec.structs.replace(second.changes[0], value="2 mF")
    larger = msgspec.structs.replace(second, name="Twice as large", changes=(change,))
    edited = msgspec.structs.replace(small, options=(first, larger))
    client.request(Request(id=2, build=edited, option=0))
    found = inbox.wait(lambda m: isinstance(m, FindingsRow) and m.request_id == 2)
    assert [card.option for card in found.cards] == ["As bought", "Twice as large"]
    assert log.read_text().count("s") == before + 1
    # another name is no other circuit
    named = msgspec.structs.replace(first, name="As it came")
    client.request(
        Request(id=3, build=msgspec.structs.replace(edited, options=(named, larger)), option=0)
    )
    found = inbox.wait(lambda m: isinstance(m, FindingsRow) and m.request_id == 3)
    assert [cell.option for cell in found.cells if cell.option != larger.name] == ["As it came"] * (
        len(found.cells) // 2
    )
    assert log.read_text().count("s") == before + 1


def test_the_process_ends_with_its_pipe(small: Build) -> None:
    process = SolverProcess()
    process.send(Request(id=1, build=small, findings=False))
    while not isinstance(process.receive(), Done):
        pass
    process.close()
    assert process.exit_code == 0
    assert process.receive() is None


def test_the_window_never_imports_scipy() -> None:
    code = (
        "import sys, app.start, app.scope.scope, app.solver.client;"
        "print(sorted(m for m in sys.modules if m.split('.')[0] in ('scipy', 'numba')))"
    )
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert out.stdout.strip() == "[]"


@pytest.fixture
def desk() -> Iterator[tuple[_Desk, Any, list[Any]]]:
    """The worker's own end with its kernels there, the id that is wanted, and what it sent."""
    sent: list[Any] = []
    pipe: Any = SimpleNamespace(send=sent.append, poll=lambda *_: False)
    newest, zooms = SimpleNamespace(value=1), SimpleNamespace(value=0)
    made = _Desk(pipe, newest, zooms, SimpleNamespace(solve=api.solve))
    made.warm.begin()
    end = time.monotonic() + 300.0
    while not made.warm.finished_now() and time.monotonic() < end:
        time.sleep(0.01)
    yield made, newest, sent
    made.close()


def test_the_next_of_a_drag_is_solved_while_the_last_is_read(
    desk: tuple[_Desk, Any, list[Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reading the first ends only once the second is being solved."""
    at, newest, sent = desk
    second = threading.Event()
    solved: list[str] = []
    read = rows.answer

    def answer(present: rows.Solved, request: Request, cancelled: Callable[[], bool]) -> Answer:
        assert second.wait(30.0) or request.id > 1
        return read(present, request, cancelled)

    def solve(build: Build, **how: Any) -> Any:
        solved.append(build.notes)
        if len(solved) == 2:
            second.set()
        return api.solve(build, **how)

    monkeypatch.setattr(rows, "answer", answer)
    monkeypatch.setattr(at._engine, "solve", solve)
    build = load("arms_4s_analogue")
    for number in (1, 2):
        newest.value = number
        request = Request(id=number, build=noted(build, str(number)), live=True, findings=False)
        at.serve(request)
    newest.value = 3
    at.serve(Request(id=3, build=noted(build, "3"), findings=False))
    assert solved == ["1", "2", "3"]
    kinds = [(type(m), m.request_id) for m in sent if not isinstance(m, ReadyForNext)]
    # in the order of the hand, and what is exact comes last
    assert kinds == [(kind, n) for n in (1, 2, 3) for kind in (Answer, Done)]


def test_a_drag_that_rests_gets_its_ghost(desk: tuple[_Desk, Any, list[Any]]) -> None:
    at, _, sent = desk
    build = load("arms_4s_analogue")
    at.serve(Request(id=1, build=build, option=1, ghost=(0,), live=True, findings=False))
    kinds = [type(m) for m in sent]
    assert kinds == [ReadyForNext, Answer, Ghost, Done]


def test_a_fault_while_a_drag_is_read_is_reported(
    desk: tuple[_Desk, Any, list[Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    at, _, sent = desk

    def broken(*_: object) -> Answer:
        raise ZeroDivisionError("a fault of ours")

    monkeypatch.setattr(rows, "answer", broken)
    at.serve(Request(id=1, build=load("arms_4s_analogue"), live=True, findings=False))
    at.close()
    fault = next(m for m in sent if isinstance(m, Fault))
    assert "a fault of ours" in fault.report
    assert isinstance(sent[-1], Done)


def test_what_is_broken_is_said_in_a_drag(desk: tuple[_Desk, Any, list[Any]]) -> None:
    """A drag takes a build for whole until it is solved; what is left of a broken one is shown."""
    at, newest, sent = desk
    build = load("arms_4s_analogue")
    free = next(p.id for p in build.parts if p.kind == "camera")
    cut = tuple(x for x in build.leads if free not in (x.from_.split(".")[0], x.to.split(".")[0]))
    assert len(cut) < len(build.leads)
    at.serve(
        Request(id=1, build=msgspec.structs.replace(build, leads=cut), live=True, findings=False)
    )
    answer, fault, done = sent
    assert isinstance(answer, Answer)
    assert answer.curves
    assert (fault.kind, fault.where) == ("Unjoined", free)
    assert isinstance(done, Done)
    assert not done.cancelled
    sent.clear()
    newest.value = 2
    at.serve(Request(id=2, build=build, live=True, findings=False))
    at.close()
    assert [type(m) for m in sent] == [ReadyForNext, Answer, Done]


def test_a_comparison_on_averages_is_made_again(desk: tuple[_Desk, Any, list[Any]]) -> None:
    """Once the kernels come, though another option was looked at since, which asks for none."""
    at, newest, sent = desk
    kernels = at.warm
    late = SimpleNamespace(
        ready=False, busy=True, begin=lambda: None, finished_now=lambda: False, close=kernels.close
    )
    at.warm = late  # type: ignore[assignment]
    steady = Event(name="Steady", kind="steady", duration="1 ms", duty=0.5)
    build = load("arms_4s_analogue")
    build = msgspec.structs.replace(build, options=build.options[:2], events=(steady,))
    at.serve(Request(id=1, build=build, option=0))
    newest.value = 2
    at.serve(Request(id=2, build=build, option=1, findings=False))
    at.idle()
    told = [m for m in sent if isinstance(m, FindingsRow)]
    assert {m.detail for m in told} == {"averaged"}
    assert told[-1].whole
    sent.clear()
    late.ready, late.finished_now = True, lambda: True
    at.idle()
    (*_, last) = (m for m in sent if isinstance(m, FindingsRow))
    assert (last.request_id, last.detail, last.whole) == (2, "edges", True)
    sent.clear()
    late.finished_now = lambda: False
    at.idle()
    assert not sent


def test_a_hand_that_moves_gets_answers_in_its_order(qtbot: QtBot) -> None:
    """Of a drag, and then what it was let go at."""
    client = SolverClient()
    inbox = Inbox(qtbot, client)
    build = load("arms_4s_analogue")
    try:
        client.request(Request(id=1, build=build, findings=False))
        inbox.wait(lambda m: isinstance(m, Answer) and not m.compiling and m.detail == "edges")
        # The hand moves until it has been answered three times, however busy the machine is.
        numbers = itertools.count(2)

        def moved() -> bool:
            number = next(numbers)
            client.request(
                Request(id=number, build=noted(build, str(number)), live=True, findings=False)
            )
            return sum(isinstance(m, Answer) and m.live for m in inbox.got) >= 3

        qtbot.waitUntil(moved, timeout=60_000)
        let_go = next(numbers)
        client.request(Request(id=let_go, build=noted(build, "let go"), findings=False))
        inbox.wait(lambda m: isinstance(m, Answer) and m.request_id == let_go)
        qtbot.waitUntil(lambda: not client.busy, timeout=60_000)
    finally:
        client.close()
    *dragged, last = [m for m in inbox.got if isinstance(m, Answer) and m.request_id > 1]
    answered = [m.request_id for m in dragged]
    assert answered == sorted(answered)
    assert all(m.live for m in dragged)
    assert (last.request_id, last.live) == (let_go, False)


def test_a_zoom_in_the_midst_of_what_nobody_waits_for_is_answered(
    desk: tuple[_Desk, Any, list[Any]],
) -> None:
    """It is of what is on the screen, whatever becomes of the request that it came in."""
    at, _, sent = desk
    at.serve(Request(id=1, build=load("arms_4s_analogue"), findings=False))
    sent.clear()
    with stopped_by(lambda: True):
        at.zoom(Zoom(id=1, window=(20e-3, 21e-3), columns=50))
    (curves,) = sent
    assert isinstance(curves, Curves)
    assert curves.window == (20e-3, 21e-3)

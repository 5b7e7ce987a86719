"""Processes of the program's own: what they are told, what both see, and how they end."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from app.solver import child as children
from app.solver.child import Child

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from app.solver.child import Number

# longer than any pipe holds
_MUCH = b"x" * 3_000_000


@pytest.fixture(params=["started", "spawned"])
def _how(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Started directly, and spawned as where open files cannot be handed over."""
    if request.param == "spawned":
        monkeypatch.setattr(children, "_DIRECTLY", False)


def _echo(pipe: Connection, first: Number, second: Number, *arguments: object) -> None:
    """Tell what was told, then follow the numbers."""
    pipe.send((arguments, os.environ.get("RIPPLETREE_SAID"), os.getppid()))
    second.value = 2 * first.value
    pipe.send("done")
    while (word := pipe.recv()) != "stop":
        pipe.send(word)


def _wait(pipe: Connection) -> None:
    pipe.recv()


@pytest.mark.usefixtures("_how")
def test_a_child_is_told_all_and_shares_numbers() -> None:
    child = Child(_echo, ("word", _MUCH), numbers=2, settings={"RIPPLETREE_SAID": "so"})
    first, second = child.numbers
    assert (first.value, second.value) == (0, 0)
    first.value = -21
    # before there is a process
    child.pipe.send("early")
    assert child.pid is None
    assert child.exit_code is None
    child.start()
    assert child.pipe.recv() == (("word", _MUCH), "so", os.getpid())
    assert "RIPPLETREE_SAID" not in os.environ
    assert child.pipe.recv() == "done"
    assert second.value == -42
    assert child.pipe.recv() == "early"
    child.pipe.send("stop")
    assert child.wait(10.0)
    assert child.exit_code == 0
    with pytest.raises(EOFError):
        child.pipe.recv()


def test_a_folder_of_the_same_name_is_not_the_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the user is when he starts the program is his own affair."""
    for name in ("app", "sim"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "__init__.py").write_text("raise SystemExit(3)\n")
    monkeypatch.chdir(tmp_path)
    child = Child(_echo, numbers=2)
    child.start()
    child.pipe.recv()
    assert child.pipe.recv() == "done"
    child.kill()


@pytest.mark.usefixtures("_how")
def test_a_child_is_killed_at_once_and_twice() -> None:
    child = Child(_wait)
    child.start()
    assert not child.wait(0.2)
    child.kill()
    child.kill()
    assert child.exit_code not in (None, 0)


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
def test_a_child_leaves_ctrl_c_to_the_window() -> None:
    child = Child(_echo, numbers=2)
    child.start()
    child.pipe.recv()
    assert child.pipe.recv() == "done"
    assert child.pid is not None
    os.kill(child.pid, signal.SIGINT)
    child.pipe.send("still here")
    assert child.pipe.recv() == "still here"
    child.kill()


def test_one_that_cannot_be_started_ends_its_pipe(monkeypatch: pytest.MonkeyPatch) -> None:
    child = Child(_wait)
    monkeypatch.setattr(sys, "executable", "/no/such/python")
    with pytest.raises(OSError, match="no/such"):
        child.start()
    with pytest.raises(EOFError):
        child.pipe.recv()
    child.kill()


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs Linux to count processes")
def test_a_solver_is_one_process_and_goes_with_the_program() -> None:
    """No server or tracker beside it, and none is left when the program ends without a word."""
    code = (
        "import os, sys, time\n"
        "from pathlib import Path\n"
        "from app.solver.process import SolverProcess\n"
        "solver = SolverProcess()\n"
        "time.sleep(1.0)\n"
        "tasks = Path('/proc/self/task').iterdir()\n"
        "print(*(child for task in tasks for child in (task / 'children').read_text().split()))\n"
        "print(solver.pid)\n"
    )
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    children, pid = out.stdout.splitlines()
    assert children.split() == [pid]
    end = time.monotonic() + 10.0
    while Path(f"/proc/{pid}").exists() and time.monotonic() < end:
        time.sleep(0.02)
    assert not Path(f"/proc/{pid}").exists()

"""A process of the program's own, with a pipe to it and numbers both sides see at once.

Where the system can hand over open files it is started directly. `multiprocessing` keeps a
server and a tracker beside what it starts there, 16 MB for as long as the program runs.

    python -m app.solver.child PIPE FILE NUMBERS
"""

from __future__ import annotations

import atexit
import ctypes
import mmap
import os
import pickle
import signal
import subprocess
import sys
import tempfile
import threading
from contextlib import contextmanager, suppress
from multiprocessing import get_context
from multiprocessing.connection import Connection, Pipe
from typing import IO, TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_DIRECTLY = os.name == "posix"
# One is spawned at a time, or it would take the other's settings for the user's.
_STARTING = threading.Lock()


def command(module: str) -> list[str]:
    """What starts a module of ours; a folder of its name where the user is now is not it."""
    return [sys.executable, "-P", "-m", module]


def environment() -> dict[str, str]:
    """Settings of this process for one that finds the same modules."""
    path = os.pathsep.join(one or os.getcwd() for one in sys.path)
    return {**os.environ, "PYTHONPATH": path}


class Number(Protocol):
    """A whole number in memory that two processes share."""

    value: int


class Child:
    """A process that runs work(pipe, *numbers, *arguments), and the other end of its pipe.

    What is sent before it is started lies in the pipe.

    Parameters
    ----------
    work : a function of a module
    arguments : plain data for it
    numbers : whole numbers to share, zero at first
    settings : of its environment, besides those of this process
    """

    def __init__(
        self,
        work: Callable[..., None],
        arguments: tuple[Any, ...] = (),
        numbers: int = 0,
        settings: dict[str, str] | None = None,
    ) -> None:
        self.pipe, self._theirs = Pipe()
        self._settings = settings or {}
        self._process: subprocess.Popen[bytes] | None = None
        self._spawned: Any = None
        self.numbers: list[Number]
        if _DIRECTLY:
            # in a file what is told may be of any size; a pipe would have to be read meanwhile
            self._shared = _nameless()
            self._shared.write(bytes(_room(numbers)) + pickle.dumps((work, arguments)))
            self._shared.flush()
            self.numbers = _numbers(self._shared.fileno(), numbers)
        else:
            context = get_context("spawn")
            self.numbers = [context.RawValue("q", 0) for _ in range(numbers)]
            self._spawned = context.Process(
                target=work, args=(self._theirs, *self.numbers, *arguments), daemon=True
            )

    def start(self) -> None:
        """Begin; the pipe then ends when the process does."""
        if self._spawned is not None:
            with _STARTING, _set(self._settings):
                self._spawned.start()
            self._theirs.close()
            return
        files = (self._theirs.fileno(), self._shared.fileno())
        told = (*files, len(self.numbers))
        try:
            self._process = subprocess.Popen(
                [*command(__name__), *map(str, told)],
                env={**environment(), **self._settings},
                stdin=subprocess.DEVNULL,
                pass_fds=files,
            )
        finally:
            # (of a process that could not be started the pipe has ended, and is so noticed)
            self._theirs.close()
            self._shared.close()
        atexit.register(self.kill)

    @property
    def pid(self) -> int | None:
        """Its process id, once started."""
        process = self._process or self._spawned
        return None if process is None else process.pid

    @property
    def exit_code(self) -> int | None:
        """What it ended with; None while it runs."""
        if self._process is not None:
            return self._process.poll()
        return None if self._spawned is None else self._spawned.exitcode

    def kill(self) -> None:
        """End it now; safe to call twice."""
        process = self._process or self._spawned
        if process is not None and self.exit_code is None:
            process.kill()
        self.wait(2.0)

    def wait(self, seconds: float) -> bool:
        """Wait for its end; whether it has ended."""
        if self._process is not None:
            with suppress(subprocess.TimeoutExpired):
                self._process.wait(seconds)
        elif self._spawned is not None:
            self._spawned.join(seconds)
        ended = self.exit_code is not None
        if ended:
            atexit.unregister(self.kill)
        return ended


@contextmanager
def _set(settings: dict[str, str]) -> Iterator[None]:
    """Settings of this process's own environment for a while: what is spawned inherits them."""
    before = {name: os.environ.get(name) for name in settings}
    os.environ.update(settings)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _nameless() -> IO[bytes]:
    """An open file without a name, in memory where there are such: no write waits for a disk."""
    if hasattr(os, "memfd_create"):
        return os.fdopen(os.memfd_create("rippletree"), "w+b")
    return tempfile.TemporaryFile()


def _room(count: int) -> int:
    """Bytes so many numbers take at the head of the file; none cannot be shared."""
    return max(count, 1) * ctypes.sizeof(ctypes.c_longlong)


def _numbers(file: int, count: int) -> list[Number]:
    """The numbers at the head of an open file."""
    shared, size = mmap.mmap(file, _room(count)), ctypes.sizeof(ctypes.c_longlong)
    return [ctypes.c_longlong.from_buffer(shared, i * size) for i in range(count)]


def main(pipe: int, file: int, count: int) -> None:
    """Entry of the process: open files that were handed over, and how many numbers are shared."""
    # Ctrl+C in a terminal is for the window, which then closes the pipe.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    numbers = _numbers(file, count)
    with os.fdopen(file, "rb") as told:
        told.seek(_room(count))
        work, arguments = pickle.load(told)
    work(Connection(pipe), *numbers, *arguments)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))

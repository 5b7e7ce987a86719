"""A longer question about a build, worked on beside the window and its solver."""

from __future__ import annotations

import os
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QObject, Signal

from app.solver.beside import Beside
from sim.errors import SimError

if TYPE_CHECKING:
    from collections.abc import Callable
    from multiprocessing.connection import Connection

    from sim.build import Build

#: Steps of progress told, so that a fast run does not fill the pipe.
_STEP = 0.01
#: Runs and steps of the band that a recording is expected in.
_DRAWS, _BINS = 12, 800


class Errand(Beside):
    """One question about a build.

    Parameters
    ----------
    what : "help", "unknowns", "failures", "carrier", "report", "band", "recording", "fit" or
        "behind"
    arguments : plain data for it

    Signals
    -------
    moved : share done, 0 to 1
    told : a piece of the answer, while the rest is still worked out
    done : what was found; plain data and frozen records
    failed : a sentence
    """

    moved = Signal(float)
    told = Signal(object)
    done = Signal(object)
    failed = Signal(str)

    def __init__(
        self,
        what: str,
        build: Build,
        arguments: dict[str, Any] | None = None,
        parent: QObject | None = None,
    ) -> None:
        super().__init__(_work, (what, build, arguments or {}), parent)

    def _take(self, message: Any) -> None:
        kind, payload = message
        if kind == "moved":
            self.moved.emit(payload)
            return
        if kind == "told":
            self.told.emit(payload)
            return
        self.stop()
        (self.done if kind == "done" else self.failed).emit(payload)

    def _died(self) -> None:
        self.failed.emit("It could not be worked out: its process ended. Try again.")


def _work(pipe: Connection, what: str, build: Build, arguments: dict[str, Any]) -> None:
    """Entry of the process."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    told = -1.0

    def progress(share: float) -> None:
        nonlocal told
        if share >= told + _STEP:
            told = share
            pipe.send(("moved", share))

    if what in _TELLING:
        arguments = {**arguments, "tell": lambda piece: pipe.send(("told", piece))}
    try:
        answer = ("done", _ASK[what](build, progress, **arguments))
    except SimError as error:
        answer = ("failed", str(error))
    except Exception as error:  # whatever it was, the user gets a sentence
        answer = ("failed", f"A fault of the program: {type(error).__name__}: {error}")
    with suppress(OSError):
        pipe.send(answer)
        pipe.close()


def _help(
    build: Build,
    progress: Any,
    option: int | None,
    tell: Callable[[str], None],
    before: dict[str, Any] | None = None,
) -> Any:
    from sim.findings import Cell
    from sim.sizing import smallest_change

    known = None if before is None else Cell(**before)
    return smallest_change(build, option, before=known, tell=tell, progress=progress)


def _unknowns(build: Build, progress: Any, option: int | None, tell: Callable[[str], None]) -> Any:
    from sim.tolerance import sensitivity

    return sensitivity(build, option, tell=tell, progress=progress)


def _failures(build: Build, progress: Any, option: int | None, tell: Callable[[str], None]) -> Any:
    from sim.faults import faults

    return faults(build, option, tell=tell, progress=progress)


def _carrier(build: Build, progress: Any, option: int | None) -> Any:
    from sim.sizing import pwm_sweep

    return pwm_sweep(build, option, progress=progress)


def _report(build: Build, progress: Any, option: int | None, path: str, *, card: bool) -> Any:
    from importlib.metadata import PackageNotFoundError, version

    from app.report import content, verb

    try:
        number = version("rippletree")
    except PackageNotFoundError:
        number = ""
    found = content.gather(build, option, progress=progress)
    written = verb.files(found, None if card else path, path if card else None, number)
    return written[0][1]


def _band(build: Build, progress: Any, option: int | None, event: int, at: str) -> Any:
    from sim.fit import expected

    return expected(
        build, at, event=event, option=option, draws=_DRAWS, bins=_BINS, progress=progress
    )


def _recording(build: Build, progress: Any, path: str) -> Any:
    from sim.capture import read_capture

    return read_capture(path)


def _fit(build: Build, progress: Any, capture: Any, **how: Any) -> Any:
    from sim.fit import fit

    return fit(build, capture, progress=progress, **how)


def _behind(
    build: Build, progress: Any, option: int | None, event: int, tell: Callable[[Any], None]
) -> None:
    from sim.behind import behind

    behind(build, option, event, tell=tell, progress=progress)


_ASK = {
    "help": _help,
    "unknowns": _unknowns,
    "failures": _failures,
    "carrier": _carrier,
    "report": _report,
    "band": _band,
    "recording": _recording,
    "fit": _fit,
    "behind": _behind,
}
#: Those that tell pieces on the way.
_TELLING = ("help", "unknowns", "failures", "behind")

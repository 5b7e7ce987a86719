"""Starting the window.

The solver process is started and given the sample before Qt is imported: both
cores then work at once, and the first curves are ready when the window is.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from app.solver.process import SolverProcess
from app.solver.protocol import Request
from sim.build import load
from sim.errors import SimError

if TYPE_CHECKING:
    from sim.build import Build

#: The sample a newcomer sees.
SAMPLE = "arms_4s_analogue"


def run(path: str | None = None) -> int:
    """Open the window on a file, a preset or the sample; returns the exit code.

    A file that cannot be read does not keep the window from opening: the sample
    is shown and the error is said.
    """
    begun = begin(path)
    # Only now: see above.
    from app.start import show

    return show(begun, sys.argv[:1])


@dataclass(frozen=True)
class Begun:
    """What is under way before there is a window.

    Attributes
    ----------
    path : file the build is from, None for a preset
    error : why the file that was asked for is not what is shown
    process, running : the solver, and the request it is at work on
    """

    build: Build
    path: Path | None
    error: SimError | None
    process: SolverProcess
    running: Request


def begin(path: str | None = None) -> Begun:
    """Read the build and set the solver to work on it."""
    build, origin, error = _first_build(path)
    process = SolverProcess()
    option = 0 if build.options else None
    first = Request(id=0, build=build, option=option, findings=False)
    process.send(first)
    return Begun(build, origin, error, process, first)


def _first_build(path: str | None) -> tuple[Build, Path | None, SimError | None]:
    if path is None:
        return load(SAMPLE), None, None
    try:
        build = load(path)
    except SimError as error:
        return load(SAMPLE), None, error
    file = Path(path)
    return build, file.resolve() if file.is_file() else None, None

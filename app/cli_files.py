"""What the headless verbs read and write: builds, JSON, CSV, standard output.

All that can go wrong with a file ends as a `BadInput` whose text is the one line
that the user sees.
"""

from __future__ import annotations

import contextlib
import math
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from sim.errors import SimError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from sim.build import Build
    from sim.solution import Solution

#: Rows of one CSV file: some 100 MB for a build with eight joints.
MOST_ROWS = 1_000_000
#: Rows sampled at a time, so that a long file needs no long array.
ROWS_AT_ONCE = 10_000
#: Steps between first and last row where --every is not given.
DEFAULT_STEPS = 1000


class BadInput(Exception):
    """What the user gave cannot be used; the text is the whole line shown."""


class Naming:
    """Turns an error about a build into a line that names its file too."""

    def __init__(self, name: str) -> None:
        self.name = name

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, SimError):
            # Inside, a file goes by its last name; here by the one that was typed.
            line = str(error).removeprefix(f"{self.name}: ")
            line = line.removeprefix(f"{Path(self.name).name}: ")
            raise BadInput(f"rippletree: {self.name}: {line}") from error


def load(name: str, *, checked: bool = True) -> Build:
    """The build behind a file or preset id; `checked` as for `sim.build.load`."""
    from sim import build

    with Naming(name):
        return build.load(name, checked=checked)


def keep_inputs(
    targets: Iterable[tuple[str, str | None]], inputs: Sequence[str], what: str = "build"
) -> None:
    """Refuse to write an answer over a build (or `what` it is) that is being read.

    `targets` are options with what was given for them.
    """
    for option, target in targets:
        if target in (None, "-"):
            continue
        for name in inputs:
            try:
                same = Path(target).samefile(name)
            except OSError:
                continue
            if same:
                raise BadInput(
                    f"rippletree: {target}: {option} would write over the {what}. "
                    "Give another file."
                )


def stretch(
    name: str, start: float | None, stop: float | None, duration_s: float
) -> tuple[float, float]:
    """The part of an event that was asked for, in s; its ends where nothing was given."""
    first = 0.0 if start is None else start
    last = duration_s if stop is None else stop
    # A time typed as "150 ms" may differ from the event's in the last place.
    if math.isclose(last, duration_s, rel_tol=1e-12):
        last = duration_s
    if last > duration_s or first >= last:
        raise BadInput(
            f"rippletree: {name}: --from {first:g} s --to {last:g} s is no stretch of the event. "
            f"Give two times between 0 s and {duration_s:g} s, the first the smaller."
        )
    return first, last


def encoded(document: object) -> str:
    """One JSON document, indented, with a line break at its end."""
    import msgspec

    return msgspec.json.format(msgspec.json.encode(document), indent=2).decode() + "\n"


#: What a column's name ends in, by what the clip reads.
_ENDS = {
    "volts": "V",
    "offset": "offset_V",
    "amps": "A",
    "speed": "rad_per_s",
    "duty": "duty",
}


def csv(solution: Solution, start: float, stop: float, every: float | None) -> Iterator[str]:
    """Rows of a table of curves: `time_s`, then the clips, or all joints where there are none.

    Times are `start`, then every `every` seconds, then `stop`; a thousandth of the
    stretch where `every` is None.
    """
    import numpy as np

    from sim.signals import Signal

    clips = [Signal(clip.reads, clip.tip, clip.ground) for clip in solution.context.build.clips]
    signals = clips or [Signal("volts", address) for address in solution.places()]
    names: list[str] = []
    for signal in signals:
        end = _ENDS[signal.kind]
        name = f"{signal.place}_{end}"
        # The address alone, unless two clips share a tip and differ in their ground.
        clash = name in names and signal.ground
        names.append(f"{signal.place}_to_{signal.ground}_{end}" if clash else name)

    step = (stop - start) / DEFAULT_STEPS if every is None else every
    count = (stop - start) / step * (1.0 + 1e-12)
    if count >= MOST_ROWS:
        raise BadInput(
            f"rippletree: --every {step:g} s gives more than {MOST_ROWS} rows. "
            f"Give at least {(stop - start) / (MOST_ROWS - 1):.2g} s, or a shorter --from to --to."
        )
    times = np.minimum(start + step * np.arange(math.floor(count) + 1), stop)
    if times[-1] < stop - 1e-9 * step:
        times = np.append(times, stop)

    def rows() -> Iterator[str]:
        yield ",".join(["time_s", *names]) + "\n"
        for first in range(0, len(times), ROWS_AT_ONCE):
            some = times[first : first + ROWS_AT_ONCE]
            volts = solution.sample(signals, some)
            for time, row in zip(some.tolist(), volts.T.tolist(), strict=True):
                yield ",".join(f"{value:.12g}" for value in (time, *row)) + "\n"

    return rows()


def write(target: str, pieces: Iterable[str]) -> None:
    """Write text to a file, in UTF-8 with plain line breaks."""
    try:
        with open(target, "w", encoding="utf-8", newline="\n") as file:
            file.writelines(pieces)
    except OSError as error:
        raise BadInput(f"rippletree: {target}: cannot be written: {_why(error)}.") from error


def write_bytes(target: str, data: bytes) -> None:
    """Write a whole file."""
    try:
        with open(target, "wb") as file:
            file.write(data)
    except OSError as error:
        raise BadInput(f"rippletree: {target}: cannot be written: {_why(error)}.") from error


def show(text: str) -> None:
    """Write text to standard output; a reader that has left raises BrokenPipeError."""
    try:
        if hasattr(sys.stdout, "reconfigure"):
            # JSON is UTF-8 by definition. A table goes in what the console speaks, and a sign
            # that it lacks must not end the program.
            if text.startswith("{"):
                sys.stdout.reconfigure(encoding="utf-8")
            else:
                sys.stdout.reconfigure(errors="replace")
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        discard_stdout()
        raise BadInput(f"rippletree: standard output: {_why(error)}.") from error


def discard_stdout() -> None:
    """Give what Python still flushes at its exit a place where nobody complains."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, sys.stdout.fileno())
        os.close(null)


def _why(error: OSError) -> str:
    return (error.strerror or str(error) or type(error).__name__).lower()

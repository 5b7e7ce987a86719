"""`rippletree` and its headless verbs.

    rippletree                 the window
    rippletree presets         what comes with the program
    rippletree solve BUILD     one run
    rippletree compare BUILD   all options against all limits
    rippletree check BUILD...  is it valid, what looks wrong

Exit codes: 0 done; 1 finished, and a finding fails (check, compare --strict);
2 bad input, with one line on standard error that names the place and what is
allowed. Never a traceback.

Nothing heavy is imported before a verb needs it, and no verb imports Qt.
"""

from __future__ import annotations

import argparse
import contextlib
import math
import os
import sys
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NoReturn

from sim.errors import SimError, one_line

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from sim.build import Build
    from sim.check import Finding
    from sim.solution import Solution

DONE, FAILING, BAD_INPUT = 0, 1, 2
#: What a shell reports for a command that Ctrl-C ended.
INTERRUPTED = 130

#: Rows of one CSV file: some 100 MB for a build with eight joints.
MOST_ROWS = 1_000_000
#: Rows sampled at a time, so that a long file needs no long array.
ROWS_AT_ONCE = 10_000
#: Steps between first and last row where --every is not given.
DEFAULT_STEPS = 1000


class BadInput(Exception):
    """What the user gave cannot be used; the text is the whole line shown."""


@dataclass(frozen=True)
class Outcome:
    """What a verb leaves for standard output, and its exit code."""

    code: int
    text: str


# --------------------------------------------------------------------------- the command line


class _Parser(argparse.ArgumentParser):
    """A parser whose complaints are one line and end with exit code 2."""

    def error(self, message: str) -> NoReturn:
        raise BadInput(f"{self.prog}: {message}. See {self.prog} --help.")


def _time(text: str) -> float:
    from sim import quantity

    try:
        value = quantity.parse(text, "s")
    except SimError as error:
        raise argparse.ArgumentTypeError(str(error).rstrip(".")) from None
    if value < 0.0:
        raise argparse.ArgumentTypeError(f"{text!r} is before the event. Give a time from 0 s on")
    return value


def _step(text: str) -> float:
    value = _time(text)
    if value == 0.0:
        raise argparse.ArgumentTypeError(f"{text!r} is no step. Give a time above 0 s")
    return value


def _whole(low: int, high: int) -> Callable[[str], int]:
    def parse(text: str) -> int:
        digits = text.strip()
        if digits.isascii() and digits.isdigit() and len(digits) <= 20:
            value = int(digits)
            if low <= value <= high:
                return value
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number from {low} to {high}")

    return parse


_seed = _whole(0, 2**63 - 1)
_seeds = _whole(1, 1000)


def _parser() -> _Parser:
    parser = _Parser(
        prog="rippletree",
        description="Without a verb: opens the window. BUILD is a file or the id of a preset.",
        epilog="Exit codes: 0 done, 1 a finding fails (check, compare --strict), 2 bad input.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="store_true", help="print the version and end")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB")

    def verb(name: str, run: Callable[[argparse.Namespace], Outcome], text: str) -> _Parser:
        sub: _Parser = verbs.add_parser(name, help=text, description=text, allow_abbrev=False)
        sub.set_defaults(run=run)
        sub.add_argument("--json", metavar="F", help="write JSON to file F; - is standard output")
        return sub

    verb("presets", _presets, "list the builds that come with the program")

    solve = verb("solve", _solve, "solve one event of one build")
    solve.add_argument("build", metavar="BUILD")
    solve.add_argument("--event", metavar="N", help="name or number from 1; the first if left out")
    solve.add_argument("--option", metavar="N", help="name or number from 1; as drawn if left out")
    _detail(solve)
    solve.add_argument("--seed", metavar="K", type=_seed, default=0, help="draws the ESC timing")
    solve.add_argument("--csv", metavar="F", help="write curves to file F; - is standard output")
    solve.add_argument("--every", metavar="S", type=_step, help="time between rows of the CSV")
    solve.add_argument("--from", metavar="S", type=_time, dest="start", help="figures from here")
    solve.add_argument("--to", metavar="S", type=_time, dest="stop", help="figures up to here")

    compare = verb("compare", _compare, "hold all options of a build against all limits")
    compare.add_argument("build", metavar="BUILD")
    compare.add_argument("--event", metavar="N", help="name or number from 1; all if left out")
    _detail(compare)
    compare.add_argument(
        "--seeds", metavar="K", type=_seeds, default=16, help="ESC timings tried; 16 if left out"
    )
    compare.add_argument(
        "--strict", action="store_true", help="exit code 1 if any option is over a limit"
    )

    check = verb("check", _check, "say whether builds are valid and what looks wrong in them")
    check.add_argument("build", metavar="BUILD", nargs="*")
    check.add_argument(
        "--defaults", action="store_true", help="list every kind of part with its values"
    )
    return parser


def _detail(parser: _Parser) -> None:
    parser.add_argument(
        "--detail", choices=("averaged", "edges"), help="level of detail of the solution"
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command line; returns its exit code."""
    try:
        outcome = _run(sys.argv[1:] if argv is None else argv)
        _print(outcome.text)
        return outcome.code
    except BrokenPipeError:
        # The reader has what it wanted. Python flushes once more at exit: give it a place.
        _discard_stdout()
        return DONE
    except KeyboardInterrupt:
        _discard_stdout()
        return INTERRUPTED
    except BadInput as error:
        return _complain(str(error))
    except SystemExit as end:  # argparse after --help
        return end.code if isinstance(end.code, int) else DONE
    except Exception as error:
        if os.environ.get("RIPPLETREE_TRACE"):
            raise
        kind = type(error).__name__
        return _complain(
            f"rippletree: a fault of the program, not of your input: {kind}: {error}. "
            "Set RIPPLETREE_TRACE=1 to see where, and please report it."
        )


def _run(argv: Sequence[str]) -> Outcome:
    args = _parser().parse_args(argv)
    if args.version:
        from importlib.metadata import version

        return Outcome(DONE, f"rippletree {version('rippletree')}\n")
    if args.verb is None:
        return Outcome(_window(), "")
    if not sys.warnoptions:
        # Standard error carries our one line or nothing.
        warnings.simplefilter("ignore")
    outcome: Outcome = args.run(args)
    return outcome


def _window() -> int:
    screens = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    if sys.platform.startswith("linux") and not any(os.environ.get(name) for name in screens):
        # Qt would abort the process here.
        raise BadInput(
            "rippletree: no screen to open a window on. Start it in a desktop session, "
            "or use a verb: rippletree --help."
        )
    try:
        from app import main_window
    except ImportError as error:
        if getattr(error, "name", None) in ("app", "app.main_window"):
            raise
        raise BadInput(
            f"rippletree: Qt cannot be loaded: {error}. "
            "README.md names the system libraries that it needs."
        ) from error
    return main_window.run(path=None)


# --------------------------------------------------------------------------- verbs


def _presets(args: argparse.Namespace) -> Outcome:
    from app import cli_text
    from sim import build

    found = build.presets()
    document = {
        "presets": [
            {
                "id": preset.id,
                "name": preset.name,
                "story": preset.story,
                "options": list(preset.options),
                "events": list(preset.events),
            }
            for preset in found
        ]
    }
    return _finish(args, DONE, document, lambda: cli_text.presets(found))


def _solve(args: argparse.Namespace) -> Outcome:
    import sim
    from app import cli_text

    if args.json is not None and args.json == args.csv:
        raise BadInput("rippletree solve: --json and --csv name the same place. Give two.")
    build = _load(args.build)
    _keep_inputs(args, [args.build])
    with _Naming(args.build):
        solution = sim.solve(
            build,
            event=_name_or_number(args.event),
            option=_name_or_number(args.option),
            seed=args.seed,
            **_given(detail=args.detail),
        )
        start, stop = _interval(args, solution.duration_s)
        document = solution.to_json_dict()
        window = None
        if args.start is not None or args.stop is not None:
            window = solution.figures(start, stop)
            document = window.to_json_dict()
        text = cli_text.solution(solution, window)
        if args.csv is not None:
            rows = _csv(solution, start, stop, args.every)
            if args.csv == "-":
                return _finish(args, DONE, document, lambda: "".join(rows))
            _write(args.csv, rows)
    return _finish(args, DONE, document, lambda: text)


def _compare(args: argparse.Namespace) -> Outcome:
    import sim
    from app import cli_text

    build = _load(args.build)
    _keep_inputs(args, [args.build])
    with _Naming(args.build):
        findings = sim.compare(
            build,
            event=_name_or_number(args.event),
            seeds=args.seeds,
            **_given(detail=args.detail),
        )
    fails = any(card.verdict == "over" for card in findings.cards)
    code = FAILING if args.strict and fails else DONE
    return _finish(args, code, findings.to_json_dict(), lambda: cli_text.findings(findings))


def _check(args: argparse.Namespace) -> Outcome:
    from app import cli_text

    if args.defaults:
        if args.build:
            raise BadInput("rippletree check: --defaults takes no BUILD. Leave one of them out.")
        kinds = cli_text.default_rows()
        return _finish(args, DONE, {"kinds": kinds}, lambda: cli_text.defaults(kinds))
    if not args.build:
        raise BadInput("rippletree check: no BUILD given. Give files or preset ids, or --defaults.")
    _keep_inputs(args, args.build)
    code, documents, texts = DONE, [], []
    for name in args.build:
        try:
            found = _found(name)
        except BadInput as error:
            # The other builds are still worth a look.
            code = _complain(str(error))
            continue
        if any(finding.level == "error" for finding in found):
            code = max(code, FAILING)
        documents.append({"build": name, "findings": [_plain(finding) for finding in found]})
        texts.append(cli_text.checked(name, found))
    return _finish(args, code, {"builds": documents}, lambda: "".join(texts))


def _found(name: str) -> list[Finding]:
    """All that can be said about one build, if it is one at all."""
    from sim import check

    with _Naming(name):
        return check.check(_load(name, checked=False))


def _plain(finding: Finding) -> dict[str, str]:
    return {
        "level": finding.level,
        "where": finding.where,
        "what": finding.what,
        "hint": finding.hint,
    }


# --------------------------------------------------------------------------- input


class _Naming:
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


def _load(name: str, *, checked: bool = True) -> Build:
    """The build behind a file or preset id."""
    from sim import build

    with _Naming(name):
        return build.load(name, checked=checked)


def _name_or_number(text: str | None) -> str | int | None:
    if text is not None and text.isascii() and text.isdigit() and len(text) < 10:
        return int(text)
    return text


def _given(**options: object) -> dict[str, Any]:
    """Only what the user gave: the rest is the library's to choose."""
    return {name: value for name, value in options.items() if value is not None}


def _interval(args: argparse.Namespace, duration_s: float) -> tuple[float, float]:
    start = 0.0 if args.start is None else args.start
    stop = duration_s if args.stop is None else args.stop
    # A time typed as "150 ms" may differ from the event's in the last place.
    if math.isclose(stop, duration_s, rel_tol=1e-12):
        stop = duration_s
    if stop > duration_s or start >= stop:
        raise BadInput(
            f"rippletree solve: {args.build}: --from {start:g} s to {stop:g} s is no stretch of "
            f"the event. Give two times between 0 s and {duration_s:g} s, the first the smaller."
        )
    return start, stop


# --------------------------------------------------------------------------- output


def _finish(
    args: argparse.Namespace, code: int, document: object, text: Callable[[], str]
) -> Outcome:
    """Write the JSON where it was asked for; what is left is for standard output."""
    if args.json is None:
        return Outcome(code, text())
    encoded = _encoded(document)
    if args.json == "-":
        return Outcome(code, encoded)
    _write(args.json, iter([encoded]))
    return Outcome(code, text())


def _encoded(document: object) -> str:
    import msgspec

    return msgspec.json.format(msgspec.json.encode(document), indent=2).decode() + "\n"


def _csv(solution: Solution, start: float, stop: float, every: float | None) -> Iterator[str]:
    """Rows of a table of curves: `time_s`, then the clips, or all joints where there are none."""
    import numpy as np

    import sim

    clips = [(clip.tip, clip.ground) for clip in solution.build.clips]
    places = clips or [(joint.id, None) for joint in solution.joints]
    names: list[str] = []
    for tip, ground in places:
        name = f"{tip}_V"
        # The address alone, unless two clips share a tip and differ in their ground.
        names.append(f"{tip}_to_{ground}_V" if name in names and ground else name)
    signals = [sim.Signal("volts", tip, ground) for tip, ground in places]

    step = (stop - start) / DEFAULT_STEPS if every is None else every
    count = math.floor((stop - start) / step * (1.0 + 1e-12))
    if count >= MOST_ROWS:
        raise BadInput(
            f"rippletree solve: --every {step:g} s gives {count + 1} rows. "
            f"Give at least {(stop - start) / (MOST_ROWS - 1):.2g} s, or a shorter --from to --to."
        )
    times = np.minimum(start + step * np.arange(count + 1), stop)
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


def _keep_inputs(args: argparse.Namespace, inputs: Sequence[str]) -> None:
    """Refuse to write an answer over a build that is being read."""
    for option in ("json", "csv"):
        target = getattr(args, option, None)
        if target in (None, "-"):
            continue
        for name in inputs:
            try:
                same = Path(target).samefile(name)
            except OSError:
                continue
            if same:
                raise BadInput(
                    f"rippletree: {target}: --{option} would write over the build. "
                    "Give another file."
                )


def _write(target: str, pieces: Iterator[str]) -> None:
    try:
        with open(target, "w", encoding="utf-8", newline="\n") as file:
            _write_all(file, pieces)
    except OSError as error:
        raise BadInput(f"rippletree: {target}: cannot be written: {_why(error)}.") from error


def _write_all(file: IO[str], pieces: Iterator[str]) -> None:
    for piece in pieces:
        file.write(piece)


def _print(text: str) -> None:
    try:
        # JSON is UTF-8 by definition; a table on a console of another encoding is not, and
        # there a sign that it lacks must not end the program.
        if text.startswith("{") and hasattr(sys.stdout, "reconfigure"):
            sys.stdout.reconfigure(encoding="utf-8")
        elif hasattr(sys.stdout, "reconfigure"):
            sys.stdout.reconfigure(errors="replace")
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        _discard_stdout()
        raise BadInput(f"rippletree: standard output: {_why(error)}.") from error


def _discard_stdout() -> None:
    with contextlib.suppress(OSError, ValueError, AttributeError):
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, sys.stdout.fileno())
        os.close(null)


def _complain(line: str) -> int:
    with contextlib.suppress(OSError):  # nobody is left to tell
        print(one_line(line, limit=1000), file=sys.stderr)
    return BAD_INPUT


def _why(error: OSError) -> str:
    return (error.strerror or str(error) or type(error).__name__).lower()


if __name__ == "__main__":
    raise SystemExit(main())

"""`rippletree` and its headless verbs.

    rippletree                 the window
    rippletree presets         what comes with the program
    rippletree solve BUILD     one run
    rippletree compare BUILD   all options against all limits
    rippletree impedance BUILD impedance at a joint, or from one joint to another
    rippletree fit BUILD FILE  a real recording over the model, and what fits it
    rippletree report BUILD    two pages to hand over, and a card to solder by
    rippletree handout LESSON  one page of a lesson for the class
    rippletree check BUILD...  is it valid, what looks wrong
    rippletree heat BUILD      how warm capacitors get over a flight
    rippletree speed           how fast the engine is here, and how far off

Exit codes: 0 done; 1 finished, and a finding fails (check, compare --strict);
2 bad input, with one line on standard error that names the place and what is
allowed. Never a traceback.

Nothing heavy is imported before a verb needs it, and no verb imports Qt.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NoReturn

from app import cli_files
from app.cli_files import BadInput
from sim.errors import SimError, one_line

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from sim.build import Build
    from sim.check import Finding

DONE, FAILING, BAD_INPUT = 0, 1, 2
#: What a shell reports for a command that Ctrl-C ended.
INTERRUPTED = 130
_QT = ("PySide6", "shiboken6")


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


def _hz(text: str) -> list[float]:
    from sim import quantity

    try:
        values = [quantity.parse(piece.strip(), "Hz") for piece in text.split(",") if piece.strip()]
    except SimError as error:
        raise argparse.ArgumentTypeError(str(error).rstrip(".")) from None
    if not values or not all(0.0 < value <= 1e10 for value in values):
        raise argparse.ArgumentTypeError(
            f"{text!r} is no list of frequencies. Give some above 0 Hz up to 10 GHz, such as 1k,48k"
        )
    if len(values) > 100_000:
        raise argparse.ArgumentTypeError(f"{len(values)} frequencies are too many. Give 100000")
    return values


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

    impedance = verb("impedance", _impedance, "impedance at a joint, or transfer between two")
    impedance.add_argument("build", metavar="BUILD")
    impedance.add_argument(
        "--at", metavar="JOINT", required=True, help="a joint or port, such as pads or esc1.in"
    )
    impedance.add_argument(
        "--from", metavar="JOINT", dest="source", help="transfer from this joint, in dB"
    )
    impedance.add_argument(
        "--hz", metavar="LIST", type=_hz, help="frequencies with commas between: 1k,24k,48 kHz"
    )
    impedance.add_argument("--event", metavar="N", help="whose start; the first if left out")
    impedance.add_argument(
        "--option", metavar="N", help="name or number from 1; as drawn if left out"
    )

    fit = verb("fit", _fit, "lay a scope's recording over an event and fit what is not known")
    fit.add_argument("build", metavar="BUILD")
    fit.add_argument("capture", metavar="CAPTURE.csv")
    fit.add_argument("--event", metavar="N", help="name or number from 1; the first if left out")
    fit.add_argument("--option", metavar="N", help="name or number from 1; as drawn if left out")
    fit.add_argument("--at", metavar="JOINT", help="where it was recorded; the first clip")
    fit.add_argument("--channel", metavar="N", default="1", help="name or number from 1; 1")
    fit.add_argument(
        "--values", metavar="LIST", help="what to fit, such as pack.inductance,bulk.esr"
    )

    report = verb("report", _report, "write a report of two pages, PDF or HTML")
    report.add_argument("build", metavar="BUILD")
    report.add_argument("--out", metavar="F", help="the report: a name ending in .pdf or .html")
    report.add_argument("--card", metavar="F", help="the snip and solder card, .pdf or .html")
    report.add_argument("--option", metavar="N", help="which it is about; the best if left out")
    report.add_argument(
        "--seeds", metavar="K", type=_seeds, default=16, help="ESC timings tried; 16 if left out"
    )

    handout = verb("handout", _handout, "write one page of a lesson for the class, PDF")
    handout.add_argument(
        "lesson", metavar="LESSON", help="a lesson's file, or the id of one of ours"
    )
    handout.add_argument("--out", metavar="F.pdf", required=True, help="a name ending in .pdf")
    handout.add_argument("--paper", choices=("a4", "letter"), default="a4", help="a4 if left out")
    handout.add_argument(
        "--answers", action="store_true", help="the instructor's copy, with figures worked out"
    )

    check = verb("check", _check, "say whether builds are valid and what looks wrong in them")
    check.add_argument("build", metavar="BUILD", nargs="*")
    check.add_argument(
        "--defaults", action="store_true", help="list every kind of part with its values"
    )

    check.add_argument(
        "--about", metavar="KIND", help="the help page of a kind of part, or of lead"
    )

    heat = verb("heat", _heat, "ripple current and warmth of capacitors over a flight")
    heat.add_argument("build", metavar="BUILD")
    heat.add_argument("--option", metavar="N", help="name or number from 1; as drawn if left out")
    heat.add_argument(
        "--profile", metavar="P", help='duties and shares of the flight: "0.2:30 %%, 0.5:70 %%"'
    )
    heat.add_argument("--air", metavar="C", help="temperature around the cans; 35 °C if left out")

    verb("speed", _speed, "measure the engine against a general solver; takes some three minutes")
    return parser


def _detail(parser: _Parser) -> None:
    parser.add_argument(
        "--detail", choices=("averaged", "edges"), help="level of detail of the solution"
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command line; returns its exit code."""
    try:
        outcome = _run(sys.argv[1:] if argv is None else argv)
        cli_files.show(outcome.text)
        return outcome.code
    except BrokenPipeError:
        # The reader has what it wanted. Python flushes once more at exit: give it a place.
        cli_files.discard_stdout()
        return DONE
    except KeyboardInterrupt:
        cli_files.discard_stdout()
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
        return Outcome(DONE, f"rippletree {_version()}\n")
    if args.verb is None:
        return Outcome(_window(), "")
    if not sys.warnoptions:
        # Standard error carries our one line or nothing.
        warnings.simplefilter("ignore")
    outcome: Outcome = args.run(args)
    return outcome


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("rippletree")
    except PackageNotFoundError:
        return "from a folder that is not installed"


def _window() -> int:
    screens = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    if sys.platform.startswith("linux") and not any(os.environ.get(name) for name in screens):
        # Qt would abort the process here.
        raise BadInput(
            "rippletree: no screen to open a window on. Start it in a desktop session, "
            "or use a verb: rippletree --help."
        )
    from app import main_window

    try:
        code: int = main_window.run(path=None)
    except ImportError as error:
        if error.name is not None and error.name.partition(".")[0] not in _QT:
            raise
        raise BadInput(
            f"rippletree: Qt cannot be loaded: {error}. "
            "README.md names the system libraries that it needs."
        ) from error
    return code


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
    cli_files.keep_inputs([("--json", args.json), ("--csv", args.csv)], [args.build])
    build = cli_files.load(args.build)
    with cli_files.Naming(args.build):
        left, faults = _mended(build, args.event, args.option)
        solution = sim.solve(left, args.event, args.option, seed=args.seed, **_detail_of(args))
        start, stop = cli_files.stretch(args.build, args.start, args.stop, solution.duration_s)
        document = solution.to_json_dict(start, stop) | {"left_out": faults}
        if args.csv is not None:
            rows = cli_files.csv(solution, start, stop, args.every)
            if args.csv == "-":
                return _finish(args, DONE, document, lambda: "".join(rows))
            cli_files.write(args.csv, rows)
        return _finish(
            args, DONE, document, lambda: cli_text.solution(solution, start, stop, faults)
        )


def _mended(build: Build, event: str | None, option: str | None) -> tuple[Build, list[str]]:
    """What can be solved of a build under an option that breaks something, and what was left out.

    A build that is broken as it is drawn stays so, and is refused.
    """
    from sim.resolve import event_index, events_of, option_index
    from sim.salvage import salvage, without

    at = option_index(build, option)
    if at is None:
        return build, []
    found = salvage(build, at, events_of(build)[event_index(build, event)])
    return found.build, [without(fault) for fault in found.faults]


def _compare(args: argparse.Namespace) -> Outcome:
    import sim
    from app import cli_text

    cli_files.keep_inputs([("--json", args.json)], [args.build])
    build = cli_files.load(args.build)
    with cli_files.Naming(args.build):
        findings = sim.compare(build, args.event, args.seeds, **_detail_of(args))
    fails = any(card.verdict == "over" for card in findings.cards)
    code = FAILING if args.strict and fails else DONE
    return _finish(args, code, findings.to_json_dict(), lambda: cli_text.findings(findings))


def _impedance(args: argparse.Namespace) -> Outcome:
    from app import cli_text
    from sim import impedance

    cli_files.keep_inputs([("--json", args.json)], [args.build])
    build = cli_files.load(args.build)
    with cli_files.Naming(args.build):
        common = {"hz": args.hz, "event": args.event, "option": args.option}
        if args.source is None:
            found = impedance.impedance(build, args.at, **common)
        else:
            found = impedance.transfer(build, args.at, args.source, **common)
    return _finish(args, DONE, found.to_json_dict(), lambda: cli_text.response(found))


def _fit(args: argparse.Namespace) -> Outcome:
    from app import cli_text
    from sim import capture, fit

    cli_files.keep_inputs([("--json", args.json)], [args.build, args.capture])
    build = cli_files.load(args.build)
    with cli_files.Naming(args.capture):
        recording = capture.read_capture(args.capture)
        recording.channel(args.channel)
    only = None if args.values is None else [v.strip() for v in args.values.split(",")]
    with cli_files.Naming(args.build):
        found = fit.fit(
            build,
            recording,
            event=args.event,
            option=args.option,
            at=args.at,
            channel=args.channel,
            only=only,
        )
    return _finish(args, DONE, found.to_json_dict(), lambda: cli_text.fit(found))


def _report(args: argparse.Namespace) -> Outcome:
    targets = [("--out", args.out), ("--card", args.card)]
    if args.out is None and args.card is None:
        raise BadInput("rippletree report: no --out given. Give a file ending in .pdf or .html.")
    for option, target in targets:
        if target is not None and not target.lower().endswith((".pdf", ".html", ".htm")):
            raise BadInput(
                f"rippletree report: {option} {target}: is neither .pdf nor .html. "
                "Give a name ending in one of them."
            )
    if args.out == args.card:
        raise BadInput("rippletree report: --out and --card name the same place. Give two.")
    cli_files.keep_inputs([*targets, ("--json", args.json)], [args.build])
    build = cli_files.load(args.build)
    from app.report import content, verb

    with cli_files.Naming(args.build):
        found = content.gather(build, args.option, seeds=args.seeds)
        written = verb.files(found, args.out, args.card, _version())
    for target, data in written:
        cli_files.write_bytes(target, data)
    document = verb.summary(found, [target for target, _ in written])
    return _finish(args, DONE, document, lambda: verb.said(document))


def _handout(args: argparse.Namespace) -> Outcome:
    from app.report import handout
    from sim import lessons

    if not args.out.lower().endswith(".pdf"):
        raise BadInput(
            f"rippletree handout: --out {args.out}: is no .pdf. Give a name ending in it."
        )
    cli_files.keep_inputs([("--out", args.out), ("--json", args.json)], [args.lesson], "lesson")
    with cli_files.Naming(args.lesson):
        lesson = lessons.load(args.lesson)
        numbers = lessons.compute(lesson) if args.answers else None
        data = handout.pdf(lesson, args.paper, numbers)
    cli_files.write_bytes(args.out, data)
    document = {
        "lesson": lesson.title,
        "paper": args.paper,
        "figures": [
            {"name": n.name, "words": n.words, "value": n.value, "unit": n.unit}
            for n in (numbers or {}).values()
        ],
        "written": [args.out],
    }
    return _finish(args, DONE, document, lambda: f"written: {args.out}\n")


def _detail_of(args: argparse.Namespace) -> dict[str, Any]:
    """Only what the user gave: the default is the library's."""
    return {} if args.detail is None else {"detail": args.detail}


def _check(args: argparse.Namespace) -> Outcome:
    from app import cli_text

    if args.defaults:
        if args.build:
            raise BadInput("rippletree check: --defaults takes no BUILD. Leave one of them out.")
        kinds = cli_text.default_rows()
        return _finish(args, DONE, {"kinds": kinds}, lambda: cli_text.defaults(kinds))
    if args.about is not None:
        return _about(args)
    if not args.build:
        raise BadInput("rippletree check: no BUILD given. Give files or preset ids, or --defaults.")
    from sim.build import validate

    cli_files.keep_inputs([("--json", args.json)], args.build)
    code, documents, texts = DONE, [], []
    for name in args.build:
        # One bad build is no reason not to look at the others.
        try:
            build = cli_files.load(name, checked=False)
            found = _found(name, build)
        except BadInput as error:
            code = _complain(str(error))
            continue
        documents.append({"build": name, "findings": [_plain(finding) for finding in found]})
        texts.append(cli_text.checked(name, found))
        if any(finding.level == "error" for finding in found):
            code = max(code, FAILING)
        try:
            with cli_files.Naming(name):
                validate(build)
        except BadInput as error:
            # Not a build that fails, but none that could be solved at all.
            code = _complain(str(error))
    return _finish(args, code, {"builds": documents}, lambda: "".join(texts))


def _about(args: argparse.Namespace) -> Outcome:
    from dataclasses import asdict

    from app import cli_parts
    from sim import help as pages

    if args.build:
        raise BadInput("rippletree check: --about takes no BUILD. Leave one of them out.")
    try:
        page = pages.page(args.about)
    except SimError as error:
        raise BadInput(f"rippletree check: --about: {error}") from error
    return _finish(args, DONE, asdict(page), lambda: cli_parts.page(page))


def _heat(args: argparse.Namespace) -> Outcome:
    from dataclasses import asdict

    from app import cli_parts
    from sim import heat, quantity

    cli_files.keep_inputs([("--json", args.json)], [args.build])
    build = cli_files.load(args.build)
    profile = heat.FREESTYLE if args.profile is None else cli_parts.profile(args.profile)
    with cli_files.Naming(args.build):
        air = heat.AIR_C if args.air is None else quantity.parse(args.air, "degC", "--air")
        found = heat.flight(build, args.option, profile, air)
    document = {
        "build": build.name,
        "option": args.option,
        "air_C": air,
        "profile": [list(pair) for pair in profile],
        "cans": [asdict(can) for can in found],
    }
    return _finish(args, DONE, document, lambda: cli_parts.heat(found))


def _found(name: str, build: Build) -> list[Finding]:
    """All that can be said about one build."""
    from sim import check

    with cli_files.Naming(name):
        found: list[Finding] = check.check(build)
    return found


def _speed(args: argparse.Namespace) -> Outcome:
    from app import cli_text
    from sim import speed

    # it takes minutes; who waits at a terminal is told, and no log or pipe is
    waits = sys.stderr.isatty()
    rows = speed.measure(
        speed.FULL, (lambda words: print(words, file=sys.stderr, flush=True)) if waits else None
    )
    return _finish(args, DONE, speed.to_json_dict(rows), lambda: cli_text.speed(rows))


def _plain(finding: Finding) -> dict[str, str]:
    return {
        "level": finding.level,
        "where": finding.where,
        "what": finding.what,
        "hint": finding.hint,
    }


# --------------------------------------------------------------------------- output


def _finish(
    args: argparse.Namespace, code: int, document: object, text: Callable[[], str]
) -> Outcome:
    """Write the JSON where it was asked for; what is left is for standard output."""
    if args.json is None:
        return Outcome(code, text())
    encoded = cli_files.encoded(document)
    if args.json == "-":
        return Outcome(code, encoded)
    cli_files.write(args.json, [encoded])
    return Outcome(code, text())


def _complain(line: str) -> int:
    with contextlib.suppress(OSError):  # nobody is left to tell
        print(one_line(line, limit=1000), file=sys.stderr)
    return BAD_INPUT


if __name__ == "__main__":
    raise SystemExit(main())

"""Lessons as data: cards for a room, and figures that the engine works out on the spot.

A lesson holds no result. Its figures say what to read where, its claims say what those must
come to; `compute` reads them from fresh solutions, and `broken_claims` names every claim that
the engine does not bear out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import msgspec

from sim import quantity
from sim.errors import BadField, DocumentError, NewerFile, SimError, WrongPort
from sim.probe import probe_of
from sim.records import Change, Clip, Event, Given, Option
from sim.resolve import (
    event_index,
    events_of,
    given_number,
    nearest_names,
    option_index,
    seconds,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from sim.records import Build
    from sim.solution import Solution

FORMAT = "rippletree-lesson"
VERSION = 1
#: How long a steady throttle is looked at, s.
STEADY_S = 0.02
#: A room reads no more at once.
MOST_NUMBERS = 3
#: What rounding leaves of a sum that is nought: no volt, ampere or joule of anybody's.
_NOTHING = 1e-9
MOST_CHOICES = 4
CARD_KINDS = ("ask", "guess", "reveal", "bench", "measure", "sum_up")

Reads = Literal[
    "peak", "lowest", "swing", "ripple", "mean", "amps", "joules", "held", "returned", "braked",
    "impedance", "stable",
]  # fmt: skip
#: What each reading is in, and what is looked at.
UNITS: dict[str, str] = {
    "peak": "V", "lowest": "V", "swing": "V", "ripple": "V", "mean": "V",
    "amps": "A", "joules": "J", "held": "J", "returned": "J", "braked": "J",
    "impedance": "Ohm", "stable": "",
}  # fmt: skip
#: What each reading is called where a person chooses or writes one down.
READS_WORDS: dict[str, str] = {
    "peak": "highest voltage", "lowest": "lowest voltage", "swing": "swing, peak to peak",
    "ripple": "ripple, RMS", "mean": "mean voltage", "amps": "current, RMS",
    "joules": "heat", "held": "energy taken up", "returned": "energy back into the source",
    "braked": "energy given up", "impedance": "impedance", "stable": "stable or not",
}  # fmt: skip


class _Record(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A piece of a lesson's file."""


class Screen(_Record, frozen=True, kw_only=True):
    """What the screen shows: everything left out stays as the lesson has it.

    Attributes
    ----------
    build : id of a preset, or the name of one of the lesson's own builds
    option, event : by name; option "" is the build as drawn
    pinned : name of the option whose curve stays dotted behind
    against : what the curve behind has otherwise; `pinned` is then the name it is given
    changes : made to the build before the option, as an option's own
    throttle : instead of the event, all ESCs steady at this duty, 0 to 1
    window : from and to
    watch : clips whose curves are shown, instead of the build's own; a room sees the first
    view : of the curves; noise : band of the noise path
    slow : played in slow motion, so much of the event a second
    """

    build: str | None = None
    option: str | None = None
    event: str | None = None
    pinned: str | None = None
    against: tuple[Change, ...] = ()
    changes: tuple[Change, ...] = ()
    throttle: float | None = None
    window: tuple[Given, Given] | None = None
    watch: tuple[Clip, ...] = ()
    view: Literal["time", "spectrum", "impedance", "joules"] = "time"
    noise: Literal["slow", "PWM", "edges"] | None = None
    slow: Given | None = None


class Figure(_Record, frozen=True, kw_only=True):
    """A number that the engine works out.

    Attributes
    ----------
    name : by which cards and claims call it
    words : what the room reads beside it
    reads : peak, lowest, swing (peak to peak), ripple (RMS about the mean) and mean voltage at
        a place; amps (RMS) of a part, joules it turned to heat; held: joules a capacitor takes
        from where the event starts to its highest voltage; returned: joules that went back into
        the sources; braked: joules that rotors, capacitors and leads gave up; impedance of a
        place at `hz`; stable (1 or 0)
    at : the place or part; ground : another place to read its voltage against
    """

    name: str
    words: str
    reads: Reads
    at: str = ""
    ground: str | None = None
    hz: Given | None = None
    screen: Screen = Screen()


class Ratio(_Record, frozen=True, kw_only=True):
    """A figure, or how many times another one it is."""

    figure: str
    over: str | None = None


class Claim(_Record, frozen=True, kw_only=True):
    """What a lesson says and the engine has to bear out: at least, and below."""

    text: str
    figure: str
    over: str | None = None
    at_least: float | None = None
    below: float | None = None


class Choice(_Record, frozen=True, kw_only=True):
    """A guess, and the range of the figure in which it is right."""

    text: str
    at_least: float | None = None
    below: float | None = None

    def holds(self, value: float) -> bool:
        """Whether the figure lies in this choice's range."""
        above = self.at_least is None or value >= self.at_least
        return above and (self.below is None or value < self.below)


class Measurement(_Record, frozen=True, kw_only=True):
    """One of those the class may ask for, and what it would have told them."""

    text: str
    figure: str
    sound: str
    says: str


class Card(_Record, frozen=True, kw_only=True):
    """One screen of a lesson.

    Attributes
    ----------
    notes : for the presenter alone
    choices, guess : of a guess; the right choice is the one whose range holds `guess`
    figures : names of at most three, shown on a reveal
    measurements : of a hunt for a hidden fault; the class has `allowed`
    hidden : the frame is covered until the reveal
    """

    kind: Literal["ask", "guess", "reveal", "bench", "measure", "sum_up"]
    title: str
    text: str = ""
    notes: str = ""
    choices: tuple[Choice, ...] = ()
    guess: Ratio | None = None
    figures: tuple[str, ...] = ()
    measurements: tuple[Measurement, ...] = ()
    allowed: int = 3
    hidden: bool = False
    screen: Screen = Screen()


class Lesson(_Record, frozen=True, kw_only=True):
    """A lesson: its cards in order, its figures, its claims.

    Attributes
    ----------
    builds : the lesson's own, by name, each as its file has it; screens may name them
    """

    format: Literal["rippletree-lesson"] = "rippletree-lesson"
    version: int = VERSION
    title: str
    minutes: int = 30
    story: str = ""
    rule: str = ""
    build: str
    option: str | None = None
    event: str | None = None
    figures: tuple[Figure, ...] = ()
    claims: tuple[Claim, ...] = ()
    cards: tuple[Card, ...] = ()
    builds: dict[str, Any] = {}

    def figure(self, name: str) -> Figure:
        """The figure called `name`; the lesson was checked, so it is there."""
        return next(f for f in self.figures if f.name == name)


@dataclass(frozen=True)
class Row:
    """A lesson in the list."""

    id: str
    title: str
    minutes: int
    story: str


# --- files ------------------------------------------------------------------------------


def lessons() -> tuple[Row, ...]:
    """Those that come with the program, in order."""
    rows = []
    for file in sorted(_folder().iterdir(), key=lambda f: f.name):
        if file.name.endswith(".json"):
            lesson = loads(file.read_bytes())
            name = file.name.removesuffix(".json")
            rows.append(Row(name, lesson.title, lesson.minutes, lesson.story))
    return tuple(rows)


def load(path_or_id: str | Path, *, checked: bool = True) -> Lesson:
    """A lesson of the program by its id, or a file; `checked` as for `loads`.

    Raises
    ------
    DocumentError   with the place of the mistake
    """
    if isinstance(path_or_id, str) and re.fullmatch(r"[A-Za-z0-9_]+", path_or_id):
        file = _folder() / f"{path_or_id}.json"
        if not file.is_file():
            known = tuple(row.id for row in lessons())
            raise DocumentError(
                path_or_id, "is no lesson", nearest_names(path_or_id, known, "Lessons are")
            )
        return _placed(file.read_bytes(), path_or_id, checked)
    path = Path(path_or_id)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise DocumentError(str(path), "cannot be read", error.strerror or "") from error
    return _placed(data, path.name, checked)


def _placed(data: bytes, name: str, checked: bool) -> Lesson:
    try:
        return loads(data, checked=checked)
    except SimError as error:
        where = f"{name}: {error.where}" if error.where else name
        raise type(error)(where, error.what, error.hint) from None


def loads(data: bytes, *, checked: bool = True) -> Lesson:
    """A lesson from the bytes of a file; `checked` also by `check`.

    Raises
    ------
    NewerFile   if a later program wrote it
    DocumentError, WrongPort   with the place of the mistake
    """
    try:
        tree: Any = msgspec.json.decode(data)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise DocumentError("", f"is no JSON: {error}", "Look at the place it names") from None
    if not isinstance(tree, dict) or tree.get("format") != FORMAT:
        raise BadField("format", "is no lesson's", f'Give "{FORMAT}"')
    version = tree.get("version", VERSION)
    if isinstance(version, int) and version > VERSION:
        raise NewerFile("version", f"is {version}, made by a later program", f"Give {VERSION}")
    try:
        lesson = msgspec.convert(tree, Lesson)
    except msgspec.ValidationError as error:
        what, _, tail = str(error).partition(" - at `$")
        where = tail.removesuffix("`").lstrip(".")
        raise BadField(where, what.replace("`", "'"), "See the lessons of the program") from None
    if checked:
        check(lesson)
    return lesson


def dumps(lesson: Lesson) -> bytes:
    """The bytes of a lesson's file."""
    return msgspec.json.format(msgspec.json.encode(lesson), indent=2) + b"\n"


def save(lesson: Lesson, path: str | Path) -> None:
    """Write a lesson, playable or not yet, so that the old file stays whole until the new one is.

    Raises
    ------
    DocumentError   if it cannot be written; the old file is untouched
    """
    from sim.build import write_whole

    write_whole(path, dumps(lesson))


def _folder() -> Any:
    return resources.files("presets") / "lessons"


# --- checks -----------------------------------------------------------------------------


def check(lesson: Lesson) -> None:
    """Raise at the first mistake, with its place.

    Raises
    ------
    BadField, WrongPort   a name that nothing has, a choice that cannot be right, too much for
        a room to read
    """
    for name in lesson.builds:
        _own_build(lesson, name)
    document(lesson, Screen())
    names = tuple(figure.name for figure in lesson.figures)
    for name in names:
        if names.count(name) > 1:
            raise BadField("figures", f"two are called {name!r}", "Give each its own name")
    for i, figure in enumerate(lesson.figures):
        _check_figure(lesson, figure, f"figures[{i}]")
    for i, claim in enumerate(lesson.claims):
        where = f"claims[{i}]"
        _known(claim.figure, names, f"{where}.figure")
        _known(claim.over, names, f"{where}.over")
        if claim.at_least is None and claim.below is None:
            raise BadField(where, "claims nothing", "Give at_least, below or both")
    if not lesson.cards:
        raise BadField("cards", "there is none", "A lesson has at least one")
    for i, card in enumerate(lesson.cards):
        _check_card(lesson, card, names, f"cards[{i}]")


def _known(name: str | None, names: Sequence[str], where: str) -> None:
    if name is not None and name not in names:
        raise BadField(
            where, f"there is no figure {name!r}", nearest_names(name, tuple(names), "Figures are")
        )


def _check_figure(lesson: Lesson, figure: Figure, where: str) -> None:
    build = _shown(lesson, figure.screen, where)
    if figure.reads == "impedance" and figure.hz is None:
        raise BadField(f"{where}.hz", "is not given", "An impedance is read at a frequency")
    if figure.hz is not None:
        given_number(figure.hz, "Hz", f"{where}.hz")
    if figure.reads in ("stable", "returned", "braked"):
        return
    for key, address in (("at", figure.at), ("ground", figure.ground)):
        _there(build, address, f"{where}.{key}")


def _check_card(lesson: Lesson, card: Card, names: tuple[str, ...], where: str) -> None:
    _shown(lesson, card.screen, f"{where}.screen")
    if len(card.figures) > MOST_NUMBERS:
        raise BadField(
            f"{where}.figures", f"are {len(card.figures)}", f"A room reads at most {MOST_NUMBERS}"
        )
    for k, name in enumerate(card.figures):
        _known(name, names, f"{where}.figures[{k}]")
    if card.kind == "guess":
        if card.guess is None or not 2 <= len(card.choices) <= MOST_CHOICES:
            raise BadField(where, "is no guess", f"Give guess, and 2 to {MOST_CHOICES} choices")
        _known(card.guess.figure, names, f"{where}.guess.figure")
        _known(card.guess.over, names, f"{where}.guess.over")
    if card.kind == "measure":
        if not card.measurements or not 1 <= card.allowed <= len(card.measurements):
            raise BadField(where, "has nothing to measure", "Give measurements, and allowed")
        for k, one in enumerate(card.measurements):
            _known(one.figure, names, f"{where}.measurements[{k}].figure")
            _known(one.sound, names, f"{where}.measurements[{k}].sound")


def _shown(lesson: Lesson, screen: Screen, where: str) -> Build:
    """The build of a screen with its changes and option; refuses what is not there."""
    from sim.options import apply

    build = document(lesson, screen, where)
    behind = None if screen.against else screen.pinned
    for name, key in ((screen.option, "option"), (behind, "pinned")):
        if name:
            _tried(option_index, build, name, f"{where}.{key}")
    if screen.event is not None:
        _tried(event_index, build, screen.event, f"{where}.event")
    if screen.throttle is not None and not 0.0 <= screen.throttle <= 1.0:
        raise BadField(f"{where}.throttle", f"is {screen.throttle:g}", "Give 0 to 1")
    if screen.slow is not None and not given_number(screen.slow, "s", f"{where}.slow") > 0.0:
        raise BadField(f"{where}.slow", "is no speed", "Give some µs of the event a second")
    for key, changes in (("changes", screen.changes), ("against", screen.against)):
        for k, change in enumerate(changes):
            verbs = [v for v in ("remove", "bypass", "set") if getattr(change, v) is not None]
            if len(verbs) != 1 or change.add is not None:
                raise BadField(
                    f"{where}.{key}[{k}]", "is no change", "Give one of remove, bypass, set"
                )
    if screen.against and not screen.pinned:
        raise BadField(f"{where}.against", "has no name", "Give pinned: what the curve is called")
    build = apply(build, Option(name=f"{where}.changes", changes=screen.changes))
    apply(build, Option(name=f"{where}.against", changes=screen.against))
    if screen.window is not None:
        ends = [given_number(end, "s", f"{where}.window[{k}]")
                for k, end in enumerate(screen.window)]  # fmt: skip
        made = build_of(lesson, screen)
        event = events_of(made)[event_index(made, event_of(lesson, screen))]
        lasts = seconds(event.duration, f"{where}.window")
        if not 0.0 <= ends[0] < ends[1] <= lasts * (1.0 + 1e-9):
            raise BadField(
                f"{where}.window",
                f"is not inside the event {event.name!r}",
                f"Give 0 s to {quantity.format(lasts, 's')}, start before end",
            )
    index = option_index(build, option_of(lesson, screen) or None)
    build = apply(build, None if index is None else build.options[index])
    for k, clip in enumerate(screen.watch):
        _there(build, clip.tip, f"{where}.watch[{k}].tip")
        _there(build, clip.ground, f"{where}.watch[{k}].ground")
        probe_of(clip, f"{where}.watch[{k}].probe")
    return build


def _there(build: Build, address: str | None, where: str) -> None:
    """Refuse a place whose part is not there."""
    if address is not None and build.part(address.split(".")[0]) is None:
        ids = tuple(part.id for part in build.parts)
        raise WrongPort(
            where, f"there is no part {address!r}", nearest_names(address, ids, "Parts are")
        )


def _tried(find: Callable[[Build, str], object], build: Build, name: str, where: str) -> None:
    try:
        find(build, name)
    except SimError as error:
        raise type(error)(where, error.what, error.hint) from None


def option_of(lesson: Lesson, screen: Screen) -> str | None:
    """The option of a screen by name; "" or None is the build as drawn."""
    return lesson.option if screen.option is None else screen.option


def document(lesson: Lesson, screen: Screen, where: str = "") -> Build:
    """The build that a screen names, as it is in its file.

    Raises
    ------
    SimError   if there is none of that name; the place begins with `where`
    """
    from sim.build import load as load_build

    name = screen.build or lesson.build
    if name in lesson.builds:
        return _own_build(lesson, name)
    try:
        return load_build(name)
    except SimError as error:
        place = f"{where}.build" if where else "build"
        raise type(error)(place, f"{name}: {error.what}", error.hint) from None


def _own_build(lesson: Lesson, name: str) -> Build:
    return _parsed(msgspec.json.encode(lesson.builds[name]), f"builds.{name}")


@lru_cache(maxsize=32)
def _parsed(data: bytes, where: str) -> Build:
    from sim.build import loads as loads_build

    return loads_build(data, where)


def build_of(lesson: Lesson, screen: Screen) -> Build:
    """The document that a screen shows, its changes made; options are still choices."""
    from sim.options import apply

    build = document(lesson, screen)
    build = apply(build, Option(name="changes", changes=screen.changes))
    if screen.against and screen.pinned:
        index = option_index(build, option_of(lesson, screen) or None)
        own = () if index is None else build.options[index].changes
        behind = Option(name=screen.pinned, changes=own + screen.against)
        build = msgspec.structs.replace(build, options=(*build.options, behind))
    if screen.watch:
        build = msgspec.structs.replace(build, clips=screen.watch)
    if screen.throttle is None:
        return build
    steady = Event(
        name=f"Steady at {100.0 * screen.throttle:.0f} %",
        kind="steady",
        duration=STEADY_S,
        duty=screen.throttle,
    )
    return msgspec.structs.replace(build, events=(steady, *build.events))


def event_of(lesson: Lesson, screen: Screen) -> str | int | None:
    """What `sim.solve` is given as the event of a screen, on its `build_of`."""
    if screen.throttle is not None:
        return 1
    return lesson.event if screen.event is None else screen.event


# --- figures ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Number:
    """A figure worked out."""

    name: str
    words: str
    value: float
    unit: str

    @property
    def text(self) -> str:
        """As people say it, two figures and a bit; less than a scope could ever show is none."""
        if not self.unit:
            return "stable" if self.value else "unstable"
        if abs(self.value) < _NOTHING:
            return f"0 {self.unit}"
        return quantity.format(self.value, self.unit, 3)


def compute(
    lesson: Lesson,
    names: Sequence[str] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> dict[str, Number]:
    """Figures of a lesson, all or those named, from fresh solutions with every edge.

    Raises
    ------
    SimError   if a build cannot be solved, or a place is not there
    Cancelled   if `cancelled` says so
    """
    wanted = [f for f in lesson.figures if names is None or f.name in names]
    runs: dict[bytes, Solution] = {}
    return {f.name: number(lesson, f, runs, cancelled) for f in wanted}


def number(
    lesson: Lesson,
    figure: Figure,
    runs: dict[bytes, Solution],
    cancelled: Callable[[], bool] | None = None,
) -> Number:
    """One figure; `runs` keeps solutions that several figures share. Raises as `compute`."""
    unit = UNITS[figure.reads]
    if figure.reads == "impedance":
        value = _impedance(lesson, figure)
    else:
        value = _read(_solved(lesson, figure.screen, runs, cancelled), figure)
    return Number(figure.name, figure.words, value, unit)


def _solved(
    lesson: Lesson,
    screen: Screen,
    runs: dict[bytes, Solution],
    cancelled: Callable[[], bool] | None,
) -> Solution:
    from sim.api import solve

    option = option_of(lesson, screen) or None
    event = event_of(lesson, screen)
    key = msgspec.json.encode((screen.build, option, event, screen.throttle, screen.changes))
    if key not in runs:
        runs[key] = solve(build_of(lesson, screen), event, option, cancelled=cancelled)
    return runs[key]


def _read(solution: Solution, figure: Figure) -> float:
    import numpy as np

    from sim.signals import Signal

    if figure.reads == "stable":
        return float(solution.stable)
    t0, t1 = 0.0, solution.duration_s
    if figure.screen.window is not None:
        ends = (given_number(end, "s", "window") for end in figure.screen.window)
        t0, t1 = (min(max(end, 0.0), solution.duration_s) for end in ends)
    if figure.reads in ("returned", "braked"):
        balance = solution.trajectory.energy(t0, t1)
        return -(balance.from_sources if figure.reads == "returned" else balance.stored_change)
    if figure.reads in ("amps", "joules"):
        _, parts = solution.figures(t0, t1)
        part = next((p for p in parts if p.id == figure.at), None)
        if part is None:
            raise WrongPort(figure.at, "no current of it can be read")
        return part.rms_A if figure.reads == "amps" else part.loss_J
    signal = Signal("volts", figure.at, figure.ground)
    row = solution.stretch([signal], t0, t1)
    high, low = float(row.highest[0]), float(row.lowest[0])
    if figure.reads == "held":
        owner = figure.at.split(".")[0]
        if owner not in solution.context.values:
            raise WrongPort(figure.at, "is no capacitor here")
        farad = solution.context.values[owner].optional("capacitance")
        if farad is None:
            raise WrongPort(figure.at, "has no capacitance")
        start = float(solution.sample([signal], np.array([t0]))[0, 0])
        return 0.5 * farad * (high * high - start * start)
    mean, square = float(row.mean[0]), float(row.mean_square[0])
    ripple = float(max(square - mean * mean, 0.0) ** 0.5)
    values = {"peak": high, "lowest": low, "swing": high - low, "ripple": ripple, "mean": mean}
    return values[figure.reads]


def _impedance(lesson: Lesson, figure: Figure) -> float:
    from sim.impedance import impedance

    screen = figure.screen
    hz = given_number(figure.hz or 1.0, "Hz", "hz")
    found = impedance(
        build_of(lesson, screen),
        figure.at,
        hz=[hz],
        event=event_of(lesson, screen),
        option=option_of(lesson, screen) or None,
    )
    return float(found.values[0])


def ratio(numbers: dict[str, Number], of: Ratio | Claim) -> float:
    """A figure, or how many times another one it is."""
    value = numbers[of.figure].value
    return value if of.over is None else value / numbers[of.over].value


def right_choice(card: Card, numbers: dict[str, Number]) -> int | None:
    """Index of the choice that the engine bears out; None if none does."""
    if card.guess is None:
        return None
    value = ratio(numbers, card.guess)
    return next((i for i, choice in enumerate(card.choices) if choice.holds(value)), None)


def broken_claims(lesson: Lesson, numbers: dict[str, Number]) -> list[str]:
    """Claims that the engine does not bear out, and guesses without a right choice, in words."""
    found = []
    for claim in lesson.claims:
        value = ratio(numbers, claim)
        low = claim.at_least is not None and value < claim.at_least
        if low or (claim.below is not None and value >= claim.below):
            found.append(f"{claim.text}: the engine says {value:.4g}")
    for card in lesson.cards:
        if card.kind == "guess" and right_choice(card, numbers) is None:
            assert card.guess is not None
            found.append(f"{card.title}: no choice holds {ratio(numbers, card.guess):.4g}")
    return found

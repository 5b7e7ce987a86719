"""A lesson while it is being written: what to start from, screens taken from a bench, names kept.

Every function gives a new lesson; nothing here draws.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

from msgspec.structs import replace

from sim import lessons, quantity
from sim.build import dumps, presets
from sim.build import load as load_build
from sim.errors import SimError
from sim.lessons import Card, Choice, Claim, Figure, Lesson, Ratio, Screen
from sim.parts import KINDS

if TYPE_CHECKING:
    from sim.build import Build

#: What each kind of card is called where one is chosen.
KIND_WORDS: dict[str, str] = {
    "ask": "Ask", "guess": "Guess", "reveal": "Reveal", "bench": "Bench task",
    "measure": "Hunt a fault", "sum_up": "Sum up",
}  # fmt: skip
CAPACITORS = ("electrolytic", "polymer", "ceramic")
_SAMPLE = "arms_4s_analogue"


def empty() -> Lesson:
    """One card on the sample."""
    return Lesson(
        title="A lesson without a name", build=_SAMPLE,
        cards=(Card(kind="ask", title="What do you think?"),),
    )  # fmt: skip


def template() -> Lesson:
    """One card of each step, a guess that can be played, to be written over."""
    bare = Figure(name="bare", words="no capacitor", reads="swing", at="esc1.in",
                  screen=Screen(option="No capacitor"))  # fmt: skip
    near = Figure(name="near", words="one at each ESC", reads="swing", at="esc1.in",
                  screen=Screen(option="One at each ESC"))  # fmt: skip
    choices = (
        Choice(text="less than half as much", below=0.5),
        Choice(text="a little less", at_least=0.5, below=0.95),
        Choice(text="the same", at_least=0.95, below=1.05),
        Choice(text="more", at_least=1.05),
    )
    cards = (
        Card(kind="ask", title="A question", text="What is it about?", notes="What you say."),
        Card(kind="guess", title="What will it be?", choices=choices, hidden=True,
             guess=Ratio(figure="near", over="bare"), screen=Screen(option="One at each ESC")),
        Card(kind="reveal", title="What it is", figures=("bare", "near"),
             screen=Screen(option="One at each ESC", pinned="No capacitor")),
        Card(kind="bench", title="Measure it", text="Where, and at what throttle?"),
        Card(kind="sum_up", title="What to take home"),
    )  # fmt: skip
    return Lesson(
        title="A lesson from the template", rule="What to remember.", build=_SAMPLE,
        option="No capacitor", event="Mid throttle", figures=(bare, near), cards=cards,
    )  # fmt: skip


# --- screens -----------------------------------------------------------------------------


def with_build(lesson: Lesson, build: Build) -> tuple[Lesson, str]:
    """The lesson knowing a build, and the name by which its screens may call it.

    A preset as it is goes by its id; anything else is taken into the lesson, so that its file
    is all a club has to hand on.
    """
    for preset in presets():
        if preset.name == build.name and load_build(preset.id) == build:
            return lesson, preset.id
    tree = json.loads(dumps(build))
    for name, own in lesson.builds.items():
        if own == tree:
            return lesson, name
    stem = re.sub(r"\W+", "_", build.name.lower()).strip("_") or "build"
    name, number = stem, 1
    taken = {*lesson.builds, *(preset.id for preset in presets())}
    while name in taken:
        number += 1
        name = f"{stem}_{number}"
    return replace(lesson, builds={**lesson.builds, name: tree}), name


def without_unused(lesson: Lesson) -> Lesson:
    """Own builds that no screen names any more are left out."""
    screens = [c.screen for c in lesson.cards] + [f.screen for f in lesson.figures]
    used = {lesson.build, *(screen.build for screen in screens)}
    kept = {name: tree for name, tree in lesson.builds.items() if name in used}
    return lesson if len(kept) == len(lesson.builds) else replace(lesson, builds=kept)


def screen_words(lesson: Lesson, screen: Screen) -> str:
    """What a screen shows, in a line."""
    try:
        name = lessons.document(lesson, screen).name
    except SimError:
        name = screen.build or lesson.build
    option = lessons.option_of(lesson, screen)
    event = screen.event or lesson.event or "the first event"
    if screen.throttle is not None:
        event = f"steady at {100.0 * screen.throttle:.0f} %"
    said = [name, option or "as drawn", event]
    if screen.window is not None:
        said.append(f"{screen.window[0]} to {screen.window[1]}")
    if screen.pinned:
        said.append(f"dotted: {screen.pinned}")
    for change in screen.changes:
        done = [f"{change.set} {change.value}"] if change.set else []
        said += [*done, *(f"without {gone}" for gone in (change.remove, change.bypass) if gone)]
    if screen.view != "time":
        said.append({"spectrum": "spectrum", "impedance": "impedance"}.get(screen.view, "joules"))
    if screen.noise is not None:
        said.append(f"noise path: {screen.noise}")
    if screen.slow is not None:
        said.append(f"slow motion, {screen.slow} a second")
    return ", ".join(said)


def taken(
    lesson: Lesson,
    build: Build,
    *,
    option: str,
    event: str,
    pinned: str | None = None,
    window: tuple[float, float] | None = None,
    view: str = "time",
    noise: str | None = None,
    slow: float | None = None,
) -> tuple[Lesson, Screen]:
    """What a bench shows as a screen, and the lesson knowing its build.

    Parameters
    ----------
    option, event, pinned : names; option "" is the build as drawn
    window : stretch shown, s; None is the whole event
    view, noise : as in `Screen`
    slow : seconds of event a second of slow motion; None where it is off
    """
    lesson, name = with_build(lesson, build)
    screen = Screen(
        build=None if name == lesson.build else name,
        option=None if option == (lesson.option or "") else option,
        event=None if event == lesson.event else event,
        pinned=pinned,
        window=None if window is None else (_time(window[0]), _time(window[1])),
        view=view,  # type: ignore[arg-type]
        noise=noise,  # type: ignore[arg-type]
        slow=None if slow is None else _time(slow),
    )
    return lesson, screen


def _time(seconds: float) -> str | float:
    """As people write it where that is exact, or else the number."""
    text = quantity.format(seconds, "s", 6)
    close = abs(quantity.parse(text, "s") - seconds) <= 1e-12 * abs(seconds)
    return text if close else seconds


def places(build: Build, reads: str) -> list[str]:
    """Where a figure of this reading may be read: joints and ports, or parts."""
    if reads in ("stable", "returned", "braked"):
        return []
    if reads == "held":
        return [part.id for part in build.parts if part.kind in CAPACITORS]
    own = [part for part in build.parts if part.kind != "joint"]
    if reads in ("amps", "joules"):
        return [part.id for part in own]
    joints = [part.id for part in build.parts if part.kind == "joint"]
    return joints + [f"{part.id}.{port.name}" for part in own for port in KINDS[part.kind].ports]


# --- names -------------------------------------------------------------------------------


def free_name(lesson: Lesson, wish: str) -> str:
    """A figure's name that none has yet."""
    taken = {figure.name for figure in lesson.figures}
    stem = re.sub(r"\W+", "_", wish.lower()).strip("_") or "figure"
    name, number = stem, 1
    while name in taken:
        number += 1
        name = f"{stem}_{number}"
    return name


def with_figure(lesson: Lesson, index: int, figure: Figure) -> Lesson:
    """The figure at `index` made another; what calls it by its old name goes on doing so."""
    old = lesson.figures[index].name
    figures = (*lesson.figures[:index], figure, *lesson.figures[index + 1 :])
    lesson = replace(lesson, figures=figures)
    if figure.name == old or any(f.name == old for f in figures):
        return lesson

    def now(name: str) -> str:
        return figure.name if name == old else name

    def maybe(name: str | None) -> str | None:
        return None if name is None else now(name)

    def card(one: Card) -> Card:
        guess = one.guess and replace(one.guess, figure=now(one.guess.figure),
                                      over=maybe(one.guess.over))  # fmt: skip
        measured = tuple(replace(m, figure=now(m.figure), sound=now(m.sound))
                         for m in one.measurements)  # fmt: skip
        return replace(one, guess=guess, figures=tuple(map(now, one.figures)),
                       measurements=measured)  # fmt: skip

    def claim(one: Claim) -> Claim:
        return replace(one, figure=now(one.figure), over=maybe(one.over))

    return replace(lesson, cards=tuple(map(card, lesson.cards)),
                   claims=tuple(map(claim, lesson.claims)))  # fmt: skip


# --- mistakes ----------------------------------------------------------------------------

_WORDS = {
    "cards": "card", "figures": "figure", "claims": "claim", "choices": "choice",
    "measurements": "measurement", "changes": "change",
}  # fmt: skip


def mistake(lesson: Lesson) -> SimError | None:
    """The first mistake, or None if the lesson can be played."""
    try:
        lessons.check(lesson)
    except SimError as error:
        return error
    return None


def place_words(lesson: Lesson, where: str) -> str:
    """ "cards[1].figures[0]" as people count: "card 2, figure 1"; a figure by its name."""
    said = []
    for k, piece in enumerate(where.split(".")):
        found = re.fullmatch(r"(\w+)\[(\d+)\]", piece)
        if found is None:
            said.append(piece)
            continue
        key, index = found[1], int(found[2])
        if key == "figures" and k == 0 and index < len(lesson.figures):
            said.append(f"figure “{lesson.figures[index].name}”")
        else:
            said.append(f"{_WORDS.get(key, key)} {index + 1}")
    return ", ".join(said)


def place_in(where: str, key: str) -> int | None:
    """Index of the card ("cards") or the figure ("figures") that a place is in."""
    found = re.match(rf"{key}\[(\d+)\]", where)
    return None if found is None else int(found[1])

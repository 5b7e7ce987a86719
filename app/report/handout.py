"""The handout of a lesson: one page to guess on, to write three numbers on, and to take home.

Nothing on it gives an answer away: it is made from what stands before the reveal, without any
figure. The rule of thumb is printed upside down on a strip that is folded back. The instructor's
copy is the same page with the figures in it, worked out by the engine.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from app.report import drawing, writers
from app.report.content import CAUTIONS
from app.report.sheet import (
    A4_MM,
    BAND,
    FAINT,
    INK,
    LETTER_MM,
    MUTED,
    Sheet,
    fitted,
    line_step,
    text_mm,
    wrapped,
)
from sim.errors import BadField
from sim.lessons import READS_WORDS, UNITS, Screen, build_of, option_of, ratio, right_choice

if TYPE_CHECKING:
    from collections.abc import Mapping

    from sim.build import Build
    from sim.lessons import Card, Figure, Lesson, Number

_EDGE = 15.0
_ROW = 9.0
_STRIP = 24.0
#: Lowest that a printer reaches for sure, and the room for the rule's text, mm; its sizes, points.
_FOOT = 8.5
_RULE = 10.0
_SIZES = (10.0, 9.0, 8.0, 7.0)
#: Heights that the drawing may have; the largest that leaves room for all the rest, mm.
_DRAWN = (106.0, 96.0, 86.0, 76.0, 66.0, 56.0, 46.0)
#: Papers by what a printer calls them.
PAPERS = {"a4": A4_MM, "letter": LETTER_MM}


def pdf(lesson: Lesson, paper: str = "a4", numbers: Mapping[str, Number] | None = None) -> bytes:
    """The file of a lesson's handout. Parameters and errors as `handout`; `paper` of `PAPERS`."""
    return writers.pdf(f"{lesson.title}: handout", handout(lesson, PAPERS[paper], numbers))


@dataclass
class _Page:
    """A sheet, its margins, and the figures if it is the instructor's."""

    sheet: Sheet
    lesson: Lesson
    numbers: Mapping[str, Number] | None

    @property
    def left(self) -> float:
        return _EDGE

    @property
    def right(self) -> float:
        return self.sheet.size[0] - _EDGE

    @property
    def wide(self) -> float:
        return self.right - self.left

    @property
    def fold(self) -> float:
        """Where the strip with the rule begins."""
        return self.sheet.size[1] - _STRIP


def handout(
    lesson: Lesson,
    size: tuple[float, float] = A4_MM,
    numbers: Mapping[str, Number] | None = None,
) -> list[Sheet]:
    """The page of a checked lesson.

    Parameters
    ----------
    size : of the paper, mm
    numbers : of `sim.lessons.compute`, all of them, for the instructor's copy; None for the class

    Raises
    ------
    BadField   if the text of the bench task alone fills the page
    """
    for height in _DRAWN:
        for most in range(len(_asked(lesson)), -1, -1):
            sheet = Sheet(f"{lesson.title}: handout", size)
            page = _Page(sheet, lesson, numbers)
            y, floor = _fill(page, height, most), _cautions(page)
            if y <= floor:
                _notes(page, y, floor)
                return [sheet]
            if height > _DRAWN[-1]:
                break  # a smaller drawing before a question is left out
    raise BadField("cards", "have too much text for one page", "Shorten that of the bench task")


def rows_of(lesson: Lesson) -> list[Figure]:
    """The three figures that are written down: those of the reveal with the most, the earliest."""
    shown = [card.figures for card in lesson.cards if card.kind == "reveal"]
    names = max(shown, key=len, default=())
    return [lesson.figure(name) for name in names]


def pictured(lesson: Lesson) -> Screen:
    """The screen whose build is drawn: none that is covered on the projector.

    Where a fault is hidden, the sound build is drawn.
    """
    hunt = next((card for card in lesson.cards if card.kind == "measure"), None)
    if hunt is not None:
        return lesson.figure(hunt.measurements[0].sound).screen
    first = lesson.cards[0]
    return first.screen if first.kind == "ask" and not first.hidden else Screen()


def _asked(lesson: Lesson) -> list[Card]:
    return [card for card in lesson.cards if card.kind in ("guess", "measure")]


def _fill(page: _Page, drawn: float, most: int) -> float:
    """Draw all of it, `most` of the questions; returns the y below."""
    sheet, lesson = page.sheet, page.lesson
    y = _head(page)
    first = lesson.cards[0]
    if first.kind == "ask":
        y = sheet.paragraph(page.left, y, page.wide, f"{first.title}. {first.text}", 10.0)
    y = _picture(page, y + 1.0, drawn)
    asked = _asked(lesson)
    for card in asked[:most]:
        y = _question(page, y + 2.0, card)
    if len(asked) > most:
        left = len(asked) - most
        words = f"and {left} more question{'' if left == 1 else 's'} on the screen"
        y = sheet.paragraph(page.left, y + 1.0, page.wide, words, 8.0, colour=MUTED)
    y = _numbers(page, y)
    y = _bench(page, y)
    _strip(page)
    return _written(page, y + 1.0, "My rule of thumb")


def _cautions(page: _Page) -> float:
    """Just above the fold; returns the y above them."""
    size = 8.0
    rows = [row for caution in CAUTIONS for row in wrapped(caution, page.wide, size, True)]
    top = page.fold - 2.0 - len(rows) * line_step(size)
    for k, row in enumerate(rows):
        page.sheet.words(page.left, top + (k + 0.75) * line_step(size), row, size, bold=True)
    return top - 2.0


def _notes(page: _Page, y: float, floor: float) -> None:
    """Lines to write on in what room is left."""
    y += 8.5
    while y <= floor:
        page.sheet.line((page.left, y), (page.right, y), colour=FAINT, width=0.2)
        y += 8.5


def _head(page: _Page) -> float:
    sheet = page.sheet
    title = fitted(page.lesson.title, page.wide - 62.0, 15.0, True)
    sheet.words(page.left, 17.0, title, 15.0, bold=True)
    if page.numbers is None:
        x = page.right - 56.0
        sheet.words(x, 17.0, "Name", 8.0, colour=MUTED)
        sheet.line((x + 10.0, 17.5), (page.right, 17.5), colour=MUTED, width=0.2)
    else:
        sheet.words(page.right, 17.0, "Instructor's copy", 10.0, bold=True, anchor="end")
    sheet.line((page.left, 20.0), (page.right, 20.0), colour=FAINT)
    return 20.0


def _picture(page: _Page, y: float, height: float) -> float:
    """The build from above, with its legend beside it in what room there is."""
    sheet = page.sheet
    wide = 0.56 * page.wide
    legend = drawing.frame(sheet, _drawn(page.lesson), page.left, y, wide, height)
    x, at, size = page.left + wide + 3.0, y + 2.0, 7.5
    hunted = any(card.kind == "measure" for card in page.lesson.cards)
    floor = y + height - (line_step(size) if hunted else 0.0)
    for row in legend:
        lines = len(wrapped(row, page.right - x, size))
        if at + (lines + 1) * line_step(size) > floor:
            sheet.words(x, at + 3.0, "...", size)
            break
        at = sheet.paragraph(x, at, page.right - x, row, size)
    if hunted:
        sheet.words(x, y + height - 2.0, "Drawn as it should be.", size, colour=MUTED)
    return y + height


def _drawn(lesson: Lesson) -> Build:
    from sim.options import apply
    from sim.resolve import option_index

    screen = pictured(lesson)
    build = build_of(lesson, screen)
    index = option_index(build, option_of(lesson, screen) or None)
    return apply(build, None if index is None else build.options[index])


def _question(page: _Page, y: float, card: Card) -> float:
    """A guess with its choices to tick, or what to measure first."""
    sheet, inside = page.sheet, page.wide - 8.0
    top = y
    x = page.left + 4.0
    head = "My guess" if card.kind == "guess" else f"I would measure ({card.allowed} of these)"
    y = sheet.paragraph(x, y + 1.0, inside, f"{head}: {card.title}", 10.0, bold=True)
    if card.text and card.kind == "guess":
        y = sheet.paragraph(x, y, inside, card.text, 9.5)
    texts = [c.text for c in card.choices] if card.kind == "guess" else [
        m.text for m in card.measurements]  # fmt: skip
    y = _boxes(page, x, y + 1.0, texts, _ticked(page, card))
    if page.numbers is not None:
        for words in _answers(card, page.numbers):
            y = sheet.paragraph(x, y, inside, words, 8.5, bold=True)
    if card.kind == "measure":
        y = _written(page, y, "What I think is wrong", x, inside)
    y += 2.0
    corners = ((page.left, top), (page.right, top), (page.right, y), (page.left, y))
    sheet.line(*corners, corners[0], colour=INK, width=0.3)
    return y


def _boxes(page: _Page, x: float, y: float, texts: list[str], ticked: int | None) -> float:
    """Squares to tick, two side by side where all texts are short enough."""
    sheet, size, square = page.sheet, 9.5, 3.4
    inside = page.wide - 8.0
    step = line_step(size)
    half = 0.5 * inside
    two = all(len(wrapped(text, half - 9.0, size)) == 1 for text in texts)
    across, room = (2, half) if two else (1, inside)
    at = y
    for k, text in enumerate(texts):
        column = k % across
        left = x + column * room
        if column == 0:
            at = y
        sheet.line((left, at + 0.8), (left + square, at + 0.8), (left + square, at + 0.8 + square),
                   (left, at + 0.8 + square), (left, at + 0.8), width=0.3)  # fmt: skip
        if k == ticked:
            sheet.line((left + 0.5, at + 2.4), (left + 1.4, at + 3.5), (left + 3.6, at + 0.2),
                       width=0.6)  # fmt: skip
        below = sheet.paragraph(left + square + 2.0, at, room - 9.0, text, size)
        y = max(y, below, at + step) if column else max(below, at + square + 1.2)
    return y + 1.0


def _ticked(page: _Page, card: Card) -> int | None:
    if page.numbers is None or card.guess is None:
        return None
    return right_choice(card, dict(page.numbers))


def _answers(card: Card, numbers: Mapping[str, Number]) -> list[str]:
    """What the engine says to a question, for the instructor."""
    if card.guess is not None:
        value = ratio(dict(numbers), card.guess)
        words = f"{value:.3g} times" if card.guess.over else numbers[card.guess.figure].text
        return [f"The engine says {words}."]
    return [
        f"{one.text}: {numbers[one.figure].text}, sound {numbers[one.sound].text}. {one.says}"
        for one in card.measurements
    ]


def _numbers(page: _Page, y: float) -> float:
    """Three rows to write in; where something is hunted, the measurements taken."""
    sheet, lesson = page.sheet, page.lesson
    hunt = next((card for card in lesson.cards if card.kind == "measure"), None)
    heads = ("the engine says", "we measured")
    if hunt is not None:
        rows = [(f"measurement {k + 1}, at", "", "") for k in range(min(hunt.allowed, 3))]
        heads = ("here", "on a sound one")
    else:
        rows = [_number_row(page, figure) for figure in rows_of(lesson)]
    if not rows:
        return y
    first, other = 0.46 * page.wide, 0.27 * page.wide
    y += 5.0
    for k, head in enumerate(heads):
        x = page.left + first + k * other + 2.0
        sheet.words(x, y, head, 8.0, colour=MUTED)
    y += 1.5
    for words, unit, value in rows:
        sheet.rect(page.left + first, y, other, _ROW, "#FFFFFF", INK)
        sheet.rect(page.left + first + other, y, other, _ROW, "#FFFFFF", INK)
        sheet.words(page.left, y + 5.8, fitted(words, first - 4.0, 9.0), 9.0)
        if value:
            sheet.words(page.left + first + 3.0, y + 6.0, value, 10.5, bold=True)
        for k in (1, 2):
            if unit and not (value and k == 1):
                x = page.left + first + k * other - 3.0
                sheet.words(x, y + 6.0, unit, 9.0, colour=MUTED, anchor="end")
        y += _ROW
    return y


def _number_row(page: _Page, figure: Figure) -> tuple[str, str, str]:
    """What is read, its unit, and its value on the instructor's copy."""
    value = "" if page.numbers is None else page.numbers[figure.name].text
    unit = UNITS[figure.reads].replace("Ohm", "Ω")
    return f"{figure.words} ({READS_WORDS[figure.reads]})", unit, value


def _bench(page: _Page, y: float) -> float:
    """The task at the bench, unless it tells where a hidden fault is."""
    sheet = page.sheet
    hunted = any(card.kind == "measure" for card in page.lesson.cards)
    if hunted and page.numbers is None:
        return y
    for card in page.lesson.cards:
        if card.kind == "bench":
            y = sheet.paragraph(page.left, y + 1.5, page.wide, f"At the bench: {card.title}. "
                                f"{card.text}", 9.5)  # fmt: skip
    return y


def _written(
    page: _Page, y: float, words: str, x: float | None = None, wide: float | None = None
) -> float:
    """A line to write on."""
    left = page.left if x is None else x
    right = left + (page.wide if wide is None else wide)
    sheet = page.sheet
    sheet.words(left, y + 7.0, words, 9.0)
    sheet.line((left + text_mm(words, 9.0) + 2.0, y + 7.5), (right, y + 7.5), colour=MUTED,
               width=0.2)  # fmt: skip
    return y + 8.5


def _strip(page: _Page) -> None:
    """The rule of thumb, upside down: folded back it is read from behind."""
    sheet, fold = page.sheet, page.fold
    if not page.lesson.rule:
        return
    rule = f"Rule of thumb: {page.lesson.rule}"
    size = next((s for s in _SIZES if len(wrapped(rule, page.wide - 6.0, s, True)) *
                 line_step(s) <= _RULE), _SIZES[-1])  # fmt: skip
    rows = wrapped(rule, page.wide - 6.0, size, True)[: int(_RULE / line_step(size))]
    if page.numbers is not None:
        sheet.rect(page.left, fold + 2.0, page.wide, _STRIP - 10.0, BAND)
        sheet.paragraph(page.left + 3.0, fold + 3.0, page.wide - 6.0, " ".join(rows), size,
                        bold=True)  # fmt: skip
        return
    sheet.line((page.left, fold), (page.right, fold), width=0.25, dash=(2.0, 1.5))
    sheet.words(page.left, fold + 3.2, "Fold back here before the lesson. Turn over after it.",
                7.0, colour=MUTED)  # fmt: skip
    for k, row in enumerate(rows):
        y = sheet.size[1] - _FOOT - (k + 0.75) * line_step(size)
        sheet.words(page.right, y, row, size, bold=True, turned=True)

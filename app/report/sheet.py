"""A sheet of paper as a list of shapes in millimetres, whichever file it ends in.

x to the right, y down, from the upper left corner. Text is measured with the very font that is
printed, so that what fits here fits on paper.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Literal

A4_MM = (210.0, 297.0)
LETTER_MM = (215.9, 279.4)
MM_PER_POINT = 25.4 / 72.0

INK, MUTED, FAINT, PAPER = "#20242B", "#5B616B", "#C9C6BC", "#FBFAF6"
BAND = "#F1EEE5"
PLUS, MINUS = "#B3372B", "#20242B"
LINE1, LINE2 = "#0072B2", "#A8558A"
VERDICT = {"within": "#007A5A", "close": "#8A5A00", "over": "#A84300"}

Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True)
class Line:
    """A polyline; `dash` in mm."""

    points: tuple[Point, ...]
    colour: str = INK
    width: float = 0.25
    dash: tuple[float, ...] = ()


@dataclass(frozen=True)
class Area:
    """A filled polygon, with an outline if `edge` is given."""

    points: tuple[Point, ...]
    fill: str
    edge: str = ""
    width: float = 0.2


@dataclass(frozen=True)
class Disc:
    """A circle."""

    at: Point
    radius: float
    fill: str = ""
    edge: str = INK
    width: float = 0.25


@dataclass(frozen=True)
class Words:
    """One line of text; `at` is on its base line. `turned`: upside down about `at`."""

    at: Point
    text: str
    size: float = 9.0
    bold: bool = False
    colour: str = INK
    anchor: Anchor = "start"
    turned: bool = False


Shape = Line | Area | Disc | Words


@dataclass
class Sheet:
    """One sheet."""

    title: str
    size: tuple[float, float] = A4_MM
    shapes: list[Shape] = field(default_factory=list)

    def line(self, *points: Point, colour: str = INK, width: float = 0.25,
             dash: tuple[float, ...] = ()) -> None:  # fmt: skip
        """A polyline."""
        self.shapes.append(Line(points, colour, width, dash))

    def rect(self, x: float, y: float, w: float, h: float, fill: str, edge: str = "") -> None:
        """A filled rectangle."""
        corners = ((x, y), (x + w, y), (x + w, y + h), (x, y + h))
        self.shapes.append(Area(corners, fill, edge))

    def words(self, x: float, y: float, text: str, size: float = 9.0, *, bold: bool = False,
              colour: str = INK, anchor: Anchor = "start",
              turned: bool = False) -> None:  # fmt: skip
        """One line of text on a base line."""
        self.shapes.append(Words((x, y), printable(text), size, bold, colour, anchor, turned))

    def paragraph(self, x: float, y: float, width: float, text: str, size: float = 9.0, *,
                  bold: bool = False, colour: str = INK) -> float:  # fmt: skip
        """Text in lines no wider than `width`; returns the y below it."""
        step = line_step(size)
        for row in wrapped(text, width, size, bold):
            y += step
            self.words(x, y - 0.25 * step, row, size, bold=bold, colour=colour)
        return y

    def mark(self, x: float, y: float, verdict: str, size: float = 2.2) -> None:
        """The shape of a verdict, centred: disc, triangle or square."""
        colour, r = VERDICT[verdict], size / 2.0
        if verdict == "within":
            self.shapes.append(Disc((x, y), r, colour, ""))
        elif verdict == "close":
            corners = ((x, y - r), (x + r, y + r), (x - r, y + r))
            self.shapes.append(Area(corners, colour))
        else:
            self.rect(x - r, y - r, size, size, colour)


def line_step(size: float) -> float:
    """Distance of base lines in mm for text of a size in points."""
    return 1.32 * size * MM_PER_POINT


def printable(text: str) -> str:
    """Text in signs that the printed font has."""
    swaps = {"→": "to", "Δ": "delta ", "≈": "about ", "μ": "µ", "\u202f": " ", "’": "'"}
    for sign, word in swaps.items():
        text = text.replace(sign, word)
    known = _face().charToGlyph
    return "".join(c if ord(c) in known else "?" for c in text)


@cache
def fonts() -> tuple[str, str]:
    """Names of the regular and bold fonts, registered for PDF and measuring.

    Bitstream Vera comes with reportlab, under its own free licence.
    """
    import reportlab
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(reportlab.__file__).parent / "fonts"
    for name, file in (("Report", "Vera.ttf"), ("ReportBold", "VeraBd.ttf")):
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    return "Report", "ReportBold"


@cache
def _face():  # type: ignore[no-untyped-def]
    from reportlab.pdfbase import pdfmetrics

    return pdfmetrics.getFont(fonts()[0]).face


def text_mm(text: str, size: float, bold: bool = False) -> float:
    """Width of a line of text in mm."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(printable(text), fonts()[bold], size)) * MM_PER_POINT


def wrapped(text: str, width: float, size: float, bold: bool = False) -> list[str]:
    """Lines no wider than `width` mm, broken between words, long words where they must."""
    rows: list[str] = []
    row = ""
    for word in text.split():
        trial = f"{row} {word}".strip()
        if text_mm(trial, size, bold) <= width:
            row = trial
            continue
        if row:
            rows.append(row)
        while text_mm(word, size, bold) > width and len(word) > 1:
            cut = len(word)
            while cut > 1 and text_mm(word[:cut], size, bold) > width:
                cut -= 1
            rows.append(word[:cut])
            word = word[cut:]
        row = word
    return [*rows, row] if row or not rows else rows


def fitted(text: str, width: float, size: float, bold: bool = False) -> str:
    """Text cut so that it fits a width, with dots where something is left out."""
    if text_mm(text, size, bold) <= width:
        return text
    while text and text_mm(text.rstrip() + "...", size, bold) > width:
        text = text[:-1]
    return text.rstrip() + "..."

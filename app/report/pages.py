"""The two pages of a report."""

from __future__ import annotations

from typing import TYPE_CHECKING

from app.report import drawing
from app.report.content import CAUTION, CAUTIONS, Content, against, figure, typically
from app.report.sheet import (
    BAND,
    FAINT,
    INK,
    MUTED,
    VERDICT,
    Sheet,
    fitted,
    line_step,
    wrapped,
)
from sim.tolerance import WORDS

if TYPE_CHECKING:
    from collections.abc import Sequence

LEFT, RIGHT, TOP, BOTTOM = 15.0, 195.0, 14.0, 283.0
WIDE = RIGHT - LEFT


def report(content: Content, date: str, version: str) -> list[Sheet]:
    """Question, verdict, curves and tables; then drawing, assumptions and cautions.

    Parameters
    ----------
    date : as printed
    version : of the program
    """
    return [_first(content, date, version), _second(content, date, version)]


def tables(content: Content) -> list[tuple[str, list[list[str]]]]:
    """The figures of the pages as plain rows, heads first."""
    options = [["option", "verdict", "worst", "of what", "in", "typical"]]
    for card in content.findings.cards:
        worst = card.worst
        if worst is None:
            options.append([card.option, "no limit" if card.solved else "not solved", *[""] * 4])
            continue
        options.append(
            [
                card.option,
                worst.verdict,
                against(worst),
                f"{worst.label}, {worst.named}",
                worst.event,
                typically(worst),
            ]
        )
    limits = [["part", "limit", "figure", "used", "verdict", "in", "typical"]]
    for cell in content.cells:
        limits.append(
            [
                cell.label,
                cell.named,
                against(cell),
                f"{100.0 * cell.used:.0f} %",
                cell.verdict,
                cell.event,
                typically(cell),
            ]
        )
    known = [["value", "as it stands", "may be off by", "where it is from"]]
    for unknown in content.assumptions:
        known.append(
            [
                unknown.label,
                figure(unknown.value, unknown.unit),
                f"{100.0 * unknown.share:.0f} %",
                _origin(WORDS[unknown.mark], unknown.source),
            ]
        )
    return [
        ("All options, worst over all events and ESC timings", options),
        (f"All limits of: {content.card.option}", limits),
        ("What was taken for granted", known),
    ]


def _origin(mark: str, source: str) -> str:
    """ "our guess: within 10 to 50 ns", the mark said once."""
    rest = source.removeprefix(mark).lstrip(" ,;:")
    return f"{mark}: {rest}" if rest else mark


def _head(sheet: Sheet, content: Content, date: str) -> float:
    sheet.words(LEFT, TOP + 5.0, fitted(content.build.name or "A build", 130.0, 16.0, True), 16.0,
                bold=True)  # fmt: skip
    sheet.words(RIGHT, TOP + 5.0, date, 9.0, colour=MUTED, anchor="end")
    sheet.line((LEFT, TOP + 8.0), (RIGHT, TOP + 8.0), colour=FAINT)
    return TOP + 9.0


def _foot(sheet: Sheet, content: Content, number: int, version: str) -> None:
    sheet.line((LEFT, BOTTOM - 1.0), (RIGHT, BOTTOM - 1.0), colour=FAINT)
    sheet.words(LEFT, BOTTOM + 3.0, CAUTION, 8.0, bold=True)
    name = f"Rippletree {version}".strip()
    text = f"{name}, model version {content.model_version}; page {number} of 2"
    sheet.words(RIGHT, BOTTOM + 3.0, text, 7.5, colour=MUTED, anchor="end")


def _first(content: Content, date: str, version: str) -> Sheet:
    sheet = Sheet(f"{content.build.name}: question, verdict and curves")
    y = _head(sheet, content, date)
    question = content.build.story or "Which of these options fits, and is it safe?"
    y = sheet.paragraph(LEFT, y, WIDE, question, 9.5, colour=MUTED)
    said = content.findings.sentence
    sizes = (12.0, 11.5, 11.0, 10.5)
    # the largest that takes no more lines than the smallest
    least = len(wrapped(said, WIDE - 14.0, sizes[-1], True))
    size = next(s for s in sizes if len(wrapped(said, WIDE - 14.0, s, True)) == least)
    height = least * line_step(size) + 5.0
    sheet.rect(LEFT, y + 2.0, WIDE, height, BAND)
    verdict = content.card.verdict
    if verdict is not None:
        sheet.mark(LEFT + 5.0, y + 2.0 + 0.5 * height, verdict, 4.0)
    sheet.paragraph(LEFT + 10.0, y + 4.0, WIDE - 14.0, said, size, bold=True)
    y += height + 4.0
    count = content.findings.seeds
    timings = f"worst of {count} ESC timings" if count > 1 else "one ESC timing"
    y = _title(sheet, y, f"All options, worst over all events, {timings}")
    options, limits, _ = (rows for _, rows in tables(content))
    y, _ = _table(sheet, y, options, (40.0, 16.0, 34.0, 46.0, 22.0, 22.0), mark=1,
               bold=content.card.option)  # fmt: skip
    shown = content.shown
    if shown is not None:
        y = _title(sheet, y, f"{shown.label} in {shown.event}, same axes for both")
    drawing.curves(sheet, content, LEFT, y, WIDE, 74.0)
    y = drawing.key(sheet, content, LEFT, y + 74.0, WIDE)
    y = _title(sheet, y, f"Limits of: {content.card.option}, nearest first")
    y, drawn = _table(sheet, y, limits, (38.0, 44.0, 34.0, 12.0, 16.0, 18.0, 18.0), mark=4,
                      bottom=BOTTOM - 6.0)  # fmt: skip
    if drawn < len(limits):
        text = f"and {len(limits) - drawn} more, all further from their limits"
        sheet.paragraph(LEFT, y, WIDE, text, 7.0, colour=MUTED)
    _foot(sheet, content, 1, version)
    return sheet


def _second(content: Content, date: str, version: str) -> Sheet:
    sheet = Sheet(f"{content.build.name}: drawing, assumptions, what is not covered")
    y = _head(sheet, content, date)
    y = _title(sheet, y, f"{content.card.option}, from above, to scale")
    height = 92.0
    legend = drawing.frame(sheet, content.drawn, LEFT, y, 112.0, height)
    at = y
    for row in legend:
        if at > y + height - 5.0:
            sheet.words(LEFT + 115.0, at + 3.0, "...", 7.0)
            break
        at = sheet.paragraph(LEFT + 115.0, at, WIDE - 115.0, row, 7.0)
    y += height + 1.0
    if content.beside:
        y = _title(sheet, y, "Beside the limits")
        for text in content.beside:
            y = sheet.paragraph(LEFT, y, WIDE, text, 8.0)
    marks = [u.mark for u in content.assumptions]
    counts = ", ".join(
        f"{marks.count(mark)} {word}" for mark, word in WORDS.items() if marks.count(mark)
    )
    y = _title(sheet, y, f"Numbers it rests on, and where they are from: {counts}")
    *_, known = (rows for _, rows in tables(content))
    # guesses first: they are what to measure next
    order = {"our guess": 0, "sourced": 1, "worked out": 2, "you measured": 3}
    body = sorted(known[1:], key=lambda row: order.get(row[3].split(":")[0], 0))
    y, shown = _table(sheet, y, [known[0], *body], (66.0, 20.0, 22.0, 72.0), bottom=BOTTOM - 74.0)
    if len(body) > shown - 1:
        left = len(body) - shown + 1
        y = sheet.paragraph(LEFT, y, WIDE, f"and {left} more in the build file", 7.0, colour=MUTED)
    if content.shown is not None:
        cell = content.shown
        y = _title(sheet, y, "Check next")
        y = sheet.paragraph(
            LEFT, y, WIDE,
            f"Scope at {cell.label} in {cell.event}, 10x probe with a spring ground, full "
            f"bandwidth: the model says {figure(cell.typical, cell.unit)} typically and "
            f"{figure(cell.value, cell.unit)} at the worst ESC timing. A recording can be laid "
            "over the model with the fit command.", 8.0,
        )  # fmt: skip
    y = _title(sheet, y, "Not covered")
    y = sheet.paragraph(LEFT, y, WIDE, "; ".join(content.not_covered) + ".", 8.0)
    y = _title(sheet, y, "Cautions")
    for caution in CAUTIONS:
        y = sheet.paragraph(LEFT, y, WIDE, caution, 8.0)
    _foot(sheet, content, 2, version)
    return sheet


def _title(sheet: Sheet, y: float, text: str) -> float:
    sheet.words(LEFT, y + 6.0, fitted(text, WIDE, 9.5, True), 9.5, bold=True)
    return y + 7.5


def _table(
    sheet: Sheet,
    y: float,
    rows: Sequence[Sequence[str]],
    widths: Sequence[float],
    *,
    mark: int | None = None,
    bold: str = "",
    bottom: float = BOTTOM,
) -> tuple[float, int]:
    """Rows in columns, down to `bottom`; the column `mark` shows its verdict.

    A cell that does not fit goes on a second line. Returns the y below, and the rows drawn.
    """
    size = 7.5
    step = line_step(size)
    for number, row in enumerate(rows):
        strong = number > 0 and bool(bold) and row[0] == bold
        marked = [number > 0 and c == mark and cell in VERDICT for c, cell in enumerate(row)]
        cells = [
            wrapped(cell, width - (3.4 if shape else 0.0) - 1.5, size, strong)
            for cell, width, shape in zip(row, widths, marked, strict=True)
        ]
        height = max(len(lines) for lines in cells) * step + 0.9
        if y + height > bottom:
            return y, number
        x = LEFT
        for lines, width, shape, cell in zip(cells, widths, marked, row, strict=True):
            colour = INK if number else MUTED
            at = x
            if shape:
                sheet.mark(x + 1.2, y + 2.2, cell)
                at, colour = x + 3.4, VERDICT[cell]
            for k, line in enumerate(lines):
                sheet.words(at, y + (k + 1) * step - 0.5, line, size, bold=strong, colour=colour)
            x += width
        y += height
        sheet.line((LEFT, y), (RIGHT, y), colour=FAINT, width=0.1)
    return y, len(rows)

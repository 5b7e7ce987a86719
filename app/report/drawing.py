"""Drawings on a sheet: the build from above, to scale, and curves on one pair of axes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from app.report.sheet import (
    FAINT,
    INK,
    LINE1,
    LINE2,
    MINUS,
    MUTED,
    PLUS,
    Area,
    Disc,
    Line,
    Point,
    Sheet,
    text_mm,
)
from sim.parts import KINDS
from sim.quantity import format as quantity_text
from sim.resolve import find_port, resolve, resolve_lead

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from app.report.content import Content, Trace
    from sim.build import Build, Lead, Part

#: Scales a drawing may have, as on a ruler.
_SCALES = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
_CAPACITORS = ("electrolytic", "polymer", "ceramic")


def frame(sheet: Sheet, build: Build, x: float, y: float, w: float, h: float) -> list[str]:
    """Draw the build into a box; returns the legend, a line a numbered part."""
    placed = [p for p in build.parts if p.at is not None]
    if not placed:
        sheet.words(x, y + 5.0, "This build has no places on a frame.", colour=MUTED)
        return []
    reach = [(_size(p), p.at) for p in placed if p.at is not None]
    left = min(at[0] - 0.5 * max(size) for size, at in reach)
    right = max(at[0] + 0.5 * max(size) for size, at in reach)
    top = min(at[1] - 0.5 * max(size) for size, at in reach)
    bottom = max(at[1] + 0.5 * max(size) for size, at in reach)
    wanted = max((right - left) / (w - 6.0), (bottom - top) / (h - 12.0), 1e-3)
    scale = next((s for s in _SCALES if s >= wanted), math.ceil(wanted))

    def to(point: tuple[float, float]) -> tuple[float, float]:
        return (
            x + 0.5 * w + (point[0] - 0.5 * (left + right)) / scale,
            y + 0.5 * (h - 8.0) + (point[1] - 0.5 * (top + bottom)) / scale,
        )

    for part in placed:
        if part.kind == "motor" and part.at is not None:
            sheet.line(to((0.0, 0.0)), to(part.at), colour="#ECE8DC", width=4.0 / scale + 1.0)
    lengths = [found for lead in build.leads if (found := _lead(sheet, build, lead, to))]
    legend = []
    number = 0
    tags = _Tags(sheet)
    for part in sorted(placed, key=lambda p: (p.kind == "joint", p.kind == "ceramic")):
        assert part.at is not None
        at = to(part.at)
        if part.kind == "joint":
            sheet.shapes.append(Disc(at, 0.7, INK, ""))
            if part.label:
                tags.put(at, part.label, (0.0, 3.0), needed=False)
            continue
        number += 1
        width, depth = (v / scale for v in _size(part))
        if part.kind in ("motor", *_CAPACITORS[:2]):
            sheet.shapes.append(Disc(at, 0.5 * width, "#FFFFFF", INK))
            if part.kind in _CAPACITORS:
                _stripe(sheet, at, 0.5 * width)
        else:
            turn = math.radians(part.turn)
            corners = []
            for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1)):
                px, py = 0.5 * width * sx, 0.5 * depth * sy
                corners.append(
                    (
                        at[0] + px * math.cos(turn) - py * math.sin(turn),
                        at[1] + px * math.sin(turn) + py * math.cos(turn),
                    )
                )
            if part.deck == "lower":
                sheet.shapes.append(Area(tuple(corners), "#FFFFFF", INK, 0.25))
            else:
                # what lies above must not hide what it lies on
                sheet.line(*corners, corners[0], width=0.25, dash=(1.0, 0.6))
        tags.put(at, str(number), (0.0, 0.0))
        legend.append(f"{number}  {_says(part)}")
    for at, text in lengths:
        tags.maybe(at, text)
    _ruler(sheet, x + 2.0, y + h - 2.0, scale)
    return legend


class _Tags:
    """Numbers and names that keep clear of one another."""

    def __init__(self, sheet: Sheet) -> None:
        self._sheet = sheet
        self._taken: list[tuple[float, float, float, float]] = []

    def maybe(self, at: tuple[float, float], text: str) -> None:
        """A lead's length where there is room for it."""
        wide = text_mm(text, 5.5) + 0.6
        box = (at[0] - wide / 2, at[1] - 1.1, at[0] + wide / 2, at[1] + 1.1)
        if self._free(box):
            self._taken.append(box)
            self._sheet.rect(box[0], box[1], wide, 2.2, "#FFFFFF")
            self._sheet.words(at[0], at[1] + 0.75, text, 5.5, colour=MUTED, anchor="middle")

    def _free(self, box: tuple[float, float, float, float]) -> bool:
        return all(
            box[2] <= t[0] or t[2] <= box[0] or box[3] <= t[1] or t[3] <= box[1]
            for t in self._taken
        )

    def put(
        self,
        at: tuple[float, float],
        text: str,
        shift: tuple[float, float],
        *,
        needed: bool = True,
    ) -> None:
        """A number or name near a place; one that is not needed is left out where it is tight."""
        size = 6.5
        wide = text_mm(text, size, True) + 0.6
        tried = [shift, (0.0, 3.0), (0.0, -3.0), (4.0, 0.0), (-4.0, 0.0), (4.0, 3.0), (-4.0, -3.0),
                 (7.0, 1.0), (-7.0, 1.0), (0.0, 6.0), (0.0, -6.0)]  # fmt: skip
        for dx, dy in tried:
            box = (at[0] + dx - wide / 2, at[1] + dy - 1.3, at[0] + dx + wide / 2, at[1] + dy + 1.3)
            if self._free(box):
                break
        else:
            if not needed:
                return
        self._taken.append(box)
        if (dx, dy) not in ((0.0, 0.0), shift):
            self._sheet.line(at, (at[0] + dx, at[1] + dy), colour=FAINT, width=0.15)
        self._sheet.rect(box[0], box[1], wide, 2.6, "#FFFFFF")
        self._sheet.words(at[0] + dx, at[1] + dy + 0.85, text, size, bold=True, anchor="middle")


def _size(part: Part) -> tuple[float, float]:
    return (2.0, 2.0) if part.kind == "joint" else KINDS[part.kind].size_mm(resolve(part))


def _says(part: Part) -> str:
    """ "Main capacitor: 470 µF 35 V, legs 5 mm"."""
    values = resolve(part)
    kind = KINDS[part.kind]
    text = f"{part.label or kind.title}: {kind.summary(values)}"
    if part.kind in _CAPACITORS:
        legs = values.optional("leg_length")
        text += f", legs {1e3 * legs:.3g} mm" if legs else ""
    return text


def _stripe(sheet: Sheet, at: tuple[float, float], radius: float) -> None:
    """The sleeve's stripe, on the minus side."""
    steps = [math.radians(a) for a in range(-50, 51, 10)]
    arc = [(at[0] - radius * math.cos(a), at[1] + radius * math.sin(a)) for a in steps]
    sheet.shapes.append(Area(tuple(arc), INK))


def _lead(
    sheet: Sheet, build: Build, lead: Lead, to: Callable[[Point], Point]
) -> tuple[Point, str] | None:
    """Draw a lead; its length and where it may be written, if it has one."""
    ends = []
    for address in (lead.from_, lead.to):
        part, port = find_port(build, address)
        if part.at is None:
            return None
        turn = math.radians(part.turn)
        ox, oy = port.offset_mm if part.kind != "joint" else (0.0, 0.0)
        ends.append(
            (
                part.at[0] + ox * math.cos(turn) - oy * math.sin(turn),
                part.at[1] + ox * math.sin(turn) + oy * math.cos(turn),
            )
        )
    way = [to(point) for point in (ends[0], *lead.via, ends[1])]
    (ax, ay), (bx, by) = way[0], way[-1]
    size = math.hypot(bx - ax, by - ay) or 1.0
    nx, ny = -(by - ay) / size * 0.35, (bx - ax) / size * 0.35
    if lead.conductor in ("pair", "plus"):
        sheet.shapes.append(Line(tuple((px + nx, py + ny) for px, py in way), PLUS, 0.4))
    if lead.conductor in ("pair", "minus"):
        sheet.shapes.append(Line(tuple((px - nx, py - ny) for px, py in way), MINUS, 0.4))
    length = resolve_lead(lead).optional("length")
    if not length or size < 9.0:
        return None
    # nearer to the far end, where leads that start together have parted
    (cx, cy), (dx, dy) = way[-2], way[-1]
    return (cx + 0.55 * (dx - cx), cy + 0.55 * (dy - cy)), f"{1e3 * length:.0f} mm"


def _ruler(sheet: Sheet, x: float, y: float, scale: float) -> None:
    length = 50.0 / scale
    sheet.line((x, y - 1.2), (x, y), (x + length, y), (x + length, y - 1.2), width=0.3)
    sheet.words(
        x + length + 1.5,
        y,
        f"50 mm, drawn 1:{scale:g}; front is up; upper decks dashed",
        7.0,
        colour=MUTED,
    )


# --- curves ---------------------------------------------------------------------------


def curves(sheet: Sheet, content: Content, x: float, y: float, w: float, h: float) -> None:
    """The chosen option's curve and its rival's on the same axes, with the limit."""
    shown = content.shown
    if shown is None or not content.traces:
        sheet.words(
            x, y + 5.0, "No part here has a voltage limit to draw a curve for.", colour=MUTED
        )
        return
    low = min(float(t.low.min()) for t in content.traces)
    high = max(float(t.high.max()) for t in content.traces)
    low, high = min(low, shown.limit), max(high, shown.limit)
    pad = 0.06 * (high - low or 1.0)
    low, high = (0.0 if 0.0 <= low < 0.3 * high else low - pad), high + pad
    duration = float(content.traces[0].edges[-1])
    left, top, right, bottom = x + 12.0, y + 2.0, x + w - 1.0, y + h - 8.0

    def px(t: float) -> float:
        return left + (right - left) * t / duration

    def py(v: float) -> float:
        return bottom - (bottom - top) * (v - low) / (high - low)

    for v in _ticks(low, high, 6):
        sheet.line((left, py(v)), (right, py(v)), colour="#E4E0D6", width=0.15)
        sheet.words(left - 1.2, py(v) + 0.9, quantity_text(v, "V", digits=4) if v else "0 V", 7.0,
                    colour=MUTED, anchor="end")  # fmt: skip
    for t in _ticks(0.0, duration, 7):
        sheet.line((px(t), bottom), (px(t), bottom + 1.0), colour=MUTED, width=0.2)
        text = quantity_text(t, "s", digits=4) if t else "0"
        anchor = "start" if t == 0.0 else "end" if px(t) > right - 4.0 else "middle"
        sheet.words(px(t), bottom + 4.0, text, 7.0, colour=MUTED, anchor=anchor)
    # the rival behind: the chosen option is what is read first
    looks = ((LINE1, LINE1), (LINE2, "#DDBFD5"))
    for trace, (colour, fill) in reversed(list(zip(content.traces, looks, strict=False))):
        _fill(sheet, trace, px, py, fill if trace is not content.traces[0] else "#9CC7E2", colour)
    y_limit = py(shown.limit)
    sheet.line((left, y_limit), (right, y_limit), colour=INK, width=0.35, dash=(2.0, 1.2))
    limit = f"{shown.rating} {quantity_text(shown.limit, 'V', digits=3)}"
    sheet.rect(right - text_mm(limit, 7.0) - 1.0, y_limit - 3.4, text_mm(limit, 7.0) + 1.0, 3.0,
               "#FFFFFF")  # fmt: skip
    sheet.words(right - 0.5, y_limit - 1.0, limit, 7.0, anchor="end")
    sheet.line((left, top), (left, bottom), (right, bottom), colour=MUTED, width=0.2)


def key(sheet: Sheet, content: Content, x: float, y: float, w: float) -> float:
    """What the two curves are, with the figure each reaches; returns the y below."""
    lower = content.shown is not None and content.shown.reads == "lowest"
    cells = [c for c in (content.shown, content.rival) if c is not None]
    for trace, cell, colour in zip(content.traces, cells, (LINE1, LINE2), strict=False):
        reached = float(trace.low.min()) if lower else float(trace.high.max())
        sheet.rect(x, y + 1.0, 6.0, 2.0, colour)
        text = (
            f"{trace.option}: {'lowest' if lower else 'highest'} "
            f"{quantity_text(reached, 'V', digits=3)}, worst ESC timing; typical "
            f"{quantity_text(cell.typical, 'V', digits=3)}"
        )
        y = sheet.paragraph(x + 8.0, y, w - 8.0, text, 8.0)
    return y


def _fill(sheet: Sheet, trace: Trace, px: Callable[[float], float],
    py: Callable[[float], float], fill: str, colour: str) -> None:  # fmt: skip
    """Everything between lowest and highest, bin by bin, so that no edge is hidden."""
    top: list[tuple[float, float]] = []
    bottom: list[tuple[float, float]] = []
    for i in range(len(trace.low)):
        a, b = px(float(trace.edges[i])), px(float(trace.edges[i + 1]))
        top += [(a, py(float(trace.high[i]))), (b, py(float(trace.high[i])))]
        bottom += [(a, py(float(trace.low[i]))), (b, py(float(trace.low[i])))]
    sheet.shapes.append(Area((*top, *reversed(bottom)), fill, colour, 0.15))


def _ticks(low: float, high: float, about: int) -> Sequence[float]:
    step = 10.0 ** math.floor(math.log10((high - low) / about))
    for factor in (1.0, 2.0, 5.0, 10.0):
        if (high - low) / (factor * step) <= about:
            step *= factor
            break
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]

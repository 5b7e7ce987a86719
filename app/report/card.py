"""The snip and solder card: capacitors' legs in true size, beside the board."""

from __future__ import annotations

from typing import TYPE_CHECKING

from app.report.sheet import BAND, FAINT, INK, MUTED, PLUS, Disc, Sheet
from sim.parts import KINDS
from sim.parts.families import can_mm
from sim.quantity import format as quantity_text
from sim.resolve import find_port, resolve

if TYPE_CHECKING:
    from sim.build import Build, Part

LEFT, WIDE = 12.0, 186.0
_KINDS = ("electrolytic", "polymer", "ceramic")
#: Distance of the legs of a radial can, by its diameter; common practice, no source.
_PITCH_MM = ((5.5, 2.0), (6.5, 2.5), (8.5, 3.5), (14.0, 5.0), (99.0, 7.5))
CARD_CAUTIONS = (
    "Unplug. Discharge through a resistor, never a screwdriver; measure under 1 V before you "
    "solder.",
    "Stripe is minus. A reversed capacitor bursts. Eye protection.",
    "Check polarity once more before the pack goes in, and plug in through a limiter first.",
)


def card(drawn: Build, option: str) -> list[Sheet]:
    """Sheets with a strip for each capacitor that is given legs, equal ones together.

    Print in true size ("100 %"): the ruler on the strip says whether it is.
    """
    strips = _strips(drawn)
    sheets: list[Sheet] = []
    per_page = 4
    pages = [strips[i : i + per_page] for i in range(0, len(strips), per_page)] or [[]]
    for number, page in enumerate(pages, 1):
        sheet = Sheet(f"Snip and solder: {option}, sheet {number}")
        title = f"Snip and solder: {drawn.name}, {option}"
        y = sheet.paragraph(LEFT, 10.0, WIDE, title, 13.0, bold=True) + 3.0
        _true_size_ruler(sheet, y)
        y += 14.0
        if not page:
            y = sheet.paragraph(LEFT, y, WIDE, "Nothing to solder: no capacitor has legs here.", 10)
        for parts in page:
            y = _strip(sheet, y, drawn, parts)
        if number == len(pages):
            y = _shopping(sheet, y, strips)
        for caution in CARD_CAUTIONS:
            y = sheet.paragraph(LEFT, y + 1.0, WIDE, caution, 9.0, bold=True)
        sheets.append(sheet)
    return sheets


def _strips(build: Build) -> list[list[Part]]:
    """Capacitors with legs, equal ones together."""
    groups: dict[tuple[object, ...], list[Part]] = {}
    for part in build.parts:
        if part.kind not in _KINDS:
            continue
        values = resolve(part)
        if not values.optional("leg_length"):
            continue
        same = tuple(sorted(values.as_dict().items(), key=lambda item: item[0]))
        groups.setdefault((part.kind, *same), []).append(part)
    return list(groups.values())


def _true_size_ruler(sheet: Sheet, y: float) -> None:
    """100 mm to lay a real ruler on."""
    for mm in range(101):
        height = 4.0 if mm % 10 == 0 else 2.8 if mm % 5 == 0 else 1.6
        sheet.line((LEFT + mm, y), (LEFT + mm, y + height), width=0.15)
        if mm % 10 == 0:
            sheet.words(LEFT + mm, y + 7.0, str(mm), 7.0, anchor="middle")
    sheet.words(LEFT + 106.0, y + 3.5, "mm. Print at 100 %, then lay a ruler here.", 8.0,
                colour=MUTED)  # fmt: skip


def _strip(sheet: Sheet, y: float, build: Build, parts: list[Part]) -> float:
    part = parts[0]
    values = resolve(part)
    kind = KINDS[part.kind]
    legs = 1e3 * values.number("leg_length")
    diameter, height = can_mm(values.number("capacitance"), values.optional("rated_voltage"))
    pitch = next(p for most, p in _PITCH_MM if diameter <= most)
    rows = max(diameter + 6.0, 20.0)
    sheet.rect(LEFT, y, WIDE, rows + 4.0, BAND)
    base = LEFT + 4.0
    middle = y + 2.0 + 0.5 * rows
    # lying on its side: can, then its legs to the cut
    drawn = min(height, 40.0)
    sheet.rect(base, middle - 0.5 * diameter, drawn, diameter, "#FFFFFF", INK)
    sheet.rect(base, middle + 0.22 * diameter, drawn, 0.28 * diameter, INK)
    sheet.words(base + 0.5 * drawn, middle + 0.40 * diameter, "- - -", 8.0, colour="#FFFFFF",
                anchor="middle")  # fmt: skip
    start = base + drawn
    for sign, colour, name in ((-1.0, PLUS, "+"), (1.0, INK, "-")):
        at = middle + sign * 0.5 * pitch
        sheet.line((start, at), (start + legs, at), colour=colour, width=0.6)
        sheet.words(start + legs + 1.5, at + 1.0, name, 9.0, bold=True, colour=colour)
    sheet.line((start + legs, middle - 0.5 * rows + 1.0), (start + legs, middle + 0.5 * rows - 1.0),
               colour=INK, width=0.25, dash=(1.2, 0.8))  # fmt: skip
    sheet.shapes.append(Disc((start + legs, middle - 0.5 * rows + 1.0), 0.6, INK, ""))
    x = max(start + legs + 10.0, LEFT + 70.0)
    room = LEFT + WIDE - x - 2.0
    count = f"{len(parts)} x " if len(parts) > 1 else ""
    at = sheet.paragraph(x, y + 1.0, room, f"{count}{_name(part)}: {kind.summary(values)}", 9.5,
                         bold=True)  # fmt: skip
    at = sheet.paragraph(x, at, room, f"Cut both legs at the dashes: {legs:.3g} mm from the can to "
                         "the pad. Stripe is minus.", 8.0)  # fmt: skip
    places = sorted({_place(build, p) for p in parts})
    sheet.paragraph(x, at, room, f"Place: {', '.join(places)}", 8.0, colour=MUTED)
    return y + rows + 7.0


def _name(part: Part) -> str:
    return part.label or KINDS[part.kind].title


def _place(build: Build, part: Part) -> str:
    """The label of what the capacitor stands on."""
    for lead in build.leads:
        ends = [find_port(build, address)[0] for address in (lead.from_, lead.to)]
        for end, other in ((ends[0], ends[1]), (ends[1], ends[0])):
            if end.id == part.id:
                return other.label or other.id
    return "not joined"


def _shopping(sheet: Sheet, y: float, strips: list[list[Part]]) -> float:
    if not strips:
        return y
    sheet.words(LEFT, y + 5.0, "To buy", 10.0, bold=True)
    y += 7.0
    for parts in strips:
        values = resolve(parts[0])
        words = [f"{len(parts)} x {KINDS[parts[0].kind].title.lower()}",
                 KINDS[parts[0].kind].summary(values)]  # fmt: skip
        if esr := values.number("esr"):
            words.append(f"ESR {quantity_text(esr, 'Ohm', digits=3)} or less")
        if parts[0].kind != "ceramic":
            diameter, height = can_mm(
                values.number("capacitance"), values.optional("rated_voltage")
            )
            words.append(f"can about {diameter:g} x {height:g} mm, 105 °C")
        y = sheet.paragraph(LEFT, y, WIDE, ", ".join(words), 9.0)
    sheet.line((LEFT, y + 2.0), (LEFT + WIDE, y + 2.0), colour=FAINT)
    return y + 3.0

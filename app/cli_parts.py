"""What the verbs say of parts: help pages, and how warm cans get over a flight."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from app.cli_files import BadInput
from sim.quantity import format as shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sim.heat import Heat
    from sim.help import Page

_WIDTH = 96


def page(found: Page) -> str:
    """A help page as text: what it models, equations, sources, what it leaves out, values."""
    lines = [f"{found.title} ({found.kind})"]
    for title, paragraphs in (
        ("What it models", found.models),
        ("Equations", found.equations),
        ("Sources", found.sources),
        ("What it leaves out", found.left_out),
        ("Cautions", found.cautions),
    ):
        if not paragraphs:
            continue
        lines += ["", title]
        for paragraph in paragraphs:
            if title == "Equations":
                lines += [f"    {line}".rstrip() for line in paragraph.splitlines()]
            else:
                lines += textwrap.wrap(
                    paragraph, _WIDTH, initial_indent="  ", subsequent_indent="  "
                )
    if found.values:
        lines += ["", "Values"]
    for row in found.values:
        lines.append(f"  {row.name}: {row.default}. Allowed: {row.allowed}.")
        words = row.help + (f". Default: {row.source}" if row.source else "")
        lines += textwrap.wrap(words, _WIDTH, initial_indent="      ", subsequent_indent="      ")
    return "\n".join(lines) + "\n"


def profile(text: str) -> tuple[tuple[float, float], ...]:
    """Duties and their shares of a flight, from "0.2:30 %, 0.5:70 %".

    Raises
    ------
    BadInput
    """
    from sim import quantity
    from sim.errors import SimError

    pairs = []
    for piece in text.split(","):
        duty, colon, share = piece.partition(":")
        try:
            if not colon:
                raise BadInput("")
            pairs.append((quantity.parse(duty, "%"), quantity.parse(share, "%")))
        except (SimError, BadInput):
            raise BadInput(
                f"rippletree heat: --profile: {piece.strip()!r} is no duty with its share of the "
                'flight. Write it like "0.2:30 %, 0.5:70 %".'
            ) from None
    return tuple(pairs)


def heat(found: Sequence[Heat]) -> str:
    """One line a can."""
    if not found:
        return "no electrolytic or polymer can here\n"
    lines = []
    for can in found:
        rated = can.rated_ripple_A
        of = f" of {shown(rated, 'A', 3)}" if rated is not None else ""
        lines.append(
            f"{can.part}: {shown(can.rms_A, 'A', 3)}{of} RMS over the flight, "
            f"{shown(can.worst_rms_A, 'A', 3)} at {can.worst_duty:.0%} duty; "
            f"{shown(can.loss_W, 'W', 3)}, core {can.core_C:.0f} °C, "
            f"lives {can.life:.2g} times its rated life at 105 °C"
        )
    lines += [
        "",
        "As if the flight went on, in still air. Common practice, no source: within a third.",
    ]
    return "\n".join(lines) + "\n"

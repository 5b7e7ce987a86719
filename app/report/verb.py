"""What the `report` verb writes, and what it says about it."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING, Any

from app.report import card, pages, writers

if TYPE_CHECKING:
    from collections.abc import Sequence

    from app.report.content import Content
    from app.report.sheet import Sheet


def files(
    content: Content, out: str | None, card_out: str | None, version: str
) -> list[tuple[str, bytes]]:
    """Names and bytes of the report and the card, each where a name is given.

    `version` of the program is printed if it is one.
    """
    if not version[:1].isdigit():
        version = ""
    today = datetime.date.today()
    date = f"{today.day} {today:%B %Y}"
    name = content.build.name or "A build"
    found = []
    if out is not None:
        sheets = pages.report(content, date, version)
        found.append((out, _encoded(out, f"{name}: report", sheets, pages.tables(content))))
    if card_out is not None:
        sheets = card.card(content.drawn, content.card.option)
        found.append((card_out, _encoded(card_out, f"{name}: card", sheets, [])))
    return found


def _encoded(
    target: str,
    title: str,
    sheets: Sequence[Sheet],
    tables: Sequence[tuple[str, Sequence[Sequence[str]]]],
) -> bytes:
    if target.lower().endswith(".pdf"):
        return writers.pdf(title, sheets)
    return writers.html(title, sheets, tables).encode()


def summary(content: Content, written: Sequence[str]) -> dict[str, Any]:
    """The JSON document of the verb: what the pages say in figures."""
    shown = content.shown
    return {
        "build": content.build.name,
        "option": content.card.option,
        "verdict": content.card.verdict,
        "sentence": content.findings.sentence,
        "worst": None if content.card.worst is None else dict(vars(content.card.worst)),
        "drawn": None if shown is None else dict(vars(shown)),
        "seeds": content.findings.seeds,
        "not_covered": list(content.not_covered),
        "model_version": content.model_version,
        "written": list(written),
    }


def said(document: dict[str, Any]) -> str:
    """The same for people."""
    lines = [document["sentence"], *(f"written: {name}" for name in document["written"])]
    return "\n".join([*lines, "Within ratings in this model. Not a promise to fly."]) + "\n"

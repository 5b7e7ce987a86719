"""The help page of each kind of part, made from what its file says of itself.

The class docstring holds four things, told apart by how they are written: paragraphs on
what it models; indented blocks, the equations; what begins with "Source", where figures
are from; what begins with "Left out", what the model does not know. The values come from
the fields.
"""

from __future__ import annotations

import inspect
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim.quantity import format as shown
from sim.resolve import allowed_range, nearest_names

if TYPE_CHECKING:
    from sim.parts.kind import Field

_NO_NUMBER = ("flag", "choice", "text")


@dataclass(frozen=True)
class Row:
    """One value: name in the file, words, default and range as text, origin of the default."""

    name: str
    help: str
    default: str
    allowed: str
    source: str


@dataclass(frozen=True)
class Page:
    """A help page; each of the four parts is a tuple of paragraphs or blocks."""

    kind: str
    title: str
    models: tuple[str, ...]
    equations: tuple[str, ...]
    sources: tuple[str, ...]
    left_out: tuple[str, ...]
    values: tuple[Row, ...]
    cautions: tuple[str, ...] = ()


def names() -> tuple[str, ...]:
    """What there is a page of: every kind of part, and "lead"."""
    from sim.parts import KINDS

    return (*KINDS, "lead")


def page(kind: str) -> Page:
    """The page of a kind of part, or of a lead.

    Raises
    ------
    UnknownKind   if there is none of that name
    """
    from sim.errors import UnknownKind
    from sim.lead import HELP, LEAD_FIELDS
    from sim.parts import KINDS

    if kind == "lead":
        return _page("lead", "Lead", HELP, LEAD_FIELDS, ())
    if kind not in KINDS:
        raise UnknownKind(
            "help", f"there is no kind {kind!r}", nearest_names(kind, names(), "Kinds are")
        )
    declared = KINDS[kind]
    text = type(declared).__doc__ or ""
    return _page(kind, declared.title, text, declared.fields, declared.cautions)


def _page(
    kind: str, title: str, text: str, fields: tuple[Field, ...], cautions: tuple[str, ...]
) -> Page:
    models: list[str] = []
    equations: list[str] = []
    sources: list[str] = []
    left_out: list[str] = []
    for block in inspect.cleandoc(text).split("\n\n"):
        if block.startswith("    "):
            equations.append(inspect.cleandoc(block))
            continue
        prose = " ".join(block.split())
        start = prose.split(maxsplit=1)[0] if prose else ""
        if start.startswith("Source"):
            sources.append(_told(prose))
        elif prose.startswith("Left out"):
            left_out.append(_told(prose))
        elif prose:
            models.append(prose)
    return Page(
        kind,
        title,
        tuple(models),
        tuple(equations),
        tuple(sources),
        tuple(left_out),
        tuple(_row(field) for field in fields),
        cautions,
    )


def _told(prose: str) -> str:
    """Without the word that its heading says already."""
    for word in ("Sources: ", "Source: ", "Left out: "):
        if prose.startswith(word):
            rest = prose.removeprefix(word)
            return rest[:1].upper() + rest[1:]
    return prose


def _row(field: Field) -> Row:
    if field.required:
        default = "must be given"
    elif field.default is None:
        default = "none"
    elif isinstance(field.default, bool):
        default = "yes" if field.default else "no"
    elif isinstance(field.default, str):
        default = field.default
    else:
        default = shown(field.default, field.unit)
    if field.unit == "choice":
        allowed = ", ".join(field.choices)
    elif field.unit in _NO_NUMBER:
        allowed = "true or false" if field.unit == "flag" else "any words"
    else:
        allowed = allowed_range(field)
    return Row(field.name, field.help, default, allowed, field.source)

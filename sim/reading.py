"""The text of a build file as records, or one refusal that names the place.

JSON first becomes a plain tree, in which everything is refused that JSON lets through
and a build may not hold (NaN, keys twice, deep nesting). The tree then becomes records.
"""

from __future__ import annotations

import json
import re
from typing import Any, Final, TypeVar

import msgspec

from sim.errors import BadField, DocumentError, NewerFile, UnknownKind
from sim.records import (
    FORMAT,
    VERSION,
    Build,
    Change,
    Clip,
    Event,
    Lead,
    Option,
    Part,
    Quantity,
    Record,
)
from sim.resolve import nearest_names

MAX_BYTES: Final = 10_000_000
MAX_DEPTH: Final = 64

# --- text to a plain tree -----------------------------------------------------------

_SKIM = re.compile(r'"(?:[^"\\]|\\.)*"|[\[{]|[\]}]', re.DOTALL)


class _Refused:
    """Stands in the tree for what JSON lets through and we do not, until its path is known."""

    def __init__(self, what: str, hint: str) -> None:
        self.what = what
        self.hint = hint


def _tree(data: bytes) -> Any:
    if len(data) > MAX_BYTES:
        raise DocumentError("", "is larger than 10 MB", "A build file has a few kB")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise DocumentError(f"byte {error.start}", "is not UTF-8 text", "") from None
    _check_depth(text)
    try:
        tree = json.loads(
            text,
            object_pairs_hook=_object,
            parse_constant=lambda word: _Refused(f"{word} is no number here", "Give a number"),
            parse_int=lambda digits: int(digits) if len(digits) < 19 else float(digits),
        )
    except json.JSONDecodeError as error:
        place = f"line {error.lineno} column {error.colno}"
        raise DocumentError(place, f"is not JSON: {error.msg}", "") from None
    _walk(tree, "")
    return tree


def _check_depth(text: str) -> None:
    depth = 0
    for match in _SKIM.finditer(text):
        if match[0] in "[{":
            depth += 1
            if depth > MAX_DEPTH:
                line = text.count("\n", 0, match.start()) + 1
                raise DocumentError(
                    f"line {line}", f"is nested more than {MAX_DEPTH} deep", "A build needs 7"
                )
        elif match[0] in "]}":
            depth -= 1


def _object(pairs: list[tuple[str, Any]]) -> Any:
    made = dict(pairs)
    if len(made) == len(pairs):
        return made
    seen: set[str] = set()
    twice = next(key for key, _ in pairs if key in seen or seen.add(key))  # type: ignore[func-returns-value]
    return _Refused(f"has the key {twice!r} twice", "Keep one of them")


def _walk(node: Any, path: str) -> None:
    """Refuse, with its path, what no part of a build may hold."""
    if isinstance(node, _Refused):
        raise BadField(path, node.what, node.hint)
    if isinstance(node, float) and node - node != 0.0:
        raise BadField(path, "the number is too large", "Give a finite number")
    if isinstance(node, str):
        _check_text(node, path)
    elif isinstance(node, list):
        for index, item in enumerate(node):
            _walk(item, f"{path}[{index}]")
    elif isinstance(node, dict):
        for key, item in node.items():
            _check_text(key, path)
            _walk(item, f"{path}.{key}" if path else key)


def _check_text(text: str, path: str) -> None:
    if any("\ud800" <= c <= "\udfff" for c in text):
        raise BadField(path, "holds half of a character pair", "Write the text in UTF-8")


# --- tree to records ----------------------------------------------------------------

_RecordT = TypeVar("_RecordT", bound=Record)
_LISTS: dict[str, type[Record]] = {
    "parts": Part,
    "leads": Lead,
    "options": Option,
    "changes": Change,
    "events": Event,
    "clips": Clip,
}
_WORDS = {
    "str": "a text", "int": "a whole number", "float": "a number", "bool": "true or false",
    "array": "a list", "object": "an object", "null": "null",
}  # fmt: skip


def records_from(data: bytes) -> Build:
    """The records in the bytes of a file; values and addresses are not looked at yet.

    Raises
    ------
    NewerFile       if a later version of the program wrote it
    DocumentError   if it is no JSON or no build, with the place
    """
    tree = _tree(data)
    if not isinstance(tree, dict):
        raise DocumentError("", "is no build", f'Its text starts with {{"format": "{FORMAT}"')
    if tree.get("format", FORMAT) != FORMAT:
        raise BadField("format", "is no build's", f'Give "{FORMAT}"')
    version = tree.get("version", VERSION)
    if isinstance(version, bool) or not isinstance(version, int) or version < 1:
        raise BadField("version", "is no version", f"Give {VERSION}")
    if version > VERSION:
        raise NewerFile(
            "version", f"is {version}, made by a later program", f"This one reads {VERSION}"
        )
    for path, part in _listed(tree, "parts", ""):
        _check_values(part, path)
    for path, event in _listed(tree, "events", ""):
        _check_courses(event, path)
    build = _record(tree, Build, "", "")
    options = tuple(
        msgspec.structs.replace(
            option,
            changes=tuple(
                _change(change, f"options[{i}].changes[{j}]")
                for j, change in enumerate(option.changes)
            ),
        )
        for i, option in enumerate(build.options)
    )
    return msgspec.structs.replace(build, options=options)


def _listed(tree: dict[str, Any], key: str, path: str) -> list[tuple[str, dict[str, Any]]]:
    """The objects of a list, with their paths; what is no list or object is left to msgspec."""
    items = tree.get(key)
    if not isinstance(items, list):
        return []
    dot = f"{path}." if path else ""
    return [(f"{dot}{key}[{i}]", item) for i, item in enumerate(items) if isinstance(item, dict)]


def _check_values(part: dict[str, Any], path: str) -> None:
    """Values one by one: msgspec does not name the key in a dict."""
    values = part.get("values")
    if isinstance(values, dict):
        for key, value in values.items():
            _check_given(value, f"{path}.values.{key}", _id_of(part))


def _check_given(value: Any, path: str, owner: str) -> None:
    if isinstance(value, dict):
        _record(value, Quantity, path, owner)
    elif not isinstance(value, (str, int, float)):
        raise BadField(
            _place(path, owner), "is no value", 'Give text such as "18 mOhm", or a number'
        )


def _check_courses(event: dict[str, Any], path: str) -> None:
    courses = event.get("courses")
    if isinstance(courses, dict):
        for key, course in courses.items():
            probe = {"name": "", "kind": "throttle", "duration": 1, "course": course}
            try:
                msgspec.convert(probe, Event)
            except msgspec.ValidationError:
                raise BadField(
                    f"{path}.courses.{key}", "is no course", 'Write it like [["0 s", 0.5]]'
                ) from None


def _change(change: Change, path: str) -> Change:
    """Turns what an option adds into a part or a lead, and counts the verbs."""
    verbs = [v for v in ("remove", "bypass", "set", "add") if getattr(change, v) is not None]
    if len(verbs) != 1:
        raise BadField(
            path, f"has {len(verbs)} of the changes", "Give exactly one of remove, bypass, set, add"
        )
    if (change.value is not None) != (verbs[0] == "set"):
        what = "has no value" if verbs[0] == "set" else f"has a value beside {verbs[0]!r}"
        raise BadField(path, what, '"set" and "value" belong together')
    if verbs[0] != "add":
        return change
    added: Any = change.add
    path += ".add"
    if isinstance(added, dict) and "kind" in added:
        _check_values(added, path)
        return Change(add=_record(added, Part, path, _id_of(added)))
    if isinstance(added, dict) and "from" in added:
        return Change(add=_record(added, Lead, path, _id_of(added)))
    raise BadField(
        path, "is neither part nor lead", 'A part has "kind", a lead has "from" and "to"'
    )


def _record(tree: dict[str, Any], type_: type[_RecordT], path: str, owner: str) -> _RecordT:
    try:
        return msgspec.convert(tree, type_)
    except msgspec.ValidationError as error:
        raise _reworded(str(error), tree, type_, path, owner) from None


def _reworded(
    message: str, tree: dict[str, Any], type_: type[Record], path: str, owner: str
) -> DocumentError:
    """msgspec's complaint as ours: what is wrong, where, and what is allowed."""
    what, _, tail = message.partition(" - at `$")
    inner = tail.removesuffix("`").lstrip(".")
    steps = re.findall(r"\[\d+\]|\w+", inner)
    node: Any = tree
    for step in steps:
        if isinstance(node, dict) and node.get("id"):
            owner = _id_of(node)
        if step.startswith("[") and isinstance(node, list):
            node = node[int(step[1:-1])]
        elif isinstance(node, dict):
            node = node.get(step)
        if step in _LISTS:
            type_ = _LISTS[step]
        elif not step.startswith("["):
            type_ = Quantity
    if isinstance(node, dict) and node.get("id"):
        owner = _id_of(node)
    joint = "." if path and inner and not inner.startswith("[") else ""
    place = path + joint + inner
    names = tuple(f.encode_name for f in msgspec.structs.fields(type_))
    if match := re.match(r"Object contains unknown field `(.*)`", what, re.DOTALL):
        dot = f"{place}." if place else ""
        return BadField(
            _place(f"{dot}{match[1]}", owner),
            "is no key here",
            nearest_names(match[1], names, "Allowed are"),
        )
    if match := re.match(r"Object missing required field `(.*)`", what):
        return BadField(_place(place, owner), f"has no {match[1]!r}", "It is needed")
    if what.startswith("Invalid enum value"):
        return _bad_choice(steps[-1] if steps else "", node, _place(place, owner))
    if match := re.match(r"Expected `(.*?)`, got `(.*?)`", what):
        wanted = " or ".join(_WORDS.get(w.strip(), w.strip()) for w in match[1].split("|"))
        if "str | object" in match[1] or "float | str" in match[1]:
            wanted = 'a text with its unit, such as "18 mOhm", or a number'
        return BadField(
            _place(place, owner), f"is {_WORDS.get(match[2], match[2])}", f"Give {wanted}"
        )
    return BadField(_place(place, owner), what.replace("`", ""), "")


def _bad_choice(key: str, node: Any, place: str) -> DocumentError:
    allowed = {
        "kind": "throttle, steady, plug_in, tap, load_step, log",
        "deck": "lower, upper, top",
        "conductor": "pair, plus, minus",
        "mark": "sourced, derived, assumed, measured",
    }.get(key, "")
    error = UnknownKind if key == "kind" else BadField
    return error(place, f"{node!r} is not known", f"Allowed are {allowed}")


def _id_of(tree: dict[str, Any]) -> str:
    id_ = tree.get("id")
    return id_ if isinstance(id_, str) else ""


def _place(path: str, owner: str) -> str:
    return f"{path} ({owner})" if owner else path

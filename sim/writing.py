"""Records as the text of a build file: a fixed order of keys, defaults left out."""

from __future__ import annotations

import json
from functools import cache
from typing import Any, Final

import msgspec

from sim.records import Build, Record

_WIDTH: Final = 100


def _plain(record: Record) -> dict[str, Any]:
    """Fields that differ from their defaults, by their names in the file."""
    tree = {}
    for name, key, default in _defaults(type(record)):
        value = getattr(record, name)
        if value != default or type(value) is not type(default):
            tree[key] = _tidy(value)
    return tree


@cache
def _defaults(type_: type[Record]) -> tuple[tuple[str, str, Any], ...]:
    """(attribute, key in the file, default) of each field; asking msgspec each time is slow."""
    return tuple(
        (
            field.name,
            field.encode_name,
            field.default
            if field.default_factory is msgspec.NODEFAULT
            else field.default_factory(),
        )
        for field in msgspec.structs.fields(type_)
    )


def _tidy(value: Any) -> Any:
    if isinstance(value, Record):
        return _plain(value)
    if isinstance(value, (tuple, list)):
        return [_tidy(item) for item in value]
    if isinstance(value, dict):
        return {key: _tidy(item) for key, item in value.items()}
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return int(value)
    return value


def written(build: Build) -> str:
    """JSON in which what fits on a line is one line, so that a diff shows one part.

    Raises
    ------
    ValueError   if a number is not finite
    """
    tree = {"format": build.format, "version": build.version, "name": build.name}
    tree.update(_plain(build))
    flats: dict[int, str] = {}
    _flat(tree, flats)
    return _laid_out(tree, flats, 0, 0)


def _flat(node: Any, flats: dict[int, str]) -> str:
    """All on one line; `flats` keeps it for each list and object, by identity."""
    if isinstance(node, list):
        text = "[" + ", ".join(_flat(item, flats) for item in node) + "]"
    elif isinstance(node, dict):
        pairs = (f"{_scalar(key)}: {_flat(item, flats)}" for key, item in node.items())
        text = "{" + ", ".join(pairs) + "}"
    else:
        return _scalar(node)
    flats[id(node)] = text
    return text


def _scalar(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _laid_out(node: Any, flats: dict[int, str], indent: int, used: int) -> str:
    """`used` columns of the line are taken by what stands around the node."""
    flat = flats[id(node)] if isinstance(node, (dict, list)) else _scalar(node)
    if indent + used + len(flat) <= _WIDTH or not isinstance(node, (dict, list)) or not node:
        return flat
    pad = " " * (indent + 2)
    if isinstance(node, list):
        rows = [pad + _laid_out(item, flats, indent + 2, 1) for item in node]
        return "[\n" + ",\n".join(rows) + "\n" + " " * indent + "]"
    rows = []
    for key, item in node.items():
        name = _scalar(key) + ": "
        rows.append(pad + name + _laid_out(item, flats, indent + 2, len(name) + 1))
    return "{\n" + ",\n".join(rows) + "\n" + " " * indent + "}"

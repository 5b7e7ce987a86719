"""The kinds of part, found by looking into this folder.

`KINDS` maps the name in the file to the kind. Two files with one name fail here.
"""

from __future__ import annotations

import importlib
import pkgutil

from sim.parts.kind import Field, Kind, Port, Rating, Values

__all__ = ["KINDS", "Field", "Kind", "Port", "Rating", "Values"]


def _found() -> dict[str, Kind]:
    kinds: dict[str, Kind] = {}
    for module_info in pkgutil.iter_modules(__path__):
        module = importlib.import_module(f"{__name__}.{module_info.name}")
        for value in vars(module).values():
            if not (isinstance(value, type) and issubclass(value, Kind)):
                continue
            if value.__module__ != module.__name__ or "kind" not in vars(value):
                continue
            if value.kind in kinds:
                raise ImportError(f"two kinds of part are called {value.kind!r}")
            kinds[value.kind] = value()
    return dict(sorted(kinds.items()))


KINDS: dict[str, Kind] = _found()

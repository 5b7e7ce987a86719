"""The shelf: generic parts by class and size, to try and to choose from.

Read from `presets/shelf/*.json`. No maker's parts: each number says where it is from, as in
a build. Prices are bands for single pieces.
"""

from __future__ import annotations

from functools import cache
from importlib import resources

import msgspec
from msgspec.structs import replace

from sim.errors import BadField
from sim.records import Given, Part, Record
from sim.resolve import nearest_names


class ShelfPart(Record, frozen=True, kw_only=True):
    """One generic part.

    Attributes
    ----------
    id, title : its name in the program and on screen
    kind : of part, as in a build
    size : its case, in words
    values : as in a build, marks and sources included
    price : lowest and highest usual price of one piece in US dollars; our guess
    """

    id: str
    title: str
    kind: str
    size: str
    values: dict[str, Given]
    price: tuple[float, float]

    def part(self, id_: str, at: tuple[float, float] | None = None) -> Part:
        """The part as it goes into a build."""
        return Part(id=id_, kind=self.kind, at=at, label=self.title, values=dict(self.values))


class _Board(msgspec.Struct, forbid_unknown_fields=True):
    notes: str
    parts: list[ShelfPart]


#: What another part in the same place leaves as it is: how and where it is fitted.
FITTED = ("leg_length", "leg_spacing", "temperature", "reversed")


@cache
def shelf() -> tuple[ShelfPart, ...]:
    """All parts, by kind and then as their file has them."""
    folder = resources.files("presets").joinpath("shelf")
    files = sorted(f.name for f in folder.iterdir() if f.name.endswith(".json"))
    found: list[ShelfPart] = []
    for name in files:
        board = msgspec.json.decode(folder.joinpath(name).read_bytes(), type=_Board)
        found += board.parts
    return tuple(sorted(found, key=lambda part: part.kind))


def of_kind(kind: str) -> tuple[ShelfPart, ...]:
    """The parts of one kind; none where the shelf has none."""
    return tuple(part for part in shelf() if part.kind == kind)


def shelf_part(id_: str) -> ShelfPart:
    """The part called `id_`.

    Raises
    ------
    BadField   if there is none
    """
    for part in shelf():
        if part.id == id_:
            return part
    names = tuple(part.id for part in shelf())
    raise BadField("shelf", f"there is no part {id_!r}", nearest_names(id_, names, "Parts are"))


def put_in(part: Part, item: ShelfPart) -> Part:
    """The part exchanged for one of the shelf, at its place, by its name, on the same legs.

    What told of the old piece (its age, a broken leg) goes with it.

    Raises
    ------
    BadField   if it is of another kind
    """
    if part.kind != item.kind:
        raise BadField(part.id, f"is no {item.kind}", "Take a part of its own kind")
    fitted = {name: value for name, value in part.values.items() if name in FITTED}
    return replace(part, values={**item.values, **fitted})


def on_shelf(part: Part) -> ShelfPart | None:
    """Which part of the shelf it is, value by value with its sources; None if it is none."""
    bare = {name: value for name, value in part.values.items() if name not in FITTED}
    return next((item for item in of_kind(part.kind) if item.values == bare), None)

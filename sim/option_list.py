"""The row of options itself: add, copy, name, order, drop, and change places with the base.

Every function takes a build and gives a new one, as those of `sim.edit` do.
"""

from __future__ import annotations

from msgspec.structs import replace

from sim.errors import BadField, Conflict
from sim.options import apply, difference
from sim.records import Build, Option

#: What the build as drawn is called once it has become an option.
FORMER_BASE = "As it was drawn"
_LONGEST = 200


def add(build: Build, option: Option, at: int | None = None) -> tuple[Build, int]:
    """With one more option, at the end or at `at`; its name is made free. Also its index."""
    index = len(build.options) if at is None else at
    option = replace(option, name=free_name(build, option.name))
    options = (*build.options[:index], option, *build.options[index:])
    return replace(build, options=options), index


def add_like(build: Build, wanted: Build, name: str, *, what_if: bool = False) -> tuple[Build, int]:
    """With an option that shows the parts and leads of `wanted`. Also its index."""
    changes = difference(build, wanted)
    return add(build, Option(name=name, changes=changes, what_if=what_if))


def duplicate(build: Build, index: int) -> tuple[Build, int]:
    """With a copy of an option behind it. Also the copy's index."""
    return add(build, build.options[index], index + 1)


def rename(build: Build, index: int, name: str) -> Build:
    """With another name of an option.

    Raises
    ------
    BadField   if the name is empty, too long or not on one line
    Conflict   if another option has it
    """
    name = name.strip()
    if not name or len(name) > _LONGEST or not name.isprintable():
        raise BadField("the name", "is no name", "Allowed are 1 to 200 characters on one line")
    if any(o.name == name for i, o in enumerate(build.options) if i != index):
        raise Conflict("the name", f"{name!r} is another option's already", "Give it its own name")
    return _with(build, index, replace(build.options[index], name=name))


def move(build: Build, index: int, to: int) -> Build:
    """With an option elsewhere in the row; `to` beyond an end is that end."""
    options = list(build.options)
    option = options.pop(index)
    options.insert(max(0, min(to, len(options))), option)
    return replace(build, options=tuple(options))


def delete(build: Build, index: int) -> Build:
    """Without an option; the build as drawn stays."""
    return replace(build, options=build.options[:index] + build.options[index + 1 :])


def make_base(build: Build, index: int) -> Build:
    """With an option as the build as drawn; every option still shows what it showed.

    What was drawn before stays as an option, unless one shows just that already.
    """
    shown = [apply(build, option) for option in build.options]
    base = replace(build, parts=shown[index].parts, leads=shown[index].leads)
    options = tuple(
        replace(option, changes=difference(base, wanted))
        for option, wanted in zip(build.options, shown, strict=True)
    )
    base = replace(base, options=options)
    if any(not option.changes for option in build.options):
        return base
    former = Option(name=FORMER_BASE, changes=difference(base, build))
    return add(base, former)[0]


def free_name(build: Build, name: str) -> str:
    """`name`, or with the first free number behind it."""
    taken = {option.name for option in build.options}
    name = name.strip()[: _LONGEST - 5] or "Option"
    if name not in taken:
        return name
    number = 2
    while f"{name} {number}" in taken:
        number += 1
    return f"{name} {number}"


def _with(build: Build, index: int, option: Option) -> Build:
    options = list(build.options)
    options[index] = option
    return replace(build, options=tuple(options))

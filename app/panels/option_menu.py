"""What can be done with an option as a whole: a menu, and the same as functions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace
from PySide6.QtWidgets import QInputDialog, QMenu, QWidget

from sim import option_list
from sim.errors import SimError
from sim.options import apply
from sim.records import Option

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from app.workbench import Workbench

NEW_NAME = "New option"


def add(bench: Workbench) -> None:
    """A new option that shows what is shown now; it is chosen, and changes go into it."""
    shown = bench.shown_build
    build, index = option_list.add_like(bench.build, shown, NEW_NAME)
    bench.do("New option", build)
    bench.set_option(index)
    bench.set_only_here(True)


def duplicate(bench: Workbench, index: int) -> None:
    """A copy behind it, chosen."""
    build, copy = option_list.duplicate(bench.build, index)
    bench.do(f"Duplicate {bench.build.options[index].name}", build)
    bench.set_option(copy)
    bench.set_only_here(True)


def rename(bench: Workbench, index: int, name: str) -> None:
    """Another name.

    Raises
    ------
    SimError   if it is none, or another option's
    """
    old = bench.build.options[index].name
    bench.do(f"Rename {old}", option_list.rename(bench.build, index, name))


def move(bench: Workbench, index: int, step: int) -> None:
    """One place to the left or right; it stays chosen."""
    to = index + step
    if not 0 <= to < len(bench.build.options):
        return
    name = bench.build.options[index].name
    bench.do(f"Move {name}", option_list.move(bench.build, index, to))
    if bench.option == index:
        bench.set_option(to)
    elif bench.option == to:
        bench.set_option(index)


def delete(bench: Workbench, index: int) -> None:
    """Away with it; the build as drawn stays."""
    name = bench.build.options[index].name
    if bench.option == index:
        bench.set_option(index - 1 if index else None)
    elif bench.option is not None and bench.option > index:
        bench.set_option(bench.option - 1)
    bench.do(f"Delete {name}", option_list.delete(bench.build, index))


def make_base(bench: Workbench, index: int) -> None:
    """What it shows is the build as drawn from now on; every option shows what it did."""
    name = bench.build.options[index].name
    try:
        build = option_list.make_base(bench.build, index)
        for option in build.options:
            apply(build, option)
    except SimError:
        return
    bench.do(f"Make {name} the base", build)


def toggle_what_if(bench: Workbench, index: int) -> None:
    """Something to build, or only another case that is never called best."""
    options = list(bench.build.options)
    option: Option = options[index]
    options[index] = replace(option, what_if=not option.what_if)
    words = "a case" if not option.what_if else "an option"
    bench.do(f"{option.name} is {words}", replace(bench.build, options=tuple(options)))


def ask_name(bench: Workbench, index: int, parent: QWidget) -> None:
    """Ask for another name, again while it cannot be."""
    name, why = bench.build.options[index].name, ""
    while True:
        words = "Name of the option" + (f"\n{why}" if why else "")
        name, given = QInputDialog.getText(parent, "Rename the option", words, text=name)
        if not given:
            return
        try:
            rename(bench, index, name)
        except SimError as error:
            why = str(error)
            continue
        return


def entries(
    bench: Workbench, index: int, parent: QWidget
) -> Iterator[tuple[str, str, Callable[[], object], bool] | None]:
    """Words, key, what it does, and whether it can be done; None is a line."""
    last = len(bench.build.options) - 1
    option = bench.build.options[index]
    yield ("Rename…", "F2 on the card", lambda: ask_name(bench, index, parent), True)
    yield ("Duplicate", "Ctrl+D on the card", lambda: duplicate(bench, index), True)
    yield ("New option from what is shown", "Shift+N", lambda: add(bench), True)
    pinned = bench.pinned == index
    words = "No longer dotted behind" if pinned else "Dotted behind the others"
    yield (words, "Shift+P", lambda: bench.set_pinned(None if pinned else index), True)
    yield None
    yield ("One to the left", "Shift+Left on the card", lambda: move(bench, index, -1), index > 0)
    yield (
        "One to the right",
        "Shift+Right on the card",
        lambda: move(bench, index, 1),
        index < last,
    )
    yield None
    yield ("Make it the base", "", lambda: make_base(bench, index), bool(option.changes))
    words = "It can be built: let it be best" if option.what_if else "Only a case: never best"
    yield (words, "", lambda: toggle_what_if(bench, index), True)
    yield None
    yield ("Delete", "Delete on the card", lambda: delete(bench, index), True)


def menu(bench: Workbench, index: int, parent: QWidget) -> QMenu:
    """The menu of one option; the caller shows it."""
    out = QMenu(parent)
    out.setAccessibleName(f"Option {bench.build.options[index].name}")
    for entry in entries(bench, index, parent):
        if entry is None:
            out.addSeparator()
            continue
        words, key, act, can = entry
        action = out.addAction(f"{words}\t{key}" if key else words)
        action.setEnabled(can)
        action.triggered.connect(lambda _=False, a=act: a())
    return out

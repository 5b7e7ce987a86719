"""Cut, copy, paste, duplicate, mirror, turn, deck: what a menu or key does to a selection."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtGui import QGuiApplication

from app.wiring.facts import part_name
from sim.errors import SimError

if TYPE_CHECKING:
    from collections.abc import Callable

    from app.wiring.geometry import Point
    from app.wiring.view import FrameView
    from sim.build import Build
    from sim.fragment import Placed

#: A pasted or doubled part stands this far aside, so that it can be seen.
_ASIDE_MM = (10.0, 10.0)
_DECKS = ("lower", "upper", "top")


def what(view: FrameView, ids: tuple[str, ...]) -> str:
    """Words for what an undo step is about."""
    shown = view.workbench.shown_build
    names = [part_name(p) for p in shown.parts if p.id in ids]
    if len(names) == 1:
        return names[0]
    return f"{len(names)} parts" if names else "leads"


def chosen_parts(view: FrameView) -> tuple[str, ...]:
    """Ids of the selected parts, in the build's order."""
    chosen = set(view.workbench.selection)
    return tuple(p.id for p in view.workbench.shown_build.parts if p.id in chosen)


def copy(view: FrameView) -> bool:
    """The selected parts and the leads between them onto the clipboard, as text of a build."""
    from sim.build import dumps
    from sim.fragment import fragment

    ids = chosen_parts(view)
    if not ids:
        view.say("Select the parts to copy first; leads between them come along.")
        return False
    text = dumps(fragment(view.workbench.shown_build, ids)).decode()
    QGuiApplication.clipboard().setText(text)
    view.say(f"Copied {what(view, ids)}. Ctrl+V puts a copy where the pointer is.")
    return True


def cut(view: FrameView) -> None:
    """Copy, then take off."""
    if copy(view):
        view.remove_selected()


def paste(view: FrameView, at: Point | None = None) -> None:
    """What is on the clipboard, its middle at a place in mm; else a little aside."""
    from sim.build import loads
    from sim.fragment import middle
    from sim.fragment import paste as put

    try:
        # Not held against limits here: what is wrong with a part is said where it stands.
        piece = loads(QGuiApplication.clipboard().text().encode(), "clipboard", checked=False)
    except (SimError, UnicodeError):
        view.say("There is no part of a build on the clipboard.", bad=True)
        return
    if not piece.parts:
        view.say("What is on the clipboard has no parts.", bad=True)
        return
    by = _ASIDE_MM
    if at is not None:
        x, y = middle(piece)
        by = (round(at[0] - x, 1), round(at[1] - y, 1))
    name = part_name(piece.parts[0]) if len(piece.parts) == 1 else f"{len(piece.parts)} parts"
    _place(view, f"Paste {name}", lambda build: put(build, piece, by))


def duplicate(view: FrameView) -> None:
    """The same once more beside it, on the same places."""
    from sim.fragment import duplicate as double

    ids = chosen_parts(view)
    if not ids:
        view.say("Select the parts to duplicate first.")
        return
    _place(view, f"Duplicate {what(view, ids)}", lambda build: double(build, ids, _ASIDE_MM))


def mirror(view: FrameView) -> None:
    """The selected parts to the other side of the frame."""
    from sim.fragment import mirror as over

    ids = chosen_parts(view)
    if ids:
        view.change(f"Mirror {what(view, ids)}", lambda build: over(build, ids))
    else:
        view.say("Select the parts to mirror first.")


def mirrored_copy(view: FrameView) -> None:
    """The selected parts once more on the other side of the frame."""
    from sim.fragment import mirrored_copy as copy_over

    ids = chosen_parts(view)
    if ids:
        _place(view, f"Mirrored copy of {what(view, ids)}", lambda build: copy_over(build, ids))
    else:
        view.say("Select the parts to copy to the other side first.")


def turn(view: FrameView, by: float) -> None:
    """Each selected part on the spot, clockwise in degrees."""
    from sim.edit import turn_part

    ids = chosen_parts(view)
    if not ids:
        return

    def edit(build: Build) -> Build:
        for id_ in ids:
            part = build.part(id_)
            if part is not None:
                build = turn_part(build, id_, part.turn + by)
        return build

    view.change(f"Turn {what(view, ids)}", edit, merge="turn " + " ".join(ids))


def next_deck(view: FrameView) -> None:
    """The selected parts one deck up; from the top to the lower one."""
    from sim.edit import set_deck

    ids = chosen_parts(view)
    if not ids:
        view.say("Select parts, then U puts them one deck up.")
        return
    first = view.workbench.shown_build.part(ids[0])
    if first is None:
        return
    deck = _DECKS[(_DECKS.index(first.deck) + 1) % len(_DECKS)]

    def edit(build: Build) -> Build:
        for id_ in ids:
            build = set_deck(build, id_, deck)
        return build

    if view.change(f"{what(view, ids)} to the {deck} deck", edit):
        view.say(f"{what(view, ids)}: {deck} deck. S spreads the decks apart.")


def select_all(view: FrameView) -> None:
    """All parts and all leads that can be seen."""
    view.workbench.select(tuple(view.scene_.reading_order()))


def _place(view: FrameView, text: str, edit: Callable[[Build], Placed]) -> None:
    """Make an edit that brings new parts; they are selected then."""
    made: list[str] = []

    def wanted(build: Build) -> Build:
        placed = edit(build)
        made.extend(placed.ids)
        return placed.build

    if view.change(text, wanted):
        view.workbench.select(tuple(made))
        if made:
            view.ensure_seen(made[0])

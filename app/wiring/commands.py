"""What a key or a menu does to what is selected: each one undo step.

They work on a workbench alone, so that the canvas and the outline share them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF

from app.wiring import placing
from app.wiring.facts import part_name

if TYPE_CHECKING:
    from app.wiring.scene import WiringScene
    from app.wiring.view import FrameView
    from app.workbench import Workbench


def remove_selected(workbench: Workbench) -> None:
    """Take what is selected off the build, leads with it."""
    from sim.edit import remove

    ids = workbench.selection
    if not ids:
        return
    shown = workbench.shown_build
    names = [part_name(p) for p in shown.parts if p.id in ids]
    text = (
        f"Remove {names[0]}"
        if len(ids) == 1 and names
        else ("Remove a lead" if len(ids) == 1 else f"Remove {len(ids)} things")
    )
    workbench.do(text, workbench.through(lambda b: remove(b, ids)))


def with_boards(scene: WiringScene, ids: tuple[str, ...]) -> tuple[str, ...]:
    """These parts and what moves with them: a board moves as one, with all that lies on it."""
    out = dict.fromkeys(ids)
    for board in scene.boards.values():
        if any(i in out for i in board.ids):
            out |= dict.fromkeys(board.ids)
            out |= {
                i: None
                for i, item in scene.parts.items()
                if item.part.deck == "lower" and board.rect.contains(QPointF(*item.place))
            }
    for id_ in ids:
        out |= dict.fromkeys(scene.riders(id_))
    return tuple(out)


def nudge(view: FrameView, dx: float, dy: float) -> bool:
    """Move the selected parts by so many mm; False if no part is selected."""
    from sim.edit import move_parts

    scene = view.scene_
    ids = tuple(i for i in view.workbench.selection if i in scene.parts)
    if not ids:
        return False
    targets = {}
    for id_ in with_boards(scene, ids):
        x, y = scene.parts[id_].place
        targets[id_] = (round(x + dx, 1), round(y + dy, 1))
    name = scene.parts[ids[0]].facts.name
    text = f"Move {name}" if len(ids) == 1 else f"Move {len(ids)} parts"
    return view.change(text, lambda b: move_parts(b, targets), merge="nudge " + " ".join(ids))


def join_selected(view: FrameView, other_end: bool = False) -> None:
    """A lead between the two selected parts, from the pads that face each other.

    Of a lead and a part the lead's nearer end goes to the part, or its other one.
    """
    scene = view.scene_
    ids = [i for i in view.workbench.selection if i in scene.parts]
    wires = [i for i in view.workbench.selection if i in scene.leads]
    if len(ids) == 1 and len(wires) == 1:
        from app.wiring.lead_ends import rehome_selected

        rehome_selected(view, wires[0], ids[0], other_end)
        return
    if len(ids) != 2:
        view.say("Select two parts, then L joins them; or a lead and a part, and it ends there.")
        return
    ends = [scene.parts[i] for i in ids]
    a = placing.address_at(scene, ends[0].part, ends[1].pad())
    b = placing.address_at(scene, ends[1].part, ends[0].pad())
    why = placing.why_not_join(view.workbench.shown_build, a, b)
    if why:
        view.say(why, bad=True)
        return
    view.change("Pull a lead", lambda build: placing.join(build, a, b)[0])

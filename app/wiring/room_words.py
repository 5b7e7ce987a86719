"""Words beside the parts for a room: names, and what was changed, in type for the back row.

A room reads few words and no figures but those of the card, so only the parts that carry the
story are named: what was changed, what is watched, capacitors, pack and ESCs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from app.wiring.facts import CANS, SOURCES
from sim import quantity
from sim.options import owner_of
from sim.parts import KINDS

if TYPE_CHECKING:
    from app.wiring.scene import WiringScene
    from sim.build import Build

#: More names than this are not read from the back row.
MOST_NAMES = 6
#: Words that a whole label has no room for.
_SHORT = {"pwm_frequency": "PWM"}
#: Before the name of a board among ids of parts.
_BOARD = "board:"


def room_words(
    scene: WiringScene, words: dict[str, tuple[str, str, str]], changed: dict[str, str]
) -> dict[str, tuple[str, str, str]]:
    """Of all `words` (name, figure, verdict by id) those a room reads, most important first.

    Parameters
    ----------
    changed : what was changed on a part, by its id
    """
    build = scene.build
    if build is None:
        return {}
    watched = [owner_of(clip.tip) for clip in build.clips[:1]]
    on_board = {id_: name for name, board in scene.boards.items() for id_ in board.ids}
    names = {id_: name for id_, (name, _, _) in words.items()}
    ranks: dict[str, int] = {}
    said: dict[str, str] = {}

    def rank(id_: str, place: int) -> None:
        """Name a part, or the board it is on."""
        owner = f"{_BOARD}{on_board[id_]}" if id_ in on_board else id_
        ranks[owner] = min(ranks.get(owner, place), place)
        if id_ in changed:
            said[owner] = changed[id_]

    kinds = {id_: item.part.kind for id_, item in scene.parts.items()}
    escs = [id_ for id_, kind in kinds.items() if kind == "esc"]
    # one ESC stands for all, and the one with the clip is best
    shown_esc = next((id_ for id_ in watched if id_ in escs), escs[0] if escs else "")
    for id_, kind in kinds.items():
        if id_ in changed:
            rank(id_, 0)
        elif id_ in watched:
            rank(id_, 1)
        elif kind in CANS and id_ in names:
            rank(id_, 2)
        elif kind in SOURCES or kind == "lc_stage":
            rank(id_, 3)
        elif id_ == shown_esc:
            rank(id_, 4)
        elif kind in ("vtx", "camera"):
            rank(id_, 5)
    ranked = sorted(ranks, key=lambda id_: ranks[id_])
    out = {}
    for id_ in ranked:
        if id_ in scene.bypassed:
            continue
        name = names.get(id_) or (scene.parts[id_].facts.name if id_ in scene.parts else "")
        name = name.removesuffix(", worst")
        if name:
            out[id_] = (name, said.get(id_, ""), "")
    return dict(list(out.items())[:MOST_NAMES])


def changed_words(before: Build, after: Build) -> dict[str, str]:
    """What was set to another value on each part, as "leg length 40 mm"."""
    found: dict[str, str] = {}
    for part in after.parts:
        old = before.part(part.id)
        kind = KINDS.get(part.kind)
        if old is None or kind is None or old.values == part.values:
            continue
        for field in kind.fields:
            given = part.values.get(field.name)
            if given is None or given == old.values.get(field.name) or not field.unit:
                continue
            value = getattr(given, "value", given)
            words = _SHORT.get(field.name) or field.label or field.name.replace("_", " ")
            if field.unit not in ("text", "flag", "choice"):
                value = quantity.format(quantity.parse(value, field.unit), field.unit, 3)
            found[part.id] = f"{words} {value}"
    return found

"""Does it fit: parts that stand in one another, and cans too high for their deck.

Outlines are at true size, so what overlaps on the screen overlaps on the bench. What
is meant to lie on another part does not count: ceramics and capacitors on the pads
that they are soldered to, anything on a distribution board, outputs of one board.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from PySide6.QtCore import QRectF
from PySide6.QtGui import QPainterPath, QTransform

from app.wiring.facts import ROUND

if TYPE_CHECKING:
    from app.wiring.frames import Frame
    from app.wiring.geometry import Point
    from app.wiring.part_item import PartItem
    from app.wiring.scene import WiringScene

#: Less than this on either side is within what a hand can push aside.
_SPARE_MM = 0.75
#: Where the plate above begins to matter: the edge does not, a part can lean out.
_UNDER = 0.5


@dataclass(frozen=True)
class Misfit:
    """One thing that does not fit: the parts it is about, and a sentence."""

    ids: tuple[str, ...]
    words: str


def misfits(scene: WiringScene) -> tuple[Misfit, ...]:
    """All that does not fit, in the order of the build's parts."""
    outlines = {i: _outline(item) for i, item in scene.parts.items() if item.part.kind != "joint"}
    boxes = {i: path.boundingRect() for i, path in outlines.items()}
    ids = list(outlines)
    found = []
    for k, a in enumerate(ids):
        for b in ids[k + 1 :]:
            first, second = scene.parts[a], scene.parts[b]
            if first.part.deck != second.part.deck or not boxes[a].intersects(boxes[b]):
                continue
            if outlines[a].intersects(outlines[b]) and not _meant(scene, first, second):
                found.append(
                    Misfit(
                        (a, b),
                        f"{first.facts.name} and {second.facts.name} overlap on the "
                        f"{first.part.deck} deck.",
                    )
                )
    return (*found, *_too_high(scene))


def _outline(item: PartItem) -> QPainterPath:
    w, d = (max(0.5, side - 2 * _SPARE_MM) for side in item.size_mm)
    body = QRectF(-w / 2, -d / 2, w, d)
    path = QPainterPath()
    if item.part.kind in ROUND:
        path.addEllipse(body)
    else:
        path.addRect(body)
    x, y = item.place
    return QTransform().translate(x, y).rotate(item.part.turn).map(path)


def _meant(scene: WiringScene, a: PartItem, b: PartItem) -> bool:
    """Whether one lies on the other as it should."""
    if a.on_board and b.on_board:
        return True
    for small, other in ((a, b), (b, a)):
        if small.facts.across and (
            other.on_board or scene.joined(small.part.id, other.part.id) or _ceramic(small, other)
        ):
            return True
    return False


def _ceramic(small: PartItem, other: PartItem) -> bool:
    return small.part.kind == "ceramic" and other.part.kind not in ("ceramic", "motor", "battery")


def _too_high(scene: WiringScene) -> list[Misfit]:
    frame: Frame = scene.frame_item.frame
    if not frame.gap_mm:
        return []
    decks = {item.part.deck for item in scene.parts.values()}
    plate = QRectF(*frame.plate)
    found = []
    for id_, item in scene.parts.items():
        above = {"lower": "upper", "upper": "top"}.get(item.part.deck)
        high = item.facts.height_mm
        if above not in decks or high <= frame.gap_mm or not _under(plate, item.place):
            continue
        found.append(
            Misfit(
                (id_,),
                f"{item.facts.name} is {high:g} mm high; there are {frame.gap_mm:g} mm under the "
                f"{above} plate. Lay it down or put it beside the plate.",
            )
        )
    return found


def _under(plate: QRectF, at: Point) -> bool:
    return plate.adjusted(_UNDER, _UNDER, -_UNDER, -_UNDER).contains(*at)

"""A part off the shelf in place of the one whose sheet is open."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QMenu, QWidget

from app.panels.flat import FlatButton
from app.words import MARKS
from sim import quantity
from sim.records import Quantity
from sim.shelf import ShelfPart, of_kind, on_shelf

if TYPE_CHECKING:
    from app.look import Look
    from sim.records import Part

_TITLE = "From the shelf"


class ShelfRow(QWidget):
    """A word that opens the parts of one kind; hidden where the shelf has none.

    Signals
    -------
    chosen : a `ShelfPart`
    """

    chosen = Signal(object)

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._kind = ""
        #: The kind, and which of the shelf the part is.
        self._said: tuple[str, ShelfPart | None] | None = None
        self.button = FlatButton(look, "small", _TITLE)
        self.menu = QMenu(self.button)
        self.menu.setToolTipsVisible(True)
        self.button.setMenu(self.menu)
        row = QHBoxLayout(self)
        row.setContentsMargins(10, 0, 14, 0)
        row.addWidget(self.button)
        row.addStretch(1)

    def show_part(self, part: Part | None) -> None:
        """Offer what the shelf has of the part's kind, and say which of them it is."""
        items = () if part is None else of_kind(part.kind)
        self.setVisible(bool(items))
        if part is None or not items:
            return
        if part.kind != self._kind:
            self._kind = part.kind
            self.menu.clear()
            for item in items:
                action = self.menu.addAction(words(item))
                action.setCheckable(True)
                action.setToolTip(sources(item))
                action.triggered.connect(partial(self._choose, item))
        here = on_shelf(part)
        if (part.kind, here) == self._said:
            return
        self._said = (part.kind, here)
        for action, item in zip(self.menu.actions(), items, strict=True):
            action.setChecked(item == here)
        name = "" if here is None else f": {here.title}, {here.size}"
        self.button.setText(f"{_TITLE.replace('sh', '&sh')}{name} ▾")
        self.button.setToolTip(
            "Generic parts by class and size, no maker's. Its legs stay as they are."
            if here is None
            else sources(here)
        )

    def _choose(self, item: ShelfPart, _on: bool = False) -> None:
        self._said = None  # the click has set the menu's mark, whatever comes of it
        self.chosen.emit(item)


def words(item: ShelfPart) -> str:
    """What is asked of a part in a shop: "470 µF 35 V can, 10x16 mm, 28 mΩ, $ 0.4 to 0.8"."""
    found = [item.title, item.size]
    for name, unit in (("esr", "Ohm"), ("dcr", "Ohm"), ("rated_ripple", "A"), ("mass", "kg")):
        value = item.values.get(name)
        if value is not None:
            given = value.value if isinstance(value, Quantity) else value
            found.append(quantity.format(quantity.parse(given, unit), unit, 3))
    low, high = item.price
    return ", ".join([*found, f"$ {low:g} to {high:g}"])


def sources(item: ShelfPart) -> str:
    """Where its values are from, each kind of source once."""
    lines = ["Where its values are from:"]
    by_source: dict[str, list[str]] = {}
    for name, value in item.values.items():
        if isinstance(value, Quantity):
            mark = MARKS.get(value.mark or "", "typed")
            by_source.setdefault(f"{mark}: {value.source}", []).append(name.replace("_", " "))
    lines += [f"{', '.join(names)}: {source}" for source, names in by_source.items()]
    return "\n".join([*lines, "Price: our guess"])

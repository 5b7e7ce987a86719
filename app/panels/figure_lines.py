"""Lines of a part sheet; a figure against its limit leads where it is read."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QLabel

from app.look import SHAPES
from app.solver.protocol import CellRow
from app.words import of_limit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from app.look import Look
    from app.solver.protocol import RatingRow
    from app.workbench import Workbench


class FigureLines(QLabel):
    """Plain lines, the first of which are the figures of limits and can be clicked."""

    def __init__(self, workbench: Workbench, look: Look) -> None:
        super().__init__(wordWrap=True, textFormat=Qt.TextFormat.RichText)
        self._workbench = workbench
        self._look = look
        self._part = ""
        self._lines: list[str] = []
        self._ratings: tuple[RatingRow, ...] = ()
        # the mouse only: Tab goes through the values of the sheet, G goes to a figure by key
        self.setTextInteractionFlags(Qt.TextInteractionFlag.LinksAccessibleByMouse)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.linkActivated.connect(lambda index: self.go(int(index)))
        look.changed.connect(self._restyle)
        self.hide()

    @property
    def plain(self) -> str:
        """The lines as they are read."""
        return "\n".join(self._lines)

    def show_lines(self, part: str, lines: list[str], ratings: Sequence[RatingRow]) -> None:
        """The lines of a part; the first ones are those of its ratings, in order."""
        if (part, lines, tuple(ratings)) == (self._part, self._lines, self._ratings):
            # A text laid out again takes as long as all fields of a sheet.
            return
        self._part, self._lines, self._ratings = part, lines, tuple(ratings)
        self.setVisible(bool(lines))
        self.setAccessibleName(self.plain)
        self._restyle()

    def go(self, index: int) -> None:
        """Curves and frame go where a rating's figure is read, in what is shown now."""
        bench, rating = self._workbench, self._ratings[index]
        option = "" if bench.option is None else bench.build.options[bench.option].name
        bench.go_to(
            CellRow(
                option,
                bench.events[bench.event_index].name,
                rating.place,
                "",
                self._part,
                rating.name,
                rating.reads,
                0.0,
                0.0,
                rating.limit,
                rating.unit,
                0.0,
                rating.verdict,
                bench.timing,
            )
        )

    def _restyle(self) -> None:
        ink = self._look.palette.ink.name()
        rows = []
        for index, line in enumerate(self._lines):
            words = escape(line)
            if index < len(self._ratings):
                style = f"color: {ink}; text-decoration: none"
                words = f'<a href="{index}" style="{style}">{words}</a>'
            rows.append(words)
        self.setText("<br>".join(rows))
        self.setToolTip("Click a figure: the curves go there" if self._ratings else "")


def rating_words(rating: RatingRow) -> str:
    """ "▲ MOSFET limit: 29.8 of 30 V, close"."""
    slow = " (slow)" if rating.reads.startswith("slow") else ""
    shape = SHAPES.get(rating.verdict, "")
    return f"{shape} {rating.name}: {of_limit(rating)}{slow}, {rating.verdict}"

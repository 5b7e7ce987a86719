"""Paper, ink and few colours, each with one job; light and dark, desk and projector.

The palettes are our own and never taken from the system's scheme, which is
unknown on bare displays. A `Look` is passed to every view; views repaint on
`changed`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtGui import QColor, QFont, QGuiApplication, QPalette

Role = Literal["small", "text", "name", "figure", "answer", "title"]
Verdict = Literal["within", "close", "over"]

# Points at the desk, points for the back row, weight. Never below 10 and 24.
_ROLES: dict[str, tuple[float, float, QFont.Weight]] = {
    "small": (10.0, 24.0, QFont.Weight.Normal),
    "text": (10.0, 24.0, QFont.Weight.Normal),
    "name": (10.5, 24.0, QFont.Weight.Bold),
    "figure": (10.5, 24.0, QFont.Weight.DemiBold),
    "answer": (11.5, 26.0, QFont.Weight.DemiBold),
    "title": (13.5, 28.0, QFont.Weight.Bold),
}

#: Said with a shape as well as a colour, so that neither is needed alone.
SHAPES: dict[str, str] = {"within": "●", "close": "▲", "over": "■"}


@dataclass(frozen=True)
class Palette:
    """Colours by job.

    Attributes
    ----------
    paper, ink, muted, faint : ground, text, lesser text, hairlines and card borders
    band : ground of the answer row and the ribbon
    deck : plates and arms of the frame
    card : ground of parts, cards and sheets
    plus, minus : the two conductors
    over, close, within : verdicts
    selection, limit : outline of what is selected; dashes of limits
    line1, line2, line3 : curves, in order of the clips
    recorded : what a real scope has recorded, and nothing else
    """

    dark: bool
    paper: QColor
    ink: QColor
    muted: QColor
    faint: QColor
    band: QColor
    deck: QColor
    card: QColor
    plus: QColor
    minus: QColor
    over: QColor
    close: QColor
    within: QColor
    selection: QColor
    limit: QColor
    line1: QColor
    line2: QColor
    line3: QColor
    recorded: QColor

    def verdict(self, word: str | None) -> QColor:
        """Colour of a verdict word; muted for anything else."""
        return {"within": self.within, "close": self.close, "over": self.over}.get(
            word or "", self.muted
        )

    def line(self, index: int) -> QColor:
        """Colour of the curve at `index`, counted from 0."""
        return (self.line1, self.line2, self.line3)[index % 3]


def _palette(dark: bool, **names: str) -> Palette:
    return Palette(dark=dark, **{name: QColor(value) for name, value in names.items()})


_LIGHT = _palette(
    False,
    paper="#FBFAF6",
    ink="#20242B",
    muted="#62666D",
    faint="#D9D5CA",
    band="#F3F0E8",
    deck="#E4DFD3",
    card="#FFFFFF",
    plus="#B3372B",
    minus="#20242B",
    over="#A84300",
    close="#8A5A00",
    within="#007A5A",
    selection="#20242B",
    limit="#20242B",
    line1="#0072B2",
    line2="#A8558A",
    line3="#007A5A",
    recorded="#180060",
)

_DARK = _palette(
    True,
    paper="#15181C",
    ink="#E9E6DE",
    muted="#9FA1A4",
    faint="#343A41",
    band="#1A1E23",
    deck="#2B3036",
    card="#1F242A",
    plus="#F0766A",
    minus="#C9C6BE",
    over="#FF9A63",
    close="#E5B45A",
    within="#3CC79A",
    selection="#E9E6DE",
    limit="#E9E6DE",
    line1="#56AEE2",
    line2="#DB9AC3",
    line3="#3CC79A",
    recorded="#C0F030",
)

#: Line style of a curve by its index: told apart without colour.
LINE_STYLES = (Qt.PenStyle.SolidLine, Qt.PenStyle.DashLine, Qt.PenStyle.DotLine)


def palette(dark: bool) -> Palette:
    """The light or the dark palette."""
    return _DARK if dark else _LIGHT


def system_is_dark() -> bool:
    """Whether the system asks for dark; False where it does not say."""
    return QGuiApplication.styleHints().colorScheme() == Qt.ColorScheme.Dark


class Look(QObject):
    """The present palette and type sizes; emits `changed` when either changes."""

    changed = Signal()

    def __init__(self, dark: bool = False, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._dark = dark
        self._projector = False
        #: By role: the system's font and the size that it was made for, and the font.
        self._fonts: dict[Role, tuple[QFont, float, QFont]] = {}

    @property
    def palette(self) -> Palette:
        return palette(self._dark)

    @property
    def dark(self) -> bool:
        return self._dark

    def set_dark(self, dark: bool) -> None:
        if dark != self._dark:
            self._dark = dark
            self.changed.emit()

    @property
    def projector(self) -> bool:
        """Large type for the back row."""
        return self._projector

    def set_projector(self, projector: bool) -> None:
        if projector != self._projector:
            self._projector = projector
            self.changed.emit()

    @property
    def scale(self) -> float:
        """Factor of type, and of what is laid out around type: 1 at the desk."""
        return 2.4 if self._projector else 1.0

    def font(self, role: Role = "text") -> QFont:
        """System sans of a role, figures of equal width so that live values do not jitter."""
        desk, projector, weight = _ROLES[role]
        system = QGuiApplication.font()
        size = projector if self._projector else desk
        kept = self._fonts.get(role)
        # (asked for hundreds of times a frame)
        if kept is None or kept[:2] != (system, size):
            font = QFont(system)
            font.setPointSizeF(size)
            font.setWeight(weight)
            font.setFeature(QFont.Tag("tnum"), 1)
            kept = self._fonts[role] = (system, size, font)
        return QFont(kept[2])

    def stylesheet(self) -> str:
        """For stock widgets in sheets: boxes with a hairline, no bevels."""
        p = self.palette
        ink, faint, card, band = (c.name() for c in (p.ink, p.faint, p.card, p.band))
        return f"""
            QToolTip {{ background: {card}; color: {ink}; border: 1px solid {faint};
                        padding: 4px; }}
            QMenu {{ background: {card}; color: {ink}; border: 1px solid {faint}; padding: 4px; }}
            QMenu::item {{ padding: 4px 24px 4px 20px; border-radius: 4px; }}
            QMenu::item:selected {{ background: {band}; }}
            QMenu::item:disabled {{ color: {p.muted.name()}; }}
            QMenu::separator {{ height: 1px; background: {faint}; margin: 4px 8px; }}
            QLineEdit, QComboBox {{ background: {card}; color: {ink}; padding: 2px 6px;
                        border: 1px solid {faint}; border-radius: 4px; }}
            QLineEdit:focus, QComboBox:focus {{ border-color: {ink}; }}
            QPushButton {{ background: {card}; color: {ink}; padding: 3px 10px;
                        border: 1px solid {faint}; border-radius: 4px; }}
            QPushButton:hover {{ background: {band}; }}
            QPushButton:focus {{ border-color: {ink}; }}
            QComboBox::drop-down {{ border: none; width: 14px; }}
            QSlider::groove:horizontal {{ height: 4px; background: {faint}; border-radius: 2px; }}
            QSlider::sub-page:horizontal {{ background: {ink}; border-radius: 2px; }}
            QSlider::handle:horizontal {{ width: 12px; margin: -5px 0; border-radius: 7px;
                        background: {card}; border: 1.5px solid {ink}; }}
            QSlider::handle:horizontal:focus {{ background: {ink}; }}
            QHeaderView::section {{ background: {card}; color: {p.muted.name()}; border: none;
                        border-bottom: 1px solid {faint}; padding: 2px 6px; }}
            QScrollBar {{ background: transparent; border: none; margin: 0; }}
            QScrollBar:vertical {{ width: 8px; }}
            QScrollBar:horizontal {{ height: 8px; }}
            QScrollBar::handle {{ background: {faint}; border-radius: 4px; min-height: 24px;
                        min-width: 24px; }}
            QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
            QScrollBar::add-page, QScrollBar::sub-page {{ background: transparent; }}
        """

    def qt_palette(self) -> QPalette:
        """For stock widgets: boxes, menus, tables."""
        p = self.palette
        roles = QPalette.ColorRole
        out = QPalette(p.card, p.paper)
        for role, colour in (
            (roles.Window, p.paper),
            (roles.WindowText, p.ink),
            (roles.Base, p.card),
            (roles.AlternateBase, p.band),
            (roles.Text, p.ink),
            (roles.PlaceholderText, p.muted),
            (roles.Button, p.band),
            (roles.ButtonText, p.ink),
            (roles.ToolTipBase, p.card),
            (roles.ToolTipText, p.ink),
            (roles.Highlight, p.faint if p.dark else p.deck),
            (roles.HighlightedText, p.ink),
            (roles.Mid, p.faint),
            (roles.Dark, p.muted),
            (roles.Light, p.card),
            (roles.Link, p.line1),
        ):
            out.setColor(role, colour)
        for role in (roles.WindowText, roles.Text, roles.ButtonText):
            out.setColor(QPalette.ColorGroup.Disabled, role, p.muted)
        return out

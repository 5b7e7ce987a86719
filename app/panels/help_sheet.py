"""The help page of a kind of part, beside its sheet: what it models and what it leaves out."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QTextBrowser, QVBoxLayout, QWidget

from app.panels.flat import FlatButton
from sim import help as pages

if TYPE_CHECKING:
    from PySide6.QtGui import QKeyEvent

    from app.look import Look
    from sim.help import Page

_WIDTH, _MARGIN = 720, 24


class HelpSheet(QFrame):
    """Esc or the cross puts it away."""

    def __init__(self, look: Look, parent: QWidget) -> None:
        super().__init__(parent)
        self._look = look
        self._page: Page | None = None
        self.setAccessibleName("Help")
        self.title = QLabel(textFormat=Qt.TextFormat.PlainText)
        self._close = FlatButton(look, "figure", "Close the help")
        self._close.setText("×")
        self._close.clicked.connect(self.hide)
        self.text = QTextBrowser()
        self.text.setFrameShape(QFrame.Shape.NoFrame)
        self.text.setAccessibleName("Help page")
        head = QHBoxLayout()
        head.addWidget(self.title, 1)
        head.addWidget(self._close)
        column = QVBoxLayout(self)
        column.setContentsMargins(18, 10, 10, 12)
        column.setSpacing(4)
        column.addLayout(head)
        column.addWidget(self.text, 1)
        look.changed.connect(self._restyle)
        self._restyle()
        self.hide()

    def open(self, kind: str) -> None:
        """Show the page of a kind of part, or of "lead", in the middle of the window."""
        if kind not in pages.names():
            return
        self._page = pages.page(kind)
        self.title.setText(self._page.title)
        self._restyle()
        area = self.parentWidget().rect().adjusted(_MARGIN, _MARGIN, -_MARGIN, -_MARGIN)
        width = min(round(_WIDTH * min(self._look.scale, 1.8)), area.width())
        document = self.text.document()
        document.setTextWidth(width - 44)
        wanted = round(document.size().height()) + self.title.sizeHint().height() + 40
        height = min(wanted, area.height())
        self.setGeometry(
            area.center().x() - width // 2, area.center().y() - height // 2, width, height
        )
        self.show()
        self.raise_()
        self.text.setFocus()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Escape, Qt.Key.Key_F1):
            self.hide()
        else:
            super().keyPressEvent(event)

    def _restyle(self) -> None:
        p = self._look.palette
        self.setStyleSheet(
            f"HelpSheet {{ background: {p.card.name()}; border: 1.5px solid {p.ink.name()};"
            " border-radius: 8px; }"
            f"QTextBrowser {{ background: {p.card.name()}; color: {p.ink.name()}; }}"
        )
        self.title.setFont(self._look.font("name"))
        self.text.setFont(self._look.font())
        if self._page is not None:
            self.text.setHtml(_html(self._page, p.muted.name()))


def _html(page: Page, muted: str) -> str:
    pieces = []
    for title, paragraphs in (
        ("What it models", page.models),
        ("Equations", page.equations),
        ("Where it is from", page.sources),
        ("What it leaves out", page.left_out),
        ("Take care", page.cautions),
    ):
        if not paragraphs:
            continue
        pieces.append(f'<p style="color:{muted}; margin-bottom:0">{title}</p>')
        for text in paragraphs:
            if title == "Equations":
                pieces.append(
                    f'<pre style="margin-top:2px; white-space:pre-wrap">{escape(text)}</pre>'
                )
            else:
                pieces.append(f'<p style="margin-top:2px">{escape(text)}</p>')
    return "".join(pieces)

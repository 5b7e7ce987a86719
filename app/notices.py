"""Where and how each error is shown. Nobody else decides that.

BadField, BadUnit        beside the box it was typed into
other DocumentError      in a strip under the answer, with what can be done
NetworkError             outlined on the wiring, the sentence in the answer row
SolveError               in the answer row
anything else            our bug: a calm dialog with a report to copy
"""

from __future__ import annotations

import platform
import sys
import traceback
from enum import Enum
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtGui import QGuiApplication
from PySide6.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QHBoxLayout,
    QLabel,
    QPlainTextEdit,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from app.spoken import announce
from sim import errors

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from types import TracebackType

    from app.look import Look


class Place(Enum):
    """Where an error is shown."""

    BOX = "beside its box"
    STRIP = "under the answer"
    WIRING = "on the wiring"
    ANSWER = "in the answer row"
    DIALOG = "in a dialog with a report"


_PLACES: tuple[tuple[type[errors.SimError], Place], ...] = (
    (errors.BadField, Place.BOX),
    (errors.BadUnit, Place.BOX),
    (errors.DocumentError, Place.STRIP),
    (errors.NetworkError, Place.WIRING),
    (errors.SolveError, Place.ANSWER),
    (errors.SimError, Place.ANSWER),
)


def place_of(error: BaseException | str) -> Place:
    """Where an error, or an error class by its name, is shown; "" is a bug."""
    kind = getattr(errors, error, None) if isinstance(error, str) else type(error)
    if isinstance(kind, type):
        for base, place in _PLACES:
            if issubclass(kind, base):
                return place
    return Place.DIALOG


class Strip(QWidget):
    """One sentence with its remedies, until it is acted on or closed."""

    def __init__(self, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._look = look
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self._label = QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText)
        self._buttons = QHBoxLayout()
        self._buttons.setSpacing(8)
        self._made: list[QPushButton] = []
        row = QHBoxLayout(self)
        row.setContentsMargins(18, 6, 18, 6)
        row.addWidget(self._label, 1)
        row.addLayout(self._buttons)
        look.changed.connect(self._restyle)
        self._restyle()
        self.hide()

    @property
    def text(self) -> str:
        return self._label.text() if self.isVisible() else ""

    def say(self, text: str, remedies: Sequence[tuple[str, Callable[[], None]]] = ()) -> None:
        """Show a sentence with (label, action) buttons; Close is always there."""
        while (item := self._buttons.takeAt(0)) is not None:
            if (widget := item.widget()) is not None:
                widget.deleteLater()
        self._made = []
        for label, action in (*remedies, ("Close", self.hide)):
            button = QPushButton(label)
            button.setFont(self._look.font())
            self._made.append(button)
            button.clicked.connect(self.hide)
            if action is not self.hide:
                button.clicked.connect(action)
            self._buttons.addWidget(button)
        self._label.setText(text)
        self.setAccessibleName(f"Notice: {text}")
        announce(self, text)
        self.show()

    def drop(self, text: str) -> None:
        """Put this sentence away, if it is the one that is shown: it holds no longer."""
        if self._label.text() == text:
            self.hide()

    def _restyle(self) -> None:
        p = self._look.palette
        self.setStyleSheet(
            f"Strip {{ background: {p.band.name()}; border-bottom: 1px solid {p.faint.name()}; }}"
        )
        for widget in (self._label, *self._made):
            widget.setFont(self._look.font())


class BugDialog(QDialog):
    """A fault of the program: the work is safe, and here is what to send."""

    def __init__(self, report: str, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle("A fault of the program")
        self.setFont(look.font())
        text = QLabel(
            "Something in Rippletree went wrong. Your build is safe: it is kept every few "
            "seconds and is still on the bench. The report below says what happened; "
            "copy it and send it to us.",
            wordWrap=True,
        )
        self.report = QPlainTextEdit(report, readOnly=True)
        self.report.setAccessibleName("Report")
        self.report.setLineWrapMode(QPlainTextEdit.LineWrapMode.NoWrap)
        buttons = QDialogButtonBox()
        copy = buttons.addButton("Copy the report", QDialogButtonBox.ButtonRole.ActionRole)
        close = buttons.addButton("Go on working", QDialogButtonBox.ButtonRole.AcceptRole)
        copy.clicked.connect(lambda: QGuiApplication.clipboard().setText(report))
        close.clicked.connect(self.accept)
        column = QVBoxLayout(self)
        column.addWidget(text)
        column.addWidget(self.report, 1)
        column.addWidget(buttons)
        self.resize(620, 380)


class FaultCatcher(QObject):
    """Turns an exception nobody caught into `caught(report)` instead of a lost traceback."""

    caught = Signal(str)

    def install(self) -> None:
        sys.excepthook = self._hook

    def _hook(
        self, kind: type[BaseException], error: BaseException, trace: TracebackType | None
    ) -> None:
        if issubclass(kind, KeyboardInterrupt):
            sys.__excepthook__(kind, error, trace)
            return
        text = "".join(traceback.format_exception(kind, error, trace))
        # Also on stderr: a fault that comes before the window must not be silent.
        sys.stderr.write(text)
        self.caught.emit(
            f"Rippletree\nPython {platform.python_version()}, {platform.platform()}\n\n{text}"
        )

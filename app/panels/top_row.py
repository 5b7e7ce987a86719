"""Name of the build, what happens to it, and how the ESCs are timed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtGui import QAction, QActionGroup
from PySide6.QtWidgets import QHBoxLayout, QLabel, QMenu, QPushButton, QSizePolicy, QWidget

from app.panels.flat import FlatButton

if TYPE_CHECKING:
    from app.documents import Documents
    from app.look import Look
    from app.workbench import Workbench

_NAME_LIMIT = 48


class TopRow(QWidget):
    """Reads the workbench; the name opens the file menu."""

    def __init__(
        self,
        workbench: Workbench,
        documents: Documents,
        look: Look,
        file_menu: QMenu,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self._workbench = workbench
        self._documents = documents
        self._look = look
        self.name = FlatButton(look, "title", "Build")
        self.name.setMenu(file_menu)
        self.happens = FlatButton(look, "figure", "What happens")
        self._events = QMenu(self.happens)
        self.happens.setMenu(self._events)
        self.minute = QPushButton("Your quad in a minute")
        self.minute.setToolTip("Six questions draw and solve your own quad (Q)")
        self.minute.setCursor(Qt.CursorShape.PointingHandCursor)
        self._labels = [QLabel("what happens:"), QLabel("ESC timing:")]
        self.timing = QLabel()
        self._keys = QLabel("B before / after     F findings     ? keys")
        row = QHBoxLayout(self)
        row.setContentsMargins(13, 4, 18, 4)
        row.setSpacing(4)
        self.setMinimumHeight(46)
        row.addWidget(self.name)
        row.addSpacing(10)
        row.addWidget(self.minute)
        row.addSpacing(18)
        row.addWidget(self._labels[0])
        row.addWidget(self.happens)
        row.addSpacing(24)
        row.addWidget(self._labels[1])
        row.addWidget(self.timing)
        row.addStretch(1)
        row.addWidget(self._keys)
        # Keys are a help, not a reason for the window to be wider than the screen.
        self._keys.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self._keys.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        row.setStretch(row.indexOf(self._keys), 4)
        workbench.build_changed.connect(self.refresh)
        workbench.event_changed.connect(self.refresh)
        workbench.path_changed.connect(self.refresh)
        workbench.answer_changed.connect(self._show_timing)
        documents.dirty_changed.connect(self.refresh)
        look.changed.connect(self._restyle)
        self._restyle()
        self.refresh()

    def refresh(self) -> None:
        """Name, dirty mark and events."""
        bench = self._workbench
        name = bench.build.name or "Build without a name"
        short = name if len(name) <= _NAME_LIMIT else name[: _NAME_LIMIT - 1] + "…"
        mark = " •" if self._documents.dirty else ""
        self.name.setText(f"{short}{mark} ▾".replace("&", "&&"))
        where = "not saved to a file yet" if bench.path is None else str(bench.path)
        self.name.setToolTip(where + (", with changes not saved" if mark else ""))
        events = bench.events
        self.happens.setText(f"{events[bench.event_index].name.lower()} ▾".replace("&", "&&"))
        self._events.clear()
        group = QActionGroup(self._events)
        for index, event in enumerate(events):
            action = QAction(event.name.replace("&", "&&"), self._events, checkable=True)
            action.setChecked(index == bench.event_index)
            action.triggered.connect(lambda _=False, i=index: bench.set_event(i))
            group.addAction(action)
            self._events.addAction(action)
        self._show_timing()

    def _show_timing(self) -> None:
        answer = self._workbench.answer
        if answer is None or answer.detail == "averaged":
            self.timing.setText("averaged")
            self.timing.setToolTip(
                "The duty acts as a number: slow peaks and sags are right, "
                "the ripple and the edges of the ESCs are not in the figures"
            )
        else:
            which = f", timing {answer.timing + 1}" if answer.timing else ""
            self.timing.setText(f"every edge{which}")
            self.timing.setToolTip(
                "Every edge of every ESC. Nobody knows how the ESCs' carriers lie against each "
                "other: 16 timings are compared, the curves show one of them"
            )
        if answer is not None and answer.compiling:
            # In large type the row is as wide as the window without the rest.
            how = "compiling" if self._look.projector else "solver being compiled"
            self.timing.setText(f"{self.timing.text()}, {how}")
            self.timing.setToolTip(
                f"{self.timing.toolTip()}. The solver's quick part is being compiled, once on this "
                "machine, about a minute: until then a picture takes seconds"
            )
        self.timing.setAccessibleName(f"ESC timing: {self.timing.text()}")
        self._fit()

    def _fit(self) -> None:
        """In large type the words before what is shown go where the screen has no room for them."""
        for label in self._labels:
            label.show()
        if self._look.projector:
            for label in reversed(self._labels):
                # what the row needs is kept from before, until it is asked to forget
                self.layout().invalidate()
                if self.layout().minimumSize().width() > self.window().width():
                    label.hide()

    def resizeEvent(self, event: object) -> None:
        self._fit()

    def _restyle(self) -> None:
        muted = f"color: {self._look.palette.muted.name()}"
        for label in (*self._labels, self._keys):
            label.setFont(self._look.font())
            label.setStyleSheet(muted)
        p = self._look.palette
        self.minute.setFont(self._look.font())
        self.minute.setStyleSheet(
            f"QPushButton {{ border: 1px solid {p.ink.name()}; border-radius: 6px;"
            f" padding: 3px 10px; color: {p.ink.name()}; background: {p.card.name()}; }}"
            f"QPushButton:hover, QPushButton:focus {{ background: {p.ink.name()};"
            f" color: {p.paper.name()}; }}"
        )
        self.minute.setVisible(not self._look.projector)
        self.timing.setFont(self._look.font("figure"))
        self._show_timing()
        self._keys.setVisible(not self._look.projector)

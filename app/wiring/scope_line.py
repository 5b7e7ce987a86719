"""Where changes go, and what the present option has otherwise: one line on the glass."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHBoxLayout, QLabel, QMenu, QWidget

from app.panels.flat import FlatButton
from app.wiring.differences import differences, into_all, without
from sim.errors import SimError

if TYPE_CHECKING:
    from collections.abc import Callable

    from app.wiring.differences import Difference
    from app.wiring.view import FrameView
    from sim.build import Build

_LONGEST = 26


class ScopeLine(QWidget):
    """Reads the workbench; its words open menus."""

    def __init__(self, view: FrameView) -> None:
        super().__init__(view)
        self._view = view
        self._bench = view.workbench
        self.rows: tuple[Difference, ...] = ()
        look = view.look
        self._label = QLabel("changes go to")
        self.scope = FlatButton(look, "text", "Where changes go", self)
        self._scope_menu = QMenu(self.scope)
        self._scope_menu.aboutToShow.connect(self._fill_scope)
        self.scope.setMenu(self._scope_menu)
        self.differs = FlatButton(look, "text", "What this option has otherwise", self)
        self._differs_menu = QMenu(self.differs)
        self._differs_menu.aboutToShow.connect(self._fill_differs)
        self.differs.setMenu(self._differs_menu)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(2)
        for widget in (self._label, self.scope, self.differs):
            row.addWidget(widget)
        for signal in (
            self._bench.build_changed,
            self._bench.option_changed,
            self._bench.scope_changed,
        ):
            signal.connect(self.refresh)
        look.changed.connect(self.refresh)
        self.refresh()

    def refresh(self) -> None:
        """Words, and the marks on the canvas."""
        bench, look = self._bench, self._view.look
        index = bench.option
        shown = bool(bench.build.options) and not look.projector
        self.setVisible(shown)
        self.rows = () if index is None else differences(bench.build, index)
        self._view.scene_.option_marks.show_rows(self.rows, self._view.scene_, bench.build)
        self._label.setFont(look.font("text"))
        self._label.setStyleSheet(f"color: {look.palette.muted.name()}; background: transparent;")
        self.scope.setText(f"{self._scope_words(bench.only_here)} ▾".replace("&", "&&"))
        count = len(self.rows)
        self.differs.setVisible(index is not None and count > 0)
        self.differs.setText(f"· {count} other than the base ▾")
        self.differs.setToolTip("\n".join(row.words for row in self.rows))
        self.setMinimumWidth(0)
        self.adjustSize()

    def _scope_words(self, only: bool) -> str:
        bench = self._bench
        if bench.option is None:
            return "the base, so all options"
        if not only:
            # Its own rule: what comes or goes belongs to the option that is shown.
            return "all options, new parts to this one"
        name = bench.build.options[bench.option].name
        return f"“{name if len(name) <= _LONGEST else name[: _LONGEST - 1] + '…'}” only"

    def _fill_scope(self) -> None:
        self._scope_menu.clear()
        bench = self._bench
        if bench.option is None:
            action = self._scope_menu.addAction("Choose a card to change one option alone")
            action.setEnabled(False)
            return
        for only in (False, True):
            action = self._scope_menu.addAction(self._scope_words(only).replace("&", "&&"))
            action.setCheckable(True)
            action.setChecked(bench.only_here == only)
            action.triggered.connect(lambda _=False, o=only: bench.set_only_here(o))

    def _fill_differs(self) -> None:
        menu = self._differs_menu
        menu.clear()
        for row in self.rows:
            one = menu.addMenu(row.words.replace("&", "&&"))
            one.addAction("Show it").triggered.connect(
                lambda _=False, r=row: self._bench.select((r.id,))
            )
            one.addAction("Take it back").triggered.connect(
                lambda _=False, r=row: self._do(f"Take back: {r.words}", without, r)
            )
            one.addAction("Have it in all options").triggered.connect(
                lambda _=False, r=row: self._do(f"In all options: {r.words}", into_all, r)
            )

    def _do(
        self, text: str, edit: Callable[[Build, int, Difference], Build], row: Difference
    ) -> None:
        bench = self._bench
        if bench.option is None:
            return
        try:
            build = edit(bench.build, bench.option, row)
        except SimError as error:
            self._view.say(str(error), bad=True)
            return
        bench.do(text, build)
        self._view.setFocus(Qt.FocusReason.OtherFocusReason)

"""The same build as a plain tree: for the keyboard, and for who cannot see the canvas."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QPoint, Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QAbstractItemView, QTreeWidget, QTreeWidgetItem, QWidget

from app.wiring.commands import remove_selected
from app.wiring.facts import facts, figures, lead_name, lead_summary

if TYPE_CHECKING:
    from app.look import Look
    from app.workbench import Workbench
    from sim.build import Build

_ID = int(Qt.ItemDataRole.UserRole)
_TEXT = int(Qt.ItemDataRole.AccessibleTextRole)
_HEADS = ["Part or lead", "What it is", "Now"]


class OutlineTree(QTreeWidget):
    """Parts and leads with their data and figures; the selection is the workbench's.

    Enter asks for a part sheet, Delete removes, as on the canvas.
    """

    sheet_requested = Signal(str, QPoint)

    def __init__(self, workbench: Workbench, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.workbench = workbench
        self.look = look
        self._shown: Build | None = None
        self._rows: dict[str, QTreeWidgetItem] = {}
        self._setting = False
        self.setAccessibleName("Outline of the build")
        self.setColumnCount(3)
        self.setHeaderLabels(_HEADS)
        self.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setUniformRowHeights(True)
        self.setAllColumnsShowFocus(True)
        workbench.build_changed.connect(self.refresh)
        workbench.option_changed.connect(self.refresh)
        workbench.answer_changed.connect(self._show_figures)
        workbench.problem_changed.connect(self._show_figures)
        workbench.selection_changed.connect(self._show_selection)
        self.itemSelectionChanged.connect(self._take_selection)
        look.changed.connect(self._dress)
        self._dress()
        self.refresh()

    def refresh(self) -> None:
        """Fill it anew from the shown build."""
        build = self.workbench.shown_build
        if build is self._shown:
            return
        self._shown = build
        self._setting = True
        open_ = [top is None or top.isExpanded() for top in map(self.topLevelItem, range(2))]
        self.clear()
        self._rows = {}
        parts = QTreeWidgetItem(self, ["Parts"])
        for part in build.parts:
            what = facts(part)
            self._row(parts, part.id, [what.name, what.summary, ""])
        leads = QTreeWidgetItem(self, ["Leads"])
        for lead in build.leads:
            self._row(leads, lead.id, [lead_name(build, lead), lead_summary(lead), ""])
        for i, top in enumerate((parts, leads)):
            top.setExpanded(open_[i])
            top.setData(0, _TEXT, f"{top.text(0)}: {top.childCount()}")
            for column in (1, 2):
                top.setData(column, _TEXT, f"{top.text(0)}, {_HEADS[column].lower()}")
        self._setting = False
        self._show_figures()
        self._show_selection()
        for column in (0, 1):
            self.resizeColumnToContents(column)

    def _row(self, parent: QTreeWidgetItem, id_: str, texts: list[str]) -> None:
        row = QTreeWidgetItem(parent, texts)
        row.setData(0, _ID, id_)
        self._rows[id_] = row

    def _show_figures(self) -> None:
        answer = self.workbench.answer
        if answer is not None and answer.live and not self.isVisible():
            return  # the one a drag ends on comes in any case
        found = figures(answer)
        problem = self.workbench.problem
        broken = {} if problem is None else dict.fromkeys(problem.ids, problem.what)
        if problem is not None:
            broken |= dict(problem.marks)
        for id_, row in self._rows.items():
            figure = found.get(id_)
            text = ""
            if figure is not None:
                text = figure.text + (f", {figure.verdict}" if figure.verdict else "")
            # what is wrong with a thing says more than what it read before
            text = broken.get(id_, text)
            if row.text(2) != text or row.data(0, _TEXT) is None:
                row.setText(2, text)
                row.setData(0, _TEXT, ", ".join(t for t in (row.text(0), row.text(1), text) if t))
                row.setData(1, _TEXT, f"what it is: {row.text(1) or 'nothing more'}")
                row.setData(2, _TEXT, f"now: {text or 'no figure'}")

    def _show_selection(self) -> None:
        self._setting = True
        chosen = self.workbench.selection
        for id_, row in self._rows.items():
            row.setSelected(id_ in chosen)
        if len(chosen) == 1 and chosen[0] in self._rows and not self.hasFocus():
            self.setCurrentItem(self._rows[chosen[0]])
        self._setting = False

    def _take_selection(self) -> None:
        if not self._setting:
            self.workbench.select(
                tuple(r.data(0, _ID) for r in self.selectedItems() if r.data(0, _ID))
            )

    def keyPressEvent(self, event: QKeyEvent) -> None:
        row = self.currentItem()
        id_ = row.data(0, _ID) if row is not None else None
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and id_:
            place = self.visualItemRect(row).bottomLeft()
            self.sheet_requested.emit(id_, self.viewport().mapToGlobal(place))
        elif event.key() in (Qt.Key.Key_Delete, Qt.Key.Key_Backspace):
            remove_selected(self.workbench)
        else:
            super().keyPressEvent(event)

    def _dress(self) -> None:
        self.setFont(self.look.font("text"))
        self.header().setFont(self.look.font("text"))

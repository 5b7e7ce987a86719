"""Every limit of every part under every option and event; comes up from below."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QEasingCurve, QPropertyAnimation, QRect, QSize, Qt, Signal
from PySide6.QtGui import QColor
from PySide6.QtWidgets import (
    QAbstractItemView,
    QFrame,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QPushButton,
    QStackedWidget,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from app.look import SHAPES
from app.panels.answer_row import VERDICT_CAUTION
from app.panels.behind_page import BehindPage
from app.panels.flat import FlatButton
from sim.verdict import LOWER, grown

if TYPE_CHECKING:
    from PySide6.QtGui import QKeyEvent

    from app.look import Look
    from app.solver.protocol import CellRow, FindingsRow
    from app.workbench import Workbench

_COLUMNS = (
    "option", "event", "where", "limit of", "reads", "worst", "typical", "limit", "used", "verdict",
)  # fmt: skip
_NUMBERS = (5, 6, 7, 8)
#: Columns left out where type is large, so that names can be read: limit of, reads, typical.
_AT_THE_DESK = (3, 4, 6)


class FindingsSheet(QFrame):
    """A table, worst first, and what the model leaves out."""

    closed = Signal()

    def __init__(self, workbench: Workbench, look: Look, parent: QWidget) -> None:
        super().__init__(parent)
        self._workbench = workbench
        self._look = look
        self.setAccessibleName("Findings")
        self._title = QLabel("Findings")
        self._note = QLabel()
        self._close = FlatButton(look, "figure", "Close the findings")
        self._close.setText("×")
        self._close.clicked.connect(self.close_sheet)
        self.table = QTableWidget(0, len(_COLUMNS))
        self.table.setAccessibleName("All limits")
        self.table.setHorizontalHeaderLabels(_COLUMNS)
        self.table.verticalHeader().hide()
        self.table.setShowGrid(False)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setFrameShape(QFrame.Shape.NoFrame)
        self.table.setWordWrap(False)
        self.table.horizontalHeader().setHighlightSections(False)
        self.table.itemSelectionChanged.connect(self._go_to)
        self._left_out = QLabel(wordWrap=True)
        self.behind = BehindPage(workbench, look)
        self.pages = QStackedWidget()
        self.pages.addWidget(self.table)
        self.pages.addWidget(self.behind)
        self.buttons: list[QPushButton] = []
        head = QHBoxLayout()
        head.addWidget(self._title)
        head.addSpacing(12)
        for index, words in enumerate(("all limits", "behind the verdict")):
            button = QPushButton(words, checkable=True)
            button.clicked.connect(lambda _=False, i=index: self.show_page(i))
            self.buttons.append(button)
            head.addWidget(button)
        head.addSpacing(12)
        head.addWidget(self._note)
        head.addStretch(1)
        head.addWidget(self._close)
        column = QVBoxLayout(self)
        column.setContentsMargins(18, 10, 18, 10)
        column.setSpacing(4)
        column.addLayout(head)
        column.addWidget(self.pages, 1)
        column.addWidget(self._left_out)
        self._rows: list[CellRow] = []
        #: The findings that the table holds, and whether its colours are the dark ones.
        self._filled: tuple[FindingsRow | None, bool] | None = None
        for column in _NUMBERS:
            self.table.horizontalHeaderItem(column).setTextAlignment(
                Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
            )
        for signal in (
            workbench.findings_changed,
            workbench.option_changed,
            workbench.event_changed,
        ):
            signal.connect(self.refresh)
        workbench.answer_changed.connect(self._show_left_out)
        look.changed.connect(self._restyle)
        self._restyle()
        self.hide()

    def open(self, area: QRect) -> None:
        """Come up into `area`, at once where motion is not wanted."""
        self._fill()
        self.setGeometry(area)
        self.show()
        self.raise_()
        self.pages.currentWidget().setFocus()
        rise = QPropertyAnimation(self, b"geometry", self)
        rise.setDuration(120)
        rise.setEasingCurve(QEasingCurve.Type.OutCubic)
        rise.setStartValue(area.translated(0, area.height() // 3))
        rise.setEndValue(area)
        if self.style().styleHint(self.style().StyleHint.SH_Widget_Animation_Duration) > 0:
            rise.start(QPropertyAnimation.DeletionPolicy.DeleteWhenStopped)

    def show_page(self, index: int) -> None:
        """All limits, or what stands behind the present option's verdict."""
        self.pages.setCurrentIndex(index)
        self._restyle()
        self.refresh()

    def close_sheet(self) -> None:
        if self.isVisible():
            self.hide()
            self.closed.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Escape:
            self.close_sheet()
        else:
            super().keyPressEvent(event)

    def refresh(self) -> None:
        """Follow the newest comparison; a hidden sheet is filled when it comes up."""
        if self.isVisible():
            self._fill()

    def _fill(self) -> None:
        """Fill the table, worst first."""
        findings = self._workbench.findings
        if findings is None:
            self._rows = []
        else:
            self._rows = sorted(findings.cells, key=lambda cell: -cell.used)
        stale = self._workbench.findings_stale
        first = "a newer comparison is on its way" if stale else "worst first"
        if self.pages.currentIndex():
            bench = self._workbench
            option = "as drawn" if bench.option is None else bench.build.options[bench.option].name
            first = f"{option}, {bench.events[bench.event_index].name.lower()}"
        # in the projector look the caution has the answer's row to itself
        self._note.setText(first if self._look.projector else f"{first}.  {VERDICT_CAUTION}")
        filled = (findings, self._look.dark)
        if filled == self._filled:
            return  # only its age changed
        self._filled = filled
        self.table.blockSignals(True)
        self.table.setRowCount(len(self._rows))
        for index, cell in enumerate(self._rows):
            for column, text in enumerate(_texts(cell)):
                item = QTableWidgetItem(text)
                if column in _NUMBERS:
                    item.setTextAlignment(
                        Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
                    )
                if column == len(_COLUMNS) - 1:
                    item.setForeground(QColor(self._look.palette.verdict(cell.verdict)))
                self.table.setItem(index, column, item)
        self.table.blockSignals(False)
        self.table.resizeRowsToContents()

    def _show_left_out(self) -> None:
        answer = self._workbench.answer
        left_out = () if answer is None else answer.not_covered
        self._left_out.setText("Left out: " + "; ".join(left_out) + "." if left_out else "")

    def _go_to(self) -> None:
        """A row that is chosen shows its option, event, part and moment."""
        rows = self.table.selectionModel().selectedRows()
        if not rows:
            return
        self._workbench.go_to(self._rows[rows[0].row()])

    def _restyle(self) -> None:
        p = self._look.palette
        self.setStyleSheet(
            f"FindingsSheet {{ background: {p.card.name()};"
            f" border-top: 1.5px solid {p.ink.name()}; }}"
            f"QTableWidget {{ background: {p.card.name()}; color: {p.ink.name()};"
            f" selection-background-color: {p.band.name()}; selection-color: {p.ink.name()}; }}"
            f"QHeaderView::section {{ background: {p.card.name()}; color: {p.muted.name()};"
            f" border: none; border-bottom: 1px solid {p.faint.name()}; padding: 2px 6px; }}"
        )
        self._title.setFont(self._look.font("name"))
        self._left_out.setVisible(not self._look.projector)
        for widget in (self._note, self._left_out, self.table, self.table.horizontalHeader()):
            widget.setFont(self._look.font("small"))
        for index, button in enumerate(self.buttons):
            shown = index == self.pages.currentIndex()
            button.setChecked(shown)
            button.setFont(self._look.font("small"))
            line = p.ink.name() if shown else "transparent"
            button.setStyleSheet(
                f"QPushButton {{ color: {(p.ink if shown else p.muted).name()}; border: none;"
                f" background: transparent; border-bottom: 1.5px solid {line}; border-radius: 0;"
                f" padding: 1px 6px; }} QPushButton:focus {{ background: {p.band.name()}; }}"
            )
        muted = f"color: {p.muted.name()}"
        self._note.setStyleSheet(muted)
        self._left_out.setStyleSheet(muted)
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        for column in _AT_THE_DESK:
            self.table.setColumnHidden(column, self._look.projector)
        for column in _NUMBERS:
            header.setSectionResizeMode(column, QHeaderView.ResizeMode.ResizeToContents)
        header.setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        header.setIconSize(QSize(0, 0))


def _texts(cell: CellRow) -> tuple[str, ...]:
    least = "at least " if cell.reads in LOWER else ""
    grows = cell.reads == "growth"
    return (
        cell.option,
        cell.event,
        cell.label,
        cell.rating,
        cell.reads,
        grown(cell.value) if grows else f"{cell.value:.2f} {cell.unit}",
        grown(cell.typical) if grows else f"{cell.typical:.2f} {cell.unit}",
        grown(cell.limit) if grows else f"{least}{cell.limit:g} {cell.unit}",
        f"{100 * cell.used:.0f} %",
        f"{SHAPES.get(cell.verdict, '')} {cell.verdict}",
    )

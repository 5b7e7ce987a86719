"""The sheet of one part or lead, beside the thing that was touched."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from PySide6.QtCore import QPoint, QRect, QRectF, Qt, QTimer, Signal
from PySide6.QtGui import QPainter, QPainterPath, QPen, QRegion
from PySide6.QtWidgets import (
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QScrollArea,
    QSlider,
    QVBoxLayout,
    QWidget,
)

from app.panels.field_row import FieldRow
from app.panels.figure_lines import FigureLines, rating_words
from app.panels.flat import FlatButton
from app.panels.quantity_edit import SLIDER_STEPS, SliderScale
from app.panels.shelf_row import ShelfRow
from app.panels.what_changes import WhatChanges
from app.wiring.facts import facts, lead_name, part_name
from sim import edit, quantity
from sim.errors import SimError
from sim.lead import LEAD_FIELDS
from sim.options import through_option
from sim.parts import KINDS

if TYPE_CHECKING:
    from PySide6.QtGui import QKeyEvent, QPaintEvent, QResizeEvent

    from app.look import Look
    from app.workbench import Workbench
    from sim.build import Build, Given, Lead, Part
    from sim.parts import Field
    from sim.shelf import ShelfPart

_WIDTH = 384
_GAP = 18
_ROUND, _BORDER = 8.0, 1.5
# Between two places of the slider that are looked at: some two to an answer.
_PACE_MS = 33
_NO_NUMBER = ("flag", "choice", "text")


class PartSheet(QFrame):
    """Edits the values of `id_` in the shown build, one undo step per value."""

    closed = Signal()
    help_wanted = Signal(str)  # a kind of part, or "lead"

    def __init__(self, workbench: Workbench, look: Look, parent: QWidget) -> None:
        super().__init__(parent)
        self._top, self._curves_from = 8, 0
        self._workbench = workbench
        self._look = look
        self._id = ""
        #: All that is edited at once: parts of one kind, or leads.
        self._ids: tuple[str, ...] = ()
        self._rows: dict[str, FieldRow] = {}
        self._slider_row: FieldRow | None = None
        self._scale: SliderScale | None = None
        self._scale_of = ""
        self._editing = False
        self.setAccessibleName("Part sheet")
        # Or each step of a slider would paint the frame and the curves beneath anew.
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setContentsMargins(2, 2, 2, 2)  # the border
        self.title = QLineEdit()
        self.title.setAccessibleName("Name")
        self.title.editingFinished.connect(self._rename)
        self.summary = FigureLines(workbench, look)
        self._help = FlatButton(look, "figure", "What this models, and what it leaves out")
        self._help.setText("?")
        self._help.setToolTip("What this models, and what it leaves out (F1)")
        self._help.clicked.connect(lambda: self.help_wanted.emit(self.kind))
        self._close = FlatButton(look, "figure", "Close the part sheet")
        self._close.setText("×")
        self._close.clicked.connect(self.close_sheet)
        self.shelf = ShelfRow(look)
        self.shelf.chosen.connect(self._exchange)
        self.slider = QSlider(Qt.Orientation.Horizontal, minimum=0, maximum=SLIDER_STEPS)
        self.slider.sliderMoved.connect(self._slide)
        self.slider.sliderReleased.connect(self._let_go)
        self.slider.valueChanged.connect(self._slid_by_key)
        self._pace = QTimer(self, singleShot=True, interval=_PACE_MS)
        self._pace.timeout.connect(self._slide_on_pace)
        self._slid_to: int | None = None
        self._slider_label = QLabel()
        self._inner = QWidget()
        self._grid = QGridLayout(self._inner)
        self._grid.setContentsMargins(14, 2, 8, 8)
        self._grid.setHorizontalSpacing(8)
        self._grid.setVerticalSpacing(3)
        self._scroll = QScrollArea(widgetResizable=True)
        self._scroll.setFrameShape(QFrame.Shape.NoFrame)
        self._scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._scroll.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._scroll.setWidget(self._inner)
        self.what_changes = WhatChanges(
            workbench, look, lambda name, text: self._edited(name, text)
        )
        self.cautions = QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText)
        self._build_layout()
        workbench.build_changed.connect(self._follow)
        workbench.option_changed.connect(self._follow)
        workbench.preview_changed.connect(self._follow)
        workbench.answer_changed.connect(self._show_ratings)
        look.changed.connect(self._restyle)
        self._restyle()
        self.hide()

    def _build_layout(self) -> None:
        head = QHBoxLayout()
        head.setContentsMargins(14, 10, 8, 0)
        head.addWidget(self.title, 1)
        head.addWidget(self._help)
        head.addWidget(self._close)
        slide = QHBoxLayout()
        slide.setContentsMargins(14, 2, 14, 2)
        slide.addWidget(self._slider_label)
        slide.addWidget(self.slider, 1)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 10)
        column.setSpacing(2)
        column.addLayout(head)
        summary = QHBoxLayout()
        summary.setContentsMargins(14, 0, 14, 4)
        summary.addWidget(self.summary)
        column.addLayout(summary)
        column.addWidget(self.shelf)
        column.addLayout(slide)
        column.addWidget(self.what_changes)
        column.addWidget(self._scroll, 1)
        foot = QHBoxLayout()
        foot.setContentsMargins(14, 0, 14, 0)
        foot.addWidget(self.cautions)
        column.addLayout(foot)

    # Opening and closing

    @property
    def id(self) -> str:
        """The part or lead whose sheet is open, "" if none is."""
        return self._id if self.isVisible() else ""

    @property
    def kind(self) -> str:
        """Kind of the part whose sheet is open, "lead" for a lead, "" if none is."""
        item = self._item(self.id)
        return "" if item is None else getattr(item, "kind", "lead")

    @property
    def rows(self) -> dict[str, FieldRow]:
        """Rows by field name."""
        return self._rows

    def open(self, id_: str, beside: QPoint) -> None:
        """Show the sheet of a part or lead beside a point of the parent widget."""
        if self._item(id_) is None:
            return
        self._id = id_
        self._ids = self._alike(id_)
        self._make_rows()
        self._follow()
        self._place(beside)
        self.show()
        self.raise_()
        if self._slider_row is not None:
            self._slider_row.focus()

    def close_sheet(self) -> None:
        """Put the sheet away."""
        if self.isVisible():
            self.hide()
            self._id, self._ids = "", ()
            self._workbench.stop_asking_about()
            self.closed.emit()

    def focusNextPrevChild(self, next: bool) -> bool:
        """Tab stays in the sheet, from its last box to its first; Escape leads out."""
        stops = [
            widget
            for widget in self.findChildren(QWidget)  # as they were made: from top to bottom
            if widget.focusPolicy() & Qt.FocusPolicy.TabFocus
            and widget.isVisible()
            and widget.isEnabled()
        ]
        now = self.focusWidget()
        if not stops:
            return False
        at = stops.index(now) if now in stops else -1
        to = stops[(at + (1 if next else -1)) % len(stops)]
        to.setFocus(Qt.FocusReason.TabFocusReason if next else Qt.FocusReason.BacktabFocusReason)
        return True

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Escape:
            self.close_sheet()
        else:
            super().keyPressEvent(event)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        outline = QPainterPath()
        # (a little less round: what the border only touches belongs to it)
        outline.addRoundedRect(QRectF(self.rect()), _ROUND - 1.0, _ROUND - 1.0)
        self.setMask(QRegion(outline.toFillPolygon().toPolygon()))

    def paintEvent(self, event: QPaintEvent) -> None:
        p = self._look.palette
        painter = QPainter(self)
        if self._within_border.contains(event.rect()):
            # In every step of a drag: what a drawing of the border would leave here.
            painter.fillRect(event.rect(), p.card)
            return
        # what shows through at the edge of a round corner is hardly ever anything but paper
        painter.fillRect(event.rect(), p.paper)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(p.ink, _BORDER))
        painter.setBrush(p.card)
        inset = _BORDER / 2.0
        painter.drawRoundedRect(
            QRectF(self.rect()).adjusted(inset, inset, -inset, -inset), _ROUND, _ROUND
        )

    @property
    def _within_border(self) -> QRect:
        """The part of the sheet that neither its border nor its round corners reach."""
        inset = math.ceil(_ROUND)
        return self.rect().adjusted(inset, inset, -inset, -inset)

    def _place(self, beside: QPoint) -> None:
        """Beside the point, on the side with room, so that the part stays in sight."""
        area = self._area()
        width = min(round(_WIDTH * min(self._look.scale, 2.0)), area.width())
        for widget in self.findChildren(QWidget):
            widget.ensurePolished()  # boxes are higher once they are dressed
        self._grid.activate()
        self._scroll.setMinimumHeight(self._inner.sizeHint().height() + 2)
        layout = self.layout()
        layout.activate()
        wanted = layout.totalMinimumSize().height()
        if layout.hasHeightForWidth():
            wanted = layout.totalMinimumHeightForWidth(width)
        height = min(wanted, area.height())
        self._scroll.setMinimumHeight(60)
        right, left = beside.x() + _GAP, beside.x() - _GAP - width
        # The curves stay in sight where there is room: they are what a drag is about.
        clear_of_curves = right + width <= self._curves_from
        room_left = left >= area.left()
        x = right if clear_of_curves or not room_left else left
        x = min(max(x, area.left()), area.right() - width)
        y = min(max(beside.y() - height // 3, area.top()), area.bottom() - height)
        self.setGeometry(x, y, width, height)

    def _area(self) -> QRect:
        """Where sheets may stand: below the answer and the cards, which stay in sight."""
        area = self.parentWidget().rect()
        return area.adjusted(8, self._top, -8, -8)

    def set_room(self, top: int, curves_from: int) -> None:
        """How far down the parent the room for sheets begins, and where the curves do."""
        self._top, self._curves_from = top, curves_from

    # Rows

    def _item(self, id_: str) -> Part | Lead | None:
        shown = self._workbench.shown_build
        return shown.part(id_) or shown.lead(id_)

    def _alike(self, id_: str) -> tuple[str, ...]:
        """What is selected with it and can be edited with it: parts of its kind, or leads."""
        chosen = self._workbench.selection
        if id_ not in chosen:
            return (id_,)
        item = self._item(id_)
        kind = getattr(item, "kind", None)
        found = tuple(i for i in chosen if getattr(self._item(i), "kind", None) == kind)
        return tuple(i for i in found if self._item(i) is not None)

    def _heading(self) -> str:
        """How many of what are edited, where they are several."""
        part = self._workbench.shown_build.part(self._id)
        if part is None:
            return f"{len(self._ids)} leads at once"
        kind = KINDS.get(part.kind)
        return f"{len(self._ids)} × {kind.title if kind else part.kind} at once"

    def _fields(self) -> tuple[Field, ...]:
        part = self._workbench.shown_build.part(self._id)
        if part is None:
            return LEAD_FIELDS
        kind = KINDS.get(part.kind)
        return () if kind is None else kind.fields

    def _given(self, name: str, item: Part | Lead | None = None) -> Given | None:
        """What the build gives a field of `item`, which is what the sheet is of if not given."""
        item = item or self._item(self._id)
        if item is None:
            return None
        if hasattr(item, "values"):
            return item.values.get(name)
        given = getattr(item, name)
        # the file always says what is led; a pair goes without saying here
        return None if (name, given) == ("conductor", "pair") else given

    def _make_rows(self) -> None:
        while (item := self._grid.takeAt(0)) is not None:
            if (widget := item.widget()) is not None:
                widget.hide()
                widget.deleteLater()
        self._rows = {}
        for index, field in enumerate(self._fields()):
            row = FieldRow(field, self._look, self._inner)
            row.put_into(self._grid, 2 * index)
            row.committed.connect(lambda given, name=field.name: self._commit(name, given))
            row.stepped.connect(lambda given, name=field.name: self._step(name, given))
            row.focused.connect(lambda name=field.name: self._slide_on(name))
            self._rows[field.name] = row
        self._grid.setRowStretch(2 * len(self._rows), 1)
        self._slider_row = None
        self._slide_on(self._main_field())

    def _main_field(self) -> str:
        """What a hand reaches for first: the first required value, else the first on a series, else
        the first that is given."""
        fields = [f for f in self._fields() if f.unit not in _NO_NUMBER]
        first = next((f for f in fields if f.required), None)
        first = first or next((f for f in fields if f.series), None)
        first = first or next((f for f in fields if self._given(f.name) is not None), None)
        first = first or next(iter(fields), None)
        if self._lead() is not None:
            return "length"
        return "" if first is None else first.name

    def _lead(self) -> Lead | None:
        return self._workbench.shown_build.lead(self._id)

    def _follow(self) -> None:
        """Show the values that the build has now."""
        if not self._id or self._editing:
            return
        item = self._item(self._id)
        if item is None:
            self.close_sheet()
            return
        self._ids = tuple(i for i in self._ids if self._item(i) is not None)
        shown = self._workbench.shown_build
        if len(self._ids) > 1:
            self.title.setText(self._heading())
            self.title.setToolTip("A value typed here goes to all of them")
        elif hasattr(item, "kind"):
            self.title.setText(part_name(item))
            self.title.setToolTip("Click to rename")
        else:
            self.title.setText(lead_name(shown, item))
            self.title.setToolTip("A lead is called by what it joins")
        self.title.setReadOnly(not hasattr(item, "kind") or len(self._ids) > 1)
        self.setAccessibleDescription(self.title.text())
        for name, row in self._rows.items():
            row.show_given(self._given(name, item))
        self.shelf.show_part(shown.part(self._id))
        kind = KINDS.get(getattr(item, "kind", ""))
        self.cautions.setText("\n".join(kind.cautions) if kind else "")
        self.cautions.setVisible(bool(self.cautions.text()))
        self._show_ratings()
        if not self.slider.isSliderDown():
            self._reset_slider()

    def _show_ratings(self) -> None:
        if not self._id:
            return
        answer = self._workbench.answer
        part = None if answer is None else answer.part(self._id)
        ratings = () if part is None else part.ratings
        lines = [rating_words(rating) for rating in ratings]
        joint = None if answer is None else answer.joint(self._id)
        if not lines and joint is not None and joint.highest is not None:
            slow = "slow peak" if joint.peak_V is None else "peak"
            lines.append(f"{slow} {joint.highest:.1f} V")
        item = self._workbench.shown_build.part(self._id)
        if item is not None and len(self._ids) < 2:
            lines.append(f"{facts(item).measures}, {item.deck} deck")
        self.summary.show_lines(self._id, lines, ratings)

    # Editing

    def _edited(self, name: str, given: Given | None) -> Build:
        """The document with one value changed where it is defined.

        Raises
        ------
        BadField, BadUnit
        """
        setter = edit.set_value if self._lead() is None else edit.set_lead_value
        bench = self._workbench

        def all_of_them(build: Build) -> Build:
            for id_ in self._ids or (self._id,):
                build = setter(build, id_, name, given)
            return build

        return bench.through(all_of_them)

    def _commit(self, name: str, given: Given | None, merge: str | None = None) -> None:
        row = self._rows[name]
        try:
            build = self._edited(name, given)
        except SimError as error:
            row.refuse(error)
            return
        row.accept()
        words = f"{self.title.text()}: {row.field.title}"
        self._workbench.do(words, build, merge)

    def _exchange(self, item: ShelfPart) -> None:
        """All that are edited become parts of the shelf, as one step."""

        def all_of_them(build: Build) -> Build:
            for id_ in self._ids or (self._id,):
                build = edit.exchange(build, id_, item)
            return build

        bench = self._workbench
        try:
            build = bench.through(all_of_them)
        except SimError as error:
            self.summary.show_lines(self._id, [str(error)], ())
            return
        bench.do(f"{self.title.text()}: {item.title}", build)

    def _rename(self) -> None:
        part = self._workbench.shown_build.part(self._id)
        text = self.title.text().strip()
        if part is None or self.title.isReadOnly() or text == part_name(part):
            return
        bench = self._workbench
        try:
            build = through_option(
                bench.build, bench.option, lambda b: edit.rename(b, self._id, text)
            )
        except SimError as error:
            self.summary.show_lines(self._id, [str(error)], ())
            return
        bench.do(f"Rename {part_name(part)}", build)

    def _step(self, name: str, given: Given) -> None:
        self._commit(name, given, merge=f"step {self._id}.{name}")

    # The slider

    def _slide_on(self, name: str) -> None:
        """Put the slider on a field."""
        row = self._rows.get(name)
        if row is None or row.field.unit in _NO_NUMBER:
            return
        self._slider_row = row
        self._reset_slider()
        self.what_changes.set_row(row)

    def _reset_slider(self) -> None:
        row = self._slider_row
        number = None if row is None else row.number
        usable = row is not None and number is not None
        self.slider.setVisible(usable)
        self._slider_label.setVisible(usable)
        if row is None or number is None:
            return
        if (
            self._scale is None
            or not self._scale.low <= number <= self._scale.high
            or (self._scale_of != row.field.name)
        ):
            self._scale = SliderScale(number, row.field)
            self._scale_of = row.field.name
        self.slider.blockSignals(True)
        self.slider.setValue(self._scale.position(number))
        self.slider.blockSignals(False)
        self._slider_label.setText(row.field.title)
        self.slider.setAccessibleName(row.field.title)

    def _slid(self, position: int) -> str | None:
        if self._slider_row is None or self._scale is None:
            return None
        value = self._scale.value(position)
        return quantity.format(value, self._slider_row.field.unit)

    def _slide(self, position: int) -> None:
        """While dragged: the curves follow, nothing is kept.

        A mouse may tell of a thousand places a second. What the frame and this sheet show of each
        takes milliseconds, and the solver follows some fifteen.
        """
        if self._pace.isActive():
            self._slid_to = position
            return
        self._pace.start()
        self._slid_to = None
        text = self._slid(position)
        if text is None or self._slider_row is None:
            return
        try:
            build = self._edited(self._slider_row.field.name, text)
        except SimError as error:
            self._slider_row.refuse(error)
            return
        self._workbench.preview(build)

    def _slide_on_pace(self) -> None:
        """Where the slider has come to meanwhile."""
        if self._slid_to is not None and self.slider.isSliderDown():
            self._slide(self._slid_to)

    def _let_go(self) -> None:
        """On release the last value is kept, as one undo step."""
        # (a quick hand has let go before any of its places was looked at)
        moved = self._slid_to is not None
        self._pace.stop()
        self._slid_to = None
        if self._workbench.drawn is self._workbench.build and not moved:
            return  # pressed and let go without a move
        text = self._slid(self.slider.value())
        if text is not None and self._slider_row is not None:
            self._commit(self._slider_row.field.name, text)

    def _slid_by_key(self, position: int) -> None:
        if self.slider.isSliderDown():
            return
        text = self._slid(position)
        if text is not None and self._slider_row is not None:
            self._step(self._slider_row.field.name, text)

    def _restyle(self) -> None:
        p = self._look.palette
        self.setStyleSheet(
            "PartSheet > QLineEdit { border: 1px solid transparent; padding: 0; }"
            f"PartSheet > QLineEdit:focus {{ border-color: {p.faint.name()}; }}"
            f"QScrollArea, QScrollArea > QWidget > QWidget {{ background: {p.card.name()}; }}"
        )
        self.title.setFont(self._look.font("name"))
        for label in (self.summary, self.cautions, self._slider_label):
            label.setFont(self._look.font("small"))
        self.cautions.setStyleSheet(f"color: {p.muted.name()}")
        self._slider_label.setStyleSheet(f"color: {p.muted.name()}")
        self.summary.setStyleSheet(f"color: {p.ink.name()}")

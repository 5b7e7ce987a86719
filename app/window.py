"""The window: answer first, frame at the left, curves at the right.

It paints before the curves' library is imported, while the solver process is
already at work on the first picture.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
from PySide6.QtCore import QPoint, QRect, Qt, QTimer, Signal
from PySide6.QtWidgets import (
    QApplication,
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QInputDialog,
    QMainWindow,
    QMenu,
    QSplitter,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from app import keyboard
from app.commands import Commands
from app.documents import ChangedOnDisk, Documents
from app.going import go_to_worst
from app.lesson_desk import LessonDesk
from app.look import Look
from app.notices import BugDialog, Strip
from app.panels.answer_row import AnswerRow, ProgressLine
from app.panels.ask_sheet import AskSheet
from app.panels.findings_sheet import FindingsSheet
from app.panels.help_sheet import HelpSheet
from app.panels.keys_sheet import KeysSheet
from app.panels.minute_sheet import MinuteSheet
from app.panels.option_cards import OptionCards
from app.panels.part_sheet import PartSheet
from app.panels.recording_sheet import RecordingSheet
from app.panels.top_row import TopRow
from app.paperwork import Paperwork
from app.recordings import Recordings
from app.small_screen import LOW, Scrolling, fit_screen
from app.solver.client import SolverClient
from app.unsaved import may_let_go
from app.wiring import FrameView, OutlineTree
from app.workbench import Workbench
from app.workshop.noise_layer import NoisePath
from app.workshop.slow_bar import SlowBar
from app.workshop.slow_motion import SlowMotion
from sim.errors import SimError
from sim.readings import next_reading, readings_of

if TYPE_CHECKING:
    from PySide6.QtGui import QCloseEvent, QKeyEvent, QPaintEvent, QResizeEvent

    from app.documents import Recovery
    from app.scope.scope import Scope
    from sim.build import Build
    from sim.quick_build import QuickBuild

_LONGEST_NAME = 200
_SIX = "Six questions draw and solve your own quad; “don’t know” is an answer."
_FILTER = "Rippletree build (*.json);;All files (*)"


class MainWindow(QMainWindow):
    """One window on one build.

    Signals
    -------
    curves_ready : the curves' library is in and the scope is there
    """

    curves_ready = Signal()

    def __init__(
        self,
        build: Build,
        path: Path | None = None,
        *,
        solver: SolverClient | None = None,
        data_folder: Path | None = None,
        dark: bool = False,
    ) -> None:
        super().__init__()
        self.look = Look(dark, self)
        self.solver = solver or SolverClient()
        self.solver.setParent(self)
        self.workbench = Workbench(build, self.solver, self)
        self.workbench.set_path(path)
        self.documents = Documents(self.workbench, data_folder, self)
        self.recordings = Recordings(self.workbench, self)
        self.scope: Scope | None = None
        self._painted = False
        self._from_questions: Build | None = None
        self._shown_bugs: set[str] = set()
        fit_screen(self)
        self.setAccessibleName("Rippletree")
        menu = QMenu(self)
        self._make_layout(menu)
        self.lessons = LessonDesk(self)
        self.commands = Commands(self, menu)
        self.frame.setFocus()
        self.solver.message.connect(self.workbench.take)
        self.solver.busy_changed.connect(self.progress.set_busy)
        self.solver.progress.connect(self.progress.set_share)
        self.workbench.path_changed.connect(self._title)
        self.workbench.build_changed.connect(self._title)
        self.workbench.build_changed.connect(
            lambda: self.strip.drop(_SIX) if self.workbench.build.parts else None
        )
        self.workbench.problem_changed.connect(self._on_problem)
        self.documents.dirty_changed.connect(self._title)
        self.documents.shared.connect(self._say_shared)
        self.documents.changed_on_disk.connect(self._say_changed)
        self.documents.gone_from_disk.connect(self._say_gone)
        self.look.changed.connect(self._restyle)
        self._restyle()
        self._title()
        self.workbench.ask()

    # What is where

    def _make_layout(self, menu: QMenu) -> None:
        bench, look = self.workbench, self.look
        self.paper = central = QWidget()
        self.setCentralWidget(Scrolling(central))
        self.top_row = TopRow(bench, self.documents, look, menu)
        self.answer_row = AnswerRow(bench, look)
        self.progress = ProgressLine(look)
        self.strip = Strip(look)
        self.cards = OptionCards(bench, look)
        self.frame = FrameView(bench, look)
        self.noise_path = NoisePath(self.frame, bench, look)
        self.slow = SlowMotion(self.frame, bench, look)
        self.slow_bar = SlowBar(self.slow, bench, look)
        self.slow_bar.left.connect(lambda: self.places.currentWidget().setFocus())
        self.outline = OutlineTree(bench, look)
        self.places = QStackedWidget()
        self.places.addWidget(self.frame)
        self.places.addWidget(self.outline)
        self._curves_place = QWidget()
        self._curves_layout = QVBoxLayout(self._curves_place)
        self._curves_layout.setContentsMargins(0, 0, 0, 0)
        self.body = QSplitter(Qt.Orientation.Horizontal)
        self.body.setHandleWidth(1)
        self.body.setChildrenCollapsible(False)
        self.body.addWidget(self.places)
        self.body.addWidget(self._curves_place)
        self.body.setSizes([712, 568])
        self.body.setStretchFactor(0, 712)
        self.body.setStretchFactor(1, 568)
        self._body_row = QHBoxLayout()
        self._body_row.addWidget(self.body)
        column = QVBoxLayout(central)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        for widget in (self.top_row, self.answer_row, self.progress, self.strip, self.cards):
            column.addWidget(widget)
        column.addLayout(self._body_row, 1)
        self.part_sheet = PartSheet(bench, look, central)
        self.findings_sheet = FindingsSheet(bench, look, central)
        self.findings_sheet.closed.connect(self._make_room)
        self.ask_sheet = AskSheet(bench, look, central)
        self.recording_sheet = RecordingSheet(
            bench,
            self.recordings,
            look,
            central,
            self._beside_the_curves,
        )
        self.recordings.failed.connect(lambda words: self.strip.say(words, []))
        self.paperwork = Paperwork(bench, self.strip, self)
        self.keys_sheet = KeysSheet(look, central)
        self.minute_sheet = MinuteSheet(look, central)
        self.minute_sheet.made.connect(self._put_on_bench)
        self.minute_sheet.closed.connect(lambda: self.places.currentWidget().setFocus())
        self.top_row.minute.clicked.connect(self.ask_questions)
        self.help_sheet = HelpSheet(look, central)
        self.part_sheet.help_wanted.connect(self.help_sheet.open)
        for view in (self.frame, self.outline):
            view.sheet_requested.connect(self._open_sheet)
        self.part_sheet.closed.connect(lambda: self.places.currentWidget().setFocus())

    def _import_curves(self) -> None:
        from app.scope.scope import Scope

        self.scope = Scope(self.workbench, self.look, recordings=self.recordings)
        self._curves_layout.addWidget(self.scope)
        self._curves_layout.addWidget(self.slow_bar)
        self.slow.set_scope(self.scope)
        self.curves_ready.emit()

    # Files

    def new(self) -> None:
        """An empty frame, after asking about unsaved work."""
        if self.may_leave():
            self.documents.new()
            self.strip.say(_SIX, [("Your quad in a minute", self.ask_questions)])

    def ask_questions(self) -> None:
        """Your quad in a minute."""
        self.strip.hide()
        self.minute_sheet.open()

    def offer_questions(self) -> None:
        """At the first start: this is a sample, and his own is six questions away."""
        if self.documents.asked:
            return
        self.documents.asked = True
        self.strip.say(
            f"This is a sample, “{self.workbench.build.name}”, already solved. Yours is six "
            "questions away; “don't know” is an answer.",
            [("Your quad in a minute", self.ask_questions)],
        )

    def _put_on_bench(self, made: QuickBuild) -> None:
        """The build that the questions gave, unsaved, and what it takes for granted."""
        # Another answer to the same questions replaces what they gave, if it is untouched.
        if self.workbench.build is not self._from_questions and not self.may_leave():
            return
        self._from_questions = made.build
        answers = self.minute_sheet.answers()
        self.documents.start(made.build)
        self.minute_sheet.show_assumed(made, () if answers is None else answers.hurts or ())

    def choose_and_open(self) -> None:
        """Ask for a file and open it."""
        name, _ = QFileDialog.getOpenFileName(self, "Open a build", self.folder(), _FILTER)
        if name:
            self.open(Path(name))

    def open(self, path_or_preset: str | Path) -> None:
        """Open a file or a preset; a broken one leaves the bench as it is and says why."""
        if not self.may_leave():
            return
        try:
            self.documents.open(path_or_preset)
        except SimError as error:
            self.say_broken(error)
            return
        self.strip.hide()

    def save(self) -> bool:
        """Save, asking for a name where there is none; False if it was not saved."""
        try:
            return self.documents.save() or self.save_as()
        except ChangedOnDisk as error:
            self.strip.say(
                str(error), [("Save over it", self._save_over), ("Save as…", self.save_as)]
            )
            return False
        except SimError as error:
            self.strip.say(str(error), [("Save as…", self.save_as)])
            return False

    def save_as(self) -> bool:
        """Ask for a name and save; False if it was not saved."""
        stem = "".join(c if c.isalnum() else "_" for c in self.workbench.build.name.lower())
        start = self.workbench.path or Path(self.folder()) / f"{stem or 'build'}.json"
        name, _ = QFileDialog.getSaveFileName(self, "Save the build as", str(start), _FILTER)
        if not name:
            return False
        try:
            self.documents.save_as(Path(name) if Path(name).suffix else Path(name + ".json"))
        except SimError as error:
            self.strip.say(str(error), [("Save as…", self.save_as)])
            return False
        return True

    def _save_over(self) -> None:
        path = self.workbench.path
        if path is None:
            return
        try:
            self.documents.save_as(path)
        except SimError as error:
            self.strip.say(str(error), [("Save as…", self.save_as)])

    def _say_shared(self) -> None:
        self.strip.say(
            "Another window has this file open. What is saved last stays; save one of them "
            "under another name.",
            [("Save as…", self.save_as)],
        )

    def _say_changed(self) -> None:
        lost = " Undo brings your changes back." if self.documents.dirty else ""
        self.strip.say(
            f"Another program has changed {self._file_name()} on disk.{lost}",
            [("Read it again", self._read_again), ("Save mine over it", self._save_over)],
        )

    def _say_gone(self) -> None:
        self.strip.say(
            f"{self._file_name()} is no longer on disk. What you have is still on the bench.",
            [("Save it there again", self._save_over), ("Save as…", self.save_as)],
        )

    def _read_again(self) -> None:
        try:
            self.documents.read_again()
        except SimError as error:
            self.say_broken(error)

    def _file_name(self) -> str:
        return "The file" if self.workbench.path is None else self.workbench.path.name

    def save_picture(self) -> None:
        """Ask for a name and save the drawing of the frame: PNG, SVG or PDF."""
        from app.wiring.picture import FILTER, save

        stem = "".join(c if c.isalnum() else "_" for c in self.workbench.build.name.lower())
        start = Path(self.folder()) / f"{stem or 'frame'}.png"
        name, _ = QFileDialog.getSaveFileName(self, "Save the drawing as", str(start), FILTER)
        if not name:
            return
        option = self.frame.option_name()
        caption = self.workbench.build.name + (f" – {option}" if option else "")
        try:
            save(self.frame, Path(name) if Path(name).suffix else Path(name + ".png"), caption)
        except SimError as error:
            self.strip.say(str(error), [("Try again…", self.save_picture)])

    def rename(self) -> None:
        """Ask for another name of the build."""
        build = self.workbench.build
        name, given = QInputDialog.getText(self, "Rename", "Name of the build", text=build.name)
        if given and name.strip():
            renamed = msgspec.structs.replace(build, name=name.strip()[:_LONGEST_NAME])
            self.workbench.do("Rename the build", renamed)

    def offer_recovery(self) -> bool:
        """Offer what a window that ended without closing left behind; False if there is none."""
        left = self.documents.recoveries()
        if not left:
            return False
        newest = left[0]
        name = newest.build.name or "a build without a name"
        when = newest.saved.strftime("%d %b, %H:%M")
        self.strip.say(
            f"The last window ended without closing. Unsaved work on “{name}” from {when} is kept.",
            [
                ("Go on with it", lambda: self._recover(newest)),
                ("Delete it", lambda: self.documents.discard(newest)),
            ],
        )
        return True

    def _recover(self, recovery: Recovery) -> None:
        if self.may_leave():
            self.documents.recover(recovery)

    def say_broken(self, error: SimError) -> None:
        """Which line and key; the file is untouched; the last good copy is offered."""
        left = self.documents.recoveries()
        remedies = [("Open another…", self.choose_and_open)]
        if left:
            remedies.insert(0, ("Unsaved work kept", lambda: self._recover(left[0])))
        self.strip.say(f"{error} The file is as it was.", remedies)

    def may_leave(self) -> bool:
        """Ask what to do with unsaved work; True if the bench may be cleared."""
        return not self.documents.dirty or may_let_go(self, self.workbench.build.name, self.save)

    def folder(self) -> str:
        """Where files are looked for and saved first."""
        path = self.workbench.path
        return str(Path.home() if path is None else path.parent)

    # What keys and menus do

    def toggle_findings(self) -> None:
        """The findings come up from below, or go."""
        if self.findings_sheet.isVisible():
            self.findings_sheet.close_sheet()
        else:
            self.findings_sheet.open(self._findings_area())
            self._make_room()

    def toggle_questions(self) -> None:
        """Questions about the present option come up from below, or go."""
        if self.ask_sheet.isVisible():
            self.ask_sheet.close_sheet()
        else:
            self.findings_sheet.close_sheet()
            self.ask_sheet.open(self._findings_area())

    def toggle_outline(self) -> None:
        """The same build as a list, for the keyboard and for screen readers."""
        other = self.outline if self.places.currentWidget() is self.frame else self.frame
        self.places.setCurrentWidget(other)
        other.setFocus()

    def toggle_projector(self) -> None:
        """Large type for the back row, over the whole screen."""
        self.look.set_projector(not self.look.projector)

    def toggle_cursors(self) -> None:
        """Two cursors on the curves, or none."""
        if self.scope is not None:
            self.scope.cursor_row.toggle()

    def open_recording(self) -> None:
        """A recording of a real scope over the curves, or what one tells; or away with it."""
        if self.recording_sheet.isVisible():
            self.recording_sheet.close_sheet()
        elif self.workbench.answer is None:
            self.strip.say("There are no curves yet to lay a recording over.", [])
        else:
            self.recording_sheet.open()

    def open_probe(self) -> None:
        """What stands between a clip and the scope."""
        if self.scope is None or not self.scope.open_probe():
            self.strip.say("No clip hangs on a voltage: select pads, then H.", [])

    def toggle_truth(self) -> None:
        """What is there, or what the probes make of it."""
        bench = self.workbench
        if not any(clip.probe for clip in bench.build.clips):
            self.strip.say("No clip has a probe: what is shown is the truth. I gives one.", [])
            return
        bench.set_truth(not bench.truth)

    def go_to_figure(self) -> None:
        """Curves and frame go where the present option's worst figure is read."""
        go_to_worst(self.workbench)

    def next_view(self) -> None:
        """Over time, spectrum, impedance, where the joules go."""
        if self.scope is not None:
            self.scope.view_row.next()

    def copy_curves(self) -> None:
        """What the curves show, as a picture on the clipboard."""
        if self.scope is not None:
            from app.scope.export import picture

            QApplication.clipboard().setImage(picture(self.scope))
            self.strip.say("The curves are on the clipboard.", [])

    def save_curves(self) -> None:
        """Ask for a name and save what the curves show: PNG, SVG, or CSV of every column."""
        from app.scope.export import FILTER, save

        answer = self.workbench.answer
        if self.scope is None or answer is None:
            self.strip.say("There are no curves yet: the build is not solved.", [])
            return
        start = Path(self.folder()) / "curves.png"
        name, _ = QFileDialog.getSaveFileName(self, "Save the curves as", str(start), FILTER)
        if not name:
            return
        path = Path(name) if Path(name).suffix else Path(name + ".png")
        try:
            save(self.scope, answer, path)
        except SimError as error:
            self.strip.say(str(error), [("Try again…", self.save_curves)])

    def watch_current(self) -> None:
        """Watch the current of what is selected, then its duty, then neither; a motor's speed."""
        bench = self.workbench
        build = bench.build
        done = [id_ for id_ in bench.selection if readings_of(build, id_)]
        if not done:
            self.strip.say("Select a lead or a part first: A then watches its current.", [])
            return
        for id_ in done:
            build, _ = next_reading(build, id_)
        bench.do("Watch a current", build)

    def toggle_pin(self) -> None:
        """Pin the present option, so that its curve stays dotted behind the others."""
        bench = self.workbench
        bench.set_pinned(None if bench.pinned == bench.option else bench.option)

    def choose_option(self, index: int) -> None:
        if index < len(self.workbench.build.options):
            self.workbench.choose_option(index)

    def next_event(self, step: int) -> None:
        count = len(self.workbench.events)
        self.workbench.set_event((self.workbench.event_index + step) % count)

    def _open_sheet(self, id_: str, place: QPoint) -> None:
        self.part_sheet.set_room(self.body.y() + 6, self._curves_place.x())
        self.part_sheet.open(id_, self.paper.mapFromGlobal(place))

    def explain(self) -> None:
        """The help page of what is open in the sheet, or selected; all keys without either."""
        bench = self.workbench
        kind = self.part_sheet.kind
        if not kind and bench.selection:
            part = bench.shown_build.part(bench.selection[0])
            kind = "lead" if part is None else part.kind
        if self.help_sheet.isVisible():
            self.help_sheet.hide()
        elif kind:
            self.help_sheet.open(kind)
        else:
            self.keys_sheet.open()

    def close_sheets(self) -> None:
        if self.help_sheet.isVisible():
            self.help_sheet.hide()
            return
        self.keys_sheet.hide()
        self.minute_sheet.close_sheet()
        self.part_sheet.close_sheet()
        self.findings_sheet.close_sheet()
        self.ask_sheet.close_sheet()
        self.recording_sheet.close_sheet()

    def _findings_area(self) -> QRect:
        area = self.paper.rect()
        if self.look.projector:
            # large type needs all there is below the answer
            return area.adjusted(0, self.cards.y(), 0, 0)
        height = max(round(area.height() * (0.34 if area.height() >= 950 else 0.48)), 260)
        return QRect(0, area.height() - height, area.width(), height)

    def _beside_the_curves(self) -> QRect:
        """Over the frame; in the projector look, whose type is large, over the cards too."""
        top = self.cards.y() if self.look.projector else self.body.y()
        height = self.paper.height() - top
        return QRect(0, top, self.places.width(), height)

    def _make_room(self) -> None:
        """Where the window is high enough the findings cover nothing."""
        area = self.paper.rect()
        roomy = self.findings_sheet.isVisible() and area.height() >= 950
        bottom = self._findings_area().height() if roomy else 0
        self._body_row.setContentsMargins(0, 0, 0, bottom)

    # Errors

    def _on_problem(self) -> None:
        problem = self.workbench.problem
        if problem is not None and problem.report and problem.report not in self._shown_bugs:
            self._shown_bugs.add(problem.report)
            self.show_bug(problem.report)

    def show_bug(self, report: str) -> None:
        """A fault of the program: never in the way of saving."""
        self.documents.autosave()
        dialog = BugDialog(report, self.look, self)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.open()

    # Qt

    def _title(self) -> None:
        name = self.workbench.build.name or "Build without a name"
        self.setWindowTitle(f"{name}[*] – Rippletree")
        self.setWindowModified(self.documents.dirty)

    def _restyle(self) -> None:
        app = QApplication.instance()
        p = self.look.palette
        if isinstance(app, QApplication):
            app.setPalette(self.look.qt_palette())
        self.setPalette(self.look.qt_palette())
        self.setFont(self.look.font())
        self.setStyleSheet(
            f"MainWindow, MainWindow > QWidget {{ background: {p.paper.name()}; }}"
            f"QSplitter::handle {{ background: {p.faint.name()}; }}" + self.look.stylesheet()
        )
        self.frame.setFrameShape(QFrame.Shape.NoFrame)

    def paintEvent(self, event: QPaintEvent) -> None:
        super().paintEvent(event)
        if not self._painted:
            # The import takes a few hundred ms: the window shows itself first.
            self._painted = True
            self.windowHandle().screenChanged.connect(lambda _: fit_screen(self))
            QTimer.singleShot(0, self._import_curves)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if not keyboard.pressed(event):
            super().keyPressEvent(event)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.cards.set_low(self.height() < LOW)
        if self.minute_sheet.isVisible():
            self.minute_sheet.place()
        if self.recording_sheet.isVisible():
            self.recording_sheet.place_it()
        if self.findings_sheet.isVisible():
            self.findings_sheet.setGeometry(self._findings_area())
            self._make_room()

    def closeEvent(self, event: QCloseEvent) -> None:
        if not self.may_leave() or not self.lessons.close():
            event.ignore()
            return
        self.ask_sheet.stop()
        self.recording_sheet.close_sheet()
        self.recordings.stop()
        self.findings_sheet.behind.stop()
        self.paperwork.stop()
        self.documents.close()
        self.solver.close()
        event.accept()

"""The lesson editor: cards at the left, what one holds in the middle, how it looks at the right.

It stands beside the bench: what the bench shows is taken as a card's screen. What is written is
checked as it is typed, and the first mistake stands at the foot with its place.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from msgspec.structs import replace
from PySide6.QtCore import QTimer, Signal
from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import (
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QMenu,
    QPushButton,
    QScrollArea,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from app.look import Look
from app.notices import Strip
from app.panels.flat import FlatButton
from app.unsaved import may_let_go
from app.workshop import handouts, screens
from app.workshop.editor.card_form import CardForm, with_card
from app.workshop.editor.draft import Draft
from app.workshop.editor.figure_form import ClaimForm, FigureForm
from app.workshop.editor.lesson_form import LessonForm
from app.workshop.editor.live import LiveFigures
from app.workshop.editor.preview import Preview
from sim import lesson_draft, lessons
from sim.errors import SimError
from sim.lessons import Card, Figure

if TYPE_CHECKING:
    from collections.abc import Callable

    from PySide6.QtGui import QCloseEvent

    from app.workbench import Workbench
    from app.workshop.slow_motion import SlowMotion
    from sim.lessons import Lesson

_FILTER = "Rippletree lesson (*.json);;All files (*)"
#: A pause in typing after which what is written is checked.
_CHECK_MS = 200


class EditorWindow(QWidget):
    """Writes one lesson beside a bench.

    Signals
    -------
    play_wanted : (lesson, index of the card to begin with)
    put_wanted : (lesson, screen) is to be put on the bench
    closed : the editor was left
    """

    play_wanted = Signal(object, int)
    put_wanted = Signal(object, object)
    closed = Signal()

    def __init__(
        self, bench: Workbench, slow: SlowMotion, look: Look, folder: Path | None = None
    ) -> None:
        super().__init__()
        self.setMinimumSize(1160, 640)
        self.resize(1280, 720)
        self._bench = bench
        self._slow = slow
        # (never in the projector look: this is for one reader)
        self.look = Look(look.dark, self)
        look.changed.connect(lambda: self.look.set_dark(look.dark))
        self.draft = Draft(lesson_draft.empty(), folder, self)
        self.live = LiveFigures(self)
        self.mistake: SimError | None = None
        self._make_layout()
        self._make_actions()
        self._check_soon = QTimer(self, singleShot=True, interval=_CHECK_MS)
        self._check_soon.timeout.connect(self.check)
        self.draft.changed.connect(self._changed)
        self.draft.named.connect(self._title)
        self.live.changed.connect(self._know_more)
        self.look.changed.connect(self._dress)
        self._dress()
        self._changed()
        self.check()
        self._title()
        self.cards.setFocus()

    # What is where

    def _make_layout(self) -> None:
        look = self.look
        self.name = FlatButton(look, "title", "Lesson")
        self._menu = QMenu(self)
        self.name.setMenu(self._menu)
        self.play = QPushButton("Play from here")
        self.save_button = QPushButton("Save")
        self.strip = Strip(look)
        self.cards = QListWidget()
        self.cards.setAccessibleName("Cards")
        self.cards.setWordWrap(True)
        self.cards.currentRowChanged.connect(self._chosen)
        self.form = CardForm(self.draft, self.live)
        self.figures = FigureForm(self.draft, self.live)
        self.claims = ClaimForm(self.draft, self.live)
        self.whole = LessonForm(self.draft)
        self.preview = Preview(look, self.live)
        self.preview.revealed.toggled.connect(lambda _: self._show())
        self.foot = QLabel(wordWrap=True)
        self.foot.setAccessibleName("Check")
        self.go_there = QPushButton("Go there")
        self.pages = QTabWidget()
        self.pages.setDocumentMode(True)
        for widget, words in ((self.form, "Card"), (self.figures, "Figures"),
                              (self.claims, "Claims"), (self.whole, "Lesson")):  # fmt: skip
            page = widget
            if not isinstance(widget, QScrollArea):
                page = QScrollArea(widgetResizable=True)
                page.setWidget(widget)
                page.setFrameShape(QScrollArea.Shape.NoFrame)
            self.pages.addTab(page, words)
        self._buttons = QGridLayout()
        left = QVBoxLayout()
        left.addWidget(self.cards, 1)
        left.addLayout(self._buttons)
        aside = QWidget()
        aside.setLayout(left)
        aside.setFixedWidth(236)
        top = QHBoxLayout()
        top.setContentsMargins(10, 4, 10, 0)
        top.addWidget(self.name)
        top.addStretch(1)
        top.addWidget(self.play)
        top.addWidget(self.save_button)
        body = QHBoxLayout()
        body.addWidget(aside)
        body.addWidget(self.pages, 1)
        body.addWidget(self.preview)
        foot = QHBoxLayout()
        foot.setContentsMargins(14, 0, 14, 8)
        foot.addWidget(self.foot, 1)
        foot.addWidget(self.go_there)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addLayout(top)
        column.addWidget(self.strip)
        column.addLayout(body, 1)
        column.addLayout(foot)

    def _make_actions(self) -> None:
        stack = self.draft.undo_stack
        undo = stack.createUndoAction(self, "Undo")
        undo.setShortcut(QKeySequence(QKeySequence.StandardKey.Undo))
        redo = stack.createRedoAction(self, "Redo")
        redo.setShortcuts([QKeySequence("Ctrl+Shift+Z"), QKeySequence("Ctrl+Y")])
        self.addActions([undo, redo])
        act = self._action
        add = act("Add a card", "Ctrl+Return", self.add_card)
        copy = act("Duplicate", "Ctrl+D", self.duplicate_card)
        delete = act("Delete", "Ctrl+Del", self.delete_card)
        up = act("Move up", "Ctrl+Up", lambda: self.move_card(-1))
        down = act("Move down", "Ctrl+Down", lambda: self.move_card(1))
        for k, action in enumerate((add, copy, delete, up, down)):
            button = QPushButton(action.text())
            button.setToolTip(action.shortcut().toString())
            button.clicked.connect(action.trigger)
            place = (0, 0, 1, 2) if k == 0 else (1 + (k - 1) // 2, (k - 1) % 2, 1, 1)
            self._buttons.addWidget(button, *place)
        play = act("Play from here", "F5", self.play_from_here)
        self.play.setToolTip("F5")
        self.play.clicked.connect(play.trigger)
        save = act("Save", "Ctrl+S", self.save)
        self.save_button.setToolTip("Ctrl+S")
        self.save_button.clicked.connect(save.trigger)
        there = act("Go to the mistake", "Ctrl+G", self.go_to_mistake)
        self.go_there.setToolTip("Ctrl+G")
        self.go_there.clicked.connect(there.trigger)
        take = act("Take the screen as it is now", "Ctrl+T", self.take_screen)
        figure = act("New figure from the bench", "Ctrl+F", self.new_figure)
        self.form.take_wanted.connect(self.take_screen)
        self.form.put_wanted.connect(self.put_screen)
        self.figures.new_wanted.connect(self.new_figure)
        self.figures.take_wanted.connect(self.take_figure_screen)
        self.whole.take_wanted.connect(self.take_start)
        act("Next card", "Ctrl+PgDown", lambda: self.cards.setCurrentRow(self.at + 1))
        act("Previous card", "Ctrl+PgUp", lambda: self.cards.setCurrentRow(max(self.at - 1, 0)))
        for k in range(self.pages.count()):
            act(self.pages.tabText(k), f"Ctrl+{k + 1}", lambda k=k: self.pages.setCurrentIndex(k))
            self.pages.setTabToolTip(k, f"Ctrl+{k + 1}")
        menu = self._menu
        menu.addAction(act("New", "Ctrl+N", lambda: self.start(lesson_draft.empty)))
        menu.addAction("From the template").triggered.connect(
            lambda _=0: self.start(lesson_draft.template)
        )
        copies = menu.addMenu("A copy of")
        for row in lessons.lessons():
            copies.addAction(row.title.replace("&", "&&")).triggered.connect(
                lambda _=0, id_=row.id: self.start(lambda: copy_of(id_))
            )
        menu.addAction(act("Open…", "Ctrl+O", self.choose_and_open))
        menu.addSeparator()
        menu.addActions([save, act("Save as…", "Ctrl+Shift+S", self.save_as)])
        menu.addSeparator()
        menu.addActions([undo, redo])
        menu.addSeparator()
        menu.addActions([take, figure, there, play])
        menu.addAction(act("Handout…", "Ctrl+P", self.save_handout))

    def _action(self, text: str, keys: str, run: Callable[[], object]) -> QAction:
        action = QAction(text, self)
        action.setShortcut(QKeySequence(keys))
        action.triggered.connect(lambda _=False: run())
        self.addAction(action)
        return action

    # What is shown

    @property
    def at(self) -> int:
        """Index of the chosen card."""
        return self.form.at

    def _changed(self) -> None:
        self._show_list()
        self._show()
        self.live.show(self.draft.lesson)
        self._check_soon.start()

    def _know_more(self) -> None:
        self._show()
        self._check_soon.start()

    def _show_list(self) -> None:
        cards = self.draft.lesson.cards
        self.cards.blockSignals(True)
        while self.cards.count() > len(cards):
            self.cards.takeItem(self.cards.count() - 1)
        for k, card in enumerate(cards):
            words = f"{k + 1}  {lesson_draft.KIND_WORDS[card.kind]}\n{card.title or '(no title)'}"
            if k == self.cards.count():
                self.cards.addItem(words)
            self.cards.item(k).setText(words)
        self.form.at = max(min(self.form.at, len(cards) - 1), 0)
        self.cards.setCurrentRow(self.form.at)
        self.cards.blockSignals(False)

    def _chosen(self, row: int) -> None:
        if row >= 0:
            self.form.at = row
            self._show()

    def _show(self) -> None:
        lesson = self.draft.lesson
        self.form.setEnabled(bool(lesson.cards))
        if lesson.cards:
            self.form.show_card()
            self.preview.show_card(lesson, self.at)
        self.figures.show_figures()
        self.claims.show_claims()
        self.whole.show_lesson()
        self._title()

    def check(self) -> None:
        """Say the first mistake with its place, or that the lesson can be played."""
        self._check_soon.stop()
        lesson = self.draft.lesson
        self.mistake = error = lesson_draft.mistake(lesson)
        self.go_there.setVisible(error is not None)
        p = self.look.palette
        if error is not None:
            place = lesson_draft.place_words(lesson, error.where)
            hint = f" {error.hint.rstrip('.')}." if error.hint else ""
            self.foot.setText(f"■ {place[:1].upper()}{place[1:]}: {error.what}.{hint}")
        elif not all(f.name in self.live.numbers for f in lesson.figures):
            self.foot.setText("It can be played. Figures are being worked out…")
        else:
            broken = lessons.broken_claims(lesson, self.live.numbers)
            said = f"▲ The engine does not bear out: {'; '.join(broken)}." if broken else ""
            self.foot.setText(said or "● It can be played; the engine bears out all it claims.")
        colours = {"■": p.over, "▲": p.close, "●": p.within}
        colour = colours.get(self.foot.text()[:1], p.ink)
        self.foot.setStyleSheet(f"color: {colour.name()}")

    def go_to_mistake(self) -> None:
        """To the card or the figure that the first mistake is in."""
        self.check()
        where = "" if self.mistake is None else self.mistake.where
        card = lesson_draft.place_in(where, "cards")
        figure = lesson_draft.place_in(where, "figures")
        if card is not None:
            self.pages.setCurrentIndex(0)
            self.cards.setCurrentRow(card)
        elif figure is not None:
            self.pages.setCurrentIndex(1)
            self.figures.choose(figure)
        elif where:
            self.pages.setCurrentIndex(2 if where.startswith("claims") else 3)

    def _title(self) -> None:
        title = self.draft.lesson.title
        self.name.setText(f"{title} ▾".replace("&", "&&"))
        self.setWindowTitle(f"{title}[*] – Lesson – Rippletree")
        self.setWindowModified(self.draft.dirty)

    def _dress(self) -> None:
        p = self.look.palette
        self.setFont(self.look.font())
        self.setPalette(self.look.qt_palette())
        self.setAutoFillBackground(True)
        boxes = (
            f"QPlainTextEdit, QListWidget, QSpinBox {{ background: {p.card.name()};"
            f" color: {p.ink.name()}; border: 1px solid {p.faint.name()}; border-radius: 4px; }}"
            f"QPlainTextEdit:focus, QListWidget:focus, QSpinBox:focus {{"
            f" border-color: {p.ink.name()}; }}"
            f"QListWidget::item {{ padding: 4px 6px; }}"
            f"QListWidget {{ outline: 0; }}"
            f"QListWidget::item:selected {{ background: {p.band.name()}; color: {p.ink.name()};"
            f" border-left: 3px solid {p.ink.name()}; }}"
            f"QScrollArea, QScrollArea > QWidget > QWidget {{ background: {p.paper.name()}; }}"
            f"QTabBar::tab {{ padding: 5px 14px; color: {p.muted.name()};"
            f" background: {p.paper.name()}; border: none; }}"
            f"QTabBar::tab:selected {{ color: {p.ink.name()};"
            f" border-bottom: 2px solid {p.ink.name()}; }}"
            f"QLabel, QCheckBox {{ color: {p.ink.name()}; }}"
            f"QCheckBox::indicator:unchecked {{ width: 11px; height: 11px; border-radius: 2px;"
            f" background: {p.card.name()}; border: 1px solid {p.muted.name()}; }}"
            f"QCheckBox:focus {{ text-decoration: underline; }}"
        )
        self.setStyleSheet(self.look.stylesheet() + boxes)
        self._show()
        self.check()

    # Cards

    def _put_cards(self, what: str, cards: list[Card], at: int) -> None:
        self.form.at = at
        self.draft.do(what, replace(self.draft.lesson, cards=tuple(cards)))

    def add_card(self) -> None:
        """A card after the chosen one, on the same screen."""
        cards = list(self.draft.lesson.cards)
        at = self.at + 1 if cards else 0
        screen = cards[self.at].screen if cards else lessons.Screen()
        cards.insert(at, Card(kind="ask", title="", screen=screen))
        self._put_cards("Add a card", cards, at)
        self.pages.setCurrentIndex(0)
        self.form.title.setFocus()

    def duplicate_card(self) -> None:
        """The chosen card once more, after it."""
        cards = list(self.draft.lesson.cards)
        if cards:
            cards.insert(self.at + 1, cards[self.at])
            self._put_cards("Duplicate the card", cards, self.at + 1)

    def delete_card(self) -> None:
        """Without the chosen card; undo brings it back."""
        cards = list(self.draft.lesson.cards)
        if cards:
            del cards[self.at]
            self._put_cards("Delete the card", cards, max(min(self.at, len(cards) - 1), 0))

    def move_card(self, step: int) -> None:
        """The chosen card up (-1) or down (1)."""
        cards = list(self.draft.lesson.cards)
        to = self.at + step
        if 0 <= to < len(cards):
            cards[self.at], cards[to] = cards[to], cards[self.at]
            self._put_cards("Move the card", cards, to)

    # The bench

    def take_screen(self) -> None:
        """What the bench shows now is the chosen card's screen."""
        lesson, screen = screens.taken(self._bench, self._slow, self.draft.lesson)
        if lesson.cards:
            card = replace(lesson.cards[self.at], screen=screen)
            self.draft.do("Take the screen", with_card(lesson, self.at, card))

    def put_screen(self) -> None:
        """The bench shows the chosen card's screen."""
        self.put_wanted.emit(self.draft.lesson, self.draft.lesson.cards[self.at].screen)

    def new_figure(self) -> None:
        """A figure at what is selected on the frame, on the screen as it is now."""
        lesson, screen = screens.taken(self._bench, self._slow, self.draft.lesson)
        screen = replace(screen, pinned=None, view="time", noise=None, slow=None)
        place = self._selected_place(lesson, screen)
        words = self._bench.build.part(place.split(".")[0]) if place else None
        name = lesson_draft.free_name(lesson, place or "figure")
        said = (words.label or words.id) if words is not None else "at the pads"
        figure = Figure(name=name, words=said, reads="swing", at=place, screen=screen)
        self.pages.setCurrentIndex(1)
        self.figures.add(lesson, figure)
        self.figures.name.setFocus()
        self.figures.name.selectAll()

    def _selected_place(self, lesson: Lesson, screen: lessons.Screen) -> str:
        """Where a voltage is read: at what is selected, else where the first clip hangs."""
        try:
            places = lesson_draft.places(lessons.document(lesson, screen), "swing")
        except SimError:
            return ""
        tips = [clip.tip for clip in self._bench.build.clips if clip.reads == "volts"]
        for wanted in (*self._bench.selection, *tips):
            for place in places:
                if place == wanted or place.split(".")[0] == wanted:
                    return place
        return places[0] if places else ""

    def take_figure_screen(self) -> None:
        """What the bench shows now is what the chosen figure is read on."""
        at = self.figures.at
        lesson, screen = screens.taken(self._bench, self._slow, self.draft.lesson)
        if at >= 0:
            plain = replace(screen, pinned=None, view="time", noise=None, slow=None)
            figure = replace(lesson.figures[at], screen=plain)
            self.draft.do("Take the screen", lesson_draft.with_figure(lesson, at, figure))

    def take_start(self) -> None:
        """Build, option and event of the bench are what the lesson starts from."""
        bench = self._bench
        lesson, name = lesson_draft.with_build(self.draft.lesson, bench.build)
        option = None if bench.option is None else bench.build.options[bench.option].name
        event = bench.events[bench.event_index].name
        changed = replace(lesson, build=name, option=option, event=event)
        self.draft.do("Take the start", changed)

    # Playing, and on paper

    def play_from_here(self) -> None:
        """The player, from the chosen card on; a lesson with a mistake is not played."""
        self.check()
        if self.mistake is not None:
            self.strip.say(f"It cannot be played yet. {self.foot.text()[2:]}",
                           [("Go there", self.go_to_mistake)])  # fmt: skip
            return
        self.play_wanted.emit(self.draft.lesson, self.at)

    def save_handout(self) -> None:
        """The page for the class."""
        self.check()
        if self.mistake is not None:
            self.strip.say(f"There is no handout yet. {self.foot.text()[2:]}",
                           [("Go there", self.go_to_mistake)])  # fmt: skip
            return
        handouts.save(self, self.draft.lesson, self.strip.say)

    # Files

    def start(self, make: Callable[[], Lesson]) -> None:
        """Go on with another lesson that has no file yet, after asking about unsaved work."""
        if self.may_leave():
            self.form.at = 0
            self.draft.start(make())
            self.strip.hide()

    def choose_and_open(self) -> None:
        """Ask for a file and go on with it."""
        name, _ = QFileDialog.getOpenFileName(self, "Open a lesson", self._folder(), _FILTER)
        if name:
            self.open(Path(name))

    def open(self, path: Path) -> None:
        """Go on with a file; what is no lesson's is refused with its place."""
        if not self.may_leave():
            return
        try:
            self.draft.open(path)
        except SimError as error:
            self.strip.say(f"{error} The file is as it was.", [("Open…", self.choose_and_open)])
            return
        self.form.at = 0
        self._changed()
        self.strip.hide()
        self.check()

    def save(self) -> bool:
        """Save to its file, asking for a name where there is none; False if it was not saved."""
        return self.save_as() if self.draft.path is None else self._save(self.draft.path)

    def save_as(self) -> bool:
        """Ask for a name and save; False if it was not saved."""
        stem = "".join(c if c.isalnum() else "_" for c in self.draft.lesson.title.lower())
        start = self.draft.path or Path(self._folder()) / f"{stem}.json"
        name, _ = QFileDialog.getSaveFileName(self, "Save the lesson as", str(start), _FILTER)
        return bool(name) and self._save(Path(name) if Path(name).suffix else Path(name + ".json"))

    def _save(self, path: Path) -> bool:
        try:
            self.draft.save_as(path)
        except SimError as error:
            self.strip.say(str(error), [("Save as…", self.save_as)])
            return False
        self.check()
        if self.mistake is not None:
            self.strip.say(f"Saved. It cannot be played yet: {self.foot.text()[2:]}",
                           [("Go there", self.go_to_mistake)])  # fmt: skip
        return True

    def offer_recovery(self) -> None:
        """Go on with what an editor that ended without closing left, and say so."""
        if not self.draft.dirty and self.draft.recover():
            self.strip.say(
                f"The last editor ended without closing. “{self.draft.lesson.title}” is what it "
                "kept; it is not saved.", [("Save", self.save)],
            )  # fmt: skip

    def may_leave(self) -> bool:
        """Ask what to do with unsaved work; True if the lesson may go."""
        return not self.draft.dirty or may_let_go(self, self.draft.lesson.title, self.save)

    def _folder(self) -> str:
        return str(Path.home() if self.draft.path is None else self.draft.path.parent)

    def closeEvent(self, event: QCloseEvent) -> None:
        if not self.may_leave():
            event.ignore()
            return
        self.live.stop()
        self.draft.close()
        self.closed.emit()
        event.accept()


def copy_of(id_: str) -> Lesson:
    """A lesson of the program under a name of its own."""
    lesson = lessons.load(id_)
    return replace(lesson, title=f"{lesson.title}, our copy")

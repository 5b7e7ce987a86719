"""Lessons beside one bench: played, printed or written, each in a window of its own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtWidgets import QFileDialog, QMessageBox

from sim.errors import SimError

if TYPE_CHECKING:
    from collections.abc import Callable

    from app.window import MainWindow
    from app.workshop.course import Course
    from app.workshop.editor.window import EditorWindow
    from app.workshop.lesson_window import LessonWindow
    from sim.lessons import Lesson, Screen


class LessonDesk:
    """What a window's menu does with lessons.

    Attributes
    ----------
    playing, editor : the windows that are open, None where none is
    """

    def __init__(self, window: MainWindow) -> None:
        self._window = window
        self.playing: LessonWindow | None = None
        self.editor: EditorWindow | None = None

    def ask_and_play(self) -> None:
        """Ask for a lesson's file and play it."""
        self.with_file(self.play)

    def with_file(self, act: Callable[[Path], None]) -> None:
        """Ask for a lesson's file and do something with it."""
        name, _ = QFileDialog.getOpenFileName(
            self._window,
            "Open a lesson",
            self._window.folder(),
            "Rippletree lesson (*.json);;All files (*)",
        )
        if name:
            act(Path(name))

    def save_handout(self, lesson: str | Path) -> None:
        """Ask for a name and save the page for the class."""
        from app.workshop import handouts
        from sim.lessons import load

        try:
            found = load(lesson)
        except SimError as error:
            self._window.strip.say(f"{error} There is no handout of it.", [])
            return
        handouts.save(self._window, found, lambda words: self._window.strip.say(words, []))

    def play(self, lesson: str | Path) -> None:
        """Play a lesson in a window of its own; what is on this bench stays as it is."""
        from sim.lessons import load

        try:
            found = load(lesson)
        except SimError as error:
            self._window.strip.say(f"{error} The lesson is not played.", [])
            return
        self._play(found, 0)

    def _play(self, lesson: Lesson, at: int) -> None:
        from app.workshop.kept_place import KeptPlace
        from app.workshop.lesson_window import LessonWindow

        if self.playing is not None:
            self.playing.close()
        kept = KeptPlace(self._window.documents.folder / "lesson-place.json", lesson)
        course = None if at else kept.found()
        if course is not None and not self._goes_on(course):
            course = None
        self.playing = LessonWindow(lesson, dark=self._window.look.dark, course=course, kept=kept)
        self.playing.closed.connect(self._forget_lesson)
        if self.playing.course.go(at):
            self.playing.show_card()
        self.playing.show()

    def _goes_on(self, course: Course) -> bool:
        """Ask whether a class goes on where it was."""
        box = QMessageBox(self._window)
        box.setWindowTitle(course.lesson.title)
        box.setText(
            f"The class was at card {course.at + 1} of {len(course.lesson.cards)}. Go on there, "
            "with its hands and reveals? No starts at the first card."
        )
        buttons = QMessageBox.StandardButton
        box.setStandardButtons(buttons.Yes | buttons.No)
        box.setDefaultButton(buttons.Yes)
        return bool(box.exec() == buttons.Yes)

    def write(self) -> EditorWindow:
        """The lesson editor beside this bench; one at a time."""
        from app.workshop.editor.window import EditorWindow

        if self.editor is None:
            editor = EditorWindow(
                self._window.workbench,
                self._window.slow,
                self._window.look,
                self._window.documents.folder,
            )
            editor.play_wanted.connect(self._play)
            editor.put_wanted.connect(self._put_screen)
            editor.closed.connect(self._forget_editor)
            self.editor = editor
            editor.offer_recovery()
        self.editor.show()
        self.editor.raise_()
        self.editor.activateWindow()
        return self.editor

    def _put_screen(self, lesson: Lesson, screen: Screen) -> None:
        """A lesson's screen on this bench, after asking about unsaved work on another build."""
        from app.workshop import screens
        from sim.lessons import build_of

        try:
            build = build_of(lesson, screen)
            if build != self._window.workbench.build:
                if not self._window.may_leave():
                    return
                self._window.documents.start(build)
            screens.put(self._window.workbench, lesson, screen)
        except SimError as error:
            self._window.strip.say(f"{error} The bench is as it was.", [])

    def _forget_editor(self) -> None:
        self.editor = None

    def _forget_lesson(self) -> None:
        self.playing = None

    def close(self) -> bool:
        """Close both windows; False where a draft is kept open."""
        if self.editor is not None and not self.editor.close():
            return False
        if self.playing is not None:
            self.playing.close()
        return True

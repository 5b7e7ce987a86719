"""What the window can be told to do: every command with its key, and the menu under the name."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtGui import QAction, QKeySequence, QShortcut

from app import keyboard
from app.panels import option_menu
from sim.build import presets

if TYPE_CHECKING:
    from collections.abc import Callable

    from PySide6.QtWidgets import QMenu

    from app.window import MainWindow


class Commands:
    """Actions and shortcuts of a window, made once all that they act on is there."""

    def __init__(self, window: MainWindow, menu: QMenu) -> None:
        self._window, self.menu = window, menu
        menu.aboutToShow.connect(self._fill)
        bench = window.workbench
        undo = bench.undo_stack.createUndoAction(window, "Undo")
        undo.setShortcuts([QKeySequence(QKeySequence.StandardKey.Undo)])
        redo = bench.undo_stack.createRedoAction(window, "Redo")
        redo.setShortcuts([QKeySequence("Ctrl+Shift+Z"), QKeySequence("Ctrl+Y")])
        window.addActions([undo, redo])
        self.actions = {
            "minute": self._action("Your quad in a minute…", "Q", window.ask_questions),
            "new": self._action("New, an empty frame", "Ctrl+N", window.new),
            "open": self._action("Open…", "Ctrl+O", window.choose_and_open),
            "save": self._action("Save", "Ctrl+S", window.save),
            "save as": self._action("Save as…", "Ctrl+Shift+S", window.save_as),
            "picture": self._action("Save the drawing…", "Ctrl+E", window.save_picture),
            "rename": self._action("Rename…", "F2", window.rename),
            "undo": undo,
            "redo": redo,
            "dark": self._action("Dark", "D", lambda: window.look.set_dark(not window.look.dark)),
            "projector": self._action("Projector look", "F11", window.toggle_projector),
            "findings": self._action("Findings", "F", window.toggle_findings),
            "ask": self._action("What would help?", "W", window.toggle_questions),
            "report": self._action("Report…", "Ctrl+P", window.paperwork.report),
            "card": self._action("Snip and solder card…", "Ctrl+Shift+P", window.paperwork.card),
            "before": self._action("Before / after", "B", bench.swap_pinned),
            "pin": self._action("Pin this option", "Shift+P", window.toggle_pin),
            "noise": self._action("Noise path", "P", window.noise_path.next_band),
            "slow": self._action("Slow motion", "Z", window.slow.toggle),
            "cursors": self._action("Cursors", "C", window.toggle_cursors),
            "current": self._action("Watch its current", "A", window.watch_current),
            "recording": self._action("A scope's recording…", "Ctrl+I", window.open_recording),
            "probe": self._action("Probe of a clip…", "I", window.open_probe),
            "truth": self._action("The truth, without probes", "T", window.toggle_truth),
            "figure": self._action("Go to the figure that decides", "G", window.go_to_figure),
            "view": self._action("Next view of the curves", "V", window.next_view),
            "copy curves": self._action("Copy the curves", "Ctrl+Shift+C", window.copy_curves),
            "save curves": self._action("Save the curves…", "Ctrl+Shift+E", window.save_curves),
            "new option": self._action("New option", "Shift+N", lambda: option_menu.add(bench)),
            "option": self._action("Change this option…", "E", window.cards.open_menu),
            "outline": self._action("Outline", "O", window.toggle_outline),
            "keys": self._action("Keys", "?", window.keys_sheet.open),
            "help": self._action("What this part models", "F1", window.explain),
        }
        self.actions["dark"].setCheckable(True)
        self.actions["projector"].setCheckable(True)
        for number in range(1, 10):
            self._shortcut(str(number), lambda i=number - 1: window.choose_option(i))
        self._shortcut("0", lambda: bench.choose_option(None))
        for key in ("N", "+"):
            self._shortcut(key, lambda: window.frame.open_tray())
        self._shortcut("PgUp", lambda: window.next_event(-1))
        self._shortcut("PgDown", lambda: window.next_event(1))
        self._shortcut("F6", lambda: keyboard.next_area(window, 1))
        self._shortcut("Shift+F6", lambda: keyboard.next_area(window, -1))
        self._shortcut("Esc", window.close_sheets)

    def _action(self, text: str, keys: str, act: Callable[[], object]) -> QAction:
        window = self._window
        action = QAction(text, window)
        action.setShortcut(QKeySequence(keys))
        action.triggered.connect(lambda _=False: act())
        window.addAction(action)
        return action

    def _shortcut(self, keys: str, act: Callable[[], object]) -> None:
        QShortcut(QKeySequence(keys), self._window).activated.connect(act)

    def _fill(self) -> None:
        window, menu = self._window, self.menu
        menu.clear()
        actions = self.actions
        menu.addActions([actions["minute"], actions["new"], actions["open"]])
        samples = menu.addMenu("Samples")
        for preset in presets():
            action = samples.addAction(preset.name.replace("&", "&&"))
            action.setToolTip(preset.story)
            action.triggered.connect(lambda _=False, id_=preset.id: window.open(id_))
        recent = menu.addMenu("Recent")
        for path in window.documents.recent:
            action = recent.addAction(path.name.replace("&", "&&"))
            action.setToolTip(str(path))
            action.triggered.connect(lambda _=False, p=path: window.open(p))
        recent.setEnabled(not recent.isEmpty())
        menu.addSeparator()
        menu.addActions([actions[name] for name in ("save", "save as", "picture", "rename")])
        menu.addSeparator()
        menu.addActions([actions["undo"], actions["redo"]])
        menu.addSeparator()
        self._fill_lessons(menu.addMenu("Lessons"))
        menu.addSeparator()
        actions["dark"].setChecked(window.look.dark)
        actions["projector"].setChecked(window.look.projector)
        menu.addActions([actions[name] for name in ("new option", "option", "pin", "before")])
        menu.addActions([actions["findings"], actions["ask"], actions["noise"], actions["slow"]])
        menu.addActions([actions[name] for name in ("figure", "cursors", "current", "view")])
        menu.addActions([actions[name] for name in ("probe", "truth", "recording")])
        menu.addActions([actions[name] for name in ("copy curves", "save curves")])
        menu.addActions([actions[name] for name in ("report", "card")])
        menu.addSeparator()
        menu.addActions([actions[name] for name in ("outline", "dark", "projector", "keys")])

    def _fill_lessons(self, menu: QMenu) -> None:
        from sim.lessons import lessons

        desk = self._window.lessons
        for row in lessons():
            action = menu.addAction(f"{row.title.replace('&', '&&')}, {row.minutes} minutes")
            action.setToolTip(row.story)
            action.triggered.connect(lambda _=False, id_=row.id: desk.play(id_))
        menu.addSeparator()
        on_paper = menu.addMenu("Handout of")
        for row in lessons():
            action = on_paper.addAction(f"{row.title.replace('&', '&&')}…")
            action.triggered.connect(lambda _=False, id_=row.id: desk.save_handout(id_))
        on_paper.addAction("A lesson’s file…").triggered.connect(
            lambda _=False: desk.with_file(desk.save_handout)
        )
        menu.addAction("Write a lesson…").triggered.connect(lambda _=False: desk.write())
        menu.addAction("Open a lesson…").triggered.connect(lambda _=False: desk.ask_and_play())

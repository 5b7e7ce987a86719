"""Handouts from the window: where to, on which paper, and saved."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QLocale
from PySide6.QtWidgets import QFileDialog, QMenu

from sim.errors import SimError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from PySide6.QtWidgets import QWidget

    from sim.lessons import Lesson, Number

#: What the file dialog offers, by paper.
FILTERS = {"PDF, A4 (*.pdf)": "a4", "PDF, US letter (*.pdf)": "letter"}


def menu(
    window: QWidget, lesson: Lesson, numbers: Mapping[str, Number], say: Callable[[str], None]
) -> QMenu:
    """The class's page and the instructor's; the latter once all its figures are there."""
    found = QMenu(window)
    found.addAction("Handout…").triggered.connect(lambda _=0: save(window, lesson, say))
    answers = found.addAction("Instructor’s copy with the answers…")
    answers.triggered.connect(lambda _=0: save(window, lesson, say, numbers))
    answers.setEnabled(all(figure.name in numbers for figure in lesson.figures))
    return found


def save(
    window: QWidget,
    lesson: Lesson,
    say: Callable[[str], None],
    numbers: Mapping[str, Number] | None = None,
) -> None:
    """Ask for a name and save; `say` shows how it went. With `numbers` the instructor's copy."""
    stem = "".join(c if c.isalnum() else "_" for c in lesson.title.lower())
    start = Path.home() / f"{stem}_{'handout' if numbers is None else 'answers'}.pdf"
    filters = list(FILTERS)
    if QLocale.system().measurementSystem() != QLocale.MeasurementSystem.MetricSystem:
        filters.reverse()
    name, chosen = QFileDialog.getSaveFileName(
        window, "Save the handout as", str(start), ";;".join(filters)
    )
    if not name:
        return
    from app.report import handout

    path = Path(name) if Path(name).suffix else Path(name + ".pdf")
    try:
        path.write_bytes(handout.pdf(lesson, FILTERS.get(chosen, "a4"), numbers))
    except SimError as error:
        say(str(error))
    except OSError as error:
        say(f"{path}: cannot be written: {error.strerror}. Try another name.")
    else:
        say(f"Saved as {path.name}.")

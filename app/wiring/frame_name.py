"""Which frame this is and how large, with a menu of others; and what does not fit on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace
from PySide6.QtCore import Qt
from PySide6.QtGui import QActionGroup
from PySide6.QtWidgets import QLabel, QMenu, QWidget

from app.panels.flat import FlatButton
from app.wiring.frames import FRAMES, carried_over, frame

if TYPE_CHECKING:
    from app.look import Look
    from app.wiring.fit import Misfit
    from app.wiring.view import FrameView
    from sim.build import Build


def change_frame(view: FrameView, name: str) -> None:
    """Another frame under the build; what is on an arm goes along, as one undo step."""
    from sim.edit import move_parts
    from sim.options import through_option

    bench = view.workbench
    old, new = frame(bench.build.frame), FRAMES[name]
    if name == bench.build.frame:
        return

    def moved(build: Build) -> Build:
        places = {p.id: p.at for p in build.parts if p.at is not None}
        return move_parts(build, carried_over(places, old, new))

    build = bench.build
    # Parts that only an option has move with the option that shows them.
    build = through_option(moved(build), bench.option, moved) if bench.option is not None else (
        moved(build)
    )  # fmt: skip
    bench.do(f"Frame: {new.title}", replace(build, frame=name))


class FrameName(FlatButton):
    """Name and size of the frame; its menu changes it."""

    def __init__(self, view: FrameView, look: Look) -> None:
        super().__init__(look, "text", "Frame", view)
        self._view = view
        self._menu = QMenu(self)
        self._menu.aboutToShow.connect(self._fill)
        self.setMenu(self._menu)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    def show_frame(self) -> None:
        """Say which one it is."""
        now = frame(self._view.workbench.build.frame)
        self.setText(f"{now.title} ▾")
        self.setToolTip(f"{now.sizes}. Press for other frames.")
        self.setAccessibleDescription(now.sizes)
        self.adjustSize()

    def _fill(self) -> None:
        self._menu.clear()
        group = QActionGroup(self._menu)
        for name, one in FRAMES.items():
            action = self._menu.addAction(f"{one.title}\t{one.sizes}")
            action.setCheckable(True)
            action.setChecked(name == self._view.workbench.build.frame)
            action.triggered.connect(lambda _=False, n=name: change_frame(self._view, n))
            group.addAction(action)


class FitLine(QLabel):
    """The first thing that does not fit, and how many more there are; hidden if all does."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.setAccessibleName("Does it fit")
        self.hide()

    def dress(self, look: Look) -> None:
        self.setFont(look.font("text"))
        self.setStyleSheet(f"color: {look.palette.over.name()}; background: transparent;")
        self.adjustSize()

    def show_misfits(self, found: tuple[Misfit, ...]) -> None:
        """Say them."""
        words = found[0].words if found else ""
        if len(found) > 1:
            words += f" And {len(found) - 1} more."
        self.setText(words and f"■ {words}")
        self.setToolTip("\n".join(m.words for m in found))
        self.setAccessibleDescription(self.toolTip())
        self.setVisible(bool(found))
        self.adjustSize()

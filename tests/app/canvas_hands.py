"""Hands for tests: a canvas, and real mouse events on it."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QPointF, Qt
from PySide6.QtGui import QMouseEvent
from PySide6.QtWidgets import QApplication

import sim
from app.look import Look
from app.wiring import FrameView
from app.workbench import Workbench

_NONE = Qt.KeyboardModifier.NoModifier


def canvas(qtbot, preset="arms_4s_analogue", option=None, size=(900, 700)):
    """A canvas on a preset, or on a build."""
    bench = Workbench(sim.load(preset) if isinstance(preset, str) else preset)
    bench.set_option(option)
    view = FrameView(bench, Look(False))
    qtbot.addWidget(view)
    view.resize(*size)
    view.show()
    qtbot.waitExposed(view)
    settle()
    return bench, view


def settle():
    for _ in range(3):
        QApplication.processEvents()


def mouse(view, kind, at, button=Qt.MouseButton.NoButton, held=Qt.MouseButton.NoButton, mods=_NONE):
    target = view.viewport()
    event = QMouseEvent(
        kind, QPointF(at), QPointF(target.mapToGlobal(at)), button, held, mods
    )  # fmt: skip
    QApplication.sendEvent(target, event)


def drag(view, start, *stops, release=True, button=Qt.MouseButton.LeftButton, mods=_NONE):
    """Press at `start` and go over `stops`, all in mm."""
    at = view.mapFromScene(QPointF(*start))
    mouse(view, QEvent.Type.MouseButtonPress, at, button, button, mods)
    for stop in stops:
        at = view.mapFromScene(QPointF(*stop))
        mouse(view, QEvent.Type.MouseMove, at, held=button, mods=mods)
    if release:
        mouse(view, QEvent.Type.MouseButtonRelease, at, button, mods=mods)
    settle()


def click(view, place, mods=_NONE):
    drag(view, place, mods=mods)


def hover(view, place):
    mouse(view, QEvent.Type.MouseMove, view.mapFromScene(QPointF(*place)))

"""What a drag leaves behind: leads are kept as pictures again once they rest."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QGraphicsItem, QGraphicsView

from app.look import Look
from app.wiring import FrameView
from app.workbench import Workbench
from sim.build import load
from sim.edit import move_parts

if TYPE_CHECKING:
    from pytestqt.qtbot import QtBot

_KEPT = QGraphicsItem.CacheMode.DeviceCoordinateCache
_DRAWN = QGraphicsItem.CacheMode.NoCache


def _moving(view: FrameView) -> set[str]:
    return {id_ for id_, item in view.scene_.leads.items() if item.cacheMode() == _DRAWN}


def _begun(qtbot: QtBot) -> tuple[Workbench, FrameView, set[str]]:
    """A view in the middle of a drag of the part with the most leads, and those leads."""
    bench = Workbench(load("park_4s_freestyle"))
    view = FrameView(bench, Look())
    bench.setParent(view)
    qtbot.addWidget(view)
    attached = view.scene_._attached
    hub = max(attached, key=lambda i: len(attached[i]))
    assert not _moving(view)
    x, y = view.scene_.parts[hub].place
    for step in (1.0, 2.0):
        bench.preview(bench.through(lambda b, by=step: move_parts(b, {hub: (x + by, y)})))
    return bench, view, set(attached[hub])


def test_only_leads_of_what_is_dragged_are_drawn_straight(qtbot: QtBot) -> None:
    _, view, leads = _begun(qtbot)
    assert len(leads) > 1
    assert leads < set(view.scene_.leads)
    assert leads <= _moving(view) < set(view.scene_.leads)


def test_a_drag_given_up_leaves_all_as_it_was(qtbot: QtBot) -> None:
    bench, view, _ = _begun(qtbot)
    bench.preview(None)
    assert not _moving(view)
    assert view.viewportUpdateMode() == QGraphicsView.ViewportUpdateMode.SmartViewportUpdate


def test_a_drag_that_is_done_leaves_no_lead_behind(qtbot: QtBot) -> None:
    bench, view, _ = _begun(qtbot)
    bench.do("Move", bench.drawn)
    assert not _moving(view)
    assert view.viewportUpdateMode() == QGraphicsView.ViewportUpdateMode.SmartViewportUpdate

"""What a drag leaves behind: leads are kept as pictures again once they rest."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from msgspec.structs import replace
from PySide6.QtGui import QImage
from PySide6.QtWidgets import QGraphicsItem, QGraphicsView

from app.look import Look
from app.wiring import FrameView
from app.wiring.clips import ClipMarks
from app.workbench import Workbench
from sim.build import load
from sim.edit import move_parts, set_value

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


def test_a_value_that_leaves_a_part_where_it_stands_moves_no_lead_and_no_clip(
    qtbot: QtBot, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Workbench(load("arms_4s_analogue"))
    view = FrameView(bench, Look())
    bench.setParent(view)
    qtbot.addWidget(view)
    assert bench.build.clips
    bench.set_option(1)
    can = next(p.id for p in bench.shown_build.parts if p.kind == "electrolytic")
    painted: list[str] = []
    monkeypatch.setattr(ClipMarks, "update", lambda *_: painted.append("clips"))
    bench.preview(bench.through(lambda b: set_value(b, can, "esr", "50 mOhm")))
    assert not _moving(view)
    assert not painted
    assert view.scene_.parts[can].part.values["esr"] == "50 mOhm"
    x, y = view.scene_.parts[can].place
    bench.preview(bench.through(lambda b: move_parts(b, {can: (x + 3.0, y)})))
    assert _moving(view) == set(view.scene_._attached[can])


def _picture(view: FrameView) -> QImage:
    """What the viewport shows, painted anew."""
    return view.viewport().grab().toImage().convertToFormat(QImage.Format.Format_RGB32)


def _unlike(a: QImage, b: QImage) -> float:
    """Share of pixels that are clearly of another colour."""
    one, two = (np.frombuffer(i.constBits(), np.uint8).astype(int) for i in (a, b))
    return float(np.mean(np.abs(one - two).reshape(-1, 4).max(axis=1) > 40))


def test_the_ground_of_a_drag_shows_what_the_items_show(qtbot: QtBot) -> None:
    bench, view, leads = _begun(qtbot)
    view.resize(900, 700)
    view.show()
    qtbot.waitExposed(view)
    view.fit()
    hub = max(view.scene_._attached, key=lambda i: len(view.scene_._attached[i]))
    x, y = view.scene_.parts[hub].place
    bench.preview(bench.through(lambda b: move_parts(b, {hub: (x + 3.0, y)})))
    assert view.ground.laid
    resting = _picture(view)
    view.ground.lift()
    items = _picture(view)
    same = _unlike(resting, items)
    # the measure can tell: without the frame and those leads it is another picture
    for id_ in set(view.scene_.leads) - leads:
        view.scene_.leads[id_].setVisible(False)
    view.scene_.frame_item.setVisible(False)
    assert same < 0.1 * _unlike(resting, _picture(view))


def test_what_changes_in_a_drag_is_not_kept_from_the_ground(qtbot: QtBot) -> None:
    """A lead that is marked, a zoom, a lead taken off: none may leave the old picture behind."""
    bench, view, leads = _begun(qtbot)
    assert view.ground.laid
    still = next(i for i in view.scene_.leads if i not in leads)
    bench.select((still,))
    assert not view.ground.laid
    x, y = view.scene_.parts["pack"].place
    bench.preview(bench.through(lambda b: move_parts(b, {"pack": (x + 1.0, y)})))
    assert view.ground.laid
    view.zoom_middle(1.3)
    assert not view.ground.laid
    bench.preview(bench.through(lambda b: move_parts(b, {"pack": (x + 2.0, y)})))
    assert view.ground.laid
    kept = tuple(lead for lead in bench.drawn.leads if lead.id != still)
    bench.preview(replace(bench.drawn, leads=kept))
    assert still not in {item.lead.id for item in view.ground.resting}
    bench.preview(None)
    assert not view.ground.laid
    flag = QGraphicsItem.GraphicsItemFlag.ItemHasNoContents
    assert not any(item.flags() & flag for item in view.scene_.leads.values())

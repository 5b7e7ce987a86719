"""The drawing as a file: the picture of the frame, on paper, whatever the screen is like."""

from __future__ import annotations

import pytest
from PySide6.QtCore import QByteArray
from PySide6.QtGui import QImage, QPainter
from PySide6.QtSvg import QSvgRenderer

from app.wiring.picture import ENDINGS, save
from sim.errors import DocumentError
from tests.app.canvas_hands import canvas, settle


@pytest.mark.parametrize("dark", [False, True])
def test_a_picture_is_on_paper_and_the_screen_stays_as_it_was(qtbot, tmp_path, dark):
    bench, view = canvas(qtbot)
    view.look.set_dark(dark)
    bench.select(("vtx",))
    settle()
    for ending in ENDINGS:
        save(view, tmp_path / f"frame{ending}", "Quarry five")
    image = QImage(str(tmp_path / "frame.png"))
    assert image.width() == 2 * view.viewport().width()
    assert image.pixelColor(4, 4).lightness() > 240
    dark_pixels = sum(
        image.pixelColor(x, y).lightness() < 90
        for x in range(0, image.width(), 7)
        for y in range(0, image.height(), 7)
    )
    assert dark_pixels > 100
    svg = (tmp_path / "frame.svg").read_bytes()
    assert b"Quarry five" in svg
    assert svg.count(b"<path") > 40
    assert b"ESC 3" in svg
    renderer = QSvgRenderer(QByteArray(svg))
    assert renderer.isValid()
    drawn = QImage(view.viewport().width(), view.viewport().height(), QImage.Format.Format_RGB32)
    painter = QPainter(drawn)
    renderer.render(painter)
    painter.end()
    assert (tmp_path / "frame.pdf").read_bytes().startswith(b"%PDF-1.")
    assert view.look.dark is dark
    assert view.scene_.chosen == ("vtx",)


def test_another_ending_is_refused_and_says_what_is_allowed(qtbot, tmp_path):
    _, view = canvas(qtbot)
    with pytest.raises(DocumentError, match="pdf"):
        save(view, tmp_path / "frame.gif", "x")
    with pytest.raises(DocumentError, match="written"):
        save(view, tmp_path / "no folder" / "frame.png", "x")
    assert list(tmp_path.iterdir()) == []

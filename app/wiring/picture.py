"""The drawing of the frame as a picture file: PNG, SVG or PDF, on paper even from the dark."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from PySide6.QtCore import QBuffer, QIODevice, QMarginsF, QRectF, QSaveFile, QSizeF, Qt
from PySide6.QtGui import QImage, QPageSize, QPainter, QPdfWriter
from PySide6.QtSvg import QSvgGenerator
from PySide6.QtWidgets import QGraphicsItem

from sim.errors import DocumentError

if TYPE_CHECKING:
    from pathlib import Path

    from PySide6.QtGui import QPagedPaintDevice

    from app.wiring.view import FrameView

ENDINGS = (".png", ".svg", ".pdf")
FILTER = "Picture (*.png);;Drawing (*.svg);;Page (*.pdf)"
_SHARPNESS = 2.0
#: Pixels to the inch of a screen, so that type keeps its size on the page.
_DPI = 96
_CAPTION_PX = 34


def save(view: FrameView, path: Path, caption: str) -> None:
    """Save what the view shows, in the form the name's end asks for; on failure the old file stays.

    Raises
    ------
    DocumentError   if the end is not known or the file cannot be written
    """
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        what = f"{ending or 'no ending'!r} is not known"
        raise DocumentError(str(path), what, f"Give {', '.join(ENDINGS)}")
    data = _as_shown(view, ending, caption)
    file = QSaveFile(os.fspath(path))
    if not (
        file.open(QIODevice.OpenModeFlag.WriteOnly)
        and file.write(data) == len(data)
        and file.commit()
    ):
        raise DocumentError(str(path), f"cannot be written: {file.errorString()}", "Try another")


def _as_shown(view: FrameView, ending: str, caption: str) -> bytes:
    """Draw it in light colours, nothing selected, and as lines instead of kept pixels."""
    scene, look = view.scene_, view.look
    dark, chosen = look.dark, scene.chosen
    kept = {item: item.cacheMode() for item in scene.items()}
    look.set_dark(False)
    scene.set_chosen(())
    scene.set_hovered("")
    scene.show_pads("")
    for item in kept:
        item.setCacheMode(QGraphicsItem.CacheMode.NoCache)
    try:
        return {".png": _png, ".svg": _svg, ".pdf": _pdf}[ending](view, caption)
    finally:
        for item, mode in kept.items():
            item.setCacheMode(mode)
        scene.set_chosen(chosen)
        look.set_dark(dark)


def _size(view: FrameView) -> tuple[int, int]:
    area = view.viewport().rect()
    return area.width(), area.height() + _CAPTION_PX


def _paint(view: FrameView, painter: QPainter, caption: str) -> None:
    width, height = _size(view)
    palette = view.look.palette
    painter.fillRect(0, 0, width, height, palette.paper)
    view.scene_.render(
        painter, QRectF(0, 0, width, height - _CAPTION_PX), view.visible_mm(),
        Qt.AspectRatioMode.KeepAspectRatio,
    )  # fmt: skip
    painter.setPen(palette.ink)
    painter.setFont(view.look.font("text"))
    box = QRectF(14, height - _CAPTION_PX, width - 28, _CAPTION_PX)
    painter.drawText(box, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter, caption)


def _png(view: FrameView, caption: str) -> bytes:
    width, height = _size(view)
    image = QImage(
        round(width * _SHARPNESS), round(height * _SHARPNESS), QImage.Format.Format_RGB32
    )
    image.setDevicePixelRatio(_SHARPNESS)
    painter = QPainter(image)
    _paint(view, painter, caption)
    painter.end()
    buffer = _buffer()
    image.save(buffer, "PNG")  # type: ignore[call-overload]
    return bytes(buffer.data().data())


def _svg(view: FrameView, caption: str) -> bytes:
    width, height = _size(view)
    buffer = _buffer()
    generator = QSvgGenerator()
    generator.setOutputDevice(buffer)
    generator.setResolution(_DPI)
    generator.setViewBox(QRectF(0, 0, width, height))
    generator.setTitle(caption)
    painter = QPainter(generator)
    _paint(view, painter, caption)
    painter.end()
    return bytes(buffer.data().data())


def _pdf(view: FrameView, caption: str) -> bytes:
    width, height = _size(view)
    buffer = _buffer()
    writer = QPdfWriter(buffer)
    page = QPageSize(QSizeF(width / _DPI, height / _DPI), QPageSize.Unit.Inch)
    _set_page(writer, page)
    writer.setResolution(_DPI)
    writer.setTitle(caption)
    painter = QPainter(writer)
    _paint(view, painter, caption)
    painter.end()
    return bytes(buffer.data().data())


def _set_page(writer: QPagedPaintDevice, page: QPageSize) -> None:
    writer.setPageSize(page)
    writer.setPageMargins(QMarginsF(0, 0, 0, 0))


def _buffer() -> QBuffer:
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    return buffer

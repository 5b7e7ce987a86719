"""Symbols after IEC 60617, drawn for this project: one file per kind, tinted when used.

A kind without a file gets a labelled box.
"""

from __future__ import annotations

from functools import cache, lru_cache
from importlib.resources import files

from PySide6.QtCore import QByteArray, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPixmap
from PySide6.QtSvg import QSvgRenderer


@cache
def _source(kind: str) -> str | None:
    file = files(__name__).joinpath(f"{kind}.svg")
    return file.read_text(encoding="utf-8") if kind.isidentifier() and file.is_file() else None


def has_symbol(kind: str) -> bool:
    """Whether there is a symbol for this kind of part."""
    return _source(kind) is not None


def symbol(kind: str, pixels: float, colour: QColor, ratio: float = 1.0) -> QPixmap | None:
    """The symbol as a square pixmap of `pixels` logical pixels, None if there is none.

    Pixmaps are kept: drawing one is far cheaper than drawing its lines, and a zoom
    asks for few sizes (whole pixels only).
    """
    return _pixmap(kind, max(1, round(pixels)), colour.name(), ratio)


@lru_cache(maxsize=512)
def _pixmap(kind: str, pixels: int, colour: str, ratio: float) -> QPixmap | None:
    source = _source(kind)
    if source is None:
        return None
    renderer = QSvgRenderer(QByteArray(source.replace("currentColor", colour).encode()))
    size = max(1, round(pixels * ratio))
    pixmap = QPixmap(size, size)
    pixmap.fill(Qt.GlobalColor.transparent)
    painter = QPainter(pixmap)
    renderer.render(painter, QRectF(0, 0, size, size))
    painter.end()
    pixmap.setDevicePixelRatio(ratio)
    return pixmap

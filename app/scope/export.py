"""The curves taken out of the window: a picture, or figures column by column."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from PySide6.QtCore import QBuffer, QIODevice, QPoint, QSaveFile, QSize
from PySide6.QtGui import QImage, QPainter
from PySide6.QtSvg import QSvgGenerator

from sim.errors import DocumentError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from PySide6.QtWidgets import QWidget

    from app.solver.protocol import Answer

#: What the curves can be saved as, by the end of a file's name.
ENDINGS = (".png", ".svg", ".csv")
FILTER = "Picture (*.png);;Drawing (*.svg);;Figures (*.csv)"
_SHARPNESS = 2.0
_UNITS = {"volts": "V", "offset": "offset_V", "amps": "A", "speed": "rpm", "duty": "percent"}


def picture(widget: QWidget) -> QImage:
    """What a widget shows, twice as sharp."""
    size = QSize(round(widget.width() * _SHARPNESS), round(widget.height() * _SHARPNESS))
    image = QImage(size, QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(_SHARPNESS)
    image.fill(widget.palette().window().color())
    widget.render(image)
    return image


def save(widget: QWidget, answer: Answer, path: Path) -> None:
    """Save what is shown, in the form the name's end asks for; the old file stays on failure.

    Raises
    ------
    DocumentError   if the end is not known or the file cannot be written
    """
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise DocumentError(
            str(path), f"{ending or 'no ending'!r} is not known", f"Give {', '.join(ENDINGS)}"
        )
    if ending == ".csv":
        data = "".join(csv(answer)).encode()
    else:
        data = _png(widget) if ending == ".png" else _svg(widget)
    file = QSaveFile(os.fspath(path))
    if not (
        file.open(QIODevice.OpenModeFlag.WriteOnly)
        and file.write(data) == len(data)
        and file.commit()
    ):
        raise DocumentError(str(path), f"cannot be written: {file.errorString()}", "Try another")


def csv(answer: Answer) -> Iterator[str]:
    """Lowest and highest value of every curve in each column: nothing between is left out."""
    names = ["from_s", "to_s"]
    for curve in answer.curves:
        name = curve.place if curve.ground is None else f"{curve.place}_to_{curve.ground}"
        names += [f"{name}_{_UNITS[curve.reads]}_{end}" for end in ("lowest", "highest")]
    yield ",".join(names) + "\n"
    if not answer.curves:
        return
    times = answer.curves[0].t
    for k in range(len(times) - 1):
        row = [times[k], times[k + 1]]
        for curve in answer.curves:
            row += [curve.low[k], curve.high[k]]
        yield ",".join(f"{value:.9g}" for value in row) + "\n"


def _png(widget: QWidget) -> bytes:
    buffer = QBuffer()
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    picture(widget).save(buffer, "PNG")  # type: ignore[call-overload]
    return bytes(buffer.data().data())


def _svg(widget: QWidget) -> bytes:
    buffer = QBuffer()
    generator = QSvgGenerator()
    generator.setOutputDevice(buffer)
    generator.setSize(widget.size())
    generator.setViewBox(widget.rect())
    generator.setTitle("Rippletree curves")
    painter = QPainter(generator)
    widget.render(painter, QPoint())
    painter.end()
    return bytes(buffer.data().data())

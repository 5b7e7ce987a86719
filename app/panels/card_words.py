"""Words on a card that is narrow: a name on as many lines as it needs, and no more."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt

if TYPE_CHECKING:
    from PySide6.QtGui import QFontMetrics


def folded(text: str, metrics: QFontMetrics, width: int, most: int) -> list[str]:
    """`text` broken between words into lines of at most `width` pixels.

    At most `most` lines come back, at least one; what is left over is elided on the last.
    """
    lines = [""]
    words = text.split()
    for k, word in enumerate(words):
        longer = f"{lines[-1]} {word}".strip()
        if not lines[-1] or metrics.horizontalAdvance(longer) <= width:
            lines[-1] = longer
        elif len(lines) < most:
            lines.append(word)
        else:
            lines[-1] = " ".join([lines[-1], *words[k:]])
            break
    # Eliding measures fractions of a pixel: what fits is left alone.
    return [
        line
        if metrics.horizontalAdvance(line) <= width
        else metrics.elidedText(line, Qt.TextElideMode.ElideRight, width)
        for line in lines
    ]

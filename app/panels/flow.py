"""Buttons in a row that goes on in the next line where there is no more room."""

from __future__ import annotations

from PySide6.QtCore import QPoint, QRect, QSize, Qt
from PySide6.QtWidgets import QLayout, QLayoutItem, QWidget


class Flow(QLayout):
    """Items from the left to the right, then below."""

    def __init__(self, parent: QWidget, gap: int) -> None:
        super().__init__(parent)
        self._items: list[QLayoutItem] = []
        self.setContentsMargins(0, 0, 0, 0)
        self.setSpacing(gap)

    def addItem(self, item: QLayoutItem) -> None:
        self._items.append(item)

    def count(self) -> int:
        return len(self._items)

    def itemAt(self, index: int) -> QLayoutItem | None:
        return self._items[index] if 0 <= index < len(self._items) else None

    def takeAt(self, index: int) -> QLayoutItem | None:
        return self._items.pop(index) if 0 <= index < len(self._items) else None

    def expandingDirections(self) -> Qt.Orientation:
        return Qt.Orientation(0)

    def hasHeightForWidth(self) -> bool:
        return True

    def heightForWidth(self, width: int) -> int:
        return self._lay(QRect(0, 0, width, 0), move=False)

    def setGeometry(self, rect: QRect) -> None:
        super().setGeometry(rect)
        self._lay(rect, move=True)

    def sizeHint(self) -> QSize:
        sizes = [item.sizeHint() for item in self._items]
        gaps = self.spacing() * max(0, len(sizes) - 1)
        return QSize(sum(s.width() for s in sizes) + gaps, max(s.height() for s in sizes))

    def minimumSize(self) -> QSize:
        out = QSize()
        for item in self._items:
            out = out.expandedTo(item.minimumSize())
        return out

    def _lay(self, rect: QRect, *, move: bool) -> int:
        """Place the items within `rect`; returns the height they take."""
        x, y, high = rect.x(), rect.y(), 0
        for item in self._items:
            size = item.sizeHint()
            if x > rect.x() and x + size.width() > rect.right() + 1:
                x, y, high = rect.x(), y + high + self.spacing(), 0
            if move:
                item.setGeometry(QRect(QPoint(x, y), size))
            x += size.width() + self.spacing()
            high = max(high, size.height())
        return y + high - rect.y()

"""One step of undo."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtGui import QUndoCommand

if TYPE_CHECKING:
    from collections.abc import Callable


class Snapshot(QUndoCommand):
    """One edit as the whole document before and after it. Builds and lessons
    are small and immutable."""

    def __init__(
        self,
        put: Callable[[Any], None],
        text: str,
        before: Any,
        after: Any,
        merge: str | None,
    ) -> None:
        super().__init__(text)
        self._put = put
        self._before = before
        self._after = after
        self._merge = merge

    def redo(self) -> None:
        self._put(self._after)

    def undo(self) -> None:
        self._put(self._before)

    def id(self) -> int:
        return -1 if self._merge is None else 1

    def mergeWith(self, other: QUndoCommand) -> bool:
        if not isinstance(other, Snapshot) or other._merge != self._merge:
            return False
        self._after = other._after
        return True

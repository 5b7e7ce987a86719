"""What stands behind the verdict of the present option: eight blocks that stay in their place.

They are worked out beside the window and come one by one; none moves another.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QSize, Qt, QTimer, Signal
from PySide6.QtGui import QImage, QMouseEvent, QPixmap, QResizeEvent
from PySide6.QtWidgets import QFrame, QGridLayout, QLabel, QScrollArea, QVBoxLayout, QWidget

from app.solver.errand import Errand
from app.solver.protocol import CellRow

if TYPE_CHECKING:
    from app.look import Look
    from app.workbench import Workbench
    from sim.behind import Block, Going

#: Blocks by their keys in the order of the page; titles as `sim.behind` has them.
TITLES = {
    "video": "Ripple at the video transmitter",
    "picture": "Picture",
    "dropouts": "Supply too low",
    "stages": "Filter stages",
    "plug_in": "Plug-in",
    "warmth": "Capacitors over a flight",
    "grams": "Grams and parts that can fail",
    "failures": "When one fails",
}
_PLUG_CAUTION = "Stripe is minus. A reversed capacitor bursts. Eye protection."
#: A change is followed once hands have been off for so long.
_CALM_MS = 500
#: Added to grey, so that a ripple of so much white is seen for what it is.
_GREY = 0.4
_WAITING = "being worked out…"


class BehindPage(QScrollArea):
    """Fills itself while it is on the screen, and follows option, event and build."""

    def __init__(self, workbench: Workbench, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._workbench = workbench
        self._look = look
        self._errand: Errand | None = None
        self._of: object = None
        self.setWidgetResizable(True)
        self.setFrameShape(QFrame.Shape.NoFrame)
        self.setAccessibleName("Behind the verdict")
        inner = QWidget()
        self._grid = QGridLayout(inner)
        self._grid.setContentsMargins(0, 4, 8, 0)
        self._grid.setHorizontalSpacing(20)
        self._grid.setVerticalSpacing(8)
        self.setWidget(inner)
        self.blocks = {key: _Block(title, look) for key, title in TITLES.items()}
        for key, block in self.blocks.items():
            block.clicked.connect(lambda k=key: self._go(k))
        self._going: dict[str, Going] = {}
        self._calm = QTimer(self, singleShot=True, interval=_CALM_MS)
        self._calm.timeout.connect(self._ask)
        for signal in (workbench.build_changed, workbench.option_changed, workbench.event_changed):
            signal.connect(self.follow)
        look.changed.connect(self._restyle)
        self._restyle()

    def follow(self) -> None:
        """What is shown may have changed: work it out anew, once it is calm."""
        bench = self._workbench
        if not self.isVisible():
            self.stop()
            return
        if self._of == (bench.build, bench.option, bench.event_index):
            return
        self.stop()
        for block in self.blocks.values():
            block.set_old()
        self._calm.start()

    def stop(self) -> None:
        """End what is being worked out."""
        self._calm.stop()
        if self._errand is not None:
            self._errand.stop()
            self._errand = None
            self._of = None

    @property
    def busy(self) -> bool:
        """Whether blocks are still to come."""
        return self._errand is not None or self._calm.isActive()

    def _ask(self) -> None:
        bench = self._workbench
        self._of = (bench.build, bench.option, bench.event_index)
        arguments = {
            "option": None if bench.option is None else bench.option + 1,
            "event": bench.event_index + 1,
        }
        self._going.clear()
        self._errand = Errand("behind", bench.build, arguments, self)
        self._errand.told.connect(self._take)
        self._errand.done.connect(lambda _: self._end())
        self._errand.failed.connect(self._fail)

    def _take(self, block: Block) -> None:
        lines = list(block.lines)
        if block.key == "plug_in":
            lines.append(_PLUG_CAUTION)
        if block.going is not None:
            self._going[block.key] = block.going
        self.blocks[block.key].show_block(lines, block.picture, linked=block.going is not None)

    def _end(self) -> None:
        self._errand = None

    def _fail(self, words: str) -> None:
        self._errand = None
        for block in self.blocks.values():
            if block.old:
                block.show_block([words], None, linked=False)

    def _go(self, key: str) -> None:
        """To the place and moment of a block's figure."""
        going, bench = self._going.get(key), self._workbench
        if going is None:
            return
        option = "" if bench.option is None else bench.build.options[bench.option].name
        bench.go_to(
            CellRow(
                option, going.event, going.place, "", going.part, "", going.reads,
                0.0, 0.0, 0.0, going.unit, 0.0, "",
            )
        )  # fmt: skip

    def showEvent(self, event: Any) -> None:
        super().showEvent(event)
        self.follow()

    def hideEvent(self, event: Any) -> None:
        super().hideEvent(event)
        self.stop()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._place()

    def _place(self) -> None:
        """As many columns as type has room for; every cell has its fixed height."""
        scale = self._look.scale
        columns = max(1, min(4, int(self.viewport().width() / (290 * scale))))
        rows = -(-len(self.blocks) // columns)
        height = max(self.viewport().height() // rows - 10, round(122 * scale))
        for k, block in enumerate(self.blocks.values()):
            block.setFixedHeight(height)
            self._grid.addWidget(block, k // columns, k % columns)
        for column in range(4):
            self._grid.setColumnStretch(column, 1 if column < columns else 0)

    def _restyle(self) -> None:
        p = self._look.palette
        self.setStyleSheet(
            f"BehindPage, BehindPage > QWidget > QWidget {{ background: {p.card.name()}; }}"
        )
        self._place()


class _Block(QWidget):
    """A title, some sentences that scroll where they are long, and maybe a picture."""

    clicked = Signal()

    def __init__(self, title: str, look: Look) -> None:
        super().__init__()
        self._look = look
        self._shares: Any = None
        self._linked = False
        self.old = True
        self.setAccessibleName(title)
        self._title = QLabel(title)
        self.words = QLabel(_WAITING, wordWrap=True, textFormat=Qt.TextFormat.PlainText)
        self.words.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
        self.picture = QLabel()
        self.picture.setAccessibleName("Preview of the picture")
        self.picture.hide()
        inner = QWidget()
        column = QVBoxLayout(inner)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        column.addWidget(self.picture)
        column.addWidget(self.words, 1)
        scroll = QScrollArea(widgetResizable=True)
        scroll.setFrameShape(QFrame.Shape.NoFrame)
        scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        scroll.setWidget(inner)
        self._scroll = scroll
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(2)
        whole.addWidget(self._title)
        whole.addWidget(scroll, 1)
        look.changed.connect(self._restyle)
        self._restyle()

    def set_old(self) -> None:
        """What stands here is of something else: paler until the new comes."""
        self.old = True
        self._restyle()

    def show_block(self, lines: list[str], shares: Any, *, linked: bool) -> None:
        """The sentences, the picture if any, and whether a click leads somewhere."""
        self.old, self._shares, self._linked = False, shares, linked
        self.words.setText("\n".join(lines))
        self.setAccessibleDescription(self.words.text())
        self.setCursor(Qt.CursorShape.PointingHandCursor if linked else Qt.CursorShape.ArrowCursor)
        self.setToolTip("Click: frame and curves go there" if linked else "")
        self._restyle()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if self._linked and self.rect().contains(event.position().toPoint()):
            self.clicked.emit()

    def _restyle(self) -> None:
        p = self._look.palette
        self._title.setFont(self._look.font("name"))
        self.words.setFont(self._look.font("small"))
        colour = p.muted if self.old else p.ink
        self.words.setStyleSheet(f"color: {colour.name()}")
        self._scroll.setStyleSheet(f"background: {p.card.name()}")
        self.picture.setVisible(self._shares is not None)
        if self._shares is not None:
            scale = min(self._look.scale, 2.0)
            self.picture.setPixmap(
                _pixmap(self._shares, QSize(round(112 * scale), round(63 * scale)))
            )


def _pixmap(shares: Any, size: QSize) -> QPixmap:
    """A field of grey with what ripple adds to it."""
    import numpy as np

    grey = np.clip(255.0 * (_GREY + shares), 0.0, 255.0).astype(np.uint8)
    rows, columns = grey.shape
    data = np.ascontiguousarray(grey)
    image = QImage(data.data, columns, rows, columns, QImage.Format.Format_Grayscale8).copy()
    return QPixmap.fromImage(
        image.scaled(
            size,
            Qt.AspectRatioMode.IgnoreAspectRatio,
            Qt.TransformationMode.SmoothTransformation,
        )
    )

"""The card that the class reads: question, choices with hands, numbers, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QRectF, QSize, Qt, Signal
from PySide6.QtGui import QFontMetricsF, QPainter, QPen
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QSizePolicy, QVBoxLayout, QWidget

from sim.lessons import ratio, right_choice

if TYPE_CHECKING:
    from PySide6.QtGui import QMouseEvent

    from app.look import Look
    from app.workshop.course import Course
    from sim.lessons import Card, Number

#: What is said on every card with a task at the bench.
BENCH_CAUTION = (
    "Props off. VTX on its antenna or a dummy load.\n\n"
    "Unplug before soldering. Discharge through a resistor, never a screwdriver; "
    "measure under 1 V.\n\n"
    "Stripe is minus: a reversed capacitor bursts. Eye protection.\n\n"
    "Scope ground to pack minus only; laptop on battery.\n\n"
    "LiPo attended, in a fire-safe place. Maker's data and local rules come first."
)
_MARGIN = 22
#: Room for the dots of hands at the right end of a choice: five in a row.
_DOT, _DOTS_WIDE = 14, 5
_SPACE = {
    "guess": "space: reveal", "measure": "space: all",
}  # fmt: skip


class LessonPanel(QFrame):
    """Draws the present card of a course.

    Signals
    -------
    counted : (choice or measurement, hands more) by a click; right button takes one back
    """

    counted = Signal(int, int)

    def __init__(self, look: Look, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._look = look
        self.setAccessibleName("Card")
        self.head = _label()
        self.title = _label()
        self.text = _label()
        self.rows: list[_Row] = []
        self._rows = QVBoxLayout()
        self._rows.setSpacing(8)
        self.numbers = QVBoxLayout()
        self.numbers.setSpacing(2)
        self.number_labels: list[QLabel] = []
        self.foot_left, self.foot_right = _label(), _label()
        self.foot_right.setAlignment(Qt.AlignmentFlag.AlignRight)
        self.why = _label()
        foot = QHBoxLayout()
        foot.addWidget(self.foot_left)
        foot.addWidget(self.foot_right)
        column = QVBoxLayout(self)
        column.setContentsMargins(_MARGIN, 16, _MARGIN, 14)
        column.setSpacing(8)
        for widget in (self.head, self.title, self.text):
            column.addWidget(widget)
        column.addLayout(self._rows)
        column.addLayout(self.numbers)
        column.addStretch(1)
        column.addLayout(foot)
        column.addWidget(self.why)

    def show_card(self, course: Course, numbers: dict[str, Number], why: str) -> None:
        """Draw the course's present card with the figures there are."""
        card = course.card
        count = len(course.lesson.cards)
        place = f"{course.at + 1} of {count}"
        whole = f"{course.lesson.title}, {place}"
        room = self.width() - 2 * _MARGIN
        metrics = QFontMetricsF(self._look.font("small"))
        # one line: what is new on this card needs the room
        self.head.setText(whole if metrics.horizontalAdvance(whole) <= room else place)
        self.title.setText(card.title)
        self.text.setText(card.text)
        # once the answer stands there, the question's title is enough
        self.text.setVisible(bool(card.text) and not (card.kind == "guess" and course.shown))
        self._show_rows(course, numbers)
        self._show_numbers(course, numbers)
        self._show_foot(course, numbers, why)
        self.setAccessibleDescription(self.in_words())
        self._dress()

    def in_words(self) -> str:
        """All that stands on the card, for a screen reader and for tests."""
        labels = [self.head, self.title, self.text, *self.number_labels, self.why,
                  self.foot_left, self.foot_right]  # fmt: skip
        words = [label.text() for label in labels if label.text()]
        return "\n".join(words[:3] + [row.in_words() for row in self.rows] + words[3:])

    # What stands where

    def _show_rows(self, course: Course, numbers: dict[str, Number]) -> None:
        card = course.card
        texts = [c.text for c in card.choices] if card.kind == "guess" else []
        if card.kind == "measure":
            texts = [m.text for m in card.measurements]
        while len(self.rows) > len(texts):
            row = self.rows.pop()
            self._rows.removeWidget(row)
            row.hide()
            row.deleteLater()
        while len(self.rows) < len(texts):
            row = _Row(len(self.rows), self._look)
            row.counted.connect(self.counted)
            self._rows.addWidget(row)
            self.rows.append(row)
        right = right_choice(card, numbers) if course.shown and _known(card, numbers) else None
        hands = course.hands_of(course.at)
        for k, (row, text) in enumerate(zip(self.rows, texts, strict=True)):
            if card.kind == "guess":
                row.show_row(text, hands[k], right=k == right, faded=right not in (None, k))
                continue
            row.show_row(text, None, right=k in course.taken(), faded=False)

    def _show_numbers(self, course: Course, numbers: dict[str, Number]) -> None:
        names = course.card.figures if course.shown else ()
        lines = []
        if course.card.kind == "guess" and course.shown and _known(course.card, numbers):
            guess = course.card.guess
            assert guess is not None
            value = ratio(numbers, guess)
            words = _times(value) if guess.over else numbers[guess.figure].text
            lines.append(f"engine: {words}")
        for name in names:
            there = numbers.get(name)
            words = course.lesson.figure(name).words
            lines.append(f"{there.text}  {words}" if there else f"…  {words}")
        while self.number_labels:
            label = self.number_labels.pop()
            self.numbers.removeWidget(label)
            # until it is deleted it would still be painted where it stood
            label.hide()
            label.deleteLater()
        for line in lines[:3]:
            label = _label()
            label.setText(line)
            self.numbers.addWidget(label)
            self.number_labels.append(label)

    def _show_foot(self, course: Course, numbers: dict[str, Number], why: str) -> None:
        card = course.card
        left, right = "", _SPACE.get(card.kind, "")
        if course.shown:
            right = "" if course.next_card is None else "→ next"
        if card.kind == "guess":
            hands = sum(course.hands_of(course.at))
            left = f"{hands} hand{'' if hands == 1 else 's'}"
        elif card.kind == "measure" and not course.shown:
            left = f"{card.allowed - len(course.taken())} left"
        elif card.kind == "sum_up":
            good, total = course.tally(numbers)
            left = f"{good} of {total} hands were right" if total else ""
        self.foot_left.setText(left)
        self.foot_right.setText(right)
        self.why.setText(why)
        self.why.setVisible(bool(why))

    def _dress(self) -> None:
        look, p = self._look, self._look.palette
        self.setStyleSheet(
            f"LessonPanel {{ background: {p.card.name()}; border: 1px solid {p.faint.name()};"
            " border-radius: 10px; }"
        )
        for label, role, colour in (
            (self.head, "small", p.muted), (self.title, "title", p.ink), (self.text, "text", p.ink),
            (self.foot_left, "text", p.muted), (self.foot_right, "text", p.muted),
            (self.why, "small", p.ink),
        ):  # fmt: skip
            label.setFont(look.font(role))  # type: ignore[arg-type]
            label.setStyleSheet(f"color: {colour.name()}")
        for label in self.number_labels:
            label.setFont(look.font("answer"))
            label.setStyleSheet(f"color: {p.ink.name()}")
        for row in self.rows:
            row.update()


class _Row(QWidget):
    """A choice with its number and a dot for each hand; or a measurement."""

    counted = Signal(int, int)

    def __init__(self, index: int, look: Look) -> None:
        super().__init__()
        self._index = index
        self._look = look
        self._text = ""
        self._hands = 0
        self._counts = True
        self._right = self._faded = False
        policy = QSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Minimum)
        policy.setHeightForWidth(True)
        self.setSizePolicy(policy)
        self.setCursor(Qt.CursorShape.PointingHandCursor)

    def show_row(self, text: str, hands: int | None, *, right: bool, faded: bool) -> None:
        """`hands` None: there are none to count."""
        self._text, self._hands = text, hands or 0
        self._counts = hands is not None
        self._right, self._faded = right, faded
        self.setAccessibleName(self.in_words())
        self.setMinimumHeight(self._height(self.width()))
        self.updateGeometry()
        self.update()

    def resizeEvent(self, event: object) -> None:
        # a layout that is short of room must not cut a line off
        self.setMinimumHeight(self._height(self.width()))

    def in_words(self) -> str:
        """Number, text, hands."""
        words = f"{self._index + 1} {self._text}"
        if self._hands:
            words += f", {self._hands} hands"
        if self._right:
            words += ", marked"
        return words

    def heightForWidth(self, width: int) -> int:
        return self._height(width)

    def hasHeightForWidth(self) -> bool:
        return True

    def sizeHint(self) -> QSize:
        width = max(self.width(), 300)
        return QSize(width, self._height(width))

    def minimumSizeHint(self) -> QSize:
        return QSize(200, self._height(max(self.width(), 300)))

    def _box(self, width: int) -> QRectF:
        """Where the text stands."""
        metrics = QFontMetricsF(self._look.font("name"))
        left = 16 + metrics.horizontalAdvance("4 ") + 6
        dots = _DOT * _DOTS_WIDE + 6 if self._counts else 0
        room = max(width - left - 14 - dots, 40.0)
        flags = int(Qt.TextFlag.TextWordWrap)
        text = metrics.boundingRect(QRectF(0, 0, room, 1000), flags, self._text)
        return QRectF(left, 8, room, text.height())

    def _height(self, width: int) -> int:
        return round(18 + self._box(width).height())

    def paintEvent(self, event: object) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        p = self._look.palette
        if self._faded:
            painter.setOpacity(0.45)
        box = QRectF(self.rect()).adjusted(1, 1, -1, -1)
        painter.setPen(QPen(p.within if self._right else p.faint, 3 if self._right else 1))
        painter.setBrush(p.band)
        painter.drawRoundedRect(box, 7, 7)
        text = self._box(self.width())
        painter.setFont(self._look.font("name"))
        painter.setPen(p.muted)
        painter.drawText(
            QRectF(14, text.top(), text.left() - 14, text.height()),
            Qt.AlignmentFlag.AlignTop, str(self._index + 1),
        )  # fmt: skip
        painter.setPen(p.ink)
        painter.drawText(text, Qt.TextFlag.TextWordWrap, self._text)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(p.ink)
        # hands as dots at the right end, in rows of five
        for k in range(self._hands):
            x = box.right() - 20 - _DOT * (k % _DOTS_WIDE)
            painter.drawEllipse(QRectF(x, box.top() + 8 + 13 * (k // _DOTS_WIDE), 10, 10))

    def mousePressEvent(self, event: QMouseEvent) -> None:
        back = event.button() == Qt.MouseButton.RightButton
        self.counted.emit(self._index, -1 if back else 1)


def _known(card: Card, numbers: dict[str, Number]) -> bool:
    """Whether the figures of a guess are there."""
    if card.guess is None:
        return False
    wanted = [card.guess.figure, card.guess.over]
    return all(name is None or name in numbers for name in wanted)


def _times(value: float) -> str:
    """How many times, as people say it."""
    if value < 0.1:
        return f"{100.0 * value:.2g} %"
    if 0.9 <= value <= 1.1:
        return f"{value:.3g} times"
    return f"{value:.2g} times"


def _label() -> QLabel:
    return QLabel(wordWrap=True, textFormat=Qt.TextFormat.PlainText)

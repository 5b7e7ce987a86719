"""Option cards in a small window: nothing that decides is cut off."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from msgspec.structs import replace
from PySide6.QtCore import QPoint, Qt
from PySide6.QtGui import QFontMetrics

from app.look import SHAPES, Look
from app.panels.card_words import folded
from app.panels.option_card import MARGIN
from app.panels.option_cards import OptionCards
from app.solver.protocol import CardRow, CellRow, FindingsRow
from app.words import of_limit
from app.workbench import Workbench
from sim import option_list
from sim.build import Option, load

if TYPE_CHECKING:
    from pytestqt.qtbot import QtBot

NAMES = (
    "No capacitor",
    "One on the pads",
    "One at each ESC",
    "LC stage only",
    "At each ESC and LC stage",
    "At each ESC, camera grounded at one",
    "On the pads, VTX straight to the pack",
)


def _worst(option: str) -> CellRow:
    return CellRow(
        option=option,
        event="Plug in",
        place="vtx",
        label="VTX",
        part="vtx",
        rating="lowest supply",
        reads="slow lowest",
        value=10.4,
        typical=10.4,
        limit=10.5,
        unit="V",
        used=1.01,
        verdict="over",
    )


def _shown(qtbot: QtBot, names: tuple[str, ...], width: int) -> OptionCards:
    build = replace(load("park_4s_freestyle"), options=tuple(Option(name=n) for n in names))
    bench = Workbench(build)
    rows = tuple(CardRow(name, "over", _worst(name)) for name in names)
    bench.findings = FindingsRow(0, (), rows, 1, "", "edges")
    cards = OptionCards(bench, Look())
    bench.setParent(cards)
    qtbot.addWidget(cards)
    cards.resize(width, cards.height())
    with qtbot.waitExposed(cards):
        cards.show()
    qtbot.waitUntil(lambda: cards.width() == width)
    return cards


@pytest.mark.parametrize("count", [6, 7])
def test_names_and_figures_are_whole_in_a_window_of_1280_pixels(qtbot: QtBot, count: int) -> None:
    cards = _shown(qtbot, NAMES[-count:], 1280)
    assert cards.horizontalScrollBar().maximum() == 0
    shape = QFontMetrics(Look().font("small")).horizontalAdvance(SHAPES["over"])
    for card, name in zip(cards.cards, NAMES[-count:], strict=True):
        assert " ".join(card.name_lines()) == name
        text, font, beside = card.figure()
        assert text == of_limit(_worst(name))
        assert font.pointSizeF() >= Look().font("small").pointSizeF()
        taken = QFontMetrics(font).horizontalAdvance(text) + (shape if beside else 0)
        assert taken <= card.width() - 2 * MARGIN


def test_names_of_one_line_leave_the_row_low(qtbot: QtBot) -> None:
    small, large = _shown(qtbot, NAMES, 1280), _shown(qtbot, NAMES, 3000)
    assert all(len(card.name_lines()) == 1 for card in large.cards)
    assert large.height() < small.height()


def test_a_click_on_a_name_of_many_lines_is_not_one_on_the_figure(qtbot: QtBot) -> None:
    card = _shown(qtbot, NAMES, 1280).cards[-1]
    assert len(card.name_lines()) == 3
    went = []
    card.figure_clicked.connect(lambda: went.append(True))
    right = card.width() - 20
    qtbot.mouseClick(card, Qt.MouseButton.LeftButton, pos=QPoint(right, card.height() // 2 - 6))
    assert not went
    qtbot.mouseClick(card, Qt.MouseButton.LeftButton, pos=QPoint(right, card.height() - 32))
    assert went


def test_best_goes_with_its_option_to_another_place(qtbot: QtBot) -> None:
    cards = _shown(qtbot, NAMES[:4], 1280)
    bench = cards._workbench
    assert "best so far" in cards.cards[1].accessibleName()
    bench.do("Move an option", option_list.move(bench.build, 1, 3))
    cards.refresh()
    assert [("best so far" in card.accessibleName()) for card in cards.cards] == [False] * 3 + [
        True
    ]
    assert bench.best == 3


def test_folding_elides_only_what_is_left_over(qtbot: QtBot) -> None:
    metrics = QFontMetrics(Look().font("name"))
    width = metrics.horizontalAdvance("straight to the")
    assert folded("straight to the pack", metrics, width, 2) == ["straight to the", "pack"]
    assert folded("", metrics, width, 2) == [""]
    lines = folded("straight to the pack " * 9, metrics, width, 2)
    assert len(lines) == 2
    assert lines[0] == "straight to the"
    assert lines[1].startswith("pack")
    assert lines[1].endswith("…")
    assert all(metrics.horizontalAdvance(line) <= width for line in lines)

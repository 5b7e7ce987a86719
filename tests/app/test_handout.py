"""Handouts: one page on either paper, with room to write, the cautions, and no answer."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

import pytest
from msgspec.structs import replace
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFileDialog, QMenu

from app import cli
from app.report import handout, writers
from app.report.content import CAUTIONS
from app.report.sheet import A4_MM, LETTER_MM, Area, Line, Sheet, Words, text_mm
from app.workshop import handouts
from app.workshop.lesson_window import LessonWindow
from sim import lessons
from sim.errors import BadField
from tests.app.driver import WAIT_MS, Driver, with_capacitor
from tests.app.test_lessons import SMALL

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pytestqt.qtbot import QtBot

    from sim.build import Build

IDS = [row.id for row in lessons.lessons()]
PAPERS = pytest.mark.parametrize("size", [A4_MM, LETTER_MM])


@pytest.fixture(scope="module")
def small() -> lessons.Lesson:
    """Without its hunt, so that its page has a guess and figures; with a rule."""
    cards = [card for card in SMALL["cards"] if card["kind"] != "measure"]
    tree = {**SMALL, "cards": cards, "rule": "Put it where the lead ends."}
    return lessons.loads(json.dumps(tree).encode())


@pytest.fixture(scope="module")
def numbers(small: lessons.Lesson) -> dict[str, lessons.Number]:
    return lessons.compute(small)


def page(lesson: lessons.Lesson, size: tuple[float, float] = A4_MM, known: Any = None) -> Sheet:
    (sheet,) = handout.handout(lesson, size, known)
    return sheet


def words(sheet: Sheet) -> list[Words]:
    return [s for s in sheet.shapes if isinstance(s, Words)]


def upright(sheet: Sheet) -> str:
    return " ".join(w.text for w in words(sheet) if not w.turned)


def box(w: Words) -> tuple[float, float, float, float]:
    """What a line of text covers: left, top, right, bottom."""
    wide, high = text_mm(w.text, w.size, w.bold), 0.25 * w.size
    x = w.at[0] - {"start": 0.0, "middle": 0.5, "end": 1.0}[w.anchor] * wide
    if w.turned:
        return w.at[0] - wide, w.at[1], w.at[0], w.at[1] + high
    return x, w.at[1] - high, x + wide, w.at[1]


@PAPERS
@pytest.mark.parametrize("id_", IDS)
def test_nothing_is_cut_or_runs_into_another_line(id_: str, size: tuple[float, float]) -> None:
    lesson = lessons.load(id_)
    sheet, source = page(lesson, size), lessons.dumps(lesson).decode()
    for w in words(sheet):
        left, top, right, bottom = box(w)
        assert 7.0 < left < right < size[0] - 7.0, w.text
        assert 8.0 < top < bottom < size[1] - 8.0, w.text
        # a sign that the font lacks is printed as "?"
        assert all(word in source for word in w.text.split() if "?" in word), w.text
    # (labels on the drawing keep clear by their own rule)
    lines = [w for w in words(sheet) if w.size >= 7.5]
    for i, a in enumerate(lines):
        for b in lines[i + 1 :]:
            ax, ay, bx, by = box(a)
            cx, cy, dx, dy = box(b)
            apart = bx <= cx or dx <= ax or by <= cy + 0.05 or dy <= ay + 0.05
            assert apart, (a.text, b.text)
    for shape in sheet.shapes:
        if isinstance(shape, Line | Area):
            assert all(5.0 < x < size[0] - 5.0 and 5.0 < y < size[1] - 5.0 for x, y in shape.points)


@pytest.mark.parametrize("id_", IDS)
def test_what_the_class_needs_is_on_it_and_no_answer(id_: str) -> None:
    lesson = lessons.load(id_)
    sheet = page(lesson)
    text = upright(sheet)
    for caution in CAUTIONS:
        assert caution in text
        text = text.replace(caution, "")  # a presenter's note may say the same
    # of several faults the first is printed, the others are on the screen
    hunt = next((card for card in lesson.cards if card.kind == "measure"), None)
    for card in lesson.cards:
        if card.kind == "guess":
            assert card.title in text
            for choice in card.choices:
                assert choice.text in text
        if card.kind in ("reveal", "sum_up"):
            assert card.title not in text
            assert not card.text or card.text not in text
        assert not card.notes or card.notes not in text
        for one in card.measurements:
            assert one.text in text or card is not hunt
            assert one.says not in text
    assert lesson.story not in text
    assert lesson.rule
    assert lesson.rule not in text
    assert lesson.rule in " ".join(w.text for w in words(sheet) if w.turned)


def test_a_hidden_fault_is_not_drawn_nor_told() -> None:
    lesson = lessons.load("6_detective")
    sound = lesson.figure("g_cam_ok").screen
    assert handout.pictured(lesson) == sound
    text = upright(page(lesson))
    for card in lesson.cards:
        if card.kind == "bench":
            assert card.text not in text


def test_three_rows_to_write_on_and_no_number(
    small: lessons.Lesson, numbers: dict[str, lessons.Number]
) -> None:
    plain, copy = page(small), page(small, A4_MM, numbers)
    assert [figure.name for figure in handout.rows_of(small)] == ["bare", "near"]
    boxes = [s for s in plain.shapes if isinstance(s, Area) and s.fill == "#FFFFFF" and s.edge]
    cells = [s for s in boxes if s.points[1][0] - s.points[0][0] > 40.0]
    assert len(cells) == 4, "what the engine says and what was measured, for both"
    for number in numbers.values():
        assert number.text not in upright(plain)
        assert number.text in upright(copy)
    assert "Instructor's copy" in upright(copy)
    assert small.rule in upright(copy)
    # the tick is the only bent line of its width
    assert not _ticks(plain)
    (tick,) = _ticks(copy)
    right = next(w for w in words(copy) if w.text == "far less")
    assert abs(tick.points[0][1] - right.at[1]) < 3.0
    assert 0.0 < right.at[0] - tick.points[0][0] < 8.0


def _ticks(sheet: Sheet) -> list[Line]:
    return [s for s in sheet.shapes
            if isinstance(s, Line) and s.width == 0.6 and len(s.points) == 3]  # fmt: skip


def test_many_questions_make_the_drawing_smaller_then_are_left_to_the_screen(
    small: lessons.Lesson,
) -> None:
    guess = next(card for card in small.cards if card.kind == "guess")
    four = replace(guess, choices=(guess.choices * 2), text="Why? " * 20)
    for count, drawn in ((2, 2), (5, 5), (12, 5)):
        sheet = page(replace(small, cards=(four,) * count), LETTER_MM)
        assert upright(sheet).count("My guess:") == drawn
        assert ("and 7 more questions on the screen" in upright(sheet)) == (count == 12)
        assert all(box(w)[3] < LETTER_MM[1] - 8.0 for w in words(sheet))


def test_a_task_that_fills_the_page_is_refused(small: lessons.Lesson) -> None:
    long = lessons.Card(kind="bench", title="Much to do", text="Measure it. " * 600)
    with pytest.raises(BadField, match="one page"):
        page(replace(small, cards=(*small.cards, long)))


def test_turned_text_is_turned_about_its_place() -> None:
    sheet = Sheet("turned")
    sheet.words(100.0, 50.0, "upside down", turned=True)
    assert 'transform="rotate(180 100.000 50.000)"' in writers.svg(sheet)


def test_the_verb_writes_one_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "h.pdf"
    line = ["handout", "2_five_millimetres", "--out", str(out), "--paper", "letter", "--json", "-"]
    assert cli.main(line) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["lesson"] == "Five millimetres"
    assert document["figures"] == []
    data = out.read_bytes()
    assert len(re.findall(rb"/Type /Page\b(?!s)", data)) == 1
    wide, high = (float(v) for v in re.findall(rb"MediaBox \[ 0 0 ([\d.]+) ([\d.]+)", data)[0])
    assert (wide, high) == pytest.approx((612.0, 792.0), abs=0.1), "letter in points"


def test_the_verb_works_out_the_instructors_copy(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    small: lessons.Lesson,
    numbers: dict[str, lessons.Number],
) -> None:
    own = tmp_path / "own.json"
    own.write_bytes(lessons.dumps(small))
    line = ["handout", str(own), "--out", str(tmp_path / "h.pdf"), "--answers", "--json", "-"]
    assert cli.main(line) == 0
    figures = json.loads(capsys.readouterr().out)["figures"]
    assert {f["name"]: f["value"] for f in figures} == {n.name: n.value for n in numbers.values()}


@pytest.mark.parametrize(
    ("more", "named"),
    [
        (("2_five_millimetres",), "--out"),
        (("2_five_millimetres", "--out", "h.html"), "no .pdf"),
        (("nowhere", "--out", "{}/h.pdf"), "is no lesson"),
        (("{}/none.json", "--out", "{}/h.pdf"), "cannot be read"),
        (("2_five_millimetres", "--out", "{}/none/h.pdf"), "cannot be written"),
        (("2_five_millimetres", "--out", "{}/h.pdf", "--paper", "a3"), "--paper"),
    ],
)
def test_what_cannot_be_written_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: tuple[str, ...], named: str
) -> None:
    code = cli.main(["handout", *(w.format(tmp_path) for w in more)])
    out, err = capsys.readouterr()
    assert (code, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert named in err


def test_the_player_saves_both_copies(
    small: lessons.Lesson, qtbot: QtBot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    player = LessonWindow(small)
    player.show()
    qtbot.waitUntil(lambda: not player.sums.running, timeout=WAIT_MS)
    saved = iter((tmp_path / "class", tmp_path / "answers.pdf"))
    letter = next(f for f, paper in handouts.FILTERS.items() if paper == "letter")
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(next(saved)), letter))
    qtbot.keyClick(player, Qt.Key.Key_H)
    (menu,) = [m for m in player.findChildren(QMenu) if m.isVisible()]
    first, second = menu.actions()
    first.trigger()
    second.trigger()
    menu.close()
    assert (tmp_path / "class.pdf").read_bytes() == handout.pdf(small, "letter")
    copy = handout.pdf(small, "letter", player.sums.numbers)
    assert (tmp_path / "answers.pdf").read_bytes() == copy
    assert "Saved as answers.pdf." in player.panel.in_words()
    player.close()
    player.deleteLater()


def test_the_list_of_lessons_saves_one_too(
    opened: Callable[[Build], Driver], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    window = opened(with_capacitor()).window
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(tmp_path / "h.pdf"), ""))
    window.lessons.save_handout(IDS[1])
    assert (tmp_path / "h.pdf").read_bytes() == handout.pdf(lessons.load(IDS[1]), "a4")
    broken = tmp_path / "broken.json"
    broken.write_text(json.dumps({**SMALL, "spare": 1}))
    window.lessons.save_handout(broken)
    assert "broken.json: " in window.strip.text
    assert "spare" in window.strip.text

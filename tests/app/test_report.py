"""Report and card: what is printed is what is drawn, nothing is cut, and a millimetre is one."""

from __future__ import annotations

import base64
import contextlib
import json
import re
import subprocess
import sys
import zlib
from typing import TYPE_CHECKING, Any

import pytest

from app import cli
from app.report import card, pages, writers
from app.report.content import CAUTION, Content, against, figure, gather, typically
from app.report.sheet import (
    A4_MM,
    MM_PER_POINT,
    Area,
    Line,
    Sheet,
    Words,
    printable,
    text_mm,
    wrapped,
)
from sim.build import loads
from sim.findings import Cell

if TYPE_CHECKING:
    from pathlib import Path

#: A pack plugged into ceramics and a can on legs, 20 mm from the pads; our own invention.
BENCH: dict[str, Any] = {
    "name": "Bench for reports, with a name that goes on for longer than a line has room for it",
    "story": "Does the big can on the pads keep the spike of a plug-in down?",
    "parts": [
        {
            "id": "pack",
            "kind": "battery",
            "at": [0, 70],
            "deck": "top",
            "label": "Pack 6S",
            "values": {
                "cells": 6,
                "resistance": {"value": "20 mOhm", "mark": "assumed", "source": "our guess"},
                "inductance": {"value": "200 nH", "mark": "sourced", "source": "trade guides"},
            },
        },
        {"id": "pads", "kind": "joint", "at": [0, 0], "label": "Pads"},
        {
            "id": "cer",
            "kind": "ceramic",
            "at": [8, 4],
            "label": "Ceramics",
            "values": {"capacitance": "22 uF", "esr": "3 mOhm", "rated_voltage": "50 V"},
        },
        {
            "id": "bulk",
            "kind": "electrolytic",
            "at": [-14, 12],
            "label": "Main capacitor",
            "values": {
                "capacitance": "470 uF",
                "esr": "25 mOhm",
                "leg_length": "12 mm",
                "rated_voltage": "35 V",
            },
        },
    ],
    "leads": [
        {"id": "main", "from": "pack.out", "to": "pads", "gauge": "12 AWG", "length": "90 mm"},
        {"id": "a", "from": "cer", "to": "pads"},
        {"id": "b", "from": "bulk", "to": "pads"},
    ],
    "options": [
        {"name": "Ceramics alone", "changes": [{"remove": "bulk"}]},
        {"name": "With the can", "changes": []},
    ],
    "events": [{"name": "Plug in", "kind": "plug_in", "duration": "30 us"}],
}


@pytest.fixture(scope="module")
def content() -> Content:
    return gather(loads(json.dumps(BENCH).encode()))


@pytest.fixture(scope="module")
def sheets(content: Content) -> list[Sheet]:
    return pages.report(content, "1 May 2031", "1.2.3")


def words(sheet: Sheet) -> list[Words]:
    return [s for s in sheet.shapes if isinstance(s, Words)]


def test_the_figure_printed_is_the_extreme_of_what_is_drawn(
    content: Content, sheets: list[Sheet]
) -> None:
    shown, rival = content.shown, content.rival
    assert shown is not None
    assert rival is not None
    assert content.card.option == "With the can"
    # the numbers behind both are one: sheet, curve and JSON
    for cell, trace in zip((shown, rival), content.traces, strict=True):
        assert float(trace.high.max()) == pytest.approx(cell.value, rel=1e-9)
    text = " ".join(w.text for w in words(sheets[0]))
    for cell in (shown, rival):
        assert f"{cell.option}: highest {figure(cell.value, 'V')}" in text
    # and the ink: volts per millimetre by the labels of the axis, then the top of each area
    ticks = [
        (w.at[1] - 0.9, float(w.text.removesuffix(" V")))
        for w in words(sheets[0])
        if re.fullmatch(r"[\d.]+ V", w.text) and w.anchor == "end"
    ]
    (y0, v0), (y1, v1) = ticks[0], ticks[-1]
    areas = [s for s in sheets[0].shapes if isinstance(s, Area) and len(s.points) > 1000]
    tops = [v0 + (min(p[1] for p in a.points) - y0) * (v1 - v0) / (y1 - y0) for a in areas]
    assert tops == pytest.approx([rival.value, shown.value], rel=1e-6), "the rival lies behind"


def test_nothing_is_cut_or_off_the_page(sheets: list[Sheet], content: Content) -> None:
    for sheet in (*sheets, *card.card(content.drawn, content.card.option)):
        for w in words(sheet):
            wide = text_mm(w.text, w.size, w.bold)
            start = w.at[0] - {"start": 0.0, "middle": 0.5, "end": 1.0}[w.anchor] * wide
            assert start > 5.0, w.text
            assert start + wide < A4_MM[0] - 5.0, w.text
            assert 8.0 < w.at[1] < A4_MM[1] - 8.0, w.text
            assert "?" not in w.text.replace(content.build.story, ""), w.text


def test_lines_of_text_do_not_run_into_one_another(sheets: list[Sheet]) -> None:
    for sheet in sheets:
        # (labels on the drawing keep clear by their own rule)
        lines = [w for w in words(sheet) if w.size >= 7.5 and w.anchor == "start"]
        for i, a in enumerate(lines):
            for b in lines[i + 1 :]:
                if abs(a.at[1] - b.at[1]) < 1.8 and a.at != b.at:
                    first, second = sorted((a, b), key=lambda w: w.at[0])
                    end = first.at[0] + text_mm(first.text, first.size, first.bold)
                    assert end < second.at[0] + 0.01, (first.text, second.text)


def test_the_pages_say_what_they_must(sheets: list[Sheet], content: Content) -> None:
    first, second = (" ".join(w.text for w in words(sheet)) for sheet in sheets)
    assert content.build.story in first
    assert printable(content.findings.sentence) in first.replace("  ", " ")
    for sheet in (first, second):
        assert CAUTION in sheet
        assert "model version" in sheet
    assert "out of the pack" in second
    for said in ("Not covered", "MOSFET avalanche", "Props off".lower(), "legs 12 mm", "our guess",
                 "sourced: trade guides", "drawn 1:", "Stripe is minus".lower()):  # fmt: skip
        assert said in second or said in second.lower()


def test_the_strip_measures_true(content: Content) -> None:
    (sheet,) = card.card(content.drawn, content.card.option)
    legs = [s for s in sheet.shapes if isinstance(s, Line) and s.width == 0.6]
    lengths = [abs(s.points[1][0] - s.points[0][0]) for s in legs]
    assert lengths == pytest.approx([12.0, 12.0])
    ruler = [s for s in sheet.shapes if isinstance(s, Line) and s.width == 0.15]
    xs = sorted(s.points[0][0] for s in ruler)
    assert xs[-1] - xs[0] == pytest.approx(100.0)
    # SVG: a unit is a millimetre; PDF: 72 points are an inch of 25.4 mm
    drawing = writers.svg(sheet)
    assert 'width="210mm" height="297mm" viewBox="0 0 210 297"' in drawing
    data = writers.pdf("x", [sheet])
    box = re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", data)
    assert box is not None
    assert [float(v) * 25.4 / 72.0 for v in box.groups()] == pytest.approx([210.0, 297.0], abs=0.01)
    stream = _streams(data)[0]
    leg = next(s for s in legs if s.colour != "#20242B")
    (x0, y0), (x1, _) = leg.points
    want = (x0 / MM_PER_POINT, (297.0 - y0) / MM_PER_POINT, x1 / MM_PER_POINT)
    drawn = [
        tuple(float(v) for v in m.groups())
        for m in re.finditer(rb"n ([\d.]+) ([\d.]+) m ([\d.]+) ([\d.]+) l\s+S", stream)
    ]
    assert any(d[0] == pytest.approx(want[0], abs=0.01) and d[1] == pytest.approx(want[1], abs=0.01)
               and d[2] == pytest.approx(want[2], abs=0.01) for d in drawn)  # fmt: skip


def _streams(data: bytes) -> list[bytes]:
    """What is drawn on each page."""
    found = []
    for match in re.finditer(rb"stream\r?\n(.*?)endstream", data, re.DOTALL):
        packed = match[1].strip()
        if packed.endswith(b"~>"):
            with contextlib.suppress(ValueError, zlib.error):
                found.append(zlib.decompress(base64.a85decode(packed.removesuffix(b"~>"))))
    return found


def test_the_card_names_place_side_and_parts(content: Content) -> None:
    (sheet,) = card.card(content.drawn, content.card.option)
    text = " ".join(w.text for w in words(sheet))
    for said in ("Main capacitor: 470 µF 35 V", "12 mm from the can", "Stripe is minus",
                 "Place: Pads", "1 x electrolytic capacitor", "Eye protection"):  # fmt: skip
        assert said in text
    (bare,) = card.card(content.build, "x")[:1]
    assert bare.title


def test_the_verb_writes_pdf_and_html(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    build, pdf, html = tmp_path / "b.json", tmp_path / "r.pdf", tmp_path / "c.HTML"
    build.write_text(json.dumps(BENCH))
    words = ["report", str(build), "--out", str(pdf), "--card", str(html), "--json", "-"]
    assert cli.main(words) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["option"] == "With the can"
    data = pdf.read_bytes()
    assert data.startswith(b"%PDF")
    assert len(re.findall(rb"/Type /Page\b(?!s)", data)) == 2
    text = html.read_text(encoding="utf-8")
    assert text.count("<svg") == text.count("</svg>") == 1
    # the compare verb and the report tell the same
    assert cli.main(["compare", str(build), "--json", "-"]) == 0
    compared = json.loads(capsys.readouterr().out)
    worst = next(o["worst"] for o in compared["options"] if o["name"] == "With the can")
    assert worst["value"] == document["worst"]["value"]


@pytest.mark.parametrize(
    ("more", "named"),
    [
        ((), "--out"),
        (("--out", "r.doc"), "r.doc"),
        (("--out", "{}/none/r.pdf"), "r.pdf: cannot be written"),
        (("--out", "{}/r.pdf", "--option", "9"), "option"),
        (("--out", "{}/r.pdf", "--card", "{}/r.pdf"), "same place"),
    ],
)
def test_what_cannot_be_written_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: tuple[str, ...], named: str
) -> None:
    build = tmp_path / "b.json"
    build.write_text(json.dumps(BENCH))
    code = cli.main(["report", str(build), *(w.format(tmp_path) for w in more)])
    out, err = capsys.readouterr()
    assert (code, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert named in err


def test_long_words_are_broken() -> None:
    rows = wrapped("a" * 200 + " b", 50.0, 9.0)
    assert all(text_mm(row, 9.0) <= 50.0 for row in rows)
    assert "".join(rows).replace(" ", "") == "a" * 200 + "b"


def test_neither_report_nor_fit_loads_qt(tmp_path: Path) -> None:
    build, out = tmp_path / "b.json", tmp_path / "r.html"
    build.write_text(json.dumps(BENCH))
    look = (
        "import sys; from app import cli; code = cli.main(sys.argv[1:]); import sim.fit; "
        "print(code, any(m.startswith(('PySide6', 'shiboken6')) for m in sys.modules))"
    )
    words = [sys.executable, "-c", look, "report", str(build), "--out", str(out)]
    done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=120)
    assert done.stdout.splitlines()[-1] == "0 False"
    assert out.read_text(encoding="utf-8").count("<svg") == 2


def test_a_swing_is_told_as_growth_in_every_column() -> None:
    """The typical one stood there as a bare "8.04"."""
    same = (2.303, 2.303, 1.0, 2.303, "", "over")
    cell = Cell("a", "Punch", "stage", "LC stage in", "stability", "growth", "stage.in", *same)
    assert (against(cell), typically(cell)) == ("grows 10-fold", "grows 10-fold")
    volts = (31.0, 28.1, 30.0, 1.03, "V", "over")
    cell = Cell("a", "Chop", "esc1", "ESC 1", "MOSFET limit", "peak", "esc1.in", *volts)
    assert (against(cell), typically(cell)) == ("31 V of 30 V", "28.1 V")

"""Help pages and warm cans on the command line."""

from __future__ import annotations

import json

import pytest

from app.cli import main


def test_a_help_page_in_words_and_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--about", "lead"]) == 0
    text = capsys.readouterr().out
    for head in ("What it models", "Equations", "Sources", "What it leaves out", "Values"):
        assert f"\n{head}\n" in text
    assert "Rosa" in text
    assert max(len(line) for line in text.splitlines()) <= 110
    assert main(["check", "--about", "polymer", "--json", "-"]) == 0
    page = json.loads(capsys.readouterr().out)
    assert page["kind"] == "polymer"
    assert page["left_out"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["check", "--about", "condenser"], "condenser"),
        (["check", "--about", "esc", "board_6s_digital"], "takes no BUILD"),
        (["heat", "board_6s_digital", "--profile", "half"], "'half' is no duty"),
        (["heat", "board_6s_digital", "--profile", "0.5:50 %"], "100 %"),
        (["heat", "board_6s_digital", "--air", "warm"], "--air"),
    ],
)
def test_one_line_where_it_cannot_be_done(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert said in shown.err
    assert shown.err.count("\n") == 1


def test_how_warm_a_can_gets(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["heat", "board_6s_digital", "--option", "2", "--profile", "0.5:100 %"]
    assert main([*words, "--json", "-"]) == 0
    (can,) = json.loads(capsys.readouterr().out)["cans"]
    assert can["part"] == "bulk"
    assert can["core_C"] > 35.0
    assert main(words) == 0
    assert "RMS over the flight" in capsys.readouterr().out

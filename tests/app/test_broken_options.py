"""An option that breaks something, or cannot be solved, leaves the others compared and reported."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

import sim
from app import cli
from app.report.content import gather
from sim.build import dumps, loads
from sim.errors import Unjoined

if TYPE_CHECKING:
    from pathlib import Path

    from sim.build import Build

BUILD = {
    "name": "Supply and one camera",
    "parts": [
        {"id": "psu", "kind": "bench_supply", "values": {"voltage": 12, "resistance": 1}},
        {"id": "pads", "kind": "joint"},
        {"id": "can", "kind": "electrolytic", "label": "Can",
         "values": {"capacitance": "470 uF", "esr": "35 mOhm", "rated_voltage": "25 V"}},
        {"id": "heavy", "kind": "load", "values": {"current": 0.5}},
        {"id": "vtx", "kind": "vtx", "label": "VTX",
         "values": {"mode": "power", "power": "2 W", "minimum_voltage": "5 V",
                    "maximum_voltage": "26 V"}},
    ],
    "leads": [
        {"id": "main", "from": "psu.out", "to": "pads"},
        {"id": "leg", "from": "can", "to": "pads"},
        {"id": "step", "from": "heavy", "to": "pads"},
        {"id": "feed", "from": "vtx", "to": "pads"},
    ],
    "options": [
        {"name": "As bought"},
        {"name": "Minus leg broken", "changes": [{"set": "leg.conductor", "value": "plus"}]},
        {"name": "VTX off its black wire",
         "changes": [{"set": "feed.conductor", "value": "plus"}]},
        {"name": "No supply", "changes": [{"remove": "psu"}]},
        {"name": "More of it", "changes": [{"set": "can.capacitance", "value": "1 mF"}]},
    ],
    "events": [{"name": "Step", "kind": "load_step", "duration": "4 ms", "part": "heavy",
                "at": "1 ms", "value": "3 A"}],
}  # fmt: skip


@pytest.fixture
def build() -> Build:
    return loads(json.dumps(BUILD).encode())


@pytest.fixture
def file(build: Build, tmp_path: Path) -> str:
    path = tmp_path / "build.json"
    path.write_bytes(dumps(build))
    return str(path)


def test_the_others_are_compared_and_what_fails_is_named(build: Build) -> None:
    with pytest.raises(Unjoined):
        sim.solve(build, option="No supply")
    found = sim.compare(build)
    cards = {card.option: card for card in found.cards}
    assert [card.solved for card in found.cards] == [True, True, True, False, True]
    assert cards["No supply"].worst is None
    assert "has no battery or bench supply" in cards["No supply"].why[0]
    assert cards["Minus leg broken"].why == ("without can: only its plus reaches the supply",)
    assert cards["Minus leg broken"].worst is not None
    assert cards["As bought"].why == ()
    assert found.sentence.endswith("Not solved: No supply.")
    # without the VTX its limit is not there to be missed: that is not better
    assert cards["VTX off its black wire"].why
    assert "Spike at Can: 11.3 V, limit" in found.sentence
    assert found.best is not None
    assert found.cards[found.best].option in ("As bought", "More of it")


def test_a_build_no_option_of_which_can_be_solved_is_refused(build: Build) -> None:
    from msgspec.structs import replace

    only = [option for option in build.options if option.name == "No supply"]
    with pytest.raises(Unjoined):
        sim.compare(replace(build, options=tuple(only)))


def test_the_verbs_carry_on(file: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["compare", file]) == 0
    said = capsys.readouterr().out
    assert "Minus leg broken: without can: only its plus reaches the supply" in said
    assert "has no battery or bench supply. Place one" in said
    assert "not solved" in said
    page = tmp_path / "report.html"
    assert cli.main(["report", file, "--out", str(page)]) == 0
    assert "not solved" in page.read_text()
    capsys.readouterr()
    assert cli.main(["solve", file, "--option", "Minus leg broken"]) == 0
    assert "without can: only its plus reaches the supply" in capsys.readouterr().out


def test_a_report_about_a_broken_option_says_what_is_left_out(build: Build) -> None:
    content = gather(build, "Minus leg broken", seeds=1)
    assert content.drawn.part("can") is None
    assert content.traces
    assert "Minus leg broken: without can: only its plus reaches the supply." in content.beside
    failed = gather(build, "No supply", seeds=1)
    assert failed.card.solved is False
    assert any("has no battery or bench supply" in text for text in failed.beside)

"""Verbs that answer beyond a run: impedance."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from app import cli, cli_text
from sim.findings import Cell, card_of, conclude

if TYPE_CHECKING:
    from collections.abc import Callable

SAMPLE = "arms_4s_analogue"


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """`run(*words)` gives exit code, standard output and standard error."""

    def call(*words: object) -> tuple[int, str, str]:
        capsys.readouterr()
        code = cli.main([str(word) for word in words])
        out, err = capsys.readouterr()
        return code, out, err

    return call


def test_impedance_for_scripts(run: Callable[..., tuple[int, str, str]]) -> None:
    code, out, err = run("impedance", SAMPLE, "--at", "pads", "--hz", "1k, 48 kHz", "--json", "-")
    assert (code, err) == (0, "")
    found = json.loads(out)
    assert found["hz"] == [1e3, 48e3]
    assert len(found["ohm"]) == len(found["phase_deg"]) == 2
    assert "gain_dB" not in found
    assert set(found["modes"][0]) == {"hz", "damping", "real_per_s", "part"}
    assert all(mode["part"] for mode in found["modes"])


def test_transfer_for_scripts(run: Callable[..., tuple[int, str, str]]) -> None:
    words = ("--from", "pads", "--option", "4", "--event", "Punch", "--json", "-")
    code, out, _ = run("impedance", SAMPLE, "--at", "vtx.in", *words)
    assert code == 0
    found = json.loads(out)
    assert "ohm" not in found
    assert len(found["gain_dB"]) == len(found["hz"]) > 200
    assert max(found["gain_dB"]) > 0.0 > min(found["gain_dB"]), "the stage peaks, then falls"


def test_impedance_for_people(run: Callable[..., tuple[int, str, str]]) -> None:
    code, out, _ = run("impedance", SAMPLE, "--at", "pads", "--option", "No capacitor")
    assert code == 0
    assert "rings at" in out
    assert "constant-power load" in out


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("--at", "nowhere"), "nowhere"),
        (("--at", "pads", "--from", "nix.in"), "nix"),
        (("--at", "esc1"), "esc1.in, esc1.motor"),
        (("--at", "pads", "--hz", "0"), "above 0 Hz"),
        (("--at", "pads", "--hz", "5 V"), "--hz"),
        (("--at", "pads", "--option", "9"), "option"),
        ((), "--at"),
    ],
)
def test_impedance_of_nothing_is_one_line(
    run: Callable[..., tuple[int, str, str]], words: tuple[str, ...], named: str
) -> None:
    code, out, err = run("impedance", SAMPLE, *words)
    assert (code, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert named in err


def test_a_supply_that_falls_too_low_is_not_so_many_volts_of_what_it_needs() -> None:
    low = Cell(
        option="Bare", event="Punch", part="vtx", label="VTX", rating="lowest supply",
        reads="lowest", place="vtx.in", value=4.46, typical=5.0, limit=7.0, used=1.57, unit="V",
        verdict="over",
    )  # fmt: skip
    cards = [card_of("Bare", [low], stable=True)]
    said = cli_text.findings(conclude("Quad", [low], cards, "edges", 1))
    assert "4.46 V, needs 7 V" in said
    assert "VTX: lowest supply  " in said  # its name says how it is read


@pytest.mark.parametrize(
    ("folds", "said"), [(8.77, "grows over 1000-fold"), (2.0, "grows 7.4-fold")]
)
def test_a_swing_that_grows_is_no_share_of_one(folds: float, said: str) -> None:
    swing = Cell(
        option="Bare", event="Punch", part="lc", label="LC stage", rating="stability",
        reads="growth", place="lc.in", value=folds, typical=folds, limit=1.0, used=folds, unit="",
        verdict="over",
    )  # fmt: skip
    cards = [card_of("Bare", [swing], stable=True)]
    text = cli_text.findings(conclude("Quad", [swing], cards, "edges", 1))
    assert f"{said}  LC stage: stability, growth" in text
    assert " of 1" not in text

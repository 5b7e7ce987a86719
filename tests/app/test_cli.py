"""The headless verbs, as a user or a script meets them."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
import types
from typing import TYPE_CHECKING, Any

import pytest

import sim
from app import cli, cli_files

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SAMPLE = "arms_4s_analogue"

#: A pack plugged into a capacitor: solved in no time, and its true peak is known.
PLUG: dict[str, Any] = {
    "format": "rippletree-build",
    "version": 1,
    "name": "Bench plug-in",
    "parts": [
        {
            "id": "pack",
            "kind": "battery",
            "at": [0, 98],
            "values": {
                "cells": 6,
                "open_circuit_voltage": "25.2 V",
                "resistance": "20 mOhm",
                "inductance": "100 nH",
            },
        },
        {"id": "pads", "kind": "joint", "at": [0, 20]},
        {
            "id": "bulk",
            "kind": "electrolytic",
            "at": [0, 27],
            "values": {
                "capacitance": "100 uF",
                "esr": "0 Ohm",
                "esl": "0 H",
                "leg_length": "0 mm",
                "rated_voltage": "35 V",
            },
        },
    ],
    "leads": [
        {"id": "main", "from": "pack.out", "to": "pads"},
        {"id": "on_pads", "from": "bulk", "to": "pads"},
    ],
    "options": [
        {"name": "As it is", "changes": []},
        {"name": "More loss", "changes": [{"set": "pack.resistance", "value": "60 mOhm"}]},
        {"name": "25 V part", "changes": [{"set": "bulk.rated_voltage", "value": "25 V"}]},
    ],
    "events": [
        {"name": "Plug in", "kind": "plug_in", "duration": "50 us"},
        {"name": "Longer", "kind": "plug_in", "duration": "100 us"},
    ],
}


class Run:
    """What one command line left behind."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err

    @property
    def line(self) -> str:
        """The one line of complaint, with nothing else said anywhere."""
        assert self.code == 2
        assert self.out == ""
        assert self.err.endswith("\n")
        (line,) = self.err.splitlines()
        assert "Traceback" not in line
        return line


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., Run]:
    def call(*argv: object) -> Run:
        capsys.readouterr()
        code = cli.main([str(word) for word in argv])
        out, err = capsys.readouterr()
        return Run(code, out, err)

    return call


@pytest.fixture
def plug(tmp_path: Path) -> Path:
    file = tmp_path / "plug.json"
    file.write_text(json.dumps(PLUG), encoding="utf-8")
    return file


def changed(tmp_path: Path, change: Callable[[dict[str, Any]], object]) -> Path:
    """A build file with something wrong in it."""
    document = json.loads(json.dumps(PLUG))
    change(document)
    file = tmp_path / "broken.json"
    file.write_text(json.dumps(document), encoding="utf-8")
    return file


# --- presets


def test_presets_for_people(run: Callable[..., Run]) -> None:
    done = run("presets")
    assert (done.code, done.err) == (0, "")
    assert SAMPLE in done.out.split()
    assert "1 No capacitor, 2 One on the pads, 3 One at each ESC" in done.out


def test_presets_for_scripts(run: Callable[..., Run]) -> None:
    done = run("presets", "--json", "-")
    assert (done.code, done.err) == (0, "")
    presets = json.loads(done.out)["presets"]
    assert len(presets) >= 2
    for preset in presets:
        assert set(preset) == {"id", "name", "story", "options", "events"}
        build = sim.load(preset["id"])
        assert preset["name"] == build.name
        assert preset["options"] == [option.name for option in build.options]
        assert preset["events"] == [event.name for event in build.events]


# --- solve

KEYS = {
    "build", "event", "option", "detail", "seed", "duration_s", "joints", "parts", "energy",
    "modes", "cost", "not_covered", "model_version",
}  # fmt: skip
JOINT_KEYS = {"id", "label", "peak_V", "min_V", "mean_V", "pp_V", "rms_ac_V", "start_V"}


def test_solve_for_scripts(run: Callable[..., Run], plug: Path) -> None:
    done = run("solve", plug, "--json", "-")
    assert (done.code, done.err) == (0, "")
    answer = json.loads(done.out)
    assert set(answer) >= KEYS
    assert (answer["build"], answer["event"]) == ("Bench plug-in", "Plug in")
    assert (answer["option"], answer["seed"]) == (None, 0)
    assert answer["duration_s"] == pytest.approx(50e-6)
    joints = {joint["id"]: joint for joint in answer["joints"]}
    assert set(joints["pads"]) >= JOINT_KEYS
    # Worked out from the closed form; see tests/reference.
    assert joints["pads"]["peak_V"] == pytest.approx(34.0431791409, abs=25.2e-6)
    assert joints["pads"]["start_V"] == pytest.approx(0.0, abs=25.2e-6)
    parts = {part["id"]: part for part in answer["parts"]}
    assert set(parts["bulk"]) >= {"id", "kind", "peak_A", "rms_A", "loss_J", "ratings"}
    (rating,) = [r for r in parts["bulk"]["ratings"] if r["limit"] == 35.0]
    assert set(rating) >= {"name", "limit", "used", "unit", "verdict"}
    assert rating["used"] == pytest.approx(34.0431791409 / 35.0, abs=1e-6)
    assert rating["verdict"] == "close"
    assert set(answer["energy"]) == {
        "from_sources_J", "dissipated_J", "stored_change_J", "residual",
    }  # fmt: skip
    assert set(answer["cost"]) == {"solve_s", "steps"}
    # z = 0.316, f0 = 50 329 Hz.
    (mode,) = [m for m in answer["modes"] if m["hz"] == pytest.approx(50_329.212, rel=1e-4)]
    assert mode["damping"] == pytest.approx(0.316228, rel=1e-4)
    assert {"hz", "damping", "part"} <= set(mode)


def test_solve_for_people(run: Callable[..., Run], plug: Path) -> None:
    done = run("solve", plug)
    assert (done.code, done.err) == (0, "")
    assert "34.04 V" in done.out
    assert "energy check: passed" in done.out
    assert "Not a promise to fly." in done.out
    assert "e-0" not in done.out.replace("energy", "").split("(")[0]


def test_solve_to_a_file(run: Callable[..., Run], plug: Path, tmp_path: Path) -> None:
    target = tmp_path / "answer.json"
    done = run("solve", plug, "--json", target)
    assert done.code == 0
    assert "34.04 V" in done.out
    assert json.loads(target.read_bytes())["build"] == "Bench plug-in"


@pytest.mark.parametrize("words", [("--event", "Longer"), ("--event", "2")])
def test_event_by_name_or_number(run: Callable[..., Run], plug: Path, words: tuple[str]) -> None:
    answer = json.loads(run("solve", plug, *words, "--json", "-").out)
    assert answer["event"] == "Longer"
    assert answer["duration_s"] == pytest.approx(100e-6)


@pytest.mark.parametrize("words", [("--option", "More loss"), ("--option", "2")])
def test_option_by_name_or_number(run: Callable[..., Run], plug: Path, words: tuple[str]) -> None:
    answer = json.loads(run("solve", plug, *words, "--json", "-").out)
    assert answer["option"] == "More loss"
    (pads,) = [joint for joint in answer["joints"] if joint["id"] == "pads"]
    # z = 0.949: exp(-pi z / sqrt(1 - z^2)) of overshoot is left.
    assert pads["peak_V"] == pytest.approx(25.2, abs=0.01)


def test_a_window_has_its_own_figures(run: Callable[..., Run], plug: Path) -> None:
    words = ("--from", "15 us", "--to", "3e-5")
    answer = json.loads(run("solve", plug, *words, "--json", "-").out)
    (pads,) = [joint for joint in answer["joints"] if joint["id"] == "pads"]
    # The first peak of 34 V, at 10.5 us, is over by then.
    assert pads["peak_V"] < 31.0


def test_the_sample_at_the_averaged_level(run: Callable[..., Run]) -> None:
    words = ("--event", "Chop", "--option", "One at each ESC", "--detail", "averaged")
    answer = json.loads(run("solve", SAMPLE, *words, "--json", "-").out)
    assert answer["detail"] == "averaged"
    assert answer["energy"]["residual"] <= 1e-6
    esc = next(joint for joint in answer["joints"] if joint["id"].startswith("esc1"))
    # Averaged knows no ripple, so it has no peaks to give.
    assert esc["peak_V"] is None
    assert esc["min_V"] is None
    assert esc["pp_V"] is None
    assert esc["slow_peak_V"] > esc["start_V"]


# --- solve --csv


def table(text: str) -> tuple[list[str], list[list[float]]]:
    head, *rows = csv.reader(io.StringIO(text))
    return head, [[float(cell) for cell in row] for row in rows]


def test_csv_of_all_joints(run: Callable[..., Run], plug: Path) -> None:
    done = run("solve", plug, "--csv", "-", "--every", "5 us")
    head, rows = table(done.out)
    assert head[0] == "time_s"
    assert "pads_V" in head
    assert [row[0] for row in rows] == pytest.approx([5e-6 * k for k in range(11)], abs=1e-15)
    at = {time: row[head.index("pads_V")] for time, *row in [(r[0], *r) for r in rows]}
    # Worked out before; see tests/reference.
    assert at[5e-6] == pytest.approx(19.0367172486, abs=25.2e-6)
    assert at[2e-5] == pytest.approx(22.2430321889, abs=25.2e-6)
    assert at[5e-5] == pytest.approx(25.2921866877, abs=25.2e-6)


def test_csv_of_clips_in_a_window(run: Callable[..., Run], tmp_path: Path) -> None:
    file = changed(
        tmp_path, lambda d: d.update(clips=[{"tip": "bulk"}, {"tip": "pads", "ground": "bulk"}])
    )
    target = tmp_path / "curves.csv"
    done = run(
        "solve", file, "--csv", target, "--every", "3e-6", "--from", "10 us", "--to", "20 us"
    )
    assert (done.code, done.err) == (0, "")
    head, rows = table(target.read_text(encoding="utf-8"))
    assert head == ["time_s", "bulk_V", "pads_V"]
    # Both ends are there, also where the step does not meet the second.
    assert [row[0] for row in rows] == pytest.approx([10e-6, 13e-6, 16e-6, 19e-6, 20e-6])
    assert rows[0][1] == pytest.approx(33.9416994801, abs=25.2e-6)
    # A plain joint has no length: its two ends are one place.
    assert [row[2] for row in rows] == pytest.approx([row[1] for row in rows])


def test_csv_tells_clips_with_one_tip_apart(run: Callable[..., Run], tmp_path: Path) -> None:
    clips = [{"tip": "pads"}, {"tip": "pads", "ground": "bulk"}]
    file = changed(tmp_path, lambda d: d.update(clips=clips))
    head, _ = table(run("solve", file, "--csv", "-", "--every", "10 us").out)
    assert head == ["time_s", "pads_V", "pads_to_bulk_V"]


# --- compare


def test_compare_for_scripts(run: Callable[..., Run], plug: Path) -> None:
    done = run("compare", plug, "--json", "-")
    assert (done.code, done.err) == (0, "")
    answer = json.loads(done.out)
    assert [row["name"] for row in answer["options"]] == ["As it is", "More loss", "25 V part"]
    assert [row["verdict"] for row in answer["options"]] == ["close", "within", "over"]
    assert answer["sentence"]


def test_compare_for_people(run: Callable[..., Run], plug: Path) -> None:
    done = run("compare", plug)
    assert (done.code, done.err) == (0, "")
    assert "25 V part" in done.out
    assert "Not a promise to fly." in done.out


def test_strict_says_by_exit_code_that_a_limit_is_passed(
    run: Callable[..., Run], plug: Path, tmp_path: Path
) -> None:
    assert run("compare", plug, "--strict").code == 1
    fine = changed(tmp_path, lambda d: d.update(options=d["options"][:2]))
    assert run("compare", fine, "--strict").code == 0


# --- check


def test_check_finds_nothing_in_presets(run: Callable[..., Run]) -> None:
    ids = [preset["id"] for preset in json.loads(run("presets", "--json", "-").out)["presets"]]
    done = run("check", *ids, "--json", "-")
    assert (done.code, done.err) == (0, "")
    builds = json.loads(done.out)["builds"]
    assert [build["build"] for build in builds] == ids
    assert not [f for build in builds for f in build["findings"] if f["level"] == "error"]


def test_check_fails_on_a_part_that_hangs_free(run: Callable[..., Run], tmp_path: Path) -> None:
    file = changed(tmp_path, lambda d: d["leads"].pop())
    done = run("check", file)
    assert (done.code, done.err) == (1, "")
    assert "bulk" in done.out
    assert "error" in done.out


def test_check_goes_on_after_a_file_that_is_none(run: Callable[..., Run], plug: Path) -> None:
    done = run("check", "nothing-here.json", plug)
    assert done.code == 2
    assert len(done.err.splitlines()) == 1
    assert "nothing-here.json" in done.err
    assert str(plug) in done.out


def test_speed(run: Callable[..., Run], monkeypatch: pytest.MonkeyPatch) -> None:
    """The verb's two faces; what is measured has tests of its own."""
    from sim import speed

    rows = [
        speed.Row(
            what="every edge",
            build="Quad",
            seconds=0.02,
            peer="Radau",
            peer_seconds=7200.0,
            ratio=360_000.0,
            error=1.5e-5,
            error_unit="V at ESC pads",
        ),
        speed.Row(what="averaged", build="Quad", seconds=0.01, error=2e-6, error_unit="of swing"),
        speed.Row(what="memory, in MB", build="Quad", seconds=10.25),
    ]
    monkeypatch.setattr(speed, "measure", lambda effort, told=None: rows)
    document = json.loads(run("speed", "--json", "-").out)
    assert document["rows"][0]["ratio"] == 360_000.0
    assert document["rows"][2]["peer"] is None
    said = run("speed").out
    for text in ("20 ms", "2.0 h", "360 000 times as long", "15 µV", "0.000200 % of", "10.2 MB"):
        assert text in said, text


def test_defaults_list_every_kind(run: Callable[..., Run]) -> None:
    from sim.parts import KINDS

    done = run("check", "--defaults", "--json", "-")
    kinds = {row["kind"]: row for row in json.loads(done.out)["kinds"]}
    assert set(kinds) == set(KINDS)
    values = {value["name"]: value for value in kinds["electrolytic"]["values"]}
    assert values["capacitance"]["required"]
    assert not values["esr"]["required"]
    people = run("check", "--defaults")
    assert (people.code, people.err) == (0, "")
    assert "must be given" in people.out


# --- bad input: one line, exit code 2

#: What is typed, and what the line must name.
WORDS = [
    (["nonsense"], "nonsense"),
    (["solve"], "BUILD"),
    (["solve", "no-such-preset"], "no-such-preset"),
    (["solve", SAMPLE, "--every", "0"], "--every"),
    (["solve", SAMPLE, "--every", "fast"], "--every"),
    (["solve", SAMPLE, "--every", "nan"], "--every"),
    (["solve", SAMPLE, "--every", "inf"], "--every"),
    (["solve", SAMPLE, "--every", "5 V"], "--every"),
    (["solve", SAMPLE, "--from", "-1"], "--from"),
    (["solve", SAMPLE, "--from", "2", "--to", "1"], "--from"),
    (["solve", SAMPLE, "--to", "1000"], "--to"),
    (["solve", SAMPLE, "--seed", "1.5"], "--seed"),
    (["solve", SAMPLE, "--seed", "-1"], "--seed"),
    (["solve", SAMPLE, "--seed", "9" * 30], "--seed"),
    (["solve", SAMPLE, "--detail", "some"], "--detail"),
    (["solve", SAMPLE, "--event", "Nap"], "Chop"),
    (["solve", SAMPLE, "--event", "0"], "Chop"),
    (["solve", SAMPLE, "--event", "99"], "Chop"),
    (["solve", SAMPLE, "--option", "Magic"], "No capacitor"),
    (["solve", SAMPLE, "--option", "99"], "No capacitor"),
    (["solve", SAMPLE, "--unknown"], "--unknown"),
    (["solve", SAMPLE, "--js", "-"], "--js"),
    (["solve", SAMPLE, "extra"], "extra"),
    (["solve", SAMPLE, "--json"], "--json"),
    (["solve", SAMPLE, "--json", "-", "--csv", "-"], "--csv"),
    (["compare", SAMPLE, "--seeds", "0"], "--seeds"),
    (["compare", SAMPLE, "--seeds", "many"], "--seeds"),
    (["compare", SAMPLE, "--event", "Nap"], "Chop"),
    (["check"], "BUILD"),
    (["check", "--defaults", SAMPLE], "--defaults"),
    (["presets", "extra"], "extra"),
    (["solve", "line\nbreak"], "line break"),
]


@pytest.mark.parametrize("words, named", WORDS, ids=[" ".join(w)[:40] for w, _ in WORDS])
def test_a_wrong_word_is_one_line(run: Callable[..., Run], words: list[str], named: str) -> None:
    assert named in run(*words).line


BREAKS: list[tuple[str, Callable[[dict[str, Any]], object], str]] = [
    ("unknown key", lambda d: d["parts"][2].update(colour="red"), "parts[2]"),
    ("unknown value", lambda d: d["parts"][2]["values"].update(ers="1"), "esr"),
    ("unknown kind", lambda d: d["parts"][2].update(kind="flux"), "parts[2]"),
    ("wrong unit", lambda d: d["parts"][2]["values"].update(esr="5 V"), "parts[2].values.esr"),
    ("no number", lambda d: d["parts"][2]["values"].update(esr="low"), "parts[2].values.esr"),
    ("negative", lambda d: d["parts"][2]["values"].update(esr=-1), "parts[2].values.esr"),
    (
        "next to nothing",
        lambda d: d["parts"][2]["values"].update(esl=1e-300),
        "parts[2].values.esl",
    ),
    ("missing value", lambda d: d["parts"][2]["values"].pop("capacitance"), "capacitance"),
    ("not a number", lambda d: d["parts"][2]["values"].update(esr=float("nan")), "parts[2]"),
    ("infinity", lambda d: d["parts"][2]["values"].update(esr=float("inf")), "parts[2]"),
    ("lead to nowhere", lambda d: d["leads"][0].update(to="moon"), "moon"),
    ("same id twice", lambda d: d["parts"][2].update(id="pads"), "pads"),
    ("long name", lambda d: d.update(name="x" * 201), "name"),
    ("newer file", lambda d: d.update(version=99), "version"),
    ("other format", lambda d: d.update(format="recipe"), "format"),
    ("deep", lambda d: d.update(notes=json.loads("[" * 100 + "]" * 100)), "nested"),
    ("option without target", lambda d: d["options"][1]["changes"][0].update(set="x.y"), "x"),
    ("no duration", lambda d: d["events"][0].pop("duration"), "duration"),
    ("unknown event", lambda d: d["events"][0].update(kind="party"), "party"),
    ("clip on nothing", lambda d: d.update(clips=[{"tip": "moon"}]), "moon"),
    ("parts is no list", lambda d: d.update(parts=5), "parts"),
]


@pytest.mark.parametrize("verb", ["solve", "compare"])
@pytest.mark.parametrize("change, named", [b[1:] for b in BREAKS], ids=[b[0] for b in BREAKS])
def test_a_broken_build_is_one_line(
    run: Callable[..., Run],
    tmp_path: Path,
    verb: str,
    change: Callable[[dict[str, Any]], object],
    named: str,
) -> None:
    line = run(verb, changed(tmp_path, change)).line
    assert "broken.json" in line
    assert named in line


BYTES = [
    ("empty", b""),
    ("not JSON", b"{"),
    ("not UTF-8", b'{"name": "\xff"}'),
    ("a list", b"[]"),
    ("a number", b"3"),
    ("zero bytes", b"\0" * 100),
    ("deep", b"[" * 100_000),
    ("large", b" " * 10_000_001),
    ("half a pair", b'{"name": "\\ud800"}'),
    ("key twice", b'{"name": "a", "name": "b"}'),
]


@pytest.mark.parametrize("verb", ["solve", "compare", "check"])
@pytest.mark.parametrize("data", [b[1] for b in BYTES], ids=[b[0] for b in BYTES])
def test_a_file_that_is_no_build_is_one_line(
    run: Callable[..., Run], tmp_path: Path, verb: str, data: bytes
) -> None:
    file = tmp_path / "broken.json"
    file.write_bytes(data)
    assert str(file) in run(verb, file).line


def test_a_folder_is_no_build(run: Callable[..., Run], tmp_path: Path) -> None:
    for verb in ("solve", "compare", "check"):
        assert str(tmp_path) in run(verb, tmp_path).line


def test_check_names_everything_wrong_in_a_build(run: Callable[..., Run], tmp_path: Path) -> None:
    def twice(document: dict[str, Any]) -> None:
        document["parts"][2]["values"].update(esr="5 V")
        document["leads"][0].update(to="moon")

    done = run("check", changed(tmp_path, twice))
    assert done.code == 2
    assert "esr" in done.out
    assert "moon" in done.out
    (line,) = done.err.splitlines()
    assert "broken.json" in line


# --- output that cannot be written


@pytest.mark.parametrize("option", ["--json", "--csv"])
def test_output_into_a_folder_that_is_not_there(
    run: Callable[..., Run], plug: Path, tmp_path: Path, option: str
) -> None:
    target = tmp_path / "missing" / "answer"
    assert str(target) in run("solve", plug, option, target).line


@pytest.mark.parametrize("option", ["--json", "--csv"])
def test_output_that_is_a_folder(
    run: Callable[..., Run], plug: Path, tmp_path: Path, option: str
) -> None:
    assert str(tmp_path) in run("solve", plug, option, tmp_path).line


@pytest.mark.parametrize("option", ["--json", "--csv"])
def test_output_never_replaces_the_build(run: Callable[..., Run], plug: Path, option: str) -> None:
    before = plug.read_bytes()
    assert "write over the build" in run("solve", plug, option, plug).line
    assert plug.read_bytes() == before


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a full device to write to")
def test_a_full_disk(run: Callable[..., Run], plug: Path) -> None:
    assert "/dev/full" in run("solve", plug, "--json", "/dev/full").line


def test_more_rows_than_anyone_wants(run: Callable[..., Run], plug: Path, tmp_path: Path) -> None:
    target = tmp_path / "curves.csv"
    for every in ("1e-12", "1e-320"):
        assert "--every" in run("solve", plug, "--csv", target, "--every", every).line
    assert not target.exists()


# --- the process around it


def command(*words: str) -> list[str]:
    return [sys.executable, "-m", "app.cli", *words]


def test_a_reader_that_leaves_early_sees_no_trace() -> None:
    process = subprocess.Popen(
        command("check", "--defaults"), stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    assert process.stderr.read() == b""
    process.stderr.close()
    assert process.wait(timeout=60) == 0


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a full device to write to")
def test_standard_output_that_is_full() -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            command("presets"), stdout=full, stderr=subprocess.PIPE, text=True, timeout=60
        )
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1


def test_json_is_utf8_whatever_the_console_speaks(plug: Path) -> None:
    document = json.loads(plug.read_text(encoding="utf-8"))
    document["name"] = "Größe µΩ ✓"
    plug.write_text(json.dumps(document), encoding="utf-8")
    environment = {**os.environ, "PYTHONIOENCODING": "ascii"}
    for words in (("--json", "-"), ()):
        done = subprocess.run(
            command("solve", str(plug), *words), capture_output=True, env=environment, timeout=60
        )
        assert (done.returncode, done.stderr) == (0, b"")
        if words:
            assert json.loads(done.stdout.decode("utf-8"))["build"] == "Größe µΩ ✓"


def test_ctrl_c_is_quiet(
    run: Callable[..., Run], plug: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli_files, "discard_stdout", lambda: None)
    monkeypatch.setattr(sim, "solve", interrupt)
    done = run("solve", plug)
    assert (done.code, done.out, done.err) == (130, "", "")


def test_a_fault_of_ours_says_so(
    run: Callable[..., Run], plug: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("by\nnothing")

    monkeypatch.setattr(sim, "solve", fail)
    assert "a fault of the program" in run("solve", plug).line
    monkeypatch.setenv("RIPPLETREE_TRACE", "1")
    with pytest.raises(ZeroDivisionError):
        run("solve", plug)


def test_version(run: Callable[..., Run]) -> None:
    done = run("--version")
    assert done.code == 0
    assert done.out.startswith("rippletree ")


def test_without_a_verb_the_window_opens(
    run: Callable[..., Run], monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[object] = []
    window = types.ModuleType("app.main_window")

    def show(path: object) -> int:
        opened.append(path)
        return 0

    window.run = show  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "app.main_window", window)
    monkeypatch.setattr("app.main_window", window, raising=False)
    assert run().code == 0
    assert opened == [None]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="others always have a screen")
def test_without_a_screen_the_window_says_so(
    run: Callable[..., Run], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    assert "no screen" in run().line

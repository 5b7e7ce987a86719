"""The build file: there and back, byte for byte, and refused with its place when broken."""

from __future__ import annotations

import copy
import json
import os
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim import build as builds
from sim.build import Build, Clip, Event, Lead, Option, Part, Quantity
from sim.errors import BadField, DocumentError, NewerFile, SimError, UnknownKind

#: A quad of our own invention with everything a file can hold.
TREE: dict[str, Any] = {
    "format": "rippletree-build",
    "version": 1,
    "name": "Quad on paper",
    "notes": "Two lines,\nand an “ö”.",
    "parts": [
        {
            "id": "pack",
            "kind": "battery",
            "at": [0, 98],
            "deck": "top",
            "values": {"cells": 6, "charge": "100 %", "cell_resistance": "4 mOhm"},
        },
        {"id": "pads", "kind": "joint", "at": [0, 20.5]},
        {
            "id": "bulk",
            "kind": "electrolytic",
            "at": [0, 27],
            "turn": 90,
            "values": {
                "capacitance": "1000 uF",
                "esr": {
                    "value": "18 mOhm",
                    "mark": "sourced",
                    "source": "a list",
                    "tolerance": 0.2,
                },
                "rated_voltage": 35,
                "leg_length": "5 mm",
            },
        },
        {"id": "esc1", "kind": "esc", "at": [-60, -60], "values": {"freewheel": True}},
        {"id": "motor1", "kind": "motor", "at": [-90, -90], "values": {"kv": "1950 rpm/V"}},
        {"id": "choke", "kind": "inductor", "at": [30, 30], "values": {"inductance": "10u"}},
        {
            "id": "lamp",
            "kind": "load",
            "at": [50, 30],
            "values": {"mode": "power", "power": "9 W", "minimum_voltage": "7 V"},
        },
    ],
    "leads": [
        {"id": "main", "from": "pack.out", "to": "pads", "gauge": "12 AWG", "length": "90 mm"},
        {"id": "arm1", "from": "pads", "to": "esc1.in", "resistance": "1 mOhm"},
        {"id": "phase1", "from": "esc1.motor", "to": "motor1"},
        {"id": "on_pads", "from": "bulk", "to": "pads", "via": [[1, 2], [3.5, 4]]},
        {"id": "to_choke", "from": "pads", "to": "choke.in", "length": "40 mm"},
        {"id": "to_lamp", "from": "choke.out", "to": "lamp", "length": "30 mm"},
    ],
    "options": [
        {"name": "No capacitor", "changes": [{"remove": "bulk"}]},
        {"name": "No choke", "changes": [{"bypass": "choke"}]},
        {
            "name": "More",
            "changes": [
                {"set": "bulk.esr", "value": "8 mOhm"},
                {"set": "main.length", "value": "60 mm"},
                {"add": {"id": "b2", "kind": "ceramic", "values": {"capacitance": "10 uF"}}},
                {"add": {"id": "on2", "from": "b2", "to": "esc1.in"}},
            ],
        },
    ],
    "events": [
        {
            "name": "Chop",
            "kind": "throttle",
            "duration": "150 ms",
            "course": [["0 s", 0.6], ["20 ms", 0.6], [0.025, 0.2]],
        },
        {
            "name": "One",
            "kind": "throttle",
            "duration": 0.1,
            "courses": {"esc1": [["0 s", 0.5]]},
            "freewheel": True,
        },
        {"name": "Cruise", "kind": "steady", "duration": "20 ms", "duty": 0.4},
        {"name": "Plug in", "kind": "plug_in", "duration": "500 us", "resistance": "22 Ohm"},
        {
            "name": "Tap",
            "kind": "tap",
            "duration": "50 ms",
            "duty": 0.3,
            "size": 0.1,
            "frequency": "120 Hz",
            "decay": "15 ms",
        },
        {
            "name": "Lamp on",
            "kind": "load_step",
            "duration": "20 ms",
            "part": "lamp",
            "at": "5 ms",
            "value": "12 W",
        },
    ],
    "clips": [{"tip": "esc1.in"}, {"tip": "lamp", "ground": "pads"}, {"tip": "b2"}],
}


def encoded(tree: Any) -> bytes:
    return json.dumps(tree).encode()


def refusal(data: bytes) -> SimError:
    with pytest.raises(SimError) as caught:
        builds.loads(data, "quad.json")
    text = str(caught.value)
    assert text.splitlines() == [text]
    assert text.startswith("quad.json")
    return caught.value


# --- there and back -----------------------------------------------------------------


def test_everything_in_a_file_is_read_as_given() -> None:
    build = builds.loads(encoded(TREE))
    pack, bulk, lead = build.part("pack"), build.part("bulk"), build.lead("main")
    assert pack is not None
    assert bulk is not None
    assert lead is not None
    assert pack.at == (0.0, 98.0)
    assert pack.deck == "top"
    assert pack.values["cells"] == 6
    assert bulk.values["esr"] == Quantity(
        value="18 mOhm", mark="sourced", source="a list", tolerance=0.2
    )
    assert (lead.from_, lead.to, lead.gauge) == ("pack.out", "pads", "12 AWG")
    added = [change.add for change in build.options[2].changes]
    assert isinstance(added[2], Part)
    assert isinstance(added[3], Lead)
    assert json.loads(builds.dumps(build)) == TREE


def test_a_written_file_reads_well_in_a_diff() -> None:
    lines = builds.dumps(builds.loads(encoded(TREE))).decode().splitlines()
    assert lines[1:4] == [
        '  "format": "rippletree-build",',
        '  "version": 1,',
        '  "name": "Quad on paper",',
    ]
    assert '    {"id": "pads", "kind": "joint", "at": [0, 20.5]},' in lines
    assert max(map(len, lines)) <= 101


names = st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=20)
ids = st.from_regex(r"\A[A-Za-z0-9_]{1,12}\Z")
numbers = st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(10**15), 10**15)
mm = st.floats(-1e4, 1e4)
plain = st.text(max_size=20) | numbers | st.booleans()
marks = st.none() | st.sampled_from(["sourced", "derived", "assumed", "measured"])
givens = plain | st.builds(
    Quantity,
    value=plain,
    mark=marks,
    source=st.text(max_size=20),
    tolerance=st.none() | st.text(max_size=5) | st.floats(0, 1),
)
parts = st.builds(
    Part,
    id=ids,
    kind=names,
    at=st.none() | st.tuples(mm, mm),
    deck=st.sampled_from(["lower", "upper", "top"]),
    turn=st.floats(-360, 360),
    label=st.text(max_size=10),
    values=st.dictionaries(ids, givens, max_size=3),
)
leads = st.builds(
    Lead,
    id=ids,
    from_=names,
    to=names,
    gauge=st.none() | givens,
    length=st.none() | givens,
    inductance=st.none() | givens,
    conductor=st.sampled_from(["pair", "plus", "minus"]),
    via=st.lists(st.tuples(mm, mm), max_size=2).map(tuple),
)
changes = st.one_of(
    st.builds(builds.Change, remove=names),
    st.builds(builds.Change, bypass=names),
    st.builds(builds.Change, set=names, value=givens),
    st.builds(builds.Change, add=parts | leads),
)
courses = st.lists(st.tuples(givens, st.floats(0, 1)), max_size=3).map(tuple)
events = st.builds(
    Event,
    name=names,
    kind=st.sampled_from(["throttle", "steady", "plug_in", "tap", "load_step"]),
    duration=givens,
    course=courses,
    courses=st.dictionaries(ids, courses, max_size=2),
    freewheel=st.none() | st.booleans(),
    duty=st.none() | st.floats(0, 1),
)


def few(items: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.lists(items, max_size=3).map(tuple)


any_build = st.builds(
    Build,
    name=st.text(max_size=20),
    notes=st.text(max_size=20),
    story=st.text(max_size=20),
    frame=names,
    parts=few(parts),
    leads=few(leads),
    options=few(st.builds(Option, name=names, changes=few(changes))),
    events=few(events),
    clips=few(st.builds(Clip, tip=names, ground=st.none() | names)),
)


@given(any_build)
def test_any_build_comes_back_the_same_and_byte_for_byte(build: Build) -> None:
    data = builds.dumps(build)
    again = builds.loads(data, checked=False)
    assert again == build
    assert builds.dumps(again) == data


def test_order_of_keys_in_the_file_does_not_matter() -> None:
    turned = {key: TREE[key] for key in reversed(TREE)}
    assert builds.dumps(builds.loads(encoded(turned))) == builds.dumps(builds.loads(encoded(TREE)))


def test_a_byte_order_mark_is_let_pass() -> None:
    assert builds.loads(b"\xef\xbb\xbf" + encoded(TREE)).name == "Quad on paper"


# --- refusals with their place --------------------------------------------------------


def broken(path: str, value: Any) -> bytes:
    """TREE with something else at a path such as "parts/2/values/esr"; `...` takes it out."""
    tree = copy.deepcopy(TREE)
    node: Any = tree
    *way, last = path.split("/")
    for step in way:
        node = node[int(step) if isinstance(node, list) else step]
    key = int(last) if isinstance(node, list) else last
    if value is ...:
        del node[key]
    else:
        node[key] = value
    return encoded(tree)


BROKEN = [
    # path, what stands there instead, place in the refusal, a word of it
    ("parts/2/values/esr", "18 mH", "parts[2].values.esr (bulk)", "inductance"),
    ("parts/2/values/esr", "-1 mOhm", "parts[2].values.esr (bulk)", "range"),
    ("parts/2/values/esr", [1], "parts[2].values.esr (bulk)", "no value"),
    ("parts/2/values/esr", None, "parts[2].values.esr (bulk)", "no value"),
    ("parts/2/values/esr/mark", "guess", "parts[2].values.esr.mark (bulk)", "sourced"),
    ("parts/2/values/esr/marks", "x", "parts[2].values.esr.marks (bulk)", "tolerance"),
    ("parts/2/values/esr/tolerance", 7, "parts[2].values.esr (bulk).tolerance", "100 %"),
    ("parts/2/values/essr", "1 mOhm", "parts[2].values.essr (bulk)", "esr"),
    ("parts/2/values/capacitance", ..., "parts[2].values.capacitance (bulk)", "missing"),
    ("parts/0/values/cells", 4.5, "parts[0].values.cells (pack)", "whole"),
    ("parts/3/values/freewheel", "maybe", "parts[3].values.freewheel (esc1)", "true"),
    ("parts/3/values/carrier_shape", "saw", "parts[3].values.carrier_shape (esc1)", "centre"),
    ("parts/3/values/rise_time", 0, "parts[3].values.rise_time (esc1)", "above 0"),
    ("parts/1/kind", "jiont", "parts[1].kind (pads)", "joint"),
    ("parts/1/at", [1], "parts[1].at (pads)", "2"),
    ("parts/1/at", [1e9, 0], "parts[1].at (pads)", "off the bench"),
    ("parts/1/deck", "cellar", "parts[1].deck (pads)", "lower, upper, top"),
    ("parts/1/colour", "red", "parts[1].colour (pads)", "no key"),
    ("parts/1/id", ..., "parts[1]", "'id'"),
    ("parts/1/id", "a b", "parts[1].id", "letters"),
    ("parts/1/id", "x" * 201, "parts[1].id", "200"),
    ("parts/1/id", "pack", "parts[1].id", "twice"),
    ("parts/1", 7, "parts[1]", "object"),
    ("parts", {}, "parts", "list"),
    ("leads/0/to", "padz", "leads[0].to (main)", "pads"),
    ("leads/0/from", "esc1", "leads[0].from (main)", "esc1.in, esc1.motor"),
    ("leads/0/from", "pack.in", "leads[0].from (main)", "pack.out"),
    ("leads/0/gauge", "4 uF", "leads[0].gauge (main)", "conductor"),
    ("leads/0/length", {"value": "9 cm", "what": 1}, "leads[0].length.what (main)", "no key"),
    ("leads/0/conductor", "both", "leads[0].conductor (main)", "pair, plus, minus"),
    ("leads/0/id", "pads", "leads[0].id", "twice"),
    ("options/0/changes/0", {}, "options[0].changes[0]", "exactly one"),
    ("options/0/changes/0/bypass", "choke", "options[0].changes[0]", "exactly one"),
    ("options/0/changes/0/remove", "bulk9", "options[0].changes[0].remove", "bulk"),
    ("options/1/changes/0/bypass", "bulk", "options[1].changes[0].bypass", "no way through"),
    ("options/2/changes/0/set", "bulk.esrr", "options[2].changes[0].set", "esr"),
    ("options/2/changes/0/set", "main.esr", "options[2].changes[0].set", "length"),
    ("options/2/changes/0/value", "8 mH", "options[2].changes[0].value (bulk.esr)", "inductance"),
    ("options/2/changes/0/value", ..., "options[2].changes[0]", "value"),
    ("options/2/changes/3/add/id", "pads", "options[2].changes[3].add.id", "already"),
    ("options/2/changes/2/add/kind", "cer", "options[2].changes[2].add.kind (b2)", "ceramic"),
    ("options/2/changes/2/add", {"id": "x"}, "options[2].changes[2].add", "neither"),
    ("options/2/changes/3/add/to", "x", "options[2].changes[3].add.to (on2)", "x"),
    ("options/1/name", "No capacitor", "options[1].name", "twice"),
    ("events/0/kind", "chop", "events[0].kind", "throttle"),
    ("events/0/duration", "0 s", "events[0].duration", "above 0 s"),
    ("events/0/duration", "20 V", "events[0].duration", "time"),
    ("events/0/course", [], "events[0].course", "missing"),
    ("events/0/course/1/1", 1.2, "events[0].course[1][1]", "0 to 1"),
    ("events/0/course/1/0", "1 s", "events[0].course[2][0]", "Sort"),
    ("events/0/course/1", ["1 s"], "events[0].course[1]", "length 2"),
    ("events/0/frequency", "20 Hz", "events[0].frequency", "tap"),
    ("events/1/courses/esc1", 3, "events[1].courses.esc1", "course"),
    ("events/1/courses/pack", [["0 s", 0.5]], "events[1].courses.pack", "ESC"),
    ("events/2/duty", -0.1, "events[2].duty", "0 to 1"),
    ("events/3/resistance", "-2 Ohm", "events[3].resistance", "0"),
    ("events/4/decay", ..., "events[4].decay", "missing"),
    ("events/5/part", "bulk", "events[5].part", "load"),
    ("events/5/value", "12 V", "events[5].value", "power"),
    ("clips/0/tip", "esc9.in", "clips[0].tip", "esc1"),
    ("clips/1/ground", "esc1", "clips[1].ground", "esc1.in"),
    ("name", "x" * 201, "name", "200"),
    ("name", "a\nb", "name", "line break"),
    ("format", "other", "format", "rippletree-build"),
    ("version", 0, "version", "1"),
    ("version", "1", "version", "1"),
    ("version", True, "version", "1"),
    ("partz", [], "partz", "parts"),
]


@pytest.mark.parametrize(("path", "value", "place", "word"), BROKEN)
def test_a_broken_file_is_refused_with_its_place(
    path: str, value: Any, place: str, word: str
) -> None:
    error = refusal(broken(path, value))
    assert error.where == f"quad.json: {place}"
    assert word in str(error)


def test_classes_of_refusals() -> None:
    assert isinstance(refusal(broken("parts/1/kind", "x")), UnknownKind)
    assert isinstance(refusal(broken("version", 2)), NewerFile)
    assert isinstance(refusal(broken("parts/2/values/esr", "-1 mOhm")), BadField)


TEXTS = [
    (b"", "JSON"),
    (b"{", "line 1 column 2"),
    (b"\xff\xfe", "UTF-8"),
    (b"[]", "no build"),
    (b"null", "no build"),
    (b'{"name": NaN}', "NaN"),
    (b'{"name": -Infinity}', "Infinity"),
    (b'{"parts": [{"id": "a", "kind": "joint", "at": [1e999, 0]}]}', "parts[0].at[0]"),
    (b'{"version": 1' + b"0" * 5000 + b"}", "too large"),
    (b'{"parts": [{"id": "a", "id": "b", "kind": "joint"}]}', "parts[0]: has the key 'id' twice"),
    (b'{"name": "\\ud800"}', "half of a character pair"),
    (b'{"\\udfff": 1}', "half of a character pair"),
    (b'{"notes": ' + b"[" * 100_000 + b"]" * 100_000 + b"}", "nested"),
    (b'{"notes": ' + b'{"a":' * 70 + b"1" + b"}" * 70 + b"}", "nested"),
    (b" " * 10_000_001, "10 MB"),
]


@pytest.mark.parametrize(("data", "word"), TEXTS)
def test_what_is_no_build_is_refused(data: bytes, word: str) -> None:
    assert word in str(refusal(data))


def test_brackets_in_a_text_are_no_nesting() -> None:
    tree = {**TREE, "notes": "[" * 200 + '\\"{' * 100}
    assert builds.loads(encoded(tree)).notes == tree["notes"]


def paths(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """All places of a tree but its root."""
    found = [path] if path else []
    items = enumerate(node) if isinstance(node, list) else node.items()
    if isinstance(node, (list, dict)):
        for key, item in items:
            found += paths(item, (*path, key)) if isinstance(item, (list, dict)) else [(*path, key)]
    return found


ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=6,
)


@given(st.sampled_from(paths(TREE)), ANY_JSON, st.sampled_from(["put", "drop", "rename"]))
def test_any_mutation_is_read_or_refused_in_one_line(
    path: tuple[Any, ...], value: Any, how: str
) -> None:
    tree = copy.deepcopy(TREE)
    node: Any = tree
    for step in path[:-1]:
        node = node[step]
    if how == "put":
        node[path[-1]] = value
    elif how == "rename" and isinstance(node, dict):
        node[f"{path[-1]}x"] = node.pop(path[-1])
    else:
        del node[path[-1]]
    _read_or_refused(encoded(tree))


@given(st.data())
def test_any_corruption_is_read_or_refused_in_one_line(data: st.DataObject) -> None:
    good = builds.dumps(builds.loads(encoded(TREE)))
    at = data.draw(st.integers(0, len(good) - 1))
    length = data.draw(st.integers(0, 20))
    junk = data.draw(
        st.binary(max_size=6) | st.sampled_from([b'"', b"{", b"]", b",", b"\\u", b"0"])
    )
    _read_or_refused(good[:at] + junk + good[at + length :])


@given(st.binary(max_size=60))
def test_any_bytes_are_refused_in_one_line(data: bytes) -> None:
    _read_or_refused(data)


def _read_or_refused(data: bytes) -> None:
    """A build that can be written again, or one line; any other exception fails the test."""
    try:
        build = builds.loads(data, "quad.json")
    except SimError as error:
        text = str(error)
    else:
        assert builds.loads(builds.dumps(build)) == build
        return
    assert text.splitlines() == [text]
    assert text.startswith("quad.json: ")


# --- values ---------------------------------------------------------------------------


def test_values_are_resolved_to_si_with_defaults() -> None:
    build = builds.loads(encoded(TREE))
    bulk, pack = build.part("bulk"), build.part("pack")
    assert bulk is not None
    assert pack is not None
    values = builds.resolve(bulk)
    assert values.number("capacitance") == 1e-3
    assert values.number("esr") == 0.018
    assert values.number("rated_voltage") == 35.0
    assert values.number("leg_length") == 0.005
    assert values.number("esl") == 0.0
    assert values.optional("rated_ripple") is None
    assert builds.resolve(pack).number("charge") == 1.0


def test_a_leads_gauge_is_resolved_to_its_diameter() -> None:
    lead = builds.loads(encoded(TREE)).lead("main")
    assert lead is not None
    values = builds.resolve_lead(lead)
    # ASTM B258, 12 AWG
    assert values.number("gauge") == pytest.approx(2.0525e-3, abs=1e-7)
    assert values.number("length") == 0.09
    assert values.optional("resistance") is None


def test_errors_outside_a_file_name_the_part() -> None:
    with pytest.raises(BadField) as caught:
        builds.resolve(Part(id="c1", kind="ceramic", values={"capacitance": "1 uF", "esrr": 1}))
    assert caught.value.where == "c1.esrr"


@pytest.mark.parametrize("word", [True, "yes", "On", "TRUE"])
def test_flags_may_be_words(word: str | bool) -> None:
    part = Part(id="esc1", kind="esc", values={"freewheel": word})
    assert builds.resolve(part).flag("freewheel") is True


# --- addresses, options and events by name or number ------------------------------------


def test_addresses_with_and_without_port() -> None:
    build = builds.loads(encoded(TREE))
    for address in ("bulk", "bulk.in", "lamp", "pack", "pack.out", "pads", "pads.in", "pads.out"):
        assert builds.find_port(build, address)[0].id == address.split(".")[0]
    for address in ("esc1", "choke", "bulk.out", "nobody", "", ".", "pack.", "pads.up"):
        with pytest.raises(SimError):
            builds.find_port(build, address)


def test_options_and_events_by_name_or_number() -> None:
    build = builds.loads(encoded(TREE))
    assert builds.option_index(build, None) is None
    assert builds.option_index(build, "As drawn") is None
    assert builds.option_index(build, "no CHOKE") == 1
    assert builds.option_index(build, "3") == builds.option_index(build, 3) == 2
    assert builds.event_index(build) == 0
    assert builds.event_index(build, "Plug in") == 3
    for wrong in ("0", 0, 7, "-1", "Choke", "", "1" * 50):
        with pytest.raises(BadField, match="1 No capacitor, 2 No choke, 3 More"):
            builds.option_index(build, wrong)


def test_an_option_called_by_a_number_wins_over_the_number() -> None:
    build = Build(options=(Option(name="2"), Option(name="1")))
    assert builds.option_index(build, "1") == 1
    assert builds.option_index(build, 1) == 0


# --- files -----------------------------------------------------------------------------


def test_saved_and_loaded(tmp_path: Path) -> None:
    build = builds.loads(encoded(TREE))
    target = tmp_path / "quad.json"
    builds.save(build, target)
    assert builds.load(target) == build
    assert builds.load(str(target)) == build
    assert os.listdir(tmp_path) == ["quad.json"]


def test_a_failed_save_leaves_the_old_file_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "quad.json"
    target.write_bytes(b"old")

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(DocumentError, match="No space left"):
        builds.save(Build(name="new"), target)
    assert target.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["quad.json"]


def test_the_new_file_is_whole_before_it_takes_the_old_ones_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "quad.json"
    target.write_bytes(b"old")
    seen: list[bytes] = []
    replace = os.replace

    def watched(source: str, to: str | os.PathLike[str]) -> None:
        seen.extend([Path(source).read_bytes(), target.read_bytes()])
        assert Path(source).parent == target.parent
        replace(source, to)

    monkeypatch.setattr(os, "replace", watched)
    build = Build(name="new")
    builds.save(build, target)
    assert seen == [builds.dumps(build), b"old"]


@pytest.mark.skipif(os.name != "posix", reason="rights of POSIX files")
def test_saving_keeps_rights_and_links(tmp_path: Path) -> None:
    target, link = tmp_path / "quad.json", tmp_path / "link.json"
    target.write_bytes(b"old")
    target.chmod(0o640)
    link.symlink_to(target)
    builds.save(Build(name="new"), link)
    assert link.is_symlink()
    assert builds.load(target).name == "new"
    assert stat.S_IMODE(target.stat().st_mode) == 0o640


@pytest.mark.parametrize("name", ["nowhere/quad.json", "no_such_preset", "", "\0", "x" * 5000, "."])
def test_a_file_that_cannot_be_read_is_one_line(name: str) -> None:
    with pytest.raises(DocumentError) as caught:
        builds.load(name)
    assert "\n" not in str(caught.value)


def test_a_folder_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(DocumentError, match="cannot be written"):
        builds.save(Build(), tmp_path / "nowhere" / "quad.json")


def test_what_json_cannot_hold_is_not_written(tmp_path: Path) -> None:
    part = Part(id="a", kind="joint", at=(float("nan"), 0.0))
    with pytest.raises(BadField, match="finite"):
        builds.save(Build(parts=(part,)), tmp_path / "quad.json")
    assert not os.listdir(tmp_path)


# --- presets -----------------------------------------------------------------------------


@pytest.mark.parametrize("info", builds.presets(), ids=lambda info: info.id)
def test_presets_load_and_are_written_as_they_are(info: builds.PresetInfo) -> None:
    build = builds.load(info.id)
    assert (build.name, build.story) == (info.name, info.story)
    assert tuple(o.name for o in build.options) == info.options
    assert tuple(e.name for e in build.events) == info.events
    assert builds.loads(builds.dumps(build)) == build


def test_listing_presets_needs_no_numbers_package() -> None:
    code = (
        "import sys; from sim.build import presets; presets();"
        "print([m for m in ('numpy', 'scipy', 'PySide6') if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"

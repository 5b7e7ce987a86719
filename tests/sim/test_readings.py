"""Clips that read currents, speeds and duties: in the file, in CSV, and refused where senseless."""

from __future__ import annotations

import json

import pytest

from sim.build import dumps, load, loads
from sim.errors import SimError
from sim.readings import next_reading, readings_of


def _with(clip: dict[str, str]) -> bytes:
    tree = json.loads(dumps(load("arms_4s_analogue")))
    tree["clips"] = [clip]
    return json.dumps(tree).encode()


@pytest.mark.parametrize(
    "clip",
    [
        {"tip": "main", "reads": "amps"},
        {"tip": "esc1.in", "reads": "amps"},
        {"tip": "motor1", "reads": "speed"},
        {"tip": "esc1", "reads": "duty"},
        {"tip": "vtx.in", "ground": "pads", "reads": "offset"},
    ],
)
def test_it_comes_back_from_the_file(clip: dict[str, str]) -> None:
    build = loads(_with(clip))
    assert loads(dumps(build)) == build
    assert build.clips[0].reads == clip["reads"]


@pytest.mark.parametrize(
    ("clip", "place"),
    [
        ({"tip": "nowhere", "reads": "amps"}, "clips[0].tip"),
        ({"tip": "esc1", "reads": "speed"}, "clips[0].tip"),
        ({"tip": "motor1", "reads": "duty"}, "clips[0].tip"),
        ({"tip": "main"}, "clips[0].tip"),
        ({"tip": "main", "ground": "pads", "reads": "amps"}, "clips[0].ground"),
    ],
)
def test_what_means_nothing_is_refused(clip: dict[str, str], place: str) -> None:
    with pytest.raises(SimError) as caught:
        loads(_with(clip))
    assert caught.value.where.endswith(place)


def test_readings_come_round() -> None:
    build = load("arms_4s_analogue")
    assert readings_of(build, "pads") == ()
    seen = []
    now = build
    for _ in range(3):
        now, reads = next_reading(now, "esc1")
        seen.append(reads)
    assert seen == ["amps", "duty", None]
    assert now == build

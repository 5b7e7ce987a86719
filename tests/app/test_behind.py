"""The blocks behind a verdict, each as the library has it."""

from __future__ import annotations

import json
from contextlib import suppress

import numpy as np
import pytest

import sim
from sim.behind import BLOCKS, Block, behind
from sim.build import loads
from sim.details import dropouts
from sim.errors import BadField, Cancelled
from sim.records import Build
from sim.signals import Signal
from tests.app.driver import ONE_ESC


def with_vtx(power: str, minimum: str = "7 V", video: str = "analogue") -> Build:
    """The small build with a video transmitter on the pads and a capacitor beside it."""
    tree = json.loads(ONE_ESC)
    tree["parts"] += [
        {"id": "vtx", "kind": "vtx", "label": "VTX",
         "values": {"power": power, "minimum_voltage": minimum, "video": video}},
        {"id": "bulk", "kind": "electrolytic", "label": "Capacitor",
         "values": {"capacitance": "220 uF", "esr": "60 mOhm", "rated_voltage": "35 V"}},
    ]  # fmt: skip
    tree["leads"] += [
        {"id": "to_vtx", "from": "pads", "to": "vtx.in"},
        {"id": "on_pads", "from": "bulk", "to": "pads"},
    ]
    return loads(json.dumps(tree).encode())


def told(build: Build, event: int = 1) -> dict[str, Block]:
    blocks: list[Block] = []
    behind(build, None, event, tell=blocks.append)
    return {block.key: block for block in blocks}


def test_every_block_comes_and_has_the_runs_figures() -> None:
    build = with_vtx("4 W", "16.2 V")
    blocks = told(build)
    assert set(blocks) == set(BLOCKS)
    run = sim.solve(build, 1)
    _, low, high = run.envelope([Signal("volts", "vtx.in")], 10e-3, 30e-3, 400)
    swing = float(high.max() - low.min())
    assert blocks["video"].lines[0].startswith(sim.quantity.format(swing, "V", 3))
    (drop,) = dropouts(run)
    assert sim.quantity.format(drop.lowest_V, "V", 3) in blocks["dropouts"].lines[0]
    going = blocks["dropouts"].going
    assert going is not None
    assert (going.place, going.reads, going.part) == ("vtx.in", "lowest", "vtx")
    shares = blocks["picture"].picture
    assert shares is not None
    assert shares.shape == (288, 240)
    deepest = 100.0 * float(np.max(np.abs(shares)))
    assert f"up to {deepest:.2g} % of white" in blocks["picture"].lines[0]
    assert "out of the pack" in blocks["plug_in"].lines[0]
    assert blocks["warmth"].lines[0].startswith("Capacitor: ")
    assert "g of capacitors" in blocks["grams"].lines[0]
    assert "Capacitor" in blocks["grams"].lines[1]
    assert any("comes off" in line for line in blocks["failures"].lines)


def test_both_are_told_where_nobody_knows_which_video_it_is() -> None:
    """Whatever it draws: 12 W is no proof of digital video."""
    build = with_vtx("12 W", "16.2 V", "not known")
    (block,) = [b for b in until(build, "picture") if b.key == "picture"]
    assert block.picture is not None
    assert block.lines[0].startswith("If it is analogue, lines of up to")
    assert block.lines[1].startswith("If it is digital")
    (drop,) = dropouts(sim.solve(build, 1))
    assert f"it does for {sim.quantity.format(drop.below_s, 's', 2)}" in block.lines[1]
    # the same lines as for one that is known to be analogue
    (known,) = [b for b in until(with_vtx("12 W", "16.2 V"), "picture") if b.key == "picture"]
    assert known.lines[0].split("of up to")[1] == block.lines[0].split("of up to")[1]
    assert len(known.lines) == 1


def until(build: Build, key: str) -> list[Block]:
    """The blocks up to one of them; the others are not waited for."""
    found: list[Block] = []
    with suppress(Cancelled):
        behind(
            build, None, 1, tell=found.append, cancelled=lambda: any(b.key == key for b in found)
        )
    return found


def test_a_digital_transmitter_has_no_lines_and_a_plug_in_no_ripple() -> None:
    build = with_vtx("12 W", video="digital")
    blocks: list[Block] = []

    def stop_early() -> bool:
        return len(blocks) >= 6

    with pytest.raises(Cancelled):
        behind(build, None, 2, tell=blocks.append, cancelled=stop_early)
    words = {block.key: " ".join(block.lines) for block in blocks}
    assert "is digital: it shows no lines" in words["picture"]
    assert "no ripple" in words["video"]
    assert words["dropouts"].startswith("No part's supply")
    with pytest.raises(BadField):
        behind(build, None, 9, tell=blocks.append)

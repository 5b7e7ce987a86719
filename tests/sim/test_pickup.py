"""What a ground wire picks up: its mutual inductance, and the false ring on the sample."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest
from msgspec.structs import replace

import sim
from sim.pickup import AWAY_M, mutual_h, picked_up, sources
from sim.probe import Probe, look
from sim.records import Event
from sim.signals import Signal

if TYPE_CHECKING:
    from sim.solution import Solution

WIRE_M = 0.15
ESC = Signal("volts", "esc3.in")


def cut(corners: list[tuple[float, float]], *, closed: bool) -> tuple[np.ndarray, np.ndarray]:
    """Middles and steps of 400 pieces on each side of a line through corners (m)."""
    ends = np.array(corners)
    begins = ends if closed else ends[:-1]
    ways = (np.roll(ends, -1, axis=0) if closed else ends[1:]) - begins
    share = (np.arange(400) + 0.5) / 400
    middle = begins[:, None, :] + share[None, :, None] * ways[:, None, :]
    return middle.reshape(-1, 2), np.repeat(ways / 400, 400, axis=0)


@pytest.mark.parametrize("apart", [2e-3, 4e-3, 15e-3])
def test_the_mutual_inductance_is_neumanns_integral(apart: float) -> None:
    """Summed piece by piece over the whole loop, its ends across the current as well."""
    a, w, d = 0.5 * WIRE_M, 0.25 * WIRE_M, AWAY_M
    loop, along = cut([(0.0, d), (a, d), (a, d + w), (0.0, d + w)], closed=True)
    total = 0.0
    for y, ends in ((0.0, (0.0, a)), (-apart, (a, 0.0))):
        wire, way = cut([(ends[0], y), (ends[1], y)], closed=False)
        distance = np.linalg.norm(loop[:, None, :] - wire[None, :, :], axis=2)
        total += 1e-7 * float(np.sum(along @ way.T / distance))
    assert mutual_h(WIRE_M, 1.0, apart) == pytest.approx(total, rel=1e-3)


def test_a_short_lead_or_a_short_wire_picks_up_little() -> None:
    whole = mutual_h(WIRE_M, 1.0, 4e-3)
    assert mutual_h(WIRE_M, 10e-3, 4e-3) < 0.25 * whole
    assert mutual_h(8e-3, 1.0, 4e-3) < 0.02 * whole
    # there and back on top of each other: nothing
    assert mutual_h(WIRE_M, 1.0, 1e-9) == pytest.approx(0.0, abs=1e-6 * whole)


@cache
def sample(option: str) -> Solution:
    build = sim.load("arms_4s_analogue")
    steady = Event(name="Steady", kind="steady", duration="3 ms", duty=0.6)
    return sim.solve(replace(build, events=(steady,)), option=option)


def around(solution: Solution) -> tuple[float, float]:
    """The clip's own ESC switches there, 20 ns."""
    edges = solution.edge_times(1e-3, 2e-3)
    amps = solution.sample(
        [Signal("amps", "esc3.in")], np.stack([edges, edges + 20e-9], 1).ravel()
    )[0]
    edge = float(edges[np.argmax(np.abs(np.diff(amps)[::2]))])
    return edge - 0.1e-6, edge + 0.5e-6


@pytest.mark.parametrize("option", ["No capacitor", "One at each ESC"])
def test_on_the_sample_a_long_ground_wire_shows_volts_that_are_not_there(option: str) -> None:
    """Common practice, no source: a long wire shows spikes on every edge, a spring hardly any."""
    run = sample(option)
    window = around(run)
    false = {}
    for name, probe in (("wire", Probe(10, WIRE_M)), ("spring", Probe(10))):
        shown = look(run, [ESC], probe, *window)
        assert shown.true == pytest.approx(run.sample([ESC], shown.times))
        false[name] = float(np.abs(shown.seen - shown.true).max())
    assert false["wire"] > 0.3
    assert false["spring"] < 0.06
    # once the edge is over the wire still rings where the formula says
    ring = look(run, [ESC], Probe(10, WIRE_M), *window)
    late = ring.times > window[0] + 0.125e-6
    off = (ring.seen - ring.true)[0][late]
    fine = off - np.convolve(off, np.ones(24) / 24, mode="same")
    zeros = np.flatnonzero(np.diff(np.sign(fine[30:150])))
    period = 2.0 * np.mean(np.diff(ring.times[late][30:150][zeros]))
    assert 1.0 / period == pytest.approx(Probe(10, WIRE_M).ring_hz, rel=0.1)


def test_what_is_picked_up_is_what_flows_beside_it() -> None:
    run = sample("No capacitor")
    found = sources(run, ESC, WIRE_M)
    assert [source.amps.place for source in found] == ["esc3.in", "arm3"]
    t0, t1 = around(run)
    times = np.linspace(t0, t1, 6001)
    amps = run.sample([source.amps for source in found], times)
    picked = picked_up(run, ESC, WIRE_M, times)
    # its integral is M times what the currents have changed by: induction, textbook
    total = float(np.sum(0.5 * (picked[1:] + picked[:-1]) * np.diff(times)))
    expected = sum(s.mutual_h * (i[-1] - i[0]) for s, i in zip(found, amps, strict=True))
    assert total == pytest.approx(expected, rel=0.02)


def test_twisted_and_typed_leads_have_no_area_that_is_known() -> None:
    build = sim.load("arms_4s_analogue")
    leads = tuple(
        replace(lead, twist_pitch="15 mm") if lead.id == "arm3" else lead for lead in build.leads
    )
    steady = Event(name="Steady", kind="steady", duration="1 ms", duty=0.6)
    run = sim.solve(replace(build, leads=leads, events=(steady,)), option="No capacitor")
    assert [source.amps.place for source in sources(run, ESC, WIRE_M)] == ["esc3.in"]

"""What a scope would show: the false ring of a long ground wire, and how it goes away."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from msgspec.structs import replace

import sim
from sim.build import dumps, loads
from sim.errors import SimError
from sim.options import apply
from sim.probe import Probe, look, probe_of
from sim.records import Change, Clip, Event, Option, ProbeSettings
from sim.signals import Signal

WIRE = Probe(10, 0.15)
SPRING = Probe(10)


def step(probe: Probe, rise_s: float, seconds: float = 200e-9) -> tuple[np.ndarray, np.ndarray]:
    """Response to a ramp from 0 to 1 V."""
    dt = 0.1e-9
    times = np.arange(0.0, seconds, dt)
    ramp = np.clip((times - 10e-9) / rise_s, 0.0, 1.0)
    return times, probe.shown(ramp[None], dt)[0]


def test_a_long_ground_wire_rings_where_the_formula_says() -> None:
    # 1 / (2 pi sqrt(150 nH 12 pF)) = 118.6 MHz; 1 nH/mm is common practice, no source
    assert WIRE.ring_hz == pytest.approx(118.63e6, rel=1e-3)
    times, seen = step(WIRE, 0.5e-9)
    overshoot = seen.max() - 1.0
    # overshoot of a second-order step, exp(-pi z / sqrt(1 - z^2)): textbook
    z = WIRE.damping
    assert overshoot == pytest.approx(math.exp(-math.pi * z / math.sqrt(1.0 - z * z)), rel=0.03)
    late = times > 12e-9
    crossings = np.flatnonzero(np.diff(np.sign(seen[late] - 1.0)))[:6]
    period = 2.0 * float(np.mean(np.diff(times[late][crossings])))
    assert 1.0 / period == pytest.approx(WIRE.ring_hz * math.sqrt(1.0 - z * z), rel=0.02)


def test_a_spring_or_a_limit_hides_the_ring() -> None:
    wire, spring, limited = (
        step(probe, 3e-9)[1].max() - 1.0
        for probe in (WIRE, SPRING, Probe(10, 0.15, bandwidth_hz=20e6))
    )
    assert wire > 0.2
    assert spring < 0.03
    assert limited < 0.02


def test_a_1x_probe_is_slow() -> None:
    # 8 to 10 MHz: what trade guides say of 1x probes
    gain = np.abs(Probe(1).gain(np.array([1e3, 8e6, 30e6])))
    assert gain[0] == pytest.approx(1.0, abs=1e-6)
    assert gain[1] == pytest.approx(1.0 / math.sqrt(2.0), rel=0.05)
    assert gain[2] < 0.3


@pytest.mark.parametrize(
    "probe",
    [WIRE, Probe(1, 0.1), Probe(10, 0.0, 20e6), Probe(10, 0.15, 20e6, "ac")],
)
@pytest.mark.parametrize("hz", [200e3, 20e6, 90e6])
def test_time_and_frequency_agree(probe: Probe, hz: float) -> None:
    dt = 0.2e-9
    times = np.arange(0.0, 40.0 / hz + 2e-6, dt)
    seen = probe.shown(np.sin(math.tau * hz * times)[None], dt)[0]
    whole = round(10.0 / hz / dt)
    turn = np.exp(-1j * math.tau * hz * times[-whole:])
    measured = 2.0 / whole * abs(seen[-whole:] @ turn)
    assert measured == pytest.approx(abs(probe.gain(np.array([hz]))[0]), rel=0.01)


def test_ac_coupling_takes_the_level_away() -> None:
    seen = Probe(coupling="ac").shown(np.full((1, 1000), 16.8), 1e-6)
    assert np.abs(seen).max() < 1e-6
    # a 1x probe's corner is 10 Hz: 16 ms time constant
    droop = Probe(1, coupling="ac").shown(np.ones((1, 20001)), 1e-6, before=np.zeros(1))
    assert droop[0, 15915] == pytest.approx(math.exp(-1.0), rel=1e-3)


def test_a_run_through_a_probe_and_the_truth_beside_it(monkeypatch: pytest.MonkeyPatch) -> None:
    build = sim.load("arms_4s_analogue")
    # edges of 10 ns against 1 nH of each ceramic: steps of a volt or two at the ESC
    changes = [Change(set=f"esc{i}.rise_time", value="10 ns") for i in range(1, 5)]
    changes += [Change(set=f"cer{i}.esl", value="1 nH") for i in range(1, 5)]
    build = apply(apply(build, build.options[0]), Option(name="", changes=tuple(changes)))
    steady = Event(name="Steady", kind="steady", duration="5 ms", duty=0.6)
    run = sim.solve(replace(build, options=(), events=(steady,)))
    signal = [Signal("volts", "esc1.in")]
    edges = run.trajectory.edge_times(1e-3, 2e-3)  # type: ignore[attr-defined]
    # one of its own
    moved = np.abs(run.sample(signal, edges + 5e-9) - run.sample(signal, edges))[0]
    edge = float(edges[np.argmax(moved)])
    window = (edge - 0.2e-6, edge + 1.5e-6)
    wire, spring = look(run, signal, WIRE, *window), look(run, signal, SPRING, *window)
    assert wire.ring_resolved
    exact = run.sample(signal, wire.times)
    assert wire.true == pytest.approx(exact)
    # once the edge is over (both probes are late on the edge itself)
    false, little = (
        np.abs(shown.seen - shown.true)[:, shown.times > edge + 14e-9].max()
        for shown in (wire, spring)
    )
    assert false > 0.3, "volts that are not there"
    assert false > 5.0 * little
    # the whole event is too long to hold a ring of 119 MHz, and says so
    with monkeypatch.context() as fewer:
        fewer.setattr("sim.probe.MOST_SAMPLES", 20_000)
        assert not look(run, signal, WIRE, 0.0, 5e-3).ring_resolved
    ac = look(run, signal, Probe(coupling="ac"), *window)
    assert np.abs(ac.seen).max() < 5.0 < ac.true.min()


def test_probes_in_a_file() -> None:
    document = json.loads(dumps(sim.load("arms_4s_analogue")))
    document["clips"][0]["probe"] = {"ground_wire": "150 mm", "bandwidth": "20 MHz"}
    build = loads(json.dumps(document).encode())
    probe = probe_of(build.clips[0])
    assert probe == Probe(10, 0.15, 20e6)
    assert probe.says == "10x, 150 mm ground wire, 20 MHz limit"
    assert loads(dumps(build)) == build
    assert probe_of(Clip(tip="pads")) is None


@pytest.mark.parametrize(
    ("probe", "named"),
    [
        ({"ground_wire": "3 m"}, "clips[0].probe"),
        ({"bandwidth": "2 V"}, "clips[0].probe.bandwidth"),
        ({"attenuation": 7}, "clips[0].probe"),
        ({"length": 7}, "length"),
    ],
)
def test_a_probe_that_is_none_is_refused_by_name(probe: dict[str, object], named: str) -> None:
    document = json.loads(dumps(sim.load("arms_4s_analogue")))
    document["clips"][0]["probe"] = probe
    with pytest.raises(SimError) as caught:
        loads(json.dumps(document).encode())
    assert named in str(caught.value)


def test_settings_default_to_a_spring_on_10x() -> None:
    assert probe_of(Clip(tip="pads", probe=ProbeSettings())) == SPRING

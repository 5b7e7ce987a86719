"""Regulators: what they draw, what they let through, and what happens below their headroom."""

import json

import numpy as np
import pytest
from msgspec.structs import replace

import sim
from sim.assemble import assemble, behind_watts
from sim.build import loads
from sim.errors import BadField, Conflict
from sim.mean_equations import MeanEquations
from sim.parts import KINDS
from sim.parts.regulator import Regulator, rejection_db
from sim.records import Build, Event
from sim.resolve import resolve
from sim.solution import Solution
from sim.state_equations import StateEquations

BUCK = {"output_voltage": "9 V", "dropout": "1 V", "output_capacitance": "22 uF"}


def build(volts: str = "12 V", **given: str) -> Build:
    values = {**BUCK, **given}
    parts = [
        {
            "id": "pack",
            "kind": "battery",
            "values": {
                "cells": 3,
                "open_circuit_voltage": volts,
                "cell_resistance": "5 mOhm",
                "inductance": "100 nH",
            },
        },
        {"id": "cap", "kind": "electrolytic", "values": {"capacitance": "220u", "esr": "50m"}},
        {"id": "reg", "kind": "regulator", "values": values},
        {"id": "vtx", "kind": "vtx", "values": {"power": "8 W", "minimum_voltage": "6 V"}},
    ]
    leads = [
        {"id": "main", "from": "pack.out", "to": "cap"},
        {"id": "feed", "from": "cap", "to": "reg.in", "gauge": "24 AWG", "length": "40 mm"},
        {"id": "tail", "from": "reg.out", "to": "vtx.in", "gauge": "24 AWG", "length": "40 mm"},
    ]
    events = [{"name": "Still", "kind": "steady", "duration": "1 ms"}]
    tree = {"name": "one regulator", "parts": parts, "leads": leads, "events": events}
    return loads(json.dumps(tree).encode())


def figures(made: Build) -> tuple[Solution, dict[str, float]]:
    solution = sim.solve(made, detail="averaged")
    assert solution.energy.residual < 1e-6
    return solution, {j.id: j.mean_V for j in solution.joints}


def test_a_buck_draws_its_loads_power_over_its_efficiency() -> None:
    solution, volts = figures(build(efficiency="80 %"))
    parts = {p.id: p for p in solution.parts}
    assert volts["reg.in"] * parts["reg"].rms_A == pytest.approx(8.0 / 0.8, rel=1e-3)
    assert parts["vtx"].loss_J == pytest.approx(8e-3, rel=1e-6)
    # what is left over heats the regulator, its output resistance included
    assert parts["reg"].loss_J == pytest.approx(2e-3, rel=2e-2)


def test_a_linear_regulator_draws_its_loads_current() -> None:
    solution, volts = figures(build(type="ldo"))
    parts = {p.id: p for p in solution.parts}
    assert parts["reg"].rms_A == pytest.approx(8.0 / 9.0, rel=1e-3)
    lost = (volts["reg.in"] - volts["reg.out"]) * parts["reg"].rms_A
    assert parts["reg"].loss_J == pytest.approx(1e-3 * lost, rel=1e-2)


@pytest.mark.parametrize(("volts", "want"), [("12 V", 9.0), ("10.5 V", 9.0), ("8 V", 7.2)])
def test_below_its_headroom_the_output_follows_the_input(volts: str, want: float) -> None:
    """At most 9/10 of its input, which is its longest duty."""
    made, seen = figures(build(volts, output_resistance="1 uOhm"))
    share = min(9.0, 0.9 * seen["reg.in"])
    assert seen["reg.out"] == pytest.approx(share, rel=1e-6)
    assert seen["reg.out"] == pytest.approx(want, rel=0.03)
    assert made.stable


def test_a_boost_holds_its_output_above_its_input() -> None:
    _, seen = figures(build("7 V", type="boost", minimum_input="5 V"))
    assert seen["reg.out"] == pytest.approx(9.0, rel=0.01)
    assert seen["reg.in"] < 7.0


@pytest.mark.parametrize("hertz", [100.0, 1e3, 10e3, 100e3, 1e6])
def test_ripple_passes_by_the_rejection(hertz: float) -> None:
    """The network's own transfer from input to output is what the fit says."""
    made = build(output_capacitance="0 F", output_resistance="1 mOhm")
    network = assemble(made)
    eq = StateEquations(network)
    mean = MeanEquations(eq)
    from sim.mean_equations import equilibrium

    still = np.zeros(0)
    jacobian = mean.jacobian(still, equilibrium(mean, still))
    push = eq.b.at(still)[:, eq.source_inputs][:, eq.sources > 0.0][:, 0]
    x = np.linalg.solve(2j * np.pi * hertz * np.eye(eq.n_states) - jacobian, push)
    # behind the output resistance the load's own small current acts too: look at the source
    emf = eq.followers[1].x.at(still)[0] @ x
    into = eq.volts(*network.ports["reg.in"]).x.at(still)[0] @ x
    kind = KINDS["regulator"]
    assert isinstance(kind, Regulator)
    want = rejection_db(kind.lags(resolve(made.part("reg"))), hertz)  # type: ignore[arg-type]
    assert -20.0 * np.log10(abs(emf / into)) == pytest.approx(want, abs=0.1)


@pytest.mark.parametrize(
    ("text", "points"),
    [
        ("40 dB", {100.0: 40.0, 1e6: 40.0}),
        ("60 dB at 1 kHz, 20 dB at 1 MHz", {1e3: 60.0, 1e6: 20.0}),
        ("70 dB @ 1kHz; 30 dB @ 100 kHz", {1e3: 70.0, 100e3: 30.0}),
        ("70 dB at 1 kHz, 50 dB at 10 kHz, 30 dB at 100 kHz", {1e3: 70.0, 1e4: 50.0, 1e5: 30.0}),
    ],
)
def test_the_fit_meets_the_points_given(text: str, points: dict[float, float]) -> None:
    kind = KINDS["regulator"]
    assert isinstance(kind, Regulator)
    part = build(rejection=text).part("reg")
    assert part is not None
    lags = kind.lags(resolve(part))
    for hertz, decibel in points.items():
        assert rejection_db(lags, hertz) == pytest.approx(decibel, abs=3.0)
    assert not [w for w in kind.check(resolve(part)) if "rejection" in w]


def test_a_rejection_nobody_can_model_is_said() -> None:
    part = build(rejection="80 dB at 1 kHz, 10 dB at 2 kHz").part("reg")
    assert part is not None
    assert any("rejection" in w for w in KINDS["regulator"].check(resolve(part)))


@pytest.mark.parametrize("text", ["sixty", "60 dB at noon", "60 dB, 20 dB at 1 MHz", "999 dB"])
def test_a_rejection_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(BadField, match="rejection"):
        sim.solve(build(rejection=text), detail="averaged")


def test_regulators_in_a_row_add_up() -> None:
    made = build()
    extra = loads(
        json.dumps(
            {
                "name": "x",
                "parts": [
                    {"id": "reg5", "kind": "regulator", "values": {"output_voltage": "5 V"}},
                    {"id": "fc", "kind": "receiver", "values": {"current": "0.5 A"}},
                ],
            }
        ).encode(),
        checked=False,
    )
    leads = loads(
        b'{"name": "x", "leads": [{"id": "n1", "from": "reg.out", "to": "reg5.in"},'
        b'{"id": "n2", "from": "reg5.out", "to": "fc.in"}]}',
        checked=False,
    ).leads
    from msgspec.structs import replace

    row = replace(made, parts=made.parts + extra.parts, leads=made.leads + leads)
    first = row.part("reg")
    assert first is not None
    assert behind_watts(row, first) == pytest.approx(8.0 + 2.5 / 0.9)
    ring = replace(
        row,
        leads=(*row.leads, replace(leads[1], id="n3", from_="reg5.out", to="reg.in")),
    )
    with pytest.raises(Conflict, match="feeds itself"):
        behind_watts(ring, first)


def test_a_load_step_behind_it_reaches_its_input_with_its_bandwidth() -> None:
    made = build(efficiency="80 %", bandwidth="20 kHz")
    step = Event(
        name="Step", kind="load_step", duration="0.6 ms", part="vtx", at="0.2 ms", value="16 W"
    )
    solution = sim.solve(replace(made, events=(step,)))
    lag = 1.0 / (2.0 * np.pi * 20e3)
    times = 0.2e-3 + np.array([-1e-6, 0.0, lag, 2.0 * lag, 0.35e-3])
    eq, run = solution.equations, solution.trajectory
    amps = run.sample(eq.amps(eq.network.port_branches["reg.in"]), times)[0]
    volts = run.sample(eq.volts(*eq.network.ports["reg.in"]), times)[0]
    share = np.array([0.0, 0.0, 1.0 - np.exp(-1.0), 1.0 - np.exp(-2.0), 1.0])
    # (its command follows the input's voltage, which the step moves a little)
    assert amps * volts == pytest.approx((8.0 + 8.0 * share) / 0.8, rel=0.02)
    assert solution.energy.residual < 1e-6

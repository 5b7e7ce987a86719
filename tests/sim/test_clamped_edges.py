"""A clamp with every edge: against Radau restarted at edges and knees, and what comes of it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from msgspec.structs import replace

import sim
from sim import restarted
from sim.api import prepare, solve_case
from sim.build import dumps, loads
from sim.diode_kernels import OPEN
from sim.diodes import DiodeRun
from sim.edit import place_across, remove
from sim.errors import SimError
from sim.followed import FollowedRun
from sim.pulse_heat import peak_rise
from sim.records import Build, Change, Lead, Part
from sim.switching import EdgeRun
from tests.sim.clamped import Clamped, solve

if TYPE_CHECKING:
    from sim.state_equations import Rows, StateEquations

LEAD = {"resistance": "1 mOhm", "inductance": "5 nH"}


def rig(
    *,
    clamp: Any = None,
    ceramic: Any = None,
    lead: Any = None,
    esc: Any = None,
    load: bool = False,
    freewheel: bool = True,
) -> Build:
    """A supply, a clamp and a ceramic at an ESC, and a motor that is braked."""
    own = {"breakdown_voltage": "16.6 V", "slope_resistance": "0.4 Ohm", **(clamp or {})}
    rated = {"rated_energy": "0.6 J", "pulse_power": "600 W"}
    stage = {"bridge_resistance": "5 mOhm", "rise_time": "20 ns", "carrier_phase": 0}
    small = {"capacitance": "10 uF", "esr": "3 mOhm", "esl": "0.6 nH", **(ceramic or {})}
    motor = {"kv": 1800, "resistance": "60 mOhm", "inductance": "15 uH", "inertia": 7.5e-6}
    pack = {"voltage": 16, "resistance": "20 mOhm", "inductance": "300 nH"}
    tree: dict[str, Any] = {
        "name": "bench",
        "parts": [
            {"id": "psu", "kind": "bench_supply", "values": pack},
            {"id": "cap", "kind": "ceramic", "values": small},
            {"id": "tvs", "kind": "clamp", "values": {**own, **rated}},
            {"id": "esc1", "kind": "esc", "values": {**stage, **(esc or {})}},
            {"id": "m1", "kind": "motor", "values": {**motor, "drag": 1e-8}},
        ],
        "leads": [
            {"id": "a", "from": "psu.out", "to": "esc1.in"},
            {"id": "b", "from": "cap", "to": "esc1.in"},
            {"id": "c", "from": "esc1.motor", "to": "m1"},
            {"id": "d", "from": "tvs", "to": "esc1.in", **(lead or {})},
        ],
        "events": [
            {
                "name": "Go",
                "kind": "throttle",
                "duration": "1 ms",
                "freewheel": freewheel,
                "course": [[0, 0.6], [0.2e-3, 0.6], [0.3e-3, 0.2]],
            }
        ],
    }
    if load:
        tree["parts"].append({"id": "l1", "kind": "load", "values": {"current": "0.5 A"}})
        tree["leads"].append({"id": "e", "from": "l1", "to": "esc1.in"})
    return loads(json.dumps(tree).encode())


def clamped(volts: str = "17 V", *, lead: Any = None, quiet: bool = False) -> Build:
    """The 4S sample with a clamp at the pads; `quiet` without loads of constant power.

    Such loads are held from edge to edge: 1 mV off a general solver, clamp or not.
    """
    values = {"breakdown_voltage": volts, "rated_energy": "0.6 J", "pulse_power": "600 W"}
    build = sim.load("arms_4s_analogue")
    build = replace(
        build,
        parts=(*build.parts, Part(id="tvs", kind="clamp", values=values)),
        leads=(
            *build.leads,
            Lead(id="legs", from_="tvs", to="pads", **(LEAD if lead is None else lead)),
        ),
    )
    return remove(build, ["vtx", "camera", "fc", "lc"]) if quiet else build


def wanted(eq: StateEquations, ports: tuple[str, ...]) -> list[Rows]:
    """Voltages at ports, and the clamp's current."""
    net = eq.network
    return [*(eq.volts(*net.ports[p]) for p in ports), eq.amps(net.port_branches["tvs.in"])]


def held_against(
    build: Build, event: str, option: str | None, window: tuple[float, float], ports: Any
) -> tuple[list[float], int, sim.Solution]:
    """Largest differences to the reference (V each, then A), how often the knee was met."""
    case = prepare(build, event, option)
    solution = solve_case(case, "edges")
    run = solution.trajectory
    assert isinstance(run, DiodeRun)
    own = Clamped(case.stages[0].equations.network)
    row = restarted.spans(run, 0, *window)
    piece = int(np.searchsorted(run._t, window[0], side="right")) - 1
    on = int(run._m.table.names[run._pattern[piece]][-1] != OPEN)
    x = run.states(np.array([window[0]]))[0]
    x = x if on else own.moved(x, 1, 0, row[0].s)
    rows = tuple(wanted(mean.eq, ports) for mean in own.means)
    times, values, met = solve(own, row, x, on, (rows[0], rows[1]))
    mine = [run.sample(r, times)[0] for r in wanted(run.equations, ports)]
    return [float(np.max(np.abs(a - b))) for a, b in zip(mine, values, strict=True)], met, solution


@pytest.mark.parametrize(
    "changes",
    [
        {},  # nothing but inductance and the bridge at its joint
        {"lead": LEAD},
        {"ceramic": {"esl": 0, "esr": 0}},  # straight across a capacitor
        {"ceramic": {"esl": 0}},  # across one with resistance: its current is no state
        {"clamp": {"leg_length": "5 mm"}, "esc": {"rise_time": "50 ns"}},
        # the knee is met on ramps as well
        {
            "clamp": {"breakdown_voltage": "19 V"},
            "ceramic": {"capacitance": "1 uF", "esl": "3 nH"},
            "esc": {"rise_time": "200 ns"},
        },
    ],
    ids=["bridge", "lead", "capacitor", "resistance", "legs", "on ramps"],
)
def test_braking_into_a_clamp_is_what_restarted_radau_says(changes: dict[str, Any]) -> None:
    off, met, solution = held_against(rig(**changes), "Go", None, (0.3e-3, 0.4e-3), ("esc1.in",))
    assert met >= 10
    # (both to 1e-9 of their own steps; 20 V, 15 A)
    assert off[0] < 1e-5, off
    assert off[1] < 1e-5, off
    assert solution.energy.residual < 1e-9


@pytest.mark.parametrize("option", ["No capacitor", "One on the pads"])
def test_the_sample_with_a_clamp_at_the_pads(option: str) -> None:
    ports = ("pads", "esc1.in", "tvs.in")
    off, met, solution = held_against(
        clamped(quiet=True), "Chop", option, (24.3e-3, 24.36e-3), ports
    )
    assert met >= 2
    assert max(off) < 1e-6, off
    assert solution.energy.residual < 1e-9


def test_one_that_never_conducts_costs_nothing_and_changes_nothing() -> None:
    with_one = sim.solve(clamped("60 V"), "Chop", "No capacitor")
    without = sim.solve(sim.load("arms_4s_analogue"), "Chop", "No capacitor")
    assert type(with_one.trajectory) is EdgeRun
    part = next(p for p in with_one.parts if p.id == "tvs")
    assert [use.value for use in part.ratings] == [0.0, 0.0]
    for place in ("pads", "esc1.in"):
        mine, other = (
            next(j for j in s.joints if j.id == place).peak_V for s in (with_one, without)
        )
        assert mine == pytest.approx(other, abs=1e-6)


def test_what_a_clamp_takes_is_a_term_of_its_own_and_makes_its_pulses() -> None:
    solution = sim.solve(clamped(), "Chop", "No capacitor")
    assert solution.energy.residual < 1e-9
    run = solution.trajectory
    taken = run.energy(0.0, solution.duration_s).by_owner["tvs"]
    edges, joules = run.heat_steps("tvs", 0.0, solution.duration_s)
    assert taken > 0.1
    assert joules.sum() == pytest.approx(taken, rel=1e-3)
    assert np.all(np.diff(edges) >= 0.0)
    uses = {u.reads: u for p in solution.parts if p.id == "tvs" for u in p.ratings}
    assert uses["energy"].value == pytest.approx(taken, rel=1e-6)
    # it would be colder if all came evenly over the event
    even = peak_rise(np.array([0.0, solution.duration_s]), np.array([taken]), 600.0)
    assert even < uses["warms by"].value < 150.0


def test_envelope_extremes_and_samples_agree_where_the_knee_is_met() -> None:
    solution = sim.solve(rig(lead=LEAD), "Go")
    run, eq = solution.trajectory, solution.equations
    rows = eq.amps(eq.network.port_branches["tvs.in"])
    t0, t1, bins = 0.3e-3, 0.4e-3, 50
    low, high = run.envelope(rows, t0, t1, bins)
    times = np.linspace(t0, t1, 200 * bins, endpoint=False) + 1e-11
    dense = run.sample(rows, times)[0].reshape(bins, -1)
    assert np.all(dense.max(axis=1) <= high[0] + 1e-6)
    assert np.all(dense.min(axis=1) >= low[0] - 1e-6)
    # bins in which it begins or ends to conduct reach from nothing to something
    mixed = (dense.min(axis=1) < 1e-9) & (dense.max(axis=1) > 0.1)
    assert mixed.sum() >= 4
    # (200 looks a bin: 10 ns)
    assert np.all(np.abs(dense.max(axis=1) - high[0])[mixed] < 0.5)
    assert np.all(np.abs(low[0][mixed]) < 1e-5)
    assert run.extremes(rows, t0, t1)[1][0] == pytest.approx(high.max(), rel=1e-9)


def test_averaged_it_takes_about_what_it_takes_edge_by_edge() -> None:
    """Where it conducts all through, ripple and all: the averaged level knows no ripple."""
    build = clamped("13 V")
    takes = [
        sim.solve(build, "Chop", "One at each ESC", detail=detail)  # type: ignore[arg-type]
        .trajectory.energy(0.0, 20e-3)
        .by_owner["tvs"]
        for detail in ("averaged", "edges")
    ]
    assert takes[0] > 1.0
    assert takes[0] == pytest.approx(takes[1], rel=0.02)


def test_a_clamp_against_a_capacitor_in_the_comparison() -> None:
    drawn = clamped()
    old = {option.name: option for option in drawn.options}
    clamp_only = replace(old["No capacitor"], name="Clamp at the pads")
    pads = old["One on the pads"]
    with_cap = replace(pads, changes=(*pads.changes, Change(remove="tvs")))
    findings = sim.compare(replace(drawn, options=(clamp_only, with_cap)), "Chop", seeds=2)
    cells = {(c.option, c.part, c.reads): c for c in findings.cells}
    assert ("Clamp at the pads", "tvs", "warms by") in cells
    assert cells["Clamp at the pads", "tvs", "energy"].value > 0.1


def test_freewheel_off_and_dead_time_go_with_it() -> None:
    solution = sim.solve(rig(lead=LEAD, freewheel=False), "Go")
    assert solution.energy.residual < 1e-9
    dead = sim.solve(rig(lead=LEAD, esc={"dead_time": "100 ns"}), "Go")
    none = sim.solve(rig(lead=LEAD), "Go")
    assert dead.energy.residual < 1e-9
    takes = [s.trajectory.energy(0.0, s.duration_s).by_owner["tvs"] for s in (dead, none)]
    assert takes[1] > 1e-4
    # 100 ns of 21 us, in which the diodes carry the braking current on
    assert takes[0] == pytest.approx(takes[1], rel=0.2)


def test_with_fading_ceramics_it_follows_them_only_while_no_clamp_conducts() -> None:
    rest, conducts = (
        sim.solve(rig(ceramic={"half_voltage": "12 V"}, clamp={"breakdown_voltage": v}), "Go")
        for v in ("500 V", "16.6 V")
    )
    assert rest.stores == "followed"
    assert isinstance(rest.trajectory, FollowedRun)
    assert conducts.stores == "as at the start"
    assert conducts.energy.residual < 1e-6


def test_a_load_beside_nothing_but_inductance_is_refused_in_words() -> None:
    with pytest.raises(SimError, match="capacitor"):
        sim.solve(rig(load=True), "Go")


def test_interpreted_kernels_give_the_same() -> None:
    """Without the compiler the same loops run as they stand; a short event in a process apart."""
    code = (
        "import sim, numpy as np\n"
        "from msgspec.structs import replace\n"
        "from tests.sim.test_clamped_edges import rig, LEAD\n"
        "b = rig(lead=LEAD)\n"
        "e = tuple(replace(e, duration='0.34 ms') for e in b.events)\n"
        "s = sim.solve(replace(b, events=e), 'Go')\n"
        "q = s.equations\n"
        "r = q.amps(q.network.port_branches['tvs.in'])\n"
        "print(*s.trajectory.sample(r, np.linspace(0.3e-3, 0.339e-3, 40))[0].tolist())\n"
    )
    read = []
    for off in ("0", "1"):
        done = subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "NUMBA_DISABLE_JIT": off},
            capture_output=True, text=True, check=True, timeout=300,
        )  # fmt: skip
        read.append([float(v) for v in done.stdout.split()])
    assert max(read[0]) > 1.0
    assert read[0] == pytest.approx(read[1], abs=1e-9)


def test_beside_a_supply_that_limits_and_through_stages() -> None:
    tree = json.loads(dumps(rig(lead=LEAD, clamp={"breakdown_voltage": "18.5 V"})))
    pack = next(part for part in tree["parts"] if part["id"] == "psu")
    pack["values"].update({"output_capacitance": "470 uF", "current_limit": "4 A"})
    solution = sim.solve(loads(json.dumps(tree).encode()), "Go")
    assert solution.energy.residual < 1e-9
    assert solution.trajectory.energy(0.0, solution.duration_s).by_owner["tvs"] > 0.01
    values = {"breakdown_voltage": "25 V", "pulse_power": "600 W"}
    build = sim.load("coast_6s_seven")
    clamp = Part(id="tvs", kind="clamp", values=values)
    staged = sim.solve(place_across(build, clamp, "pads", (20.0, 20.0)), "VTX to full power", 1)
    assert staged.energy.residual < 1e-9
    warmed = {u.reads: u.value for p in staged.parts if p.id == "tvs" for u in p.ratings}
    assert 0.0 < warmed["warms by"] < 150.0

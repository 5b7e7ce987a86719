"""Flows by band: Kirchhoff's law at every joint, and that capacitors move the loop."""

from __future__ import annotations

import math

import numpy as np
import pytest

import sim
from sim.noise_path import BANDS, NoisePath, lead_addresses, noise_path
from sim.resolve import canonical
from sim.solution import Solution


def _flows(option: int) -> tuple[Solution, NoisePath]:
    solution = sim.solve(sim.load("arms_4s_analogue"), event=1, option=option)
    return solution, noise_path(solution, 0.024, 0.026)


# no capacitor, one at each ESC with a filter, and that with the camera's pair split
@pytest.fixture(scope="module", params=[1, 5, 6])
def case(request: pytest.FixtureRequest) -> tuple[Solution, NoisePath]:
    return _flows(request.param)


def test_currents_drawn_at_each_joint_sum_to_zero(case: tuple[Solution, NoisePath]) -> None:
    """Every band, at every instant of its motion. Kirchhoff's current law."""
    solution, path = case
    build = solution.context.build
    addresses = lead_addresses(build, solution.equations.network)
    joints = [part.id for part in build.parts if part.kind == "joint"]
    checked = 0
    for joint in joints:
        into: list[tuple[str, float]] = []
        for lead in build.leads:
            ends = (canonical(build, lead.from_), canonical(build, lead.to))
            if joint in ends:
                assert lead.id in addresses, f"{lead.id} at {joint} has no current"
                address, sign = addresses[lead.id]
                into.append((address, sign if ends[1] == joint else -sign))
        for band in range(len(BANDS)):
            phasors = np.array([path.at(a).phasor[band] * sign for a, sign in into])  # type: ignore[union-attr]
            for angle in np.linspace(0.0, 2.0 * math.pi, 8):
                frame = np.real(phasors * np.exp(1j * angle))
                assert abs(frame.sum()) <= 1e-9 * max(np.abs(frame).sum(), 1e-6)
        checked += len(into)
    assert checked >= 6


def test_currents_drawn_at_every_port_are_what_the_part_takes(
    case: tuple[Solution, NoisePath],
) -> None:
    """At every part's pads the plus conductors of its leads bring what flows into it."""
    solution, path = case
    build, network = solution.context.build, solution.equations.network
    addresses = lead_addresses(build, network)
    into: dict[str, list[tuple[str, float]]] = {}
    for lead in build.leads:
        for end, way in ((lead.from_, -1.0), (lead.to, 1.0)):
            if lead.conductor in ("pair", "plus"):
                address, sign = addresses[lead.id]
                into.setdefault(canonical(build, end), []).append((address, way * sign))
    several = 0
    for place, leads in into.items():
        own = [(place, 1.0 if place.endswith(".out") else -1.0)]
        rows = leads + (own if place in network.port_branches else [])
        several += len(leads) > 1
        for band in range(len(BANDS)):
            phasors = np.array([path.at(a).phasor[band] * s for a, s in rows])  # type: ignore[union-attr]
            for angle in np.linspace(0.0, 2.0 * math.pi, 8):
                frame = np.real(phasors * np.exp(1j * angle))
                assert abs(frame.sum()) <= 1e-9 * max(np.abs(frame).sum(), 1e-6), place
    assert len(into) >= 20
    assert several >= 4


def test_currents_drawn_along_minus_sum_to_zero_too(case: tuple[Solution, NoisePath]) -> None:
    """What parts give out at minus goes off along the minus conductors of the leads there.

    Also where a pair is split and the camera's current comes back through another's wires.
    """
    solution, path = case
    build, network = solution.context.build, solution.equations.network
    addresses = lead_addresses(build, network)
    into: dict[int, list[tuple[str, float]]] = {}
    uneven = 0
    for lead in build.leads:
        if lead.conductor == "plus" or ".motor" in lead.from_ + lead.to:
            continue
        key, back = lead.id, 1.0 if lead.conductor == "minus" else -1.0
        if lead.minus_address in addresses:
            uneven += 1
            key, back = lead.minus_address, 1.0
        address, sign = addresses[key]
        for end, way in ((lead.from_, -1.0), (lead.to, 1.0)):
            node = network.ports[canonical(build, end)][1]
            into.setdefault(node, []).append((address, back * way * sign))
    for place in network.port_branches:
        owner, _, port = place.partition(".")
        node = network.ports[place][1]
        part = build.part(owner)
        # (what flows in an ESC's motor closes within the two)
        if part is not None and part.kind != "motor" and node in into and port in ("in", "out"):
            into[node].append((place, -1.0 if place.endswith(".out") else 1.0))
    assert (uneven > 0) == any(lead.conductor != "pair" for lead in build.leads)
    for node, rows in into.items():
        for band in range(len(BANDS)):
            phasors = np.array([path.at(a).phasor[band] * s for a, s in rows])  # type: ignore[union-attr]
            for angle in np.linspace(0.0, 2.0 * math.pi, 8):
                frame = np.real(phasors * np.exp(1j * angle))
                assert abs(frame.sum()) <= 1e-9 * max(np.abs(frame).sum(), 1e-6), (node, rows)
    assert len(into) >= 10


def test_bands_hold_all_of_the_ripple(case: tuple[Solution, NoisePath]) -> None:
    """Squares of the two fast bands make the mean square that closed forms give, within the
    share that a bell over 48 periods weighs otherwise."""
    solution, path = case
    main = path.at("main")
    assert main is not None
    rows = solution.rows(sim.Signal("amps", "main"))
    mean, square = solution.trajectory.means(rows, path.t0, path.t1)
    ac = math.sqrt(float(square[0] - mean[0] ** 2))
    assert main.rms[0] == pytest.approx(float(mean[0]), rel=0.1)
    assert math.hypot(*main.rms[1:]) == pytest.approx(ac, rel=0.25)


def test_a_capacitor_at_each_esc_takes_the_loop_off_the_leads() -> None:
    """Common practice, no source: it closes the loop on the spot."""
    _, without = _flows(1)
    _, with_them = _flows(3)
    for lead in ("main", "arm1"):
        before, after = without.at(lead), with_them.at(lead)
        assert before is not None
        assert after is not None
        assert after.rms[2] < 0.3 * before.rms[2] + 0.5
    main = with_them.at("main"), without.at("main")
    assert main[0] is not None
    assert main[1] is not None
    assert main[0].rms[1] < 0.6 * main[1].rms[1]

"""Return paths: what a ground offset is made of, and when it is a guess."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

import sim
from sim import returns
from sim.assemble import assemble
from sim.check import check
from sim.lead import conductors
from sim.records import Build, Clip, Event, Lead, Part
from sim.resolve import resolve_lead

PACK = {"cells": 4, "cell_resistance": "5 mOhm", "inductance": "60 nH"}
MOTOR = {"kv": 2400, "resistance": "52 mOhm", "inductance": "14 uH"}


def quad(ground_at: str, **arm: Any) -> Build:
    """Two ESCs on arms and a camera, whose minus goes to the pads or to an ESC. Our invention."""
    arm = arm or {"gauge": "18 AWG", "length": "120 mm"}
    parts = [
        Part(id="pack", kind="battery", values=PACK),
        Part(id="pads", kind="joint"),
        Part(id="camera", kind="camera", values={"power": "1.1 W"}),
    ]
    leads = [
        Lead(id="main", from_="pack.out", to="pads", gauge="14 AWG", length="80 mm"),
        Lead(id="red", from_="pads", to="camera", gauge="28 AWG", length="90 mm",
             conductor="plus"),
        Lead(id="black", from_=ground_at, to="camera", gauge="28 AWG", length="90 mm",
             conductor="minus"),
    ]  # fmt: skip
    for k in (1, 2):
        parts += [
            Part(id=f"esc{k}", kind="esc", values={"pwm_frequency": "24 kHz"}),
            Part(id=f"motor{k}", kind="motor", values=MOTOR),
            Part(id=f"cer{k}", kind="ceramic", values={"capacitance": "4.5 uF", "esr": "3 mOhm"}),
            Part(id=f"can{k}", kind="electrolytic", values={"capacitance": "220u", "esr": "60m"}),
        ]
        leads += [
            Lead(id=f"arm{k}", from_="pads", to=f"esc{k}.in", **arm),
            Lead(id=f"phase{k}", from_=f"esc{k}.motor", to=f"motor{k}"),
            Lead(id=f"on{k}", from_=f"cer{k}", to=f"esc{k}.in"),
            Lead(id=f"by{k}", from_=f"can{k}", to=f"esc{k}.in"),
        ]
    return Build(
        name="grounds",
        parts=tuple(parts),
        leads=tuple(leads),
        events=(Event(name="Cruise", kind="steady", duration="2 ms", duty=0.5),),
        clips=(Clip(tip="camera.in", ground="pads", reads="offset"),),
    )


def offset(build: Build) -> tuple[float, float]:
    """Mean and peak-to-peak of the camera's ground against the pads', V."""
    run = sim.solve(build)
    figures = run.stretch([sim.Signal("offset", "camera.in", "pads")], 0.0, run.duration_s)
    assert run.energy.residual <= 1e-6
    return float(figures.mean[0]), float(figures.highest[0] - figures.lowest[0])


def test_a_camera_grounded_at_an_esc_shows_its_offset_and_at_the_pads_none() -> None:
    """At the ESC, arm current times the copper's resistance, and its ripple; at the pads only
    what the camera itself draws, 70 mA through 90 mm of 28 AWG."""
    mean_esc, ripple_esc = offset(quad("esc1.in"))
    mean_pads, ripple_pads = offset(quad("pads"))
    build = quad("esc1.in")
    arm, black = (
        conductors(resolve_lead(lead), lead.conductor).resistance_ohm
        for lead in (build.lead("arm1"), build.lead("black"))
        if lead is not None
    )
    run = sim.solve(build)
    amps = run.stretch(
        [sim.Signal("amps", "arm1"), sim.Signal("amps", "camera")], 0.0, run.duration_s
    )
    to_esc, to_camera = (float(x) for x in amps.mean)
    # what the camera draws comes back by its black wire and the arm's
    expected = to_esc * arm + to_camera * (arm + black)
    assert expected > 5e-3
    assert mean_esc == pytest.approx(expected, rel=0.01)
    assert abs(mean_pads) < 2.5e-3
    assert ripple_esc > 20.0 * ripple_pads


def test_daisy_chained_grounds_add_and_a_star_does_not() -> None:
    """Three joints in a row, 10 A into each: minus falls by 30, 20 and 10 A times 1 mOhm; star
    points each have 10 mV. Ohm's law."""

    def build(star: bool) -> Build:
        parts = [
            Part(
                id="pack",
                kind="battery",
                values={"cells": 3, "cell_resistance": "1m", "inductance": "60 nH"},
            )
        ]
        leads, before = [], "pack"
        for name in ("a", "b", "c"):
            parts.append(Part(id=name, kind="joint"))
            parts.append(
                Part(
                    id=f"load_{name}",
                    kind="load",
                    values={"current": 10, "input_capacitance": "10u"},
                )
            )
            leads.append(Lead(id=f"red_{name}", from_="pack", to=name, conductor="plus"))
            leads.append(
                Lead(id=f"black_{name}", from_="pack" if star else before, to=name,
                     resistance="1 mOhm", conductor="minus")
            )  # fmt: skip
            leads.append(Lead(id=f"at_{name}", from_=name, to=f"load_{name}"))
            before = name
        event = Event(name="Rest", kind="steady", duration="1 ms")
        return Build(name="g", parts=tuple(parts), leads=tuple(leads), events=(event,))

    def grounds(star: bool) -> list[float]:
        run = sim.solve(build(star), detail="averaged")
        signals = [sim.Signal("offset", name, "pack") for name in ("a", "b", "c")]
        return [float(v) for v in run.sample(signals, np.array([0.5e-3]))[:, 0]]

    assert grounds(star=True) == pytest.approx([0.010] * 3, rel=1e-6)
    assert grounds(star=False) == pytest.approx([0.030, 0.050, 0.060], rel=1e-6)


def test_between_any_two_joints() -> None:
    """The offset between two arms is the difference of their offsets against the pads."""
    run = sim.solve(quad("pads"))
    times = np.linspace(0.0, run.duration_s, 400)
    a, b, both = run.sample(
        [
            sim.Signal("offset", "esc1.in", "pads"),
            sim.Signal("offset", "esc2.in", "pads"),
            sim.Signal("offset", "esc1.in", "esc2.in"),
        ],
        times,
    )
    assert np.max(np.abs(both)) > 1e-3
    assert both == pytest.approx(a - b, abs=1e-9)


# --- an even split is a guess ---------------------------------------------------------


def test_an_offset_through_a_typed_inductance_says_so() -> None:
    typed = {"resistance": "5 mOhm", "inductance": "110 nH"}
    build = quad("esc1.in", **typed)
    (sentence,) = returns.said(build)
    assert "arm1" in sentence
    assert "arm2" not in sentence  # a dead end: the offset does not run along it
    assert "split evenly" in sentence
    assert sentence in sim.solve(build, detail="averaged").not_covered
    assert any(f.where == "clips" and "split evenly" in f.what for f in check(build))


def test_an_offset_along_known_geometry_or_to_its_own_ground_says_nothing() -> None:
    assert returns.said(quad("esc1.in")) == ()
    typed = quad("pads", resistance="5 mOhm", inductance="110 nH")
    assert returns.said(typed) == ()
    own = Build(parts=typed.parts, leads=typed.leads, clips=(Clip(tip="esc1.in"),))
    assert returns.said(own) == ()


def test_minus_ways_are_those_between_the_two_places() -> None:
    build = quad("esc1.in")
    assert {x.id for x in returns.minus_leads(build, "camera", "pads")} == {"black", "arm1"}
    assert {x.id for x in returns.minus_leads(build, "esc1.in", "esc2.in")} == {"arm1", "arm2"}
    assert returns.minus_leads(build, "cer1", "can1") != ()
    assert returns.minus_leads(build, "pads", "pads") == ()


# --- parted pairs ---------------------------------------------------------------------


def test_a_pair_drawn_as_two_wires_has_the_loop_of_the_pair(impedance: Any) -> None:
    """Rosa 1908: 67.35 nH for 100 mm of 12 AWG at 4.5 mm, drawn as one lead or as two."""
    pack = Part(id="pack", kind="battery", values={"cells": 4})
    pads = Part(id="pads", kind="joint")
    geometry = {"gauge": "12 AWG", "length": "100 mm", "spacing": "4.5 mm", "skin": False}

    def loop(*leads: Lead) -> float:
        network = assemble(Build(parts=(pack, pads), leads=leads))
        return float(impedance(network, *network.ports["pads"], 1e5).imag / (2e5 * math.pi))

    red = Lead(id="red", from_="pack", to="pads", conductor="plus", **geometry)
    black = Lead(id="black", from_="pack", to="pads", conductor="minus", **geometry)
    turned = Lead(id="black", from_="pads", to="pack", conductor="minus", **geometry)
    assert loop(red, black) == pytest.approx(67.35e-9, rel=1e-4)
    assert loop(red, turned) == pytest.approx(67.35e-9, rel=1e-4)
    wide = Lead(id="black", from_="pack", to="pads", conductor="minus",
                **{**geometry, "spacing": "30 mm"})  # fmt: skip
    assert loop(red, wide) > 100e-9
    # by way of another place they know nothing of each other: two lone wires, 2 x 90.45 nH
    star = Part(id="star", kind="joint")
    network = assemble(
        Build(
            parts=(pack, pads, star),
            leads=(
                red,
                Lead(id="b1", from_="pack", to="star", conductor="minus", **geometry),
                Lead(id="b2", from_="star", to="pads", conductor="minus"),
            ),
        )
    )
    apart = impedance(network, *network.ports["pads"], 1e5).imag / (2e5 * math.pi)
    assert apart == pytest.approx(2.0 * 90.448e-9, rel=1e-4)

"""Motors, propellers and bridges against printed values; the source stands beside each check."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import pytest

import sim
from sim import api, rosenbrock
from sim.assemble import assemble
from sim.event import Drive
from sim.nonlinear import Curve
from sim.quick_build import Answers, quick_build
from sim.records import Build, Event, Lead, Part
from sim.resolve import resolve
from sim.signals import Signal
from sim.solution import Solution
from sim.spectrum import spectrum
from tests.sim.small import Bench

RPM_25K = 25_000.0 * math.tau / 60.0  # 2617.99 rad/s
AIR_KG_M3, FIVE_INCH_M = 1.225, 0.127


def one_motor(
    volts: float, motor: dict[str, object], event: Event, esc: dict[str, object] | None = None
) -> Build:
    """A pack of hardly any inductance, one ESC, one motor."""
    pack = {"cells": 6, "open_circuit_voltage": volts, "inductance": "10 nH"}
    return Build(
        name="motor",
        parts=(
            Part(id="pack", kind="battery", values=pack),
            Part(id="esc", kind="esc", values=esc or {}),
            Part(id="motor", kind="motor", values=motor),
        ),
        leads=(
            Lead(id="a", from_="pack", to="esc.in"),
            Lead(id="m", from_="esc.motor", to="motor"),
        ),
        events=(event,),
    )


def steady(duty: float, ms: float = 4.0) -> Event:
    return Event(name="Steady", kind="steady", duration=f"{ms} ms", duty=duty)


# 60/(2 pi Kv), arithmetic; a guide for builders gives 5.3 mN m/A for 1800 rpm/V.
@pytest.mark.parametrize(
    ("kv", "newton_mm"),
    [(1700, 5.61723), (1750, 5.45674), (1800, 5.30516), (1950, 4.89708), (2450, 3.89767)],
)
def test_torque_per_ampere(kv: float, newton_mm: float) -> None:
    (rotor,) = assemble(one_motor(25.2, {"kv": kv}, steady(0.5))).rotors
    assert rotor.ke * 1e3 == pytest.approx(newton_mm, abs=1e-5)


def test_a_motor_wound_for_other_cells_is_the_same_motor() -> None:
    """R and L go with 1/kv^2: 2450 to 1750 rpm/V is 1.96 times (physics). At 1.4 times the volts
    it turns as fast, with 1/1.4 of the current and the same losses."""
    found = []
    for times in (1.0, 1.4):
        motor = {"kv": 2450 / times, "resistance": 0.05 * times**2, "inductance": 14e-6 * times**2}
        run = sim.solve(one_motor(16.8 * times, motor, steady(0.6)), detail="averaged")
        (speed,), (amps,) = run.sample(
            [Signal("speed", "motor"), Signal("amps", "motor")], np.array([2e-3])
        )
        loss = next(part.loss_J for part in run.parts if part.id == "motor")
        found.append((speed, amps, loss))
    (speed, amps, loss), (speed_14, amps_14, loss_14) = found
    assert pytest.approx(1.96) == (2450 / 1750) ** 2
    assert speed_14 == pytest.approx(speed, rel=1e-6)
    assert amps_14 == pytest.approx(amps / 1.4, rel=1e-6)
    assert loss_14 == pytest.approx(loss, rel=1e-6)


# Line to line, common practice of the trade, no source: 2207 motors of 1750 to 1950 rpm/V have
# 45 to 80 mOhm and 15 to 30 uH, 2306 of 2450 have 30 to 55 mOhm and 8 to 15 uH.
@pytest.mark.parametrize("preset", [
    "park_4s_freestyle", "racer_6s_spread", "board_6s_digital", "arms_4s_analogue",
    "winter_6s_tired", "bench_rig_6s",
])  # fmt: skip
def test_five_inch_motors_of_the_samples(preset: str) -> None:
    slow, fast = ((45e-3, 80e-3), (15e-6, 30e-6)), ((30e-3, 55e-3), (8e-6, 15e-6))
    for part in sim.load(preset).parts:
        if part.kind != "motor":
            continue
        values = resolve(part)
        ohm, henry = slow if values.number("kv") < 2200 else fast
        assert ohm[0] <= values.number("resistance") <= ohm[1]
        assert henry[0] <= values.number("inductance") <= henry[1]


def test_torque_of_a_five_inch_propeller() -> None:
    """CP 0.077400 at J 0.094683 of a 5x4.3: P = CP rho n^3 D^5, 226.6 W and 0.08656 N m at
    25 000 rpm. Deters, Ananda and Selig, AIAA 2014-2151 (University of Illinois, volume 2),
    measured at 6000 to 8000 rpm: within 15 % in use."""
    turns = 25_000 / 60
    torque = 0.077400 * AIR_KG_M3 * turns**2 * FIVE_INCH_M**5 / math.tau
    assert torque == pytest.approx(0.086555, rel=1e-4)
    (rotor,) = assemble(one_motor(25.2, {"kv": 1950}, steady(0.5))).rotors
    assert rotor.drag == pytest.approx(torque / RPM_25K**2, rel=1e-3)
    # torque goes with the fifth power of the diameter; five blades are our guess at 1.3 times
    for preset, inch, blades in (
        ("racer_6s_spread", 5.1, 1.0), ("cinelifter_8s", 9.0, 1.0), ("ducted_3s", 3.0, 1.3)
    ):  # fmt: skip
        (ours,) = {r.drag for r in assemble(sim.load(preset)).rotors}
        assert ours == pytest.approx(rotor.drag * (inch / 5.0) ** 5 * blades, rel=5e-3), preset


def at_25k(detail: Literal["averaged", "edges"] = "averaged") -> Solution:
    """A motor that its pack holds at 25 000 rpm against the propeller above."""
    kv, ohm, torque = 1750.0, 0.06, 0.086555
    ke = 60.0 / (math.tau * kv)
    volts = ke * RPM_25K + ohm * torque / ke
    motor = {"kv": kv, "resistance": ohm, "drag": torque / RPM_25K**2, "emf_ripple": "14 %"}
    return sim.solve(one_motor(volts, motor, steady(1.0)), detail=detail)


def test_power_and_commutation_at_25_000_rpm() -> None:
    """226.60 W (measured propeller data as above). Of 14 poles: 2916.7 Hz electrical, six steps
    a turn make 17 500 a second (arithmetic)."""
    run = at_25k()
    (speed,), (amps,), (volts,) = run.sample(
        [Signal("speed", "motor"), Signal("amps", "motor"), Signal("volts", "motor.in")],
        np.array([2e-3]),
    )
    assert speed == pytest.approx(RPM_25K, rel=1e-5)
    assert volts * amps - 0.06 * amps**2 == pytest.approx(226.60, abs=0.02)
    signal = Signal("volts", "esc.in")
    seen = spectrum(at_25k("edges"), signal, 0.0, 4e-3, highest_hz=50e3)
    (mark,) = [mark for mark in seen.marks if mark.kind == "commutation"]
    assert mark.hz == pytest.approx(17_500.0, rel=1e-5)
    # on averages there is no such line, and none is marked
    seen = spectrum(run, signal, 0.0, 4e-3, highest_hz=50e3)
    assert not [mark for mark in seen.marks if mark.kind == "commutation"]
    assert mark.hz / 6.0 == pytest.approx(2916.7, abs=0.05)


def test_inertia_of_a_five_inch_propeller_and_its_rotor() -> None:
    """4.5 g as a rod, m D^2/12: 6.048e-6; as real blades, 0.0576 m D^2: 4.181e-6; a ring of 15 g
    at 13 mm 2.535e-6 kg m2. Geometry; masses and 0.0576 are our guess."""
    rod, real = (share * 4.5e-3 * FIVE_INCH_M**2 for share in (1 / 12, 0.0576))
    ring = 15e-3 * 13e-3**2
    assert (rod, real, ring) == pytest.approx((6.048e-6, 4.181e-6, 2.535e-6), rel=1e-3)
    values = resolve(Part(id="x", kind="motor", values={"kv": 1950}))
    assert real + ring <= values.number("inertia") <= rod + ring
    # the bare bells of the rig
    bells = {rotor.inertia for rotor in assemble(sim.load("bench_rig_6s")).rotors}
    assert 2e-6 <= bells.pop() <= 3e-6


def test_what_a_rotor_gives_up_is_in_the_ledger() -> None:
    """J w^2/2: 20.56 J at 25 000 rpm, 13.159 J from there to 15 000 (J 6e-6 kg m2; physics)."""
    j = 6e-6
    assert 0.5 * j * RPM_25K**2 == pytest.approx(20.56, abs=5e-3)
    assert 0.5 * j * RPM_25K**2 * (1.0 - 0.6**2) == pytest.approx(13.159, abs=1e-3)
    ke = 60.0 / (math.tau * 1750)
    # without drag the motor idles at D V/ke, and there is no current before the chop
    start, end = ke * RPM_25K / 25.2, 0.6 * ke * RPM_25K / 25.2
    course = (("0 s", start), ("1 ms", start), ("1 ms", end))
    event = Event(name="Chop", kind="throttle", duration="300 ms", course=course)
    motor = {"kv": 1750, "resistance": 0.1, "inertia": j, "drag": 0}
    run = sim.solve(one_motor(25.2, motor, event), detail="averaged")
    (speed,) = run.sample([Signal("speed", "motor")], np.array([0.0, run.duration_s]))
    assert speed == pytest.approx((RPM_25K, 0.6 * RPM_25K), rel=1e-5)
    assert run.energy.stored_change_J == pytest.approx(-13.159, abs=2e-3)
    # the pack takes its share, the winding turns the rest into heat
    assert run.energy.from_sources_J < 0.0 < run.energy.dissipated_J
    assert run.energy.residual < 1e-6


# sqrt(V^2 + 2 E/C), physics.
@pytest.mark.parametrize(
    ("volts", "farad", "joule", "peak"),
    [(25.2, 1e-3, 0.1, 28.897), (25.2, 1e-3, 1.0, 51.333), (16.8, 470e-6, 0.1, 26.604)],
)
def test_a_bus_that_nothing_drains_rises_with_what_comes_back(
    volts: float, farad: float, joule: float, peak: float
) -> None:
    """A coil stands for what brakes; the supply is one that cannot sink."""
    henry = 10e-6
    bench = Bench(
        lambda s, n: (
            s.source(n("e"), n("0"), volts, "emf"),
            s.curve(n("e"), n("c"), Curve.limiter(20e-3, 5.0, 1e-4, 1e-9), "supply"),
            s.capacitor(n("c"), n("0"), farad, "c"),
            s.inductor(n("c"), n("0"), henry, "brakes"),
        )[0]
    )
    seconds = 0.5 * math.pi * math.sqrt(henry * farad)
    rows = np.vstack([r.x.at(np.zeros(0)) for r in (bench.volts("c"), bench.amps("brakes"))])
    start = np.linalg.solve(rows, [volts, -math.sqrt(2.0 * joule / henry)])
    drive = Drive(kind="plug_in", duration_s=seconds, courses=(), freewheel=np.zeros(0, bool))
    run = rosenbrock.run(bench.mean, drive, start, rtol=1e-8)
    assert run.figures(bench.volts("c"), 0.0, seconds).highest[0] == pytest.approx(peak, rel=1e-4)


# Common practice of the trade, no source: MOSFETs of 30 V for 4S, 40 V for 6S, 60 V for 8S.
def test_mosfet_classes() -> None:
    usual = {1: 12, 3: 30, 4: 30, 6: 40, 8: 60}
    builds = [sim.load(info.id) for info in sim.presets()]
    builds += [quick_build(Answers(cells=cells)).build for cells in (4, 6, 8)]
    for build in builds:
        cells = next(resolve(p).number("cells") for p in build.parts if p.kind == "battery")
        limits = {resolve(p).number("mosfet_rating") for p in build.parts if p.kind == "esc"}
        assert limits == {usual[round(cells)]}, build.name


# Common practice, no source: carriers of 16 to 128 kHz, edges of 10 to 50 ns, dead times of 100
# to 500 ns.
@pytest.mark.parametrize(
    ("field", "least", "most"),
    [("pwm_frequency", 16e3, 128e3), ("rise_time", 10e-9, 50e-9), ("dead_time", 100e-9, 500e-9)],
)
def test_an_esc_may_have_what_escs_have(field: str, least: float, most: float) -> None:
    for value in (least, most):
        build = one_motor(16.8, {"kv": 2400}, steady(0.5, 0.2), {field: value})
        assert sim.solve(build).energy.residual <= 1e-6
    default = resolve(Part(id="x", kind="esc", values={})).number(field)
    assert default == 0.0 if field == "dead_time" else least <= default <= most


# 1/(2 pi sqrt(L C)), arithmetic on usual values: the board's own loop, which no sample draws.
@pytest.mark.parametrize(("nanofarad", "megahertz"), [(1.0, 71.176), (0.5, 100.66)])
def test_ring_of_a_boards_own_loop(nanofarad: float, megahertz: float) -> None:
    build = Build(
        name="loop",
        parts=(
            Part(id="psu", kind="bench_supply", values={"voltage": 16, "inductance": "5 nH"}),
            Part(id="c", kind="ceramic", values={"capacitance": nanofarad * 1e-9}),
        ),
        leads=(Lead(id="a", from_="psu", to="c"),),
        events=(Event(name="Plug in", kind="plug_in", duration="1 us"),),
    )
    ring = max(api.prepare(build).modes, key=lambda mode: mode.hz)
    assert ring.hz == pytest.approx(megahertz * 1e6, rel=1e-4)


@pytest.mark.parametrize(
    ("nanohenry", "edge_ns", "dip_v"),
    [
        (60.0, 50.0, 24.0),  # 20 A in an edge of usual length
        (100.0, 400.0, 5.0),  # 50 A/us, as a public page on where capacitors belong reckons
    ],
)
def test_an_edge_takes_its_volts_off_a_lead(nanohenry: float, edge_ns: float, dip_v: float) -> None:
    """L di/dt: 60 nH x 20 A/50 ns = 24 V, 100 nH x 50 A/us = 5 V (arithmetic). Nothing at the ESC
    holds its supply: it dips by that much while the current rises, and lifts by it while the
    current falls."""
    ohm, supply = 0.75, 30.0  # 20 A at half duty into a motor that stands
    motor = {"kv": 2000, "resistance": ohm, "inductance": "100 mH", "drag": 1.0}
    build = Build(
        name="edge",
        parts=(
            Part(
                id="psu",
                kind="bench_supply",
                values={"voltage": supply, "inductance": f"{nanohenry} nH"},
            ),
            Part(id="esc", kind="esc", values={"rise_time": f"{edge_ns} ns", "carrier_phase": 0}),
            Part(id="motor", kind="motor", values=motor),
        ),
        leads=(
            Lead(id="a", from_="psu", to="esc.in"),
            Lead(id="m", from_="esc.motor", to="motor"),
        ),
        events=(steady(0.5, 0.2),),
    )
    (pad,) = [joint for joint in sim.solve(build).joints if joint.id == "esc.in"]
    assert pad.min_V == pytest.approx(supply - dip_v, abs=0.05)
    assert pad.peak_V == pytest.approx(supply + dip_v, abs=0.05)


def test_braking_into_a_bench_supply_lifts_what_hangs_on_it() -> None:
    """The same sum with a motor: what the ESC gives back until the bus is highest all goes into
    1000 uF and the supply's own 470 uF."""
    volts, farad, stage = 25.2, 1000e-6, 470e-6
    course = (("0 s", 0.6), ("2 ms", 0.6), ("4 ms", 0.3))
    build = Build(
        name="sponge",
        parts=(
            Part(id="psu", kind="bench_supply",
                 values={"voltage": volts, "inductance": "100 nH", "output_capacitance": stage}),
            Part(id="can", kind="electrolytic", values={"capacitance": farad, "esr": "1 mOhm"}),
            Part(id="esc", kind="esc", values={}),
            Part(id="motor", kind="motor", values={"kv": 1750, "resistance": 0.06}),
        ),
        leads=(
            Lead(id="a", from_="psu", to="can"),
            Lead(id="b", from_="can", to="esc.in"),
            Lead(id="m", from_="esc.motor", to="motor"),
        ),
        events=(Event(name="Chop", kind="throttle", duration="12 ms", course=course),),
    )  # fmt: skip
    run = sim.solve(build, detail="averaged")
    times = np.linspace(0.0, run.duration_s, 20_001)
    bus, amps = run.sample([Signal("volts", "can"), Signal("amps", "esc")], times)
    highest = int(np.argmax(bus))
    back = (amps < 0.0) & (times <= times[highest])
    joule = -np.trapezoid(np.where(back, bus * amps, 0.0), times)
    assert joule > 0.5
    assert bus[highest] > 1.5 * volts
    assert bus[highest] == pytest.approx(
        math.sqrt(volts**2 + 2 * joule / (farad + stage)), rel=0.01
    )

"""Legs whose diodes conduct: no active freewheel, dead time; against hand-written references."""

from __future__ import annotations

from typing import TYPE_CHECKING
from unittest import mock

import numpy as np
import pytest
from msgspec.structs import replace
from scipy.integrate import solve_ivp

import sim
from sim import diodes, switching
from sim.check import check
from sim.diode_kernels import HIGH, HIGH_DIODE, LOW, LOW_DIODE, OPEN
from sim.diode_patterns import with_diodes
from sim.mean_equations import MeanEquations, equilibrium
from sim.network import Chopper, Rotor
from sim.records import Event
from sim.state_equations import StateEquations, stack_rows
from tests.sim.small import Bench, drive_of, esc, steady

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from numpy.typing import NDArray

    from sim.event import Drive
    from sim.network import Stamp

    Array = NDArray[np.float64]

F = 48e3
PERIOD = 1.0 / F
ROTOR = Rotor("motor", 5e-3, 8e-6, 0.0)


class DiodeBench(Bench):
    """A bench whose legs have diodes."""

    def __init__(self, build: Callable[[Stamp, Callable[[str], int]], None]) -> None:
        super().__init__(build)
        self.network = with_diodes(self.network)
        self.equations = StateEquations(self.network)
        self.mean = MeanEquations(self.equations)

    def run_from(self, x0: Array, drive: Drive) -> diodes.DiodeRun:
        """From a state at t = 0, with nothing before."""
        with (
            mock.patch.object(switching, "settle_time", return_value=0.0),
            mock.patch.object(diodes, "start_state", return_value=x0),
        ):
            return diodes.run(self.mean, drive, x0)


def one_leg(
    *, esl: float = 0.0, farad: float = 100e-6, rotor: Rotor | None = ROTOR, **spec: Any
) -> DiodeBench:
    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), 16.8, "emf")
        part.resistor(node("emf"), node("r"), 20e-3, "pack")
        part.inductor(node("r"), node("in"), 150e-9, "lead")
        part.chain(node("in"), node("0"), ohm=5e-3, henry=esl, farad=farad)
        chopper = Chopper("esc", F, 0.0, spec.pop("phase", 0.9), **spec)
        esc(part, node, 0, "in", chopper, ohm=0.1, rotor=rotor)

    return DiodeBench(build)


def state(bench: DiodeBench, lead: float, winding: float, volts: float, speed: float) -> Array:
    """x with these currents, this voltage of the capacitor and this speed."""
    eq = bench.equations
    rows = stack_rows(
        [bench.amps("lead"), bench.amps("winding 0"), bench.across("capacitance")]
    ).x.at([0.0])
    w = np.zeros((1, eq.n_states))
    w[:, eq.speed_states] = eq.speed_scale
    full = np.vstack([rows, w])
    return np.asarray(np.linalg.lstsq(full, np.array([lead, winding, volts, speed]), rcond=None)[0])


UP = ("high", "high diode")


class ByHand:
    """The same leg by scipy, its equations and its diode written out.

    Lw j' = E - Rw j - v,  C u' = j - s i,  v = u + Rc (j - s i)
    L i' = s v + e - R i - ke w (open: 0),  J w' = ke i
    """

    def __init__(self, spec: dict[str, Any], duty: float, x: Array, end: float) -> None:
        self.t, self.x, self.end = 0.0, x, end
        self.rise, self.dead = spec.get("rise_s", 20e-9), spec.get("dead_s", 0.0)
        self.drop, self.active = spec.get("diode_v", 0.8), spec.get("freewheel", True)
        phase = spec.get("phase", 0.9)
        edges = []
        for n in range(-1, int(end * F) + 3):
            start = (n - phase) / F
            edges += [(start, True), (start + duty / F, False)]
        self.edges = [(t, up) for t, up in edges if t > 0.0]
        self.up = [up for t, up in edges if t <= 0.0][-1]
        self.s, self.slope, self.ramp_end = float(self.up), 0.0, np.inf
        self.gate: str | None = "high" if self.up else ("low" if self.active else None)
        self.wait: tuple[float, str] | None = None
        self.log: list[tuple[Array, Array, str]] = []
        self.zeros: list[float] = []
        self.how = self._how()
        if self.how == "open":
            low, high = self._over(0.0, self.x)
            self.how = "low diode" if low < 0.0 else "high diode" if high < 0.0 else "open"
        self.s = float(self.how in UP)

    def _over(self, t: float, x: Array) -> tuple[float, float]:
        """How far an open output is over the low diode's threshold, and under the high one's."""
        emf = 5e-3 * x[3]
        return emf + self.drop, x[2] + 5e-3 * x[0] + self.drop - emf

    def _how(self) -> str:
        if self.gate is not None:
            return self.gate
        i = self.x[1]
        return "low diode" if i > 0.0 else "high diode" if i < 0.0 else "open"

    def _slopes(self, t: float, x: Array) -> Array:
        j, i, u, w = x
        s = self.s + self.slope * (t - self.t)
        v = u + 5e-3 * (j - s * i)
        e = {"low diode": -self.drop, "high diode": self.drop}.get(self.how, 0.0)
        di = 0.0 if self.how == "open" else (s * v + e - 0.1 * i - 5e-3 * w) / 20e-6
        return np.array(
            [(16.8 - 20e-3 * j - v) / 150e-9, di, (j - s * i) / 100e-6, 5e-3 * i / 8e-6]
        )

    def _become(self, how: str) -> None:
        was, self.how = self.how, how
        to = float(how in UP)
        if "open" in (was, how):
            self.s, self.slope, self.ramp_end = to, 0.0, np.inf
        elif (how in UP) != (was in UP):
            self.slope, self.ramp_end = (2.0 * to - 1.0) / self.rise, self.t + self.rise

    def run(self) -> ByHand:
        while self.t < self.end - 1e-15:
            stop = min(self.end, self.ramp_end)
            if self.edges:
                stop = min(stop, self.edges[0][0])
            if self.wait is not None:
                stop = min(stop, self.wait[0])
            events = []
            if self.how in ("low diode", "high diode"):
                sign = 1.0 if self.how == "low diode" else -1.0
                events = [lambda t, x, sign=sign: sign * x[1]]
            elif self.how == "open":
                events = [lambda t, x, k=k: self._over(t, x)[k] for k in (0, 1)]
            for event in events:
                event.terminal, event.direction = True, -1.0  # type: ignore[attr-defined]
            done = solve_ivp(
                self._slopes, (self.t, stop), self.x, method="DOP853", rtol=1e-12, atol=1e-12,
                events=events or None, dense_output=True, max_step=2e-7,
            )  # fmt: skip
            times = np.linspace(self.t, done.t[-1], 7)[1:-1]
            self.log.append((times, done.sol(times), self.how))
            self.s += self.slope * (done.t[-1] - self.t)
            self.t, self.x = float(done.t[-1]), done.y[:, -1]
            if done.status == 1:
                which = next(k for k, found in enumerate(done.t_events) if len(found))
                if self.how == "open":
                    self._become("low diode" if which == 0 else "high diode")
                else:
                    self.zeros.append(self.t)
                    self.x[1] = 0.0
                    self._become("open")
                continue
            if self.t >= self.ramp_end:
                self.s, self.slope, self.ramp_end = round(self.s), 0.0, np.inf
            while self.edges and self.edges[0][0] <= self.t:
                _, up = self.edges.pop(0)
                if not self.active:
                    self.gate = "high" if up else None
                elif self.dead > 0.0:
                    self.gate = None
                    self.wait = (self.t + self.dead, "high" if up else "low")
                else:
                    self.gate = "high" if up else "low"
                self._become(self._how() if self.how != "open" or self.gate else "open")
            if self.wait is not None and self.wait[0] <= self.t:
                self.gate, self.wait = self.wait[1], None
                self._become(self.gate)
        return self


NAMES = {"low": LOW, "high": HIGH, "low diode": LOW_DIODE, "high diode": HIGH_DIODE, "open": OPEN}

Start = tuple[float, float, float, float]

#: Name, what the leg is, duty, start (lead, winding, capacitor, speed), and states passed through.
CASES: list[tuple[str, dict[str, Any], float, Start, str]] = [
    ("runs dry", {"freewheel": False}, 0.12, (0.0, 0.0, 16.8, 2400.0), "low diode,open"),
    ("never dry", {"freewheel": False}, 0.6, (8.0, 20.0, 16.6, 1400.0), "low diode,high"),
    ("current back at first", {"freewheel": False}, 0.2, (0.0, -9.0, 16.8, 2400.0), "high diode"),
    ("faster than the supply", {"freewheel": False}, 0.1, (0.0, 0.0, 16.8, 3800.0), "high diode"),
    ("turned backwards", {"freewheel": False}, 0.1, (0.0, 0.0, 16.8, -400.0), "low diode"),
    ("dead time, driving", {"dead_s": 4e-7}, 0.5, (5.0, 15.0, 16.7, 1500.0), "low diode,low"),
    ("dead time, braking", {"dead_s": 4e-7}, 0.3, (-5.0, -20.0, 16.9, 1500.0), "high diode,low"),
    (
        "dead time, current through zero",
        {"dead_s": 1.5e-6},
        0.5,
        (0.0, 1.0, 16.8, 1680.0),
        "high diode,low diode,open",
    ),
    ("dead time within a ramp", {"dead_s": 8e-9}, 0.5, (5.0, 15.0, 16.7, 1500.0), "low,high"),
    ("dead time longer than the pulse", {"dead_s": 2e-6}, 0.06, (0.0, 2.0, 16.8, 300.0), "low"),
    (
        "slow ramps in which currents end",
        {"freewheel": False, "rise_s": 1.5e-6},
        0.05,
        (0.0, 0.0, 16.8, 3000.0),
        "open",
    ),
]


@pytest.mark.parametrize(
    ("spec", "duty", "start", "states"), [c[1:] for c in CASES], ids=[c[0] for c in CASES]
)
def test_one_leg_by_hand(spec: dict[str, Any], duty: float, start: Start, states: str) -> None:
    """Three periods to 1e-9 of the swing; to 1e-8 where ramps of 1.5 us are cut short."""
    bench = one_leg(**spec)
    end = 3.0 * PERIOD
    run = bench.run_from(state(bench, *start), steady([duty], end))
    hand = ByHand(spec, duty, np.array(start), end).run()
    rows = stack_rows([bench.amps("lead"), bench.amps("winding 0"), bench.across("capacitance")])
    seen = set()
    wanted = np.hstack([x for _, x, _ in hand.log])
    times = np.concatenate([t for t, _, _ in hand.log])
    got = np.vstack([run.sample(rows, times), run.speeds(times)])
    swing = np.maximum(np.ptp(wanted, axis=1), [0.1, 0.1, 0.01, 1.0])
    for t, _, how in hand.log:
        if t[-1] - t[0] > 5e-9:
            seen.add(how)
            assert set(run.leg_states(t)[0]) == {NAMES[how]}
    assert seen >= set(states.split(","))
    allowed = 1e-8 if "rise_s" in spec else 1e-9
    assert np.max(np.abs(got - wanted) / swing[:, None]) < allowed


# -- textbook figures ---------------------------------------------------------------


def step_down(ohm: float, henry: float, frequency: float, **spec: Any) -> DiodeBench:
    """An ideal supply of 20 V, one leg, a coil, and a resistor across a large capacitor."""

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("in"), node("0"), 20.0, "emf")
        chopper = Chopper("esc", frequency, 0.0, 0.0, **spec)
        part.chopper(node("in"), node("0"), node("mid"), chopper)
        part.inductor(node("mid"), node("out"), henry, "coil")
        part.capacitor(node("out"), node("0"), 220e-6, "filter")
        part.resistor(node("out"), node("0"), ohm, "load")

    return DiodeBench(build)


@pytest.mark.parametrize("duty", [0.2, 0.45])
@pytest.mark.parametrize("k", [0.1, 0.3, 0.9])
def test_step_down_chopper_in_discontinuous_conduction(duty: float, k: float) -> None:
    """Output voltage and boundary of a buck converter with a diode.

    M = 2 / (1 + sqrt(1 + 4 K / D^2)) where K = 2 L f / R is below 1 - D, else M = D: R. W.
    Erickson and D. Maksimovic, Fundamentals of Power Electronics, 2nd ed., section 5.2, from
    memory. It neglects the output's ripple, here 0.5 % at most, and the edges' time, 1 ns of 10 us.
    """
    f, ohm = 100e3, 10.0
    bench = step_down(ohm, k * ohm / (2.0 * f), f, freewheel=False, diode_v=0.0, rise_s=1e-9)
    end = 4000 / f
    run = bench.run_from(equilibrium(bench.mean, np.array([duty])), steady([duty], end))
    (out,), _ = run.means(bench.volts("out"), end - 20 / f, end)
    dry = k < 1.0 - duty
    ratio = 2.0 / (1.0 + np.sqrt(1.0 + 4.0 * k / duty**2)) if dry else duty
    assert out == pytest.approx(20.0 * ratio, rel=2e-3)
    rests = OPEN in run.leg_states(np.linspace(end - 5 / f, end, 2001))
    assert rests == dry
    assert run.energy(0.0, end).residual < 1e-9


@pytest.mark.parametrize("drop", [0.0, 0.8])
@pytest.mark.parametrize("amps", [20.0, -20.0])
def test_volts_lost_to_dead_time(amps: float, drop: float) -> None:
    """Mean output of a leg: duty times supply, less dead time x carrier x supply x sign of i.

    N. Mohan, T. M. Undeland and W. P. Robbins, Power Electronics, section "Effect of blanking
    time", from memory; a diode that drops something adds twice its drop to the supply.
    """

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("in"), node("0"), 20.0, "emf")
        chopper = Chopper("esc", F, 0.0, 0.0, dead_s=500e-9, diode_v=drop)
        part.chopper(node("in"), node("0"), node("mid"), chopper)
        part.inductor(node("mid"), node("a"), 200e-6, "coil")
        part.resistor(node("a"), node("b"), 0.1, "load")
        part.source(node("b"), node("0"), 10.0 - 0.1 * amps, "behind")

    bench = DiodeBench(build)
    end = 1000 * PERIOD
    run = bench.run_from(equilibrium(bench.mean, np.array([0.5])), steady([0.5], end))
    (out,), _ = run.means(bench.volts("mid"), end - 10 * PERIOD, end)
    lost = 500e-9 * F * (20.0 + 2.0 * drop) * np.sign(amps)
    assert out == pytest.approx(10.0 - lost, abs=1e-6)
    assert np.sign(run.sample(bench.amps("coil"), np.array([end]))[0, 0]) == np.sign(amps)


# -- many legs ----------------------------------------------------------------------


def diode_quad(n: int, **options: Any) -> DiodeBench:
    """`small.quad` with diodes; `specs` are the legs' own."""
    specs = options.pop("specs")

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), 16.8, "emf")
        part.resistor(node("emf"), node("r"), 20e-3, "pack")
        part.inductor(node("r"), node("pads"), 150e-9, "pack leads")
        part.chain(node("pads"), node("0"), ohm=15e-3, henry=8e-9, farad=470e-6)
        for k in range(n):
            part.resistor(node("pads"), node(f"w{k}"), 2e-3, "arm ohm")
            part.inductor(node(f"w{k}"), node(f"in{k}"), 60e-9, "arm")
            part.chain(
                node(f"in{k}"), node("0"), ohm=5e-3, henry=0.6e-9, farad=options.get("farad", 10e-6)
            )
            own = Chopper(f"esc{k}", F, **specs[k % len(specs)])
            esc(part, node, k, f"in{k}", own, ohm=0.1, rotor=ROTOR)

    return DiodeBench(build)


MIXED = [{"dead_s": 300e-9}, {"freewheel": False}, {"dead_s": 100e-9, "centred": True}, {}]


@pytest.mark.parametrize("farad", [10e-6, 0.0], ids=["ceramics", "cut-sets"])
def test_energy_adds_up(farad: float) -> None:
    """Four legs of all sorts, carriers free of each other, cruise and chop."""
    bench = diode_quad(4, specs=MIXED, farad=farad)
    drive = drive_of([([0.0, 1e-3, 1.2e-3], [0.5, 0.5, 0.1])] * 4, 3e-3)
    run = diodes.run(bench.mean, drive, equilibrium(bench.mean, drive.start_duty))
    seen = np.unique(run.leg_states(np.linspace(0.0, 3e-3, 20_001)))
    assert set(seen) >= {LOW, HIGH, LOW_DIODE, OPEN}
    for t0, t1 in ((0.0, 3e-3), (0.31e-3, 1.7e-3)):
        balance = run.energy(t0, t1)
        assert balance.residual < 1e-9
        assert balance.by_owner["esc1"] > balance.by_owner["esc3"] == 0.0
    rows = stack_rows([bench.volts("in1"), bench.volts("mid1"), bench.amps("winding 1")])
    figures = run.figures(rows, 0.0, 3e-3)
    seen_v = run.sample(rows, np.linspace(0.0, 3e-3, 200_001))
    assert np.all(figures.highest >= seen_v.max(axis=1) - 1e-3)
    assert np.all(figures.lowest <= seen_v.min(axis=1) + 1e-3)


@pytest.mark.parametrize("farad", [10e-6, 0.0], ids=["ceramics", "cut-sets"])
def test_a_dead_time_of_nothing_is_none(farad: float) -> None:
    """Diodes without drop for 10 fs: the run without diodes, in another engine."""
    specs = [
        {"dead_s": 1e-14, "diode_v": 0.0, "offset": 0.0, "phase": 0.3 + 0.11 * k} for k in (0, 1)
    ]
    bench = diode_quad(2, specs=specs, farad=farad)
    plain = diode_quad(2, specs=[{**s, "dead_s": 0.0} for s in specs], farad=farad)
    drive = drive_of([([0.0, 1e-4], [0.6, 0.3]), ([0.0], [0.4])], 10 * PERIOD)
    # (irrational: at an edge's very instant 10 fs are a jump)
    times = np.linspace(0.0, np.pi**2 * PERIOD, 5001)[1:]
    found = []
    for one in (bench, plain):
        x0 = equilibrium(one.mean, drive.start_duty)
        with mock.patch.object(switching, "settle_time", return_value=0.0):
            run = switching.run(one.mean, drive, x0) if one is plain else bench.run_from(x0, drive)
        rows = stack_rows([one.volts("in0"), one.volts("pads"), one.amps("winding 1")])
        found.append(run.sample(rows, times))
    assert np.max(np.abs(found[0] - found[1])) < 1e-6


def test_the_start_leaves_no_trace() -> None:
    """Steady throttle from the start found: rotors keep their speed, driving and running dry."""
    for spec in ({"dead_s": 400e-9}, {"freewheel": False}):
        rotor = Rotor("motor", 5e-3, 8e-6, 2e-9)
        bench = one_leg(rotor=rotor, **spec)
        drive = steady([0.2], 60e-3)
        run = diodes.run(bench.mean, drive, equilibrium(bench.mean, drive.start_duty))
        speed = run.speeds(np.array([0.0, 60e-3]))[0]
        assert speed[1] == pytest.approx(speed[0], rel=1e-3)


# -- whole builds -------------------------------------------------------------------


def changed(**values: object) -> sim.Build:
    """The sample with its ESCs' values, or with its events' freewheel, changed; its chop over its
    first 62 ms."""
    build = sim.load("arms_4s_analogue")
    build = replace(build, events=(replace(build.events[0], duration="62 ms"),))
    if "freewheel" in values:
        events = tuple(replace(e, freewheel=values["freewheel"]) for e in build.events)
        return replace(build, events=events)
    parts = tuple(
        replace(p, values={**p.values, **values}) if p.kind == "esc" else p for p in build.parts
    )
    return replace(build, parts=parts)


def test_the_sample_without_freewheel() -> None:
    """A chop: with active freewheel motors brake into the pack, without it they coast."""
    pack = [sim.Signal("amps", "pack")]
    with_it = sim.solve(changed(), "Chop")
    without = sim.solve(changed(freewheel=False), "Chop")
    t0, t1 = 26e-3, 30e-3
    flow = [s.trajectory.means(s.rows(pack[0]), t0, t1)[0][0] for s in (with_it, without)]
    # (counted into the pack)
    assert flow[0] > 10.0
    assert flow[1] < 0.1
    assert without.energy.residual < 1e-6
    speeds = [
        s.sample([sim.Signal("speed", "motor1")], np.array([60e-3]))[0, 0]
        for s in (with_it, without)
    ]
    assert speeds[1] > speeds[0]


def test_freewheel_off_has_no_average() -> None:
    with pytest.raises(sim.SimError, match="stops at zero within a carrier period"):
        sim.solve(changed(freewheel=False), "Chop", None, "averaged")


def test_dead_time_on_the_sample() -> None:
    """Solved as any other, twice the same. Each ESC's loss is that of its 6 mOhm and of its own
    diodes, which carry 0.8 V in the dead times (arithmetic)."""
    course = (("0 s", 0.6), ("1 ms", 0.6), ("6 ms", 0.2))
    event = Event(name="Chop", kind="throttle", duration="10 ms", course=course)
    build = replace(changed(dead_time="300 ns"), events=(event,))
    assert not [f for f in check(build) if "ead time" in f.what]
    solution = sim.solve(build)
    assert solution.energy.residual < 1e-6
    assert sim.solve(build).joints == solution.joints
    parts = {p.id: p for p in solution.parts}
    for k in range(1, 5):
        amps = parts[f"motor{k}"].rms_A
        beyond = parts[f"esc{k}"].loss_J - 6e-3 * amps**2 * 10e-3
        # two dead times of each carrier period; the mean current is a little below its RMS
        assert beyond == pytest.approx(0.8 * amps * 2 * 300e-9 * 24e3 * 10e-3, rel=0.2)

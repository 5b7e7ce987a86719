"""Random networks against solutions of their untouched node equations (see `nodal`).

A hundred networks in all in a usual run; a thousand with --hypothesis-profile=thorough.
"""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from sim import averaged
from sim.errors import Conflict
from sim.mean_equations import MeanEquations
from sim.network import BranchType, Chopper, Network, NetworkMaker, Stamp
from sim.state_equations import StateEquations, stack_rows
from tests.sim.nodal import Extended, GaveUp, Nodal, Pencil, ida_run
from tests.sim.small import Course, Reference, edge_run, steady

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim import switching

    Array = NDArray[np.float64]

#: Lowest and highest of six decades each: ohm, henry, farad.
RANGES = {"resistor": (1e-3, 1e3), "inductor": (1e-8, 1e-2), "capacitor": (1e-9, 1e-3)}
LONGEST_S = 1e-3


@st.composite
def networks(draw: st.DrawFn, fewest_choppers: int = 0) -> Network:
    """Connected networks of up to nine nodes.

    A tree of random branches grows from node 0; more branches close loops anywhere, so
    loops of capacitors and sources and cut-sets of inductors come up by themselves; bridges
    sit between any two nodes, in cut-sets of inductors too. Counts are drawn, the rest comes
    from one drawn number.
    """
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    maker = NetworkMaker()
    part = Stamp(maker, "x")
    inductors: list[tuple[int, float]] = []

    def primitive(kind: BranchType, a: int, b: int) -> None:
        low, high = np.log10(RANGES[kind])
        size = float(10.0 ** rng.uniform(low, high))
        at = maker.branch(kind, a, b, size, "x", kind)
        if kind == "inductor" and at is not None:
            inductors.append((at, size))

    def any_of(*kinds: BranchType) -> BranchType:
        return kinds[int(rng.integers(len(kinds)))]

    def two() -> tuple[int, int]:
        a, b = rng.choice(len(nodes), 2, replace=False)
        return nodes[a], nodes[b]

    ground = maker.node()
    # an EMF behind a resistance, an inductance, both, or nothing
    at = maker.node()
    part.source(at, ground, float(rng.uniform(1.0, 50.0)), "emf")
    behind: tuple[BranchType, ...] = draw(
        st.sampled_from([("resistor",), ("inductor",), ("resistor", "inductor"), ()])
    )
    for kind in behind:
        after = maker.node()
        primitive(kind, at, after)
        at = after
    nodes = [ground, at]
    for _ in range(draw(st.integers(1, 4))):
        node = maker.node()
        kind = any_of("resistor", "inductor", "inductor", "capacitor")
        primitive(kind, nodes[int(rng.integers(len(nodes)))], node)
        nodes.append(node)
    for _ in range(draw(st.integers(1, 5))):
        primitive(any_of("resistor", "inductor", "capacitor", "capacitor"), *two())
    for k in range(draw(st.integers(fewest_choppers, 2))):
        plus, minus = two()
        mid, load = maker.node(), maker.node()
        carrier, phase, rise = rng.uniform((2e4, 0.0, 1e-8), (2e5, 1.0, 5e-8))
        spec = Chopper(f"esc{k}", float(carrier), 0.0, float(phase), rise_s=float(rise))
        part.chopper(plus, minus, mid, spec)
        primitive("inductor", mid, load)
        primitive("resistor", load, minus)
        if rng.random() < 0.5:
            primitive("capacitor", load, minus if rng.random() < 0.5 else ground)
    if draw(st.booleans()):
        for (first, l1), (second, l2) in zip(inductors[::2], inductors[1::2], strict=False):
            maker.mutual(first, second, float(rng.uniform(-0.98, 0.98)) * math.sqrt(l1 * l2))
    return maker.finish()


class Case:
    """A network solved by the engine from a given state, with edges and no settling before."""

    def __init__(self, network: Network, duties: list[float], seed: int, duration_s: float) -> None:
        self.network = network
        self.equations = eq = StateEquations(network)
        self.nodal = Nodal(network)
        self.mean = MeanEquations(eq)
        self.drive = steady(duties, duration_s)
        rng = np.random.default_rng(seed)
        # volts and amps of everyday size in each capacitor and inductor
        x0 = np.zeros(eq.n_states)
        for at, scale, size in (
            (eq.current_states, eq.current_scale, 10.0),
            (eq.voltage_states, eq.voltage_scale, 25.0),
        ):
            if len(scale):
                x0[at] = np.linalg.solve(scale, rng.uniform(-size, size, len(scale)))
        self.x0 = x0
        #: outputs that are the unknowns of the node equations
        rows = [eq.volts(node, 0) for node in range(1, network.n_nodes)]
        rows += [eq.amps([(i, 1.0)]) for i in self.nodal.inductors]
        self.rows = stack_rows(rows)
        self.known = len(rows)

    def edges(self) -> switching.EdgeRun:
        return edge_run(self.mean, self.drive, self.x0, settle_s=0.0)

    def unknowns(self, run: switching.EdgeRun | averaged.AveragedRun, t: float) -> Array:
        """All unknowns of the node equations at a time; currents of sources and bridges 0."""
        out = np.zeros(self.nodal.n)
        out[: self.known] = run.sample(self.rows, np.array([t]))[:, 0]
        return out


def drawn_case(network: Network, duties: list[float], seed: int, duration_s: float) -> Case:
    """A case, where the drawn network has states and no parts that contradict each other."""
    try:
        case = Case(network, duties, seed, duration_s)
    except Conflict:
        assume(False)
        raise
    assume(case.equations.n_states > 0)
    return case


def misses(case: Case, got: Array, wanted: Array, share: float = 1e-6) -> float:
    """How many times further off than a share of its swing the worst column is.

    A swing is at least a tenth of its kind's largest.
    """
    got = got[:, : case.known]
    wanted = wanted[:, : case.known]
    kinds = np.arange(case.known) < case.network.n_nodes - 1
    swing = np.ptp(wanted, axis=0)
    for kind in (kinds, ~kinds):
        swing[kind] = np.maximum(swing[kind], 0.1 * np.max(swing[kind], initial=0.0))
    # (where next to nothing moves, the reference's own tolerance shows)
    least = 1e-10 * np.max(np.abs(wanted)) + 1e-12
    return float(np.max(np.abs(got - wanted) / np.maximum(share * swing, least)))


def close(case: Case, got: Array, wanted: Array, share: float = 1e-6) -> None:
    """Each column within a share of its swing."""
    worst = misses(case, got, wanted, share)
    assert worst <= 1.0, f"{worst:.3g} times too far"


def examples(share: float) -> settings:
    """A share of the profile's number of examples."""
    return settings(max_examples=math.ceil(share * settings.default.max_examples))


def everyday_case(network: Network, duties: list[float], seed: int) -> tuple[Case, Course]:
    """A period and a half of the slowest carrier."""
    duties = duties[: len(network.choppers)]
    end = 1.5 / min(c.frequency_hz for c in network.choppers)
    case = drawn_case(network, duties, seed, end)
    return case, Course(network, case.drive)


pairs = st.lists(st.floats(0.02, 0.98), min_size=2, max_size=2)


@examples(0.65)
@given(networks(1), pairs, st.integers(0, 9))
def test_edges(network: Network, duties: list[float], seed: int) -> None:
    """Switching bridges with finite ramps, from any state, over a period and a half."""
    case, course = everyday_case(network, duties, seed)
    run = case.edges()
    start = case.unknowns(run, 0.0)
    try:
        wanted = Reference(case.nodal, course, start)
    except GaveUp:
        assume(False)
        raise
    got = run.sample(case.rows, wanted.times).T
    if misses(case, got, wanted.x) > 1.0:
        # the reference's own rounding, in voltages of index 2, or a fault: longer numbers tell
        wanted = Reference(case.nodal, course, start, Extended)
    close(case, got, wanted.x)


def test_a_reference_that_rounds() -> None:
    """A cut-set of inductors whose voltages the reference, in doubles, has 4e-5 V off."""
    maker = NetworkMaker()
    part = Stamp(maker, "x")
    ground, emf, bus, a, low, end, mid, b = (maker.node() for _ in range(8))
    volts = 6.738212585313068
    part.source(emf, ground, volts, "emf")
    kinds: list[tuple[BranchType, int, int, float]] = [
        ("inductor", emf, bus, 0.002526387865072727),
        ("inductor", bus, a, 0.0003212461933584785),
        ("resistor", a, low, 0.3091947886504016),
        ("inductor", low, end, 0.009618801710938091),
        ("resistor", low, a, 2.052074943808122),
        ("inductor", mid, b, 2.3238112082953492e-08),
        ("resistor", b, low, 0.0016920368854681919),
    ]
    for kind, plus, minus, size in kinds:
        maker.branch(kind, plus, minus, size, "x", kind)
    part.chopper(bus, low, mid, Chopper("esc0", 150390.9, 0.0, 0.0157, rise_s=42.5e-9))
    network = maker.finish()
    case = Case(network, [0.75], 1, 1.5 / 150390.9)
    course = Course(network, case.drive)
    run = case.edges()
    start = case.unknowns(run, 0.0)
    wanted = Reference(case.nodal, course, start, Extended)
    got = run.sample(case.rows, wanted.times).T
    # no current has a way back to the source, so its inductor drops nothing: the voltage behind it,
    # too, is known, and there even longer numbers are up to 6e-8 V off, by the BLAS in use
    truth = wanted.x.copy()
    truth[:, [emf - 1, bus - 1]] = volts
    close(case, got, truth, 1e-7)


@examples(0.15)
@given(networks(1), pairs, st.integers(0, 9))
def test_edges_by_ida(network: Network, duties: list[float], seed: int) -> None:
    """The same with scikit-sundae's IDA, where the node equations are of index 1."""
    case, course = everyday_case(network, duties, seed)
    patterns = itertools.product((0.0, 1.0), repeat=len(network.choppers))
    assume(all(Pencil(case.nodal, s, course.end_s).index == 1 for s in patterns))
    # a formula of backward differences walks round each period of a mode that hardly fades
    matrix = case.equations.k.at(course.first)
    assume(np.max(np.abs(np.linalg.eigvals(matrix).imag)) * course.end_s < 100.0)
    run = case.edges()
    times = 0.5 * (course.corners[:-1] + course.corners[1:])
    got = run.sample(case.rows, times).T
    start = case.unknowns(run, 0.0)
    try:
        wanted = ida_run(case.nodal, course.at, course.corners, times, start)
        if misses(case, got, wanted) > 1.0:
            # of much that hardly swings IDA's own tolerance shows, or a fault: longer numbers tell
            exact = Reference(case.nodal, course, start, Extended)
            got, wanted = run.sample(case.rows, exact.times).T, exact.x
    except GaveUp:
        assume(False)
        raise
    close(case, got, wanted)


def test_little_that_swings_of_much() -> None:
    """2.7 A that swing by 0.24 mA, where IDA at its usual tolerance is 1.3 nA off."""
    maker = NetworkMaker()
    part = Stamp(maker, "x")
    ground, emf, bus, end, mid, load = (maker.node() for _ in range(6))
    part.source(emf, ground, 1.497254825718464, "emf")
    kinds: list[tuple[BranchType, int, int, float]] = [
        ("resistor", emf, bus, 0.9383089081872679),
        ("capacitor", ground, end, 2.2832486885356558e-07),
        ("resistor", ground, bus, 0.5575168324754916),
        ("inductor", mid, load, 0.00811083614462743),
        ("resistor", load, bus, 0.09113943984705902),
        ("capacitor", load, bus, 2.015124269525735e-07),
    ]
    for kind, plus, minus, size in kinds:
        maker.branch(kind, plus, minus, size, "x", kind)
    spec = Chopper("esc0", 122403.01961765418, 0.0, 0.7346091362317396, rise_s=1.86e-8)
    part.chopper(end, bus, mid, spec)
    network = maker.finish()
    case = Case(network, [0.021484375], 0, 1.5 / spec.frequency_hz)
    course = Course(network, case.drive)
    run = case.edges()
    start = case.unknowns(run, 0.0)
    exact = Reference(case.nodal, course, start, Extended)
    close(case, run.sample(case.rows, exact.times).T, exact.x, 1e-9)
    times = 0.5 * (course.corners[:-1] + course.corners[1:])
    wanted = ida_run(case.nodal, course.at, course.corners, times, start)
    close(case, run.sample(case.rows, times).T, wanted, 1e-5)


@examples(0.2)
@given(networks(1), st.lists(st.integers(0, 1), min_size=2, max_size=2), st.integers(0, 9))
def test_a_pattern_that_stays(network: Network, duties: list[int], seed: int) -> None:
    """Every bridge low or high for good, from any state, over many decades of time."""
    still = [float(d) for d in duties[: len(network.choppers)]]
    case = drawn_case(network, still, seed, LONGEST_S)
    run = case.edges()
    pencil = Pencil(case.nodal, still, LONGEST_S)
    z = pencil.start(case.unknowns(run, 0.0))
    times, later = pencil.dyadic(z)
    wanted = np.array([pencil.values(z), *map(pencil.values, later)])
    close(case, run.sample(case.rows, np.array([0.0, *times])).T, wanted)


@examples(0.1)
@given(networks(), st.lists(st.integers(0, 1), min_size=2, max_size=2), st.integers(0, 9))
def test_averaged(network: Network, duties: list[int], seed: int) -> None:
    """The averaged level where it has nothing to average: within 1e-4 of the swing."""
    still = [float(d) for d in duties[: len(network.choppers)]]
    case = drawn_case(network, still, seed, LONGEST_S)
    matrix = case.equations.k.at(still)
    assume(np.max(np.abs(np.linalg.eigvals(matrix).imag)) * LONGEST_S < 300.0)
    run = averaged.run(case.mean, case.drive, case.x0, rtol=1e-8)
    pencil = Pencil(case.nodal, still, LONGEST_S)
    z = pencil.start(case.unknowns(run, 0.0))
    times, later = pencil.dyadic(z)
    wanted = np.array([pencil.values(z), *map(pencil.values, later)])
    close(case, run.sample(case.rows, np.array([0.0, *times])).T, wanted, 1e-4)

"""Small networks with bridges, and when their bridges switch."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, Any
from unittest import mock

import numpy as np

from sim import switching
from sim.event import Drive
from sim.mean_equations import MeanEquations, equilibrium
from sim.network import Chopper, Network, NetworkMaker, Rotor, Stamp
from sim.state_equations import StateEquations
from tests.sim.nodal import Nodal, Pencil, implicit_run

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from sim.state_equations import Rows

    Array = NDArray[np.float64]


def drive_of(courses: Sequence[tuple[Sequence[float], Sequence[float]]], seconds: float) -> Drive:
    """Courses of (times, duties), one a bridge."""
    return Drive(
        kind="throttle",
        duration_s=seconds,
        courses=tuple((np.array(t, float), np.array(d, float)) for t, d in courses),
        freewheel=np.ones(len(courses), bool),
    )


def steady(duties: Sequence[float], seconds: float) -> Drive:
    """Duties that stay."""
    return drive_of([([0.0], [d]) for d in duties], seconds)


def edge_run(
    mean: MeanEquations, drive: Drive, x0: Array, *, settle_s: float | None = None, **options: Any
) -> switching.EdgeRun:
    """A run with every edge; settled before the event for a given time (None: as always)."""
    if settle_s is None:
        return switching.run(mean, drive, x0, **options)
    with mock.patch.object(switching, "settle_time", return_value=settle_s):
        return switching.run(mean, drive, x0, **options)


class Bench:
    """A network, its equations and its nodes by name; "0" is ground."""

    def __init__(self, build: Callable[[Stamp, Callable[[str], int]], None]) -> None:
        maker = NetworkMaker()
        nodes: dict[str, int] = {}

        def node(name: str) -> int:
            if name not in nodes:
                nodes[name] = maker.node()
                maker.add_alias(name, (nodes[name], nodes["0"]), joint=True)
            return nodes[name]

        node("0")
        build(Stamp(maker, "x"), node)
        self.network: Network = maker.finish()
        self.equations = StateEquations(self.network)
        self.mean = MeanEquations(self.equations)

    def volts(self, plus: str, minus: str = "0") -> Rows:
        """Voltage between two nodes."""
        ports = self.network.ports
        return self.equations.volts(ports[plus][0], ports[minus][0])

    def amps(self, name: str) -> Rows:
        """Current of the first branch of a name."""
        at = next(i for i, b in enumerate(self.network.branches) if b.name == name)
        return self.equations.amps([(at, 1.0)])

    def across(self, name: str) -> Rows:
        """Voltage of the first branch of a name."""
        branch = next(b for b in self.network.branches if b.name == name)
        return self.equations.volts(branch.a, branch.b)

    def run(self, drive: Drive, **options: Any) -> switching.EdgeRun:
        """From the averaged equilibrium."""
        return edge_run(self.mean, drive, equilibrium(self.mean, drive.start_duty), **options)


def esc(
    part: Stamp,
    node: Callable[[str], int],
    k: int,
    plus: str,
    spec: Chopper,
    *,
    henry: float = 20e-6,
    ohm: float = 0.2,
    rotor: Rotor | None = None,
) -> None:
    """A bridge from `plus` to ground that feeds a winding, and a rotor if one is given."""
    part.chopper(node(plus), node("0"), node(f"mid{k}"), spec)
    part.inductor(node(f"mid{k}"), node(f"a{k}"), henry, f"winding {k}")
    end = "0" if rotor is None else f"b{k}"
    part.resistor(node(f"a{k}"), node(end), ohm, f"motor {k}")
    if rotor is not None:
        part.rotor(node(end), node("0"), rotor)


def quad(
    n: int = 2,
    *,
    frequency: float = 48e3,
    offset: float | None = 0.0,
    phases: Sequence[float] | None = None,
    rotor: Rotor | None = None,
    share: float = 1.0,
    farad: float = 10e-6,
    esr: float = 5e-3,
    esl: float = 0.6e-9,
    arm_ohm: float = 2e-3,
    **spec: Any,
) -> Bench:
    """A pack with leads, a bulk capacitor, and n ESCs on arms with a ceramic each.

    `share` is how many equal arms each arm stands for.
    """

    def build(part: Stamp, node: Callable[[str], int]) -> None:
        part.source(node("emf"), node("0"), 16.8, "emf")
        part.resistor(node("emf"), node("r"), 20e-3, "pack")
        part.inductor(node("r"), node("pads"), 150e-9, "pack leads")
        part.chain(node("pads"), node("0"), ohm=15e-3, henry=8e-9, farad=470e-6)
        for k in range(n):
            part.resistor(node("pads"), node(f"w{k}"), arm_ohm / share, "arm ohm")
            part.inductor(node(f"w{k}"), node(f"in{k}"), 60e-9 / share, "arm")
            part.chain(
                node(f"in{k}"),
                node("0"),
                ohm=esr / share,
                henry=esl / share,
                farad=farad * share,
                names=("ceramic esr", "ceramic esl", "ceramic"),
            )
            phase = None if phases is None else phases[k]
            chopper = Chopper(f"esc{k}", frequency, offset, phase, **spec)
            esc(
                part, node, k, f"in{k}", chopper,
                henry=20e-6 / share, ohm=0.2 / share, rotor=rotor,
            )  # fmt: skip

    return Bench(build)


class Course:
    """When bridges switch, from their commands and carriers alone: s over time is a polygon.

    At the start each bridge stands where its carrier is.
    """

    def __init__(self, network: Network, drive: Drive) -> None:
        self.end_s = end = drive.duration_s
        self.ramps: list[tuple[float, float, int, float]] = []
        first = []
        for k, chopper in enumerate(network.choppers):
            assert chopper.phase is not None
            assert chopper.offset is not None
            f = chopper.frequency_hz * (1.0 + chopper.offset)
            high: list[tuple[float, float]] = []
            for n in range(math.ceil(end * f) + 2):
                start = (n - chopper.phase) / f
                duty = float(drive.start_duty[k] if n == 0 else drive.duty(start)[k])
                on = start + (0.5 * (1.0 - duty) / f if chopper.centred else 0.0)
                if duty <= 0.0:
                    continue
                # (a full period ends where the next begins, to the last digit)
                span = (on, (n + 1 - chopper.phase) / f if duty >= 1.0 else on + duty / f)
                if high and high[-1][1] >= span[0]:
                    high[-1] = (high[-1][0], span[1])
                else:
                    high.append(span)
            first.append(float(any(a <= 0.0 < b for a, b in high)))
            for a, b in high:
                for t, way in ((a, 1.0), (b, -1.0)):
                    if 0.0 < t < end:
                        self.ramps.append((t, way, k, chopper.rise_s))
        self.first = np.array(first)
        corners = [t for t, *_ in self.ramps] + [t + rise for t, _, _, rise in self.ramps]
        self.corners = np.unique([0.0, *(t for t in corners if t < end), end])

    def at(self, t: float) -> Array:
        """Switch values (n_switches,)."""
        s = self.first.copy()
        for start, way, k, rise in self.ramps:
            s[k] += way * min(max((t - start) / rise, 0.0), 1.0)
        return s


class Reference:
    """Unknowns of the node equations in the middle of each straight stretch of a course.

    number : what ramps are solved in (see `implicit_run`)
    """

    def __init__(
        self, nodal: Nodal, course: Course, x: Array, number: type[np.floating[Any]] = np.float64
    ) -> None:
        pencils: dict[tuple[float, ...], Pencil] = {}
        times, found = [], []
        for t0, t1 in itertools.pairwise(course.corners):
            s0, s1 = course.at(t0), course.at(t1)
            half = 0.5 * (t1 - t0)
            if np.max(np.abs(s1 - s0)) < 1e-9:
                key = tuple(np.round(s0, 9))
                if key not in pencils:
                    pencils[key] = Pencil(nodal, key, course.end_s)
                pencil = pencils[key]
                z = pencil.after(pencil.start(x), half)
                middle, x = pencil.values(z), pencil.values(pencil.after(z, half))
            else:
                slope = (s1 - s0) / (t1 - t0)
                middle = implicit_run(nodal, s0, slope, half, x, number)
                x = implicit_run(nodal, s0 + half * slope, slope, half, middle, number)
            times.append(t0 + half)
            found.append(middle)
        self.times, self.x = np.array(times), np.array(found)

"""A reference for clamps at every edge: Radau, restarted at each edge and at each knee.

It knows nothing of modes, patterns or constraints: while a clamp conducts the network has a
resistor and a source in its place, while it does not the network lacks it (other states, fewer
of them). From one to the other go currents of inductors and voltages of capacitors.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.integrate import solve_ivp

from sim import restarted
from sim.mean_equations import MeanEquations, residual_scale
from sim.state_equations import StateEquations

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.network import Network
    from sim.state_equations import Rows

    Array = NDArray[np.float64]


class Clamped:
    """A network with one clamp, as two sets of equations."""

    def __init__(self, network: Network) -> None:
        ((at, law),) = network.clamps
        self.knee_v, ohm = law.sharp
        #: nodes across the clamp, in both
        self.ends = network.branches[at].a, network.branches[at].b
        pieces = network.in_pieces()
        (knee,) = pieces.knees
        on = pieces.linearised({knee.source: -self.knee_v, at: ohm})
        self.at = at
        self.means = tuple(
            MeanEquations(StateEquations(net)) for net in (network.without_clamps(), on)
        )

    def moved(self, x: Array, begin: int, end: int, s: Array) -> Array:
        """A state of one of the two sets as one of the other."""
        one, other = self.means[begin].eq, self.means[end].eq
        out = np.zeros(other.n_states)
        coils = [other.tree.links[p] for p in other._l["L"]]
        amps = (one.branch_amps.x.at(s) @ x)[coils]
        out[other.current_states] = np.linalg.solve(other.current_scale, amps)
        cans = [other.tree.tree[p] for p in other._t["C"]]
        branches = other.network.branches
        volts = [float((one.volts(branches[i].a, branches[i].b).x.at(s) @ x)[0]) for i in cans]
        out[other.voltage_states] = np.linalg.solve(other.voltage_scale, np.array(volts))
        # speeds, and what stores no energy
        out[other.speed_states.start :] = x[one.speed_states.start :]
        return out

    def guard(self, on: int, system: restarted._System, t: float, x: Array) -> float:
        """Its current while it conducts, how far below the knee its voltage is while not."""
        eq = self.means[on].eq
        rows = eq.amps([(self.at, 1.0)]) if on else eq.volts(*self.ends)
        value = float(read(system, rows, t, x)[0])
        return value if on else self.knee_v - value


def read(system: restarted._System, rows: Rows, t: float, x: Array) -> Array:
    """Outputs at a moment."""
    span = system.span
    a, b = system.matrices(t)[:2]
    of_x, of_u = restarted.outputs(rows, span.s + span.slope * (t - span.start), span.slope, a, b)
    return np.asarray(of_x @ x + of_u @ system.inputs(t, x, still(system)))


def still(system: restarted._System) -> Array:
    """Angles of rotors whose EMFs do not ripple."""
    return np.zeros(len(system.eq.network.rotors))


def solve(
    own: Clamped,
    row: list[restarted.Span],
    x: Array,
    on: int,
    wanted: tuple[list[Rows], list[Rows]],
    rtol: float = 1e-9,
) -> tuple[Array, Array, int]:
    """Times (T,), outputs (k, T) at the solver's steps, and how often the knee was met.

    Without the moments where edges begin or end and where the knee is met: voltages jump there.
    `x` is of the equations in which the clamp conducts (`on` 1) or not (0); `wanted` are the
    outputs by either.
    """
    times: list[float] = []
    values: list[Array] = []
    met = 0
    for span in row:
        t = span.start
        while t < span.end:
            system = restarted._System(own.means[on], span)

            def guard(t: float, x: Array, system: object = system, on: int = on) -> float:
                return own.guard(on, system, t, x)  # type: ignore[arg-type]

            guard.terminal, guard.direction = True, -1.0  # type: ignore[attr-defined]

            def slope(t: float, x: Array, system: restarted._System = system) -> Array:
                return system.slope(t, np.concatenate([x, still(system)]))[: len(x)]

            def jacobian(t: float, x: Array, system: restarted._System = system) -> Array:
                both = np.concatenate([x, still(system)])
                return system.jacobian(t, both)[: len(x), : len(x)]

            done = solve_ivp(
                slope, (t, span.end), x, method="Radau", jac=jacobian, rtol=rtol,
                atol=rtol * residual_scale(own.means[on].eq), events=guard,
            )  # fmt: skip
            assert done.success or done.status == 1
            for at, state in zip(done.t[1:-1], done.y.T[1:-1], strict=True):
                times.append(float(at))
                values.append(
                    np.concatenate([read(system, rows, at, state) for rows in wanted[on]])
                )
            t, x = float(done.t[-1]), done.y[:, -1]
            if done.status == 1:
                met += 1
                s = span.s + span.slope * (t - span.start)
                x = own.moved(x, on, 1 - on, s)
                on = 1 - on
    return np.array(times), np.array(values).T, met

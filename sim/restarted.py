"""A general solver on the every-edge equations: Radau, restarted wherever a bridge bends.

The peer that `sim.speed` holds the every-edge engine against. It shares with the engine
the equations of the network and the duties after current limits, nothing else: edges come
from the carriers, and propeller drag, loads and the EMF that ripples with a rotor's angle follow
at every moment instead of being held from edge to edge. Some thousand times slower, so it serves
for short stretches.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from scipy.integrate import solve_ivp

from sim.carriers import draw
from sim.commutation import ripple
from sim.errors import SolveError
from sim.mean_equations import residual_scale
from sim.patterns import RampMatrices

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.mean_equations import MeanEquations
    from sim.state_equations import Rows
    from sim.switching import EdgeRun

    Array = NDArray[np.float64]


@dataclass(frozen=True)
class Span:
    """A time in which every bridge stands still or moves at one rate.

    `s` are the bridges' values at `start`, `slope` their rates per s, both (n_switches,).
    """

    start: float
    end: float
    s: Array
    slope: Array


@dataclass(frozen=True)
class Bit:
    """What was solved over one span: the solver's own times (k,) and states (n, k).

    `angle` (n_rotors, k) are the rotors' electrical angles in rad.
    """

    span: Span
    t: Array
    x: Array
    angle: Array


def spans(run: EdgeRun, seed: int, t0: float, t1: float) -> list[Span]:
    """The bridges from t0 to t1, as the carriers of an ESC timing and a run's duties have them.

    Raises
    ------
    SolveError   if a bridge has a pulse or a gap shorter than its ramp
    """
    choppers = run.equations.network.choppers
    frequency, phase = draw(run.equations.network, seed)
    corners = []
    for k, chopper in enumerate(choppers):
        first = int(np.floor(t0 * frequency[k] + phase[k])) - 1
        last = int(np.floor(t1 * frequency[k] + phase[k])) + 1
        times, values = [], []
        for number in range(first, last + 1):
            start = (number - phase[k]) / frequency[k]
            middle = start + 0.5 / frequency[k]
            duty = float(run.duties(np.array([max(middle, 0.0)]))[k, 0])
            on = 0.5 * (1.0 - duty) if chopper.centred else 0.0
            for share, value in ((on, 0.0), (on + duty, 1.0)):
                edge = start + share / frequency[k]
                times += [edge, edge + chopper.rise_s]
                values += [value, 1.0 - value]
        if np.any(np.diff(times) <= 0.0):
            raise SolveError("reference", "an edge begins on the ramp of another of its bridge")
        corners.append((np.array(times), np.array(values)))
    inside = [t[(t > t0) & (t < t1)] for t, _ in corners]
    cuts = np.unique(np.concatenate([[t0], *inside, [t1]]))
    at_cuts = np.array([np.interp(cuts, *corner) for corner in corners]).reshape(-1, len(cuts))
    found = []
    for i, (start, end) in enumerate(pairwise(cuts.tolist())):
        slope = (at_cuts[:, i + 1] - at_cuts[:, i]) / (end - start)
        # what is left of rounding on a bridge that stands still would count as a ramp
        slope[np.abs(slope) * (end - start) < 1e-12] = 0.0
        found.append(Span(start, end, at_cuts[:, i], slope))
    return found


class _System:
    """x' = f(t, x) in one span."""

    def __init__(self, mean: MeanEquations, span: Span) -> None:
        self.mean, self.eq, self.span = mean, mean.eq, span
        self.ramps = RampMatrices(mean.eq)
        self.moves = bool(np.any(span.slope))
        rotors = mean.eq.network.rotors
        self.ke = np.array([r.ke for r in rotors], dtype=float)
        self.pole_pairs = np.array([0.5 * r.poles for r in rotors], dtype=float)
        self._seen: dict[float, tuple[Array, Array, Array, Array]] = {}

    def matrices(self, t: float) -> tuple[Array, Array, Array, Array]:
        """A, B, and the controls of loads and curves as X w + U u."""
        key = t if self.moves else self.span.start
        if key not in self._seen:
            # Radau asks for the same three times again and again within a step
            if len(self._seen) > 8:
                self._seen.clear()
            s = self.span.s + self.span.slope * (key - self.span.start)
            a, b = self.ramps.at(s, self.span.slope)
            self._seen[key] = (a, b, *outputs(self.eq.law_controls, s, self.span.slope, a, b))
        return self._seen[key]

    def inputs(self, t: float, x: Array, angle: Array) -> Array:
        """u (n_inputs,) with drag, EMF ripple and loads as they are at this state."""
        eq = self.eq
        _, _, of_x, of_u = self.matrices(t)
        u = np.zeros(eq.n_inputs)
        u[eq.source_inputs] = eq.sources
        speed = eq.speeds(x)
        u[eq.torque_inputs] = eq.drag * speed * np.abs(speed)
        if eq.emf_inputs.stop > eq.emf_inputs.start:
            more = self.ke * ripple(eq.emf_ripple, angle)
            s = self.span.s + self.span.slope * (t - self.span.start)
            u[eq.emf_inputs] = more * speed
            # (through inductance, so of states alone)
            u[eq.torque_inputs] -= more * (eq.rotor_amps.x.at(s) @ self.mean.stores.w(x))
        if self.mean.n_laws:
            through = of_u[:, eq.law_inputs]
            base = of_x @ self.mean.stores.w(x) + of_u @ u
            if np.any(through):
                u[eq.law_inputs] = self.mean.settle_laws(base, through)[0]
            else:
                u[eq.law_inputs] = self.mean.law(base)[0]
        return u

    def slope(self, t: float, both: Array) -> Array:
        """Of states and angles (n + n_rotors,)."""
        a, b = self.matrices(t)[:2]
        x, angle = both[: self.eq.n_states], both[self.eq.n_states :]
        own = a @ self.mean.stores.w(x) + b @ self.inputs(t, x, angle)
        return np.concatenate([own, self.pole_pairs * self.eq.speeds(x)])

    def jacobian(self, t: float, both: Array) -> Array:
        """Without drag, angles and loads, which are next to nothing beside the network."""
        a, b, of_x, of_u = self.matrices(t)
        eq, mean = self.eq, self.mean
        x, angle = both[: eq.n_states], both[eq.n_states :]
        follow = np.eye(len(x))
        if mean.stores.some:
            follow = follow + eq.stores.gain @ mean.stores.moment(x)[1]
        whole = a @ follow
        if eq.curves:
            at = slice(len(eq.loads), mean.n_laws)
            those = eq.curve_inputs
            through = of_u[:, those][at]
            u = self.inputs(t, x, angle)
            controls = (of_x @ mean.stores.w(x) + of_u @ u)[at]
            bend = mean.curves.residuals(controls)[1][:, None]
            moved = np.linalg.solve(np.eye(len(bend)) - bend * through, bend * of_x[at] @ follow)
            whole = whole + b[:, those] @ moved
        out = np.zeros((len(both), len(both)))
        out[: len(x), : len(x)] = whole
        return out


def outputs(rows: Rows, s: Array, slope: Array, a: Array, b: Array) -> tuple[Array, Array]:
    """Outputs as X w + U u where x' = a x + b u and the bridges move at `slope`."""
    d = rows.d.at(s)
    of_x = rows.x.at(s) + d @ a
    for k, ramp in enumerate(rows.ramp):
        if slope[k] != 0.0:
            of_x = of_x + slope[k] * ramp.at(s)
    return of_x, rows.u.at(s) + d @ b


def solve(
    mean: MeanEquations, row: list[Span], x0: Array, rtol: float, angle: Array | None = None
) -> list[Bit]:
    """Solve from state x0 (n_states,) over spans that follow one another.

    `angle` are the rotors' electrical angles there (n_rotors,), which only matter where EMFs
    ripple. The absolute tolerance is rtol times 1 A, 1 V, 10 rad/s or 1 rad.

    Raises
    ------
    SolveError   if the step became too small
    """
    n, turned = len(x0), len(mean.eq.network.rotors)
    atol = rtol * np.concatenate([residual_scale(mean.eq), np.ones(turned)])
    begin = np.zeros(turned) if angle is None or not len(angle) else angle
    x, bits = np.concatenate([x0, begin]), []
    for span in row:
        system = _System(mean, span)
        done = solve_ivp(
            system.slope,
            (span.start, span.end),
            x,
            method="Radau",
            jac=system.jacobian,
            rtol=rtol,
            atol=atol,
        )
        if not done.success:
            raise SolveError("reference", f"the solver stopped at {done.t[-1] * 1e3:.6g} ms")
        bits.append(Bit(span, done.t, done.y[:n], done.y[n:]))
        x = done.y[:, -1]
    return bits


def read(mean: MeanEquations, bits: list[Bit], rows: Rows) -> tuple[Array, Array]:
    """Times (T,) and outputs (n_rows, T) at the solver's steps; the right limit at a jump."""
    times, values = [], []
    for bit in bits:
        system = _System(mean, bit.span)
        for t, x, angle in zip(bit.t[:-1], bit.x.T[:-1], bit.angle.T[:-1], strict=True):
            a, b = system.matrices(t)[:2]
            s = bit.span.s + bit.span.slope * (t - bit.span.start)
            of_x, of_u = outputs(rows, s, bit.span.slope, a, b)
            u, w = system.inputs(t, x, angle), mean.stores.w(x)
            value = of_x @ w + of_u @ u
            if mean.stores.some:
                # outputs of w' where x' was put in
                value = value + rows.d.at(s) @ mean.eq.stores.gain @ mean.stores.rates(
                    x, a @ w + b @ u
                )
            times.append(t)
            values.append(value)
    return np.array(times), np.array(values).T

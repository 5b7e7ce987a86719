"""The state equations with every bridge replaced by its duty.

Loads and current limits are nonlinear; they are solved here, so that `slope` is a
plain function of time and state with an analytic Jacobian.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sim.errors import NoStart
from sim.state_equations import AUX_SCALE
from sim.switch_poly import MeanValues

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from sim.state_equations import Rows, StateEquations
    from sim.switch_poly import SwitchPoly

    Array = NDArray[np.float64]


class LoadLaws:
    """Commanded currents of all loads as functions of their voltages.

    Constant power draws P/v above its minimum voltage and P v / minimum^2 below;
    constant current draws I above and I v / minimum below.
    """

    def __init__(self, equations: StateEquations) -> None:
        loads = equations.loads
        self.power = np.array([load.mode == "power" for load in loads], dtype=bool)
        self.value = np.array([load.value for load in loads], dtype=float)
        # a floor keeps P/v finite where a file sets the minimum to nothing
        self.minimum = np.maximum(np.array([load.minimum_v for load in loads], dtype=float), 1e-3)

    def amps(self, volts: Array, share: float = 1.0) -> tuple[Array, Array]:
        """Currents and their slopes di/dv, for voltages (..., n_loads); `share` scales both."""
        v = np.asarray(volts)
        above = v >= self.minimum
        safe = np.where(above, v, 1.0)
        low_slope = np.where(self.power, self.value / self.minimum**2, self.value / self.minimum)
        amps = np.where(above, np.where(self.power, self.value / safe, self.value), low_slope * v)
        slope = np.where(above, np.where(self.power, -self.value / safe**2, 0.0), low_slope)
        return share * amps, share * slope


@dataclass
class Moment:
    """Everything known at one time and state."""

    x: Array
    duty: Array
    inputs: Array
    slope: Array
    load_volts: Array


class MeanEquations:
    """x' = slope(duty, x), averaged over the carriers.

    Parameters
    ----------
    equations : the network's equations

    The terms in s' (a duty that moves while its bridge sits in a cut-set of inductors)
    are left out: at 0.6 nH, 60 A and 40 per second they are 1.4 nV.
    """

    def __init__(self, equations: StateEquations) -> None:
        self.eq = equations
        self.laws = LoadLaws(equations)
        rows = equations.load_volts
        self.values = MeanValues(
            [equations.k, equations.b, rows.x, rows.u, rows.d, equations.mass], equations.n_switches
        )
        self.load_share = 1.0
        self._through = self._constant_through(rows)
        self._looped = self._through is None or bool(np.any(self._through))

    def _constant_through(self, rows: Rows) -> Array | None:
        """d(load volts)/d(load amps) (n_loads, n_loads); None where it moves with the switches."""
        eq = self.eq
        loads_only = eq.load_inputs
        vu, b = rows.u.columns(loads_only), eq.b.columns(loads_only)
        if not (eq.mass_is_identity and vu.is_constant and rows.d.is_constant and b.is_constant):
            return None
        none = np.zeros(eq.n_switches)
        return np.asarray(vu.at(none) + rows.d.at(none) @ b.at(none))

    def settle_loads(self, base: Array, through: Array) -> tuple[Array, Array, Array]:
        """Currents, slopes di/dv and voltages of loads that move their own voltage.

        Newton on amps = law(base + through amps), for base voltages (..., n_loads).
        """
        n_j = base.shape[-1]
        amps, slope = self.laws.amps(base, self.load_share)
        volts = base
        for _ in range(30):
            volts = base + amps @ through.T
            law, slope = self.laws.amps(volts, self.load_share)
            system = np.eye(n_j) - slope[..., :, None] * through
            step = np.linalg.solve(system, (law - amps)[..., None])[..., 0]
            amps = amps + step
            if np.max(np.abs(step)) <= 1e-13 * (1.0 + np.max(np.abs(amps))):
                break
        return amps, slope, volts

    # -- inputs ---------------------------------------------------------------

    def limited(self, command: Array, x: Array) -> Array:
        """Duty after the current limits, for commands (..., n_s) and states (..., n)."""
        lim = self.eq.limits
        duty = np.array(command, dtype=float)
        if lim.active.any():
            k = np.flatnonzero(lim.active)
            supply = AUX_SCALE * x[..., lim.sense_state[k]]
            emf = x @ lim.emf[k].T
            safe = np.maximum(supply, 1e-3)
            low = (emf - lim.resistance[k] * lim.brake_a[k]) / safe
            high = (emf + lim.resistance[k] * lim.drive_a[k]) / safe
            held = np.minimum(np.maximum(duty[..., k], low), high)
            duty[..., k] = np.where(supply > 1e-3, held, duty[..., k])
        return np.asarray(np.clip(duty, 0.0, 1.0), dtype=float)

    def _duty_slopes(self, command: Array, duty: Array, x: Array) -> Array | None:
        """Derivative of the limited duty by the state (n_s, n), None where nothing limits."""
        lim = self.eq.limits
        held = lim.active & (duty != command) & (duty > 0.0) & (duty < 1.0)
        if not held.any():
            return None
        out = np.zeros((self.eq.n_switches, self.eq.n_states))
        for k in np.flatnonzero(held):
            at = lim.sense_state[k]
            supply = AUX_SCALE * x[at]
            out[k] = lim.emf[k] / supply
            out[k, at] -= duty[k] / x[at]
        return out

    def _drag(self, x: Array) -> Array:
        w = self.eq.speeds(x)
        return np.asarray(self.eq.drag * w * np.abs(w))

    def store(self, duty: Array) -> Array:
        """Matrix of the stored energy, x^T store x / 2, at a duty (n_s,)."""
        if self.eq.store.is_constant:
            return self.eq.store.at(duty)
        table = MeanValues([self.eq.store], self.eq.n_switches)
        return table.matrices(table.weights(duty))[0]

    # -- one moment ------------------------------------------------------------

    def moment(self, command: Array, x: Array) -> Moment:
        """Solve the loads and give the slope at one state (n,)."""
        return self._solve(command, x)[0]

    def _solve(self, command: Array, x: Array) -> tuple[Moment, list[Array], Array, Array]:
        eq = self.eq
        duty = self.limited(command, x)
        matrices = self.values.matrices(self.values.weights(duty))
        k, b, vx, vu, vd, mass = matrices
        u = np.zeros(eq.n_inputs)
        u[eq.source_inputs] = eq.sources
        u[eq.torque_inputs] = self._drag(x)
        slope = k @ x + b @ u
        if not eq.mass_is_identity:
            slope = np.asarray(np.linalg.solve(mass, slope), dtype=float)
        n_j = len(eq.loads)
        volts = np.zeros(n_j)
        law_slope = np.zeros(n_j)
        through = np.zeros((n_j, n_j))
        if n_j:
            b_load = b[:, eq.load_inputs]
            if not eq.mass_is_identity:
                b_load = np.asarray(np.linalg.solve(mass, b_load), dtype=float)
            volts = vx @ x + vu @ u + vd @ slope
            if self._looped:
                through = (
                    vu[:, eq.load_inputs] + vd @ b_load if self._through is None else self._through
                )
                amps, law_slope, volts = self.settle_loads(volts, through)
            else:
                amps, law_slope = self.laws.amps(volts, self.load_share)
            u[eq.load_inputs] = amps
            slope = slope + b_load @ amps
        return Moment(x, duty, u, slope, volts), matrices, law_slope, through

    def jacobian(self, command: Array, x: Array) -> Array:
        """Derivative of the slope by the state, (n, n)."""
        eq = self.eq
        at, matrices, law_slope, through = self._solve(command, x)
        k, b, vx, _vu, vd, mass = matrices

        def over_mass(m: Array) -> Array:
            return m if eq.mass_is_identity else np.asarray(np.linalg.solve(mass, m), dtype=float)

        jac = k.copy()
        w = eq.speeds(x)
        if len(w):
            jac[:, eq.speed_states] += b[:, eq.torque_inputs] * (
                2.0 * eq.drag * np.abs(w) * eq.speed_scale
            )
        duty_x = self._duty_slopes(command, at.duty, x)
        load_x_extra = None
        if duty_x is not None:
            slopes = self.values.weight_slopes(at.duty)
            mass_part = np.zeros(eq.n_states)
            load_x_extra = np.zeros((len(eq.loads), eq.n_states))
            for s in np.flatnonzero(np.any(duty_x, axis=1)):
                dk, db, dvx, dvu, _dvd, dmass = self.values.matrices(slopes[:, s])
                if not eq.mass_is_identity:
                    mass_part = dmass @ at.slope
                jac += np.outer(dk @ x + db @ at.inputs - mass_part, duty_x[s])
                if len(eq.loads):
                    load_x_extra += np.outer(dvx @ x + dvu @ at.inputs, duty_x[s])
        jac = over_mass(jac)
        if len(eq.loads):
            volts_x = vx + vd @ jac
            if load_x_extra is not None:
                volts_x = volts_x + load_x_extra
            amps_x = np.linalg.solve(
                np.eye(len(eq.loads)) - law_slope[:, None] * through, law_slope[:, None] * volts_x
            )
            jac = jac + over_mass(b[:, eq.load_inputs]) @ amps_x
        return np.asarray(jac)

    # -- many moments ----------------------------------------------------------

    def along(self, commands: Array, xs: Array) -> tuple[Array, Array, Array, Array]:
        """Duties, inputs, slopes and load voltages for commands (T, n_s) and states (T, n)."""
        eq = self.eq
        count = len(xs)
        duty = self.limited(commands, xs)
        u = np.zeros((count, eq.n_inputs))
        u[:, eq.source_inputs] = eq.sources
        w = eq.speeds(xs)
        u[:, eq.torque_inputs] = eq.drag * w * np.abs(w)
        slope = np.zeros((count, eq.n_states))
        volts = np.zeros((count, len(eq.loads)))
        if eq.mass_is_identity and (not len(eq.loads) or self._through is not None):
            slope = self._weighted(eq.k, duty, xs).T + self._weighted(eq.b, duty, u).T
            if len(eq.loads) and self._through is not None:
                volts = self.rows(eq.load_volts, duty, xs, slope, u).T
                if self._looped:
                    amps, _, volts = self.settle_loads(volts, self._through)
                else:
                    amps = self.laws.amps(volts, self.load_share)[0]
                u[:, eq.load_inputs] = amps
                slope = slope + self._weighted(eq.b.columns(eq.load_inputs), duty, amps).T
            return duty, u, slope, volts
        for i in range(count):
            at = self.moment(commands[i], xs[i])
            u[i], slope[i], volts[i] = at.inputs, at.slope, at.load_volts
        return duty, u, slope, volts

    @staticmethod
    def _weighted(poly: SwitchPoly, duty: Array, vectors: Array) -> Array:
        """Mean of poly @ vector for each of (T, columns) vectors, (rows, T)."""
        total = np.zeros((poly.shape[0], len(vectors)))
        for key, matrix in poly.terms.items():
            weight = np.ones(len(vectors))
            for k in sorted(set(key)):
                weight = weight * duty[:, k]
            total += weight * (matrix @ vectors.T)
        return total

    def rows(self, rows: Rows, duty: Array, x: Array, slope: Array, u: Array) -> Array:
        """Mean of linear outputs along a run, (n_rows, T)."""
        return (
            self._weighted(rows.x, duty, x)
            + self._weighted(rows.d, duty, slope)
            + self._weighted(rows.u, duty, u)
        )

    def mean_squares(self, rows: Rows, duty: Array, x: Array, slope: Array, u: Array) -> Array:
        """Mean of the squares of outputs linear in the switches, (n_rows, T).

        Each bridge adds d (1 - d) times its own coefficient squared: a switched
        current heats by its mean square, not by the square of its mean.
        """
        total = self.rows(rows, duty, x, slope, u) ** 2
        for k in range(self.eq.n_switches):
            own = np.zeros_like(total)
            for poly, vector in ((rows.x, x), (rows.d, slope), (rows.u, u)):
                matrix = poly.terms.get((k,))
                if matrix is not None:
                    own += matrix @ vector.T
            total += duty[:, k] * (1.0 - duty[:, k]) * own**2
        return total


def equilibrium(mean: MeanEquations, command: Array, start: Array | None = None) -> Array:
    """The state that does not move at a steady duty.

    Newton with the analytic Jacobian; loads grow from nothing to their full value, so
    that a constant-power load ends on its upper branch.

    Raises
    ------
    NoStart   if the loads ask for more than the supply can give
    """
    eq = mean.eq
    x = np.zeros(eq.n_states) if start is None else start.copy()
    shares: Sequence[float] = (0.0, 0.25, 0.5, 0.75, 1.0) if len(eq.loads) else (1.0,)
    if start is None:
        x = _first_guess(mean, command)
    try:
        for share in shares:
            mean.load_share = share
            x = _newton(mean, command, x)
    finally:
        mean.load_share = 1.0
    return x


def _first_guess(mean: MeanEquations, command: Array) -> Array:
    """Rotors at their no-load speed: Newton on drag then starts on the right side of zero."""
    eq = mean.eq
    x = np.zeros(eq.n_states)
    supply = float(np.max(np.abs(eq.sources))) if len(eq.sources) else 0.0
    for i in range(len(eq.speed_scale)):
        ke = eq.network.rotors[i].ke
        duty = float(np.mean(command)) if len(command) else 1.0
        x[eq.speed_states.start + i] = duty * supply / ke / eq.speed_scale[i] * 0.8
    x[eq.sense_states] = supply / AUX_SCALE
    return x


def _newton(mean: MeanEquations, command: Array, x: Array) -> Array:
    best = np.inf
    for _ in range(80):
        residual = mean.moment(command, x).slope
        jac = mean.jacobian(command, x)
        step = np.linalg.lstsq(jac, -residual, rcond=1e-14)[0]
        scale = np.max(np.abs(x)) + 1e-6
        x = x + step
        best = float(np.max(np.abs(step))) / scale
        if best < 1e-12:
            return x
    if best < 1e-8:
        return x
    raise NoStart(
        "start",
        "no steady state was found before the event",
        "A load may ask for more than the pack can give; lower its power or the duty",
    )


def residual_scale(eq: StateEquations) -> Array:
    """One volt, one ampere and ten rad/s in each state's own units, (n_states,)."""
    scale = np.full(eq.n_states, 1.0 / AUX_SCALE)
    for where, matrix, unit in (
        (eq.current_states, eq.current_scale, 1.0),
        (eq.voltage_states, eq.voltage_scale, 1.0),
    ):
        if len(matrix):
            scale[where] = unit / np.maximum(np.linalg.norm(matrix, axis=0), 1e-300)
    if len(eq.speed_scale):
        scale[eq.speed_states] = 10.0 / eq.speed_scale
    return scale

"""The state equations with every bridge replaced by its duty.

Loads, curves, stores that fade and current limits are nonlinear; they are solved here, so
that `slope` is a plain function of time and state with an analytic Jacobian.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sim.errors import NoStart
from sim.laws import CurveLaws, StoreLaws
from sim.network import SUPPLY_LEAK_S, SUPPLY_WIDTH_V
from sim.nonlinear import CORNER_WIDTHS
from sim.state_equations import AUX_SCALE, StateEquations
from sim.switch_poly import MeanValues
from sim.threads import heed

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from sim.network import Network
    from sim.state_equations import Rows
    from sim.switch_poly import SwitchPoly

    Array = NDArray[np.float64]

#: Steps of Newton this small, of the largest state, are the end; and while loads still grow.
_SETTLED, _ON_THE_WAY = 1e-12, 1e-3
#: Shares of their full value at which loads are looked at on the way.
_SHARES = (0.0, 0.25, 0.5, 0.75)


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


class Stores:
    """Stores that fade: from charges and fluxes x to voltages and currents w.

    Without such stores the two are the same.
    """

    def __init__(self, equations: StateEquations) -> None:
        self.eq = equations.stores
        self.n = equations.n_states
        self.laws = StoreLaws(self.eq.laws, self.eq.value)
        self.some = len(self.eq) > 0
        self._apart = not np.any(self.eq.own)
        self._eye = np.eye(len(self.eq))

    def _settled(self, x: Array) -> tuple[Array, Array, Array, Array]:
        """Controls, residuals and their derivatives by the control, for states (..., n).

        Newton on c = base + own r(c), where stores share a loop or a cut-set.
        """
        base = x @ self.eq.reach.T + self.eq.rest
        if len(self.eq) == 1 and x.ndim == 1:
            return self._settled_alone(float(base[0]))
        r, slope, bend = self.laws.residuals(base)
        if self._apart:
            return base, r, slope, bend
        c, own = base, self.eq.own
        missing = base + r @ own.T - c
        for _ in range(60):
            system = self._eye - own * slope[..., None, :]
            step = np.linalg.solve(system, missing[..., None])[..., 0]
            # the laws are convex to either side of 0: too long a step is halved
            share = np.ones((*c.shape[:-1], 1))
            size = np.max(np.abs(missing), axis=-1, keepdims=True)
            for _ in range(40):
                trial = c + share * step
                r, slope, bend = self.laws.residuals(trial)
                new = base + r @ own.T - trial
                worse = np.max(np.abs(new), axis=-1, keepdims=True) > size
                if not worse.any():
                    break
                share = np.where(worse, 0.5 * share, share)
            c, missing = trial, new
            if np.max(np.abs(step)) <= 1e-13 * (1.0 + np.max(np.abs(c))):
                break
        return c, r, slope, bend

    def _settled_alone(self, base: float) -> tuple[Array, Array, Array, Array]:
        """The same for one store at one moment: in plain numbers, a tenth of the time."""
        law, own = self.laws.residual, float(self.eq.own[0, 0])
        c, (r, slope, bend) = base, law(0, base)
        missing = base + own * r - c
        for _ in range(60 if own else 0):
            step = missing / (1.0 - own * slope)
            size, share = abs(missing), 1.0
            for _ in range(40):
                trial = c + share * step
                r, slope, bend = law(0, trial)
                missing = base + own * r - trial
                if abs(missing) <= size:
                    break
                share *= 0.5
            c = trial
            if abs(step) <= 1e-13 * (1.0 + abs(c)):
                break
        return np.array([c]), np.array([r]), np.array([slope]), np.array([bend])

    def _untied(self, slope: Array, right: Array) -> Array:
        """(1 - slope own)^-1 right, at one moment."""
        if len(slope) == 1:
            return np.asarray(right / (1.0 - slope[0] * self.eq.own[0, 0]))
        return np.asarray(np.linalg.solve(self._eye - slope[:, None] * self.eq.own, right))

    def w(self, x: Array) -> Array:
        """Voltages and currents w (..., n) of states x (..., n)."""
        if not self.some:
            return x
        return np.asarray(x + self._settled(x)[1] @ self.eq.gain.T)

    def x(self, w: Array) -> Array:
        """States x (n,) of voltages and currents w (n,)."""
        if not self.some:
            return w
        z = self.eq.reach @ w + self.eq.rest
        return np.asarray(w - self.eq.gain @ self.laws.residuals_at(z))

    def moment(self, x: Array) -> tuple[Array, Array, Array, Array]:
        """At one state (n,): w, how r follows x (n_stores, n), dr/dc and d2r/dc2."""
        _, r, slope, bend = self._settled(x)
        if len(r) == 1:
            own = float(slope[0])
            rate = (own / (1.0 - own * float(self.eq.own[0, 0]))) * self.eq.reach
            return x + self.eq.gain[:, 0] * float(r[0]), rate, slope, bend
        rate = self._untied(slope, slope[:, None] * self.eq.reach)
        return x + self.eq.gain @ r, rate, slope, bend

    def rates(self, x: Array, slope: Array) -> Array:
        """r' (..., n_stores) of states and their slopes (..., n)."""
        _, _, bend, _ = self._settled(x)
        reached = (slope @ self.eq.reach.T) * bend
        if self._apart:
            return np.asarray(reached)
        system = self._eye - bend[..., :, None] * self.eq.own
        return np.asarray(np.linalg.solve(system, reached[..., None])[..., 0])

    def energy_beyond(self, w: Array) -> Array:
        """Energy more than the linear stores would hold at w (..., n), in J."""
        if not self.some:
            return np.zeros(w.shape[:-1])
        return self.laws.energy_beyond(w @ self.eq.reach.T + self.eq.rest)


@dataclass
class Moment:
    """Everything known at one time and state; `controls` of the laws, loads' volts first."""

    x: Array
    duty: Array
    inputs: Array
    slope: Array
    controls: Array


@dataclass
class _Solved:
    """A moment and what its Jacobian needs.

    `vd_x`: controls by x'; `system` x' = ..., None for the identity; `bends` of the laws;
    `follow`: residuals of fading stores by x, `bend`, `bend2` by their controls.
    """

    moment: Moment
    matrices: list[Array]
    w: Array
    vd_x: Array
    system: Array | None
    bends: Array
    through: Array
    follow: Array
    bend: Array
    bend2: Array


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
        self.stores = Stores(equations)
        at = list(equations.curve_branches)
        values = np.array([equations.network.branches[i].value for i in at], dtype=float)
        self.curves = CurveLaws(equations.curves, values)
        rows = equations.law_controls
        self.n_laws = rows.x.shape[0]
        self.values = MeanValues(
            [equations.k, equations.b, rows.x, rows.u, rows.d, equations.mass], equations.n_switches
        )
        self.load_share = 1.0
        self._rates: tuple[tuple[bytes, bytes], NDArray[np.complex128]] | None = None
        self._through = self._constant_through(rows)
        #: how controls go with rates of residuals of fading stores, where that stands
        self._lift = np.zeros((self.n_laws, len(equations.stores)))
        if rows.d.is_constant:
            self._lift = rows.d.at(np.zeros(equations.n_switches)) @ equations.stores.gain
        self._lifts = bool(np.any(self._lift))
        self._looped = self._through is None or self._lifts or bool(np.any(self._through))

    def _constant_through(self, rows: Rows) -> Array | None:
        """d(controls)/d(law inputs) (n_laws, n_laws) but for fading stores; None where it moves."""
        eq = self.eq
        those = eq.law_inputs
        vu, b = rows.u.columns(those), eq.b.columns(those)
        if not (eq.mass_is_identity and vu.is_constant and rows.d.is_constant and b.is_constant):
            return None
        if self.stores.some and rows.u.columns(eq.rate_inputs).terms:
            return None
        none = np.zeros(eq.n_switches)
        return np.asarray(vu.at(none) + rows.d.at(none) @ b.at(none))

    def law(self, controls: Array) -> tuple[Array, Array]:
        """Inputs of all laws and their slopes, for controls (..., n_laws)."""
        n_j = len(self.eq.loads)
        amps, slope = self.laws.amps(controls[..., :n_j], self.load_share)
        if n_j == self.n_laws:
            return amps, slope
        residual, bend = self.curves.residuals(controls[..., n_j:])
        return np.concatenate([amps, residual], -1), np.concatenate([slope, bend], -1)

    def settle_laws(self, base: Array, through: Array) -> tuple[Array, Array, Array]:
        """Inputs, slopes and controls of laws that move their own control.

        Newton on input = law(base + through input), for base controls (..., n_laws) and
        through (n_laws, n_laws) or one for each.
        """
        n = base.shape[-1]
        y, slope = self.law(base)
        control = base + (through @ y[..., None])[..., 0]
        law, slope = self.law(control)
        for _ in range(60):
            missing = law - y
            system = np.eye(n) - slope[..., :, None] * through
            step = np.linalg.solve(system, missing[..., None])[..., 0]
            size = np.max(np.abs(missing), axis=-1, keepdims=True)
            share = np.ones((*base.shape[:-1], 1))
            for _ in range(8 if len(self.eq.curves) else 1):
                trial = y + share * step
                control = base + (through @ trial[..., None])[..., 0]
                law, slope = self.law(control)
                # corners can send it to and fro: then a shorter step
                worse = np.max(np.abs(law - trial), axis=-1, keepdims=True) > size * (1.0 + 1e-9)
                if not worse.any():
                    break
                share = np.where(worse, 0.5 * share, share)
            y = trial
            if np.max(np.abs(step)) <= 1e-13 * (1.0 + np.max(np.abs(y))):
                break
        return y, slope, control

    def load_volts(self, command: Array, x: Array) -> Array:
        """Voltage across each load (n_loads,) at commanded duties and a state."""
        n_j = len(self.eq.loads)
        if not n_j:
            return np.zeros(0)
        return self.moment(np.asarray(command, dtype=float), x).controls[:n_j]

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

    def stored(self, duty: Array, x: Array) -> float:
        """Energy stored at a duty (n_s,) and state (n,), in J."""
        w = self.stores.w(x)
        return 0.5 * float(w @ self.store(duty) @ w) + float(self.stores.energy_beyond(w))

    def store(self, duty: Array) -> Array:
        """Matrix of the energy in linear stores, w^T store w / 2, at a duty (n_s,)."""
        if self.eq.store.is_constant:
            return self.eq.store.at(duty)
        table = MeanValues([self.eq.store], self.eq.n_switches)
        return table.matrices(table.weights(duty))[0]

    # -- one moment ------------------------------------------------------------

    def moment(self, command: Array, x: Array) -> Moment:
        """Solve the laws and give the slope at one state (n,)."""
        return self._solve(command, x).moment

    def _solve(self, command: Array, x: Array) -> _Solved:
        eq = self.eq
        duty = self.limited(command, x)
        matrices = self.values.matrices(self.values.weights(duty))
        k, b, vx, vu, vd, mass = matrices
        u = np.zeros(eq.n_inputs)
        u[eq.source_inputs] = eq.sources
        u[eq.torque_inputs] = self._drag(x)
        w, vd_x, system = x, vd, None if eq.mass_is_identity else mass
        follow = bend = bend2 = np.zeros((0, 0))
        if self.stores.some:
            w, follow, bend, bend2 = self.stores.moment(x)
            # controls and masses are of w' = (1 + gain follow) x'
            vd_x = vd + (vd @ eq.stores.gain) @ follow
            vd_x = vd_x + vu[:, eq.rate_inputs] @ follow[eq.stores.with_rate]
            if system is not None:
                system = mass + ((mass - np.eye(len(x))) @ eq.stores.gain) @ follow
        slope = k @ w + b @ u
        if system is not None:
            slope = np.asarray(np.linalg.solve(system, slope), dtype=float)
        controls, bends = np.zeros(self.n_laws), np.zeros(self.n_laws)
        through = np.zeros((self.n_laws, self.n_laws))
        if self.n_laws:
            b_law = b[:, eq.law_inputs]
            if system is not None:
                b_law = np.asarray(np.linalg.solve(system, b_law), dtype=float)
            controls = vx @ w + vu @ u + vd_x @ slope
            if self._looped:
                constant = None if self._lifts else self._through
                through = vu[:, eq.law_inputs] + vd_x @ b_law if constant is None else constant
                inputs, bends, controls = self.settle_laws(controls, through)
            else:
                inputs, bends = self.law(controls)
            u[eq.law_inputs] = inputs
            slope = slope + b_law @ inputs
        if len(eq.stores.with_rate):
            u[eq.rate_inputs] = follow[eq.stores.with_rate] @ slope
        at = Moment(x, duty, u, slope, controls)
        return _Solved(at, matrices, w, vd_x, system, bends, through, follow, bend, bend2)

    def jacobian(self, command: Array, x: Array) -> Array:
        """Derivative of the slope by the state, (n, n)."""
        return self.slope_and_jacobian(command, x)[1]

    def rates(self, command: Array, x: Array) -> NDArray[np.complex128]:
        """Eigenvalues of that, (n,) in 1/s; those asked for last are kept."""
        at = np.asarray(command).tobytes(), x.tobytes()
        if self._rates is None or self._rates[0] != at:
            self._rates = at, np.linalg.eigvals(self.jacobian(command, x)).astype(complex)
        return self._rates[1]

    def slope_and_jacobian(self, command: Array, x: Array) -> tuple[Array, Array]:
        """The slope (n,) at a state and its derivative by the state (n, n)."""
        eq = self.eq
        at = self._solve(command, x)
        k, b, vx, vu, vd, mass = at.matrices
        duty, slope = at.moment.duty, at.moment.slope
        gain, n = eq.stores.gain, eq.n_states

        def over_mass(m: Array) -> Array:
            return m if at.system is None else np.asarray(np.linalg.solve(at.system, m))

        def by_state(m: Array) -> Array:
            """d(m w)/dx."""
            return m + (m @ gain) @ at.follow if self.stores.some else m

        jac = by_state(k).copy()
        speed = eq.speeds(x)
        if len(speed):
            jac[:, eq.speed_states] += b[:, eq.torque_inputs] * (
                2.0 * eq.drag * np.abs(speed) * eq.speed_scale
            )
        volts_x = by_state(vx)
        if self.stores.some:
            # how w' = (1 + gain follow) x' moves with the state while x' stands
            rate = at.follow @ slope
            turn = np.linalg.solve(
                np.eye(len(eq.stores)) - at.bend[:, None] * eq.stores.own,
                (at.bend2 * (eq.stores.reach @ slope + eq.stores.own @ rate))[:, None]
                * (eq.stores.reach + eq.stores.own @ at.follow),
            )
            volts_x = volts_x + (vd @ gain) @ turn
            volts_x = volts_x + vu[:, eq.rate_inputs] @ turn[eq.stores.with_rate]
            if at.system is not None:
                jac -= ((mass - np.eye(n)) @ gain) @ turn
        duty_x = self._duty_slopes(command, duty, x)
        if duty_x is not None:
            slopes = self.values.weight_slopes(duty)
            moved = slope if not self.stores.some else slope + gain @ (at.follow @ slope)
            for s in np.flatnonzero(np.any(duty_x, axis=1)):
                dk, db, dvx, dvu, _dvd, dmass = self.values.matrices(slopes[:, s])
                mass_part = np.zeros(n) if at.system is None else dmass @ moved
                jac += np.outer(dk @ at.w + db @ at.moment.inputs - mass_part, duty_x[s])
                volts_x = volts_x + np.outer(dvx @ at.w + dvu @ at.moment.inputs, duty_x[s])
        jac = over_mass(jac)
        if self.n_laws:
            volts_x = volts_x + at.vd_x @ jac
            inputs_x = np.linalg.solve(
                np.eye(self.n_laws) - at.bends[:, None] * at.through, at.bends[:, None] * volts_x
            )
            jac = jac + over_mass(b[:, eq.law_inputs]) @ inputs_x
        return slope, np.asarray(jac)

    # -- many moments ----------------------------------------------------------

    def along(self, commands: Array, xs: Array) -> tuple[Array, Array, Array, Array, Array]:
        """Duties, w, inputs, w' and controls for commands (T, n_s) and states (T, n)."""
        eq = self.eq
        count = len(xs)
        duty = self.limited(commands, xs)
        u = np.zeros((count, eq.n_inputs))
        u[:, eq.source_inputs] = eq.sources
        speed = eq.speeds(xs)
        u[:, eq.torque_inputs] = eq.drag * speed * np.abs(speed)
        w = self.stores.w(xs)
        slope = np.zeros((count, eq.n_states))
        controls = np.zeros((count, self.n_laws))
        if eq.mass_is_identity and (not self.n_laws or self._through is not None):
            slope = self._weighted(eq.k, duty, w).T + self._weighted(eq.b, duty, u).T
            if self.n_laws and self._through is not None:
                controls = self.rows(eq.law_controls, duty, w, slope, u).T
                through = self._through
                if self._lifts:
                    controls = controls + self.stores.rates(xs, slope) @ self._lift.T
                    b = eq.b.columns(eq.law_inputs).at(np.zeros(eq.n_switches))
                    drawn = [self.stores.rates(xs, column) for column in b.T]
                    through = through + self._lift @ np.stack(drawn, axis=-1)
                if self._looped:
                    inputs, _, controls = self.settle_laws(controls, through)
                else:
                    inputs = self.law(controls)[0]
                u[:, eq.law_inputs] = inputs
                slope = slope + self._weighted(eq.b.columns(eq.law_inputs), duty, inputs).T
        else:
            for i in range(count):
                at = self.moment(commands[i], xs[i])
                u[i], slope[i], controls[i] = at.inputs, at.slope, at.controls
        if self.stores.some:
            rates = self.stores.rates(xs, slope)
            slope = slope + rates @ eq.stores.gain.T
            u[:, eq.rate_inputs] = rates[:, eq.stores.with_rate]
        return duty, w, u, slope, controls

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


def equilibrium(mean: MeanEquations, command: Array, near: Array | None = None) -> Array:
    """The state that does not move at a steady duty.

    Newton with the analytic Jacobian; loads grow from nothing to their full value, so
    that a constant-power load ends on its upper branch.

    Parameters
    ----------
    near : a state on that branch, from which loads need not grow

    Raises
    ------
    NoStart   if the loads ask for more than the supply can give
    """
    if near is not None:
        with suppress(NoStart):
            return _newton(mean, command, near)
    net = mean.eq.network
    limiting = any(supply.resistor in mean.eq.curve_branches for supply in net.supplies)
    x = _supplied(mean, command) if limiting else _first_guess(mean, command)
    try:
        for share in _SHARES if len(mean.eq.loads) else ():
            mean.load_share = share
            x = _newton(mean, command, x, _ON_THE_WAY)
    finally:
        mean.load_share = 1.0
    return _newton(mean, command, x)


def _supplied(mean: MeanEquations, command: Array) -> Array:
    """A start for Newton where supplies limit: he does not find his way round their corners.

    The equilibrium with each of them in one piece of its curve: the middle one, or its limit,
    which the more supplies give the lower the voltage is without.
    """
    net = mean.eq.network
    limits: dict[int, float] = {}
    for _ in range(len(net.supplies) + 1):
        own = MeanEquations(StateEquations(_with_limits(net, limits)))
        x = equilibrium(own, command)
        more = dict(limits)
        for supply in net.supplies:
            branch = net.branches[supply.capacitor]
            low = net.branches[supply.source].value - supply.ohm * supply.limit_a
            if float(own.eq.volts(branch.a, branch.b).x.at(command)[0] @ x) < low:
                more[supply.resistor] = supply.limit_a
        if more == limits:
            break
        limits = more
    return x


def _with_limits(net: Network, limits: Mapping[int, float]) -> Network:
    """The network in middle pieces, but for supplies that give a limit through 1 MOhm."""
    net = net.supplies_in_pieces()
    values = dict.fromkeys(limits, 1.0 / SUPPLY_LEAK_S)
    for supply in net.supplies:
        if supply.resistor in limits:
            values[supply.source] = limits[supply.resistor] / SUPPLY_LEAK_S
        else:
            # what the curve's round corner costs: it is flat below, and Newton would leap from it
            volts = net.branches[supply.source].value
            values[supply.source] = volts - CORNER_WIDTHS * SUPPLY_WIDTH_V
    return net.linearised(values)


def linear_values(mean: MeanEquations, command: Array, x: Array) -> dict[int, float]:
    """What fading stores and curves, by branch, are linearised to where they stand at a state."""
    net, stores = mean.eq.network, mean.eq.stores
    z = stores.reach @ mean.stores.w(x) + stores.rest
    values = {index: law.slope(float(at)) for (index, law), at in zip(net.stores, z, strict=True)}
    controls = mean.moment(command, x).controls[len(mean.eq.loads) :]
    # a curve's voltage is half of what control and residual sum to
    volts = 0.5 * (controls + mean.curves.residuals(controls)[0])
    values |= {index: law.ohm(float(v)) for (index, law), v in zip(net.curves, volts, strict=True)}
    return values


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


#: How often a Newton step over the corner of a curve is halved at most.
_MOST_HALVINGS = 12


def _newton(mean: MeanEquations, command: Array, x: Array, close: float = _SETTLED) -> Array:
    # beyond a corner of a curve its slope is another one: where whole steps go to and fro,
    # shorter ones may not
    for halvings in (0, _MOST_HALVINGS) if mean.eq.curves else (0,):
        found = _stepped(mean, command, x, close, halvings)
        if found is not None:
            return found
    raise NoStart(
        "start",
        "no steady state was found before the event",
        "A load may ask for more than the pack can give; lower its power or the duty",
    )


def _stepped(
    mean: MeanEquations, command: Array, x: Array, close: float, halvings: int
) -> Array | None:
    """Where Newton's steps end, each halved so often at most while slopes grow; None: nowhere."""
    best, regular = np.inf, False
    for _ in range(80):
        heed()
        slope, jac = mean.slope_and_jacobian(command, x)
        step, regular = _newton_step(jac, slope, regular)
        scale = np.max(np.abs(x), initial=0.0) + 1e-6
        size = float(np.linalg.norm(slope)) if halvings else 0.0
        for _ in range(halvings):
            if np.linalg.norm(mean.moment(command, x + step).slope) <= size:
                break
            step = 0.5 * step
        x = x + step
        best = float(np.max(np.abs(step), initial=0.0)) / scale
        if best < close:
            return x
    return x if best < 1e-8 else None


def _newton_step(jac: Array, slope: Array, regular: bool) -> tuple[Array, bool]:
    """Newton's step, and whether there is but one; `regular`: there was but one before."""
    if regular:
        with suppress(np.linalg.LinAlgError):
            return np.asarray(np.linalg.solve(jac, -slope), dtype=float), True
    # loops of inductors may carry any current: the least of it
    step, _, rank, _ = np.linalg.lstsq(jac, -slope, rcond=1e-14)
    return np.asarray(step, dtype=float), int(rank) == len(jac)


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

"""The averaged equations as one matrix of the duties, for solvers that ask many times.

With z = [w; inputs], everything linear is one product,

    [slope; controls] = H(duty) z,

and H is a sum over monomials of the duties; w are the states, or what fading stores make of
them. `MeanEquations` says the same in the form it is derived in, and is what this is tested
against.
"""

from __future__ import annotations

import functools
from operator import add, mul, sub
from typing import TYPE_CHECKING

import numpy as np

from sim.mean_equations import residual_scale
from sim.mean_kernels import BRAKES, DRIVES, FREE, LEAST_SUPPLY, OFF, ON, Entries, Fade, Form, Plan
from sim.state_equations import AUX_SCALE
from sim.switch_poly import MeanValues, SwitchPoly, stack

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.mean_equations import MeanEquations

    Array = NDArray[np.float64]

#: What a state is, for its share of the error: its errors count against the largest of its kind.
CURRENT, VOLTAGE, SPEED = 0, 1, 2


def _beside(left: SwitchPoly, right: SwitchPoly) -> SwitchPoly:
    return stack([left.T, right.T]).T


class MeanForm:
    """Slope, Jacobian and time derivative of averaged equations.

    Parameters
    ----------
    mean : the equations; read once, here

    Attributes
    ----------
    plain : the mass is the identity and controls need no slope, so H is a polynomial
    fits : no fading store meets mass or a rate input; where one does, `MeanEquations` has to serve
    lifts : fading stores meet slopes that laws go by; served if plain
    table : (n_monomials, rows * columns) of H, if plain
    unit, kind : one volt, ampere or ten rad/s of each state, and which of them it is
    """

    def __init__(self, mean: MeanEquations) -> None:
        eq = mean.eq
        self.mean, self.eq = mean, eq
        self.n, self.n_j = eq.n_states, mean.n_laws
        volts = eq.law_controls
        self.plain = eq.mass_is_identity and volts.d.is_constant
        rates = volts.u.columns(eq.rate_inputs)
        self.lifts = any(np.any(m @ eq.stores.gain) for m in volts.d.terms.values())
        self.fits = not mean.stores.some or (eq.mass_is_identity and not rates.terms)
        self.shape = (self.n + self.n_j, self.n + eq.n_inputs)
        self.values = mean.values if self.plain else self._with_mass()
        self.torques = slice(self.n + eq.torque_inputs.start, self.n + eq.torque_inputs.stop)
        self.amps = slice(self.n + eq.law_inputs.start, self.n + eq.law_inputs.stop)
        #: how controls of laws go with rates of residuals, where any do
        self._lifted = self._lift() if self.plain and self.lifts else None
        self.unit = residual_scale(eq)
        self.kind = np.full(self.n, VOLTAGE, dtype=np.int64)
        self.kind[eq.current_states] = CURRENT
        self.kind[eq.load_states] = CURRENT
        self.kind[eq.speed_states] = SPEED
        places = [tuple(sorted(set(key))) for key in self.values.keys]
        self._factors = np.zeros((len(places), max(map(len, places), default=0)), dtype=np.int64)
        for row, key in enumerate(places):
            self._factors[row, : len(key)] = np.array(key, dtype=np.int64) + 1
        self._z = np.zeros(self.shape[1])
        sources = eq.source_inputs
        self._z[self.n + sources.start : self.n + sources.stop] = eq.sources
        # (none yet: without bridges every duty is the same empty one)
        self._duty: bytes | None = None
        self._h = np.zeros(self.shape)
        self._table = self._side_by_side() if self.plain else np.zeros((0, 0))
        # loads with a bandwidth do not move the voltage they see at once
        self._direct = not self.plain or bool(
            np.any(self._table.reshape(len(self.values.keys), *self.shape)[:, self.n :, self.amps])
        )
        #: what stores that fade are at the last state, where controls of laws go with their rates
        self._moment: tuple[Array, Array, Array, Array] | None = None
        self._drawn = [0.0] * self.n_j
        self._chord: list[list[float]] = np.eye(self.n_j).tolist()
        laws = mean.laws
        self._watts = np.where(laws.power, laws.value, 0.0)
        self._steady = np.where(laws.power, 0.0, laws.value)
        self._loads = list(
            zip(laws.minimum.tolist(), self._watts.tolist(), self._steady.tolist(), strict=True)
        )
        limits = eq.limits
        self._held = np.flatnonzero(limits.active)
        self._sense = limits.sense_state[self._held]
        self._emf = limits.emf[self._held]
        self._brake = limits.resistance[self._held] * limits.brake_a[self._held]
        self._drive = limits.resistance[self._held] * limits.drive_a[self._held]

    def _with_mass(self) -> MeanValues:
        """Slopes and controls as they are before a mass that moves is divided out."""
        eq, volts = self.eq, self.eq.law_controls
        flow = _beside(eq.k, eq.b)
        both = stack([flow, _beside(volts.x, volts.u)]) if self.n_j else flow
        return MeanValues([both, volts.d, eq.mass], eq.n_switches)

    def _side_by_side(self) -> Array:
        """`table` out of the equations' own."""
        values, n = self.mean.values, self.n
        h = np.zeros((len(values.keys), *self.shape))
        ends = np.cumsum([rows * columns for rows, columns in values.shapes])[:-1]
        parts = np.split(values.table, ends, axis=1)
        k, b, vx, vu, vd, _ = (
            part.reshape(len(h), *shape) for part, shape in zip(parts, values.shapes, strict=True)
        )
        h[:, :n, :n], h[:, :n, n:] = k, b
        if self.n_j:
            # (how controls go with slopes does not move, so it is in the first monomial's alone)
            h[:, n:] = vd.sum(axis=0) @ h[:, :n]
            h[:, n:, :n] += vx
            h[:, n:, n:] += vu
        return h.reshape(len(h), self.shape[0] * self.shape[1])

    @functools.cached_property
    def _turned(self) -> _Turned:
        return _Turned(self._factors, self.eq.n_switches)

    def _part_moving(self) -> None:
        """What of H stands goes into `_h`; where the rest is, and its own columns of `table`."""
        moves = np.any(self._factors != 0, axis=1)
        self._h.ravel()[:] = self._table[~moves].sum(axis=0)
        moving = np.any(self._table[moves] != 0.0, axis=0)
        self._moving = np.flatnonzero(moving)
        self._moving_table = np.ascontiguousarray(self._table[:, moving])
        row, self._moving_column = np.divmod(self._moving, self.shape[1])
        self._moving_first = np.flatnonzero(np.diff(row, prepend=-1))
        self._moving_row = row[self._moving_first]

    def arrays(self) -> Form:
        """The same for the compiled kernel; only where `plain`."""
        assert self.plain
        eq, laws, limits, n = self.eq, self.mean.laws, self.eq.limits, self.n
        h = self._table.reshape(len(self.values.keys), *self.shape)
        monomial, row, column = np.nonzero(h)
        value = h[monomial, row, column]
        by_law = (column >= self.amps.start) & (column < self.amps.stop)
        of_law = row >= n

        def entries(those: NDArray[np.bool_], top: int, left: int) -> Entries:
            which, rows, columns = monomial[those], row[those] - top, column[those] - left
            first = np.flatnonzero(np.diff(which * h.shape[1] + rows, prepend=-1))
            start = np.searchsorted(which[first], np.arange(len(h) + 1))
            return Entries(
                start.astype(np.uint32),
                rows[first].astype(np.uint32),
                np.append(first, len(rows)).astype(np.uint32),
                columns.astype(np.uint32),
                value[those],
            )

        return Form(
            plan=plan(self._pattern(monomial, row, column)),
            flow=entries(~of_law & ~by_law, 0, 0),
            drop=entries(of_law & ~by_law, n, 0),
            draw=entries(~of_law & by_law, 0, self.amps.start),
            tie=entries(of_law & by_law, n, self.amps.start),
            factors=self._factors,
            z=self._z.copy(),
            n=n,
            torque=self.torques.start,
            amps=self.amps.start,
            speed=eq.speed_states.start,
            power=laws.power,
            value=laws.value,
            minimum=laws.minimum,
            curve_ohm=self.mean.curves.value,
            curve_leak=self.mean.curves.leak,
            corners=self.mean.curves.corners,
            fading=Fade(
                full=self.mean.stores.laws.full,
                half=self.mean.stores.laws.half,
                value=eq.stores.value,
                reach=eq.stores.reach,
                gain=eq.stores.gain,
                own=eq.stores.own,
                rest=eq.stores.rest,
                lift=self._lift(),
                lifts=self.lifts,
                apart=not np.any(eq.stores.own),
            ),
            drag=eq.drag,
            speed_scale=eq.speed_scale,
            sense=limits.sense_state,
            sense_scale=AUX_SCALE,
            emf=limits.emf,
            brake=limits.resistance * limits.brake_a,
            drive=limits.resistance * limits.drive_a,
        )

    def _lift(self) -> Array:
        """How controls of laws go with rates of residuals, (n_j, n_stores)."""
        slopes = self.eq.law_controls.d.at(np.zeros(self.eq.n_switches))
        return np.ascontiguousarray(slopes @ self.eq.stores.gain)

    def _pattern(
        self, monomial: NDArray[np.int64], row: NDArray[np.int64], column: NDArray[np.int64]
    ) -> NDArray[np.bool_]:
        """Where the Jacobian may have entries (n, n), from where H's monomials have some."""
        eq, n = self.eq, self.n
        some = np.zeros(self.shape, dtype=bool)
        some[row, column] = True
        states = some[:, :n].copy()
        states[:, eq.speed_states] |= some[:, self.torques]
        for s in self._held:
            moved = np.zeros(len(some), dtype=bool)
            moved[row[np.any(self._factors == s + 1, axis=1)[monomial]]] = True
            by_state = eq.limits.emf[s] != 0.0
            by_state[eq.limits.sense_state[s]] = True
            states |= np.outer(moved, by_state)
        store = eq.stores
        by_store = states.astype(float) @ (store.gain != 0.0)
        if len(store):
            # stores of one loop or cut-set follow each other
            tied = np.linalg.matrix_power((store.own != 0.0) + np.eye(len(store)), len(store))
            follow = tied @ (store.reach != 0.0)
            states |= (by_store @ follow) != 0.0
            lifted = (follow @ states[:n]) + follow
            states[n:] |= ((self._lift() != 0.0) @ lifted) != 0.0
        drawn = np.any(some[:n, self.amps], axis=1)
        return np.asarray(states[:n] | np.outer(drawn, np.any(states[n:], axis=0)))

    def acts(self, command: Array, x: Array) -> tuple[int, ...]:
        """What acts on each duty that has a limit: `sim.mean_kernels.FREE` and so on."""
        if not len(self._held):
            return ()
        supply, duty = AUX_SCALE * x[self._sense], command[self._held]
        low, high = self._bounds(x)
        own = np.minimum(np.maximum(duty, low), high)
        which = np.where(own > duty, BRAKES, DRIVES)
        which = np.where(own <= 0.0, OFF, np.where(own >= 1.0, ON, which))
        which[(own == duty) | (supply <= LEAST_SUPPLY)] = FREE
        return tuple(which.tolist())

    def _bounds(self, x: Array) -> tuple[Array, Array]:
        """The duties between which current limits leave each bridge that has them alone."""
        supply = np.maximum(AUX_SCALE * x[self._sense], LEAST_SUPPLY)
        emf = self._emf @ x
        return (emf - self._brake) / supply, (emf + self._drive) / supply

    def _limited(self, command: Array, x: Array, acts: tuple[int, ...]) -> Array:
        """The duties as what acts on them leaves them."""
        duty = np.minimum(np.maximum(command, 0.0), 1.0)
        if any(acts):
            low, high = self._bounds(x)
            for i, act in enumerate(acts):
                if act != FREE:
                    own = {BRAKES: low[i], DRIVES: high[i], OFF: 0.0, ON: 1.0}[act]
                    duty[self._held[i]] = min(max(own, 0.0), 1.0)
        return duty

    def _weights(self, duty: Array) -> Array:
        return np.asarray(np.concatenate(([1.0], duty))[self._factors].prod(axis=1))

    def _matrix(self, duty: Array) -> Array:
        key = duty.tobytes()
        if key != self._duty:
            weights = self._weights(duty)
            if self.plain:
                if self._duty is None:  # (the kernel does without)
                    self._part_moving()
                self._h.ravel()[self._moving] = weights @ self._moving_table
            else:
                self._h = self._over_mass(*self.values.matrices(weights))
            self._duty = key
        return self._h

    def _over_mass(self, h: Array, vd: Array, mass: Array) -> Array:
        out = h.copy()
        out[: self.n] = np.linalg.solve(mass, h[: self.n])
        out[self.n :] += vd @ out[: self.n]
        return out

    def _by_duties(self, duty: Array) -> Array:
        """How H z moves with each duty (n_switches, rows), where H is what `_matrix` made."""
        slopes = self._turned.slopes(duty)
        if self.plain:
            out = np.zeros((len(duty), self.shape[0]))
            if len(self._moving):
                each = (slopes @ self._moving_table) * self._z[self._moving_column]
                out[:, self._moving_row] = np.add.reduceat(each, self._moving_first, axis=1)
            return out
        return np.array([self._matrix_slope(own, duty) @ self._z for own in slopes])

    def _matrix_slope(self, slopes: Array, duty: Array) -> Array:
        """Derivative of H by one duty, where it is no polynomial."""
        h = self._matrix(duty)
        dh, dvd, dmass = self.values.matrices(slopes)
        _, vd, mass = self.values.matrices(self._weights(duty))
        out = dh.copy()
        out[: self.n] = np.linalg.solve(mass, dh[: self.n] - dmass @ h[: self.n])
        out[self.n :] += vd @ out[: self.n] + dvd @ h[: self.n]
        return out

    def _law(self, volts: Array) -> Array:
        if not self.eq.curves and (volts >= self.mean.laws.minimum).all():
            return np.asarray(self._watts / volts + self._steady)
        return self.mean.law(volts)[0]

    def _settle(self, base: Array, through: Array) -> Array:
        """Inputs of the laws, by Newton with the Jacobian of the last `linear`.

        They are a few numbers: plain ones are several times as quick as arrays.
        """
        amps, volts, rows, chord = self._drawn, base.tolist(), through.tolist(), self._chord
        for _ in range(8):
            law = self._laws(
                [v + sum(map(mul, row, amps)) for v, row in zip(volts, rows, strict=True)]
            )
            missing = list(map(sub, law, amps))
            step = [sum(map(mul, row, missing)) for row in chord]
            amps = list(map(add, amps, step))
            # the chord leaves less than a hundredth of the step
            if max(map(abs, step)) <= 1e-10 * (1.0 + max(map(abs, amps))):
                break
        else:
            amps = self.mean.settle_laws(base, through)[0].tolist()
        self._drawn = amps
        return np.array(amps)

    def _laws(self, volts: list[float]) -> list[float]:
        """`_law` of plain numbers."""
        if not self.eq.curves:
            amps = [
                w / v + i for v, (least, w, i) in zip(volts, self._loads, strict=True) if v >= least
            ]
            if len(amps) == len(volts):
                return amps
        found: list[float] = self.mean.law(np.array(volts))[0].tolist()
        return found

    def _fill(self, duty: Array, x: Array) -> tuple[Array, Array]:
        """H and the slope; leaves all inputs in `_z`."""
        eq, z, h = self.eq, self._z, self._matrix(duty)
        follow = None
        if self._lifted is None:
            z[: self.n] = self.mean.stores.w(x)
        else:
            self._moment = self.mean.stores.moment(x)
            z[: self.n], follow = self._moment[:2]
        w = x[eq.speed_states] * eq.speed_scale
        z[self.torques] = eq.drag * w * np.abs(w)
        if not self.n_j:
            return h, h @ z
        z[self.amps] = 0.0
        y = h @ z
        if self._lifted is not None and follow is not None:
            lift = self._lifted @ follow
            amps = self._settle(
                y[self.n :] + lift @ y[: self.n],
                h[self.n :, self.amps] + lift @ h[: self.n, self.amps],
            )
        elif self._direct:
            amps = self._settle(y[self.n :], h[self.n :, self.amps])
        else:
            amps = self._law(y[self.n :])
        z[self.amps] = amps
        return h, y[: self.n] + h[: self.n, self.amps] @ amps

    def slope(self, command: Array, x: Array, acts: tuple[int, ...]) -> Array:
        """x' (n,) at a command (n_switches,) and state (n,), under what acts on duties."""
        return self._fill(self._limited(command, x, acts), x)[1]

    def _turn(self, follow: Array, faded: Array, curved: Array, slope: Array) -> Array:
        """How rates of residuals move with the state (n_stores, n) while its slope stands."""
        store = self.eq.stores
        by_rate = curved * (store.reach @ slope + store.own @ (follow @ slope))
        moved = by_rate[:, None] * (store.reach + store.own @ follow)
        system = np.eye(len(store)) - faded[:, None] * store.own
        return np.asarray(np.linalg.solve(system, moved))

    def linear(
        self, command: Array, rate: Array, x: Array, acts: tuple[int, ...]
    ) -> tuple[Array, Array, Array]:
        """Slope (n,), its Jacobian (n, n) and its derivative by time (n,).

        Parameters
        ----------
        rate : (n_switches,) change of the command per s
        """
        eq, n = self.eq, self.n
        duty = self._limited(command, x, acts)
        h, slope = self._fill(duty, x)
        whole = h[:, :n].copy()
        w = x[eq.speed_states] * eq.speed_scale
        whole[:, eq.speed_states] += h[:, self.torques] * (
            2.0 * eq.drag * np.abs(w) * eq.speed_scale
        )
        if self.mean.stores.some:
            known = None if self._lifted is None else self._moment
            _, follow, faded, curved = known or self.mean.stores.moment(x)
            whole += (whole @ eq.stores.gain) @ follow
        in_time = np.zeros(len(h))
        free, held = (duty > 0.0) & (duty < 1.0), np.zeros(len(duty), dtype=bool)
        held[self._held] = [act in (BRAKES, DRIVES) for act in acts]
        held &= free
        if np.any(held | (free & (rate != 0.0))):
            by_duty = self._by_duties(duty)
            in_time = np.where(free & ~held, rate, 0.0) @ by_duty
            s = np.flatnonzero(held)
            if len(s):
                at = eq.limits.sense_state[s]
                duty_x = eq.limits.emf[s] / (AUX_SCALE * x[at])[:, None]
                duty_x[np.arange(len(s)), at] -= duty[s] / x[at]
                whole += by_duty[s].T @ duty_x
        if self.n_j:
            through = h[n:, self.amps]
            volts = h[n:, : n + eq.n_inputs] @ self._z
            if self._lifted is not None:
                turn = self._turn(follow, faded, curved, slope)
                lift = self._lifted @ follow
                volts = volts + lift @ slope
                through = through + lift @ h[:n, self.amps]
                whole[n:] += self._lifted @ turn + lift @ whole[:n]
                in_time[n:] += lift @ in_time[:n]
            bend = self.mean.law(volts)[1][:, None]
            draw = h[:n, self.amps]
            if self._direct or self._lifted is not None:
                chord = np.linalg.inv(np.eye(self.n_j) - bend * through)
                self._chord = chord.tolist()
                draw = draw @ chord
            whole[:n] += draw @ (bend * whole[n:])
            in_time[:n] += draw @ (bend[:, 0] * in_time[n:])
        return slope, whole[:n], in_time[:n]


class _Turned:
    """Slopes of the monomials' means by each duty.

    Parameters
    ----------
    factors : (n_monomials, p) as `sim.mean_kernels.Form.factors`
    """

    def __init__(self, factors: NDArray[np.int64], n_switches: int) -> None:
        self._shape = n_switches, len(factors)
        self._where, self._others = [], []
        for p in range(factors.shape[1]):
            monomial = np.flatnonzero(factors[:, p])
            self._where.append((factors[monomial, p] - 1, monomial))
            self._others.append(np.delete(factors[monomial], p, axis=1))

    def slopes(self, duty: Array) -> Array:
        """(n_switches, n_monomials)"""
        out = np.zeros(self._shape)
        one = np.concatenate(([1.0], duty))
        for where, others in zip(self._where, self._others, strict=True):
            out[where] = one[others].prod(axis=1)
        return out


def plan(pattern: NDArray[np.bool_]) -> Plan:
    """An order of elimination that keeps a matrix sparse: fewest neighbours first.

    Parameters
    ----------
    pattern : (n, n) where it may have entries
    """
    return _plan(np.ascontiguousarray(pattern).tobytes(), len(pattern))


@functools.lru_cache(maxsize=64)
def _plan(pattern: bytes, n: int) -> Plan:
    """The same; kept, as a build whose values are changed keeps its pattern."""
    both = np.frombuffer(pattern, dtype=bool).reshape(n, n)
    # sets of unknowns as bits of whole numbers: one operation joins two of them
    rows = np.packbits(both | both.T, axis=1, bitorder="little")
    near = [int.from_bytes(row.tobytes(), "little") & ~(1 << i) for i, row in enumerate(rows)]
    left = list(range(n))
    order, start, neighbour = [], [0], []
    while left:
        k = min(left, key=lambda i: near[i].bit_count())
        left.remove(k)
        met, others = near[k], []
        for i in left:
            if met >> i & 1:
                near[i] = (near[i] | met) & ~(1 << i | 1 << k)
                others.append(i)
        order.append(k)
        neighbour += others
        start.append(len(neighbour))
    return Plan(
        np.array(order, dtype=np.uint32),
        np.array(start, dtype=np.uint32),
        np.array(neighbour, dtype=np.uint32),
    )

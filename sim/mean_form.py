"""The averaged equations as one matrix of the duties, for solvers that ask many times.

With z = [w; inputs], everything linear is one product,

    [slope; controls] = H(duty) z,

and H is a sum over monomials of the duties; w are the states, or what fading stores make of
them. `MeanEquations` says the same in the form it is derived in, and is what this is tested
against.
"""

from __future__ import annotations

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
        flow = _beside(eq.k, eq.b)
        drop = _beside(volts.x, volts.u)
        self.plain = eq.mass_is_identity and volts.d.is_constant
        rates = volts.u.columns(eq.rate_inputs)
        self.lifts = any(np.any(m @ eq.stores.gain) for m in volts.d.terms.values())
        self.fits = not mean.stores.some or (eq.mass_is_identity and not rates.terms)
        if self.plain:
            drop = drop + volts.d.at(np.zeros(eq.n_switches)) @ flow
        self.values = MeanValues(
            [stack([flow, drop]), volts.d, eq.mass] if self.n_j else [flow, volts.d, eq.mass],
            eq.n_switches,
        )
        self.shape = (self.n + self.n_j, self.n + eq.n_inputs)
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
        size = self.shape[0] * self.shape[1]
        self._table = np.ascontiguousarray(self.values.table[:, :size])
        # loads with a bandwidth do not move the voltage they see at once
        self._direct = not self.plain or bool(
            np.any(self._table.reshape(len(self._table), *self.shape)[:, self.n :, self.amps])
        )
        self._drawn = np.zeros(self.n_j)
        self._chord: Array = np.eye(self.n_j)
        laws = mean.laws
        self._watts = np.where(laws.power, laws.value, 0.0)
        self._steady = np.where(laws.power, 0.0, laws.value)
        limits = eq.limits
        self._held = np.flatnonzero(limits.active)
        self._sense = limits.sense_state[self._held]
        self._emf = limits.emf[self._held]
        self._brake = limits.resistance[self._held] * limits.brake_a[self._held]
        self._drive = limits.resistance[self._held] * limits.drive_a[self._held]

    def arrays(self) -> Form:
        """The same for the compiled kernel; only where `plain`."""
        assert self.plain
        eq, laws, limits = self.eq, self.mean.laws, self.eq.limits
        table = self.values.table[:, : self.shape[0] * self.shape[1]]
        h = table.reshape(-1, *self.shape)
        others = h.copy()
        others[:, :, self.amps] = 0.0

        def entries(part: Array) -> Entries:
            monomial, row, column = np.nonzero(part)
            start = np.searchsorted(monomial, np.arange(len(part) + 1))
            value = part[monomial, row, column]
            return Entries(start, row.astype(np.uint32), column.astype(np.uint32), value)

        return Form(
            plan=plan(self._pattern(h)),
            flow=entries(others[:, : self.n]),
            drop=entries(others[:, self.n :]),
            draw=entries(h[:, : self.n, self.amps]),
            tie=entries(h[:, self.n :, self.amps]),
            factors=self._factors,
            z=self._z.copy(),
            n=self.n,
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

    def _pattern(self, h: Array) -> NDArray[np.bool_]:
        """Where the Jacobian may have entries, (n, n)."""
        eq, n = self.eq, self.n
        some = np.any(h != 0.0, axis=0)
        states = some[:, :n].copy()
        states[:, eq.speed_states] |= some[:, self.torques]
        for s in self._held:
            moved = np.any(h[np.any(self._factors == s + 1, axis=1)] != 0.0, axis=(0, 2))
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
                self._h = (weights @ self._table).reshape(self.shape)
            else:
                self._h = self._over_mass(*self.values.matrices(weights))
            self._duty = key
        return self._h

    def _over_mass(self, h: Array, vd: Array, mass: Array) -> Array:
        out = h.copy()
        out[: self.n] = np.linalg.solve(mass, h[: self.n])
        out[self.n :] += vd @ out[: self.n]
        return out

    def _matrix_slope(self, s: int, duty: Array) -> Array:
        """Derivative of H by one duty."""
        h = self._matrix(duty)
        slopes = self.values.weight_slopes(duty)[:, s]
        if self.plain:
            return np.asarray((slopes @ self._table).reshape(self.shape))
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
        """Inputs of the laws, by Newton with the Jacobian of the last `linear`."""
        amps = self._drawn
        for _ in range(8):
            law = self._law(base + through @ amps)
            step = self._chord @ (law - amps)
            amps = amps + step
            # the chord leaves less than a hundredth of the step
            # (of a few numbers, plain ones are the quicker)
            if max(map(abs, step.tolist())) <= 1e-10 * (1.0 + max(map(abs, amps.tolist()))):
                break
        else:
            amps = self.mean.settle_laws(base, through)[0]
        self._drawn = amps
        return amps

    def _fill(self, duty: Array, x: Array) -> tuple[Array, Array]:
        """H and the slope; leaves all inputs in `_z`."""
        eq, z, h = self.eq, self._z, self._matrix(duty)
        follow = None
        if self._lifted is None:
            z[: self.n] = self.mean.stores.w(x)
        else:
            z[: self.n], follow = self.mean.stores.moment(x)[:2]
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
            _, follow, faded, curved = self.mean.stores.moment(x)
            whole += (whole @ eq.stores.gain) @ follow
        in_time = np.zeros(len(h))
        free, held = (duty > 0.0) & (duty < 1.0), np.zeros(len(duty), dtype=bool)
        held[self._held] = [act in (BRAKES, DRIVES) for act in acts]
        held &= free
        for s in np.flatnonzero(held | (free & (rate != 0.0))):
            by_duty = self._matrix_slope(int(s), duty) @ self._z
            if held[s]:
                at = eq.limits.sense_state[s]
                duty_x = eq.limits.emf[s] / (AUX_SCALE * x[at])
                duty_x[at] -= duty[s] / x[at]
                whole += np.outer(by_duty, duty_x)
            else:
                in_time += by_duty * rate[s]
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
                self._chord = np.asarray(np.linalg.inv(np.eye(self.n_j) - bend * through))
                draw = draw @ self._chord
            whole[:n] += draw @ (bend * whole[n:])
            in_time[:n] += draw @ (bend[:, 0] * in_time[n:])
        return slope, whole[:n], in_time[:n]


def plan(pattern: NDArray[np.bool_]) -> Plan:
    """An order of elimination that keeps a matrix sparse: fewest neighbours first.

    Parameters
    ----------
    pattern : (n, n) where it may have entries
    """
    near = [set(np.flatnonzero(row).tolist()) - {i} for i, row in enumerate(pattern | pattern.T)]
    left = set(range(len(pattern)))
    order, start, neighbour = [], [0], []
    while left:
        k = min(left, key=lambda i: (len(near[i]), i))
        left.remove(k)
        for i in near[k]:
            near[i] |= near[k]
            near[i] -= {i, k}
        order.append(k)
        neighbour += sorted(near[k])
        start.append(len(neighbour))
    return Plan(
        np.array(order, dtype=np.uint32),
        np.array(start, dtype=np.int64),
        np.array(neighbour, dtype=np.uint32),
    )

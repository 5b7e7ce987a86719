"""Runs with every edge in which bridges have dead time, or no active freewheel.

What a leg does then depends on its current. While both its switches are off, a current out
of the leg flows through the low diode, one into it through the high diode, each against its
drop; a current of nothing leaves the output open, at the motor's back-EMF, until that passes
a diode's threshold (below minus, or above plus: the high side's body diode then feeds the
supply). So

- with dead time both switches are off for it at every change of command;
- without active freewheel the low switch never conducts: the current runs out through the
  low diode and stays at zero. There is nothing to wait for then, so no dead time.

An edge that moves a current takes the ESC's rise time, as everywhere; the drop of the state
it leads to acts from its start. A leg without current switches at once: there is nothing to
ramp. Zeros of the current are located within flat stretches and ramps alike, by a bound that
cannot pass one; so is where a clamp begins or ends to conduct (on ramps it is looked for at a few
points). An open output's threshold, and where a bench supply begins to block or to limit, are
located between ramps.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from sim import diode_kernels as legs
from sim import kernels
from sim.carriers import latch
from sim.diode_patterns import DiodeTable, legs_have_diodes
from sim.mean_equations import equilibrium
from sim.state_equations import AUX_SCALE, Rows, stack_rows
from sim.switch_poly import SwitchPoly
from sim.switching import EdgeRun, Marcher, begin, settle_time
from sim.trajectory import EnergyBalance

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from sim.carriers import Carriers
    from sim.event import Drive
    from sim.mean_equations import MeanEquations
    from sim.patterns import PatternTable

    Array = NDArray[np.float64]


class DiodeMarcher(Marcher):
    """The state of a march in which legs have diodes."""

    table: DiodeTable

    def __init__(
        self,
        mean: MeanEquations,
        drive: Drive,
        carriers: Carriers,
        x0: Array,
        start_s: float,
        table: PatternTable,
    ) -> None:
        choppers = mean.eq.network.choppers
        # supplies and clamps stand behind the legs, with carriers whose first period never starts
        n_s = len(choppers)
        more = len(mean.eq.network.supplies) + len(mean.eq.network.knees)
        self.dead = np.array([c.dead_s for c in choppers] + [0.0] * more)
        self.freewheel = np.array([c.freewheel for c in choppers] + [True] * more, dtype=np.bool_)
        self.gate = np.zeros(n_s + more, dtype=np.int64)
        self.wait_t = np.full(n_s + more, np.inf)
        self.wait_gate = np.zeros(n_s + more, dtype=np.int64)
        self.calm = np.full(n_s + more, -np.inf)
        super().__init__(mean, drive, carriers, x0, start_s, table)
        self.rise = np.array([c.rise_s for c in choppers])
        c = carriers
        kept: tuple[NDArray[Any], ...]
        kept = (c.frequency_hz, c.phase, c.first, c.command, self.used, self._centred)
        self._wide_carriers = tuple(_longer(array, more) for array in kept)
        self._wide_carriers[0][n_s:] = _NEVER_HZ
        kept = (self.rise, self.period, self.target, self.queue_t, self.queue_up, self.queue_n)
        self._wide_queues = tuple(_longer(array, more) for array in kept)
        self._wide_queues[1][n_s:] = 1
        # (views: what the kernel writes is read by the legs' names)
        self.used = self._wide_carriers[4][:n_s]
        rest = (array[:n_s] for array in self._wide_queues[1:])
        self.period, self.target, self.queue_t, self.queue_up, self.queue_n = rest

    def _first_pattern(self, bits: Sequence[int], x0: Array, start_s: float) -> tuple[int, ...]:
        """Leg states where the carriers ask for `bits`; a dead time may still be running."""
        amps = self.table.amps @ x0
        states = []
        for k, bit in enumerate(bits):
            self.gate[k] = bit
            if not self.freewheel[k]:
                self.gate[k] = legs.GATE_HIGH if bit else legs.GATE_OFF
            elif self.dead[k] > 0.0:
                end = self._last_command(k, bit, start_s) + self.dead[k]
                if end > start_s:
                    self.gate[k] = legs.GATE_OFF
                    self.wait_t[k], self.wait_gate[k] = end, bit
            states.append(int(legs.state_for(int(self.gate[k]), legs.LOW, float(amps[k]))))
        states += self.table.supply_states(x0)
        return (*states, *self.table.knee_states(x0, states))

    def _last_command(self, k: int, bit: int, start_s: float) -> float:
        """When leg k was told to be where it is; long ago if its duty is 0 or 1."""
        c = self.carriers
        duty = float(c.command[k, 0])
        if not 0.0 < duty < 1.0:
            return -math.inf
        on, off = (0.5 - 0.5 * duty, 0.5 + 0.5 * duty) if self._centred[k] else (0.0, duty)
        origin, length = (c.first[k] - c.phase[k]) / c.frequency_hz[k], 1.0 / c.frequency_hz[k]
        edges = [origin + (share + n) * length for n in (-1, 0) for share in (on if bit else off,)]
        return max((t for t in edges if t <= start_s), default=-math.inf)

    def _march(self) -> int:
        eq, t = self.mean.eq, self.table.still()
        p, r, laws, lim = t.patterns, t.ramp, self.mean.laws, eq.limits
        code = int(
            legs.march(
                self.clock, self.count, self.y,
                *self._wide_carriers, *self._wide_queues,
                self.gate, self.wait_t, self.wait_gate, self.calm, self.dead, self.freewheel,
                lim.active, lim.drive_a, lim.brake_a, lim.resistance,
                laws.power, laws.value, laws.minimum, eq.drag,
                t.pairs, t.states, t.next_at, t.leg_ramp,
                p["re"], p["im"], p["basis"], p["inverse"], p["force"], p["force_load"],
                p["force_drag"], p["load_y"], p["load_0"], p["load_load"], p["speed_y"],
                p["speed_slope_y"], p["speed_slope_drag"], p["emf_y"], p["sense_y"],
                t.amps_y, t.guard_y, t.guard_0, t.guard_held, t.first_knee, t.ramp_guard,
                r["map"], r["force"], r["force_load"], r["force_drag"], t.ramp_to,
                self.piece_t, self.piece_d, self.piece_pattern, self.piece_ramp,
                self.piece_y, self.piece_held,
            )
        )  # fmt: skip
        if code == legs.OVERLAP:
            _Ramps(self).run()
            return kernels.NEED_PATTERN if self._going() else kernels.DONE
        return code

    def _going(self) -> bool:
        self.count[kernels.WANT_PATTERN] = -1
        return bool(self.clock[kernels.T_NOW] < self.clock[kernels.T_PAUSE])

    def _supply(self, code: int) -> None:
        del code
        at, leg = (int(self.count[i]) for i in (kernels.WANT_PATTERN, kernels.WANT_LEG))
        if at < 0:
            return
        state = int(self.count[legs.WANT_STATE])
        with self.table.lock:
            if state < 0:
                self.table.make_ramp(at, leg)
            else:
                self.table.neighbour(at, leg, state)


class _Ramps:
    """Ramps that meet something else: the state itself is carried until all legs stand still."""

    def __init__(self, marcher: DiodeMarcher) -> None:
        self.m = m = marcher
        self.table = m.table
        at = int(m.count[kernels.NOW])
        self.t = float(m.clock[kernels.T_NOW])
        self.end = float(m.clock[kernels.T_END])
        self.x: Array = self.table.patterns["basis"][at] @ m.y
        self.states = list(self.table.names[at])
        self.s = self.table.switches(self.table.names[at])
        #: leg, rate and end of each ramp that runs
        self.live: list[tuple[int, float, float]] = []
        self.held = np.zeros(m.piece_held.shape[1])
        eq, laws, p = m.mean.eq, m.mean.laws, self.table.patterns
        legs.hold_inputs(
            at, 0.0, m.y, laws.power, laws.value, laws.minimum, eq.drag, p["load_y"], p["load_0"],
            p["load_load"], p["speed_y"], p["speed_slope_y"], p["speed_slope_drag"], self.held,
        )  # fmt: skip

    def run(self) -> None:
        m = self.m
        while True:
            self._do_what_is_due()
            if not self.live or self.t >= self.end:
                break
            self._step(min(self._next_due(), self.end, *(stop for *_, stop in self.live)))
        m.clock[kernels.T_NOW] = self.t
        with self.table.lock:
            at = self.table.pattern(tuple(self.states))
        m.y = self.table.patterns["inverse"][at] @ self.x
        m.count[kernels.NOW] = at

    def _next_due(self) -> float:
        m, c = self.m, self.m.carriers
        starts = (m.period - c.phase) / c.frequency_hz
        queued = [m.queue_t[k, 0] for k in range(len(self.s)) if m.queue_n[k] > 0]
        return float(min(*starts, *m.wait_t, *queued, math.inf))

    def _do_what_is_due(self) -> None:
        m, c, lim = self.m, self.m.carriers, self.m.mean.eq.limits
        while self._next_due() <= self.t:
            for k in range(len(self.s)):
                if (m.period[k] - c.phase[k]) / c.frequency_hz[k] <= self.t:
                    sensed = lim.sense_state[k]
                    kernels.latch_period(
                        k, float(lim.emf[k] @ self.x),
                        AUX_SCALE * float(self.x[sensed]) if sensed >= 0 else 0.0,
                        c.frequency_hz, c.phase, c.first, c.command, m.used, m._centred,
                        m.period, m.target, m.queue_t, m.queue_up, m.queue_n,
                        lim.active, lim.drive_a, lim.brake_a, lim.resistance,
                    )  # fmt: skip
                elif m.queue_n[k] > 0 and m.queue_t[k, 0] <= self.t:
                    self._command(k, int(m.queue_up[k, 0]))
                    kernels.pop(k, m.queue_t, m.queue_up, m.queue_n)
                elif m.wait_t[k] <= self.t:
                    m.wait_t[k] = np.inf
                    self._gate(k, int(m.wait_gate[k]))

    def _command(self, k: int, up: int) -> None:
        m = self.m
        m.wait_t[k] = np.inf
        if not m.freewheel[k]:
            self._gate(k, legs.GATE_HIGH if up else legs.GATE_OFF)
        elif m.dead[k] > 0.0:
            self._gate(k, legs.GATE_OFF)
            m.wait_t[k], m.wait_gate[k] = self.t + m.dead[k], up
        else:
            self._gate(k, up)

    def _gate(self, k: int, asked: int) -> None:
        m, now = self.m, self.states[k]
        m.gate[k] = asked
        new = int(legs.state_for(asked, now, float(self.table.amps[k] @ self.x)))
        self.states[k] = new
        if legs.is_up(now) == legs.is_up(new):
            return
        m.count[kernels.N_EDGES] += 1
        up = 1.0 if legs.is_up(new) else -1.0
        if legs.OPEN in (now, new):
            self._stand(k, float(legs.is_up(new)))
        else:
            self.live.append((k, up / m.rise[k], self.t + m.rise[k]))

    def _stand(self, k: int, s: float) -> None:
        """Leg k stands still at once."""
        self.live = [one for one in self.live if one[0] != k]
        self.s[k] = s

    def _step(self, stop: float) -> None:
        """Carry the state to `stop`, or to where a diode's current ends before."""
        # 20 MB, and only builds with diodes want it
        from scipy.optimize import brentq

        m, seconds = self.m, stop - self.t
        slope = np.zeros(len(self.s))
        for k, rate, _ in self.live:
            slope[k] += rate
        ended, first_knee = -1, self.table.first_knee
        if seconds > 0.0:
            with self.table.lock:
                at = self.table.pattern(tuple(self.states))
                own = self.table.monomials_of(tuple(self.states))
            u = np.concatenate([self.table.sources(tuple(self.states)), self.held])

            def after(tau: float) -> Array:
                return np.asarray(
                    kernels.ramp_vector(
                        own.keys, own.k, own.b, own.mass, own.ramp, own.trivial_mass,
                        self.s, slope, tau, self.table.ramp_step(), u, self.x,
                    )
                )  # fmt: skip

            x = after(seconds)
            for k, state in enumerate(self.states[: len(self.s)]):
                sign = {legs.LOW_DIODE: 1.0, legs.HIGH_DIODE: -1.0}.get(state, 0.0)
                row = sign * self.table.amps[k]
                if row @ x < 0.0 and row @ self.x > 0.0:

                    def amps(tau: float, row: Array = row) -> float:
                        return float(row @ after(tau)) if tau > 0.0 else float(row @ self.x)

                    seconds = float(brentq(amps, 0.0, seconds, xtol=1e-24, rtol=1e-14))
                    x, ended = after(seconds), k
                elif row @ x < 0.0:
                    # it began at zero and only goes on falling
                    x, ended, seconds = self.x, k, 0.0
            for entry in range(first_knee, len(self.states)):
                guard = self._knee_guard(entry - first_knee, slope, u, after)
                met = _first_crossing(guard, max(m.calm[entry] - self.t, 0.0), seconds)
                if met is not None:
                    seconds, ended = met, entry
                    x = after(seconds) if seconds > 0.0 else self.x
            if seconds > 0.0:
                self._keep(at, seconds, slope)
            self.x = x
            self.s = self.s + slope * seconds
            self.t = stop if ended < 0 else self.t + seconds
        if ended >= 0:
            m.calm[ended] = self.t + legs.CALM_S
            opens = ended < first_knee or self.states[ended] != legs.OPEN
            self.states[ended] = legs.OPEN if opens else legs.LOW_DIODE
            if ended < first_knee:
                self._stand(ended, 0.0)
        done = [one for one in self.live if one[2] <= self.t]
        self.live = [one for one in self.live if one[2] > self.t]
        for k, *_ in done:
            if not any(one[0] == k for one in self.live):
                self.s[k] = round(self.s[k])

    def _knee_guard(
        self, knee: int, slope: Array, u: Array, after: Callable[[float], Array]
    ) -> Callable[[float], float]:
        """What stays above zero while a clamp's state lasts, so many seconds on."""
        bits = tuple(self.states)

        def guard(tau: float) -> float:
            x = after(tau) if tau > 0.0 else self.x
            of_x, of_u, base = self.table.knee_guard(knee, bits, self.s + slope * tau, slope)
            return float(of_x @ x + of_u @ u + base)

        return guard

    def _keep(self, at: int, seconds: float, slope: Array) -> None:
        m = self.m
        p, r = int(m.count[kernels.N_PIECES]), int(m.count[kernels.N_RAMPS])
        if p + 2 >= len(m.piece_t) or r + 2 >= len(m.ramp_s):
            m._grow()
        m.piece_t[p], m.piece_d[p], m.piece_pattern[p] = self.t, seconds, at
        m.piece_ramp[p] = -2 - r
        m.piece_y[p], m.piece_held[p] = self.x, self.held
        m.ramp_s[r], m.ramp_slope[r] = self.s, slope
        m.count[kernels.N_PIECES], m.count[kernels.N_RAMPS] = p + 1, r + 1


#: Longest stretch over which the power of a clamp is summed by three points, in s.
_HEAT_S = 2e-7
#: Points of a part of a ramp at which clamps are looked at.
_LOOKS = np.array([0.25, 0.5, 0.75, 1.0])


def _first_crossing(guard: Callable[[float], float], calm: float, seconds: float) -> float | None:
    """When a guard, seen at `_LOOKS`, first is below zero; at 0 where it begins so."""
    from scipy.optimize import brentq

    last = 0.0
    for tau in _LOOKS * seconds:
        if tau <= calm:
            last = tau
            continue
        if guard(tau) < 0.0:
            if guard(last) <= 0.0:
                return float(last)
            return float(brentq(guard, last, tau, xtol=1e-24, rtol=1e-14))
        last = tau
    return None


class DiodeRun(EdgeRun):
    """A solved run with every edge in which legs have diodes (see `Trajectory`)."""

    _m: DiodeMarcher

    def energy(self, t0: float, t1: float) -> EnergyBalance:
        plain, eq, table = super().energy(t0, t1), self.equations, self._m.table
        n_s = len(table.drops)
        pick = np.zeros((n_s, len(eq.sources)))
        pick[np.arange(n_s), table.drops] = 1.0
        emf = np.zeros((n_s, eq.n_inputs))
        emf[:, eq.source_inputs] = pick
        zero = SwitchPoly.zero(n_s, eq.n_states)
        drops = Rows(zero, zero, SwitchPoly.constant(emf))
        joules = -self._products(stack_rows([drops, eq.source_amps.combined(pick)]), t0, t1)
        by_owner = dict(plain.by_owner)
        owners = [chopper.owner for chopper in eq.network.choppers]
        owners += [knee.owner for knee in eq.network.knees]
        if eq.network.supplies:
            owners += [supply.owner for supply in eq.network.supplies]
            joules = np.append(joules, self._lost_in_supplies(t0, t1))
        for owner, joule in zip(owners, joules, strict=True):
            by_owner[owner] = by_owner.get(owner, 0.0) + float(joule)
        return EnergyBalance(
            from_sources=plain.from_sources,
            dissipated=plain.dissipated + float(np.sum(joules)),
            stored_change=plain.stored_change,
            by_owner=by_owner,
        )

    def _lost_in_supplies(self, t0: float, t1: float) -> Array:
        """What stays between the set voltage of each supply and the EMF it limits with, in J."""
        eq, emfs = self.equations, self._m.table.emfs
        pick = np.zeros((len(emfs), len(eq.sources)))
        pick[np.arange(len(emfs)), emfs] = 1.0
        emf = np.zeros((len(emfs), eq.n_inputs))
        emf[:, eq.source_inputs] = pick
        zero = SwitchPoly.zero(len(emfs), eq.n_states)
        amps = eq.source_amps.combined(pick)
        followed = Rows(zero, zero, SwitchPoly.constant(emf))
        given = eq.sources[emfs] * self.means(amps, t0, t1)[0] * (t1 - t0)
        return np.asarray(given - self._products(stack_rows([followed, amps]), t0, t1))

    def heat_steps(self, owner: str, t0: float, t1: float) -> tuple[Array, Array]:
        eq, table = self.equations, self._m.table
        at = next((q for q, k in enumerate(eq.network.knees) if k.owner == owner), None)
        if at is None:
            return super().heat_steps(owner, t0, t1)
        knee = eq.network.knees[at]
        pick = np.zeros((1, len(table.drops)))
        pick[0, eq.n_switches + at] = 1.0
        on = table.states[self._pattern, table.first_knee + at] != legs.OPEN
        stop = self._t + self._d
        pieces = np.flatnonzero(on & (self._ramp > -2) & (self._d > 0.0) & (stop > t0))
        pieces = pieces[self._t[pieces] < t1]
        begin, end = np.maximum(self._t[pieces], t0), np.minimum(stop[pieces], t1)
        # equal stretches of each piece, and what lies between two pieces
        many = np.maximum(np.ceil((end - begin) / _HEAT_S), 1.0).astype(np.int64)
        which = np.repeat(np.arange(len(pieces)), many)
        number = np.arange(len(which)) - np.repeat(np.cumsum(many) - many, many)
        width = ((end - begin) / many)[which]
        first = begin[which] + number * width
        last = np.where(number == many[which] - 1, end[which], first + width)
        # at their ends, and at the middle
        at_s = np.concatenate([first, 0.5 * (first + last), last])
        piece = np.tile(pieces[which], 3)
        whole = self._in_modes(table.drop_amps.combined(pick))
        amps = self._read_flat(piece, at_s - self._t[piece], whole)[:, 0]
        ohm = eq.network.branches[knee.resistor].value
        watts = (amps * (knee.volts + ohm * amps)).reshape(3, -1)
        joules = (last - first) * (watts[0] + 4.0 * watts[1] + watts[2]) / 6.0
        # ramps on which it goes on
        gap = first[1:] - last[:-1]
        near = gap < 2.0 * float(np.max(self._m.rise, initial=0.0))
        between = np.where(near, 0.5 * gap * (watts[2, :-1] + watts[0, 1:]), 0.0)
        if not len(first):
            return super().heat_steps(owner, t0, t1)
        edges = np.concatenate([[t0], np.column_stack([first, last]).ravel(), [t1]])
        inner = np.zeros(2 * len(first) - 1)
        inner[::2], inner[1::2] = joules, between
        # (ends that are one to rounding stay in order)
        return np.maximum.accumulate(edges), np.concatenate([[0.0], inner, [0.0]])

    def leg_states(self, times_s: Array) -> NDArray[np.int64]:
        """State of each leg (see `sim.diode_kernels`) at times (T,), (n_switches, T)."""
        times = np.asarray(times_s, dtype=float)
        piece = np.clip(np.searchsorted(self._t, times, side="right") - 1, 0, len(self._t) - 1)
        at = self._pattern[piece].copy()
        ramp = self._ramp[piece]
        moved = (ramp >= 0) & (times - self._t[piece] > self._d[piece])
        at[moved] = self._m.table.ramp_to[ramp[moved]]
        return np.asarray(self._m.table.states[at, : self.equations.n_switches].T)


#: Carrier of a supply, in Hz: its first period is due after a million seconds.
_NEVER_HZ = 1e-6


def _longer(array: NDArray[Any], more: int) -> NDArray[Any]:
    """A copy with so many rows of nothing more."""
    return np.concatenate([array, np.zeros((more, *array.shape[1:]), array.dtype)])


#: Mean voltage of a leg over its supply, found for the start to within this.
_START_SHARE = 1e-5
_MOST_STARTS = 8
#: Carrier periods over which it is read.
_START_PERIODS = 16


def start_state(
    mean: MeanEquations,
    drive: Drive,
    x0: Array,
    table: DiodeTable,
    curved: MeanEquations | None = None,
) -> Array:
    """The averaged equilibrium (n_states,) of what legs with diodes really put out.

    A leg's mean voltage is no more its duty times the supply. The duty that would give it is
    found by a secant for each leg, from short runs that settle at the start's duties. Always
    in ESC timing 0, so that the start does not depend on which timing was solved first.
    """
    wanted = np.asarray(drive.start_duty, dtype=float)
    key = wanted.tobytes()
    with table.lock:
        if key in table.starts:
            return table.starts[key]
        still = replace(
            drive,
            courses=tuple((np.array([0.0]), np.array([d])) for d in wanted),
            tap=None,
            tap_signs=(),
        )
        duty, x = wanted.copy(), x0
        change, last_miss = np.zeros(len(duty)), np.zeros(len(duty))
        for _ in range(_MOST_STARTS):
            miss = _mean_share(mean, still, x, table) - duty
            if np.max(np.abs(miss), initial=0.0) < _START_SHARE:
                break
            slope = miss - last_miss
            # (a secant that leads away, and the first step, stand back for the plain one)
            secant = slope * change < 0.0
            step = np.where(secant, -miss * change / np.where(secant, slope, 1.0), miss)
            last_miss, change = miss, np.clip(duty + step, 0.0, 1.0) - duty
            duty = duty + change
            x = equilibrium(curved or mean, duty)
        table.starts[key] = x
        return x


def _mean_share(mean: MeanEquations, still: Drive, x: Array, table: DiodeTable) -> Array:
    """Mean voltage of each leg's output over that of its supply, settled (n_switches,)."""
    eq = mean.eq
    slowest = min(c.frequency_hz for c in eq.network.choppers)
    drive = replace(still, duration_s=1.02 * (_START_PERIODS + 1) / slowest)
    start = -settle_time(mean, drive.start_duty, x)
    carriers = latch(eq.network, drive, 0, start)
    marcher = DiodeMarcher(mean, drive, carriers, x, start, table)
    marcher.run(None, None)
    run = DiodeRun(marcher)
    shares = []
    for k, (plus, minus) in enumerate(table.outputs_at):
        window = _START_PERIODS / float(carriers.frequency_hz[k])
        pick = np.zeros((1, eq.n_switches))
        pick[0, k] = 1.0
        rows = stack_rows([eq.volts(plus, minus), eq.bus_volts.combined(pick)])
        (out, supply), _ = run.means(rows, 0.0, window)
        shares.append(out / supply if supply > 1e-3 else 0.0)
    return np.array(shares)


def run(
    mean: MeanEquations,
    drive: Drive,
    x0: Array,
    seed: int = 0,
    *,
    table: PatternTable | None = None,
    before: EdgeRun | None = None,
    cancelled: Callable[[], bool] | None = None,
    progress: Callable[[float], None] | None = None,
    curved: MeanEquations | None = None,
) -> DiodeRun:
    """As `switching.run`, for a network made by `with_diodes` in which something has diodes.

    `curved` are the equations averaged runs are solved with, where supplies and clamps are curves.
    """
    own = table if isinstance(table, DiodeTable) else DiodeTable(mean.eq)
    if before is None and legs_have_diodes(mean.eq.network):
        x0 = start_state(mean, drive, x0, own, curved)
    start, carriers = begin(curved or mean, drive, x0, seed, before)
    marcher = DiodeMarcher(mean, drive, carriers, x0, start, own)
    marcher.run(cancelled, progress)
    solved = DiodeRun(marcher)
    solved.lawful = curved or mean
    return solved

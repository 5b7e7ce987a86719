"""The every-edge engine in numpy, for where its kernels are not compiled (yet).

The same steps as in `sim.kernels`, so the same answer to rounding: the march goes from edge to
edge with a few products each, all else is done for many pieces at once. Some ten times slower
than compiled, a hundred times faster than the kernels as plain Python.
"""

from __future__ import annotations

import math
from contextlib import contextmanager
from operator import mul
from typing import TYPE_CHECKING, Any

import numpy as np

from sim import kernels, ramp_kernels, scan_kernels
from sim.errors import Cancelled

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from sim.patterns import PatternTable
    from sim.switching import Marcher

    Array = NDArray[np.float64]
    Complexes = NDArray[np.complex128]
    Ints = NDArray[np.int64]

#: Pieces moved at once where many are.
_BLOCK = 4096

#: Whether the kernels were found compiled, or are to be used whatever it takes.
_found = False
#: Whether this module is to serve though they are there.
_without = False


@contextmanager
def serving() -> Iterator[None]:
    """Have runs that begin meanwhile served by this module, to measure it."""
    global _without
    _without = True
    try:
        yield
    finally:
        _without = False


def usable() -> bool:
    """The kernels are compiled or come from the cache in a moment; otherwise this module serves."""
    global _found
    if _without:
        return False
    if not _found:
        _found = kernels.ready() and scan_kernels.ready() and ramp_kernels.ready()
    return _found


def compile_them() -> None:
    """Have the kernels used from now on, compiled first where they are not."""
    global _found
    _found = kernels.HAVE_NUMBA


class Slots:
    """Modal states as complex numbers: one a pair, one with no imaginary part a real mode."""

    def __init__(self, n: int, pairs: int, rates: Array) -> None:
        count = n - pairs
        self.count = count
        self.rate: Complexes = rates[0, :count] + 1j * np.where(
            np.arange(count) < pairs, rates[1, :count], 0.0
        )
        self.inverse: Complexes = rates[2, :count] + 1j * np.where(
            np.arange(count) < pairs, rates[3, :count], 0.0
        )
        # places of real and imaginary parts among the real modal state
        self.real = np.concatenate([np.arange(0, 2 * pairs, 2), np.arange(2 * pairs, n)])
        self.imaginary = np.arange(1, 2 * pairs, 2)
        self.pairs = pairs

    def packed(self, y: Array) -> Complexes:
        """(..., n) to (..., count)."""
        out = y[..., self.real].astype(complex)
        out[..., : self.pairs] += 1j * y[..., self.imaginary]
        return out

    def unpacked(self, z: Complexes) -> Array:
        """(..., count) to (..., n)."""
        out = np.empty((*z.shape[:-1], self.count + self.pairs))
        out[..., self.real] = z.real
        out[..., self.imaginary] = z.imag[..., : self.pairs]
        return out

    def moved(self, y: Array, w: Array, t: Array) -> Array:
        """Modal states (T, n) under steady forces (T, n) after t (T,) seconds."""
        z = self.packed(y)
        rise = np.expm1(np.multiply.outer(t, self.rate))
        z += rise * (z + self.packed(w) * self.inverse)
        return self.unpacked(z)


def slots_of(table: PatternTable, at: int) -> Slots:
    """The slots of a pattern."""
    return Slots(table.eq.n_states, int(table.pairs[at]), table.patterns["rates"][at])


class _Pattern:
    """What the march needs of one pattern, laid out for few calls."""

    def __init__(self, table: PatternTable, at: int) -> None:
        p, n = table.patterns, table.eq.n_states
        self.slots = slots_of(table, at)
        self.rate = self.slots.rate
        #: force over rate, by one and held inputs
        self.rest = self.slots.unpacked(
            self.slots.packed(p["forced"][at]) * self.slots.inverse
        ).T.copy()
        #: values of the modal state that belong to pairs: complex numbers one after another
        self.paired = 2 * self.slots.pairs
        n_w, n_j = len(table.eq.speed_scale), len(table.eq.loads)
        #: speeds, their slopes and load volts by modal state
        self.read = p["read"][at].T.copy()
        self.load_0 = p["load_0"][at].tolist()
        own = p["load_load"][at]
        self.load_load: list[list[float]] | None = own.tolist() if np.any(own) else None
        self.slope_drag = p["speed_slope_drag"][at].tolist()
        self.limits = np.stack([p["emf_y"][at], p["sense_y"][at]], axis=1)  # (n_s, 2, n)
        self.n_w, self.n_j, self.n = n_w, n_j, n

    def moved(self, y: Array, h: Array, span: float) -> Array:
        """Modal state (n,) under one and held inputs after `span` s."""
        change = self.rest @ h
        change += y
        rise = np.expm1(self.rate * span)
        two = self.paired
        pairs = change[:two].view(np.complex128)
        pairs *= rise[: two // 2]
        change[two:] *= rise[two // 2 :].real
        change += y
        return change


class _Commutes:
    """What `kernels.commute` does, in plain numbers; the arrays are written back in `store`."""

    def __init__(self, c: kernels.Commutation) -> None:
        self.arrays = c
        self.rotors = [
            list(one)
            for one in zip(*(array.tolist() for array in c[:-1]), strict=True)  # in their order
        ]
        self.since, self.longest = c.since.tolist()

    def held(
        self, t: float, span: float, speeds: list[float], rates: list[float], drags: list[float]
    ) -> tuple[list[float], list[float]]:
        """Torques and EMFs for a stretch."""
        dt = t - self.since
        torques, emfs, quickest = [], [], 0.0
        for one, speed, rate, drag in zip(self.rotors, speeds, rates, drags, strict=True):
            share, pairs, ke, inertia, angle, before, amps, owed, torque, given, emf = one
            if dt > 0.0:
                mean = 0.5 * (speed + before)
                charge = (inertia * (speed - before) + torque * dt) / ke
                owed += emf * charge - given * mean * dt
                if dt > 1e-9:
                    amps = charge / dt
                angle += pairs * mean * dt
            middle = speed + 0.5 * span * (rate - drag / inertia)
            own = share * ripple_over(angle, pairs * middle * span)
            given = ke * own * amps
            if abs(speed) > kernels.SLOW:
                given += owed / (speed * max(span, kernels.SOON_S))
            torque, emf = drag - given, ke * own * middle
            one[4:] = angle, speed, amps, owed, torque, given, emf
            torques.append(torque)
            emfs.append(emf)
            quickest = max(quickest, pairs * abs(speed))
        self.since = t
        self.longest = kernels.SIXTH / (kernels.STRETCHES * quickest) if quickest else math.inf
        return torques, emfs

    def store(self) -> None:
        """Write back where the march stands."""
        for array, values in zip(self.arrays[:-1], zip(*self.rotors, strict=True), strict=True):
            array[:] = values
        self.arrays.since[:] = self.since, self.longest


def ripple_sum(angle: float) -> float:
    """What `kernels.ripple_sum` is."""
    off = angle - kernels.SIXTH * math.floor(angle / kernels.SIXTH + 0.5)
    return math.sin(off) - kernels.TOP_MEAN * off


def ripple_over(angle: float, turned: float) -> float:
    """What `kernels.ripple_over` is."""
    if abs(turned) < 1e-6:
        off = angle - kernels.SIXTH * math.floor(angle / kernels.SIXTH + 0.5)
        return (math.cos(off) - kernels.TOP_MEAN) / kernels.FALL
    return (ripple_sum(angle + turned) - ripple_sum(angle)) / (turned * kernels.FALL)


def march(
    m: Marcher,
    cancelled: Callable[[], bool] | None,
    progress: Callable[[float], None] | None,
) -> None:
    """March to the event's end: what `kernels.march` does, see there.

    Raises
    ------
    Cancelled   if `cancelled`, asked about 40 times, says so
    """
    _March(m).run(cancelled, progress)


class _March:
    def __init__(self, m: Marcher) -> None:
        self.m, self.table, self.eq = m, m.table, m.mean.eq
        c = m.carriers
        self.frequency, self.phase = c.frequency_hz.tolist(), c.phase.tolist()
        self.first = c.first.tolist()
        self.rise = m.rise.tolist()
        lim, laws = self.eq.limits, m.mean.laws
        self.limited = lim.active.tolist()
        self.drive_v = (lim.resistance * lim.drive_a).tolist()
        self.brake_v = (lim.resistance * lim.brake_a).tolist()
        self.drag = self.eq.drag.tolist()
        self.laws = list(
            zip(
                laws.power.tolist(),
                laws.value.tolist(),
                laws.minimum.tolist(),
                self.table.lean.tolist(),
                strict=True,
            )
        )
        self.centred = m._centred.tolist()
        self.period, self.target = m.period.tolist(), m.target.tolist()
        self.queues: list[list[tuple[float, int]]] = [
            [(float(m.queue_t[k, i]), int(m.queue_up[k, i])) for i in range(int(m.queue_n[k]))]
            for k in range(self.eq.n_switches)
        ]
        self.starts = [
            (p - ph) / f for p, ph, f in zip(self.period, self.phase, self.frequency, strict=True)
        ]
        self.patterns: dict[int, _Pattern] = {}
        self.n_held = self.eq.n_held
        self.end = float(m.clock[kernels.T_END])
        self.command: list[list[float]] = c.command.tolist()
        self.commutes = _Commutes(m.commutation) if len(m.commutation.share) else None

    def pattern(self, at: int) -> _Pattern:
        if at not in self.patterns:
            self.patterns[at] = _Pattern(self.table, at)
        return self.patterns[at]

    # -- one step's parts ---------------------------------------------------------

    def hold(self, p: _Pattern, y: Array, t: float, span: float) -> list[float]:
        """Loads' amps, then torques, then EMFs of commutation, for a stretch from t on."""
        seen = (p.read @ y).tolist()
        n_w = p.n_w
        torques = []
        for j in range(n_w):
            speed = seen[j]
            drag = self.drag[j]
            rate = seen[n_w + j] + p.slope_drag[j] * drag * speed * abs(speed)
            middle = speed + 0.5 * span * rate
            torques.append(drag * middle * abs(middle))
        emfs: list[float] = []
        if self.commutes is not None:
            torques, emfs = self.commutes.held(t, span, seen[:n_w], seen[n_w : 2 * n_w], torques)
        if not self.laws:
            return torques + emfs
        volts = [a + b for a, b in zip(p.load_0, seen[2 * n_w :], strict=True)]
        amps = self.amps(volts)
        if p.load_load is not None:
            for _ in range(3):
                # (a handful of loads: plain numbers are quicker than an array made of them)
                more = [sum(map(mul, row, amps)) for row in p.load_load]
                new = self.amps([a + b for a, b in zip(volts, more, strict=True)])
                if new == amps:
                    break
                amps = new
        return amps + torques + emfs

    def amps(self, volts: list[float]) -> list[float]:
        """Commanded currents of loads at their voltages, less what leans on those."""
        out = []
        for (power, value, minimum, lean), v in zip(self.laws, volts, strict=True):
            if v >= minimum:
                amps = value / v if power else value
            elif power:
                amps = value * v / (minimum * minimum)
            else:
                amps = value * v / minimum
            out.append(amps - lean * v)
        return out

    def latch(self, k: int, p: _Pattern, y: Array) -> None:
        """Start a carrier period of leg k; see `kernels.latch_period`."""
        start, length = self.starts[k], 1.0 / self.frequency[k]
        at = self.period[k] - self.first[k]
        duty = self.command[k][at]
        if self.limited[k]:
            emf, supply = (p.limits[k] @ y).tolist()
            if supply > 1e-3:
                low = (emf - self.brake_v[k]) / supply
                high = (emf + self.drive_v[k]) / supply
                duty = min(max(min(max(duty, low), high), 0.0), 1.0)
        self.m.used[k, at] = duty
        self.period[k] += 1
        self.starts[k] = (self.period[k] - self.phase[k]) / self.frequency[k]
        queue = self.queues[k]
        if duty <= 0.0:
            if self.target[k] == 1:
                queue.append((start, 0))
            self.target[k] = 0
        elif duty >= 1.0:
            if self.target[k] == 0:
                queue.append((start, 1))
            self.target[k] = 1
        else:
            on = 0.5 * (1.0 - duty) * length if self.centred[k] else 0.0
            if self.centred[k]:
                if self.target[k] == 1:
                    queue.append((start, 0))
                queue.append((start + on, 1))
            elif self.target[k] == 0:
                queue.append((start, 1))
            queue.append((start + on + duty * length, 0))
            self.target[k] = 0

    def next_thing(self, t: float, end: float) -> tuple[float, int, int]:
        """When, which leg's edge (or -1), which leg's period (or -1); see `kernels.next_thing`."""
        t_next, leg, latch = end, -1, -1
        for k, queue in enumerate(self.queues):
            start = self.starts[k]
            if start < t_next or (start <= t_next and leg < 0 and latch < 0):
                t_next, leg, latch = start, -1, k
            if queue and queue[0][0] < t_next:
                t_next, leg, latch = queue[0][0], k, -1
        longest = math.inf if self.commutes is None else self.commutes.longest
        if t_next - t > longest:
            return t + (t_next - t) / math.ceil((t_next - t) / longest), -1, -1
        return max(t_next, t), leg, latch

    def alone(self, leg: int, end: float) -> bool:
        """Nothing else happens before a ramp of this leg ends."""
        if end > self.end or min(self.starts) < end:
            return False
        for k, queue in enumerate(self.queues):
            if k == leg:
                if len(queue) > 1 and queue[1][0] < end:
                    return False
            elif queue and queue[0][0] < end:
                return False
        return True

    # -- the march ------------------------------------------------------------------

    def run(
        self,
        cancelled: Callable[[], bool] | None,
        progress: Callable[[float], None] | None,
    ) -> None:
        m, table = self.m, self.table
        t, end = float(m.clock[kernels.T_NOW]), float(m.clock[kernels.T_END])
        at = int(m.count[kernels.NOW])
        y: Array = m.y
        kept: list[tuple[float, float, int, int]] = []  # start, length, pattern, ramp
        states: list[Array] = []
        helds: list[list[float]] = []
        ramp_s: list[Array] = []
        ramp_slope: list[Array] = []
        edges = int(m.count[kernels.N_EDGES])
        span_of_turn = (end - t) / 40.0
        told = t
        #: by pattern and leg: which, its map and the pattern it leads to
        ramps: dict[tuple[int, int], tuple[int, Array, int]] = {}
        both = np.ones(self.eq.n_states + 1 + self.n_held)
        n = self.eq.n_states
        p = self.pattern(at)
        held: list[float] = []
        h = np.ones(1 + self.n_held)
        while t < end:
            if t - told >= span_of_turn:
                told = t
                _look(t, cancelled, progress)
            t_next, leg, latch = self.next_thing(t, end)
            span = t_next - t
            if span > 0.0:
                held = self.hold(p, y, t, span)
                kept.append((t, span, at, -1))
                states.append(y)
                helds.append(held)
                h[1:] = held
                y = p.moved(y, h, span)
                t = t_next
            if leg < 0 and latch < 0:
                if t_next >= end:
                    break
                continue
            if latch >= 0:
                self.latch(latch, p, y)
                continue
            ends = t_next + self.rise[leg]
            if self.alone(leg, ends):
                if (at, leg) not in ramps:
                    with table.lock:
                        ramp = table.make_ramp(at, leg)
                    ramps[at, leg] = (
                        ramp,
                        table.ramp["rows"][ramp].T.copy(),
                        int(table.ramp_to[ramp]),
                    )
                ramp, ramp_map, to = ramps[at, leg]
                self.queues[leg].pop(0)
                last = kept[-1] if kept else None
                if last and last[3] == -1 and abs(last[0] + last[1] - t_next) <= 1e-15:
                    kept[-1] = (last[0], last[1], last[2], ramp)
                else:
                    if span == 0.0:
                        held = self.hold(p, y, t, 0.0)
                    kept.append((t_next, 0.0, at, ramp))
                    states.append(y)
                    helds.append(held)
                both[:n] = y
                both[n + 1 :] = helds[-1]
                y = ramp_map @ both
                at = to
                p = self.pattern(at)
                edges += 1
                t = ends
                continue
            # ramps that overlap: carry the state itself until all legs stand still
            if span == 0.0:
                held = self.hold(p, y, t, 0.0)
            u = np.concatenate([self.eq.sources, held])
            x = table.patterns["basis"][at] @ y
            s_now, slope = table.bits[at].astype(float), np.zeros(self.eq.n_switches)
            live: list[tuple[int, float, float]] = []  # leg, rate, end
            t = t_next
            finished = False
            while True:
                for k, queue in enumerate(self.queues):
                    while queue and queue[0][0] <= t:
                        rate = (2.0 * queue[0][1] - 1.0) / self.rise[k]
                        live.append((k, rate, t + self.rise[k]))
                        slope[k] += rate
                        queue.pop(0)
                        edges += 1
                if not live:
                    break
                stop, who = min([end, *(one[2] for one in live)]), -1
                for k, queue in enumerate(self.queues):
                    if self.starts[k] < stop:
                        stop, who = self.starts[k], k
                    if queue and queue[0][0] < stop:
                        stop, who = queue[0][0], -1
                stop = max(stop, t)
                if stop > t:
                    kept.append((t, stop - t, at, -2 - len(ramp_s)))
                    states.append(x)
                    helds.append(held)
                    ramp_s.append(s_now.copy())
                    ramp_slope.append(slope.copy())
                    x = ramp_state(table, s_now, slope, stop - t, table.ramp_step(), u, x)
                    s_now = s_now + slope * (stop - t)
                    t = stop
                if t >= end:
                    finished = True
                    break
                if who >= 0:
                    self.latch(who, p, table.patterns["inverse"][at] @ x)
                    continue
                going = []
                for one in live:
                    k, rate, until = one
                    if until <= t:
                        slope[k] -= rate
                        if abs(slope[k]) * self.rise[k] < 1e-9:
                            slope[k] = 0.0
                            s_now[k] = round(float(s_now[k]))
                    else:
                        going.append(one)
                live = going
            if finished:
                break
            with table.lock:
                at = table.pattern(tuple(int(s > 0.5) for s in s_now))
            p = self.pattern(at)
            y = table.patterns["inverse"][at] @ x
        _look(end, cancelled, progress)
        self._store(kept, states, helds, ramp_s, ramp_slope, edges, y, at, end)

    def _store(
        self,
        kept: list[tuple[float, float, int, int]],
        states: list[Array],
        helds: list[list[float]],
        ramp_s: list[Array],
        ramp_slope: list[Array],
        edges: int,
        y: Array,
        at: int,
        end: float,
    ) -> None:
        m, n_s = self.m, self.eq.n_switches
        times = np.array([(a, b) for a, b, _, _ in kept]).reshape(-1, 2)
        which = np.array([(c, d) for _, _, c, d in kept], dtype=np.int64).reshape(-1, 2)
        m.piece_t, m.piece_d = times[:, 0].copy(), times[:, 1].copy()
        m.piece_pattern, m.piece_ramp = which[:, 0].copy(), which[:, 1].copy()
        m.piece_y = np.array(states).reshape(len(kept), self.eq.n_states)
        m.piece_held = np.array(helds).reshape(len(kept), self.n_held)
        m.ramp_s = np.array(ramp_s).reshape(-1, n_s)
        m.ramp_slope = np.array(ramp_slope).reshape(-1, n_s)
        if self.commutes is not None:
            self.commutes.store()
        m.count[kernels.N_PIECES], m.count[kernels.N_RAMPS] = len(kept), len(ramp_s)
        m.count[kernels.N_EDGES], m.count[kernels.NOW] = edges, at
        m.clock[kernels.T_NOW] = end
        m.y = y
        m.period = np.array(self.period, dtype=np.int64)
        m.target = np.array(self.target, dtype=np.int64)


def _look(
    t: float, cancelled: Callable[[], bool] | None, progress: Callable[[float], None] | None
) -> None:
    if cancelled is not None and cancelled():
        raise Cancelled("run", "stopped for a newer request")
    if progress is not None:
        progress(max(t, 0.0))


# -- ramps ------------------------------------------------------------------------


def ramp_state(
    table: PatternTable, s0: Array, slope: Array, seconds: float, step: float, u: Array, x: Array
) -> Array:
    """State after a stretch of ramp; see `kernels.ramp_vector`."""
    eq = table.eq
    if eq.mass_is_identity:
        series = _series(table, s0, slope, u)
        norm = sum(
            float(np.max(np.abs(a).sum(axis=0), initial=0.0)) * seconds**d
            for d, (a, _) in enumerate(series)
        )
        count = math.ceil(norm * seconds / kernels.TAYLOR_NORM)
        if count <= kernels.TAYLOR_STEPS:
            return _along_series(series, seconds, max(count, 1), x)
    count = max(1, math.ceil(seconds / step - 1e-9))
    r, s = table.ramps.across(s0, slope, seconds, count)
    return np.asarray(r @ x + s @ u)


def _series(table: PatternTable, s0: Array, slope: Array, u: Array) -> list[tuple[Array, Array]]:
    """A(s) and B(s) u as series in the time since s0."""
    eq = table.moving
    out: dict[int, list[Any]] = {}
    for place, poly in enumerate((eq.k, eq.b)):
        for key, matrix in poly.terms.items():
            weights = np.ones(1)
            for k in key:
                weights = np.convolve(weights, [s0[k], slope[k]])
            for d, weight in enumerate(weights.tolist()):
                if weight != 0.0:
                    own = out.setdefault(d, [np.zeros(eq.k.shape), np.zeros(eq.n_states)])
                    own[place] = own[place] + weight * (matrix if place == 0 else matrix @ u)
    top = max(out, default=0)
    empty = [np.zeros(eq.k.shape), np.zeros(eq.n_states)]
    return [(a, f) for a, f in (out.get(d, empty) for d in range(top + 1))]


def _along_series(series: list[tuple[Array, Array]], seconds: float, count: int, x: Array) -> Array:
    h = seconds / count
    used = len(series)
    for _ in range(count):
        terms = [x]
        out = x.copy()
        small = 0
        for k in range(80):
            new = np.zeros_like(x)
            for d in range(min(used, k + 1)):
                new += h ** (d + 1) * (series[d][0] @ terms[k - d])
            if k < used:
                new += h ** (k + 1) * series[k][1]
            new /= k + 1
            terms.append(new)
            out += new
            small = small + 1 if np.max(np.abs(new)) <= 1e-17 * np.max(np.abs(out)) else 0
            if small >= used:
                break
        x = out
        series = [_begun_later(series, low, h) for low in range(used)]
    return x


def _begun_later(series: list[tuple[Array, Array]], low: int, h: float) -> tuple[Array, Array]:
    """A term of the series that begins h later."""
    a, f = np.zeros_like(series[0][0]), np.zeros_like(series[0][1])
    for d in range(low, len(series)):
        share = math.comb(d, low) * h ** (d - low)
        a += share * series[d][0]
        f += share * series[d][1]
    return a, f


# -- reading ----------------------------------------------------------------------


def read_flat(
    table: PatternTable, at: Ints, piece: Ints, dt: Array, y: Array, held: Array, rows: Array
) -> Array:
    """Outputs (T, k) at `dt` into flat pieces; see `kernels.read_flat`."""
    out = np.zeros((len(piece), rows.shape[1]))
    for pattern in np.unique(at).tolist():
        every = np.flatnonzero(at == pattern)
        for start in range(0, len(every), _BLOCK):
            mine = every[start : start + _BLOCK]
            h = _with_one(held[piece[mine]])
            w = h @ table.patterns["forced"][pattern]
            moved = slots_of(table, pattern).moved(y[piece[mine]], w, dt[mine])
            out[mine] = np.hstack([moved, h]) @ rows[pattern].T
    return out


def swing_rows(
    slots: Slots, t0: float, t1: float, t: Array, d: Array, y: Array, held: Array, forced: Array
) -> tuple[Array, Array, Array, Array]:
    """Change and middle of swings, end state and inputs, lengths; see `kernels.swing_rows`."""
    h = _with_one(held)
    w = slots.packed(h @ forced) * slots.inverse
    late = np.maximum(t0 - t, 0.0)
    z = slots.packed(y)
    z += np.expm1(np.multiply.outer(late, slots.rate)) * (z + w)
    spans = np.minimum(t + d, t1) - (t + late)
    swing = z + w
    change = swing * np.expm1(np.multiply.outer(spans, slots.rate))
    middle = swing + 0.5 * change
    last = np.hstack([slots.unpacked(z + change), h])
    return slots.unpacked(change), slots.unpacked(middle), last, spans


def _with_one(held: Array) -> Array:
    return np.hstack([np.ones((len(held), 1)), held])


class Extremes:
    """Lowest and highest (rows, bins) and when, as `scan_kernels.scan` finds them."""

    def __init__(self, found: tuple[Array, ...], t0: float, t1: float) -> None:
        self.low, self.high, self.low_at, self.high_at = found
        self.found = found
        self.t0, self.t1 = t0, t1
        self.bins = self.low.shape[1]

    def see(self, r: int, b: Ints, value: Array, when: Array) -> None:
        """Let values count."""
        for sign, best, at in ((1.0, self.high, self.high_at), (-1.0, self.low, self.low_at)):
            order = np.argsort(sign * value, kind="stable")
            # (of several in one bin the last written stays: the most extreme)
            top = np.full(self.bins, -np.inf)
            then = np.zeros(self.bins)
            top[b[order]], then[b[order]] = sign * value[order], when[order]
            better = top > sign * best[r]
            best[r, better], at[r, better] = sign * top[better], then[better]

    def parts(self, begin: Array, end: Array) -> tuple[Ints, Ints, Array, Array]:
        """Stretches cut at the bins: which one, its bin, from, to."""
        width = (self.t1 - self.t0) / self.bins
        left, stop = np.maximum(begin, self.t0), np.minimum(end, self.t1)
        first = np.clip(((left - self.t0) / width).astype(np.int64), 0, self.bins - 1)
        last = np.clip(((stop - self.t0) / width).astype(np.int64), first, self.bins - 1)
        count = last - first + 1
        which = np.repeat(np.arange(len(begin)), count)
        b = first[which] + np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
        at = np.maximum(left[which], self.t0 + b * width)
        to = np.minimum(stop[which], self.t0 + (b + 1) * width)
        return which, b, np.minimum(at, stop[which]), np.maximum(to, at)


def scan(
    table: PatternTable,
    best: Extremes,
    tolerance: float,
    slack: float,
    pieces: tuple[Any, ...],
    rows: Array,
) -> None:
    """Exact extremes over flat pieces, within `slack`; see `scan_kernels.scan`."""
    t, d, pattern, ramp, y, held = pieces
    flat = (ramp >= -1) & (t <= best.t1) & (t + d >= best.t0)
    walks = []
    for at in np.unique(pattern[flat]).tolist():
        mine = np.flatnonzero(flat & (pattern == at))
        which, b, left, right = best.parts(t[mine], t[mine] + d[mine])
        own = mine[which]
        slots = slots_of(table, int(at))
        h = _with_one(held[own])
        w = h @ table.patterns["forced"][at]
        state = slots.moved(y[own], w, left - t[own])
        q = slots.rate * slots.packed(state) + slots.packed(w)
        values = np.hstack([state, h]) @ rows[at].T
        for r in range(rows.shape[1]):
            best.see(r, b, values[:, r], left)
        walks.append((slots, q, values, b, left, right - left, rows[at]))
    for slots, q, values, b, left, span, own_rows in walks:
        for r in range(own_rows.shape[0]):
            row = own_rows[r]
            c = row[slots.real].astype(complex)
            c[: slots.pairs] -= 1j * row[slots.imaginary]
            _walk(slots, best, r, c, tolerance, slack, q, values[:, r], b, left, span)


def _walk(
    slots: Slots,
    best: Extremes,
    r: int,
    c: Complexes,
    tolerance: float,
    slack: float,
    q: Complexes,
    value: Array,
    b: Ints,
    left: Array,
    span: Array,
) -> None:
    """Halve stretches wherever a bound can beat what is known; see `scan_kernels.walk_output`."""
    some = span > 0.0
    q, value, b, left, span = q[some], value[some], b[some], left[some], span[some]
    size, inverse = np.abs(slots.rate), np.abs(slots.inverse)
    for _ in range(scan_kernels.LEVELS):
        if not len(b):
            return
        rise = np.expm1(np.multiply.outer(span, slots.rate))
        weighed = c * q
        later = value + ((weighed * slots.inverse) * rise).real.sum(axis=1)
        fast = np.abs(weighed)
        best.see(r, b, later, left + span)
        h = span[:, None]
        most = (fast * np.minimum(0.125 * h * h * size, 4.0 * inverse)).sum(axis=1)
        top, bottom = np.maximum(value, later) + most, np.minimum(value, later) - most
        open_ = (top > best.high[r, b] + slack) | (bottom < best.low[r, b] - slack)
        matters = fast * np.minimum(h, 2.0 * inverse) > tolerance
        quick = np.max(np.where(matters, size, 0.0), axis=1, initial=0.0)
        fine = span * quick <= 0.8
        slope0 = weighed.real.sum(axis=1)
        slope1 = (weighed * (rise + 1.0)).real.sum(axis=1)
        turn = np.flatnonzero(open_ & fine & (slope0 * slope1 < 0.0))
        if len(turn):
            since, peak = _turns(
                slots, weighed[turn], value[turn], span[turn], slope0[turn], slope1[turn]
            )
            best.see(r, b[turn], peak, left[turn] + since)
        go = open_ & ~fine
        q, value, b, left, span = q[go], value[go], b[go], left[go], 0.5 * span[go]
        rise = np.expm1(np.multiply.outer(span, slots.rate))
        middle = value + ((c * q * slots.inverse) * rise).real.sum(axis=1)
        best.see(r, b, middle, left + span)
        q = np.vstack([q, q * (rise + 1.0)])
        value, b = np.concatenate([value, middle]), np.concatenate([b, b])
        left, span = np.concatenate([left, left + span]), np.concatenate([span, span])


def _turns(
    slots: Slots, weighed: Complexes, value: Array, span: Array, slope0: Array, slope1: Array
) -> tuple[Array, Array]:
    """When slopes vanish, and the values there; see `scan_kernels.turning_point`."""
    early, late = np.zeros_like(span), span.copy()
    t = span * slope0 / (slope0 - slope1)
    there = value
    for _ in range(20):
        rise = np.expm1(np.multiply.outer(t, slots.rate))
        there = value + (weighed * slots.inverse * rise).real.sum(axis=1)
        moved = weighed * (rise + 1.0)
        slope = moved.real.sum(axis=1)
        bend = (moved * slots.rate).real.sum(axis=1)
        if np.all(np.abs(slope) * np.minimum(t - early, late - t) < 1e-7):
            break
        before = slope * slope0 > 0.0
        early, late = np.where(before, t, early), np.where(before, late, t)
        with np.errstate(divide="ignore", invalid="ignore"):
            new = t - slope / bend
        t = np.where((new > early) & (new < late), new, 0.5 * (early + late))
    return t, there


def scan_ramps(
    table: PatternTable, best: Extremes, pieces: tuple[Any, ...], nodes: tuple[Array, ...]
) -> None:
    """Adds points inside full ramps; see `scan_kernels.scan_ramps`."""
    t, d, pattern, ramp, y, held = pieces
    node_at, of_y, of_0, of_load, of_drag, rise = nodes
    end = t + d
    width = (best.t1 - best.t0) / best.bins
    for code in np.unique(ramp[ramp >= 0]).tolist():
        mine = np.flatnonzero((ramp == code) & (end >= best.t0) & (end <= best.t1))
        if not len(mine):
            continue
        at = int(pattern[mine[0]])
        w = _with_one(held[mine]) @ table.patterns["forced"][at]
        state = slots_of(table, at).moved(y[mine], w, d[mine])
        for node in range(len(node_at)):
            when = end[mine] + node_at[node] * rise[code]
            inside = when <= best.t1
            b = np.clip(((when - best.t0) / width).astype(np.int64), 0, best.bins - 1)
            own = np.hstack([of_load[code, node], of_drag[code, node]])
            values = state @ of_y[code, node].T + of_0[code, node] + held[mine] @ own.T
            for r in range(values.shape[1]):
                best.see(r, b[inside], values[inside, r], when[inside])


def ramp_states(
    table: PatternTable, s0: Array, slope: Array, seconds: Array, u: Array, x0: Array, shares: Array
) -> tuple[Array, Array, Array]:
    """Switches, states and their slopes at shares of ramp pieces; see `kernels.ramp_states`."""
    shape = (len(seconds), len(shares))
    s = np.zeros((*shape, s0.shape[1]))
    x, dx = np.zeros((*shape, x0.shape[1])), np.zeros((*shape, x0.shape[1]))
    for p in range(len(seconds)):
        now, last = x0[p], 0.0
        for i, share in enumerate(shares.tolist()):
            to = share * float(seconds[p])
            if to > last:
                now = ramp_state(
                    table,
                    s0[p] + last * slope[p],
                    slope[p],
                    to - last,
                    table.ramp_step(),
                    u[p],
                    now,
                )
                last = to
            s[p, i], x[p, i] = s0[p] + to * slope[p], now
            a, b = table.ramps.at(s[p, i], slope[p])
            dx[p, i] = a @ now + b @ u[p]
    return s, x, dx

"""The every-edge engine in numpy, for where its kernels are not compiled (yet).

The same steps as in `sim.kernels`, so the same answer to rounding: the march goes from edge to
edge with a few products each, all else is done for many pieces at once. Some ten times slower
than compiled, a hundred times faster than the kernels as plain Python.
"""

from __future__ import annotations

import math
from contextlib import contextmanager
from functools import lru_cache
from operator import ge, mul, sub
from typing import TYPE_CHECKING, Any

import numpy as np

from sim import kernels, ramp_kernels, scan_kernels
from sim.errors import Cancelled

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from sim.patterns import MonomialTable, PatternTable
    from sim.switching import Marcher

    Array = NDArray[np.float64]
    Complexes = NDArray[np.complex128]
    Ints = NDArray[np.int64]
    #: of a load: constant power, its value, least volts, what leans on them in S
    Law = tuple[bool, float, float, float]
    #: of what is seen, what was held before and half a stretch in s: what is held on it
    Hold = Callable[[list[float], list[float], float], list[float] | None]

# (looked up once: the march has some thousand of each in a millisecond of its event)
_add, _multiply, _expm1 = np.add, np.multiply, np.expm1

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


@lru_cache(maxsize=32)
def _written_out(n_w: int, n_j: int, coupled: bool) -> Callable[..., Hold]:
    """What is held for a stretch, written out for so many rotors and loads of constant power.

    Most of a march is this, on a dozen numbers: as loops over lists it takes three times as long.
    See `_March.hold`, which it stands in for; it returns None where a load's voltage is below what
    its power holds at. `coupled`: loads move each other's voltages.
    """

    def names(letter: str, count: int) -> list[str]:
        return [f"{letter}{i}" for i in range(count)]

    def largest(letter: str) -> str:
        sizes = ", ".join(f"abs({name})" for name in names(letter, n_j))
        return f"max({sizes})" if n_j > 1 else sizes

    def each(line: str, count: int) -> list[str]:
        return [line.replace("#", str(i)) for i in range(count)]

    def low(letter: str) -> str:
        return " or ".join(f"{letter}{i} < n{i}" for i in range(n_j))

    def unpacked(parts: list[str], whole: str) -> list[str]:
        return [f"{', '.join(parts)}, = {whole}"] if parts else []

    seen = [*names("w", n_w), *names("r", n_w), *names("v", n_j)]
    body = [
        *unpacked(seen, "seen"),
        *each("m# = w# + half * (r# + o# * w# * abs(w#))", n_w),
    ]
    if n_j:
        body += [f"if {low('v')}: return None", *each("a# = p# / v# - g# * v#", n_j)]
    if n_j and coupled:
        more = [" + ".join(f"l{i}_{j} * x{j}" for j in range(n_j)) for i in range(n_j)]
        off = each("x# = a# - before[#]", n_j)
        body += [
            *off,
            f"earlier = {largest('x')}",
            "for _ in range(3):",
            *(f"    u{i} = v{i} + {more[i]}" for i in range(n_j)),
            f"    if {low('u')}: return None",
            *each("    c# = p# / u# - g# * u#", n_j),
            *each("    x# = c# - a#", n_j),
            f"    moved = {largest('x')}",
            *each("    a# = c#", n_j),
            f"    if moved * moved <= close * abs({' + '.join(names('a', n_j))}) * earlier: break",
            "    earlier = moved",
            *(f"    {line}" for line in off),
        ]
    held = [*names("a", n_j), *(f"d{i} * m{i} * abs(m{i})" for i in range(n_w))]
    body.append(f"return [{', '.join(held)}]")
    own = [f"l{i}_{j}" for i in range(n_j) for j in range(n_j)] if coupled else []
    source = [
        "def make(slopes, drags, values, leans, minima, own, close):",
        *(f"    {line}" for line in unpacked(names("o", n_w), "slopes")),
        *(f"    {line}" for line in unpacked(names("d", n_w), "drags")),
        *(f"    {line}" for line in unpacked(names("p", n_j), "values")),
        *(f"    {line}" for line in unpacked(names("g", n_j), "leans")),
        *(f"    {line}" for line in unpacked(names("n", n_j), "minima")),
        *(f"    {line}" for line in unpacked(own, "own")),
        "    def hold(seen, before, half):",
        *(f"        {line}" for line in body),
        "    return hold",
    ]
    found: dict[str, Any] = {}
    exec("\n".join(source), found)
    made: Callable[..., Hold] = found["make"]
    return made


class _Pattern:
    """What the march needs of one pattern, laid out for few calls of numpy.

    Where it stands is one row: a one, what is held, the modal state, then what is `seen`:
    speeds, their slopes and load volts. `here` is all of it but that.
    """

    def __init__(self, table: PatternTable, at: int) -> None:
        self.at = at
        #: of each leg, once made: which full ramp, what it makes of `here` of that to come, and
        #: the pattern it leads to
        self.ramps: list[tuple[int, Array, _Pattern] | None] = [None] * table.eq.n_switches
        p, n = table.patterns, table.eq.n_states
        n_w, n_j = len(table.eq.speed_scale), len(table.eq.loads)
        slots = slots_of(table, at)
        m, two = slots.pairs, 2 * slots.pairs
        #: by `here`: modal state and force over rate, which decay or turn
        self.moving = np.hstack(
            [slots.unpacked(slots.packed(p["forced"][at]) * slots.inverse).T, np.eye(n)]
        )
        #: of pairs as complex numbers one after another, then of real modes
        self.rate = np.concatenate([slots.rate[:m].view(np.float64), slots.rate[m:].real])
        self.rise, self.change = np.empty(n), np.empty(n)
        self.turning = self.rise[:two].view(np.complex128), self.change[:two].view(np.complex128)
        self.decaying = self.rise[two:], self.change[two:]
        own = p["load_load"][at]
        self.load_load: list[list[float]] | None = own.tolist() if np.any(own) else None
        #: speeds, their slopes and load volts by `here`, those with the amps held there
        self.read = np.zeros((2 * n_w + n_j, 1 + table.eq.n_held + n))
        self.read[:, -n:] = p["read"][at].T[: len(self.read)]
        self.read[2 * n_w :, 0] = p["load_0"][at]
        self.read[2 * n_w :, 1 : 1 + n_j] = own
        self.slope_drag = (p["speed_slope_drag"][at] * table.eq.drag).tolist()
        #: what is held for a stretch, where that can be written out
        self.held: Hold | None = None
        #: EMF and supply of each leg (2, n)
        self.limits = list(np.stack([p["emf_y"][at], p["sense_y"][at]], axis=1))

    def move(self, here: Array, y: Array, span: Array) -> None:
        """Move the modal state `y` within `here` by `span` () seconds."""
        self.moving.dot(here, self.change)
        _multiply(self.rate, span, self.rise)
        turns, turned = self.turning
        _expm1(turns, turns)
        _multiply(turned, turns, turned)
        decays, decayed = self.decaying
        _expm1(decays, decays)
        _multiply(decayed, decays, decayed)
        _add(y, self.change, y)


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


class _Row:
    """Where a march stands, and views of it; see `_Pattern`."""

    def __init__(self, n_held: int, n: int, n_seen: int) -> None:
        row = np.zeros(1 + n_held + n + n_seen)
        row[0] = 1.0
        self.held, self.y = row[1 : 1 + n_held], row[1 + n_held : 1 + n_held + n]
        self.here, self.kept = row[: 1 + n_held + n], row[1 : 1 + n_held + n]
        self.seen, self.ahead = row[1 + n_held + n :], row[1 + n_held :]


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
        self.laws: list[Law] = list(
            zip(
                laws.power.tolist(),
                laws.value.tolist(),
                laws.minimum.tolist(),
                self.table.lean.tolist(),
                strict=True,
            )
        )
        #: of loads of constant power, where all are
        self.powers = all(power for power, *_ in self.laws)
        self.values, self.minima = laws.value.tolist(), laws.minimum.tolist()
        self.leans = self.table.lean.tolist()
        self.centred = m._centred.tolist()
        self.period, self.target = m.period.tolist(), m.target.tolist()
        self.queues: list[list[tuple[float, int]]] = [
            [(float(m.queue_t[k, i]), int(m.queue_up[k, i])) for i in range(int(m.queue_n[k]))]
            for k in range(self.eq.n_switches)
        ]
        #: when a period of each leg starts, and its next edge: one after the other
        self.due: list[float] = []
        for k, queue in enumerate(self.queues):
            start = (self.period[k] - self.phase[k]) / self.frequency[k]
            self.due += [start, queue[0][0] if queue else math.inf]
        self.patterns: dict[int, _Pattern] = {}
        self.n_w, self.n_j, self.n_held = len(self.drag), len(self.laws), self.eq.n_held
        self.end = float(m.clock[kernels.T_END])
        self.command: list[list[float]] = c.command.tolist()
        self.commutes = _Commutes(m.commutation) if len(m.commutation.share) else None
        #: how long a stretch may be, in s
        self.longest = math.inf if self.commutes is None else self.commutes.longest
        self.edges = int(m.count[kernels.N_EDGES])
        # what is kept of each piece: start, length, pattern, ramp, what is held with the state
        self.kept_t: list[float] = []
        self.kept_d: list[float] = []
        self.kept_at: list[int] = []
        self.kept_ramp: list[int] = []
        self.rows = np.empty((len(m.piece_t), self.n_held + self.eq.n_states))
        self.ramp_s: list[Array] = []
        self.ramp_slope: list[Array] = []

    def pattern(self, at: int) -> _Pattern:
        found = self.patterns.get(at)
        if found is None:
            found = self.patterns[at] = _Pattern(self.table, at)
            if self.powers and self.commutes is None:
                own = found.load_load
                found.held = _written_out(self.n_w, self.n_j, own is not None)(
                    found.slope_drag, self.drag, self.values, self.leans, self.minima,
                    [share for row in own or [] for share in row], kernels.CLOSE,
                )  # fmt: skip
        return found

    def ramp(self, p: _Pattern, leg: int) -> tuple[int, Array, _Pattern]:
        """The full ramp of a leg out of a pattern, made if new; see `_Pattern.ramps`."""
        with self.table.lock:
            ramp = self.table.make_ramp(p.at, leg)
        to, n = self.pattern(int(self.table.ramp_to[ramp])), self.eq.n_states
        rows = self.table.ramp["rows"][ramp, :, : n + len(to.read)].T
        ahead = np.hstack([rows[:, n:], rows[:, :n]])
        # (the one and what is held stay for now what they are)
        ahead[n:, :-n] += to.read[:, :-n]
        found = p.ramps[leg] = ramp, ahead, to
        return found

    # -- one step's parts ---------------------------------------------------------

    def hold(
        self, p: _Pattern, seen: list[float], before: list[float], t: float, span: float
    ) -> list[float]:
        """Loads' amps, then torques, then EMFs of commutation, for a stretch from t on.

        Of what is seen where it begins, load volts with the amps held `before`; see `kernels.hold`.
        """
        n_w = self.n_w
        half = 0.5 * span
        torques = [
            drag * (middle := speed + half * (rate + own * speed * abs(speed))) * abs(middle)
            for drag, own, speed, rate in zip(
                self.drag, p.slope_drag, seen, seen[n_w:], strict=False
            )
        ]
        if self.commutes is not None:
            torques, emfs = self.commutes.held(t, span, seen[:n_w], seen[n_w : 2 * n_w], torques)
            torques += emfs
            self.longest = self.commutes.longest
        if not self.laws:
            return torques
        volts = seen[2 * n_w :]
        amps = self.amps(volts)
        if p.load_load is not None:
            before = before[: self.n_j]
            more = list(map(sub, amps, before))
            moved = max(map(abs, more))
            for _ in range(3):
                # (a handful of loads: plain numbers are quicker than an array made of them)
                new = self.amps(
                    [
                        v + sum(map(mul, row, more))
                        for v, row in zip(volts, p.load_load, strict=True)
                    ]
                )
                earlier, moved = moved, max(map(abs, map(sub, new, amps)))
                amps = new
                if moved * moved <= kernels.CLOSE * abs(sum(amps)) * earlier:
                    break
                more = list(map(sub, amps, before))
        return amps + torques

    def amps(self, volts: list[float]) -> list[float]:
        """Commanded currents of loads at their voltages, less what leans on those."""
        if self.powers and all(map(ge, volts, self.minima)):
            return [
                value / v - lean * v
                for value, lean, v in zip(self.values, self.leans, volts, strict=True)
            ]
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
        start, length = self.due[2 * k], 1.0 / self.frequency[k]
        at = self.period[k] - self.first[k]
        duty = self.command[k][at]
        if self.limited[k]:
            emf, supply = p.limits[k].dot(y).tolist()
            if supply > 1e-3:
                low = (emf - self.brake_v[k]) / supply
                high = (emf + self.drive_v[k]) / supply
                duty = min(max(min(max(duty, low), high), 0.0), 1.0)
        self.m.used[k, at] = duty
        self.period[k] += 1
        self.due[2 * k] = (self.period[k] - self.phase[k]) / self.frequency[k]
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
        if queue:
            self.due[2 * k + 1] = queue[0][0]

    def keep(self, t: float, span: float, at: int, ramp: int, row: Array) -> None:
        """Keep a piece: when, where, and what is held with the state at its start."""
        used = len(self.kept_t)
        if used == len(self.rows):
            self.rows = np.concatenate([self.rows, np.empty_like(self.rows)])
        self.rows[used] = row
        self.kept_t.append(t)
        self.kept_d.append(span)
        self.kept_at.append(at)
        self.kept_ramp.append(ramp)

    # -- the march ------------------------------------------------------------------

    def run(
        self,
        cancelled: Callable[[], bool] | None,
        progress: Callable[[float], None] | None,
    ) -> None:
        m = self.m
        t, end = float(m.clock[kernels.T_NOW]), self.end
        n_seen = 2 * self.n_w + self.n_j
        row, other = (_Row(self.n_held, self.eq.n_states, n_seen) for _ in range(2))
        row.y[:] = m.y
        span_of_turn = (end - t) / 40.0
        told = t
        due, queues, rise = self.due, self.queues, self.rise
        hold, keep = self.hold, self.keep
        # of a stretch, as numpy takes it without looking what it is
        length = np.zeros(())
        held = [0.0] * self.n_held
        p = self.pattern(int(m.count[kernels.NOW]))
        seen: list[float] = p.read.dot(row.here, row.seen).tolist()
        #: the last piece ends here and no ramp has followed yet
        flat = False
        first = min(due)
        while t < end:
            if t - told >= span_of_turn:
                told = t
                _look(t, cancelled, progress)
            t_next, who = first, due.index(first)
            # (edges at the very end are left out)
            if t_next >= end and (t_next > end or who % 2):
                t_next, who = end, -1
            if t_next - t > self.longest:
                t_next = t + (t_next - t) / math.ceil((t_next - t) / self.longest)
                who = -1
            span = t_next - t
            if span > 0.0:
                if flat:
                    seen = p.read.dot(row.here, row.seen).tolist()
                now = p.held and p.held(seen, held, 0.5 * span)
                row.held[:] = held = now or hold(p, seen, held, t, span)
                keep(t, span, p.at, -1, row.kept)
                length[()] = span
                p.move(row.here, row.y, length)
                t = t_next
                flat = True
            if who < 0:
                continue
            leg = who // 2
            if who % 2 == 0:
                self.latch(leg, p, row.y)
                first = min(due)
                continue
            # alone where nothing else is due before its ramp ends
            queue, ends = queues[leg], t + rise[leg]
            due[who] = queue[1][0] if len(queue) > 1 else math.inf
            first = min(due)
            if ends <= end and first >= ends:
                del queue[0]
                ramp, ahead, to = p.ramps[leg] or self.ramp(p, leg)
                if flat:
                    self.kept_ramp[-1] = ramp
                else:
                    row.held[:] = held = hold(p, seen, held, t, 0.0)
                    keep(t, 0.0, p.at, ramp, row.kept)
                ahead.dot(row.here, other.ahead)
                row, other = other, row
                seen = row.seen.tolist()
                p, t = to, ends
                self.edges += 1
            else:
                if flat:
                    seen = p.read.dot(row.here, row.seen).tolist()
                if span <= 0.0:
                    row.held[:] = held = hold(p, seen, held, t, 0.0)
                t, p = self.overlap(t, p, row)
                first = min(due)
                seen = p.read.dot(row.here, row.seen).tolist()
            flat = False
        _look(end, cancelled, progress)
        self.store(row.y, p.at)

    def overlap(self, t: float, p: _Pattern, row: _Row) -> tuple[float, _Pattern]:
        """Ramps that overlap from t on: carry the state itself until all legs stand still.

        Leaves the modal state in `row`; returns when, and the pattern then.
        """
        table, due, at = self.table, self.due, p.at
        u = np.concatenate([self.eq.sources, row.held])
        x = table.patterns["basis"][at] @ row.y
        s_now, slope = table.bits[at].astype(float), np.zeros(self.eq.n_switches)
        live: list[tuple[int, float, float]] = []  # leg, rate, end
        while True:
            for k, queue in enumerate(self.queues):
                while queue and queue[0][0] <= t:
                    rate = (2.0 * queue[0][1] - 1.0) / self.rise[k]
                    live.append((k, rate, t + self.rise[k]))
                    slope[k] += rate
                    queue.pop(0)
                    self.edges += 1
                due[2 * k + 1] = queue[0][0] if queue else math.inf
            if not live:
                break
            stop, who = min([self.end, *(one[2] for one in live)]), -1
            first = min(due)
            if first < stop:
                stop, who = first, due.index(first)
            stop = max(stop, t)
            if stop > t:
                code = -2 - len(self.ramp_s)
                self.keep(t, stop - t, at, code, np.concatenate([row.held, x]))
                self.ramp_s.append(s_now.copy())
                self.ramp_slope.append(slope.copy())
                x = ramp_state(table, s_now, slope, stop - t, table.ramp_step(), u, x)
                s_now = s_now + slope * (stop - t)
                t = stop
            if t >= self.end:
                return t, p
            if who >= 0 and who % 2 == 0:
                self.latch(who // 2, p, table.patterns["inverse"][at] @ x)
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
        with table.lock:
            at = table.pattern(tuple(int(s > 0.5) for s in s_now))
        row.y[:] = table.patterns["inverse"][at] @ x
        return t, self.pattern(at)

    def store(self, y: Array, at: int) -> None:
        """Hand over to the marcher."""
        m, n_s, n_h = self.m, self.eq.n_switches, self.n_held
        used = len(self.kept_t)
        m.piece_t, m.piece_d = np.array(self.kept_t), np.array(self.kept_d)
        m.piece_pattern = np.array(self.kept_at, dtype=np.int64)
        m.piece_ramp = np.array(self.kept_ramp, dtype=np.int64)
        m.piece_held, m.piece_y = self.rows[:used, :n_h].copy(), self.rows[:used, n_h:].copy()
        m.ramp_s = np.array(self.ramp_s).reshape(-1, n_s)
        m.ramp_slope = np.array(self.ramp_slope).reshape(-1, n_s)
        if self.commutes is not None:
            self.commutes.store()
        m.count[kernels.N_PIECES], m.count[kernels.N_RAMPS] = used, len(self.ramp_s)
        m.count[kernels.N_EDGES], m.count[kernels.NOW] = self.edges, at
        m.clock[kernels.T_NOW] = self.end
        m.y = y.copy()
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


#: Most terms of a ramp's series, and after how many it is looked whether it goes on.
_TERMS, _LOOKS = 80, 4


def ramp_state(
    table: PatternTable, s0: Array, slope: Array, seconds: float, step: float, u: Array, x: Array
) -> Array:
    """State after a stretch of ramp; see `kernels.ramp_vector`."""
    if table.eq.mass_is_identity:
        a, f = _series(table.monomials, s0, slope, u)
        sizes = np.abs(a).sum(axis=1).max(axis=1, initial=0.0)
        norm = float(sizes @ seconds ** np.arange(len(a)))
        count = math.ceil(norm * seconds / kernels.TAYLOR_NORM)
        if count <= kernels.TAYLOR_STEPS:
            return _along_series(a, f, seconds, max(count, 1), x)
    count = max(1, math.ceil(seconds / step - 1e-9))
    r, s = table.ramps.across(s0, slope, seconds, count)
    return np.asarray(r @ x + s @ u)


def _series(m: MonomialTable, s0: Array, slope: Array, u: Array) -> tuple[Array, Array]:
    """A(s) (degrees, n, n) and B(s) u (degrees, n) as series in the time since s0."""
    count, n = m.k.shape[:2]
    weights = np.zeros((count, m.keys.shape[1] + 1))
    weights[:, 0] = 1.0
    for column in m.keys.T:
        some = column >= 0
        leg, before = column[some], weights[some]
        after = before * s0[leg, None]
        after[:, 1:] += before[:, :-1] * slope[leg, None]
        weights[some] = after
    used = max(np.flatnonzero(weights.any(axis=0)), default=0) + 1
    shares = np.ascontiguousarray(weights[:, :used].T)
    return (shares @ m.k.reshape(count, n * n)).reshape(used, n, n), shares @ (m.b @ u)


def _along_series(a: Array, f: Array, seconds: float, count: int, x: Array) -> Array:
    """Carry x along a ramp by `count` Taylor steps, exact to rounding; see `_series`."""
    h = seconds / count
    used, n = f.shape
    powers = h ** np.arange(1, used + 1)
    later = np.array(
        [[math.comb(d, low) * h ** (d - low) for d in range(used)] for low in range(used)]
    )
    for step in range(count):
        if step:
            a, f = np.tensordot(later, a, 1), later @ f
        # (k + 1) x_{k+1} = sum_d h^{d+1} a_d x_{k-d} + h^{k+1} f_k: terms lie newest first
        by_terms = (powers[:, None, None] * a).transpose(1, 0, 2).reshape(n, used * n)
        forced = powers[:, None] * f
        terms = np.zeros((_TERMS + used, n))
        flat, row = terms.reshape(-1), _TERMS
        terms[row] = x
        enough = 1e-17 * np.max(np.abs(x), initial=0.0)
        for k in range(_TERMS):
            new = terms[row - 1]
            by_terms.dot(flat[row * n : (row + used) * n], new)
            if k < used:
                new += forced[k]
            new *= 1.0 / (k + 1)
            row -= 1
            # (a single term can vanish by chance)
            if k % _LOOKS == _LOOKS - 1 and np.all(np.abs(terms[row : row + used]) <= enough):
                break
        x = terms[row:].sum(axis=0)
    return x


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
    """Lowest and highest (rows, bins) and when, as `scan_kernels.scan` finds them.

    across, across_slack : so many rows, the last, are of the window as a whole, in the first bin,
        and none of their extremes is further off than that
    """

    def __init__(
        self,
        found: tuple[Array, ...],
        t0: float,
        t1: float,
        across: int = 0,
        across_slack: float = 0.0,
    ) -> None:
        self.across, self.across_slack = across, across_slack
        self.low, self.high, self.low_at, self.high_at = found
        self.found = found
        self.t0, self.t1 = t0, t1
        self.bins = self.low.shape[1]

    def alone(self) -> tuple[Extremes, Extremes]:
        """The rows of bins, and those of the whole window with one bin; both write to the same."""
        k = len(self.low) - self.across
        bins = tuple(each[:k] for each in self.found)
        whole = tuple(each[k:, :1] for each in self.found)
        return Extremes(bins, self.t0, self.t1), Extremes(whole, self.t0, self.t1)

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
    """Halve stretches wherever a bound can beat what is known."""
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
    """When slopes vanish, and the values there."""
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
    table: PatternTable,
    s0: Array,
    slope: Array,
    seconds: Array,
    u: Array,
    x0: Array,
    shares: Array,
    step: float,
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
                    step,
                    u[p],
                    now,
                )
                last = to
            s[p, i], x[p, i] = s0[p] + to * slope[p], now
            a, b = table.ramps.at(s[p, i], slope[p])
            dx[p, i] = a @ now + b @ u[p]
    return s, x, dx

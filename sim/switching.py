"""Runs with every edge: from edge to edge in the modes of each switch pattern.

Between edges the equations are linear and the modes move in closed form; across an edge
its finite ramp is one linear map. What is not linear is held over a stretch: propeller drag
at the speed predicted for its middle, and of a constant-power load what is left beside its
slope (`sim.leaning`), at the voltage the stretch begins with. Only the state at each edge is kept;
any time, any output and any window is evaluated from there.
"""

from __future__ import annotations

import math
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from sim import kernels, plain, scan_kernels
from sim.blocks import rows_together
from sim.carriers import Carriers, latch
from sim.commutation import commutation_of
from sim.errors import Cancelled, Conflict, SolveError
from sim.kernels import mode_rates
from sim.leaning import load_slopes
from sim.patterns import PatternTable, pattern_rows
from sim.stability import growth_along
from sim.state_equations import Rows, stack_rows
from sim.switch_poly import SwitchPoly
from sim.threads import heed, stop_flag
from sim.trajectory import EnergyBalance, RowFigures
from sim.undamped import SLOWEST_PER_S, add_undamped

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from sim.event import Drive
    from sim.mean_equations import MeanEquations
    from sim.stability import Growth
    from sim.state_equations import StateEquations

    Array = NDArray[np.float64]
    Ints = NDArray[np.int64]

NO_STORES = kernels.Stores(*(np.zeros(shape) for shape in ((0, 0), (0, 0), 0, 0, 0)))

#: Pieces there is room for at first: two edges, and some that ramps overlap in.
_PIECES_A_PERIOD = 2.1
#: Pieces between two looks whether a run is still wanted, some milliseconds; and how many looks.
_PIECES_A_LOOK, _LEAST_LOOKS, _MOST_LOOKS = 2000, 10, 40
#: Longest stretch run before the event so that nothing of the start is left in it.
SETTLE_LONGEST_S = 5e-3


class Marcher:
    """The state of a march: what `kernels.march` reads and writes."""

    #: what of a pattern tells speeds and load volts
    read = "read"
    #: arrays of a row a piece
    by_piece: tuple[str, ...] = (
        "piece_t",
        "piece_d",
        "piece_pattern",
        "piece_ramp",
        "piece_y",
        "piece_held",
    )

    def __init__(
        self,
        mean: MeanEquations,
        drive: Drive,
        carriers: Carriers,
        x0: Array,
        start_s: float,
        table: PatternTable,
    ) -> None:
        self.mean, self.drive, self.carriers = mean, drive, carriers
        eq = mean.eq
        net = eq.network
        self.rise = table.rise_s
        self.table = table
        self.monomials = table.monomials
        n_s = eq.n_switches
        self.period = carriers.first.copy()
        self.used = carriers.command.copy()
        self.target = np.zeros(n_s, dtype=np.int64)
        self.queue_t = np.zeros((n_s, 8))
        self.queue_up = np.zeros((n_s, 8), dtype=np.int64)
        self.queue_n = np.zeros(n_s, dtype=np.int64)
        self.clock = np.array([start_s, start_s, float(drive.duration_s)])
        self.count = np.zeros(8, dtype=np.int64)
        self.bits_now = np.zeros(n_s, dtype=np.int64)
        self.ahead = table.row_ahead()
        n_held = eq.n_held
        self.commutation = commutation_of(eq, carriers.angle, x0)
        span = float(drive.duration_s) - start_s
        guess = int(span * float(np.sum(carriers.frequency_hz)) * _PIECES_A_PERIOD) + 1024
        # (a row is written before it is read: to clear them is a tenth of a further run)
        each = rows_together(
            dict.fromkeys(("t", "d", "pattern", "ramp"), ())
            | {"y": (eq.n_states,), "held": (n_held,)},
            guess,
            cleared=False,
        )
        self.piece_t, self.piece_d = each["t"], each["d"]
        self.piece_pattern = each["pattern"].view(np.int64)
        self.piece_ramp = each["ramp"].view(np.int64)
        self.piece_y, self.piece_held = each["y"], each["held"]
        self.ramp_s = np.zeros((512, n_s))
        self.ramp_slope = np.zeros((512, n_s))
        #: by the kernels, which have to be compiled; the march with diodes knows no other way
        self.compiled = plain.usable() or not table.plain
        self._centred = np.array([c.centred for c in net.choppers], dtype=np.bool_)
        self._begin(x0, start_s)

    def _begin(self, x0: Array, start_s: float) -> None:
        """Put each leg where its carrier is at the start."""
        c = self.carriers
        bits = []
        for k in range(len(c.first)):
            since = start_s * c.frequency_hz[k] + c.phase[k] - c.first[k]
            duty = float(c.command[k, 0])
            if self._centred[k]:
                high = abs(since - 0.5) < 0.5 * duty
                on_left, off_left = 0.5 - 0.5 * duty, 0.5 + 0.5 * duty
            else:
                high = since < duty
                on_left, off_left = 0.0, duty
            high = high or duty >= 1.0
            origin = (c.first[k] - c.phase[k]) / c.frequency_hz[k]
            if 0.0 < duty < 1.0:
                for at, up in ((on_left, 1), (off_left, 0)):
                    if at > since:
                        i = int(self.queue_n[k])
                        self.queue_t[k, i] = origin + at / c.frequency_hz[k]
                        self.queue_up[k, i] = up
                        self.queue_n[k] = i + 1
            self.period[k] = c.first[k] + 1
            self.target[k] = 1 if duty >= 1.0 else 0
            bits.append(int(high and duty > 0.0))
        with self.table.lock:
            at = self.table.pattern(self._first_pattern(bits, x0, start_s))
        self.count[kernels.NOW] = at
        self.y = self.table.patterns["inverse"][at] @ x0

    def _first_pattern(self, bits: Sequence[int], x0: Array, start_s: float) -> tuple[int, ...]:
        """The pattern in which the carriers ask for `bits`."""
        del x0, start_s
        return tuple(bits)

    def run(
        self,
        cancelled: Callable[[], bool] | None,
        progress: Callable[[float], None] | None,
    ) -> None:
        """March to the end.

        Raises
        ------
        Cancelled   if `cancelled` says so
        SolveError   if voltages grow without bound
        """
        end = float(self.drive.duration_s)
        start = float(self.clock[kernels.T_NOW])
        if not self.compiled:
            plain.march(self, cancelled, progress)
            self._finite()
            return
        # a stretch at a time, so that a newer request is heard within milliseconds
        looks = min(max(len(self.piece_t) // _PIECES_A_LOOK, _LEAST_LOOKS), _MOST_LOOKS)
        stops = np.linspace(start, end, looks + 1)[1:] if cancelled or progress else [end]
        for stop in stops:
            self.clock[kernels.T_PAUSE] = stop
            while True:
                code = self._march()
                if code == kernels.DONE:
                    break
                if code == kernels.FULL:
                    self._grow()
                else:
                    self._supply(code)
                    # making patterns is most of a short run
                    if cancelled is not None and cancelled():
                        raise Cancelled("run", "stopped for a newer request")
            if cancelled is not None and cancelled():
                raise Cancelled("run", "stopped for a newer request")
            if progress is not None:
                progress(max(float(stop), 0.0))
        self._finite()

    def _finite(self) -> None:
        if not np.all(np.isfinite(self.y)):
            raise SolveError("run", "the voltages grew without bound", "Check extreme values")

    def _march(self) -> int:
        arguments = self._arguments(self.table.still())
        return int(kernels.march(*arguments, NO_STORES, self.piece_y, self.ahead))

    def _arguments(self, t: PatternTable) -> tuple[Any, ...]:
        """What any march takes, in its order."""
        eq, c, m = self.mean.eq, self.carriers, self.monomials
        p, r, laws, lim = t.patterns, t.ramp, self.mean.laws, eq.limits
        return (
            self.clock, self.count, self.y,
            c.frequency_hz, c.phase, c.first, c.command, self.used, self._centred,
            self.rise, self.period, self.target, self.queue_t, self.queue_up, self.queue_n,
            lim.active, lim.drive_a, lim.brake_a, lim.resistance,
            laws.power, laws.value, laws.minimum, t.lean, eq.drag, eq.sources,
            t.pairs, t.bits, t.leg_ramp,
            p["rates"], p["basis"], p["inverse"], p["forced"], p[self.read], p["load_0"],
            p["load_load"], p["speed_slope_drag"], p["emf_y"], p["sense_y"],
            r["rows"], t.ramp_to,
            m.keys, m.k, m.b, m.mass, m.ramp, m.trivial_mass, t.ramp_step(),
            self.piece_t, self.piece_d, self.piece_pattern, self.piece_ramp,
            self.piece_y, self.piece_held, self.ramp_s, self.ramp_slope, self.bits_now,
            self.commutation,
        )  # fmt: skip

    def _supply(self, code: int) -> None:
        del code
        want = int(self.count[kernels.WANT_PATTERN])
        # several ESC timings may march at once on one table
        with self.table.lock:
            if want >= 0:
                self.table.meet(want, int(self.count[kernels.WANT_LEG]))
                return
            at = self.table.pattern(tuple(int(b) for b in self.bits_now))
        self.y = self.table.patterns["inverse"][at] @ self.y
        self.count[kernels.NOW] = at

    def _grow(self) -> None:
        """Make room for pieces or for ramp pieces, whichever has less left."""
        left = len(self.piece_t) - self.count[kernels.N_PIECES]
        if left <= len(self.ramp_s) - self.count[kernels.N_RAMPS]:
            add = max(1024, len(self.piece_t) // 2)
            for name in self.by_piece:
                old = getattr(self, name)
                more = np.empty((add, *old.shape[1:]), old.dtype)
                setattr(self, name, np.concatenate([old, more]))
            return
        for name in ("ramp_s", "ramp_slope"):
            old = getattr(self, name)
            setattr(self, name, np.concatenate([old, np.zeros((len(old), old.shape[1]))]))


def settle_time(mean: MeanEquations, command: Array, x0: Array) -> float:
    """How long before the event to start, so that the start leaves no trace (s).

    Six times the slowest electrical time constant, at most `SETTLE_LONGEST_S`; slower
    modes (rotors, the pack's slow RC) start at their averaged equilibrium, which ripple
    hardly moves.
    """
    if not mean.eq.n_states:
        return 0.0
    decay = -mean.rates(command, x0).real
    # (a winding of a millisecond starts half its ripple off the mean: most of that is to go)
    fast = decay[decay > 1.0 / SETTLE_LONGEST_S]
    return SETTLE_LONGEST_S if not len(fast) else min(6.0 / float(np.min(fast)), SETTLE_LONGEST_S)


class EdgeRun:
    """A solved run with every edge (see `Trajectory`)."""

    def __init__(self, marcher: Marcher) -> None:
        self._m = marcher
        self.mean = marcher.mean
        #: the averaged equations of the same states, with whatever is a law in them
        self.lawful = marcher.mean
        self.equations = marcher.mean.eq
        self.drive = marcher.drive
        self.duration_s = float(marcher.drive.duration_s)
        used = int(marcher.count[kernels.N_PIECES])
        # what lies before the event only settled it
        keep = max(int(np.searchsorted(marcher.piece_t[:used], 0.0, side="right")) - 1, 0)
        part = slice(keep, used)
        self._t = marcher.piece_t[part]
        self._d = marcher.piece_d[part]
        self._pattern = marcher.piece_pattern[part]
        self._ramp = marcher.piece_ramp[part]
        self._y = marcher.piece_y[part]
        self._held = marcher.piece_held[part]
        ramps = int(marcher.count[kernels.N_RAMPS])
        self._ramp_s = marcher.ramp_s[:ramps].copy()
        self._ramp_slope = marcher.ramp_slope[:ramps].copy()
        self.steps = used - keep
        self.edges = int(marcher.count[kernels.N_EDGES])
        self._nodes: _Nodes | None = None
        self._whole_last: tuple[Rows, int, Array] | None = None
        self._moments: Moments | None = None
        # what only the march needed
        self._keep(marcher, part)
        for name in marcher.by_piece:
            setattr(marcher, name, getattr(marcher, name)[:0])

    def _keep(self, marcher: Marcher, part: slice) -> None:
        """Take what else there is of a march's pieces."""

    # -- outputs in modes ------------------------------------------------------

    def _whole(self, rows: Rows) -> Array:
        """What `_in_modes` makes of outputs; of those asked for last it is kept."""
        met, last = len(self._m.table.names), self._whole_last
        if last is None or last[0] is not rows or last[1] != met:
            last = self._whole_last = rows, met, self._in_modes(rows)
        return last[2]

    def _in_modes(self, rows: Rows) -> Array:
        """Outputs of each pattern (P, k, n + 1 + held): of modes, sources, loads and drag.

        With stores that fade their residuals and the rates of those come behind.
        """
        eq, table = self.equations, self._m.table.still()
        n, n_e, n_j, n_u = eq.n_states, len(eq.sources), len(eq.loads), eq.n_inputs
        width = n + 1 + n_u - n_e
        out = np.zeros((len(table.bits), rows.x.shape[0], width + 2 * table.n_more))
        if table.plain and not table.n_more:
            p = table.patterns
            x, u = pattern_rows(rows, table.bits, p["a"], p["b"], table.leaning)
            out[:, :, :n] = x @ p["basis"]
            out[:, :, n] = u[:, :, :n_e] @ eq.sources
            out[:, :, n + 1 : n + 1 + n_j] = u[:, :, eq.load_inputs]
            out[:, :, n + 1 + n_j :] = u[:, :, eq.rotor_inputs]
            return out
        still = np.zeros(eq.n_switches)
        for bits, at in list(table.index.items()):
            own_x, own_u = table.outputs(rows, bits, table.switches(bits), still)
            out[at, :, :n] = own_x[:, :n] @ table.patterns["basis"][at]
            out[at, :, width : width + table.n_more] = own_x[:, n:]
            out[at, :, width + table.n_more :] = own_u[:, n_u:]
            out[at, :, n] = own_u[:, eq.source_inputs] @ table.sources(bits)
            out[at, :, n + 1 : n + 1 + n_j] = own_u[:, eq.load_inputs]
            out[at, :, n + 1 + n_j : width] = own_u[:, eq.rotor_inputs]
        return out

    def _inputs(self, piece: int) -> Array:
        """Inputs of the ramp of a piece, of the table's `moving` equations."""
        sources = self._m.table.sources(self._leads_to(piece))
        return np.concatenate([sources, self._held[piece], self._more_inputs(piece)])

    def _more_states(self, piece: int | Ints) -> Array:
        """States that `moving` equations have more, where the ramp of a piece begins."""
        return np.zeros((*np.shape(piece), 0))

    def _more_inputs(self, piece: int | Ints) -> Array:
        """Inputs that `moving` equations have more, on the ramp of a piece."""
        return np.zeros((*np.shape(piece), 0))

    def _for_outputs(self, x: Array) -> Array:
        """What outputs read, w or its slope (..., n), of `moving` states or their slopes."""
        return x

    def _leads_to(self, piece: int) -> tuple[int, ...]:
        """The pattern that the ramp of a piece leads to (one of overlapping ramps: about)."""
        code = int(self._ramp[piece])
        at = self._m.table.ramp_to[code] if code >= 0 else self._pattern[piece]
        return self._m.table.names[int(at)]

    def _modal(self, piece: int, seconds: float) -> Array:
        """Modal state (n,) of a flat piece so many seconds after its start."""
        table, at = self._m.table, self._pattern[piece]
        p = table.patterns
        y: Array = self._y[piece].copy()
        held = np.append(1.0, self._held[piece])
        kernels.advance(
            table.pairs[at], p["re"][at], p["im"][at], y, held @ p["forced"][at], seconds
        )
        return y

    def _ramp_state(self, piece: int, seconds: float) -> tuple[Array, Array, Array]:
        """State, switches and their slopes `seconds` into the ramp of a piece."""
        m = self._m.table.monomials_of(self._leads_to(piece))
        code = int(self._ramp[piece])
        if code >= 0:
            table, at = self._m.table, int(self._pattern[piece])
            y = self._modal(piece, float(self._d[piece]))
            x = table.patterns["basis"][at] @ y
            leg = int(np.flatnonzero(table.bits[table.ramp_to[code]] != table.bits[at])[0])
            s0, slope = table.way(at, leg)
        else:
            x = self._y[piece]
            s0, slope = self._ramp_s[-2 - code], self._ramp_slope[-2 - code]
        x = np.concatenate([x, self._more_states(piece)])
        # (whole ramps are extrapolated from two ways of cutting them; here finer steps stand in)
        if not self._m.compiled:
            step = 0.5 * self._m.table.ramp_step()
            moved = plain.ramp_state(
                self._m.table, s0, slope, seconds, step, self._inputs(piece), x
            )
            return moved, s0 + slope * seconds, slope
        moved = kernels.ramp_vector(
            m.keys, m.k, m.b, m.mass, m.ramp, m.trivial_mass,
            s0, slope, seconds, 0.5 * self._m.table.ramp_step(), self._inputs(piece), x,
        )  # fmt: skip
        return moved, s0 + slope * seconds, slope

    def _places(self, times: Array) -> tuple[Ints, Array, NDArray[np.bool_]]:
        """The pieces of times (T,), how far into them (s), and which lie in a ramp."""
        piece = np.clip(np.searchsorted(self._t, times, side="right") - 1, 0, len(self._t) - 1)
        dt = times - self._t[piece]
        # (a piece of no length is all ramp)
        beyond = (dt > self._d[piece]) | (self._d[piece] <= 0.0)
        return piece, dt, (self._ramp[piece] <= -2) | ((self._ramp[piece] >= 0) & beyond)

    def sample(self, rows: Rows, times_s: Array) -> Array:
        times = np.asarray(times_s, dtype=float)
        piece, dt, in_ramp = self._places(times)
        out = np.zeros((rows.x.shape[0], len(times)))
        flat = np.flatnonzero(~in_ramp)
        out[:, flat] = self._read_flat(piece[flat], dt[flat], self._whole(rows)).T
        ramps = np.flatnonzero(in_ramp)
        if len(ramps):
            p = piece[ramps]
            into = dt[ramps] - np.where(self._ramp[p] >= 0, self._d[p], 0.0)
            out[:, ramps] = self._read_ramps(rows, p, into)
        return out

    def _read_ramps(self, rows: Rows, pieces: Ints, into: Array) -> Array:
        """Outputs (k, T) at `into` s into the ramps of pieces (T,)."""
        if not self._m.table.plain:
            out = np.zeros((rows.x.shape[0], len(pieces)))
            for i, p in enumerate(pieces.tolist()):
                x, s, slope = self._ramp_state(p, float(into[i]))
                of_x, of_u = self._m.table.outputs(rows, self._leads_to(p), s, slope)
                out[:, i] = of_x @ x + of_u @ self._inputs(p)
            return out
        # one system for all of them: all at once
        eq, table = self.equations, self._m.table
        code, at = self._ramp[pieces], self._pattern[pieces]
        full = code >= 0
        s0, slope = np.zeros((2, len(pieces), eq.n_switches))
        s0[~full], slope[~full] = self._ramp_s[-2 - code[~full]], self._ramp_slope[-2 - code[~full]]
        x = self._y[pieces]
        if full.any():
            before, after = table.bits[at[full]], table.bits[table.ramp_to[code[full]]]
            s0[full], slope[full] = before, (after - before) / table.rise_s
            ends = self._ends(pieces[full])
            x[full] = (table.patterns["basis"][at[full]] @ ends[:, :, None])[:, :, 0]
        u = np.hstack(
            [
                np.broadcast_to(eq.sources, (len(pieces), len(eq.sources))),
                self._held[pieces],
                self._more_inputs(pieces),
            ]
        )
        x = np.hstack([x, self._more_states(pieces)])
        # (whole ramps are extrapolated from two ways of cutting them; here finer steps stand in)
        step, shares = 0.5 * table.ramp_step(), np.ones(1)
        if self._m.compiled:
            m = table.monomials
            s, moved, dx = (np.zeros((len(pieces), 1, a.shape[1])) for a in (s0, x, x))
            kernels.ramp_states(
                m.keys, m.k, m.b, m.mass, m.ramp, m.trivial_mass, step, s0, slope,
                into, u, x, shares, s, moved, dx,
            )  # fmt: skip
        else:
            s, moved, dx = plain.ramp_states(table, s0, slope, into, u, x, shares, step)
        u = u[:, : eq.n_inputs]
        w = self._for_outputs(moved[:, 0])
        table.complete((), s[:, 0], slope, w, u)
        return _read_moving(rows, s[:, 0], slope, w, self._for_outputs(dx[:, 0]), u)

    def _ends(self, pieces: Ints) -> Array:
        """Modal states (T, n) where flat pieces end."""
        return np.array([self._modal(p, float(self._d[p])) for p in pieces.tolist()])

    def _read_flat(self, which: Ints, dt: Array, whole: Array) -> Array:
        """Outputs (T, k) at `dt` into flat pieces."""
        table = self._m.table
        if not self._m.compiled:
            return plain.read_flat(
                table, self._pattern[which], which, dt, self._y, self._held, whole
            )
        values = np.zeros((len(which), whole.shape[1]))
        kernels.read_flat(
            self._pattern[which], which, dt, self._y, self._held, table.pairs,
            table.patterns["rates"], table.patterns["forced"], whole, values,
        )  # fmt: skip
        return values

    def states(self, times_s: Array) -> Array:
        """States at times (T,), (T, n); of stores that fade voltages and currents."""
        return self.sample(_identity(self.equations), times_s).T

    # -- extremes --------------------------------------------------------------

    def _node_maps(self) -> _Nodes:
        if self._nodes is None:
            self._nodes = _Nodes(self._m)
        return self._nodes

    def _scan(
        self,
        rows: Rows,
        t0: float,
        t1: float,
        bins: int,
        slack: float = 0.0,
        across: int = 0,
        across_slack: float = 0.0,
    ) -> tuple[Array, ...]:
        """Lowest, highest, and their times, (rows, bins) each, within `slack`.

        across : so many rows, the last, are of the whole window, within `across_slack`; theirs are
            in the first bin
        """
        # (whole numbers would have the kernels compiled anew for them)
        t0, t1 = float(t0), _reached(float(t0), float(t1), bins)
        slack, across_slack = float(slack), float(across_slack)
        table = self._m.table.still()
        k = rows.x.shape[0]
        whole = self._whole(rows)
        low, high = np.full((k, bins), np.inf), np.full((k, bins), -np.inf)
        low_at, high_at = np.zeros((k, bins)), np.zeros((k, bins))
        found = (low, high, low_at, high_at)
        best = plain.Extremes(found, t0, t1, across, across_slack)
        self._scan_flat(table, best, slack, whole)
        self._see_ends(rows, best)
        if not self._ramps_matter():
            return _of_the_whole(found, across)
        nodes = self._node_maps()
        of_nodes = nodes.at, *nodes.outputs(self, rows), nodes.rise
        self._scan_ramps(table, best, of_nodes)
        when, values = self._overlapping(rows)
        inside = np.flatnonzero((when >= t0) & (when <= t1))
        edges = np.linspace(t0, t1, bins + 1)
        bin_of = np.clip(np.searchsorted(edges, when, side="right") - 1, 0, bins - 1)
        for i in inside:
            b, v = bin_of[i], values[:, i]
            higher, lower = v > high[:, b], v < low[:, b]
            high[higher, b], high_at[higher, b] = v[higher], when[i]
            low[lower, b], low_at[lower, b] = v[lower], when[i]
        return _of_the_whole(found, across)

    def _see_ends(self, rows: Rows, best: plain.Extremes) -> None:
        """Let ends of bins that lie within ramps count in the bins to either side.

        What a ramp's ends and nodes tell belongs to the bins these are in: a bin that ends
        within the ramp sees as much of it as there is until then. So does a window that begins in
        one, of which no node counts (`kernels.scan_ramps` asks where a ramp begins).
        """
        ends = np.linspace(best.t0, best.t1, best.bins + 1)
        pieces, _, inside = self._places(ends)
        at = np.flatnonzero(inside)
        if not len(at):
            return
        values = self.sample(rows, ends[at])
        for shift in (-1, 0):
            mine = (at + shift >= 0) & (at + shift < best.bins)
            for row, of_row in enumerate(values[:, mine]):
                best.see(row, at[mine] + shift, of_row, ends[at[mine]])
        first = int(pieces[0])
        if not inside[0] or self._ramp[first] < 0 or not self._ramps_matter():
            return
        nodes = self._node_maps()
        begin = float(self._t[first] + self._d[first])
        when = begin + nodes.at * float(nodes.rise[self._ramp[first]])
        when = when[(when > best.t0) & (when < best.t1)]
        width = (best.t1 - best.t0) / best.bins
        bin_of = np.clip(((when - best.t0) / width).astype(np.int64), 0, best.bins - 1)
        for row, of_row in enumerate(self.sample(rows, when)):
            best.see(row, bin_of, of_row, when)

    def _pieces(self) -> tuple[Any, ...]:
        return self._t, self._d, self._pattern, self._ramp, self._y, self._held

    def _scan_flat(
        self, table: PatternTable, best: plain.Extremes, slack: float, whole: Array
    ) -> None:
        """Let all flat pieces count, of which `whole` are the outputs in modes."""
        if not self._m.compiled:
            k = len(best.low) - best.across
            for part, within, of in zip(
                best.alone(),
                (slack, best.across_slack),
                (whole[:, :k], whole[:, k:]),
                strict=True,
            ):
                if of.shape[1]:
                    # what is far below the slack need not be resolved
                    near = max(1e-5, 0.05 * within)
                    plain.scan(table, part, near, within, self._pieces(), of)
            return
        p = table.patterns
        scan_kernels.scan(
            best.t0, best.t1, best.bins, slack, best.across, best.across_slack, *self._pieces(),
            table.pairs, p["rates"], p["forced"], whole, *best.found, stop_flag(),
        )  # fmt: skip
        heed()

    def _scan_ramps(
        self, table: PatternTable, best: plain.Extremes, of_nodes: tuple[Array, ...]
    ) -> None:
        """Let points inside full ramps count."""
        if not self._m.compiled:
            plain.scan_ramps(table, best, self._pieces(), of_nodes)
            return
        p = table.patterns
        scan_kernels.scan_ramps(
            best.t0, best.t1, best.bins, *self._pieces(), table.pairs, p["re"], p["im"],
            p["force"], p["force_load"], p["force_drag"], *of_nodes, *best.found,
        )  # fmt: skip

    def _overlapping(self, rows: Rows) -> tuple[Array, Array]:
        """Times (T,) in ramps that overlap, and outputs there (k, T)."""
        points = self._overlap_points
        own = points.s, points.slope, points.x, points.dx, points.u
        return points.when, _read_moving(rows, *own)

    @cached_property
    def _overlap_points(self) -> _OverlapPoints:
        return _OverlapPoints(self, self._m)

    def _ramps_matter(self) -> bool:
        """An output can peak inside a ramp: a bridge in a cut-set, or modes as fast as it.

        A mode that turns by less than a fifth of a radian in a ramp bends an output by under
        0.2^2 / 8 of its swing, half a percent, between the ramp's ends.
        """
        return self._m.table.jumps or self._m.table.turn > 0.2

    def envelope(
        self, rows: Rows, t0: float, t1: float, bins: int, slack: float = 0.0
    ) -> tuple[Array, Array]:
        return self.envelope_beside(rows, None, t0, t1, bins, slack)[:2]

    def envelope_beside(
        self,
        rows: Rows,
        others: Rows | None,
        t0: float,
        t1: float,
        bins: int,
        slack: float = 0.0,
        others_slack: float = 0.0,
    ) -> tuple[Array, Array, Array, Array]:
        """`envelope` of some outputs and `extremes` of others, in one walk along the run."""
        count = 0 if others is None else others.x.shape[0]
        every = rows if others is None else stack_rows([rows, others])
        low, high, _, _ = self._scan(every, t0, t1, bins, slack, count, others_slack)
        k = rows.x.shape[0]
        lowest, highest = low[k:, 0], high[k:, 0]
        low, high = low[:k], high[:k]
        # a bin that lies within one ramp, or between two representable times, saw nothing
        missing = ~np.isfinite(high[0]) | ~np.isfinite(low[0]) if len(high) else np.zeros(0, bool)
        if missing.any():
            edges = np.linspace(t0, t1, bins + 1)
            both = np.concatenate([edges[:-1][missing], edges[1:][missing]])
            at = self.sample(rows, both).reshape(rows.x.shape[0], 2, -1)
            low[:, missing], high[:, missing] = at.min(axis=1), at.max(axis=1)
        return low, high, lowest, highest

    # -- integrals -------------------------------------------------------------

    def ready_integrals(self, t0: float, t1: float, cancelled: Callable[[], bool]) -> None:
        """Make, step by step, all that integrals over a window share.

        Raises
        ------
        Cancelled   if `cancelled`, asked between the steps, says so
        """
        table = self._m.table

        def ask() -> None:
            if cancelled():
                raise Cancelled("figures", "stopped for a newer request")

        for key in list(table.ramp_index):
            ask()
            table.node_maps(*key)
        self._node_maps()
        ask()
        _ = self._overlap_points
        ask()
        self._sums(t0, t1)
        ask()

    def _sums(self, t0: float, t1: float) -> Moments:
        if self._moments is None or self._moments.window != (t0, t1):
            self._moments = Moments(self, self._m, t0, t1)
        return self._moments

    def _integrals(self, rows: Rows, t0: float, t1: float) -> tuple[Array, Array, Array]:
        """Integrals of outputs (k,), of their squares (k,), and times held inputs (k, held)."""
        moments = self._sums(t0, t1)
        whole = self._in_modes(rows)
        nodes = self._node_maps()
        inside = np.concatenate(
            [a if a.ndim == 4 else a[..., None] for a in nodes.outputs(self, rows)], axis=3
        )
        first, second, with_held = moments.of(whole, inside, nodes)
        # ramps that overlap, and a full ramp that the window cuts
        points = self._overlap_points
        _, values = self._overlapping(rows)
        mine = (points.begin >= t0) & (points.end <= t1)
        dt = points.weight[mine]
        first += values[:, mine] @ dt
        second += values[:, mine] ** 2 @ dt
        with_held += (values[:, mine] * dt) @ points.held[mine]
        for piece in self._cut_ramps(t0, t1):
            code = int(self._ramp[piece])
            begin = float(self._t[piece]) + (float(self._d[piece]) if code >= 0 else 0.0)
            length = float(nodes.rise[code]) if code >= 0 else float(self._d[piece])
            end = begin + length
            # (a full ramp that begins in the window was counted whole: what is beyond it goes)
            beyond = code >= 0 and begin >= t0
            a, b = (t1, end) if beyond else (max(begin, t0), min(end, t1))
            for at, weight in zip(nodes.at, nodes.weight, strict=True):
                x, s, slope = self._ramp_state(int(piece), a - begin + at * (b - a))
                of_x, of_u = self._m.table.outputs(rows, self._leads_to(int(piece)), s, slope)
                v = of_x @ x + of_u @ self._inputs(int(piece))
                step = weight * (a - b if beyond else b - a)
                first += step * v
                second += step * v * v
                with_held += step * v[:, None] * self._held[piece]
        return first, second, with_held

    def _cut_ramps(self, t0: float, t1: float) -> Ints:
        """Pieces whose ramp the window's ends cut: `Moments` and `_OverlapPoints` leave them."""
        full = self._ramp >= 0
        rise = self._node_maps().rise
        begin = self._t + np.where(full, self._d, 0.0)
        length = np.where(full, rise[np.maximum(self._ramp, 0)] if len(rise) else 0.0, self._d)
        end = begin + length
        touches = (self._ramp != -1) & (end > t0) & (begin < t1)
        whole = np.where(full, (begin >= t0) & (begin < t1), (begin >= t0) & (end <= t1))
        # a full ramp counts as whole by its start alone; take back what lies beyond the window
        over = full & whole & (end > t1)
        return np.asarray(np.flatnonzero((touches & ~whole) | over), dtype=np.int64)

    def figures(self, rows: Rows, t0: float, t1: float) -> RowFigures:
        low, high, low_at, high_at = self._scan(rows, t0, t1, 1)
        mean, square = self.means(rows, t0, t1)
        return RowFigures(
            highest=high[:, 0],
            lowest=low[:, 0],
            highest_at=high_at[:, 0],
            lowest_at=low_at[:, 0],
            mean=mean,
            mean_square=square,
        )

    def means(self, rows: Rows, t0: float, t1: float) -> tuple[Array, Array]:
        first, second, _ = self._integrals(rows, t0, t1)
        return first / (t1 - t0), second / (t1 - t0)

    def extremes(self, rows: Rows, t0: float, t1: float, slack: float = 0.0) -> tuple[Array, Array]:
        low, high, _, _ = self._scan(rows, t0, t1, 1, slack)
        return low[:, 0], high[:, 0]

    def energy(self, t0: float, t1: float) -> EnergyBalance:
        eq = self.equations
        n_r, n_j = len(eq.resistors), len(eq.loads)
        speed = _speed_rows(eq)
        rows = stack_rows([eq.resistor_amps, eq.source_amps, eq.load_volts, speed, eq.rotor_amps])
        first, second, with_held = self._integrals(rows, t0, t1)
        by_owner: dict[str, float] = {}

        def add(owner: str, joule: float) -> None:
            by_owner[owner] = by_owner.get(owner, 0.0) + float(joule)

        for (owner, _name, ohm), square in zip(eq.resistors, second[:n_r], strict=True):
            add(owner, ohm * square)
        n_e = len(eq.sources)
        from_sources = float(eq.sources @ first[n_r : n_r + n_e])
        at_loads = n_r + n_e
        if n_j:
            joules = self._load_energy(t0, t1, with_held[at_loads:], second[at_loads:])
            for j, joule in enumerate(joules):
                add(eq.loads[j].owner, joule)
        if eq.network.controls:
            followers, both = eq.followers
            for owner, joule in zip(followers, self._products(both, t0, t1), strict=True):
                add(owner, -joule)
        for i, rotor in enumerate(eq.network.rotors):
            add(rotor.owner, with_held[at_loads + n_j + i, n_j + i])
        # what commutation took of a rotor's current; its torque stands in what that held
        at_amps, n_w = at_loads + n_j + len(eq.speed_scale), len(eq.speed_scale)
        for i in range(eq.emf_inputs.stop - eq.emf_inputs.start):
            add(eq.network.rotors[i].owner, with_held[at_amps + i, n_j + n_w + i])
        ends = np.array([t0, t1])
        x = self.states(ends)
        bits = [self._switches(t) for t in ends]
        stored = [
            0.5 * float(xi @ eq.store.at(s) @ xi) + self._stored_beyond(xi)
            for xi, s in zip(x, bits, strict=True)
        ]
        return EnergyBalance(
            from_sources=from_sources,
            dissipated=sum(by_owner.values()),
            stored_change=stored[1] - stored[0],
            by_owner=by_owner,
        )

    def _stored_beyond(self, w: Array) -> float:
        """Energy more than linear stores hold at voltages and currents w (n,), in J."""
        del w
        return 0.0

    def _load_energy(self, t0: float, t1: float, volts_held: Array, square: Array) -> Array:
        """Integral of v i of each load (n_loads,).

        A load that follows at once draws its held current and what leans on its voltage, whose
        `square` is given as an integral. One with finite bandwidth draws
        a current that is a state: v i is half the difference of two squares.
        """
        eq = self.equations
        direct = volts_held[:, : len(eq.loads)].diagonal().copy()
        direct += self._m.table.lean * square[: len(eq.loads)]
        if not len(eq.lagged):
            return direct
        pick = np.zeros((len(eq.lagged), len(eq.loads)))
        pick[np.arange(len(eq.lagged)), eq.lagged] = 1.0
        volts, amps = eq.load_volts.combined(pick), eq.load_amps.combined(pick)
        direct[eq.lagged] = self._products(stack_rows([volts, amps]), t0, t1)
        return direct

    def _products(self, both: Rows, t0: float, t1: float) -> Array:
        """Integrals of the products (k,) of outputs i and k + i of `both` (2 k outputs)."""
        k = both.x.shape[0] // 2
        first, second = np.hstack([np.eye(k), np.zeros((k, k))]), np.eye(2 * k)[k:]
        total, less = both.combined(first + second), both.combined(first - second)
        _, square, _ = self._integrals(stack_rows([total, less]), t0, t1)
        return 0.25 * (square[:k] - square[k:])

    def _switches(self, t: float) -> Array:
        piece = int(np.clip(np.searchsorted(self._t, t, side="right") - 1, 0, len(self._t) - 1))
        into = t - float(self._t[piece])
        code = int(self._ramp[piece])
        if code >= 0 and into > self._d[piece]:
            return self._ramp_state(piece, into - float(self._d[piece]))[1]
        if code <= -2:
            return np.asarray(
                self._ramp_s[-2 - code] + into * self._ramp_slope[-2 - code], dtype=float
            )
        return np.asarray(self._m.table.bits[self._pattern[piece]], dtype=float)

    # -- what is no linear output ----------------------------------------------

    def angles(self, t: float) -> Array:
        """Electrical angles (n_rotors,) in rad of motors whose EMF ripples; none else."""
        c = self._m.commutation
        if not len(c.angle):
            return np.zeros(0)
        # (from where the march last looked: on, or back by what they have turned since)
        last = float(c.since[0])
        rows, now = _speed_rows(self.equations), min(max(t, float(self._t[0])), self.duration_s)
        if now >= last:
            turned = 0.5 * (c.speed + self.speeds(np.array([now]))[:, 0]) * (now - last)
        else:
            turned = -self._integrals(rows, now, last)[0]
        return np.asarray(c.angle + c.pole_pairs * turned)

    def end_flat(self) -> Array:
        """End the run within its last flat stretch, where no bridge moves; the state (n,) there."""
        last = int(np.flatnonzero((self._ramp > -2) & (self._d > 0.0))[-1])
        flat_end = float(self._t[last] + self._d[last])
        if flat_end < self.duration_s - 1e-15 or int(self._ramp[last]) >= 0:
            flat_end = float(self._t[last]) + 0.999 * float(self._d[last])
        self.duration_s = min(flat_end, self.duration_s)
        return np.asarray(self.states(np.array([self.duration_s]))[0])

    def duties(self, times_s: Array) -> Array:
        c = self._m.carriers
        at = np.floor(np.outer(c.frequency_hz, times_s) + c.phase[:, None]).astype(np.int64)
        at = np.clip(at - c.first[:, None], 0, self._m.used.shape[1] - 1)
        return np.take_along_axis(self._m.used, at, axis=1)

    def growth(self) -> Growth | None:
        # (its states are voltages and currents, also where stores fade)
        return growth_along(self, self.lawful, max(float(self._t[0]), 0.0), charges=False)

    def heat_steps(self, owner: str, t0: float, t1: float) -> tuple[Array, Array]:
        del owner
        return np.array([t0, t1]), np.zeros(1)

    def speeds(self, times_s: Array) -> Array:
        return self.equations.speeds(self.states(np.asarray(times_s, dtype=float))).T

    def edge_times(self, t0: float, t1: float) -> Array:
        """Instants in a window at which an edge begins."""
        # (a full ramp begins where its piece ends, any other where it does: in order as they are)
        times = np.where(self._ramp >= 0, self._t + self._d, self._t)
        return np.asarray(times[(self._ramp != -1) & (times >= t0) & (times <= t1)])


class _Nodes:
    """Gauss points inside every full ramp met, and the maps that lead there."""

    def __init__(self, marcher: Marcher) -> None:
        table = marcher.table
        with table.lock:
            self.at, self.weight = table.node_points()
            ramps = [(*key, ramp, table.node_maps(*key)) for key, ramp in table.ramp_index.items()]
        self._ramps = ramps
        self.rise = np.zeros(len(table.ramp_to))
        for _at, leg, ramp, _maps in ramps:
            self.rise[ramp] = table.rise_s[leg]
        self._table = table

    def outputs(self, run: EdgeRun, rows: Rows) -> tuple[Array, Array, Array, Array]:
        """Outputs at the nodes: of the modes at the ramp's start, sources, loads, drag.

        Behind drag what `moving` equations have more: states at the start, inputs.
        """
        eq = run.equations
        k = rows.x.shape[0]
        count = len(self.rise), len(self.at)
        of_y, of_0 = np.zeros((*count, k, eq.n_states)), np.zeros((*count, k))
        of_load = np.zeros((*count, k, len(eq.loads)))
        n, more = eq.n_states, self._table.n_more
        n_t = eq.n_held - len(eq.loads)
        of_drag = np.zeros((*count, k, n_t + 2 * more))
        for at, leg, ramp, maps in self._ramps:
            s0, slope = self._table.way(at, leg)
            to = self._table.after_ramp(at, leg)
            for node, (to_x, to_u) in enumerate(maps):
                s = s0 + slope * (self.at[node] * self.rise[ramp])
                x, u = self._table.outputs(rows, to, s, slope)
                u = u + x @ to_u
                from_start = x @ to_x
                of_y[ramp, node] = from_start[:, :n]
                of_0[ramp, node] = u[:, eq.source_inputs] @ self._table.sources(to)
                of_load[ramp, node] = u[:, eq.load_inputs]
                of_drag[ramp, node, :, :n_t] = u[:, eq.rotor_inputs]
                of_drag[ramp, node, :, n_t : n_t + more] = from_start[:, n:]
                of_drag[ramp, node, :, n_t + more :] = u[:, eq.n_inputs :]
        return of_y, of_0, of_load, of_drag


def _of_the_whole(found: tuple[Array, ...], across: int) -> tuple[Array, ...]:
    """`found`, with the best of all bins in the first of its last rows."""
    low, high, low_at, high_at = found
    for row in range(len(low) - across, len(low)):
        for best, when, at in (
            (low, low_at, int(np.argmin(low[row]))),
            (high, high_at, int(np.argmax(high[row]))),
        ):
            best[row, 0], when[row, 0] = best[row, at], when[row, at]
    return found


class Moments:
    """Sums over a window that give integrals of any output and its square.

    The closed form divides by a mode's decay; modes without are `sim.undamped`'s.
    """

    def __init__(self, run: EdgeRun, marcher: Marcher, t0: float, t1: float) -> None:
        self.window = (t0, t1)
        table = marcher.table.still()
        p = table.patterns
        count, n = p["re"].shape
        # the held inputs with a one in front, for the constant sources
        force = np.concatenate([p["force"][:, :, None], p["force_load"], p["force_drag"]], axis=2)
        n_h = force.shape[2]
        re, im = p["re"].copy(), p["im"]
        # A mode that never decays rests nowhere, and its square keeps its size: a stand-in for it
        # here, and its own integrals below
        undamped = np.abs(re) < SLOWEST_PER_S
        undamped[len(table.index) :] = False
        re[undamped] = -SLOWEST_PER_S
        rates = np.zeros((count, 4, n))
        for i in range(len(table.index)):
            rates[i] = mode_rates(int(table.pairs[i]), re[i], im[i])
        forced = np.ascontiguousarray(np.transpose(force, (0, 2, 1)))
        self.first, self.second = np.zeros((count, n + n_h)), np.zeros((count, n + n_h, n + n_h))
        ramps = np.zeros((len(table.ramp_to), n + n_h, n + n_h))
        stop = run._t + run._d
        inside = (run._t < t1) & (stop >= t0) & (run._ramp >= -1)
        for at in range(len(table.index)):
            pieces = np.flatnonzero(inside & (run._pattern == at))
            change, middle = np.empty((len(pieces), n)), np.empty((len(pieces), n))
            last, spans = np.empty((len(pieces), n + n_h)), np.empty(len(pieces))
            if marcher.compiled:
                kernels.swing_rows(
                    t0, t1, at, pieces, run._t, run._d, run._y, run._held,
                    table.pairs, rates, forced, change, middle, last, spans,
                )  # fmt: skip
            else:
                change, middle, last, spans = plain.swing_rows(
                    plain.Slots(n, int(table.pairs[at]), rates[at]), t0, t1, run._t[pieces],
                    run._d[pieces], run._y[pieces], run._held[pieces], forced[at],
                )  # fmt: skip
            held = last[:, n:]
            # the change of a product of swings, without the difference of two large sums
            swings = change.T @ middle
            self.first[at], self.second[at] = from_swings(
                int(table.pairs[at]), re[at], im[at], force[at], (held * spans[:, None]).T @ held,
                change.T @ held, swings + swings.T,
            )  # fmt: skip
            ramp_of, ends = run._ramp[pieces], stop[pieces]
            for ramp in np.unique(ramp_of[ramp_of >= 0]):
                rows = last[(ramp_of == ramp) & (ends >= t0) & (ends < t1)]
                ramps[ramp] = rows.T @ rows
        self.ramps = ramps
        self._n, self._held = n, n_h - 1
        if undamped.any():
            own = np.zeros_like(self.second)
            add_undamped(
                t0, t1, run._t, run._d, run._pattern, run._ramp, run._y, run._held,
                table.pairs, p["re"], im, force, undamped, own,
            )  # fmt: skip
            marked = np.zeros((count, n + n_h), dtype=bool)
            marked[:, :n] = undamped
            mine = marked[:, :, None] | marked[:, None, :]
            self.second[mine] = own[mine]
            self.first = self.second[:, :, n].copy()

    def of(self, whole: Array, inside: Array, nodes: _Nodes) -> tuple[Array, Array, Array]:
        """Integrals of outputs, their squares, and times held inputs.

        Parameters
        ----------
        whole : (patterns, k, n + 1 + held) outputs of the modal state, sources and held inputs
        inside : (ramps, nodes, k, n + 1 + held) the same at the nodes of full ramps
        """
        n = self._n
        first = np.einsum("pkz,pz->k", whole, self.first)
        across = np.matmul(whole, self.second)
        second = np.einsum("pkz,pkz->k", across, whole)
        held = slice(n + 1, n + 1 + self._held)
        with_held = across[:, :, held].sum(axis=0)
        weight = nodes.weight[None, :] * nodes.rise[:, None]
        moved = np.matmul(inside, self.ramps[:, None])
        first = first + np.einsum("rq,rqk->k", weight, moved[..., n])
        second = second + np.einsum("rq,rqkz,rqkz->k", weight, moved, inside)
        with_held = with_held + np.einsum("rq,rqkz->kz", weight, moved[..., held])
        return first, second, with_held


def from_swings(
    pairs: int, re: Array, im: Array, force: Array, held: Array, swing_held: Array, swings: Array
) -> tuple[Array, Array]:
    """Integrals of z (n + 1 + held,) and of z z^T from the sums of one pattern."""
    n, n_h = len(re), len(held)
    # real places to complex modes: y = Re(up a), Im likewise
    count = n - pairs
    first_at = np.concatenate([2 * np.arange(pairs), np.arange(2 * pairs, n)])
    rate = re[first_at] + 1j * np.where(np.arange(count) < pairs, im[first_at], 0.0)
    to_complex = np.zeros((count, n), dtype=complex)
    to_complex[np.arange(count), first_at] = 1.0
    to_complex[np.arange(pairs), 2 * np.arange(pairs) + 1] = 1j
    real_part = np.zeros((n, count), dtype=complex)
    real_part[first_at, np.arange(count)] = 1.0
    real_part[2 * np.arange(pairs) + 1, np.arange(pairs)] = -1j  # Re(-i a) = Im a
    plain = (to_complex @ swings @ to_complex.T) / (rate[:, None] + rate[None, :])
    conj = (to_complex @ swings @ to_complex.conj().T) / (rate[:, None] + rate.conj()[None, :])
    # Re(c a) Re(d b) = Re(c d a b + c d* a b*) / 2
    ss = 0.5 * np.real(real_part @ plain @ real_part.T + real_part @ conj @ real_part.conj().T)
    rest = np.real(real_part @ (-(to_complex @ force) / rate[:, None]))
    swing_h = np.real(real_part @ ((to_complex @ swing_held) / rate[:, None]))
    yh = swing_h + rest @ held
    yy = ss + swing_h @ rest.T + rest @ swing_h.T + rest @ held @ rest.T
    second = np.zeros((n + n_h, n + n_h))
    second[:n, :n], second[:n, n:], second[n:, :n], second[n:, n:] = yy, yh, yh.T, held
    return second[:, n].copy(), second


class _OverlapPoints:
    """States at points inside all ramps that overlap or are cut short."""

    def __init__(self, run: EdgeRun, marcher: Marcher) -> None:
        eq, table = run.equations, marcher.table
        pieces = np.flatnonzero(run._ramp <= -2)
        code = -2 - run._ramp[pieces]
        s0, slope = run._ramp_s[code], run._ramp_slope[code]
        seconds = run._d[pieces]
        step = marcher.table.ramp_step()
        turn = marcher.table.fastest_per_s * float(np.max(seconds, initial=0.0))
        panels = min(max(1, math.ceil(2.0 * turn)), 64)
        points, weights = np.polynomial.legendre.leggauss(5)
        inner = np.concatenate([(i + 0.5 + 0.5 * points) / panels for i in range(panels)])
        shares = np.concatenate([[0.0], inner, [1.0]])
        weights = np.concatenate([[0.0], np.tile(0.5 * weights / panels, panels), [0.0]])
        held = run._held[pieces]
        names = [table.names[at] for at in run._pattern[pieces]]
        sources = [table.sources(bits) for bits in names]
        u = np.hstack(
            [
                np.reshape(sources, (len(pieces), len(eq.sources))),
                held,
                run._more_inputs(pieces),
            ]
        )
        begin_x = np.hstack([run._y[pieces], run._more_states(pieces)])
        shape = (len(pieces), len(shares))
        s, x = np.zeros((*shape, eq.n_switches)), np.zeros((*shape, table.moving.n_states))
        dx = np.zeros_like(x)
        systems = [table.monomials_of(bits) for bits in names]
        for m in {id(own): own for own in systems}.values():
            mine = np.flatnonzero([own is m for own in systems])
            if not marcher.compiled:
                s[mine], x[mine], dx[mine] = plain.ramp_states(
                    table, s0[mine], slope[mine], seconds[mine], u[mine], begin_x[mine], shares,
                    step,
                )  # fmt: skip
                continue
            s_out, x_out, dx_out = s[mine], x[mine], dx[mine]
            kernels.ramp_states(
                m.keys, m.k, m.b, m.mass, m.ramp, m.trivial_mass, step, s0[mine], slope[mine],
                seconds[mine], u[mine], begin_x[mine], shares, s_out, x_out, dx_out,
            )  # fmt: skip
            s[mine], x[mine], dx[mine] = s_out, x_out, dx_out
        flat = shape[0] * shape[1]
        self.when = (run._t[pieces, None] + shares * seconds[:, None]).ravel()
        self.weight = (weights * seconds[:, None]).ravel()
        self.begin = np.repeat(run._t[pieces], len(shares))
        self.end = np.repeat(run._t[pieces] + seconds, len(shares))
        self.s = s.reshape(flat, s.shape[-1])
        self.x, self.dx = (
            np.ascontiguousarray(run._for_outputs(a.reshape(flat, a.shape[-1]))) for a in (x, dx)
        )
        self.slope = np.repeat(slope, len(shares), axis=0)
        self.u = np.repeat(u[:, : eq.n_inputs], len(shares), axis=0)
        for i, bits in enumerate(names):
            its = slice(i * len(shares), (i + 1) * len(shares))
            table.complete(bits, self.s[its], slope[i], self.x[its], self.u[its])
        self.held = np.repeat(held, len(shares), axis=0)


def _read_moving(rows: Rows, s: Array, slope: Array, x: Array, dx: Array, u: Array) -> Array:
    """Outputs (k, T) while bridges move, of switches, their slopes, states, slopes and inputs."""
    weight_of = _true_products(rows, s)
    out = np.zeros((rows.x.shape[0], len(s)))
    for poly, vector in ((rows.x, x), (rows.d, dx), (rows.u, u)):
        for key, matrix in poly.terms.items():
            out += weight_of[key] * (matrix @ vector.T)
    for k, ramp in enumerate(rows.ramp):
        for key, matrix in ramp.terms.items():
            weight = slope[:, k] * np.prod(s[:, list(key)], axis=1)
            out += weight * (matrix @ x.T)
    return out


def _true_products(rows: Rows, s: Array) -> dict[tuple[int, ...], Array]:
    """The products of switch values (T, n_switches) that outputs need, (T,) each."""
    keys = {key for poly in (rows.x, rows.d, rows.u) for key in poly.terms}
    return {key: np.prod(s[:, list(key)], axis=1) for key in keys}


def _reached(t0: float, t1: float, bins: int) -> float:
    """The end of a window as its equal bins reach it: some units in the last place less.

    Where the last bin ended before the window by rounding, the walk from bin to bin would not
    come to its end.
    """
    for _ in range(64):
        if t0 + bins * ((t1 - t0) / bins) >= t1:
            break
        t1 = math.nextafter(t1, t0)
    return t1


def _identity(eq: StateEquations) -> Rows:
    n = eq.n_states
    zero = SwitchPoly.zero(n, n)
    return Rows(SwitchPoly.constant(np.eye(n)), zero, SwitchPoly.zero(n, eq.n_inputs))


def _speed_rows(eq: StateEquations) -> Rows:
    count = len(eq.speed_scale)
    x = np.zeros((count, eq.n_states))
    x[:, eq.speed_states] = np.diag(eq.speed_scale)
    return Rows(
        SwitchPoly.constant(x),
        SwitchPoly.zero(count, eq.n_states),
        SwitchPoly.zero(count, eq.n_inputs),
    )


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
) -> EdgeRun:
    """Solve an event with every edge from the averaged equilibrium x0 (n_states,).

    Parameters
    ----------
    seed : ESC timing
    table : patterns already met by other runs of the same equations
    before : a run whose end x0 is, in the same ESC timing: this one goes on from there
    cancelled : asked 10 to 40 times a run
    progress : told the event time reached, in s

    Raises
    ------
    Cancelled   if `cancelled` says so
    Conflict   if an edge of an ESC takes longer than its carrier period
    SolveError   if voltages grow without bound
    """
    start, carriers = begin(mean, drive, x0, seed, before)
    if table is None:
        volts = mean.load_volts(drive.start_duty, x0)
        table = PatternTable(mean.eq, load_slopes(mean.laws, volts))
    marcher = Marcher(mean, drive, carriers, x0, start, table)
    marcher.run(cancelled, progress)
    return EdgeRun(marcher)


def begin(
    mean: MeanEquations, drive: Drive, x0: Array, seed: int, before: EdgeRun | None
) -> tuple[float, Carriers]:
    """When a run starts (s; before 0 to settle), and its carriers; see `run`."""
    for chopper in mean.eq.network.choppers:
        if chopper.rise_s * chopper.frequency_hz >= 1.0:
            raise Conflict(
                chopper.owner,
                "one edge takes longer than a carrier period",
                "Shorten the rise time or lower the PWM frequency",
            )
    start = -settle_time(mean, drive.start_duty, x0) if before is None else before.duration_s
    carriers = latch(mean.eq.network, drive, seed, start)
    if before is not None:
        # the periods that run on keep the duty they latched
        carriers.command[:, 0] = before.duties(np.array([start]))[:, 0]
        turned = before.angles(start)
        carriers.angle[: len(turned)] = turned
    return start, carriers

"""Runs with every edge in which charge and flux of fading stores are followed.

The march and its readers are `sim.switching`'s, but a flat stretch is a row of steps: see
`sim.followed_patterns` for the method and `sim.followed_kernels` for the loops. Only the state
where a stretch begins is kept, and of each step the residuals at its Gauss points.
"""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from sim import followed_kernels as steps
from sim import kernels, scan_kernels
from sim.errors import Unsettled
from sim.extreme_kernels import search
from sim.followed_patterns import LENGTHS, FollowedTable
from sim.kernels import mode_rates
from sim.patterns import at_patterns
from sim.switching import EdgeRun, Marcher, Moments, begin, from_swings
from sim.threads import heed, stop_flag
from sim.undamped import SLOWEST_PER_S, add_undamped

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from sim import plain
    from sim.carriers import Carriers
    from sim.event import Drive
    from sim.mean_equations import MeanEquations
    from sim.patterns import PatternTable
    from sim.state_equations import Rows

    Array = NDArray[np.float64]
    Ints = NDArray[np.int64]

#: Steps whose integrals are summed at once.
_BLOCK = 2048


class FollowedMarcher(Marcher):
    """The state of a march in which stores are followed; x0 are charges and fluxes."""

    read = "read_r"
    by_piece = (*Marcher.by_piece, "piece_begin", "piece_r")

    def __init__(
        self,
        mean: MeanEquations,
        drive: Drive,
        carriers: Carriers,
        x0: Array,
        start_s: float,
        table: FollowedTable,
    ) -> None:
        super().__init__(mean, drive, carriers, x0, start_s, table)
        self.compiled = True
        self.followed = table
        n_r, guess = len(table.stores.rest), len(self.piece_t)
        self.piece_begin = np.zeros(guess, dtype=np.int64)
        self.piece_r = np.zeros((guess, 2 * n_r))
        self.step_length = np.zeros(4 * guess, dtype=np.int8)
        self.step_r = np.zeros((4 * guess, 3 * n_r))
        self.count[steps.LENGTH] = len(LENGTHS) - 1
        self.r_now = np.zeros(n_r)
        kernels.settled(table.stores, x0, np.zeros(n_r), np.zeros(n_r), self.r_now)

    def _march(self) -> int:
        t = self.followed.still()
        p, level = t.patterns, t.level
        of_steps = steps.Levels(
            LENGTHS, t.level_index, t.longest[:, 0], t.longest[:, 1], level["base"],
            level["own"], level["step"], level["factors"], p["control"], p["inject"], t.tolerance,
        )  # fmt: skip
        return int(
            steps.march(
                *self._arguments(t), t.stores, of_steps, self.piece_begin, self.piece_r,
                self.step_length, self.step_r, self.r_now,
            )
        )  # fmt: skip

    def _supply(self, code: int) -> None:
        if code == steps.UNSETTLED:
            raise Unsettled(
                "run", "a store moves too far to be followed", "Take it as at the start"
            )
        if code != steps.NEED_LEVEL:
            super()._supply(code)
            return
        at, length = (int(self.count[i]) for i in (kernels.WANT_PATTERN, kernels.WANT_LEG))
        with self.followed.lock:
            self.followed.make_level(at, length)

    def _grow(self) -> None:
        super()._grow()
        if self.count[steps.N_STEPS] + 1024 < len(self.step_r):
            return
        for name in ("step_length", "step_r"):
            old = getattr(self, name)
            setattr(self, name, np.concatenate([old, np.zeros_like(old)]))


class FollowedRun(EdgeRun):
    """A solved run whose stores were followed (see `Trajectory`)."""

    _m: FollowedMarcher

    def _keep(self, marcher: Marcher, part: slice) -> None:
        assert isinstance(marcher, FollowedMarcher)
        used = int(marcher.count[steps.N_STEPS])
        begins = np.append(marcher.piece_begin[part], used)
        first = int(begins[0])
        self._begin = begins - first
        self._length = marcher.step_length[first:used].copy()
        self._r = marcher.step_r[first:used].copy()
        self._ramp_r = marcher.piece_r[part].copy()
        marcher.step_length, marcher.step_r = marcher.step_length[:0], marcher.step_r[:0]
        self._gain = self.equations.stores.gain

    @cached_property
    def _steps(self) -> steps.Steps:
        # (what others add to the table later is none of this run's)
        t = self._m.followed.still()
        p = t.patterns
        return steps.Steps(
            self._t, self._d, self._pattern, self._ramp, self._y, self._held, self._begin,
            self._length, self._r, t.pairs, p["rates"], p["forced"], p["inject"], LENGTHS,
            t.level_index, t.level["factors"], t.level["step"],
        )  # fmt: skip

    def _rise(self, piece: int | Ints) -> Array:
        """How long the ramp of a piece takes, in s."""
        code = self._ramp[piece]
        return np.asarray(np.where(code >= 0, self._rises[np.maximum(code, 0)], self._d[piece]))

    @cached_property
    def _rises(self) -> Array:
        """How long each full ramp takes, in s, and a 0 where there is none."""
        return np.append(self._m.table.rise_of_ramps(), 0.0)

    def _more_states(self, piece: int | Ints) -> Array:
        return np.asarray(self._ramp_r[piece][..., : len(self._gain[0])])

    def _more_inputs(self, piece: int | Ints) -> Array:
        n_r = len(self._gain[0])
        both = self._ramp_r[piece]
        return np.asarray((both[..., n_r:] - both[..., :n_r]) / self._rise(piece)[..., None])

    def _for_outputs(self, x: Array) -> Array:
        n = self.equations.n_states
        return np.asarray(x[..., :n] + x[..., n:] @ self._gain.T)

    def _modal(self, piece: int, seconds: float) -> Array:
        # (asked for where its ramp begins alone)
        assert seconds == self._d[piece]
        return np.asarray(self._ends(np.array([piece]))[0])

    def _in_modes(self, rows: Rows) -> Array:
        # (as the run without stores has it where no bridge is in the way, all patterns at once)
        eq, table = self.equations, self._m.followed.still()
        p, n, gain = table.patterns, eq.n_states, self._gain
        n_j, n_r = len(eq.loads), len(gain[0])
        width = n + 1 + eq.n_held
        x, d, u = (at_patterns(poly, table.bits) for poly in (rows.x, rows.d, rows.u))
        if rows.needs_slope:
            x, u = x + d @ p["a"], u + d @ p["b"]
        out = np.zeros((len(table.bits), rows.x.shape[0], width + 2 * n_r))
        out[:, :, :n] = x @ p["basis"]
        out[:, :, n] = u[:, :, eq.source_inputs] @ eq.sources
        out[:, :, n + 1 : n + 1 + n_j] = u[:, :, eq.load_inputs]
        out[:, :, n + 1 + n_j : width] = u[:, :, eq.rotor_inputs]
        out[:, :, width : width + n_r] = x @ gain
        out[:, :, width + n_r :] = d @ gain
        return out

    def _ends(self, pieces: Ints) -> Array:
        """Modal states (T, n) where flat pieces end."""
        out = np.zeros((len(pieces), self.equations.n_states))
        steps.ends_of(self._steps, pieces, out)
        return out

    def _read_flat(self, which: Ints, dt: Array, whole: Array) -> Array:
        values = np.zeros((len(which), whole.shape[1]))
        later = (np.diff(which) > 0) | ((np.diff(which) == 0) & (np.diff(dt) >= 0.0))
        if later.all():
            steps.read_steps(self._steps, which, dt, whole, values)
            return values
        order = np.lexsort((dt, which))
        steps.read_steps(self._steps, which[order], dt[order], whole, values)
        out = np.empty_like(values)
        out[order] = values
        return out

    def _scan_flat(
        self, table: PatternTable, best: plain.Extremes, slack: float, whole: Array
    ) -> None:
        del table  # its steps know the patterns they are in
        search(
            self._steps, whole, best.t0, best.t1, best.bins, slack, best.across,
            best.across_slack, *best.found, stop_flag(),
        )  # fmt: skip
        heed()

    def _pieces(self) -> tuple[Array | Ints, ...]:
        """Pieces of no length where full ramps begin, with what is held on those behind."""
        at = np.flatnonzero(self._ramp >= 0)
        n_r = len(self._gain[0])
        held = np.hstack([self._held[at], self._ramp_r[at, :n_r], self._more_inputs(at)])
        return (
            self._t[at] + self._d[at], np.zeros(len(at)), self._pattern[at], self._ramp[at],
            self._ends(at), held,
        )  # fmt: skip

    def _scan_ramps(
        self, table: PatternTable, best: plain.Extremes, of_nodes: tuple[Array, ...]
    ) -> None:
        p = table.patterns
        drag = p["force_drag"]
        none = np.zeros((*drag.shape[:2], 2 * len(self._gain[0])))
        scan_kernels.scan_ramps(
            best.t0, best.t1, best.bins, *self._pieces(), table.pairs, p["re"], p["im"],
            p["force"], p["force_load"], np.concatenate([drag, none], axis=2), *of_nodes,
            *best.found,
        )  # fmt: skip

    def _stored_beyond(self, w: Array) -> float:
        return float(self.mean.stores.energy_beyond(w))

    def _sums(self, t0: float, t1: float) -> Moments:
        if self._moments is None or self._moments.window != (t0, t1):
            self._moments = _FollowedMoments(self, self._m, t0, t1)
        return self._moments


class _FollowedMoments(Moments):
    """The same sums where pieces are rows of steps.

    A step is a piece under steady residuals, in closed form, and what their changes add, which
    is small and smooth: by three Gauss points.
    """

    def __init__(self, run: FollowedRun, marcher: FollowedMarcher, t0: float, t1: float) -> None:
        self.window = (t0, t1)
        table = marcher.followed.still()
        p = table.patterns
        count, n = p["re"].shape
        n_r = len(table.stores.rest)
        force = np.concatenate(
            [
                p["force"][:, :, None],
                p["force_load"],
                p["force_drag"],
                np.transpose(p["inject"], (0, 2, 1)),
            ],
            axis=2,
        )
        n_h = force.shape[2]
        inner = n + n_h
        width = inner + n_r
        re, im = p["re"].copy(), p["im"]
        undamped = np.abs(re) < SLOWEST_PER_S
        undamped[len(table.index) :] = False
        re[undamped] = -SLOWEST_PER_S
        rates = np.zeros((count, 4, n))
        for i in range(len(table.index)):
            rates[i] = mode_rates(int(table.pairs[i]), re[i], im[i])
        forced = np.ascontiguousarray(np.transpose(force, (0, 2, 1)))
        self.second = np.zeros((count, width, width))
        self.ramps = np.zeros((len(table.ramp_to), width, width))
        self._n, self._held = n, run._held.shape[1]
        view = run._steps
        stop = run._t + run._d
        inside = (run._t < t1) & (stop >= t0) & (run._ramp >= -1)
        for at in range(len(table.index)):
            pieces = np.flatnonzero(inside & (run._pattern == at))
            swings, held_held = np.zeros((n, n)), np.zeros((n_h, n_h))
            swing_held = np.zeros((n, n_h))
            own = np.zeros((inner, inner))
            many = run._begin[pieces + 1] - run._begin[pieces]
            for block in np.split(pieces, np.flatnonzero(np.diff(np.cumsum(many) // _BLOCK)) + 1):
                size = int(np.sum(run._begin[block + 1] - run._begin[block]))
                if not size:
                    continue
                t, d, y = np.zeros(size), np.zeros(size), np.zeros((size, n))
                held = np.zeros((size, n_h - 1))
                half, rest = np.zeros((3 * size, width)), np.zeros((3 * size, width))
                used = steps.parts_of(view, block, t0, t1, t, d, y, held, half, rest)
                change, middle = np.empty((used, n)), np.empty((used, n))
                last, spans = np.empty((used, inner)), np.empty(used)
                kernels.swing_rows(
                    t0, t1, at, np.arange(used), t, d, y, held,
                    table.pairs, rates, forced, change, middle, last, spans,
                )  # fmt: skip
                h = last[:, n:]
                both = change.T @ middle
                swings += both + both.T
                swing_held += change.T @ h
                held_held += (h * spans[:, None]).T @ h
                mixed = half[: 3 * used].T @ rest[: 3 * used]
                self.second[at] += mixed + mixed.T
                if undamped[at].any():
                    add_undamped(
                        t0, t1, t[:used], d[:used], np.full(used, at), np.full(used, -1),
                        y[:used], held[:used], table.pairs, p["re"], im, force, undamped,
                        own_sums := np.zeros((count, inner, inner)),
                    )  # fmt: skip
                    own += own_sums[at]
            _, steady = from_swings(
                int(table.pairs[at]), re[at], im[at], force[at], held_held, swing_held, swings
            )
            marked = np.zeros(inner, dtype=bool)
            marked[:n] = undamped[at]
            mine = marked[:, None] | marked[None, :]
            steady[mine] = own[mine]
            self.second[at, :inner, :inner] += steady
            going = pieces[(run._ramp[pieces] >= 0) & (stop[pieces] >= t0) & (stop[pieces] < t1)]
            ends = run._ends(going)
            ones = np.ones((len(going), 1))
            z = np.hstack(
                [ends, ones, run._held[going], run._more_states(going), run._more_inputs(going)]
            )
            ramp_of = run._ramp[going]
            for ramp in np.unique(ramp_of):
                rows = z[ramp_of == ramp]
                self.ramps[ramp] = rows.T @ rows
        self.first = self.second[:, :, n].copy()


def run(
    mean: MeanEquations,
    drive: Drive,
    x0: Array,
    seed: int = 0,
    *,
    table: FollowedTable,
    before: EdgeRun | None = None,
    cancelled: Callable[[], bool] | None = None,
    progress: Callable[[float], None] | None = None,
) -> FollowedRun:
    """As `switching.run`, from charges and fluxes x0 (n_states,)."""
    start, carriers = begin(mean, drive, x0, seed, before)
    marcher = FollowedMarcher(mean, drive, carriers, x0, start, table)
    marcher.run(cancelled, progress)
    return FollowedRun(marcher)

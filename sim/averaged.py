"""Averaged runs: every bridge is its duty.

`run` is the reference path: scipy's `solve_ivp` with Radau and the analytic Jacobian,
split at the kinks of the drive. Radau is implicit and L-stable, as lightly damped
modes of leads and ceramics ask for.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from sim.errors import Cancelled, SolveError
from sim.event import held
from sim.mean_equations import MeanEquations, residual_scale
from sim.stability import growth_along
from sim.state_equations import stack_rows
from sim.trajectory import EnergyBalance, RowFigures

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from sim.event import Drive
    from sim.stability import Growth
    from sim.state_equations import Rows

    Array = NDArray[np.float64]

# Gauss-Lobatto nodes and weights on [0, 1], exact to degree 7: the cubic of a step, squared.
_NODES = 0.5 + 0.5 * np.array([-1.0, -np.sqrt(3.0 / 7.0), 0.0, np.sqrt(3.0 / 7.0), 1.0])
_WEIGHTS = np.array([9.0, 49.0, 64.0, 49.0, 9.0]) / 180.0


#: Points by which an extreme is looked for between its neighbours on the grid.
_FINE = 41
#: Parts of a step over which a pulse of heat is taken as even.
_PARTS_OF_HEAT = 4
#: Moments evaluated at once: a run that rings all through has hundreds of thousands.
_BLOCK = 4096


class AveragedRun:
    """A solved averaged run (see `Trajectory`)."""

    def __init__(
        self, mean: MeanEquations, drive: Drive, knots: Array, pieces: Sequence[Piece]
    ) -> None:
        self.mean = mean
        self.equations = mean.eq
        self.drive = drive
        self.duration_s = float(drive.duration_s)
        self.knots = knots
        self.steps = len(knots) - 1
        self._pieces = pieces
        self._starts = np.array([p.start for p in pieces])

    def states(self, times_s: Array) -> Array:
        """States at times (T,), (T, n)."""
        which = np.clip(
            np.searchsorted(self._starts, times_s, side="right") - 1, 0, len(self._pieces) - 1
        )
        out = np.zeros((len(times_s), self.equations.n_states))
        for i in np.unique(which):
            mask = which == i
            out[mask] = self._pieces[int(i)].states(times_s[mask])
        return out

    def _along(self, times_s: Array) -> tuple[Array, Array, Array, Array, Array]:
        """Duties, w, w', inputs and controls; see `MeanEquations.along`."""
        duty, w, u, slope, controls = self.mean.along(self._commands(times_s), self.states(times_s))
        return duty, w, slope, u, controls

    def _commands(self, times_s: Array) -> Array:
        if not self.equations.n_switches:
            return np.zeros((len(times_s), 0))
        drive = self.drive
        duty = np.stack([held(t, d, times_s) for t, d in drive.courses], axis=-1)
        if drive.tap is None:
            return duty
        ringing = np.array([drive.tap.at(float(t)) for t in times_s])
        return np.clip(duty + np.outer(ringing, drive.tap_signs), 0.0, 1.0)

    def sample(self, rows: Rows, times_s: Array) -> Array:
        duty, w, slope, u, _ = self._along(np.asarray(times_s, dtype=float))
        return self.mean.rows(rows, duty, w, slope, u)

    def step_edges(self, t0: float, t1: float) -> Array:
        """Ends of the steps in a window, its own ends included."""
        inside = self.knots[(self.knots > t0) & (self.knots < t1)]
        return np.concatenate([[t0], inside, [t1]])

    def heat_steps(self, owner: str, t0: float, t1: float) -> tuple[Array, Array]:
        eq = self.equations
        branches, steps = eq.network.branches, self.step_edges(t0, t1)
        # a step may hold a good part of a pulse, and heat goes with the root of time
        share = np.arange(_PARTS_OF_HEAT) / _PARTS_OF_HEAT
        edges = np.append((steps[:-1, None] + np.diff(steps)[:, None] * share).ravel(), steps[-1])
        at = next((i for i, _ in eq.network.curves if branches[i].owner == owner), None)
        if at is None:
            return edges, np.zeros(len(edges) - 1)
        ends = branches[at]
        both = stack_rows([eq.volts(ends.a, ends.b), eq.amps([(at, 1.0)])])
        return edges, self._step_products(both, edges)

    def _step_products(self, both: Rows, edges: Array) -> Array:
        """Integral between neighbours of `edges` of the product of two outputs."""
        times, weights = _lobatto(edges)
        product = np.empty(len(times))
        for block in _blocks(len(times)):
            one, other = self.sample(both, times[block])
            product[block] = one * other
        return np.asarray((product * weights).reshape(-1, len(_NODES)).sum(axis=1))

    def _grid(self, t0: float, t1: float) -> tuple[Array, Array]:
        """Lobatto times in every step of a window, and their weights."""
        return _lobatto(self.step_edges(t0, t1))

    def figures(self, rows: Rows, t0: float, t1: float) -> RowFigures:
        times, weights = self._grid(t0, t1)
        span = max(t1 - t0, 1e-300)
        count = rows.x.shape[0]
        mean, square = np.zeros(count), np.zeros(count)
        high, low = np.full(count, -np.inf), np.full(count, np.inf)
        high_at, low_at = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
        for block in _blocks(len(times)):
            values = self.sample(rows, times[block])
            mean += values @ weights[block]
            square += values**2 @ weights[block]
            for sign, best, best_at in ((1.0, high, high_at), (-1.0, low, low_at)):
                at = np.argmax(sign * values, axis=1)
                own = values[np.arange(count), at]
                better = sign * own > sign * best
                best[better] = own[better]
                best_at[better] = block.start + at[better]
        high, high_time = self._refined(rows, times, high, high_at, 1.0)
        low, low_time = self._refined(rows, times, low, low_at, -1.0)
        return RowFigures(
            highest=high,
            lowest=low,
            highest_at=high_time,
            lowest_at=low_time,
            mean=mean / span,
            mean_square=square / span,
        )

    def extremes(self, rows: Rows, t0: float, t1: float, slack: float = 0.0) -> tuple[Array, Array]:
        del slack  # the slow voltage has few turns: each is solved for
        figures = self.figures(rows, t0, t1)
        return figures.lowest, figures.highest

    def ready_integrals(self, t0: float, t1: float, cancelled: Callable[[], bool]) -> None:
        """Nothing is shared that takes long."""

    def means(self, rows: Rows, t0: float, t1: float) -> tuple[Array, Array]:
        figures = self.figures(rows, t0, t1)
        return figures.mean, figures.mean_square

    def _refined(
        self, rows: Rows, times: Array, value: Array, best: NDArray[np.int64], sign: float
    ) -> tuple[Array, Array]:
        """Extreme of each row and its time, looked for between the grid's points."""
        count = len(value)
        if not count:
            return value, np.zeros(0)
        row, at = np.arange(count), times[best]
        low, high = times[np.maximum(best - 1, 0)], times[np.minimum(best + 1, len(times) - 1)]
        fine = low + (high - low) * np.linspace(0.0, 1.0, _FINE)[:, None]
        looked = self.sample(rows, fine.ravel()).reshape(count, _FINE, count)
        y = sign * looked[row, :, row]
        j = np.argmax(y, axis=1)
        middle = np.clip(j, 1, _FINE - 2)
        before, here, after = y[row, middle - 1], y[row, middle], y[row, middle + 1]
        bend = before - 2.0 * here + after
        inside = (j == middle) & (bend < 0.0)
        shift = np.where(inside, 0.5 * (before - after) / np.where(inside, bend, 1.0), 0.0)
        top = y[row, j] - 0.25 * (before - after) * shift
        where = fine[j, row] + shift * (high - low) / (_FINE - 1)
        better = top > sign * value
        return np.where(better, sign * top, value), np.where(better, where, at)

    def envelope(
        self, rows: Rows, t0: float, t1: float, bins: int, slack: float = 0.0
    ) -> tuple[Array, Array]:
        del slack
        edges = np.linspace(t0, t1, bins + 1)
        times = edges[:-1, None] + np.diff(edges)[:, None] * np.linspace(0.0, 1.0, 5)
        # the last one is the bin's own, not the first of the next
        times[:, -1] = np.nextafter(edges[1:], edges[:-1])
        inside = self.knots[(self.knots > t0) & (self.knots < t1)]
        ends = np.concatenate([[t0], inside, [t1]])
        within = ends[:-1, None] + np.diff(ends)[:, None] * np.linspace(0.0, 1.0, 4, endpoint=False)
        times = np.sort(np.concatenate([times.ravel(), within.ravel()]))
        values = self.sample(rows, times)
        which = np.clip(np.searchsorted(edges, times, side="right") - 1, 0, bins - 1)
        starts = np.searchsorted(which, np.arange(bins))
        return (
            np.minimum.reduceat(values, starts, axis=1),
            np.maximum.reduceat(values, starts, axis=1),
        )

    def energy(self, t0: float, t1: float) -> EnergyBalance:
        eq = self.equations
        times, weights = self._grid(t0, t1)
        from_sources = 0.0
        by_owner: dict[str, float] = {}

        def add(owner: str, joule: float) -> None:
            by_owner[owner] = by_owner.get(owner, 0.0) + joule

        for block in _blocks(len(times)):
            share = weights[block]
            duty, w, slope, u, controls = self._along(times[block])
            delivered = self.mean.rows(eq.source_amps, duty, w, slope, u)
            for (owner, name), joule in zip(
                eq.source_names, eq.sources * (delivered @ share), strict=True
            ):
                if name == "arc":  # it takes what it is against
                    add(owner, -float(joule))
                else:
                    from_sources += float(joule)
            squares = self.mean.mean_squares(eq.resistor_amps, duty, w, slope, u) @ share
            for (owner, _name, ohm), square in zip(eq.resistors, squares, strict=True):
                add(owner, ohm * float(square))
            if len(eq.loads):
                amps = self.mean.rows(eq.load_amps, duty, w, slope, u)
                volts = controls[:, : len(eq.loads)].T
                for load, joule in zip(eq.loads, (volts * amps) @ share, strict=True):
                    add(load.owner, float(joule))
            if eq.network.controls:
                followers, rows = eq.followers
                emf, amps = np.split(self.mean.rows(rows, duty, w, slope, u), 2)
                for owner, joule in zip(followers, (emf * amps) @ share, strict=True):
                    add(owner, -float(joule))
            if eq.curves:
                # v i is a quarter of the difference of two squares, over the resistance
                squares = self.mean.mean_squares(eq.curve_controls, duty, w, slope, u).T
                both = share @ (squares - u[:, eq.curve_inputs] ** 2)
                joules = 0.25 * both / self.mean.curves.value
                for index, joule in zip(eq.curve_branches, joules, strict=True):
                    add(eq.network.branches[index].owner, float(joule))
            speeds = eq.speeds(w)
            for i, rotor in enumerate(eq.network.rotors):
                add(rotor.owner, float((u[:, eq.torque_inputs][:, i] * speeds[:, i]) @ share))
        ends = np.array([t0, np.nextafter(t1, t0)])
        x_ends, d_ends = self.states(ends), self._along(ends)[0]
        stored = [self.mean.stored(di, xi) for xi, di in zip(x_ends, d_ends, strict=True)]
        return EnergyBalance(
            from_sources=from_sources,
            dissipated=sum(by_owner.values()),
            stored_change=stored[1] - stored[0],
            by_owner=by_owner,
        )

    def edge_times(self, t0: float, t1: float) -> Array:
        return np.zeros(0)

    def duties(self, times_s: Array) -> Array:
        times = np.asarray(times_s, dtype=float)
        return self.mean.limited(self._commands(times), self.states(times)).T

    def growth(self) -> Growth | None:
        return growth_along(self, self.mean, float(self._starts[0]))

    def speeds(self, times_s: Array) -> Array:
        return self.equations.speeds(self.states(np.asarray(times_s, dtype=float))).T


def _lobatto(edges: Array) -> tuple[Array, Array]:
    """Lobatto times between neighbours of `edges`, and their weights."""
    width = np.diff(edges)
    times = edges[:-1, None] + width[:, None] * _NODES
    # the last node of a step belongs to that step, not to a jump after it
    times[:, -1] = np.nextafter(edges[1:], edges[:-1])
    return times.ravel(), (width[:, None] * _WEIGHTS).ravel()


def _blocks(count: int) -> Iterator[slice]:
    """Slices that cover `count` moments, few enough each to keep memory small."""
    return (slice(i, min(i + _BLOCK, count)) for i in range(0, count, _BLOCK))


class Piece:
    """Dense output from one kink of the drive to the next."""

    def __init__(self, start: float, end: float, dense: Callable[[Array], Array]) -> None:
        self.start, self.end, self._dense = start, end, dense

    def states(self, times: Array) -> Array:
        return np.asarray(self._dense(np.clip(times, self.start, self.end))).T


def run(
    mean: MeanEquations,
    drive: Drive,
    x0: Array,
    *,
    rtol: float = 1e-8,
    start_s: float = 0.0,
    cancelled: Callable[[], bool] | None = None,
    progress: Callable[[float], None] | None = None,
) -> AveragedRun:
    """Solve an event from state x0 (n_states,) by Radau.

    Parameters
    ----------
    start_s : when x0 is, at most the event's end
    rtol : relative tolerance; the absolute one is rtol times 1 A, 1 V or 10 rad/s
    cancelled : looked at in every right-hand side
    progress : called with the event time reached, in s

    Raises
    ------
    Cancelled   if `cancelled` says so
    SolveError   if the step became too small
    """
    # scipy's integrators take 20 MB, and only the reference path wants them
    from scipy.integrate import solve_ivp

    eq = mean.eq
    atol = rtol * residual_scale(eq)
    kinks = (t for t in drive.kinks_s if start_s < t < drive.duration_s)
    cuts = [start_s, *kinks, drive.duration_s]
    x = x0
    knots: list[Array] = [np.array([start_s])]
    pieces: list[Piece] = []
    for start, end in pairwise(cuts):
        # inside a piece the drive is read from its own side of a jump
        inside = (start, np.nextafter(end, start))

        def command(t: float, inside: tuple[float, float] = inside) -> Array:
            return np.asarray(drive.duty(min(max(t, inside[0]), inside[1])))

        def slope(t: float, y: Array, command: Callable[[float], Array] = command) -> Array:
            if cancelled is not None and cancelled():
                raise Cancelled("run", "stopped for a newer request")
            if progress is not None:
                progress(t)
            return mean.moment(command(t), y).slope

        def jac(t: float, y: Array, command: Callable[[float], Array] = command) -> Array:
            return mean.jacobian(command(t), y)

        if not eq.n_states:
            pieces.append(Piece(start, end, lambda t: np.zeros((0, len(t)))))
            knots.append(np.array([end]))
            continue
        solved = solve_ivp(
            slope, (start, end), x, method="Radau", jac=jac, rtol=rtol, atol=atol, dense_output=True
        )
        if not solved.success or solved.sol is None:
            raise SolveError(
                "run", f"the solver stopped at {solved.t[-1] * 1e3:.3g} ms", "Check extreme values"
            )
        pieces.append(Piece(start, end, solved.sol))
        knots.append(np.asarray(solved.t[1:]))
        x = np.asarray(solved.y[:, -1])
    return AveragedRun(mean, drive, np.concatenate(knots), pieces)

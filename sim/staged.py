"""An event in stages, and the run that stands for all of them.

Between stages values of the network change (a load steps, a contact lifts), never its
branches, so that a state means the same before and after: inductor currents, capacitor
voltages and speeds go on from where they were.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from sim.state_equations import StagedRows, StateEquations
from sim.trajectory import EnergyBalance, RowFigures

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from sim.stability import Growth
    from sim.state_equations import Rows
    from sim.trajectory import Trajectory

    Array = NDArray[np.float64]


class StagedEquations(StateEquations):
    """The equations of the first stage, whose outputs know those of the others."""

    def __init__(self, stages: Sequence[StateEquations]) -> None:
        self.__dict__.update(stages[0].__dict__)
        self._stages = tuple(stages)

    def volts(self, plus: int, minus: int) -> Rows:
        return StagedRows.of([eq.volts(plus, minus) for eq in self._stages])

    def amps(self, branches: Sequence[tuple[int, float]]) -> Rows:
        return StagedRows.of([eq.amps(branches) for eq in self._stages])


class StagedRun:
    """Runs that follow one another, as one (see `Trajectory`).

    Parameters
    ----------
    runs : in order; each starts where the one before ends
    starts_s : when each starts
    """

    def __init__(self, runs: Sequence[Trajectory], starts_s: Sequence[float]) -> None:
        self._runs = tuple(runs)
        self._starts = np.array(starts_s)
        self.equations: StateEquations = StagedEquations([run.equations for run in runs])
        self.duration_s = runs[-1].duration_s
        self.steps = sum(run.steps for run in runs)

    def _per(self, rows: Rows) -> tuple[Rows, ...]:
        return rows.per if isinstance(rows, StagedRows) else (rows,) * len(self._runs)

    def _parts(self, t0: float, t1: float) -> Iterator[tuple[int, float, float]]:
        """Stages that a window meets, with what of the window is theirs."""
        ends = [*self._starts[1:], self.duration_s]
        for i, (start, end) in enumerate(zip(self._starts, ends, strict=True)):
            a, b = max(t0, float(start)), min(t1, float(end))
            if a < b:
                yield i, a, b

    def _by_time(self, times_s: Array, rows: int, read: Callable[[int, Array], Array]) -> Array:
        times = np.asarray(times_s, dtype=float)
        which = np.clip(
            np.searchsorted(self._starts, times, side="right") - 1, 0, len(self._runs) - 1
        )
        out = np.zeros((rows, len(times)))
        for i in np.unique(which):
            mine = which == i
            out[:, mine] = read(int(i), times[mine])
        return out

    def sample(self, rows: Rows, times_s: Array) -> Array:
        per = self._per(rows)
        return self._by_time(times_s, rows.x.shape[0], lambda i, t: self._runs[i].sample(per[i], t))

    def envelope(
        self, rows: Rows, t0: float, t1: float, bins: int, slack: float = 0.0
    ) -> tuple[Array, Array]:
        per = self._per(rows)
        edges = np.linspace(t0, t1, bins + 1)
        count = rows.x.shape[0]
        low, high = np.full((count, bins), np.inf), np.full((count, bins), -np.inf)
        for i, a, b in self._parts(t0, t1):
            first = int(np.searchsorted(edges, a, side="left"))
            last = int(np.searchsorted(edges, b, side="right")) - 1
            pieces: list[tuple[float, float, int, int]] = []
            if last > first:
                pieces.append((float(edges[first]), float(edges[last]), first, last))
            if first > 0 and a < edges[min(first, bins)]:
                pieces.append((a, min(b, float(edges[first])), first - 1, first))
            if last < bins and last >= first and b > edges[last]:
                pieces.append((float(edges[last]), b, last, last + 1))
            for begin, end, at, to in pieces:
                if end <= begin:
                    continue
                found = self._runs[i].envelope(per[i], begin, end, to - at, slack)
                low[:, at:to] = np.minimum(low[:, at:to], found[0])
                high[:, at:to] = np.maximum(high[:, at:to], found[1])
        return low, high

    def figures(self, rows: Rows, t0: float, t1: float) -> RowFigures:
        per, count = self._per(rows), rows.x.shape[0]
        high, low = np.full(count, -np.inf), np.full(count, np.inf)
        high_at, low_at = np.zeros(count), np.zeros(count)
        mean, square = np.zeros(count), np.zeros(count)
        for i, a, b in self._parts(t0, t1):
            own = self._runs[i].figures(per[i], a, b)
            up, down = own.highest > high, own.lowest < low
            high[up], high_at[up] = own.highest[up], own.highest_at[up]
            low[down], low_at[down] = own.lowest[down], own.lowest_at[down]
            mean += own.mean * (b - a)
            square += own.mean_square * (b - a)
        return RowFigures(high, low, high_at, low_at, mean / (t1 - t0), square / (t1 - t0))

    def extremes(self, rows: Rows, t0: float, t1: float, slack: float = 0.0) -> tuple[Array, Array]:
        per = self._per(rows)
        found = [self._runs[i].extremes(per[i], a, b, slack) for i, a, b in self._parts(t0, t1)]
        return (
            np.min([low for low, _ in found], axis=0),
            np.max([high for _, high in found], axis=0),
        )

    def heat_steps(self, owner: str, t0: float, t1: float) -> tuple[Array, Array]:
        found = [self._runs[i].heat_steps(owner, a, b) for i, a, b in self._parts(t0, t1)]
        edges = np.concatenate([found[0][0], *(own[1:] for own, _ in found[1:])])
        return edges, np.concatenate([joules for _, joules in found])

    def ready_integrals(self, t0: float, t1: float, cancelled: Callable[[], bool]) -> None:
        for i, a, b in self._parts(t0, t1):
            self._runs[i].ready_integrals(a, b, cancelled)

    def means(self, rows: Rows, t0: float, t1: float) -> tuple[Array, Array]:
        per, count = self._per(rows), rows.x.shape[0]
        mean, square = np.zeros(count), np.zeros(count)
        for i, a, b in self._parts(t0, t1):
            own = self._runs[i].means(per[i], a, b)
            mean += own[0] * (b - a)
            square += own[1] * (b - a)
        return mean / (t1 - t0), square / (t1 - t0)

    def energy(self, t0: float, t1: float) -> EnergyBalance:
        from_sources, stored = 0.0, 0.0
        by_owner: dict[str, float] = {}
        for i, a, b in self._parts(t0, t1):
            own = self._runs[i].energy(a, b)
            from_sources += own.from_sources
            stored += own.stored_change
            for owner, joule in own.by_owner.items():
                by_owner[owner] = by_owner.get(owner, 0.0) + joule
        return EnergyBalance(from_sources, sum(by_owner.values()), stored, by_owner)

    def growth(self) -> Growth | None:
        found = [own for run in self._runs if (own := run.growth()) is not None]
        if not found:
            return None
        worst = max(found, key=lambda growth: growth.per_s)
        return replace(worst, folds=sum(growth.folds for growth in found))

    def edge_times(self, t0: float, t1: float) -> Array:
        found = [self._runs[i].edge_times(a, b) for i, a, b in self._parts(t0, t1)]
        return np.unique(np.concatenate(found)) if found else np.zeros(0)

    def duties(self, times_s: Array) -> Array:
        count = self.equations.n_switches
        return self._by_time(times_s, count, lambda i, t: self._runs[i].duties(t))

    def speeds(self, times_s: Array) -> Array:
        count = len(self.equations.speed_scale)
        return self._by_time(times_s, count, lambda i, t: self._runs[i].speeds(t))

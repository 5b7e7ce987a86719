"""Every-edge runs, by the method that a network asks for.

Linear networks go in closed form from edge to edge, with diodes or without. Stores that fade
are followed (`sim.followed`), as plug-ins do, where their kernels are compiled and no leg has
diodes; otherwise they are taken for what is left of them where the event starts, as in averaged
runs of such events (`sim.api.Wired.counted`). A supply that limits goes from straight piece to
straight piece. So does a clamp; where it never conducts the network is solved without it
(`reached` tells), for that is the cheaper way and stores that fade are then followed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sim import diodes, extreme_kernels, followed, followed_kernels, plain, switching
from sim.diode_patterns import DiodeTable, has_diodes, smooth, with_diodes
from sim.followed_patterns import FollowedTable, can_follow
from sim.mean_equations import MeanEquations
from sim.patterns import PatternTable
from sim.state_equations import StateEquations, stack_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from sim.event import Drive
    from sim.network import Network
    from sim.switching import EdgeRun
    from sim.trajectory import Trajectory

    Array = NDArray[np.float64]


def follows(equations: StateEquations) -> bool:
    """Stores that fade can be followed from edge to edge, here and now."""
    network = equations.network
    return (
        can_follow(equations)
        and not network.curves
        and not network.supplies
        and not has_diodes(network)
        and plain.usable()
        and followed_kernels.ready()
        and extreme_kernels.ready()
    )


def table_of(
    equations: StateEquations, load_slopes: Array | None = None, *, follow: bool = False
) -> PatternTable:
    """An empty table of switch patterns, which several runs may share; `follow` for such runs.

    `load_slopes` (n_loads,) in S are taken up where neither diodes nor stores are followed.
    """
    if follow:
        return FollowedTable(equations)
    network = equations.network
    if network.supplies or network.clamps:
        equations = StateEquations(smooth(with_diodes(network.in_pieces())))
    if has_diodes(equations.network):
        return DiodeTable(equations)
    return PatternTable(equations, load_slopes)


def reached(run: Trajectory, network: Network) -> bool:
    """A clamp that a run was solved without would have conducted in it.

    Parameters
    ----------
    network : with the clamps; nodes and branches are those of the run's own
    """
    clamps = network.clamps
    if not clamps:
        return False
    ends = [network.branches[index] for index, _ in clamps]
    rows = stack_rows([run.equations.volts(branch.a, branch.b) for branch in ends])
    _, high = run.extremes(rows, 0.0, run.duration_s)
    return any(volts > law.sharp[0] for volts, (_, law) in zip(high, clamps, strict=True))


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
    """Solve an event with every edge; see `sim.switching.run`.

    Stores that fade are followed where the `table` is one for that.
    """
    network = mean.eq.network
    if isinstance(table, FollowedTable):
        return followed.run(
            mean, drive, x0, seed,
            table=table, before=before, cancelled=cancelled, progress=progress,
        )  # fmt: skip
    x0 = mean.stores.w(x0)
    if not (network.clamps or has_diodes(network)):
        return switching.run(
            mean, drive, x0, seed,
            table=table, before=before, cancelled=cancelled, progress=progress,
        )  # fmt: skip
    pieces = mean
    if network.supplies or network.clamps:
        table = table or table_of(mean.eq)
        pieces = MeanEquations(table.eq)
    return diodes.run(
        pieces, drive, x0, seed,
        table=table, before=before, cancelled=cancelled, progress=progress, curved=mean,
    )  # fmt: skip


def end_state(run: EdgeRun) -> Array:
    """End a run where no bridge moves; the state (n,) there."""
    return run.mean.stores.x(run.end_flat())

"""What a solved run offers, whichever level of detail solved it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, runtime_checkable

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from sim.stability import Growth
    from sim.state_equations import Rows, StateEquations

    Array = NDArray[np.float64]


@dataclass(frozen=True)
class RowFigures:
    """Figures of some outputs over a window, each (n_rows,)."""

    highest: Array
    lowest: Array
    highest_at: Array
    lowest_at: Array
    mean: Array
    mean_square: Array


#: Below this many joules nothing has moved: tens of volts across milliohms, wrong in their last
#: digit, make some 1e-18 J in a millisecond.
_NOTHING_J = 1e-15


@dataclass(frozen=True)
class EnergyBalance:
    """Joules over a window.

    Attributes
    ----------
    from_sources : integral of E i of the ideal EMFs, signed
    dissipated : resistances, loads and propeller drag together
    stored_change : inductors, capacitors and rotors
    by_owner : what each part or lead turned into heat, work on the air, or its load's use
    """

    from_sources: float
    dissipated: float
    stored_change: float
    by_owner: dict[str, float]

    @property
    def residual(self) -> float:
        """What does not add up, over what was turned over."""
        turned = abs(self.from_sources) + abs(self.dissipated) + abs(self.stored_change)
        if turned < _NOTHING_J:
            return 0.0  # where nothing moves there is only rounding to compare with itself
        return abs(self.from_sources - self.dissipated - self.stored_change) / turned


@runtime_checkable
class ReadTogether(Protocol):
    """A run whose curves and figures can be read in one walk along it."""

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
        """`Trajectory.envelope` of some outputs and `Trajectory.extremes` of others."""
        ...


class Trajectory(Protocol):
    """A run of `StateEquations` from 0 to `duration_s`."""

    def growth(self) -> Growth | None:
        """How a swing grows by itself along the run; None where none does."""
        ...

    equations: StateEquations
    duration_s: float
    steps: int

    def sample(self, rows: Rows, times_s: Array) -> Array:
        """Outputs at times (T,), (n_rows, T); the right limit at a jump."""
        ...

    def envelope(
        self, rows: Rows, t0: float, t1: float, bins: int, slack: float = 0.0
    ) -> tuple[Array, Array]:
        """Lowest and highest of each output in each of `bins` equal bins, (n_rows, bins) each.

        No extreme is further off than `slack` (in the output's unit); 0 is exact.
        """
        ...

    def figures(self, rows: Rows, t0: float, t1: float) -> RowFigures:
        """Figures of outputs over a window."""
        ...

    def extremes(self, rows: Rows, t0: float, t1: float, slack: float = 0.0) -> tuple[Array, Array]:
        """Lowest and highest of outputs over a window, (n_rows,) each, within `slack`."""
        ...

    def ready_integrals(self, t0: float, t1: float, cancelled: Callable[[], bool]) -> None:
        """Make what `means` and `energy` over a window share; `cancelled` is asked in between."""
        ...

    def means(self, rows: Rows, t0: float, t1: float) -> tuple[Array, Array]:
        """Mean and mean square of outputs over a window, (n_rows,) each."""
        ...

    def energy(self, t0: float, t1: float) -> EnergyBalance:
        """Energy balance over a window."""
        ...

    def heat_steps(self, owner: str, t0: float, t1: float) -> tuple[Array, Array]:
        """What a clamp turns to heat over a window, in stretches.

        Returns their ends (n + 1,), in s and rising, and joules (n,); no joules where it is none.
        """
        ...

    def edge_times(self, t0: float, t1: float) -> Array:
        """Instants in a window at which a bridge begins to switch, s; none when averaged."""
        ...

    def duties(self, times_s: Array) -> Array:
        """Duty of each bridge at times (T,), after limits, (n_switches, T)."""
        ...

    def speeds(self, times_s: Array) -> Array:
        """Rotor speeds in rad/s, (n_rotors, T)."""
        ...

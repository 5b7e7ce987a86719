"""Whether a swing grows by itself, looked at along a run and not only where it starts.

A constant-power load has a negative resistance -v^2/p: as the pack sags its size falls, and
a filter that was damped enough at rest may not be any more. At moments along the run the
averaged equations are linearised about the state there (its ripple taken out), and what the
fastest growing mode gains from moment to moment is added up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.averaged import AveragedRun
    from sim.mean_equations import MeanEquations
    from sim.switching import EdgeRun

    Array = NDArray[np.float64]

#: Moments looked at along an event.
MOMENTS = 16
#: Carrier periods over which ripple is taken out, and looks at each. Many, so that the swing
#: that has grown meanwhile goes with it: what grows is told about its middle.
_PERIODS, _PER_PERIOD = 16, 8
#: Slower growth, per s, is no swing: rotors and packs come and go at such rates.
_SLOWEST = 100.0


@dataclass(frozen=True)
class Growth:
    """A swing that grows by itself.

    Attributes
    ----------
    folds : how often over the run it grows by e, 2.718; 1 is enough to be seen
    at_s, per_s, hz : when it grows fastest, how fast and at what frequency there
    part : which part's states take the largest share of it
    """

    folds: float
    at_s: float
    per_s: float
    hz: float
    part: str


def growth_along(
    run: AveragedRun | EdgeRun, mean: MeanEquations, start_s: float, *, charges: bool = True
) -> Growth | None:
    """The growth along a run that began at `start_s`; None where nothing grows.

    Parameters
    ----------
    mean : the averaged equations of the run's states
    charges : the run's states are charges and fluxes where stores fade, else voltages and currents
    """
    eq = run.equations
    powers = [load.draws and load.mode == "power" and load.value > 0.0 for load in eq.loads]
    if not any(powers) or not eq.n_states:
        return None
    width = (run.duration_s - start_s) / MOMENTS
    times: Array = np.asarray(start_s + width * (np.arange(MOMENTS) + 0.5), dtype=np.float64)
    states = _smoothed(run, times, start_s)
    if mean.stores.some and not charges:
        states = np.array([mean.stores.x(w) for w in states])
    duties = run.duties(times).T if eq.n_switches else np.zeros((MOMENTS, 0))
    jacobians = np.array([mean.jacobian(d, x) for d, x in zip(duties, states, strict=True)])
    values = np.linalg.eigvals(jacobians)
    rates = values.real.max(axis=1)
    gains = np.where(rates > _SLOWEST, rates, 0.0)
    folds = float(gains.sum() * width)
    if folds == 0.0:
        return None
    worst = int(np.argmax(gains))
    vectors_of, right = np.linalg.eig(jacobians[worst])
    at = int(np.argmax(vectors_of.real))
    left = np.linalg.pinv(right)
    shares: dict[str, float] = {}
    for state, owner in enumerate(eq.state_owner):
        shares[owner] = shares.get(owner, 0.0) + abs(right[state, at] * left[at, state])
    return Growth(
        folds=folds,
        at_s=float(times[worst]),
        per_s=float(rates[worst]),
        hz=abs(complex(vectors_of[at])) / math.tau,
        part=max(shares, key=lambda name: shares[name]),
    )


def _smoothed(run: AveragedRun | EdgeRun, times: Array, start_s: float) -> Array:
    """States (T, n) at times, each the mean over some carrier periods."""
    choppers = run.equations.network.choppers
    if not choppers:
        return run.states(times)
    span = _PERIODS / min(chopper.frequency_hz for chopper in choppers)
    span = min(span, run.duration_s - start_s)
    count = _PERIODS * _PER_PERIOD
    shifts = span * ((np.arange(count) + 0.5) / count - 0.5)
    many = np.clip(times[:, None] + shifts, start_s, run.duration_s)
    return np.asarray(run.states(many.ravel()).reshape(len(times), count, -1).mean(axis=1))

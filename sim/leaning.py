"""Loads of constant power in the matrices of runs with every edge: by their slope.

Between edges such a load's current P/v is held. Held whole it would not follow a ring of the
voltage, which turns more than once from edge to edge; so its slope g = -P/v^2 near the voltage
the event starts with goes into the matrices, and only the rest r = i(v) - g v is held, which hardly
moves. With the loads' voltages v = X(s) x + U(s) u, where x' is put in, and u_J = r + g v what
they draw (or what a load of finite bandwidth aims at),

    u_J = M(s) x + N(s) u',   M = T g X,   N = T (1 g U),   T = 1 / (1 - g U_JJ),

where u' has r in the place of u_J. What g is decides how near the answer is, never what it is of.
The impedance, the margins and averaged runs know the law itself and nothing of this.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from sim.switch_poly import SwitchPoly

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.mean_equations import LoadLaws
    from sim.state_equations import StateEquations

    Array = NDArray[np.float64]

#: A load that moves its own voltage by more than this share of what it follows is held whole.
MOST_OWN = 0.5
#: Where the slope is taken, of the voltage an event starts with: braking and the rings that matter
#: go above it. (On the 4S sample with one capacitor hard braking is round 1.14 of it, rings 27 V.)
LEAN_AT = 1.15


class LeaningLoads:
    """Equations whose load inputs are the rests r (see `sim.patterns.Moving`).

    Attributes
    ----------
    slope : g of each load in S (n_loads,)
    of_x : M(s), (n_loads, n)
    more : what u_J is of u' beside r itself, (n_loads, n_inputs)
    """

    def __init__(self, equations: StateEquations, slope: Array, own: Array) -> None:
        eq, rows = equations, equations.load_volts
        self.n_states, self.n_inputs, self.n_switches = eq.n_states, eq.n_inputs, eq.n_switches
        self.mass, self.mass_is_identity, self.ramp = eq.mass, eq.mass_is_identity, eq.ramp
        self.slope, self.those = slope, eq.load_inputs
        eye = np.eye(len(slope))
        turn = np.linalg.inv(eye - slope[:, None] * own)
        self.of_x = (turn * slope) @ (rows.x + rows.d @ eq.k)
        others = np.ones(eq.n_inputs)
        others[self.those] = 0.0
        of_loads = np.zeros((len(slope), eq.n_inputs))
        of_loads[:, self.those] = turn - eye
        u = (turn * slope) @ (rows.u + rows.d @ eq.b) @ np.diag(others)
        self.more = u + SwitchPoly.constant(of_loads)
        at_loads = eq.b.columns(self.those)
        self.k = eq.k + at_loads @ self.of_x
        self.b = eq.b + at_loads @ self.more

    def outputs(self, x: Array, u: Array, of_x: Array, more: Array) -> tuple[Array, Array]:
        """Outputs X x + U u (..., k, n) and (..., k, n_inputs) as ones of u'.

        `of_x` and `more` are those polynomials at the same switches.
        """
        at_loads = u[..., self.those]
        return x + at_loads @ of_x, u + at_loads @ more

    def complete(self, s: Array, x: Array, u: Array) -> None:
        """Put what the loads draw into inputs u' (T, n_inputs), at switches s and states x."""
        amps = u[:, self.those].copy()
        for poly, values in ((self.of_x, x), (self.more, u)):
            for key, matrix in poly.terms.items():
                amps += np.prod(s[:, list(key)], axis=1)[:, None] * (values @ matrix.T)
        u[:, self.those] = amps


def leaning(equations: StateEquations, slope: Array | None) -> LeaningLoads | None:
    """The loads by their slopes (n_loads,) in S; None where there are none or it cannot be.

    It cannot where a bridge in a cut-set of inductors moves what a load does to its own voltage.
    """
    if slope is None or not np.any(slope):
        return None
    rows = equations.load_volts
    if not equations.mass_is_identity or rows.ramp:
        return None
    through = (rows.u + rows.d @ equations.b).columns(equations.load_inputs)
    if not through.is_constant:
        return None
    own = through.at(np.zeros(equations.n_switches))
    if np.max(np.abs(slope[:, None] * own).sum(axis=1)) > MOST_OWN:
        return None
    return LeaningLoads(equations, slope, own)


def load_slopes(laws: LoadLaws, volts: Array) -> Array:
    """di/dv in S of loads (n_loads,) that an event starts with at these voltages.

    0 where the current does not fall as the voltage rises.
    """
    return np.minimum(laws.amps(LEAN_AT * volts)[1], 0.0)


def no_slope(equations: StateEquations) -> Array:
    """Slopes of loads that are held whole (n_loads,)."""
    return np.zeros(len(equations.loads))

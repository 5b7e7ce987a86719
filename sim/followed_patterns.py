"""Switch patterns of networks with stores that fade, whose charge and flux are followed.

A store's residual r (see `sim.nonlinear`) acts on the modes of a pattern like a source,

    x' = A x + (A gain) r + B u,   controls c = reach x + own r + rest,   r = law(c).

Within a step r is the polynomial through its values at three Gauss points. What it does to
the modes and to the controls at those points is linear and, for a length of step, the same
every time: matrices made once for each pattern and each length of a ladder, where they are met.
On a ramp r runs straight from its value at the start, so that a ramp stays one map, of
equations in which r are states and their rates inputs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from sim.kernels import Stores
from sim.patterns import PatternTable, RampMatrices
from sim.switch_poly import SwitchPoly, stack
from sim.threads import heed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.patterns import Moving
    from sim.state_equations import Rows, StateEquations

    Array = NDArray[np.float64]
    Complexes = NDArray[np.complex128]

#: Lengths of steps, in s: each twice the one before.
LENGTHS = 1e-9 * 2.0 ** np.arange(15)
#: Gauss points in a step, as shares of it.
POINTS = np.array([0.5 - np.sqrt(0.15), 0.5, 0.5 + np.sqrt(0.15)])
#: Coefficients of t^k of the polynomials that are 1 at one of the points, (points, 3).
LAGRANGE = np.linalg.inv(np.vander(POINTS, 3, increasing=True)).T
#: A mode that rings through a store turns by no more than this in a step, in radian: in the
#: first behind an edge, whose points it could fool, and in any.
MOST_TURN = (3.0, 12.0)
#: Share of a store's own response from which a ringing mode counts for that.
LEAST_SHARE = 0.01


class WithResiduals:
    """Equations with residuals of fading stores as more states, and their rates as more inputs."""

    def __init__(self, eq: StateEquations) -> None:
        gain = eq.stores.gain
        more = len(eq.stores)
        self.n_states, self.n_inputs = eq.n_states + more, eq.n_inputs + more
        self.n_switches = eq.n_switches
        none = SwitchPoly.zero(more, self.n_states)
        self.k = stack([_beside(eq.k, eq.k @ gain), none])
        self.b = stack(
            [
                _beside(eq.b, SwitchPoly.zero(eq.n_states, more)),
                _beside(SwitchPoly.zero(more, eq.n_inputs), SwitchPoly.constant(np.eye(more))),
            ]
        )
        self.mass = stack(
            [
                _beside(eq.mass, SwitchPoly.zero(eq.n_states, more)),
                _beside(SwitchPoly.zero(more, eq.n_states), SwitchPoly.constant(np.eye(more))),
            ]
        )
        self.mass_is_identity = eq.mass_is_identity
        self.ramp = tuple(stack([_beside(r, r @ gain), none]) for r in eq.ramp)


def _beside(left: SwitchPoly, right: SwitchPoly) -> SwitchPoly:
    return stack([left.T, right.T]).T


def can_follow(eq: StateEquations) -> bool:
    """Every fading store carries a state of its own and moves no bridge's cut-set."""
    stores = eq.stores
    if not len(stores) or len(stores.with_rate):
        return False
    apart = [m - (np.eye(eq.n_states) if key == () else 0.0) for key, m in eq.mass.terms.items()]
    return not any(np.any(np.abs(m @ stores.gain) > 1e-12) for m in apart)


class FollowedTable(PatternTable):
    """Patterns with what residuals do in them; `level` holds the matrices of steps.

    Attributes
    ----------
    stores : laws and controls as the kernels read them
    tolerance : (n_stores,) V or A: what residuals may miss their laws by at a step's end
    level_index : (patterns, lengths) row in `level`, -1 where not made
    longest : (patterns, 2) longest first step and any step, as places in `LENGTHS`
    """

    def __init__(self, equations: StateEquations) -> None:
        s = equations.stores
        full = np.array([law.full for law in s.laws])
        half = np.array([law.half for law in s.laws])
        scale = s.value / (full * half)
        self.stores = Stores(s.reach, s.own, s.rest, np.tile(scale, 3), np.tile(half, 3))
        self.tolerance = MISS * half
        n, n_h, n_r = equations.n_states, equations.n_held, len(s)
        self.level = {
            "base": np.zeros((0, n + 1 + n_h, 3 * n_r)),
            "own": np.zeros((0, 3 * n_r, 3 * n_r)),
            "step": np.zeros((0, 3 * n_r, n)),
            "factors": np.zeros((0, 4, n)),
        }
        self.level_index = np.zeros((0, len(LENGTHS)), dtype=np.int64)
        self.longest = np.zeros((0, 2), dtype=np.int64)
        self._levels_used = 0
        super().__init__(equations)
        self._grow_levels()

    def _moving(self) -> Moving:
        return WithResiduals(self.eq)

    def _more_shapes(self) -> dict[str, tuple[int, ...]]:
        n, n_r = self.eq.n_states, len(self.eq.stores)
        return {
            "control": (n_r, n),
            "inject": (n_r, n),
            "read_r": (n + n_r, self._shapes["read"][1]),
        }

    def moving_of(self, bits: tuple[int, ...]) -> RampMatrices:
        del bits
        return RampMatrices(self.moving)

    def _basis(self, at: int) -> Array:
        n, m = self.eq.n_states, self.moving.n_states
        out = np.eye(m)
        out[:n, :n] = self.patterns["basis"][at]
        return out

    def pattern(self, bits: tuple[int, ...]) -> int:
        if bits in self.index:
            return self.index[bits]
        at = super().pattern(bits)
        self._grow_levels()
        eq, p = self.eq, self.patterns
        gain, a = eq.stores.gain, p["a"][at]
        p["control"][at] = eq.stores.reach @ p["basis"][at]
        p["inject"][at] = (p["inverse"][at] @ a @ gain).T
        # speeds, their slopes and load volts also go by residuals
        more = np.zeros((len(eq.stores), p["read"].shape[2]))
        n_w = len(eq.speed_scale)
        speed = np.zeros((n_w, eq.n_states))
        speed[:, eq.speed_states] = np.diag(eq.speed_scale)
        more[:, n_w : 2 * n_w] = (speed @ a @ gain).T
        if len(eq.loads):
            s = self.switches(bits)
            rows = eq.load_volts
            more[:, 2 * n_w : 2 * n_w + len(eq.loads)] = (
                (rows.x.at(s) + rows.d.at(s) @ a) @ gain
            ).T
        p["read_r"][at] = np.vstack([p["read"][at], more])
        self.longest[at] = [self._longest(at, turn) for turn in MOST_TURN]
        return at

    def outputs(
        self, rows: Rows, bits: tuple[int, ...], s: Array, slope: Array
    ) -> tuple[Array, Array]:
        """Outputs of states and residuals, and of inputs and rates."""
        gain = self.eq.stores.gain
        x, u = super().outputs(rows, bits, s, slope)
        return np.hstack([x, x @ gain]), np.hstack([u, rows.d.at(s) @ gain])

    # -- steps -----------------------------------------------------------------

    def _modes(self, at: int) -> tuple[Complexes, Complexes, Complexes]:
        """Complex rates (m,), controls of (n_stores, m) and forces on modes (m, n_stores)."""
        p, pairs = self.patterns, int(self.pairs[at])
        count = self.eq.n_states - pairs
        rate = p["rates"][at, 0, :count] + 1j * np.where(
            np.arange(count) < pairs, p["rates"][at, 1, :count], 0.0
        )
        return rate, self._rows_of(p["control"][at], pairs), self._forces(p["inject"][at].T, pairs)

    @staticmethod
    def _rows_of(rows: Array, pairs: int) -> Complexes:
        out = np.concatenate([rows[:, : 2 * pairs : 2], rows[:, 2 * pairs :]], axis=1)
        out = out.astype(complex)
        out[:, :pairs] -= 1j * rows[:, 1 : 2 * pairs : 2]
        return out

    @staticmethod
    def _forces(columns: Array, pairs: int) -> Complexes:
        out = np.concatenate([columns[: 2 * pairs : 2], columns[2 * pairs :]]).astype(complex)
        out[:pairs] += 1j * columns[1 : 2 * pairs : 2]
        return out

    def _longest(self, at: int, turn: float) -> int:
        """The longest step in which what rings through a store turns little."""
        rate, control, force = self._modes(at)
        share = np.abs(control).max(axis=0) * np.abs(force).max(axis=1) / np.abs(rate)
        rings = (np.abs(rate.imag) > 0.3 * np.abs(rate)) & (share > LEAST_SHARE)
        quickest = float(np.max(np.abs(rate[rings]), initial=1.0))
        fits = np.flatnonzero(LENGTHS * quickest <= turn)
        return int(fits[-1]) if len(fits) else 0

    def make_level(self, at: int, length: int) -> None:
        """Matrices of a step of a length in a pattern, made if new."""
        if self.level_index[at, length] >= 0:
            return
        heed()
        new = self._levels_used
        if new == len(self.level["own"]):
            add = max(32, new)
            for name, old in self.level.items():
                wide = np.zeros((add, *old.shape[1:]))
                self.level[name] = np.concatenate([old, wide])
        self._levels_used += 1
        eq, h, pairs = self.eq, float(LENGTHS[length]), int(self.pairs[at])
        n, n_r = eq.n_states, len(eq.stores)
        rate, control, force = self._modes(at)
        held = self._forces(self.patterns["forced"][at].T, pairs)
        base, own = self.level["base"][new], self.level["own"][new]
        for i, share in enumerate((*POINTS, 1.0)):
            t = share * h
            z = rate * t
            phi = _phi(z)
            # of t^k / h^k: k! t^(k+1) phi_(k+1) / h^k
            powers = np.array([t * phi[1], t * share * phi[2], 2.0 * t * share**2 * phi[3]])
            by_point = LAGRANGE @ powers
            if i == 3:
                step = self.level["step"][new]
                for j in range(3):
                    moved = by_point[j][:, None] * force
                    step[j * n_r : (j + 1) * n_r] = self._unpacked(moved, pairs).T
                factors = self.level["factors"][new]
                for row, part in enumerate((phi[0].real, phi[0].imag, powers[0].real)):
                    factors[row, : len(rate)] = part
                factors[3, : len(rate)] = powers[0].imag
                break
            mine = slice(i * n_r, (i + 1) * n_r)
            turned = control * phi[0]
            base[: 2 * pairs : 2, mine] = turned[:, :pairs].real.T
            base[1 : 2 * pairs : 2, mine] = -turned[:, :pairs].imag.T
            base[2 * pairs : n, mine] = turned[:, pairs:].real.T
            base[n:, mine] = (control @ (powers[0][:, None] * held)).real.T
            base[n, mine] += eq.stores.rest
            for j in range(3):
                own[j * n_r : (j + 1) * n_r, mine] = (
                    control @ (by_point[j][:, None] * force)
                ).real.T
            own[mine, mine] += eq.stores.own.T
        self.level_index[at, length] = new

    def _unpacked(self, modes: Complexes, pairs: int) -> Array:
        out = np.zeros((self.eq.n_states, modes.shape[1]))
        out[: 2 * pairs : 2], out[1 : 2 * pairs : 2] = modes[:pairs].real, modes[:pairs].imag
        out[2 * pairs :] = modes[pairs:].real
        return out

    def still(self) -> FollowedTable:
        with self.lock:
            view = super().still()
            view.level = dict(self.level)
            view.level_index = self.level_index.copy()
            return view

    def _grow_levels(self) -> None:
        add = len(self.pairs) - len(self.longest)
        if add > 0:
            none = np.full((add, len(LENGTHS)), -1, dtype=np.int64)
            self.level_index = np.concatenate([self.level_index, none])
            self.longest = np.concatenate([self.longest, np.zeros((add, 2), dtype=np.int64)])


#: What a residual's polynomial may miss its law by, as a share of the half voltage or current.
MISS = 3e-4


def _phi(z: Complexes) -> list[Complexes]:
    """exp(z) and the functions phi_1 to phi_3 of the exponential."""
    small = np.abs(z) < 1.0
    safe = np.where(small, 1.0, z)
    out = [np.exp(z)]
    factorial = 1.0
    for k in range(3):
        if k:
            factorial *= k
        out.append((out[-1] - 1.0 / factorial) / safe)
    for k in range(1, 4):
        # sum of z^j / (j + k)!
        total, term = np.zeros_like(z), np.ones_like(z)
        for j in range(1, k + 1):
            term = term / j
        for j in range(1, 24):
            total = total + term
            term = term * z / (j + k)
        out[k] = np.where(small, total, out[k])
    return out

"""The network in the modes of each switch pattern, and across each ramp.

Between edges the network is linear, x' = A x + B u with u held. In the eigenvectors
of A every mode moves by itself: y' = lambda y + w. Complex pairs are kept as two real
numbers (y1, y2) with x = Re((y1 + i y2) v), so everything stays real.

A ramp of full length from a known pattern is one linear map, made once: a product of
fourth-order Magnus steps (two Gauss nodes and their commutator; Blanes, Casas, Oteo
and Ros, Phys. Rep. 470, 151 (2009), from memory).

Patterns are made when met: twelve bridges have 4,096 of them, a run sees a few.
"""

from __future__ import annotations

import copy
import itertools
import math
import threading
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any, Protocol, Self

import numpy as np

from sim import plain, ramp_kernels
from sim.blocks import eights, rows_together
from sim.errors import SolveError
from sim.kernels import mode_rates
from sim.leaning import leaning, no_slope
from sim.state_equations import AUX_SCALE
from sim.threads import heed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from sim.leaning import LeaningLoads
    from sim.state_equations import Rows, StateEquations
    from sim.switch_poly import SwitchPoly

    Array = NDArray[np.float64]

#: Eigenvectors worse conditioned than this are not used as they are.
WORST_CONDITION = 1e8
#: Rates below this share of the fastest are rounding: such modes stand still.
STANDS_STILL = 1e-14
#: Error allowed in the map across a ramp, of one: halving its steps changes it by no more.
RAMP_TOLERANCE = 1e-8
#: Norm of a step of a ramp's Taylor series, and most such steps.
SERIES_STEP, MOST_SERIES_STEPS = 5.0, 40
#: Most Magnus steps of a ramp. Only a bridge mode of some 100 GHz would want more.
MOST_RAMP_STEPS = 4096

#: Of so many bridges all patterns and ramps are made at the first edge, at once.
FEW_SWITCHES = 4

_GAUSS = np.sqrt(3.0) / 6.0
_THREE_POINTS = np.polynomial.legendre.leggauss(3)


class Moving(Protocol):
    """Equations as ramps need them; see `StateEquations`."""

    n_states: int
    n_inputs: int
    n_switches: int
    k: SwitchPoly
    b: SwitchPoly
    mass: SwitchPoly
    mass_is_identity: bool
    ramp: tuple[SwitchPoly, ...]


class Modes:
    """Eigenvalues and real modal basis of one matrix.

    Attributes
    ----------
    pairs : number of complex pairs, which come first
    re, im : (n,) of each mode; a pair has its values at both of its places
    basis, inverse : x = basis y, (n, n)
    fastest : size of the largest eigenvalue, 1/s
    condition : of the basis
    nudged : relative change of the entries that was needed to part merging modes, 0 mostly
    """

    def __init__(self, matrix: Array) -> None:
        self.nudged = 0.0
        self._decompose(matrix)
        if self.condition >= WORST_CONDITION:
            self._nudge(matrix)

    @classmethod
    def of_all(cls, matrices: Array) -> list[Modes]:
        """The same of matrices (count, n, n), sooner than one by one."""
        values, vectors = np.linalg.eig(matrices)
        every = [cls.__new__(cls) for _ in matrices]
        for own, matrix, value, vector in zip(every, matrices, values, vectors, strict=True):
            own.nudged = 0.0
            own._arrange(matrix, value, vector)
        try:
            inverses = np.linalg.inv(np.array([own.basis for own in every]))
        except np.linalg.LinAlgError:
            return [cls(matrix) for matrix in matrices]
        for own, matrix, inverse in zip(every, matrices, inverses, strict=True):
            own._invert(inverse)
            if own.condition >= WORST_CONDITION:
                own._nudge(matrix)
        return every

    def _nudge(self, matrix: Array) -> None:
        noise = np.random.default_rng(1).uniform(-1.0, 1.0, matrix.shape)
        # Two modes that merge (critical damping) have no two eigenvectors. Changing every
        # entry by 1e-11 of itself parts them; the solution moves by about as little, since it
        # is smooth in the entries even where the modes are not.
        for nudge in (1e-11, 1e-10, 1e-9):
            self.nudged = nudge
            self._decompose(matrix * (1.0 + nudge * noise))
            if self.condition < WORST_CONDITION:
                return
        raise SolveError(
            "run", "two modes of the network cannot be told apart", "Change a value slightly"
        )

    def _decompose(self, matrix: Array) -> None:
        self._arrange(matrix, *np.linalg.eig(matrix))
        try:
            self._invert(np.linalg.inv(self.basis))
        except np.linalg.LinAlgError:
            self.condition = math.inf

    def _arrange(self, matrix: Array, values: NDArray[Any], vectors: NDArray[Any]) -> None:
        """Put eigenvalues and eigenvectors in order."""
        sizes = np.abs(values)
        still = sizes <= STANDS_STILL * np.max(sizes, initial=0.0)
        if np.count_nonzero(still) > 1:
            _part_what_stands_still(matrix, values, vectors, still)
        upper = np.flatnonzero(values.imag > 0.0)
        real = np.flatnonzero(values.imag == 0.0)
        self.pairs = len(upper)
        n, two = len(matrix), 2 * len(upper)
        each = np.concatenate([np.repeat(upper, 2), real])
        self.re, self.im = values.real[each], values.imag[each]
        self.fastest = float(np.max(sizes, initial=0.0))
        self.basis = np.empty((n, n))
        self.basis[:, 0:two:2] = vectors[:, upper].real
        self.basis[:, 1:two:2] = -vectors[:, upper].imag
        self.basis[:, two:] = vectors[:, real].real

    def _invert(self, inverse: NDArray[Any]) -> None:
        """Take the basis' inverse, and how well both are conditioned from it."""
        self.inverse = inverse
        # in the Frobenius norm: never below the usual condition, and without another decomposition
        squares = np.vdot(self.basis, self.basis) * np.vdot(self.inverse, self.inverse)
        self.condition = math.sqrt(float(squares)) if len(inverse) else 1.0


def _part_what_stands_still(
    matrix: Array, values: NDArray[Any], vectors: NDArray[Any], still: NDArray[np.bool_]
) -> None:
    """Well separated vectors, in place, for the modes (n,) of `matrix` that stand still.

    Several loops of inductors stand still alike: their eigenvectors come out nearly parallel,
    with a little of the fast ones in them. The null spaces come clean from the singular values.
    """
    count = np.count_nonzero(still)
    columns, sizes, rows = np.linalg.svd(matrix)
    if np.count_nonzero(sizes <= STANDS_STILL * sizes[0]) != count:
        return
    right, left = rows[-count:].T, columns[:, -count:].T
    values[still], vectors[:, still] = 0.0, right
    # nothing that stands still may be left in what moves
    inside = np.linalg.solve(left @ right, left @ vectors[:, ~still])
    vectors[:, ~still] -= right @ inside


class RampMatrices:
    """A(s) and B(s) while switches move at given slopes."""

    def __init__(self, equations: Moving) -> None:
        self.eq = equations

    def at(self, s: Array, slope: Array) -> tuple[Array, Array]:
        """A (n, n) and B (n, n_inputs) at switch values s moving at `slope` per s."""
        eq = self.eq
        a = eq.k.at(s)
        for k, ramp in enumerate(eq.ramp):
            if slope[k] != 0.0:
                a = a - slope[k] * ramp.at(s)
        b = eq.b.at(s)
        if not eq.mass_is_identity:
            both: Array = np.asarray(np.linalg.solve(eq.mass.at(s), np.hstack([a, b])), dtype=float)
            a, b = both[:, : eq.n_states], both[:, eq.n_states :]
        return np.asarray(a), np.asarray(b)

    def across(self, s0: Array, slope: Array, seconds: float, count: int) -> tuple[Array, Array]:
        """x after = R x + S u over a ramp in `count` steps: R (n, n), S (n, n_inputs)."""
        # 16 MB and a tenth of a second, which only ramps that series do not reach are worth
        from scipy.linalg import expm

        n, n_u = self.eq.n_states, self.eq.n_inputs
        h = seconds / count
        total = np.eye(n + n_u)
        for i in range(count):
            early = s0 + slope * h * (i + 0.5 - _GAUSS)
            late = s0 + slope * h * (i + 0.5 + _GAUSS)
            m1, m2 = np.zeros((n + n_u, n + n_u)), np.zeros((n + n_u, n + n_u))
            m1[:n, :n], m1[:n, n:] = self.at(early, slope)
            m2[:n, :n], m2[:n, n:] = self.at(late, slope)
            omega = 0.5 * h * (m1 + m2) + (np.sqrt(3.0) / 12.0) * h * h * (m2 @ m1 - m1 @ m2)
            with np.errstate(over="ignore", invalid="ignore"):  # in too long a step
                total = expm(omega) @ total
        return total[:n, :n], total[:n, n:]

    def whole(
        self, s0: Array, slope: Array, seconds: float, first: int = 2
    ) -> tuple[Array, Array, int]:
        """`across` with as many steps as it takes, at least `first` (even); and how many.

        The size of A tells little: a mode can be fast and yet untouched by the switch, or slow
        and bound to it through a cut-set. What counts is what halving the steps changes, at
        the ramp's end and in its middle, where modes that die within it still show.
        """
        half = 0.5 * seconds

        def halves(count: int) -> list[tuple[Array, Array]]:
            """Maps to the middle, if a step ends there, and to the end."""
            if count == 1:
                return [self.across(s0, slope, seconds, 1)]
            r1, s1 = self.across(s0, slope, half, count // 2)
            r2, s2 = self.across(s0 + half * slope, slope, half, count // 2)
            return [(r2 @ r1, r2 @ s1 + s2), (r1, s1)]

        count, coarse = first, halves(first // 2)
        while True:
            fine = halves(count)
            if _agree(coarse, fine) or count >= MOST_RAMP_STEPS:
                r, s = ((16.0 * b - a) / 15.0 for a, b in zip(coarse[0], fine[0], strict=True))
                return r, s, count
            count, coarse = 2 * count, fine


def _agree(coarse: Sequence[tuple[Array, Array]], fine: Sequence[tuple[Array, Array]]) -> bool:
    """Maps that differ by no more than halving the steps of a good one changes, row by row.

    Row by row, since a state of little energy can still be a volt across a nanohenry.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        for pair in zip(coarse, fine, strict=False):
            for a, b in zip(*pair, strict=True):
                size = np.linalg.norm(b, axis=1)
                least = 1e-3 * np.max(size, initial=0.0)
                # a step half as long errs by a sixteenth
                allowed = 15.0 * RAMP_TOLERANCE * np.maximum(size, least)
                # (what overflowed in too long a step compares as false, also where both did)
                off = np.linalg.norm(b - a, axis=1)
                if not np.all(np.isfinite(size) & (off <= allowed)):
                    return False
    return True


class RampSeries:
    """Maps across full ramps by Taylor series, exact to rounding, where A(s) is a polynomial.

    On a ramp one switch moves, so that A(s) = A_0 + sum_d t^d D_d, t from 0 to 1, with D_d of a
    few rows. The solution's series in t converges everywhere; its terms cost one product each,
    made for all bridges of a pattern at once, and fall as fast as those of the exponential.
    """

    def __init__(self, equations: Moving, rise_s: Array) -> None:
        self.eq, self.rise_s = equations, rise_s
        #: of `_shares`, by the bits
        self._known: dict[bytes, Array] = {}
        # what each bridge moves: power of its own switch, the others with it, matrix of [A B]
        self._moved: list[list[tuple[int, tuple[int, ...], Array]]] = []
        self._rows: list[NDArray[np.int64]] = []
        n, n_u = equations.n_states, equations.n_inputs
        for leg in range(equations.n_switches):
            keys = {k for p in (equations.k, equations.b) for k in p.terms if leg in k}
            terms = []
            for key in sorted(keys):
                both = np.zeros((n, n + n_u))
                both[:, :n] = equations.k.terms.get(key, 0.0)
                both[:, n:] = equations.b.terms.get(key, 0.0)
                terms.append((key.count(leg), tuple(k for k in key if k != leg), both))
            rows = np.flatnonzero(sum((np.abs(m).sum(axis=1) for *_, m in terms), np.zeros(n)))
            self._moved.append([(power, rest, both[rows]) for power, rest, both in terms])
            self._rows.append(rows)
        self._width = max((len(rows) for rows in self._rows), default=0)
        #: the same of equal number: filled up with rows to which nothing is added
        self._into = np.zeros((self._width, equations.n_switches), dtype=np.int64)
        for leg, rows in enumerate(self._rows):
            others = np.setdiff1d(np.arange(n), rows)
            self._into[:, leg] = np.concatenate([rows, others])[: self._width]
        self._degree = max((power for terms in self._moved for power, *_ in terms), default=0)
        every = [rows for terms in self._moved for *_, rows in terms]
        #: the terms of all bridges one after another, (terms, rows, n + n_u)
        self._terms = np.zeros((len(every), self._width, n + n_u))
        for term, matrix in zip(self._terms, every, strict=True):
            term[: len(matrix)] = matrix
        #: sums of sizes down their columns
        self._sizes = np.abs(self._terms[..., :n]).sum(axis=1)

    def _shares(self, bits: Array) -> Array:
        """What each term counts on each ramp out of a pattern, (degree + 1, n_switches, terms)."""
        known = self._known.get(key := bits.tobytes())
        if known is not None:
            return known
        out = np.zeros((self._degree + 1, self.eq.n_switches, len(self._terms)))
        at = 0
        for leg, terms in enumerate(self._moved):
            for shares, weight in terms_at(terms, leg, bits):
                if weight:
                    out[1 : 1 + len(shares), leg, at] = shares
                at += 1
        self._known[key] = out
        return out

    def _bends(self, bits: Array) -> Array:
        """D_d of each bridge's ramp out of a pattern, (degree + 1, n_switches, rows, n + n_u)."""
        return np.tensordot(self._shares(bits), self._terms, 1)

    def norms(self, bits: Array, a: Array) -> tuple[float, Array]:
        """Bounds on the norms of A_0 and of each D_d (degree + 1,), times a ramp's length.

        Of any ramp out of a pattern.
        """
        still = np.max(np.abs(a).sum(axis=0), initial=0.0) * np.max(self.rise_s, initial=0.0)
        moved = np.max(np.abs(self._shares(bits)) @ self._sizes, axis=2, initial=0.0)
        return float(still), np.asarray((moved * self.rise_s).max(axis=1, initial=0.0))

    @cached_property
    def _few_columns(self) -> tuple[Array, Array]:
        """What bridges move as products of their L (n_switches, n, rank) and each term's R.

        R is (terms, rank, n + n_inputs). A bridge couples a current with a voltage, so that the
        rank is about two.
        """
        n, width = self.eq.n_states, self._terms.shape[2]
        found = []
        for terms in self._moved:
            columns, sizes, _ = np.linalg.svd(
                np.hstack([m for *_, m in terms]) if terms else np.zeros((0, 1))
            )
            found.append(columns[:, : np.count_nonzero(sizes > 1e-15 * np.max(sizes, initial=0.0))])
        most = max((columns.shape[1] for columns in found), default=0)
        left, right = np.zeros((len(found), n, most)), np.zeros((len(self._terms), most, width))
        at = 0
        for leg, columns in enumerate(found):
            rank = columns.shape[1]
            left[leg, self._rows[leg], :rank] = columns
            for *_, matrix in self._moved[leg]:
                right[at, :rank] = columns.T @ matrix
                at += 1
        return left, right

    def in_modes(
        self, bits: Array, norms: tuple[float, Array], pairs: int, of: dict[str, Array]
    ) -> Array | None:
        """Maps from the modes of a pattern and inputs at a ramp's start to modes at its end.

        By the kernel, so only where that is compiled; None where the series takes more than a step
        or a bridge moves too much.

        Parameters
        ----------
        norms : of `norms`
        pairs : complex modes
        of : "re", "im", "basis", "inverse" of the pattern's modes, and its matrix "b"

        Returns
        -------
        (n_switches, n, n + n_inputs)
        """
        eq = self.eq
        n, n_s, width = eq.n_states, eq.n_switches, eq.n_states + eq.n_inputs
        left, rights = self._few_columns
        if sum(norms[1], norms[0]) > SERIES_STEP or 4 * left.shape[2] > n:
            return None
        right = np.tensordot(self._shares(bits).transpose(1, 0, 2), rights, 1)
        right[..., :n] = right[..., :n] @ of["basis"]
        out = np.zeros((n_s, n, width))
        ramp_kernels.ramp_maps(
            pairs, of["re"], of["im"], of["inverse"] @ of["b"],
            np.ascontiguousarray(of["inverse"] @ left), right, self.rise_s,
            _enough_terms(*norms), out,
        )  # fmt: skip
        return out

    def maps(self, bits: Array, a: Array, b: Array, shares: Array) -> Array:
        """Maps from the state and inputs at a ramp's start to shares of it (rising).

        Parameters
        ----------
        a, b : the pattern's matrices, (n, n) and (n, n_inputs)

        Returns
        -------
        (n_switches, shares, n, n + n_inputs)
        """
        eq = self.eq
        n, n_s, width = eq.n_states, eq.n_switches, eq.n_states + eq.n_inputs
        bends = self._bends(bits)
        still, moved = self.norms(bits, a)
        steps = max(1, math.ceil((still + float(moved.sum())) / SERIES_STEP))
        h = 1.0 / steps
        count = _terms(still, moved, h)
        rise = (h * self.rise_s)[:, None]
        out = np.zeros((n_s, len(shares), n, width))
        # states beside one another, (n, n_switches, n + n_inputs)
        now = np.zeros((n, n_s, width))
        now[np.arange(n), :, np.arange(n)] = 1.0
        legs = np.arange(n_s)
        for step in range(steps):
            bent = _begun_again(bends, step * h, h)
            series = np.zeros((count + 1, n, n_s, width))
            series[0] = now
            for k in range(count):
                new = (a @ series[k].reshape(n, -1)).reshape(n, n_s, width)
                if k == 0:
                    new[:, :, n:] += b[:, None, :]
                extra = np.zeros((n_s, self._width, width))
                for d in range(min(k, self._degree) + 1):
                    if d or step:
                        extra += bent[d, :, :, :n] @ series[k - d].transpose(1, 0, 2)
                    if d == k:
                        extra[:, :, n:] += bent[d, :, :, n:]
                new[self._into, legs] += extra.transpose(1, 0, 2)
                series[k + 1] = new * (rise / (k + 1))
            inside = (shares >= step * h) & (shares < (step + 1) * h)
            if step == steps - 1:
                inside |= shares >= 1.0
            if np.any(inside):
                power = ((shares[inside] - step * h) / h)[:, None] ** np.arange(count + 1)
                out[:, inside] = np.tensordot(power, series, 1).transpose(2, 0, 1, 3)
            if step < steps - 1:
                now = series.sum(axis=0)
        return out


def terms_at(
    terms: list[tuple[int, tuple[int, ...], Array]], leg: int, bits: Array
) -> list[tuple[list[float], float]]:
    """A bridge's terms on its ramp out of a pattern: shares of t, t^2, ..., and a weight, each."""
    begin, way = float(bits[leg]), 1.0 - 2.0 * float(bits[leg])
    return [
        (
            [math.comb(power, d) * begin ** (power - d) * way**d for d in range(1, power + 1)],
            math.prod(float(bits[k]) for k in rest),
        )
        for power, rest, _ in terms
    ]


def _terms(still: float, moved: Array, h: float) -> int:
    """Terms of a step's series until the rest is next to nothing.

    A series of numbers that bounds the norms of the terms is summed beside: it is that of
    x' = (a_0 + a_1 t + ...) x + 1 + t + ..., with the norms of the matrices for a_d. Not that of
    the exponential alone: what moves with t^d first shows d + 1 terms on, so that where norms are
    small most terms are next to nothing long before the last that counts.

    Parameters
    ----------
    still, moved : of `RampSeries._norms`
    h : the step's share of the ramp; in a later one all that has moved until then stands still
    """
    degree = len(moved) - 1
    a = [sum(math.comb(e, d) * moved[e] for e in range(max(d, 1), degree + 1)) * h ** (d + 1)
         for d in range(degree + 1)]  # fmt: skip
    a[0] = still * h + (a[0] if h < 1.0 else 0.0)
    terms = [1.0]
    while len(terms) <= degree + 1 or max(terms[-degree - 1 :]) > 1e-18:
        k = len(terms) - 1
        new = sum(a[d] * terms[k - d] for d in range(min(k, degree) + 1))
        terms.append((new + (k <= degree)) / (k + 1))
    return len(terms) - 1


def _enough_terms(still: float, moved: Array) -> int:
    """Terms of z in `sim.ramp_kernels` until what they do is next to nothing, or one more.

    By a series of numbers as in `_terms`. Patterns are alike, and summing takes its time.
    """
    up = [math.ceil(4.0 * math.log2(max(norm, 1e-9))) for norm in (still, *moved.tolist())]
    return _bending_terms(tuple(up))


@lru_cache(maxsize=256)
def _bending_terms(quarters: tuple[int, ...]) -> int:
    """`_enough_terms` of norms given as quarters of their logarithm to base 2."""
    still, *moved = (2.0 ** (quarter / 4.0) for quarter in quarters)
    degree = len(moved) - 1
    states, bends = [1.0], [0.0]
    while len(bends) <= degree + 1 or max(bends[-degree - 1 :]) > 1e-18:
        m = len(bends)
        states.append((still * states[-1] + m * bends[-1] + (m == 1)) / m)
        bend = sum(moved[d] * states[m - d] for d in range(1, min(m, degree) + 1))
        # (as it has moved the modes by the ramp's end)
        bends.append((bend + (m <= degree) * moved[min(m, degree)]) / (m + 1))
    return len(bends)


def _begun_again(bends: Array, start: float, h: float) -> Array:
    """Series sum_d t^d D_d in t' with t = start + h t'."""
    out = np.zeros_like(bends)
    for d, bend in enumerate(bends):
        for low in range(d + 1):
            out[low] += math.comb(d, low) * start ** (d - low) * h**low * bend
    return out


class MonomialTable:
    """Matrices of a system polynomial in the switches, one row a monomial."""

    def __init__(self, eq: Moving) -> None:
        polys = [eq.k, eq.b, eq.mass, *eq.ramp]
        keys = sorted({key for p in polys for key in p.terms}, key=lambda k: (len(k), k)) or [()]
        width = max(1, max(len(key) for key in keys))
        self.keys = np.full((len(keys), width), -1, dtype=np.int64)
        n, n_u = eq.n_states, eq.n_inputs
        self.k = np.zeros((len(keys), n, n))
        self.b = np.zeros((len(keys), n, n_u))
        self.mass = np.zeros((len(keys), n, n))
        self.ramp = np.zeros((len(eq.ramp), len(keys), n, n))
        for i, key in enumerate(keys):
            self.keys[i, : len(key)] = key
            for table, poly in ((self.k, eq.k), (self.b, eq.b), (self.mass, eq.mass)):
                if key in poly.terms:
                    table[i] = poly.terms[key]
            for leg, poly in enumerate(eq.ramp):
                if key in poly.terms:
                    self.ramp[leg, i] = poly.terms[key]
        self.trivial_mass = eq.mass_is_identity


class PatternTable:
    """Modes of every pattern met, in arrays that grow.

    A pattern is the tuple of its switch states. Loads lean on their voltages by `load_slopes`
    (n_loads,) in S, where given. All arrays have the pattern, or the
    ramp, as their first index; `names` says what each holds.
    """

    def __init__(self, equations: StateEquations, load_slopes: Array | None = None) -> None:
        self.eq = equations
        #: loads whose slope is in the matrices (see `sim.leaning`); None where all are held whole
        self.leaning = leaning(equations, load_slopes)
        #: by how much each load leans on its voltage, in S (n_loads,)
        self.lean = no_slope(equations) if self.leaning is None else self.leaning.slope
        #: what holds on ramps: the equations, or with more states and inputs behind
        self.moving: Moving = self._moving()
        #: how many more states and inputs those have
        self.n_more = self.moving.n_states - equations.n_states
        self.lock = threading.RLock()
        #: of every way a leg can ramp (with diodes there are two, see `sim.diodes`)
        self.rise_s = self._rise_times()
        self.ramps = RampMatrices(self.leaning or equations)
        self.monomials = MonomialTable(self.moving)
        #: a leg has two states, one system for all of them (with diodes it has more)
        self.plain = len(self.rise_s) == equations.n_switches
        self._series = RampSeries(self.moving, self.rise_s[: equations.n_switches])
        self._whole: dict[int, Array] = {}
        #: of all bridges out of a pattern, from its modes to themselves; None where not so
        self._modal: dict[int, Array | None] = {}
        self._slow_enough: dict[int, bool] = {}
        self._norms: dict[int, tuple[float, Array]] = {}
        #: maps of all bridges to points inside their ramps out of a pattern, at so many steps
        self._inside: dict[tuple[int, int], Array] = {}
        self._maps: dict[tuple[int, int, int], list[tuple[Array, Array]]] = {}
        self.index: dict[tuple[int, ...], int] = {}
        self.names: list[tuple[int, ...]] = []
        n, n_s = equations.n_states, equations.n_switches
        n_j, n_w = len(equations.loads), len(equations.speed_scale)
        n_u = equations.n_inputs
        # torques, and EMFs of commutation where any ripples
        n_t = equations.n_held - n_j
        self._shapes: dict[str, tuple[int, ...]] = {
            "re": (n,),
            "im": (n,),
            "basis": (n, n),
            "inverse": (n, n),
            "force": (n,),  # of the constant sources, per mode
            "force_load": (n, n_j),
            "force_drag": (n, n_t),
            "load_y": (n_j, n),
            "load_0": (n_j,),
            "load_load": (n_j, n_j),
            "speed_y": (n_w, n),
            "speed_slope_y": (n_w, n),
            "speed_slope_drag": (n_w,),
            "emf_y": (n_s, n),
            "sense_y": (n_s, n),
            # the same as the march reads them: rates of one mode a pair; force of a one for the
            # sources, then of loads and drag; speeds, their slopes and load volts
            "rates": (4, n),
            "a": (n, n),
            "b": (n, n_u),
            "forced": (1 + n_j + n_t, n),
            "read": (n, eights(2 * n_w + n_j)),
        }
        self._shapes |= self._more_shapes()
        self.patterns: dict[str, Array] = {
            name: np.zeros((0, *shape)) for name, shape in self._shapes.items()
        }
        self.pairs = np.zeros(0, dtype=np.int64)
        self.bits = np.zeros((0, n_s), dtype=np.int64)
        self.leg_ramp = np.zeros((0, len(self.rise_s)), dtype=np.int64)
        # by modal state, a one, loads and drag, then the states and inputs more: the modal state,
        # and where there are none more what the next pattern reads of it; or, with diodes, apart
        self._ramp_shapes: dict[str, tuple[int, ...]] = (
            {"rows": (n + 1 + n_j + n_t + 2 * self.n_more, eights(n + 2 * n_w + n_j))}
            if self.plain
            else {"map": (n, n), "force": (n,), "force_load": (n, n_j), "force_drag": (n, n_t)}
        )
        self.ramp: dict[str, Array] = {
            name: np.zeros((0, *shape)) for name, shape in self._ramp_shapes.items()
        }
        self.ramp_to = np.zeros(0, dtype=np.int64)
        self.ramp_index: dict[tuple[int, int], int] = {}
        self.ramp_steps = 2
        self.worst_condition = 1.0
        self.fastest_per_s = 0.0
        self._used, self._ramps_used = 0, 0
        # from these it is known how finely ramps have to be cut
        if n_s and not self._in_series(self.pattern(self._resting())):
            for leg in range(n_s):
                self.make_ramp(self.pattern(self._resting()), leg)

    def _resting(self) -> tuple[int, ...]:
        """The pattern with every leg low."""
        return (0,) * self.eq.n_switches

    def _in_series(self, at: int) -> bool:
        """Ramps out of a pattern are summed as series."""
        if at not in self._slow_enough:
            s = self.bits[at].astype(float)
            enough = self.plain and self.eq.mass_is_identity
            if enough:
                # (without more states than those of a pattern its own matrix is that of its ramps)
                own = self.moving.k.at(s) if self.n_more else self.patterns["a"][at]
                still, moved = self._norms[at] = self._series.norms(s, own)
                enough = still + float(moved.sum()) <= SERIES_STEP * MOST_SERIES_STEPS
            self._slow_enough[at] = enough
        return self._slow_enough[at]

    def _across(self, at: int, leg: int) -> tuple[Array, Array]:
        """x after = R x + S u over a full ramp out of a pattern."""
        n = self.moving.n_states
        if at not in self._whole and self._in_series(at):
            # of all bridges at once: where one switches, the others will too
            s = self.bits[at].astype(float)
            a, b = self.moving.k.at(s), self.moving.b.at(s)
            # and with the points inside, which integrals will ask for
            steps, points = self.node_steps, self.node_points()[0]
            maps = self._series.maps(s, a, b, np.append(points, 1.0))
            self._whole[at] = maps[:, -1].copy()
            self._inside[at, steps] = maps[:, :-1]
        if at in self._whole:
            both = self._whole[at][leg]
            return both[:, :n], both[:, n:]
        s0, slope = self.way(at, leg)
        matrices, rise = self.moving_of(self.after_ramp(at, leg)), float(self.rise_s[leg])
        r, s, count = matrices.whole(s0, slope, rise, self.ramp_steps)
        self.ramp_steps = max(self.ramp_steps, count)
        return r, s

    def _in_modes(self, at: int, leg: int) -> Array | None:
        """A full ramp from modes of its pattern and inputs to the same modes, (n, n + n_inputs).

        None where `_across` has to tell it.
        """
        if at not in self._modal:
            made = None
            if not self.n_more and plain.usable() and self._in_series(at):
                own = {name: array[at] for name, array in self.patterns.items()}
                bits = self.bits[at].astype(float)
                made = self._series.in_modes(bits, self._norms[at], int(self.pairs[at]), own)
            self._modal[at] = made
        found = self._modal[at]
        return None if found is None else found[leg]

    def _between_modes(self, at: int, leg: int, to: int) -> tuple[Array, ...]:
        """A full ramp from the modes of its pattern to those of the next, and what inputs add.

        With stores that fade what their states and inputs more add comes behind.
        """
        p, n, n_u = self.patterns, self.eq.n_states, self.eq.n_inputs
        into, basis = p["inverse"][to], p["basis"][at]
        modal = self._in_modes(at, leg)
        if modal is not None:
            both = (into @ basis) @ modal
            return both[:, :n], both[:, n:]
        r, s = self._across(at, leg)
        s = into @ s[:n]
        return into @ r[:n, :n] @ basis, s, into @ r[:n, n:], s[:, n_u:]

    def _rise_times(self) -> Array:
        return np.array([c.rise_s for c in self.eq.network.choppers])

    def ramp_step(self) -> float:
        """Longest Magnus step on a ramp, in s, where it is not `RampMatrices.whole`.

        An eighth of what is good enough there: nothing is extrapolated from steps of this length,
        and a mode that dies within a hundredth of the ramp takes an order from them.
        """
        return 0.125 * float(np.min(self.rise_s, initial=1.0)) / self.ramp_steps

    def pattern(self, bits: tuple[int, ...]) -> int:
        """Index of a pattern, made if new."""
        if bits not in self.index:
            self._make([bits])
        return self.index[bits]

    def _make(self, names: list[tuple[int, ...]]) -> None:
        """Make new patterns, all at once."""
        heed()
        count, eq, n_w = len(names), self.eq, len(self.eq.speed_scale)
        while self._used + count > len(self.pairs):
            self._grow()
        at = slice(self._used, self._used + count)
        self._used += count
        s = np.array([self.switches(bits) for bits in names])
        sources = np.array([self.sources(bits) for bits in names])
        a, b = self._matrices(names, s)
        every = Modes.of_all(a)
        self.worst_condition = max(self.worst_condition, *(modes.condition for modes in every))
        self.fastest_per_s = max(self.fastest_per_s, *(modes.fastest for modes in every))
        p = {name: array[at] for name, array in self.patterns.items()}
        self.pairs[at], self.bits[at] = [modes.pairs for modes in every], s
        for i, modes in enumerate(every):
            p["re"][i], p["im"][i] = modes.re, modes.im
            p["basis"][i], p["inverse"][i] = modes.basis, modes.inverse
            p["rates"][i] = mode_rates(modes.pairs, modes.re, modes.im)
        basis = p["basis"]
        p["a"][:], p["b"][:] = a, b
        force = p["inverse"] @ b
        _by_input(p["forced"], force, eq, sources)
        p["force"][:] = p["forced"][:, 0]
        p["force_load"][:] = force[:, :, eq.load_inputs]
        p["force_drag"][:] = force[:, :, eq.rotor_inputs]
        if len(eq.loads):
            x, u = self._load_volts(names, s, a, b)
            p["load_y"][:] = x @ basis
            p["load_0"][:] = (u[:, :, eq.source_inputs] @ sources[:, :, None])[:, :, 0]
            p["load_load"][:] = u[:, :, eq.load_inputs]
        scale = eq.speed_scale[:, None]
        p["speed_y"][:] = scale * basis[:, eq.speed_states]
        p["speed_slope_y"][:] = scale * (a[:, eq.speed_states] @ basis)
        turned = scale * b[:, eq.speed_states, eq.torque_inputs]
        p["speed_slope_drag"][:] = np.diagonal(turned, axis1=1, axis2=2)
        p["emf_y"][:] = eq.limits.emf @ basis
        sensed = eq.limits.sense_state >= 0
        p["sense_y"][:, sensed] = AUX_SCALE * basis[:, eq.limits.sense_state[sensed]]
        read = [p["speed_y"], p["speed_slope_y"], p["load_y"]]
        p["read"][:, :, : 2 * n_w + len(eq.loads)] = np.concatenate(read, 1).transpose(0, 2, 1)
        self.leg_ramp[at] = -1
        self.names += names
        self.index |= {bits: at.start + i for i, bits in enumerate(names)}

    def _matrices(self, names: list[tuple[int, ...]], s: Array) -> tuple[Array, Array]:
        """A (count, n, n) and B (count, n, n_inputs) of patterns, and of switch values s."""
        if not self.plain:
            still = np.zeros(self.eq.n_switches)
            each = [self.ramps_of(bits).at(own, still) for bits, own in zip(names, s, strict=True)]
            return np.array([a for a, _ in each]), np.array([b for _, b in each])
        eq = self.ramps.eq
        a, b = at_patterns(eq.k, s), at_patterns(eq.b, s)
        if not eq.mass_is_identity:
            both = np.linalg.solve(at_patterns(eq.mass, s), np.concatenate([a, b], 2))
            a, b = both[:, :, : eq.n_states], both[:, :, eq.n_states :]
        return a, b

    def _load_volts(
        self, names: list[tuple[int, ...]], s: Array, a: Array, b: Array
    ) -> tuple[Array, Array]:
        """Voltages of loads by states and inputs in patterns, (count, n_loads, ...)."""
        rows = self.eq.load_volts
        if self.plain:
            return pattern_rows(rows, s, a, b, self.leaning)
        still = np.zeros(self.eq.n_switches)
        each = [self.outputs(rows, bits, own, still) for bits, own in zip(names, s, strict=True)]
        return np.array([x for x, _ in each]), np.array([u for _, u in each])

    # -- what holds on ramps (with stores that fade it is more, see `sim.followed_patterns`) --

    def _moving(self) -> Moving:
        return self.leaning or self.eq

    def _more_shapes(self) -> dict[str, tuple[int, ...]]:
        """Arrays of a pattern beside those of all."""
        return {}

    def moving_of(self, bits: tuple[int, ...]) -> RampMatrices:
        """The matrices on ramps that lead to a pattern, of `moving`."""
        return self.ramps_of(bits)

    def _basis(self, at: int) -> Array:
        """`moving` states from the modes of a pattern."""
        return np.asarray(self.patterns["basis"][at])

    # -- what a pattern stands for (legs with diodes have more states, see `sim.diodes`) --

    def switches(self, bits: tuple[int, ...]) -> Array:
        """Switch values of a pattern (n_switches,)."""
        return np.array(bits, dtype=float)

    def sources(self, bits: tuple[int, ...]) -> Array:
        """EMFs while a pattern holds, and on ramps that lead to it (n_sources,)."""
        del bits
        return self.eq.sources

    def ramps_of(self, bits: tuple[int, ...]) -> RampMatrices:
        """The matrices that hold in a pattern and on ramps that lead to it."""
        del bits
        return self.ramps

    def outputs(
        self, rows: Rows, bits: tuple[int, ...], s: Array, slope: Array
    ) -> tuple[Array, Array]:
        """Outputs as y = X x + U u, with x' put in, in a pattern or on a ramp that leads to it."""
        x, u = rows.x.at(s), rows.u.at(s)
        if self.leaning is not None:
            own = self.leaning
            x, u = own.outputs(x, u, own.of_x.at(s), own.more.at(s))
        if rows.needs_slope:
            d = rows.d.at(s)
            a, b = self.ramps_of(bits).at(s, slope)
            x, u = x + d @ a, u + d @ b
        for k, ramp in enumerate(rows.ramp):
            if slope[k] != 0.0:
                x = x + slope[k] * ramp.at(s)
        return x, u

    def complete(self, bits: tuple[int, ...], s: Array, slope: Array, x: Array, u: Array) -> None:
        """Put into inputs u (T, n_inputs) what follows from states x (T, n) on a ramp.

        `s` (T, n_switches) are the switches' values, `slope` (n_switches,) what they move at.
        """
        del bits, slope
        if self.leaning is not None:
            self.leaning.complete(s, x, u)

    def make_ramp(self, at: int, leg: int) -> int:
        """Index of the full ramp of one leg out of a pattern, made if new."""
        if self.leg_ramp[at, leg] >= 0:
            return int(self.leg_ramp[at, leg])
        heed()
        bits = self.after_ramp(at, leg)
        to = self.pattern(bits)
        own_map, s, *more = self._between_modes(at, leg, to)
        new = self._ramps_used
        if new == len(self.ramp_to):
            self._grow_ramps()
        self._ramps_used += 1
        eq = self.eq
        sources = self.sources(bits)
        if self.plain:
            n = eq.n_states
            rows, width = self.ramp["rows"][new, :, :n], n + 1 + eq.n_held
            rows[:n] = own_map.T
            _by_input(rows[None, n:width], s[None], eq, sources)
            if self.n_more:
                np.concatenate([part.T for part in more], out=rows[width:])
            else:
                read = self.patterns["read"][to, :, : 2 * len(eq.speed_scale) + len(eq.loads)]
                self.ramp["rows"][new, :, n : n + read.shape[1]] = rows @ read
        else:
            self.ramp["map"][new] = own_map
            self.ramp["force"][new] = s[:, eq.source_inputs] @ sources
            self.ramp["force_load"][new] = s[:, eq.load_inputs]
            self.ramp["force_drag"][new] = s[:, eq.rotor_inputs]
        self.ramp_to[new] = to
        self.ramp_index[at, leg] = new
        self.leg_ramp[at, leg] = new
        return new

    def row_ahead(self) -> Array:
        """Where a march puts what a ramp leaves, and behind it whether that holds."""
        width = self._ramp_shapes.get("rows", (0, 0))[1] + 1
        return rows_together({"": ()}, width)[""]

    def meet(self, at: int, leg: int) -> None:
        """Make the full ramp of a leg out of a pattern, which a march asks for.

        And those between where it leads and what is met already: each is made faster than asked
        for, and where one pattern follows another the others will. Of few bridges all there is.
        """
        if self._make_all():
            return
        ramp = self.make_ramp(at, leg)
        to = int(self.ramp_to[ramp])
        for other in range(self.eq.n_switches):
            near = self.index.get(self.after_ramp(to, other))
            if near is not None:
                self.make_ramp(to, other)
                self.make_ramp(near, other)

    def _make_all(self) -> bool:
        """Make all patterns and ramps at once; False where they are many, or no such maps."""
        n_s, eq = self.eq.n_switches, self.eq
        if self.n_more or self._ramps_used or not self.plain or n_s > FEW_SWITCHES:
            return False
        every = list(itertools.product((0, 1), repeat=n_s))
        if missing := [bits for bits in every if bits not in self.index]:
            self._make(missing)
        count, n = len(every), eq.n_states
        if any(self._in_modes(at, 0) is None for at in range(count)):
            return False
        maps = np.array([self._modal[at] for at in range(count)])
        to = np.array(
            [[self.index[self.after_ramp(at, leg)] for leg in range(n_s)] for at in range(count)]
        )
        p = self.patterns
        between = p["inverse"][to] @ p["basis"][:count, None]
        maps = (between @ maps).reshape(count * n_s, n, -1)
        first = self._ramps_used
        while first + len(maps) > len(self.ramp_to):
            self._grow_ramps()
        self._ramps_used += len(maps)
        new = slice(first, first + len(maps))
        rows = self.ramp["rows"][new]
        rows[:, :n, :n] = maps[:, :, :n].transpose(0, 2, 1)
        _by_input(rows[:, n:, :n], maps[:, :, n:], eq, eq.sources)
        width = 2 * len(eq.speed_scale) + len(eq.loads)
        rows[:, :, n : n + width] = rows[:, :, :n] @ p["read"][to.ravel(), :, :width]
        self.ramp_to[new] = to.ravel()
        self.leg_ramp[:count] = np.arange(first, first + len(maps)).reshape(count, n_s)
        keys = itertools.product(range(count), range(n_s))
        self.ramp_index |= {key: first + i for i, key in enumerate(keys)}
        # (nobody asks again)
        self._modal.clear()
        return True

    def after_ramp(self, at: int, leg: int) -> tuple[int, ...]:
        """The pattern that a full ramp of a leg leads to."""
        bits = list(self.names[at])
        bits[leg] = 1 - bits[leg]
        return tuple(bits)

    def monomials_of(self, bits: tuple[int, ...]) -> MonomialTable:
        """The system of `ramps_of` in monomials of the switches."""
        del bits
        return self.monomials

    def rise_of_ramps(self) -> Array:
        """How long each full ramp takes, in s."""
        out = np.zeros(len(self.ramp_to))
        for (_at, leg), ramp in list(self.ramp_index.items()):
            out[ramp] = self.rise_s[leg]
        return out

    def way(self, at: int, leg: int) -> tuple[Array, Array]:
        """Switch values a full ramp begins with, and their slopes per s."""
        s0 = self.bits[at].astype(float)
        slope = np.zeros(len(s0))
        slope[leg] = (1.0 - 2.0 * s0[leg]) / self.rise_s[leg]
        return s0, slope

    @property
    def jumps(self) -> bool:
        """A bridge sits in a cut-set of inductors, so that voltages jump at a ramp's ends."""
        return bool(self.eq.ramp)

    @property
    def turn(self) -> float:
        """How far, in radian, the fastest mode turns or dies in the longest ramp."""
        return self.fastest_per_s * float(np.max(self.rise_s, initial=0.0))

    @property
    def node_steps(self) -> int:
        """Stretches of three Gauss points in a ramp: one each half radian of the fastest mode."""
        return max(1, math.ceil(2.0 * self.turn))

    def node_points(self) -> tuple[Array, Array]:
        """Gauss points in a full ramp, as shares of it, and their weights.

        Where a bridge sits in a cut-set voltages jump at a ramp's ends, so that those are points
        too, of no weight.
        """
        points, weights = _THREE_POINTS
        steps = self.node_steps
        shares = np.concatenate([(i + 0.5 + 0.5 * points) / steps for i in range(steps)])
        inner = np.tile(0.5 * weights / steps, steps)
        if not self.jumps:
            return shares, inner
        return np.concatenate([[0.0], shares, [1.0]]), np.concatenate([[0.0], inner, [0.0]])

    def node_maps(self, at: int, leg: int) -> list[tuple[Array, Array]]:
        """Maps from the modes (and inputs) at a ramp's start to its `node_points`."""
        key = (at, leg, self.node_steps)
        with self.lock:
            if key not in self._maps and self._in_series(at):
                # of all bridges: where one is asked for the others will be
                inside = self._inside.pop((at, self.node_steps), None)
                if inside is None:
                    bits = self.bits[at].astype(float)
                    a, b = self.moving.k.at(bits), self.moving.b.at(bits)
                    inside = self._series.maps(bits, a, b, self.node_points()[0])
                for other, maps in enumerate(inside):
                    self._maps[at, other, self.node_steps] = self._from_modes(at, maps)
            elif key not in self._maps:
                s0, slope = self.way(at, leg)
                rise = float(self.rise_s[leg])
                matrices = self.moving_of(self.after_ramp(at, leg))
                n = self.moving.n_states
                r, s = np.eye(n), np.zeros((n, self.moving.n_inputs))
                maps, last = [], 0.0
                for share in self.node_points()[0]:
                    step_r, step_s = matrices.across(
                        s0 + slope * (last * rise), slope, (float(share) - last) * rise, 1
                    )
                    r, s = step_r @ r, step_r @ s + step_s
                    maps.append((r @ self._basis(at), s))
                    last = float(share)
                self._maps[key] = maps
            return self._maps[key]

    def _from_modes(self, at: int, maps: Array) -> list[tuple[Array, Array]]:
        """Maps (points, n, n + n_inputs) from the state at a ramp's start, of its modes instead."""
        n = self.moving.n_states
        return list(zip(maps[..., :n] @ self._basis(at), maps[..., n:], strict=True))

    def still(self) -> Self:
        """The table as it stands: what other runs add to it meanwhile does not reach this.

        Arrays are replaced where they grow, so that whoever holds an older one must not meet the
        index of a newer pattern or ramp.
        """
        with self.lock:
            view = copy.copy(self)
            view.patterns, view.ramp = dict(self.patterns), dict(self.ramp)
            view.index, view.names = dict(self.index), list(self.names)
            view.leg_ramp = self.leg_ramp.copy()
            return view

    def _grow(self) -> None:
        add = max(16, len(self.pairs))
        self.patterns = _longer(self.patterns, self._shapes, add)
        self.pairs = np.concatenate([self.pairs, np.zeros(add, dtype=np.int64)])
        wide = np.zeros((add, self.eq.n_switches), dtype=np.int64)
        self.bits = np.concatenate([self.bits, wide])
        none = np.full((add, len(self.rise_s)), -1, dtype=np.int64)
        self.leg_ramp = np.concatenate([self.leg_ramp, none])

    def _grow_ramps(self) -> None:
        add = max(64, len(self.ramp_to))
        self.ramp = _longer(self.ramp, self._ramp_shapes, add)
        self.ramp_to = np.concatenate([self.ramp_to, np.zeros(add, dtype=np.int64)])


def _longer(
    old: dict[str, Array], shapes: dict[str, tuple[int, ...]], add: int
) -> dict[str, Array]:
    """Arrays of rows of these shapes with `add` rows of zeros behind."""
    count = len(next(iter(old.values()))) + add
    out = rows_together(shapes, count)
    for name, rows in old.items():
        out[name][: len(rows)] = rows
    return out


def _by_input(out: Array, force: Array, eq: StateEquations, sources: Array) -> None:
    """What inputs (count, n, n_inputs) do into `out`: rows of a one for sources, loads and drag.

    sources : EMFs, (count, n_sources) or the same of all
    """
    n_j = len(eq.loads)
    out[:, 0] = (force[:, :, eq.source_inputs] @ sources[..., None])[:, :, 0]
    out[:, 1 : 1 + n_j] = force[:, :, eq.load_inputs].transpose(0, 2, 1)
    out[:, 1 + n_j :] = force[:, :, eq.rotor_inputs].transpose(0, 2, 1)


def at_patterns(poly: SwitchPoly, s: NDArray[Any]) -> Array:
    """A polynomial at switches that are 0 or 1 (count, n_switches), (count, *shape)."""
    if poly.is_constant:
        return np.broadcast_to(poly.at(np.zeros(s.shape[1])), (len(s), *poly.shape))
    out = np.zeros((len(s), *poly.shape))
    for key, matrix in poly.terms.items():
        out[np.flatnonzero(s[:, list(key)].all(axis=1))] += matrix
    return out


def pattern_rows(
    rows: Rows, s: NDArray[Any], a: Array, b: Array, leaning: LeaningLoads | None = None
) -> tuple[Array, Array]:
    """Outputs of patterns as y = X x + U u, with x' = a x + b u put in; all (count, ...).

    Where loads are `leaning`, a, b and u are those of their rests.
    """
    x, u = at_patterns(rows.x, s), at_patterns(rows.u, s)
    if leaning is not None:
        x, u = leaning.outputs(x, u, at_patterns(leaning.of_x, s), at_patterns(leaning.more, s))
    if not rows.needs_slope:
        return x, u
    d = at_patterns(rows.d, s)
    return x + d @ a, u + d @ b

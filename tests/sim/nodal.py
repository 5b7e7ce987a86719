"""An independent solution of a network: its untouched node equations, E x' = A x + b.

Modified nodal analysis straight from the branches. The unknowns are every node's voltage
against node 0 and the currents of inductors, sources and bridges; nothing here knows of
trees, loops, energy coordinates or modes. Three ways to solve them share no code with the
engine or with each other:

- `Pencil`: at 50 digits, for constant switches, of any index: the finite part of the pencil
  (E, A) split off by shift and invert, its exponential by repeated squaring;
- `implicit_run`: adaptive three-stage Radau IIA on the descriptor form, in double or extended
  precision, for switches on their ramps, of index 1 or 2;
- `ida_run`: scikit-sundae's IDA, for index 1.
"""

from __future__ import annotations

import contextlib
import math
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import mpmath
import numpy as np
from sksundae.ida import IDA

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from sim.network import Network

    Array = NDArray[np.float64]

DIGITS = 50
_STAGES = 3


class GaveUp(Exception):
    """A reference found no way on: no verdict on the engine."""


class Nodal:
    """E, and A(s) and b, of a network's node equations.

    Attributes
    ----------
    n : number of unknowns
    inductors : branch indices, in the order of their currents among the unknowns
    first_current : place of the first of them
    """

    def __init__(self, network: Network) -> None:
        self.network = network
        nodes = network.n_nodes - 1
        kinds = ("inductor", "source", "mid", "rotor")
        carried = [i for k in kinds for i, b in enumerate(network.branches) if b.type == k]
        place = {i: nodes + row for row, i in enumerate(carried)}
        n_w = len(network.rotors)
        self.inductors = [i for i in carried if network.branches[i].type == "inductor"]
        self.first_current = nodes
        self.speeds = slice(nodes + len(carried), nodes + len(carried) + n_w)
        self.n = n = nodes + len(carried) + n_w
        #: of E, of A, and of A times each switch: (row, column) to exact sums of stamps
        self.stamps: list[dict[tuple[int, int], Fraction]] = [{}, {}]
        self.stamps += [{} for _ in network.choppers]
        self.b = np.zeros(n)
        bus = {int(b.value): b for b in network.branches if b.type == "bus"}

        def add(where: int, row: int, column: int, value: Fraction | float) -> None:
            # node 0 has neither an equation nor an unknown; others stand one place lower
            if row > 0 and column > 0:
                table, key = self.stamps[where], (row - 1, column - 1)
                table[key] = table.get(key, Fraction(0)) + Fraction(value)

        def two_pole(where: int, a: int, b: int, value: Fraction) -> None:
            for row, sign in ((a, 1), (b, -1)):
                add(where, row, a, sign * value)
                add(where, row, b, -sign * value)

        for i, branch in enumerate(network.branches):
            a, b = branch.a, branch.b
            if branch.type == "capacitor":
                two_pole(0, a, b, -Fraction(branch.value))
            elif branch.type == "resistor":
                two_pole(1, a, b, 1 / Fraction(branch.value))
            if i not in place:
                continue
            # its current, and its own row: what it makes (or L di/dt) is v(a) - v(b)
            at = place[i] + 1
            for node, sign in ((a, 1.0), (b, -1.0)):
                add(1, node, at, sign)
                add(1, at, node, sign)
            if branch.type == "inductor":
                add(0, at, at, branch.value)
            elif branch.type == "source":
                self.b[at - 1] = -branch.value
            elif branch.type == "rotor":
                rotor = network.rotors[int(branch.value)]
                w = self.speeds.start + int(branch.value) + 1
                add(1, at, w, -rotor.ke)
                add(1, w, at, rotor.ke)
                add(0, w, w, rotor.inertia)
            else:
                # what enters the bridge's output, s times, leaves its supply side
                supply, switch = bus[int(branch.value)], 2 + int(branch.value)
                for node, sign in ((supply.a, -1.0), (supply.b, 1.0)):
                    add(switch, at, node, sign)
                    add(switch, node, at, sign)
        for first, second, henry in network.mutuals:
            add(0, place[first] + 1, place[second] + 1, henry)
            add(0, place[second] + 1, place[first] + 1, henry)
        self._sum_floating_groups()
        self.e, self.fixed, *self.switched = (self._floats(s) for s in self.stamps)

    def _sum_floating_groups(self) -> None:
        """Give each group of nodes that only capacitors join to one another one equation without.

        The currents into the whole group sum to nothing, exactly: done here in fractions, since
        the difference of two large numbers would be left of it later.
        """
        group = list(range(self.network.n_nodes))

        def find(node: int) -> int:
            while group[node] != node:
                node = group[node]
            return node

        for branch in self.network.branches:
            if branch.type == "capacitor":
                group[find(branch.a)] = find(branch.b)
        for node in range(1, self.network.n_nodes):
            root = find(node)
            if root == find(0) or node == root:
                continue
            for table in self.stamps:
                for (row, column), value in [*table.items()]:
                    if row == node - 1:
                        key = (root - 1, column)
                        table[key] = table.get(key, Fraction(0)) + value

    def _floats(self, stamps: dict[tuple[int, int], Fraction]) -> Array:
        out = np.zeros((self.n, self.n))
        for key, value in stamps.items():
            out[key] = float(value)
        return out

    def a(self, s: Sequence[float] | Array) -> Array:
        """A at switch values s (n_switches,)."""
        return self.fixed + sum(
            (float(sk) * m for sk, m in zip(s, self.switched, strict=True)), np.zeros_like(self.e)
        )

    def constraints(self) -> Array:
        """Unit rows c of the equations without a derivative: c (A x + b) = 0."""
        return np.asarray(np.eye(self.n)[~np.any(self.e, axis=1)])

    def left_over(self, s: Sequence[float] | Array, x: Array) -> float:
        """How badly x breaks the equations that have no derivative, over their terms' sizes."""
        rows = self.constraints()
        if not len(rows):
            return 0.0
        a = rows @ self.a(s)
        broken = np.abs(a @ x + rows @ self.b)
        return float(np.max(broken / (np.abs(a) @ np.abs(x) + np.abs(rows @ self.b) + 1e-300)))


class Pencil:
    """The node equations at constant switches, at `DIGITS` digits."""

    def __init__(self, nodal: Nodal, s: Sequence[float] | Array, longest_s: float) -> None:
        with mpmath.workdps(DIGITS):
            n = nodal.n + 1  # one more unknown that stays 1, for the sources
            e, a = mpmath.zeros(n), mpmath.zeros(n)
            for weight, matrix, stamps in zip(
                (1, 1, *s), (e, a, *[a] * len(s)), nodal.stamps, strict=True
            ):
                for (i, j), value in stamps.items():
                    matrix[i, j] += weight * mpmath.mpf(value.numerator) / value.denominator
            for i in range(nodal.n):
                a[i, nodal.n] = nodal.b[i]
            e[n - 1, n - 1] = 1
            shift = mpmath.mpf("1.2345e6")
            m = (shift * e - a) ** -1 * e
            twice = m * m
            once, v = _range(m), _range(twice)
            #: 2 with loops of capacitors and sources or cut-sets of inductors, else 1
            self.index = 1 if once.cols == v.cols else 2
            self._v = v
            k = v.T * m * v
            # x = v z, and z' = (shift - 1/k) z
            self._rate = shift * mpmath.eye(k.rows) - k**-1
            self._into = k**-2 * v.T * twice
            size = mpmath.mnorm(self._rate, 1) if self._rate.rows else mpmath.mpf(0)
            self.halvings = max(0, int(mpmath.ceil(mpmath.log(size * longest_s + 1e-9, 2))))
            self.shortest_s = mpmath.mpf(longest_s) / mpmath.mpf(2) ** self.halvings
            self._steps = [_exponential(self._rate, self.shortest_s, mpmath.eye(v.cols))]

    def _doubled(self, times: int) -> mpmath.matrix:
        while len(self._steps) <= times:
            self._steps.append(self._steps[-1] * self._steps[-1])
        return self._steps[times]

    def start(self, x: Array) -> mpmath.matrix:
        """Where E x leads at once: the finite part of x (n,)."""
        with mpmath.workdps(DIGITS):
            return self._into * mpmath.matrix([*x.tolist(), 1.0])

    def values(self, z: mpmath.matrix) -> Array:
        """The unknowns (n,)."""
        with mpmath.workdps(DIGITS):
            return np.array([float(v) for v in self._v * z])[:-1]

    def dyadic(self, z: mpmath.matrix) -> tuple[Array, list[mpmath.matrix]]:
        """Times (T,) longest, half, quarter, ... of it, and states then."""
        with mpmath.workdps(DIGITS):
            powers = range(self.halvings, -1, -1)
            times = np.array([float(self.shortest_s * 2**k) for k in powers])
            return times, [self._doubled(k) * z for k in powers]

    def after(self, z: mpmath.matrix, seconds: float) -> mpmath.matrix:
        """State after any time."""
        with mpmath.workdps(DIGITS):
            t = mpmath.mpf(seconds)
            whole = int(t / self.shortest_s)
            z = _exponential(self._rate, t - whole * self.shortest_s, z)
            k = 0
            while whole:
                if whole & 1:
                    z = self._doubled(k) * z
                whole >>= 1
                k += 1
            return z


def _range(m: mpmath.matrix) -> mpmath.matrix:
    """Orthonormal basis of the columns of m, by pivoted Gram-Schmidt done twice."""
    columns = [[m[i, j] for i in range(m.rows)] for j in range(m.cols)]
    sizes = [mpmath.fsum(c, squared=True) for c in columns]
    least = max(sizes) * mpmath.mpf(10) ** (-60)
    found: list[list[mpmath.mpf]] = []
    while columns:
        best = max(range(len(columns)), key=sizes.__getitem__)
        if sizes[best] < least:
            break
        q = columns.pop(best)
        for other in found:
            share = mpmath.fdot(other, q)
            q = [x - share * y for x, y in zip(q, other, strict=True)]
        size = mpmath.sqrt(mpmath.fsum(q, squared=True))
        q = [x / size for x in q]
        found.append(q)
        for j, column in enumerate(columns):
            share = mpmath.fdot(q, column)
            columns[j] = [x - share * y for x, y in zip(column, q, strict=True)]
        sizes = [mpmath.fsum(c, squared=True) for c in columns]
    out = mpmath.matrix(m.rows, len(found))
    for j, q in enumerate(found):
        for i, value in enumerate(q):
            out[i, j] = value
    return out


def _exponential(rate: mpmath.matrix, t: mpmath.mpf, on: mpmath.matrix) -> mpmath.matrix:
    """exp(rate t) `on` by Taylor's series, for rate t of norm 1 or so."""
    total = term = on
    for k in range(1, 80):
        term = rate * term * (t / k)
        total = total + term
        if mpmath.mnorm(term, 1) <= mpmath.mpf(10) ** (-DIGITS) * mpmath.mnorm(total, 1):
            break
    return total


# Radau IIA, three stages, order five. Hairer & Wanner, Solving Ordinary Differential
# Equations II, section IV.5, from memory.
_ROOT = np.sqrt(6.0)
_C = np.array([(4.0 - _ROOT) / 10.0, (4.0 + _ROOT) / 10.0, 1.0])
_A = np.array(
    [
        [(88 - 7 * _ROOT) / 360, (296 - 169 * _ROOT) / 1800, (-2 + 3 * _ROOT) / 225],
        [(296 + 169 * _ROOT) / 1800, (88 + 7 * _ROOT) / 360, (-2 - 3 * _ROOT) / 225],
        [(16 - _ROOT) / 36, (16 + _ROOT) / 36, 1 / 9],
    ]
)


#: Longer than a double where the machine has such numbers.
Extended: type[np.floating[Any]] = np.longdouble


def implicit_run(
    nodal: Nodal,
    s0: Array,
    slope: Array,
    seconds: float,
    x: Array,
    number: type[np.floating[Any]] = np.float64,
) -> Array:
    """The unknowns (n,) after `seconds` in which the switches move from s0 at `slope` per s.

    Steps are halved until two halves agree with a whole to 1e-9 of the unknowns in
    sqrt(E)-weighted (energy) measure. Where capacitors float behind a cut-set of inductors
    rounding does not allow that, and short steps only make it worse: then to 1e-8 or 1e-7.

    Voltages of index 2 are differences of the rest over a step, so that the rounding of doubles
    can show as 1e-4 V; in `Extended` numbers, ten times as slow, it is 1e-8 V.
    """
    for tolerance in (1e-9, 1e-8, 1e-7):
        with np.errstate(all="ignore"), contextlib.suppress(GaveUp, np.linalg.LinAlgError):
            return _implicit_run(nodal, s0, slope, seconds, x, tolerance, number)
    raise GaveUp("implicit steps diverged")


def _implicit_run(
    nodal: Nodal,
    s0: Array,
    slope: Array,
    seconds: float,
    x: Array,
    tolerance: float,
    number: type[np.floating[Any]],
) -> Array:
    weight = np.sqrt(np.abs(np.diag(nodal.e)))
    n = nodal.n
    c, weights, e, b = (np.asarray(m, number) for m in (_C, _A, nodal.e, nodal.b))
    mended = 0 if number is np.float64 else 2

    # A runs straight; blocks of a step's system lie as (stage, row, stage, column)
    first = nodal.a(s0).astype(number, copy=False)
    change = sum((k * m for k, m in zip(slope, nodal.switched, strict=True)), 0.0 * nodal.e).astype(
        number, copy=False
    )
    of_e = np.einsum("ij,rc->irjc", np.eye(3, dtype=number), e)

    def step(at: Any, h: Any, x: Any) -> Any:
        a = first + (at + c * h)[:, None, None] * change
        right = (a @ x + b).reshape(3 * n)
        blocks = of_e - (h * weights)[:, None, :, None] * a[:, :, None, :]
        system = blocks.reshape(3 * n, 3 * n)
        scale = np.max(np.abs(system), axis=1)
        system, right = system / scale[:, None], right / scale
        short = system.astype(np.float64, copy=False)
        slopes: Any = np.linalg.solve(short, right.astype(np.float64))
        for _ in range(mended):
            off = (right - system @ slopes).astype(np.float64)
            slopes = slopes + np.linalg.solve(short, off).astype(number)
        return x + h * weights[2] @ slopes.reshape(3, n)

    # (voltages of index 2 gain only three orders a step, whatever the error of x: by steps four
    # times as long they were 3e-5 V off in 26)
    longest = number(seconds) / 128
    at, h, now = number(0.0), longest, x.astype(number)
    while at < seconds * (1.0 - 1e-9):
        left = seconds - at
        h = min(h, longest, left)
        h = left if left < 1.01 * h else min(h, 0.5 * left)
        whole = step(at, h, now)
        halves = step(at + 0.5 * h, 0.5 * h, step(at, 0.5 * h, now))
        error = float(np.linalg.norm(weight * (halves - whole)))
        if not math.isfinite(error):
            raise GaveUp("implicit steps diverged")
        allowed = float(tolerance * np.linalg.norm(weight * halves))
        # (equations of index 2 are solved to rounding over the step squared: no shorter)
        if error <= allowed or h < 1e-3 * seconds:
            at += h
            now = halves
            h *= min(4.0, 0.9 * (allowed / max(error, 1e-300)) ** (1 / 5))
        else:
            h *= max(0.1, 0.9 * (allowed / error) ** (1 / 5))
    return np.asarray(now, np.float64)


class _Stretch:
    """The node equations from t0 on, with A running straight; in the form IDA asks for."""

    def __init__(self, nodal: Nodal, t0: float, a0: Array, slope: Array) -> None:
        self.nodal, self.t0, self.a0, self.slope = nodal, t0, a0, slope

    def a(self, t: float) -> Array:
        return np.asarray(self.a0 + (t - self.t0) * self.slope)

    def residual(self, t: float, y: Array, dy: Array, out: Array) -> None:
        out[:] = self.nodal.e @ dy - self.a(t) @ y - self.nodal.b

    def jacobian(self, t: float, y: Array, dy: Array, out: Array, cj: float, jac: Array) -> None:
        jac[:, :] = cj * self.nodal.e - self.a(t)


def ida_run(
    nodal: Nodal, s_of: Callable[[float], Array], cuts: Array, times: Array, x: Array
) -> Array:
    """The unknowns (T, n) at sorted times by IDA, restarted at each of the cuts.

    For node equations of index 1; s_of gives the switch values, straight between two cuts, whose
    span holds all times.
    """
    size = np.maximum(np.abs(x), 1e-3 * np.max(np.abs(x)))
    out = np.zeros((len(times), nodal.n))
    for t0, t1 in pairwise(cuts):
        a0, a1 = nodal.a(s_of(t0)), nodal.a(s_of(t1))
        stretch = _Stretch(nodal, t0, a0, (a1 - a0) / (t1 - t0))
        x, dx = _consistent(nodal, a0, stretch.slope, x)
        solver = IDA(
            stretch.residual, rtol=1e-10, atol=1e-11 * size, jacfn=stretch.jacobian,
            linsolver="dense", max_num_steps=20_000,
        )  # fmt: skip
        inside = (times > t0) & (times < t1)
        answer = solver.solve(np.array([t0, *times[inside], t1]), x, dx)
        if not answer.success:
            raise GaveUp(answer.message)
        out[inside] = answer.y[1:-1]
        x = answer.y[-1]
    return out


def _consistent(nodal: Nodal, a: Array, a_slope: Array, x: Array) -> tuple[Array, Array]:
    """x with E x kept and the constraints met, and its slope: of index 1 only."""
    rows = nodal.constraints()
    stacked = np.vstack([nodal.e, rows @ a])
    # (all rows can be met at once, so that their scales are free: alike loses the fewest figures)
    size = np.max(np.abs(stacked), axis=1)
    size = np.where(size > 0.0, size, 1.0)
    first = np.concatenate([nodal.e @ x, -rows @ nodal.b])
    x = np.asarray(np.linalg.lstsq(stacked / size[:, None], first / size, rcond=1e-15)[0])
    second = np.concatenate([a @ x + nodal.b, -rows @ a_slope @ x])
    return x, np.asarray(np.linalg.lstsq(stacked / size[:, None], second / size, rcond=1e-15)[0])

"""Matrices that are polynomials in the switch states s_k.

A bridge enters the equations through its ratio s_k. Where it meets resistive
nodes or a cut-set of inductors, products s_j s_k appear. Three readings of the
same polynomial serve the three levels of detail:

- at an edge and between edges s_k is 0 or 1, so s_k^2 = s_k;
- on the ramp of an edge s_k runs from 0 to 1 and the products are true products;
- averaged over a carrier, s_k^2 becomes the duty (not its square) and s_j s_k the product
  d_j d_k, as for carriers that are not synchronised; those that are would need their overlap.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Monomial = tuple[int, ...]


class SwitchPoly:
    """Sum over monomials of a constant matrix times a product of switch states.

    Parameters
    ----------
    terms : monomial (sorted switch indices, repeated for powers) to matrix (r, c)
    shape : (r, c)
    """

    #: numpy leaves `array @ poly` to `__rmatmul__`
    __array_ufunc__ = None

    def __init__(self, terms: Mapping[Monomial, Array], shape: tuple[int, int]) -> None:
        self.shape = shape
        # (networks make hundreds of them: counting is several times as quick as asking for any)
        self.terms: dict[Monomial, Array] = {
            key: matrix for key, matrix in terms.items() if np.count_nonzero(matrix)
        }

    @classmethod
    def constant(cls, matrix: Array) -> SwitchPoly:
        """A polynomial without switches."""
        return cls({(): matrix}, (matrix.shape[0], matrix.shape[1]))

    @classmethod
    def _known(cls, terms: dict[Monomial, Array], shape: tuple[int, int]) -> SwitchPoly:
        """One of terms of which none is zero."""
        made = cls.__new__(cls)
        made.terms, made.shape = terms, shape
        return made

    @classmethod
    def zero(cls, rows: int, columns: int) -> SwitchPoly:
        """The zero polynomial."""
        return cls({}, (rows, columns))

    def __add__(self, other: SwitchPoly) -> SwitchPoly:
        terms = dict(self.terms)
        for key, matrix in other.terms.items():
            terms[key] = terms[key] + matrix if key in terms else matrix
        return SwitchPoly(terms, self.shape)

    def __sub__(self, other: SwitchPoly) -> SwitchPoly:
        return self + other.scaled(-1.0)

    def scaled(self, factor: float) -> SwitchPoly:
        """Every matrix times a number."""
        return SwitchPoly({k: factor * m for k, m in self.terms.items()}, self.shape)

    @property
    def T(self) -> SwitchPoly:
        """Transposed."""
        return SwitchPoly._known({k: m.T for k, m in self.terms.items()}, self.shape[::-1])

    def __matmul__(self, other: SwitchPoly | Array) -> SwitchPoly:
        if not isinstance(other, SwitchPoly):
            shape = self.shape[0], other.shape[1]
            return SwitchPoly({key: m @ other for key, m in self.terms.items()}, shape)
        terms: dict[Monomial, Array] = {}
        for k1, m1 in self.terms.items():
            for k2, m2 in other.terms.items():
                key = tuple(sorted(k1 + k2))
                product = m1 @ m2
                terms[key] = terms[key] + product if key in terms else product
        return SwitchPoly(terms, (self.shape[0], other.shape[1]))

    def __rmatmul__(self, left: Array) -> SwitchPoly:
        shape = left.shape[0], self.shape[1]
        return SwitchPoly({key: left @ m for key, m in self.terms.items()}, shape)

    def rows_times_switches(self) -> SwitchPoly:
        """Row k times s_k; there are as many rows as switches."""
        terms: dict[Monomial, Array] = {}
        for key, matrix in self.terms.items():
            for k in range(self.shape[0]):
                if not matrix[k].any():
                    continue
                grown = tuple(sorted((*key, k)))
                part = terms.setdefault(grown, np.zeros(self.shape))
                part[k] += matrix[k]
        return SwitchPoly(terms, self.shape)

    def derivative(self, k: int) -> SwitchPoly:
        """Derivative by s_k of the true polynomial."""
        terms: dict[Monomial, Array] = {}
        for key, matrix in self.terms.items():
            power = key.count(k)
            if power:
                shrunk = list(key)
                shrunk.remove(k)
                lower = tuple(shrunk)
                terms[lower] = terms.get(lower, 0.0) + power * matrix
        return SwitchPoly(terms, self.shape)

    def columns(self, index: slice) -> SwitchPoly:
        """The polynomial of some columns."""
        terms = {k: m[:, index] for k, m in self.terms.items()}
        width = len(range(*index.indices(self.shape[1])))
        return SwitchPoly(terms, (self.shape[0], width))

    @property
    def is_constant(self) -> bool:
        """No switch appears."""
        return all(key == () for key in self.terms)

    def at(self, s: Sequence[float] | Array) -> Array:
        """The matrix at true switch values s (n_switches,)."""
        total = np.zeros(self.shape)
        for key, matrix in self.terms.items():
            weight = 1.0
            for k in key:
                weight *= float(s[k])
            if weight != 0.0:
                total += weight * matrix
        return total


def stack(polys: Sequence[SwitchPoly]) -> SwitchPoly:
    """Polynomials below one another."""
    columns = polys[0].shape[1]
    rows = sum(p.shape[0] for p in polys)
    terms: dict[Monomial, Array] = {}
    start = 0
    for poly in polys:
        for key, matrix in poly.terms.items():
            terms.setdefault(key, np.zeros((rows, columns)))[start : start + poly.shape[0]] = matrix
        start += poly.shape[0]
    return SwitchPoly(terms, (rows, columns))


class MeanValues:
    """Evaluates polynomials averaged over the carriers.

    Parameters
    ----------
    polys : the polynomials that will be evaluated together
    n_switches : number of switches

    The matrices of all polynomials are laid side by side, so that one product of
    a weight vector and a table gives all of them.
    """

    def __init__(self, polys: Sequence[SwitchPoly], n_switches: int) -> None:
        keys = sorted({key for p in polys for key in p.terms}, key=lambda k: (len(k), k))
        self.keys: list[Monomial] = keys or [()]
        self.shapes = [p.shape for p in polys]
        sizes = [r * c for r, c in self.shapes]
        self._cuts = np.cumsum([0, *sizes])
        self.table = np.zeros((len(self.keys), int(self._cuts[-1])))
        for row, key in enumerate(self.keys):
            for i, poly in enumerate(polys):
                if key in poly.terms:
                    self.table[row, self._cuts[i] : self._cuts[i + 1]] = poly.terms[key].ravel()
        self._reduced = [tuple(sorted(set(key))) for key in self.keys]
        self.n_switches = n_switches

    def weights(self, duty: Array) -> Array:
        """Mean of each monomial.

        Parameters
        ----------
        duty : (..., n_switches)

        Returns
        -------
        (..., n_monomials)
        """
        out = np.ones((*duty.shape[:-1], len(self.keys)))
        for i, key in enumerate(self._reduced):
            for k in key:
                out[..., i] *= duty[..., k]
        return out

    def weight_slopes(self, duty: Array) -> Array:
        """Derivative of each monomial's mean by each duty, (n_monomials, n_switches)."""
        out = np.zeros((len(self.keys), self.n_switches))
        for i, key in enumerate(self._reduced):
            for k in key:
                value = 1.0
                for j in key:
                    if j != k:
                        value *= float(duty[j])
                out[i, k] = value
        return out

    def matrices(self, weights: Array) -> list[Array]:
        """The matrices at some weights (n_monomials,)."""
        flat = weights @ self.table
        return [
            flat[self._cuts[i] : self._cuts[i + 1]].reshape(shape)
            for i, shape in enumerate(self.shapes)
        ]

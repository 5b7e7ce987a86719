"""Patterns of bridges whose diodes may conduct, or whose outputs may float.

A leg is in one of five states: low switch on, high switch on, low diode conducting, high
diode conducting, or open. A conducting diode is the switch it lies across plus a source of
its drop, in series with the leg's output. An open leg is a constraint, no output current,
and its output voltage whatever keeps that so:

    mass x' = k x + b u + g e,   M x = 0     (e: voltage at the open outputs)

With Z the projector that takes g out, Z mass x' = Z (k x + b u) and M x' = -a M x are the
same equations without e; a (any rate: M x is 0) only keeps rounding from piling up.

A bench supply's output stage is one more entry of a pattern, in one of three states that take
the names of a leg's: OPEN, it holds its voltage behind its resistance; LOW_DIODE, it blocks,
its output being above; HIGH_DIODE, it gives its limit. Blocking and limiting are the same
source with another EMF, the output's voltage v and what the resistance drops besides:

    blocks: emf = v,   limits: emf = v + ohm limit

so that its current is nothing or the limit. All three agree where they meet, at v = voltage
and v = voltage - ohm limit: those crossings are found like zeros of a diode's current.
"""

from __future__ import annotations

import copy
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Self

import numpy as np

from sim.diode_kernels import HIGH, HIGH_DIODE, LOW, LOW_DIODE, OPEN, is_up
from sim.errors import Conflict
from sim.network import Branch
from sim.patterns import MonomialTable, PatternTable, RampMatrices
from sim.state_equations import Rows, StateEquations
from sim.switch_poly import SwitchPoly

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.network import Network

    Array = NDArray[np.float64]

#: Rate at which rounding in the current of an open leg dies, per s.
_FADE_PER_S = 1.2345e5
#: A guard that no state brings to zero.
_NEVER = 1e12
#: What the source in series with a leg's output is called.
DROP = "diode"


def has_diodes(network: Network) -> bool:
    """Something changes its state by itself between edges.

    A leg's output depends on its current's sign (dead time, or no active freewheel), or a
    supply limits.
    """
    return legs_have_diodes(network) or bool(network.choppers and network.supplies)


def legs_have_diodes(network: Network) -> bool:
    """A leg's output depends on its current's sign: dead time, or no active freewheel."""
    return any(c.dead_s > 0.0 or not c.freewheel for c in network.choppers)


def with_diodes(network: Network, freewheel: bool | None = None) -> Network:
    """The network with a source of 0 V in every leg's output, for its diodes' drop.

    `freewheel` overrides what the ESCs say. A network without diodes comes back as it is.
    """
    if freewheel is not None:
        choppers = tuple(replace(c, freewheel=freewheel) for c in network.choppers)
        network = replace(network, choppers=choppers)
    if not has_diodes(network):
        return network
    branches, n_nodes = list(network.branches), network.n_nodes
    for at, branch in enumerate(network.branches):
        if branch.type == "mid":
            # the port's current is read in the bridge's own branch: the same, being in series
            branches[at] = replace(branch, a=n_nodes)
            branches.append(Branch("source", branch.a, n_nodes, 0.0, branch.owner, DROP))
            n_nodes += 1
    return replace(network, branches=tuple(branches), n_nodes=n_nodes)


def _orthonormal(columns: Array) -> Array:
    return np.asarray(np.linalg.qr(columns)[0])


class TiedSupplies(StateEquations):
    """The equations with the EMFs of some supplies following `volts` (k, n_states) of the states.

    What their source inputs hold comes on top.
    """

    def __init__(self, equations: StateEquations, columns: list[int], volts: Array) -> None:
        self.__dict__.update(copy.copy(equations).__dict__)
        at = equations.source_inputs.start
        for column, row in zip(columns, volts, strict=True):
            self.k = self.k + equations.b.columns(slice(at + column, at + column + 1)) @ row[None]


class OpenLegs(StateEquations):
    """The equations with some legs open; made from others without deriving them again."""

    def __init__(self, equations: StateEquations, drops: list[int], amps: Array) -> None:
        # (all that does not change is shared)
        self.__dict__.update(copy.copy(equations).__dict__)
        still = np.zeros(equations.n_switches)
        g = equations.b.at(still)[:, equations.source_inputs][:, drops]
        g_unit, m_unit = _orthonormal(g), _orthonormal(amps.T).T
        keep = np.eye(equations.n_states) - g_unit @ g_unit.T
        tie = SwitchPoly.constant(g_unit @ m_unit)
        self.mass = keep @ equations.mass + tie
        self.k = keep @ equations.k - tie.scaled(_FADE_PER_S)
        self.b = keep @ equations.b
        self.ramp = tuple(keep @ r for r in equations.ramp)
        if equations.mass_is_identity:
            inverse: Array = np.asarray(np.linalg.inv(self.mass.at(still)), dtype=float)
            self.k, self.b = inverse @ self.k, inverse @ self.b
            self.mass = SwitchPoly.constant(np.eye(equations.n_states))
        self.k = _without_rounding(self.k)


def _without_rounding(poly: SwitchPoly) -> SwitchPoly:
    """The polynomial without what rounding left where the projector should leave nothing.

    The eigenvalue solver scales rows and columns to like sizes first, and such entries up with
    them: 1e-11 beside 1e6 then cost five digits of a mode.
    """
    largest = max((float(np.max(np.abs(m))) for m in poly.terms.values()), default=0.0)
    terms = {key: np.where(np.abs(m) < 1e-14 * largest, 0.0, m) for key, m in poly.terms.items()}
    return SwitchPoly(terms, poly.shape)


class DiodeTable(PatternTable):
    """Patterns of leg states. A leg ramps in two ways: to a switch, or to a diode.

    `leg_ramp[at, k]` is the ramp of leg k to its other switch, `leg_ramp[at, n + k]` that
    to its other diode.
    """

    def __init__(self, equations: StateEquations) -> None:
        net = equations.network
        #: of each leg: its source of the drop among the sources, and the drop in V
        place = {branch: row for row, branch in enumerate(equations.source_branches)}
        self.drops = [place[at] for at in _drop_branches(net)]
        branches = equations.network.branches
        #: nodes of each leg's output and of its low rail
        mids = sorted((b for b in branches if b.type == "mid"), key=lambda b: b.value)
        self.outputs_at = [
            (branches[at].a, mid.b) for at, mid in zip(_drop_branches(net), mids, strict=True)
        ]
        #: equilibria already found, by the duties of the start
        self.starts: dict[bytes, Array] = {}
        self.drop_v = np.array([c.diode_v for c in net.choppers])
        #: currents out of the legs (n_switches, n_states)
        still = np.zeros(equations.n_switches)
        self.amps = equations.source_amps.x.at(still)[self.drops]
        #: supplies: their sources among the sources, set and lowest voltage at which they hold it
        supplies = net.supplies
        self.emfs = [place[one.source] for one in supplies]
        self._set_v = equations.sources[self.emfs]
        self._excess_v = np.array([one.ohm * one.limit_a for one in supplies])
        self._least_v = self._set_v - self._excess_v
        self._sinks = [s.sinks for s in supplies]
        #: voltages across their capacitors (n_supplies, n_states)
        self._held_v = _capacitor_volts(equations)
        self._open: dict[tuple[int, ...], tuple[RampMatrices, MonomialTable]] = {}
        n, n_s = equations.n_states, equations.n_switches + len(supplies)
        n_h = len(equations.loads) + len(equations.speed_scale)
        #: legs and supplies; what they do is in arrays of that many
        self.n_all = n_s
        self.amps_y = np.zeros((0, n_s, n))
        self.guard_y = np.zeros((0, 2 * n_s, n))
        self.guard_0 = np.zeros((0, 2 * n_s))
        self.guard_held = np.zeros((0, 2 * n_s, n_h))
        self.next_at = np.zeros((0, n_s, 5), dtype=np.int64)
        self.states = np.zeros((0, n_s), dtype=np.int64)
        super().__init__(equations)

    def _rise_times(self) -> Array:
        own = super()._rise_times()
        # a supply has no ramp: what stands in its place is never read
        return np.tile(np.pad(own, (0, self.n_all - len(own)), mode="edge"), 2)

    def _resting(self) -> tuple[int, ...]:
        return (*super()._resting(), *(OPEN for _ in self.emfs))

    # -- what a pattern stands for ----------------------------------------------

    def switches(self, bits: tuple[int, ...]) -> Array:
        return np.array([float(is_up(state)) for state in bits[: self.eq.n_switches]])

    def _legs(self, bits: tuple[int, ...]) -> list[int]:
        """Legs that are open."""
        return [k for k, state in enumerate(bits[: self.eq.n_switches]) if state == OPEN]

    def _tied(self, bits: tuple[int, ...]) -> list[int]:
        """Supplies that block or limit."""
        return [q for q, state in enumerate(bits[self.eq.n_switches :]) if state != OPEN]

    def supply_states(self, x: Array) -> tuple[int, ...]:
        """States of the supplies at a state x (n_states,)."""
        found = []
        for q, volts in enumerate(self._held_v @ x):
            above = volts > self._set_v[q] and not self._sinks[q]
            found.append(LOW_DIODE if above else HIGH_DIODE if volts < self._least_v[q] else OPEN)
        return tuple(found)

    def sources(self, bits: tuple[int, ...]) -> Array:
        out = self.eq.sources.copy()
        n_s = self.eq.n_switches
        for k, state in enumerate(bits[:n_s]):
            if state in (LOW_DIODE, HIGH_DIODE):
                out[self.drops[k]] = self.drop_v[k] * (1.0 if state == HIGH_DIODE else -1.0)
        for q in self._tied(bits):
            out[self.emfs[q]] = self._excess_v[q] if bits[n_s + q] == HIGH_DIODE else 0.0
        return out

    def _opened(self, bits: tuple[int, ...]) -> tuple[RampMatrices, MonomialTable]:
        legs, tied = self._legs(bits), self._tied(bits)
        if not legs and not tied:
            return self.ramps, self.monomials
        key = (*legs, -1, *tied)
        if key not in self._open:
            own = self.eq
            if tied:
                own = TiedSupplies(own, [self.emfs[q] for q in tied], self._held_v[tied])
            if legs:
                own = OpenLegs(own, [self.drops[k] for k in legs], self.amps[legs])
            self._open[key] = RampMatrices(own), MonomialTable(own)
        return self._open[key]

    def ramps_of(self, bits: tuple[int, ...]) -> RampMatrices:
        return self._opened(bits)[0]

    def monomials_of(self, bits: tuple[int, ...]) -> MonomialTable:
        return self._opened(bits)[1]

    def outputs(
        self, rows: Rows, bits: tuple[int, ...], s: Array, slope: Array
    ) -> tuple[Array, Array]:
        x, u = super().outputs(rows, bits, s, slope)
        legs, tied = self._legs(bits), self._tied(bits)
        if not legs and not tied:
            return x, u
        direct = rows.u.at(s)[:, self.eq.source_inputs]
        if tied:
            x = x + direct[:, [self.emfs[q] for q in tied]] @ self._held_v[tied]
        if legs:
            # the open outputs' voltages e, from M (a x + b u + b_e e) = 0
            e_x, e_u = self.open_volts(bits, s, slope)
            through = direct[:, [self.drops[k] for k in legs]]
            x, u = x + through @ e_x, u + through @ e_u
        return x, u

    def open_volts(self, bits: tuple[int, ...], s: Array, slope: Array) -> tuple[Array, Array]:
        """Voltages of open outputs over their legs' low rails as E x + F u."""
        legs = self._legs(bits)
        closed = tuple(LOW if k in legs else state for k, state in enumerate(bits))
        a, b = self.ramps_of(closed).at(s, slope)
        columns = [self.eq.source_inputs.start + self.drops[k] for k in legs]
        m = self.amps[legs]
        inverse = -np.linalg.inv(m @ b[:, columns])
        rest = b.copy()
        rest[:, columns] = 0.0
        return inverse @ m @ a, inverse @ m @ rest

    def complete(self, bits: tuple[int, ...], s: Array, slope: Array, x: Array, u: Array) -> None:
        legs, start = self._legs(bits), self.eq.source_inputs.start
        if legs:
            e_x, e_u = self.open_volts(bits, s, slope)
            columns = [start + self.drops[k] for k in legs]
            u[columns] = e_x @ x + e_u @ u
        for q in self._tied(bits):
            u[start + self.emfs[q]] += self._held_v[q] @ x

    # -- ramps ------------------------------------------------------------------

    def way(self, at: int, leg: int) -> tuple[Array, Array]:
        return super().way(at, leg % self.n_all)

    def after_ramp(self, at: int, leg: int) -> tuple[int, ...]:
        states = list(self.names[at])
        k, to_diode = leg % self.n_all, leg >= self.n_all
        up = not is_up(states[k])
        states[k] = (HIGH_DIODE if up else LOW_DIODE) if to_diode else (HIGH if up else LOW)
        return tuple(states)

    # -- patterns ---------------------------------------------------------------

    def pattern(self, bits: tuple[int, ...]) -> int:
        known = bits in self.index
        at = super().pattern(bits)
        if not known:
            self._guards(at, bits)
        return at

    def neighbour(self, at: int, leg: int, state: int) -> int:
        """The pattern with one leg in another state."""
        states = list(self.names[at])
        states[leg] = state
        to = self.pattern(tuple(states))
        self.next_at[at, leg, state] = to
        return to

    def _guards(self, at: int, bits: tuple[int, ...]) -> None:
        """What stays above zero while each leg's state lasts.

        A diode's current; an open output's voltage over the lower diode's threshold, and
        that of the upper diode over it; how far a supply's output is inside its piece.
        """
        eq = self.eq
        basis = self.patterns["basis"][at]
        self.states[at] = bits
        self.next_at[at] = -1
        self.amps_y[at, : len(self.amps)] = self.amps @ basis
        self.guard_y[at], self.guard_0[at], self.guard_held[at] = 0.0, 0.0, 0.0
        s, still = self.switches(bits), np.zeros(eq.n_switches)
        for q, state in enumerate(bits[eq.n_switches :]):
            g, row = 2 * (eq.n_switches + q), self._held_v[q] @ basis
            set_v, least_v = float(self._set_v[q]), float(self._least_v[q])
            if state == LOW_DIODE:
                self.guard_y[at, g], self.guard_0[at, g] = row, -set_v
            elif state == HIGH_DIODE:
                self.guard_y[at, g], self.guard_0[at, g] = -row, least_v
            else:
                self.guard_0[at, g : g + 2] = _NEVER
                if not self._sinks[q]:
                    self.guard_y[at, g], self.guard_0[at, g] = -row, set_v
                if math.isfinite(least_v):
                    self.guard_y[at, g + 1], self.guard_0[at, g + 1] = row, -least_v
        legs = self._legs(bits)
        if legs:
            e_x, e_u = self.open_volts(bits, s, still)
            bus_x, bus_u = self.outputs(eq.bus_volts, bits, s, still)
            sources = self.sources(bits)
        for k, state in enumerate(bits[: eq.n_switches]):
            if state == LOW_DIODE:
                self.guard_y[at, 2 * k] = self.amps_y[at, k]
            elif state == HIGH_DIODE:
                self.guard_y[at, 2 * k] = -self.amps_y[at, k]
            elif state == OPEN:
                row = legs.index(k)
                low = e_x[row], e_u[row]
                high = bus_x[k] - e_x[row], bus_u[k] - e_u[row]
                for j, (of_x, of_u) in enumerate((low, high)):
                    g = 2 * k + j
                    self.guard_y[at, g] = of_x @ basis
                    self.guard_0[at, g] = self.drop_v[k] + of_u[eq.source_inputs] @ sources
                    held = of_u[eq.load_inputs], of_u[eq.torque_inputs]
                    self.guard_held[at, g] = np.concatenate(held)

    def still(self) -> Self:
        with self.lock:
            view = super().still()
            view.next_at = self.next_at.copy()
            return view

    def _grow(self) -> None:
        super()._grow()
        for name in ("amps_y", "guard_y", "guard_0", "guard_held", "next_at", "states"):
            old = getattr(self, name)
            add = np.zeros((len(self.pairs) - len(old), *old.shape[1:]), old.dtype)
            setattr(self, name, np.concatenate([old, add]))


def _capacitor_volts(equations: StateEquations) -> Array:
    """Voltage across each supply's capacitor, as rows of the states.

    Raises
    ------
    Conflict   if it is no matter of the states alone: an ideal source stands across it
    """
    net, out = equations.network, []
    for supply in net.supplies:
        branch = net.branches[supply.capacitor]
        rows = equations.volts(branch.a, branch.b)
        if rows.needs_slope or rows.u.terms or not rows.x.is_constant:
            raise Conflict(
                supply.owner,
                "stands straight across another source",
                "Give one of the two some resistance",
            )
        out.append(rows.x.at(np.zeros(equations.n_switches))[0])
    return np.array(out).reshape(len(out), equations.n_states)


def _drop_branches(net: Network) -> list[int]:
    """Index of the branch that is each leg's source of the drop."""
    mids = sorted((b for b in net.branches if b.type == "mid"), key=lambda b: b.value)
    at = {b.b: i for i, b in enumerate(net.branches) if b.type == "source" and b.name == DROP}
    return [at[mid.a] for mid in mids]

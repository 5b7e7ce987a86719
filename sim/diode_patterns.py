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

A clamp (`Knee`) is a resistor behind a source, and one more entry behind those: LOW_DIODE, it
conducts, the source being where it begins to; OPEN, it does not. The source is then what keeps
its current at nothing, as an open leg's. Where all that carries its current are inductors that is
such a constraint; where something else stands across it (a capacitor with its resistance, say)
its current follows from the states and inputs alone, and the source as well:

    i = M(s) x + N u + D e = 0,   e = -(M(s) x + N u) / D,   a source tied to both.
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
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from sim.network import Network

    Array = NDArray[np.float64]

#: Rate at which rounding in the current of an open leg dies, per s.
_FADE_PER_S = 1.2345e5
#: A guard that no state brings to zero.
_NEVER = 1e12
#: Points inside a ramp at which clamps are looked at.
_INSIDE = 3
#: What the source in series with a leg's output is called.
DROP = "diode"


def has_diodes(network: Network) -> bool:
    """Something changes its state by itself between edges.

    A leg's output depends on its current's sign (dead time, or no active freewheel), a supply
    limits, or a clamp, in straight pieces, begins to conduct.
    """
    by_itself = network.supplies or network.knees
    return legs_have_diodes(network) or bool(network.choppers and by_itself)


def legs_have_diodes(network: Network) -> bool:
    """A leg's output depends on its current's sign: dead time, or no active freewheel."""
    return any(c.dead_s > 0.0 or not c.freewheel for c in network.choppers)


def smooth(network: Network) -> Network:
    """The network with back-EMFs at the mean of a commutation's sixth, as averaged runs have them.

    Runs in which something changes its state by itself know no other.
    """
    return replace(network, rotors=tuple(replace(r, emf_ripple=0.0) for r in network.rotors))


def with_diodes(network: Network, freewheel: bool | None = None) -> Network:
    """The network with a source of 0 V in every leg's output, for its diodes' drop.

    `freewheel` overrides what the ESCs say. A network without diodes comes back as it is, and so
    does one that has these sources.
    """
    if freewheel is not None:
        choppers = tuple(replace(c, freewheel=freewheel) for c in network.choppers)
        network = replace(network, choppers=choppers)
    there = any(b.type == "source" and b.name == DROP for b in network.branches)
    if there or not has_diodes(network):
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


class OpenKnee(StateEquations):
    """The equations with a source at what keeps a current M(s) x at nothing.

    As `OpenLegs`, for a current that bridges are part of: with g(s) what the source does,
    |g|^2 - g g^T takes it out (a projector but for its size, and a polynomial), and the current
    stands still where M x' + s' dM/ds x = 0.
    """

    def __init__(self, equations: StateEquations, column: int, amps: SwitchPoly) -> None:
        self.__dict__.update(copy.copy(equations).__dict__)
        g = equations.b.columns(slice(column, column + 1))
        size = float(np.linalg.norm(g.at(np.zeros(equations.n_switches)))) or 1.0
        g, unit = g.scaled(1.0 / size), amps.scaled(1.0 / size)
        square = g.T @ g
        eye = np.eye(equations.n_states)
        terms = {key: float(m[0, 0]) * eye for key, m in square.terms.items()}
        keep = SwitchPoly(terms, eye.shape) - g @ g.T
        self.mass = keep @ equations.mass + g @ unit
        self.k = keep @ equations.k - (g @ unit).scaled(_FADE_PER_S)
        self.b = keep @ equations.b
        none = SwitchPoly.zero(*eye.shape)
        ramps = equations.ramp or (none,) * equations.n_switches
        self.ramp = tuple(keep @ ramp + g @ unit.derivative(leg) for leg, ramp in enumerate(ramps))
        self.mass_is_identity = False


class PartedKnees(StateEquations):
    """The equations with sources (by column) at `volts_x` x + `volts_u` u instead of inputs."""

    def __init__(
        self, equations: StateEquations, columns: list[int], volts_x: SwitchPoly, volts_u: Array
    ) -> None:
        self.__dict__.update(copy.copy(equations).__dict__)
        keep = np.eye(equations.n_inputs)
        keep[columns, columns] = 0.0
        pick = np.zeros((equations.n_inputs, len(columns)))
        pick[columns, np.arange(len(columns))] = 1.0
        through = equations.b @ pick
        self.k = equations.k + through @ volts_x
        self.b = equations.b @ (keep + pick @ volts_u)


def _each(poly: SwitchPoly, s: Array, vectors: Array) -> Array:
    """The polynomial (r, c) at switches s (T, n_switches) times vectors (T, c), (T, r)."""
    out = np.zeros((len(s), poly.shape[0]))
    for key, matrix in poly.terms.items():
        out += np.prod(s[:, list(key)], axis=1)[:, None] * (vectors @ matrix.T)
    return out


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
        self._of = equations
        net, n_legs = equations.network, equations.n_switches
        place = {branch: row for row, branch in enumerate(equations.source_branches)}
        branches, knees = net.branches, net.knees
        #: of each leg, then of each clamp: its source among the sources, and what that lacks of
        #: nothing while a diode conducts, in V
        self.drops = [place[at] for at in _drop_branches(net)] + [place[k.source] for k in knees]
        self.drop_v = np.array([c.diode_v for c in net.choppers] + [k.volts for k in knees])
        #: where each of them stands in a pattern
        self.first_knee = n_legs + len(net.supplies)
        self._entry = [*range(n_legs), *(self.first_knee + q for q in range(len(knees)))]
        #: nodes of each leg's output and of its low rail
        mids = sorted((b for b in branches if b.type == "mid"), key=lambda b: b.value)
        self.outputs_at = [
            (branches[at].a, mid.b) for at, mid in zip(_drop_branches(net), mids, strict=True)
        ]
        #: equilibria already found, by the duties of the start
        self.starts: dict[bytes, Array] = {}
        #: currents out of the legs, and of clamps, which follow from the states alone but for those
        #: of `_parting` (n_switches + n_knees, n_states)
        pick = np.zeros((len(self.drops), len(equations.sources)))
        pick[np.arange(len(self.drops)), self.drops] = 1.0
        self.drop_amps = equations.source_amps.combined(pick)
        self.amps = self.drop_amps.x.at(np.zeros(n_legs))
        self._parting: list[int] = []
        #: clamps whose current is that of inductors and of bridges
        self._moving_amps: list[int] = []
        self._kinds_of_knees()
        #: supplies: their sources among the sources, set and lowest voltage at which they hold it
        supplies = net.supplies
        self.emfs = [place[one.source] for one in supplies]
        self._set_v = equations.sources[self.emfs]
        self._excess_v = np.array([one.ohm * one.limit_a for one in supplies])
        self._least_v = self._set_v - self._excess_v
        self._sinks = [s.sinks for s in supplies]
        #: voltages across their capacitors (n_supplies, n_states)
        self._held_v = _capacitor_volts(equations)
        self._volts: dict[tuple[tuple[int, ...], bytes, bytes], tuple[Array, Array]] = {}
        self._open: dict[tuple[int, ...], tuple[RampMatrices, MonomialTable]] = {}
        n, n_s = equations.n_states, self.first_knee + len(knees)
        n_h = len(equations.loads) + len(equations.speed_scale)
        #: legs, supplies and clamps; what they do is in arrays of that many
        self.n_all = n_s
        self.amps_y = np.zeros((0, n_s, n))
        self.guard_y = np.zeros((0, 2 * n_s, n))
        self.guard_0 = np.zeros((0, 2 * n_s))
        self.guard_held = np.zeros((0, 2 * n_s, n_h))
        #: of each full ramp: guards of the clamps at points inside, of the modes at its start, a
        #: one and what is held
        self.ramp_guard = np.zeros((0, len(knees), _INSIDE, n + 1 + n_h))
        self.next_at = np.zeros((0, n_s, 5), dtype=np.int64)
        self.states = np.zeros((0, n_s), dtype=np.int64)
        super().__init__(equations)

    def _rise_times(self) -> Array:
        own = super()._rise_times()
        # a supply has no ramp: what stands in its place is never read
        return np.tile(np.pad(own, (0, self.n_all - len(own)), mode="edge"), 2)

    @property
    def jumps(self) -> bool:
        return bool(self._moving_amps) or super().jumps

    def _resting(self) -> tuple[int, ...]:
        return (*super()._resting(), *(OPEN for _ in range(self.n_all - self.eq.n_switches)))

    def _kinds_of_knees(self) -> None:
        """Sort the clamps by what else carries their current.

        Raises
        ------
        Conflict   if it is inductors and a load, which do not agree on it while it is open
        """
        eq = self._of
        at, still = eq.source_inputs.start, np.zeros(eq.n_switches)
        u = self.drop_amps.u.at(still)
        for knee, i in zip(eq.network.knees, range(eq.n_switches, len(self.drops)), strict=True):
            if abs(u[i, at + self.drops[i]]) > 1e-12:
                self._parting.append(i)
                continue
            rows = self.drop_amps.combined(np.eye(len(self.drops))[i : i + 1])
            if rows.u.terms or rows.needs_slope:
                raise Conflict(
                    knee.owner,
                    "shares a joint with a load and with nothing else but inductance",
                    "Give the joint it is on a capacitor",
                )
            if not rows.x.is_constant:
                self._moving_amps.append(i)

    # -- what a pattern stands for ----------------------------------------------

    def switches(self, bits: tuple[int, ...]) -> Array:
        return np.array([float(is_up(state)) for state in bits[: self.eq.n_switches]])

    def _legs(self, bits: tuple[int, ...]) -> list[int]:
        """Those of `drops` whose current a constraint keeps at nothing: open legs and clamps."""
        return [
            i for i, at in enumerate(self._entry) if bits[at] == OPEN and i not in self._parting
        ]

    def _parted(self, bits: tuple[int, ...]) -> list[int]:
        """Those of `drops` that are open clamps whose source is tied to states and inputs."""
        return [i for i in self._parting if bits[self._entry[i]] == OPEN]

    def _tied(self, bits: tuple[int, ...]) -> list[int]:
        """Supplies that block or limit."""
        of_supplies = bits[self.eq.n_switches : self.first_knee]
        return [q for q, state in enumerate(of_supplies) if state != OPEN]

    def _parting_volts(self, parted: list[int]) -> tuple[SwitchPoly, Array]:
        """EMFs of sources that keep clamps from conducting, as E(s) x + F u."""
        eq = self.eq
        pick = np.eye(len(self.drops))[parted]
        rows = self.drop_amps.combined(pick)
        u = rows.u.at(np.zeros(eq.n_switches))
        columns = [eq.source_inputs.start + self.drops[i] for i in parted]
        inverse = -np.linalg.inv(u[:, columns])
        rest = u.copy()
        rest[:, columns] = 0.0
        return SwitchPoly.constant(np.asarray(inverse, dtype=float)) @ rows.x, inverse @ rest

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
        for i, at in enumerate(self._entry):
            if bits[at] in (LOW_DIODE, HIGH_DIODE):
                out[self.drops[i]] = self.drop_v[i] * (1.0 if bits[at] == HIGH_DIODE else -1.0)
        for q in self._tied(bits):
            out[self.emfs[q]] = self._excess_v[q] if bits[n_s + q] == HIGH_DIODE else 0.0
        return out

    def _opened(self, bits: tuple[int, ...]) -> tuple[RampMatrices, MonomialTable]:
        legs, tied, parted = self._legs(bits), self._tied(bits), self._parted(bits)
        if not legs and not tied and not parted:
            return self.ramps, self.monomials
        key = (*legs, -1, *tied, -1, *parted)
        if key not in self._open:
            own = self.eq
            if tied:
                own = TiedSupplies(own, [self.emfs[q] for q in tied], self._held_v[tied])
            if parted:
                columns = [self.eq.source_inputs.start + self.drops[i] for i in parted]
                own = PartedKnees(own, columns, *self._parting_volts(parted))
            fixed = [k for k in legs if k not in self._moving_amps]
            if fixed:
                own = OpenLegs(own, [self.drops[k] for k in fixed], self.amps[fixed])
            for i in (i for i in legs if i in self._moving_amps):
                amps = np.eye(len(self.drops))[i : i + 1] @ self.drop_amps.x
                own = OpenKnee(own, self.eq.source_inputs.start + self.drops[i], amps)
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
        legs, tied, parted = self._legs(bits), self._tied(bits), self._parted(bits)
        if not legs and not tied and not parted:
            return x, u
        direct = rows.u.at(s)[:, self.eq.source_inputs]
        if tied:
            x = x + direct[:, [self.emfs[q] for q in tied]] @ self._held_v[tied]
        if parted:
            p_x, p_u = self._parting_volts(parted)
            through = direct[:, [self.drops[i] for i in parted]]
            x, u = x + through @ p_x.at(s), u + through @ p_u
        if legs:
            # the open outputs' voltages e, from M (a x + b u + b_e e) = 0
            key = bits, s.tobytes(), slope.tobytes()
            if key not in self._volts:
                # (figures ask for the same points in each ramp again and again)
                self._volts[key] = self.open_volts(bits, s, slope)
            e_x, e_u = self._volts[key]
            through = direct[:, [self.drops[k] for k in legs]]
            x, u = x + through @ e_x, u + through @ e_u
        return x, u

    def _closed(self, bits: tuple[int, ...]) -> tuple[int, ...]:
        """The pattern with what is open by a constraint closed."""
        closed = list(bits)
        for i in self._legs(bits):
            closed[self._entry[i]] = LOW if i < self.eq.n_switches else LOW_DIODE
        return tuple(closed)

    def open_volts(self, bits: tuple[int, ...], s: Array, slope: Array) -> tuple[Array, Array]:
        """Voltages of open outputs over their legs' low rails as E x + F u.

        Of clamps that are open by a constraint the same: minus the voltage across them.
        """
        legs = self._legs(bits)
        a, b = self.ramps_of(self._closed(bits)).at(s, slope)
        columns = [self.eq.source_inputs.start + self.drops[k] for k in legs]
        m = self.drop_amps.x.at(s)[legs]
        inverse = -np.linalg.inv(m @ b[:, columns])
        rest = b.copy()
        rest[:, columns] = 0.0
        current = m @ a
        if self._moving_amps:
            for leg in np.flatnonzero(slope).tolist():
                current = current + slope[leg] * self.drop_amps.x.derivative(leg).at(s)[legs]
        return inverse @ current, inverse @ m @ rest

    def complete(self, bits: tuple[int, ...], s: Array, slope: Array, x: Array, u: Array) -> None:
        legs, start = self._legs(bits), self.eq.source_inputs.start
        parted = self._parted(bits)
        if parted:
            p_x, p_u = self._parting_volts(parted)
            columns = [start + self.drops[i] for i in parted]
            u[:, columns] = _each(p_x, s, x) + u @ p_u.T
        if legs:
            u[:, [start + self.drops[k] for k in legs]] = self._open_volts_at(bits, s, slope, x, u)
        for q in self._tied(bits):
            u[:, start + self.emfs[q]] += x @ self._held_v[q]

    def _open_volts_at(
        self, bits: tuple[int, ...], s: Array, slope: Array, x: Array, u: Array
    ) -> Array:
        """`open_volts` (T, legs) where states (T, n), inputs and switches are given."""
        legs = self._legs(bits)
        m = self.monomials_of(self._closed(bits))
        columns = [self.eq.source_inputs.start + self.drops[k] for k in legs]
        rest = u.copy()
        rest[:, columns] = 0.0
        moved, through = np.zeros(x.shape), np.zeros((*x.shape, len(legs)))
        mass = np.zeros((len(x), x.shape[1], x.shape[1]))
        for i, key in enumerate(m.keys):
            weight = np.prod(s[:, key[key >= 0]], axis=1)[:, None]
            moved += weight * (x @ m.k[i].T + rest @ m.b[i].T)
            for leg in np.flatnonzero(slope[: len(m.ramp)]).tolist():
                moved -= (slope[leg] * weight) * (x @ m.ramp[leg, i].T)
            through += weight[:, :, None] * m.b[i][:, columns]
            if not m.trivial_mass:
                mass += weight[:, :, None] * m.mass[i]
        if not m.trivial_mass:
            both = np.linalg.solve(mass, np.concatenate([moved[:, :, None], through], axis=2))
            moved, through = both[:, :, 0], both[:, :, 1:]
        pick = np.eye(len(self.drops))[legs]
        amps = pick @ self.drop_amps.x
        stands = _each(amps, s, moved)
        if self._moving_amps:
            for leg in np.flatnonzero(slope).tolist():
                stands = stands + slope[leg] * _each(amps.derivative(leg), s, x)
        by_source = np.stack([_each(amps, s, through[:, :, j]) for j in range(len(legs))], axis=2)
        return np.asarray(-np.linalg.solve(by_source, stands[:, :, None])[:, :, 0])

    def knee_guard(
        self, knee: int, bits: tuple[int, ...], s: Array, slope: Array
    ) -> tuple[Array, Array, float]:
        """What stays above zero while a clamp's state lasts, as X x + U u + a number.

        Its current while it conducts; how far its voltage is below where it begins to.
        """
        i = self.eq.n_switches + knee
        if bits[self._entry[i]] != OPEN:
            pick = np.eye(len(self.drops))[i : i + 1]
            x, u = self.outputs(self.drop_amps.combined(pick), bits, s, slope)
            return x[0], u[0], 0.0
        volts = float(self.drop_v[i])
        if i in self._parting:
            parted = self._parted(bits)
            p_x, p_u = self._parting_volts(parted)
            row = parted.index(i)
            return p_x.at(s)[row], p_u[row], volts
        e_x, e_u = self.open_volts(bits, s, slope)
        row = self._legs(bits).index(i)
        return e_x[row], e_u[row], volts

    def knee_states(self, x: Array, bits: Sequence[int]) -> tuple[int, ...]:
        """States of the clamps at a state x (n_states,), where legs and supplies are in `bits`.

        The current it settled with says so; a clamp whose corner is round leaks below it.
        """
        eq = self.eq
        sources = np.zeros(eq.n_inputs)
        found: list[int] = []
        for knee in range(len(eq.network.knees)):
            rest = len(eq.network.knees) - knee - 1
            trial = (*bits, *found, OPEN, *[OPEN] * rest)
            sources[eq.source_inputs] = self.sources(trial)
            still = np.zeros(eq.n_switches)
            of_x, of_u, volts = self.knee_guard(knee, trial, self.switches(trial), still)
            found.append(OPEN if of_x @ x + of_u @ sources + volts >= 0.0 else LOW_DIODE)
        return tuple(found)

    # -- ramps ------------------------------------------------------------------

    def way(self, at: int, leg: int) -> tuple[Array, Array]:
        return super().way(at, leg % self.n_all)

    def after_ramp(self, at: int, leg: int) -> tuple[int, ...]:
        states = list(self.names[at])
        k, to_diode = leg % self.n_all, leg >= self.n_all
        up = not is_up(states[k])
        states[k] = (HIGH_DIODE if up else LOW_DIODE) if to_diode else (HIGH if up else LOW)
        return tuple(states)

    def make_ramp(self, at: int, leg: int) -> int:
        new = self.leg_ramp[at, leg] < 0
        ramp = super().make_ramp(at, leg)
        if not new:
            return ramp
        if ramp >= len(self.ramp_guard):
            more = len(self.ramp_to) - len(self.ramp_guard)
            none = np.zeros((more, *self.ramp_guard.shape[1:]))
            self.ramp_guard = np.concatenate([self.ramp_guard, none])
        eq, knees = self.eq, self.ramp_guard.shape[1]
        if not knees:
            return ramp
        s0, slope = self.way(at, leg)
        bits = self.after_ramp(at, leg)
        shares, maps = self.node_points()[0], self.node_maps(at, leg)
        rise, sources, n = float(self.rise_s[leg]), self.sources(bits), eq.n_states
        spread = np.linspace(0, len(shares) - 1, _INSIDE + 2)[1:-1]
        for j, node in enumerate(np.round(spread).astype(int)):
            s = s0 + slope * (shares[node] * rise)
            for knee in range(knees):
                of_x, of_u, volts = self.knee_guard(knee, bits, s, slope)
                to_x, to_u = maps[node]
                own, u = self.ramp_guard[ramp, knee, j], of_u + of_x @ to_u
                own[:n] = of_x @ to_x
                own[n] = volts + u[eq.source_inputs] @ sources
                own[n + 1 :] = np.concatenate([u[eq.load_inputs], u[eq.torque_inputs]])
        return ramp

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
        self.amps_y[at, : eq.n_switches] = self.amps[: eq.n_switches] @ basis
        self.guard_y[at], self.guard_0[at], self.guard_held[at] = 0.0, 0.0, 0.0
        s, still = self.switches(bits), np.zeros(eq.n_switches)
        sources = self.sources(bits)
        for knee in range(len(eq.network.knees)):
            g = 2 * (self.first_knee + knee)
            of_x, of_u, volts = self.knee_guard(knee, bits, s, still)
            self.guard_y[at, g] = of_x @ basis
            self.guard_0[at, g] = volts + of_u[eq.source_inputs] @ sources
            held = of_u[eq.load_inputs], of_u[eq.torque_inputs]
            self.guard_held[at, g] = np.concatenate(held)
            # (only while open is the second one read)
            self.guard_0[at, g + 1] = _NEVER
        for q, state in enumerate(bits[eq.n_switches : self.first_knee]):
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

"""From a network to state equations in energy coordinates.

With tree and link branches (see `normal_tree`) split by type, loops F, and each
bridge a transformer of ratio s_k between its bus link B and its mid tree branch M,
the mid current is M_i i_L, M_i = -F_LM^T, the bus current -s M_i i_L. Substituting
that, a bridge only changes the loops of the link inductors,

    F_L(s) = F_L - M_i^T diag(s) F_B,

and everything else is the textbook form:

    N(s)^T L d/dt(N(s) i_L + P J) = F_LE(s) E + F_LW ke w + F_LC(s) v_C + F_LR(s) v_R
    (C_t + F_CC^T C_l F_CC) v_C'  = -F_RC^T i_Rl - F_LC(s)^T i_L - F_JC^T J
    v_R = -Z (F_RR^T G (F_RE E + F_RC v_C) + F_LR(s)^T i_L + F_JR^T J)

N(s) = [1; -F_LL(s)^T] carries cut-sets of inductors, Z is the resistive tree seen
through the resistive links. States are sqrt(L) i, sqrt(C) v and sqrt(J) w (Cholesky
factors where matrices are full), so the stored energy is |x|^2 / 2 and

    mass(s) x' = k(s) x + b(s) u - sum_k s_k' ramp_k(s) x,     k = J(s) - D(s).

mass is the identity unless a bridge or a load sits in a cut-set of inductors.
After the energy states come auxiliary ones that store no energy: currents of loads
with finite bandwidth, the supply voltage that a current-limiting ESC senses, and lags of
what a controlled source (a regulator's output) follows.

Inputs u: EMFs of the sources, commanded currents of the loads, residuals of the curves,
drag torques, what commutation adds to the rotors' EMFs (where any ripples, see
`sim.commutation`), and rates of residuals (of fading stores that carry no state of their own).

Stores that fade (`sim.nonlinear`) change none of this but what multiplies the matrices: with
x the charges and fluxes, as scaled for the linear stores beside, the voltages and currents are

    w = x + gain r(c),   c = reach x + own r + rest,   x' = k w + b u,

and all outputs are of w and w'. A curve is its resistor with an EMF, the residual, in series.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from sim.errors import Conflict
from sim.normal_tree import NormalTree, normal_tree
from sim.switch_poly import SwitchPoly, stack
from sim.threads import heed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from sim.network import Load, Network
    from sim.nonlinear import Curve, Fading

    Array = NDArray[np.float64]

#: Auxiliary states are kept in these units, so that they weigh like energy states.
AUX_SCALE = 1e3
#: A load in a cut-set of inductors cannot follow at once: bandwidth used where it gives none.
CUTSET_BANDWIDTH_HZ = 20e3


@dataclass(frozen=True)
class Rows:
    """Linear outputs: y = x(s) x + d(s) x' + u(s) u + sum_k s_k' ramp_k(s) x.

    Where stores fade, w and w' stand in for x and x'.
    """

    x: SwitchPoly
    d: SwitchPoly
    u: SwitchPoly
    ramp: tuple[SwitchPoly, ...] = ()

    def combined(self, left: Array) -> Rows:
        """The outputs left @ y."""
        return Rows(left @ self.x, left @ self.d, left @ self.u, tuple(left @ r for r in self.ramp))

    @property
    def needs_slope(self) -> bool:
        """x' appears."""
        return bool(self.d.terms)


@dataclass(frozen=True)
class StagedRows(Rows):
    """Outputs of an event in stages: those of the first, and of each in `per`."""

    per: tuple[Rows, ...] = ()

    @classmethod
    def of(cls, per: Sequence[Rows]) -> StagedRows:
        """The outputs of each stage as one."""
        first = per[0]
        return cls(first.x, first.d, first.u, first.ramp, tuple(per))

    def combined(self, left: Array) -> Rows:
        return StagedRows.of([rows.combined(left) for rows in self.per])


@dataclass(frozen=True)
class Limits:
    """What a current-limiting ESC needs to know, one row per chopper.

    duty is held between (e - r brake) / v and (e + r drive) / v, with e the EMF behind
    the bridge, v the sensed supply and r the resistance of the motor's path: the
    settled current then stays within its limits.
    """

    active: NDArray[np.bool_]
    emf: Array
    resistance: Array
    sense_state: NDArray[np.int64]
    drive_a: Array
    brake_a: Array


@dataclass(frozen=True)
class FadingStores:
    """Stores that fade, in states; see the module's head.

    Attributes
    ----------
    reach : (n_stores, n) what of x a store's voltage or current is; gain : (n, n_stores)
    own : (n_stores, n_stores); by_source : (n_stores, n_sources); rest : (n_stores,) of these
    with_rate : which stores' rates are inputs
    """

    laws: tuple[Fading, ...]
    value: Array
    reach: Array
    gain: Array
    own: Array
    by_source: Array
    rest: Array
    with_rate: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.laws)


class StateEquations:
    """The equations of one network; see the module's head for the form.

    Attributes
    ----------
    n_states, n_inputs, n_switches : sizes; n_energy of the states store energy
    mass, k, b : the matrices; ramp : one per switch (empty where no bridge is in a cut-set)
    sources : EMFs (n_sources,), the first inputs
    loads : what commands the inputs after them; drag : N m s2, of the inputs after those
    state_owner : id of the part or lead whose energy each state mostly is
    """

    def __init__(self, network: Network) -> None:
        self.network = network
        self.tree: NormalTree = normal_tree(network)
        self._split()
        self._build()

    # -- sorting ---------------------------------------------------------------

    def _split(self) -> None:
        net, tree = self.network, self.tree

        def of(indices: tuple[int, ...], kind: str) -> list[int]:
            return [p for p, i in enumerate(indices) if net.branches[i].type == kind]

        self._t = {
            name: of(tree.tree, kind)
            for name, kind in (
                ("E", "source"),
                ("M", "mid"),
                ("W", "rotor"),
                ("C", "capacitor"),
                ("R", "resistor"),
                ("L", "inductor"),
            )
        }
        self._l = {
            name: of(tree.links, kind)
            for name, kind in (
                ("C", "capacitor"),
                ("R", "resistor"),
                ("L", "inductor"),
                ("B", "bus"),
                ("J", "load"),
            )
        }
        # the k-th chopper's bus and mid, the k-th rotor and the k-th load, in their own order
        for group, table, indices in (
            ("M", self._t, tree.tree),
            ("W", self._t, tree.tree),
            ("B", self._l, tree.links),
            ("J", self._l, tree.links),
        ):
            table[group].sort(key=lambda p: net.branches[indices[p]].value)

    def _loop(self, link: str, tree: str) -> Array:
        heed()
        return self.tree.loops[np.ix_(self._l[link], self._t[tree])]

    def _values(self, group: str, *, links: bool) -> Array:
        table, indices = (self._l, self.tree.links) if links else (self._t, self.tree.tree)
        return np.array([self.network.branches[indices[p]].value for p in table[group]])

    def _owner(self, group: str, position: int, *, links: bool) -> str:
        table, indices = (self._l, self.tree.links) if links else (self._t, self.tree.tree)
        return self.network.branches[indices[table[group][position]]].owner

    def _refuse(self, bad: Array, group: str, what: str, hint: str) -> None:
        for row in range(len(bad)):
            if np.any(bad[row]):
                raise Conflict(self._owner(group, row, links=True), what, hint)

    # -- matrices --------------------------------------------------------------

    def _build(self) -> None:
        net, t, ln = self.network, self._t, self._l
        f = self._loop
        n_s, n_w = len(t["M"]), len(t["W"])
        self.n_switches = n_s
        behind = "there is no inductance behind the bridge"
        motor = "Give the motor an inductance"
        for group in ("C", "R", "B", "J"):
            self._refuse(f(group, "M"), group, behind, motor)
            self._refuse(f(group, "W"), group, "stands directly across a motor's back-EMF", motor)

        inductance = self._inductance_matrix()
        n_l, n_c = len(ln["L"]), len(t["C"])

        # loops of the link inductors, with the bridges in them
        mid = -f("L", "M").T  # (n_s, n_l): mid current of each bridge in link currents
        mid_poly = SwitchPoly.constant(mid).rows_times_switches()

        def f_l(tree: str) -> SwitchPoly:
            return SwitchPoly.constant(f("L", tree)) - mid_poly.T @ f("B", tree)

        fl_e, fl_c, fl_r, fl_l = f_l("E"), f_l("C"), f_l("R"), f_l("L")
        fl_w = f("L", "W")

        # inductors: link currents first, then the cut-sets' tree currents
        eye = SwitchPoly.constant(np.eye(n_l))
        n_of_s = stack([eye, fl_l.T.scaled(-1.0)])
        reduced = n_of_s.T @ (inductance @ n_of_s)
        to_current = _inverse_factor(reduced.at(np.zeros(n_s)), "inductors")
        c_tree, c_link = self._values("C", links=False), self._values("C", links=True)
        capacitance = np.diag(c_tree) + f("C", "C").T @ np.diag(c_link) @ f("C", "C")
        to_voltage = _inverse_factor(capacitance, "capacitors")
        inertia = np.array([r.inertia for r in net.rotors])[:n_w]
        ke = np.array([r.ke for r in net.rotors])[:n_w]
        to_speed = np.diag(1.0 / np.sqrt(inertia)) if n_w else np.zeros((0, 0))

        # where the states are
        self.loads: tuple[Load, ...] = net.loads
        n_j = len(ln["J"])
        in_cutset = np.any(f("J", "L"), axis=1) if n_j else np.zeros(0, bool)
        self.lag_hz = np.array(
            [
                CUTSET_BANDWIDTH_HZ if cut and load.bandwidth_hz == 0.0 else load.bandwidth_hz
                for load, cut in zip(self.loads, in_cutset, strict=True)
            ]
        )
        lagged = np.flatnonzero(self.lag_hz > 0.0)
        direct = np.flatnonzero(self.lag_hz == 0.0)
        sensing = [
            k
            for k, c in enumerate(net.choppers)
            if c.limit_a is not None or c.brake_limit_a is not None
        ]
        lags = [(c.load, corner) for c in net.controls for _gain, corner in c.lags]
        cuts = np.cumsum([0, n_l, n_c, n_w, len(lagged), len(sensing), len(lags)])
        at_l, at_c, at_w, at_j, at_v, at_f = (slice(int(a), int(b)) for a, b in pairwise(cuts))
        n = int(cuts[-1])
        n_e = len(t["E"])
        curved = dict(net.curves)
        self.curves: tuple[Curve, ...] = tuple(curved.values())
        self.curve_branches = tuple(curved)
        n_c_laws = len(curved)
        late = self._stateless()
        self.emf_ripple = np.array([r.emf_ripple for r in net.rotors])[:n_w]
        n_m = n_w if np.any(self.emf_ripple) else 0
        ends = np.cumsum([0, n_e, n_j, n_c_laws, n_w, n_m, len(late)])
        at_ue, at_ug, at_uc, at_ut, at_um, at_ur = (
            slice(int(a), int(b)) for a, b in pairwise(ends)
        )
        n_u = int(ends[-1])
        self.law_inputs = slice(at_ug.start, at_uc.stop)
        self.curve_inputs, self.rate_inputs = at_uc, at_ur
        self.n_states, self.n_inputs, self.n_energy = n, n_u, int(cuts[3])
        self.current_states, self.voltage_states, self.speed_states = at_l, at_c, at_w
        self.load_states, self.sense_states = at_j, at_v
        self.source_inputs, self.load_inputs, self.torque_inputs = at_ue, at_ug, at_ut
        self.emf_inputs, self.rotor_inputs = at_um, slice(at_ut.start, at_um.stop)
        #: inputs that are held between edges: loads' amps, torques, EMFs of commutation
        self.n_held = n_j + n_w + n_m
        self.lagged, self.direct = lagged, direct
        self.sources = self._values("E", links=False)
        at_e = [self.tree.tree[p] for p in t["E"]]
        self.source_names = tuple((net.branches[i].owner, net.branches[i].name) for i in at_e)
        self.drag = np.array([r.drag for r in net.rotors])[:n_w]
        self.speed_scale = np.diag(to_speed).copy() if n_w else np.zeros(0)
        self.current_scale, self.voltage_scale = to_current, to_voltage

        def place(rows: int, where: slice, block: Array, width: int) -> Array:
            out = np.zeros((rows, width))
            out[:, where] = block
            return out

        i_link = place(n_l, at_l, to_current, n)  # i_L = i_link x, and so on
        v_cap = place(n_c, at_c, to_voltage, n)
        speed = place(n_w, at_w, to_speed, n)
        j_x, j_u = np.zeros((n_j, n)), np.zeros((n_j, n_u))
        of_load = np.zeros((n_j, n))  # the loads' own states, drawing or not
        for row, load in enumerate(lagged):
            of_load[load, at_j.start + row] = AUX_SCALE
        draws = np.array([load.draws for load in self.loads], dtype=bool)
        j_x[draws] = of_load[draws]
        for load in direct:
            j_u[load, at_ug.start + load] = 1.0
        emf_x = self._followed(of_load, at_f)
        emf = place(n_e, at_ue, np.eye(n_e), n_u)
        turned = place(n_w, at_um, np.eye(n_w, n_m), n_u)

        # resistors
        g_link = np.diag(1.0 / self._values("R", links=True)) if ln["R"] else np.zeros((0, 0))
        r_tree = np.diag(self._values("R", links=False))
        f_rr, f_re, f_rc = f("R", "R"), f("R", "E"), f("R", "C")
        z = np.linalg.solve(np.eye(len(t["R"])) + r_tree @ f_rr.T @ g_link @ f_rr, r_tree)
        z = 0.5 * (z + z.T)
        const = SwitchPoly.constant
        vr_x = (-z) @ (
            const(f_rr.T @ g_link @ (f_rc @ v_cap + f_re @ emf_x) + f("J", "R").T @ j_x)
            + fl_r.T @ i_link
        )
        # a curve's residual is an EMF in series with its resistor
        in_tree, in_link = np.zeros((len(t["R"]), n_u)), np.zeros((len(ln["R"]), n_u))
        for column, branch in enumerate(curved):
            for rows, order, positions in (
                (in_tree, self.tree.tree, t["R"]),
                (in_link, self.tree.links, ln["R"]),
            ):
                for row, p in enumerate(positions):
                    if order[p] == branch:
                        rows[row, at_uc.start + column] = 1.0
        spared = np.eye(len(t["R"])) - z @ f_rr.T @ g_link @ f_rr
        vr_u = const(
            spared @ in_tree - z @ (f_rr.T @ g_link @ (f_re @ emf - in_link) + f("J", "R").T @ j_u)
        )
        irl_x = g_link @ (const(f_rc @ v_cap + f_re @ emf_x) + f_rr @ vr_x)
        irl_u = g_link @ (const(f_re @ emf - in_link) + f_rr @ vr_u)

        # inductor rows
        kl_x = const(fl_w @ np.diag(ke) @ speed) + fl_c @ v_cap + fl_r @ vr_x + fl_e @ emf_x
        kl_u = fl_e @ emf + fl_r @ vr_u + const(fl_w @ turned)
        # capacitor rows
        kc_x = (const(f_rc.T) @ irl_x + fl_c.T @ i_link + const(f("J", "C").T @ j_x)).scaled(-1.0)
        kc_u = (const(f_rc.T) @ irl_u + const(f("J", "C").T @ j_u)).scaled(-1.0)
        # rotor rows
        torque = place(n_w, at_ut, np.eye(n_w), n_u)
        kw_x = const(-np.diag(ke) @ fl_w.T @ i_link)
        kw_u = const(-torque)
        # load currents: J' = w (commanded - J)
        w_lag = 2.0 * np.pi * self.lag_hz[lagged]
        kj_x = const(place(len(lagged), at_j, -np.diag(w_lag), n))
        command = np.zeros((len(lagged), n_u))
        for row, load in enumerate(lagged):
            command[row, at_ug.start + load] = w_lag[row] / AUX_SCALE
        kj_u = const(command)

        # flux of the tree inductors, for cut-set voltages: d/dt (L_t (N i_L + P J))
        l_t = inductance[n_l:, :]
        p_j = np.vstack([np.zeros((n_l, n_j)), -f("J", "L").T])
        vlt_d = (const(l_t) @ n_of_s) @ i_link + const(l_t @ p_j @ j_x)
        n_slope = [n_of_s.derivative(k) for k in range(n_s)]
        bus_in_cutset = any(p.terms for p in n_slope)
        self.stores = self._fading(late, v_cap, n_of_s, i_link, p_j @ j_x)
        # what of a cut-set's voltage the linear inductor beside a fading one does not have
        vlt_u = np.zeros((len(t["L"]), n_u))
        for column, index in enumerate(late):
            if net.branches[index].type == "inductor":
                row = [self.tree.tree[p] for p in t["L"]].index(index)
                vlt_u[row, at_ur.start + column] = -net.branches[index].value
        vlt_ramp = tuple((const(l_t) @ p) @ i_link for p in n_slope) if bus_in_cutset else ()

        # voltage of a bridge's supply side, and its sensed copy
        f_b = {g: f("B", g) for g in "ECRL"}
        vb = Rows(
            const(f_b["C"] @ v_cap + f_b["E"] @ emf_x) + f_b["R"] @ vr_x,
            f_b["L"] @ vlt_d,
            const(f_b["E"] @ emf + f_b["L"] @ vlt_u) + f_b["R"] @ vr_u,
            tuple(f_b["L"] @ r for r in vlt_ramp),
        )
        pick = np.zeros((len(sensing), n_s))
        for row, k in enumerate(sensing):
            pick[row, k] = net.choppers[k].frequency_hz / AUX_SCALE
        rate = np.array([net.choppers[k].frequency_hz for k in sensing])
        sensed = vb.combined(pick)
        if lags:
            # what a control's lags look at, as they look at it
            f_j = {g: f("J", g) for g in "ECRL"}
            vj = Rows(
                const(f_j["C"] @ v_cap + f_j["E"] @ emf_x) + f_j["R"] @ vr_x,
                f_j["L"] @ vlt_d,
                const(f_j["E"] @ emf + f_j["L"] @ vlt_u) + f_j["R"] @ vr_u,
                tuple(f_j["L"] @ r for r in vlt_ramp),
            )
            corner = 2.0 * np.pi * np.array([hz for _, hz in lags])
            look = np.zeros((len(lags), n_j))
            for row, (seen, _) in enumerate(lags):
                look[row, seen] = corner[row] / AUX_SCALE
            sensed = stack_rows([sensed, vj.combined(look)])
            rate = np.concatenate([rate, corner])
        n_v = int(cuts[6] - cuts[4])
        kv_x = sensed.x + const(place(n_v, slice(at_v.start, at_f.stop), -np.diag(rate), n))

        # all rows together
        l_rows, c_rows, w_rows = to_current.T, to_voltage.T, to_speed.T
        self.k = stack([l_rows @ kl_x, c_rows @ kc_x, w_rows @ kw_x, kj_x, kv_x])
        self.b = stack([l_rows @ kl_u, c_rows @ kc_u, w_rows @ kw_u, kj_u, sensed.u])
        if any(np.any(m[:, at_ur]) for m in self.b.terms.values()):
            raise Conflict(
                next(net.branches[i].owner for i in late if net.branches[i].type == "inductor"),
                "saturates in series with others that do, and no capacitor stands behind",
                "Give what it feeds a capacitor, or leave one saturation current out",
            )
        mass_l = (to_current.T @ reduced) @ i_link + (
            to_current.T @ (n_of_s.T @ const(inductance @ p_j @ j_x))
        )
        rest = np.zeros((n - n_l, n))
        rest[:, n_l:] = np.eye(n - n_l)
        mass_v = const(rest[n - n_l - n_v :]) - sensed.d
        self.mass = stack([mass_l, const(rest[: n - n_l - n_v]), mass_v])
        # (mass - 1) multiplies w', so where it meets a fading store it depends on the state
        still_mass = self.mass.at(np.zeros(n_s))
        apart = still_mass - np.eye(n)
        apart[np.abs(apart) < 1e-12] = 0.0
        meets = bool(np.any(apart @ self.stores.gain))
        self.mass_is_identity = self.mass.is_constant and not meets
        if self.mass_is_identity:
            # no bridge in a cut-set: the mass goes into the other matrices once and for all
            inverse: Array = np.asarray(np.linalg.inv(still_mass), dtype=float)
            inverse[np.abs(inverse) < 1e-14] = 0.0
            self.k, self.b = const(inverse) @ self.k, const(inverse) @ self.b
            self.mass = const(np.eye(n))
        self.ramp: tuple[SwitchPoly, ...] = ()
        if bus_in_cutset:
            self.ramp = tuple(
                stack(
                    [
                        l_rows @ ((n_of_s.T @ (inductance @ p)) @ i_link),
                        SwitchPoly.zero(n - n_l - n_v, n),
                        r.scaled(-1.0),
                    ]
                )
                for p, r in zip(n_slope, sensed.ramp, strict=True)
            )

        #: stored energy is x^T store(s) x / 2
        flux = n_of_s @ i_link + const(p_j @ j_x)
        still = np.zeros((n, n))
        still[at_c, at_c] = np.eye(n_c)
        still[at_w, at_w] = np.eye(n_w)
        self.store = flux.T @ (inductance @ flux) + const(still)

        self._j, self._emf_x = (j_x, j_u), emf_x
        self._outputs(
            vr_x, vr_u, irl_x, irl_u, vlt_d, vlt_u, vlt_ramp, vb, i_link, v_cap, speed, late
        )
        self._owners()
        self._limits(mid, fl_w, ke, speed, at_v, sensing, to_current)

    def _followed(self, of_load: Array, at_f: slice) -> Array:
        """What states add to each source's EMF (n_sources, n), from the network's controls.

        Raises
        ------
        Conflict   if such a source stands straight across a capacitor
        """
        out = np.zeros((len(self._t["E"]), self.n_states))
        place = {self.tree.tree[p]: row for row, p in enumerate(self._t["E"])}
        followers, at = [], at_f.start
        for control in self.network.controls:
            row = place[control.source]
            followers.append(row)
            out[row] += of_load[control.load]
            for gain, _corner in control.lags:
                out[row, at] += gain * AUX_SCALE
                at += 1
            if np.any(self._loop("C", "E")[:, row]):
                raise Conflict(
                    control.owner,
                    "feeds a capacitor without any resistance",
                    "Give its output some resistance",
                )
        self._followers = followers
        return out

    def _inductance_matrix(self) -> Array:
        """Full inductance matrix, link inductors first, then tree inductors (H)."""
        net = self.network
        order = [self.tree.links[p] for p in self._l["L"]]
        order += [self.tree.tree[p] for p in self._t["L"]]
        place = {branch: i for i, branch in enumerate(order)}
        matrix = np.diag([net.branches[i].value for i in order]).astype(float)
        matrix = matrix.reshape(len(order), len(order))
        for first, second, henry in net.mutuals:
            i, j = place[first], place[second]
            matrix[i, j] += henry
            matrix[j, i] += henry
        if len(order) and np.linalg.eigvalsh(matrix)[0] <= 0.0:
            raise Conflict("leads", "mutual inductances exceed what is possible", "Check spacing")
        return matrix

    def _stateless(self) -> list[int]:
        """Branches of fading stores that are link capacitors or tree inductors."""
        links = {self.tree.links[p] for p in self._l["C"]}
        tree = {self.tree.tree[p] for p in self._t["L"]}
        return [index for index, _ in self.network.stores if index in links | tree]

    def _fading(
        self, late: list[int], v_cap: Array, n_of_s: SwitchPoly, i_link: Array, from_loads: Array
    ) -> FadingStores:
        """Where the fading stores are in the states.

        `from_loads` (n_inductors, n) are inductor currents that loads with a bandwidth cause.
        """
        net, t, ln = self.network, self._t, self._l
        count, n = len(net.stores), self.n_states
        reach, by_source = np.zeros((count, n)), np.zeros((count, len(self.sources)))
        place = {self.tree.tree[p]: ("tree", i) for i, p in enumerate(t["C"])}
        place |= {self.tree.links[p]: ("link", i) for i, p in enumerate(ln["C"])}
        coils = [self.tree.links[p] for p in ln["L"]] + [self.tree.tree[p] for p in t["L"]]
        for row, (index, _) in enumerate(net.stores):
            if index in place:
                where, i = place[index]
                if where == "tree":
                    reach[row] = v_cap[i]
                else:
                    reach[row] = self._loop("C", "C")[i] @ v_cap
                    by_source[row] = self._loop("C", "E")[i]
                continue
            at = coils.index(index)
            pick = np.zeros((1, len(coils)))
            pick[0, at] = 1.0
            own = pick @ n_of_s
            if not own.is_constant:
                raise Conflict(
                    net.branches[index].owner,
                    "saturates where it alone feeds a bridge",
                    "Give the ESC a capacitor, or leave the saturation current out",
                )
            reach[row] = (own.at(np.zeros(self.n_switches)) @ i_link)[0] + from_loads[at]
        value = np.array([net.branches[index].value for index, _ in net.stores], dtype=float)
        gain = np.zeros((n, count))
        for states in (self.current_states, self.voltage_states):
            gain[states] = reach[:, states].T * value
        return FadingStores(
            laws=tuple(law for _, law in net.stores),
            value=value,
            reach=reach,
            gain=gain,
            own=reach @ gain - np.eye(count),
            by_source=by_source,
            rest=by_source @ self.sources,
            with_rate=np.array(
                [[index for index, _ in net.stores].index(i) for i in late], dtype=np.int64
            ),
        )

    def _outputs(
        self,
        vr_x: SwitchPoly,
        vr_u: SwitchPoly,
        irl_x: SwitchPoly,
        irl_u: SwitchPoly,
        vlt_d: SwitchPoly,
        vlt_u: Array,
        vlt_ramp: tuple[SwitchPoly, ...],
        vb: Rows,
        i_link: Array,
        v_cap: Array,
        speed: Array,
        late: list[int],
    ) -> None:
        """Rows for every tree voltage and every branch current."""
        n_u = self.n_inputs
        t, ln, tree = self._t, self._l, self.tree
        const = SwitchPoly.constant
        ke = np.array([r.ke for r in self.network.rotors])[: len(t["W"])]

        def spread(where: list[int], total: int, poly: SwitchPoly) -> SwitchPoly:
            up = np.zeros((total, len(where)))
            for column, row in enumerate(where):
                up[row, column] = 1.0
            return up @ poly

        n_t = len(tree.tree)
        emf = np.zeros((len(t["E"]), n_u))
        emf[:, self.source_inputs] = np.eye(len(t["E"]))
        turned = np.zeros((len(t["W"]), n_u))
        turned[:, self.emf_inputs] = np.eye(
            len(t["W"]), self.emf_inputs.stop - self.emf_inputs.start
        )
        vm = [p.rows_times_switches() for p in (vb.x, vb.d, vb.u)]
        self.tree_volts = Rows(
            spread(t["M"], n_t, vm[0])
            + spread(t["W"], n_t, const(np.diag(ke) @ speed))
            + spread(t["C"], n_t, const(v_cap))
            + spread(t["E"], n_t, const(self._emf_x))
            + spread(t["R"], n_t, vr_x),
            spread(t["M"], n_t, vm[1]) + spread(t["L"], n_t, vlt_d),
            spread(t["E"], n_t, const(emf))
            + spread(t["W"], n_t, const(turned))
            + spread(t["M"], n_t, vm[2])
            + spread(t["L"], n_t, const(vlt_u))
            + spread(t["R"], n_t, vr_u),
            tuple(
                spread(t["L"], n_t, r) + spread(t["M"], n_t, b.rows_times_switches())
                for r, b in zip(vlt_ramp, vb.ramp, strict=True)
            ),
        )
        self.bus_volts = vb
        c_link = np.diag(self._values("C", links=True)).reshape(len(ln["C"]), len(ln["C"]))
        n_k = len(tree.links)
        mid = -self._loop("L", "M").T
        bus = (mid @ const(i_link)).rows_times_switches().scaled(-1.0)
        j_x, j_u = self._j
        link_x = (
            spread(ln["R"], n_k, irl_x)
            + spread(ln["L"], n_k, const(i_link))
            + spread(ln["B"], n_k, bus)
            + spread(ln["J"], n_k, const(j_x))
        )
        link_d = spread(ln["C"], n_k, const(c_link @ self._loop("C", "C") @ v_cap))
        # what of its current the linear capacitor beside a fading one does not have
        c_u = np.zeros((len(ln["C"]), n_u))
        for column, index in enumerate(late):
            if self.network.branches[index].type == "capacitor":
                row = [tree.links[p] for p in ln["C"]].index(index)
                c_u[row, self.rate_inputs.start + column] = -self.network.branches[index].value
        link_u = (
            spread(ln["R"], n_k, irl_u)
            + spread(ln["J"], n_k, const(j_u))
            + spread(ln["C"], n_k, const(c_u))
        )
        back = -tree.loops.T
        n_b = len(self.network.branches)
        down = np.zeros((n_b, n_k + n_t))
        for column, index in enumerate((*tree.links, *tree.tree)):
            down[index, column] = 1.0
        gather = down[:, :n_k] + down[:, n_k:] @ back
        self.branch_amps = Rows(gather @ link_x, gather @ link_d, gather @ link_u)

    def _owners(self) -> None:
        owners = [self._owner("L", i, links=True) for i in range(len(self._l["L"]))]
        owners += [self._owner("C", i, links=False) for i in range(len(self._t["C"]))]
        owners += [self._owner("W", i, links=False) for i in range(len(self._t["W"]))]
        owners += [self.loads[i].owner for i in self.lagged]
        lags = [c.owner for c in self.network.controls for _ in c.lags]
        owners += [""] * (self.n_states - len(owners) - len(lags)) + lags
        self.state_owner = tuple(owners)

    def _limits(
        self,
        mid: Array,
        fl_w: Array,
        ke: Array,
        speed: Array,
        at_v: slice,
        sensing: list[int],
        to_current: Array,
    ) -> None:
        """Per chopper: EMF row and resistance of the motor's path, and the limits."""
        net, n_s = self.network, self.n_switches
        # the resistance a steady mid current meets with every bridge low
        k0 = self.k.at(np.zeros(n_s))[self.current_states, self.current_states]
        up = np.linalg.inv(to_current) if len(to_current) else to_current
        resistive = -up.T @ k0 @ up
        resistance = np.zeros(n_s)
        emf = np.zeros((n_s, self.n_states))
        state = np.full(n_s, -1, dtype=np.int64)
        for k in range(n_s):
            row = mid[k]
            size = float(row @ row)
            if size:
                resistance[k] = float(row @ resistive @ row) / size**2
                emf[k] = (row @ fl_w @ np.diag(ke) @ speed) / size
        for i, k in enumerate(sensing):
            state[k] = at_v.start + i
        inf = float("inf")
        self.limits = Limits(
            active=state >= 0,
            emf=emf,
            resistance=resistance,
            sense_state=state,
            drive_a=np.array([inf if c.limit_a is None else c.limit_a for c in net.choppers]),
            brake_a=np.array(
                [inf if c.brake_limit_a is None else c.brake_limit_a for c in net.choppers]
            ),
        )

    # -- outputs ---------------------------------------------------------------

    def volts(self, plus: int, minus: int) -> Rows:
        """Voltage between two nodes.

        Raises
        ------
        Conflict   if no path joins them
        """
        if self.tree.piece[plus] != self.tree.piece[minus]:
            raise Conflict("", "no conductor joins tip and ground", "Move one of them")
        left = (self.tree.paths[plus] - self.tree.paths[minus])[None, :]
        return self.tree_volts.combined(left)

    def amps(self, branches: Sequence[tuple[int, float]]) -> Rows:
        """Signed sum of branch currents."""
        left = np.zeros((1, len(self.network.branches)))
        for index, sign in branches:
            left[0, index] += sign
        return self.branch_amps.combined(left)

    @cached_property
    def load_volts(self) -> Rows:
        """Voltage across each load."""
        left = np.array([self.tree.loops[p] for p in self._l["J"]]).reshape(
            len(self._l["J"]), len(self.tree.tree)
        )
        return self.tree_volts.combined(left)

    @cached_property
    def law_controls(self) -> Rows:
        """Voltage across each load, then the controls of the curves."""
        return stack_rows([self.load_volts, self.curve_controls])

    @cached_property
    def curve_controls(self) -> Rows:
        """Voltage plus resistance times current of each curve."""
        rows = []
        for index in self.curve_branches:
            branch = self.network.branches[index]
            volts, amps = self.volts(branch.a, branch.b), self.amps([(index, branch.value)])
            rows.append(Rows(volts.x + amps.x, volts.d + amps.d, volts.u + amps.u, volts.ramp))
        none = SwitchPoly.zero(0, self.n_states)
        return stack_rows(rows) if rows else Rows(none, none, SwitchPoly.zero(0, self.n_inputs))

    @cached_property
    def curve_residuals(self) -> Rows:
        """Voltage less resistance times current of each curve."""
        u = np.zeros((len(self.curves), self.n_inputs))
        u[:, self.curve_inputs] = np.eye(len(self.curves))
        zero = SwitchPoly.zero(len(self.curves), self.n_states)
        return Rows(zero, zero, SwitchPoly.constant(u))

    @cached_property
    def load_amps(self) -> Rows:
        """Current of each load."""
        j_x, j_u = self._j
        const = SwitchPoly.constant
        return Rows(const(j_x), SwitchPoly.zero(len(j_x), self.n_states), const(j_u))

    @cached_property
    def resistors(self) -> tuple[tuple[str, str, float], ...]:
        """(owner, name, ohm) of each resistor but curves, in the order of `resistor_amps`."""
        return tuple(
            (b.owner, b.name, b.value)
            for i, b in enumerate(self.network.branches)
            if b.type == "resistor" and i not in self.curve_branches
        )

    @cached_property
    def resistor_amps(self) -> Rows:
        """Current of each resistor."""
        return self._amps_of("resistor")

    @cached_property
    def rotor_amps(self) -> Rows:
        """Current of each rotor."""
        return self._amps_of("rotor")

    @cached_property
    def source_branches(self) -> tuple[int, ...]:
        """Index into the network's branches of each source, in the order of `sources`."""
        return tuple(self.tree.tree[p] for p in self._t["E"])

    @cached_property
    def source_amps(self) -> Rows:
        """Current each source delivers, in the order of `sources`."""
        indices = self.source_branches
        left = np.zeros((len(indices), len(self.network.branches)))
        for row, index in enumerate(indices):
            left[row, index] = -1.0
        return self.branch_amps.combined(left)

    @cached_property
    def followers(self) -> tuple[tuple[str, ...], Rows]:
        """Owners of the sources that follow something (k,), and rows (2 k,).

        The rows are what each one's EMF follows, without its own value, then what current
        it delivers.
        """
        net = self.network
        owners = tuple(control.owner for control in net.controls)
        pick = np.zeros((len(owners), len(self._t["E"])))
        pick[np.arange(len(owners)), self._followers] = 1.0
        emf = Rows(
            SwitchPoly.constant(pick @ self._emf_x),
            SwitchPoly.zero(len(owners), self.n_states),
            SwitchPoly.zero(len(owners), self.n_inputs),
        )
        return owners, stack_rows([emf, self.source_amps.combined(pick)])

    def _amps_of(self, kind: str) -> Rows:
        indices = [
            i
            for i, b in enumerate(self.network.branches)
            if b.type == kind and i not in self.curve_branches
        ]
        left = np.zeros((len(indices), len(self.network.branches)))
        for row, index in enumerate(indices):
            left[row, index] = 1.0
        return self.branch_amps.combined(left)

    def charged_supplies(self) -> Array:
        """Everything at rest but the supplies' own capacitors, which hold the set voltage (n,).

        Raises
        ------
        Conflict   if another capacitor stands straight across one
        """
        x, volts = np.zeros(self.n_states), np.zeros(len(self._t["C"]))
        own = [self.tree.tree[p] for p in self._t["C"]]
        for supply in self.network.supplies:
            row = own.index(supply.capacitor) if supply.capacitor in own else -1
            if row < 0 or np.any(self._loop("C", "C")[:, row]):
                raise Conflict(
                    supply.owner,
                    "is plugged straight onto a capacitor, an endless current",
                    "Give the supply or its lead some resistance or inductance",
                )
            volts[row] = self.network.branches[supply.source].value
        if len(volts):
            x[self.voltage_states] = np.linalg.solve(self.voltage_scale, volts)
        return x

    def capacitor_on_source(self) -> str | None:
        """Owner of a capacitor in a loop of nothing but ideal sources and capacitors."""
        for row, loop in enumerate(self._loop("C", "E")):
            if np.any(loop):
                return self._owner("C", row, links=True)
        return None

    def speeds(self, x: Array) -> Array:
        """Rotor speeds in rad/s from states (..., n_states)."""
        return np.asarray(x[..., self.speed_states] * self.speed_scale)


def stack_rows(rows: Sequence[Rows]) -> Rows:
    """Outputs below one another."""
    if not rows:
        raise Conflict("signals", "there is nothing to show", "Hang a clip")
    staged = [r.per for r in rows if isinstance(r, StagedRows)]
    if staged:
        return StagedRows.of([stack_rows(stage) for stage in zip(*staged, strict=True)])
    switches = max(len(r.ramp) for r in rows)
    width = rows[0].x.shape[1]

    def ramp(r: Rows, k: int) -> SwitchPoly:
        return r.ramp[k] if r.ramp else SwitchPoly.zero(r.x.shape[0], width)

    return Rows(
        stack([r.x for r in rows]),
        stack([r.d for r in rows]),
        stack([r.u for r in rows]),
        tuple(stack([ramp(r, k) for r in rows]) for k in range(switches)),
    )


def _inverse_factor(matrix: Array, what: str) -> Array:
    """Upper triangular T with T^T matrix T = 1."""
    if not len(matrix):
        return np.zeros((0, 0))
    try:
        lower = np.linalg.cholesky(matrix)
    except np.linalg.LinAlgError:
        raise Conflict(what, "the stored energy is not positive", "Check the values") from None
    return np.ascontiguousarray(np.linalg.inv(lower).T)

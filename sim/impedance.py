"""Small-signal views: impedance at a joint, transfer between joints, modes and who owns them.

    sim.impedance.impedance(build, "pads")                    ohm over frequency
    sim.impedance.transfer(build, "vtx.in", "pads")           volts per volt, in dB
    sim.impedance.transfer(build, "pads", "esc1.in", per="amp")   volts per ampere, in ohm

All from the equations that also solve the events, linearised where the event starts: duty of
each ESC held (or as its current limit holds it), constant-power loads and all that bends with
voltage or current as its slope there. A test current is let in between plus and minus of a
place; what voltages it makes, per ampere of it, is the answer. Bridges are their duty, so above
a third of the PWM frequency or so a bridge's own chopping is not in these curves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from sim.assemble import assemble
from sim.carriers import slewed
from sim.errors import BadField, Conflict, WrongPort
from sim.event import drive as drive_of
from sim.mean_equations import MeanEquations, equilibrium, linear_values, residual_scale
from sim.network import Branch, Load
from sim.options import apply
from sim.resolve import canonical, event_index, events_of, option_index
from sim.stages import stages_of
from sim.state_equations import AUX_SCALE, Rows, StateEquations, stack_rows
from sim.threads import one_blas_thread

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from sim.network import Network
    from sim.records import Build, Event
    from sim.switch_poly import SwitchPoly

    Array = NDArray[np.float64]
    Complex = NDArray[np.complex128]

#: Frequencies where none are given: from 10 Hz to 10 MHz, so many a decade.
LOWEST_HZ, HIGHEST_HZ, PER_DECADE = 10.0, 10e6, 40
#: Bandwidth of the test current; it divides out.
_TEST_HZ = 1e6
#: A mode below this damping rings: it is looked at closely and its owners are named.
RINGS_BELOW = 0.5


@dataclass(frozen=True)
class OwnedMode:
    """One natural mode where the event starts.

    hz = |lambda| / 2 pi, damping = -Re lambda / |lambda|. `owners` are the ids of parts and
    leads with their shares of the energy that swings, largest first; `part` is the first.
    """

    hz: float
    damping: float
    real_per_s: float
    part: str
    owners: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class LoadMargin:
    """How far a constant-power load is from making its supply unstable.

    Attributes
    ----------
    hz : where supply and load come nearest
    source_ohm : size of the supply's impedance there, the load's current held
    load_ohm : size of the load's own, v^2 / P with its bandwidth
    margin_db : load over source; above 0 the condition holds
    """

    part: str
    label: str
    volts: float
    watts: float
    hz: float
    source_ohm: float
    load_ohm: float
    margin_db: float


@dataclass(frozen=True)
class Response:
    """One curve over frequency.

    Attributes
    ----------
    quantity : "ohm" (impedance, or volts at `at` per ampere at `source`) or "gain_dB"
    hz, values, phase_deg : (n,) each
    modes : all modes, fastest first
    stable : no mode grows
    """

    build: str
    event: str
    option: str | None
    at: str
    source: str | None
    quantity: Literal["ohm", "gain_dB"]
    hz: Array
    values: Array
    phase_deg: Array
    modes: tuple[OwnedMode, ...]
    margins: tuple[LoadMargin, ...]
    stable: bool

    def to_json_dict(self) -> dict[str, object]:
        """The JSON document of the `impedance` verb."""
        return {
            "build": self.build,
            "event": self.event,
            "option": self.option,
            "at": self.at,
            "from": self.source,
            "hz": self.hz.tolist(),
            self.quantity: self.values.tolist(),
            "phase_deg": self.phase_deg.tolist(),
            "modes": [
                {
                    "hz": mode.hz,
                    "damping": mode.damping,
                    "real_per_s": mode.real_per_s,
                    "part": mode.part,
                }
                for mode in self.modes
            ],
            "resonances": [
                {"hz": mode.hz, "damping": mode.damping, "owners": dict(mode.owners)}
                for mode in self.modes
                if mode.damping < RINGS_BELOW
            ],
            "loads": [dict(vars(margin)) for margin in self.margins],
            "stable": self.stable,
        }


class SmallSignal:
    """A network linearised at a state, with test currents at some places.

    Parameters
    ----------
    network : without test currents
    places : (plus, minus) nodes where currents are let in
    duty : duty commands (n_switches,)
    from_rest : everything is discharged and still (before a plug-in)

    Raises
    ------
    NetworkError, SolveError   as solving does
    """

    def __init__(
        self,
        network: Network,
        places: Sequence[tuple[int, int]],
        duty: Array,
        *,
        from_rest: bool = False,
    ) -> None:
        known = len(network.loads)
        branches, loads = list(network.branches), list(network.loads)
        for i, (plus, minus) in enumerate(places):
            branches.append(Branch("load", plus, minus, float(known + i), "", "test current"))
            loads.append(Load("", "current", 0.0, 0.0, _TEST_HZ))
        self.network = replace(network, branches=tuple(branches), loads=tuple(loads))
        self.command = np.asarray(duty, dtype=float)
        mean = MeanEquations(StateEquations(self.network))
        if not self.network.is_linear and not from_rest:
            # about the start a store that fades is what is left of it there
            values = linear_values(mean, self.command, equilibrium(mean, self.command))
            self.network = self.network.linearised(values)
            mean = MeanEquations(StateEquations(self.network))
        self.mean = mean
        self.equations = eq = mean.eq
        # the test loads draw nothing, so the start is that of the network without them
        self.x = np.zeros(eq.n_states) if from_rest else equilibrium(mean, self.command)
        self.a = mean.jacobian(self.command, self.x)
        self._n_known = known
        self._duty = mean.limited(self.command, self.x)
        state_of = {int(load): row for row, load in enumerate(eq.lagged)}
        self._test_state = [eq.load_states.start + state_of[known + i] for i in range(len(places))]
        columns = [eq.load_inputs.start + known + i for i in range(len(places))]
        b = self._mean_of(eq.b)[:, columns]
        if not eq.mass_is_identity:
            b = np.asarray(np.linalg.solve(self._mean_of(eq.mass), b), dtype=float)
        self._b = b

    def _mean_of(self, poly: SwitchPoly) -> Array:
        """A matrix with every bridge at its duty; powers of a duty count once."""
        total: Array = np.zeros(poly.shape)
        for key, matrix in poly.terms.items():
            total = total + math.prod(float(self._duty[k]) for k in set(key)) * matrix
        return total

    # -- outputs -----------------------------------------------------------------

    def _outputs(self, rows: Rows) -> tuple[Array, Array]:
        """y = c x + d cmd around the start, by central differences of the true outputs."""
        eq, mean = self.equations, self.mean
        n = eq.n_states
        # a thousandth of a volt, an ampere or 10 rad/s: far above rounding, far below any bend
        step = 1e-3 * residual_scale(eq)
        offsets = np.diag(step)
        xs = np.vstack([self.x + offsets, self.x - offsets])
        commands = np.tile(self.command, (2 * n, 1))
        duty, w, u, slope, _ = mean.along(commands, xs)
        y = mean.rows(rows, duty, w, slope, u)
        c = (y[:, :n] - y[:, n:]) / (2.0 * step)
        return c, self._mean_of(rows.d) @ self._b

    def response(self, rows: Rows, hz: Array, place: int) -> Complex:
        """Outputs per ampere let in at one of the places, (n_rows, n_hz)."""
        c, d = self._outputs(rows)
        s = 2j * np.pi * np.asarray(hz, dtype=float)
        n = len(self.a)
        systems = s[:, None, None] * np.eye(n) - self.a
        x = np.linalg.solve(systems, np.broadcast_to(self._b[:, [place]], (len(s), n, 1)))[..., 0]
        drawn = AUX_SCALE * x[:, self._test_state[place]]
        return np.asarray(-(c @ x.T + d[:, [place]]) / drawn, dtype=complex)

    def place_rows(self, pairs: Sequence[tuple[int, int]]) -> Rows:
        """Voltages between pairs of nodes."""
        return stack_rows([self.equations.volts(*pair) for pair in pairs])

    # -- modes ---------------------------------------------------------------------

    def modes(self) -> tuple[OwnedMode, ...]:
        """Natural modes, fastest first, one of each conjugate pair, with their owners.

        An owner's share is that of the energy in its inductors, capacitors and rotor while the
        mode swings.
        """
        eq = self.equations
        kept = np.setdiff1d(np.arange(eq.n_states), self._test_state)
        if not len(kept):
            return ()
        values, vectors = np.linalg.eig(self.a[np.ix_(kept, kept)])
        order = [i for i in np.argsort(-np.abs(values)) if values[i].imag >= 0.0]
        order = [i for i in order if abs(values[i]) > 0.0]
        full = np.zeros((eq.n_states, len(order)), dtype=complex)
        full[kept] = vectors[:, order]
        alike = _alike(values[order])
        for group in alike:
            # modes of equal arms are any mixture of one another: only their span means anything
            full[:, group] = np.linalg.qr(full[:, group])[0]
        shares = self._energy_shares(full, values[order], alike)
        found = []
        for column, i in enumerate(order):
            value, own = complex(values[i]), shares[column]
            found.append(
                OwnedMode(
                    hz=abs(value) / (2.0 * math.pi),
                    damping=-value.real / abs(value),
                    real_per_s=value.real,
                    part=own[0][0] if own else "",
                    owners=own,
                )
            )
        return tuple(found)

    def _energy_shares(
        self, x: Complex, rates: Complex, alike: Sequence[Sequence[int]]
    ) -> list[tuple[tuple[str, float], ...]]:
        """Owners and their shares of each mode (n_states, modes), largest first.

        `alike` are groups of modes that share their owners.
        """
        eq, net = self.equations, self.network
        stores = [
            (i, branch)
            for i, branch in enumerate(net.branches)
            if branch.type in ("inductor", "capacitor")
        ]
        energy: dict[str, Array] = {}

        def add(owner: str, joule: Array) -> None:
            energy[owner] = energy.get(owner, np.zeros(x.shape[1])) + np.maximum(joule, 0.0)

        if stores:
            volts, _ = self._outputs(stack_rows([eq.volts(b.a, b.b) for _, b in stores]))
            amps, _ = self._outputs(stack_rows([eq.amps([(i, 1.0)]) for i, _ in stores]))
            v, i = volts @ x, amps @ x
            for row, (_, branch) in enumerate(stores):
                # the flux is the voltage over the rate, the charge the current over it
                pair = (i[row], v[row]) if branch.type == "inductor" else (v[row], i[row])
                add(branch.owner, np.real(np.conj(pair[0]) * pair[1] / rates))
        for k, rotor in enumerate(net.rotors):
            speed = eq.speed_scale[k] * x[eq.speed_states.start + k]
            add(rotor.owner, rotor.inertia * np.abs(speed) ** 2)
        # loads with a bandwidth and current limits have states but no energy
        aux = {
            int(state): eq.loads[load].owner
            for state, load in zip(
                range(eq.load_states.start, eq.load_states.stop), eq.lagged, strict=True
            )
        }
        for chopper, sensed in zip(net.choppers, eq.limits.sense_state, strict=True):
            aux[int(sensed)] = chopper.owner
        out: list[tuple[tuple[str, float], ...]] = []
        for group in alike:
            for joule in energy.values():
                joule[group] = np.mean(joule[group])
        total = sum(energy.values(), np.zeros(x.shape[1]))
        for column in range(x.shape[1]):
            if total[column] <= 0.0:
                state = int(np.argmax(np.abs(x[:, column])))
                out.append(((aux.get(state, eq.state_owner[state]), 1.0),))
                continue
            own = {name: float(j[column] / total[column]) for name, j in energy.items()}
            # equal shares stay in the order of the file
            ranked = sorted(own.items(), key=lambda item: -round(item[1], 4))
            out.append(tuple((name, share) for name, share in ranked[:6] if share >= 0.01))
        return out

    @property
    def stable(self) -> bool:
        """No mode grows, rounding aside."""
        if not self.a.size:
            return True
        growth = float(np.max(np.linalg.eigvals(self.a).real))
        return growth <= 1e-9 * float(np.max(np.abs(self.a))) + 1e-6

    # -- loads -----------------------------------------------------------------------

    def margins(self, grid: Array, first_place: int) -> tuple[LoadMargin, ...]:
        """Middlebrook's condition of each constant-power load.

        |source impedance| < |load impedance| at all frequencies is enough for stability: R. D.
        Middlebrook, Input filter considerations in design and application of switching
        regulators, IEEE Industry Applications Society Annual Meeting, 1976.

        Parameters
        ----------
        grid : frequencies looked at, Hz
        first_place : the loads' test currents are the places from here on
        """
        eq, mean = self.equations, self.mean
        _, _, _, _, volts = mean.along(self.command[None, :], self.x[None, :])
        found = []
        place = first_place
        for j, load in enumerate(eq.loads[: self._n_known]):
            if load.mode != "power":
                continue
            nodes = _load_nodes(self.network, j)
            z = self.response(self.place_rows([nodes]), grid, place)[0]
            place += 1
            v = float(volts[0, j])
            if load.value <= 0.0 or v <= load.minimum_v or v <= 0.0:
                continue
            own = np.full(len(grid), -load.value / v**2, dtype=complex)
            if eq.lag_hz[j] > 0.0:
                own = own / (1.0 + 1j * grid / eq.lag_hz[j])
            # what is seen there holds the load too: taking its admittance away leaves the supply
            source = 1.0 / (1.0 / z - own)
            ratio = np.abs(1.0 / own) / np.abs(source)
            k = int(np.argmin(ratio))
            found.append(
                LoadMargin(
                    part=load.owner,
                    label=_label(self.network, load.owner),
                    volts=v,
                    watts=load.value,
                    hz=float(grid[k]),
                    source_ohm=float(abs(source[k])),
                    load_ohm=float(abs(1.0 / own[k])),
                    margin_db=20.0 * math.log10(float(ratio[k])),
                )
            )
        return tuple(found)


def _alike(values: Complex) -> list[list[int]]:
    """Groups of indices of values that are equal but for rounding; values sorted by size."""
    groups: list[list[int]] = []
    for i, value in enumerate(values):
        near = next((g for g in groups if abs(values[g[0]] - value) < 1e-5 * abs(value)), None)
        if near is None:
            groups.append([i])
        else:
            near.append(i)
    return [g for g in groups if len(g) > 1]


def _load_nodes(network: Network, index: int) -> tuple[int, int]:
    branch = next(b for b in network.branches if b.type == "load" and round(b.value) == index)
    return branch.a, branch.b


def _label(network: Network, owner: str) -> str:
    for address, label in network.labels.items():
        if address.split(".")[0] == owner:
            return label
    return owner


# --- from a build --------------------------------------------------------------------


@dataclass(frozen=True)
class _Wired:
    """A build with its option and event, as a network with its duty."""

    build: Build
    drawn: Build
    option: str | None
    event: Event
    network: Network
    duty: Array

    def place(self, address: str) -> tuple[str, tuple[int, int]]:
        """The full address and the nodes of a place.

        Raises
        ------
        WrongPort   if there is none
        """
        ports = self.network.ports
        if address not in ports:
            address = canonical(self.drawn, address)
        if address not in ports:
            raise WrongPort(address, "no such place", f"Places are {', '.join(sorted(ports)[:12])}")
        return address, ports[address]


def _wired(build: Build, event: str | int | None, option: str | int | None) -> _Wired:
    which = events_of(build)[event_index(build, event)]
    at = option_index(build, option)
    chosen = None if at is None else build.options[at]
    drawn = apply(build, chosen)
    # a build that an event changes under way is looked at as the event finds it
    network = assemble(stages_of(drawn, which)[0].build, which)
    drive = slewed(drive_of(drawn, which, network), network)
    duty = np.asarray(drive.start_duty, dtype=float)
    return _Wired(build, drawn, None if chosen is None else chosen.name, which, network, duty)


def _solved(
    wired: _Wired, places: Sequence[tuple[int, int]]
) -> tuple[SmallSignal, int, tuple[OwnedMode, ...]]:
    """Linearised with test currents at the places and, from the given index on, at the loads."""
    net = wired.network
    loads = [_load_nodes(net, j) for j, load in enumerate(net.loads) if load.mode == "power"]
    small = SmallSignal(net, [*places, *loads], wired.duty, from_rest=wired.event.kind == "plug_in")
    return small, len(places), small.modes()


def default_hz(modes: Sequence[OwnedMode] = ()) -> Array:
    """A logarithmic grid with more points where a mode rings, so that no peak is missed."""
    decades = math.log10(HIGHEST_HZ / LOWEST_HZ)
    parts = [np.geomspace(LOWEST_HZ, HIGHEST_HZ, round(decades * PER_DECADE) + 1)]
    for mode in modes:
        if mode.damping < RINGS_BELOW and LOWEST_HZ < mode.hz < HIGHEST_HZ:
            wide = max(mode.damping, 1e-4)
            parts.append(mode.hz * (1.0 + wide * np.linspace(-2.0, 2.0, 17)))
    grid = np.unique(np.concatenate(parts))
    return np.asarray(grid[(grid >= LOWEST_HZ) & (grid <= HIGHEST_HZ)], dtype=float)


def _frequencies(hz: Sequence[float] | Array | None, modes: Sequence[OwnedMode]) -> Array:
    if hz is None:
        return default_hz(modes)
    given = np.asarray(hz, dtype=float)
    if given.ndim != 1 or not len(given):
        raise BadField("hz", "holds no frequency", "Give one or more, in Hz")
    bad = given[~(np.isfinite(given) & (given > 0.0) & (given <= 1e10))]
    if len(bad):
        raise BadField("hz", f"{bad[0]:g} Hz is outside its range", "Allowed is above 0, to 10 GHz")
    return given


@one_blas_thread()
def impedance(
    build: Build,
    at: str,
    *,
    hz: Sequence[float] | Array | None = None,
    event: str | int | None = None,
    option: str | int | None = None,
) -> Response:
    """Impedance between plus and minus of a joint, where an event starts.

    Parameters
    ----------
    at : address of a joint or port
    hz : frequencies; None for 10 Hz to 10 MHz with all peaks
    event, option : name, or number from 1; None for the first event and the build as drawn

    Raises
    ------
    BadField   if a frequency, event or option is not allowed
    WrongPort   if there is no such place
    NetworkError, SolveError
    """
    wired = _wired(build, event, option)
    address, pair = wired.place(at)
    small, first_load, modes = _solved(wired, [pair])
    grid = _frequencies(hz, modes)
    z = small.response(small.place_rows([pair]), grid, 0)[0]
    return _answer(wired, small, first_load, modes, address, None, "ohm", grid, z)


@one_blas_thread()
def transfer(
    build: Build,
    at: str,
    source: str,
    *,
    per: Literal["volt", "amp"] = "volt",
    hz: Sequence[float] | Array | None = None,
    event: str | int | None = None,
    option: str | int | None = None,
) -> Response:
    """What a disturbance at one joint does to another, where an event starts.

    Parameters
    ----------
    at, source : addresses; the disturbance is at `source`
    per : "volt": volts at `at` per volt at `source`, in dB; "amp": volts at `at` per ampere
        that is drawn at `source`, such as an ESC's `esc1.in`, in ohm
    hz, event, option : as `impedance`

    Raises
    ------
    BadField, WrongPort, NetworkError, SolveError   as `impedance`
    """
    if per not in ("volt", "amp"):
        raise BadField("per", f"{per!r} is not known", "Give volt or amp")
    wired = _wired(build, event, option)
    address, pair = wired.place(at)
    start, start_pair = wired.place(source)
    small, first_load, modes = _solved(wired, [start_pair])
    grid = _frequencies(hz, modes)
    there, here = small.response(small.place_rows([pair, start_pair]), grid, 0)
    if per == "amp":
        return _answer(wired, small, first_load, modes, address, start, "ohm", grid, there)
    if np.any(np.abs(here) == 0.0):
        raise Conflict(start, "an ideal source holds its voltage still", "Give another joint")
    ratio = there / here
    return _answer(wired, small, first_load, modes, address, start, "gain_dB", grid, ratio)


def _answer(
    wired: _Wired,
    small: SmallSignal,
    first_load: int,
    modes: tuple[OwnedMode, ...],
    at: str,
    source: str | None,
    quantity: Literal["ohm", "gain_dB"],
    grid: Array,
    ratio: Complex,
) -> Response:
    size = np.abs(ratio)
    values = 20.0 * np.log10(np.maximum(size, 1e-300)) if quantity == "gain_dB" else size
    return Response(
        build=wired.build.name,
        event=wired.event.name,
        option=wired.option,
        at=at,
        source=source,
        quantity=quantity,
        hz=grid,
        values=values,
        phase_deg=np.degrees(np.angle(ratio)),
        modes=modes,
        margins=small.margins(default_hz(modes), first_load),
        stable=small.stable,
    )

"""A solved run: figures, samples at any time, energy check."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np

from sim import plain, returns
from sim.avalanche import note as avalanche_note
from sim.averaged import AveragedRun
from sim.errors import BadField, Cancelled, WrongPort
from sim.harmonic_balance import Expected, expected
from sim.parts import KINDS
from sim.pulse_heat import peak_rise
from sim.signals import Signal
from sim.state_equations import Rows, stack_rows
from sim.trajectory import ReadTogether
from sim.verdict import RatingUse, use_of_limit, verdict

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from sim.build import Build
    from sim.parts.kind import Rating, Values
    from sim.stability import Growth
    from sim.state_equations import StateEquations
    from sim.trajectory import RowFigures, Trajectory

    Array = NDArray[np.float64]

MODEL_VERSION = "1"

#: What the model leaves out, said on screen and in every report.
NOT_COVERED = (
    "MOSFET avalanche: above its rating a voltage is unclamped",
    "the loop of a few nH inside the ESC board and its ringing above 30 MHz",
    "commutation's three real phases; its ripple is in what every edge tells, not in averages",
    "radiated and magnetic pickup, but for what a probe's ground wire picks up",
    "gyro mechanics, firmware decisions, receiver desense",
    "a symptom may not be electrical at all",
)

Detail = Literal["averaged", "edges"]
#: What a run made of ceramics that lose capacitance and coils that saturate: there are none, their
#: charge and flux were followed, or they count as what is left of them where the event starts.
Stores = Literal["steady", "followed", "as at the start"]

#: Said of runs that do not follow them.
STORES_STAY = (
    "ceramics that lose capacitance and coils that saturate: here they stay what is left of them "
    "where the event starts"
)

#: Stretches of an event in which a time below a limit is counted.
_LOOKS = 2000

#: What a rating may be held against that is no extreme.
_BY_INTEGRALS = ("rms_amps", "mean_watts", "joules", "time_below", "pulse_kelvin")

#: Voltages read in one go; between goes a run can be told to stop. Fewer where numpy has to do.
_PLACES_AT_ONCE, _PLACES_IN_NUMPY = 16, 2
#: And on so many parts of a run whose stores are followed, one after the other: 0.1 s in all.
_PARTS = 3


@dataclass(frozen=True)
class JointFigures:
    """Voltage figures of one place, in V; None where the level of detail does not know.

    `slow_peak_V` and `slow_min_V` are of the average over a carrier period and given by
    averaged runs; the true peak_V, min_V, pp_V by runs with every edge, or where nothing
    chops.
    """

    id: str
    label: str
    peak_V: float | None
    min_V: float | None
    mean_V: float
    pp_V: float | None
    rms_ac_V: float
    start_V: float
    slow_peak_V: float | None
    slow_min_V: float | None
    peak_at_s: float
    min_at_s: float


@dataclass(frozen=True)
class PartFigures:
    """Current, loss and ratings of one part. Averaged runs know slow currents only."""

    id: str
    kind: str
    peak_A: float
    rms_A: float
    loss_J: float
    ratings: tuple[RatingUse, ...]


@dataclass(frozen=True)
class Energy:
    """The energy check of a run, in J; residual over what was turned over."""

    from_sources_J: float
    dissipated_J: float
    stored_change_J: float
    residual: float


@dataclass(frozen=True)
class Mode:
    """One natural mode at the event's start.

    hz = |lambda| / 2 pi, damping = -Re lambda / |lambda|; `part` owns most of it.
    """

    hz: float
    damping: float
    real_per_s: float
    part: str


@dataclass(frozen=True)
class Cost:
    """Seconds spent solving, and steps or segments."""

    solve_s: float
    steps: int


@dataclass(frozen=True)
class Context:
    """What a solution was solved from."""

    build: Build
    values: dict[str, Values]
    option: str | None
    event: str
    event_kind: str
    detail: Detail
    seed: int
    stable: bool
    jacobian: Array
    state_owner: Sequence[str]
    solve_s: float
    stores: Stores = "steady"
    #: volts of places with a lower limit before anything runs
    rest_V: Mapping[str, float] = field(default_factory=dict)


@dataclass
class Band:
    """Curves of a whole event, wanted together with its figures.

    Attributes
    ----------
    signals : volts or amps
    bins, slack : as of `Solution.envelope`
    read : what that returns; None where the figures did not need such a walk
    """

    signals: Sequence[Signal]
    bins: int
    slack: float
    read: tuple[Array, Array, Array] | None = None


class Solution:
    """One run. Made by `sim.solve`; every figure is taken from the run on demand."""

    def __init__(self, context: Context, trajectory: Trajectory) -> None:
        self.context = context
        self.trajectory = trajectory
        self.equations: StateEquations = trajectory.equations
        self.build = context.build.name
        self.event, self.option = context.event, context.option
        self.detail: Detail = context.detail
        self.seed, self.stable = context.seed, context.stable
        self.duration_s = trajectory.duration_s
        self.cost = Cost(context.solve_s, trajectory.steps)
        #: what was made of ceramics and coils that fade
        self.stores: Stores = context.stores
        stay = (STORES_STAY,) if context.stores == "as at the start" else ()
        self.not_covered = (*returns.said(context.build), *stay, *NOT_COVERED)
        self.model_version = MODEL_VERSION
        self.knows_peaks = context.detail == "edges" or not self._chops()
        self._whole: tuple[tuple[JointFigures, ...], tuple[PartFigures, ...]] | None = None
        self._energy: Energy | None = None
        #: ratings by the slack they were read within, and whether of extremes only
        self._rated: dict[tuple[float, bool], dict[str, tuple[RatingUse, ...]]] = {}
        #: of a pair of nodes: within what slack, lowest and highest voltage
        self._ranges: dict[tuple[int, int], tuple[float, tuple[float, float]]] = {}
        self._rows: dict[Signal, Rows] = {}
        self._stacked: tuple[tuple[Signal, ...], Rows] | None = None

    def _chops(self) -> bool:
        return bool(self.equations.n_switches) and self.context.event_kind != "plug_in"

    # -- samples ---------------------------------------------------------------

    def rows(self, signal: Signal) -> Rows:
        """The linear output of a signal of kind volts, offset or amps; made once.

        Raises
        ------
        WrongPort   if the place does not exist
        """
        rows = self._rows.get(signal)
        if rows is None:
            rows = self._rows[signal] = self._rows_of(signal)
        return rows

    def _rows_of_all(self, signals: Sequence[Signal]) -> Rows:
        """The outputs of signals below one another; those of the last are kept for a closer look.

        Raises
        ------
        WrongPort   if a place does not exist
        """
        wanted, last = tuple(signals), self._stacked
        if last is None or last[0] != wanted:
            last = self._stacked = wanted, stack_rows([self.rows(s) for s in wanted])
        return last[1]

    def find(self, signal: Signal) -> None:
        """See whether what a signal reads is there.

        Raises
        ------
        WrongPort   if the place does not exist
        """
        if signal.kind == "speed":
            self._index("rotors", signal.place)
        elif signal.kind == "duty":
            self._index("choppers", signal.place)
        else:
            self.rows(signal)

    def _rows_of(self, signal: Signal) -> Rows:
        net = self.equations.network
        if signal.kind == "amps":
            address = signal.place
            if address not in net.port_branches and f"{address}.in" in net.port_branches:
                address = f"{address}.in"
            if address not in net.port_branches:
                raise WrongPort(signal.place, "is no part or lead whose current can be read")
            branches = net.port_branches[address]
            if address.endswith(".out"):
                # What passes through a part counts the same at both its ends.
                branches = tuple((index, -sign) for index, sign in branches)
            return self.equations.amps(branches)
        plus, minus = self._place(signal.place)
        if signal.kind == "offset":
            plus = minus
        if signal.ground is not None:
            minus = self._place(signal.ground)[1]
        return self.equations.volts(plus, minus)

    def _place(self, address: str) -> tuple[int, int]:
        ports = self.equations.network.ports
        if address in ports:
            return ports[address]
        raise WrongPort(address, "no such place", f"Places are {', '.join(sorted(ports)[:12])}")

    def sample(self, signals: Sequence[Signal], times_s: Array) -> Array:
        """Signals at any times (T,), (n_signals, T), in V, A, rad/s or share."""
        times = np.asarray(times_s, dtype=float)
        out = np.zeros((len(signals), len(times)))
        linear = [i for i, s in enumerate(signals) if s.kind in ("volts", "offset", "amps")]
        if linear:
            rows = self._rows_of_all([signals[i] for i in linear])
            out[linear] = self.trajectory.sample(rows, times)
        for i, signal in enumerate(signals):
            if signal.kind == "speed":
                out[i] = self.trajectory.speeds(times)[self._index("rotors", signal.place)]
            elif signal.kind == "duty":
                out[i] = self.trajectory.duties(times)[self._index("choppers", signal.place)]
        return out

    def _index(self, group: str, place: str) -> int:
        owners = [item.owner for item in getattr(self.equations.network, group)]
        owner = place.split(".")[0]
        if owner not in owners:
            raise WrongPort(place, "is no motor" if group == "rotors" else "is no ESC")
        return owners.index(owner)

    def envelope(
        self, signals: Sequence[Signal], t0: float, t1: float, bins: int, slack: float = 0.0
    ) -> tuple[Array, Array, Array]:
        """Bin edges (bins+1,), lowest and highest (n_signals, bins) of volts or amps.

        Exact, extremes between edges included; with a `slack` (V or A) quicker, and no
        extreme further off than that.
        """
        self._window(t0, t1)
        rows = self._rows_of_all(signals)
        low, high = self.trajectory.envelope(rows, t0, t1, bins, slack)
        return np.linspace(t0, t1, bins + 1), low, high

    def stretch(self, signals: Sequence[Signal], t0: float, t1: float) -> RowFigures:
        """Extremes, mean and mean square of volts or amps over a window (s), a row a signal.

        Raises
        ------
        BadField   if the window is not inside the event
        WrongPort   if a place does not exist
        """
        self._window(t0, t1)
        return self.trajectory.figures(self._rows_of_all(signals), t0, t1)

    def edge_times(self, t0: float, t1: float) -> Array:
        """Instants in a window at which a bridge begins to switch, s; none when averaged."""
        return self.trajectory.edge_times(t0, t1)

    def _window(self, t0: float, t1: float) -> None:
        if not (0.0 <= t0 < t1 <= self.duration_s * (1.0 + 1e-12)):
            raise BadField(
                "window",
                f"from {t0 * 1e3:g} ms to {t1 * 1e3:g} ms is not inside the event",
                f"Give 0 to {self.duration_s * 1e3:g} ms, start before end",
            )

    # -- figures ---------------------------------------------------------------

    @property
    def joints(self) -> tuple[JointFigures, ...]:
        """Voltages of all places over the whole event."""
        return self._figures_whole()[0]

    @property
    def parts(self) -> tuple[PartFigures, ...]:
        """Currents, losses and ratings of all parts over the whole event."""
        return self._figures_whole()[1]

    def _figures_whole(self) -> tuple[tuple[JointFigures, ...], tuple[PartFigures, ...]]:
        if self._whole is None:
            self._whole = self.figures(0.0, self.duration_s)
        return self._whole

    @cached_property
    def modes(self) -> tuple[Mode, ...]:
        """Natural modes where the event starts."""
        return modes_of(self.context.jacobian, self.context.state_owner)

    @cached_property
    def expected_difference(self) -> Expected | None:
        """How far an averaged run's means are from every edge's; None where nothing is to say."""
        net = self.equations.network
        if self.knows_peaks or not isinstance(self.trajectory, AveragedRun):
            return None
        return expected(self.trajectory, {p: net.ports[p] for p in self.places()}, self.seed)

    @property
    def energy(self) -> Energy:
        """The energy check over the whole event."""
        if self._energy is None:
            b = self.trajectory.energy(0.0, self.duration_s)
            self._energy = Energy(b.from_sources, b.dissipated, b.stored_change, b.residual)
        return self._energy

    def ready_integrals(self, cancelled: Callable[[], bool]) -> None:
        """Make what RMS figures and the energy check need; they then come in a moment.

        Raises
        ------
        Cancelled   if `cancelled`, asked between the steps, says so
        """
        self.trajectory.ready_integrals(0.0, self.duration_s, cancelled)

    def places(self) -> list[str]:
        """Addresses that have a voltage: joints by id, ports of parts as part.port."""
        net = self.equations.network
        parts = {p.id: p.kind for p in self.context.build.parts}
        pieces = self.equations.tree.piece
        found = []
        for address, (plus, minus) in net.ports.items():
            owner = address.split(".")[0]
            bare = "." not in address
            if owner not in parts or (bare and parts[owner] != "joint"):
                continue
            if pieces[plus] == pieces[minus]:
                found.append(address)
        return found

    def figures(
        self, t0: float, t1: float
    ) -> tuple[tuple[JointFigures, ...], tuple[PartFigures, ...]]:
        """Joint and part figures over a window of the event (s)."""
        self._window(t0, t1)
        eq, net = self.equations, self.equations.network
        places = self.places()
        amps_at = [
            p
            for p in (self._current_port(part.id) for part in self.context.build.parts)
            if p is not None
        ]
        # places on one joint share their voltage: read it once
        pairs = list(dict.fromkeys(net.ports[p] for p in places))
        rows = [eq.volts(*pair) for pair in pairs]
        rows += [eq.amps(net.port_branches[p]) for p in amps_at]
        if not rows:
            return (), ()
        stacked = stack_rows(rows)
        figures = self.trajectory.figures(stacked, t0, t1)
        start = self.trajectory.sample(stacked, np.array([0.0]))[:, 0]
        row_of = {place: pairs.index(net.ports[place]) for place in places}
        joints = tuple(
            self._joint(place, figures, row_of[place], float(start[row_of[place]]))
            for place in places
        )
        volts = {
            place: (float(figures.lowest[row]), float(figures.highest[row]))
            for place, row in row_of.items()
        }
        losses = self.trajectory.energy(t0, t1).by_owner
        parts = []
        for part in self.context.build.parts:
            port = self._current_port(part.id)
            if port is None:
                continue
            row = len(pairs) + amps_at.index(port)
            peak = float(max(abs(figures.highest[row]), abs(figures.lowest[row])))
            rms = math.sqrt(max(float(figures.mean_square[row]), 0.0))
            loss = losses.get(part.id, 0.0)
            uses = self._uses(part.id, part.kind, volts, peak, rms, loss / (t1 - t0), t1 - t0)
            parts.append(PartFigures(part.id, part.kind, peak, rms, loss, uses))
        return joints, tuple(parts)

    def _current_port(self, part: str) -> str | None:
        """Where a part's current is read: into `in`, out of `out` alone, none for a joint."""
        for name in (f"{part}.in", f"{part}.out"):
            if name in self.equations.network.port_branches:
                return name
        return None

    def _joint(self, place: str, f: RowFigures, row: int, start: float) -> JointFigures:
        high, low, mean = float(f.highest[row]), float(f.lowest[row]), float(f.mean[row])
        rms = math.sqrt(max(float(f.mean_square[row]) - mean * mean, 0.0))
        true = self.knows_peaks
        slow = self.detail == "averaged"
        return JointFigures(
            id=place,
            label=self.equations.network.labels.get(place, place),
            peak_V=high if true else None,
            min_V=low if true else None,
            mean_V=mean,
            pp_V=high - low if true else None,
            rms_ac_V=rms,
            start_V=start,
            slow_peak_V=high if slow else None,
            slow_min_V=low if slow else None,
            peak_at_s=float(f.highest_at[row]),
            min_at_s=float(f.lowest_at[row]),
        )

    def volts_range(
        self,
        slack: float = 0.0,
        cancelled: Callable[[], bool] | None = None,
        places: Sequence[str] | None = None,
    ) -> dict[str, tuple[float, float]]:
        """Lowest and highest voltage of places over the whole event, within `slack`.

        Parameters
        ----------
        places : all if None; what was read before is not read again

        Raises
        ------
        Cancelled   if `cancelled`, asked every few places, says so
        """
        net = self.equations.network
        places = self.places() if places is None else places
        self._read_extremes(places, (), slack, cancelled)
        return {place: self._ranges[net.ports[place]][1] for place in places}

    def _read_extremes(
        self,
        places: Sequence[str],
        currents: Sequence[str],
        slack: float,
        cancelled: Callable[[], bool] | None,
        band: Band | None = None,
    ) -> dict[str, float]:
        """Have ranges of places that are not known yet; the largest currents of ports, A.

        `band` is read with them where a run can; else it is left as it is. Together: most of a
        reading is the walk along the run, whatever is read on it.
        """
        eq, net = self.equations, self.equations.network
        known = self._ranges
        pairs = list(dict.fromkeys(net.ports[p] for p in places))
        left = [pair for pair in pairs if pair not in known or known[pair][0] > slack]
        run = self.trajectory
        if band is not None and (band.read or not isinstance(run, ReadTogether)):
            band = None
        # its curves tell their own extremes
        drawn = {} if band is None else self._drawn(band)
        left = [pair for pair in left if pair not in drawn]
        # an averaged run is read in tens of milliseconds, most of them the same for any places
        # and one within a slack is for a drag, whose answers are not stopped
        some = _PLACES_AT_ONCE if plain.usable() else _PLACES_IN_NUMPY
        step = some if self.detail == "edges" and not slack else len(pairs)
        amps = [eq.amps(net.port_branches[port]) for port in currents]
        peaks: dict[str, float] = {}
        least = 1 if amps or band is not None else 0
        for start in range(0, max(len(left), least), max(step, 1)):
            few = left[start : start + step]
            rows = [*amps, *(eq.volts(*pair) for pair in few)]
            parts = _PARTS if self.stores == "followed" and step == some and band is None else 1
            ends = np.linspace(0.0, self.duration_s, parts + 1)
            low, high = np.full((2, len(rows)), np.inf)
            high = -high
            for a, b in itertools.pairwise(ends.tolist()):
                if cancelled is not None and cancelled():
                    raise Cancelled("figures", "stopped for a newer request")
                if band is not None and band.read is None and isinstance(run, ReadTogether):
                    lowest, highest = self._read_band(run, band, rows, slack)
                else:
                    lowest, highest = run.extremes(stack_rows(rows), a, b, slack)
                low, high = np.minimum(low, lowest), np.maximum(high, highest)
            n = len(amps)
            for port, a, b in zip(currents, low[:n], high[:n], strict=bool(n)):
                peaks[port] = float(max(abs(a), abs(b)))
            for pair, a, b in zip(few, low[n:], high[n:], strict=True):
                known[pair] = slack, (float(a), float(b))
            amps = []
        if band is not None and band.read is not None:
            _, low, high = band.read
            for pair, curve in drawn.items():
                both = float(low[curve].min()), float(high[curve].max())
                known[pair] = max(slack, band.slack), both
        return peaks

    def _drawn(self, band: Band) -> dict[tuple[int, int], int]:
        """Which curves of a band are voltages of which pair of nodes."""
        return {
            self._place(s.place): k
            for k, s in enumerate(band.signals)
            if s.kind == "volts" and s.ground in (None, s.place)
        }

    def _read_band(
        self, run: ReadTogether, band: Band, rows: list[Rows], slack: float
    ) -> tuple[Array, Array]:
        """Read curves of the whole event, and lowest and highest of other outputs beside."""
        t1 = self.duration_s
        low, high, lowest, highest = run.envelope_beside(
            self._rows_of_all(band.signals),
            stack_rows(rows) if rows else None,
            0.0,
            t1,
            band.bins,
            band.slack,
            slack,
        )
        band.read = np.linspace(0.0, t1, band.bins + 1), low, high
        return lowest, highest

    def known_range(self, slack: float) -> dict[str, tuple[float, float]]:
        """What `volts_range` has read so far, within `slack` or better."""
        net = self.equations.network
        known = {pair: both for pair, (within, both) in self._ranges.items() if within <= slack}
        return {p: known[net.ports[p]] for p in self.places() if net.ports[p] in known}

    def rated(
        self,
        slack: float = 0.0,
        cancelled: Callable[[], bool] | None = None,
        *,
        extremes_only: bool = False,
        beside: Sequence[str] = (),
        band: Band | None = None,
    ) -> dict[str, tuple[RatingUse, ...]]:
        """Every part's ratings over the whole event, without the figures nobody rates.

        Voltages and peak currents within `slack`, 0 is exact.

        Parameters
        ----------
        extremes_only : leave out what integrals or many looks are needed for (RMS, heat, times,
            growth), for while a hand drags
        beside : places whose range is read in the same walk, for `volts_range` to tell
        band : curves of the whole event that may be read in that walk, too

        Raises
        ------
        Cancelled   if `cancelled`, asked between the readings, says so
        """
        if self._whole is not None:
            return {part.id: part.ratings for part in self._whole[1]}
        for (within, only), found in self._rated.items():
            if within <= slack and (extremes_only or not only):
                return found
        eq, net = self.equations, self.equations.network
        limits = [
            (part, rating)
            for part in self.context.build.parts
            for rating in KINDS[part.kind].ratings
            if self.context.values[part.id].optional(rating.field) is not None
            and not (extremes_only and rating.reads in _BY_INTEGRALS)
        ]
        known = self.knows_peaks and self.context.event_kind != "plug_in"

        def currents(reads: str) -> list[str]:
            ports = (self._current_port(p.id) for p, r in limits if known and r.reads == reads)
            return list(dict.fromkeys(p for p in ports if p is not None))

        t1 = self.duration_s
        rms: dict[str, float] = {}
        # other places have no limit to be held against
        held = {f"{part.id}.{rating.port}" for part, rating in limits}
        places = [p for p in self.places() if p in held]
        amps = currents("peak_amps")
        peak = self._read_extremes([*places, *beside], amps, slack, cancelled, band)
        if cancelled is not None:
            if cancelled():
                raise Cancelled("figures", "stopped for a newer request")
            if currents("rms_amps"):
                self.ready_integrals(cancelled)
        if at := currents("rms_amps"):
            rows = stack_rows([eq.amps(net.port_branches[p]) for p in at])
            _, square = self.trajectory.means(rows, 0.0, t1)
            rms = {p: math.sqrt(max(float(v), 0.0)) for p, v in zip(at, square, strict=True)}
        heats = any(rating.reads in ("mean_watts", "joules") for _, rating in limits)
        losses = self.trajectory.energy(0.0, t1).by_owner if heats else {}
        volts = self.volts_range(slack, cancelled, places)
        out = {}
        for part in self.context.build.parts:
            port = self._current_port(part.id) or ""
            out[part.id] = self._uses(
                part.id,
                part.kind,
                volts,
                peak.get(port, 0.0),
                rms.get(port, 0.0),
                losses.get(part.id, 0.0) / t1,
                t1,
                extremes_only=extremes_only,
            )
        self._rated[slack, extremes_only] = out
        return out

    def _uses(
        self,
        part: str,
        kind: str,
        volts: Mapping[str, tuple[float, float]],
        peak_a: float,
        rms_a: float,
        watts: float,
        span_s: float,
        *,
        extremes_only: bool = False,
    ) -> tuple[RatingUse, ...]:
        values = self.context.values[part]
        uses = []
        for rating in KINDS[kind].ratings:
            if extremes_only and rating.reads in _BY_INTEGRALS:
                continue
            limit = KINDS[kind].limit(rating, values)
            if limit is not None and rating.reads == "time_below":
                if self.context.event_kind != "plug_in":
                    uses.append(self._time_below(part, rating, values, limit))
                continue
            if limit is not None and rating.reads == "pulse_kelvin":
                uses += self._pulse_rise(part, rating, values, limit)
                continue
            read = self._read(
                rating, volts.get(f"{part}.{rating.port}"), peak_a, rms_a, watts, span_s
            )
            if limit is None or read is None:
                continue
            reads, value, unit = read
            place = f"{part}.{rating.port}"
            lower = rating.reads == "minimum_volts"
            rest = self.context.rest_V.get(place) if lower else None
            used = use_of_limit(value, limit, lower=lower, rest=rest)
            uses.append(
                RatingUse(
                    name=rating.name,
                    reads=reads,
                    place=place,
                    value=value,
                    limit=limit,
                    used=used,
                    unit=unit,
                    verdict=verdict(used),
                    note=self._beyond(rating, place, value, limit),
                    rest=rest,
                )
            )
        return tuple(uses) if extremes_only else (*uses, *self._grown(part))

    def _beyond(self, rating: Rating, place: str, value: float, limit: float) -> str:
        """What a voltage beyond a MOSFET's rating would do."""
        if rating.field != "mosfet_rating":
            return ""
        return avalanche_note(self.equations.network, place, value, limit)

    @cached_property
    def growth(self) -> Growth | None:
        """How a swing grows by itself along the event; None where none does, and in a plug-in.

        It is of the averaged equations along the course, the same under any ESC timing: whoever
        has one solution's may set that of others.
        """
        return None if self.context.event_kind == "plug_in" else self.trajectory.growth()

    def _grown(self, part: str) -> tuple[RatingUse, ...]:
        """A swing that grows by itself, as a limit of the part it is in.

        One e-fold is the limit: from a ripple of volts no more is needed to be seen.
        """
        growth = self.growth
        if growth is None or growth.part != part:
            return ()
        used = use_of_limit(growth.folds, 1.0, lower=False)
        port = self._current_port(part) or part
        found = RatingUse("stability", "growth", port, growth.folds, 1.0, used, "", verdict(used))
        return (found,)

    def _pulse_rise(
        self, part: str, rating: Rating, values: Values, limit: float
    ) -> list[RatingUse]:
        """How warm pulses make a clamp's junction; nothing where peaks are not known."""
        if not self.knows_peaks:
            return []
        steps = self.trajectory.heat_steps(part, 0.0, self.duration_s)
        rise = peak_rise(*steps, values.number(rating.field))
        used = use_of_limit(rise, limit, lower=False)
        place = f"{part}.{rating.port}"
        return [RatingUse(rating.name, "warms by", place, rise, limit, used, "K", verdict(used))]

    def _time_below(self, part: str, rating: Rating, values: Values, limit: float) -> RatingUse:
        """The longest time in a row below the lowest supply, whole carrier ripple included.

        A look at the highest voltage in each of `_LOOKS` stretches of the event: time counts as
        below where not even ripple reaches the limit.
        """
        place = f"{part}.{rating.port}"
        lowest = values.number("minimum_voltage")
        _, _, high = self.envelope([Signal("volts", place)], 0.0, self.duration_s, _LOOKS)
        longest = run = 0
        for below in high[0] < lowest:
            run = run + 1 if below else 0
            longest = max(longest, run)
        value = longest * self.duration_s / _LOOKS
        used = use_of_limit(value, limit, lower=False)
        return RatingUse(rating.name, "time below", place, value, limit, used, "s", verdict(used))

    def _read(
        self,
        rating: Rating,
        volts: tuple[float, float] | None,
        peak_a: float,
        rms_a: float,
        watts: float,
        span_s: float,
    ) -> tuple[str, float, str] | None:
        """What a rating is held against; None where this run cannot tell."""
        slow = "" if self.knows_peaks else "slow "
        if rating.reads == "peak_volts":
            return None if volts is None else (f"{slow}peak", volts[1], "V")
        if rating.reads == "joules":
            # what clips peaks is not known without them
            return ("energy", watts * span_s, "J") if self.knows_peaks else None
        # A plug-in starts from nothing, so there is no minimum to hold yet; its inrush is over
        # before it warms a part, so no current or power either.
        if self.context.event_kind == "plug_in":
            return None
        if rating.reads == "minimum_volts":
            return None if volts is None else (f"{slow}lowest", volts[0], "V")
        # without edges the ripple is not known, so currents of capacitors mean nothing
        if rating.reads == "rms_amps":
            return ("RMS", rms_a, "A") if self.knows_peaks else None
        if rating.reads == "peak_amps":
            return ("peak current", peak_a, "A") if self.knows_peaks else None
        if rating.reads == "mean_watts":
            return "mean power", watts, "W"
        return None

    # -- JSON ------------------------------------------------------------------

    def to_json_dict(self, t0: float | None = None, t1: float | None = None) -> dict[str, object]:
        """The JSON document of the `solve` verb; figures over a window if one is given."""
        start = 0.0 if t0 is None else t0
        end = self.duration_s if t1 is None else t1
        joints, parts = self.figures(start, end)
        energy = self.energy
        return {
            "build": self.build,
            "event": self.event,
            "option": self.option,
            "detail": self.detail,
            "seed": self.seed,
            "stable": self.stable and (self.growth is None or self.growth.folds <= 1.0),
            "growth": None if self.growth is None else dict(vars(self.growth)),
            "duration_s": self.duration_s,
            "joints": [dict(vars(j)) for j in joints],
            "parts": [{**vars(p), "ratings": [dict(vars(r)) for r in p.ratings]} for p in parts],
            "energy": dict(vars(energy)),
            "expected_difference": self._said_difference(),
            "modes": [dict(vars(m)) for m in self.modes],
            "cost": dict(vars(self.cost)),
            "not_covered": list(self.not_covered),
            "model_version": self.model_version,
        }

    def _said_difference(self) -> dict[str, object] | None:
        found = self.expected_difference
        return None if found is None else {**vars(found), "sentence": found.sentence}


def modes_of(jacobian: Array, owners: Sequence[str]) -> tuple[Mode, ...]:
    """Natural modes of a linearised network, fastest first, one of each conjugate pair.

    The owner is the part whose states take the largest share of the mode, by
    participation (right times left eigenvector): Perez-Arriaga, Verghese and Schweppe,
    IEEE Trans. Power App. Syst. 101, 3117 (1982), from memory.
    """
    if not len(jacobian):
        return ()
    values, right = np.linalg.eig(jacobian)
    try:
        left = np.linalg.inv(right)
    except np.linalg.LinAlgError:
        left = np.linalg.pinv(right)
    names = list(dict.fromkeys(owners))
    shares = np.zeros((len(names), len(values)))
    np.add.at(shares, [names.index(owner) for owner in owners], np.abs(right * left.T))
    most = np.argmax(shares, axis=0)
    found = []
    for i in np.argsort(-np.abs(values)):
        value = complex(values[i])
        if value.imag < 0.0 or abs(value) == 0.0:
            continue
        found.append(
            Mode(
                hz=abs(value) / (2.0 * math.pi),
                damping=-value.real / abs(value),
                real_per_s=value.real,
                part=names[most[i]],
            )
        )
    return tuple(found)

"""How far averaged answers are from the mean of every edge, by harmonic balance.

The averaged level takes a bridge for its duty d. In truth s = d + s~(t), the state ripples,
and the mean of a product is not the product of means: <s x> = d x + <s~ x~>. With the ripple
solved harmonic by harmonic of each carrier in the network about its mean (motor currents'
ripple included),

    x~_m = (j m w - A)^-1 c_m g,      g = dA/ds x + dB/ds u,

c_m the Fourier coefficients of s, the products' means push the averaged equations by
sum 2 Re(c_m* dA/ds x~_m). Where bridges share a node and their carriers are of one frequency,
<s_j s_k> is their overlap and not d_j d_k: what that pushes is added. Rotor speeds are held;
they follow over their own time constants.

Dead time is not in the averaged equations. While a leg's current keeps its sign, each period's
two dead times take dead time x carrier x (supply + 2 diode drops) off its output's mean, against
that current (textbook, for inverters); where ripple turns the sign they cancel. What that does to
the equilibrium is told beside.

Second order in the ripple: good where the ripple is small beside the mean. Source: the method
is textbook (harmonic balance, Krylov and Bogoliubov); this form is worked out here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sim.carriers import draw
from sim.diode_patterns import DROP
from sim.mean_equations import MeanEquations, equilibrium
from sim.state_equations import StateEquations, stack_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.averaged import AveragedRun
    from sim.mean_equations import Moment
    from sim.state_equations import Rows

    Array = NDArray[np.float64]
    Complex = NDArray[np.complex128]

#: Harmonics of each carrier that are summed.
HARMONICS = 200
#: A share of speed below this is not worth a sentence.
_SEEN = 1e-3
#: Carriers whose frequencies differ by less than this share are taken as one.
_SAME = 1e-9


@dataclass(frozen=True)
class Ripple:
    """What switching adds to a mean state.

    Attributes
    ----------
    shift : (n_states,) of the mean state
    products : (n_switches, n_states) mean of s~ x~ for each switch
    slopes : the same with x~'
    overlap : (n_switches, n_switches) mean of s~_j s~_k; d (1 - d) is not in it
    """

    shift: Array
    products: Array
    slopes: Array
    overlap: Array


def coefficients(
    equations: StateEquations, duty: Array, frequency_hz: Array, phase: Array, count: int
) -> Complex:
    """Fourier coefficients of every leg's s, harmonics 1 to `count`, (n_switches, count).

    s = sum of c_m exp(j 2 pi m f t) and conjugates; edges are ramps that begin at theirs.
    """
    m = np.arange(1, count + 1)
    out = np.zeros((len(duty), count), dtype=complex)
    for k, chopper in enumerate(equations.network.choppers):
        d = float(duty[k])
        start = -phase[k] + (0.5 * (1.0 - d) if chopper.centred else 0.0)
        box = np.exp(-2j * np.pi * m * start) * (1.0 - np.exp(-2j * np.pi * m * d))
        share = chopper.rise_s * frequency_hz[k]
        out[k] = box / (2j * np.pi * m) * np.sinc(m * share) * np.exp(-1j * np.pi * m * share)
    return out


def ripple(
    mean: MeanEquations, command: Array, x: Array, frequency_hz: Array, phase: Array
) -> Ripple:
    """What switching adds to a mean state x (n_states,) at commanded duties (n_switches,)."""
    eq = mean.eq
    n, n_s = eq.n_states, eq.n_switches
    at = mean.moment(command, x)
    jac = mean.jacobian(command, x)
    slopes = mean.values.weight_slopes(at.duty)
    over_mass: Array = np.eye(n)
    if not eq.mass_is_identity:
        mass = mean.values.matrices(mean.values.weights(at.duty))[5]
        over_mass = np.asarray(np.linalg.inv(mass), dtype=float)
    parts = [mean.values.matrices(slopes[:, k]) for k in range(n_s)]
    # what one unit of s~ and of its slope push, and what they let x~ push back
    push = np.array([p[0] @ x + p[1] @ at.inputs - p[5] @ at.slope for p in parts])
    slope_push = np.array([-(r.at(at.duty) @ x) for r in eq.ramp]) if eq.ramp else None
    c = coefficients(eq, at.duty, frequency_hz, phase, HARMONICS)
    products, rates = np.zeros((n_s, n)), np.zeros((n_s, n))
    overlap = np.zeros((n_s, n_s))
    r = np.zeros(n)
    for group in _groups(frequency_hz):
        w = 2j * np.pi * float(frequency_hz[group[0]]) * np.arange(1, HARMONICS + 1)
        right = np.einsum("km,kn->mn", c[group], push[group])
        if slope_push is not None:
            right = right + np.einsum("km,kn->mn", c[group] * w, slope_push[group])
        system = w[:, None, None] * np.eye(n) - jac
        wave = np.linalg.solve(system, (right @ over_mass.T)[..., None])[..., 0]
        for k in group:
            products[k] = 2.0 * np.real(c[k].conj() @ wave)
            rates[k] = 2.0 * np.real(c[k].conj() @ (w[:, None] * wave))
            r += parts[k][0] @ products[k] - parts[k][5] @ rates[k]
            if eq.ramp:
                # <s~' x~> = -<s~ x~'>
                r += eq.ramp[k].at(at.duty) @ rates[k]
            for j in group:
                if j != k:
                    overlap[j, k] = 2.0 * float(np.real(c[j].conj() @ c[k]))
    for poly, vector in ((eq.k, x), (eq.b, at.inputs), (eq.mass, -at.slope)):
        for key, matrix in poly.terms.items():
            both = sorted(set(key))
            for a, j in enumerate(both):
                for k in both[a + 1 :]:
                    others = [float(at.duty[i]) for i in both if i not in (j, k)]
                    r += overlap[j, k] * float(np.prod(others)) * (matrix @ vector)
    held = np.zeros(n, dtype=bool)
    held[eq.speed_states] = True
    free = ~held
    shift = np.zeros(n)
    shift[free] = np.linalg.lstsq(jac[np.ix_(free, free)], -(over_mass @ r)[free], rcond=1e-12)[0]
    return Ripple(shift, products, rates, overlap)


def shift_of(mean: MeanEquations, rows: Rows, command: Array, x: Array, add: Ripple) -> Array:
    """What switching adds to the means of outputs (n_rows,)."""
    at = mean.moment(command, x)
    before = mean.rows(rows, at.duty[None], x[None], at.slope[None], at.inputs[None])[:, 0]
    later = mean.moment(command, x + add.shift)
    after = mean.rows(rows, at.duty[None], later.x[None], later.slope[None], later.inputs[None])[
        :, 0
    ]
    out = np.asarray(after - before)
    for poly, vectors in ((rows.x, add.products), (rows.d, add.slopes)):
        for key, matrix in poly.terms.items():
            for k in set(key):
                others = [float(at.duty[i]) for i in set(key) if i != k]
                out = out + float(np.prod(others)) * (matrix @ vectors[k])
    return out


def _groups(frequency_hz: Array) -> list[list[int]]:
    """Legs whose carriers are of one frequency."""
    groups: list[list[int]] = []
    for k, f in enumerate(frequency_hz):
        for group in groups:
            if abs(f - frequency_hz[group[0]]) <= _SAME * f:
                group.append(k)
                break
        else:
            groups.append([k])
    return groups


@dataclass(frozen=True)
class Expected:
    """The largest difference of an averaged run's start to the mean of every edge.

    `volts` at `place`, and `amps` out of all sources together beside the averaged `of_amps`.
    With dead time, `dead_speed` is the share by which it changes the speed of the rotor it
    changes most, `dead_amps` what it adds to the sources' current; both settled.
    """

    volts: float
    place: str
    amps: float
    of_amps: float
    dead_speed: float = 0.0
    dead_amps: float = 0.0

    @property
    def sentence(self) -> str:
        """In words."""
        said = (
            f"Averaged: with every edge the mean at {self.place} is about "
            f"{self.volts * 1e3:+.0f} mV off, supply current {self.amps:+.2g} A of "
            f"{self.of_amps:.3g} A (rotors at the same speed)."
        )
        if abs(self.dead_speed) > _SEEN:
            said += (
                f" Dead time is not counted: settled, it changes speed by about "
                f"{self.dead_speed:+.1%} and supply current by {self.dead_amps:+.2g} A."
            )
        return said


def expected(run: AveragedRun, places: dict[str, tuple[int, int]], seed: int) -> Expected | None:
    """What every edge would add to the means at an averaged run's start; None if nothing chops."""
    eq, mean = run.equations, run.mean
    if not (eq.n_switches and places and len(eq.sources)):
        return None
    command = np.asarray(run.drive.start_duty, dtype=float)
    x = run.states(np.array([0.0]))[0]
    rows = stack_rows([eq.volts(*pair) for pair in places.values()])
    rows = stack_rows([rows, eq.source_amps])
    add = ripple(mean, command, x, *draw(eq.network, seed))
    shift = shift_of(mean, rows, command, x, add)
    at = mean.moment(command, x)
    plain = mean.rows(rows, at.duty[None], x[None], at.slope[None], at.inputs[None])[:, 0]
    count = len(places)
    most = int(np.argmax(np.abs(shift[:count])))
    feeds = eq.sources != 0.0
    dead_speed, dead_amps = _dead_time(mean, command, x, plain[count:][feeds])
    return Expected(
        volts=float(shift[most]),
        place=list(places)[most],
        amps=float(np.sum(shift[count:][feeds])),
        of_amps=float(np.sum(plain[count:][feeds])),
        dead_speed=dead_speed,
        dead_amps=dead_amps,
    )


def _dead_time(mean: MeanEquations, command: Array, x: Array, amps: Array) -> tuple[float, float]:
    """What dead time does to an equilibrium x: share of speed, and A of all sources together.

    `amps` are those of the sources that feed. Nothing where no dead time is given.
    """
    eq, net = mean.eq, mean.eq.network
    if not len(eq.speed_scale) or all(c.dead_s == 0.0 for c in net.choppers):
        return 0.0, 0.0
    at = mean.moment(command, x)
    # the 0 V sources in the legs' outputs carry their currents (`sim.diode_patterns`)
    row_of = {owner: row for row, (owner, name) in enumerate(eq.source_names) if name == DROP}
    drops = [row_of[chopper.owner] for chopper in net.choppers]
    rows = stack_rows([eq.source_amps, eq.bus_volts])

    def read(x: Array, at: Moment) -> tuple[Array, Array]:
        both = mean.rows(rows, at.duty[None], x[None], at.slope[None], at.inputs[None])[:, 0]
        return both[: len(eq.sources)], both[len(eq.sources) :]

    given, bus = read(x, at)
    still = np.zeros(eq.n_switches)
    carries = eq.source_amps.x.at(still)[drops]
    # slope of each leg's current per volt
    per_volt = np.diag(carries @ eq.b.at(still)[:, eq.source_inputs][:, drops])
    volts, shares = {}, np.zeros(len(drops))
    for k, chopper in enumerate(net.choppers):
        d, v, amps_out = float(at.duty[k]), float(bus[k]), float(given[drops[k]])
        ripple_a = 0.5 * v * d * (1.0 - d) / chopper.frequency_hz * float(per_volt[k])
        if 0.0 < d < 1.0 and abs(amps_out) > ripple_a:
            shares[k] = chopper.dead_s * chopper.frequency_hz
            lost = shares[k] * (v + 2.0 * chopper.diode_v)
            volts[eq.source_branches[drops[k]]] = -lost * float(np.sign(amps_out))
    slowed = MeanEquations(StateEquations(net.linearised(volts)))
    settled = equilibrium(slowed, command, x)
    before, after = eq.speeds(x), eq.speeds(settled)
    changed = (after - before) / np.where(np.abs(before) > 1.0, before, np.inf)
    now, _ = read(settled, slowed.moment(command, settled))
    # what the shorter on-time takes from the supply's side, too
    unseen = float(np.sum(shares * np.abs(now[drops])))
    feeds = eq.sources != 0.0
    most = float(changed[np.argmax(np.abs(changed))])
    return most, float(np.sum(now[feeds])) - unseen - float(np.sum(amps))

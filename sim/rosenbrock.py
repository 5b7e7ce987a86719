"""Averaged runs by a Rosenbrock method: the fast path.

One linear solve with the analytic Jacobian per stage and no iteration, where Radau
iterates. The method is Rodas5P of Steinebach (Construction of Rosenbrock-Wanner method
Rodas5P, BIT Numerical Mathematics 63, 27, 2023): eight stages, order 5 with an embedded
order 4, L-stable, stiffly accurate, dense output of order 4, and free of the loss of order
that lightly damped fast modes under a moving duty would otherwise cause. The coefficients
are the published ones, in the form without matrix products (Hairer and Wanner, Solving
Ordinary Differential Equations II, 2nd ed. 1996, section IV.7, from memory); the tests
measure the order. Beside RODASP, of order 4, it takes less than half of the steps to the same
energy check: that check integrates the dense output, whose order is what counts there.
"""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Protocol

import numpy as np

from sim import quantity
from sim.averaged import AveragedRun, Piece
from sim.errors import Cancelled, SolveError, Swings
from sim.event import held
from sim.mean_form import MeanForm
from sim.mean_kernels import (
    AT_ONCE,
    CUT,
    DONE,
    FIRST,
    GROW,
    HALVINGS,
    LATE,
    LOOKS,
    SHORTEST,
    STUCK,
    Course,
    Form,
    Method,
    Room,
    even_step,
    just_past,
    march,
    ready,
    step_factor,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from sim.event import Drive, Tap
    from sim.mean_equations import MeanEquations

    Array = NDArray[np.float64]

#: Of each duty that has a limit, what acts on it: see `sim.mean_kernels.FREE`.
Acts = tuple[int, ...]

GAMMA = 0.21193756319429014
STAGES = 8
#: Row i holds the weights of the stages before it; the last is the step without its last stage.
A = np.zeros((STAGES, STAGES))
A[1, :1] = 3.0
A[2, :2] = 2.849394379747939, 0.45842242204463923
A[3, :3] = -6.954028509809101, 2.489845061869568, -10.358996098473584
A[4, :4] = 2.8029986275628964, 0.5072464736228206, -0.3988312541770524, -0.04721187230404641
A[5, :5] = (
    -7.502846399306121,
    2.561846144803919,
    -11.627539656261098,
    -0.18268767659942256,
    0.030198172008377946,
)
A[6, :6] = *A[5, :5], 1.0
A[7, :7] = *A[6, :6], 1.0
C = np.zeros((STAGES, STAGES))
C[1, :1] = -14.155112264123755
C[2, :2] = -17.97296035885952, -2.859693295451294
C[3, :3] = 147.12150275711716, -1.41221402718213, 71.68940251302358
C[4, :4] = 165.43517024871676, -0.4592823456491126, 42.90938336958603, -5.961986721573306
C[5, :5] = (
    24.854864614690072,
    -3.0009227002832186,
    47.4931110020768,
    5.5814197821558125,
    -0.6610691825249471,
)
C[6, :6] = (
    30.91273214028599,
    -3.1208243349937974,
    77.79954646070892,
    34.28646028294783,
    -19.097331116725623,
    -28.087943162872662,
)
C[7, :7] = (
    37.80277123390563,
    -3.2571969029072276,
    112.26918849496327,
    66.9347231244047,
    -40.06618937091002,
    -54.66780262877968,
    -9.48861652309627,
)
#: Both of each stage, (stages, 2, stages).
BOTH = np.stack([A, C], axis=1)
#: Times of the stages, and their weights of the derivative by time.
NODES = np.array(
    [0.0, 0.6358126895828704, 0.4095798393397535, 0.9769306725060716, 0.4288403609558664, 1, 1, 1]
)
BY_TIME = np.array(
    [
        0.21193756319429014,
        -0.42387512638858027,
        -0.3384627126235924,
        1.8046452872882734,
        2.325825639765069,
        0.0,
        0.0,
        0.0,
    ]
)
#: Dense output of order 4: y0 + s (y1 - y0) + s (1 - s) (b0 + s b1 + s^2 b2), s from 0 to 1.
DENSE = np.array(
    [
        [
            25.948786856663858,
            -2.5579724845846235,
            10.433815404888879,
            -2.3679251022685204,
            0.524948541321073,
            1.1241088310450404,
            0.4272876194431874,
            -0.17202221070155493,
        ],
        [
            -9.91568850695171,
            -0.9689944594115154,
            3.0438037242978453,
            -24.495224566215796,
            20.176138334709044,
            15.98066361424651,
            -6.789040303419874,
            -6.710236069923372,
        ],
        [
            11.419903575922262,
            2.8879645146136994,
            72.92137995996029,
            80.12511834622643,
            -52.072871366152654,
            -59.78993625266729,
            -0.15582684282751913,
            4.883087185713722,
        ],
    ]
)

#: Tolerance at which joints stay within 1e-4 of their swing, and the energy check within 1e-6.
RTOL = 4e-6
#: What rings on, slower than this (rad per s), adds up the errors of its periods, and the method's
#: own damping must not hide that it grows: where half the square of its quality is above one, the
#: tolerance is so many times tighter than this, of which no more than the third figure counts.
RINGING_PER_S, RINGING, MOST_QUALITY = 1e6, 1e-6, 20.0
#: By how much the tolerance is tighter where a clamp or a supply that limits has corners.
TIGHTER_AT_CORNERS = 80.0
#: And where something regulates: its output hardly swings, and lets through some of the errors of
#: what it is fed from, which swings a hundred times as much.
TIGHTER_BEHIND_REGULATORS = 16.0
#: Share of the first piece that the first step of all tries; what is too long is rejected.
FIRST_SHARE = 1e-3
#: Steps the compiled kernel takes before it asks whether it shall go on.
_CHUNK = 256
#: Steps after which an averaged run is no cheap look any more, those between two kinks of a
#: drive left out. The samples take 60 to 500 in all, swings that die some thousands.
MOST_STEPS, PER_PIECE = 20_000, 200
#: How often it is looked at how long the rest will take, in steps.
_LOOK = 1_000
#: What falls by less than so many e-folds in the rest of the event does not die in it.
_DIES = 3.0


class System(Protocol):
    """x' = f(t, x) with its derivatives."""

    def acts(self, t: float, x: Array) -> Acts:
        """Which side of its corners f is on."""
        ...

    def slope(self, t: float, x: Array, acts: Acts) -> Array:
        """f (n,), as it goes on from one side of its corners."""
        ...

    def linear(self, t: float, x: Array, acts: Acts) -> tuple[Array, Array, Array]:
        """f (n,), df/dx (n, n) and df/dt (n,), likewise."""
        ...


@dataclass
class Steps:
    """Accepted steps with their dense output.

    Attributes
    ----------
    t : (k + 1,) ends of the steps; x : (k + 1, n) states there
    bends : (k, 3, n) of the dense output
    """

    t: Array
    x: Array
    bends: Array

    @classmethod
    def joined(cls, parts: Sequence[Steps]) -> Steps:
        """Steps that follow one another as one."""
        return cls(
            np.concatenate([parts[0].t, *(p.t[1:] for p in parts[1:])]),
            np.concatenate([parts[0].x, *(p.x[1:] for p in parts[1:])]),
            np.concatenate([p.bends for p in parts]),
        )

    def states(self, times: Array) -> Array:
        """States (n, T) at times (T,) inside."""
        i = np.clip(np.searchsorted(self.t, times, side="right") - 1, 0, len(self.t) - 2)
        width = self.t[i + 1] - self.t[i]
        s = ((times - self.t[i]) / np.where(width > 0.0, width, 1.0))[:, None]
        return np.asarray(between(self.x[i], self.x[i + 1], np.moveaxis(self.bends[i], 1, 0), s).T)


def between(x0: Array, x1: Array, bends: Array, s: Array | float) -> Array:
    """States at a share s of a step from x0 to x1, by its `bends` (3, ...)."""
    bend = bends[0] + s * (bends[1] + s * bends[2])
    return np.asarray(x0 + s * (x1 - x0 + (1.0 - s) * bend))


class Scale:
    """Allowed error of each state: a share of the largest seen of its kind, at least one unit.

    Not of its own size: the currents of ceramics, near zero, would ask for ten times the
    steps and no reader would see the difference.
    """

    def __init__(self, unit: Array, kind: NDArray[np.int64], x: Array, rtol: float) -> None:
        self.unit, self.kind, self.rtol = unit, kind, rtol
        self.largest = np.ones(int(kind.max(initial=0)) + 1)
        self.see(x)

    def see(self, x: Array) -> None:
        """Let a state count."""
        np.maximum.at(self.largest, self.kind, np.abs(x) / self.unit)
        self.allowed = self.rtol * self.unit * self.largest[self.kind]


@dataclass(frozen=True)
class Here:
    """A system where a step begins: f, df/dx, df/dt and which side of its corners it is on."""

    f: Array
    jacobian: Array
    by_time: Array
    acts: Acts

    @classmethod
    def of(cls, system: System, t: float, x: Array, acts: Acts | None = None) -> Here:
        """What the system says there; `acts` where it is known which side it goes on from."""
        acts = system.acts(t, x) if acts is None else acts
        return cls(*system.linear(t, x, acts), acts)


def step(
    system: System, t: float, x: Array, h: float, here: Here | None = None
) -> tuple[Array, Array]:
    """One step: the stages (8, n), of which the last is the error, and the new state (n,).

    `here` is the system at its begin, where it is known.

    Raises
    ------
    numpy.linalg.LinAlgError   if the step's matrix is singular
    """
    here = here or Here.of(system, t, x)
    inverse = np.linalg.inv(np.eye(len(x)) / (h * GAMMA) - here.jacobian)
    k = np.zeros((STAGES, len(x)))
    y, f = x, here.f
    for i in range(STAGES):
        if i:
            # (rows of k that are not there yet are zeros)
            by_a, by_c = BOTH[i] @ k
            y = x + by_a
            f = system.slope(t + NODES[i] * h, y, here.acts) + by_c / h
        if BY_TIME[i] != 0.0:
            f = f + (h * BY_TIME[i]) * here.by_time
        k[i] = inverse @ f
    return k, y + k[-1]


@dataclass
class Pace:
    """How long the next step is to be, from piece to piece of a run.

    Attributes
    ----------
    h : s, tried next; grow : how much longer than the one before
    bend : x'' (n,) where the last step ended; zeros before the first
    """

    h: float
    grow: float
    bend: Array


def integrate(
    system: System,
    start: float,
    end: float,
    x: Array,
    scale: Scale,
    pace: Pace,
    stop: Callable[[float, Array, int], None] | None = None,
) -> Steps:
    """Solve from `start`, where the system is another one than before, to `end`.

    Parameters
    ----------
    pace : left as the next piece has to go on
    stop : called with time and state reached and steps taken since, before each step; may raise

    Raises
    ------
    SolveError   if the step became too small
    """
    t = start
    ts, xs, bends = [t], [x], []
    looks, turned = 0, True
    acts: Acts | None = None
    here: Here | None = None
    while t < end:
        if stop is not None:
            stop(t, x, 1)
        if here is None:
            here = Here.of(system, t, x, acts)
            if turned:
                pace.h = first_step(here, pace, scale.allowed)
        h = pace.h
        last = h >= (end - t) * (1.0 - 1e-9)
        if last:
            h = end - t
        error = math.inf
        # a singular matrix, like a state that is no number, asks for a shorter step
        with suppress(np.linalg.LinAlgError):
            k, new = step(system, t, x, h, here)
            error = float(np.max(np.abs(k[-1]) / scale.allowed, initial=0.0))
        longer = h * step_factor(error, pace.grow, turned)
        turn, there = 1.0, here.acts
        if error < math.inf:
            bend = DENSE @ k
            turn, there = _first_turn(system, t, h, x, new, bend, here.acts)
        early = turn < LATE and looks < LOOKS
        if early and turn < AT_ONCE:
            looks += 1
            here, acts = None, there
        elif error <= 1.0 and not (early and turn < CUT):
            if early:
                # what acts until then is what the whole step was taken with
                new, bend = up_to(turn, x, new, bend)
                h *= turn
                last = False
            t = end if last else t + h
            x = new
            scale.see(x)
            ts.append(t)
            xs.append(x)
            bends.append(bend)
            pace.bend = (-2.0 * bend[0] - 4.0 * bend[1] - 6.0 * bend[2]) / h**2
            # (a step that a kink cut short says little about the next)
            pace.h = max(even_step(longer), pace.h) if last else even_step(longer)
            # a step tried again needs it again, only its length is new
            pace.grow, here, looks, turned = GROW, None, 0, early
            acts = there if early else None
        elif early and h * turn < longer:
            looks += 1
            pace.h = just_past(h * turn, error)
        else:
            pace.h = even_step(longer)
        if error > 1.0:
            # right after a rejection a longer step would be rejected again
            pace.grow = 1.0
            if longer <= SHORTEST * max(abs(t), abs(end)):
                raise _stuck(t)
    return Steps(np.array(ts), np.array(xs), np.array(bends))


def first_step(here: Here, pace: Pace, allowed: Array) -> float:
    """The step (s) to try where a system has turned into another one at a state."""
    jump = np.abs(here.jacobian @ here.f + here.by_time - pace.bend) / allowed
    most = float(np.max(jump, initial=0.0))
    return min(pace.h, even_step(FIRST / math.sqrt(most))) if most > 0.0 else pace.h


def up_to(share: float, x0: Array, x1: Array, bends: Array) -> tuple[Array, Array]:
    """The first part of a step from x0 to x1: where it ends, and its own `bends` (3, n)."""
    one, two = share * share * (bends[1] - bends[0]), share**3 * (bends[2] - bends[1])
    three = -(share**4) * bends[2]
    end = between(x0, x1, bends, share)
    return end, np.stack([-(one + two + three), -(two + three), -three])


def _first_turn(
    system: System, t: float, h: float, x: Array, new: Array, bends: Array, begin: Acts
) -> tuple[float, Acts]:
    """`sim.mean_kernels.first_turn` of a system, and what acts then."""
    low, high, then = 0.0, 1.0, system.acts(t + h, new)
    if then == begin:
        return 1.0, then
    for _ in range(HALVINGS):
        share = 0.5 * (low + high)
        acts = system.acts(t + share * h, between(x, new, bends, share))
        if acts == begin:
            low = share
        else:
            high, then = share, acts
    return high, then


@dataclass(frozen=True)
class Commands:
    """Duties of one piece of a drive: a straight line each, and what rings on it."""

    start: float
    base: Array
    rate: Array
    tap: Tap | None
    signs: Array

    @classmethod
    def of(cls, drive: Drive, start: float, end: float) -> Commands:
        """The commands between two neighbouring kinks."""
        sides = np.array([start, np.nextafter(end, start)])
        ends = np.array([held(t, d, sides) for t, d in drive.courses]).reshape(-1, 2)
        rate = (ends[:, 1] - ends[:, 0]) / (sides[1] - sides[0])
        return cls(
            start, ends[:, 0].copy(), rate, drive.tap, np.array(drive.tap_signs, dtype=float)
        )

    def duty(self, t: float) -> Array:
        """(n,) commands at a time in s."""
        duty = self.base + self.rate * (t - self.start)
        if self.tap is None:
            return duty
        return np.clip(duty + self.signs * self.tap.at(t), 0.0, 1.0)

    def slope(self, t: float) -> Array:
        """(n,) their change per s."""
        if self.tap is None:
            return self.rate
        duty = self.base + self.rate * (t - self.start) + self.signs * self.tap.at(t)
        rate = self.rate + self.signs * self.tap.slope(t)
        return np.where((duty > 0.0) & (duty < 1.0), rate, 0.0)


class _Driven:
    """Averaged equations under the commands of one piece."""

    def __init__(self, form: MeanForm, commands: Commands) -> None:
        self.form, self.commands = form, commands

    def acts(self, t: float, x: Array) -> Acts:
        return self.form.acts(self.commands.duty(t), x)

    def slope(self, t: float, x: Array, acts: Acts) -> Array:
        return self.form.slope(self.commands.duty(t), x, acts)

    def linear(self, t: float, x: Array, acts: Acts) -> tuple[Array, Array, Array]:
        return self.form.linear(self.commands.duty(t), self.commands.slope(t), x, acts)


class _General:
    """The same where fading stores meet mass, slopes or rates, by `MeanEquations` itself."""

    #: Share of a duty by which it is moved for the derivative by time.
    _NUDGE = 1e-6

    def __init__(self, mean: MeanEquations, commands: Commands) -> None:
        self.mean, self.commands = mean, commands

    def acts(self, t: float, x: Array) -> Acts:
        del t, x  # its steps are rejected until one ends just past a corner
        return ()

    def slope(self, t: float, x: Array, acts: Acts) -> Array:
        del acts
        return self.mean.moment(self.commands.duty(t), x).slope

    def linear(self, t: float, x: Array, acts: Acts) -> tuple[Array, Array, Array]:
        duty, rate = self.commands.duty(t), self.commands.slope(t)
        by_time = np.zeros(len(x))
        for k in np.flatnonzero(rate):
            moved = np.zeros(len(duty))
            moved[k] = self._NUDGE
            up, down = np.minimum(duty + moved, 1.0), np.maximum(duty - moved, 0.0)
            change = self.mean.moment(up, x).slope - self.mean.moment(down, x).slope
            by_time += rate[k] * change / (up[k] - down[k])
        return self.slope(t, x, acts), self.mean.jacobian(duty, x), by_time


_METHOD = Method(GAMMA, A, C, NODES, BY_TIME, DENSE)


class _Compiled:
    """`integrate` by the compiled kernel, from piece to piece."""

    def __init__(self, form: MeanForm, scale: Scale, first_step: float) -> None:
        self.clock = np.array([first_step, GROW, 1.0])
        self.form: Form = form.arrays()
        self.scale = scale
        self.amps = np.zeros(form.n_j)
        self.room = Room.of(self.form, STAGES)

    def integrate(
        self,
        commands: Commands,
        end: float,
        x: Array,
        stop: Callable[[float, Array, int], None],
    ) -> Steps:
        tap = commands.tap
        course = Course(
            commands.start,
            commands.base,
            commands.rate,
            commands.signs if tap is not None else np.zeros(len(commands.base)),
            0.0 if tap is None else tap.size,
            0.0 if tap is None else math.tau * tap.frequency_hz,
            1.0 if tap is None else tap.decay_s,
        )
        scale, n, clock = self.scale, len(x), self.clock
        clock[2] = 1.0
        now, count, parts = commands.start, 0, []
        while True:
            stop(now, x, count)
            t, states = np.full(_CHUNK + 1, now), np.empty((_CHUNK + 1, n))
            states[0] = x
            bends = np.empty((_CHUNK, len(DENSE), n))
            why, count = march(
                self.form,
                _METHOD,
                course,
                end,
                scale.unit,
                scale.kind,
                scale.largest,
                scale.rtol,
                self.amps,
                clock,
                t,
                states,
                bends,
                self.room,
            )
            now, x = float(t[count]), states[count]
            if why == STUCK:
                raise _stuck(now)
            parts.append(Steps(t[: count + 1], states[: count + 1], bends[:count]))
            if why == DONE:
                return Steps.joined(parts)


class _Patience:
    """Whether an averaged run is worth its steps."""

    def __init__(self, mean: MeanEquations, drive: Drive) -> None:
        self.mean, self.drive = mean, drive
        self.taken = 0
        self._looked = (0, 0.0)

    def spend(self, t: float, x: Array, taken: int) -> None:
        """Count steps.

        Raises
        ------
        Swings   if they are too many, or will be and what swings will not die
        """
        self.taken += taken
        steps, before = self._looked
        if self.taken < steps + _LOOK:
            return
        left = self.drive.duration_s - t
        to_come = left * (self.taken - steps) / max(t - before, 1e-300)
        self._looked = self.taken, t
        if self.taken + to_come < MOST_STEPS:
            return
        duty = np.array([held(at, d, np.array([t]))[0] for at, d in self.drive.courses])
        values, vectors = np.linalg.eig(self.mean.jacobian(duty, x))
        # (a pair that does not turn is no swing)
        turning = np.where(np.abs(values.imag) > np.abs(values.real), values.real, -math.inf)
        worst = int(np.argmax(turning))
        rate = float(turning[worst])
        if self.taken < MOST_STEPS and rate * left < -_DIES:
            return
        share = np.abs(vectors[:, worst]) ** 2
        part = self.mean.eq.state_owner[int(np.argmax(share))] if math.isfinite(rate) else "run"
        hz = abs(float(values[worst].imag)) / math.tau
        swing = f"a swing of {quantity.format(hz, 'Hz', 3)}" if math.isfinite(rate) else "a swing"
        does = "grows by itself" if rate > 0.0 else "does not die away"
        raise Swings(
            part,
            f"{swing} {does}, and averages would have to follow each of its turns",
            "Solve every edge, or damp it",
        )


def _stuck(t: float) -> SolveError:
    return SolveError("run", f"the solver stopped at {t * 1e3:.3g} ms", "Check extreme values")


def tolerance(mean: MeanEquations, drive: Drive, x0: Array) -> float:
    """`RTOL`, or less where a filter without damping rings on, or a curve has corners.

    A step that ends beyond a corner may be good while what is drawn between its ends is not.
    """
    if not mean.eq.n_states:
        return RTOL
    tightest = RTOL
    if mean.eq.network.controls:
        tightest = RTOL / TIGHTER_BEHIND_REGULATORS
    if mean.eq.curves:
        tightest = RTOL / TIGHTER_AT_CORNERS
    modes = np.linalg.eigvals(mean.jacobian(np.asarray(drive.start_duty, dtype=float), x0))
    slow = modes[np.abs(modes) < RINGING_PER_S]
    quality = np.abs(slow) / np.maximum(2.0 * np.abs(slow.real), 1e-3 * np.abs(slow) + 1e-300)
    rings = 0.5 * min(float(np.max(quality, initial=0.0)), MOST_QUALITY) ** 2
    return min(RINGING / rings, tightest) if rings > 1.0 else tightest


def run(
    mean: MeanEquations,
    drive: Drive,
    x0: Array,
    *,
    rtol: float | None = None,
    start_s: float = 0.0,
    compiled: bool | None = None,
    swings: bool = True,
    cancelled: Callable[[], bool] | None = None,
    progress: Callable[[float], None] | None = None,
) -> AveragedRun:
    """Solve an event from state x0 (n_states,).

    Parameters
    ----------
    rtol : allowed error per step over the largest current, voltage or speed; None for what
        keeps joints within 1e-4 of their swing
    start_s : when x0 is, at most the event's end
    compiled : use the compiled kernel, which equations with a bridge in a cut-set of
        inductors do not fit; None where it need not be compiled first
    swings : False declines to follow a swing that grows or will not die
    cancelled : looked at before every step, or every few ms where compiled
    progress : told the event time reached, in s

    Raises
    ------
    Cancelled   if `cancelled` says so
    Swings   if `swings` is False and it would take far more steps than a slow course needs
    SolveError   if the step became too small
    """
    form = MeanForm(mean)
    if rtol is None:
        rtol = tolerance(mean, drive, x0)
    scale = Scale(form.unit, form.kind, x0, rtol)
    if compiled is None:
        compiled = ready()
    fits = compiled and form.plain and form.fits and form.n
    kinks = (t for t in drive.kinks_s if start_s < t < drive.duration_s)
    cuts = [start_s, *kinks, drive.duration_s]
    pace = Pace(even_step(FIRST_SHARE * (cuts[1] - cuts[0])), GROW, np.zeros(len(x0)))
    kernel = _Compiled(form, scale, pace.h) if fits else None
    patience = None if swings else _Patience(mean, drive)

    def stop(t: float, x: Array, taken: int) -> None:
        if cancelled is not None and cancelled():
            raise Cancelled("run", "stopped for a newer request")
        if progress is not None:
            progress(t)
        if patience is not None:
            patience.spend(t, x, taken)

    x, parts = x0, []
    for start, end in pairwise(cuts):
        commands = Commands.of(drive, start, end)
        if patience is not None:
            patience.taken -= PER_PIECE
        if kernel is not None:
            parts.append(kernel.integrate(commands, end, x, stop))
        else:
            plainly = form.fits and (form.plain or not form.lifts)
            system = _Driven(form, commands) if plainly else _General(mean, commands)
            parts.append(integrate(system, start, end, x, scale, pace, stop))
        x = parts[-1].x[-1]
    steps = Steps.joined(parts)
    return AveragedRun(mean, drive, steps.t, [Piece(start_s, drive.duration_s, steps.states)])

"""Averaged runs by a Rosenbrock method: the fast path.

One linear solve with the analytic Jacobian per stage and no iteration, where Radau
iterates. The method is RODASP of Steinebach (Preprint 1741, TH Darmstadt, 1995): six
stages, order 4 with an embedded order 3, L-stable, stiffly accurate, and free of the
loss of order that lightly damped fast modes under a moving duty would otherwise cause.
The coefficients are those printed there and in Hairer and Wanner's code, in the form
without matrix products (Hairer and Wanner, Solving Ordinary Differential Equations II,
2nd ed. 1996, sections IV.7 and VI.4), from memory; the tests measure the order.
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
from sim.kernels import on_disk
from sim.mean_form import MeanForm
from sim.mean_kernels import (
    DONE,
    GROW,
    SHORTEST,
    STUCK,
    Course,
    Form,
    Method,
    even_step,
    march,
    step_factor,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from sim.event import Drive, Tap
    from sim.mean_equations import MeanEquations

    Array = NDArray[np.float64]

GAMMA = 0.25
STAGES = 6
#: Row i holds the weights of the stages before it; the last is the step without its last stage.
A = np.zeros((STAGES, STAGES))
A[1, :1] = 3.0
A[2, :2] = 1.831036793486759, 0.4955183967433795
A[3, :3] = 2.304376582692669, -0.05249275245743001, -1.176798761832782
A[4, :4] = -7.170454962423024, -4.741636671481785, -16.31002631330971, -1.062004044111401
A[5, :5] = *A[4, :4], 1.0
C = np.zeros((STAGES, STAGES))
C[1, :1] = -12.0
C[2, :2] = -8.791795173947035, -2.207865586973518
C[3, :3] = 10.81793056857153, 6.780270611428266, 19.53485944642410
C[4, :4] = 34.19095006749676, 15.49671153725963, 54.74760875964130, 14.16005392148534
C[5, :5] = (
    34.62605830930532,
    15.30084976114473,
    56.99955578662667,
    18.40807009793095,
    -5.714285714285717,
)
#: Times of the stages, and their weights of the derivative by time.
NODES = np.array([0.0, 0.75, 0.21, 0.63, 1.0, 1.0])
BY_TIME = np.array([0.25, -0.5, -0.023504, -0.0362, 0.0, 0.0])
#: Dense output of order 3: y0 + s (y1 - y0) + s (1 - s) (first + s second), s from 0 to 1.
DENSE = np.zeros((2, STAGES))
DENSE[0, :5] = (
    25.09876703708589,
    11.62013104361867,
    28.49148307714626,
    -5.664021568594133,
    0.0,
)
DENSE[1, :5] = (
    1.638054557396973,
    -0.7373619806678748,
    8.477918219238990,
    15.99253148779520,
    -1.882352941176471,
)

#: Tolerance at which joints stay within 1e-4 of their swing, and the energy check within 1e-6.
#: The check asks for more: it integrates the dense output, which within a long smooth step (a rotor
#: that brakes at its limit) is some twenty times further off than the step's end. At 5e-7 one
#: sample came to 1.02e-6.
RTOL = 2e-7
#: What rings on, slower than this (rad per s), adds up the errors of its periods; the tolerance is
#: tighter by as much as its quality is above one, at most by the second figure.
RINGING_PER_S, MOST_TIGHTER = 1e6, 5.0
#: By how much the tolerance is tighter where a clamp or a supply that limits has corners.
TIGHTER_AT_CORNERS = 4.0
#: Share of a piece that the first step after a kink tries; what is too long is rejected.
FIRST_SHARE = 1e-3
#: Steps the compiled kernel takes before it asks whether it shall go on.
_CHUNK = 256
#: Steps after which an averaged run is no cheap look any more, those between two kinks of a
#: drive left out. The samples take 200 to 500 in all, swings that die some thousands.
MOST_STEPS, PER_PIECE = 20_000, 200
#: How often it is looked at how long the rest will take, in steps.
_LOOK = 1_000
#: What falls by less than so many e-folds in the rest of the event does not die in it.
_DIES = 3.0


class System(Protocol):
    """x' = f(t, x) with its derivatives."""

    def slope(self, t: float, x: Array) -> Array:
        """f (n,)."""
        ...

    def linear(self, t: float, x: Array) -> tuple[Array, Array, Array]:
        """f (n,), df/dx (n, n) and df/dt (n,)."""
        ...


@dataclass
class Steps:
    """Accepted steps with their dense output.

    Attributes
    ----------
    t : (k + 1,) ends of the steps; x : (k + 1, n) states there
    first, second : (k, n) of the dense output
    """

    t: Array
    x: Array
    first: Array
    second: Array

    @classmethod
    def joined(cls, parts: Sequence[Steps]) -> Steps:
        """Steps that follow one another as one."""
        return cls(
            np.concatenate([parts[0].t, *(p.t[1:] for p in parts[1:])]),
            np.concatenate([parts[0].x, *(p.x[1:] for p in parts[1:])]),
            np.concatenate([p.first for p in parts]),
            np.concatenate([p.second for p in parts]),
        )

    def states(self, times: Array) -> Array:
        """States (n, T) at times (T,) inside."""
        i = np.clip(np.searchsorted(self.t, times, side="right") - 1, 0, len(self.t) - 2)
        width = self.t[i + 1] - self.t[i]
        s = ((times - self.t[i]) / np.where(width > 0.0, width, 1.0))[:, None]
        x0, x1 = self.x[i], self.x[i + 1]
        bend = self.first[i] + s * self.second[i]
        return np.asarray((x0 + s * (x1 - x0 + (1.0 - s) * bend)).T)


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


def step(
    system: System, t: float, x: Array, h: float, at: tuple[Array, Array, Array] | None = None
) -> tuple[Array, Array]:
    """One step: the stages (6, n), of which the last is the error, and the new state (n,).

    `at` is what `system.linear` gives there, where it is known.

    Raises
    ------
    numpy.linalg.LinAlgError   if the step's matrix is singular
    """
    f, jacobian, by_time = system.linear(t, x) if at is None else at
    inverse = np.linalg.inv(np.eye(len(x)) / (h * GAMMA) - jacobian)
    k = np.zeros((STAGES, len(x)))
    y = x
    for i in range(STAGES):
        if i:
            y = x + A[i, :i] @ k[:i]
            f = system.slope(t + NODES[i] * h, y) + (C[i, :i] / h) @ k[:i]
        k[i] = inverse @ (f + (h * BY_TIME[i]) * by_time)
    return k, y + k[-1]


def integrate(
    system: System,
    start: float,
    end: float,
    x: Array,
    scale: Scale,
    first_step: float,
    stop: Callable[[float, Array, int], None] | None = None,
) -> Steps:
    """Solve from `start` to `end`.

    Parameters
    ----------
    first_step : s, tried first
    stop : called with time and state reached and steps taken since, before each step; may raise

    Raises
    ------
    SolveError   if the step became too small
    """
    t, h = start, min(first_step, end - start)
    ts, xs, first, second = [t], [x], [], []
    grow, at = GROW, None
    while t < end:
        if stop is not None:
            stop(t, x, 1)
        last = h >= (end - t) * (1.0 - 1e-9)
        if last:
            h = end - t
        if at is None:
            at = system.linear(t, x)
        error = math.inf
        # a singular matrix, like a state that is no number, asks for a shorter step
        with suppress(np.linalg.LinAlgError):
            k, new = step(system, t, x, h, at)
            error = float(np.max(np.abs(k[-1]) / scale.allowed, initial=0.0))
        factor = step_factor(error, grow)
        if error <= 1.0:
            dense = DENSE @ k
            t = end if last else t + h
            x = new
            scale.see(x)
            ts.append(t)
            xs.append(x)
            first.append(dense[0])
            second.append(dense[1])
            # a rejected step needs it again, only its length is new
            grow, at = GROW, None
        else:
            # right after a rejection a longer step would be rejected again
            grow = 1.0
            if h * factor <= SHORTEST * max(abs(t), abs(end)):
                raise _stuck(t)
        h = even_step(h * factor)
    return Steps(np.array(ts), np.array(xs), np.array(first), np.array(second))


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
        return cls(start, ends[:, 0], rate, drive.tap, np.array(drive.tap_signs))

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

    def slope(self, t: float, x: Array) -> Array:
        return self.form.slope(self.commands.duty(t), x)

    def linear(self, t: float, x: Array) -> tuple[Array, Array, Array]:
        return self.form.linear(self.commands.duty(t), self.commands.slope(t), x)


class _General:
    """The same where fading stores meet mass, slopes or rates, by `MeanEquations` itself."""

    #: Share of a duty by which it is moved for the derivative by time.
    _NUDGE = 1e-6

    def __init__(self, mean: MeanEquations, commands: Commands) -> None:
        self.mean, self.commands = mean, commands

    def slope(self, t: float, x: Array) -> Array:
        return self.mean.moment(self.commands.duty(t), x).slope

    def linear(self, t: float, x: Array) -> tuple[Array, Array, Array]:
        duty, rate = self.commands.duty(t), self.commands.slope(t)
        by_time = np.zeros(len(x))
        for k in np.flatnonzero(rate):
            moved = np.zeros(len(duty))
            moved[k] = self._NUDGE
            up, down = np.minimum(duty + moved, 1.0), np.maximum(duty - moved, 0.0)
            change = self.mean.moment(up, x).slope - self.mean.moment(down, x).slope
            by_time += rate[k] * change / (up[k] - down[k])
        return self.slope(t, x), self.mean.jacobian(duty, x), by_time


_METHOD = Method(GAMMA, A, C, NODES, BY_TIME, DENSE)


class _Compiled:
    """`integrate` by the compiled kernel, from piece to piece."""

    def __init__(self, form: MeanForm, scale: Scale) -> None:
        self.form: Form = form.arrays()
        self.scale = scale
        self.amps = np.zeros(form.n_j)

    def integrate(
        self,
        commands: Commands,
        end: float,
        x: Array,
        first_step: float,
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
        scale, n = self.scale, len(x)
        clock = np.array([first_step, GROW])
        now, count, parts = commands.start, 0, []
        while True:
            stop(now, x, count)
            t, states = np.full(_CHUNK + 1, now), np.empty((_CHUNK + 1, n))
            states[0] = x
            first, second = np.empty((_CHUNK, n)), np.empty((_CHUNK, n))
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
                first,
                second,
            )
            now, x = float(t[count]), states[count]
            if why == STUCK:
                raise _stuck(now)
            parts.append(Steps(t[: count + 1], states[: count + 1], first[:count], second[:count]))
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
    tightest = RTOL / TIGHTER_AT_CORNERS if mean.eq.curves else RTOL
    modes = np.linalg.eigvals(mean.jacobian(np.asarray(drive.start_duty, dtype=float), x0))
    slow = modes[np.abs(modes) < RINGING_PER_S]
    quality = np.abs(slow) / np.maximum(2.0 * np.abs(slow.real), 1e-3 * np.abs(slow) + 1e-300)
    ringing = RTOL / min(max(1.0, float(np.max(quality, initial=0.0))), MOST_TIGHTER)
    return min(ringing, tightest)


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
        compiled = on_disk(march)
    fits = compiled and form.plain and form.fits and form.n
    kernel = _Compiled(form, scale) if fits else None

    patience = None if swings else _Patience(mean, drive)

    def stop(t: float, x: Array, taken: int) -> None:
        if cancelled is not None and cancelled():
            raise Cancelled("run", "stopped for a newer request")
        if progress is not None:
            progress(t)
        if patience is not None:
            patience.spend(t, x, taken)

    kinks = (t for t in drive.kinks_s if start_s < t < drive.duration_s)
    cuts = [start_s, *kinks, drive.duration_s]
    x, parts = x0, []
    for start, end in pairwise(cuts):
        commands = Commands.of(drive, start, end)
        if patience is not None:
            patience.taken -= PER_PIECE
        first = FIRST_SHARE * (end - start)
        if kernel is not None:
            parts.append(kernel.integrate(commands, end, x, first, stop))
        else:
            plainly = form.fits and (form.plain or not form.lifts)
            system = _Driven(form, commands) if plainly else _General(mean, commands)
            parts.append(integrate(system, start, end, x, scale, first, stop))
        x = parts[-1].x[-1]
    steps = Steps.joined(parts)
    return AveragedRun(mean, drive, steps.t, [Piece(start_s, drive.duration_s, steps.states)])

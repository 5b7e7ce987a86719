"""Six-step commutation as the EMF between two phases that ripples with the rotor's angle.

Each sixth of an electrical turn another pair of phases is on. With sinusoidal phase EMFs and
ideal timing the EMF between the two is the top of a sine, 30 degrees to either side, as in a
six-pulse rectifier (any handbook of power electronics): from cos 30 degrees = 0.866 of its top to
1, on average 3/pi = 0.955 of it. That is 14 % of the mean from top to bottom. For other motors
the same shape is scaled:

    EMF = ke w (1 + ripple(angle)),   torque = ke i (1 + ripple(angle)),
    ripple = share (cos a - 3/pi) / (1 - cos 30 degrees),
    a = electrical angle from the nearest middle of a sixth, angle' = w poles / 2

so that what the EMF takes the torque gives, at every moment. The mean over a sixth is 0: averaged
runs, which take a bridge for its duty, take commutation for that mean.

With every edge the EMF is held from edge to edge at its mean over the stretch, so volt-seconds
are exact; a stretch is at most a twelfth of a ripple's period long. Within it the true motor
current bends off the computed one by less than (2 pi / 12)^2 / 8 of its ripple, 3.4 %, and the
line at six times the electrical frequency is at most two thirds of that too low; most stretches
are far shorter. The torque gives with the current of the stretch before; what it owes the EMF
after a stretch it gives in the next, so that no energy is lost or found.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from sim.kernels import STRETCHES, Commutation

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.state_equations import StateEquations

    Array = NDArray[np.float64]

#: Mean of the top sixth of a sine.
MEAN = 3.0 / math.pi
#: From the top to the bottom of that sixth, over its mean: sinusoidal motors.
SINUSOIDAL = (1.0 - math.cos(math.pi / 6.0)) / MEAN


def ripple(share: Array, angle: Array) -> Array:
    """What the EMF has more than its mean, over its mean, at electrical angles in rad."""
    off = angle - (math.pi / 3.0) * np.round(angle / (math.pi / 3.0))
    return np.asarray(share * (np.cos(off) - MEAN) / (1.0 - math.cos(math.pi / 6.0)))


def harmonic(share: float, order: int) -> float:
    """Signed amplitude of a multiple of six times the electrical frequency, over the mean EMF.

    For sinusoidal motors -2 (-1)^order / (36 order^2 - 1), as of a six-pulse rectifier.
    """
    size = -2.0 * (-1.0) ** order / (36.0 * order**2 - 1.0)
    return share / SINUSOIDAL * size


def commutation_of(equations: StateEquations, angle: Array, x0: Array) -> Commutation:
    """What the march keeps of commutation, from electrical angles (n_rotors,) and a state on.

    Without any motor whose EMF ripples its arrays are of no rows.
    """
    count = equations.emf_inputs.stop - equations.emf_inputs.start
    rotors = equations.network.rotors[:count]
    pole_pairs = np.array([0.5 * r.poles for r in rotors], dtype=float)
    quickest = float(np.max(np.abs(pole_pairs * equations.speeds(x0)[:count]), initial=0.0))
    longest = math.pi / 3.0 / (STRETCHES * quickest) if quickest > 0.0 else math.inf
    return Commutation(
        share=equations.emf_ripple[:count].copy(),
        pole_pairs=pole_pairs,
        ke=np.array([r.ke for r in rotors], dtype=float),
        inertia=np.array([r.inertia for r in rotors], dtype=float),
        angle=angle[:count].copy(),
        speed=np.zeros(count),
        amps=np.zeros(count),
        owed=np.zeros(count),
        torque=np.zeros(count),
        given=np.zeros(count),
        emf=np.zeros(count),
        since=np.array([math.nan, longest]),
    )

"""Compiles the kernels ahead of need, into numba's cache on disk.

    python -m sim.warm

The first compilation takes tens of seconds; later processes load it in under one. Several
callers wait for one compiler instead of being several.
"""

from __future__ import annotations

import getpass
import sys
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sim import (
    diode_kernels,
    diodes,
    extreme_kernels,
    followed,
    followed_kernels,
    kernels,
    mean_kernels,
    plain,
    ramp_kernels,
    rosenbrock,
    scan_kernels,
    switching,
)
from sim.diode_patterns import with_diodes
from sim.event import Drive
from sim.followed_patterns import FollowedTable
from sim.mean_equations import MeanEquations, equilibrium
from sim.network import Chopper, Load, Network, NetworkMaker, Rotor
from sim.state_equations import StateEquations, stack_rows

if TYPE_CHECKING:
    from collections.abc import Iterator


def compile_kernels() -> None:
    """Have all kernels compiled and in the cache."""
    if not kernels.HAVE_NUMBA or (plain.usable() and ready()):
        return
    with _alone():
        if not (plain.usable() and ready()):
            _use_every_kernel()


def ready() -> bool:
    """No run of any kind need wait for a compiler."""
    return (
        kernels.ready()
        and scan_kernels.ready()
        and diode_kernels.ready()
        and followed_kernels.ready()
        and extreme_kernels.ready()
        and ramp_kernels.ready()
        and mean_kernels.ready()
    )


@contextmanager
def _alone() -> Iterator[None]:
    """One process of this user at a time; the system lets go of the lock if one dies."""
    path = Path(tempfile.gettempdir()) / f"rippletree-compiling-{getpass.getuser()}"
    with path.open("w") as lock:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(lock.fileno(), msvcrt.LK_LOCK, 1)
        else:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def circuit(esl_henry: float) -> Network:
    """A small circuit of our own with everything there are kernels for.

    With ESL its bridges are in a cut-set of inductors, which only the every-edge kernels take.
    """
    maker = NetworkMaker()
    plus, minus = maker.add_port("pack.out", "pack")
    pack, cap, esc, motor, load = (
        maker.stamp(name) for name in ("pack", "cap", "esc", "motor", "load")
    )
    inner = pack.node()
    pack.source(inner, minus, 16.0, "emf")
    pack.chain(inner, plus, ohm=0.02, henry=1e-7)
    cap.chain(plus, minus, ohm=3e-3, henry=esl_henry, farad=1e-5, half_v=20.0)
    # two legs in step: their ramps overlap
    for phase in (0.0, 0.0):
        mid, behind = esc.node(), esc.node()
        esc.chopper(plus, minus, mid, Chopper("esc", 48e3, 0.0, phase, limit_a=50.0))
        motor.chain(mid, behind, ohm=0.06, henry=2e-5)
        motor.rotor(behind, minus, Rotor("motor", 4e-3, 7e-6, 1e-8, 14, 0.14))
    load.load(plus, minus, Load("load", "power", 5.0, 5.0, 20e3))
    return maker.finish()


def _use_every_kernel() -> None:
    """Solve that circuit."""
    plain.compile_them()
    course = (np.array([0.0, 1e-4]), np.array([0.5, 0.3]))
    drive = Drive("throttle", 2e-4, (course, course), np.array([True, True]))
    averages = MeanEquations(StateEquations(circuit(0.0)))
    rosenbrock.run(averages, drive, equilibrium(averages, drive.start_duty), compiled=True)
    network = circuit(1e-9)
    mean = MeanEquations(StateEquations(network))
    start = equilibrium(mean, drive.start_duty)
    plus, minus = network.ports["pack.out"]
    rows = stack_rows([mean.eq.volts(plus, minus), mean.eq.amps(network.port_branches["pack.out"])])
    for run in (
        switching.run(mean, drive, start),
        followed.run(mean, drive, start, table=FollowedTable(mean.eq)),
    ):
        run.figures(rows, 0.0, drive.duration_s)
        run.envelope(rows, 0.0, drive.duration_s, 4)
        run.sample(rows, np.linspace(0.0, drive.duration_s, 5))
        run.energy(0.0, drive.duration_s)
    mean = MeanEquations(StateEquations(with_diodes(network, freewheel=False)))
    diodes.run(mean, drive, equilibrium(mean, drive.start_duty)).energy(0.0, drive.duration_s)
    # (whether the ramps above are of a single step and of few columns is not ours to say)
    ramp_kernels.ramp_maps(
        0, -np.ones(2), np.zeros(2), np.zeros((2, 1)), np.zeros((1, 2, 1)),
        np.zeros((1, 2, 1, 3)), np.ones(1), 2, np.zeros((1, 2, 3)),
    )  # fmt: skip


if __name__ == "__main__":
    compile_kernels()

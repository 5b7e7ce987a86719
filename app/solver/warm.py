"""Has the every-edge kernels compiled while averaged runs serve."""

from __future__ import annotations

import subprocess

from app.solver.child import command, environment
from sim import kernels
from sim.warm import ready


class Warm:
    """Compiles the kernels into their cache on disk, in a process of its own.

    The first time that takes tens of seconds on a small machine, later under two; a solver that
    compiled them itself would be deaf for as long.
    """

    def __init__(self) -> None:
        self.ready = False
        self._cached = False
        self._process: subprocess.Popen[bytes] | None = None
        self._tried = False

    def begin(self) -> None:
        """Start compiling, once."""
        if self._tried or not kernels.HAVE_NUMBA:
            return
        self._tried = True
        self._cached = ready()
        if self._cached:
            return
        try:
            self._process = subprocess.Popen(
                command("sim.warm"),
                env=environment(),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        except OSError:
            # a system that allows no second process: averaged runs go on serving
            self._process = None

    @property
    def busy(self) -> bool:
        """Whether they are being compiled."""
        return self._process is not None and self._process.poll() is None

    def finished_now(self) -> bool:
        """Whether the kernels became ready since last asked."""
        if self._cached:
            self.ready, self._cached = True, False
            return True
        if self.ready or self._process is None or self._process.poll() is None:
            return False
        self.ready = self._process.returncode == 0
        self._process = None
        return self.ready

    def close(self) -> None:
        """End the compiling process if it still runs."""
        if self._process is not None and self.busy:
            self._process.kill()
            self._process.wait()

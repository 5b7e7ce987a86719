"""Rippletree's model and engine, a plain library.

    import sim
    build = sim.load("arms_4s_analogue")
    run = sim.solve(build, event="Chop", option="No capacitor", detail="averaged")
    print(run.joints)

Importing it is light; the solver (numpy, scipy) is loaded at the first `solve`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from sim.build import load, presets, save
from sim.errors import SimError
from sim.records import Build
from sim.signals import Signal

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.findings import Findings
    from sim.solution import Solution

__all__ = ["Build", "Signal", "SimError", "compare", "load", "presets", "save", "solve"]


def solve(
    build: Build,
    event: str | int | None = None,
    option: str | int | None = None,
    detail: Literal["averaged", "edges"] = "edges",
    seed: int = 0,
    *,
    follow: bool = True,
    cancelled: Callable[[], bool] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Solution:
    """Solve one event of a build under one option; see `sim.api.solve`."""
    from sim import api

    return api.solve(
        build, event, option, detail, seed, follow=follow, cancelled=cancelled, progress=progress
    )


def compare(
    build: Build,
    event: str | int | None = None,
    seeds: int = 16,
    *,
    detail: Literal["averaged", "edges"] = "edges",
    cancelled: Callable[[], bool] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Findings:
    """Hold every option against every limit; see `sim.api.compare`."""
    from sim import api

    return api.compare(build, event, seeds, detail=detail, cancelled=cancelled, progress=progress)

"""Where an ESC chops and stores are not followed they count as what is left of them."""

from __future__ import annotations

import numpy as np
import pytest

import sim
from sim.signals import Signal


def test_averaged_and_every_edge_have_one_inductance() -> None:
    """After the chop's ripple is averaged out both end at the same voltages."""
    build = sim.load("arms_4s_analogue")
    mean = sim.solve(build, "Chop", "LC stage only", detail="averaged")
    edges = sim.solve(build, "Chop", "LC stage only", follow=False)
    assert edges.equations.network.stores  # there is a coil that fades
    assert not mean.equations.network.stores
    late = np.linspace(0.145, 0.15, 400)
    ours, theirs = (run.sample([Signal("volts", "vtx.in")], late).mean() for run in (mean, edges))
    assert ours == pytest.approx(theirs, abs=0.05)


def test_a_plug_in_still_follows_the_flux() -> None:
    build = sim.load("arms_4s_analogue")
    run = sim.solve(build, "Plug in", "LC stage only")
    assert run.equations.network.stores
    assert run.energy.residual < 1e-6

"""Several loops of inductors stand still alike; this network was refused for it."""

from __future__ import annotations

import numpy as np

from sim.network import Branch, Chopper, Network
from tests.sim.nodal import Pencil
from tests.sim.test_random_networks import LONGEST_S, Case, close

#: drawn at random and made smaller by hypothesis
BRANCHES = (
    Branch("source", 1, 0, 1.04, "x", "emf"),
    Branch("inductor", 1, 2, 4.07e-08, "x", "inductor"),
    Branch("inductor", 0, 3, 1.09e-04, "x", "inductor"),
    Branch("inductor", 3, 4, 8.13e-06, "x", "inductor"),
    Branch("capacitor", 3, 2, 6.54e-09, "x", "capacitor"),
    Branch("capacitor", 3, 0, 1.81e-05, "x", "capacitor"),
    Branch("capacitor", 0, 2, 1.04e-08, "x", "capacitor"),
    Branch("inductor", 3, 0, 9.44e-08, "x", "inductor"),
    Branch("inductor", 0, 2, 1.38e-03, "x", "inductor"),
    Branch("bus", 3, 2, 0.0, "x", "bridge"),
    Branch("mid", 5, 2, 0.0, "x", "bridge output"),
    Branch("inductor", 5, 6, 7.95e-06, "x", "inductor"),
    Branch("resistor", 6, 2, 3.51, "x", "resistor"),
)


def test_a_bridge_that_stays_low() -> None:
    chopper = Chopper("esc0", 73e3, 0.0, 0.38, rise_s=3.2e-8)
    case = Case(Network(7, BRANCHES, (), (chopper,), (), (), {}, {}), [0.0], 0, LONGEST_S)
    run = case.edges()
    pencil = Pencil(case.nodal, [0.0], LONGEST_S)
    z = pencil.start(case.unknowns(run, 0.0))
    times, later = pencil.dyadic(z)
    wanted = np.array([pencil.values(z), *map(pencil.values, later)])
    close(case, run.sample(case.rows, np.array([0.0, *times])).T, wanted)

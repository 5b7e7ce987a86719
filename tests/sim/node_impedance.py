"""Impedance between two nodes by modified nodal analysis: knows nothing of the solver."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from sim.network import Network


def node_impedance(network: Network, plus: int, minus: int, hz: float) -> complex:
    """Impedance between two nodes: modified nodal analysis with sources shorted.

    Choppers, rotors and loads are left open. At 0 Hz capacitors are open.
    """
    w = 2.0 * np.pi * hz
    n = network.n_nodes
    kept = [
        (i, b)
        for i, b in enumerate(network.branches)
        if b.type in ("resistor", "inductor", "capacitor", "source")
    ]
    row_of = {i: n + k for k, (i, _) in enumerate(kept)}
    size = n + len(kept)
    m = np.zeros((size, size), complex)
    for i, b in kept:
        k = row_of[i]
        m[b.a, k] += 1.0
        m[b.b, k] -= 1.0
        volts, amps = 1.0, 0.0j
        if b.type == "resistor":
            amps = -b.value
        elif b.type == "inductor":
            amps = -1j * w * b.value
        elif b.type == "capacitor":
            volts, amps = 1j * w * b.value, -1.0
        m[k, b.a] += volts
        m[k, b.b] -= volts
        m[k, k] += amps
    for i, j, henry in network.mutuals:
        m[row_of[i], row_of[j]] -= 1j * w * henry
        m[row_of[j], row_of[i]] -= 1j * w * henry
    rhs = np.zeros(size, complex)
    rhs[plus] += 1.0
    rhs[minus] -= 1.0
    answer = np.linalg.lstsq(m, rhs, rcond=None)[0]
    assert np.allclose(m @ answer, rhs, atol=1e-6), "no current can flow there"
    return complex(answer[plus] - answer[minus])

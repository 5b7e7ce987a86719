"""Shared by the tests of `sim`: a small check of networks that knows nothing of the solver."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from tests.sim.node_impedance import node_impedance

if TYPE_CHECKING:
    from sim.network import Network


@pytest.fixture
def impedance() -> Callable[[Network, int, int, float], complex]:
    """`impedance(network, plus, minus, hz)` in ohm."""
    return node_impedance

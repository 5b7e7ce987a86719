"""What is said of a MOSFET beyond its rating."""

import pytest

import sim
from sim.avalanche import avalanche_j


def test_the_energy_of_a_pulse_is_that_of_its_inductor() -> None:
    """L and C swing about V to p; a clamp at r would take L i^2/2 x r/(r - V)."""
    farad, supply, peak, rating, henry = 4.5e-6, 16.8, 36.8, 30.0, 150e-9
    # at the rating the swing's current is w C sqrt(...)
    i = (farad / henry) ** 0.5 * ((peak - supply) ** 2 - (rating - supply) ** 2) ** 0.5
    want = 0.5 * henry * i**2 * rating / (rating - supply)
    assert avalanche_j(farad, supply, peak, rating) == pytest.approx(want, rel=1e-12)
    assert avalanche_j(farad, 31.0, peak, rating) is None


def test_it_is_said_only_beyond_the_rating() -> None:
    build = sim.load("arms_4s_analogue")
    notes = {}
    for option in ("No capacitor", "One at each ESC"):
        solution = sim.solve(build, "Chop", option)
        uses = [u for p in solution.parts if p.id == "esc1" for u in p.ratings]
        notes[option] = next(u.note for u in uses if u.name == "MOSFET limit")
    assert notes["One at each ESC"] == ""
    assert notes["No capacitor"].startswith("unclamped; would avalanche, about ")
    assert notes["No capacitor"].endswith(" mJ a pulse")
    # 4.5 uF swinging from 30 to some 36 V: a millijoule or two
    assert 0.2 < float(notes["No capacitor"].split()[4]) < 10.0

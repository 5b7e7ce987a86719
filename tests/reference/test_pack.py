"""The pack against what is printed; the source stands beside each check."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec.structs import replace

import sim
from sim.lead import conductors
from sim.parts import KINDS
from sim.parts.battery import Battery, cell_volts
from sim.records import Build, Event, Lead, Part
from sim.resolve import resolve, resolve_lead


def loaded(pack: dict[str, object], amps: float, event: Event | None = None) -> Build:
    """A pack with a current load and a small capacitor on it."""
    rest = Event(name="Rest", kind="steady", duration="1 ms")
    return Build(
        name="sag",
        parts=(
            Part(id="pack", kind="battery", values=pack),
            Part(id="load", kind="load", values={"current": amps, "input_capacitance": "1 uF"}),
        ),
        leads=(Lead(id="w", from_="pack", to="load"),),
        events=(event or rest,),
    )


def volts(build: Build, times: list[float]) -> list[float]:
    run = sim.solve(build)
    assert run.energy.residual <= 1e-6
    return [float(v) for v in run.sample([sim.Signal("volts", "pack")], np.array(times))[0]]


def test_open_circuit_volts_of_the_field_table() -> None:
    """4.20 4.11 4.02 3.95 3.87 3.84 3.80 3.77 3.73 3.69 3.27 V, full to empty: common practice
    of the trade, no source, within 0.03 V."""
    table = [3.27, 3.69, 3.73, 3.77, 3.80, 3.84, 3.87, 3.95, 4.02, 4.11, 4.20]
    for i, printed in enumerate(table):
        assert cell_volts(i / 10.0) == pytest.approx(printed, abs=0.03)
    rising = [cell_volts(x) for x in np.linspace(0.0, 1.0, 200)]
    assert rising == sorted(rising)


@pytest.mark.parametrize(
    ("charge", "volt"), [(0.1, 3.674569), (0.2, 3.725029), (0.5, 3.803362), (0.8, 3.945979),
                         (1.0, 4.1029)]
)  # fmt: skip
def test_open_circuit_volts_against_a_published_fit(charge: float, volt: float) -> None:
    """-1.031 e^(-35x) + 3.685 + 0.2156x - 0.1178x^2 + 0.3201x^3 of an 850 mAh cell: Chen and
    Rincon-Mora, IEEE Trans. Energy Conv. 21, 504 (2006). Another cell: the shape, to 0.1 V."""
    x = charge
    fit = -1.031 * math.exp(-35 * x) + 3.685 + 0.2156 * x - 0.1178 * x**2 + 0.3201 * x**3
    assert fit == pytest.approx(volt, abs=1e-6)
    assert cell_volts(charge) == pytest.approx(fit, abs=0.1)


def test_open_circuit_volts_against_half_cells() -> None:
    """NMC532 minus graphite between 0.93 and 0.37, 0.02 and 0.85 of their lithium (our choice of
    both), from the measured half-cell curves that come with the package batmods-lite 0.0.2 (BSD):
    another chemistry, lower throughout, so the shape about its mean, within 0.15 V."""
    other = np.array([2.97, 3.45, 3.53, 3.60, 3.63, 3.66, 3.74, 3.82, 3.91, 4.01, 4.13])
    ours = np.array([cell_volts(x) for x in np.linspace(0.0, 1.0, 11)])
    assert ours - ours.mean() == pytest.approx(other - other.mean(), abs=0.15)


@pytest.mark.parametrize(
    ("cells", "volt", "odd"),
    [(4, 16.8, ""), (6, 25.2, ""), (4, 17.4, ""), (6, 26.1, ""),  # full; full HV
     (6, 26.4, "above a full cell"), (6, 22.8, ""), (6, 18.0, ""),  # stored; empty
     (6, 17.4, "Do not charge")],
)  # fmt: skip
def test_volts_a_cell_has(cells: int, volt: float, odd: str) -> None:
    """4.20 V full (4.35 V for HV), 3.8 V stored, 3.0 to 3.3 V empty; a cell taken below 3.0 V is
    damaged and not charged again. Guides for builders and makers' pages."""
    kind = KINDS["battery"]
    assert isinstance(kind, Battery)
    given = {"cells": cells, "open_circuit_voltage": volt}
    found = " ".join(kind.check(resolve(Part(id="x", kind="battery", values=given))))
    assert odd in found
    assert bool(found) is bool(odd)
    full = resolve(Part(id="x", kind="battery", values={"cells": cells}))
    assert kind.volts(full) == pytest.approx(4.2 * cells)
    assert 3.0 <= cell_volts(0.0) <= 3.3
    assert cell_volts(0.4) == pytest.approx(3.8)  # a pack is stored at some 40 to 50 %


def test_sag_of_six_cells() -> None:
    """6S, 3 mOhm a cell, 100 A: 1.8 V. Trade advice, arithmetic."""
    pack = {"cells": 6, "cell_resistance": "3 mOhm", "inductance": "80 nH"}
    (at_rest,), (sagged,) = volts(loaded(pack, 0.0), [0.0]), volts(loaded(pack, 100.0), [0.0])
    assert at_rest == pytest.approx(25.2, abs=1e-6)  # 4.20 V a cell, full
    assert at_rest - sagged == pytest.approx(1.8, abs=1e-6)


@pytest.mark.parametrize(
    ("values", "factor"),
    [
        ({}, 1.0),
        # exp(0.3 eV/k (1/T - 1/298.15)): 2.9116 at 0, 4.726 at -10, 0.480 at 45 degC.
        ({"temperature": "0 degC"}, 2.9116),
        ({"temperature": "-10 degC"}, 4.726),
        ({"temperature": "45 degC"}, 0.480),
        # Retired at three times its resistance: our guess from trade advice.
        ({"wear": "100 %"}, 3.0),
        ({"wear": "50 %", "temperature": "0 degC"}, 2.0 * 2.9116),
    ],
)
def test_a_cold_and_a_tired_pack_sag_more(values: dict[str, str], factor: float) -> None:
    """Cells grow, the plug is copper and does not: common practice, no source."""
    pack = {"cells": 4, "cell_resistance": "5 mOhm", "resistance": "5 mOhm", "inductance": "60 nH"}
    (sagged,) = volts(loaded({**pack, **values}, 20.0), [0.0])
    assert 16.8 - sagged == pytest.approx(20.0 * (0.020 * factor + 0.005), rel=1e-3)


def test_a_step_of_current_sags_at_once_and_then_slowly() -> None:
    """v = E - I (R0 + R1 (1 - exp(-t/tau))), the closed form of one RC behind a resistance."""
    pack = {
        "cells": 4, "cell_resistance": "5 mOhm", "slow_resistance": "15 mOhm", "slow_time": "20 ms",
        "inductance": "60 nH",
    }  # fmt: skip
    step = Event(
        name="Step", kind="load_step", duration="60 ms", part="load", at="10 ms", value="40 A"
    )
    times = [0.005, 0.0101, 0.02, 0.03, 0.06]
    found = volts(loaded(pack, 10.0, step), times)
    # settled at 10 A before: all of both resistances
    assert found[0] == pytest.approx(16.8 - 10.0 * 0.035, abs=1e-4)
    for t, volt in zip(times[1:], found[1:], strict=True):
        slow = 0.015 * (1.0 - math.exp(-(t - 0.01) / 0.020))
        assert volt == pytest.approx(16.8 - 10.0 * 0.035 - 30.0 * (0.020 + slow), abs=2e-4)


def test_slow_part_of_a_published_cell() -> None:
    """At half charge, of 850 mAh: R0 = 0.1562 e^(-24.37x) + 0.07446, Rs = 0.3208 e^(-29.14x) +
    0.04669, Cs = 703.6 - 752.9 e^(-13.51x): 74.461 and 46.690 mOhm, 702.72 F, 32.81 s. Chen and
    Rincon-Mora (2006). As a pack of one such cell: after one time constant 1 - 1/e of it shows."""
    x = 0.5
    r0 = 0.1562 * math.exp(-24.37 * x) + 0.07446
    slow = 0.3208 * math.exp(-29.14 * x) + 0.04669
    tau = slow * (703.6 - 752.9 * math.exp(-13.51 * x))
    assert (r0, slow, tau) == pytest.approx((74.461e-3, 46.690e-3, 32.81), rel=1e-4)
    # what the sheet calls usual: half to all of the pack's resistance
    assert 0.5 <= slow / r0 <= 1.0
    pack = {
        "cells": 1, "charge": "50 %", "cell_resistance": r0, "slow_resistance": slow,
        "slow_time": tau, "inductance": "60 nH",
    }  # fmt: skip
    step = Event(
        name="Step", kind="load_step", duration="60 s", part="load", at="1 s", value="0.85 A"
    )
    rest, after = volts(loaded(pack, 0.0, step), [0.5, 1.0 + tau])
    assert rest == pytest.approx(cell_volts(0.5), abs=1e-6)
    assert rest - after == pytest.approx(0.85 * (r0 + slow * (1.0 - math.exp(-1.0))), rel=1e-4)


def test_pack_lead_and_plug_of_the_samples() -> None:
    """Pack, plug and 100 mm of lead: 100 to 250 nH for 1300 to 1500 mAh; a slow part of 5 to 30 s.
    Common practice, no source."""
    for preset in ("park_4s_freestyle", "board_6s_digital", "arms_4s_analogue", "winter_6s_tired"):
        build = sim.load(preset)
        values = resolve(next(part for part in build.parts if part.kind == "battery"))
        main = next(lead for lead in build.leads if lead.id == "main")
        pair = conductors(resolve_lead(replace(main, length="100 mm")))
        assert 100e-9 <= values.number("inductance") + pair.loop_inductance_h <= 250e-9, preset
        assert 5.0 <= values.number("slow_time") <= 30.0


def test_a_tired_packs_slow_part_grows_with_it() -> None:
    pack = {"cells": 4, "cell_resistance": "5m", "slow_resistance": "15m", "inductance": "60 nH"}
    fresh, tired = (
        16.8 - volts(loaded({**pack, "wear": wear}, 10.0), [0.0])[0] for wear in (0.0, 1.0)
    )
    assert fresh == pytest.approx(0.35, rel=1e-5)
    assert tired == pytest.approx(3.0 * fresh, rel=1e-5)

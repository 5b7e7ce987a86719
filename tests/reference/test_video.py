"""Analogue video and what a regulator keeps off it; the source stands beside each check."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest

import sim
from sim.build import loads
from sim.details import PICTURE_V, bars_per_field, picture
from sim.parts import KINDS
from sim.parts.regulator import Regulator, rejection_db
from sim.records import Part
from sim.resolve import resolve
from sim.spectrum import VIDEO_LINES_HZ


def test_volts_of_a_picture() -> None:
    """140 IRE units are 1 V: 7.142857 mV each, 100 of them white, 714.286 mV, 40 the sync,
    285.714. Of 625 lines 1 V holds 300 mV of sync. Makers' pages on composite video."""
    assert PICTURE_V[525] == pytest.approx(0.714286, abs=1e-6)
    assert PICTURE_V[525] / 100.0 == pytest.approx(7.142857e-3, abs=1e-9)
    assert 1.0 - PICTURE_V[525] == pytest.approx(0.285714, abs=1e-6)
    assert pytest.approx(1.0 - 0.300) == PICTURE_V[625]


def test_lines_of_a_picture() -> None:
    """15 625 Hz, 64 us; 4.5 MHz/286 = 15 734.2657 Hz, 63.5556 us, 59.94006 fields a second:
    ITU-R BT.1700, from memory."""
    line_625, line_525 = VIDEO_LINES_HZ[:2]
    assert line_625 == 15_625.0
    assert line_525 == pytest.approx(4.5e6 / 286.0, rel=1e-12)
    assert line_525 == pytest.approx(15_734.2657, abs=1e-4)
    assert 1e6 / line_525 == pytest.approx(63.5556, abs=1e-4)
    assert line_525 / 262.5 == pytest.approx(59.94006, abs=1e-5)


# Worked out from the line frequency: cycles a line and Hz from its nearest multiple, bars a field.
@pytest.mark.parametrize(
    ("hz", "lines", "cycles", "beat", "bars"),
    [
        (48e3, 525, 3.05067, 797.20, 13.30),
        (48e3, 625, 3.072, 1125.0, 22.5),
        (96e3, 525, 6.10133, 1594.4, 26.6),
        (96e3, 625, 6.144, 2250.0, 45.0),
        # half a line off: no bars, a fine diagonal pattern
        (24e3, 525, 1.525, 7468.5, 124.6),
    ],
)
def test_ripple_beats_with_the_lines(
    hz: float, lines: int, cycles: float, beat: float, bars: float
) -> None:
    line, field = (VIDEO_LINES_HZ[0], 50.0) if lines == 625 else (VIDEO_LINES_HZ[1], 60 / 1.001)
    assert hz / line == pytest.approx(cycles, abs=1e-3)
    assert bars_per_field(hz, lines) * field == pytest.approx(beat, abs=0.1)
    assert bars_per_field(hz, lines) == pytest.approx(bars, rel=2e-3)


def choppy(pwm: float) -> sim.solution.Solution:  # type: ignore[name-defined]
    """A carrier of exactly that frequency on a supply of 0.1 Ohm, with a VTX on it."""
    parts: list[dict[str, Any]] = [
        {"id": "psu", "kind": "bench_supply", "values": {"voltage": 12, "resistance": 0.1}},
        {"id": "esc", "kind": "esc", "values": {"pwm_frequency": pwm, "carrier_phase": 0}},
        {"id": "motor", "kind": "motor",
         "values": {"kv": 2000, "resistance": 0.5, "inductance": "1 mH", "drag": 1.0}},
        {"id": "vtx", "kind": "vtx", "values": {"mode": "resistor", "resistance": 30}},
    ]  # fmt: skip
    leads = [("psu.out", "esc.in"), ("esc.motor", "motor"), ("esc.in", "vtx")]
    document = {
        "name": "beat",
        "parts": parts,
        "leads": [{"id": f"w{i}", "from": a, "to": b} for i, (a, b) in enumerate(leads)],
        "events": [{"name": "Steady", "kind": "steady", "duration": "21 ms", "duty": 0.5}],
    }
    return sim.solve(loads(json.dumps(document).encode()))


@pytest.mark.parametrize(("lines", "bars"), [(625, 22.5), (525, 13.30)])
def test_bars_are_in_the_picture(lines: Any, bars: float) -> None:
    """From line to line the 48 kHz ripple moves on by so many bars a field: counted in the picture
    itself, down one column, over the lines that are seen of the 312.5 or 262.5 of a field."""
    field = picture(choppy(48e3), "vtx", 0.0, lines=lines, columns=40)
    down = np.abs(np.fft.rfft(field - field.mean(axis=0), n=8192, axis=0)).sum(axis=1)
    per_line = int(np.argmax(down)) / 8192
    assert per_line * lines / 2.0 == pytest.approx(bars, abs=0.3)


# Vout = Vin 10^(-P/20): 10 mV at 53 dB (a maker's example), 50 mV at 45 dB.
@pytest.mark.parametrize(
    ("decibel", "volt", "left"), [(53.0, 10e-3, 22.387e-6), (45.0, 50e-3, 281.17e-6)]
)
def test_a_flat_rejection(decibel: float, volt: float, left: float) -> None:
    lags = regulator(f"{decibel} dB at 1 kHz")
    assert volt * 10.0 ** (-rejection_db(lags, 10e3) / 20.0) == pytest.approx(left, rel=1e-3)


def test_a_rejection_of_one_pole() -> None:
    """70 dB falling from a corner at 1 kHz, from memory as the usual model: 66.990 dB at 1 kHz,
    49.957 at 10, 36.373 at 48, 30.000 at 100 kHz, 10.000 at 1 MHz. Its five points give the
    regulator here the same curve."""
    points = {1e3: 66.990, 10e3: 49.957, 48e3: 36.373, 100e3: 30.000, 1e6: 10.000}
    for hz, decibel in points.items():
        assert 70.0 - 10.0 * math.log10(1.0 + (hz / 1e3) ** 2) == pytest.approx(decibel, abs=1e-3)
    lags = regulator(", ".join(f"{db} dB at {hz:.0f} Hz" for hz, db in points.items()))
    for hz, decibel in points.items():
        assert rejection_db(lags, hz) == pytest.approx(decibel, abs=0.5)


def test_a_rejection_that_ends_on_a_floor() -> None:
    """Far above its corner a regulator passes what its pass element's capacitance and the output
    capacitor divide, a floor: common practice, no source. 70 dB from a corner at 1 kHz down to a
    floor of 30 dB is h (1 + jf/1 kHz)/(1 + jf/100 kHz), worked out: 66.990 dB at 1 kHz, 50.000 at
    10, 37.274 at 48, 33.010 at 100 kHz, 30.043 at 1 MHz. Without the floor it would be 10 dB
    there."""
    points = {1e3: 66.990, 10e3: 50.000, 48e3: 37.274, 100e3: 33.010, 1e6: 30.043}
    for hz, decibel in points.items():
        passed = 10.0 ** (-70 / 20) * (1 + 1j * hz / 1e3) / (1 + 1j * hz / 100e3)
        assert -20.0 * math.log10(abs(passed)) == pytest.approx(decibel, abs=1e-3)
    lags = regulator(", ".join(f"{db} dB at {hz:.0f} Hz" for hz, db in points.items()))
    for hz, decibel in points.items():
        # (between points straight lines are fitted, too, which a bend is not)
        assert rejection_db(lags, hz) == pytest.approx(decibel, abs=0.5)


def regulator(rejection: str) -> tuple[tuple[float, float], ...]:
    kind = KINDS["regulator"]
    assert isinstance(kind, Regulator)
    values = {"output_voltage": 5, "rejection": rejection}
    return kind.lags(resolve(Part(id="x", kind="regulator", values=values)))

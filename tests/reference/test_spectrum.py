"""Spectrum and band RMS against the Fourier series of a pulse train and against known tones."""

from __future__ import annotations

import json
import math
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pytest

import sim
from sim.build import loads
from sim.errors import BadField, Cancelled
from sim.measure import BAND_NAMES, band_rms, between
from sim.signals import Signal
from sim.spectrum import fourier_sums, spectrum
from sim.state_equations import Rows
from sim.switch_poly import SwitchPoly

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.solution import Solution

PWM, DUTY, RISE = 48e3, 0.3, 20e-9


def chopper(duty: float = DUTY) -> Solution:
    """An ideal source, one bridge and a winding that holds its current still."""
    document = {
        "name": "pulse train",
        "parts": [
            {"id": "psu", "kind": "bench_supply", "values": {"voltage": 24}},
            {
                "id": "esc",
                "kind": "esc",
                "values": {"pwm_frequency": PWM, "carrier_phase": 0, "rise_time": RISE},
            },
            {
                "id": "motor",
                "kind": "motor",
                "values": {"kv": 2000, "resistance": 0.05, "inductance": 1.0, "drag": 4e-8},
            },
        ],
        "leads": [
            {"id": "a", "from": "psu.out", "to": "esc.in"},
            {"id": "b", "from": "esc.motor", "to": "motor"},
        ],
        "events": [{"name": "Still", "kind": "steady", "duration": "2 ms", "duty": duty}],
    }
    return sim.solve(loads(json.dumps(document).encode()))


@pytest.fixture(scope="module")
def train() -> Solution:
    return chopper()


def test_pulse_train_against_its_fourier_series(train: Solution) -> None:
    """Harmonics of rectangular pulses: 2 I sin(pi n D) / (pi n); textbook Fourier series.

    The finite edges take sin(x)/x of that, x = pi f rise: with it all harmonics to 5 MHz.
    """
    periods = 48
    found = spectrum(
        train, Signal("amps", "esc.in"), 0.0, periods / PWM, window="none", highest_hz=5e6
    )
    amps = float(train.sample([Signal("amps", "motor")], np.array([0.5e-3]))[0, 0])
    assert found.unseen < 1e-6
    n = np.arange(1, 101)
    lines = found.amplitude[n * periods]
    ideal = 2.0 * amps * np.abs(np.sin(np.pi * n * DUTY)) / (np.pi * n)
    strong = ideal > 1e-6 * amps
    assert lines[:10][strong[:10]] == pytest.approx(ideal[:10][strong[:10]], rel=1e-3)
    edges = np.sinc(n * PWM * RISE)
    assert lines[strong] == pytest.approx((ideal * edges)[strong], rel=2e-5)
    assert lines[~strong] == pytest.approx(0.0, abs=1e-5 * amps)
    assert found.amplitude[0] == pytest.approx(amps * DUTY, rel=1e-5)
    between_lines = np.delete(found.amplitude, np.arange(0, len(found.amplitude), periods))
    assert between_lines.max() < 1e-5 * amps


def test_a_window_that_does_not_fit_shows_the_line_all_the_same(train: Solution) -> None:
    found = spectrum(train, Signal("amps", "esc.in"), 0.1e-3, 1.2345e-3, highest_hz=2e6)
    amps = float(train.sample([Signal("amps", "motor")], np.array([0.5e-3]))[0, 0])
    marks = {mark.order: mark for mark in found.marks if mark.kind == "PWM"}
    for order in (1, 2, 3):
        ideal = math.sqrt(2.0) * amps * math.sin(math.pi * order * DUTY) / (math.pi * order)
        assert marks[order].rms == pytest.approx(ideal, rel=5e-3)


def test_rms_of_one_leg_is_in_the_video_band(train: Solution) -> None:
    # one leg: I sqrt(D (1 - D)); Kolar & Round, IEE Proc. Electr. Power Appl. 153(4), 2006, and
    # any text on DC links
    (figures,) = between(train, [Signal("amps", "esc.in")], 0.0, 48.0 / PWM, bands=True)
    amps = float(train.sample([Signal("amps", "motor")], np.array([0.5e-3]))[0, 0])
    ideal = amps * math.sqrt(DUTY * (1.0 - DUTY))
    assert figures.rms_ac == pytest.approx(ideal, rel=1e-3)
    assert figures.peak_to_peak == pytest.approx(amps, rel=1e-3)
    assert figures.bands is not None
    video = figures.bands.rms[BAND_NAMES.index("15 kHz to 6 MHz")]
    over = figures.bands.rms[BAND_NAMES.index("over 6 MHz")]
    assert math.hypot(video, over) == pytest.approx(ideal, rel=2e-3)
    # what lies over 6 MHz of it, by the series above
    n = np.arange(math.ceil(6e6 / PWM), 20000)
    line = 2.0 * amps * np.sin(np.pi * n * DUTY) / (np.pi * n) * np.sinc(n * PWM * RISE)
    assert over == pytest.approx(math.sqrt(float(np.sum(line**2)) / 2.0), rel=0.02)
    assert max(figures.bands.rms[:2]) < 1e-3 * ideal


def tones(course: Callable[[np.ndarray], np.ndarray], seconds: float, *rings_hz: float) -> Solution:
    """Something to read that holds a known course of volts; what rings on is told as modes."""
    zero = SwitchPoly.zero(1, 1)
    grid = np.linspace(0.0, seconds, 2_000_001)
    values = course(grid)
    means = np.array([values.mean()]), np.array([(values**2).mean()])
    trajectory = SimpleNamespace(knots=grid[:: len(grid) // 50], means=lambda *_: means)
    network = SimpleNamespace(choppers=())
    return cast(
        "Solution",
        SimpleNamespace(
            duration_s=seconds,
            modes=tuple(SimpleNamespace(hz=hz, real_per_s=0.0) for hz in rings_hz),
            trajectory=trajectory,
            equations=SimpleNamespace(network=network),
            rows=lambda _: Rows(zero, zero, zero),
            sample=lambda signals, t: np.tile(course(np.asarray(t)), (len(signals), 1)),
        ),
    )


def test_bands_part_known_tones() -> None:
    def course(t: np.ndarray) -> np.ndarray:
        slow = 3.0 * t / 0.004
        return np.asarray(
            12.0
            + slow
            + 0.4 * np.sin(math.tau * 3210.0 * t)
            + 0.1 * np.sin(math.tau * 212.3e3 * t + 1.0)
            + 0.02 * np.sin(math.tau * 8.07e6 * t)
        )

    (found,) = band_rms(tones(course, 0.004), [Signal("volts", "x")], 0.0, 0.004)
    assert found.read_share == 1.0
    root = math.sqrt(2.0)
    expected = [3.0 / math.sqrt(12.0), 0.4 / root, 0.1 / root, 0.02 / root]
    # a trend beside ripple that does not fit the window is read to a few percent
    assert found.rms[0] == pytest.approx(expected[0], rel=0.03)
    assert found.rms[1:] == pytest.approx(expected[1:], rel=0.01)


def test_bands_of_a_long_window_are_parted_in_stretches() -> None:
    def course(t: np.ndarray) -> np.ndarray:
        return np.asarray(
            0.4 * np.sin(math.tau * 3210.0 * t)
            + 0.1 * np.sin(math.tau * 212.3e3 * t)
            + 0.05 * np.sin(math.tau * 8.07e6 * t)
        )

    (found,) = band_rms(tones(course, 0.01, 212.3e3, 8.07e6), [Signal("volts", "x")], 0.0, 0.01)
    assert 0.0 < found.read_share < 1.0
    assert found.rms[1:] == pytest.approx([v / math.sqrt(2.0) for v in (0.4, 0.1, 0.05)], rel=0.05)
    assert found.rms[0] < 0.01


def test_uneven_sums_against_the_plain_sum() -> None:
    rng = np.random.default_rng(7)
    share, strengths = rng.random(500), rng.normal(size=500)
    for count in (1, 3, 200):
        plain = np.exp(-2j * np.pi * np.outer(np.arange(count), share)) @ strengths
        assert (
            np.abs(fourier_sums(share, strengths, count) - plain).max()
            < 1e-13 * np.abs(strengths).sum()
        )


@pytest.mark.parametrize(
    ("window", "more", "named"),
    [
        ((1e-3, 0.5e-3), {}, "not inside the event"),
        ((0.0, 3e-3), {}, "not inside the event"),
        ((0.0, 2e-3), {"highest_hz": 900e6}, "at most"),
        ((0.0, 2e-3), {"window": "flat"}, "none or hann"),
    ],
)
def test_what_cannot_be_read_is_refused(
    train: Solution, window: tuple[float, float], more: dict[str, Any], named: str
) -> None:
    with pytest.raises(BadField, match=named):
        spectrum(train, Signal("amps", "esc.in"), *window, **more)


def test_speed_has_no_band_figures(train: Solution) -> None:
    with pytest.raises(BadField, match="volts or amps"):
        between(train, [Signal("speed", "motor")], 0.0, 1e-3)


def test_it_stops_when_told(train: Solution) -> None:
    with pytest.raises(Cancelled):
        spectrum(train, Signal("amps", "esc.in"), 0.0, 1e-3, cancelled=lambda: True)

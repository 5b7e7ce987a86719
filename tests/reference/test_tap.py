"""What a tap on the frame does to the video supply of ESCs on arms.

Common practice of the trade, no source: with a capacitor at each ESC about 1 V of noise at the
entry of the video stage becomes 0.2 to 0.3 V or less at its exit, and the high-frequency part is
gone; a capacitor at each ESC cuts what the others see drastically, never wholly; stage and
capacitors together are the quietest. Noise is read as on a scope at 1 ms a window: what is
slower is the pack's sag, which no stage takes away (0.7 V over 20 ms on either side of it).
"""

from functools import cache

import numpy as np
import pytest
from scipy.signal import detrend

import sim
from sim.signals import Signal

NONE, LOCAL = "No capacitor", "One at each ESC"
STAGE, BOTH = "LC stage only", "At each ESC and LC stage"


#: Of a scope's screen, in samples of 0.25 us: 0.2, 1 and 2 ms.
SHORT, USUAL, LONG = 800, 4_000, 8_000


@cache
def volts(option: str) -> dict[str, np.ndarray]:
    """20 ms of the tap at each place."""
    solution = sim.solve(sim.load("arms_4s_analogue"), "Tap on the frame", option)
    entry = "lc.in" if "stage" in option else "pads"
    times = np.arange(2e-3, 22e-3, 0.25e-6)
    signals = [Signal("volts", place) for place in (entry, "vtx.in", "esc2.in")]
    return dict(zip(("entry", "video", "esc"), solution.sample(signals, times), strict=True))


def noise(option: str, place: str, window: int = USUAL) -> float:
    """Mean over windows of the noise, V peak to peak."""
    return float(np.ptp(volts(option)[place].reshape(-1, window), axis=1).mean())


def fast(option: str, place: str) -> float:
    """Its part above 15 kHz, V RMS."""
    windows = volts(option)[place].reshape(-1, USUAL)
    spectrum = np.fft.rfft(detrend(windows, axis=1), axis=1)
    spectrum[:, :15] = 0.0  # below 15 kHz
    return float(np.sqrt((np.fft.irfft(spectrum, axis=1) ** 2).mean()))


@pytest.mark.parametrize("window", [SHORT, USUAL, LONG])
def test_a_volt_at_the_stages_entry_is_a_fraction_at_its_exit(window: int) -> None:
    assert noise(BOTH, "entry", window) == pytest.approx(1.0, abs=0.4)
    assert noise(BOTH, "video", window) < 0.3
    assert fast(BOTH, "video") < 0.05 * fast(BOTH, "entry")


@pytest.mark.parametrize("window", [SHORT, USUAL, LONG])
def test_a_capacitor_at_each_esc_helps_the_others_drastically_not_wholly(window: int) -> None:
    assert noise(LOCAL, "esc", window) < 0.4 * noise(NONE, "esc", window)
    assert noise(LOCAL, "esc", window) > 0.02 * noise(NONE, "esc", window)


@pytest.mark.parametrize("window", [SHORT, USUAL, LONG])
def test_stage_and_capacitors_together_are_the_quietest(window: int) -> None:
    options = (NONE, LOCAL, STAGE, BOTH)
    assert min(options, key=lambda option: noise(option, "video", window)) == BOTH
    assert min(options, key=lambda option: fast(option, "video")) == BOTH

"""What a tap on the frame does to the video supply of ESCs on arms.

Common practice of the trade, no source: with a capacitor at each ESC about 1 V of noise at the
entry of the video stage becomes 0.2 to 0.3 V or less at its exit, and the high-frequency part is
gone; a capacitor at each ESC cuts what the others see drastically, never wholly; stage and
capacitors together are the quietest. Noise is read as on a scope at 1 ms a window: what is
slower is the pack's sag, which no stage takes away.
"""

from functools import cache

import numpy as np
import pytest
from scipy.signal import detrend

import sim
from sim.signals import Signal

NONE, LOCAL = "No capacitor", "One at each ESC"
STAGE, BOTH = "LC stage only", "At each ESC and LC stage"


@cache
def noise(option: str) -> dict[str, tuple[float, float]]:
    """Per place the mean over windows of 1 ms of the noise, V peak to peak, and its part above
    15 kHz, V RMS."""
    solution = sim.solve(sim.load("arms_4s_analogue"), "Tap on the frame", option)
    entry = "lc.in" if "stage" in option else "pads"
    times = np.arange(2e-3, 22e-3, 0.25e-6)
    found = {}
    for name, place in (("entry", entry), ("video", "vtx.in"), ("esc", "esc2.in")):
        volts = solution.sample([Signal("volts", place)], times)[0]
        windows = volts.reshape(20, -1)
        spectrum = np.fft.rfft(detrend(windows, axis=1), axis=1)
        spectrum[:, :15] = 0.0  # below 15 kHz
        fast = np.fft.irfft(spectrum, axis=1)
        found[name] = (float(np.ptp(windows, axis=1).mean()), float(np.sqrt((fast**2).mean())))
    return found


def test_a_volt_at_the_stages_entry_is_a_fraction_at_its_exit() -> None:
    both = noise(BOTH)
    assert both["entry"][0] == pytest.approx(1.0, abs=0.4)
    assert both["video"][0] < 0.3
    assert both["video"][1] < 0.05 * both["entry"][1]


def test_a_capacitor_at_each_esc_helps_the_others_drastically_not_wholly() -> None:
    without, local = noise(NONE)["esc"], noise(LOCAL)["esc"]
    assert local[0] < 0.4 * without[0]
    assert local[0] > 0.02 * without[0]


def test_stage_and_capacitors_together_are_the_quietest() -> None:
    video = {option: noise(option)["video"] for option in (NONE, LOCAL, STAGE, BOTH)}
    assert min(video, key=lambda option: video[option][0]) == BOTH
    assert min(video, key=lambda option: video[option][1]) == BOTH

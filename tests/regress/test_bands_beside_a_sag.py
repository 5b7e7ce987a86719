"""Ripple beside a slow sag had no RMS, or several times its own.

The two upper bands of a long stretch were what the lower two left of the exact RMS: a small
difference of large numbers, 0 where the sag was taken a little too large, and far too much
where it was taken too small.
"""

from __future__ import annotations

import numpy as np
import pytest

import sim
from sim.measure import between
from sim.signals import Signal


def test_ripple_beside_a_sag_keeps_its_rms() -> None:
    run = sim.solve(sim.load("arms_4s_analogue"), 2, 5)
    signal = Signal("volts", "vtx.in")
    for t0, t1, near in ((0.13, 0.15, 0.3), (0.03, 0.05, 0.3)):
        (found,) = between(run, [signal], t0, t1, bands=True)
        assert found.bands is not None
        # by a Fourier transform of even samples, with a Hann window and the sag taken out
        times = np.linspace(t0, t1, 400_001)[:-1]
        volts = run.sample([signal], times)[0]
        away = volts - np.polyval(np.polyfit(times - t0, volts, 3), times - t0)
        window = np.hanning(len(times))
        power = 2.0 * np.abs(np.fft.rfft(away * window)) ** 2 / len(times) / np.sum(window**2)
        hz = np.fft.rfftfreq(len(times), times[1] - times[0])
        expected = float(np.sqrt(power[(hz > 15e3) & (hz < 6e6)].sum()))
        assert found.bands.read_share < 1.0
        # an eighth of the stretch is read, and the ripple changes along it
        assert found.bands.rms[2] == pytest.approx(expected, rel=near)

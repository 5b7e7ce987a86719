"""A real scope's trace is told from the model's curves, also by eyes that lack a cone."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtGui import QColor

from app.look import palette

# What those see who lack the long, middle or short cones, in linear light: Machado, Oliveira and
# Fernandes, IEEE Trans. Visualization and Computer Graphics 15, 1291 (2009), whole severity; the
# figures from memory.
_EYES = {
    "all cones": np.eye(3),
    "no long": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                         [-0.003882, -0.048116, 1.051998]]),
    "no middle": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                           [-0.011820, 0.042940, 0.968881]]),
    "no short": np.array([[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                          [0.004733, 0.691367, 0.303900]]),
}  # fmt: skip
# sRGB to CIE XYZ, and its white: IEC 61966-2-1
_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
_WHITE = _XYZ.sum(axis=1)


def _linear(colour: QColor) -> np.ndarray:
    c = np.array(colour.getRgbF()[:3])
    return np.asarray(np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4))


def _lab(linear: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b*."""
    t = _XYZ @ np.clip(linear, 0.0, 1.0) / _WHITE
    x, y, z = np.where(t > 0.008856, np.cbrt(t), 7.787 * t + 16.0 / 116.0)
    return np.array([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)])


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("eyes", _EYES)
def test_the_recorded_trace_is_no_curve_of_the_model(eyes: str, dark: bool) -> None:
    """A difference of 30 is a dozen times what is just seen side by side (about 2.3)."""
    p = palette(dark)
    recorded = _lab(_EYES[eyes] @ _linear(p.recorded))
    for line in (p.line1, p.line2, p.line3):
        assert np.linalg.norm(recorded - _lab(_EYES[eyes] @ _linear(line))) >= 30.0


@pytest.mark.parametrize("dark", [False, True])
def test_its_name_can_be_read(dark: bool) -> None:
    """Contrast of text by the relative luminance of WCAG 2."""
    p = palette(dark)
    bright, dim = sorted((float(_XYZ[1] @ _linear(c)) for c in (p.recorded, p.paper)), reverse=True)
    assert (bright + 0.05) / (dim + 0.05) >= 4.5

"""Resistance and inductance of straight copper: round wires and flat traces.

Direct current, so that the current fills the conductor; what changes with frequency is in
`sim.skin`. Partial inductances in the sense of Rosa: a pair is its two selfs less its
mutual.
"""

from __future__ import annotations

import math

#: Ohm metre. IEC 60028:1925, 58 MS/m for annealed copper at 20 degC.
COPPER_OHM_M = 1.0 / 58e6
#: Per kelvin at 20 degC. IEC 60028:1925.
COPPER_PER_K = 0.00393
#: H/m, before the revision of the SI of 2019 exact.
MU0 = 4e-7 * math.pi

#: Wires shorter than this many radii are no wires: Rosa's form is for long ones.
_SHORTEST_IN_RADII = 10.0


def resistivity_ohm_m(temperature_c: float = 20.0) -> float:
    """Of copper. Source: IEC 60028:1925."""
    return COPPER_OHM_M * (1.0 + COPPER_PER_K * (temperature_c - 20.0))


def skin_depth_m(frequency_hz: float, temperature_c: float = 20.0) -> float:
    """Depth at which the current density has fallen to 1/e. From memory: any text."""
    return math.sqrt(resistivity_ohm_m(temperature_c) / (math.pi * frequency_hz * MU0))


# --- round wires --------------------------------------------------------------------


def wire_ohm(diameter_m: float, length_m: float, temperature_c: float = 20.0) -> float:
    """Of one round conductor, direct current. Source: IEC 60028:1925."""
    return resistivity_ohm_m(temperature_c) * length_m / (math.pi / 4.0 * diameter_m**2)


def wire_h(length_m: float, radius_m: float) -> float:
    """Partial self-inductance of a straight round wire, direct current.

    0.2 l (ln(2 l / r) - 3/4) nH with l in mm. Source: Rosa 1908, Bulletin of the Bureau
    of Standards 4(2) 301. It is for l >> r; below ten radii the inductance per length is
    held, so that a lead dragged short never turns negative.
    """
    if length_m == 0.0:
        return 0.0
    slenderness = max(length_m / radius_m, _SHORTEST_IN_RADII)
    return 2e-7 * length_m * (math.log(2.0 * slenderness) - 0.75)


def mutual_h(length_m: float, spacing_m: float) -> float:
    """Mutual inductance of two equal parallel filaments side by side.

    Source: Neumann's integral, in closed form in Rosa 1908.
    """
    if length_m == 0.0:
        return 0.0
    ratio = length_m / spacing_m
    return 2e-7 * length_m * (math.asinh(ratio) - math.hypot(1.0, 1.0 / ratio) + 1.0 / ratio)


def pair_h_per_m(spacing_m: float, radius_m: float, *, internal: bool) -> float:
    """Loop inductance per metre of an infinite pair of round wires, in H/m.

    With `internal` at direct current, (mu0/pi)(ln(D/a) + 1/4); without it at high
    frequency, where the current keeps to the skin, (mu0/pi) acosh(D/2a).
    From memory: any text on transmission lines.
    """
    if internal:
        return MU0 / math.pi * (math.log(spacing_m / radius_m) + 0.25)
    return MU0 / math.pi * math.acosh(spacing_m / (2.0 * radius_m))


def twist_factor(spacing_m: float, pitch_m: float) -> float:
    """How much longer the conductors of a twisted pair are than the pair. Plain geometry."""
    return math.hypot(1.0, math.pi * spacing_m / pitch_m)


# --- flat traces --------------------------------------------------------------------


def trace_ohm(
    width_m: float, thickness_m: float, length_m: float, temperature_c: float = 20.0
) -> float:
    """Of one flat trace, direct current. Source: IEC 60028:1925."""
    return resistivity_ohm_m(temperature_c) * length_m / (width_m * thickness_m)


def trace_h(length_m: float, width_m: float, thickness_m: float) -> float:
    """Partial self-inductance of a flat trace, direct current.

    The mutual of two filaments as far apart as the trace is from itself in the geometric
    mean, exp(-3/2) (w + t) (Maxwell's theorem; Rosa 1908). For a trace longer than a few
    widths that is Terman's 0.2 l (ln(2 l/(w+t)) + 1/2 + 0.2235 (w+t)/l) nH in mm.
    """
    return mutual_h(length_m, math.exp(-1.5) * (width_m + thickness_m))


def trace_distance_m(width_m: float, spacing_m: float) -> float:
    """Geometric mean distance of two equal flat traces, centre to centre `spacing_m`.

    Closer than they are wide they lie over each other on two layers, else side by side.
    The mean of ln(distance) over both widths, worked out in closed form; the mutual
    inductance of traces is that of filaments so far apart (Maxwell's theorem).
    """
    if spacing_m < width_m:
        p = spacing_m / width_m
        mean = (
            0.5 * (1.0 - p * p) * math.log1p(p * p)
            + p * p * math.log(p)
            + 2.0 * p * math.atan(1.0 / p)
            - 1.5
        )
        return width_m * math.exp(mean)
    r = spacing_m / width_m
    near = 0.0 if r == 1.0 else (r - 1.0) ** 2 * math.log(r - 1.0)
    if r > 100.0:
        return spacing_m  # the closed form loses its digits, the widths nothing to lose
    mean = 0.5 * ((r + 1.0) ** 2 * math.log(r + 1.0) + near - 2.0 * r * r * math.log(r)) - 1.5
    return width_m * math.exp(mean)

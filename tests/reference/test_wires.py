"""Wires against published formulas and values; the source stands beside each check."""

from __future__ import annotations

import math

import fluids
import pytest
from scipy.integrate import dblquad

from sim import copper, lead
from sim.errors import BadField
from sim.parts.kind import Values
from sim.probe import Probe
from sim.quantity import awg_diameter_m, parse
from sim.records import Lead
from sim.resolve import resolve_lead

AWG12 = awg_diameter_m(12)


# ASTM B258, as tables of American wire gauge print it.
@pytest.mark.parametrize(
    ("gauge", "mm"),
    [(10, 2.5882), (12, 2.0525), (14, 1.6277), (16, 1.2908), (18, 1.0237), (20, 0.8118),
     (22, 0.6438), (24, 0.5106), (26, 0.4049), (28, 0.3211), (30, 0.2546)],
)  # fmt: skip
def test_gauge_to_diameter(gauge: int, mm: float) -> None:
    assert awg_diameter_m(gauge) * 1e3 == pytest.approx(mm, abs=1e-4)
    assert parse(f"{gauge} AWG", "AWG") == awg_diameter_m(gauge)


# The gauge table of the `fluids` package, which is rounded: within 0.4 %.
@pytest.mark.parametrize("gauge", range(1, 37))
def test_gauge_against_a_package(gauge: int) -> None:
    other = fluids.piping.t_from_gauge(gauge, SI=True, schedule="AWG")
    assert awg_diameter_m(gauge) == pytest.approx(other, rel=4e-3)


# IEC 60028:1925: 58 MS/m, 0.15328 ohm g/m2 at 8.89 g/cm3, 0.00393 per kelvin at 20 degC.
def test_copper() -> None:
    rho = copper.wire_ohm(math.sqrt(4.0 / math.pi), 1.0)  # of 1 m2 and 1 m
    assert rho == pytest.approx(1.724138e-8, rel=1e-6)
    assert rho * 8.89e6 == pytest.approx(0.15328, rel=1e-4)
    cold, hot = (copper.wire_ohm(AWG12, 1.0, t) for t in (20.0, 80.0))
    assert hot / cold == pytest.approx(1.2358, rel=1e-6)


# Wire tables from ASTM B258 and IEC 60028; 1.588 ohm per 1000 ft for 12 AWG.
@pytest.mark.parametrize(
    ("gauge", "milliohm"),
    [(10, 3.277), (12, 5.211), (14, 8.286), (16, 13.17), (18, 20.95), (20, 33.31), (22, 52.96),
     (24, 84.22), (26, 133.9), (28, 212.9), (30, 338.6)],
)  # fmt: skip
def test_resistance_per_metre(gauge: int, milliohm: float) -> None:
    assert copper.wire_ohm(awg_diameter_m(gauge), 1.0) * 1e3 == pytest.approx(milliohm, rel=1e-3)


def test_twelve_gauge_per_thousand_feet() -> None:
    assert copper.wire_ohm(AWG12, 304.8) == pytest.approx(1.588, rel=1e-3)


# sqrt(rho / (pi f mu0)): 8.5 mm at 60 Hz and 2.1 mm at 1 kHz in any table for copper.
@pytest.mark.parametrize(
    ("hz", "mm"),
    [(60, 8.532), (1e3, 2.0898), (24e3, 0.4266), (48e3, 0.3016), (100e3, 0.20898), (1e6, 0.06609)],
)
def test_skin_depth(hz: float, mm: float) -> None:
    assert copper.skin_depth_m(hz) * 1e3 == pytest.approx(mm, rel=1e-3)


# Infinite pair, from memory: (mu0/pi) acosh(D/2a) at high frequency, ln(D/a) + 1/4 at DC.
def test_infinite_pair() -> None:
    a = AWG12 / 2.0
    assert copper.pair_h_per_m(4.5e-3, a, internal=False) * 1e9 == pytest.approx(568.62, abs=0.01)
    assert copper.pair_h_per_m(4.5e-3, a, internal=True) * 1e9 == pytest.approx(691.26, abs=0.01)


# Rosa 1908, Bulletin of the Bureau of Standards 4(2) 301: 4 l (ln(d/r) + 1/4 - d/l) nH, l in cm.
def test_finite_pair() -> None:
    each = lead.conductors(_lead(gauge="12 AWG", length="100 mm", spacing="4.5 mm"))
    assert each.loop_inductance_h * 1e9 == pytest.approx(67.35, abs=0.01)
    short_form = 4.0 * 10.0 * (math.log(4.5e-3 / (AWG12 / 2.0)) + 0.25 - 0.045)
    assert short_form == pytest.approx(67.33, abs=0.01)
    assert each.loop_inductance_h * 1e9 == pytest.approx(short_form, rel=1e-3)
    # 2 l R': arithmetic on the wire table.
    assert each.loop_resistance_ohm * 1e3 == pytest.approx(1.0422, rel=1e-4)


def test_common_mode_of_a_pair() -> None:
    """(L + M)/2 for 100 mm of 12 AWG at 4.5 mm: 74 nH, where half the loop each gives 17."""
    each = lead.conductors(_lead(gauge="12 AWG", length="100 mm", spacing="4.5 mm"))
    assert each.common_inductance_h * 1e9 == pytest.approx(73.61, abs=0.01)
    typed = lead.conductors(_lead(inductance="67.35 nH"))
    assert typed.common_inductance_h * 1e9 == pytest.approx(67.35 / 4.0, abs=0.01)
    assert typed.loop_inductance_h == pytest.approx(67.35e-9)


# Rosa 1908: 0.2 l (ln(2 l/r) - 3/4) nH, l in mm.
@pytest.mark.parametrize(
    ("mm", "gauge", "nanohenry"),
    [(100, 12, 90.448), (10, 20, 6.295), (100, 20, 109.00), (50, 26, 54.52)],
)
def test_straight_wire(mm: float, gauge: int, nanohenry: float) -> None:
    ours = copper.wire_h(mm * 1e-3, awg_diameter_m(gauge) / 2.0)
    assert ours * 1e9 == pytest.approx(nanohenry, abs=0.01)


# Neumann's integral of two parallel filaments; once as a value, once integrated here.
@pytest.mark.parametrize(("mm", "apart"), [(100.0, 4.5), (30.0, 10.0), (20.0, 40.0)])
def test_mutual_of_parallel_filaments(mm: float, apart: float) -> None:
    ours = copper.mutual_h(mm * 1e-3, apart * 1e-3) * 1e9
    integral, error = dblquad(
        lambda x, y: 1.0 / math.hypot(x - y, apart), 0.0, mm, 0.0, mm, epsabs=1e-6, epsrel=1e-9
    )
    assert error < 1e-3
    # mu0/4 pi is 1e-7 H/m, which is 0.1 nH per mm.
    assert ours == pytest.approx(0.1 * integral, rel=1e-5)
    if (mm, apart) == (100.0, 4.5):
        assert ours == pytest.approx(56.7747, abs=1e-3)


# A circle of wire, mu0 R (ln(8 R/a) - 2 + 1/4) at DC: from memory; the `inductance` package gives
# 264.87024 nH for R = 50 mm of 12 AWG.
def test_ground_wire_of_a_probe_is_a_loop() -> None:
    """About 1 nH/mm is what a ground wire of 100 to 250 mm has when it closes on itself."""

    def circle(radius: float, wire: float) -> float:
        return copper.MU0 * radius * (math.log(8.0 * radius / wire) - 1.75)

    assert circle(50e-3, AWG12 / 2.0) * 1e9 == pytest.approx(264.87, abs=0.01)
    for mm in (100, 150, 250):
        loop = circle(mm * 1e-3 / math.tau, awg_diameter_m(24) / 2.0)
        assert Probe(ground_wire_m=mm * 1e-3).inductance_h == pytest.approx(loop, rel=0.15)


# Plain geometry of a helix: sqrt(1 + (pi D/p)^2).
def test_twisted_pair() -> None:
    assert copper.twist_factor(1.6e-3, 20e-3) == pytest.approx(1.0311, abs=1e-4)
    straight = lead.conductors(_lead(gauge="22 AWG", length="100 mm", spacing="1.6 mm"))
    twisted = lead.conductors(
        _lead(gauge="22 AWG", length="100 mm", spacing="1.6 mm", twist_pitch="20 mm")
    )
    for name in ("loop_resistance_ohm", "loop_inductance_h", "common_inductance_h"):
        assert getattr(twisted, name) / getattr(straight, name) == pytest.approx(1.0311, abs=1e-4)


@pytest.mark.parametrize("gauge", [10, 14, 20, 30])
def test_a_lead_dragged_short_stays_a_wire(gauge: int) -> None:
    """Self above mutual, and both rising with length, down to where Rosa's form ends."""
    d = awg_diameter_m(gauge)
    before = (0.0, 0.0)
    for k in range(1, 400):
        length = k * 0.25 * d
        own = copper.wire_h(length, d / 2.0)
        mutual = copper.mutual_h(length, lead.default_spacing_m(d))
        assert own > mutual > 0.0
        assert own - mutual > before[0]
        assert own > before[1]
        before = (own - mutual, own)


def test_a_pair_side_by_side_in_its_insulation() -> None:
    """4.5 mm for 12 AWG silicone wire: our guess, and what the default is made from."""
    assert lead.default_spacing_m(AWG12) * 1e3 == pytest.approx(4.5, abs=0.05)
    default = lead.conductors(_lead(gauge="12 AWG", length="100 mm"))
    given = lead.conductors(_lead(gauge="12 AWG", length="100 mm", spacing="4.5 mm"))
    assert default.loop_inductance_h == pytest.approx(given.loop_inductance_h, rel=5e-3)


def test_typed_values_take_the_place_of_geometry() -> None:
    one = lead.conductors(_lead(resistance="4 mOhm"))
    assert (one.loop_resistance_ohm, one.loop_inductance_h) == (0.004, 0.0)
    other = lead.conductors(_lead(inductance="8 nH"))
    assert (other.loop_resistance_ohm, other.mutual_inductance_h) == (0.0, 0.0)
    assert other.self_inductance_h == pytest.approx(4e-9)
    both = lead.conductors(_lead(length="100 mm", gauge="12 AWG", resistance="4 mOhm"))
    assert both.loop_resistance_ohm == 0.004
    assert both.loop_inductance_h > 50e-9


def test_a_single_conductor_has_all_of_a_typed_value_and_no_mutual() -> None:
    one = lead.conductors(_lead(length="100 mm", gauge="12 AWG"), "plus")
    assert (one.count, one.mutual_inductance_h) == (1, 0.0)
    assert one.loop_inductance_h * 1e9 == pytest.approx(90.448, abs=0.01)
    assert one.loop_resistance_ohm * 1e3 == pytest.approx(0.5211, rel=1e-3)
    typed = lead.conductors(_lead(inductance="8 nH", resistance="1 mOhm"), "minus")
    assert (typed.self_inductance_h, typed.resistance_ohm) == (pytest.approx(8e-9), 0.001)


def test_a_plain_joint_is_a_lead_that_gives_none_of_the_three() -> None:
    assert lead.is_plain_joint(_lead())
    assert lead.is_plain_joint(_lead(gauge="12 AWG", spacing="4.5 mm"))
    assert not lead.is_plain_joint(_lead(length="1 mm"))
    assert lead.conductors(_lead(length="0 mm")).loop_inductance_h == 0.0


def test_conductors_that_overlap_are_refused_by_name() -> None:
    with pytest.raises(BadField, match=r"main\.spacing"):
        lead.conductors(_lead(gauge="12 AWG", length="90 mm", spacing="1.5 mm"))


def _lead(**values: str | float) -> Values:
    return resolve_lead(Lead(id="main", from_="a", to="b", **values))


# --- board copper -----------------------------------------------------------------------


# Terman, Radio Engineers' Handbook, 1943, after Grover, from memory:
# 0.2 l (ln(2 l/(w+t)) + 0.5 + 0.2235 (w+t)/l) nH in mm.
@pytest.mark.parametrize(
    ("length", "width", "thick", "nanohenry"),
    [(20.0, 2.0, 0.0348, 14.005), (10.0, 1.0, 0.0348, 6.969), (30.0, 10.0, 0.07, 14.159)],
)
def test_flat_trace(length: float, width: float, thick: float, nanohenry: float) -> None:
    girth = width + thick
    formula = 0.2 * length * (math.log(2.0 * length / girth) + 0.5 + 0.2235 * girth / length)
    assert formula == pytest.approx(nanohenry, abs=2e-3)
    ours = copper.trace_h(length * 1e-3, width * 1e-3, thick * 1e-3) * 1e9
    assert ours == pytest.approx(nanohenry, rel=1e-3)


# rho / 34.8 um: 0.4954 mOhm per square of 1 oz copper. Arithmetic on IEC 60028.
def test_a_square_of_one_ounce_copper() -> None:
    assert copper.trace_ohm(5e-3, 34.8e-6, 5e-3) * 1e3 == pytest.approx(0.4954, rel=1e-3)
    each = lead.conductors(_lead(width="5 mm", length="50 mm"))
    assert each.loop_resistance_ohm * 1e3 == pytest.approx(2 * 10 * 0.4954, rel=1e-3)


@pytest.mark.parametrize("apart", [0.1e-3, 1.6e-3, 4.9e-3])
def test_mean_distance_of_traces_over_each_other(apart: float) -> None:
    """The mean of ln(distance) over both widths, integrated here."""
    mean, error = dblquad(
        lambda x, y: 0.5 * math.log((x - y) ** 2 + apart**2), 0.0, 5e-3, 0.0, 5e-3,
        epsabs=1e-12, epsrel=1e-8,
    )  # fmt: skip
    assert error < 1e-9
    ours = math.log(copper.trace_distance_m(5e-3, apart))
    assert ours == pytest.approx(mean / 25e-6, rel=1e-6)


@pytest.mark.parametrize("apart", [5e-3, 6e-3, 20e-3, 0.499, 0.51, 5.0])
def test_mean_distance_of_traces_side_by_side(apart: float) -> None:
    mean, _ = dblquad(
        lambda x, y: math.log(max(apart + x - y, 1e-300)), 0.0, 5e-3, 0.0, 5e-3,
        epsabs=1e-12, epsrel=1e-8,
    )  # fmt: skip
    ours = math.log(copper.trace_distance_m(5e-3, apart))
    assert ours == pytest.approx(mean / 25e-6, rel=2e-5)


def test_wide_planes_face_to_face() -> None:
    """mu0 h/w: 100.53 nH/m for 1.6 mm and 20 mm, without the field outside, which takes a tenth
    off; closer planes come nearer. From memory, any text on lines."""
    plain = copper.MU0 * 1.6 / 20.0
    assert plain * 1e9 == pytest.approx(100.53, abs=0.01)

    def per_metre(apart: float) -> float:
        each = lead.conductors(_lead(width="20 mm", thickness="1 um", length="1 m", spacing=apart))
        return each.loop_inductance_h

    assert per_metre(1.6e-3) == pytest.approx(plain, rel=0.15)
    assert per_metre(1.6e-3) < plain
    assert per_metre(0.1e-3) == pytest.approx(plain / 16.0, rel=0.02)


@pytest.mark.parametrize("length", [0.5, 2.0, 10.0, 100.0])
@pytest.mark.parametrize("apart", [0.1, 0.4, 2.0, 5.0, 6.0, 40.0])
def test_a_pair_of_traces_always_stores_energy(length: float, apart: float) -> None:
    each = lead.conductors(
        _lead(width="5 mm", length=f"{length} mm", spacing=f"{apart} mm", thickness="70 um")
    )
    assert each.self_inductance_h > each.mutual_inductance_h > 0.0
    assert each.loops == ()


def test_what_no_trace_can_be_is_refused_by_name() -> None:
    with pytest.raises(BadField, match=r"main\.twist_pitch"):
        lead.conductors(_lead(width="5 mm", length="50 mm", twist_pitch="20 mm"))
    with pytest.raises(BadField, match=r"main\.spacing"):
        lead.conductors(_lead(width="5 mm", length="50 mm", spacing="0.02 mm"))


def test_warm_copper_of_a_lead() -> None:
    """0.00393 per kelvin, IEC 60028:1925: 80 degC adds 23.58 %."""
    cold = lead.conductors(_lead(length="100 mm", gauge="12 AWG"))
    hot = lead.conductors(_lead(length="100 mm", gauge="12 AWG", temperature="80 degC"))
    assert hot.loop_resistance_ohm / cold.loop_resistance_ohm == pytest.approx(1.2358, rel=1e-6)
    assert hot.loop_inductance_h == cold.loop_inductance_h


@pytest.mark.parametrize("gauge", [8, 12, 18, 24, 30])
@pytest.mark.parametrize("over", [1.0, 1.05, 1.4, 2.2, 10.0])
@pytest.mark.parametrize("length_in_diameters", [0.5, 3.0, 20.0, 300.0])
def test_skin_effect_never_takes_more_inductance_than_there_is(
    gauge: int, over: float, length_in_diameters: float
) -> None:
    d = awg_diameter_m(gauge)
    each = lead.conductors(
        _lead(gauge=f"{gauge} AWG", length=length_in_diameters * d, spacing=over * d)
    )
    taken = sum(henry for _, henry in each.loops)
    assert 0.0 < taken < 0.98 * (each.self_inductance_h - each.mutual_inductance_h)

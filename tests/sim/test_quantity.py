"""Reading and showing values: every trade form, every refusal, there and back."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim import quantity
from sim.errors import BadField, BadUnit, SimError
from sim.parts import KINDS

READ = [
    # text, unit, value in SI
    ("470u", "F", 470e-6),
    ("470 uF", "F", 470e-6),
    ("470uf", "F", 470e-6),
    ("470 \N{MICRO SIGN}F", "F", 470e-6),
    ("470 \N{GREEK SMALL LETTER MU}F", "F", 470e-6),
    ("0.47 mF", "F", 470e-6),
    ("0,47 mF", "F", 470e-6),
    ("470 microfarad", "F", 470e-6),
    ("4u7", "F", 4.7e-6),
    ("4u7F", "F", 4.7e-6),
    ("4\N{MICRO SIGN}7F", "F", 4.7e-6),
    ("p33", "F", 0.33e-12),
    ("4n7", "F", 4.7e-9),
    ("1e-6", "F", 1e-6),
    (".5 F", "F", 0.5),
    ("R47", "Ohm", 0.47),
    ("4R7", "Ohm", 4.7),
    ("470R", "Ohm", 470.0),
    ("4K7", "Ohm", 4700.0),
    ("47K3", "Ohm", 47_300.0),
    ("4M7", "Ohm", 4.7e6),
    ("18m", "Ohm", 0.018),
    ("18 mOhm", "Ohm", 0.018),
    ("18 m\N{GREEK CAPITAL LETTER OMEGA}", "Ohm", 0.018),
    ("18 m\N{OHM SIGN}", "Ohm", 0.018),
    ("18 milliohm", "Ohm", 0.018),
    ("18 milli ohms", "Ohm", 0.018),
    ("1 MOhm", "Ohm", 1e6),
    ("12 nH", "H", 12e-9),
    ("22u", "H", 22e-6),
    ("3V3", "V", 3.3),
    ("25.2 V", "V", 25.2),
    ("-900 mV", "V", -0.9),
    ("\N{MINUS SIGN}900 mV", "V", -0.9),
    ("350mA", "A", 0.35),
    ("30 amps", "A", 30.0),
    ("48k", "Hz", 48e3),
    ("48 kHz", "Hz", 48e3),
    ("48 KHZ", "Hz", 48e3),
    ("20 ns", "s", 20e-9),
    ("150 ms", "s", 0.15),
    ("90 mm", "m", 0.09),
    ("90mm", "m", 0.09),
    ("2 m", "m", 2.0),
    ("4 in", "m", 0.1016),
    ("4.5 g", "kg", 4.5e-3),
    ("0.2 kg", "kg", 0.2),
    ("11 K", "K", 11.0),
    ("25 \N{DEGREE SIGN}C", "degC", 25.0),
    ("-10 degC", "degC", -10.0),
    ("300 K", "degC", 26.85),
    ("80 %", "%", 0.8),
    ("0.8", "%", 0.8),
    ("5 %", "", 0.05),
    ("14", "", 14.0),
    ("1500 mAh", "Ah", 1.5),
    ("1 500 mAh", "Ah", 1.5),
    ("1\N{NARROW NO-BREAK SPACE}500 mAh", "Ah", 1.5),
    ("1.3 Ah", "Ah", 1.3),
    ("1950 rpm/V", "rpm/V", 1950.0),
    ("1950KV", "rpm/V", 1950.0),
    ("75 g cm2", "kg m2", 7.5e-6),
    ("7.5e-6 kg m^2", "kg m2", 7.5e-6),
    ("7.5e-6 kg\N{MIDDLE DOT}m\N{SUPERSCRIPT TWO}", "kg m2", 7.5e-6),
    ("1.2e-8 N m s^2", "N m s2", 1.2e-8),
    ("12 nN m s2", "N m s2", 1.2e-8),
    ("1.6 mm", "AWG", 1.6e-3),
    ("0.0016", "AWG", 1.6e-3),
    ("40 /s", "1/s", 40.0),
    ("4 %/ms", "1/s", 40.0),
    ("-26 dB", "dB", -26.0),
]


@pytest.mark.parametrize(("text", "unit", "value"), READ)
def test_a_text_is_read_as_the_trade_means_it(text: str, unit: str, value: float) -> None:
    assert quantity.parse(text, unit) == pytest.approx(value, rel=1e-12)


def test_what_is_read_has_no_tail_of_rounding() -> None:
    assert quantity.parse("470 uF", "F") == 470e-6
    assert quantity.parse("0.1 us", "s") == 0.1e-6
    assert quantity.parse("0,3 mm", "m") == 0.3e-3


@pytest.mark.parametrize("text", ["12 AWG", "12AWG", "12awg", "AWG 12", "12", "12 ga"])
def test_a_gauge_gives_the_conductors_diameter(text: str) -> None:
    # ASTM B258: d = 0.127 mm x 92^((36 - n) / 39)
    assert quantity.parse(text, "AWG") == pytest.approx(2.0525e-3, abs=1e-7)
    assert quantity.parse(12, "AWG") == quantity.parse(text, "AWG")


def test_gauges_beyond_naught_and_areas() -> None:
    # ASTM B258: 4/0 is 11.684 mm, which the formula's constants are made from
    assert quantity.parse("4/0", "AWG") == pytest.approx(11.684e-3, abs=1e-7)
    assert quantity.parse("0000 AWG", "AWG") == pytest.approx(11.684e-3, abs=1e-7)
    assert quantity.parse("2.5 mm2", "AWG") == pytest.approx(math.sqrt(10.0 / math.pi) * 1e-3)


REFUSED = [
    ("", "F"),
    ("uF", "F"),
    ("470 uF 35 V", "F"),
    ("470 uH", "F"),
    ("470 xF", "F"),
    ("4u7 uF", "F"),
    ("4.7u7", "F"),
    ("1 2", "F"),
    ("12 34 uF", "F"),
    ("1,500 mAh", "Ah"),
    ("nan", "Ohm"),
    ("NaN Ohm", "Ohm"),
    ("inf", "Ohm"),
    ("18 megs", "Ohm"),
    ("4meg7", "Ohm"),
    ("20 S", "s"),
    ("R47", "H"),
    ("90m7", "m"),
    ("25 F", "degC"),
    ("0 AWG mm", "AWG"),
    ("0", "AWG"),
    ("-1.6", "AWG"),
    ("99 AWG", "AWG"),
    ("1.5 V", ""),
    ("4" * 101, "V"),
]


@pytest.mark.parametrize(("text", "unit"), REFUSED)
def test_what_is_no_quantity_is_refused_with_an_example(text: str, unit: str) -> None:
    with pytest.raises(BadUnit) as caught:
        quantity.parse(text, unit, "bulk.esr")
    assert caught.value.where == "bulk.esr"
    assert caught.value.hint


def test_the_refusal_says_what_was_given_instead() -> None:
    with pytest.raises(BadUnit, match="'18 mH' is an inductance, not a resistance"):
        quantity.parse("18 mH", "Ohm")


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf, "1e999", 10**400])
def test_numbers_that_are_not_finite_are_refused(number: float | str) -> None:
    with pytest.raises(BadField, match="finite"):
        quantity.parse(number, "V")


def test_true_is_no_number() -> None:
    with pytest.raises(BadUnit):
        quantity.parse(True, "V")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (470e-6, "F", "470 µF"),
        (1e-3, "F", "1000 µF"),
        (100e-9, "F", "100 nF"),
        (0.47, "F", "0.47 F"),
        (18e-3, "Ohm", "18 mΩ"),
        (4700.0, "Ohm", "4.7 kΩ"),
        (48e3, "Hz", "48 kHz"),
        (22.1349, "V", "22.13 V"),
        (0.09, "m", "90 mm"),
        (20e-6, "s", "20 µs"),
        (0.999996e-3, "V", "1 mV"),
        (1.5, "Ah", "1500 mAh"),
        (0.8, "%", "80 %"),
        (11.0, "K", "11 °C"),
        (7.5e-6, "kg m2", "75 g cm²"),
        (quantity.awg_diameter_m(12), "AWG", "12 AWG"),
        (1.6e-3, "AWG", "1.6 mm"),
        (0.0, "Ohm", "0 Ω"),
        (-0.0, "V", "0 V"),
        (0.0, "m", "0 mm"),
        (-26.0, "dB", "-26 dB"),
        (14.0, "", "14"),
    ],
)
def test_values_are_shown_as_people_say_them(value: float, unit: str, text: str) -> None:
    assert quantity.format(value, unit) == text


finite = st.floats(min_value=1e-13, max_value=1e9)


@given(finite, st.sampled_from(sorted(set(quantity.UNITS) - {"AWG"})), st.booleans())
def test_what_is_shown_is_read_back(size: float, unit: str, negative: bool) -> None:
    """To the four figures shown: half a unit of the last is 5e-4 at worst."""
    value = -size if negative else size
    shown = quantity.format(value, unit)
    assert quantity.parse(shown, unit) == pytest.approx(value, rel=5.01e-4)
    assert "e" not in shown.split(" ")[0]
    assert quantity.format(quantity.parse(shown, unit), unit) == shown


@given(st.floats(min_value=0.05e-3, max_value=20e-3))
def test_a_conductor_is_read_back(diameter: float) -> None:
    shown = quantity.format(diameter, "AWG")
    assert quantity.parse(shown, "AWG") == pytest.approx(diameter, rel=1e-3)


def _read_or_refused(text: str, unit: str) -> None:
    refusal = None
    try:
        assert math.isfinite(quantity.parse(text, unit, "x"))
    except SimError as error:
        refusal = str(error)
    assert refusal is None or refusal.splitlines() == [refusal]


@given(st.text(max_size=120), st.sampled_from(sorted(quantity.UNITS)))
def test_any_text_is_read_or_refused_in_one_line(text: str, unit: str) -> None:
    _read_or_refused(text, unit)


_PIECES = st.sampled_from(
    [*"1047.,eE-+/uµmMkRFKVs%Ω² \N{NO-BREAK SPACE}", "Ohm", "AWG", "mm", "mm2", "kg", "°C"]
)


@given(st.lists(_PIECES, max_size=8).map("".join), st.sampled_from(sorted(quantity.UNITS)))
def test_any_heap_of_pieces_is_read_or_refused(text: str, unit: str) -> None:
    _read_or_refused(text, unit)


@given(st.floats(min_value=1e-12, max_value=1e12), st.sampled_from(["E3", "E6", "E12", "E24"]))
def test_steps_along_a_series_stay_on_it(value: float, name: str) -> None:
    up, down = quantity.step(value, name, 1), quantity.step(value, name, -1)
    assert down < value < up
    assert quantity.step(up, name, -1) <= value * (1 + 1e-9)
    for stepped in (up, down, quantity.nearest(value, name)):
        mantissa = stepped / 10.0 ** math.floor(math.log10(stepped) + 1e-12)
        assert any(mantissa == pytest.approx(v, rel=1e-9) for v in quantity.series(name))


def test_steps_cross_decades() -> None:
    assert quantity.step(820e-6, "E12", 1) == 1e-3
    assert quantity.step(1e-3, "E12", -1) == 820e-6
    assert quantity.step(470e-6, "E6", 6) == 4.7e-3
    assert quantity.step(500e-6, "E6", 0) == 500e-6


def test_every_field_of_every_kind_has_a_unit_that_is_known() -> None:
    from sim.lead import LEAD_FIELDS

    fields = [*LEAD_FIELDS, *(f for kind in KINDS.values() for f in kind.fields)]
    unknown = {f.unit for f in fields} - set(quantity.UNITS) - {"text", "flag", "choice"}
    assert not unknown

"""Every kind of part: what it declares holds together, and its primitives are what it says.

The declarations are checked for all kinds alike, so a new kind is covered by being there.
The primitives are checked by impedance, worked out by hand beside each check.
"""

from __future__ import annotations

import math
from typing import Any

import msgspec
import pytest

from sim import quantity
from sim.assemble import assemble
from sim.build import Build, Lead, Part, dumps, loads, resolve
from sim.errors import BadField, SimError, UnknownKind
from sim.network import Network, NetworkMaker
from sim.parts import KINDS
from sim.parts.battery import cell_volts, temperature_factor
from sim.parts.families import can_mm
from sim.parts.kind import Field, Kind

#: Value keys of the build file, which files in the field rely on.
KEYS = {
    "battery": "cells capacity charge open_circuit_voltage cell_resistance resistance inductance "
    "slow_resistance slow_time temperature",
    "bench_supply": "voltage resistance inductance output_capacitance current_limit sinks",
    "joint": "",
    "esc": "pwm_frequency carrier_phase carrier_offset carrier_shape bridge_resistance rise_time "
    "output_capacitance dead_time diode_drop freewheel current_limit brake_current_limit "
    "duty_slew mosfet_rating",
    "motor": "kv resistance inductance poles inertia drag emf_ripple",
    "electrolytic": "capacitance esr esl leg_length rated_voltage rated_ripple mass temperature "
    "age",
    "polymer": "capacitance esr esl leg_length rated_voltage rated_ripple mass",
    "ceramic": "capacitance esr esl leg_length rated_voltage rated_ripple mass half_voltage",
    "inductor": "inductance dcr saturation_current parallel_capacitance parallel_resistance",
    "bead": "inductance dcr saturation_current parallel_capacitance parallel_resistance",
    "resistor": "resistance rated_power",
    "lc_stage": "inductance dcr saturation_current capacitance esr esl rated_voltage "
    "damping_capacitance damping_esr",
    "clamp": "standoff_voltage breakdown_voltage slope_resistance rated_energy",
    "rc_stage": "resistance capacitance esr esl rated_voltage damping_capacitance damping_esr",
}
LOAD_KEYS = (
    "mode resistance current power minimum_voltage maximum_voltage input_capacitance bandwidth"
)
KEYS |= dict.fromkeys(("load", "vtx", "camera", "receiver", "flight_controller"), LOAD_KEYS)

PORTS = {"battery": "out", "bench_supply": "out", "esc": "in motor", "motor": "in"}
PORTS |= dict.fromkeys(
    ("inductor", "bead", "resistor", "lc_stage", "rc_stage", "regulator", "antispark"), "in out"
)

#: Words of a unit that the help has to hold, so that nobody has to guess.
UNIT_WORDS = {
    "F": ("F",), "H": ("H",), "Ohm": ("Ohm",), "V": ("V",), "A": ("A",), "W": ("W",), "J": ("J",),
    "s": (" s", "ns", "ms"), "Hz": ("Hz",), "m": ("mm",), "kg": (" g",), "degC": ("°C",),
    "%": ("%",), "Ah": ("Ah",), "rpm/V": ("rpm/V",), "kg m2": ("g cm2",), "N m s2": ("N m s2",
    "nN m s2"), "1/s": ("per second",), "AWG": ("AWG",),
}  # fmt: skip

every_kind = pytest.mark.parametrize("kind", KINDS.values(), ids=lambda k: k.kind)
every_field = pytest.mark.parametrize(
    ("kind", "field"),
    [(k, f) for k in KINDS.values() for f in k.fields],
    ids=lambda x: x.kind if isinstance(x, Kind) else x.name,
)


def made(kind: str, values: dict[str, Any], id_: str = "x") -> Part:
    return Part(id=id_, kind=kind, values=values)


def stamped(kind: str, values: dict[str, Any]) -> Network:
    """The primitives of one part alone."""
    maker = NetworkMaker()
    for port in KINDS[kind].ports:
        maker.add_port(f"x.{port.name}", port.name)
    KINDS[kind].stamp(resolve(made(kind, values)), maker.stamp("x"))
    return maker.finish()


# --- declarations ---------------------------------------------------------------------


@pytest.mark.parametrize("name", KEYS)
def test_the_keys_of_the_file_are_there(name: str) -> None:
    assert set(KEYS[name].split()) <= {f.name for f in KINDS[name].fields}


@every_kind
def test_ports_are_those_of_the_file(kind: Kind) -> None:
    expected = PORTS.get(kind.kind, "in").split()
    assert [port.name for port in kind.ports] == expected
    # what passes a regulator is not what enters it
    passes = expected == ["in", "out"] and kind.kind != "regulator"
    assert kind.series == passes


@every_kind
def test_it_has_a_help_page_and_a_place_in_the_tray(kind: Kind) -> None:
    page = type(kind).__doc__ or ""
    assert len(page.split()) > 30
    if kind.kind != "joint":
        assert "Left out" in page
    assert kind.title
    assert kind.group in {"Capacitors", "Power", "Motors", "Filters", "Quiet parts"}


@every_field
def test_a_field_says_its_unit_range_and_origin(kind: Kind, field: Field) -> None:
    if field.unit not in ("text", "flag", "choice"):
        assert field.unit in quantity.UNITS
        assert field.low > -math.inf
        assert field.high < math.inf
        assert field.low < field.high
        if field.unit:
            assert any(word in field.help for word in UNIT_WORDS[field.unit]), field.help
    assert field.help
    assert field.mark in ("sourced", "derived", "assumed")
    if field.default is not None:
        assert not field.required
        assert field.source, "a default says where it is from"
    if field.unit == "choice":
        assert field.default is None or field.default in field.choices
    elif isinstance(field.default, (int, float)) and not isinstance(field.default, bool):
        assert field.low <= field.default <= field.high
        assert not (field.open_low and field.default == field.low)
    if field.series:
        assert quantity.series(field.series)


@every_kind
def test_ratings_read_a_field_and_a_port_that_are_there(kind: Kind) -> None:
    for rating in kind.ratings:
        assert kind.field(rating.field).unit in ("V", "A", "W", "J", "s")
        assert rating.port in {port.name for port in kind.ports}


@every_kind
def test_the_trays_values_make_a_part(kind: Kind) -> None:
    values = resolve(made(kind.kind, dict(kind.typical)))
    assert kind.summary(values)
    assert min(kind.size_mm(values)) > 0.0
    for warning in kind.check(values):
        assert warning.endswith(".")


@every_kind
def test_there_and_back_through_a_file(kind: Kind) -> None:
    build = Build(name="one", parts=(made(kind.kind, dict(kind.typical)),))
    again = loads(dumps(build))
    assert again == build
    first, second = (resolve(b.parts[0]).as_dict() for b in (build, again))
    assert first == second


@every_kind
def test_its_primitives_are_finite_and_its_own(kind: Kind) -> None:
    network = stamped(kind.kind, dict(kind.typical))
    for branch in network.branches:
        assert branch.owner == "x"
        assert math.isfinite(branch.value)
        assert branch.type in ("source", "bus", "mid", "rotor", "load") or branch.value > 0.0
        assert branch.a != branch.b
    for spec in (*network.choppers, *network.rotors, *network.loads):
        assert spec.owner == "x"


@every_kind
def test_zero_parasitics_make_no_primitive(kind: Kind) -> None:
    """Exact zeros vanish: nothing is divided by them and nothing made up for them."""
    zero = {
        f.name: 0
        for f in kind.fields
        if f.unit in ("Ohm", "H", "F") and not f.open_low and not f.required
    }
    network = stamped(kind.kind, {**kind.typical, **zero})
    assert all(b.value for b in network.branches if b.type in ("resistor", "inductor", "capacitor"))


@every_field
def test_outside_its_range_is_refused_by_name(kind: Kind, field: Field) -> None:
    if field.unit in ("text", "flag", "choice"):
        return
    bad = [field.low - max(1.0, abs(field.low)), field.high * 2.0 + 1.0]
    if field.open_low:
        bad.append(field.low)
    if field.whole:
        bad.append(field.low + 0.5)
    for value in bad:
        with pytest.raises(BadField) as caught:
            resolve(made(kind.kind, {**kind.typical, field.name: value}))
        assert caught.value.where == f"x.{field.name}"
        assert caught.value.hint


@every_kind
def test_missing_and_unknown_values_are_refused_by_name(kind: Kind) -> None:
    for field in kind.fields:
        if field.required:
            left = {k: v for k, v in kind.typical.items() if k != field.name}
            with pytest.raises(BadField, match=field.name):
                resolve(made(kind.kind, left))
    with pytest.raises(BadField, match="no_such"):
        resolve(made(kind.kind, {**kind.typical, "no_such": 1}))


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(UnknownKind, match="condenser"):
        resolve(made("condenser", {}))


PARASITIC = {
    "esr", "esl", "leg_length", "dcr", "cell_resistance", "slow_resistance", "bridge_resistance",
    "dead_time", "output_capacitance", "input_capacitance", "parallel_capacitance",
    "damping_capacitance", "damping_esr", "emf_ripple",
}  # fmt: skip


@every_field
def test_unlisted_parasitics_are_zero(kind: Kind, field: Field) -> None:
    """What a file does not list is not there, so a hand-written build is what it says."""
    of_a_source = kind.kind in ("battery", "bench_supply", "motor") and field.name == "resistance"
    if field.name in PARASITIC or of_a_source:
        assert field.default == 0.0


# --- primitives -----------------------------------------------------------------------


def test_battery_volts_resistance_and_inductance(impedance: Any) -> None:
    """6 cells at 4.2 V; 6 x 4 + 4 = 28 mOhm; 80 nH at 1 MHz = 0.50265 Ohm."""
    network = stamped(
        "battery",
        {"cells": 6, "cell_resistance": "4m", "resistance": "4m", "inductance": "80 nH"},
    )
    (source,) = (b for b in network.branches if b.type == "source")
    assert source.value == pytest.approx(25.2, rel=1e-12)
    plus, minus = network.ports["x.out"]
    assert impedance(network, plus, minus, 0.0) == pytest.approx(0.028, rel=1e-9)
    assert impedance(network, plus, minus, 1e6).imag == pytest.approx(0.50265, rel=1e-4)


def test_battery_charge_table_and_override() -> None:
    """Hobby table of open-circuit volts by 10 %: common practice, no source."""
    table = [3.27, 3.69, 3.73, 3.77, 3.80, 3.84, 3.87, 3.95, 4.02, 4.11, 4.20]
    assert [cell_volts(i / 10) for i in range(11)] == pytest.approx(table, abs=1e-12)
    assert cell_volts(0.55) == pytest.approx(0.5 * (3.84 + 3.87))
    network = stamped("battery", {"cells": 4, "charge": "10 %", "open_circuit_voltage": "15 V"})
    assert network.branches[0].value == 15.0


def test_battery_temperature_factor(impedance: Any) -> None:
    """0.3 eV: 2.9116 at 0 degC, 4.726 at -10 degC, 0.480 at 45 degC. Common practice, no source."""
    assert temperature_factor(25.0) == 1.0
    assert temperature_factor(0.0) == pytest.approx(2.9116, rel=1e-4)
    assert temperature_factor(-10.0) == pytest.approx(4.726, rel=2e-4)
    assert temperature_factor(45.0) == pytest.approx(0.480, rel=1e-3)
    cold = stamped(
        "battery", {"cells": 4, "cell_resistance": "5m", "resistance": "5m", "temperature": 0}
    )
    plus, minus = cold.ports["x.out"]
    # Only the cells are cold, the plug is copper.
    expected = 4 * 5e-3 * 2.9116 + 5e-3
    assert impedance(cold, plus, minus, 0.0) == pytest.approx(expected, rel=1e-4)


def test_battery_slow_part(impedance: Any) -> None:
    """10 mOhm beside 15 s: 10 mOhm at rest, half its square at 1/(2 pi 15 s)."""
    network = stamped("battery", {"cells": 4, "slow_resistance": "10m", "slow_time": "15 s"})
    plus, minus = network.ports["x.out"]
    assert impedance(network, plus, minus, 0.0) == pytest.approx(0.010, rel=1e-9)
    corner = impedance(network, plus, minus, 1.0 / (2.0 * math.pi * 15.0))
    assert abs(corner) == pytest.approx(0.010 / math.sqrt(2.0), rel=1e-9)


@pytest.mark.parametrize(
    ("values", "hz", "ohm"),
    [
        # 470 uF, 25 mOhm, 20 nH and its kin: |ESR + j(wL - 1/wC)|, worked out by hand.
        ({"capacitance": "470u", "esr": "25m", "esl": "20 nH"}, 1e3, 0.33942),
        ({"capacitance": "470u", "esr": "25m", "esl": "20 nH"}, 100e3, 0.026632),
        ({"capacitance": "470u", "esr": "25m", "esl": "20 nH"}, 1e6, 0.12779),
        ({"capacitance": "1000u", "esr": "18m", "esl": "20 nH"}, 100e3, 0.021082),
        # Legs of 10 mm are 12 nH more and no resistance: |0.018 + j 0.2011| at 1 MHz.
        (
            {"capacitance": "1000u", "esr": "18m", "esl": "20 nH", "leg_length": "10 mm"},
            1e6,
            0.2017,
        ),
    ],
)
@pytest.mark.parametrize("kind", ["electrolytic", "polymer", "ceramic"])
def test_capacitor_impedance(
    kind: str, values: dict[str, Any], hz: float, ohm: float, impedance: Any
) -> None:
    network = stamped(kind, values)
    plus, minus = network.ports["x.in"]
    assert abs(impedance(network, plus, minus, hz)) == pytest.approx(ohm, rel=3e-4)


def test_ideal_capacitor_is_one_primitive() -> None:
    network = stamped("electrolytic", {"capacitance": "470u", "esr": "0 Ohm", "esl": "0 H"})
    assert [b.type for b in network.branches] == ["capacitor"]
    assert network.ports["x.in"] == (network.branches[0].a, network.branches[0].b)


def test_cold_and_age_raise_an_electrolytics_resistance() -> None:
    def esr(**values: Any) -> float:
        network = stamped("electrolytic", {"capacitance": "470u", "esr": "20m", **values})
        return next(b.value for b in network.branches if b.type == "resistor")

    assert esr() == esr(temperature=20) == esr(temperature=60) == 0.020
    # From memory: x2 to 3 at -10 degC, x10 to 20 at -40 degC.
    assert 2.0 <= esr(temperature=-10) / 0.020 <= 3.0
    assert 10.0 <= esr(temperature=-40) / 0.020 <= 20.0
    rising = [esr(temperature=t) for t in range(20, -61, -5)]
    assert rising == sorted(rising)
    assert esr(age="100 %") == pytest.approx(0.050)


@pytest.mark.parametrize(
    ("farad", "volt", "diameter"),
    [(220e-6, 35, 8.0), (470e-6, 35, 10.0), (1000e-6, 35, 12.5), (2200e-6, 35, 16.0),
     (470e-6, 50, 12.5), (470e-6, None, 10.0)],
)  # fmt: skip
def test_can_diameter(farad: float, volt: float | None, diameter: float) -> None:
    """Cans of the 35 V low-impedance class, from memory within a fifth; 50 V about half."""
    assert can_mm(farad, volt)[0] == diameter


def test_bead_impedance(impedance: Any) -> None:
    """0.3 Ohm + (1082 Ohm // 1.208 uH // 1.678 pF): 7.5985 at 1 MHz, 76.344 at 10 MHz, 1040.9
    at 100 MHz, 95.70 at 1 GHz. Model: Analog Devices, application note AN-1368."""
    network = stamped(
        "bead",
        {"inductance": "1.208u", "dcr": 0.3, "parallel_resistance": 1082,
         "parallel_capacitance": "1.678p"},
    )  # fmt: skip
    a, b = network.ports["x.in"][0], network.ports["x.out"][0]
    for hz, ohm in ((1e6, 7.5985), (10e6, 76.344), (100e6, 1040.9), (1e9, 95.70)):
        assert abs(impedance(network, a, b, hz)) == pytest.approx(ohm, rel=2e-4)


def test_series_parts_pass_minus_through(impedance: Any) -> None:
    for kind in ("inductor", "bead", "resistor", "lc_stage", "rc_stage"):
        network = stamped(kind, dict(KINDS[kind].typical))
        assert network.ports["x.in"][1] == network.ports["x.out"][1]
        assert network.ports["x.in"][0] != network.ports["x.out"][0]


def test_lc_stage_attenuation(impedance: Any) -> None:
    """10 uH, 50 mOhm and 220 uF, 20 mOhm at 48 kHz: 41.574 dB without load, by hand."""
    network = stamped(
        "lc_stage", {"inductance": "10u", "dcr": "50m", "capacitance": "220u", "esr": "20m"}
    )
    plus, minus = network.ports["x.out"]
    start = network.ports["x.in"][0]
    whole = impedance(network, start, minus, 48e3)
    behind = whole - impedance(network, start, plus, 48e3)
    assert 20.0 * math.log10(abs(whole / behind)) == pytest.approx(41.574, abs=2e-3)


def test_lc_stage_damping_branch_stands_at_the_quiet_end(impedance: Any) -> None:
    """3 uF beside 100 uF + 150 mOhm: at 10 MHz both are their resistances, 5 and 150 mOhm."""
    network = stamped(
        "lc_stage",
        {"inductance": "22u", "capacitance": "3u", "esr": "5m", "damping_capacitance": "100u",
         "damping_esr": "150m"},
    )  # fmt: skip
    plus, minus = network.ports["x.out"]
    both = 1.0 / (1.0 / 0.005 + 1.0 / 0.150)
    assert abs(impedance(network, plus, minus, 1e8)) == pytest.approx(both, rel=1e-2)


def test_motor_constant() -> None:
    """Kt = 60/(2 pi kv): 1800 rpm/V is 5.30516 mN m/A, 2450 is 3.89767. Arithmetic."""
    for kv, milli in ((1800, 5.30516), (2450, 3.89767), (1750, 5.45674)):
        network = stamped("motor", {"kv": kv})
        assert network.rotors[0].ke * 1e3 == pytest.approx(milli, abs=1e-5)


def test_motor_default_drag_is_a_five_inch_propeller() -> None:
    """0.086555 N m at 25 000 rpm: University of Illinois propeller data vol. 2, 5x4.3."""
    drag = stamped("motor", {"kv": 1800}).rotors[0].drag
    assert drag * (25_000 * math.tau / 60) ** 2 == pytest.approx(0.086555, rel=1e-3)


def test_esc_bridge() -> None:
    network = stamped(
        "esc",
        {"pwm_frequency": "24 kHz", "bridge_resistance": "6m", "output_capacitance": "1.5 nF",
         "brake_current_limit": "50 A", "duty_slew": 40, "freewheel": False},
    )  # fmt: skip
    (spec,) = network.choppers
    assert (spec.frequency_hz, spec.rise_s, spec.diode_v) == (24e3, 20e-9, 0.8)
    assert (spec.limit_a, spec.brake_limit_a, spec.slew_per_s) == (None, 50.0, 40.0)
    assert spec.freewheel is False
    by_type = {b.type: b for b in network.branches}
    plus, minus = network.ports["x.in"]
    motor_plus, motor_minus = network.ports["x.motor"]
    assert motor_minus == minus
    assert (by_type["bus"].a, by_type["bus"].b) == (plus, minus)
    assert (by_type["capacitor"].a, by_type["capacitor"].b) == (plus, minus)
    assert by_type["mid"].b == minus
    assert {by_type["resistor"].a, by_type["resistor"].b} == {by_type["mid"].a, motor_plus}


def test_a_given_phase_without_offset_means_offset_zero() -> None:
    def offset(**values: Any) -> float | None:
        return stamped("esc", values).choppers[0].offset

    assert offset() is None
    assert offset(carrier_phase=0.25) == 0.0
    assert offset(carrier_phase=0.25, carrier_offset=0.003) == 0.003
    assert offset(carrier_offset=0.003) == 0.003


def test_load_modes() -> None:
    assert stamped("load", {"resistance": 10}).branches[0].type == "resistor"
    (amps,) = stamped("load", {"current": "0.35 A", "minimum_voltage": 7}).loads
    assert (amps.mode, amps.value, amps.minimum_v, amps.bandwidth_hz) == ("current", 0.35, 7.0, 0.0)
    (watts,) = stamped("vtx", {"mode": "power", "power": "12 W", "current": 1}).loads
    assert (watts.mode, watts.value, watts.bandwidth_hz) == ("power", 12.0, 20e3)


@pytest.mark.parametrize(
    "values", [{}, {"mode": "power"}, {"mode": "power", "current": 1}, {"current": 1, "power": 2}]
)
def test_a_load_that_does_not_say_what_it_draws_is_refused(values: dict[str, Any]) -> None:
    with pytest.raises(BadField) as caught:
        stamped("load", values)
    assert caught.value.where.startswith("x")
    assert caught.value.hint


def test_a_load_with_unclear_value_is_refused_by_assemble_too() -> None:
    build = Build(
        name="bad",
        parts=(made("battery", {"cells": 4}, "pack"), made("load", {}, "lamp")),
        leads=(Lead(id="a", from_="pack.out", to="lamp.in"),),
    )
    with pytest.raises(SimError, match="lamp"):
        assemble(build)


def test_warnings_say_what_is_not_modelled_yet() -> None:
    def warnings(kind: str, **values: Any) -> str:
        return " ".join(KINDS[kind].check(resolve(made(kind, {**KINDS[kind].typical, **values}))))

    assert "limiter" in warnings("bench_supply", current_limit="5 A", output_capacitance=0)
    # both are followed wherever they matter; a run that does not says so itself
    assert not warnings("ceramic", half_voltage="12 V")
    assert not warnings("lc_stage", saturation_current="3 A")
    assert "Swap" in warnings("clamp", standoff_voltage="40 V")
    assert "even" in warnings("motor", poles=13)
    assert "lowest supply" in warnings("vtx", minimum_voltage=30)


def test_no_kind_is_called_twice() -> None:
    assert sorted(KINDS) == list(KINDS)
    assert all(name == kind.kind for name, kind in KINDS.items())
    assert msgspec.json.encode({k: v.title for k, v in KINDS.items()})

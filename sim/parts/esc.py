"""A speed controller."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from sim import quantity
from sim.network import Chopper
from sim.parts.kind import Field, Kind, Port, Rating, Values

if TYPE_CHECKING:
    from sim.network import Stamp


class Esc(Kind):
    """An ESC, or one output of a 4-in-1 board: one half bridge that chops the supply.

    Of the three phases one is chopped while a second returns to minus, which is what
    six-step drive does at any moment. The bridge is a lossless switch of ratio s between
    supply and motor (0 or 1 at every edge, the duty when averaged), with the resistance of
    both devices in the motor's path:

        v(motor) = s v(in) - bridge_resistance i,   i(in) = s i
        s rises and falls within rise_time

    In active freewheel the current may run backwards: at low duty the motor brakes and pushes
    current back into the supply. current_limit, brake_current_limit and duty_slew are what
    the firmware allows; they set every braking verdict.

    Sources: 24, 48 and 96 kHz are the usual carriers, edges of 10 to 50 ns and dead times of
    100 to 500 ns common practice, no source.

    Averaged, dead time is not in the equations: it takes dead_time x pwm_frequency x (supply
    + 2 diode_drop) off the motor's voltage, against its current, and the answer says what that
    does to speed and supply current.

    Left out: the moment of commutation (its ripple is the motor's), the loop of a few nH on the
    board and its ringing above 30 MHz, overlap losses of the edges, avalanche of the MOSFETs.
    """

    kind = "esc"
    title = "ESC"
    ports = (Port("in", (0.0, 13.0)), Port("motor", (0.0, -13.0)))
    group = "Motors"
    ratings: ClassVar[tuple[Rating, ...]] = (Rating("MOSFET limit", "mosfet_rating", "peak_volts"),)
    typical: ClassVar[dict[str, str]] = {
        "bridge_resistance": "6 mOhm",
        "mosfet_rating": "30 V",
        "current_limit": "50 A",
        "brake_current_limit": "50 A",
    }
    cautions = ("Props off for every test on the bench.",)
    fields = (
        Field(
            "pwm_frequency",
            "Hz",
            "Carrier in kHz; 24, 48 and 96 kHz are usual",
            48e3,
            low=100.0,
            high=1e6,
            label="PWM frequency",
            source="common practice, no source",
        ),
        Field(
            "carrier_phase",
            "",
            "Where in its period the carrier starts, 0 to 1; none: any, and several are tried",
            low=0.0,
            high=1.0,
            label="carrier phase",
        ),
        Field(
            "carrier_offset",
            "",
            "Relative deviation of the carrier from its nominal frequency, such as 0.002; none: "
            "drawn from 0.1 to 1 %, or 0 where the phase is given",
            low=-0.5,
            high=0.5,
            label="carrier offset",
        ),
        Field(
            "carrier_shape",
            "choice",
            "edge: on from the start of the period; centre: on in its middle",
            "edge",
            choices=("edge", "centre"),
            label="carrier shape",
            source="our guess",
        ),
        Field(
            "bridge_resistance",
            "Ohm",
            "Of both MOSFETs in the motor's path together, in mOhm",
            0.0,
            low=0.0,
            high=100.0,
            label="bridge resistance",
            source="not there unless given",
        ),
        Field(
            "rise_time",
            "s",
            "Time of one edge in ns; 10 to 50 ns is usual",
            20e-9,
            low=0.0,
            open_low=True,
            high=1e-3,
            label="rise time",
            source="common practice, no source",
        ),
        Field(
            "output_capacitance",
            "F",
            "Of the MOSFETs, across the supply side of the bridge, in nF",
            0.0,
            low=0.0,
            high=1e-3,
            label="output capacitance",
            source="not there unless given",
        ),
        Field(
            "dead_time",
            "s",
            "Time in ns with both MOSFETs off at each edge; 100 to 500 ns is usual",
            0.0,
            low=0.0,
            high=1e-3,
            label="dead time",
            source="not there unless given",
        ),
        Field(
            "diode_drop",
            "V",
            "Forward voltage of the MOSFETs' body diode in V",
            0.8,
            low=0.0,
            high=5.0,
            label="diode drop",
            source="silicon at high current; common practice, no source",
        ),
        Field(
            "freewheel",
            "flag",
            "Active freewheel: the low side conducts while the high side is off, so the motor "
            "can brake",
            True,
            label="active freewheel",
            source="default of most firmware; common practice, no source",
        ),
        Field(
            "current_limit",
            "A",
            "Motor current the firmware allows when driving, in A; none: no limit",
            low=0.0,
            open_low=True,
            high=1e4,
            label="current limit",
        ),
        Field(
            "brake_current_limit",
            "A",
            "Motor current the firmware allows when braking, in A; none: no limit",
            low=0.0,
            open_low=True,
            high=1e4,
            label="braking current limit",
        ),
        Field(
            "duty_slew",
            "1/s",
            "Fastest change of duty the firmware allows, per second; none: no limit",
            low=0.0,
            open_low=True,
            high=1e9,
            label="duty slew",
        ),
        Field(
            "mosfet_rating",
            "V",
            "Voltage limit of the MOSFETs in V: 30 V is usual for 4S, 40 V for 6S; none: not "
            "checked",
            low=0.0,
            open_low=True,
            high=1e4,
            label="MOSFET limit",
        ),
        Field(
            "board",
            "text",
            "Name of the 4-in-1 board this is one output of; none: an ESC of its own",
        ),
    )

    def stamp(self, values: Values, net: Stamp) -> None:
        """The bridge, its resistance in the motor's path, the capacitance at its supply."""
        plus, minus = net.port("in")
        motor_plus, motor_minus = net.port("motor")
        mid = net.node()
        phase = values.optional("carrier_phase")
        offset = values.optional("carrier_offset")
        net.capacitor(plus, minus, values.number("output_capacitance"), "output capacitance")
        net.chopper(
            plus,
            minus,
            mid,
            Chopper(
                owner=values.owner,
                frequency_hz=values.number("pwm_frequency"),
                offset=0.0 if offset is None and phase is not None else offset,
                phase=phase,
                centred=values.word("carrier_shape") == "centre",
                rise_s=values.number("rise_time"),
                dead_s=values.number("dead_time"),
                diode_v=values.number("diode_drop"),
                freewheel=values.flag("freewheel"),
                limit_a=values.optional("current_limit"),
                brake_limit_a=values.optional("brake_current_limit"),
                slew_per_s=values.optional("duty_slew"),
            ),
        )
        net.resistor(mid, motor_plus, values.number("bridge_resistance"), "bridge resistance")
        net.short(minus, motor_minus)

    def size_mm(self, values: Values) -> tuple[float, float]:
        """An ESC for an arm, or a quarter of a 4-in-1 board."""
        if values.as_dict().get("board") is None:
            return (14.0, 26.0)
        return (10.0, 10.0) if (values.optional("current_limit") or 60.0) <= 15.0 else (19.0, 19.0)

    def summary(self, values: Values) -> str:
        """MOSFET limit and carrier."""
        carrier = quantity.format(values.number("pwm_frequency"), "Hz")
        volt = values.optional("mosfet_rating")
        return f"{quantity.format(volt, 'V')} MOSFETs, {carrier}" if volt else carrier

    def check(self, values: Values) -> list[str]:
        """Times that do not fit the period, and limits left open."""
        found = []
        period = 1.0 / values.number("pwm_frequency")
        if 2.0 * (values.number("rise_time") + values.number("dead_time")) > period:
            found.append("Edges and dead time together are longer than the PWM period.")
        if values.flag("freewheel") and values.optional("brake_current_limit") is None:
            found.append(
                "No braking current limit is given: braking is only limited by resistance, and "
                "its verdict is the worst there can be."
            )
        return found

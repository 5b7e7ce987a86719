"""What a few kinds share: capacitors with legs, coils, filter stages, loads."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from sim import copper, quantity
from sim.errors import BadField
from sim.network import Load
from sim.parts.kind import Field, Kind, Port, Rating, Values

if TYPE_CHECKING:
    from sim.network import Stamp

#: Inductance of a capacitor's two legs per length, in H/m. Our guess for legs 5 mm apart.
LEG_H_PER_M = 1.2e-6
#: Diameter of a leg, in m. From memory: 0.6 mm up to 10 mm cans, 0.8 mm above.
LEG_M = 0.6e-3

CAPACITOR_CAUTION = "Stripe is minus. A reversed capacitor bursts. Eye protection."
SOLDER_CAUTION = (
    "Unplug. Discharge through a resistor, never a screwdriver; measure under 1 V before soldering."
)

#: Radial cans of the 35 V low-impedance class: largest capacitance in F, diameter and height
#: in mm. From memory, within a fifth.
CANS: tuple[tuple[float, float, float], ...] = (
    (100e-6, 6.3, 11.0),
    (220e-6, 8.0, 12.0),
    (330e-6, 10.0, 12.5),
    (470e-6, 10.0, 16.0),
    (680e-6, 10.0, 20.0),
    (1000e-6, 12.5, 20.0),
    (1500e-6, 12.5, 25.0),
    (2200e-6, 16.0, 25.0),
    (4700e-6, 18.0, 35.0),
)


def leg_h(values: Values) -> float:
    """Inductance of the loop of a capacitor's two legs, in H.

    Raises
    ------
    BadField   if the legs would overlap
    """
    length, spacing = values.number("leg_length"), values.optional("leg_spacing")
    if spacing is None:
        return LEG_H_PER_M * length
    if spacing < LEG_M:
        raise BadField(
            f"{values.owner}.leg_spacing",
            f"{spacing * 1e3:.3g} mm is less than a leg's {LEG_M * 1e3:.3g} mm",
            "It counts from centre to centre: give more",
        )
    return 2.0 * (copper.wire_h(length, LEG_M / 2.0) - copper.mutual_h(length, spacing))


def can_mm(farad: float, volt: float | None) -> tuple[float, float]:
    """Diameter and height of a low-impedance can; 50 V holds half of what 35 V does."""
    equal = farad * ((volt or 35.0) / 35.0) ** 2
    for largest, diameter, height in CANS:
        if equal <= largest * 1.05:
            return diameter, height
    return CANS[-1][1:]


def leg_fields() -> tuple[Field, ...]:
    """Length and spacing of two legs."""
    return (
        Field(
            "leg_length",
            "m",
            "Length of each leg in mm; the loop of both adds 1.2 nH per mm and no resistance",
            0.0,
            low=0.0,
            high=1.0,
            label="legs",
            source="soldered close to the pads; 1.2 nH per mm is our guess for legs 5 mm apart",
        ),
        Field(
            "leg_spacing",
            "m",
            "From leg to leg in mm, for legs of 0.6 mm; none: 1.2 nH per mm of leg",
            low=0.0,
            open_low=True,
            high=0.1,
            label="leg spacing",
        ),
    )


def capacitor_fields(*, esr: str, esl: str, ripple: str) -> tuple[Field, ...]:
    """The values all capacitors have; the words say what is usual for the kind."""
    return (
        Field(
            "capacitance",
            "F",
            "Capacitance in µF, such as 470u or 0.47 mF",
            required=True,
            low=0.0,
            high=100.0,
            series="E6",
        ),
        Field(
            "esr",
            "Ohm",
            f"Series resistance in mOhm. {esr}",
            0.0,
            low=0.0,
            high=1e6,
            source="not there unless given",
        ),
        Field(
            "esl",
            "H",
            f"Series inductance of the body in nH. {esl}",
            0.0,
            low=0.0,
            high=1e-3,
            source="not there unless given",
        ),
        *leg_fields(),
        Field(
            "rated_voltage",
            "V",
            "Voltage printed on the part in V; none: not checked",
            low=0.0,
            open_low=True,
            high=1e4,
            label="rated voltage",
        ),
        Field(
            "rated_ripple",
            "A",
            f"Allowed ripple current in A RMS; none: not checked. {ripple}",
            low=0.0,
            open_low=True,
            high=1e4,
            label="rated ripple",
        ),
        Field("mass", "kg", "Mass in g; only shown", low=0.0, high=10.0),
    )


class CapacitorKind(Kind):
    """ESR, ESL with legs and capacitance in series across a joint."""

    ports = (Port("in"),)
    group = "Capacitors"
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating("voltage limit", "rated_voltage", "peak_volts"),
        Rating("ripple limit", "rated_ripple", "rms_amps"),
    )

    def esr_ohm(self, values: Values) -> float:
        """Series resistance as it is in this state."""
        return values.number("esr")

    def capacitance_f(self, values: Values) -> float:
        """Capacitance as it is in this state."""
        return values.number("capacitance")

    def half_v(self, values: Values) -> float | None:
        """Voltage at which half of the capacitance is left; None: it stays."""
        return None

    def stamp(self, values: Values, net: Stamp) -> None:
        """One chain between the legs."""
        plus, minus = net.port("in")
        net.chain(
            plus,
            minus,
            ohm=self.esr_ohm(values),
            henry=values.number("esl") + leg_h(values),
            farad=self.capacitance_f(values),
            half_v=self.half_v(values),
        )

    def size_mm(self, values: Values) -> tuple[float, float]:
        """The can from above."""
        diameter, _height = can_mm(values.number("capacitance"), values.optional("rated_voltage"))
        return (diameter, diameter)

    def height_mm(self, values: Values) -> float:
        """The can standing on its legs, the legs not counted."""
        return can_mm(values.number("capacitance"), values.optional("rated_voltage"))[1]

    def summary(self, values: Values) -> str:
        """Capacitance and voltage."""
        volt = values.optional("rated_voltage")
        farad = quantity.format(values.number("capacitance"), "F")
        return farad + (f" {quantity.format(volt, 'V')}" if volt else "")


COIL_FIELDS: tuple[Field, ...] = (
    Field(
        "inductance",
        "H",
        "Inductance without current, in µH",
        required=True,
        low=0.0,
        high=10.0,
        series="E6",
    ),
    Field(
        "dcr",
        "Ohm",
        "Resistance of the winding in mOhm; 20 to 80 mOhm is usual for 4.7 to 22 µH at 3 A",
        0.0,
        low=0.0,
        high=1e6,
        source="not there unless given",
    ),
    Field(
        "saturation_current",
        "A",
        "Current in A at which 30 % of the inductance is lost; none: it stays",
        low=0.0,
        open_low=True,
        high=1e4,
        label="saturates at",
    ),
    Field(
        "parallel_capacitance",
        "F",
        "Capacitance across the winding in pF; it sets the self-resonance",
        0.0,
        low=0.0,
        high=1.0,
        label="parallel capacitance",
        source="not there unless given",
    ),
    Field(
        "parallel_resistance",
        "Ohm",
        "Losses of the core as a resistance across the winding, in Ohm; none: no such losses",
        low=0.0,
        open_low=True,
        high=1e9,
        label="parallel resistance",
    ),
)


def straight_through(net: Stamp) -> tuple[int, int, int]:
    """Plus of `in`, plus of `out` and the minus that passes through."""
    in_plus, in_minus = net.port("in")
    out_plus, out_minus = net.port("out")
    net.short(in_minus, out_minus)
    return in_plus, out_plus, in_minus


class CoilKind(Kind):
    """A winding in the plus conductor: dcr in series with L, core losses and capacitance."""

    ports = (Port("in", (-5.0, 0.0)), Port("out", (5.0, 0.0)))
    fields = COIL_FIELDS
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating("saturation current", "saturation_current", "peak_amps"),
    )
    series = True
    group = "Filters"

    def stamp(self, values: Values, net: Stamp) -> None:
        """dcr, then L, Rp and Cp side by side."""
        in_plus, out_plus, _minus = straight_through(net)
        inner = net.node()
        net.resistor(in_plus, inner, values.number("dcr"), "dcr")
        net.inductor(
            inner,
            out_plus,
            values.number("inductance"),
            "inductance",
            saturation_a=values.optional("saturation_current"),
        )
        net.capacitor(inner, out_plus, values.number("parallel_capacitance"), "capacitance across")
        across = values.optional("parallel_resistance")
        if across is not None:
            net.resistor(inner, out_plus, across, "core losses")

    def size_mm(self, values: Values) -> tuple[float, float]:
        """A small shielded coil or a bead."""
        return (8.0, 8.0) if values.number("inductance") >= 2e-6 else (4.0, 2.0)

    def summary(self, values: Values) -> str:
        """Inductance and saturation current."""
        text = quantity.format(values.number("inductance"), "H")
        amps = values.optional("saturation_current")
        return text + (f", saturates at {quantity.format(amps, 'A')}" if amps else "")


def stage_capacitor_fields(capacitance: float) -> tuple[Field, ...]:
    """The capacitor at the quiet end of a stage, and its damping branch."""
    return (
        Field(
            "capacitance",
            "F",
            "Capacitance at the quiet end in µF",
            capacitance,
            low=0.0,
            high=1.0,
            series="E6",
            source="trade advice for a video stage",
        ),
        Field(
            "esr",
            "Ohm",
            "Series resistance of that capacitor in mOhm",
            0.0,
            low=0.0,
            high=1e6,
            source="not there unless given",
        ),
        Field(
            "esl",
            "H",
            "Series inductance of that capacitor in nH",
            0.0,
            low=0.0,
            high=1e-3,
            source="not there unless given",
        ),
        Field(
            "rated_voltage",
            "V",
            "Voltage printed on that capacitor in V; none: not checked",
            low=0.0,
            open_low=True,
            high=1e4,
            label="rated voltage",
        ),
        Field(
            "damping_capacitance",
            "F",
            "Second capacitor that damps the stage, in µF; 0: none",
            0.0,
            low=0.0,
            high=1.0,
            series="E6",
            label="damping capacitance",
            source="not there unless given",
        ),
        Field(
            "damping_esr",
            "Ohm",
            "Resistance in series with the second capacitor, in mOhm",
            0.0,
            low=0.0,
            high=1e6,
            label="damping resistance",
            source="not there unless given",
        ),
    )


def stamp_stage_capacitors(values: Values, net: Stamp, plus: int, minus: int) -> None:
    """The capacitor at the quiet end, and the damping branch beside it."""
    net.chain(
        plus,
        minus,
        ohm=values.number("esr"),
        henry=values.number("esl"),
        farad=values.number("capacitance"),
    )
    net.chain(
        plus,
        minus,
        ohm=values.number("damping_esr"),
        farad=values.number("damping_capacitance"),
        names=("damping resistance", "", "damping capacitance"),
    )


def load_fields(*, minimum: float, maximum: float | None) -> tuple[Field, ...]:
    """The values all loads have, with a kind's own usual supply range."""
    return (
        Field(
            "mode",
            "choice",
            "What stays constant: resistor, current (a linear regulator) or power (a switching "
            "regulator); none: the one whose value is given",
            choices=("resistor", "current", "power"),
        ),
        Field("resistance", "Ohm", "In Ohm, for mode resistor", low=0.0, open_low=True, high=1e9),
        Field("current", "A", "In A, for mode current", low=0.0, high=1e4),
        Field("power", "W", "In W, for mode power", low=0.0, high=1e6),
        Field(
            "minimum_voltage",
            "V",
            "Lowest supply in V it works from; below it a current or power load draws less "
            "and less: I v / minimum, or P v / minimum squared",
            minimum,
            low=0.0,
            open_low=True,
            high=1e4,
            label="lowest supply",
            source="our guess",
        ),
        Field(
            "maximum_voltage",
            "V",
            "Highest supply in V it stands; none: not checked",
            maximum,
            low=0.0,
            open_low=True,
            high=1e4,
            label="highest supply",
            source="our guess",
        ),
        Field(
            "input_capacitance",
            "F",
            "Capacitor at its input in µF, taken as ideal",
            0.0,
            low=0.0,
            high=1.0,
            series="E6",
            label="input capacitance",
            source="not there unless given",
        ),
        Field(
            "start_delay",
            "s",
            "How long after plug-in it starts, in ms, all at once; 0: with the supply",
            0.0,
            low=0.0,
            high=3600.0,
            label="starts after",
            source="not there unless given",
        ),
        Field(
            "dropout_time",
            "s",
            "Time in ms it lives through below its lowest supply; none: not checked",
            low=0.0,
            open_low=True,
            high=3600.0,
            label="drop-out time",
        ),
        Field(
            "bandwidth",
            "Hz",
            "How fast a power load follows the supply, in kHz; 0: at once",
            20e3,
            low=0.0,
            high=1e9,
            source="our guess for a small switching regulator's loop",
        ),
    )


class LoadKind(Kind):
    """A resistor, a current or a power that hangs on a joint, with its supply limits."""

    ports = (Port("in"),)
    group = "Quiet parts"
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating("highest supply", "maximum_voltage", "peak_volts"),
        Rating("lowest supply", "minimum_voltage", "minimum_volts"),
        Rating("drop-out time", "dropout_time", "time_below"),
    )

    def mode(self, values: Values) -> str:
        """The mode given, or the one whose value is given.

        Raises
        ------
        BadField   if the value is missing, or which of two is meant cannot be told
        """
        names = {"resistor": "resistance", "current": "current", "power": "power"}
        if values.as_dict().get("mode") is not None:
            mode = values.word("mode")
            if values.optional(names[mode]) is None:
                raise BadField(
                    f"{values.owner}.{names[mode]}",
                    f"is not given, and the mode is {mode}",
                    f"Give the {names[mode]}",
                )
            return mode
        given = [mode for mode, name in names.items() if values.optional(name) is not None]
        if len(given) != 1:
            raise BadField(
                values.owner,
                "gives none of resistance, current and power"
                if not given
                else "gives more than one of resistance, current and power",
                "Give one of them, or say which with mode",
            )
        return given[0]

    def stamp(self, values: Values, net: Stamp) -> None:
        """The load and its input capacitor across the port."""
        plus, minus = net.port("in")
        net.capacitor(plus, minus, values.number("input_capacitance"), "input capacitance")
        minimum = values.number("minimum_voltage")
        match self.mode(values):
            case "resistor":
                net.resistor(plus, minus, values.number("resistance"), "resistance")
            case "current":
                amps = values.number("current")
                net.load(plus, minus, Load(values.owner, "current", amps, minimum, 0.0))
            case _:
                watts, hertz = values.number("power"), values.number("bandwidth")
                net.load(plus, minus, Load(values.owner, "power", watts, minimum, hertz))

    def changes(
        self, values: Values, *, plugged: bool
    ) -> tuple[tuple[float, dict[str, float]], ...]:
        """Plugged in, it draws nothing until its start."""
        delay = values.number("start_delay")
        if not plugged or delay == 0.0:
            return ()
        match self.mode(values):
            case "resistor":
                off, on = 1e9, values.number("resistance")
            case mode:
                off, on = 0.0, values.number(mode)
        name = "resistance" if self.mode(values) == "resistor" else self.mode(values)
        return ((0.0, {name: off}), (delay, {name: on}))

    def watts(self, values: Values, volts: float, behind_w: float) -> float:
        """What it draws at `volts`."""
        minimum = values.number("minimum_voltage")
        match self.mode(values):
            case "resistor":
                return volts**2 / values.number("resistance")
            case "current":
                return values.number("current") * volts * min(1.0, volts / minimum)
            case _:
                return values.number("power") * min(1.0, volts / minimum) ** 2

    def summary(self, values: Values) -> str:
        """What it draws."""
        try:
            mode = self.mode(values)
        except BadField:
            return self.title
        name, unit = {
            "resistor": ("resistance", "Ohm"),
            "current": ("current", "A"),
            "power": ("power", "W"),
        }[mode]
        return quantity.format(values.number(name), unit)

    def check(self, values: Values) -> list[str]:
        """Limits the wrong way round."""
        maximum = values.optional("maximum_voltage")
        if maximum is not None and maximum <= values.number("minimum_voltage"):
            return ["Its highest supply is not above its lowest supply."]
        return []

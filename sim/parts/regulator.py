"""A regulator."""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import TYPE_CHECKING, ClassVar

from sim import quantity
from sim.errors import BadField, SimError
from sim.network import Load
from sim.parts.kind import Field, Kind, Port, Rating, Values

if TYPE_CHECKING:
    from sim.network import Stamp

#: Above this the fit of the rejection falls off again: what passes there is not modelled.
_TOP_HZ = 3e6
#: Slower than this the set point counts as trimmed: no ripple, but where the event starts.
_TRIM_HZ = 1.0
_POINT = re.compile(r"\s*([-+]?[0-9]+(?:[.,][0-9]+)?)\s*dB\s*(?:(?:at|@)?\s*(.*\S))?\s*")


class Regulator(Kind):
    """A switching or linear regulator: a set voltage from a higher or lower one.

        v(out) = set point - output_resistance i(out) + rejected share of v(in)
        set point = output_voltage, below its headroom output_voltage v(in) / headroom,
                    following as a first-order lag of its bandwidth
        headroom = output_voltage + dropout (buck, ldo), minimum_input (boost)
        buck, boost: i(in) = p / (efficiency v(in)), p what hangs on its output
        ldo:         i(in) = i(out)

    What its input draws is found from the loads behind it at the set voltage. A load that
    starts or steps is seen there, as a first-order lag of the regulator's bandwidth; ripple
    currents of the output, what its capacitors give and take meanwhile and the loads' own
    bandwidth are not: behind a regulator a load does not ripple its input.

    It draws less and less below its headroom, or, with nothing but constant-power loads behind
    it, below the input at which these give up. The rejection is given in dB at one or more
    frequencies, "60 dB at 1 kHz, 20 dB at 1 MHz": flat below the first, straight in between over
    the logarithm of the frequency, flat above the last, falling off beyond 3 MHz. Its model is of
    low order: with one frequency a flat share, with more a share with one corner up and one down,
    fitted to these points; `check` says where it misses them by more than 3 dB. The set point is
    trimmed where the event starts.

    Source of usual values: even good linear regulators reach but 20 to 30 dB at 1 MHz
    (application notes); 60 dB at 1 kHz, 85 to 95 % and some 0.5 to 1 V of dropout are our
    guess.

    Left out: its own switching ripple, start-up ramp and current limit, that it cannot take
    current back, what its load's ripple does to its input.
    """

    kind = "regulator"
    title = "Regulator"
    ports = (Port("in", (-7.0, 0.0)), Port("out", (7.0, 0.0)))
    group = "Quiet parts"
    ratings: ClassVar[tuple[Rating, ...]] = (
        Rating("highest input", "maximum_input", "peak_volts"),
        Rating("lowest input", "minimum_input", "minimum_volts"),
    )
    typical: ClassVar[dict[str, str]] = {
        "type": "buck",
        "output_voltage": "5 V",
        "minimum_input": "6 V",
        "maximum_input": "30 V",
    }
    fields = (
        Field(
            "type",
            "choice",
            "buck: down, constant power; boost: up, constant power; ldo: down, constant current",
            "buck",
            choices=("buck", "boost", "ldo"),
            source="usual on flight controllers",
        ),
        Field("output_voltage", "V", "In V", required=True, low=0.0, open_low=True, high=1e3),
        Field(
            "dropout",
            "V",
            "How far in V the input has to stay above the output, or the output follows it",
            0.5,
            low=0.0,
            high=100.0,
            source="our guess",
        ),
        Field(
            "efficiency",
            "%",
            "Power out over power in, in %, of a buck or boost",
            0.9,
            low=0.01,
            high=1.0,
            source="our guess within 85 to 95 %",
        ),
        Field(
            "rejection",
            "text",
            "How much less of the input's ripple the output has, in dB at frequencies, such as "
            "60 dB at 1 kHz, 20 dB at 1 MHz",
            "60 dB at 1 kHz, 20 dB at 1 MHz",
            source="application notes for 1 MHz; our guess for 1 kHz",
        ),
        Field(
            "minimum_input",
            "V",
            "Lowest input in V it works from; none: not checked",
            low=0.0,
            open_low=True,
            high=1e4,
            label="lowest input",
        ),
        Field(
            "maximum_input",
            "V",
            "Highest input in V it stands; none: not checked",
            low=0.0,
            open_low=True,
            high=1e4,
            label="highest input",
        ),
        Field(
            "output_resistance",
            "Ohm",
            "How far its output gives way under load, in mOhm",
            20e-3,
            low=0.0,
            open_low=True,
            high=1e3,
            label="output resistance",
            source="our guess",
        ),
        Field(
            "bandwidth",
            "Hz",
            "How fast its loop follows, in kHz",
            20e3,
            low=1.0,
            high=1e9,
            source="our guess for a small regulator's loop",
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
            "output_capacitance",
            "F",
            "Capacitor at its output in µF, taken as ideal",
            0.0,
            low=0.0,
            high=1.0,
            series="E6",
            label="output capacitance",
            source="not there unless given",
        ),
    )

    def headroom(self, values: Values) -> float:
        """Input in V below which the output follows."""
        out = values.number("output_voltage")
        if values.word("type") != "boost":
            return out + values.number("dropout")
        return values.optional("minimum_input") or 0.5 * out

    def output_volts(self, values: Values) -> float | None:
        """Its set voltage."""
        return values.number("output_voltage")

    def watts(self, values: Values, volts: float, behind_w: float) -> float:
        """What it draws at `volts`."""
        if values.word("type") == "ldo":
            return behind_w / values.number("output_voltage") * volts
        return behind_w / values.number("efficiency")

    def stamp(self, values: Values, net: Stamp) -> None:
        """A load at the input, and a source at the output that follows the input."""
        plus, minus = net.port("in")
        out_plus, out_minus = net.port("out")
        net.short(minus, out_minus)
        net.capacitor(plus, minus, values.number("input_capacitance"), "input capacitance")
        net.capacitor(out_plus, out_minus, values.number("output_capacitance"), "output cap.")
        volts, headroom = values.number("output_voltage"), self.headroom(values)
        hertz, owner = values.number("bandwidth"), values.owner
        if net.behind_w > 0.0 and values.word("type") == "ldo":
            net.load(plus, minus, Load(owner, "current", net.behind_w / volts, headroom, hertz))
        elif net.behind_w > 0.0:
            watts = net.behind_w / values.number("efficiency")
            net.load(plus, minus, Load(owner, "power", watts, headroom, hertz))
        # the set point: a load that draws nothing, its current in A being the volts
        point = net.load(plus, minus, Load(owner, "current", volts, headroom, hertz, draws=False))
        inner = net.node()
        net.resistor(out_plus, inner, values.number("output_resistance"), "output resistance")
        net.follow(net.source(inner, minus, 0.0, "set voltage"), point, self.lags(values))

    def lags(self, values: Values) -> tuple[tuple[float, float], ...]:
        """The rejection as a sum of lags of the input: gain and corner in Hz of each.

        Raises
        ------
        BadField   if its text cannot be read
        """
        return _lags(self.points(values))

    def points(self, values: Values) -> tuple[tuple[float, float], ...]:
        """Frequency in Hz and dB of each point given, by frequency.

        Raises
        ------
        BadField   if its text cannot be read
        """
        where = f"{values.owner}.rejection"
        found = []
        given = re.split(r"[;,](?=[^;,]*dB)", values.word("rejection"))
        for text in given:
            match = _POINT.fullmatch(text)
            hint = 'Write it like "60 dB at 1 kHz, 20 dB at 1 MHz"'
            if match is None or (match[2] is None and len(given) > 1):
                raise BadField(where, f"{text.strip()!r} is no rejection at a frequency", hint)
            try:
                hertz = 1e3 if match[2] is None else quantity.parse(match[2], "Hz", where)
            except SimError as problem:
                raise BadField(where, problem.what, hint) from None
            decibel = float(match[1].replace(",", "."))
            if not (0.0 <= decibel <= 200.0 and 0.0 < hertz <= 1e9):
                raise BadField(where, f"{text.strip()!r} is outside its range", "Give 0 to 200 dB")
            found.append((hertz, decibel))
        found.sort()
        if len({hertz for hertz, _ in found}) < len(found):
            raise BadField(where, "gives one frequency twice", "Give each once")
        return tuple(found)

    def size_mm(self, values: Values) -> tuple[float, float]:
        """A small board, or a chip and what it needs."""
        return (16.0, 11.0) if values.word("type") == "buck" else (7.0, 5.0)

    def summary(self, values: Values) -> str:
        """What it makes, and how."""
        return f"{quantity.format(values.number('output_voltage'), 'V')} {values.word('type')}"

    def check(self, values: Values) -> list[str]:
        """Limits the wrong way round, and a rejection the model misses."""
        found = []
        low, high = values.optional("minimum_input"), values.optional("maximum_input")
        if low is not None and high is not None and high <= low:
            found.append("Its highest input is not above its lowest input.")
        points = self.points(values)
        worst = max(abs(rejection_db(self.lags(values), f) - db) for f, db in points)
        if worst > 3.0:
            found.append(
                f"The model of its rejection misses the given points by up to {worst:.0f} dB. "
                "Give points that fall by at most 20 dB per decade of frequency."
            )
        return found


def rejection_db(lags: tuple[tuple[float, float], ...], hertz: float) -> float:
    """Rejection in dB of a sum of lags at a frequency."""
    passed = sum(gain / (1.0 + 1j * hertz / corner) for gain, corner in lags)
    return -20.0 * math.log10(max(abs(passed), 1e-12))


@lru_cache(maxsize=256)
def _lags(points: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    """Lags whose sum has the given rejection: h (1 + s/z) / ((1 + s/p) (1 + s/top)).

    h, z and p by least squares in dB at the points and between them; the trimmed part last.
    """
    import numpy as np
    from scipy.optimize import least_squares

    top = max(_TOP_HZ, 10.0 * points[-1][0])
    low = 10.0 ** (-points[0][1] / 20.0)
    if len(points) == 1:
        return ((low, top), (-low, _TRIM_HZ))
    log_f = np.log10([f for f, _ in points])
    grid = np.unique(np.concatenate([log_f, np.linspace(log_f[0], log_f[-1], 25)]))
    want = np.interp(grid, log_f, [db for _, db in points])
    weight = np.where(np.isin(grid, log_f), 3.0, 1.0)
    s = 1j * 10.0**grid

    def decibel(x: np.ndarray) -> np.ndarray:
        h, z, p = x[0], 10.0 ** x[1], 10.0 ** x[2]
        passed = (1.0 + s / z) / ((1.0 + s / p) * (1.0 + s / top))
        return np.asarray(h - 20.0 * np.log10(np.abs(passed)))

    first = np.array([points[0][1], log_f[0], log_f[-1]])
    span = (log_f[0] - 3.0, min(log_f[-1] + 3.0, math.log10(top) - 0.01))
    first[1:] = np.clip(first[1:], span[0] + 0.01, span[1] - 0.01)

    def missed(x: np.ndarray) -> np.ndarray:
        return np.asarray(weight * (decibel(x) - want))

    x = least_squares(
        missed,
        first,
        bounds=([0.0, span[0], span[0]], [200.0, *[span[1]] * 2]),
        x_scale=[10.0, 1.0, 1.0],
    ).x
    h, z, p = 10.0 ** (-x[0] / 20.0), 10.0 ** x[1], 10.0 ** x[2]
    # partial fractions of (1 + s/z) / ((1 + s/p) (1 + s/top))
    at_p = (1.0 - p / z) / (1.0 - p / top)
    lags = ((h * at_p, p), (h * (1.0 - at_p), top), (-h, _TRIM_HZ))
    return tuple((float(gain), float(corner)) for gain, corner in lags)

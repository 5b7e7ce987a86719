"""Text to SI numbers and back, as people write them on a bench.

"470u", "470 µF", "0,47 mF" and "4u7" are capacitances; "12 AWG" and "1.6 mm" are
conductors; a plain number is SI. "M" is always mega and "m" always milli. What
could be read two ways ("1,500 mAh") is refused, not guessed.

Marks with a letter as the point: IEC 60062. Preferred values: IEC 60063.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cache, lru_cache

from sim.errors import BadField, BadUnit

MAX_TEXT = 100

_PREFIXES = {
    "T": 1e12, "G": 1e9, "M": 1e6, "k": 1e3, "K": 1e3, "": 1.0,
    "m": 1e-3, "u": 1e-6, "U": 1e-6, "μ": 1e-6, "n": 1e-9, "N": 1e-9, "p": 1e-12, "P": 1e-12,
}  # fmt: skip
_PREFIX_WORDS = {
    "giga": 1e9, "mega": 1e6, "kilo": 1e3, "": 1.0,
    "centi": 1e-2, "milli": 1e-3, "micro": 1e-6, "nano": 1e-9, "pico": 1e-12,
}  # fmt: skip


@dataclass(frozen=True)
class Unit:
    """How quantities of one unit are read and shown.

    Attributes
    ----------
    noun : what it measures, with its article
    example : how one is written
    scaled : names that take a prefix, to their factor in SI, without spaces
    fixed : names that take none
    words : long names that take a long prefix ("milliohm")
    loose : names may be in any case ("khz")
    marks : letters that stand as the point without scaling ("4R7", "3V3")
    bare_prefix : a prefix alone will do ("470u")
    shown : (from this magnitude on, factor, label), smallest first
    """

    noun: str
    example: str
    scaled: dict[str, float] = field(default_factory=dict)
    fixed: dict[str, float] = field(default_factory=dict)
    words: tuple[str, ...] = ()
    loose: bool = True
    marks: str = ""
    bare_prefix: bool = True
    shown: tuple[tuple[float, float, str], ...] = ((0.0, 1.0, ""),)


def _ladder(symbol: str, prefixes: str) -> tuple[tuple[float, float, str], ...]:
    """Rows for `Unit.shown`; `prefixes` from small to large, "_" for none."""
    rows = []
    for index, prefix in enumerate(prefixes):
        bare = prefix == "_"
        factor = _PREFIXES["" if bare else unicodedata.normalize("NFKC", prefix)]
        label = symbol if bare else prefix + symbol
        rows.append((0.0 if index == 0 else factor, factor, label))
    return tuple(rows)


_PLAIN_FIXED = {"%": 0.01, "percent": 0.01, "ppm": 1e-6}

UNITS: dict[str, Unit] = {
    "F": Unit(
        "a capacitance", "470 uF, 4u7 or 0.47 mF", {"F": 1.0}, words=("farad", "farads"),
        marks="F",
        shown=((0.0, 1e-12, "pF"), (1e-9, 1e-9, "nF"), (1e-6, 1e-6, "µF"), (0.1, 1.0, "F")),
    ),
    "H": Unit(
        "an inductance", "22 uH or 80 nH", {"H": 1.0}, words=("henry", "henries", "henrys"),
        marks="H", shown=_ladder("H", "pnµm_"),
    ),
    "Ohm": Unit(
        "a resistance", "18 mOhm, 4R7 or 10k", {"Ohm": 1.0, "Ohms": 1.0, "Ω": 1.0, "R": 1.0},
        words=("ohm", "ohms"), marks="RΩ", shown=_ladder("Ω", "nµm_kMG"),
    ),
    "V": Unit(
        "a voltage", "25.2 V or 900 mV", {"V": 1.0}, words=("volt", "volts"), marks="V",
        shown=_ladder("V", "nµm_k"),
    ),
    "A": Unit(
        "a current", "30 A or 350 mA", {"A": 1.0, "amp": 1.0, "amps": 1.0},
        words=("ampere", "amperes", "amp", "amps"), marks="A", shown=_ladder("A", "nµm_k"),
    ),
    "W": Unit(
        "a power", "9 W or 250 mW", {"W": 1.0}, words=("watt", "watts"), marks="W",
        shown=_ladder("W", "nµm_kM"),
    ),
    "J": Unit(
        "an energy", "1.5 J or 20 mJ", {"J": 1.0}, words=("joule", "joules"), marks="J",
        shown=_ladder("J", "nµm_kM"),
    ),
    "s": Unit(
        "a time", "150 ms or 20 ns", {"s": 1.0, "sec": 1.0}, {"min": 60.0},
        words=("second", "seconds"), loose=False, marks="s", shown=_ladder("s", "pnµm_"),
    ),
    "Hz": Unit(
        "a frequency", "48 kHz", {"Hz": 1.0}, words=("hertz",), shown=_ladder("Hz", "µm_kMG"),
    ),
    "m": Unit(
        "a length", "90 mm", {"m": 1.0},
        {"cm": 0.01, "in": 0.0254, "inch": 0.0254, "inches": 0.0254, '"': 0.0254},
        words=("metre", "metres", "meter", "meters"), loose=False, bare_prefix=False,
        shown=((0.0, 1e-9, "nm"), (1e-6, 1e-6, "µm"), (1e-4, 1e-3, "mm"), (1.0, 1.0, "m")),
    ),
    "kg": Unit(
        "a mass", "4.5 g", {"g": 1e-3}, words=(), loose=False, bare_prefix=False,
        fixed={"gram": 1e-3, "grams": 1e-3, "kilogram": 1.0, "kilograms": 1.0},
        shown=((0.0, 1e-9, "µg"), (1e-6, 1e-6, "mg"), (1e-3, 1e-3, "g"), (1.0, 1.0, "kg")),
    ),
    "K": Unit(
        "a temperature rise", "11 K", fixed={"K": 1.0, "°C": 1.0, "degC": 1.0, "C": 1.0},
        bare_prefix=False, shown=((0.0, 1.0, "°C"),),
    ),
    "degC": Unit(
        "a temperature", "25 °C",
        fixed={"°C": 1.0, "degC": 1.0, "C": 1.0, "celsius": 1.0, "K": 1.0},
        bare_prefix=False, shown=((0.0, 1.0, "°C"),),
    ),
    "%": Unit(
        "a share", "80 % or 0.8", fixed=_PLAIN_FIXED, bare_prefix=False,
        shown=((0.0, 0.01, "%"),),
    ),
    "Ah": Unit(
        "a charge", "1500 mAh or 1.5 Ah", {"Ah": 1.0},
        shown=((0.0, 1e-3, "mAh"), (10.0, 1.0, "Ah")),
    ),
    "rpm/V": Unit(
        "a motor's kv", "1950 rpm/V",
        fixed={
            "rpm/V": 1.0, "kv": 1.0, "rpmpervolt": 1.0, "1/min/V": 1.0,
            "rad/s/V": 60.0 / math.tau, "rad/(sV)": 60.0 / math.tau,
        },
        bare_prefix=False, shown=((0.0, 1.0, "rpm/V"),),
    ),
    "kg m2": Unit(
        "an inertia", "75 g cm2 or 7.5e-6 kg m2",
        fixed={"kgm2": 1.0, "kgcm2": 1e-4, "kgmm2": 1e-6, "gm2": 1e-3, "gcm2": 1e-7, "gmm2": 1e-9},
        loose=False, bare_prefix=False,
        shown=((0.0, 1e-9, "g mm²"), (1e-7, 1e-7, "g cm²"), (1e-1, 1.0, "kg m²")),
    ),
    "N m s2": Unit(
        "a propeller drag", "12 nN m s2 or 1.2e-8 N m s2",
        {"Nms2": 1.0, "Nm/(rad/s)2": 1.0}, loose=False, bare_prefix=False,
        shown=_ladder("N m s²", "pnµm_"),
    ),
    "AWG": Unit(
        "a conductor", "12 AWG, 1.6 mm or 2.5 mm2", bare_prefix=False,
        shown=((0.0, 1e-3, "mm"),),
    ),
    "1/s": Unit(
        "a rate", "40 /s", fixed={"1/s": 1.0, "/s": 1.0, "persecond": 1.0, "%/s": 0.01,
                                  "1/ms": 1e3, "/ms": 1e3, "%/ms": 10.0},
        loose=False, bare_prefix=False, shown=((0.0, 1.0, "/s"),),
    ),
    "dB": Unit(
        "a ratio in dB", "-26 dB", fixed={"dB": 1.0}, bare_prefix=False,
        shown=((0.0, 1.0, "dB"),),
    ),
    "V/V": Unit(
        "a ratio", "0.5", fixed={"V/V": 1.0, **_PLAIN_FIXED}, bare_prefix=False,
    ),
    "": Unit("a number", "14", fixed=_PLAIN_FIXED, bare_prefix=False),
}  # fmt: skip

_NUMBER = re.compile(
    r"[+-]?(?:\d{1,3}(?: \d{3})+(?![0-9])(?:[.,]\d+)?|\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
)
_MARK = re.compile(r"([+-]?)(\d*)([^\W\d_])(\d+) ?(.*)")
_GAUGE = re.compile(r"(0{2,4}|[1-4]/0) ?(?:awg|ga)?|(?:awg|ga) ?(\d+)|(\d+) ?(?:awg|ga)", re.I)
_TWO_WAYS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}(?!\d)")


def parse(given: str | float | int, unit: str, where: str = "") -> float:
    """The SI value of a text with a unit, or of a plain number.

    Parameters
    ----------
    given : "470 uF", "4u7", "12 AWG", or a number that is SI already
    unit : a key of `UNITS`; "%" gives a share (1.0 for "100 %"), "AWG" a conductor's
        diameter in m, "degC" degrees Celsius, "Ah" ampere hours, "rpm/V" just that
    where : place for the error

    Raises
    ------
    BadUnit    if the text is no quantity or one of another unit
    BadField   if the number is not finite
    """
    spec = UNITS[unit]
    if isinstance(given, bool):
        raise BadUnit(where, f"{given} is not {spec.noun}", f"Write it like {spec.example}")
    if isinstance(given, (int, float)):
        value = _finite(given, where)
        return _bare_conductor(value, where) if unit == "AWG" else value
    if len(given) > MAX_TEXT:
        raise BadUnit(where, f"the text is {len(given)} characters long", f"Allowed are {MAX_TEXT}")
    text = _tidy(given)
    if _TWO_WAYS.match(text):
        raise BadUnit(
            where,
            f"{given!r} can be read two ways",
            "Write a thousand without a comma, or a fraction with a point",
        )
    found = _read(text, unit)
    if found is None:
        raise BadUnit(where, _what_is_wrong(given, text, unit), f"Write it like {spec.example}")
    value = _finite(found, where)
    return _bare_conductor(value, where) if unit == "AWG" and _is_number(text) else value


def format(value: float, unit: str, digits: int = 4) -> str:
    """`value` in SI as people say it: "470 µF", "18 mΩ", "12 AWG".

    At most `digits` significant figures, never in scientific notation. `parse` reads
    the text back to the same figures.
    """
    if not math.isfinite(value):
        return "-"
    if unit == "AWG" and value > 0.0:
        gauge = 36.0 - 39.0 * math.log(value / 0.127e-3, 92.0)
        if 0 <= round(gauge) <= 40 and math.isclose(
            awg_diameter_m(round(gauge)), value, rel_tol=5e-4
        ):
            return f"{round(gauge)} AWG"
    shown = UNITS[unit].shown
    if value == 0.0:
        label = next((lab for _, factor, lab in shown if factor == 1.0), shown[0][2])
        label = {"m": "mm", "kg": "g"}.get(unit, label)
        return f"0 {label}".rstrip()
    size = abs(value) * (1.0 + 0.5 * 10.0**-digits)  # what rounds up takes the next prefix
    row = max((r for r in shown if size >= r[0]), key=lambda r: r[0], default=shown[0])
    return f"{_figures(value / row[1], digits)} {row[2]}".rstrip()


def awg_diameter_m(gauge: int) -> float:
    """Diameter of a solid conductor of an American wire gauge, in m. Source: ASTM B258.

    Gauges 00, 000 and 0000 are -1, -2 and -3.
    """
    return float(0.127e-3 * 92.0 ** ((36 - gauge) / 39.0))


_E24 = (
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
    3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1,
)  # fmt: skip


@cache
def series(name: str) -> tuple[float, ...]:
    """The preferred values of one decade, 1.0 to below 10. Source: IEC 60063.

    Raises
    ------
    KeyError   if `name` is not E3, E6, E12, E24, E48, E96 or E192
    """
    if name in ("E3", "E6", "E12", "E24"):
        return _E24[:: 24 // int(name[1:])]
    if name not in ("E48", "E96", "E192"):
        raise KeyError(name)
    count = int(name[1:])
    # The standard prints 9.20 where rounding would give 9.19.
    exact = (round(10.0 ** (i / count), 2) for i in range(count))
    return tuple(9.2 if v == 9.19 else v for v in exact)


def nearest(value: float, name: str) -> float:
    """The preferred value nearest by ratio; `value` above 0."""
    return _neighbours(value, name)[1]


def step(value: float, name: str, n: int) -> float:
    """`value` moved `n` steps along a series; a value between two lands on the next one."""
    ladder = series(name)
    if n == 0:
        return value
    below, near, above = _neighbours(value, name)
    on_it = math.isclose(near, value, rel_tol=1e-6)
    start = near if on_it else (below if n > 0 else above)
    decade = math.floor(math.log10(start) + 1e-9)
    index = min(range(len(ladder)), key=lambda i: abs(ladder[i] - start / 10.0**decade)) + n
    return _scaled(ladder[index % len(ladder)], decade + index // len(ladder))


def _neighbours(value: float, name: str) -> tuple[float, float, float]:
    """The preferred values at or below, nearest to, and at or above `value`."""
    decade = math.floor(math.log10(value))
    around = [_scaled(v, d) for d in (decade - 1, decade, decade + 1) for v in series(name)]
    below = max(v for v in around if v <= value * (1 + 1e-9))
    above = min(v for v in around if v >= value * (1 - 1e-9))
    return below, min(around, key=lambda v: abs(math.log(v / value))), above


def _scaled(figure: float, decade: int) -> float:
    """`figure` times a power of ten without a tail of rounding."""
    return float(f"{figure:.2f}e{decade}")


def _finite(number: float, where: str) -> float:
    try:
        value = float(number)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise BadField(where, "is not a finite number", "NaN and infinity are not allowed")
    return value


def _tidy(text: str) -> str:
    """One spelling for what looks the same: micro signs, minus signs, squares, spaces."""
    text = unicodedata.normalize("NFKC", text).replace("\N{MINUS SIGN}", "-")
    text = re.sub(r"[·*⋅]", " ", text).replace("^", "")
    return " ".join(text.split())


def _is_number(text: str) -> bool:
    match = _NUMBER.match(text)
    return match is not None and match.end() == len(text)


@lru_cache(4096)
def _read(text: str, unit: str) -> float | None:
    """Number times factor, or None if `text` is no quantity of `unit`."""
    if unit == "AWG":
        conductor = _conductor(text)
        if conductor is not None:
            return conductor
    match = _NUMBER.match(text)
    if match:
        factor = _factor(text[match.end() :].strip(), unit)
        if factor is not None:
            shift = "-273.15" if unit == "degC" and text.endswith("K") else "0"
            return _exactly(match[0], factor, shift)
    return _marked(text, unit)


def _exactly(digits: str, factor: float, shift: str = "0") -> float:
    """Digits times factor as if typed out: 470 * 1e-6 in binary is not the float 470e-6."""
    number = Decimal(digits.replace(" ", "").replace(",", "."))
    try:
        return float(number * Decimal(repr(factor)) + Decimal(shift))
    except ArithmeticError:  # an exponent beyond any
        return math.inf


def _factor(suffix: str, unit: str) -> float | None:
    """The factor of what stands behind the number; None if it does not belong."""
    spec = UNITS[unit]
    name = suffix.replace(" ", "")
    if not name:
        return 1.0
    same = str.casefold if spec.loose else str
    for fixed, factor in spec.fixed.items():
        if same(name) == same(fixed):
            return factor
    for symbol, factor in spec.scaled.items():
        if same(name).endswith(same(symbol)):
            prefix = name[: len(name) - len(symbol)]
            if prefix in _PREFIXES:
                return _PREFIXES[prefix] * factor
    if spec.bare_prefix and name in _PREFIXES:
        return _PREFIXES[name]
    for word in spec.words:
        lead = name.casefold().removesuffix(word)
        if lead != name.casefold() and lead in _PREFIX_WORDS:
            return _PREFIX_WORDS[lead]
    return None


def _marked(text: str, unit: str) -> float | None:
    """A mark with a letter as the point: "4u7", "R47", "3V3" (IEC 60062)."""
    match = _MARK.fullmatch(text)
    if match is None:
        return None
    sign, before, letter, after, rest = match.groups()
    spec = UNITS[unit]
    if letter in spec.marks:
        factor = 1.0
    elif letter in _PREFIXES and spec.bare_prefix:
        factor = _PREFIXES[letter]
    else:
        return None
    if rest and (rest in _PREFIXES or _factor(rest, unit) != 1.0):
        return None
    return _exactly(f"{sign}{before or '0'}.{after}", factor)


def _conductor(text: str) -> float | None:
    """Diameter in m of "12 AWG", "4/0", "1.6 mm" or "2.5 mm2"; None for anything else."""
    match = _GAUGE.fullmatch(text)
    if match:
        oughts, number = match[1], match[2] or match[3]
        if oughts:
            return awg_diameter_m(1 - (int(oughts[0]) if "/" in oughts else len(oughts)))
        return awg_diameter_m(int(number)) if len(number) <= 2 and int(number) <= 60 else None
    match = _NUMBER.match(text)
    if match is None:
        return None
    rest = text[match.end() :].replace(" ", "")
    if rest == "mm2":
        area = _exactly(match[0], 1e-6)
        return math.sqrt(4.0 * area / math.pi) if area >= 0.0 else None
    return _read(text, "m") if rest else _exactly(match[0], 1.0)


def _bare_conductor(value: float, where: str) -> float:
    """A number without a unit: a gauge from 1 on, a diameter in m below 0.1."""
    if value >= 1.0 and value == int(value) and value <= 60.0:
        return awg_diameter_m(int(value))
    if 0.0 < value < 0.1:
        return value
    raise BadUnit(where, f"{value:g} is no conductor", f"Write it like {UNITS['AWG'].example}")


def _what_is_wrong(given: str, text: str, unit: str) -> str:
    """Says so where the text is a quantity of another unit."""
    wanted = UNITS[unit].noun
    if not text:
        return f"an empty text is not {wanted}"
    for other, spec in UNITS.items():
        if other in (unit, "AWG") or not _names_a_unit(text):
            continue
        if _read(text, other) is not None:
            return f"{given!r} is {spec.noun}, not {wanted}"
    return f"{given!r} is not {wanted}"


def _names_a_unit(text: str) -> bool:
    """Whether more than a prefix stands behind the number."""
    match = _NUMBER.match(text)
    return match is not None and text[match.end() :].strip() not in _PREFIXES


def _figures(number: float, digits: int) -> str:
    """`number` with at most `digits` significant figures, without exponent."""
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(number))))
    text = f"{number:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text

"""What a kind of part declares about itself.

A kind is one class in one file of this folder. Everything else (tray, part
sheet, file format, help page, checks, tests) reads the declaration, so nothing
but the file and its symbol has to be touched for a new one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    from sim.network import Stamp

Scalar = float | str | bool
Mark = Literal["sourced", "derived", "assumed", "measured"]


@dataclass(frozen=True)
class Field:
    """One value of a part.

    Attributes
    ----------
    name : key in the file
    unit : SI unit the resolved value is in; "" for a plain number, "text", "flag"
        or "choice" for values that are no quantity
    help : one line, as the tooltip shows it
    default : value in SI where the file gives none; None means "not there"
    required : the file must give it
    low, high : allowed range, ends included unless `open_low`
    whole : a count, which has to be a whole number
    choices : allowed words where unit is "choice"
    series : preferred-value series ("E12") that arrow keys step along, "" for none
    mark, source : where the default is from
    label : words on the part sheet; the name with spaces if empty
    """

    name: str
    unit: str
    help: str
    default: Scalar | None = None
    required: bool = False
    low: float = float("-inf")
    high: float = float("inf")
    open_low: bool = False
    whole: bool = False
    choices: tuple[str, ...] = ()
    series: str = ""
    mark: Mark = "assumed"
    source: str = ""
    label: str = ""

    @property
    def title(self) -> str:
        """Words on the part sheet."""
        return self.label or self.name.replace("_", " ")


@dataclass(frozen=True)
class Port:
    """A pair of terminals, plus and minus, at one place of the part.

    `offset_mm` is where the pads are, from the part's middle, before turning.
    """

    name: str
    offset_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Rating:
    """A limit of one part, and what is held against it.

    Attributes
    ----------
    name : what the limit is called on screen ("MOSFET limit")
    field : the field that holds the limit; no field value, no check
    reads : "peak_volts", "minimum_volts", "peak_amps", "rms_amps", "mean_watts", "joules",
        "time_below"
        (the longest time in a row that the voltage is below the part's minimum_voltage),
        "pulse_kelvin" (how warm pulses make the junction, the field being their rated power)
    port : where it is read
    """

    name: str
    field: str
    reads: Literal[
        "peak_volts",
        "minimum_volts",
        "peak_amps",
        "rms_amps",
        "mean_watts",
        "joules",
        "time_below",
        "pulse_kelvin",
    ]
    port: str = "in"


class Values:
    """Resolved values of one part: SI numbers, words and flags, by field name."""

    def __init__(self, owner: str, values: Mapping[str, Scalar | None]) -> None:
        self.owner = owner
        self._values = dict(values)

    def number(self, name: str) -> float:
        """The number called `name`; KeyError or TypeError are our bugs, not the user's."""
        value = self._values[name]
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise TypeError(f"{self.owner}.{name} is {value!r}, not a number")
        return float(value)

    def optional(self, name: str) -> float | None:
        """The number called `name`, or None where neither file nor default gives one."""
        return None if self._values.get(name) is None else self.number(name)

    def word(self, name: str) -> str:
        """The word called `name`."""
        return str(self._values[name])

    def flag(self, name: str) -> bool:
        """The flag called `name`."""
        return bool(self._values[name])

    def as_dict(self) -> dict[str, Scalar | None]:
        """A copy of all values."""
        return dict(self._values)


class Kind:
    """Base of every kind of part. A kind is stateless: one instance serves all parts.

    Class attributes are the declaration; `stamp` turns one part into primitives.
    The class docstring is the kind's help page: what it models, the equations,
    the source, what it leaves out.
    """

    kind: ClassVar[str]
    title: ClassVar[str]
    ports: ClassVar[tuple[Port, ...]]
    fields: ClassVar[tuple[Field, ...]] = ()
    ratings: ClassVar[tuple[Rating, ...]] = ()
    #: Words under which the tray lists it: "Capacitors", "Power", "Motors", "Filters" or
    #: "Quiet parts".
    group: ClassVar[str] = ""
    #: A series part lets current pass from `in` to `out` and can be bypassed to a joint.
    series: ClassVar[bool] = False
    #: What the tray writes into a new part: every required value, and a usual size of the rest.
    typical: ClassVar[dict[str, str]] = {}
    #: Cautions shown where the part is placed or changed.
    cautions: ClassVar[tuple[str, ...]] = ()

    def stamp(self, values: Values, net: Stamp) -> None:
        """Add the primitives of one part to the network."""
        raise NotImplementedError

    def watts(self, values: Values, volts: float, behind_w: float) -> float:
        """What it draws in W at a steady supply; `behind_w` hangs on its `out`. 0: no load."""
        return 0.0

    def output_volts(self, values: Values) -> float | None:
        """The voltage it sets at its `out`; None: it sets none."""
        return None

    def changes(
        self, values: Values, *, plugged: bool
    ) -> tuple[tuple[float, dict[str, float]], ...]:
        """What changes by itself: time in s and the new values in SI; `plugged` at time 0."""
        return ()

    def limit(self, rating: Rating, values: Values) -> float | None:
        """What is allowed by a rating; None where nothing is given."""
        return values.optional(rating.field)

    def size_mm(self, values: Values) -> tuple[float, float]:
        """Width and depth of the part seen from above, in mm."""
        return (12.0, 12.0)

    def height_mm(self, values: Values) -> float:
        """Height above what it stands on, in mm; 0 where nothing is known."""
        return 0.0

    def summary(self, values: Values) -> str:
        """The part's own data in a few words, such as "470 µF 35 V"."""
        return self.title

    def check(self, values: Values) -> list[str]:
        """Warnings about combinations of values, each one sentence."""
        return []

    @classmethod
    def field(cls, name: str) -> Field:
        """The field called `name`; KeyError if there is none."""
        for field in cls.fields:
            if field.name == name:
                return field
        raise KeyError(name)

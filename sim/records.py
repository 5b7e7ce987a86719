"""The build as plain frozen records, just as the file has it.

Nothing is parsed here: a value stays the text or number that was given, so that a
file that is read and written again is the same file. `sim.resolve` turns values
into SI numbers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

import msgspec

FORMAT: Final = "rippletree-build"
VERSION: Final = 1

Mark = Literal["sourced", "derived", "assumed", "measured"]
Deck = Literal["lower", "upper", "top"]
Conductor = Literal["pair", "plus", "minus"]
EventKind = Literal["throttle", "steady", "plug_in", "tap", "load_step", "log"]


class Record(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Base of all records of a build."""


class Quantity(Record, frozen=True, kw_only=True):
    """A value with where it is from.

    Attributes
    ----------
    value : text with a unit, or a plain number in SI
    mark : sourced, derived (worked out), assumed (our guess) or measured
    source : where it is from, in words
    tolerance : share by which it may be off either way ("20 %" or 0.2)
    """

    value: str | float | int | bool
    mark: Mark | None = None
    source: str = ""
    tolerance: str | float | int | None = None


Given = str | float | int | bool | Quantity


class Part(Record, frozen=True, kw_only=True):
    """A thing with ratings. `at` is mm from the frame's middle, x right, y to the rear."""

    id: str
    kind: str
    at: tuple[float, float] | None = None
    deck: Deck = "lower"
    turn: float = 0.0  # degrees clockwise
    label: str = ""
    values: dict[str, Given] = {}


class Lead(Record, frozen=True, kw_only=True, rename={"from_": "from"}):
    """A pair of conductors (or one of them) between two addresses; `via` in mm."""

    id: str
    from_: str
    to: str
    gauge: Given | None = None
    length: Given | None = None
    spacing: Given | None = None
    twist_pitch: Given | None = None
    resistance: Given | None = None
    inductance: Given | None = None
    temperature: Given | None = None
    width: Given | None = None
    thickness: Given | None = None
    skin: Given | None = None
    conductor: Conductor = "pair"
    via: tuple[tuple[float, float], ...] = ()

    @property
    def minus_address(self) -> str:
        """Where the current along a pair's minus is read, if it may not be the plus one's."""
        return f"{self.id}.minus"


if TYPE_CHECKING:
    Added = Part | Lead
else:
    Added = Any  # a lead has "from", a part has "kind": told apart by `sim.build.loads`


class Change(Record, frozen=True, kw_only=True):
    """One step of an option: exactly one of remove, bypass, set (with value) and add."""

    remove: str | None = None
    bypass: str | None = None
    set: str | None = None
    value: Given | None = None
    add: Added | None = None


class Option(Record, frozen=True, kw_only=True):
    """A named variant of the build.

    `what_if` is another case of the same quad (a value nobody knows, a fault), not
    something to build: it is worked out like the others and never called best.
    """

    name: str
    changes: tuple[Change, ...] = ()
    what_if: bool = False


Course = tuple[tuple[Given, float], ...]


class Event(Record, frozen=True, kw_only=True):
    """What the pilot or the bench does.

    Attributes
    ----------
    course : (time, duty) for all ESCs, linear between, held outside, repeated = step
    courses : the same per ESC id
    freewheel : overrides the ESCs'
    duty : of a steady event, and what a tap or a load step starts from
    size, frequency, decay : of a tap
    resistance : pre-charge resistor of a plug-in
    bounce : when the contact of a plug-in lifts and when it closes again, in pairs
    part, at, value : load, time and new value of a load step
    log : throttle of a flight log as text, a line per moment and the columns named in the first
    """

    name: str
    kind: EventKind
    duration: Given
    course: Course = ()
    courses: dict[str, Course] = {}
    freewheel: bool | None = None
    duty: float | None = None
    size: float | None = None
    frequency: Given | None = None
    decay: Given | None = None
    resistance: Given | None = None
    bounce: tuple[tuple[Given, Given], ...] = ()
    part: str | None = None
    at: Given | None = None
    value: Given | None = None
    log: str | None = None


class ProbeSettings(Record, frozen=True, kw_only=True):
    """What stands between a clip and a scope; `sim.probe` reads it.

    Attributes
    ----------
    attenuation : 1 or 10
    ground_wire : its length; 0 for a spring at the tip
    bandwidth : limit set on the scope; None for none
    """

    attenuation: Literal[1, 10] = 10
    ground_wire: Given = 0
    bandwidth: Given | None = None
    coupling: Literal["dc", "ac"] = "dc"


class Clip(Record, frozen=True, kw_only=True):
    """A place to watch.

    Attributes
    ----------
    tip : address ("esc1.in", "pads"); for amps also a lead's id
    ground : address of the ground; None is the same place
    reads : "volts"; "offset", minus of the tip against minus of the ground; "amps" along a
        lead or into a part; "speed" of a motor; "duty" of an ESC
    probe : what stands between; None shows the truth
    """

    tip: str
    ground: str | None = None
    reads: Literal["volts", "offset", "amps", "speed", "duty"] = "volts"
    probe: ProbeSettings | None = None


class Build(Record, frozen=True, kw_only=True):
    """The document: one quad's power tree as it hangs together."""

    format: Literal["rippletree-build"] = FORMAT
    version: int = VERSION
    name: str = ""
    notes: str = ""
    story: str = ""
    frame: str = "x-5"
    parts: tuple[Part, ...] = ()
    leads: tuple[Lead, ...] = ()
    options: tuple[Option, ...] = ()
    events: tuple[Event, ...] = ()
    clips: tuple[Clip, ...] = ()

    def part(self, id_: str) -> Part | None:
        """The part called `id_`, or None."""
        return next((p for p in self.parts if p.id == id_), None)

    def lead(self, id_: str) -> Lead | None:
        """The lead called `id_`, or None."""
        return next((lead for lead in self.leads if lead.id == id_), None)


LEAD_VALUES = (
    "gauge",
    "length",
    "spacing",
    "twist_pitch",
    "resistance",
    "inductance",
    "temperature",
    "width",
    "thickness",
    "skin",
)

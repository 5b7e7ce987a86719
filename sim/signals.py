"""What can be looked at in a solution."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

#: Unit of each kind of signal.
UNITS = {"volts": "V", "offset": "V", "amps": "A", "speed": "rad/s", "duty": ""}


@dataclass(frozen=True)
class Signal:
    """What to look at.

    Attributes
    ----------
    kind : "volts" (plus of `place` against minus of `ground`), "offset" (minus of
        `place` against minus of `ground`), "amps" (into `in`, out of `out`, along a lead),
        "speed" (of a motor, rad/s), "duty" (of an ESC)
    place : address ("esc1.in", "pads", a lead's id)
    ground : address of the ground clip; the same place if None
    """

    kind: Literal["volts", "offset", "amps", "speed", "duty"]
    place: str
    ground: str | None = None

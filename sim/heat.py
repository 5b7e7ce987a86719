"""How warm capacitors get over a flight: ripple at several duties, weighed by their time.

A can follows its losses over minutes, an event lasts milliseconds. So the ripple current of
each duty is solved on its own, as a steady event with every edge, and what is lost is
averaged over the share of the flight that is spent there:

    loss = sum of share x loss at that duty
    core = air + loss / (h A), rated life = life x 2^((105 degC - core) / 10)

h A is 15 W/(m2 K) times the area of side and top (common practice, no source: 10 to 20 in
still air; props blow on it, so that is careful). Life by 10 K: the rule makers print for
electrolytics (application notes on aluminium electrolytics; from memory).

The core is as warm as if the flight went on; a can of 4 g takes some four minutes for two
thirds of it, about a pack.

Left out: that a warm can has less resistance, heat from the board, and that between two
duties there are others.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from msgspec.structs import replace

from sim.errors import BadField
from sim.options import apply
from sim.parts import KINDS
from sim.parts.cans import CanKind
from sim.records import Build, Event
from sim.resolve import option_index, resolve

if TYPE_CHECKING:
    from sim.solution import Solution

#: (duty, share of the flight). Our guess of a freestyle pack.
FREESTYLE: tuple[tuple[float, float], ...] = ((0.15, 0.2), (0.3, 0.55), (0.5, 0.18), (0.8, 0.07))
#: Air around the can in degC. Our guess of a warm day and a warm board.
AIR_C = 35.0
#: Time solved at each duty, in s, and the part of it that is read.
_SOLVED_S, _READ_FROM_S = 12e-3, 4e-3


@dataclass(frozen=True)
class Heat:
    """One can over a flight.

    Attributes
    ----------
    part : its id
    rms_A : root of the mean square of its current over the flight
    worst_rms_A, worst_duty : at the duty that makes most of it
    loss_W : mean
    core_C : temperature of its core
    rated_ripple_A : what its maker allows, None where it is not given
    life : its rated life is so many times as long as at 105 degC
    """

    part: str
    rms_A: float
    worst_rms_A: float
    worst_duty: float
    loss_W: float
    core_C: float
    rated_ripple_A: float | None
    life: float


def life_factor(core_c: float, rated_c: float = 105.0) -> float:
    """Life over the rated life: twice as long for every 10 K less."""
    return float(2.0 ** ((rated_c - core_c) / 10.0))


def flight(
    build: Build,
    option: str | int | None = None,
    profile: Sequence[tuple[float, float]] = FREESTYLE,
    air_c: float = AIR_C,
    seed: int = 0,
    *,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Heat, ...]:
    """Every electrolytic and polymer can of a build under one option, over a flight.

    Parameters
    ----------
    profile : (duty 0 to 1, share of the time), shares adding up to 1
    air_c : temperature around the cans, in degC
    seed : ESC timing

    Raises
    ------
    BadField   if the profile is none
    DocumentError, NetworkError, SolveError
    """
    check_profile(profile)
    from sim import api

    at = option_index(build, option)
    drawn = apply(build, None if at is None else build.options[at])
    cans = [part.id for part in drawn.parts if isinstance(KINDS[part.kind], CanKind)]
    squares = dict.fromkeys(cans, 0.0)
    watts = dict.fromkeys(cans, 0.0)
    worst = dict.fromkeys(cans, (0.0, 0.0))
    for duty, share in profile:
        event = Event(name="Steady", kind="steady", duration=_SOLVED_S, duty=duty)
        run: Solution = api.solve(
            replace(drawn, options=(), events=(event,)), seed=seed, cancelled=cancelled
        )
        _, parts = run.figures(_READ_FROM_S, run.duration_s)
        for part in parts:
            if part.id in squares:
                squares[part.id] += share * part.rms_A**2
                watts[part.id] += share * part.loss_J / (run.duration_s - _READ_FROM_S)
                worst[part.id] = max(worst[part.id], (part.rms_A, duty))
    found = []
    for part_id in cans:
        part_drawn = drawn.part(part_id)
        assert part_drawn is not None
        kind, values = KINDS[part_drawn.kind], resolve(part_drawn)
        assert isinstance(kind, CanKind)
        core = air_c + watts[part_id] / kind.watts_per_kelvin(values)
        found.append(
            Heat(
                part=part_id,
                rms_A=math.sqrt(squares[part_id]),
                worst_rms_A=worst[part_id][0],
                worst_duty=worst[part_id][1],
                loss_W=watts[part_id],
                core_C=core,
                rated_ripple_A=values.optional("rated_ripple"),
                life=life_factor(core),
            )
        )
    return tuple(found)


def check_profile(profile: Sequence[tuple[float, float]]) -> None:
    """Refuse what is no way to spend a flight.

    Raises
    ------
    BadField
    """
    if not profile:
        raise BadField("profile", "is empty", "Give duties and their shares of the flight")
    for duty, share in profile:
        if not 0.0 <= duty <= 1.0:
            raise BadField("profile", f"{duty:g} is no duty", "Give 0 to 1")
        if not 0.0 <= share <= 1.0:
            raise BadField("profile", f"{share:g} is no share of the flight", "Give 0 to 1")
    whole = sum(share for _, share in profile)
    if abs(whole - 1.0) > 1e-6:
        raise BadField(
            "profile", f"its shares add up to {100 * whole:.4g} %", "Let them add up to 100 %"
        )

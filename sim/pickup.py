"""What the loop of a probe's ground wire picks up from the currents beside it.

Tip, probe and ground wire enclose an area. A current i that runs beside it there and back sends
flux through it, and the scope shows M di/dt on top of what the tip sees:

    M = m(a, d) - m(a, d + w) - m(a, d + s) + m(a, d + s + w)

m(a, x) is the mutual inductance of two parallel filaments of length a, x apart (Neumann's
integral in closed form, Rosa 1908); the sides across the current pick up nothing. The loop is
taken as a rectangle of a by w beside the pair in its plane, d from the nearer conductor, with s
between there and back. Of the ground wire's length a half goes along, a quarter across at
either end, and the probe closes it.

Which currents: at an ESC's input the current that its bridge chops, along the loop of ceramics
and MOSFETs on its board; at every place the lead there with which M is largest. d, the size of
the board's loop and the rectangle are our guess: a hand lays a ground wire differently each
time, and turning it over changes the sign.

Left out: twisted leads and typed inductances (no area that is known), and all other currents.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim import copper
from sim.lead import wire_spacing_m
from sim.resolve import canonical, resolve_lead
from sim.signals import Signal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from sim.records import Lead
    from sim.solution import Solution

    Array = NDArray[np.float64]

#: From the nearer conductor to the loop, m; our guess: a wire laid on the board.
AWAY_M = 5e-3
#: Loop of ceramics and MOSFETs on an ESC's board, along and between there and back, m; our guess.
BOARD_LOOP_M = (10e-3, 2e-3)


@dataclass(frozen=True)
class Source:
    """A current beside the loop, and the mutual inductance to it in henry."""

    amps: Signal
    mutual_h: float


def mutual_h(wire_m: float, along_m: float, apart_m: float) -> float:
    """Between a ground wire's loop and a current `along_m` beside it, there and back `apart_m`."""
    a, w, d = min(0.5 * wire_m, along_m), 0.25 * wire_m, AWAY_M
    near = copper.mutual_h(a, d) - copper.mutual_h(a, d + w)
    return near - copper.mutual_h(a, d + apart_m) + copper.mutual_h(a, d + apart_m + w)


def sources(solution: Solution, signal: Signal, wire_m: float) -> list[Source]:
    """What a ground wire of this length picks up at a signal's place."""
    build, ports = solution.context.build, solution.equations.network.ports
    place = canonical(build, signal.place)
    found: list[Source] = []
    chopper = next(
        (
            f"{part.id}.in"
            for part in build.parts
            if part.kind == "esc" and ports.get(f"{part.id}.in") == ports.get(place)
        ),
        None,
    )
    if chopper is not None:
        found.append(Source(Signal("amps", chopper), mutual_h(wire_m, *BOARD_LOOP_M)))
    beside = [
        Source(Signal("amps", lead.id), mutual_h(wire_m, *of))
        for lead in build.leads
        if place in (canonical(build, lead.from_), canonical(build, lead.to))
        and (of := _area(lead)) is not None
    ]
    if beside:
        found.append(max(beside, key=lambda source: source.mutual_h))
    return found


def picked_up(solution: Solution, signal: Signal, wire_m: float, times: Array) -> Array:
    """Volts on top of what the tip sees, (n,), at times evenly spaced (s)."""
    import numpy as np

    out = np.zeros(len(times))
    found = sources(solution, signal, wire_m)
    if not found or len(times) < 2:
        return out
    amps = solution.sample([source.amps for source in found], times)
    step = float(times[-1] - times[0]) / (len(times) - 1)
    for source, course in zip(found, amps, strict=True):
        out += source.mutual_h * np.gradient(course, step)
    return out


def _area(lead: Lead) -> tuple[float, float] | None:
    """Length and spacing of a pair of straight wires; None where they are not known."""
    values = resolve_lead(lead)
    length = values.optional("length")
    if (
        not length
        or lead.conductor != "pair"
        or values.optional("width") is not None
        or values.optional("inductance") is not None
        or values.optional("twist_pitch") is not None
    ):
        return None
    return length, wire_spacing_m(values)

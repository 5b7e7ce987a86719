"""Watching a current, a speed or a duty: clips that read something else than volts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from msgspec.structs import replace

from sim.records import Clip

if TYPE_CHECKING:
    from sim.records import Build

Reads = Literal["amps", "speed", "duty"]


def readings_of(build: Build, id_: str) -> tuple[Reads, ...]:
    """What else than volts can be read of a part or lead; nothing of a joint."""
    if build.lead(id_) is not None:
        return ("amps",)
    part = build.part(id_)
    if part is None or part.kind == "joint":
        return ()
    if part.kind == "motor":
        return ("speed",)
    return ("amps", "duty") if part.kind == "esc" else ("amps",)


def next_reading(build: Build, id_: str) -> tuple[Build, Reads | None]:
    """The build that watches the next reading of a part or lead, then none, then the first.

    Returns
    -------
    build with one clip changed, and what is now read (None: nothing any more)
    """
    order = readings_of(build, id_)
    own = [c for c in build.clips if c.tip == id_ and c.reads in order]
    at = -1 if not own else order.index(own[-1].reads)
    kept = tuple(c for c in build.clips if c not in own)
    if at + 1 >= len(order):
        return replace(build, clips=kept), None
    reads = order[at + 1]
    return replace(build, clips=(*kept, Clip(tip=id_, reads=reads))), reads

"""Clips: hung on a place, moved, taken off. They belong to the build, not to an option."""

from __future__ import annotations

from msgspec.structs import replace

from sim.errors import Conflict, WrongPort
from sim.options import owner_of
from sim.probe import probe_of
from sim.records import Build, Clip, ProbeSettings


def hang(build: Build, tip: str, ground: str | None = None) -> Build:
    """With one more clip; a ground that is the tip's own place is none.

    Raises
    ------
    WrongPort   if neither the build nor an option has the place
    Conflict    if such a clip hangs there already
    """
    return _with(build, len(build.clips), Clip(tip=tip, ground=_other(tip, ground)))


def move_tip(build: Build, index: int, tip: str) -> Build:
    """With a clip's tip elsewhere; its ground stays, or goes along where it had none of its own.

    Raises as `hang`.
    """
    clip = build.clips[index]
    return _with(build, index, replace(clip, tip=tip, ground=_other(tip, clip.ground)))


def move_ground(build: Build, index: int, ground: str | None) -> Build:
    """With a clip's ground elsewhere; None: at its tip. Raises as `hang`."""
    clip = build.clips[index]
    return _with(build, index, replace(clip, ground=_other(clip.tip, ground)))


def take_off(build: Build, index: int) -> Build:
    """Without a clip."""
    return replace(build, clips=build.clips[:index] + build.clips[index + 1 :])


def with_probe(build: Build, index: int, probe: ProbeSettings | None) -> Build:
    """With something else between a clip and the scope; None: the clip shows the truth.

    Raises
    ------
    BadField, BadUnit   if a value of the probe is not allowed
    """
    clip = replace(build.clips[index], probe=probe)
    probe_of(clip)
    return replace(build, clips=(*build.clips[:index], clip, *build.clips[index + 1 :]))


def of_place(build: Build, tip: str, ground: str | None = None) -> int | None:
    """Index of the clip that watches the volts there, None if none does."""
    ground = _other(tip, ground)
    for index, clip in enumerate(build.clips):
        if clip.reads == "volts" and (clip.tip, clip.ground) == (tip, ground):
            return index
    return None


def _other(tip: str, ground: str | None) -> str | None:
    return None if ground == tip else ground


def _with(build: Build, index: int, clip: Clip) -> Build:
    known = {p.id for p in build.parts}
    known |= {c.add.id for o in build.options for c in o.changes if c.add is not None}
    for address in (clip.tip, clip.ground):
        if address is not None and owner_of(address) not in known:
            raise WrongPort(address, "is no place here", "Clip a part or a joint")
    there = [c for i, c in enumerate(build.clips) if i != index]
    if clip in there:
        raise Conflict(clip.tip, "is watched by such a clip already", "Clip another place")
    return replace(build, clips=(*build.clips[:index], clip, *build.clips[index + 1 :]))

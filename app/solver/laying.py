"""A recording held against the solution that is on the screen."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from app.solver.protocol import LaidRow
from app.solver.rows import signal_of
from sim.errors import SimError
from sim.overlay import lay
from sim.probe import probe_of

if TYPE_CHECKING:
    from app.solver.protocol import Laying
    from app.solver.rows import Solved


def laid(solved: Solved, laying: Laying, request_id: int, *, truth: bool) -> LaidRow | None:
    """The row of a recording; None where the solution is of another event."""
    if solved.event_index != laying.event:
        return None
    asked: dict[str, Any] = {
        "request_id": request_id,
        "key": laying.key,
        "how": laying.how,
        "number": laying.number,
    }
    clip = next((c for c in solved.clips if (c.reads, c.tip, c.ground) == laying.key), None)
    if clip is None:
        why = "Nothing hangs on the place it was recorded at in this option."
        return LaidRow(**asked, why=why)
    try:
        probe = None if truth or clip.reads not in ("volts", "offset") else probe_of(clip)
        found = lay(
            solved.solution,
            signal_of(clip),
            laying.times,
            laying.values,
            how=cast("Any", laying.how),
            shift_s=laying.shift_s,
            probe=probe,
            within=laying.within,
        )
    except SimError as error:
        return LaidRow(**asked, why=str(error))
    figures = {name: getattr(found, name) for name in _FIGURES}
    return LaidRow(**asked, **figures)


_FIGURES = (
    "shift_s", "course", "rms", "peak", "peak_at_s", "recorded", "model", "shared_s",
)  # fmt: skip

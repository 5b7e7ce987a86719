"""What a recording says, in words: expected and seen, how far off, what it tells."""

from __future__ import annotations

from typing import TYPE_CHECKING

from app.scope.cursors import fine_seconds
from app.words import MARKS, reading
from sim import quantity

if TYPE_CHECKING:
    from app.recordings import Trace
    from sim.fit import Fit, Fitted


#: How many times its RMS the farthest of thousands of samples of noise is.
NOISES = 4.0


def shot_words(trace: Trace, said: str) -> str:
    """What is expected, and after the reveal whether it came so; `said` while it is not known."""
    band = trace.band
    if trace.hidden and band is None:
        return said
    if band is None:
        return ""
    top, foot = band.highest, band.lowest
    expected = (
        f"Expected, {band.draws} runs with all that is not known: highest "
        f"{reading(top[0], 'volts')} to {reading(top[1], 'volts')}, lowest "
        f"{reading(foot[0], 'volts')} to {reading(foot[1], 'volts')}."
    )
    if trace.hidden:
        return f"{expected} What do you expect?"
    from sim.fit import noise_rms  # scipy, only once somebody looks

    times, values = trace.times(), trace.values()
    highest = float(values.max())
    # the scope's own noise is no fault of the build; of thousands of samples the farthest counts
    margin = NOISES * noise_rms(values)
    inside = top[0] - margin <= highest <= top[1] + margin
    where = "in" if inside else ("above" if highest > top[1] else "below")
    words = (
        f"{expected} Recorded highest {reading(highest, 'volts')}: {where} the band; "
        f"{100.0 * band.share_inside(times, values, margin):.0f} % of the trace lies in it."
    )
    if trace.guess is not None:
        off = highest - trace.guess
        side = "low" if off > 0 else "high"
        words += (
            f" Your guess {reading(trace.guess, 'volts')}: {reading(abs(off), 'volts')} too {side}."
        )
    return words


def difference_words(trace: Trace) -> str:
    """How far recording and model are apart."""
    row = trace.row
    notes = list(trace.capture.notes)
    if trace.capture.channel(trace.recording.channel).clipped:
        notes.append("cut off at its top or bottom: its trace left the screen")
    tail = f" {'; '.join(notes)}." if notes else ""
    if row is None:
        return "Being held against the model…" + tail
    if row.why:
        return row.why
    reads = trace.recording.reads
    what = {
        "true": "Apart",
        "slow": "Slow courses apart (ESC timing is not known)",
        "ripple": "Ripple apart where it fits best (ESC timing is not known)",
    }[row.course]
    at = fine_seconds(row.peak_at_s, max(row.shared_s, 1e-9))
    ends = [
        f"{reading(low, reads)} to {reading(high, reads)}"
        for low, high in (row.recorded, row.model)
    ]
    return (
        f"{what}: {reading(row.rms, reads)} RMS, {reading(row.peak, reads)} at most, at {at}. "
        f"Recorded {ends[0]}; the model {ends[1]} over the same stretch.{tail}"
    )


def fit_words(found: Fit) -> list[str]:
    """What a recording tells, a line per value."""
    course = "" if found.course == "true" else " of the slow course"
    lines = [
        f"Left over{course}: {reading(found.rms_before, 'volts')} RMS before, "
        f"{reading(found.rms_after, 'volts')} after."
    ]
    lines += [_fitted(item) for item in found.fitted]
    if not found.fitted:
        lines.append("It tells none of the values that are not known.")
    if found.untold:
        lines.append(f"Not told by it: {', '.join(found.untold)}.")
    lines += [note[:1].upper() + note[1:] + "." for note in found.notes]
    return lines


def _fitted(item: Fitted) -> str:
    def show(value: float) -> str:
        return quantity.format(value, item.unit, 3)

    wrong = "; the guess was off" if item.off else ""
    return (
        f"{item.label}: {show(item.value)}, {show(item.low)} to {show(item.high)} (95 %); was "
        f"{show(item.before)}, {MARKS[item.mark]}{wrong}."
    )

"""What stands behind a verdict, block by block, the quick ones first.

Each block is a title and sentences with figures, told as soon as it is worked out, so that a
screen can fill while the rest is still solved. The figures are those of `sim.details`,
`sim.heat` and `sim.faults`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sim import details, heat
from sim.errors import Cancelled, SimError
from sim.faults import CAN_FAIL, faults
from sim.options import apply
from sim.quantity import format as show
from sim.resolve import event_index, events_of, option_index, resolve
from sim.tolerance import replace_options

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from sim.records import Build
    from sim.solution import Solution

#: Blocks in the order of a page.
BLOCKS = {
    "video": "Ripple at the video transmitter",
    "picture": "Picture",
    "dropouts": "Supply too low",
    "stages": "Filter stages",
    "plug_in": "Plug-in",
    "warmth": "Capacitors over a flight",
    "grams": "Grams and parts that can fail",
    "failures": "When one fails",
}
#: Stretch in which ripple is read, s: two fields of a picture would be 40 ms.
_RIPPLE_S = 20e-3
#: Failures told.
_MOST_FAILURES = 4
_FEW = 5


@dataclass(frozen=True)
class Going:
    """Where a block's figure is read: place, reading, unit and event, as of a limit."""

    place: str
    reads: str
    unit: str
    event: str
    part: str


@dataclass(frozen=True)
class Block:
    """One block.

    Attributes
    ----------
    key : of `BLOCKS`
    lines : sentences
    picture : (lines, columns), what ripple adds as a share of white; None for none
    going : where the first figure is read, None where there is no one place
    """

    key: str
    lines: tuple[str, ...]
    picture: NDArray[np.float64] | None = None
    going: Going | None = None


def behind(
    build: Build,
    option: str | int | None = None,
    event: str | int | None = None,
    *,
    tell: Callable[[Block], None],
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> None:
    """Tell every block of `BLOCKS` about an option and, where it is of one, an event.

    A block that cannot be worked out says why in its only line.

    Raises
    ------
    Cancelled   if `cancelled` says so
    BadField   if there is no such option or event
    """
    at = option_index(build, option)
    drawn = replace_options(apply(build, None if at is None else build.options[at]))
    number = event_index(drawn, event) + 1
    desk = _Desk(drawn, number, cancelled)
    steps: list[tuple[str, Callable[[], Block]]] = [
        ("grams", desk.grams),
        ("stages", desk.stages),
        ("dropouts", desk.dropouts),
        ("picture", desk.picture),
        ("video", desk.video),
        ("plug_in", desk.plug_in),
        ("warmth", desk.warmth),
        ("failures", desk.failures),
    ]
    for done, (key, work) in enumerate(steps, 1):
        try:
            block = work()
        except Cancelled:
            raise
        except SimError as error:
            block = Block(key, (str(error),))
        tell(block)
        if progress is not None:
            progress(done / len(steps))


class _Desk:
    def __init__(self, drawn: Build, number: int, cancelled: Callable[[], bool] | None) -> None:
        self.drawn, self.number, self.cancelled = drawn, number, cancelled
        self._run: Solution | None = None
        vtx = [part for part in drawn.parts if part.kind == "vtx"]
        self.vtx = vtx[0] if vtx else None

    def run(self) -> Solution:
        """The event with every edge, solved once."""
        from sim.api import solve

        if self._run is None:
            self._run = solve(self.drawn, self.number, cancelled=self.cancelled)
        return self._run

    def name(self, part_id: str) -> str:
        part = self.drawn.part(part_id)
        return part_id if part is None else part.label or part.id

    def video(self) -> Block:
        if self.vtx is None:
            return Block("video", ("This build has no video transmitter.",))
        run = self.run()
        end = run.duration_s
        start = max(0.0, end - _RIPPLE_S)
        if run.context.event_kind == "plug_in":
            return Block("video", ("Plugging in makes a spike, no ripple: choose another event.",))
        seen = details.video_ripple(run, self.vtx.id, start, end)
        lines = (
            f"{show(seen.pp_mV / 1e3, 'V', 3)} peak to peak at {seen.label} in "
            f"{run.event.lower()}'s last {show(end - start, 's', 2)}.",
            f"{show(seen.video_mV / 1e3, 'V', 3)} RMS from 15 kHz to 6 MHz, "
            f"{show(seen.low_mV / 1e3, 'V', 3)} from 100 Hz to 15 kHz.",
            f"Strongest at {show(seen.strongest_hz, 'Hz', 3)}: "
            f"{show(seen.strongest_mV / 1e3, 'V', 2)} RMS, {seen.bars[625]:.0f} bars a field of "
            f"625 lines, {seen.bars[525]:.0f} of 525.",
        )
        going = Going(f"{self.vtx.id}.in", "peak", "V", run.event, self.vtx.id)
        return Block("video", lines, going=going)

    def picture(self) -> Block:
        if self.vtx is None:
            return Block("picture", ("No video transmitter, no picture.",))
        kind = resolve(self.vtx).word("video")
        digital = "digital: it shows no lines, it drops out when its supply does"
        if kind == "digital":
            return Block("picture", (f"{self.name(self.vtx.id)} is {digital}.",))
        run = self.run()
        if run.context.event_kind == "plug_in":
            return Block("picture", ("No picture while plugging in: choose another event.",))
        t0 = max(0.0, run.duration_s - 21e-3)
        shares = details.picture(run, self.vtx.id, t0)
        deepest = 100.0 * float(np.max(np.abs(shares)))
        known = kind == "analogue"
        head = "Lines" if known else "If it is analogue, lines"
        lines = [
            f"{head} of up to {deepest:.2g} % of white; "
            "from 1 % on they are seen (worked out: 7 mV of 0.7 V). Its regulator keeps 30 dB off, "
            "our guess."
        ]
        if not known:
            lines.append(f"If it is {digital}; {self._dropped()} Say which it is on its sheet.")
        return Block("picture", tuple(lines), picture=shares)

    def _dropped(self) -> str:
        """Whether the transmitter's own supply falls too low in this event."""
        assert self.vtx is not None
        mine = [drop for drop in details.dropouts(self.run()) if drop.part == self.vtx.id]
        if not mine:
            return f"in {self._event()} it does not."
        return f"in {self._event()} it does for {show(mine[0].below_s, 's', 2)}."

    def dropouts(self) -> Block:
        found = details.dropouts(self.run())
        if not found:
            return Block(
                "dropouts", (f"No part's supply falls below its least in {self._event()}.",)
            )
        lines = [
            f"{drop.label}: below {show(drop.limit_V, 'V', 3)} for {show(drop.below_s, 's', 2)}, "
            f"{show(drop.longest_s, 's', 2)} in one go; lowest {show(drop.lowest_V, 'V', 3)}."
            for drop in found[:_FEW]
        ]
        first = found[0]
        rating = next(
            place
            for place in self.run().equations.network.ports
            if place.startswith(f"{first.part}.")
        )
        going = Going(rating, "lowest", "V", self.run().event, first.part)
        return Block("dropouts", tuple(lines), going=going)

    def _event(self) -> str:
        return events_of(self.drawn)[self.number - 1].name.lower()

    def stages(self) -> Block:
        found = details.stages(self.drawn, None, self.number)
        lines = []
        for stage in found[:_FEW]:
            text = f"{stage.label}: drops {show(stage.drop_V, 'V', 2)}"
            if stage.resonance_hz is not None and stage.damping is not None:
                text += (
                    f", rings at {show(stage.resonance_hz, 'Hz', 3)} (damping "
                    f"{stage.damping:.2f}, lifts by {max(stage.peak_dB, 0.0):.1f} dB)"
                )
            if stage.at_pwm_dB is not None:
                text += f", {stage.at_pwm_dB:.0f} dB at the PWM frequency"
            lines.append(f"{text}.")
        return Block("stages", tuple(lines) or ("No filter stage in this option.",))

    def plug_in(self) -> Block:
        plug = details.plug_in(self.drawn)
        if plug is None:
            return Block("plug_in", ("No plug-in among the events.",))
        arc = (
            f", {show(plug.contact_J, 'J', 2)} of it in the contact and its arc"
            if plug.contact_J
            else "; a contact that does not bounce takes none of it"
        )
        lines = (
            f"At most {show(plug.peak_V, 'V', 3)}, at {plug.peak_place}; "
            f"{show(plug.inrush_A, 'A', 3)} out of the pack.",
            f"{show(plug.heat_J, 'J', 2)} of heat{arc}.",
        )
        return Block("plug_in", lines)

    def warmth(self) -> Block:
        if not any(part.kind == "esc" for part in self.drawn.parts):
            return Block("warmth", ("No ESC, no flight.",))
        cans = heat.flight(self.drawn, cancelled=self.cancelled)
        lines = []
        for can in sorted(cans, key=lambda can: -can.core_C)[:_FEW]:
            rated = "" if can.rated_ripple_A is None else f" of {show(can.rated_ripple_A, 'A', 2)}"
            lines.append(
                f"{self.name(can.part)}: {show(can.rms_A, 'A', 2)}{rated} RMS, core "
                f"{can.core_C:.0f} °C, rated life times {can.life:.2g}."
            )
        if lines:
            lines.append(f"Air of {heat.AIR_C:.0f} °C and the flight's duties are our guess.")
        return Block("warmth", tuple(lines) or ("No capacitor can in this option.",))

    def grams(self) -> Block:
        weight = details.mass(self.drawn)
        guess = ", by the size of the cans (our guess)" if weight.guessed else ""
        risky = [part.label or part.id for part in self.drawn.parts if part.kind in CAN_FAIL]
        lines = [f"{weight.grams:.1f} g of capacitors{guess}."]
        if risky:
            lines.append(f"{len(risky)} that can fail: {', '.join(risky[:6])}.")
        return Block("grams", tuple(lines))

    def failures(self) -> Block:
        found = faults(self.drawn, event=self.number, cancelled=self.cancelled)
        if not found:
            return Block("failures", ("Nothing that could fail is in this option.",))
        return Block("failures", tuple(fault.says for fault in found[:_MOST_FAILURES]))

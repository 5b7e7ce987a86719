"""A lesson's screens and a bench: one put on it, or taken from it as it is now."""

from __future__ import annotations

from typing import TYPE_CHECKING

from app.workshop.noise_layer import BANDS
from sim import lesson_draft, lessons
from sim.resolve import event_index, given_number, option_index

if TYPE_CHECKING:
    from app.workbench import Workbench
    from app.workshop.slow_motion import SlowMotion
    from sim.lessons import Lesson, Screen


def put(bench: Workbench, lesson: Lesson, screen: Screen) -> None:
    """Show a screen; its slow motion is begun by whoever has one.

    Raises
    ------
    SimError   if the lesson was not checked and something is not there
    """
    build = lessons.build_of(lesson, screen)
    option = option_index(build, lessons.option_of(lesson, screen) or None)
    event = event_index(build, lessons.event_of(lesson, screen))
    pinned = option_index(build, screen.pinned) if screen.pinned else None
    window = None
    if screen.window is not None:
        start, end = (given_number(t, "s", "window") for t in screen.window)
        window = (start, end)
    bench.set_slow(False)
    # currents of the screen before say nothing about this one
    bench.set_noise(None)
    if build != bench.build:
        bench.replace(build)
    bench.set_option(option)
    bench.set_event(event)
    bench.set_pinned(pinned)
    bench.set_window(window)
    bench.set_view(screen.view)
    bench.set_noise(None if screen.noise is None else BANDS.index(screen.noise))


def taken(bench: Workbench, slow: SlowMotion, lesson: Lesson) -> tuple[Lesson, Screen]:
    """What a bench shows now as a screen, and the lesson knowing its build."""
    build = bench.build
    name = {k: option.name for k, option in enumerate(build.options)}
    pinned = None if bench.pinned == bench.option else bench.pinned
    return lesson_draft.taken(
        lesson,
        build,
        option="" if bench.option is None else name[bench.option],
        event=bench.events[bench.event_index].name,
        pinned=None if pinned is None else name[pinned],
        window=bench.window,
        view=bench.view,
        noise=None if bench.noise is None else BANDS[bench.noise],
        slow=slow.speed if bench.slow else None,
    )

"""Works side by side: in order, stoppable, and with the caller's hands free."""

from __future__ import annotations

import threading
import time
from functools import partial

import pytest

from sim.errors import BadField, Cancelled
from sim.threads import heed, side_by_side, stop_flag
from tests.sim.small import quad, steady


def test_answers_come_in_the_order_of_the_works() -> None:
    later = threading.Event()

    def first() -> int:
        later.wait(10.0)
        return 1

    def second() -> int:
        later.set()
        return 2

    assert side_by_side([first, second]) == [1, 2]
    assert side_by_side([]) == []


def test_the_caller_is_asked_meanwhile_and_an_error_ends_all() -> None:
    asked = threading.Event()

    def waits() -> None:
        assert asked.wait(10.0)
        raise Cancelled("figures", "stopped for a newer request")

    done: list[int] = []
    works = [waits, *(partial(done.append, k) for k in range(3))]
    with pytest.raises(Cancelled):
        side_by_side(works, asked.set)


def test_what_goes_on_is_told_to_stop() -> None:
    begun = threading.Event()

    def goes_on() -> None:
        begun.set()
        end = time.monotonic() + 20.0
        while time.monotonic() < end:
            heed()
        raise AssertionError("never told")

    def fails() -> None:
        assert begun.wait(10.0)
        raise BadField("x", "is wrong", "Mend it")

    before = time.monotonic()
    with pytest.raises(BadField):
        side_by_side([goes_on, fails])
    assert time.monotonic() - before < 10.0
    # (and only then: the next work is wanted)
    assert side_by_side([heed, heed]) == [None, None]


def test_a_reading_that_is_told_to_stop_is_none() -> None:
    """Within one walk along a run, which asks nobody."""
    drive = steady([0.6, 0.4], 4e-3)
    bench = quad()
    run = bench.run(drive)
    row = bench.volts("pads")
    told: list[str] = []

    def reads() -> None:
        stop_flag()[0] = 1
        try:
            run.extremes(row, 0.0, drive.duration_s)
        except Cancelled as error:
            told.append(error.what)
            raise

    with pytest.raises(Cancelled):
        side_by_side([reads])
    assert told


def test_what_the_caller_raises_meanwhile_stops_the_others() -> None:
    begun = threading.Event()

    def goes_on() -> None:
        begun.set()
        end = time.monotonic() + 20.0
        while time.monotonic() < end:
            heed()
        raise AssertionError("never told")

    def meanwhile() -> None:
        if begun.is_set():
            raise Cancelled("run", "stopped for a newer request")

    before = time.monotonic()
    with pytest.raises(Cancelled):
        side_by_side([goes_on], meanwhile)
    assert time.monotonic() - before < 10.0

"""Works side by side: in order, stoppable, and with the caller's hands free."""

from __future__ import annotations

import threading
from functools import partial

import pytest

from sim.errors import Cancelled
from sim.threads import side_by_side


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

"""BLAS is held to one thread while solving, and let go afterwards."""

from __future__ import annotations

import numpy as np
from threadpoolctl import threadpool_info, threadpool_limits

from sim.threads import one_blas_thread


def _threads() -> list[int]:
    return [lib["num_threads"] for lib in threadpool_info() if lib["user_api"] == "blas"]


def test_one_thread_inside_and_as_before_outside() -> None:
    np.linalg.inv(np.eye(2))
    with threadpool_limits(limits=2, user_api="blas"):
        before = _threads()
        assert before
        with one_blas_thread():
            with one_blas_thread():
                assert set(_threads()) == {1}
            assert set(_threads()) == {1}
        assert _threads() == before

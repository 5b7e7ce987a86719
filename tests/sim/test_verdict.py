"""How much of a limit is used: upper and lower limits in one measure."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

import sim
from sim import api
from sim.records import Event
from sim.verdict import use_of_limit, verdict


@pytest.mark.parametrize(
    ("value", "rest", "used", "word"),
    [
        (5.0, 5.0, 0.0, "within"),
        (4.1, 5.0, 0.9 / 1.1, "close"),
        (4.5, 5.0, 0.5 / 1.1, "within"),
        (3.9, 5.0, 1.0, "close"),
        (3.0, 5.0, 1.3, "over"),
        # a little room is no more than a little: crossed is over, by how far it is crossed
        (3.89, 3.91, 3.9 / 3.89, "over"),
        # more than there was at rest is nothing used
        (6.0, 5.0, 0.0, "within"),
        # it never had its supply
        (3.5, 3.6, 3.9 / 3.5, "over"),
        # no rest known
        (5.0, None, 0.78, "within"),
    ],
)  # fmt: skip
def test_a_lower_limit_is_weighed_by_the_room_that_is_lost(
    value: float, rest: float | None, used: float, word: str
) -> None:
    found = use_of_limit(value, 3.9, lower=True, rest=rest)
    assert found == pytest.approx(used, abs=1e-12)
    assert verdict(found) == word


def test_an_upper_limit_is_weighed_by_the_rating_whatever_is_its_rest() -> None:
    assert use_of_limit(24.0, 30.0, lower=False, rest=16.0) == pytest.approx(0.8)
    assert use_of_limit(24.0, 30.0, lower=False, rest=24.0) == pytest.approx(0.8)


def test_rest_is_before_any_throttle_not_where_the_event_starts() -> None:
    """Else an event that starts under load would use nothing of what load has taken."""
    build = sim.load("arms_4s_analogue")
    found = {}
    for throttle in (0.0, 0.8):
        event = Event(name="Steady", kind="steady", duration="5 ms", duty=throttle)
        solved = sim.solve(replace(build, events=(event,)), detail="averaged")
        (use,) = [u for u in solved.rated()["vtx"] if u.reads == "slow lowest"]
        assert use.rest is not None
        assert use.used == pytest.approx((use.rest - use.value) / (use.rest - use.limit))
        found[throttle] = use
    assert found[0.0].rest == pytest.approx(found[0.8].rest, abs=1e-9)
    assert found[0.0].used < 1e-3
    assert found[0.8].used > 0.02


def test_what_is_kept_of_rests_is_as_if_found_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """It goes by no capacitor and no inductance, and by all else."""
    build = sim.load("arms_4s_analogue")

    def rests(part: str, **values: str) -> dict[str, float]:
        parts = [
            replace(p, values={**p.values, **values}) if p.id == part else p for p in build.parts
        ]
        return api.prepare(replace(build, parts=tuple(parts))).rest_V

    as_drawn = rests("pack")
    changes = [
        ("bulk", {"capacitance": "1 mF", "esl": "20 nH"}),
        ("pack", {"cell_resistance": "12 mOhm"}),
        ("vtx", {"power": "9 W"}),
    ]
    kept = [rests(part, **values) for part, values in changes]
    for (part, values), known in zip(changes, kept, strict=True):
        monkeypatch.setattr(api, "_rests", {})
        anew = rests(part, **values)
        assert anew.keys() == known.keys() == as_drawn.keys() != set()
        assert list(anew.values()) == pytest.approx(list(known.values()), abs=1e-9)
    assert kept[0] == as_drawn
    assert kept[1]["vtx.in"] < as_drawn["vtx.in"] - 1e-3
    assert kept[2]["vtx.in"] < as_drawn["vtx.in"] - 1e-3


def test_at_rest_no_lower_limit_of_a_preset_uses_anything() -> None:
    """A 5 V part with a guessed minimum of 3.9 V stood at 78 % though nothing happened."""
    build = sim.load("park_4s_freestyle")
    event = Event(name="Still", kind="steady", duration="5 ms", duty=0.0)
    solved = sim.solve(replace(build, events=(event,)))
    uses = [u for part in solved.rated().values() for u in part if u.reads == "lowest"]
    assert uses
    assert max(u.used for u in uses) < 0.02

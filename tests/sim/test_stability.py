"""A filter that starts to swing while a run goes on is found, though its start is stable."""

import pytest
from msgspec.structs import replace

import sim


# averaged, the swing that has grown costs steps: no more of it than shows it
@pytest.mark.parametrize(("detail", "duration"), [("averaged", "65 ms"), ("edges", "150 ms")])
def test_the_undamped_filter_swings_once_the_pack_sags(detail: str, duration: str) -> None:
    build = sim.load("board_6s_digital")
    events = [replace(e, duration=duration) if e.name == "Punch" else e for e in build.events]
    build = replace(build, events=tuple(events))
    trap = "On the pads and LC stage"
    punch = sim.solve(build, "Punch", trap, detail=detail)  # type: ignore[arg-type]
    assert punch.stable  # where it starts
    growth = punch.growth
    assert growth is not None
    assert growth.part == "lc"
    assert growth.hz == pytest.approx(19.2e3, rel=0.05)
    assert growth.folds > 3.0
    uses = {(part.id, use.name): use for part in punch.parts for use in part.ratings}
    assert uses["lc", "stability"].verdict == "over"
    assert punch.to_json_dict()["stable"] is False


def test_damped_it_stays_quiet() -> None:
    build = sim.load("board_6s_digital")
    damped = sim.solve(build, "Punch", "On the pads and damped LC stage", detail="averaged")
    assert damped.growth is None


def test_a_build_without_constant_power_is_not_looked_at() -> None:
    build = sim.load("arms_4s_analogue")
    assert sim.solve(build, "Plug in").growth is None

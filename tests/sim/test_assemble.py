"""From a build to its network: addresses, leads, what hangs free, what is shorted."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from sim import options
from sim.assemble import assemble, unjoined
from sim.build import Build, Event, Lead, Part, load, presets
from sim.errors import BadField, Conflict, Unjoined, WrongPort
from sim.event import default_events, drive
from sim.parts import KINDS
from sim.quantity import parse
from sim.resolve import canonical

PACK = Part(id="pack", kind="battery", values={"cells": 4, "cell_resistance": "5m"})
PADS = Part(id="pads", kind="joint")
BULK = Part(id="bulk", kind="electrolytic", values={"capacitance": "470u", "esr": "35m"})
MAIN = Lead(
    id="main", from_="pack.out", to="pads", gauge="12 AWG", length="100 mm", spacing="4.5 mm"
)
ON_PADS = Lead(id="on_pads", from_="bulk", to="pads")
PLUG_IN = Event(name="Plug in", kind="plug_in", duration="500 us")


def build(parts: tuple[Part, ...], leads: tuple[Lead, ...], **more: Any) -> Build:
    return Build(name="test", parts=parts, leads=leads, **more)


def esc(id_: str = "esc1", **values: Any) -> Part:
    return Part(id=id_, kind="esc", values=values)


# --- leads ----------------------------------------------------------------------------


def test_a_lead_seen_from_its_far_end_is_its_loop(impedance: Any) -> None:
    """12 AWG, 100 mm at 4.5 mm: 1.0422 mOhm + 4 x 5 mOhm, 67.35 nH (Rosa 1908)."""
    network = assemble(build((PACK, PADS), (MAIN,)))
    plus, minus = network.ports["pads"]
    assert impedance(network, plus, minus, 0.0).real == pytest.approx(21.0422e-3, rel=1e-4)
    low = impedance(network, plus, minus, 100.0).imag / (200.0 * np.pi)
    assert low == pytest.approx(67.35e-9, rel=1e-4)
    # at 1 MHz the current keeps to the skin: (mu0/pi) acosh(D/2a) for an endless pair, 56.86 nH
    high = impedance(network, plus, minus, 1e6).imag / (2e6 * np.pi)
    assert high == pytest.approx(56.86e-9, rel=0.02)


def test_both_conductors_at_once_see_the_common_mode(impedance: Any) -> None:
    """Both ends tied, out on both conductors at once: (L + M)/2 = 73.6 nH (Rosa 1908)."""
    ideal = Part(id="pack", kind="battery", values={"cells": 4})
    network = assemble(build((ideal, PADS, esc()), (MAIN,)), skip_free=True)
    near, far = network.ports["pack.out"], network.ports["pads"]
    across = [[impedance(network, n, f, 1e6).imag for f in far] for n in near]
    # The source ties the near end: from it to plus plus to minus, less half the loop between.
    loop = impedance(network, *far, 1e6).imag
    common = 0.5 * (across[0][0] + across[0][1]) - 0.25 * loop
    assert common / (2e6 * np.pi) == pytest.approx(73.61e-9, rel=2e-4)


def test_typed_loop_values_are_halved(impedance: Any) -> None:
    typed = Lead(id="main", from_="pack.out", to="pads", resistance="4 mOhm", inductance="8 nH")
    network = assemble(build((PACK, PADS), (typed,)))
    own = [b for b in network.branches if b.owner == "main"]
    assert sorted(b.value for b in own) == pytest.approx([4e-9, 4e-9, 0.002, 0.002])
    assert network.mutuals == ()
    assert impedance(network, *network.ports["pads"], 0.0).real == pytest.approx(0.024)


def test_a_plain_joint_ties_both_conductors() -> None:
    network = assemble(build((PACK, PADS, BULK), (MAIN, ON_PADS)))
    assert network.ports["bulk"] == network.ports["bulk.in"] == network.ports["pads"]
    assert "on_pads" not in network.port_branches


def test_a_leads_current_counts_from_its_from_end() -> None:
    network = assemble(build((PACK, PADS, BULK), (MAIN, ON_PADS)))
    ((index, sign),) = network.port_branches["main"]
    branch = network.branches[index]
    assert (branch.owner, branch.name, sign) == ("main", "plus", 1.0)
    assert branch.a == network.ports["pack.out"][0]


def test_a_split_pair_and_its_current() -> None:
    """Plus straight to the pads, minus by way of a star point: one conductor each."""
    star = Part(id="star", kind="joint")
    leads = (
        Lead(id="red", from_="pack.out", to="pads", length="90 mm", conductor="plus"),
        Lead(id="black", from_="pack.out", to="star", length="50 mm", conductor="minus"),
        Lead(id="black2", from_="star", to="pads", length="60 mm", conductor="minus"),
        ON_PADS,
    )
    network = assemble(build((PACK, PADS, BULK, star), leads))
    wires = {i for i, b in enumerate(network.branches) if b.name.endswith("inductance")}
    assert not any(i in wires and j in wires for i, j, _ in network.mutuals)
    ((index, sign),) = network.port_branches["black"]
    assert (network.branches[index].name, sign) == ("minus", 1.0)
    assert network.branches[index].a == network.ports["pack.out"][1]
    ((index, _),) = network.port_branches["red"]
    assert network.branches[index].a == network.ports["pack.out"][0]


# --- addresses ------------------------------------------------------------------------


def test_addresses_and_labels() -> None:
    parts = (PACK, Part(id="pads", kind="joint", label="Pads"), esc())
    leads = (MAIN, Lead(id="arm", from_="pads", to="esc1.in", resistance="1m"))
    whole = build(parts, leads)
    network = assemble(whole)
    assert network.labels["pads"] == "Pads"
    assert network.labels["esc1.in"] == "esc1"
    assert network.labels["esc1.motor"] == "esc1 motor"
    assert "pack" not in network.labels
    assert canonical(whole, "pack") == "pack.out"
    assert canonical(whole, "pads") == "pads"
    with pytest.raises(WrongPort, match="more than one port"):
        canonical(whole, "esc1")


def test_current_into_a_part_is_its_own() -> None:
    """Two capacitors on one joint, without any lead between: each has its own current."""
    other = Part(id="film", kind="ceramic", values={"capacitance": "10u"})
    leads = (MAIN, ON_PADS, Lead(id="f", from_="film", to="pads"))
    network = assemble(build((PACK, PADS, BULK, other), leads))
    for id_ in ("bulk", "film"):
        branches = network.port_branches[f"{id_}.in"]
        assert [network.branches[i].owner for i, _ in branches] == [id_]


def test_a_lead_to_nowhere_is_refused() -> None:
    with pytest.raises(WrongPort, match="nowhere"):
        assemble(build((PACK, PADS), (MAIN, Lead(id="x", from_="pads", to="nowhere"))))


def test_a_bypassed_stage_is_a_joint_that_keeps_its_addresses() -> None:
    sample = load("arms_4s_analogue")
    shown = options.apply(sample, sample.options[0])
    network = assemble(shown)
    assert network.ports["lc.in"] == network.ports["lc.out"] == network.ports["lc"]
    assert "lc" not in {b.owner for b in network.branches}


# --- what hangs free ------------------------------------------------------------------


def test_a_free_part_is_refused_by_name_or_left_out() -> None:
    loose = build((PACK, PADS, BULK), (MAIN,))
    assert unjoined(loose) == ["bulk"]
    with pytest.raises(Unjoined) as caught:
        assemble(loose)
    assert caught.value.where == "bulk"
    assert caught.value.hint
    rest = assemble(loose, skip_free=True)
    assert {b.owner for b in rest.branches} == {"pack", "main"}


def test_a_free_group_is_named_whole() -> None:
    lamp = Part(id="lamp", kind="load", values={"resistance": 10})
    far = Part(id="far", kind="joint")
    whole = build((PACK, PADS, far, lamp), (MAIN, Lead(id="w", from_="far", to="lamp", length=0.1)))
    assert unjoined(whole) == ["far", "lamp"]
    with pytest.raises(Unjoined, match="1 more"):
        assemble(whole)
    assert "w" not in {b.owner for b in assemble(whole, skip_free=True).branches}


@pytest.mark.parametrize("conductor", ["plus", "minus"])
def test_a_part_on_one_leg_hangs_free(conductor: Any) -> None:
    leg = Lead(id="leg", from_="bulk", to="pads", conductor=conductor)
    assert unjoined(build((PACK, PADS, BULK), (MAIN, leg))) == ["bulk"]


def test_plus_from_one_pack_and_minus_from_another_is_no_circuit() -> None:
    second = Part(id="second", kind="battery", values={"cells": 2})
    lamp = Part(id="lamp", kind="load", values={"resistance": 10})
    leads = (
        Lead(id="a", from_="pack.out", to="lamp", conductor="plus"),
        Lead(id="b", from_="second.out", to="lamp", conductor="minus"),
    )
    assert unjoined(build((PACK, second, lamp), leads)) == ["lamp"]


def test_a_motor_without_its_esc_hangs_free_and_behind_one_does_not() -> None:
    motor = Part(id="m", kind="motor", values={"kv": 2000})
    parts = (PACK, PADS, esc(), motor)
    arm = Lead(id="arm", from_="pads", to="esc1.in", length="50 mm")
    assert unjoined(build(parts, (MAIN, arm))) == ["m"]
    phases = Lead(id="phases", from_="esc1.motor", to="m")
    assert unjoined(build(parts, (MAIN, arm, phases))) == []


def test_a_build_without_a_source_is_refused() -> None:
    for parts in ((), (PADS,), (PADS, BULK)):
        with pytest.raises(Unjoined, match="no battery"):
            assemble(build(parts, ()), skip_free=True)


# --- what cannot both hold --------------------------------------------------------------

IDEAL = Part(id="pack", kind="battery", values={"cells": 4})
SHORT = Lead(id="main", from_="pack.out", to="pads")


def test_two_ideal_sources_side_by_side_are_refused() -> None:
    second = Part(id="second", kind="bench_supply", values={"voltage": 16})
    parallel = Lead(id="b", from_="second.out", to="pads")
    with pytest.raises(Conflict, match="another ideal source"):
        assemble(build((IDEAL, second, PADS), (SHORT, parallel)))
    soft = Part(id="second", kind="bench_supply", values={"voltage": 16, "resistance": "10m"})
    assemble(build((IDEAL, soft, PADS), (SHORT, parallel)))


def test_an_ideal_source_onto_a_capacitor_is_refused_at_plug_in_only() -> None:
    bare = Part(id="bulk", kind="ceramic", values={"capacitance": "10u"})
    whole = build((IDEAL, PADS, bare), (SHORT, ON_PADS))
    with pytest.raises(Conflict, match=r"pack.*ideal source plugged"):
        assemble(whole, PLUG_IN)
    assemble(whole)
    assemble(build((PACK, PADS, bare), (SHORT, ON_PADS)), PLUG_IN)


def test_two_capacitors_in_series_are_as_bad_at_plug_in() -> None:
    """Input capacitance and ceramic, reached by different ways, close the ring together."""
    lamp = Part(id="bulk", kind="load", values={"resistance": 10, "input_capacitance": "10u"})
    with pytest.raises(Conflict):
        assemble(build((IDEAL, PADS, lamp), (SHORT, ON_PADS)), PLUG_IN)


def test_pre_charge_stands_between_pack_and_contact(impedance: Any) -> None:
    """Its current is the pack's, and the pack's address lies on the quad's side."""
    event = Event(name="Plug in", kind="plug_in", duration="5 ms", resistance="22 Ohm")
    whole = build((IDEAL, PADS, BULK), (SHORT, ON_PADS))
    network = assemble(whole, event)
    ((index, sign),) = network.port_branches["pack.out"]
    branch = network.branches[index]
    assert (branch.owner, branch.name, branch.value, sign) == ("pack", "pre-charge", 22.0, 1.0)
    assert network.ports["pads"] == network.ports["pack.out"]
    chop = Event(name="Chop", kind="throttle", duration="1 ms", course=((0, 0.5),))
    assert not [b for b in assemble(whole, chop).branches if b.name == "pre-charge"]


# --- events -----------------------------------------------------------------------------


def four(event: Event) -> tuple[Build, Any]:
    names = [f"e{i}" for i in range(4)]
    parts = (PACK, PADS, *(esc(n) for n in names))
    arms = tuple(Lead(id=f"a{n}", from_="pads", to=f"{n}.in", length="50 mm") for n in names)
    whole = build(parts, (MAIN, *arms), events=(event,))
    return whole, drive(whole, event, assemble(whole, event))


def test_throttle_is_straight_between_corners_and_held_outside() -> None:
    course = (("20 ms", 0.6), ("25 ms", 0.2))
    _, d = four(Event(name="Chop", kind="throttle", duration="150 ms", course=course))
    assert d.duration_s == 0.15
    assert d.kinks_s.tolist() == [0.020, 0.025]
    for t, duty in ((0.0, 0.6), (0.020, 0.6), (0.0225, 0.4), (0.025, 0.2), (0.15, 0.2)):
        assert d.duty(t) == pytest.approx([duty] * 4, abs=1e-12)
    assert d.slope(0.0225) == pytest.approx([-80.0] * 4)
    assert d.slope(0.025).tolist() == [0.0] * 4


def test_a_repeated_time_is_a_step_and_a_step_at_zero_comes_after_the_start() -> None:
    course = (("0 s", 0.2), ("0 s", 0.7), ("1 ms", 0.7), ("1 ms", 0.3))
    _, d = four(Event(name="Step", kind="throttle", duration="2 ms", course=course))
    assert d.start_duty.tolist() == [0.2] * 4
    assert d.duty(0.0).tolist() == [0.7] * 4
    assert d.duty(np.nextafter(1e-3, 0)) == pytest.approx([0.7] * 4)
    assert d.duty(1e-3).tolist() == [0.3] * 4
    assert d.kinks_s.tolist() == [1e-3]


def test_courses_of_single_escs() -> None:
    event = Event(
        name="One",
        kind="throttle",
        duration="2 ms",
        course=((0, 0.1),),
        courses={"e2": ((0, 0.5), ("1 ms", 0.9))},
    )
    _, d = four(event)
    assert d.duty(1e-3) == pytest.approx([0.1, 0.1, 0.9, 0.1])
    assert d.points[2][0].tolist() == [0.0, 1e-3]


def test_an_esc_without_a_course_is_refused_by_name() -> None:
    event = Event(name="One", kind="throttle", duration="2 ms", courses={"e2": ((0, 0.5),)})
    with pytest.raises(BadField, match="e0"):
        four(event)


def test_the_event_overrides_freewheel() -> None:
    for given, expected in ((None, True), (False, False), (True, True)):
        _, d = four(Event(name="S", kind="steady", duration="1 ms", duty=0.5, freewheel=given))
        assert d.freewheel.tolist() == [expected] * 4
        assert d.duty(0.5e-3).tolist() == [0.5] * 4


def test_a_tap_rings_with_the_signs_of_a_correction_and_is_clipped() -> None:
    event = Event(
        name="Tap", kind="tap", duration="20 ms",
        duty=0.4, size=0.5, frequency="200 Hz", decay="8 ms",
    )  # fmt: skip
    _, d = four(event)
    t = 1.25e-3  # a quarter of a period
    lift = 0.5 * np.exp(-t / 8e-3)
    assert d.duty(t) == pytest.approx([0.4 + lift, 0.4 + lift, max(0.4 - lift, 0), 0.0])
    assert d.start_duty.tolist() == [0.4] * 4
    # Where the second pair reaches 0 the command bends.
    low, high = d.kinks_s[0] - 1e-7, d.kinks_s[0] + 1e-7
    assert d.duty(low)[2] > 0.0
    assert d.duty(high)[2] == 0.0
    assert d.slope(high)[2] == 0.0
    # The polygon for edge schedules follows it closely.
    grid = np.linspace(0, 0.02, 3001)
    exact = np.array([d.duty(x)[0] for x in grid])
    assert np.interp(grid, *d.points[0]) == pytest.approx(exact, abs=0.5 * 1.3e-4)
    h = 1e-9
    middle = 4.1e-3
    slope = (d.duty(middle + h) - d.duty(middle - h)) / (2 * h)
    assert d.slope(middle) == pytest.approx(slope, rel=1e-5)


def test_events_of_a_build_that_names_none() -> None:
    with_esc = build((PACK, PADS, esc()), (MAIN,))
    assert [e.name for e in default_events(with_esc)] == ["Chop", "Punch", "Plug in"]
    (only,) = default_events(build((PACK, PADS, BULK), (MAIN, ON_PADS)))
    assert (only.kind, parse(str(only.duration), "s")) == ("plug_in", 500e-6)


# --- presets ----------------------------------------------------------------------------

every_preset = pytest.mark.parametrize("id_", [p.id for p in presets()])


@every_preset
def test_every_option_and_event_of_a_preset_assembles(id_: str) -> None:
    sample = load(id_)
    for option in (None, *sample.options):
        shown = options.apply(sample, option)
        assert unjoined(shown) == []
        for event in sample.events:
            network = assemble(shown, event)
            assert len(network.choppers) == len(network.rotors) == 4
            drive(shown, event, network)
        for clip in sample.clips:
            assert clip.tip in network.ports


@every_preset
def test_every_number_of_a_preset_says_where_it_is_from(id_: str) -> None:
    sample = load(id_)
    for part in sample.parts:
        choices = {field.name for field in KINDS[part.kind].fields if field.unit == "choice"}
        for name, value in part.values.items():
            if name not in choices | {"board"}:
                assert getattr(value, "mark", None) in ("sourced", "derived", "assumed"), name
                assert value.source
    for lead in sample.leads:
        for value in (lead.gauge, lead.length, lead.spacing, lead.resistance, lead.inductance):
            assert value is None or value.mark
    assert "our own invention" in sample.notes


def test_the_leads_of_the_presets_have_the_loops_they_were_drawn_for(impedance: Any) -> None:
    """56 nH and 110 nH on the 4S quad, 63 nH and 8 nH on the 6S one; our own data."""
    from sim.lead import conductors
    from sim.resolve import resolve_lead

    expected = {
        "arms_4s_analogue": {"main": 56e-9, "arm1": 110e-9},
        "board_6s_digital": {"main": 63e-9, "arm3": 8e-9},
    }
    for id_, loops in expected.items():
        sample = load(id_)
        for name, henry in loops.items():
            found = sample.lead(name)
            assert found is not None
            assert conductors(resolve_lead(found)).loop_inductance_h == pytest.approx(
                henry, rel=0.02
            )


def test_skin_effect_is_where_it_can_matter() -> None:
    """Not to a lone load, not with typed values, not in board copper, not where it is off."""

    def loops(far: Part, *more: Lead, **values: Any) -> int:
        wire = Lead(id="w", from_="pads", to=far.id, **values)
        parts = (PACK, PADS, far) + ((BULK,) if more else ())
        network = assemble(build(parts, (MAIN, wire, *more)))
        return sum(b.owner == "w" and b.name.startswith("skin") for b in network.branches) // 2

    lamp = Part(id="lamp", kind="load", values={"resistance": 10})
    fed = Part(id="lamp", kind="load", values={"resistance": 10, "input_capacitance": "10u"})
    cap = Part(id="cap", kind="ceramic", values={"capacitance": "10u"})
    beside = Lead(id="b", from_="bulk", to="lamp")
    assert loops(lamp, length="50 mm", gauge="18 AWG") == 0
    assert loops(fed, length="50 mm", gauge="18 AWG") == 2
    assert loops(lamp, beside, length="50 mm", gauge="18 AWG") == 2
    assert loops(cap, length="50 mm", gauge="24 AWG") == 1
    assert loops(cap, length="50 mm", gauge="12 AWG") == 3
    assert loops(cap, length="50 mm", gauge="18 AWG", skin=False) == 0
    assert loops(cap, length="50 mm", width="5 mm") == 0
    assert loops(cap, length="50 mm", gauge="18 AWG", resistance="4 mOhm") == 0
    assert loops(cap, resistance="4 mOhm", inductance="50 nH") == 0

"""The shelf of generic parts: every one resolves, says where it is from, and is plausible."""

import pytest

from sim.errors import BadField
from sim.parts import KINDS
from sim.records import Part, Quantity
from sim.resolve import resolve
from sim.shelf import ShelfPart, of_kind, on_shelf, put_in, shelf, shelf_part

every_part = pytest.mark.parametrize("item", shelf(), ids=lambda item: item.id)


@every_part
def test_a_part_of_the_shelf_goes_into_a_build(item: ShelfPart) -> None:
    part = item.part("x", (0.0, 0.0))
    values = resolve(part)
    assert KINDS[item.kind].summary(values)
    for name, given in item.values.items():
        assert isinstance(given, Quantity), name
        assert given.mark is not None, name
        assert given.source, name
    assert 0.0 < item.price[0] < item.price[1]
    assert item.size


def test_ids_are_there_once_and_unknown_ones_are_refused() -> None:
    ids = [item.id for item in shelf()]
    assert len(set(ids)) == len(ids)
    assert shelf_part("can_470u_35v").kind == "electrolytic"
    with pytest.raises(BadField, match="can_470u_35v"):
        shelf_part("can_470u_36v")


@pytest.mark.parametrize(
    ("id_", "esr_mohm", "ripple_a", "mass_g"),
    [
        ("can_220u_35v", 56, 0.95, 0.9),
        ("can_470u_35v", 28, 1.79, 1.9),
        ("can_1000u_35v", 18, 2.6, 3.7),
        ("can_2200u_35v", 14, 3.8, 7.5),
    ],
)
def test_cans_are_the_usual_low_impedance_ones(
    id_: str, esr_mohm: float, ripple_a: float, mass_g: float
) -> None:
    """Impedance, ripple and mass of 35 V cans of 8x12 to 16x25 mm; from memory, within a fifth."""
    values = resolve(shelf_part(id_).part("x"))
    assert values.number("esr") == pytest.approx(esr_mohm * 1e-3, rel=0.2)
    assert values.number("rated_ripple") == pytest.approx(ripple_a, rel=0.2)
    assert values.number("mass") == pytest.approx(mass_g * 1e-3, rel=0.2)


def test_a_ceramic_keeps_what_its_vendor_measured() -> None:
    """A 22 µF 35 V 1210 part keeps a fifth at 25 V (vendor's data)."""
    values = resolve(shelf_part("ceramic_22u_35v_1210").part("x"))
    left = 1.0 / (1.0 + (25.0 / values.number("half_voltage")) ** 2)
    assert left == pytest.approx(0.2, abs=0.01)


@pytest.mark.parametrize("kind", ["electrolytic", "polymer", "ceramic", "inductor"])
def test_more_capacitance_or_voltage_never_weighs_less(kind: str) -> None:
    items = [resolve(item.part("x")) for item in of_kind(kind)]
    assert items
    if kind == "inductor":
        return
    for one in items:
        for other in items:
            if all(
                one.number(name) <= other.number(name) for name in ("capacitance", "rated_voltage")
            ):
                assert one.number("mass") <= other.number("mass") * 1.001


def test_a_part_put_in_keeps_its_legs_and_loses_its_age() -> None:
    old = Part(
        id="bulk",
        kind="electrolytic",
        label="Main capacitor",
        values={"capacitance": "220 uF", "leg_length": "12 mm", "age": 0.5, "loss_factor": 0.1},
    )
    item = shelf_part("can_470u_35v")
    new = put_in(old, item)
    assert (new.id, new.label) == ("bulk", "Main capacitor")
    assert new.values == {**item.values, "leg_length": "12 mm"}
    assert on_shelf(new) == item
    assert on_shelf(old) is None
    with pytest.raises(BadField, match="is no ceramic"):
        put_in(old, of_kind("ceramic")[0])

"""What is refused is refused with one sentence: typed into the sheet, or written in a file."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.look import Look
from app.panels.field_row import FieldRow
from sim import edit, quantity
from sim.build import Build, Lead, Part, loads
from sim.errors import SimError
from sim.lead import LEAD_FIELDS
from sim.parts import KINDS
from sim.parts.kind import Field

FIELDS = [(kind.kind, field) for kind in KINDS.values() for field in kind.fields]
FIELDS += [("lead", field) for field in LEAD_FIELDS]


def from_file(kind: str, name: str, value: Any, *, option: bool = False) -> SimError | None:
    """What reading a file with that value says, in the build itself or as an option's change."""
    if kind == "lead":
        parts = [{"id": "a", "kind": "joint"}, {"id": "b", "kind": "joint"}]
        tree: dict[str, Any] = {
            "parts": parts,
            "leads": [{"id": "x", "from": "a", "to": "b", name: value}],
        }
    else:
        values = {**KINDS[kind].typical, name: value}
        tree = {"parts": [{"id": "x", "kind": kind, "values": values}]}
    if option:
        (tree["leads"][0] if kind == "lead" else tree["parts"][0]["values"]).pop(name)
        if kind != "lead":
            tree["parts"][0]["values"] = dict(KINDS[kind].typical)
        tree["options"] = [{"name": "o", "changes": [{"set": f"x.{name}", "value": value}]}]
    try:
        loads(json.dumps(tree).encode())
    except SimError as error:
        return error
    return None


def from_sheet(kind: str, name: str, value: Any) -> SimError | None:
    """What the sheet's edit of that value says."""
    if kind == "lead":
        joints = (Part(id="a", kind="joint"), Part(id="b", kind="joint"))
        build = Build(parts=joints, leads=(Lead(id="x", from_="a", to="b"),))
        setter = edit.set_lead_value
    else:
        build = Build(parts=(Part(id="x", kind=kind, values=dict(KINDS[kind].typical)),))
        setter = edit.set_value
    try:
        setter(build, "x", name, value)
    except SimError as error:
        return error
    return None


def sentence(error: SimError | None) -> str:
    return "" if error is None else str(type(error)("", error.what, error.hint))


def absurd(field: Field) -> list[Any]:
    """Values no field of that unit takes, as a hand types them."""
    if field.unit in ("flag", "choice"):
        return ["perhaps", "-1"]
    if field.unit == "text":
        return ["a" * 300, "two\nlines"]
    bad: list[Any] = ["blue", "1 furlong", "nan", "1e400", "1,500", "", "12 AWG" * 30, "1e-40"]
    unit = "m" if field.unit == "AWG" else field.unit
    for value in (field.low - max(1.0, abs(field.low)), field.high * 2.0 + 1.0):
        bad.append(quantity.format(value, unit, 9))
    if field.open_low:
        bad.append(quantity.format(field.low, unit, 9))
    if field.whole:
        bad.append("2.5")
    return bad


@pytest.fixture(scope="module")
def look(qapp: Any) -> Look:
    return Look()


@pytest.mark.parametrize(
    ("kind", "field"), FIELDS, ids=lambda x: x if isinstance(x, str) else x.name
)
def test_a_value_is_refused_alike_in_sheet_and_file(
    kind: str, field: Field, look: Look, qtbot: Any
) -> None:
    from PySide6.QtWidgets import QWidget

    parent = QWidget()
    qtbot.addWidget(parent)
    row = FieldRow(field, look, parent)
    refused = 0
    for value in absurd(field):
        typed, read = from_sheet(kind, field.name, value), from_file(kind, field.name, value)
        assert sentence(typed) == sentence(read), value
        assert sentence(from_file(kind, field.name, value, option=True)) == sentence(read), value
        if typed is None:
            continue
        refused += 1
        assert field.name in read.where
        assert typed.where == f"x.{field.name}"
        assert typed.hint
        row.refuse(typed)
        assert row.error.text().casefold() == sentence(read).casefold()
    assert refused >= 2


@pytest.mark.parametrize("kind", [*KINDS, "lead"])
def test_an_unknown_key_and_a_missing_value_are_refused_alike(kind: str) -> None:
    if kind != "lead":
        assert sentence(from_sheet(kind, "colour", "red")) == sentence(
            from_file(kind, "colour", "red")
        )
        for field in KINDS[kind].fields:
            if not field.required:
                continue
            build = Build(parts=(Part(id="x", kind=kind, values=dict(KINDS[kind].typical)),))
            with pytest.raises(SimError) as typed:
                edit.set_value(build, "x", field.name, None)
            values = {k: v for k, v in KINDS[kind].typical.items() if k != field.name}
            tree = {"parts": [{"id": "x", "kind": kind, "values": values}]}
            with pytest.raises(SimError) as read:
                loads(json.dumps(tree).encode())
            assert sentence(typed.value) == sentence(read.value)


@given(
    st.sampled_from(FIELDS),
    st.text(max_size=40) | st.floats() | st.integers(-(10**15), 10**15) | st.booleans(),
)
@settings(max_examples=300, deadline=None, derandomize=True)
def test_whatever_is_given_is_taken_or_refused_alike(where: tuple[str, Field], value: Any) -> None:
    kind, field = where
    if isinstance(value, float) and (value != value or abs(value) == float("inf")):
        return  # no number that JSON has
    if field.name == "conductor" and not isinstance(value, str):
        return  # nobody can type a number there: it is a list to choose from
    typed, read = from_sheet(kind, field.name, value), from_file(kind, field.name, value)
    assert sentence(typed) == sentence(read)

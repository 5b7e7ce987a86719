"""Help pages: every kind says what it models, by which equations, from where, and what not."""

from __future__ import annotations

import pytest

from sim import help as pages
from sim.errors import UnknownKind


@pytest.mark.parametrize("name", pages.names())
def test_each_kind_has_a_page_with_its_four_parts(name: str) -> None:
    page = pages.page(name)
    assert page.title
    for part in (page.models, page.equations, page.sources, page.left_out):
        assert part, f"{name}: write it into the class's docstring, see sim/help.py"
        assert all(text.strip() for text in part)
    assert len(" ".join(page.models).split()) >= 5
    assert any(sign in "".join(page.equations) for sign in "=+:")


@pytest.mark.parametrize("name", pages.names())
def test_each_value_is_on_the_page_with_default_and_range(name: str) -> None:
    for row in pages.page(name).values:
        assert row.help
        assert row.default
        assert row.allowed
        if row.default not in ("none", "must be given"):
            assert row.source


def test_a_page_is_sorted_by_how_it_is_written() -> None:
    page = pages.page("electrolytic")
    assert page.equations[0].startswith("v = C voltage")
    assert any("IEC 60384-4" in text for text in page.sources)
    assert page.left_out[0].startswith("Leakage current")
    assert any("bursts" in text for text in page.cautions)
    assert {row.name for row in page.values} >= {"capacitance", "esr", "age", "reversed"}
    capacitance = next(row for row in page.values if row.name == "capacitance")
    assert (capacitance.default, capacitance.source) == ("must be given", "")


def test_no_page_of_what_is_no_kind() -> None:
    with pytest.raises(UnknownKind, match="condenser"):
        pages.page("condenser")

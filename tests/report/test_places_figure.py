"""Months by sites: the worse direction of each, as a figure and as the numbers beside it."""

from __future__ import annotations

import csv
import io

import pytest

from durability.report.places_figure import days_by_place, places_data, worst_days
from durability.statement import Statement, Statements


def days(site: str, month: int, direction: str, low: float, **more) -> Statement:
    return Statement(
        quantity="days_to_cover", unit="d", value=None, low=low, level=0.95, sides=1,
        kind="prediction", of="new_lot", material=more.pop("material", "A"), direction=direction,
        exposure="X", site=site, month=month, fraction=0.5, **more,
    )  # fmt: skip


@pytest.fixture
def said() -> Statements:
    return Statements(
        days(site, month, direction, start + month + (5 if direction == "cross" else 0),
             material=material, extrapolated=month == 3)
        for material, start in (("A", 20), ("B", 60))
        for site in ("miami", "chicago")
        for month in range(1, 13)
        for direction in ("machine", "cross")
    )  # fmt: skip


def test_each_month_and_site_shows_the_worse_direction_once(said) -> None:
    found = worst_days(said)
    assert len(found) == 2 * 2 * 12
    assert {s.direction for s in found.values()} == {"machine"}
    assert found["B", "chicago", 7].low == 67


def test_the_table_holds_what_the_figure_shows(said) -> None:
    rows = list(csv.DictReader(io.StringIO(places_data(said).to_csv())))
    assert len(rows) == 48
    first = rows[0]
    assert (first["site"], first["laid in"], first["days to cover [d]"]) == (
        "miami",
        "January",
        "21",
    )
    assert [r["laid in"] for r in rows if r["extrapolated"] == "yes"] == ["March"] * 4
    figure = days_by_place(said, titles={"miami": "Miami airport, Florida"})
    panels = [axis for axis in figure.axes if axis.get_title("left") in ("A", "B")]
    assert len(panels) == 2
    words = [t.get_text() for axis in panels for t in axis.texts]
    assert len(words) == 48
    assert words.count("23*") == 2
    assert len(panels[0].patches) == 2  # one framed month a site
    assert "Miami" in panels[0].get_xticklabels()[0].get_text()


def test_without_days_there_is_no_figure() -> None:
    with pytest.raises(ValueError, match="no days to cover"):
        days_by_place(Statements())


def test_days_that_are_all_that_are_counted_are_shown_as_a_lower_bound() -> None:
    said = Statements(
        days("barrow", m, "cross", 7300.0 if m > 1 else 7000.0,
             flags=("beyond_horizon",) if m > 1 else ()) for m in range(1, 13)
    )  # fmt: skip
    rows = list(csv.DictReader(io.StringIO(places_data(said).to_csv())))
    assert [r["or more"] for r in rows] == ["no"] + ["yes"] * 11
    words = [t.get_text() for t in days_by_place(said).axes[0].texts]
    assert words == ["7000"] + ["≥ 7300"] * 11

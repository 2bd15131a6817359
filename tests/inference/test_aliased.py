"""Are groups that the strips cannot tell apart named, and only those?"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from known_truth import study_of
from test_structure import strips

from durability.inference.build import build_model
from durability.inference.described import described
from durability.laws import read_law

LAW = "stretched-exponential"


def notes(columns: dict[str, Any], **added: Any) -> tuple[str, ...]:
    study = study_of(columns)
    held = {k: ("row", np.array(v, dtype=object)) for k, v in added.items()}
    study = replace(study, rows=study.rows.assign(held))
    found = build_model(study, read_law(LAW)).notes
    assert all(("a note", n) in described(study, law=LAW).left_out for n in found)
    return found


@pytest.mark.parametrize("group", ["laboratory", "run"])
def test_a_lot_for_each_group_is_named(group):
    columns = strips(1, materials=1, lots=3)
    (found,) = notes(columns, **{group: np.char.add("G", columns["lot"])})
    assert f"each lot was tested in a {group} of its own" in found


@pytest.mark.parametrize("group", ["laboratory", "run"])
def test_a_product_for_each_group_is_named(group):
    columns = strips(1, materials=3, lots=2)
    first = np.where(columns["material"] == "C", "second", "first")  # A and B can be compared
    (found,) = notes(columns, **{group: first})
    assert "no product was tested in more than one" in found


@pytest.mark.parametrize("group", ["laboratory", "run"])
def test_a_direction_for_each_group_is_named(group):
    columns = strips(1, materials=2, lots=2, directions=("machine", "cross"))
    home = np.where(columns["direction"] == "cross", "second", "first")
    (found,) = notes(columns, **{group: home})
    assert "no direction was tested in more than one" in found
    crossed = (columns["direction"] == "cross") ^ (columns["material"] == "B")
    assert notes(columns, **{group: np.where(crossed, "second", "first")}) == ()


def test_an_exposure_for_each_run_and_a_run_for_each_laboratory_are_named():
    columns = strips(1, materials=1, lots=2, exposures=("X", "Y"))
    run = np.where(columns["exposure"] == "Y", "second", "first")
    assert any("each exposure has a run of its own" in n for n in notes(columns, run=run))
    columns = strips(1, materials=1, lots=1, number=4)
    half = np.where(np.arange(columns["dose"].size) % 2, "second", "first")
    (found,) = notes(columns, run=half, laboratory=half)
    assert "each laboratory had a run of its own" in found


def test_groups_that_cross_are_told_apart():
    columns = strips(1, materials=2, lots=2, number=4)
    half = np.where(np.arange(columns["dose"].size) % 2, "second", "first")
    quarter = np.where(np.arange(columns["dose"].size) // 2 % 2, "second", "first")
    assert notes(columns, laboratory=half, run=quarter) == ()


def test_lots_within_laboratories_are_told_apart():
    columns = strips(1, materials=1, lots=4)
    home = np.where(np.isin(columns["lot"], ("L1", "L2")), "first", "second")
    assert notes(columns, laboratory=home) == ()

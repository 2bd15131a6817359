"""Does the table show every group, what is left, and what a reader must know?"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from durability.retention import FLAGS, retention_table
from durability.retention.table import REMARKS
from durability.study import read_study

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(scope="module")
def quarry():
    return retention_table(read_study(EXAMPLES / "quarry-cover"))


def test_every_group_and_every_mean_of_lots_has_a_row(quarry):
    lots = [r for r in quarry if r["lot"] != "all"]
    assert len(lots) == 2 * 3 * 2 * 6 and len(quarry) - len(lots) == 2 * 2 * 6
    assert sum(r["n"] + r["not_used"] for r in lots) == 360 - 1  # one strip is below its limit
    json.dumps(quarry, allow_nan=False)


def test_strips_that_are_not_used_are_named_with_their_reason(quarry):
    found = [r["remarks"] for r in quarry if r["not_used"]]
    assert found == [
        "strip 3 not used: cut at a slant; edge threads missing",
        "strip 2 not used: broke at the jaw",
    ]


def test_a_bound_is_shown_as_one_and_without_a_mean(quarry):
    (row,) = [r for r in quarry if (r["lot"], r["direction"], r["hours"]) == ("B3", "cross", 1500)]
    assert row["mean"] is None and row["left"].startswith("at most 2.")
    assert "1 below the limit" in row["remarks"]


def test_the_last_row_of_strips_without_unexposed_ones_says_at_least():
    row = retention_table(read_study(EXAMPLES / "uv-cycles"))[-1]
    assert (row["dose"], row["unit"], row["dose_unit"]) == (120.0, "N", "cycles")
    assert row["left"] == "580 N (at least 280)"
    assert "no unexposed strips" in row["remarks"]


def test_a_group_of_which_nothing_was_used_is_still_shown(make, strips):
    bad = {"strength": np.nan, "used": False, "reason": "blank", "dose": 9.0, "specimen": "7"}
    row = retention_table(make([*strips([1.0, 1.1]), bad]))[-1]
    assert (row["n"], row["not_used"], row["mean"], row["left"]) == (0, 1, None, "")
    assert row["remarks"] == "strip 7 not used: blank"


def test_every_flag_has_a_short_remark():
    assumptions = {
        "log_ratio_welch", "fieller", "t_of_mean", "lots_vary", "strips_independent",
        "control_alike", "control_heat", "directions_together",
    }  # fmt: skip
    of_curves = {name for name in FLAGS if name.startswith("curve_")}
    assert set(REMARKS) == set(FLAGS) - assumptions - of_curves

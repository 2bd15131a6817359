"""Are strips counted and averaged as they should be?"""

from __future__ import annotations

import time

import numpy as np
import pytest

from durability.retention import groups


def test_moments_agree_with_pandas_on_a_shuffled_study(make):
    rng = np.random.default_rng(7)
    rows = [
        {"material": m, "lot": lot, "direction": way, "dose": dose, "strength": s}
        for m in "BA"
        for lot in ("1", "2")
        for way in ("machine", "cross")
        for dose in (0.0, 100.0, 200.0)
        for s in rng.lognormal(2, 0.1, rng.integers(1, 7))
    ]
    rng.shuffle(rows)
    study = make(rows)
    found = groups(study).to_dataframe().set_index(["material", "lot", "direction", "dose"])
    keys = ["material", "lot", "direction", "dose"]
    oracle = study.rows.to_dataframe().groupby(keys)["strength"]
    for name, column in {
        "n": oracle.count(), "mean": oracle.mean(), "sd": oracle.std(), "min": oracle.min(),
        "max": oracle.max(), "sd_log": oracle.apply(lambda x: np.log(x).std()),
    }.items():  # fmt: skip
        expected = column.reindex(found.index)
        np.testing.assert_allclose(found[name], expected, rtol=1e-12, err_msg=name)
    assert (found["bound"] == 0).all() and (found["bound_mean"] == found["mean"]).all()


def test_unexposed_strips_are_one_group_whichever_exposure_they_name(make, strips):
    study = make(
        strips([10, 12], dose=0.0, exposure="X")
        + strips([14], dose=0.0, exposure="")
        + strips([5, 6], dose=9.0, exposure="X")
        + strips([7], dose=9.0, exposure="Y")
    )
    found = groups(study)
    assert found["exposure"].values.tolist() == ["", "X", "Y"]
    assert found["n"].values.tolist() == [3, 2, 1]
    assert found["mean"].values.tolist() == [12, 5.5, 7]


def test_excluded_strips_are_counted_and_not_averaged(make, strips):
    bad = {"strength": 1.0, "used": False, "reason": "cut at a slant"}
    found = groups(make([*strips([10, 12]), bad, {**bad, "dose": 5.0, "strength": np.nan}]))
    assert found["n"].values.tolist() == [2, 0]
    assert found["n_not_used"].values.tolist() == [1, 1]
    assert found["mean"].values[0] == 11 and np.isnan(found["mean"].values[1])


def test_a_summary_passes_through_with_its_own_spread(make):
    row = {"summary": True, "strength": 20.0, "sd": 2.0, "n": 6, "dose": 5.0}
    found = groups(make([row, {**row, "dose": 6.0, "sd": np.nan, "n": 0}]))
    assert found["n"].values.tolist() == [6, 0]
    assert found["sd"].values[0] == 2.0 and np.isnan(found["sd"].values[1])
    # moments of a lognormal with mean 20 and sd 2
    m, s = found["mean_log"].values[0], found["sd_log"].values[0]
    assert np.exp(m + s**2 / 2) == pytest.approx(20.0)
    assert np.sqrt(np.expm1(s**2)) == pytest.approx(0.1)


def test_a_strip_below_its_limit_makes_the_mean_an_upper_bound(make, strips):
    weak = {"strength": 2.0, "censored": -1}
    found = groups(make([*strips([4, 6]), weak]))
    assert found["bound"].item() == -1
    assert found["bound_mean"].item() == 4.0
    assert (found["n"].item(), found["n_below"].item()) == (2, 1)


def test_a_strip_that_held_at_least_so_much_makes_the_mean_a_lower_bound(make, strips):
    held = {"strength": 2.0, "censored": 1}
    weak = {"strength": 3.0, "censored": -1}
    assert groups(make([*strips([4, 6]), held]))["bound_mean"].item() == 4.0
    both = groups(make([*strips([4, 6]), held, weak]))
    assert both["bound"].item() == 1
    assert both["bound_mean"].item() == 3.0  # (4 + 6 + 2 + 0) / 4


def test_doses_that_differ_by_rounding_are_one_dose(make, strips):
    found = groups(make(strips([4], dose=100.0) + strips([6], dose=100.0 * (1 + 1e-14))))
    assert found.sizes["group"] == 1 and found["n"].item() == 2


def test_a_used_strip_without_a_strength_is_refused(make, strips):
    with pytest.raises(ValueError, match="no strength"):
        groups(make(strips([4, float("nan")])))


def test_a_hundred_thousand_strips_are_grouped_within_seconds(make):
    rng = np.random.default_rng(1)
    few = make([{"strength": 1.0}])
    size = 100_000
    rows = few.rows.isel(row=np.zeros(size, dtype=int)).copy()
    rows["lot"] = ("row", np.array([f"L{i}" for i in rng.integers(0, 500, size)], dtype=object))
    rows["dose"] = ("row", rng.integers(0, 40, size) * 50.0)
    rows["strength"] = ("row", rng.lognormal(2, 0.1, size))
    import dataclasses

    study = dataclasses.replace(few, rows=rows)
    groups(few)  # imports
    start = time.perf_counter()
    found = groups(study)
    assert time.perf_counter() - start < 20
    cells = study.rows.to_dataframe().groupby(["lot", "dose"]).ngroups
    assert found["n"].values.sum() == size and found.sizes["group"] == cells


def test_groups_come_in_the_order_in_which_people_read_them(make, strips):
    rows = [
        {"lot": lot, "direction": direction, "dose": dose, "strength": 1.0}
        for dose in (9.0, 0.0)
        for lot in ("L10", "L2")
        for direction in ("cross", "machine")
    ]
    found = groups(make(rows))
    order = list(
        zip(*(found[k].values.tolist() for k in ("lot", "direction", "dose")), strict=True)
    )
    assert order == [
        (lot, direction, dose)
        for lot in ("L2", "L10")
        for direction in ("machine", "cross")
        for dose in (0.0, 9.0)
    ]

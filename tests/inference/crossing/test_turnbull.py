"""Turnbull's curve: published masses, an independent method, and its own test of being best."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from durability.inference.crossing import turnbull

DATA = Path(__file__).parents[2] / "outside" / "data" / "survival"


def table(name):
    text = (DATA / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in text if not line.startswith("#")))
    return {k: np.array([float(r[k]) if r[k] else np.inf for r in rows]) for k in rows[0]}


def cosmesis(group):
    d = table("cosmesis")
    mine = d["chemotherapy"] == group
    return d["left"][mine], d["right"][mine]


def test_the_masses_of_a_textbook_example_are_met():
    # radiotherapy alone; masses as printed for these data in the literature on interval censoring
    # since Finkelstein and Wolfe (1985), four digits, from memory
    curve = turnbull(*cosmesis(0))
    ends = list(zip(curve.left.tolist(), curve.right.tolist(), strict=True))
    assert ends == [(4, 5), (6, 7), (7, 8), (11, 12), (24, 25), (33, 34), (38, 40), (46, 48)]
    printed = [0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656]
    assert curve.mass == pytest.approx(printed, abs=6e-5)
    assert curve.converged and curve.unique


def test_it_is_as_likely_as_lifelines_curve():
    # lifelines 0.30.3, module npmle, run to 1e-10; its brackets are closed, ours open below, which
    # differs only where a right end equals a left end: ends are moved apart for it
    from lifelines.fitters.npmle import npmle

    low, high = cosmesis(1)
    theirs, _ = npmle(low + 1e-6, np.minimum(high, 1e6), tol=1e-10)
    curve = turnbull(low + 1e-6, np.minimum(high, 1e6))
    assert np.sort(curve.mass) == pytest.approx(np.sort(theirs[theirs > 1e-6]), abs=2e-4)


def test_wheels_looked_at_once_give_the_isotonic_curve():
    # for units looked at once the answer is known in closed form: pooled shares found cracked
    # (pool adjacent violators, SciPy's isotonic_regression)
    from scipy.optimize import isotonic_regression

    d = table("turbine_inspections")
    n = d["hours"].size
    low, high = np.append(np.zeros(n), d["hours"]), np.append(d["hours"], np.full(n, np.inf))
    count = np.append(d["failed"], d["inspected"] - d["failed"])
    some = count > 0
    curve = turnbull(low[some], high[some], count[some])
    share = isotonic_regression(d["failed"] / d["inspected"], weights=d["inspected"]).x
    assert 1 - curve.holding(d["hours"])["low"].values == pytest.approx(share, abs=1e-6)
    assert 1 - curve.holding(d["hours"])["high"].values == pytest.approx(share, abs=1e-6)


def test_exact_and_right_censored_doses_give_the_product_limit_curve():
    from lifelines import KaplanMeierFitter

    rng = np.random.default_rng(2)
    t, c = np.round(100 * rng.weibull(2, 60)) + 1, np.round(120 * rng.random(60)) + 1.5
    seen = t <= c
    curve = turnbull(np.minimum(t, c), np.where(seen, t, np.inf))
    theirs = KaplanMeierFitter().fit(np.minimum(t, c), seen).survival_function_
    doses = theirs.index.values[1:-1]
    ours = curve.holding(doses)["high"].values
    assert ours == pytest.approx(theirs.iloc[1:-1, 0].values, abs=1e-6)


def test_no_move_of_mass_raises_the_likelihood():
    rng = np.random.default_rng(1)
    t, a = 100 * rng.weibull(2, 200), rng.uniform(0, 150, 200)
    b = a + rng.uniform(5, 60, 200)
    low = np.where(t < a, 0, np.where(t < b, a, b))
    high = np.where(t < a, a, np.where(t < b, b, np.inf))
    curve = turnbull(low, high)
    assert curve.converged and curve.gap < 1e-7
    assert curve.mass.sum() == pytest.approx(1.0)
    # moving a little mass from any region to any other does not help
    inside = (low[:, None] <= curve.left) & (curve.right <= high[:, None])
    best = np.log(inside @ curve.mass).sum()
    assert best == pytest.approx(curve.log_likelihood)
    for i in range(curve.mass.size):
        moved = 0.999 * curve.mass
        moved[i] += 0.001
        assert np.log(inside @ moved).sum() <= best + 1e-7


def test_inside_a_region_only_a_range_is_told():
    curve = turnbull(*cosmesis(0))
    told = curve.holding([39.0, 40.0, 36.0])
    assert told["low"].values[0] < told["high"].values[0]
    assert told["low"].values[1:] == pytest.approx(told["high"].values[1:])
    assert curve.quantile(0.5) == (38.0, 40.0)
    assert "38 to 40" in repr(curve)

"""What a study decides: the packages it names a control for, and days to cover in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray

from durability.decisions import answer, assured, decided

HUNDRED = np.arange(1, 101) + 0.75
SMALL, LARGE = np.full(100, 300.0) + np.arange(100), np.full(100, 900.0) + np.arange(100)


def budgeted(site):
    """A translation of which the threshold dose makes most and the year the rest."""
    names = list(site.exposures)
    shares = xarray.DataArray(
        np.tile([[[0.3, 0.7]]], (len(names), 1, 1)), dims=("material", "laying", "input"),
        coords={"material": names, "laying": ["worst month"],
                "input": ["threshold_dose", "year_to_year"]},
    )  # fmt: skip
    return replace(site, budget=xarray.Dataset({"share": shares}))


def decide(fit, *sites):
    translations = [budgeted(t) for t in sites]
    said = answer(fit, translations)
    return decided(fit, translations, said, assured(fit, translations))


def test_nothing_is_decided_without_a_control_and_without_a_site(given_fit):
    found = decide(given_fit({"A": LARGE, "B": SMALL}))
    assert found.decisions == () and found.comparison is None


def test_two_packages_are_one_decision_and_three_add_the_best(given_fit):
    two = decide(given_fit({"A": LARGE, "B": SMALL}, control="B"))
    assert [d.name for d in two.decisions] == ["package/A/B/new_lot"]
    three = decide(given_fit({"A": LARGE, "B": SMALL, "C": SMALL + 100}, control="B"))
    assert [d.name for d in three.decisions][-1] == "best/new_lot"
    assert len(three.decisions) == 3


def test_the_margin_is_that_of_the_study_else_that_of_the_model_file(given_fit):
    tau = {"A": 1.25 * SMALL, "B": SMALL}
    common = decide(given_fit(tau, control="B")).decisions[0]
    assert "at least 1.2 times" in common.answer
    asked = decide(given_fit(tau, control="B", margin=1.5)).decisions[0]
    assert "1.5" in asked.question and "at least" not in asked.answer


def test_a_decision_rests_on_statements_that_are_said(given_fit, given_days):
    fit = given_fit({"A": LARGE, "B": SMALL}, control="B", of="mean")
    site = budgeted(given_days([HUNDRED, HUNDRED / 2], materials=("A", "B")))
    said = answer(fit, [site])
    limits = assured(fit, [site])
    found = decided(fit, [site], said, limits)
    known = {s.id for s in (*said, *limits, *found.statements)}
    assert len(found.decisions) == 3
    for d in found.decisions:
        assert d.statements and set(d.statements) <= known


def test_days_to_cover_are_those_of_the_worst_month_with_the_chance_that_they_hold(
    given_fit, given_days
):
    fit = given_fit({"A": SMALL}, of="mean", assurance=0.9)
    (d,) = decide(fit, given_days([HUNDRED, HUNDRED / 2])).decisions
    # at or next below the lower decile of February's days lies the tenth: 10.75 / 2
    assert "within 5 days if laid in February, the worst month" in d.answer
    lasts = float((HUNDRED / 2 >= 5).mean())
    assert d.probability == pytest.approx(lasts) and lasts >= 0.9
    fewer = HUNDRED[HUNDRED / 2 < 5] / 2
    assert f"typically after {np.median(fewer):.0f} days" in d.wrong_to_act
    assert any("10 days in January" in c for c in d.would_change)
    assert any("at 80 %" in c for c in d.would_change)
    # no measurement tells more of the next year: what can be measured is named
    assert any("break more strips" in c and "30 %" in c for c in d.would_change)


def test_no_day_to_spare_is_said_as_cover_on_the_day_of_laying(given_fit, given_days):
    (d,) = decide(given_fit({"A": SMALL}, of="mean"), given_days([HUNDRED / 100])).decisions
    assert "on the day of laying" in d.answer and d.probability is None


def test_of_a_bound_neither_other_assurances_nor_more_strips_are_told(given_fit, given_days):
    fit = given_fit({"A": SMALL}, of="mean")
    fit.bounds["A"] = "lower"
    (d,) = decide(fit, given_days([HUNDRED, HUNDRED / 2])).decisions
    assert "leans on the law" in d.wrong_to_act
    assert d.would_change[0].startswith("longer exposure")
    assert not any("assurance" in c or "more strips" in c for c in d.would_change)

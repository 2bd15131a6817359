"""The whole answer: one order, no id twice."""

from __future__ import annotations

import numpy as np
import pytest

from durability.decisions import answer

DAYS = np.random.default_rng(1).lognormal(4, 0.4, 500)


def test_strength_comes_first_then_doses_then_ratios_then_days(given_fit, given_days):
    fit = given_fit({"K": DAYS, "A": 2 * DAYS}, control="K")
    made = [given_days([DAYS, DAYS], materials=("K", "A"), site=s) for s in ("here", "there")]
    said = answer(fit, made)
    order = list(dict.fromkeys((s.quantity, s.site) for s in said))
    assert order == [
        ("unexposed_strength", None),
        ("threshold_dose", None),
        ("ratio_of_threshold_doses", None),
        ("outdoor_days", "here"),
        ("days_to_cover", "here"),
        ("outdoor_days", "there"),
        ("days_to_cover", "there"),
    ]
    assert len({s.id for s in said}) == len(said)


def test_without_a_control_or_a_site_there_is_no_ratio_and_no_day(given_fit):
    said = answer(given_fit({"A": DAYS}))
    assert [s.quantity for s in said] == ["unexposed_strength", "threshold_dose"]


def test_a_site_translated_twice_is_refused(given_fit, given_days):
    with pytest.raises(ValueError, match="made twice"):
        answer(given_fit({"A": DAYS}), [given_days([DAYS]), given_days([DAYS])])


def test_assurance_and_level_are_the_studys_unless_given(given_fit, given_days):
    fit = given_fit({"A": DAYS}, assurance=0.9, level=0.8)
    said = answer(fit, [given_days([DAYS])])
    assert said.one(quantity="days_to_cover").level == 0.9
    assert said.one(quantity="outdoor_days").level == 0.8
    said = answer(fit, [given_days([DAYS])], assurance=0.99)
    assert said.one(quantity="days_to_cover").level == 0.99

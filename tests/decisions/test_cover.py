"""Days to cover are low quantiles of the days, rounded down, and say when they are bounds."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from durability.decisions import EXPLANATIONS, best_and_worst_month, cover_statements, worst_month
from durability.decisions.cover import likeliest_reached, not_reached
from durability.decisions.cover_words import cover_decision
from durability.statement import Statement, Statements

HUNDRED = np.arange(1, 101) + 0.75
"""Days 1.75 to 100.75: the quantile of 5 %, taken low, is the fifth, 5.75."""


def test_days_to_cover_are_the_low_quantile_rounded_down(given_fit, given_days):
    said = cover_statements(given_days([HUNDRED]), given_fit({"A": HUNDRED}), assurance=0.95)
    cover = said.one(quantity="days_to_cover")
    assert (cover.value, cover.low, cover.high) == (None, 5.0, None)
    assert (cover.sides, cover.level, cover.month, cover.unit) == (1, 0.95, 1, "d")
    assert cover.low is not None
    assert (cover.low <= HUNDRED).mean() >= 0.95
    assert cover.figures().startswith("at least 5 d")


def test_more_assurance_never_gives_more_days(given_fit, given_days):
    days = np.random.default_rng(1).lognormal(4, 0.5, 999)
    lows = []
    for a in (0.5, 0.8, 0.95, 0.99):
        said = cover_statements(given_days([days]), given_fit({"A": days}), assurance=a)
        low = said.one(quantity="days_to_cover").low
        assert low is not None
        lows.append(low)
    assert lows == sorted(lows, reverse=True)
    assert lows[0] > lows[-1]


def test_days_outdoors_are_the_median_with_its_two_sided_interval(given_fit, given_days):
    days = np.random.default_rng(2).lognormal(4, 0.4, 4001)
    said = cover_statements(given_days([days]), given_fit({"A": days}), level=0.9)
    out = said.one(quantity="outdoor_days")
    assert out.value == np.median(days)
    assert out.low == pytest.approx(np.exp(4 - 0.4 * 1.645), rel=0.03)
    assert out.high == pytest.approx(np.exp(4 + 0.4 * 1.645), rel=0.03)
    assert (out.sides, out.level, out.probability) == (2, 0.9, None)


def test_the_mean_is_credible_and_what_is_yet_to_come_is_predicted(given_fit, given_days):
    days = np.stack([[HUNDRED]] * 3)
    of = ("mean", "new_lot", "single_specimen")
    said = cover_statements(given_days(days, of=of), given_fit({"A": HUNDRED}))
    kinds = {s.of: (s.kind, s.share) for s in said}
    assert kinds == {
        "mean": ("credible", None),
        "new_lot": ("prediction", None),
        "single_specimen": ("prediction", 0.9),
    }


def test_an_upper_limit_beyond_the_horizon_leaves_a_one_sided_lower_limit(given_fit, given_days):
    days = HUNDRED.copy()
    days[90:] = np.inf
    out = cover_statements(given_days([days]), given_fit({"A": HUNDRED}), level=0.9).one(
        quantity="outdoor_days"
    )
    assert (out.low, out.high, out.sides) == (10.75, None, 1)
    assert out.value == HUNDRED[49]
    assert out.probability == pytest.approx(0.9)
    assert "beyond_horizon" in out.flags


def test_a_median_beyond_the_horizon_is_a_bound(given_fit, given_days):
    days = HUNDRED.copy()
    days[30:] = np.inf
    out = cover_statements(given_days([days]), given_fit({"A": HUNDRED}), level=0.9).one(
        quantity="outdoor_days"
    )
    assert (out.value, out.low, out.high) == (None, 10.75, None)


def test_what_never_fails_within_the_horizon_is_at_least_the_horizon(given_fit, given_days):
    never = np.full(100, np.inf)
    said = cover_statements(given_days([never], horizon_years=2), given_fit({"A": HUNDRED}))
    assert said.one(quantity="outdoor_days").low == 730.0
    cover = said.one(quantity="days_to_cover")
    assert cover.low == 730.0
    assert "beyond_horizon" in cover.flags
    assert cover.probability == 0.0
    assert not_reached(cover)


def test_days_to_cover_say_how_probable_it_is_that_the_threshold_is_reached(given_fit, given_days):
    days = np.array([HUNDRED, HUNDRED, HUNDRED])
    days[0, 97:], days[1, 2:], days[2, 3:] = np.inf, np.inf, np.inf
    said = cover_statements(given_days(days, horizon_years=2), given_fit({"A": HUNDRED}))
    chances = [s.probability for s in said.where(quantity="days_to_cover")]
    assert chances == pytest.approx([0.97, 0.02, 0.03])
    assert [not_reached(s) for s in said.where(quantity="days_to_cover")] == [False, True, True]
    assert worst_month(said.where(month=2)).one().month == 2
    assert likeliest_reached(said).month == 1
    later = said.where(lambda s: s.month != 1)
    assert likeliest_reached(later).month == 3
    assert worst_month(later).one().month == 3  # as many days, and likelier to be the last
    certain = cover_statements(given_days([HUNDRED]), given_fit({"A": HUNDRED}))
    assert likeliest_reached(certain) is None


def test_a_decision_on_days_that_are_all_that_are_counted_does_not_name_a_day_of_covering():
    s = Statement(
        quantity="days_to_cover", unit="d", low=7300.0, sides=1, level=0.95, kind="prediction",
        of="new_lot", material="A", direction="cross", exposure="X", site="barrow", month=1,
        fraction=0.5, flags=("beyond_horizon",), probability=0.01,
    )  # fmt: skip
    made = cover_decision(s, title="Barrow", left="half of it", lasts=0.99, if_wrong=9000.0)
    assert made.answer == (
        "a new lot of A has at least half of it left in the cross direction for 7300 days, all that"
        " are counted, if laid in January"
    )
    assert "9000" not in made.wrong_to_act


def test_less_than_a_day_means_cover_at_once(given_fit, given_days):
    cover = cover_statements(given_days([HUNDRED / 100]), given_fit({"A": HUNDRED})).one(
        quantity="days_to_cover"
    )
    assert cover.low == 0.0
    assert "cover_at_once" in cover.flags


def test_a_threshold_beyond_the_last_dose_is_flagged_with_its_factor(given_fit, given_days):
    fit = given_fit({"A": np.full(100, 1800.0)}, last=1000.0)
    for s in cover_statements(given_days([HUNDRED]), fit):
        assert s.extrapolated
        assert s.extrapolation_factor == pytest.approx(1.8)
        assert "extrapolated" in s.flags
    fit = given_fit({"A": np.full(100, 999.0)}, last=1000.0)
    assert not any(s.extrapolated for s in cover_statements(given_days([HUNDRED]), fit))


def test_days_of_a_bound_lie_as_far_beyond_the_last_dose_as_the_bound_at_their_level(
    given_fit, given_days
):
    fit = given_fit({"A": 40.0 * HUNDRED}, last=100.0)  # median 20 times the last dose
    fit.bounds["A"] = "lower"
    said = cover_statements(given_days([HUNDRED]), fit, assurance=0.9, level=0.95)
    for s in said:  # of 100 draws in order, the lower quantile is the one at or next below
        place = math.floor(99 * (1 - s.level))
        assert s.extrapolation_factor == pytest.approx(40.0 * np.sort(HUNDRED)[place] / 100.0)
    fit = given_fit({"A": 40.0 * HUNDRED}, last=1000.0)
    fit.bounds["A"] = "lower"
    said = cover_statements(given_days([HUNDRED]), fit, assurance=0.9, level=0.95)
    assert not any(s.extrapolated for s in said)  # the bound lies among the doses tested


def test_a_threshold_without_an_end_is_extrapolated_by_no_number(given_fit, given_days):
    fit = given_fit({"A": np.full(100, np.inf)})
    for s in cover_statements(given_days([HUNDRED]), fit):
        assert s.extrapolated
        assert s.extrapolation_factor is None
        assert "threshold_may_not_exist" in s.flags


def test_a_lower_bound_of_the_dose_is_a_lower_bound_of_the_days(given_fit, given_days):
    fit = given_fit({"A": HUNDRED})
    fit.bounds["A"] = "lower"
    said = cover_statements(given_days([HUNDRED]), fit, level=0.95)
    out = said.one(quantity="outdoor_days")
    assert (out.value, out.low, out.high, out.sides) == (None, 5.75, None, 1)
    assert all("lower_bound_only" in s.flags for s in said)
    assert said.one(quantity="days_to_cover").low == 5.0


def test_an_upper_bound_of_the_dose_is_an_upper_bound_of_the_days(given_fit, given_days):
    fit = given_fit({"A": HUNDRED})
    fit.bounds["A"] = "upper"
    said = cover_statements(given_days([HUNDRED]), fit, level=0.95)
    out = said.one(quantity="outdoor_days")
    assert (out.value, out.low, out.sides) == (None, None, 1)
    assert out.high is not None
    assert (out.high >= HUNDRED).mean() >= 0.95
    assert said.one(quantity="days_to_cover").low == 5.0
    assert all({"upper_bound_only", "before_first_dose"} <= set(s.flags) for s in said)


def test_an_interval_too_narrow_to_believe_is_flagged(given_fit, given_days):
    said = cover_statements(given_days([np.linspace(99, 101, 100)]), given_fit({"A": HUNDRED}))
    assert "narrow" in said.one(quantity="outdoor_days").flags
    said = cover_statements(given_days([HUNDRED]), given_fit({"A": HUNDRED}))
    assert "narrow" not in said.one(quantity="outdoor_days").flags


def test_every_assumption_and_flag_is_explained(given_fit, given_days):
    fit = given_fit({"A": np.full(100, np.inf)})
    fit.bounds["A"] = "lower"
    for s in cover_statements(given_days([HUNDRED / 200]), fit):
        assert {*s.assumptions, *s.flags} <= set(EXPLANATIONS)
        assert {"translation_approximate", "lab_to_sky_prior", "clock_prior"} <= set(s.assumptions)


def test_the_worst_month_comes_first_and_the_best_second(given_fit, given_days):
    days = given_days(np.outer([3, 1, 2, 3], HUNDRED))
    chosen = best_and_worst_month(cover_statements(days, given_fit({"A": HUNDRED})))
    assert [s.month for s in chosen] == [2, 1]
    assert all(s.quantity == "days_to_cover" for s in chosen)
    assert [s.month for s in worst_month(chosen)] == [2]


def test_what_the_fit_flags_on_a_dose_is_flagged_on_its_days(given_fit, given_days):
    fit = given_fit({"A": HUNDRED})
    dose = Statement(
        quantity="threshold_dose", unit="MJ/m²", value=50.0, material="A", exposure="X1",
        of="mean", fraction=0.5, flags=("one_lot", "extrapolated"), assumptions=("law_form",),
    )  # fmt: skip
    fit.statements = lambda: Statements([dose])
    for s in cover_statements(given_days([HUNDRED]), fit):
        assert "one_lot" in s.flags
        assert "extrapolated" not in s.flags
        assert s.assumptions[0] == "law_form"


def test_days_to_a_required_strength_name_no_fraction(given_fit, given_days):
    made = given_days([HUNDRED])
    made = replace(made, days=made.days.assign_coords(fraction=[np.nan]))
    said = cover_statements(made, given_fit({"A": HUNDRED}))
    assert [s.fraction for s in said] == [None, None]
    assert said.one(quantity="days_to_cover").low == 5.0


def test_months_that_are_all_alike_give_one_statement(given_fit, given_days):
    days = given_days([HUNDRED, HUNDRED])
    chosen = best_and_worst_month(cover_statements(days, given_fit({"A": HUNDRED})))
    assert [s.month for s in chosen] == [1]


@pytest.mark.parametrize("wrong", [{"assurance": 95}, {"level": 0.0}])
def test_assurance_and_level_lie_between_0_and_1(given_fit, given_days, wrong):
    with pytest.raises(ValueError, match=next(iter(wrong))):
        cover_statements(given_days([HUNDRED]), given_fit({"A": HUNDRED}), **wrong)

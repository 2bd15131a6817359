"""Is a verdict given as often as it may be, and with the probability that it states?"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from durability.retention import RuleRisks, conformance, strips_needed, tolerance_factor
from durability.study import read_study

EXAMPLES = Path(__file__).parents[2] / "examples"
START, LEFT = [20.0, 21.0, 19.0, 20.5, 19.5], [10.0, 11.0, 9.5, 10.5, 9.0]


def two_groups(make, strips, start=START, left=LEFT, **labels):
    return make([*strips(start, **labels), *strips(left, dose=10.0, **labels)])


def test_verdict_and_probability_are_those_of_welchs_test_of_logs(make, strips):
    (found,) = conformance(two_groups(make, strips), retained=0.45, dose=10)
    v = [np.var(x, ddof=1) / np.mean(x) ** 2 / 5 for x in (LEFT, START)]
    df = sum(v) ** 2 / (v[0] ** 2 / 4 + v[1] ** 2 / 4)
    t = (np.log(0.5) - np.log(0.45)) / np.sqrt(sum(v))
    assert found.probability == pytest.approx(stats.t.cdf(t, df))
    assert found.verdict == "pass" and found.rule_accepts
    guard = stats.t.ppf(0.95, df) * np.sqrt(sum(v))
    assert found.pass_from == pytest.approx(0.45 * np.exp(guard))
    assert found.fail_below == pytest.approx(0.45 * np.exp(-guard))
    verdicts = [
        conformance(two_groups(make, strips), retained=q, dose=10)[0].verdict
        for q in (0.45, 0.5, 0.55)
    ]
    assert verdicts == ["pass", "undecided", "fail"]


def test_a_required_strength_is_compared_by_the_t_test_of_the_mean(make, strips):
    (found,) = conformance(two_groups(make, strips), strength=9.0, dose=10)
    expected = stats.ttest_1samp(LEFT, 9.0, alternative="greater").pvalue
    assert found.probability == pytest.approx(1 - expected)
    assert found.unit == "kN/m" and "9 kN/m" in found.sentence()


def test_a_share_of_strips_is_judged_by_the_tolerance_limit(make, strips):
    k = tolerance_factor(5, 0.9)
    edge = np.mean(LEFT) - k * np.std(LEFT, ddof=1)
    (just,) = conformance(two_groups(make, strips), strength=edge - 1e-6, share=0.9, dose=10)
    (over,) = conformance(two_groups(make, strips), strength=edge + 1e-6, share=0.9, dose=10)
    assert (just.verdict, over.verdict) == ("pass", "undecided")
    assert just.value == pytest.approx(edge)


@pytest.mark.parametrize("true, wrong", [(0.5, "pass"), (0.5, "fail")])
def test_a_product_at_the_limit_is_passed_or_failed_in_five_percent_of_cases(
    make, strips, true, wrong
):
    rng = np.random.default_rng(21)
    trials = 1000  # materials of one study; three standard errors of 0.05 are 0.021
    rows = []
    for k in range(trials):
        rows += strips(rng.normal(20, 1.6, 5), material=f"M{k}")
        rows += strips(rng.normal(20 * true, 1.6 * true, 5), material=f"M{k}", dose=10.0)
    found = conformance(make(rows), retained=0.5, dose=10)
    assert np.mean([c.verdict == wrong for c in found]) == pytest.approx(0.05, abs=0.021)


def test_lots_together_use_the_scatter_between_lots(make, strips):
    rows = []
    for lot, scale in (("1", 0.55), ("2", 0.6), ("3", 0.65)):
        rows += strips(START, lot=lot) + strips(np.array(START) * scale, lot=lot, dose=10.0)
    *lots, product = conformance(make(rows), retained=0.5, dose=10)
    assert [c.lot for c in lots] == ["1", "2", "3"] and product.lot == ""
    logs = np.log([0.55, 0.6, 0.65])
    t = (logs.mean() - np.log(0.5)) / (logs.std(ddof=1) / np.sqrt(3))
    assert product.probability == pytest.approx(stats.t.cdf(t, 2))
    assert product.risks is not None and product.risks.lot_sd > 0


def test_strips_too_weak_to_test_can_fail_and_cannot_pass(make, strips):
    rows = [*strips(START), *strips([2.0] * 5, dose=10.0, censored=-1)]
    rows += strips([15, 16, 17], dose=5.0)
    (found,) = conformance(make(rows), retained=0.5, dose=10)
    assert found.verdict == "fail" and found.probability is None
    (found,) = conformance(make(rows), retained=0.05, dose=10)
    assert found.verdict == "undecided"


def test_risks_of_the_usual_rule_agree_with_simulation():
    rule = RuleRisks(required=0.5, cv=0.12, n=5, cv_unexposed=0.08, n_unexposed=5, lot_sd=0.1)
    rng = np.random.default_rng(22)
    trials = 40_000
    for true in (0.45, 0.5, 0.55):
        lot = true * np.exp(rng.normal(0, 0.1, trials))
        after = rng.normal(lot[:, None], 0.12 * lot[:, None], (trials, 5)).mean(axis=1)
        before = rng.normal(1, 0.08, (trials, 5)).mean(axis=1)
        assert rule.accepts(true) == pytest.approx(np.mean(after / before >= 0.5), abs=0.008)
    assert rule.consumer == rule.accepts(0.45)
    assert rule.producer == pytest.approx(1 - rule.accepts(0.55))


def test_more_strips_make_both_risks_smaller():
    risks = [
        RuleRisks(required=0.5, cv=0.1, n=n, cv_unexposed=0.1, n_unexposed=n) for n in (3, 5, 10)
    ]
    for kind in ("consumer", "producer"):
        found = [getattr(r, kind) for r in risks]
        assert found == sorted(found, reverse=True)


def test_the_number_of_strips_is_the_least_that_is_enough():
    from durability.retention import interval_factor

    n = strips_needed(0.12, 1.1, cv_unexposed=0.06, n_unexposed=10)
    assert interval_factor(0.12, n, 0.06, 10) <= 1.1 < interval_factor(0.12, n - 1, 0.06, 10)
    with pytest.raises(ValueError, match="unexposed"):
        strips_needed(0.12, 1.05, cv_unexposed=0.2, n_unexposed=3)


@pytest.mark.parametrize(
    "options, words",
    [
        ({"dose": 10}, "one requirement"),
        ({"retained": 0.5, "strength": 8, "dose": 10}, "one requirement"),
        ({"retained": 0.5}, "one withdrawal"),
        ({"retained": 50, "dose": 10}, "0.5 for half"),
        ({"retained": 0.5, "dose": 11}, "withdrawals: 10"),
        ({"retained": 0.5, "dose": 10, "exposure": "Y"}, "none of X"),
        ({"retained": 0.5, "dose": 10, "share": 0.9}, "goes with strength"),
        ({"retained": 0.5, "dose": 10, "assurance": 0.3}, "assurance"),
    ],
)
def test_questions_that_cannot_be_answered_are_refused_in_words(make, strips, options, words):
    with pytest.raises(ValueError, match=words):
        conformance(two_groups(make, strips), **options)


def test_an_example_is_judged_by_hours_and_its_record_is_plain_json():
    found = conformance(read_study(EXAMPLES / "quarry-cover"), retained=0.5, hours=1000)
    assert {c.verdict for c in found} == {"fail", "undecided"}
    assert json.loads(json.dumps([c.to_dict() for c in found]))[0]["place"] == "1000 h"
    assert all(c.subject() in c.sentence() for c in found)

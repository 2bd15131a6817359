"""Do predictive limits hold what they say, and stand out where the law is wrong?"""

from __future__ import annotations

import numpy as np
import pytest
from known_truth import simulated, strips_of, study_of, truth_of

from durability import fit
from durability.inference.checking import last_dose_check, predictive_check


def test_groups_of_the_right_law_lie_inside_their_limits(right):
    check = predictive_check(right)
    assert len(check.of("mean")) == len(check.of("cv")) == len(check.of("weakest")) == 18
    for statistic in ("mean", "cv", "weakest"):
        assert check.share(statistic, 95) >= 0.8
        assert not check.too_many(statistic)


def test_groups_of_a_wrong_law_stand_out_and_are_named(wrong):
    check = predictive_check(wrong)
    assert check.too_many("mean") or check.too_many("cv")
    assert "than chance would give" in check.verdict()
    assert check.standing_out()[0].name() in repr(check)


def test_statistics_found_are_those_of_the_strips(right, study):
    row = next(r for r in predictive_check(right).of("cv") if r.lot == "L1" and r.dose == 300.0)
    mine = (study.rows["lot"].values == "L1") & (study.rows["dose"].values == 300.0)
    strength = study.rows["strength"].values[mine].astype(float)
    assert row.found == pytest.approx(strength.std(ddof=1) / strength.mean())
    assert row.strips == 5


def test_strips_too_weak_to_measure_are_checked_by_their_share(quick):
    weak, _ = simulated(3, materials=1, lots=2, limit=0.4)
    check = predictive_check(fit(weak, sampler=quick, seed=1))
    censored = check.of("censored")
    assert censored
    assert all(0 < r.found <= 1 for r in censored)


@pytest.mark.slow
def test_limits_of_strips_not_fitted_hold_what_they_say(quick):
    """Hidden strips of the last dose, over studies drawn from the priors."""
    inside, held, groups, foretold = [], 0, 0, 0
    for seed in range(25):
        one, _ = simulated([seed, 9], materials=1, lots=3)
        found = last_dose_check(one, sampler=quick, seed=seed)
        inside.append(found.coverage)
        held += found.groups_held
        groups += len(found.rows)
        foretold += found.foretold
    assert np.mean(inside) == pytest.approx(0.95, abs=0.04)
    assert held / groups == pytest.approx(0.95, abs=0.06)
    assert foretold >= 20


def test_hidden_last_dose_of_the_right_law_is_foretold(right):
    found = last_dose_check(right)
    assert [r.last_kept for r in found.rows] == [450.0] * 3
    assert found.foretold
    assert found.groups_held >= 2
    assert "last dose hidden" in found.verdict()


def test_hidden_last_dose_of_a_wrong_law_is_not_foretold(wrong):
    found = last_dose_check(wrong)
    assert not found.foretold
    assert "does not hold beyond the doses tested" in found.verdict()


def test_two_doses_are_too_few_to_hide_one():
    columns = strips_of(np.random.default_rng(1), truth_of(300.0), doses=(0.0, 200.0, 400.0),
                        strips=3)  # fmt: skip
    found = last_dose_check(study_of(columns))
    assert found.rows == ()
    assert found.skipped == {"X": 2}
    assert "three or more" in found.verdict()

"""Do importance weights say what fitting again without the strip or the dose says?"""

from __future__ import annotations

import numpy as np
import pytest
from known_truth import strips_of, study_of, truth_of

from durability import fit
from durability.inference.checking.items import items_of
from durability.inference.checking.leave_out import (
    GOOD_K,
    forecast_density,
    leave_one_dose_out,
    leave_one_out,
    log_mean,
    of_whole,
)
from durability.inference.checking.pointwise import log_given_rest, parts_of
from durability.inference.checking.refit import refit_without


def test_leave_one_out_by_weights_is_that_by_fitting_again(right):
    ours = leave_one_out(right)
    for i in (0, 31, 88):
        alone = np.arange(len(ours.items)) == i
        again = of_whole(refit_without(right, alone, items=ours.items), right.model)
        exact = log_mean(log_given_rest(parts_of(again, items=ours.items))[:, i])
        assert ours.elpd[i] == pytest.approx(exact, abs=0.05)


def test_a_strip_far_from_all_others_is_fitted_again(quick):
    columns = strips_of(np.random.default_rng(2), truth_of(300.0), doses=(0.0, 200.0, 400.0),
                        strips=3)  # fmt: skip
    columns["strength"][4] *= 0.3
    found = leave_one_out(fit(study_of(columns), sampler=quick, seed=1))
    assert found.pareto_k[4] > GOOD_K
    assert found.refitted[4]
    assert found.elpd[4] == found.elpd.min()
    assert found.doubtful == 0


def test_a_dose_left_out_by_weights_is_that_by_fitting_again(right):
    found = {d.dose: d for d in leave_one_dose_out(right)}
    assert list(found) == [100.0, 200.0, 300.0, 450.0, 600.0]
    assert [d.largest for d in found.values()] == [False] * 4 + [True]
    by_weights = next(d for d in found.values() if not d.refitted)
    items = items_of(right.model)
    left_out = items.dose == by_weights.dose
    again = of_whole(refit_without(right, left_out, items=items), right.model)
    density = forecast_density(parts_of(again, items=items), left_out)
    exact = np.array([log_mean(v) for v in density.values()])
    assert by_weights.elpd == pytest.approx(exact, abs=0.25)


def test_a_law_the_strips_do_not_follow_foretells_worse(right, wrong):
    assert leave_one_out(right).total > leave_one_out(wrong).total + 20

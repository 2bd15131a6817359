"""Strips that lost nothing: is a bound all that is said, and does it stay with the likelihood's?

Data: Santos, Holanda, da Silva et al. 2025, Zenodo 10.5281/zenodo.18748157, CC BY 4.0. Answers by
least squares and t, in data/uv_cycles.json with their source.
"""

from __future__ import annotations

import functools
import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

import durability
from durability.inference import Fit, Sampler
from durability.inference.coordinates import layout
from durability.inference.sampling import sample

HERE = Path(__file__).parent
ANSWERS = json.loads((HERE / "data" / "uv_cycles.json").read_text(encoding="utf-8"))


@functools.cache
def fit(law: str = "stretched-exponential") -> Fit:
    study = durability.read_study(HERE.parents[1] / "examples" / "uv-cycles")
    return durability.fit(study, law=law, seed=1)


def test_strips_used_are_those_of_the_recomputation():
    model = fit().model
    assert model.n_strips == ANSWERS["exponential"]["n"] == 45
    for dose, mean, count in zip(model.cell_dose, model.mean, model.count, strict=True):
        group = ANSWERS["groups"][f"{dose:g}"]
        assert count == group["n"]
        assert mean == pytest.approx(group["mean_log"], abs=1e-6)


def test_bound_of_least_squares_is_that_of_the_slope():
    """The likelihood's bound, worked out again from the cells that the fit sees."""
    model, answer = fit().model, ANSWERS["exponential"]
    dose, weight = model.cell_dose, model.count
    centre = np.average(dose, weights=weight)
    about = (weight * (dose - centre) ** 2).sum()
    slope = (weight * (dose - centre) * model.mean).sum() / about
    start = np.average(model.mean, weights=weight) - slope * centre
    squares = model.squares.sum() + (weight * (model.mean - start - slope * dose) ** 2).sum()
    freedom = weight.sum() - 2
    sd = np.sqrt(squares / freedom)
    assert -slope == pytest.approx(answer["k"], rel=1e-6)
    assert sd == pytest.approx(answer["sigma_log_unbiased"], rel=1e-6)
    steepest = -slope + stats.t.ppf(0.95, freedom) * sd / np.sqrt(about)
    expected = ANSWERS["cycles_to_half_lower_bound_one_sided_95"]
    assert np.log(2) / steepest == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("law", ["stretched-exponential", "exponential", "logistic", "linear"])
@pytest.mark.parametrize("of", ["mean", "new_lot", "single_specimen"])
def test_no_threshold_is_stated_only_a_lower_bound_with_its_flags(law, of):
    for s in fit(law).threshold_dose(0.5, of=of):
        assert s.is_bound and s.value is None and s.high is None
        assert s.sides == 1 and s.level == 0.95 and s.unit == "cycles"
        assert {"lower_bound_only", "no_unexposed_strips", "one_lot"} <= set(s.flags)
        assert s.low is not None and s.extrapolated == (s.low > 120)


def test_scatter_of_strips_agrees_with_least_squares():
    draws = fit("exponential").posterior["strip_spread"].values
    low, high = np.quantile(draws, [0.025, 0.975])
    assert low < ANSWERS["exponential"]["sigma_log_unbiased"] < high
    assert high - low < 0.2


def test_bound_under_the_exponential_law_is_not_later_than_the_likelihoods_by_over_a_tenth():
    """Later would be the unsafe side: it would let a weak prior lengthen the time."""
    (s,) = fit("exponential").threshold_dose(0.5, of="mean")
    assert s.low is not None
    assert 120 < s.low < 1.1 * ANSWERS["cycles_to_half_lower_bound_one_sided_95"]


def test_bound_of_the_lot_tested_is_not_later_than_the_likelihoods_by_over_a_tenth():
    """The like for like comparison: the lot on the bench, without the spread between lots.

    Before its lot effect is drawn, the sampled threshold of a single lot is that lot's own.
    """
    model = fit("exponential").model
    assert model.single_lot.tolist() == [1]
    drawn = sample(model, sampler=Sampler(draws=2000, tune=500), seed=3)
    at_anchor = drawn.theta[..., layout(model).main].ravel()
    own = np.exp(at_anchor) * model.law.inverse(0.5) / model.law.inverse(model.anchor[0])
    low = np.quantile(own, 0.05)
    assert 120 < low < 1.1 * ANSWERS["cycles_to_half_lower_bound_one_sided_95"]


def test_strength_left_after_the_last_cycles_is_a_lower_bound():
    (s,) = fit().statements().where(quantity="retained_strength")
    assert s.is_bound and s.low is not None and s.dose == 120
    assert 0.4 < s.low < 1
    assert {"no_unexposed_strips", "one_lot"} <= set(s.flags)


def test_nothing_is_said_in_days_or_hours():
    found = fit().statements()
    assert not found.where(quantity="threshold_hours")
    with pytest.raises(ValueError, match="cycles"):
        durability.translate(fit(), site="miami")

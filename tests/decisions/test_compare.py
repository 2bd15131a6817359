"""Ratios to the control's threshold dose, with limits only where they exist."""

from __future__ import annotations

import numpy as np
import pytest

from durability.decisions import EXPLANATIONS, compare

RNG = np.random.default_rng(1)
CONTROL = RNG.lognormal(6, 0.1, 4001)
BETTER = RNG.lognormal(6 + np.log(2), 0.2, 4001)


def test_the_ratio_of_log_normals_is_log_normal(given_fit):
    """Median 2, log sd √(0.1² + 0.2²) = 0.2236 (arithmetic)."""
    said = compare(given_fit({"K": CONTROL, "A": BETTER}), "K", level=0.9)
    assert [(s.material, s.of) for s in said] == [("A", "mean"), ("A", "new_lot")]
    ratio = said.one(of="mean")
    assert ratio.value == pytest.approx(2, rel=0.02)
    assert ratio.low == pytest.approx(2 * np.exp(-1.645 * 0.2236), rel=0.03)
    assert ratio.high == pytest.approx(2 * np.exp(1.645 * 0.2236), rel=0.03)
    assert (ratio.sides, ratio.kind, ratio.unit) == (2, "credible", "1")
    assert said.one(of="new_lot").kind == "prediction"
    assert {*ratio.assumptions, *ratio.flags} <= set(EXPLANATIONS)


def test_a_material_that_may_never_get_there_has_a_lower_limit_only(given_fit):
    tau = BETTER.copy()
    tau[:500] = np.inf
    ratio = compare(given_fit({"K": CONTROL, "A": tau}), "K").one(of="mean")
    assert ratio.high is None
    assert ratio.sides == 1
    assert ratio.low is not None
    assert ratio.value is not None
    assert 1 < ratio.low < ratio.value
    assert "threshold_may_not_exist" in ratio.flags


def test_a_control_that_may_never_get_there_leaves_an_upper_limit_only(given_fit):
    control = CONTROL.copy()
    control[:500] = np.inf
    ratio = compare(given_fit({"K": control, "A": BETTER}), "K").one(of="mean")
    assert ratio.low is None
    assert ratio.high is not None
    assert ratio.value is not None
    assert ratio.high > ratio.value


def test_draws_in_which_neither_gets_there_widen_both_limits(given_fit):
    mine, theirs = BETTER.copy(), CONTROL.copy()
    mine[:50] = theirs[:50] = np.inf
    plain = compare(given_fit({"K": CONTROL, "A": BETTER}), "K").one(of="mean")
    wide = compare(given_fit({"K": theirs, "A": mine}), "K").one(of="mean")
    assert wide.low is not None
    assert wide.high is not None
    assert plain.low is not None
    assert plain.high is not None
    assert wide.low < plain.low
    assert wide.high > plain.high
    assert "ratio_undefined_in_part" in wide.flags
    mine[:] = theirs[:] = np.inf
    assert len(compare(given_fit({"K": theirs, "A": mine}), "K")) == 0


@pytest.mark.parametrize(
    ("bounds", "expected"),
    [
        ({"A": "lower"}, "low"),
        ({"K": "lower"}, "high"),
        ({"A": "upper"}, "high"),
        ({"K": "upper"}, "low"),
        ({"A": "lower", "K": "lower"}, None),
    ],
)
def test_bounds_of_doses_give_bounds_of_the_ratio_or_none(given_fit, bounds, expected):
    fit = given_fit({"K": CONTROL, "A": BETTER})
    fit.bounds.update(bounds)
    said = compare(fit, "K").where(of="mean")
    if expected is None:
        assert len(said) == 0
        return
    (ratio,) = said
    assert ratio.value is None
    assert {"low": ratio.low, "high": ratio.high}[expected] is not None
    assert (ratio.low is None) != (ratio.high is None)


def test_a_ratio_leaning_on_doses_beyond_the_test_is_flagged(given_fit):
    assert not compare(given_fit({"K": CONTROL, "A": BETTER}), "K").one(of="mean").extrapolated
    fit = given_fit({"K": CONTROL, "A": BETTER}, last=500.0)
    assert compare(fit, "K").one(of="mean").extrapolated


def test_the_control_must_be_named_and_fitted(given_fit):
    with pytest.raises(ValueError, match="no control"):
        compare(given_fit({"K": CONTROL}))
    with pytest.raises(ValueError, match="known: K"):
        compare(given_fit({"K": CONTROL}), "Z")

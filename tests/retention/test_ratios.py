"""Do the intervals cover, and do their formulas hold?"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from durability.retention import (
    fieller_interval,
    fieller_limits,
    log_ratio_interval,
    mean_interval,
)

TRIALS = 4000


def drawn(seed, n, mean, cv):
    x = mean * (1 + cv * np.random.default_rng(seed).standard_normal((TRIALS, n)))
    return x.mean(axis=1), x.std(axis=1, ddof=1), n


@pytest.mark.parametrize("interval", [log_ratio_interval, fieller_interval])
@pytest.mark.parametrize(("n1", "cv1"), [(5, 0.10), (5, 0.20), (3, 0.10)])
def test_ratio_interval_covers_the_true_ratio_as_often_as_it_says(interval, n1, cv1):
    found = interval(*drawn(1, n1, 10.0, cv1), *drawn(2, 5, 20.0, 0.10), 0.95)
    covered = np.mean((found.low < 0.5) & (found.high > 0.5))
    assert covered == pytest.approx(0.95, abs=0.015)


def test_one_sided_limits_each_hold_alone():
    found = log_ratio_interval(*drawn(3, 5, 10.0, 0.10), *drawn(4, 5, 20.0, 0.10), 0.95, sides=1)
    assert np.mean(found.low < 0.5) == pytest.approx(0.95, abs=0.015)
    assert np.mean(found.high > 0.5) == pytest.approx(0.95, abs=0.015)


def test_fieller_limits_are_where_the_t_test_of_a_ratio_just_fails():
    low, high = fieller_limits(10.0, 0.5, 20.0, 0.8, 2.306)
    for r in (low, high):
        assert abs(10.0 - r * 20.0) / np.hypot(0.5, r * 0.8) == pytest.approx(2.306, rel=1e-12)


def test_fieller_has_no_end_where_the_unexposed_mean_may_be_zero():
    found = fieller_interval(1.0, 0.1, 3, 1.0, 1.0, 3)
    assert np.isnan(found.low) and np.isnan(found.high) and found.value == 1.0


def test_five_strips_of_8_percent_give_a_factor_of_1_12():
    # arithmetic: t(8 df) 2.306 × 0.08 × sqrt(2/5) = 0.1167, exp 1.124
    found = log_ratio_interval(0.5, 0.04, 5, 1.0, 0.08, 5)
    assert found.df == pytest.approx(8)
    assert found.high / found.value == pytest.approx(1.124, abs=5e-4)


@given(
    st.floats(0.1, 100), st.floats(0.01, 0.5), st.integers(2, 9), st.floats(0.01, 0.5),
    st.floats(1e-3, 1e3),
)  # fmt: skip
def test_ratio_interval_does_not_depend_on_the_unit(mean, cv1, n, cv0, unit):
    a = log_ratio_interval(mean, cv1 * mean, n, 20.0, cv0 * 20.0, 5)
    b = log_ratio_interval(unit * mean, unit * cv1 * mean, n, unit * 20.0, unit * cv0 * 20.0, 5)
    np.testing.assert_allclose(b, a, rtol=1e-9)
    assert a.low < a.value < a.high
    assert min(n, 5) - 1 <= a.df * (1 + 1e-12) and a.df <= (n + 3) * (1 + 1e-12)


def test_a_mean_of_strengths_has_no_negative_lower_limit():
    assert mean_interval(10.0, 8.0, 3).low == 0.0


def test_a_missing_spread_leaves_the_value_without_limits():
    found = log_ratio_interval(10.0, np.nan, 5, 20.0, 1.0, 5)
    assert found.value == 0.5 and np.isnan(found.low) and np.isnan(found.high)

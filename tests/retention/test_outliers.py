"""Are strips that stand out pointed at as often as they should be, and kept?"""

from __future__ import annotations

import numpy as np
import pytest

from durability.retention import groups, grubbs_critical, grubbs_p, outliers


@pytest.mark.parametrize("n", [3, 5, 10])
def test_a_fraction_alpha_of_normal_groups_shows_one_by_chance(n):
    x = np.random.default_rng(n).standard_normal((40_000, n))
    g = np.abs(x - x.mean(axis=1, keepdims=True)).max(axis=1) / x.std(axis=1, ddof=1)
    assert np.mean(g > grubbs_critical(n, 0.05)) == pytest.approx(0.05, abs=0.004)
    assert np.mean(grubbs_p(g, n) < 0.05) == pytest.approx(0.05, abs=0.004)
    assert g.max() <= (n - 1) / np.sqrt(n) + 1e-12


def test_a_strip_that_stands_out_is_named_and_stays_in_the_mean(make, strips):
    values = [10.0, 10.1, 9.9, 10.05, 9.95, 14.0]
    study = make(strips([20.0, 20.5, 19.5]) + strips(values, dose=100.0, lot="1"))
    (found,) = outliers(study)
    assert (found.strength, found.lot, found.dose, found.specimen) == (14.0, "1", 100.0, "8")
    assert (found.file, found.line, found.n) == ("specimens.csv", 10, 6)
    assert found.statistic > found.critical and found.p_value < 0.001
    assert found.p_study == pytest.approx(2 * found.p_value)
    assert groups(study)["mean"].values[1] == pytest.approx(np.mean(values))


def test_small_and_censored_groups_and_equal_strips_are_not_tested(make, strips):
    weak = {"strength": 1.0, "censored": -1, "dose": 2.0}
    study = make(
        [
            *strips([1.0, 9.0], dose=1.0),
            *strips([5.0, 5.1, 5.2, 5.1, 50.0], dose=2.0),
            weak,
            *strips([3.0, 3.0, 3.0], dose=3.0),
        ]
    )
    assert outliers(study) == ()


def test_alpha_must_be_a_probability(make, strips):
    with pytest.raises(ValueError, match="alpha"):
        outliers(make(strips([1.0])), alpha=5)

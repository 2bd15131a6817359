"""The Wald band of a law that is a straight line in the log is that of linear regression."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from durability.inference.likelihood import fit_curve
from durability.inference.likelihood.band import wald_band


def test_band_of_the_exponential_law_is_that_of_a_regression_of_the_log():
    """Textbook formula of the confidence limits of a regression line: from memory."""
    rng = np.random.default_rng(5)
    dose = np.repeat([0.0, 100.0, 200.0, 400.0], 5)
    strength = 20 * np.exp(-dose / 500) * np.exp(rng.normal(0, 0.06, dose.size))
    places = np.array([0.0, 150.0, 700.0])
    low, middle, high = wald_band(fit_curve("exponential", dose, strength), places, level=0.9)
    slope, start = np.polyfit(dose, np.log(strength), 1)
    left = np.log(strength) - start - slope * dose
    spread = np.sqrt((left**2).sum() / (dose.size - 2))
    about = (places - dose.mean()) ** 2 / ((dose - dose.mean()) ** 2).sum()
    half = stats.t.ppf(0.95, dose.size - 2) * spread * np.sqrt(1 / dose.size + about)
    expected = start + slope * places
    assert np.log(middle) == pytest.approx(expected, rel=1e-6)
    assert np.log(high) == pytest.approx(expected + half, rel=1e-4)
    assert np.log(low) == pytest.approx(expected - half, rel=1e-4)

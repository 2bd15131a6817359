"""Each family agrees with SciPy's distribution of the same name, far into both tails."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from durability.inference.crossing.families import FAMILIES, family

W = np.array([-8.0, -2.5, -0.4, 0.0, 0.3, 1.7, 3.0])
SCIPY = {
    "weibull": stats.gumbel_l,
    "exponential": stats.gumbel_l,
    "lognormal": stats.norm,
    "loglogistic": stats.logistic,
}


@pytest.mark.parametrize("name", SCIPY)
def test_location_scale_families_agree_with_scipy(name):
    ours, theirs = FAMILIES[name].standard(), SCIPY[name]
    assert ours.log_survival(W) == pytest.approx(theirs.logsf(W), rel=1e-12)
    assert ours.log_distribution(W) == pytest.approx(theirs.logcdf(W), rel=1e-11)
    assert ours.log_density(W) == pytest.approx(theirs.logpdf(W), rel=1e-12)
    p = np.array([0.01, 0.5, 0.999])
    assert ours.quantile(p) == pytest.approx(theirs.ppf(p), rel=1e-12)


@pytest.mark.parametrize("shape", [2.5, 0.7, 0.05, -0.05, -1.4])
def test_the_generalised_gamma_agrees_with_scipy(shape):
    # T = exp(w): scipy's gengamma has a = 1/λ², c = λ, scale a^(-1/λ)
    a = shape**-2
    w = W if abs(shape) > 0.1 else W[1:]  # beyond, SciPy's own logarithms run out
    theirs = stats.gengamma(a, shape, scale=a ** (-1 / shape))
    ours = FAMILIES["generalised-gamma"].standard(shape)
    t = np.exp(w)
    assert ours.log_density(w) == pytest.approx(theirs.logpdf(t) + w, rel=1e-7, abs=1e-9)
    inside = (theirs.sf(t) > 1e-12) & (theirs.cdf(t) > 1e-12)
    assert ours.log_survival(w)[inside] == pytest.approx(np.log(theirs.sf(t)[inside]), rel=1e-7)
    assert ours.log_distribution(w)[inside] == pytest.approx(
        np.log(theirs.cdf(t)[inside]), rel=1e-7
    )


@pytest.mark.parametrize("shape", [0.5, -0.5])
def test_the_generalised_gamma_keeps_its_logarithms_where_probabilities_vanish(shape):
    ours = FAMILIES["generalised-gamma"].standard(shape)
    far = np.array([12.0]) * np.sign(shape)  # the probability is below the smallest double
    tail = ours.log_survival if shape > 0 else ours.log_distribution
    value = tail(far)
    assert np.isfinite(value).all() and value[0] < -700
    h = 1e-5  # its slope is minus density over probability
    slope = (tail(far + h) - tail(far - h)) / (2 * h)
    ratio = np.exp(ours.log_density(far) - value) * (-1 if shape > 0 else 1)
    assert slope == pytest.approx(ratio, rel=1e-5)


def test_the_generalised_gamma_contains_the_weibull_and_the_lognormal():
    general = FAMILIES["generalised-gamma"]
    for shape, name in ((1.0, "weibull"), (0.0, "lognormal"), (1e-4, "lognormal")):
        ours, inner = general.standard(shape), FAMILIES[name].standard()
        assert ours.log_density(W[1:]) == pytest.approx(inner.log_density(W[1:]), rel=2e-3)
        assert ours.log_survival(W[1:]) == pytest.approx(inner.log_survival(W[1:]), rel=2e-3)


def test_an_unknown_family_names_the_nearest():
    with pytest.raises(LookupError, match=r"did you mean.*lognormal"):
        family("log-normal")

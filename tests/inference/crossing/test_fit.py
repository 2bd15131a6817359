"""Fits of brackets: exact derivatives, intervals that keep their promise, and plain refusals."""

from __future__ import annotations

import numpy as np
import pytest

from durability.inference.crossing import NoEstimate, arrhenius, fit_crossings, power
from durability.inference.crossing.families import FAMILIES
from durability.inference.crossing.likelihood import Brackets, derivatives, log_likelihood

INF = np.inf


def drawn(rng, n, *, looks=(60.0, 80.0, 100.0, 120.0, 150.0), sigma=0.4, median=100.0):
    """Units of a lognormal with known median, looked at a few doses."""
    t = median * np.exp(sigma * rng.standard_normal(n))
    edges = np.array([0.0, *looks, INF])
    at = np.searchsorted(edges, t, side="left")
    return edges[at - 1], edges[at]


MIXED = (
    np.array([0.0, 40.0, 60.0, 70.0, 55.0, 80.0, 66.0, 0.0]),
    np.array([50.0, 60.0, 60.0, INF, 90.0, INF, 120.0, 70.0]),
)


@pytest.mark.parametrize("name", FAMILIES)
def test_derivatives_are_those_of_the_likelihood(name):
    low, high = MIXED
    x = np.column_stack([np.ones(8), np.linspace(-1, 1, 8)])
    data = Brackets.of(low, high, np.arange(1.0, 9.0), x)
    chosen = FAMILIES[name]
    theta = np.array([4.1, 0.2, -0.7, 0.6])[: 2 + (not chosen.fixed_scale) + chosen.has_shape]
    value, gradient, hessian = derivatives(chosen, data, theta)
    assert value == pytest.approx(log_likelihood(chosen, data, theta), rel=1e-12)
    h = 1e-5
    for i, e in enumerate(np.eye(theta.size)):
        up, down = (derivatives(chosen, data, theta + s * h * e) for s in (1, -1))
        assert gradient[i] == pytest.approx((up[0] - down[0]) / (2 * h), rel=1e-6, abs=1e-5)
        assert hessian[i] == pytest.approx((up[1] - down[1]) / (2 * h), rel=2e-5, abs=1e-4)


def test_a_very_narrow_bracket_is_a_dose_with_its_width():
    dose, width = np.array([40.0, 70.0, 90.0, 130.0]), 1e-3
    exact = fit_crossings(dose, dose, start="own")
    narrow = fit_crossings(dose - width / 2, dose + width / 2, start="own")
    finer = fit_crossings(dose * (1 - 2e-6), dose * (1 + 2e-6), start="own")
    assert narrow.theta == pytest.approx(exact.theta, rel=1e-6)
    assert finer.theta == pytest.approx(exact.theta, rel=1e-9)
    assert narrow.log_likelihood - 4 * np.log(width) == pytest.approx(
        exact.log_likelihood, abs=1e-6
    )


def test_counts_are_units_written_once():
    low, high = drawn(np.random.default_rng(3), 30)
    pairs, count = np.unique(np.column_stack([low, high]), axis=0, return_counts=True)
    one = fit_crossings(low, high, start="own")
    by_count = fit_crossings(pairs[:, 0], pairs[:, 1], weights=count, start="own")
    assert by_count.theta == pytest.approx(one.theta, rel=1e-9)
    assert by_count.n == one.n == 30


def test_doses_in_another_unit_give_the_same_fit_in_that_unit():
    low, high = drawn(np.random.default_rng(4), 30)
    here = fit_crossings(low, high, start="own").quantile(0.1)
    for factor in (1e-9, 1e12):
        there = fit_crossings(low * factor, high * factor, start="own").quantile(0.1)
        assert there.value == pytest.approx(here.value * factor, rel=1e-8)
        assert there.low == pytest.approx(here.low * factor, rel=1e-6)


def test_the_likelihood_at_a_profile_limit_has_fallen_by_what_is_allowed():
    from scipy.optimize import minimize

    low, high = drawn(np.random.default_rng(5), 20)
    fit = fit_crossings(low, high, family="lognormal", start="own")
    q = fit.quantile(0.1, calibration="chi2")
    w = -1.2815515655446004  # standard normal at 0.1
    for limit in (q.low, q.high):

        def at(s, limit=limit):
            theta = np.array([np.log(limit) - np.exp(s[0]) * w, s[0]])
            return -log_likelihood(FAMILIES["lognormal"], fit.data, theta)

        best = minimize(at, [fit.theta[1]], method="Nelder-Mead", options={"xatol": 1e-9})
        assert 2 * (fit.log_likelihood + best.fun) == pytest.approx(3.841458820694124, abs=1e-5)


@pytest.mark.parametrize("name", ["weibull", "loglogistic", "exponential", "generalised-gamma"])
def test_profile_limits_come_near_delta_limits_with_many_units(name):
    low, high = drawn(np.random.default_rng(6), 1500, sigma=0.9)
    fit = fit_crossings(low, high, family=name, start="own")
    profile, delta = (fit.quantile(0.5, method=m) for m in ("profile", "delta"))
    assert profile.low == pytest.approx(delta.low, rel=0.01)
    assert profile.high == pytest.approx(delta.high, rel=0.01)
    assert delta.low < fit.quantile(0.5).value < delta.high


def test_intervals_cover_the_truth_at_twenty_bracketed_units():
    # 200 simulated sets; three standard errors of the count are 4.6 %; see benchmarks/ for more
    rng = np.random.default_rng(20)
    hits = {"profile": 0, "delta": 0, "new": 0}
    made = 0
    for _ in range(200):
        low, high = drawn(rng, 20)
        try:
            fit = fit_crossings(low, high, family="lognormal", start="own")
        except NoEstimate:
            continue
        made += 1
        for method in ("profile", "delta"):
            q = fit.quantile(0.5, method=method)
            hits[method] += q.low <= 100.0 <= q.high
        a, b = fit.new_unit()
        hits["new"] += a <= 100.0 * np.exp(0.4 * rng.standard_normal()) <= b
    assert made > 190
    assert abs(hits["profile"] / made - 0.95) < 0.046
    assert abs(hits["delta"] / made - 0.95) < 0.05
    assert hits["new"] / made > 0.90


def test_the_known_activation_energy_is_found():
    rng = np.random.default_rng(8)
    celsius = np.repeat([50.0, 65.0, 80.0], 60)
    irradiance = np.tile([0.35, 0.5, 0.9], 60)
    t = 2.0 * np.exp(34 / (8.314462618e-3 * (celsius + 273.15)) - 10) / irradiance**0.7
    t = t * np.exp(0.3 * rng.standard_normal(t.size))
    low = np.floor(t * 5) / 5
    fit = fit_crossings(
        low, low + 0.2, family="lognormal", start="own",
        covariates={"energy": arrhenius(celsius), "exponent": power(irradiance)},
    )  # fmt: skip
    for name, truth in (("energy", 34.0), ("exponent", -0.7)):
        assert abs(fit.coefficients[name] - truth) < 3 * fit.standard_errors[name]
    ratio, a, b = fit.ratio(
        {"energy": arrhenius(50.0), "exponent": 0.0}, {"energy": arrhenius(80.0), "exponent": 0.0}
    )
    truth = np.exp(34 * float(arrhenius(50.0) - arrhenius(80.0)))
    assert a < truth < b and a < ratio < b


def test_the_curve_passes_through_its_quantiles():
    low, high = drawn(np.random.default_rng(9), 40)
    for name in FAMILIES:
        fit = fit_crossings(low, high, family=name, start="own")
        doses = [fit.quantile(p, method="delta").value for p in (0.1, 0.5, 0.9)]
        curve = fit.holding(doses)
        assert curve["holding"].values == pytest.approx([0.9, 0.5, 0.1], abs=1e-9)
        assert (curve["low"] < curve["holding"]).all() and (curve["holding"] < curve["high"]).all()


REFUSED = [
    ("all_held", [5] * 6, [INF] * 6, (5, None)),
    ("all_crossed", [0] * 6, [5] * 6, (None, 5)),
    ("no_scatter", [100] * 6, [150] * 6, (100, 150)),
    ("no_scatter", [0, 0, 5, 5], [5, 5, INF, INF], (None, None)),
    ("no_scatter", [3], [4], (None, None)),
    ("no_trend", [0, 0, 5, 5], [3, 3, INF, INF], (None, None)),
]


@pytest.mark.parametrize("reason, low, high, bound", REFUSED)
def test_what_cannot_be_fitted_says_why_and_what_still_holds(reason, low, high, bound):
    with pytest.raises(NoEstimate) as error:
        fit_crossings(low, high)
    assert error.value.reason == reason
    assert error.value.bound is not None
    assert (error.value.bound.low, error.value.bound.high) == bound


def test_a_covariate_that_separates_units_is_named():
    with pytest.raises(NoEstimate, match="told by: blue") as error:
        fit_crossings(
            [1, 2, 3, 1, 3], [2, 3, 4, 4, INF], covariates={"blue": [0, 0, 0, 0, 1]}, start="own"
        )
    assert error.value.reason == "separated"
    with pytest.raises(NoEstimate) as error:
        fit_crossings([1, 2, 3], [2, 3, 4], covariates={"one": [1, 1, 1]})
    assert error.value.reason == "same_columns"


def test_everything_wrong_with_the_arrays_is_told_at_once():
    with pytest.raises(ValueError) as error:
        fit_crossings([-1, 3, 0, np.nan], [2, 1, INF, 4], weights=[1, 1, 1, 0])
    text = str(error.value)
    for words in ("below 0 at unit 0", "low above high at unit 1", "inf, which says nothing",
                  "not a number at unit 3", "weights of 0 or less at unit 3"):  # fmt: skip
        assert words in text
    with pytest.raises(ValueError, match="one length"):
        fit_crossings([1, 2], [3])
    with pytest.raises(ValueError, match="no units"):
        fit_crossings([], [])


def test_a_bound_without_distribution_holds_as_often_as_it_says():
    from durability.inference.crossing import distribution_free

    rng = np.random.default_rng(12)
    wrong = 0
    for _ in range(2000):  # strips of one dose each, 6 a dose; median 100
        dose = np.repeat([50.0, 80.0, 110.0, 150.0], 6)
        held = 100 * np.exp(0.5 * rng.standard_normal(24)) > dose
        low, high = np.where(held, dose, 0.0), np.where(held, INF, dose)
        b = distribution_free(low, high, np.ones(24), once=np.ones(24, bool), level=0.9)
        wrong += (b.low or 0.0) > 100 or (b.high or INF) < 100
    assert wrong / 2000 <= 0.10 + 3 * np.sqrt(0.09 / 2000)

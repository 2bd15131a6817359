"""Does a fit find the truth that data were simulated from, and do its intervals cover it?"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from durability.inference.likelihood import fit_curve
from durability.laws import laws, read_law

_FILE = Path(__file__).parents[3] / "benchmarks" / "likelihood_coverage.py"
_SPEC = importlib.util.spec_from_file_location("likelihood_coverage", _FILE)
assert _SPEC is not None and _SPEC.loader is not None
coverage = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(coverage)

DOSE = np.repeat([0.0, 100.0, 200.0, 300.0, 450.0, 600.0], 5)


def simulated(law, rng, scatter, dose=DOSE, start=20.0):
    """Strips of a law at its prior's median, its half loss at dose 280."""
    scale = 280.0 / float(law.half_loss())
    curve = law.retained(dose / scale)
    return scale, start * curve * np.exp(rng.normal(0, scatter, dose.size))


@pytest.mark.parametrize("name", laws())
def test_truth_is_recovered_for_every_law_from_many_exact_strips(name):
    law = read_law(name)
    rng = np.random.default_rng(5)
    dose = np.repeat(np.linspace(0, 600, 31), 20)
    scale, strength = simulated(law, rng, 1e-4, dose)
    fit = fit_curve(law, dose, strength)
    assert fit.estimates["unexposed"] == pytest.approx(20, rel=1e-3)
    at = float(law.half_loss()) * scale
    left = float(law.retained(law.half_loss()))
    found = fit.threshold_dose(left, method="wald")
    assert found.value == pytest.approx(at, rel=2e-3)
    assert np.allclose(fit.retained(dose), law.retained(dose / scale), atol=1e-3)


@pytest.mark.parametrize("name", coverage.LAWS)
def test_profile_limits_of_the_threshold_cover_the_truth_as_often_as_they_say(name):
    # 1000 studies: the standard error of a share of 95 % is 0.7 %; the chi-square form covers less
    found = coverage.coverage(name, 1000, seed=3)
    assert 0.93 <= found["F"] <= 0.97
    assert found["chi2"] < found["F"]


def covers(fit, fraction, truth):
    """Whether the profile interval holds the truth: the deviance there, without finding limits."""
    from durability.inference.likelihood.profile import allowed, profile_at
    from durability.inference.likelihood.quantity import threshold

    asked = threshold(fit, fraction, None)
    start, solve = fit.theta[None, :], np.array([asked.solve_for])
    value, _ = profile_at(
        fit.likelihood, asked.condition, np.log([truth]), start, solve, asked.linear
    )
    best = fit.likelihood(start)[0][0]
    return 2 * (value[0] - best) <= allowed(0.95, fit.n, fit.parameters, "F")


def test_deviance_at_the_limits_is_the_one_allowed():
    law = read_law("stretched-exponential")
    _, strength = simulated(law, np.random.default_rng(3), 0.1)
    fit = fit_curve(law, DOSE, strength)
    found = fit.threshold_dose(0.5)
    assert covers(fit, 0.5, found.low * 1.0001) and not covers(fit, 0.5, found.low * 0.9999)
    assert covers(fit, 0.5, found.high * 0.9999) and not covers(fit, 0.5, found.high * 1.0001)


@pytest.mark.parametrize("errors", ["normal", "power", "student"])
def test_every_family_of_errors_recovers_the_law(errors):
    rng = np.random.default_rng(8)
    dose = np.repeat(DOSE, 20)
    mean = 20 * np.exp(-((dose / 400) ** 1.5))
    noise = rng.standard_t(4, dose.size) if errors == "student" else rng.normal(size=dose.size)
    spread = 0.1 * mean**0.7 if errors == "power" else 0.4
    fit = fit_curve("stretched-exponential", dose, mean + spread * noise, errors=errors)
    for name, truth in {"unexposed": 20.0, "scale": 400.0, "k": 1.5}.items():
        assert abs(fit.estimates[name] - truth) < 4 * fit.standard_errors[name]
    if errors == "power":
        assert abs(fit.estimates["power"] - 0.7) < 4 * fit.standard_errors["power"]
        assert abs(np.log(fit.estimates["sigma"] / 0.1)) < 0.4
    if errors == "student":
        assert fit.estimates["sigma"] == pytest.approx(0.4, rel=0.15)


def test_leaving_out_what_could_not_be_measured_misleads_and_censoring_mends_it():
    rng = np.random.default_rng(4)
    dose = np.repeat(DOSE, 40)
    strength = 20 * np.exp(-((dose / 250) ** 1.3)) * np.exp(rng.normal(0, 0.25, dose.size))
    limit = 2.5
    weak = strength < limit
    assert 0.1 < weak.mean() < 0.5
    kept = fit_curve("stretched-exponential", dose[~weak], strength[~weak])
    told = fit_curve(
        "stretched-exponential", dose, np.where(weak, limit, strength),
        censored=np.where(weak, -1, 0),
    )  # fmt: skip
    assert abs(told.estimates["k"] - 1.3) < 3 * told.standard_errors["k"]
    assert abs(kept.estimates["k"] - 1.3) > 3 * kept.standard_errors["k"]
    assert told.estimates["sigma"] == pytest.approx(0.25, rel=0.1)


def test_shared_shape_with_own_scales_recovers_the_ratio_of_two_products():
    rng = np.random.default_rng(2)
    dose = np.tile(np.repeat(DOSE, 4), 2)
    product = np.repeat(["A", "B"], dose.size // 2)
    tau = np.where(product == "A", 300.0, 450.0)
    strength = 20 * np.exp(-((dose / tau) ** 1.4)) * np.exp(rng.normal(0, 0.06, dose.size))
    fit = fit_curve("stretched-exponential", dose, strength, groups=list(product))
    ratio = fit.interval(lambda e: e["scale[B]"] / e["scale[A]"])
    assert ratio.low < 1.5 < ratio.high
    assert ratio.high / ratio.low < 1.15
    both = [fit.threshold_dose(q, group=g).value for g in "AB" for q in (0.5, 0.8)]
    assert both[2] / both[0] == pytest.approx(both[3] / both[1], rel=1e-9)


def test_an_effect_of_temperature_on_the_scale_is_recovered():
    rng = np.random.default_rng(6)
    dose = np.tile(DOSE, 3)
    inverse = np.repeat([0.0, 0.04, 0.08], DOSE.size)  # 1/(RT) less its first [mol/kJ]
    scale = 250 * np.exp(30 * inverse)
    strength = 20 * np.exp(-dose / scale) * np.exp(rng.normal(0, 0.05, dose.size))
    fit = fit_curve("exponential", dose, strength, effects={"scale": {"energy": inverse}})
    found = fit.interval("scale:energy")
    assert found.low < 30 < found.high
    assert found.high - found.low < 6

"""Do fits of bracketed doses agree with other software to its last digits? One source beside each.

Files of data/survival/ name their sources. Answers computed by R 4.2.2 with survival 3.5-3 stand in
answers.json with the command of each; the e-Handbook's are printed there.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from durability.inference.crossing import fit_crossings

DATA = Path(__file__).parent / "data" / "survival"
ANSWERS = json.loads((DATA / "answers.json").read_text(encoding="utf-8"))
DIGITS = 1e-8  # R's tolerance was 1e-13; six digits are asked for
BOLTZMANN_OF_SOURCE = 11604.83  # K/eV, as in the commands of answers.json


def table(name: str) -> dict[str, np.ndarray]:
    text = (DATA / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in text if not line.startswith("#")))
    return {k: np.array([float(r[k]) if r[k] else np.inf for r in rows]) for k in rows[0]}


def right_censored(time, failed):
    return time, np.where(failed == 1, time, np.inf)


def check(fit, answer, at=None):
    """Estimates, errors, likelihood and quantiles; the log of quantiles to as many digits."""
    named = answer["coefficients"].values()
    errors = answer["standard_errors"].values()
    assert fit.theta[: len(named)] == pytest.approx(list(named), rel=DIGITS)
    assert fit.scale == pytest.approx(answer["scale"], rel=DIGITS)
    assert list(fit.standard_errors.values()) == pytest.approx(list(errors), rel=DIGITS)
    assert fit.log_likelihood == pytest.approx(answer["log_likelihood"], rel=1e-11)
    for key, asked in answer.items():
        if not (isinstance(asked, dict) and "p" in asked):
            continue
        words = ("p", "log_quantile", "se_log_quantile", "quantile")
        told = zip(*(np.atleast_1d(asked[k]) for k in words), strict=True)
        for p, log_dose, se, dose in told:
            q = fit.quantile(p, at=at(key) if at else None, method="delta", calibration="chi2")
            assert q.log_value == pytest.approx(log_dose, rel=DIGITS)
            assert q.se_log == pytest.approx(se, rel=DIGITS)
            assert q.value == pytest.approx(dose, rel=DIGITS)
            assert np.log(q.high / q.value) == pytest.approx(1.959963984540054 * se, rel=1e-7)


START = pytest.mark.parametrize("start", ["lifelines", "own"])


@START
@pytest.mark.parametrize("family", ["weibull", "lognormal"])
@pytest.mark.parametrize("rows", ["all", "above_150"])
def test_motor_insulation_agrees_with_r(family, rows, start):
    d = table("motorettes")
    keep = d["temp"] > (0 if rows == "all" else 150)
    low, high = right_censored(d["time"][keep], d["status"][keep])
    x = 1000 / (d["temp"][keep] + 273.2)
    fit = fit_crossings(low, high, family=family, covariates={"x": x}, start=start)
    check(fit, ANSWERS["motorettes"][f"{family}_{rows}"], lambda _: {"x": 1000 / (130 + 273.2)})


@START
@pytest.mark.parametrize("family", ["weibull", "lognormal"])
@pytest.mark.parametrize("terms", ["linear", "arrhenius_power"])
def test_capacitors_agree_with_r(family, terms, start):
    d = table("capacitors")
    low, high = right_censored(d["time"], d["status"])
    if terms == "linear":
        covariates = {"temperature": d["temperature"], "voltage": d["voltage"]}
    else:
        kelvin = d["temperature"] + 273.15
        covariates = {"arr": BOLTZMANN_OF_SOURCE / kelvin, "lv": np.log(d["voltage"])}
    fit = fit_crossings(low, high, family=family, covariates=covariates, start=start)
    check(fit, ANSWERS["capacitors"][f"{family}_{terms}"])


@START
@pytest.mark.parametrize("family", ["weibull", "lognormal"])
def test_wheels_looked_at_once_agree_with_r(family, start):
    d = table("turbine_inspections")
    n = d["hours"].size
    low, high = np.append(np.zeros(n), d["hours"]), np.append(d["hours"], np.full(n, np.inf))
    count = np.append(d["failed"], d["inspected"] - d["failed"])
    some = count > 0
    fit = fit_crossings(low[some], high[some], weights=count[some], family=family, start=start)
    check(fit, ANSWERS["turbine_inspections"][family])


@START
@pytest.mark.parametrize("family", ["weibull", "lognormal", "loglogistic", "exponential"])
def test_bracketed_times_with_a_covariate_agree_with_r(family, start):
    d = table("cosmesis")
    fit = fit_crossings(
        d["left"], d["right"], family=family,
        covariates={"chemotherapy": d["chemotherapy"]}, start=start,
    )  # fmt: skip
    check(fit, ANSWERS["cosmesis"][family], lambda key: {"chemotherapy": float("no_" not in key)})


@START
@pytest.mark.parametrize("family", ["weibull", "lognormal"])
def test_counts_at_readouts_agree_with_r(family, start):
    d = table("readouts_temperature")
    fit = fit_crossings(
        d["time_low"], d["time_high"], weights=d["count"], family=family,
        covariates={"arr": BOLTZMANN_OF_SOURCE / (d["temp"] + 273.15)}, start=start,
    )  # fmt: skip
    at = {"arr": BOLTZMANN_OF_SOURCE / (85 + 273.15)}
    check(fit, ANSWERS["readouts_temperature"][family], lambda _: at)


def twenty_units():
    d = table("weibull_20_units")
    return (*right_censored(d["time"], 1 - d["censored"]), d["count"])


def test_twenty_units_agree_with_the_numbers_printed_in_the_handbook():
    # NIST/SEMATECH e-Handbook 8.4.1.3; its scale is off the optimum in the seventh digit
    printed, by_r = (ANSWERS["weibull_20_units"][k] for k in ("published", "weibull"))
    low, high, count = twenty_units()
    fit = fit_crossings(low, high, weights=count, family="weibull")
    lognormal = fit_crossings(low, high, weights=count, family="lognormal")
    assert fit.natural["scale"] == pytest.approx(printed["scale"], rel=2e-6)
    assert fit.natural["shape"] == pytest.approx(printed["shape"], abs=5e-5)
    assert fit.log_likelihood == pytest.approx(printed["log_likelihood"], abs=5e-4)
    assert fit.aic == pytest.approx(printed["aic_weibull"], abs=5e-3)
    assert lognormal.aic == pytest.approx(printed["aic_lognormal"], abs=5e-3)
    assert fit.moments() == pytest.approx((printed["mean"], printed["sd"]), abs=5e-4)
    assert fit.natural["scale"] == pytest.approx(by_r["scale_eta"], abs=5e-5)
    assert fit.natural["shape"] == pytest.approx(by_r["shape"], abs=5e-7)
    assert fit.standard_errors["intercept"] == pytest.approx(by_r["se_log_eta"], abs=5e-8)
    assert fit.standard_errors["log_scale"] == pytest.approx(by_r["se_log_scale"], abs=5e-8)


def test_the_lognormal_of_twenty_units_agrees_with_r():
    by_r = ANSWERS["weibull_20_units"]["lognormal"]
    low, high, count = twenty_units()
    fit = fit_crossings(low, high, weights=count, family="lognormal")
    assert fit.natural["median"] == pytest.approx(by_r["median"], abs=5e-5)
    assert fit.natural["sigma"] == pytest.approx(by_r["sigma"], rel=1e-7)
    assert fit.log_likelihood == pytest.approx(by_r["log_likelihood"], abs=5e-6)
    assert fit.standard_errors["intercept"] == pytest.approx(by_r["se_log_median"], abs=5e-8)
    assert fit.standard_errors["log_scale"] == pytest.approx(by_r["se_log_scale"], abs=5e-8)


def test_lifelines_stops_where_it_says_and_newton_only_climbs_from_there():
    d = table("cosmesis")
    for family in ("weibull", "lognormal", "loglogistic"):
        fit = fit_crossings(d["left"], d["right"], family=family,
                            covariates={"c": d["chemotherapy"]})  # fmt: skip
        assert fit.started_by == "lifelines"
        assert fit.start_log_likelihood is not None
        assert -1e-9 < fit.log_likelihood - fit.start_log_likelihood < 1e-5


def test_the_generalised_gamma_agrees_with_lifelines():
    # lifelines 0.30.3, GeneralizedGammaFitter; it stops 2e-9 short in log likelihood here, and its
    # own variances are nan
    import warnings

    low, high, count = twenty_units()
    fit = fit_crossings(low, high, weights=count, family="generalised-gamma")
    assert fit.started_by == "own"
    from lifelines import GeneralizedGammaFitter

    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        theirs = GeneralizedGammaFitter().fit_interval_censoring(low, high, weights=count)
    assert fit.log_likelihood == pytest.approx(theirs.log_likelihood_, abs=1e-6)
    assert fit.theta == pytest.approx([theirs.mu_, theirs.ln_sigma_, theirs.lambda_], rel=2e-3)

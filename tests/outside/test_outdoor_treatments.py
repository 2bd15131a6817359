"""Do fits of real strips agree with an independent recomputation (numpy, scipy)?

The answers and the outdoor strips may not be shipped: they are read from the reference folder, and
the tests are skipped where it is absent. The strips of the UV cycles are shipped (CC BY 4.0; source
in examples/uv-cycles/README.md).
"""

from __future__ import annotations

import csv
import json
import math

import numpy as np
import pytest

from durability.inference.likelihood import fit_curve, likelihood_ratio
from durability.laws import read_curve

TREATMENTS = ("T0", "T1", "T2", "T3")


@pytest.fixture(scope="module")
def answers(reference):
    return json.loads(reference("retention/answers.json").read_text(encoding="utf-8"))


def rows(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def column(table, name):
    return np.array([float(r[name]) for r in table])


def line():
    """Log of strength in a straight line: a rate that may be negative (nothing lost)."""
    return read_curve("a - k*day", predictors=["day"], parameters=["a", "k"])


def half(estimates):
    return math.log(2) / estimates["k"]


@pytest.fixture(scope="module", params=["strips", "puncture"])
def outdoors(request, answers, reference):
    table = rows(reference(f"retention/outdoor_treatments_{request.param}.csv"))
    table = [r for r in table if r["peak_force [N]"].strip()]
    return table, answers[f"outdoor_treatments_{request.param}"]


@pytest.mark.parametrize("treatment", TREATMENTS)
def test_half_lives_and_slopes_of_outdoor_treatments_agree(outdoors, treatment):
    table, answer = outdoors
    mine = [r for r in table if r["treatment"] == treatment]
    day, force = column(mine, "days"), column(mine, "peak_force [N]")
    wanted = answer[treatment]["exponential"]
    fit = fit_curve(line(), day, np.log(force))
    assert fit.estimates["a"] == pytest.approx(wanted["log_S0"], rel=1e-6)
    assert fit.estimates["k"] == pytest.approx(wanted["k"], rel=1e-6)
    assert fit.standard_errors["k"] == pytest.approx(wanted["se_k"], rel=1e-6)
    assert fit.sigma == pytest.approx(wanted["sigma_log_unbiased"], rel=1e-6)
    assert fit.log_likelihood == pytest.approx(wanted["loglik_log_scale"], rel=1e-6)
    t = fit.interval("k", method="wald")
    assert [t.low, t.high] == pytest.approx(wanted["k_t95"], rel=1e-6)
    chi = fit.interval("k", calibration="chi2")
    assert [chi.low, chi.high] == pytest.approx(wanted["k_profile95"], rel=1e-5)

    law = fit_curve("exponential", day, force)
    assert law.log_likelihood == pytest.approx(wanted["loglik_of_strengths"], rel=1e-7)
    found = law.threshold_dose(0.5, calibration="chi2")
    assert found.value == pytest.approx(wanted["half"], rel=1e-6)
    assert [found.low, found.high] == pytest.approx(wanted["half_profile95"], rel=1e-5)
    # for a straight line the F limits of the profile are the t limits of the slope
    found = law.threshold_dose(0.5)
    assert [found.low, found.high] == pytest.approx(wanted["half_t95"], rel=1e-5)
    required = answer[treatment]["absolute_requirement"]
    found = law.threshold_dose(level_left=required["required"], calibration="chi2")
    assert found.value == pytest.approx(required["exposure"], rel=1e-6)
    assert [found.low, found.high] == pytest.approx(required["profile95"], rel=1e-5)
    found = law.threshold_dose(level_left=required["required"])
    assert [found.low, found.high] == pytest.approx(required["fieller_t95"], rel=1e-5)


@pytest.mark.parametrize("treatment", TREATMENTS)
def test_stretched_law_and_its_likelihood_ratio_agree(outdoors, treatment):
    table, answer = outdoors
    mine = [r for r in table if r["treatment"] == treatment]
    day, force = column(mine, "days"), column(mine, "peak_force [N]")
    wanted = answer[treatment]["stretched"]
    small = fit_curve("exponential", day, force)
    large = fit_curve("stretched-exponential", day, force)
    assert large.residual_squares == pytest.approx(wanted["rss_log"], rel=1e-6)
    assert large.estimates["k"] == pytest.approx(wanted["shape"], rel=1e-5)
    assert large.estimates["unexposed"] == pytest.approx(wanted["S0"], rel=1e-5)
    assert large.threshold_dose(0.5, method="wald").value == pytest.approx(wanted["half"], rel=1e-5)
    assert likelihood_ratio(small, large).chi2 == pytest.approx(
        answer[treatment]["LR_stretched_vs_exponential"], rel=1e-5
    )
    upper = large.threshold_dose(0.5, calibration="chi2").high
    assert upper == pytest.approx(wanted["half_profile95"][1], rel=1e-5)


def test_equality_of_slopes_and_ratios_to_the_control_agree(outdoors):
    table, answer = outdoors
    wanted = answer["comparison"]
    day, force = column(table, "days"), column(table, "peak_force [N]")
    groups = [r["treatment"] for r in table]
    common = fit_curve(line(), day, np.log(force), groups=groups, separate=("a",))
    own = fit_curve(line(), day, np.log(force), groups=groups)
    assert own.n == wanted["n"]
    assert own.sigma == pytest.approx(wanted["sigma_log_pooled"], rel=1e-6)
    assert common.estimates["k"] == pytest.approx(wanted["common_slope_k"], rel=1e-6)
    test = likelihood_ratio(common, own)
    assert test.f == pytest.approx(wanted["equal_slopes_F"], rel=1e-6)
    assert list(test.f_freedom) == wanted["equal_slopes_df"]
    assert test.f_p == pytest.approx(wanted["equal_slopes_p"], rel=1e-6)
    assert test.chi2 == pytest.approx(wanted["equal_slopes_LR"], rel=1e-6)
    assert test.p == pytest.approx(wanted["equal_slopes_LR_p"], rel=1e-6)
    for name in TREATMENTS[1:]:
        expected = wanted["half_ratio_to_control"][name]

        def ratio(e, name=name):
            return math.log(e["k[T0]"] / e[f"k[{name}]"])

        found = own.interval(ratio, method="wald")
        assert math.exp(found.value) == pytest.approx(expected["ratio"], rel=1e-6)
        assert found.standard_error == pytest.approx(expected["se_log_delta"], rel=1e-6)
        limits = [math.exp(found.low), math.exp(found.high)]
        assert limits == pytest.approx(expected["delta_t95"], rel=1e-5)
        # the F profile of a ratio of slopes in a linear model is Fieller's interval
        found = own.interval(ratio)
        limits = [math.exp(found.low), math.exp(found.high)]
        assert limits == pytest.approx(expected["fieller_t95"], rel=1e-5)


@pytest.fixture(scope="module")
def cycles(reference):
    table = rows(reference("retention/uv_cycles_strips.csv"))
    table = [r for r in table if r["peak_force [N]"].strip()]
    return column(table, "cycles"), column(table, "peak_force [N]")


def test_study_in_which_nothing_was_lost_has_a_bound_and_no_upper_limit(cycles, answers):
    wanted = answers["uv_cycles_strips"]["exponential"]
    x, force = cycles
    fit = fit_curve(line(), x, np.log(force))
    assert fit.n == wanted["n"]
    assert fit.estimates["k"] == pytest.approx(wanted["k"], rel=1e-6)
    assert fit.standard_errors["k"] == pytest.approx(wanted["se_k"], rel=1e-6)
    assert fit.standard_errors["a"] == pytest.approx(wanted["se_log_S0"], rel=1e-6)
    t = fit.interval("k", method="wald")
    assert [t.low, t.high] == pytest.approx(wanted["k_t95"], rel=1e-6)
    assert math.log(2) / t.high == pytest.approx(wanted["half_t95"][0], rel=1e-6)
    chi = fit.interval("k", calibration="chi2")
    assert [chi.low, chi.high] == pytest.approx(wanted["k_profile95"], rel=1e-5)
    assert math.log(2) / chi.high == pytest.approx(wanted["half_profile95"][0], rel=1e-5)
    one_sided = fit.interval("k", level=0.90, method="wald").high
    assert math.log(2) / one_sided == pytest.approx(
        answers["uv_cycles_strips"]["cycles_to_half_lower_bound_one_sided_95"], rel=1e-6
    )
    # as a law, which cannot rise: no value, no upper limit, and a bound no later than that
    law = fit_curve("exponential", x, force)
    assert "no_loss_seen" in law.flags
    found = law.threshold_dose(0.5, sides=1)
    assert found.value is None and found.high is None
    assert 0.95 < found.low / (math.log(2) / one_sided) < 1
    assert law.threshold_dose(0.5).high is None


def test_analysis_of_variance_of_the_uv_strips_agrees_with_what_the_authors_print(cycles, answers):
    x, force = cycles
    authors = answers["uv_cycles_strips"]["authors"]
    mean = read_curve("m + 0*x", predictors=["x"], parameters=["m"])
    one = fit_curve(mean, x, force)
    each = fit_curve(mean, x, force, groups=[f"{v:g}" for v in x])
    assert likelihood_ratio(one, each).f_p == pytest.approx(authors["p_anova_force"], rel=1e-6)
    logs = likelihood_ratio(
        fit_curve(mean, x, np.log(force)),
        fit_curve(mean, x, np.log(force), groups=[f"{v:g}" for v in x]),
    )
    assert logs.f == pytest.approx(answers["uv_cycles_strips"]["anova_log_F"], rel=1e-6)

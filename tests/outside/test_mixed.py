"""Do mixed models agree with R's lme4? Files of data/mixed/ name their sources.

Answers: R 4.2.2, lme4 1.1-31, with the command of each in answers.json. lme4's optimiser stops at
about seven digits of a variance; where balance gives a variance in closed form, that is tested too.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize

from durability.inference.mixed import Grouping, fit_mixed

DATA = Path(__file__).parent / "data" / "mixed"
ANSWERS = json.loads((DATA / "answers.json").read_text(encoding="utf-8"))
METHOD = pytest.mark.parametrize("method", ["REML", "ML"])


def table(name: str) -> dict[str, np.ndarray]:
    text = (DATA / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in text if not line.startswith("#")))
    return {k: np.array([r[k] for r in rows]) for k in rows[0]}


def check(fit, answer):
    assert fit.converged
    assert fit.coefficients == pytest.approx(list(answer["fixed"].values()), rel=1e-8)
    assert fit.standard_errors == pytest.approx(list(answer["se_fixed"].values()), rel=1e-6)
    assert fit.criterion == pytest.approx(answer["minus_2_log_likelihood"], rel=1e-10)
    word = {"(Intercept)": "intercept"}
    for told in answer["variance_components"]:
        value = told["variance_or_covariance"]
        if told["group"] == "Residual":
            assert fit.residual_sd**2 == pytest.approx(value, rel=1e-6)
            continue
        found = fit.component(told["group"])
        i = found.terms.index(word.get(told["term"], told["term"]))
        j = i if not told["term2"] else found.terms.index(told["term2"])
        assert found.covariance[i, j] == pytest.approx(value, rel=3e-6, abs=1e-12)
        if i != j:
            assert found.correlation[i, j] == pytest.approx(told["sd_or_correlation"], rel=3e-6)


@METHOD
@pytest.mark.parametrize("slope", [True, False])
def test_levels_and_slopes_that_vary_together_agree_with_lme4(method, slope):
    d = table("sleepstudy")
    days = d["days"].astype(float)
    who = Grouping(name="subject", labels=d["subject"], slopes={"days": days} if slope else {})
    fit = fit_mixed(d["reaction"].astype(float), fixed={"days": days}, random=[who], method=method)
    check(fit, ANSWERS["sleepstudy" if slope else "sleepstudy_intercept_only"][method])
    assert fit.at_boundary == ()


def test_the_printed_lme4_output_is_met_in_every_digit():
    # m-clark.github.io/easy-bayes/rstanarm-mixed-model.html
    printed = ANSWERS["sleepstudy"]["published"]
    d = table("sleepstudy")
    days = d["days"].astype(float)
    fit = fit_mixed(
        d["reaction"].astype(float), fixed={"days": days},
        random=[Grouping(name="subject", labels=d["subject"], slopes={"days": days})],
    )  # fmt: skip
    found = fit.component("subject")
    assert round(fit.criterion, 1) == printed["reml_criterion"]
    assert found.sd.round(3)[1] == printed["sd_days"]
    assert found.sd.round(2)[0] == printed["sd_intercept"]
    assert found.correlation.round(2)[0, 1] == printed["correlation"]
    assert round(fit.residual_sd, 3) == printed["sd_residual"]
    assert fit.coefficients.round(3).tolist() == [printed["intercept"], printed["days"]]
    assert fit.standard_errors.round(3).tolist() == [printed["se_intercept"], printed["se_days"]]


@METHOD
def test_lots_agree_with_lme4(method):
    d = table("dyestuff")
    fit = fit_mixed(d["yield"].astype(float), random=[Grouping(name="batch", labels=d["batch"])],
                    method=method)  # fmt: skip
    check(fit, ANSWERS["dyestuff"][method])
    if method == "REML":  # balanced: the moments of the analysis of variance are exact
        moments = ANSWERS["dyestuff"]["anova"]
        exact = (moments["ms_between"] - moments["ms_within"]) / 5
        assert fit.component("batch").covariance[0, 0] == pytest.approx(exact, rel=1e-8)
        assert fit.residual_sd**2 == pytest.approx(moments["ms_within"], rel=1e-8)


@METHOD
def test_a_spread_of_nothing_is_reported_as_such(method):
    d = table("dyestuff2")
    fit = fit_mixed(d["yield"].astype(float), random=[Grouping(name="batch", labels=d["batch"])],
                    method=method)  # fmt: skip
    check(fit, ANSWERS["dyestuff2"][method])
    assert fit.component("batch").covariance[0, 0] == 0.0
    assert fit.at_boundary == ("batch",)
    assert "at the boundary" in repr(fit)


@METHOD
def test_nested_lots_and_containers_agree_with_lme4(method):
    d = table("pastes")
    cask = np.array([s.split(":")[1] for s in d["sample"]])
    random = [
        Grouping(name="batch", labels=d["batch"]),
        Grouping(name="sample", labels=cask, within=d["batch"]),
    ]
    fit = fit_mixed(d["strength"].astype(float), random=random, method=method)
    check(fit, ANSWERS["pastes"][method])
    assert len(fit.component("sample").groups) == 30


def test_a_curve_with_a_random_asymptote_agrees_with_nlmer():
    # For given midpoint and width the curve is linear in the asymptote, common and of each tree, so
    # the likelihood over them is exact; nlmer's Laplace form is exact here too. nlme's own ML is an
    # approximation that differs in the third digit, and is not tested.
    answer = ANSWERS["orange_trees"]["nlmer_laplace"]
    d = table("orange_trees")
    age, size = d["age"].astype(float), d["circumference"].astype(float)

    def fit(at):
        curve = {"asymptote": 1 / (1 + np.exp((at[0] - age) / at[1]))}
        tree = Grouping(name="tree", labels=d["tree"], slopes=curve, intercept=False)
        return fit_mixed(size, fixed=curve, random=[tree], method="ML", intercept=False)

    found = minimize(lambda at: fit(at * 100).criterion, [7.0, 3.5], method="Nelder-Mead",
                     options={"xatol": 1e-3, "fatol": 1e-6})  # fmt: skip
    best = fit(found.x * 100)
    assert best.log_likelihood == pytest.approx(answer["log_likelihood"], abs=1e-4)
    assert best.coefficients[0] == pytest.approx(answer["fixed"]["Asym"], rel=2e-4)
    assert found.x * 100 == pytest.approx(
        [answer["fixed"]["xmid"], answer["fixed"]["scal"]], rel=5e-4
    )
    assert best.component("tree").sd[0] == pytest.approx(answer["sd_Asym"], rel=2e-3)
    assert best.residual_sd == pytest.approx(answer["sd_residual"], rel=1e-3)

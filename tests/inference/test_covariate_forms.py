"""Are smooth curves and classes of a covariate found again, and are their intervals honest?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from known_truth import study_of
from scipy import stats

from durability import Sampler, fit
from durability.inference.covariates import BENDS, terms
from durability.inference.model import Form, priors
from durability.study.model import Study

FEW = Sampler(draws=500, tune=300, chains=2)
LOADING = np.array([0.05, 0.1, 0.2, 0.3, 0.45, 0.6, 0.8, 1.0])
COLOUR = np.array([1.0, 2.0, 3.0, 1.0, 2.0, 3.0, 1.0, 2.0])
DOSES = np.array([0.0, 150.0, 300.0, 450.0])


def products(rng: np.random.Generator, log_tau: np.ndarray, strips: int = 3) -> Study:
    """Eight products of one lot whose threshold doses are given; loading and colour differ."""
    m, d, _ = (a.ravel() for a in np.indices((8, DOSES.size, strips)))
    scale = np.exp(log_tau[m]) / np.log(2) ** (1 / 1.5)
    strength = 20 * np.exp(-((DOSES[d] / scale) ** 1.5) + 0.05 * rng.standard_normal(m.size))
    study = study_of({
        "material": np.array(list("ABCDEFGH"))[m], "lot": "L", "direction": "machine",
        "exposure": np.where(DOSES[d] > 0, "X", ""), "dose": DOSES[d], "strength": strength,
    })  # fmt: skip
    values = {"loading": LOADING, "colour": COLOUR}
    return replace(study, materials={
        name: replace(of, covariates={k: float(v[i]) for k, v in values.items()})
        for i, (name, of) in enumerate(study.materials.items())
    })  # fmt: skip


def coefficients(made, name: str) -> np.ndarray:
    """Draws (draw, term) of a covariate's coefficients."""
    places = [j for j, c in enumerate(made.model.columns)
              if c.name == "covariate" and c.subject.startswith(name)]  # fmt: skip
    return made.posterior["linear"].values.reshape(made.n_draws, -1)[:, places]


def test_a_curve_that_turns_is_found_by_a_smooth_line_and_missed_by_a_straight_one():
    rng = np.random.default_rng(8)
    true = 5.8 - 1.2 * (LOADING - 0.45) ** 2 / 0.2
    study = products(rng, true)
    made = fit(study, covariates={"loading": "smooth"}, sampler=FEW, seed=1)
    straight = fit(study, covariates={"loading": "linear"}, sampler=FEW, seed=1)
    assert made.diagnostics.rhat < 1.03 and straight.diagnostics.rhat < 1.03
    block = terms("smooth", LOADING, LOADING)
    curve = coefficients(made, "loading") @ block.T
    pattern = true - true.mean()
    found = curve - curve.mean(axis=1, keepdims=True)
    assert np.corrcoef(found.mean(0), pattern)[0, 1] > 0.97
    low, high = np.quantile(found, [0.005, 0.995], axis=0)
    assert ((low < pattern) & (pattern < high)).sum() >= 7
    spread = "product_spread_of_threshold"
    assert made.posterior[spread].mean() < 0.6 * straight.posterior[spread].mean()


def test_classes_differ_as_they_do_in_truth():
    rng = np.random.default_rng(9)
    effect = np.array([0.4, 0.0, -0.4])
    true = 5.7 + effect[COLOUR.astype(int) - 1] + 0.05 * rng.standard_normal(8)
    made = fit(products(rng, true), covariates={"colour": "class"}, sampler=FEW, seed=1)
    assert made.diagnostics.rhat < 1.03
    of = coefficients(made, "colour")
    apart = np.column_stack([of[:, 0] - of[:, 1], of[:, 0] - of[:, 2]])
    low, high = np.quantile(apart, [0.005, 0.995], axis=0)
    assert ((low < [0.4, 0.8]) & (high > [0.4, 0.8])).all()
    assert (high - low < 0.6).all()


@pytest.mark.long
@pytest.mark.parametrize(("name", "form"), [("loading", "smooth"), ("colour", "class")])
def test_coefficients_drawn_from_their_priors_are_ranked_evenly(name: str, form: Form):
    """Ranks of the truth among the draws, over studies drawn from the priors."""
    book = priors()
    x = LOADING if name == "loading" else COLOUR
    block = terms(form, x, x)
    sd = np.full(block.shape[1], book["covariate"]["class_sd" if form == "class" else "sd"])
    if form == "smooth":
        sd[1:] = book["covariate"]["bend_sd"]
        assert sd.size == 1 + BENDS
    ranks = []
    for seed in range(20):
        rng = np.random.default_rng([seed, 31])
        beta = sd * rng.standard_normal(sd.size)
        spread = abs(rng.normal()) * book["product_spread_of_threshold"]["scale"]
        level = np.log(DOSES[-1]) + book["threshold_dose"]["sd_log"] * rng.standard_normal()
        true = level + block @ beta + spread * rng.standard_normal(8)
        made = fit(products(rng, true), covariates={name: form}, sampler=FEW, seed=seed)
        ranks.append((coefficients(made, name) < beta).mean(axis=0))
    # one shape and one scatter are fixed in these studies: the coefficients hardly feel it
    for column in np.array(ranks).T:
        assert stats.kstest(column, "uniform").pvalue > 0.002

"""Packages compared: probabilities counted in draws, claims no surer than they say."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import xarray

from durability.decisions import EXPLANATIONS, compare_packages
from durability.decisions.pooling import pooled_factors, pooled_shift
from durability.study.prices import read_price

RNG = np.random.default_rng(5)
K = RNG.lognormal(6, 0.05, 4001)


def packages(given_fit, **ratios):
    tau = {"K": K} | {m: RNG.lognormal(6 + np.log(r), 0.05, K.size) for m, r in ratios.items()}
    return given_fit(tau, control="K")


def test_probabilities_are_shares_of_draws(given_fit):
    fit = packages(given_fit, A=1.3)
    (pair,) = [p for p in compare_packages(fit, margin=1.2).pairs if p.of == "mean"]
    ratio = fit.tau["A"] / K
    assert pair.longer == (ratio > 1).mean()
    assert pair.longer_by_margin == (ratio >= 1.2).mean()
    assert pair.alike == ((ratio > 1 / 1.2) & (ratio < 1.2)).mean()


@pytest.mark.parametrize(
    ("ratio", "verdict"),
    [(2.0, "longer_by_margin"), (1.0, "alike"), (0.5, "shorter_by_margin"), (1.2, "longer")],
)
def test_verdicts_follow_the_ratio(given_fit, ratio, verdict):
    found = compare_packages(packages(given_fit, A=ratio), margin=1.2)
    assert {p.verdict for p in found.pairs} == {verdict}


def test_a_package_is_named_best_only_with_the_assurance(given_fit):
    clear = compare_packages(packages(given_fit, A=1.05, B=2.0)).decisions[-1]
    assert clear.decided
    assert "B lasts longest" in clear.answer
    close = compare_packages(packages(given_fit, A=2.0, B=2.02)).decisions[-1]
    assert not close.decided
    assert close.probability is None
    assert "K may be dropped" in close.wrong_to_wait


def test_chances_of_being_best_sum_to_1(given_fit):
    found = compare_packages(packages(given_fit, A=1.0, B=1.1))
    for chances in found.best.values():
        assert sum(chances.values()) == pytest.approx(1)


def test_a_rival_known_by_a_lower_bound_only_bars_the_name(given_fit):
    fit = packages(given_fit, A=3.0, B=1.0)
    fit.bounds["B"] = "lower"
    last = compare_packages(fit).decisions[-1]
    assert not last.decided
    assert "bounds only" in last.answer
    pair = next(p for p in compare_packages(fit).pairs if {p.material, p.against} == {"A", "B"})
    assert pair.verdict == "open"


def test_draws_without_a_threshold_in_either_count_for_no_side(given_fit):
    fit = packages(given_fit, A=2.0)
    fit.tau["A"] = fit.tau["A"].copy()
    fit.tau["K"] = K.copy()
    for tau in fit.tau.values():
        tau[:1000] = np.inf
    pair = compare_packages(fit).pairs[0]
    assert pair.longer == pytest.approx(1 - 1000 / K.size)
    assert pair.shorter == 0


def test_the_price_of_dose_is_price_over_threshold(given_fit):
    fit = packages(given_fit, A=2.0)
    fit.study = replace(
        fit.study,
        materials={
            "K": replace(fit.study.materials["K"], price=read_price("1 EUR/m^2")),
            "A": replace(fit.study.materials["A"], price=read_price("1.5 EUR/m^2")),
        },
        exposures={"X1": replace(fit.study.exposures["X1"], dose_unit="MJ/m²")},
    )
    found = compare_packages(fit)
    price = found.costs.one(material="A")
    assert price.unit == "EUR/m² per MJ/m²"
    assert price.value == pytest.approx(1.5 / np.median(fit.tau["A"]), rel=1e-3)
    assert "0.5 EUR/m² dearer" in found.decisions[0].wrong_to_act
    json.dumps(found.to_dict(), allow_nan=False)
    assert {a for s in found.statements() for a in s.assumptions} <= set(EXPLANATIONS)


def test_doubling_the_loading_is_the_slope_on_its_logarithm(given_fit):
    fit = packages(given_fit, A=1.5, B=2.25)
    loads = {"K": 0.001, "A": 0.002, "B": 0.004}
    fit.study = replace(
        fit.study,
        materials={
            m: replace(fit.study.materials[m], covariates={"loading": x}) for m, x in loads.items()
        },
    )
    (effect,) = compare_packages(fit).loading
    assert effect.doubling
    assert effect.factor == pytest.approx(1.5, rel=0.01)
    assert effect.departs == pytest.approx(1, abs=0.01)
    assert effect.low < 1.5 < effect.high


def test_every_pair_has_an_id_of_its_own(given_fit):
    ids = [s.id for s in compare_packages(packages(given_fit, A=1.0, B=1.1)).statements()]
    assert len(ids) == len(set(ids)) == 9


@pytest.mark.parametrize("margin", [1.0, 0.8, float("nan")])
def test_a_margin_must_be_above_1(given_fit, margin):
    with pytest.raises(ValueError, match="above 1"):
        compare_packages(packages(given_fit, A=1.0), margin=margin)


def test_pooling_is_the_conjugate_answer_for_normal_packages():
    """Against quadrature over the spread with SciPy's multivariate normal density.

    Four packages measured with an error of 0.2, prior 1.2: given the spread the posterior mean is
    a matrix product; the spread is integrated over a fine grid.
    """
    from scipy.stats import halfnorm, multivariate_normal

    seen, error = np.array([0.5, -0.2, 0.1, 0.0]), 0.2
    prior = np.tile([[0.0, 1.2]], (4, 1))
    var = 1 / (1 / error**2 + 1 / 1.2**2)
    draws = RNG.multivariate_normal(seen * var / error**2, var * np.eye(4), 40_000)
    pooled = draws + pooled_shift(draws, prior, scale=0.5)
    weight, mean = 0.0, np.zeros(4)
    for w in np.linspace(0.005, 2.5, 400):
        cov = w**2 * np.eye(4) + 1.44
        total = cov + error**2 * np.eye(4)
        p = halfnorm.pdf(w, scale=0.5) * multivariate_normal.pdf(seen, cov=total)
        mean += p * (cov @ np.linalg.solve(total, seen))
        weight += p
    assert pooled.mean(axis=0) == pytest.approx(mean / weight, abs=0.01)
    assert pooled.std(axis=0).max() < draws.std(axis=0).min()


def test_pooling_leaves_what_the_strips_say_clearly():
    draws = RNG.normal([0.0, 0.7], 0.02, (4000, 2))
    shift = pooled_shift(draws, np.tile([[0.0, 1.2]], (2, 1)), scale=0.5)
    assert np.abs(shift.mean(axis=0)).max() < 0.002
    assert (draws + shift).std(axis=0) == pytest.approx(0.02, rel=0.03)


def fit_of(draws: np.ndarray):
    names = [f"P{i}" for i in range(draws.shape[1])]
    return SimpleNamespace(
        model=SimpleNamespace(
            mains=tuple((m, "band") for m in names),
            half_loss=False,
            main_prior=np.tile([[0.0, 1.2]], (len(names), 1)),
        ),
        posterior=xarray.Dataset(
            {"log_threshold_dose": (("chain", "draw", "product"), draws[None])}
        ),
    ), tuple(names)


def claims(spread: float, error: float, studies: int) -> tuple[float, float, int]:
    """(share of wrong claims pooled, unpooled, claims pooled) of the best of eight packages.

    Known truth: log threshold doses normal(0, spread), each measured with a normal error.
    """
    rng = np.random.default_rng(11)
    wrong, made = np.zeros(2), np.zeros(2)
    for _ in range(studies):
        truth = rng.normal(0, spread, 8)
        shrink = 1 / (1 + (error / 1.2) ** 2)
        seen = (truth + rng.normal(0, error, 8)) * shrink
        draws = seen + error * np.sqrt(shrink) * rng.standard_normal((1000, 8))
        fit, names = fit_of(draws)
        factors = pooled_factors(fit, names)
        assert factors is not None
        moved = draws + np.log(np.stack([factors[m] for m in names], axis=1))
        for i, these in enumerate((moved, draws)):
            chance = np.bincount(these.argmax(axis=1), minlength=8) / len(these)
            if chance.max() >= 0.8:
                made[i] += 1
                wrong[i] += chance.argmax() != truth.argmax()
    return wrong[0] / max(made[0], 1), wrong[1] / max(made[1], 1), int(made[0])


@pytest.mark.slow
def test_claims_of_the_best_of_eight_are_wrong_no_oftener_than_they_say():
    """At 80 % at most 20 % of the claims made may be wrong. Pooling is what keeps it so."""
    pooled, alone, made = claims(spread=0.25, error=0.2, studies=400)
    assert made >= 20
    assert pooled <= 0.2 + 2 * np.sqrt(0.16 / made)
    assert alone > pooled

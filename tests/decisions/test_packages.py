"""Packages compared: probabilities counted in draws, claims no surer than they say."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import xarray

import durability
from durability.decisions import EXPLANATIONS, compare_packages
from durability.decisions.pooling import pooled_factors, pooled_shift
from durability.study.prices import read_price

EXAMPLES = Path(__file__).parents[2] / "examples"
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


def test_the_power_of_a_loading_is_told_where_the_fit_has_one(given_fit):
    fit = packages(given_fit, A=1.5, B=2.25)
    loads = {"K": 0.001, "A": 0.002, "B": 0.004}
    fit.study = replace(
        fit.study,
        materials={
            m: replace(fit.study.materials[m], covariates={"loading": x}) for m, x in loads.items()
        },
    )
    power = RNG.normal(0.5, 0.01, (2, 500))
    fit.posterior = xarray.Dataset({"covariate[log loading]": (("chain", "draw"), power)})
    (effect,) = compare_packages(fit).loading
    assert effect.modelled
    assert effect.factor == pytest.approx(2**0.5, rel=0.005)


def test_declared_loadings_are_told_as_a_power_near_the_truth_though_a_package_is_only_bounded():
    """examples/make_data.py: dose of half loss goes with the loading to the power 0.6."""
    fit = durability.fit(EXAMPLES / "stabiliser-packages", seed=0)
    assert fit.diagnostics.ok
    assert not fit.diagnostics.retried
    (effect,) = compare_packages(fit).loading
    assert effect.modelled
    assert effect.doubling
    assert effect.low < 2**0.6 < effect.high
    assert effect.factor == pytest.approx(2**0.6, rel=0.15)
    assert effect.raises > 0.95
    assert effect.farthest in ("P1", "P2", "P3")  # of P4 a bound is known
    assert effect.departs < 1.15


def test_the_straight_part_of_a_bent_loading_is_not_told_as_its_effect(given_fit):
    fit = packages(given_fit, A=1.5)
    fit.study = replace(
        fit.study,
        materials={
            m: replace(fit.study.materials[m], covariates={"loading": x})
            for m, x in (("K", 0.001), ("A", 0.002))
        },
    )
    far = (("chain", "draw"), np.full((2, 500), 9.0))
    fit.posterior = xarray.Dataset({"covariate[loading]": far, "covariate[loading, bend 1]": far})
    (effect,) = compare_packages(fit).loading
    assert not effect.modelled
    assert effect.factor == pytest.approx(1.5, rel=0.01)


def test_an_open_pair_names_no_command_that_does_not_exist(given_fit):
    from durability.cli import app

    fit = packages(given_fit, A=1.0)
    fit.tau["A"] = RNG.lognormal(6.05, 0.3, K.size)
    first = compare_packages(fit).decisions[0]
    assert not first.decided
    assert first.wrong_to_wait
    known = {c.name or getattr(c.callback, "__name__", "") for c in app.registered_commands}
    assert set(re.findall(r"`durability ([\w-]+)", repr(first))) <= known


def test_every_pair_has_an_id_of_its_own(given_fit):
    ids = [s.id for s in compare_packages(packages(given_fit, A=1.0, B=1.1)).statements()]
    assert len(ids) == len(set(ids)) == 9


@pytest.mark.parametrize("margin", [1.0, 0.8, float("nan")])
def test_a_margin_must_be_above_1(given_fit, margin):
    with pytest.raises(ValueError, match="above 1"):
        compare_packages(packages(given_fit, A=1.0), margin=margin)


def test_pooling_is_the_conjugate_answer_for_normal_packages():
    """Against quadrature over the spread with SciPy's multivariate normal density.

    Four packages measured with an error of 0.2, prior 1.2: given the spread the posterior mean and
    covariance are matrix products; the spread is integrated over a fine grid.
    """
    from scipy.stats import halfnorm, multivariate_normal

    rng = np.random.default_rng(2)
    seen, error = np.array([0.5, -0.2, 0.1, 0.0]), 0.2
    prior = np.tile([[0.0, 1.2]], (4, 1))
    var = 1 / (1 / error**2 + 1 / 1.2**2)
    draws = rng.multivariate_normal(seen * var / error**2, var * np.eye(4), 40_000)
    pooled = draws + pooled_shift(draws, prior, scale=0.5)
    weight, mean, square = 0.0, np.zeros(4), np.zeros(4)
    for w in np.linspace(0.005, 2.5, 400):
        cov = w**2 * np.eye(4) + 1.44
        total = cov + error**2 * np.eye(4)
        density = multivariate_normal.pdf(seen, cov=total)  # pyright: ignore[reportArgumentType]
        p = halfnorm.pdf(w, scale=0.5) * density
        middle = cov @ np.linalg.solve(total, seen)
        mean += p * middle
        square += p * (middle**2 + np.diag(cov - cov @ np.linalg.solve(total, cov)))
        weight += p
    mean /= weight
    assert pooled.mean(axis=0) == pytest.approx(mean, abs=0.01)
    assert pooled.std(axis=0) == pytest.approx(np.sqrt(square / weight - mean**2), rel=0.02)


def test_pooling_leaves_what_the_strips_say_clearly():
    draws = np.random.default_rng(3).normal([0.0, 0.7], 0.02, (4000, 2))
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


def chances_of_the_first(studies: int) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """(stated probability of the likeliest best of eight packages, whether it is), by pooling.

    Known truth: the spread of log threshold doses is drawn from its half-normal prior of scale 0.5,
    the doses from normal(0, spread); each is measured with a normal error of 0.2.
    """
    rng = np.random.default_rng(11)
    error, shrink = 0.2, 1 / (1 + (0.2 / 1.2) ** 2)
    found: dict[str, list[tuple[float, bool]]] = {"pooled": [], "alone": []}
    for _ in range(studies):
        truth = rng.normal(0, abs(rng.normal(0, 0.5)), 8)
        seen = (truth + rng.normal(0, error, 8)) * shrink
        draws = seen + error * np.sqrt(shrink) * rng.standard_normal((1000, 8))
        fit, names = fit_of(draws)
        factors = pooled_factors(fit, names)
        assert factors is not None
        moved = draws + np.log(np.stack([factors[m] for m in names], axis=1))
        for key, these in (("pooled", moved), ("alone", draws)):
            chance = np.bincount(these.argmax(axis=1), minlength=8) / len(these)
            found[key].append((chance.max(), chance.argmax() == truth.argmax()))
    return {key: (np.array(x)[:, 0], np.array(x)[:, 1]) for key, x in found.items()}


def scores(stated: np.ndarray, right: np.ndarray) -> float:
    """How many standard errors more is stated than comes true."""
    return float((stated - right).sum() / np.sqrt((stated * (1 - stated)).sum()))


@pytest.mark.slow
def test_probabilities_of_being_best_come_true_and_only_because_of_pooling():
    """Overall, and among claims: a package named best at 80 % is best that often."""
    found = chances_of_the_first(400)
    stated, right = found["pooled"]
    assert abs(scores(stated, right)) < 2.6
    named = stated >= 0.8
    assert named.sum() >= 50
    assert scores(stated[named], right[named]) < 2.6
    assert scores(*found["alone"]) > 2.6

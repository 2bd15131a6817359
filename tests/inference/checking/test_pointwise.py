"""Is the log likelihood of each strip that of the model? Held to the compiled one, and ArviZ."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import arviz
import numpy as np
import pytest
from known_truth import read_law, simulated

from durability import read_study
from durability.inference import Sampler, kernel
from durability.inference.build import build_model
from durability.inference.checking import leave_one_out, with_log_likelihood
from durability.inference.checking.items import dose_levels, items_of, level_of
from durability.inference.checking.pointwise import log_given_rest, marginal, parts_of
from durability.inference.checking.refit import without
from durability.inference.coordinates import Coordinates, layout, pack
from durability.inference.fit import fit_model
from durability.inference.sampling import sample

EXAMPLES = Path(__file__).parents[3] / "examples"
FEW = Sampler(draws=40, tune=200, chains=1)


def plain_buffer(model, coordinates: Coordinates) -> np.ndarray:
    """The compiled density's buffer in the parameters themselves."""
    size = layout(model).size
    plain = replace(
        coordinates, centre=np.zeros(size), chol=np.zeros((0, 0)), diagonal=np.ones(size), raw=True
    )
    return pack(model, plain)


def studies():
    yield "strips", simulated(3, materials=2, lots=2)[0], "lognormal"
    yield "censored", simulated(3, materials=1, lots=2, limit=0.3)[0], "lognormal"
    yield "censored, normal", simulated(3, materials=1, lots=2, limit=0.3)[0], "normal"
    for errors in ("power", "student"):
        made = simulated(3, materials=1, lots=2, limit=0.3, errors=errors)[0]
        yield f"censored, {errors}", made, errors
    yield "one lot", simulated(5, materials=1, lots=1)[0], "normal"
    for name in ("data-sheet", "marine-fabrics"):  # declared values; summaries
        yield name, read_study(EXAMPLES / name), "lognormal"
        yield f"{name}, long tails", read_study(EXAMPLES / name), "student"


CASES = [
    pytest.param(study, errors, id=name,
                 marks=[pytest.mark.slow] if name.startswith("marine-fabrics") else [])
    for name, study, errors in studies()
]  # fmt: skip


@pytest.mark.parametrize(("study", "errors"), CASES)
def test_density_of_left_out_items_is_the_difference_of_compiled_densities(study, errors):
    from durability.retention import with_strength

    model = build_model(with_strength(study), read_law("stretched-exponential"), errors=errors)
    made = fit_model(study, model, sampler=FEW, seed=2)
    drawn = sample(model, sampler=made.settings, seed=2 + made.diagnostics.retried)
    theta = drawn.theta.reshape(-1, drawn.theta.shape[-1])
    items = items_of(model)
    parts = parts_of(made, items=items)
    at = drawn.coordinates
    whole, grad = plain_buffer(model, at), np.empty(theta.shape[1])
    rng = np.random.default_rng(0)
    last = items.dose == items.dose.max()
    for left_out in (rng.random(len(items)) < 0.4, last, np.ones(len(items), dtype=bool)):
        less = replace(without(model, left_out, items=items), main_prior=model.main_prior)
        rest = plain_buffer(less, at)
        compiled = np.array(
            [kernel.log_density(t, grad, whole) - kernel.log_density(t, grad, rest) for t in theta]
        )
        ours = marginal(parts) - marginal(parts, ~left_out)
        gap = ours - compiled  # constants of the density are left out of the compiled one
        assert np.ptp(gap) < 1e-8
        assert np.ptp(ours) > 0.1


@pytest.mark.parametrize(("study", "errors"), CASES[:5])
def test_density_given_the_rest_is_that_of_all_less_that_of_the_rest(study, errors):
    made = fit_model(
        study, build_model(study, read_law("logistic"), errors=errors), sampler=FEW, seed=2
    )
    parts = parts_of(made)
    found = log_given_rest(parts)
    kinds = [np.flatnonzero(parts.items.kind == k)[0] for k in np.unique(parts.items.kind)]
    for i in (*kinds, len(parts.items) // 2):
        rest = np.arange(len(parts.items)) != i
        assert found[:, i] == pytest.approx(marginal(parts) - marginal(parts, rest), abs=1e-8)


def test_arviz_computes_the_same_leave_one_out_score(right):
    ours = leave_one_out(right, refit=False)
    theirs = arviz.loo(with_log_likelihood(right), reff=1.0, pointwise=True)
    assert theirs.elpd == pytest.approx(ours.total, abs=1e-8)
    assert theirs.elpd_i.values == pytest.approx(ours.elpd, abs=1e-8)
    assert theirs.pareto_k.values == pytest.approx(ours.pareto_k, abs=1e-8)


def test_predictive_density_of_a_strip_integrates_to_one(right):
    """Over the strength itself, by moving one strip along a grid."""
    model = right.model
    items = items_of(model)
    i = int(np.flatnonzero(items.dose > 0)[7])
    grid = np.linspace(1.0, 40.0, 160)
    density = []
    for strength in grid:
        mean = items.mean.copy()
        mean[i] = np.log(strength)
        parts = parts_of(right, items=replace(items, mean=mean), step=250)
        density.append(np.exp(log_given_rest(parts)[:, i]))
    total = np.trapezoid(np.array(density), grid, axis=0)
    assert total == pytest.approx(1.0, abs=2e-3)


def test_doses_that_nearly_agree_are_one_level():
    dose = np.array([0.0, 99.0, 100.0, 101.0, 250.0, 600.0])
    levels = dose_levels(dose[1:])
    assert levels == (101.0, 250.0, 600.0)
    assert level_of(dose[1:], levels).tolist() == [101.0, 101.0, 101.0, 250.0, 600.0]

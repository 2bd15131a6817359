"""Is it said how answers hang on priors, and do earlier studies count as they should?"""

from __future__ import annotations

from dataclasses import replace

import arviz
import numpy as np
import pytest
import xarray
from known_truth import simulated, strips_of, study_of, truth_of
from scipy import stats

from durability import StudyError, fit
from durability.inference.build import build_model
from durability.inference.checking import (
    earlier_prior,
    fit_with_earlier,
    prior_predictive,
    sensitivity,
    weights_of,
)
from durability.inference.checking.bank import bank_of, random_effects
from durability.inference.checking.earlier import Moments, with_earlier
from durability.inference.checking.log_prior import WORDS, log_prior
from durability.inference.checking.pointwise import marginal, parts_of
from durability.inference.model import priors
from durability.laws import read_law

WHERE = {"material": "A", "direction": "machine", "exposure": "X"}


def test_sensitivity_is_that_of_arviz(right):
    tau = np.log(right.threshold_draws(0.5, of="mean", **WHERE)).reshape(2, -1)
    dims = ("chain", "draw")
    prior = sum(v.values for v in log_prior(right).data_vars.values())
    likelihood = marginal(parts_of(right, step=1)).reshape(2, -1)
    tree = xarray.DataTree.from_dict({
        "posterior": xarray.Dataset({"tau": (dims, tau)}),
        "log_prior": xarray.Dataset({"all": (dims, prior)}),
        "log_likelihood": xarray.Dataset({"all": (dims, likelihood)}),
    })  # fmt: skip
    ours = sensitivity(right, subjects=["mean"]).rows[0]
    assert float(arviz.psense(tree, group="prior")["tau"]) == pytest.approx(ours.prior, abs=1e-3)
    theirs = float(arviz.psense(tree, group="likelihood")["tau"])
    assert theirs == pytest.approx(ours.likelihood, abs=1e-3)


def test_many_strips_speak_for_themselves_and_few_do_not(right, quick):
    rich = sensitivity(right, subjects=["mean"]).rows[0]
    assert rich.verdict == "data"
    assert abs(rich.halved / rich.value - 1) < 0.03
    columns = strips_of(np.random.default_rng(1), truth_of(900.0), doses=(0.0, 100.0), strips=2)
    poor = sensitivity(fit(study_of(columns), sampler=quick, seed=1), subjects=["mean"])
    assert poor.rows[0].verdict != "data"
    assert poor.rows[0].strongest in ("threshold_dose", "shape")
    assert WORDS[poor.rows[0].strongest] in repr(poor)


def test_halving_the_priors_by_weights_is_that_by_sampling(study, quick):
    """Normal priors counted half are as wide times sqrt 2; so are half-normal ones."""
    few = replace(study, rows=study.rows.isel(row=slice(0, 30)))
    made = fit(few, sampler=replace(quick, draws=1000), seed=1)
    row = sensitivity(made, subjects=["mean"]).rows[0]
    from durability.inference.fit import fit_model
    from durability.inference.model import changed_priors

    wide = {
        name: {**table, **{k: table[k] * 2**0.5 for k in ("sd_log", "scale") if k in table}}
        for name, table in priors().items()
        if "source" in table
    }
    with changed_priors(wide):
        model = build_model(few, made.model.law)
        law = replace(model.law, shapes=tuple(
            replace(s, sd_log=s.sd_log * 2**0.5) for s in model.law.shapes))  # fmt: skip
        again = fit_model(few, replace(model, law=law), sampler=made.settings, seed=2)
    exact = np.median(again.threshold_draws(0.5, of="mean", **WHERE))
    assert row.halved == pytest.approx(exact, rel=0.02)


def test_pooled_priors_are_counted_where_they_stand(quick):
    """Halved by weights and by sampling, where products share a centre of shape and scatter."""
    from durability.inference.fit import fit_model
    from durability.inference.model import Structure, changed_priors

    study = simulated(6, materials=3, lots=1, doses=(0.0, 200.0, 500.0), strips=2)[0]
    structure = Structure(shape="pooled", spread="pooled", pool=True)
    settings = replace(quick, draws=1500, target_accept=0.95)
    model = build_model(study, read_law("stretched-exponential"), structure=structure)
    made = fit_model(study, model, sampler=settings, seed=1)
    found = log_prior(made)
    assert {"threshold_dose", "shape", "strip_spread"} <= set(found)
    spreads = {f"product_spread_of_{name}" for name in ("shape", "strip_spread", "threshold")}
    assert spreads <= set(found)
    assert set(map(str, found)) <= set(WORDS)
    shape = model.law.shapes[0]
    common = np.log(made.posterior[f"common_shape_{shape.name}"])
    one = -0.5 * ((common - np.log(shape.median)) / shape.sd_log) ** 2
    assert np.allclose(found["shape"], one)
    row = sensitivity(made, subjects=["mean"]).rows[0]
    wide = {
        name: {**table, **{k: table[k] * 2**0.5 for k in ("sd_log", "scale") if k in table}}
        for name, table in priors().items()
    }
    with changed_priors(wide):
        again = build_model(study, model.law, structure=structure)
        law = replace(model.law, shapes=tuple(
            replace(s, sd_log=s.sd_log * 2**0.5) for s in model.law.shapes))  # fmt: skip
        exact = fit_model(study, replace(again, law=law), sampler=settings, seed=2)
    assert row.halved is not None and row.value is not None
    where = {"material": "A", "direction": "machine", "exposure": "X"}
    median = np.median(exact.threshold_draws(0.5, of="mean", **where))
    spread = np.log(made.threshold_draws(0.5, of="mean", **where)).std()
    assert abs(np.log(row.halved / median)) < 0.15 * spread
    assert abs(np.log(row.value / median)) < spread


def test_prior_predictive_draws_are_those_of_the_priors(study, right):
    belief = prior_predictive(right, draws=20_000)
    row = belief.rows[0]
    sd = priors()["threshold_dose"]["sd_log"]
    assert row.median == pytest.approx(600.0, rel=0.05)  # the largest dose tested
    assert np.log(row.high / row.median) == pytest.approx(1.96 * sd, rel=0.05)
    assert row.after[1] < 300.0 < row.after[2]
    cv = next(r for r in belief.rows if "coefficient of variation of strips" in r.quantity)
    assert cv.median == pytest.approx(100 * priors()["strip_spread"]["median"], rel=0.03)
    lots = next(r for r in belief.rows if "threshold dose of one lot" in r.quantity)
    scale = priors()["lot_spread_of_threshold"]["scale"]
    assert np.log(lots.median) == pytest.approx(2**0.5 * 0.6745 * scale, rel=0.05)
    dose, left = belief.found["A", "X"]
    assert dose.size == left.size == 75
    assert prior_predictive(study, draws=500).rows[0].after is None


# earlier studies


@pytest.fixture(scope="module")
def two_halves(quick):
    """One product in two studies, and both as one."""
    truth = truth_of(320.0, lots=6)
    columns = strips_of(np.random.default_rng(5), truth, doses=(0.0, 150.0, 300.0, 450.0), strips=4)
    first = np.isin(columns["lot"], ["L0", "L2", "L4"])
    parts = [{k: v[mask] for k, v in columns.items()} for mask in (first, ~first)]
    return [study_of(c) for c in (*parts, columns)]


@pytest.fixture(scope="module")
def first(two_halves, quick):
    return fit(two_halves[0], sampler=quick, seed=1)


def test_prior_from_one_half_of_the_strips_and_the_other_half_give_what_all_give(
    two_halves, first, quick
):
    _, other, both = two_halves
    earlier = earlier_prior(first, product="A")
    joined = fit_with_earlier(other, earlier, sampler=quick, seed=2)
    ours = np.log(joined.threshold_draws(0.5, of="mean", **WHERE))
    all_ = np.log(fit(both, sampler=quick, seed=3).threshold_draws(0.5, of="mean", **WHERE))
    alone = np.log(fit(other, sampler=quick, seed=4).threshold_draws(0.5, of="mean", **WHERE))
    assert ours.mean() == pytest.approx(all_.mean(), abs=0.6 * all_.std())
    assert ours.std() < 0.9 * alone.std()
    assert 0.6 < ours.std() / all_.std() < 1.5
    weight = weights_of(joined)[0]
    assert 0.2 < weight.share < 0.9
    assert abs(weight.moved) < 2
    assert "prior_from_earlier" in joined.statements()[0].flags
    assert "earlier studies count for" in weight.words()


def test_power_lies_between_the_usual_prior_and_the_earlier_one(two_halves, first):
    earlier = earlier_prior(first, product="A")
    model = build_model(two_halves[1], first.model.law)
    sds = [with_earlier(model, earlier, a).main_prior[0, 1] for a in (1.0, 0.5, 0.05)]
    assert sds[0] == pytest.approx(earlier.threshold.sd)
    assert sds[1] == pytest.approx(earlier.threshold.sd * 2**0.5, rel=0.02)
    assert sds[0] < sds[1] < sds[2] < model.main_prior[0, 1]
    half = Moments(mean=1.0, sd=1.0).mixed(Moments(mean=3.0, sd=1.0), 0.5)
    assert (half.mean, half.sd) == (2.0, 1.0)


def test_an_earlier_study_that_does_not_fit_is_refused_in_words(two_halves, first, tmp_path):
    other, made = two_halves[1], first
    with pytest.raises(StudyError, match="a product of that study: A"):
        earlier_prior(made, product="Z")
    with pytest.raises(ValueError, match="stretched-exponential, this one logistic"):
        fit_with_earlier(other, earlier_prior(made, product="A"), law="logistic")
    with pytest.raises(ValueError, match="above 0, up to 1"):
        fit_with_earlier(other, earlier_prior(made, product="A"), power=2.0)
    (tmp_path / "results.nc").write_text("no results")
    with pytest.raises(StudyError, match=r"a results\.nc that a report or a fit wrote"):
        earlier_prior(tmp_path)


# a bank of earlier studies


def test_new_value_among_known_ones_is_that_of_the_normal_theory():
    """Without error of their own: mean, and sd of a new one, by Student's t (many values)."""
    y = np.random.default_rng(3).normal(5.0, 0.4, 60)
    new, between = random_effects(y, [1e-4] * 60, scale=5.0)
    assert new.mean == pytest.approx(y.mean(), abs=1e-3)
    assert new.sd == pytest.approx(y.std(ddof=1) * (1 + 1 / 60) ** 0.5, rel=0.03)
    assert between == pytest.approx(y.std(ddof=1), rel=0.03)


def test_values_that_agree_within_their_errors_have_little_between_them():
    new, between = random_effects([5.0, 5.01, 4.99, 5.0], [0.2] * 4)
    assert new.mean == pytest.approx(5.0, abs=0.01)
    assert between < 0.2


def test_bank_foretells_products_of_left_out_studies_as_often_as_it_says(right):
    base = earlier_prior(right, product="A")
    rng = np.random.default_rng(11)
    inside, z = [], []
    for _ in range(40):
        true = rng.normal(6.0, 0.35, 8)
        products = [
            (f"study {k}", replace(base, threshold=Moments(mean=rng.normal(m, 0.1), sd=0.1)))
            for k, m in enumerate(true)
        ]
        bank = bank_of(products, source="bank", left_out={})
        assert len(bank.foretold) == 8
        inside += [f.inside for f in bank.foretold]
        z += [f.z for f in bank.foretold]
    low, high = stats.binom.ppf([1e-4, 1 - 1e-4], len(inside), 0.95)
    assert low <= sum(inside) <= high + 6  # heavy tails of few studies make limits a little wide
    assert np.std(z) == pytest.approx(1.0, abs=0.15)
    assert "8 products of 8 studies" in bank.verdict()

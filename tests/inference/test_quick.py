"""Is the quick answer near that of the chains, and does it say when it is not?"""

from __future__ import annotations

import numpy as np
import pytest
from known_truth import simulated, strips_of, study_of, truth_of

from durability.inference.build import build_model
from durability.inference.diagnostics import diagnose_quick
from durability.inference.model import Model
from durability.inference.quick import quick_sample, smoothed
from durability.inference.sampling import Sampler, sample
from durability.laws import read_law

SAMPLER = Sampler(draws=1000, chains=4)


def model_of(study, errors="lognormal") -> Model:
    return build_model(study, read_law("stretched-exponential"), errors=errors)


@pytest.mark.parametrize("seed", [2, 3])
def test_the_quick_answer_agrees_with_the_chains_where_its_weights_are_sound(seed):
    model = model_of(simulated(seed)[0])
    quick, weighted = quick_sample(model, sampler=SAMPLER, seed=3)
    checked = diagnose_quick(weighted.pareto, weighted.effective, len(weighted.z))
    assert checked.ok, str(checked)
    a = quick.theta.reshape(-1, quick.theta.shape[2])
    b = sample(model, sampler=SAMPLER, seed=4).theta.reshape(a.shape)
    sd = b.std(0)
    # means and standard deviations have errors of 0.03 from 2,000 effective draws on both sides
    assert (np.abs(a.mean(0) - b.mean(0)) / sd).max() < 0.15
    assert np.abs(np.log(a.std(0) / sd)).max() < 0.15
    limits = np.quantile(a, [0.025, 0.975], axis=0) - np.quantile(b, [0.025, 0.975], axis=0)
    assert (np.abs(limits) / sd).max() < 0.45


def test_the_same_seed_gives_the_same_draws_on_any_number_of_cores():
    model = model_of(simulated(1, materials=1)[0])
    one, two, other = (
        quick_sample(model, sampler=Sampler(draws=50, cores=cores), seed=seed)[0].theta
        for cores, seed in ((1, 5), (2, 5), (2, 6))
    )
    assert np.array_equal(one, two) and not np.array_equal(one, other)


def test_a_posterior_against_a_wall_is_not_to_be_trusted():
    columns = strips_of(
        np.random.default_rng(11), truth_of(8.0), doses=(0.0, 100.0, 300.0), strips=3, limit=0.1
    )
    model = model_of(study_of(columns))
    _, weighted = quick_sample(model, sampler=SAMPLER, seed=1)
    checked = diagnose_quick(weighted.pareto, weighted.effective, len(weighted.z))
    assert checked.quick and not checked.ok
    assert "NOT TO BE TRUSTED" in str(checked) and checked.to_dict()["passed"] is False


def test_the_shape_of_weights_is_that_of_their_tail():
    rng = np.random.default_rng(1)
    for truth in (0.2, 0.5, 0.9):
        weight = rng.pareto(1 / truth, 200_000) + 1  # a tail of that shape
        assert smoothed(np.log(weight))[1] == pytest.approx(truth, abs=0.12)


def test_weights_that_rest_on_a_few_draws_have_no_shape():
    weight, shape = smoothed(np.array([0.0, -np.inf, -1.0]))
    assert np.isinf(shape) and weight.tolist() == [1.0, 0.0, 0.0]


def test_a_quick_fit_states_and_flags_what_it_is(tmp_path):
    from typer.testing import CliRunner

    from durability import fit
    from durability.cli import app

    study = study_of(
        strips_of(
            np.random.default_rng(3), truth_of(300.0), doses=(0.0, 100.0, 300.0, 500.0), strips=5
        )
    )
    got, chains = fit(study, method="quick", seed=1), fit(study, seed=1)
    for a, b in zip(got.threshold_dose(0.5), chains.threshold_dose(0.5), strict=True):
        assert "quick_answer" in a.flags and "quick_answer" not in b.flags
        assert a.value is not None and a.value == pytest.approx(b.value, rel=0.05)
    assert "a quick answer, good enough" in repr(got)
    answer = CliRunner().invoke(
        app, ["fit", "examples/uv-cycles", "--quick", "--json", "--out", str(tmp_path / "r")]
    )
    assert '"pareto"' in answer.stdout and not (tmp_path / "r").exists()

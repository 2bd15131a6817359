"""Is an average over laws what its weights say, and read as a fit is?"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize

from durability.inference.averaging import (
    AveragedFit,
    _shared_out,
    answering_fit,
    average_laws,
    mix,
)
from durability.inference.checking.scores import LawScore, rules
from durability.inference.checking.stacking import stacking_weights
from durability.laws import laws
from durability.report.results import schema

WHERE = {"of": "mean", "material": "A", "direction": "machine", "exposure": "X"}


@pytest.fixture(scope="module")
def half(right, wrong) -> AveragedFit:
    """Two laws, a quarter and three quarters."""
    scores = [
        LawScore(law=right.law, title="", weight=0.25),
        LawScore(law=wrong.law, title="", weight=0.75),
    ]
    return mix([right, wrong], scores, seed=3)


def test_weights_maximise_the_log_score_of_the_mixture():
    rng = np.random.default_rng(1)
    log = rng.normal(0, 1.5, (40, 3)) + np.array([0.0, 0.3, -0.2])
    found = stacking_weights(log)

    def loss(free: np.ndarray) -> float:
        w = np.exp(np.append(free, 0.0))
        return -np.log(np.exp(log) @ (w / w.sum())).sum()

    best = minimize(
        loss, np.zeros(2), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12}
    )
    w = np.exp(np.append(best.x, 0.0))
    assert found == pytest.approx(w / w.sum(), abs=1e-4)


def test_further_observations_keep_a_few_from_choosing_one_law():
    log = np.log([[0.9, 0.1], [0.8, 0.3]])
    assert stacking_weights(log)[0] == pytest.approx(1.0)
    assert stacking_weights(log, pseudo=1.0).tolist() == pytest.approx([5 / 6, 1 / 6], abs=0.06)
    assert stacking_weights(log[:0], pseudo=1.0).tolist() == [0.5, 0.5]


def test_counts_of_draws_keep_their_sum():
    assert _shared_out(np.array([0.334, 0.333, 0.333]), 1000).tolist() == [334, 333, 333]
    assert _shared_out(np.array([1 / 3] * 3), 1000).sum() == 1000


def test_pooled_draws_are_those_of_the_laws_in_their_shares(half, right, wrong):
    draws = half.threshold_draws(0.5, **WHERE)
    ours = np.isin(draws, right.threshold_draws(0.5, **WHERE))
    theirs = np.isin(draws, wrong.threshold_draws(0.5, **WHERE))
    assert (ours.mean(), theirs.mean()) == (0.25, 0.75)
    assert 0.2 < ours[:300].mean() < 0.3  # mixed: any part of the draws stands for all
    curve = half.retained_draws([100.0, 300.0], **WHERE)
    law = half.retained_draws(draws[:5], **WHERE)[:5].diagonal()
    assert curve.shape == (half.n_draws, 2)
    assert law == pytest.approx(0.5)
    scale = half.scale_draws(**WHERE)
    assert scale.shape == (half.n_draws,)


def test_choice_of_law_brings_the_share_that_the_law_of_total_variance_says(half):
    share = half.law_shares()[0].share
    log = np.log(half.threshold_draws(0.5, **WHERE))
    label = np.zeros(half.n_draws, dtype=int)
    label[half.places[1]] = 1
    means = np.array([log[label == k].mean() for k in (0, 1)])
    between = (half.weights * (means - log.mean()) ** 2).sum()
    assert share == pytest.approx(between / log.var(), rel=0.05)
    assert 0 < share < 1


def test_statements_of_an_average_say_that_laws_were_averaged(half):
    import jsonschema

    from durability.inference import EXPLANATIONS

    said = half.statements()
    assert {s.law for s in said} == {"averaged"}
    for s in said:
        assert "laws_averaged" in s.assumptions
        assert "law_form" not in s.assumptions
        assert {*s.assumptions, *s.flags} - {"not_used"} <= set(EXPLANATIONS)
    one = schema()["$defs"]["statement"]
    jsonschema.validate(said.to_list(), {"type": "array", "items": one, "$defs": schema()["$defs"]})


def test_an_average_has_no_shape_in_common(half):
    with pytest.raises(LookupError, match="hyperbolic"):
        half.shape_draws("A")


def test_law_against_which_the_strips_speak_gets_no_weight(study, quick):
    mixed = average_laws(study, laws=["stretched-exponential", "hyperbolic"], sampler=quick, seed=1)
    by_name = {s.law: s for s in mixed.scores}
    assert by_name["stretched-exponential"].weight == 1.0
    assert "speak against it" in by_name["hyperbolic"].left_out
    assert [f.law for f in mixed.fits] == ["stretched-exponential"]
    assert mixed.laws_part == ()


def test_laws_part_beyond_the_last_dose_and_not_within(study, quick):
    """Asked at one tenth: within the tested doses no law has it, and the laws differ."""
    early = study.rows.isel(row=np.flatnonzero(study.rows["dose"].values <= 300.0))
    far = replace(study, rows=early, thresholds=(0.6, 0.1))
    mixed = average_laws(far, laws=["stretched-exponential", "logistic"], weights="equal",
                         sampler=quick, seed=1)  # fmt: skip
    near, beyond = mixed.law_shares()
    assert not near.apart
    assert beyond.apart
    assert beyond.by_law["logistic"] > 1.2 * beyond.by_law["stretched-exponential"]
    assert mixed.laws_part == ("A",)
    assert "laws_disagree" in mixed.threshold_dose(0.1)[0].flags


def test_one_law_is_the_answer_within_the_tested_doses_or_when_it_is_named(study, quick):
    options = {"sampler": quick, "seed": 1}
    assert answering_fit(study, **options).law == "stretched-exponential"
    far = replace(study, thresholds=(0.1,))
    assert answering_fit(far, law="logistic", **options).law == "logistic"


@pytest.mark.slow
def test_average_is_the_answer_where_laws_part_beyond_the_last_dose(study, quick):
    early = study.rows.isel(row=np.flatnonzero(study.rows["dose"].values <= 300.0))
    far = replace(study, rows=early, thresholds=(0.1,))
    mixed = answering_fit(far, sampler=quick, seed=1)
    assert isinstance(mixed, AveragedFit)
    assert mixed.laws_part == ("A",)
    assert "laws_disagree" in mixed.statements().where(quantity="threshold_dose")[0].flags


def test_unknown_weights_are_named(study):
    with pytest.raises(ValueError, match="forecast, leave-one-out, equal"):
        average_laws(study, weights="best")


def test_candidates_are_laws_of_the_catalogue_each_with_a_reason():
    book = rules()
    assert set(book["candidates"]["laws"]) <= set(laws())
    assert all(table.get("source") for table in book.values())

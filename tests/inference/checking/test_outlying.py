"""Are outlying strips named, and is it said when the answer hangs on them? With known outliers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from known_truth import strips_of, study_of, truth_of

from durability import fit
from durability.inference import Sampler
from durability.inference.checking import contamination
from durability.inference.checking.outlying import MovedThreshold

QUICK = Sampler(draws=500, tune=200, chains=2)


def made(seed: int, spoilt: tuple[int, ...] = (), times: float = 0.5, strips: int = 5):
    """A fit of 15 * strips strips, some of them weaker than they are."""
    columns = strips_of(
        np.random.default_rng(seed), truth_of(300.0, strip_spread=0.07),
        doses=(0.0, 100.0, 200.0, 300.0, 450.0), strips=strips,
    )  # fmt: skip
    columns["strength"][list(spoilt)] *= times
    return fit(study_of(columns), sampler=QUICK, seed=1), columns["strength"][list(spoilt)]


def test_strips_at_half_their_strength_are_named_and_no_others():
    spoilt, strengths = made(1, (3, 31, 50, 71))
    found = contamination(spoilt)
    assert found.how == "fitted" and found.pareto_k is not None and found.pareto_k > 0.7
    assert sorted(s.found for s in found.strips) == pytest.approx(sorted(strengths))
    assert all(0.3 * s.expected < s.found < 0.7 * s.expected for s in found.strips)
    assert found.share == pytest.approx(4 / 75, abs=0.02)
    assert found.freedom is not None and found.freedom < 4
    assert "4 of 75 strips lie out" in found.verdict()


def test_sound_strips_are_left_alone_and_need_no_second_fit():
    found = contamination(made(4)[0], refit=False)
    assert found.how == "weights" and not found.strips
    assert found.thresholds and not any(t.hangs for t in found.thresholds)
    assert "none hangs on them" in found.verdict()


def test_weights_agree_with_a_fit_that_has_long_tails():
    plain = made(4)[0]
    by_weights = contamination(plain).thresholds[0]
    long = fit(plain.study, errors="student", sampler=QUICK, seed=1)
    draws = np.log(
        long.threshold_draws(0.5, of="mean", material="A", direction="machine", exposure="X")
    )
    middle, low, high = np.quantile(draws, [0.5, 0.025, 0.975])
    assert np.log(by_weights.long_median) == pytest.approx(middle, abs=0.15 * draws.std())
    width = np.log(by_weights.long_high / by_weights.long_low)
    assert width == pytest.approx(high - low, rel=0.25)


def test_without_leave_to_fit_again_it_is_said_that_a_fit_is_needed():
    found = contamination(made(1, (3, 31, 50, 71))[0], refit=False)
    assert found.how == "needed" and not found.thresholds
    assert "fit the study with student errors as well" in found.verdict()


@pytest.mark.parametrize(("where", "times", "words"), [
    ((20, 21, 22), 4.0, "earlier: the answer given is too long"),
    ((15, 20), 0.2, "the answer given is the safer one"),
])  # fmt: skip
def test_an_answer_that_hangs_on_a_few_strips_of_each_lot_says_so_and_which_way(
    where, times, words
):
    spoilt = tuple(i for i in range(75) if i % 25 in where)  # late strips, far too strong or weak
    found = contamination(made(2, spoilt, times)[0])
    assert len(found.strips) == len(spoilt)
    assert "The answer hangs on a few strips" in found.verdict() and words in found.verdict()


def test_a_verdict_tells_by_how_much_an_answer_moves():
    found = contamination(made(4)[0], refit=False)
    kept = MovedThreshold(
        material="A", direction="", exposure="X", fraction=0.5, median=100.0, low=90.0, high=110.0,
        long_median=90.0, long_low=82.0, long_high=99.0,
    )  # fmt: skip
    told = replace(found, thresholds=(kept,), how="fitted").verdict()
    assert "comes -10 %" in told and "too long" in told


def test_a_fit_with_long_tails_names_strips_and_needs_nothing_else():
    spoilt, strengths = made(1, (3, 31, 50, 71))
    long = fit(spoilt.study, errors="student", sampler=QUICK, seed=1)
    found = contamination(long)
    assert found.how == "as fitted" and len(found.strips) == strengths.size


@pytest.mark.slow
def test_with_spoilt_strips_long_tails_find_the_scatter_and_narrower_thresholds_that_hold():
    """5 % of strips at half their strength; seen in benchmarks/outlying_strips.py: 87 % of
    intervals hold the scatter of sound strips against 7 %, those of a lot are half as wide."""
    held = {"lognormal": 0, "student": 0}
    width, lots = {"lognormal": 0.0, "student": 0.0}, 0
    truth = truth_of(300.0, strip_spread=0.07)
    for seed in range(10):
        rng = np.random.default_rng([seed, 77])
        columns = strips_of(rng, truth, doses=(0.0, 100.0, 200.0, 300.0, 450.0), strips=5)
        columns["strength"] *= np.where(rng.random(columns["strength"].size) < 0.05, 0.5, 1.0)
        for errors in ("lognormal", "student"):
            seen = fit(study_of(columns), errors=errors, sampler=QUICK, seed=seed)
            low, high = np.quantile(seen.posterior["strip_spread"].values, [0.025, 0.975])
            held[errors] += bool(low <= 0.07 <= high)
            median = seen.threshold_draws(
                0.5, of="mean", material="A", direction="machine", exposure="X"
            )
            effect = seen.posterior["lot_effect"].values.reshape(median.size, -1)
            limits = np.quantile(median[:, None] * np.exp(effect), [0.025, 0.975], axis=0)
            width[errors] += np.log(limits[1] / limits[0]).sum()
            if errors == "student":
                actual = 300.0 * np.exp(truth.lot_effect[0])
                lots += int(((limits[0] <= actual) & (actual <= limits[1])).sum())
    assert held["lognormal"] <= 4 and held["student"] >= 6
    assert width["student"] < 0.7 * width["lognormal"]
    assert lots >= 25  # of 30

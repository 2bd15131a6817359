"""Before any data: intervals hold the truths they are drawn with, and more strips tell more."""

from __future__ import annotations

import json

import numpy as np
import pytest

from durability.decisions.first_strips import Design, _Told, first_strips
from durability.laws import read_law

LAW = read_law("stretched-exponential")
RICH = Design(lots=3, hours=(300.0, 600.0, 1000.0), strips=5, unexposed=5)


def test_intervals_hold_the_truth_as_often_as_they_say():
    told = _Told(LAW, RICH, 0.5, None, 3, 200)
    truth = told._truths()
    for k in range(truth.shape[1]):
        below = (told.weight * (told.draws[..., k] < truth[:, k, None])).sum(1)
        inside = ((below > 0.025) & (below < 0.975)).mean()
        assert 0.9 <= inside <= 0.995  # three standard errors of 200, and of few draws
        assert below.mean() == pytest.approx(0.5, abs=0.06)


def test_more_lots_and_more_strips_tell_more():
    def width(lots, strips):
        design = Design(lots=lots, hours=RICH.hours, strips=strips, unexposed=strips)
        return _Told(LAW, design, 0.5, 700.0, 2, 32).half_widths("mean", 0.95).mean()

    assert width(8, 5) < width(3, 5) < width(1, 5)
    assert width(3, 10) < 1.02 * width(3, 3)


def test_the_usual_practice_tells_less_than_withdrawals_along_the_way():
    found = first_strips(hours=500.0, strips=20, lots=1, expected=500.0, studies=32, seed=1)
    practice = next(v for v in found.values if v.practice)
    assert min(v.factor for v in found.values) < practice.factor


def test_larger_ratios_are_told_apart_more_often():
    shares = [
        _Told(LAW, RICH, 0.5, 600.0, 1, 40).apart("mean", ratio, 0.95) for ratio in (1.0001, 1.5, 3)
    ]
    assert shares[0] < 0.2  # by chance, about one in twenty
    assert shares[0] < shares[1] < shares[2]


def test_the_smallest_design_that_is_enough_is_named():
    found = first_strips(
        hours=1000.0, expected=600.0, of="mean", factor=1.6, lots=3, studies=16, seed=1
    )
    least = found.smallest
    assert least is not None
    assert all(not found.enough(v) for v in found.values if v.design.total < least.design.total)
    assert json.loads(json.dumps(found.to_dict()))["smallest"]["strips"] == least.design.total


def test_wrong_numbers_are_named_together():
    with pytest.raises(ValueError, match=r"hours must.*factor is 0.9.*of is single_specimen"):
        first_strips(hours=-1.0, factor=0.9, of="single_specimen")


@pytest.mark.slow
def test_the_answer_is_that_of_a_full_fit_of_the_same_strips():
    from known_truth import study_of

    from durability import fit
    from durability.inference import Sampler

    told = _Told(LAW, RICH, 0.5, 1200.0, 5, 16)
    truths, rng = told._truths(), np.random.default_rng(1)
    doses = (0.0, *RICH.hours)
    found = {"fit": [], "means": [], "squares": []}
    lots = np.exp(truths[:, 3:5])
    for j in range(len(truths)):
        shape = {"k": np.exp(truths[j, 1])}
        rows = {k: [] for k in ("lot", "dose", "strength")}
        means, squares = np.empty((RICH.lots, 4)), 0.0
        for lot in range(RICH.lots):
            scale = np.exp(truths[j, 0] + lots[j, 0] * rng.normal()) / LAW.inverse(0.5, shape)
            start = truths[j, -1] + lots[j, 1] * rng.normal()
            for c, dose in enumerate(doses):
                left = np.maximum(LAW.retained(dose / scale, shape), 0.05)
                y = start + np.log(left) + np.exp(truths[j, 2]) * rng.standard_normal(5)
                means[lot, c], squares = y.mean(), squares + ((y - y.mean()) ** 2).sum()
                rows["lot"] += [f"L{lot}"] * 5
                rows["dose"] += [dose] * 5
                rows["strength"] += np.exp(y).tolist()
        columns = {k: np.array(v) for k, v in rows.items()}
        columns |= {"exposure": np.where(columns["dose"] > 0, "X", ""), "direction": "machine"}
        again = fit(study_of(columns), seed=1, sampler=Sampler(draws=500, chains=2, cores=1))
        tau = again.threshold_draws(
            0.5, of="mean", material="A", direction="machine", exposure="X"
        )  # fmt: skip
        low, high = np.quantile(np.log(tau), [0.025, 0.975])
        found["fit"].append((high - low) / 2)
        found["means"].append(means)
        found["squares"].append(squares)
    told.draws, told.weight = told.answered(
        truths, np.array(found["means"]), np.array(found["squares"])
    )
    # where strips are too weak to measure, lots are not foretold one by one, only on average
    means = np.array(found["means"])
    seen = (means[:, :, -1] - means[:, :, 0]).min(1) > np.log(0.1)
    ours, fits = np.log(told.half_widths("mean", 0.95))[seen], np.log(found["fit"])[seen]
    assert seen.sum() >= 12
    assert ours.mean() == pytest.approx(fits.mean(), abs=0.08)
    assert np.corrcoef(ours, fits)[0, 1] > 0.9

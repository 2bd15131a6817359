"""Withdraw now or go on: strips still out, verdicts, and what is said of them."""

from __future__ import annotations

import json

import numpy as np
import pytest
from known_truth import strips_of, study_of, truth_of

from durability import fit
from durability.decisions.going_on import going_on
from durability.decisions.waiting import until, waiting_strips
from durability.inference import Sampler

QUICK = Sampler(draws=500, tune=200, chains=2, cores=1)
DOSES = (0.0, 150.0, 300.0, 450.0, 600.0)


@pytest.fixture(scope="module")
def study():
    truth = truth_of(800.0, lots=3, lot_spread=0.06)
    return study_of(strips_of(np.random.default_rng(3), truth, doses=DOSES, strips=5))


@pytest.fixture(scope="module")
def early(study):
    """The study after its second withdrawal."""
    part, waiting = until(study, dose=300.0)
    return fit(part, method="quick", sampler=QUICK, seed=1), waiting


def test_strips_of_later_withdrawals_wait(study):
    part, waiting = until(study, dose=300.0)
    assert {w.dose for w in waiting} == {450.0, 600.0}
    assert sum(w.strips for w in waiting) == 30
    assert part.rows["used"].values.sum() == 45
    assert study.rows["used"].values.sum() == 75  # the study itself is left as it is


def test_a_table_without_blank_strips_has_none_waiting(study, early):
    assert waiting_strips(study) == ()
    made, _ = early
    with pytest.raises(ValueError, match="no strips are waiting"):
        going_on(made)


def test_a_verdict_that_is_sure_will_hardly_change(early):
    made, waiting = early
    found = going_on(made, waiting, required=150.0, of="mean")
    assert found.verdict == "holds"
    assert found.change < 0.02
    assert found.decision().decided
    assert "withdraw now" in found.decision().answer


def test_an_open_verdict_may_be_given_by_what_is_still_out(early):
    made, waiting = early
    tau = made.threshold_draws(0.5, of="mean", material="A", direction="machine", exposure="X")
    found = going_on(made, waiting, required=float(np.quantile(tau, 0.15)), of="mean")
    assert found.verdict == "open"
    assert found.probability == pytest.approx(0.85, abs=0.02)
    assert found.change > 0.2
    assert [a.strips for a in found.after] == [15, 30]
    for a in found.after:
        assert sum(a.chances.values()) == pytest.approx(1)
        assert a.change == pytest.approx(1 - a.chances["open"])
    assert json.loads(json.dumps(found.to_dict()))["verdict"] == "open"


def test_the_last_withdrawal_is_what_is_required_where_nothing_is_named(early):
    made, waiting = early
    assert going_on(made, waiting).required == 600.0


def test_no_withdrawal_is_late_where_all_are_before(study):
    with pytest.raises(ValueError, match="no withdrawal"):
        until(study, dose=900.0)


@pytest.mark.slow
def test_verdicts_change_once_all_strips_are_fitted_as_often_as_was_said():
    """Truths drawn from the prior: sums of what was said, and of what fits then did."""
    from known_truth import draw_truth

    from durability.laws import read_law

    said, seen = [], []
    law = read_law("stretched-exponential")
    for seed in range(40):
        rng = np.random.default_rng([seed, 31])
        truth = draw_truth(rng, law, last=600.0, materials=1, lots=3)
        whole = study_of(strips_of(rng, truth, doses=DOSES, strips=5))
        part, waiting = until(whole, dose=300.0)
        made = fit(part, method="quick", sampler=QUICK, seed=1)
        now = going_on(made, waiting, of="mean", assurance=0.9, count=100)
        then = fit(whole, method="quick", sampler=QUICK, seed=1)
        tau = then.threshold_draws(0.5, of="mean", material="A", direction="machine", exposure="X")
        above = (tau > 600.0).mean()
        verdict = "holds" if above >= 0.9 else "fails" if above <= 0.1 else "open"
        said.append(now.change)
        seen.append(verdict != now.verdict)
    p = np.array(said)
    assert abs(p.sum() - np.sum(seen)) < 3 * np.sqrt((p * (1 - p)).sum() + 0.25)

"""What to test next: plans of one study, ordered by what they would teach."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from known_truth import strips_of, study_of, truth_of

from durability import fit
from durability.decisions.next_strips import next_strips
from durability.inference import Sampler
from durability.study.model import Exposure

QUICK = Sampler(draws=500, tune=200, chains=2, cores=1)
LAMP = Exposure(
    name="X", lamp="xenon-daylight", irradiance=0.35, band="340 nm",
    dose_unit="kJ/(m² nm) at 340 nm",
)  # fmt: skip


@pytest.fixture(scope="module")
def made():
    truth = truth_of(900.0, lots=2, lot_spread=0.08)
    columns = strips_of(np.random.default_rng(3), truth, doses=(0, 200, 400, 630), strips=5)
    study = study_of(columns, exposures=(LAMP,), polymer="polypropylene")
    return fit(study, sampler=Sampler(draws=1000, tune=200, chains=4, cores=1), seed=1)


@pytest.fixture(scope="module")
def found(made):
    return next_strips(made, strips=60, hours=1000.0, withdrawals=2, lots=3)


def test_the_best_plan_stands_first_and_every_kind_once(found):
    factors = [v.factor for v in found.values]
    assert factors == sorted(factors)
    kinds = [v.plan.kind for v in found.best_of_each()]
    assert len(kinds) == len(set(kinds))
    assert {"usual_practice", "more_lots", "longer", "second_temperature"} <= set(kinds)


def test_new_lots_teach_more_of_a_new_lot_than_more_strips_of_those_tested(found):
    by = {v.plan.kind: v.factor for v in found.best_of_each()}
    assert by["more_lots"] < by["more_strips"]
    assert by["more_lots_longer"] < by["usual_practice"]


def test_no_plan_is_expected_to_widen_the_interval(found):
    for v in found.values:
        assert v.factor < found.factor * np.exp(3 * v.factor_error)


def test_more_strips_teach_more(made, found):
    few = next_strips(made, strips=12, hours=1000.0, withdrawals=2, lots=3)
    assert found.best.factor < few.best.factor


def test_the_statement_that_stands_is_quoted(made, found):
    said = made.threshold_dose(0.5, of="new_lot")
    assert found.quoted == next(iter(said))
    assert found.decision().statements == (found.quoted.id,)
    assert np.log(found.factor) == pytest.approx(
        np.log(found.quoted.high / found.quoted.low) / 2, rel=0.1
    )


def test_clear_verdicts_are_counted_where_something_is_required(made):
    tau = made.threshold_draws(0.5, of="mean", material="A", direction="machine", exposure="X")
    asked = next_strips(
        made,
        strips=60,
        hours=1000.0,
        lots=2,
        withdrawals=1,
        of="mean",
        required=float(np.quantile(tau, 0.2)),
    )
    assert asked.above == pytest.approx(0.8, abs=0.03)
    assert not asked.settled
    best = asked.best
    assert best.clear is not None
    assert best.clear > 0.3
    assert best.clear >= max(v.clear or 0 for v in asked.values) - 0.1


@pytest.mark.slow
def test_a_rack_at_the_site_teaches_most_of_days_there(made):
    days = next_strips(made, strips=40, hours=1000.0, site="phoenix", of="mean")
    assert days.unit == "d"
    assert days.best.plan.kind == "outdoor_rack"
    assert days.best.hours is None
    assert days.values[-1].factor > 1.3 * days.best.factor


@pytest.mark.slow
def test_two_packages_are_told_apart_by_strips_of_both():
    truth = replace(
        truth_of(700.0, lots=2), log_tau=np.log([600.0, 700.0]), lot_effect=np.zeros((2, 2)),
        strip_spread=np.full(2, 0.05), shape={"k": np.full(2, 1.5)}, log_start=np.log([20.0, 20.0]),
        start_effect=np.zeros((2, 2)), new_lot=np.zeros(2),
    )  # fmt: skip
    columns = strips_of(np.random.default_rng(1), truth, doses=(0, 300, 500), strips=3)
    both = fit(study_of(columns), method="quick", sampler=QUICK, seed=1)
    asked = next_strips(both, strips=80, dose=900.0, against="B", of="mean")
    assert asked.required == 1.0
    assert {s.material for s in asked.best.plan.series} == {"A", "B"}
    assert asked.best.factor < asked.factor


def test_the_answer_is_plain_json_and_a_picture(found):
    from durability.report.next_strips_figure import next_strips_figure

    assert len(json.loads(json.dumps(found.to_dict(), allow_nan=False))["plans"]) == len(
        found.values
    )
    assert next_strips_figure(found).axes


def test_same_seed_same_plans(made):
    one, two = (next_strips(made, strips=12, withdrawals=1, lots=1, seed=3) for _ in range(2))
    assert [v.factor for v in one.values] == [v.factor for v in two.values]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ({"strips": 3}, "too few"),
        ({"strips": 60, "material": "Z"}, '"Z" is unknown'),
        ({"strips": 60, "hours": 10.0, "dose": 10.0}, "one of the two"),
        ({"strips": 60, "site": "phoenix", "against": "A"}, "not for both"),
        ({"strips": 60, "direction": "cross"}, "was not tested"),
    ],
)
def test_what_cannot_be_asked_is_said(made, words, expected):
    with pytest.raises(ValueError, match=expected):
        next_strips(made, **words)


@pytest.mark.slow
def test_plans_rank_as_full_refits_rank_them():
    """A small run of benchmarks/planning.py; so few futures order only the median lot's plans."""
    from scipy.stats import spearmanr

    sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "benchmarks"))
    import planning

    ran = planning.compared(1, 6)
    refits = {of: [ran[name, "refits"][:, c].mean() for name in planning.plans()]
              for c, of in enumerate(("mean", "new_lot"))}  # fmt: skip
    ours = {of: [ran[name, of, None][0] for name in planning.plans()] for of in refits}
    assert spearmanr(refits["mean"], ours["mean"])[0] >= 0.9
    assert ours["mean"] == pytest.approx(refits["mean"], rel=0.2)
    assert np.mean(ours["new_lot"]) == pytest.approx(np.mean(refits["new_lot"]), rel=0.15)

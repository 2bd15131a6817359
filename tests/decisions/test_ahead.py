"""What a study asks of strips to come stands among its decisions; what cannot be said is said."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from known_truth import strips_of, study_of, truth_of

from durability import fit
from durability.decisions.ahead import ahead
from durability.decisions.going_on import going_on
from durability.decisions.next_strips import next_strips
from durability.decisions.waiting import until
from durability.inference import Sampler
from durability.study import Caution
from durability.study.model import Further

QUICK = Sampler(draws=500, tune=200, chains=2, cores=1)


@pytest.fixture(scope="module")
def early():
    """A study after its second withdrawal, whose table lists the strips still out."""
    truth = truth_of(800.0, lots=3, lot_spread=0.06)
    doses = (0.0, 150.0, 300.0, 450.0)
    whole = study_of(strips_of(np.random.default_rng(3), truth, doses=doses, strips=5))
    part, _ = until(whole, dose=300.0)
    count = part.rows.sizes["row"]
    rows = part.rows.assign(file=("row", ["strips.csv"] * count), line=("row", np.arange(count)))
    part = replace(part, rows=rows)
    lines = tuple(np.flatnonzero(rows["dose"].values == 450.0).tolist())
    said = Caution(name="not_tested_yet", text="not yet", file="strips.csv", rows=lines)
    return fit(replace(part, cautions=(said,)), method="quick", sampler=QUICK, seed=1)


def asking(made, **further):
    return replace(made, study=replace(made.study, further=Further(**further)))


def test_a_study_that_asks_nothing_and_waits_for_nothing_has_nothing_ahead(early):
    done = replace(early, study=replace(early.study, cautions=()))
    assert ahead(done).decisions() == () and ahead(done).notes() == []


def test_strips_still_out_are_weighed_without_being_asked_for(early):
    found = ahead(early)
    assert found.plans is None
    (one,) = found.going_on
    assert one.to_dict() == going_on(early, material="A").to_dict()
    assert [d.name for d in found.decisions()] == ["going on/A/new_lot"]


def test_the_budget_of_the_study_is_that_of_the_command(early):
    made = asking(early, strips=20, required="400 kJ/m^2/nm")
    found = ahead(made)
    assert found.plans is not None
    assert found.plans.to_dict() == next_strips(made, strips=20, required=400.0).to_dict()
    assert found.going_on[0].required == pytest.approx(400.0)
    assert len(found.to_dict()["next_strips"]["plans"]) == len(found.plans.best_of_each())


def test_what_cannot_be_said_gives_its_reason_and_spoils_nothing_else(early):
    found = ahead(asking(early, strips=20, required="12 h"))
    assert found.decisions() == ()
    assert len(found.refused) == 2 and all("cannot be said" in r for r in found.refused)
    assert "--" not in " ".join(found.refused)
    assert found.notes() == list(found.refused)


def test_of_an_average_the_law_with_most_weight_is_asked_and_named(early):
    other = SimpleNamespace(law="none")
    mixed = SimpleNamespace(fits=(other, early), weights=np.array([0.2, 0.8]), study=early.study)
    found = ahead(mixed)
    assert found.law == early.law
    assert any(early.law in note for note in found.notes())

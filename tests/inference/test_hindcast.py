"""Strips in the open predicted from the laboratory alone, on studies whose truth is known."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from outdoor_truth import simulated
from typer.testing import CliRunner

from durability.cli import app
from durability.inference import Sampler, fit
from durability.inference.foretold import (
    equivalent_draws,
    predicted_groups,
    sites_of,
    without_sites,
)
from durability.inference.hindcast import FLAGS, Hindcast, hindcast
from durability.study import StudyError

QUICK = Sampler(chains=2, draws=400, tune=400)


@pytest.fixture(scope="module")
def truth(tmp_path_factory):
    return simulated(tmp_path_factory.mktemp("truth") / "study", 3)


@pytest.fixture(scope="module")
def laboratory(truth):
    known = without_sites(truth.study, sites_of(truth.study))
    return fit(known, sampler=QUICK, seed=1)


def frame(study, seen, level=0.9):
    import pandas

    records, missed = predicted_groups(study, seen, "A", sites_of(study), level=level, seed=1)
    assert missed == []
    return pandas.DataFrame(records).assign(given="laboratory")


def test_only_strips_in_the_open_are_taken_away(truth):
    left = without_sites(truth.study, ("miami",))
    assert list(left.exposures) == ["X1", "desert"]
    names = left.rows["exposure"].values
    assert (names != "roof").all() and (names == "desert").sum() == 2 * 4 * 4
    assert left.rows.sizes["row"] == truth.study.rows.sizes["row"] - 2 * 4 * 4


def test_prediction_holds_the_strips_that_were_found(truth, laboratory):
    groups = frame(truth.study, laboratory)
    assert len(groups) == 2 * 2 * 4 and groups["strips"].sum() == 64
    assert groups["inside"].mean() >= 0.75 and groups["strips_inside"].sum() >= 48
    assert (groups["low"] < groups["predicted"]).all()
    assert (groups["predicted"] < groups["high"]).all()


def test_what_was_found_is_the_ratio_of_geometric_means(truth, laboratory):
    groups, rows = frame(truth.study, laboratory), truth.study.rows
    one = groups[(groups["lot"] == "L1") & (groups["exposure"] == "roof")].iloc[1]
    log = np.log(rows["strength"].values)
    lot, at = rows["lot"].values == "L1", rows["exposure"].values == "roof"
    found = log[lot & at & (rows["dose"].values == 60)].mean()
    assert one["days"] == 60 and one["n"] == 4
    assert one["observed"] == pytest.approx(
        np.exp(found - log[lot & (rows["hours"].values == 0)].mean())
    )


def test_equivalent_dose_at_the_prior_means_is_that_of_the_true_clock(truth, laboratory):
    found, lamp = equivalent_draws(truth.study, laboratory, "A", "roof", np.array([60.0]), seed=1)
    values = np.array([[c.mean for c in truth.clock.parameters]])
    middle = truth.clock.log_dose("roof", np.array([60.0]), values)[0, 0]
    assert lamp == "X1" and np.log(np.median(found)) == pytest.approx(middle, abs=0.1)
    assert 0.4 < np.log(found).std() < 0.6


def test_strips_that_fall_much_faster_are_outside_and_it_is_said(truth, laboratory, tmp_path):
    """Effective dose 6 times what the truth of the model gives: more than it allows for."""
    other = simulated(tmp_path / "study", 3, unknown=np.log(6))
    groups = frame(other.study, laboratory)
    assert groups["inside"].mean() < 0.5
    found = Hindcast(title="t", law="l", level=0.9, seed=1, groups=groups)
    assert "hindcast_misses" in found.flags() and FLAGS["hindcast_misses"] in repr(found)


def test_censored_strips_are_inside_where_the_interval_reaches_their_limit(truth, laboratory):
    rows = truth.study.rows.copy(deep=True)
    late = (rows["exposure"].values == "roof") & (rows["dose"].values == 240)
    mine = np.flatnonzero(late)[:1]
    rows["censored"].values[mine] = -1
    rows["strength"].values[mine] = 40.0
    groups = frame(dataclasses.replace(truth.study, rows=rows), laboratory)
    one = groups[(groups["exposure"] == "roof") & (groups["days"] == 240)].iloc[0]
    assert one["n"] == 3 and one["strips"] == 4 and one["strips_inside"] >= 1


def test_without_sites_or_without_a_lamp_the_problem_is_said(truth):
    indoors = without_sites(truth.study, sites_of(truth.study))
    with pytest.raises(StudyError) as refused:
        hindcast(indoors)
    assert "names its site" in refused.value.problems[0].expected
    rows = truth.study.rows
    outside = rows.isel(row=np.flatnonzero(rows["exposure"].values != "X1"))
    with pytest.raises(StudyError) as refused:
        hindcast(dataclasses.replace(truth.study, rows=outside))
    assert "under a lamp" in refused.value.problems[0].expected


def test_the_command_answers_in_text_json_and_a_picture(truth, laboratory, tmp_path, monkeypatch):
    monkeypatch.setattr("durability.inference.hindcast.fit", lambda *a, **k: laboratory)
    folder = str(truth.study.folder)
    picture = tmp_path / "found.png"
    result = CliRunner().invoke(app, ["hindcast", folder, "--figure", str(picture), "--quiet"])
    assert result.exit_code == 0, result.output
    assert "from laboratory and other sites" in result.stdout
    assert picture.read_bytes()[:4] == b"\x89PNG"
    result = CliRunner().invoke(app, ["hindcast", folder, "--json", "--quiet"])
    document = json.loads(result.stdout)
    assert document["coverage"]["laboratory"]["groups"] == 16
    assert len(document["groups"]) == 32


@pytest.mark.slow
def test_groups_lie_inside_ninety_percent_intervals_about_as_often_as_stated(tmp_path):
    """Eight studies with every uncertain input drawn from its prior, two sites each. Groups of a
    study share the laboratory's and the sky's errors, so this is a coarse check."""
    inside = []
    for seed in range(8):
        drawn = simulated(tmp_path / str(seed), 100 + seed, lots=1, strips=3)
        found = hindcast(drawn.study, sampler=QUICK, seed=seed, leave_one_site_out=False)
        inside.append(found.coverage()["groups_inside"])
    assert 0.65 <= np.mean(inside) <= 1.0

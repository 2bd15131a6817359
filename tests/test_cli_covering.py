"""Commands of time in the open, on one fit of an example."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from durability.cli import app

EXAMPLES = Path(__file__).parents[1] / "examples"


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    place = tmp_path_factory.mktemp("covering") / "study"
    return shutil.copytree(
        EXAMPLES / "quarry-cover", place, ignore=shutil.ignore_patterns("results")
    )


def run(*words):
    return CliRunner().invoke(app, [str(w) for w in words])


def document(*words):
    result = run(*words, "--json", "-q")
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


@pytest.mark.parametrize("command", ["cover", "exposed", "equivalent", "map", "measure-next"])
def test_help_has_a_worked_line(command):
    result = run(command, "--help")
    assert result.exit_code == 0
    assert f"Example:  durability {command} " in result.stdout
    assert all(word in result.stdout for word in ("--json", "--out", "--quiet", "--seed"))


@pytest.mark.slow
def test_cover_names_the_worst_month_and_dose_spent_shortens_it(study):
    words = ("cover", study, "--site", "miami", "--of", "single_specimen", "--required", "0.5")
    plain = document(*words)["sites"][0]
    assert len(plain["answer"]) == 2
    assert all("worst month" in line for line in plain["answer"])
    spent = document(*words, "--spent", "2026-05-01 to 2026-06-01 at 0.5")["sites"][0]
    least = [
        min(s["low"] for s in d["statements"] if s["quantity"] == "days_to_cover")
        for d in (plain, spent)
    ]
    assert least[1] < least[0]
    assert {r["rule"] for r in plain["rules"]} == {"pass-500-hours"}


@pytest.mark.slow
def test_a_threshold_that_is_not_reached_is_a_probability_and_a_lower_bound(study):
    """Deep shade at a dark site: twenty years do not bring the dose."""
    words = (study, "--site", "barrow", "--light", "0.006")
    found = document("cover", *words)["sites"][0]
    days = [s for s in found["statements"] if s["quantity"] == "days_to_cover"]
    assert {s["low"] for s in days} == {7300.0}
    assert all("beyond_horizon" in s["flags"] and s["probability"] < 0.05 for s in days)
    for line in found["answer"]:
        assert "cover within" not in line
        assert "enough is left for 7300 days, all that are counted" in line
        assert "too little is left within the 20 years counted is under 0.1 %" in line
    shown = run("cover", *words, "-q").stdout
    assert shown.count("7300 or more  7300 or more") == 24
    shown = run("translate", *words, "-q").stdout
    assert "7300 or more" in shown
    assert "A: probability that it falls so far within the 20 years counted, under 0.1 %" in shown
    said = document("translate", *words)["statements"]
    outdoors = [s for s in said if s["quantity"] == "outdoor_days"]
    assert all(s["value"] is None and s["low"] == 7300.0 for s in outdoors)
    partly = run("translate", study, "--site", "barrow", "--light", "0.05", "-q").stdout
    chance = re.findall(r"A: probability .* counted, (\d+) % ", partly)
    assert len(chance) == 1 and 5 < int(chance[0]) < 25  # of 80 % left; 50 % is rarer


@pytest.mark.slow
def test_exposed_reads_strips_and_tells_faults_in_words(study, tmp_path):
    strips = tmp_path / "strips.csv"
    strips.write_text("material,direction,strength\nA,cross,12\nA,cross,11.5\n")
    words = ("exposed", study, "--site", "miami", "--from", "2026-05-03", "--to", "2026-08-20")
    found = document(*words, "--strips", strips)["sites"][0]
    assert found["updated"]
    assert found["weather"] == "typical year"
    strips.write_text("material,direction,strength\nA,cross,weak\n")
    bad = run(*words, "--strips", strips)
    assert bad.exit_code == 2
    assert 'row 2, column "strength": found "weak"' in bad.stderr
    half = run("exposed", study, "--site", "miami", "--from", "2026-05-03")
    assert half.exit_code == 2
    assert "both --from and --to" in half.stderr


@pytest.mark.slow
def test_equivalent_and_measure_next_answer_at_each_site(study, tmp_path):
    said = document("equivalent", study, "--site", "miami", "--site", "phoenix")["statements"]
    assert {s["site"] for s in said} == {"miami", "phoenix"}
    hours = document("equivalent", study, "--site", "miami", "--days", "30")["statements"]
    assert {s["quantity"] for s in hours} == {"lamp_hours_for"}
    picture = tmp_path / "next.png"
    found = document("measure-next", study, "--site", "miami", "--figure", picture)["sites"][0]
    assert found["measure_next"] == "lab_to_sky"
    assert picture.stat().st_size > 5000


@pytest.mark.slow
def test_map_writes_netcdf_and_a_figure(study, tmp_path):
    netcdf, picture = tmp_path / "m.nc", tmp_path / "m.png"
    found = document("map", study, "--invented", "--netcdf", netcdf, "--figure", picture)
    assert found["invented"] == "yes"
    assert netcdf.stat().st_size > 5000
    assert picture.stat().st_size > 5000
    assert run("map", study).exit_code == 2

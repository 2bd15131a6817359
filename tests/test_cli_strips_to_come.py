"""Commands about strips to come: what they print is what the Python API says."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from durability.cli import app

EXAMPLE = "examples/five-hundred-hours"


def run(*words):
    return CliRunner().invoke(app, [str(w) for w in words])


@pytest.fixture(scope="module")
def begun(tmp_path_factory):
    """One lot of the example, its last two withdrawals not tested yet."""
    folder = tmp_path_factory.mktemp("begun")
    asked = re.sub(r"(?s)\[plan\].*?\n\n", "", Path(EXAMPLE, "study.toml").read_text())
    (folder / "study.toml").write_text(asked)
    with open(f"{EXAMPLE}/specimens.csv", newline="") as stream:
        rows = list(csv.DictReader(stream))
    kept = [r for r in rows if r["direction"] == "machine" and float(r["hours"]) <= 500]
    for r in kept:
        if float(r["hours"]) >= 400:
            r["peak_force [N]"] = ""
    with open(folder / "specimens.csv", "w", newline="") as stream:
        writer = csv.DictWriter(stream, kept[0].keys())
        writer.writeheader()
        writer.writerows(kept)
    return folder


def test_plan_orders_plans_and_says_which_to_take(begun, tmp_path):
    kept, picture = tmp_path / "plans.json", tmp_path / "plans.svg"
    done = run("plan", begun, "--strips", 24, "--hours", 1000, "--withdrawals", 1, "--lots", 2,
               "--out", kept, "--figure", picture)  # fmt: skip
    assert done.exit_code == 0, done.output
    document = json.loads(kept.read_text())
    first = document["plans"][0]
    assert first["factor"] == min(p["factor"] for p in document["plans"])
    assert f"{first['factor']:.2f}" in done.stdout
    assert "What should be tested next" in done.stdout
    assert picture.read_text().lstrip().startswith("<?xml")


def test_what_the_study_asks_of_a_plan_need_not_be_said_again(begun):
    toml = begun / "study.toml"
    before = toml.read_text()
    asked = '[plan]\nstrips = 24\nhours = 600\nrequired = "500 h"\n\n[data]'
    toml.write_text(before.replace("[data]", asked))
    try:
        done = run("plan", begun, "--lots", 2, "--withdrawals", 1, "--json", "--quiet")
        other = run("plan", begun, "--lots", 2, "--withdrawals", 1, "--strips", 12, "--json",
                    "--quiet")  # fmt: skip
    finally:
        toml.write_text(before)
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert found["required"] == pytest.approx(630)
    assert found["budget"]["strips"] == 24 and found["budget"]["dose"] == pytest.approx(756)
    assert json.loads(other.stdout)["budget"]["strips"] == 12


def test_go_on_counts_the_blank_strips_of_the_table(begun):
    done = run("go-on", begun, "--required", "500 h", "--json", "--quiet")
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert [a["strips"] for a in found["after"]] == [10, 20]  # two lots, five of each
    assert [a["hours"] for a in found["after"]] == [400, 500]
    assert found["required"] == pytest.approx(630)
    assert 0 <= found["change"] <= 1


def test_days_that_are_asked_about_are_those_of_fabric_as_it_lies(begun):
    """In shade there are more of them, and the fabric hangs on a rack where it is told to."""
    asked = ("go-on", begun, "--site", "miami", "--required", "100 days", "--quiet")
    open_air, shaded = (run(*asked, *more) for more in ((), ("--light", 0.3, "--on-rack")))
    assert open_air.exit_code == shaded.exit_code == 0, shaded.output
    assert "Days are counted for fabric that lies" not in open_air.stdout
    assert "Days are counted for fabric that lies" in shaded.stdout
    documents = [
        json.loads(run(*asked, *more, "--json").stdout)
        for more in ((), ("--light", 0.3, "--on-rack"))
    ]
    in_the_open, in_shade = (d["probability"] for d in documents)
    assert in_shade > in_the_open + 0.2


def test_go_on_says_what_is_missing_where_nothing_waits():
    done = run("go-on", EXAMPLE, "--until", "9000 h", "--quiet")
    assert done.exit_code == 2
    assert "no withdrawal both up to 9000 and after it" in done.stderr


def test_before_any_data_designs_are_counted_from_priors():
    done = run("plan", "--from-priors", "--hours", 1000, "--strips", 24, "--lots", 2,
               "--expected", "700 h", "--factor", 1.5)  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "the usual practice" in done.stdout
    assert "drawn about 700 h" in done.stdout


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["plan"], "--from-priors"),
        (["plan", "examples/site-cover"], "--strips 60"),
        (["plan", EXAMPLE, "--from-priors"], "leave the folder out"),
        (["plan", EXAMPLE, "--strips", 60, "--factor", 1.2], "--factor: these go with"),
        (["plan", "--from-priors"], "--hours 1000"),
        (["plan", "--from-priors", "--slope", 30], "does not matter"),
        (["plan", EXAMPLE, "--strips", 60, "--slope", 30], "name one with --site"),
        (["go-on", EXAMPLE, "--slope", 30], "name one with --site"),
        (["plan", "--from-priors", "--hours", 100, "--expected", "12 kJ/m^2/nm"], "'700 h'"),
    ],
)
def test_what_is_left_out_or_too_much_is_said(words, expected):
    done = run(*words)
    assert done.exit_code == 2
    assert expected in done.stderr

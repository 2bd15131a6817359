"""Do the commands that check laws and priors answer in words and in one JSON document?"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from durability.cli import app

EXAMPLES = Path(__file__).parents[1] / "examples"


def run(*words: str | Path):
    return CliRunner().invoke(app, [str(w) for w in words])


@pytest.mark.parametrize("command", ["foretell", "priors"])
def test_help_has_a_worked_line(command):
    result = run(command, "--help")
    assert result.exit_code == 0
    assert f"Example:  durability {command} examples/" in result.stdout
    assert "--json" in result.stdout


def test_foretell_says_how_laws_foretell_and_what_follows(tmp_path):
    result = run(
        "foretell", EXAMPLES / "uv-cycles", "--law", "exponential", "--law", "linear", "--quiet",
        "--figures", tmp_path / "f", "--out", tmp_path / "laws.json",
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    for words in (
        "Do the strips look as the law",
        "Does the answer hang on a few strips?",
        "The last dose hidden and foretold",
        "How well each law foretells what it has not seen",
        "Threshold doses of the median lot, by law and averaged",
    ):
        assert words in result.stdout
    document = json.loads((tmp_path / "laws.json").read_text())
    assert document["outlying_strips"]["how"] in ("weights", "fitted")
    weights = [law["weight"] for law in document["laws"]]
    assert sum(weights) == pytest.approx(1.0, abs=1e-3)
    assert {s["law"] for s in document["statements"]} == {"averaged"}
    assert {f.name for f in (tmp_path / "f").iterdir()} == {
        "groups-mean.svg", "laws-averaged.svg", "last-dose-hidden.svg",
    }  # fmt: skip


def test_priors_prints_one_document_with_every_verdict(tmp_path):
    result = run("priors", EXAMPLES / "uv-cycles", "--law", "exponential", "--json", "--quiet")
    assert result.exit_code == 0, result.stderr
    document = json.loads(result.stdout)
    assert document["earlier"] is None
    found = document["sensitivity"]["threshold_doses"]
    assert {f["of"] for f in found} == {"mean", "new_lot", "single_specimen"}
    assert all(f["words"] for f in found)
    assert document["priors"]["beliefs"]


def test_prior_from_an_earlier_study_is_named_with_its_weight(tmp_path):
    earlier = shutil.copytree(EXAMPLES / "uv-cycles", tmp_path / "earlier",
                              ignore=shutil.ignore_patterns("results"))  # fmt: skip
    assert run("fit", earlier, "--law", "exponential", "--quiet").exit_code == 0
    result = run("priors", EXAMPLES / "uv-cycles", "--prior-from",
                 earlier / "results" / "results.nc", "--power", "0.5", "--quiet")  # fmt: skip
    assert result.exit_code == 0, result.stderr
    assert "counted with power 0.5" in result.stdout
    assert "the earlier studies count for" in result.stdout


def test_earlier_results_that_are_none_are_a_problem_in_words(tmp_path):
    (tmp_path / "results.nc").write_text("nothing")
    result = run("priors", EXAMPLES / "uv-cycles", "--prior-from", tmp_path / "results.nc")
    assert result.exit_code == 2
    assert "expected a results.nc that a report or a fit wrote" in result.stderr

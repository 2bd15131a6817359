"""Commands that decide: what they print is what the Python API says."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from durability.cli import app

EXAMPLE = "examples/quarry-cover"


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A results folder, so that the study is fitted once."""
    return tmp_path_factory.mktemp("deciding") / "results"


def run(*words):
    return CliRunner().invoke(app, [str(w) for w in words])


def test_compare_prints_each_pair_the_best_and_what_it_costs_to_be_wrong(kept):
    done = run("compare", EXAMPLE, "--out", kept, "--json", "--quiet")
    assert done.exit_code == 0, done.output
    found = json.loads(done.stdout)
    assert found["control"] == "B"
    assert len(found["pairs"]) == 3
    assert sum(found["best"]["new_lot"].values()) == pytest.approx(1, abs=1e-6)
    assert found["decisions"][-1]["wrong_to_act"]


def test_compare_says_what_a_margin_is(kept):
    done = run("compare", EXAMPLE, "--out", kept, "--margin", "0.9", "--quiet")
    assert done.exit_code == 2
    assert "1.2 for 20 % more" in done.output

"""Does the model in words say what the model holds, what made it, and what was left out?"""

from __future__ import annotations

import json
import math

import pytest
from test_structure import LOADED, of_lamps
from typer.testing import CliRunner

import durability
from durability.cli import app
from durability.inference.build import build_model
from durability.inference.coordinates import layout
from durability.inference.described import describe, described
from durability.inference.model import Structure, priors
from durability.laws import read_law

QUARRY = "examples/quarry-cover"
LAW = "stretched-exponential"


@pytest.mark.parametrize("errors", ["lognormal", "power", "student"])
@pytest.mark.parametrize("study", [of_lamps(lots=2), LOADED, durability.read_study(QUARRY)])
def test_every_parameter_that_is_sampled_or_integrated_out_is_a_term(study, errors):
    model = build_model(study, read_law(LAW), errors=errors)
    found = describe(model, study)
    counted = sum(t.count for t in found.terms)
    integrated = 0 if errors == "student" else int((model.series_index[:, 1] >= 0).sum())
    own = int(model.single_lot.sum())
    spreads = len(model.groups) + len(model.others) + 1 + bool(model.line.size)
    assert counted == layout(model).size - spreads + integrated + own
    assert list(found.equation) == model.equation()


def test_a_spread_is_told_as_how_far_its_members_differ():
    found = described(durability.read_study(QUARRY), law=LAW)
    lot = next(t for t in found.terms if (t.acts_on, t.name) == ("threshold dose", "lot"))
    widest = 100 * (math.exp(1.96 * priors()["lot_spread_of_threshold"]["scale"]) - 1)
    assert lot.source == "column lot" and f"0 to {widest:.0f} %" in lot.prior


def test_what_is_left_out_has_its_reason():
    study = of_lamps(lots=1)
    why = dict(described(study, law=LAW).left_out)
    assert "one lot each" in why["spread between lots from data"]
    assert "laboratory" in why and "direction" in why
    assert "activation energy, reciprocity exponent" not in why  # its lamps tell of them
    few = described(LOADED, law=LAW, structure=Structure(covariates=()))
    assert any("area, loading" in what for what, _ in few.left_out)


def test_the_command_shows_the_equation_and_draws_the_graph_without_a_fit(tmp_path, monkeypatch):
    monkeypatch.setattr("durability.inference.fit", None)
    graph, run = tmp_path / "model.svg", CliRunner().invoke
    shown = run(app, ["model", QUARRY, "--graph", str(graph), "--shape", "shared"])
    assert shown.exit_code == 0, shown.output
    assert "one shape for all products" in shown.stdout and "Left out:" in shown.stdout
    assert graph.read_text(encoding="utf-8").count("<svg") == 1
    document = json.loads(run(app, ["model", QUARRY, "--json"]).stdout)
    assert (
        document["equation"] == build_model(durability.read_study(QUARRY), read_law(LAW)).equation()
    )
    refused = run(app, ["model", QUARRY, "--shape", "sheared"])
    assert refused.exit_code == 2 and "product, shared, pooled" in refused.stderr

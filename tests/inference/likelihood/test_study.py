"""Does a study by likelihood agree with arrays, with the design it was made from, and with lots?"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import durability
from durability.cli import app
from durability.inference import EXPLANATIONS as OTHERS
from durability.inference.likelihood import EXPLANATIONS, compare_curves, compare_laws, fit_study
from durability.inference.likelihood.lots import reml_spread

EXAMPLES = Path(__file__).parents[3] / "examples"
DOSE = np.repeat([0.0, 100.0, 200.0, 300.0, 450.0, 600.0], 5)


@pytest.fixture(scope="module")
def quarry():
    return fit_study(EXAMPLES / "quarry-cover", law="stretched-exponential")


def run(*words):
    return CliRunner().invoke(app, [str(w) for w in words])


def test_every_name_is_explained(quarry):
    for s in quarry.statements():
        for name in (*s.flags, *s.assumptions):
            assert name in EXPLANATIONS or name in OTHERS


def test_a_new_lot_is_less_certain_than_the_median_lot(quarry):
    said = quarry.statements()
    for mean in said.where(quantity="threshold_dose", of="mean"):
        new = said.one(quantity="threshold_dose", of="new_lot", material=mean.material,
                       direction=mean.direction, fraction=mean.fraction)  # fmt: skip
        assert new.low < mean.low < mean.value < mean.high < new.high
        assert (mean.kind, new.kind) == ("confidence", "prediction")


def test_a_study_of_one_lot_is_the_fit_of_its_arrays():
    study = durability.read_study(EXAMPLES / "uv-cycles")
    found = fit_study(study, law="exponential")
    (said,) = found.threshold_dose(0.5)
    used = study.rows["used"].values
    fit = durability.fit_curve(
        "exponential", study.rows["dose"].values[used], study.rows["strength"].values[used]
    )
    bound = fit.threshold_dose(0.5, sides=1)
    assert said.is_bound and said.low == pytest.approx(bound.low, rel=1e-6)
    assert "lower_bound_only" in said.flags and "one_lot" in said.flags


def test_where_nothing_can_be_said_it_is_said():
    found = fit_study(EXAMPLES / "uv-cycles", law="stretched-exponential")
    assert len(found.threshold_dose(0.5)) == 0
    assert len(found.unsaid()) == 1 and "exclude no threshold" in found.unsaid()[0]


def test_spread_between_lots_is_the_classical_one_where_lots_are_known_exactly():
    values = np.array([1.0, 1.3, 0.9, 1.4])
    mean, error, spread = reml_spread(values, np.zeros((4, 4)))
    assert mean == pytest.approx(values.mean())
    assert spread == pytest.approx(values.std(ddof=1), rel=1e-6)
    assert error == pytest.approx(values.std(ddof=1) / 2, rel=1e-6)


def test_balanced_lots_agree_with_the_analysis_of_variance():
    # REML of a balanced one-way layout with known error: spread² = variance of means - error²
    rng = np.random.default_rng(4)
    values, error = rng.normal(5, 0.3, 12), 0.1
    _, _, spread = reml_spread(values, error**2 * np.eye(12))
    assert spread**2 == pytest.approx(values.var(ddof=1) - error**2, rel=1e-5)
    _, _, none = reml_spread(rng.normal(5, 0.01, 12), error**2 * np.eye(12))
    assert none == 0


def test_interval_of_a_new_lot_covers_at_its_level():
    # 400 sets of 5 lots: at 95 % fewer than 364 hits has probability 0.0005
    rng = np.random.default_rng(5)
    from scipy.stats import t

    hits = 0
    for _ in range(400):
        truth = rng.normal(6, 0.2, 6)
        mean, error, spread = reml_spread(truth[:5] + rng.normal(0, 0.05, 5), 0.0025 * np.eye(5))
        hits += abs(truth[5] - mean) < t.ppf(0.975, 4) * np.hypot(error, spread)
    assert 364 <= hits <= 396


def test_table_of_laws_prefers_the_law_that_made_the_data():
    rng = np.random.default_rng(1)
    y = 20 / (1 + (DOSE / 250) ** 3) * np.exp(rng.normal(0, 0.03, DOSE.size))
    table = compare_curves(DOSE, y, names=["exponential", "hyperbolic", "linear", "logistic"])
    assert table.rows[0].law == "logistic"
    assert table.rows[0].weight > 0.999
    assert table.rows[1].delta > 10 and table.rows[1].lack_of_fit < 0.01
    assert sum(r.weight for r in table.rows) == pytest.approx(1)
    assert "logistic" in repr(table) and "<table>" in table._repr_html_()
    assert "supports" in table.verdict() or "support logistic" in table.verdict()


def test_table_of_a_study_flags_what_is_extrapolated_and_draws(tmp_path):
    tables = compare_laws(EXAMPLES / "marine-fabrics", names=["exponential", "linear"])
    assert len(tables) == 12
    rows = [r for t in tables for r in t.rows]
    for row in rows:
        if row.threshold.value is not None:
            last = row.fit.data.x["dose"].max()
            assert row.to_dict()["extrapolated"] == (row.threshold.value > last)
    from durability.report.laws_figure import save_tables

    (written,) = save_tables(tables[:1], tmp_path / "laws.svg")
    text = written.read_text(encoding="utf-8")
    assert "not tested" in text and "exponential" in text


def test_figure_of_a_fit_shows_strips_threshold_and_residuals():
    y = 20 * np.exp(-DOSE / 300) * np.exp(np.random.default_rng(1).normal(0, 0.05, DOSE.size))
    figure = durability.fit_curve("exponential", DOSE, y).figure()
    top, low = figure.axes
    assert any(len(line.get_xdata()) == DOSE.size for line in top.lines)
    assert any(len(line.get_xdata()) == DOSE.size for line in low.lines)
    assert "dose" in low.get_xlabel()


def test_commands_print_and_give_one_document():
    words = ("fit", EXAMPLES / "uv-cycles", "--method", "likelihood", "--law", "exponential")
    shown = run(*words)
    assert shown.exit_code == 0 and "at least" in shown.stdout and "Profile" in shown.stdout
    document = json.loads(run(*words, "--json").stdout)
    assert document["fit"]["method"] == "likelihood"
    assert document["statements"][0]["kind"] == "confidence"
    refused = run("fit", EXAMPLES / "uv-cycles", "--method", "guess")
    assert refused.exit_code == 2


def test_compare_laws_command_gives_every_law_asked():
    words = ("compare-laws", EXAMPLES / "uv-cycles", "--law", "exponential", "--law", "linear")
    document = json.loads(run(*words, "--json").stdout)
    assert {r["law"] for r in document["tables"][0]["laws"]} == {"exponential", "linear"}
    assert "dAICc" in run(*words).stdout


def test_lots_without_a_loss_give_the_smallest_of_their_bounds():
    study = durability.read_study(EXAMPLES / "quarry-cover")
    rows = study.rows.copy(deep=True)
    rng = np.random.default_rng(1)
    lost = (rows["lot"] == "A1") & (rows["material"] == "A")
    rise = rows["hours"].fillna(0).values / 5000
    still = 18 * np.exp(rise + rng.normal(0, 0.05, rows.sizes["row"]))
    rows["strength"] = rows["strength"].where(~lost, still)
    from dataclasses import replace

    fit = fit_study(replace(study, rows=rows), law="exponential", materials=["A"])
    assert "no_loss_seen" in fit.fits["A"].flags
    for said in fit.threshold_dose(0.5):
        assert said.is_bound and said.low is not None and "lots_not_joined" in said.flags
        group = next(c for c in fit.cells if c.direction == said.direction).groups
        lows = [fit.fits["A"].threshold_dose(0.5, group=g, sides=1).low for g in group]
        assert said.low == pytest.approx(min(lows), rel=1e-6)
    assert len(fit.threshold_dose(0.5, of="new_lot")) == 0

"""Brackets of studies: the rule, what is left out, and threshold doses that contain the truth."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
import xarray
from known_truth import study_of
from typer.testing import CliRunner

from durability.cli import app
from durability.inference.crossing import crossings_of, disagreement, fit_study, study_crossings
from durability.inference.crossing.flags import explain
from durability.statement import Statement, Statements
from durability.study import StudyError

INF = np.inf


def strips(means, *, n=5, cv=0.0, lot="L", start=20.0, rng=None, **columns):
    """Rows of one lot: unexposed strips, then n a dose with the retained means given."""
    doses, left = [0.0, *means], [1.0, *means.values()]
    dose, mean = np.repeat(doses, n), start * np.repeat(left, n)
    noise = np.exp(cv * rng.standard_normal(dose.size)) if rng is not None else 1.0
    return {"dose": dose, "strength": mean * noise, "lot": np.full(dose.size, lot, dtype=object),
            **columns}  # fmt: skip


def together(*parts):
    return {k: np.concatenate([p[k] for p in parts]) for k in parts[0]}


def test_the_bracket_of_a_lot_runs_from_the_last_that_holds_to_the_first_that_does_not():
    study = study_of(strips({100: 0.9, 200: 0.6, 300: 0.45, 400: 0.2}))
    found = crossings_of(study, 0.5)
    assert (found["low"].item(), found["high"].item()) == (200.0, 300.0)
    assert found["source"].item() == "groups" and found["remark"].item() == ""


def test_a_bracket_is_widened_over_groups_out_of_order_and_says_so():
    study = study_of(strips({100: 0.9, 200: 0.45, 300: 0.55, 400: 0.2}))
    found = crossings_of(study, 0.5)
    assert (found["low"].item(), found["high"].item()) == (100.0, 400.0)
    assert found["remark"].item() == "not_monotone"


def test_lots_that_never_or_at_once_crossed_have_one_end():
    rows = together(strips({100: 0.9, 200: 0.8}, lot="a"), strips({100: 0.4, 200: 0.3}, lot="b"))
    found = crossings_of(study_of(rows), 0.5)
    assert found["low"].values.tolist() == [200.0, 0.0]
    assert found["high"].values.tolist() == [INF, 100.0]


def test_a_property_that_rises_crosses_upward():
    rows = strips({100: 1.2, 200: 1.6, 300: 2.4})
    study = dataclasses.replace(study_of(rows, thresholds=(2.0,)), changes="rises")
    found = crossings_of(study, 2.0)
    assert (found["low"].item(), found["high"].item()) == (200.0, 300.0)


def test_a_required_strength_needs_no_unexposed_strips():
    rows = {"dose": [100.0, 200.0, 300.0], "strength": [18.0, 12.0, 7.0]}
    found = crossings_of(study_of(rows, required_strength=10.0))
    assert (found["low"].item(), found["high"].item()) == (200.0, 300.0)
    with pytest.raises(StudyError, match="unexposed"):
        crossings_of(study_of(rows), 0.5)


def test_each_strip_holds_at_its_dose_or_does_not():
    rows = {"dose": [0.0, 100.0, 100.0, 100.0, 200.0, 200.0],
            "strength": [20.0, 11.0, 9.0, 3.0, 12.0, 5.0],
            "censored": [0, 0, 0, -1, -1, 1]}  # fmt: skip
    found = crossings_of(study_of(rows), 0.5, unit="strip")
    # below 12 and at least 5 do not tell whether 10 was held; below 3 does
    assert found["low"].values.tolist() == [100.0, 0.0, 0.0]
    assert found["high"].values.tolist() == [INF, 100.0, 100.0]


def test_inspected_specimens_are_units_with_their_counts():
    study = study_of({"dose": [0.0], "strength": [20.0]})
    size = 5
    text = {"material": "A", "lot": "", "direction": "", "exposure": "X", "specimen": "s",
            "reason": "", "file": "inspections.csv"}  # fmt: skip
    table = xarray.Dataset(
        {k: ("inspection", np.full(size, v, dtype=object)) for k, v in text.items()}
        | {
            "fraction": ("inspection", np.array([0.5, 0.5, 0.5, 0.8, 0.5])),
            "dose_low": ("inspection", np.array([0.0, 100.0, 200.0, 10.0, 50.0])),
            "dose_high": ("inspection", np.array([100.0, 200.0, INF, 20.0, 60.0])),
            "hours_low": ("inspection", np.full(size, np.nan)),
            "hours_high": ("inspection", np.full(size, np.nan)),
            "n": ("inspection", np.array([4, 9, 5, 1, 1])),
            "used": ("inspection", np.array([True, True, True, True, False])),
            "line": ("inspection", np.arange(2, 2 + size)),
        }
    )
    named = crossings_of(study_of({"dose": [0, 5.0], "strength": [20.0, 20.0]})).attrs["fraction"]
    assert named == 0.5
    exposures = study_of({"dose": [5.0], "strength": [1.0]}).exposures
    study = dataclasses.replace(study, inspections=table, exposures=exposures)
    found = crossings_of(study, 0.5)
    assert found["n"].values.tolist() == [4, 9, 5]
    said = fit_study(study, fraction=0.5, family="weibull").one(of="mean")
    assert said.low < said.value < said.high
    assert 100 < said.value < 200 and "specimens_are_units" in said.assumptions


def simulated(rng, *, tau=800.0, lots=6, lot_sd=0.12, cv=0.08, n=6):
    doses = (300.0, 500.0, 700.0, 900.0, 1200.0, 1600.0)
    parts = []
    for i in range(lots):
        own = tau * np.exp(lot_sd * rng.standard_normal())
        left = {d: float(np.exp(-np.log(2) * (d / own) ** 1.3)) for d in doses}
        parts.append(strips(left, n=n, cv=cv, lot=f"L{i}", rng=rng))
    return study_of(together(*parts))


def test_strips_alone_find_the_threshold_dose_they_were_drawn_with():
    rng = np.random.default_rng(31)
    inside = new = made = 0
    for _ in range(12):
        said = fit_study(simulated(rng, cv=0.18), fraction=0.5)
        mean = said.where(of="mean")
        if not len(mean):
            continue
        made += 1
        inside += mean[0].low <= 800.0 <= mean[0].high
        lot = said.one(of="new_lot")
        new += lot.low <= 800.0 * np.exp(0.12 * rng.standard_normal()) <= lot.high
        assert mean[0].kind == "confidence" and lot.kind == "prediction"
    assert made >= 9
    assert inside >= made - 3 and new >= made - 3  # at 95 %, four misses of 12 are one in 500


def test_lots_as_units_share_one_spread_over_materials():
    rng = np.random.default_rng(32)
    a, b = (simulated(rng, tau=t, lots=9, lot_sd=0.35).rows for t in (700.0, 1000.0))
    b = b.assign(material=b["material"].copy(data=np.full(b.sizes["row"], "B", dtype=object)))
    study = simulated(rng)
    materials = {m: dataclasses.replace(study.materials["A"], name=m) for m in ("A", "B")}
    study = dataclasses.replace(study, rows=xarray.concat([a, b], dim="row"), materials=materials)
    found = study_crossings(study, fraction=0.5, unit="lot")
    assert [g.labels for g in found.groups] == [("A", "B")]
    for name, truth in (("A", 700.0), ("B", 1000.0)):
        mean = found.statements.one(of="mean", material=name)
        lot = found.statements.one(of="new_lot", material=name)
        assert mean.low < truth < mean.high
        assert lot.low < mean.low and mean.high < lot.high


def test_strips_that_all_hold_give_a_lower_bound_and_no_value():
    study = study_of(strips({100: 0.95, 200: 0.9}, n=5))
    said = fit_study(study, fraction=0.5).one(of="mean")
    assert said.value is None and said.high is None
    assert said.low == 200.0 and said.sides == 1 and "all_held" in said.flags


def test_every_name_that_is_used_is_explained():
    rng = np.random.default_rng(33)
    for unit in ("strip", "lot"):
        found = study_crossings(simulated(rng, lot_sd=0.4, lots=8), fraction=0.5, unit=unit)
        for s in found.statements:
            for name in (*s.assumptions, *s.flags):
                assert explain(name).endswith(".")


def said(low, value, high, **more):
    return Statement(quantity="threshold_dose", unit="h", of="mean", material="A",
                     low=low, value=value, high=high, **more)  # fmt: skip


@pytest.mark.parametrize(
    "first, second, flags",
    [
        (said(80, 100, 120), said(90, 110, 130, kind="confidence"), []),
        (said(80, 100, 120), said(115, 130, 150, kind="confidence"), ["views_apart"]),
        (said(80, 100, 120), said(125, 140, 150, kind="confidence"), ["views_disagree"]),
        (said(80, 100, 120), said(150, None, None, sides=1), ["views_disagree"]),
        (said(80, 100, 120), said(70, None, None, sides=1), []),
    ],
)
def test_views_that_do_not_fit_together_are_flagged(first, second, flags):
    found = disagreement(Statements([first]), Statements([second]))
    assert [d.flag for d in found] == flags
    assert all(explain(d.flag) for d in found)


# the command


EXAMPLE = str(Path(__file__).parents[3] / "examples" / "quarry-cover")


def test_the_command_gives_one_document(tmp_path):
    kept = tmp_path / "crossings.json"
    words = ["crossings", EXAMPLE, "--fraction", "0.8", "--family", "weibull"]
    done = CliRunner().invoke(app, [*words, "--json", "--out", str(kept)])
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document == json.loads(kept.read_text(encoding="utf-8"))
    assert document["crossings"] == {"fraction": 0.8, "family": "weibull", "unit": "strip"}
    assert document["statements"] and document["fits"] and document["brackets"]
    used = {n for s in document["statements"] for n in (*s["assumptions"], *s["flags"])}
    assert used == set(document["explanations"])


def test_the_command_draws_a_picture_of_each_lot_or_material(tmp_path):
    words = ["crossings", EXAMPLE, "--unit", "lot", "--figures", str(tmp_path / "pictures")]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    pictures = sorted((tmp_path / "pictures").glob("*.png"))
    assert len(pictures) == 4  # two materials in two directions
    assert all(p.read_bytes().startswith(b"\x89PNG") for p in pictures)
    assert "note: " in done.stderr  # three lots are too few for a limit, and it says so


def test_the_command_answers_bad_words_plainly():
    for words, told in (
        (["--family", "weibul"], 'did you mean "weibull"'),
        (["--unit", "roll"], 'unit "roll" is unknown'),
        (["--fraction", "-1"], "above 0"),
    ):
        done = CliRunner().invoke(app, ["crossings", EXAMPLE, *words])
        assert done.exit_code == 2
        assert told in done.output

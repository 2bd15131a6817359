"""Do the simulated examples read, and do their answers hold the truth they were made from?"""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from durability.cli import app
from durability.study import check_study, read_study

EXAMPLES = Path(__file__).parents[1] / "examples"
NAMES = ("stabiliser-packages", "site-cover", "five-hundred-hours", "too-early")


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("make_data", EXAMPLES / "make_data.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # a dataclass looks for its module there
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def reported(tmp_path_factory):
    """Statements of the report on an example, each reported once."""
    done: dict[str, list[dict]] = {}

    def report(name: str) -> list[dict]:
        if name not in done:
            out = tmp_path_factory.mktemp(name) / "results"
            ran = CliRunner().invoke(
                app, ["report", str(EXAMPLES / name), "--out", str(out), "--quiet"]
            )
            assert ran.exit_code == 0, ran.output
            assert (out / "report.html").exists()
            done[name] = json.loads((out / "results.json").read_text("utf-8"))["statements"]
        return done[name]

    return report


def holds(statement: dict, truth: float) -> bool:
    """Whether the truth lies within the limits that there are."""
    low, high = statement["low"], statement["high"]
    return (low is None or low <= truth) and (high is None or truth <= high)


@pytest.mark.parametrize("name", [*NAMES, "marine-fabrics"])
def test_an_example_reads_with_no_problems_and_has_its_page(name):
    problems, _ = check_study(EXAMPLES / name)
    assert problems == []
    page = (EXAMPLES / name / "README.md").read_text("utf-8")
    assert f"durability report examples/{name}" in page
    if name in NAMES:
        assert read_study(EXAMPLES / name).invented
        assert "invented data" in page.lower()


def test_the_script_makes_the_same_tables_byte_for_byte(script, tmp_path):
    script.write(tmp_path)
    assert set(script.STUDIES) == set(NAMES)
    for name in NAMES:
        table = f"{name}/specimens.csv"
        assert (tmp_path / table).read_bytes() == (EXAMPLES / table).read_bytes(), name


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_threshold_doses_of_the_median_lot_hold_the_truth(name, script, reported):
    truth = script.STUDIES[name]
    found = [
        s
        for s in reported(name)
        if (s["quantity"], s["of"], s["fraction"]) == ("threshold_dose", "mean", 0.5)
    ]
    assert len(found) == len(truth.tau) * len(truth.directions) * len(truth.exposures)
    for s in found:
        cross = script.CROSS_TAU if s["direction"] == "cross" else 1
        tau = truth.tau[s["material"]] * cross * truth.exposures[s["exposure"]]
        assert holds(s, tau), (s["material"], s["direction"], s["exposure"], tau, s)


@pytest.mark.slow
def test_what_was_withdrawn_too_early_is_answered_by_lower_bounds_alone(reported):
    beyond = [
        s
        for s in reported("too-early")
        if s["quantity"] in ("threshold_dose", "threshold_hours", "outdoor_days", "days_to_cover")
    ]
    assert {s["quantity"] for s in beyond} >= {"threshold_dose", "outdoor_days", "days_to_cover"}
    doses = {
        s["material"]: s
        for s in beyond
        if (s["quantity"], s["of"], s["fraction"]) == ("threshold_dose", "new_lot", 0.5)
    }
    for s in beyond:
        if s["quantity"] == "days_to_cover" and (s["of"], s["fraction"]) == ("new_lot", 0.5):
            said = doses[s["material"]]["extrapolation_factor"]
            assert s["extrapolation_factor"] == pytest.approx(said, rel=0.01)
        assert s["value"] is None and s["low"] is not None and s["high"] is None, s
        assert "lower_bound_only" in s["flags"], s

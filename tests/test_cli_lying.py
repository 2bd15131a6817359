"""What is said of fabric in the open: one group of options, on every command that reads a sky."""

from __future__ import annotations

import json
import shutil

import jsonschema
import pytest
from typer.testing import CliRunner

from durability.cli import app
from durability.cli.lying import Lying
from durability.report import schema
from durability.study import StudyError, read_study

COMMANDS = (
    "translate", "cover", "exposed", "equivalent", "measure-next", "map", "report", "quote",
    "figures", "compare", "batch", "plan", "go-on",
)  # fmt: skip
GROUP = (
    "--laying", "--light", "--slope", "--azimuth", "--horizon", "--snow-cover", "--on-ground",
    "--wetness", "--action-spectrum", "--measured-uv",
)  # fmt: skip


def run(*words):
    return CliRunner().invoke(app, [str(w) for w in words])


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_of_a_sky_takes_the_group(command):
    shown = run(command, "--help").stdout
    left_out = {"exposed": {"--laying", "--light"}, "map": {"--measured-uv"}}
    left_out |= {"plan": {"--laying"}, "go-on": {"--laying"}}  # both ask for the worst month
    assert {o for o in GROUP if f"{o} " not in shown} == left_out.get(command, set())


def asked(study="examples/quarry-cover", **said):
    lying = Lying(**said)
    return lying, lying.asked(read_study(study))


def test_one_measured_total_is_not_given_to_several_places():
    total = "318 MJ/m^2 in 300-400 nm"
    lying, study = asked(site=["miami", "phoenix"], measured_uv=total)
    with pytest.raises(ValueError, match="2 sites are asked for"):
        lying.sites(study)
    lying, study = asked(site=["miami"], measured_uv=total)
    assert lying.sites(study) == ["miami"] and study.question.measured_uv == total


def test_an_action_spectrum_that_is_no_file_is_named():
    with pytest.raises(ValueError, match='"wobbly" is no file; expected exponential, none'):
        asked(action_spectrum="wobbly")


def test_what_study_toml_says_holds_where_no_option_is_given(tmp_path):
    shutil.copytree("examples/uv-cycles", tmp_path / "s", ignore=shutil.ignore_patterns("results"))
    toml = tmp_path / "s" / "study.toml"
    asks = "[question]\nslope = 30\nlight = 0.5\nsnow_cover = true\n"
    text = toml.read_text("utf-8")
    toml.write_text(text.replace("[question]\n", asks) if "[question]" in text else text + asks)
    plain = asked(tmp_path / "s")[1].question
    assert (plain.slope, plain.light, plain.snow_cover) == (30.0, 0.5, True)
    other = asked(tmp_path / "s", slope=0.0, snow_cover=False)[1].question
    assert (other.slope, other.light, other.snow_cover) == (0.0, 0.5, False)
    toml.write_text(toml.read_text("utf-8").replace("slope = 30", "slope = 130"))
    with pytest.raises(StudyError, match="degrees from the horizontal, 0 to 90"):
        read_study(tmp_path / "s")


def test_how_it_lies_needs_a_site_where_packages_are_compared():
    found = run("compare", "examples/quarry-cover", "--slope", "30")
    assert found.exit_code == 2 and "name one with --site" in found.stderr


@pytest.mark.long
def test_a_report_tells_how_the_fabric_lies_and_is_repeated_so(tmp_path):
    """The answer, the methods, results.json and the record; another slope is another report."""
    study = shutil.copytree(
        "examples/quarry-cover", tmp_path / "s", ignore=shutil.ignore_patterns("results")
    )
    words = ("report", study, "--site", "miami", "--quiet")
    lies = ("--slope", "45", "--azimuth", "0", "--on-rack", "--light", "0.5")
    said = "on a rack, at a slope of 45° facing north, in 50 % of the light"
    done = run(*words, *lies)
    assert done.exit_code == 0, done.output
    assert f"Days are counted for fabric that lies {said}." in done.stdout
    results = study / "results"
    document = json.loads((results / "results.json").read_text("utf-8"))
    jsonschema.validate(document, schema())
    assert document["in_the_open"]["slope"] == 45.0
    page = (results / "report.html").read_text("utf-8")
    assert page.count(said) == 2  # in the answer and in the method
    methods = run("quote", study, "--site", "miami", *lies, "--quiet", "--style", "methods")
    assert f"was taken to lie {said}" in " ".join(methods.stdout.split())
    again = run("report", study, "--site", "miami", *lies)
    assert "Nothing has changed" in again.stdout
    quoted = run("quote", study, "--site", "miami", *lies, "--quiet")
    assert said in " ".join(quoted.stdout.split())
    proven = run("verify", results, "--json", "--quiet")
    assert proven.exit_code == 0, proven.output
    days = {s["id"]: s for s in document["statements"] if s["quantity"] == "days_to_cover"}
    flat = run(*words)
    assert flat.exit_code == 0 and said not in flat.stdout
    changed = json.loads((results / "results.json").read_text("utf-8"))["statements"]
    moved = [(days[s["id"]]["low"], s["low"]) for s in changed if s["id"] in days]
    assert moved and all(shaded > 1.5 * open_ for shaded, open_ in moved if shaded and open_)


@pytest.mark.slow
def test_a_batch_asks_the_same_of_every_study(tmp_path):
    study = shutil.copytree(
        "examples/quarry-cover", tmp_path / "s", ignore=shutil.ignore_patterns("results")
    )
    done = run("batch", study, "--site", "miami", "--light", "0.5", "--shape", "shared", "--quiet")
    assert done.exit_code == 0, done.output
    record = json.loads((study / "results" / "provenance.json").read_text("utf-8"))
    assert record["asked"]["lying"]["light"] == 0.5
    assert record["model"]["shape"] == "shared"
    alone = ("report", study, "--site", "miami", "--light", "0.5", "--shape", "shared")
    assert "Nothing has changed" in run(*alone).stdout

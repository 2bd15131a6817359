"""Do the commands that plan a study and judge a chamber answer in text, JSON and exit status?"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from durability.cli import app

EXAMPLES = Path(__file__).parents[1] / "examples"


def run(*words: str | Path, entered: str | None = None):
    return CliRunner().invoke(app, [str(w) for w in words], input=entered)


def lines(result) -> str:
    return " ".join(result.stderr.split())


@pytest.fixture(autouse=True)
def no_pages(monkeypatch):
    """Drawing is tested elsewhere; loading it takes seconds."""
    import durability.report.plan_figure as pages

    monkeypatch.setattr(pages, "write_plan", lambda plan, file: file.write_bytes(b"%PDF-"))


@pytest.mark.parametrize("command", ["new", "chamber"])
def test_help_has_a_worked_line(command) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    assert f"Example:  durability {command}" in result.stdout and "--json" in result.stdout


def test_new_writes_a_folder_from_options_alone(tmp_path) -> None:
    result = run(
        "new", tmp_path / "s", "--material", "A", "--lot", "A:77", "--withdraw", "300 h, 630 "
        "kJ/m^2/nm", "--strips", "4", "--start", "2031-05-14T08:30", "--seed", "3", "--yes",
        "--json",
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    document = json.loads(result.stdout)
    assert document["hours"] == [300, 500]
    assert document["strips"] == 2 * (8 + 2 * 4) and document["exposed"] == 16
    assert [w["time"] for w in document["withdrawals"]] == [
        "2031-05-26T20:30:00",
        "2031-06-04T04:30:00",
    ]
    assert document["files"] == [
        "plan.pdf", "specimens.csv", "study.toml", "withdrawals.html", "withdrawals.ics",
    ]  # fmt: skip
    assert "A,77,machine,X1" in (tmp_path / "s" / "specimens.csv").read_text()


def test_new_asks_for_what_is_not_given_and_takes_defaults(tmp_path) -> None:
    result = run("new", tmp_path / "s", entered="A, B\n2\n\n\n\n3\n2031-05-14T08:30\n")
    assert result.exit_code == 0, result.stderr
    assert "Lots of each product" in result.stderr
    assert "150 h  189 kJ/(m² nm) at 340 nm" in result.stdout
    assert "out of hours" in result.stdout
    assert "durability check" in result.stdout


def test_new_overwrites_nothing(tmp_path) -> None:
    words = ("new", tmp_path / "s", "--material", "A", "--yes")
    assert run(*words).exit_code == 0
    before = {f.name: f.read_bytes() for f in (tmp_path / "s").iterdir()}
    again = run(*words)
    assert again.exit_code == 2 and "nothing was written" in again.stderr
    assert {f.name: f.read_bytes() for f in (tmp_path / "s").iterdir()} == before


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "at least one product"),
        (("--material", "A", "--lamp", "xenon"), "lamps has no"),
        (("--material", "A", "--lamp", "xenon-window"), "sets no withdrawals"),
        (("--material", "A", "--withdraw", "50 MJ/m^2"), "neither a time nor a dose"),
        (("--material", "A", "--start", "monday"), "expected a time"),
        (("--material", "A", "--start", "2031-05-14", "--zone", "Nowhere"), "Europe/Lisbon"),
        (("--material", "A", "--places", "2"), "plan two runs"),
        (("--material", "A", "--lot", "B:1"), "MATERIAL:LOT"),
        (("--material", "A", "--direction", "weft"), "machine or cross"),
        (("--material", "A", "--unit", "MPa"), "force per width"),
        (("--material", "A", "--irradiance", "bright"), "not a number"),
        (("--material", "A", "--unit", "stone"), "unknown"),
    ],
)
def test_new_refuses_in_words_and_writes_nothing(tmp_path, words, said) -> None:
    result = run("new", tmp_path / "s", *words, "--yes")
    assert result.exit_code == 2, result.output
    assert said in lines(result)
    assert not (tmp_path / "s").exists()


def test_chamber_tells_the_record_in_text() -> None:
    result = run("chamber", EXAMPLES / "quarry-cover", "--band", "300-400 nm")
    assert result.exit_code == 0, result.stderr
    assert "97.1 % of it" in result.stdout
    assert "MJ/m² in 300-400 nm" in result.stdout and "spectrum xenon-daylight" in result.stdout
    assert "out of tolerance" in result.stdout
    assert "caution: exposure X1: the light failed once" in result.stderr


def test_chamber_tells_the_record_as_json(tmp_path) -> None:
    result = run("chamber", EXAMPLES / "quarry-cover", "--json", "--out", tmp_path / "c.json")
    document = json.loads(result.stdout)
    assert document == json.loads((tmp_path / "c.json").read_text(encoding="utf-8"))
    (found,) = document["chambers"]
    assert found["interruptions"] == [{"start": 700.0, "hours": 13.5, "kind": "no light"}]
    assert 0.9 < found["of_nominal"] < 1 and found["relative_sd"] >= 0.05
    assert document["runs"] is None and document["departures"] == []


def test_chamber_tells_departures_from_the_practice(tmp_path) -> None:
    study = shutil.copytree(EXAMPLES / "quarry-cover", tmp_path / "s")
    text = (study / "study.toml").read_text(encoding="utf-8")
    (study / "study.toml").write_text(text.replace('"65 degC"', '"75 degC"'), encoding="utf-8")
    result = run("chamber", study)
    assert "black panel (90 min light) is 75 °C; xenon-daylight has 65 °C" in result.stdout
    assert "black panel was out of tolerance" in result.stderr
    checked = run("check", study)
    assert "xenon-daylight has 65 °C" in checked.output


def test_chamber_draws_a_figure_of_each_record(tmp_path) -> None:
    result = run("chamber", EXAMPLES / "quarry-cover", "--figures", tmp_path / "f")
    assert result.exit_code == 0
    svg = (tmp_path / "f" / "chamber-X1.svg").read_text(encoding="utf-8")
    assert "black panel" in svg and "no light where light was due" in svg


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("uv-cycles",), "no exposure of this study has a chamber record"),
        (("quarry-cover", "--band", "green"), "Write a wavelength"),
        (("quarry-cover", "--band", "250-260 nm"), "says nothing of 250-260 nm"),
        (("quarry-cover", "--band", "420 nm", "--spectrum", "moon"), "spectra has no"),
        (("quarry-cover", "--control", "A"), "no run"),
        (("quarry-cover", "--control", "Z"), "no measured strips"),
    ],
)
def test_chamber_refuses_in_words(words, said) -> None:
    result = run("chamber", EXAMPLES / words[0], *words[1:])
    assert result.exit_code == 2, result.output
    assert said in lines(result)

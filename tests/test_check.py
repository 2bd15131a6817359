"""`durability check`: findings file by file, as records, and marked in a spreadsheet copy."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import openpyxl
import pytest
from typer.testing import CliRunner

from durability.cli import app

EXAMPLES = Path(__file__).parents[1] / "examples"


def run(*words: str | Path):
    return CliRunner().invoke(app, ["check", *map(str, words)])


@pytest.fixture
def study(tmp_path) -> Path:
    """A copy of an example with a chamber record."""
    return shutil.copytree(
        EXAMPLES / "quarry-cover", tmp_path / "study", ignore=shutil.ignore_patterns("results")
    )


def spoil(study: Path, file: str, old: str, new: str) -> None:
    path = study / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


@pytest.fixture
def spoilt(study) -> Path:
    spoil(study, "specimens.csv", "906.32", "9O6.32")
    spoil(study, "specimens.csv", "A,A1,machine,X1,150,2", "A,A1,machin,X1,150,2")
    spoil(study, "study.toml", "[0.5, 0.8]", "[50, 0.8]")
    spoil(study, "chamber_X1.csv", "0.3456", "dark")
    return study


def test_problems_are_grouped_by_file_and_ordered_by_row(spoilt):
    result = run(spoilt)
    assert result.exit_code == 2
    lines = result.stderr.splitlines()
    heads = [t for t in lines if not t.startswith(" ") and "problem" in t]
    assert heads == [
        "study.toml: 1 problem", "specimens.csv: 2 problems", "chamber_X1.csv: 1 problem",
        "4 problems; nothing was computed",
    ]  # fmt: skip
    told = [t for t in lines if t.startswith("  specimens.csv, row")]
    assert [t.split(",")[1].strip() for t in told] == ["row 2", "row 9"]
    assert all("found" in t and "expected" in t for t in told)


def test_each_record_says_row_column_found_expected_and_how_to_mend(spoilt):
    document = json.loads(run(spoilt, "--json").stdout)
    assert len(document["problems"]) == 4
    for record in document["problems"]:
        assert set(record) == {"file", "row", "column", "found", "expected", "mend"}
        assert record["file"] and record["expected"] and record["mend"] and record["column"]


def test_a_caution_names_its_rows_in_the_record(study):
    records = json.loads(run(study, "--json").stdout)["cautions"]
    (jaw,) = [r for r in records if r["name"] == "jaw_breaks"]
    assert jaw["rows"] == [194] and jaw["file"] == "specimens.csv"


def test_the_marked_copy_is_written_beside_the_answer(spoilt, tmp_path):
    result = run(spoilt, "--marked", tmp_path / "marked.xlsx")
    assert result.exit_code == 2 and "marked.xlsx" in result.stdout
    book = openpyxl.load_workbook(tmp_path / "marked.xlsx")
    assert set(book.sheetnames) == {"findings", "study.toml", "specimens.csv", "chamber_X1.csv"}
    assert book["chamber_X1.csv"]["B2"].comment and book["specimens.csv"]["C9"].comment


def test_json_stays_one_document_beside_a_marked_copy(spoilt, tmp_path):
    result = run(spoilt, "--json", "--marked", tmp_path / "marked.xlsx")
    assert json.loads(result.stdout)["problems"] and (tmp_path / "marked.xlsx").is_file()


def test_a_table_of_the_study_is_never_overwritten(tmp_path):
    study = shutil.copytree(EXAMPLES / "quarry-cover-spreadsheet", tmp_path / "study")
    before = (study / "strips.xlsx").read_bytes()
    result = run(study, "--marked", study / "strips.xlsx")
    assert result.exit_code == 2 and "is no marked copy" in result.stderr
    assert (study / "strips.xlsx").read_bytes() == before


@pytest.mark.parametrize(("factor", "said"), [(0.97, False), (0.90, True), (1.08, True)])
def test_a_record_more_than_5_percent_off_nominal_is_said(study, factor, said):
    path = study / "chamber_X1.csv"
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    cells = [r.split(",") for r in rows]
    mean = sum(float(c[1]) for c in cells) / len(cells)
    lines = [",".join([c[0], f"{float(c[1]) / mean * 0.35 * factor:.5f}", *c[2:]]) for c in cells]
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    names = [c["name"] for c in json.loads(run(study, "--json").stdout)["cautions"]]
    assert ("record_differs_from_nominal" in names) is said


def test_a_row_that_gets_no_dose_is_a_problem(study):
    spoil(study, "study.toml", 'lamp = "xenon-daylight"\nirradiance = "0.35 W/m^2/nm"\n',
          'lamp = "outdoor"\n')  # fmt: skip
    spoil(study, "study.toml", 'record = "chamber_X1.csv"\n', "")
    result = run(study)
    assert result.exit_code == 2 and "problem" in result.stderr
    assert "Traceback" not in result.stderr

"""Do the commands answer at a terminal and in a script: text, one JSON document, exit status?"""

from __future__ import annotations

import json
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from durability.cli import app

ROOT = Path(__file__).parents[1]
EXAMPLES = ROOT / "examples"
COMMANDS = ("check", "retention", "fit", "translate", "report", "laws", "sites")
QUICK = ("check", "retention", "laws", "sites")  # nothing is sampled


def run(*words: str | Path):
    return CliRunner().invoke(app, [str(w) for w in words])


def document(result):
    """Standard output as the one JSON document that it must be."""
    return json.loads(result.stdout, parse_constant=lambda word: pytest.fail(f"{word} in JSON"))


@pytest.fixture
def study(tmp_path) -> Path:
    """A copy of the smallest example, to be spoilt and written to."""
    return shutil.copytree(
        EXAMPLES / "uv-cycles", tmp_path / "study", ignore=shutil.ignore_patterns("results")
    )


@pytest.fixture
def no_fit(monkeypatch):
    """From here on a fit may only be read back."""
    import durability.inference as room

    def refuse(*args, **options):
        raise AssertionError("the study was fitted again")

    return lambda: monkeypatch.setattr(room, "fit", refuse)


# help


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_a_worked_line(command):
    result = run(command, "--help")
    assert result.exit_code == 0
    assert re.search(rf"Example:  durability {command}\b", result.stdout)
    assert "--json" in result.stdout
    assert "--out" in result.stdout
    assert "--quiet" in result.stdout


def test_the_help_of_the_whole_lists_every_command():
    result = run("--help")
    assert result.exit_code == 0
    assert all(re.search(rf"^\W*{c}\b", result.stdout, re.MULTILINE) for c in COMMANDS)
    assert "--install-completion" in result.stdout


@pytest.fixture(scope="module")
def quarry_results(tmp_path_factory):
    return tmp_path_factory.mktemp("quarry") / "results"


@pytest.mark.parametrize(
    "command", [*QUICK, "translate", pytest.param("report", marks=pytest.mark.slow)]
)
def test_the_worked_line_works(command, quarry_results, tmp_path, monkeypatch):
    (tmp_path / "examples").symlink_to(ROOT / "examples")
    monkeypatch.chdir(tmp_path)
    worked = re.search(r"Example:  durability (.*)", run(command, "--help").stdout)
    assert worked is not None
    words = shlex.split(worked[1])
    if command in ("report", "translate"):
        words += ["--out", str(quarry_results), "-q"]
    result = run(*words)
    assert result.exit_code == 0, result.stderr
    assert result.stdout.strip()


def test_the_version_is_that_of_the_package():
    from durability import __version__

    result = run("--version")
    assert (result.exit_code, result.stdout) == (0, f"durability {__version__}\n")


def test_what_a_figure_rests_on_is_said_beside_it(tmp_path):
    """A is cut down to one lot and one dose; B keeps its lots and doses."""
    from durability.report.results import BOOK

    folder = shutil.copytree(
        EXAMPLES / "quarry-cover", tmp_path / "s", ignore=shutil.ignore_patterns("results")
    )
    head, *rows = (folder / "specimens.csv").read_text(encoding="utf-8").splitlines()
    cells = [row.split(",") for row in rows]
    kept = [row for row, c in zip(rows, cells, strict=True)
            if c[0] == "B" or (c[1] == "A1" and c[4] in ("0", "1000"))]  # fmt: skip
    (folder / "specimens.csv").write_text("\n".join([head, *kept]) + "\n", encoding="utf-8")
    said = run("fit", folder, "--seed", "1")
    assert said.exit_code == 0, said.stderr
    lines = said.stdout.splitlines()
    marks = {}
    for name in ("one_lot", "one_dose_level"):
        marks[name] = next(x.split()[0] for x in lines if BOOK[name][:40] in x)
    figures = [x for x in lines if " threshold dose " in x]
    for line in figures:
        noted = line.rsplit("  ", 1)[-1].split()
        assert all((mark in noted) == line.startswith("A") for mark in marks.values()), line


# JSON


def test_json_is_one_document_and_nothing_else(study, no_fit):
    from durability.statement import Statement

    checked = document(run("check", study, "--json"))
    assert checked["problems"] == []
    assert {c["name"] for c in checked["cautions"]} >= {"no_unexposed_strips"}
    kept = document(run("retention", study, "--json"))
    assert [Statement.from_dict(s) for s in kept["statements"]]
    fitted = document(run("fit", study, "--json", "--seed", "1"))
    assert fitted["fit"]["diagnostics"]["passed"] is True
    assert fitted["run"]["seed"] == 1
    assert [Statement.from_dict(s) for s in fitted["statements"]]
    no_fit()  # the report takes the fit that the command fit kept
    whole = document(run("report", study, "--json", "--seed", "1"))
    assert whole["schema"] == "durability-results/1"
    assert whole["statements"]
    written = json.loads((study / "results" / "results.json").read_text(encoding="utf-8"))
    assert written == whole
    assert sorted(p.name for p in (study / "results").iterdir()) == [
        "provenance.json", "report.docx", "report.html", "results.json", "results.nc",
    ]  # fmt: skip
    assert {r["name"] for r in document(run("laws", "--json"))} >= {"linear", "logistic"}
    assert [r["name"] for r in document(run("laws", "linear", "--json"))] == ["linear"]
    assert all(r["source"] for r in document(run("sites", "--json")))


@pytest.mark.parametrize(
    ("words", "status"),
    [
        (["check", "missing", "--json"], 2),
        (["retention", "missing", "--json"], 2),
        (["fit", "missing", "--json"], 2),
        (["report", "missing", "--json"], 2),
        (["fit", "STUDY", "--law", "logistik", "--json"], 2),
        (["fit", "STUDY", "--errors", "gamma", "--json"], 2),
        (["translate", "STUDY", "--json"], 2),
        (["check", "STUDY", "--json", "--out", "missing/x.json"], 2),
        (["laws", "logistik", "--json"], 2),
    ],
)
def test_an_error_is_one_document_too(study, words, status):
    result = run(*[str(study) if w == "STUDY" else w for w in words])
    assert result.exit_code == status
    assert set(document(result)) <= {"error", "problems", "cautions"}
    assert result.stderr.strip() or "problems" in document(result)


@pytest.mark.parametrize("command", QUICK)
def test_the_document_is_kept_in_a_file_as_well(command, study, tmp_path):
    words = [command] if command in ("laws", "sites") else [command, study]
    result = run(*words, "--json", "--out", tmp_path / "kept.json")
    assert result.exit_code == 0
    kept = json.loads((tmp_path / "kept.json").read_text(encoding="utf-8"))
    assert kept == document(result)
    text = run(*words, "--out", tmp_path / "again.json")
    assert text.exit_code == 0
    assert not text.stdout.lstrip().startswith(("{", "["))
    assert json.loads((tmp_path / "again.json").read_text(encoding="utf-8")) == kept


# what is wrong


def test_a_missing_folder_is_named(tmp_path):
    for command in ("check", "retention", "fit", "translate", "report"):
        result = run(command, tmp_path / "nowhere")
        assert result.exit_code == 2, command
        assert "nowhere" in result.stderr
        assert "expected a folder that holds study.toml" in result.stderr
        assert "Traceback" not in result.stderr + result.stdout


def test_every_problem_is_printed_with_file_row_and_column(study):
    table = study / "specimens.csv"
    lines = table.read_text(encoding="utf-8").splitlines()
    first = next(i for i, line in enumerate(lines) if line.startswith("geocomposite"))
    lines[first] = lines[first].replace(lines[first].split(",")[-1], "5O0")
    lines[first + 1] = lines[first + 1].replace(",UV,", ",UW,")
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    for command in ("check", "fit", "report"):
        result = run(command, study)
        assert result.exit_code == 2
        assert f'specimens.csv, row {first + 1}, column "peak_force [N]": found "5O0"' in (
            result.stderr
        )
        assert f"specimens.csv, row {first + 2}" in result.stderr
        assert '"UW"' in result.stderr
        assert "2 problems; nothing was computed" in result.stderr
        assert "Traceback" not in result.stderr
    assert not (study / "results").exists()
    records = document(run("check", study, "--json"))["problems"]
    assert sorted((p["file"], p["row"]) for p in records) == [
        ("specimens.csv", first + 1), ("specimens.csv", first + 2),
    ]  # fmt: skip


def test_a_law_or_site_that_is_not_there_is_answered_with_a_near_spelling(study, tmp_path):
    result = run("fit", study, "--law", "logistik")
    assert result.exit_code == 2
    assert 'did you mean "logistic"?' in result.stderr
    result = run("laws", "nothing-like-it")
    assert result.exit_code == 2
    assert 'laws has no "nothing-like-it". Known: exponential' in result.stderr


def test_a_misspelt_site_is_answered_with_a_near_spelling(quarry_results, tmp_path):
    result = run("translate", EXAMPLES / "quarry-cover", "--site", "miamy", "--out", quarry_results)
    assert result.exit_code == 2
    assert 'Did you mean "miami"?' in result.stderr


@pytest.mark.parametrize(
    ("option", "value"),
    [("--level", "0"), ("--level", "1"), ("--level", "95"), ("--level", "nan"), ("--seed", "-1"),
     ("--seed", str(2**64)), ("--seed", "one")],
)  # fmt: skip
def test_a_number_that_cannot_be_meant_is_refused_before_anything_runs(
    study, no_fit, option, value
):
    no_fit()
    result = run("fit", study, option, value)
    assert result.exit_code == 2
    assert option in result.stderr


def test_results_are_not_written_over_other_things(study, no_fit, tmp_path):
    no_fit()
    (tmp_path / "mine.txt").write_text("mine")
    for out, words in ((tmp_path / "mine.txt", "is a file"), (study, "holds files that are not")):
        for command in ("fit", "report"):
            result = run(command, study, "--out", out)
            assert result.exit_code == 2
            assert words in result.stderr
    assert (tmp_path / "mine.txt").read_text() == "mine"


def test_an_interrupt_is_no_traceback(study, monkeypatch):
    import durability.inference as room

    def stop(*args, **options):
        raise KeyboardInterrupt

    monkeypatch.setattr(room, "fit", stop)
    result = run("fit", study)
    assert result.exit_code == 130
    assert "the earlier results are untouched" in result.stderr
    assert not (study / "results").exists()


@pytest.mark.parametrize("command", ["fit", "report", "translate"])
def test_a_fit_that_misses_its_diagnostics_gives_3_and_writes_nothing(study, monkeypatch, command):
    from durability.inference import diagnostics

    monkeypatch.setattr(diagnostics, "ESS", 1e9)
    words = [command, study, "--json", *(["--site", "miami"] if command == "translate" else [])]
    result = run(*words)
    assert result.exit_code == 3
    assert "effective draws" in result.stderr
    assert not (study / "results").exists()
    if result.stdout:
        said = document(result)
        assert "error" in said or said["fit"]["diagnostics"]["passed"] is False
        flags = [s["flags"] for s in said.get("statements", ()) if s["law"]]
        assert all("diagnostics_failed" in f for f in flags)


# an earlier fit


def test_an_earlier_fit_is_reused_until_something_changes(study, no_fit, monkeypatch):
    def fitted(*words):
        result = run("fit", study, "--json", *words)
        assert result.exit_code == 0, result.stderr
        return document(result), result.stderr

    first, said = fitted("--seed", "1")
    assert "reused" not in said
    with monkeypatch.context() as within:
        import durability.inference as room

        within.setattr(room, "fit", lambda *a, **o: pytest.fail("fitted again"))
        second, said = fitted("--seed", "1")
    assert "The earlier fit was reused" in said
    assert second == first

    other, said = fitted("--seed", "2")
    assert "Fitted again" in said
    assert other["run"]["key"] != first["run"]["key"]
    assert other["statements"] != first["statements"]

    table = study / "specimens.csv"
    text = table.read_text(encoding="utf-8")
    assert text.count("675.88") == 1
    table.write_text(text.replace("675.88", "695.88"), encoding="utf-8")
    changed, said = fitted("--seed", "2")
    assert "Fitted again" in said
    assert changed["run"]["key"] != other["run"]["key"]
    assert changed["statements"] != other["statements"]


# as a program of its own


def test_the_program_prints_json_alone_on_standard_output(study):
    done = subprocess.run(
        [sys.executable, "-m", "durability.cli", "check", str(study), "--json"],
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0
    assert json.loads(done.stdout)["problems"] == []


def test_the_program_ends_with_2_and_no_traceback_on_bad_input(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "durability.cli", "report", str(tmp_path / "nowhere")],
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stdout == ""
    assert "Traceback" not in done.stderr

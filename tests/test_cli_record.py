"""Do the commands of the record answer as stated: text, one JSON document, exit status?"""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pytest
from typer.testing import CliRunner

from durability.cli import app


def run(*words: str | Path):
    return CliRunner().invoke(app, [str(w) for w in words])


@pytest.mark.parametrize("command", ["verify", "diff", "pack", "open"])
def test_help_has_a_worked_line(command):
    shown = run(command, "--help")
    assert shown.exit_code == 0
    assert f"Example:  durability {command} " in shown.stdout


@pytest.mark.parametrize("command", [["verify"], ["pack"], ["diff", "."]])
def test_a_folder_without_results_is_bad_input_and_is_named(command, tmp_path):
    result = run(*command, tmp_path)
    assert result.exit_code == 2
    assert "is no results folder" in result.stderr


@pytest.mark.parametrize(
    ("verdict", "status"),
    [("same", 0), ("same as quoted", 0), ("different", 1), ("cannot be repeated", 2)],
)
def test_the_exit_status_of_verify_tells_the_verdict(verdict, status, monkeypatch):
    import durability.report.verify as room

    found = SimpleNamespace(
        verdict=verdict, sentence=lambda: verdict, rows=lambda: [("inputs", "same", "2 of 2")],
        to_dict=lambda: {"verdict": verdict},
    )  # fmt: skip
    monkeypatch.setattr(room, "verify", lambda *a, **k: found)
    result = run("verify", "anywhere", "-q", "--json")
    assert result.exit_code == status
    assert json.loads(result.stdout) == {"verdict": verdict}


def test_a_folder_that_is_not_there_is_not_opened(tmp_path):
    result = run("open", tmp_path / "nowhere", "--no-browser")
    assert result.exit_code == 2
    assert "nowhere is no folder" in result.stderr

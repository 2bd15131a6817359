"""Commands answer as the report that lies there does, and leave it whole."""

from __future__ import annotations

import json
from types import SimpleNamespace

import pytest

from durability.cli import fitted as room
from durability.cli.options import Fitting
from durability.report.run import BY_RULE
from durability.study import ModelChoices


@pytest.fixture
def asked(tmp_path, monkeypatch):
    """The law that a command fits, where a folder holds these files, and what it says."""
    folder = tmp_path / "results"
    monkeypatch.setattr("durability.inference.checking.earlier.default_law", lambda _: "usual")
    kept: list[str] = []
    monkeypatch.setattr("durability.report.results.keep_fit", lambda *_: kept.append("kept"))

    def of(
        files: dict[str, str],
        law: str | None = None,
        *,
        named: str | None = None,
        reused: bool = False,
    ):
        study = SimpleNamespace(folder=tmp_path, choices=ModelChoices(law=named))
        folder.mkdir(exist_ok=True)
        for name, text in files.items():
            (folder / name).write_text(text)
        used: list[str] = []

        def fit_or_reuse(_study, *, law, **_options):
            used.append(law)
            return SimpleNamespace(diagnostics=SimpleNamespace(ok=True)), {}, reused

        monkeypatch.setattr("durability.report.fit_or_reuse", fit_or_reuse)
        room.fitted(study, Fitting(law=law), None, False)  # type: ignore[arg-type]
        return used[0], kept

    return of


def record(law: str, *, by_rule: bool) -> str:
    return json.dumps(
        {"whole": "ab" + (BY_RULE if by_rule else ""), "asked": {"law": {"name": law}}}
    )


def test_without_a_law_it_is_that_which_the_report_chose(asked):
    files = {"provenance.json": record("averaged", by_rule=True), "report.html": ""}
    assert asked(files)[0] == "averaged"
    assert asked(files, "gompertz")[0] == "gompertz"
    assert asked(files, named="logistic")[0] == "logistic"
    assert asked(files, "gompertz", named="logistic")[0] == "gompertz"


@pytest.mark.parametrize(
    "text",
    [record("gompertz", by_rule=False), "{}", "[]", "no json", '{"whole": "x; law by rule"}'],
)
def test_a_law_that_a_person_chose_for_a_report_is_not_taken_over(asked, text):
    assert asked({"provenance.json": text})[0] == "usual"


def test_a_report_is_not_replaced_by_a_fit_alone(asked, capsys):
    _, kept = asked({"provenance.json": "{}", "report.html": ""})
    assert kept == []
    assert "not kept" in capsys.readouterr().err


def test_a_fit_alone_is_replaced(asked, capsys):
    _, kept = asked({"provenance.json": "{}"})
    assert kept == ["kept"]
    assert "Fitted again" in capsys.readouterr().err

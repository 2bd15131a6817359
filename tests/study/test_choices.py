"""Is what study.toml asks of the model read, and is a wrong word named?"""

from __future__ import annotations

import pytest

from durability import catalogue, read_study
from durability.study import ModelChoices, check_study
from durability.study.choices import law_named, with_choices

ALL = """
[model]
shape = "pooled"
law = "logistic"
errors = "student"
spread = "shared"
covariates = { loading = "log" }
pool = true
prior_from = "../earlier/results"
prior_power = 0.5

[data]
"""


def asked(folder, text):
    return folder.change("study.toml", "\n[data]\n", text)


def test_choices_of_the_model_are_read(folder):
    assert read_study(folder.path).choices == ModelChoices()
    read = read_study(asked(folder, ALL).path)
    assert read.choices == ModelChoices(
        shape="pooled", spread="shared", covariates=(("loading", "log"),), pool=True,
        prior_from="../earlier/results", prior_power=0.5, law="logistic", errors="student",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "column", "found", "words"),
    [
        ('shape = "same"', "model.shape", "same", '"product", "shared" or "pooled"'),
        ("smooth = true", "model.smooth", "smooth", "a known key"),
        ('covariates = { loadng = "log" }', "model.covariates.loadng", "loadng",
         'Did you mean "loading"?'),
        ('covariates = { loading = "cubic" }', "model.covariates.loading", "cubic", '"smooth"'),
        ('prior_from = "a"\nprior_power = 2.0', "model.prior_power", "2.0", "up to 1"),
        ('law = "logistc"', "model.law", "logistc", 'Did you mean "logistic"?'),
        ('law = "average"', "model.law", "average", 'Did you mean "averaged"?'),
        ('law = "own.toml"', "model.law", "own.toml", "a .toml file in the study folder"),
        ('law = "../study.toml"', "model.law", "../study.toml", "a .toml file in the study folder"),
        ("law = 3", "model.law", "3", "a name of models/laws"),
        ('errors = "lognormall"', "model.errors", "lognormall", 'Did you mean "lognormal"?'),
        ("prior_power = 0.5", "model.prior_from", "", "Name the earlier results"),
    ],
)  # fmt: skip
def test_faults_in_choices_of_the_model(folder, text, column, found, words):
    problems, _ = check_study(asked(folder, f"\n[model]\n{text}\n\n[data]\n").path)
    (problem,) = problems
    assert problem.column == column
    assert problem.found == found
    assert words in f"{problem.expected}. {problem.mend}"


def test_all_faults_of_the_model_are_told_at_once(folder):
    lines = ('law = "gomperz"', 'errors = "normall"', 'covariates = { x = "log" }', "shape = 3")
    wrong = "\n".join(["", "[model]", *lines, "", "[data]", ""])
    problems, _ = check_study(asked(folder, wrong).path)
    assert {p.column for p in problems} == {
        "model.covariates.x", "model.errors", "model.law", "model.shape",
    }  # fmt: skip


def test_a_law_file_of_the_study_folder_is_an_input(folder):
    text = (catalogue.models_folder() / "laws" / "logistic.toml").read_text(encoding="utf-8")
    asked(folder, '\n[model]\nlaw = "own.toml"\n\n[data]\n').write("own.toml", text)
    study = read_study(folder.path)
    assert study.choices.law == "own.toml"
    assert study.inputs["own.toml"] == catalogue.sha256(folder.path / "own.toml")
    assert law_named(study) == str(folder.path / "own.toml")


def test_the_command_line_replaces_choices_one_by_one(folder, tmp_path):
    read = read_study(asked(folder, ALL).path)
    again = with_choices(read, shape="shared", covariates={}, prior_from=tmp_path / "results.nc")
    assert again.choices.shape == "shared"
    assert again.choices.covariates == ()
    assert again.choices.spread == "shared"
    assert again.choices.prior_from == str(tmp_path / "results.nc")
    assert with_choices(read) is read

"""Does a report say how the model was chosen, what moved, what earlier studies weighed, and whether
the last dose was foretold?"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from durability import StudyError, catalogue, fit, read_study, report
from durability.cli import app
from durability.inference import Fit
from durability.inference.checking import last_dose_check
from durability.inference.model import priors
from durability.report.model_checks import model_rows
from durability.report.results import collect, provenance
from durability.report.run import BY_RULE
from durability.report.verify import verify
from durability.study.choices import with_choices

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(scope="module")
def taught(few_draws, tmp_path_factory):
    """A report whose prior is from an earlier study, counted half; the earlier one is gone then."""
    place = tmp_path_factory.mktemp("taught")
    folders = [
        shutil.copytree(EXAMPLES / "uv-cycles", place / name,
                        ignore=shutil.ignore_patterns("results"))
        for name in ("earlier", "new")
    ]  # fmt: skip
    first = fit(folders[0], law="exponential", seed=1, sampler=few_draws)
    (folders[0] / "results").mkdir()
    first.to_datatree().to_netcdf(folders[0] / "results" / "results.nc", engine="h5netcdf")
    file = folders[1] / "study.toml"
    asked = '\n[model]\nprior_from = "../earlier"\nprior_power = 0.5\n'
    file.write_text(file.read_text(encoding="utf-8") + asked, encoding="utf-8")
    made = report(folders[1], sites=[], law="exponential", seed=2, sampler=few_draws)
    shutil.rmtree(folders[0])
    return made


def test_weight_of_earlier_studies_stands_in_the_report(taught):
    document = json.loads((taught.folder / "results.json").read_text(encoding="utf-8"))
    page = (taught.folder / "report.html").read_text(encoding="utf-8")
    (weight,) = document["fit"]["earlier"]
    assert "the earlier studies count for" in weight
    for words in (weight, "counted with power 0.5"):
        assert words in page
    prior = document["fit"]["priors"]["lot_spread_of_threshold"]["scale"]
    assert prior != priors()["lot_spread_of_threshold"]["scale"]


def test_a_prior_from_earlier_studies_is_kept_with_the_draws(taught):
    kept = Fit.from_datatree(
        replace(taught.study), taught.fit.to_datatree(), law="exponential", level=0.95
    )
    assert kept.model.taught == taught.fit.model.taught
    assert (kept.model.main_prior == taught.fit.model.main_prior).all()


def test_a_run_repeats_without_the_files_of_the_earlier_study(taught):
    found = verify(taught.folder)
    assert found.verdict == "same", found


def test_earlier_results_that_are_gone_are_a_problem_in_words(taught):
    with pytest.raises(StudyError, match=r'"model.prior_from": found "../earlier"'):
        fit(taught.study)


def test_a_study_taught_by_one_of_another_law_takes_no_threshold_from_it(taught, few_draws):
    study = with_choices(taught.study, prior_from=taught.folder / "results.nc")
    other = fit(study, law="linear", seed=1, sampler=replace(few_draws, draws=100))
    assert other.model.taught is not None
    assert other.model.taught.products == ()
    assert "threshold dose and shape are not taken" in " ".join(other.model.notes)


def test_the_last_dose_is_hidden_and_foretold_in_every_report(taught):
    check = taught.last_dose
    assert check is not None
    assert check.rows
    page = (taught.folder / "report.html").read_text(encoding="utf-8")
    assert check.verdict().split(";")[0] in page
    assert 'id="last-dose-title"' in page
    same = last_dose_check(taught.fit, short=True)
    assert [r.predicted for r in same.rows] == [r.predicted for r in check.rows]
    document = json.loads((taught.folder / "results.json").read_text(encoding="utf-8"))
    assert document["last_dose_hidden"]["bias"] == check.bias


def test_how_products_share_shape_and_scatter_is_said():
    study = with_choices(read_study(EXAMPLES / "quarry-cover"), shape="pooled", spread="shared")
    made = fit(study, method="quick", seed=1)
    record = provenance(study, law=made.law, errors="lognormal", seed=1, settings={})
    rows = dict(model_rows(collect(made, (), (), record)))
    assert rows["scatter of strips"] == "one for all products"
    assert rows["shape of the law"] == "by product about a common centre"
    assert "one spread for all products" in made.model.equation()


@pytest.fixture
def asking(tmp_path):
    """A study of which study.toml asks for a law and errors."""
    folder = shutil.copytree(EXAMPLES / "uv-cycles", tmp_path / "asking",
                             ignore=shutil.ignore_patterns("results"))  # fmt: skip
    file = folder / "study.toml"
    text = file.read_text(encoding="utf-8")

    def of(lines: str) -> Path:
        file.write_text(f"{text}\n[model]\n{lines}\n", encoding="utf-8")
        return folder

    return of


def test_law_and_errors_of_study_toml_are_used_kept_and_repeated(asking, few_draws):
    made = report(asking('law = "linear"\nerrors = "power"'), sites=[], seed=1, sampler=few_draws)
    assert (made.fit.law, made.fit.model.errors) == ("linear", "power")
    record = json.loads((made.folder / "provenance.json").read_text(encoding="utf-8"))
    assert record["law"].startswith("linear:")
    assert (record["errors"], record["asked"]["law"]) == ("power", {"name": "linear"})
    assert not record["whole"].endswith(BY_RULE)  # a person chose it
    assert verify(made.folder).verdict == "same"


def test_a_law_given_to_a_function_wins_over_that_of_study_toml(asking):
    study = read_study(asking('law = "linear"\nerrors = "normal"'))
    plain = fit(study, method="quick")
    assert (plain.law, plain.model.errors) == ("linear", "normal")
    other = fit(study, method="quick", law="exponential", errors="lognormal")
    assert (other.law, other.model.errors) == ("exponential", "lognormal")
    likely = fit(study, method="likelihood")
    assert likely.law.name == "linear"
    assert {one.likelihood.errors for one in likely.fits.values()} == {"normal"}


def test_a_law_file_that_study_toml_names_lies_in_the_study_folder(asking, monkeypatch, tmp_path):
    folder = asking('law = "own.toml"')
    law = (catalogue.models_folder() / "laws" / "linear.toml").read_bytes()
    (folder / "own.toml").write_bytes(law)
    monkeypatch.chdir(tmp_path)
    assert fit(folder, method="quick").law == "own"


def test_an_average_is_refused_in_words_where_one_law_is_needed(asking):
    study = read_study(asking('law = "averaged"'))
    with pytest.raises(ValueError, match="takes one law"):
        fit(study, method="quick")


@pytest.mark.parametrize("option", [(), ("--law", "exponential", "--errors", "student")])
def test_commands_take_law_and_errors_of_study_toml_unless_an_option_says_more(asking, option):
    folder = asking('law = "linear"\nerrors = "normal"')
    law, errors = option[1::2] or ("linear", "normal")
    said = CliRunner().invoke(app, ["model", str(folder), "--json", *option])
    assert json.loads(said.stdout)["law"].startswith(law.capitalize()), said.output
    said = CliRunner().invoke(app, ["fit", str(folder), "--quick", "--json", *option])
    assert json.loads(said.stdout)["fit"]["law"] == law, said.output

    def compared(*more: str) -> str:
        words = ["compare-laws", str(folder), "--json", "--law", law, *more]
        return CliRunner().invoke(app, words).stdout

    assert compared(*option[2:]) == compared("--errors", errors)
    assert compared(*option[2:]) != compared("--errors", "lognormal")


def test_a_folder_of_earlier_studies_is_the_prior_that_study_toml_names(tmp_path, few_draws):
    """Three studies of one kind make a bank; the new study lies beside it and says so itself."""
    hidden = shutil.ignore_patterns("results")
    for name in ("bank/a", "bank/b", "bank/c", "new"):
        shutil.copytree(EXAMPLES / "uv-cycles", tmp_path / name, ignore=hidden)
    file = tmp_path / "new" / "study.toml"
    plain = file.read_text(encoding="utf-8")
    sampler = replace(few_draws, draws=500)
    free = fit(tmp_path / "new", law="exponential", seed=1, sampler=sampler)
    file.write_text(plain + '\n[model]\nprior_from = "../bank"\n', encoding="utf-8")
    made = fit(tmp_path / "new", law="exponential", seed=1, sampler=sampler)
    assert made.model.taught is not None
    assert "bank" in made.model.taught.source
    width = [float(f.posterior["log_threshold_dose"].std()) for f in (free, made)]
    assert width[1] < width[0]  # three products alike narrow the fourth
    file.write_text(plain + '\n[model]\nprior_from = "../bank"\nprior_power = 0.1\n')
    less = fit(tmp_path / "new", law="exponential", seed=1, sampler=sampler)
    assert width[1] < float(less.posterior["log_threshold_dose"].std())

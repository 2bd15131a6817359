"""Is a results folder whole or not there, and does it hold the numbers that were computed?"""

from __future__ import annotations

import errno
import json
import os
import shutil

import numpy as np
import pytest

from durability import read_results
from durability.report import ResultsFolderError, folder
from durability.report import results as room
from durability.report.results import keep_fit, save, stored_fit, write_folder

EXAMPLES = ("quarry-cover", "marine-fabrics", "uv-cycles")


def fill(fresh):
    (fresh / "results.json").write_text("new")


def listing(folder):
    return sorted(p.name for p in folder.iterdir())


@pytest.fixture
def earlier(tmp_path):
    """A folder that holds earlier results, alone in its parent."""
    out = tmp_path / "place" / "results"
    out.mkdir(parents=True)
    (out / "results.json").write_text("old")
    (out / "report.html").write_text("old page")
    return out


def assert_untouched(out):
    assert listing(out) == ["report.html", "results.json"]
    assert (out / "results.json").read_text() == "old"
    assert (out / "report.html").read_text() == "old page"
    assert listing(out.parent) == ["results"]  # and nothing temporary is left beside it


# the folder


def test_a_new_folder_is_made_with_its_parents(tmp_path):
    out = tmp_path / "a" / "b" / "results"
    write_folder(out, fill)
    assert listing(out) == ["results.json"]
    assert listing(out.parent) == ["results"]
    assert out.stat().st_mode & 0o777 == 0o755


def test_earlier_results_are_replaced_whole(earlier):
    write_folder(earlier, fill)
    assert listing(earlier) == ["results.json"]
    assert (earlier / "results.json").read_text() == "new"
    assert listing(earlier.parent) == ["results"]


@pytest.mark.parametrize("error", [RuntimeError("ours"), KeyboardInterrupt(), SystemExit(1)])
def test_a_failure_while_writing_leaves_the_earlier_results(earlier, error):
    def broken(fresh):
        fill(fresh)
        raise error

    with pytest.raises(type(error)):
        write_folder(earlier, broken)
    assert_untouched(earlier)


def test_a_full_disk_leaves_the_earlier_results_and_says_so(earlier):
    def full(fresh):
        fill(fresh)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.raises(ResultsFolderError, match=r"no space left on device.*untouched"):
        write_folder(earlier, full)
    assert_untouched(earlier)


def test_a_parent_that_cannot_be_written_is_named(earlier, monkeypatch):
    def denied(*args, **options):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(folder.tempfile, "mkdtemp", denied)
    with pytest.raises(ResultsFolderError, match=r"results cannot be written .permission denied"):
        write_folder(earlier, fill)
    assert_untouched(earlier)


@pytest.mark.parametrize("error", [OSError(errno.EIO, "input/output error"), KeyboardInterrupt()])
def test_a_failure_while_moving_into_place_puts_the_earlier_results_back(
    earlier, monkeypatch, error
):
    replace, moved = os.replace, []

    def once(a, b):
        moved.append(b)
        if len(moved) == 2:  # the earlier folder is set aside, the fresh one not yet in place
            assert not earlier.exists()
            raise error
        replace(a, b)

    monkeypatch.setattr(folder.os, "replace", once)
    with pytest.raises((ResultsFolderError, KeyboardInterrupt)):
        write_folder(earlier, fill)
    assert len(moved) == 3
    assert_untouched(earlier)


def test_a_file_in_the_place_is_refused_and_kept(tmp_path):
    out = tmp_path / "results"
    out.write_text("mine")
    with pytest.raises(ResultsFolderError, match="results is a file"):
        write_folder(out, fill)
    assert out.read_text() == "mine"


def test_a_folder_that_holds_other_things_is_refused_and_kept(earlier):
    (earlier / "thesis.txt").write_text("years of work")
    with pytest.raises(ResultsFolderError, match="holds files that are not results"):
        write_folder(earlier, fill)
    assert listing(earlier) == ["report.html", "results.json", "thesis.txt"]
    assert listing(earlier.parent) == ["results"]


def test_a_wrong_place_is_refused_before_anything_is_sampled(example_results, tmp_path):
    from durability import report

    (tmp_path / "results").write_text("mine")
    said: list[str] = []
    with pytest.raises(ResultsFolderError, match="is a file"):
        report(
            example_results("uv-cycles").study,
            out=tmp_path / "results",
            progress=lambda stage, share: said.append(stage),
        )
    assert "finding the mode" not in said
    assert "sampling" not in said


# what it holds


@pytest.fixture(scope="module")
def saved(example_results, tmp_path_factory):
    """The folder of an example's results, written once."""
    made = {}

    def of(name):
        if name not in made:
            made[name] = tmp_path_factory.mktemp("kept") / "results"
            write_folder(made[name], lambda fresh: save(example_results(name), fresh))
        return made[name]

    return of


@pytest.mark.parametrize("name", EXAMPLES)
def test_statements_are_read_back_as_they_were(saved, example_results, name):
    statements, document = read_results(saved(name))
    assert list(statements) == list(example_results(name).statements)
    assert document == json.loads(json.dumps(example_results(name).to_document()))


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_json_holds_nothing_that_json_has_not(saved, name):
    def refuse(word):
        raise AssertionError(f"{word} is no JSON")

    for file in ("results.json", "provenance.json"):
        json.loads((saved(name) / file).read_text(encoding="utf-8"), parse_constant=refuse)


def test_another_schema_is_refused(saved, tmp_path):
    document = json.loads((saved("uv-cycles") / "results.json").read_text(encoding="utf-8"))
    (tmp_path / "results.json").write_text(json.dumps(document | {"schema": "other/1"}))
    with pytest.raises(ValueError, match="schema 'other/1'; expected 'durability-results/1'"):
        read_results(tmp_path)


def test_the_draws_open_with_plain_xarray(saved, example_results):
    import xarray

    results = example_results("quarry-cover")
    with xarray.open_datatree(saved("quarry-cover") / "results.nc") as tree:
        assert {"posterior", "sample_stats", "observed_data", "translation", "statements"} <= set(
            tree.children
        )
        for name in results.fit.posterior.data_vars:
            np.testing.assert_array_equal(
                tree["posterior"][name].values, results.fit.posterior[name].values
            )
        days = tree["translation/miami"].to_dataset()
        for name in days.data_vars:
            np.testing.assert_array_equal(
                days[name].values, results.translations[0].to_dataset()[name].values
            )
        assert list(tree["statements"]["statement"].values) == [s.id for s in results.statements]


@pytest.mark.filterwarnings("ignore")
def test_arviz_summarises_the_draws_of_the_file(saved, example_results):
    import arviz
    import xarray

    with xarray.open_datatree(saved("uv-cycles") / "results.nc") as tree:
        table = arviz.summary(tree, var_names=["log_threshold_dose", "strip_spread"])
    posterior = example_results("uv-cycles").fit.posterior
    assert len(table) == posterior.sizes["product"] + posterior.sizes["material"]
    mean = float(posterior["log_threshold_dose"].mean())
    assert float(table["mean"].iloc[0]) == pytest.approx(mean, abs=0.01)


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_fit_read_back_says_the_same_to_the_last_digit(saved, example_results, name):
    from durability.laws import read_law

    fit = example_results(name).fit
    key = example_results(name).provenance["key"]
    law = read_law("stretched-exponential")
    back = stored_fit(saved(name), fit.study, key, law=law, level=fit.level)
    assert back is not None
    assert list(back.statements()) == list(fit.statements())
    assert repr(back.diagnostics) == repr(fit.diagnostics)  # nan equals nan here
    assert (back.seed, back.settings, back.law) == (fit.seed, fit.settings, fit.law)
    other = stored_fit(saved(name), fit.study, "another key", law=law, level=fit.level)
    assert other is None


@pytest.mark.parametrize(
    ("file", "content"),
    [
        ("provenance.json", "[]"),
        ("provenance.json", "{"),
        ("provenance.json", None),
        ("results.nc", "no netCDF"),
        ("results.nc", None),
    ],
)
def test_a_damaged_folder_is_no_earlier_fit(saved, example_results, tmp_path, file, content):
    from durability.laws import read_law

    results = example_results("uv-cycles")
    copy = shutil.copytree(saved("uv-cycles"), tmp_path / "copy")
    if content is None:
        (copy / file).unlink()
    else:
        (copy / file).write_text(content)
    law = read_law("stretched-exponential")
    key = results.provenance["key"]
    assert stored_fit(copy, results.study, key, law=law, level=0.95) is None


def test_a_kept_fit_has_statements_but_no_days(example_results, tmp_path):
    results = example_results("quarry-cover")
    keep_fit(results.fit, results.provenance, tmp_path / "results")
    statements, document = read_results(tmp_path / "results")
    assert len(statements.where(quantity="threshold_dose")) == 24
    assert len(statements.where(quantity="outdoor_days")) == 0
    assert document["budgets"] == []


def test_the_same_seed_gives_the_same_statements_bit_for_bit(example_results, few_draws):
    from durability import fit

    first = example_results("uv-cycles").fit
    again = fit(first.study, sampler=few_draws, seed=1)
    other = fit(first.study, sampler=few_draws, seed=2)
    assert list(again.statements()) == list(first.statements())
    assert list(other.statements()) != list(first.statements())


def test_provenance_names_every_file_that_bears_on_the_numbers(example_results):
    record = example_results("quarry-cover").provenance
    assert set(record["inputs"]) == {"study.toml", "specimens.csv", "chamber_X1.csv"}
    assert "laws/stretched-exponential.toml" in record["models"]
    assert "sites/miami.toml" in record["models"]
    assert "priors.toml" in record["models"]
    assert set(room.LIBRARIES) == set(record["libraries"])
    assert all(len(h) == 64 for h in (*record["inputs"].values(), *record["models"].values()))


def test_the_priors_of_a_law_of_ones_own_are_part_of_the_key(example_results, tmp_path):
    from durability.laws import read_law
    from durability.report.run import _identity

    text = (room.catalogue.models_folder() / "laws" / "logistic.toml").read_text()
    (tmp_path / "own.toml").write_text(text)
    wide = tmp_path / "wide"
    wide.mkdir()
    (wide / "own.toml").write_text(text.replace("sd_log = 0.5", "sd_log = 0.50000001"))
    study = example_results("uv-cycles").study
    keys = {
        room.provenance(study, law=_identity(read_law(f)), errors="lognormal", seed=1, settings={})[
            "key"
        ]
        for f in (tmp_path / "own.toml", wide / "own.toml")
    }
    assert len(keys) == 2


def test_a_budget_that_cannot_be_told_is_null(example_results):
    from dataclasses import replace

    there = example_results("quarry-cover").translations[0]
    budget = there.budget.copy(deep=True)
    budget["share"][:] = np.nan
    records = room.budget_records(replace(there, budget=budget))
    assert {r["share"] for r in records} == {None}


def test_a_report_is_written_again_only_when_something_that_bears_on_it_changes(tmp_path):
    import json

    import durability
    from durability.report import unchanged_report

    study = durability.read_study("examples/marine-fabrics")
    out = tmp_path / "results"
    assert unchanged_report(study, out=out) is None
    durability.report(study, out=out)
    kept = unchanged_report(study, out=out)
    assert kept == json.loads((out / "results.json").read_text(encoding="utf-8"))
    assert unchanged_report(study, out=out, level=0.9) is None
    assert unchanged_report(study, out=out, seed=1) is None
    assert unchanged_report(study, out=out, law="logistic") is None
    assert unchanged_report(study, out=out, sites=["miami"]) is None
    (out / "report.docx").unlink()
    assert unchanged_report(study, out=out) is None

"""Does a run repeat, and is it told where it does not?"""

from __future__ import annotations

import json
import shutil
from hashlib import sha256
from pathlib import Path

import pytest

from durability import read_study
from durability.report import fit_or_reuse
from durability.report.results import keep_fit
from durability.report.verify import verify

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(scope="module")
def fitted(few_draws, tmp_path_factory) -> Path:
    """A study folder that holds the results of a fit with few draws."""
    folder = tmp_path_factory.mktemp("verify") / "cycles"
    shutil.copytree(EXAMPLES / "uv-cycles", folder, ignore=shutil.ignore_patterns("results"))
    made, record, _ = fit_or_reuse(
        read_study(folder), law="stretched-exponential", errors="lognormal", level=None, seed=1,
        sampler=few_draws, out=folder / "results", reuse=False,
    )  # fmt: skip
    keep_fit(made, record, folder / "results")
    return folder


@pytest.fixture
def study(fitted, tmp_path) -> Path:
    """A copy of it, to be spoilt."""
    return shutil.copytree(fitted, tmp_path / "cycles")


@pytest.fixture
def no_sampling(monkeypatch):
    """From here on nothing may be repeated."""
    import durability.report.repeat as room

    def refuse(*args, **options):
        raise AssertionError("the run was repeated")

    monkeypatch.setattr(room, "repeat", refuse)


@pytest.fixture
def repeats_as(monkeypatch):
    """Instead of sampling, a repetition gives the files of this folder."""
    import durability.report.repeat as room

    def give(folder: Path, change=None) -> None:
        def copy(record, study, out, **options):
            shutil.copytree(folder, out)
            if change is not None:
                change_json(out / "results.json", change)

        monkeypatch.setattr(room, "repeat", copy)

    return give


def change_json(file: Path, change) -> None:
    content = json.loads(file.read_text(encoding="utf-8"))
    change(content)
    file.write_text(json.dumps(content), encoding="utf-8")


def test_an_untouched_run_repeats_to_the_last_digit(fitted):
    found = verify(fitted)
    assert found.verdict == "same"
    assert found.alike == len(found.kept.statements) > 0
    assert found.moved == ()
    assert {(c.name, c.outcome) for c in found.checks if c.group == "repeated"} == {
        ("results.json", "same"),
        ("results.nc", "same"),
    }
    assert not (fitted / "again").exists()


def test_a_number_altered_by_hand_is_found_in_its_statement_and_its_file(study, fitted, repeats_as):
    def longer(document):
        first = next(s for s in document["statements"] if s["low"] is not None)
        first["low"] = 0.5 * first["low"]

    change_json(study / "results" / "results.json", longer)
    repeats_as(fitted / "results")
    found = verify(study)
    assert found.verdict == "different"
    assert [m.kind for m in found.moved] == ["moved"]
    assert found.moved[0].differs == ("low",)
    written = {c.name: c.outcome for c in found.checks if c.group == "results as written"}
    assert written == {"results.json": "different", "results.nc": "same"}


@pytest.mark.parametrize("harm", ["changed", "missing"])
def test_an_input_that_is_not_the_one_that_was_read_stops_it_and_is_named(study, harm, no_sampling):
    if harm == "missing":
        (study / "specimens.csv").unlink()
    else:
        with open(study / "specimens.csv", "a") as stream:
            stream.write("\n")
    found = verify(study)
    assert found.verdict == "cannot be repeated"
    assert "specimens.csv" in found.sentence()
    assert "study.toml" not in found.sentence()


def test_results_away_from_their_study_ask_for_it(study, tmp_path, no_sampling):
    moved = shutil.move(study / "results", tmp_path / "elsewhere")
    assert "--study" in verify(moved).sentence()
    assert verify(moved, study=tmp_path).verdict == "cannot be repeated"


def test_another_version_is_told_and_does_not_stop_it(study, repeats_as):
    def older(record):
        record["libraries"]["numpy"] = "1.0.0"
        record["source"] = "0" * 64

    change_json(study / "results" / "provenance.json", older)
    repeats_as(study / "results")
    found = verify(study)
    assert found.verdict == "same"
    odd = {(c.group, c.name): c.text for c in found.checks if c.outcome != "same"}
    assert set(odd) == {("versions", "numpy"), ("versions", "source")}
    assert odd["versions", "numpy"].startswith("1.0.0 then, ")


def test_digits_that_are_not_quoted_do_not_make_a_difference_as_quoted(study, repeats_as):
    def nudge(document):
        for s in document["statements"]:
            for key in ("value", "low", "high"):
                if s[key] is not None:
                    s[key] *= 1 + 1e-9

    repeats_as(study / "results", nudge)
    found = verify(study)
    assert found.verdict == "same as quoted"
    assert {m.kind for m in found.moved} == {"reworded"}


def test_a_printed_page_that_is_not_made_again_is_no_difference(study, fitted, repeats_as):
    (study / "results" / "report.pdf").write_bytes(b"%PDF")
    printed = {"report.pdf": sha256(b"%PDF").hexdigest()}
    change_json(study / "results" / "provenance.json", lambda r: r["files"].update(printed))
    repeats_as(fitted / "results")
    found = verify(study)
    outcomes = {c.name: c.outcome for c in found.checks if c.group == "repeated"}
    assert outcomes["report.pdf"] == "not compared"
    assert found.verdict == "same"


def test_text_of_the_moment_is_no_difference_and_other_text_is():
    from durability.report.verify import _compare_words, _visible

    page = "<p>made 2031-05-14T08:30:00+00:00, sampled in 1.23 s</p><p>{}</p>"
    later = page.replace("2031-05-14T08:30", "2032-01-02T11:59").replace("1.23", "0.9")
    assert _compare_words(_visible(page), _visible(later))[0] == "same"
    other = _compare_words(_visible(page.format("1600 to 2400")), _visible(later.format("1600")))
    assert other[0] == "different"
    assert "2400" in other[1]


@pytest.mark.slow
def test_a_whole_report_repeats_in_every_file(tmp_path):
    import durability

    folder = shutil.copytree(
        EXAMPLES / "uv-cycles", tmp_path / "m", ignore=shutil.ignore_patterns("results")
    )
    durability.report(folder, seed=3)
    found = verify(folder)
    assert found.verdict == "same"
    assert {c.name for c in found.checks if c.group == "repeated"} >= {
        "report.html", "report.docx", "results.json", "results.nc",
    }  # fmt: skip

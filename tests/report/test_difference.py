"""Is it told what changed between two results, row by row, and which statements moved?"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from durability import read_study
from durability.report.difference import compare_results
from durability.report.movement import movements
from durability.report.record import asked_of, data_groups
from durability.report.results import save, write_folder
from durability.statement import Statement

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(scope="module")
def kept(example_results, tmp_path_factory) -> Path:
    """The results of the smallest example."""
    results = example_results("uv-cycles")
    asked = asked_of(results.study, law="stretched-exponential", level=0.95, sites=())
    made = replace(results, provenance={**results.provenance, "asked": asked})
    out = tmp_path_factory.mktemp("kept") / "results"
    write_folder(out, lambda fresh: save(made, fresh))
    return out


@pytest.fixture
def write(kept, tmp_path):
    """Those results as of a study that was changed, without fitting it again."""
    from xarray import DataTree

    def of(folder: Path, name: str) -> Path:
        study = read_study(folder)
        out = shutil.copytree(kept, tmp_path / name)
        groups = DataTree.from_dict(data_groups(study))
        groups.to_netcdf(out / "results.nc", engine="h5netcdf")
        change_json(out / "provenance.json", lambda record: record.update(inputs=study.inputs))
        return out

    return of


@pytest.fixture
def study(tmp_path) -> Path:
    return shutil.copytree(
        EXAMPLES / "uv-cycles", tmp_path / "study", ignore=shutil.ignore_patterns("results")
    )


def change_json(file: Path, change) -> None:
    content = json.loads(file.read_text(encoding="utf-8"))
    change(content)
    file.write_text(json.dumps(content), encoding="utf-8")


def test_a_result_does_not_differ_from_itself(write, study):
    out = write(study, "a")
    found = compare_results(out, out)
    assert (found.causes, found.moved) == ((), ())
    assert found.alike > 0
    assert found.headline().startswith("Nothing differs")


def test_a_corrected_an_added_and_a_removed_row_are_told_with_their_places(write, study):
    before = write(study, "a")
    lines = (study / "specimens.csv").read_text().splitlines()
    first = next(i for i, line in enumerate(lines) if not line.startswith("#")) + 1
    cells, heads = lines[first].split(","), lines[first - 1].split(",")
    place = next(i for i, h in enumerate(heads) if h.startswith("peak_force"))
    earlier, cells[place] = cells[place], "777"
    added = lines[-1].split(",")
    added[heads.index("specimen")] = "999"
    lines[first] = ",".join(cells)
    gone = lines.pop(first + 1)
    (study / "specimens.csv").write_text("\n".join([*lines, ",".join(added)]) + "\n")
    found = compare_results(before, write(study, "b"))
    data = {c.name: c.text for c in found.causes if c.kind == "data"}
    told = " ".join(data.values())
    assert f"strength {float(earlier):.6g} became 777" in told
    assert "1 removed" in told or "1 added" in told
    assert sum(c.text.startswith("1 added") for c in found.causes) == 1
    assert sum(c.text.startswith("1 removed") for c in found.causes) == 1
    assert gone
    assert {c.name for c in found.causes if c.kind == "input"} == {"specimens.csv"}


def test_a_changed_key_of_the_description_is_named_with_both_values(write, study):
    before = write(study, "a")
    text = (study / "study.toml").read_text()
    assert "thresholds = [0.5]" in text
    (study / "study.toml").write_text(text.replace("thresholds = [0.5]", "thresholds = [0.6]"))
    found = compare_results(before, write(study, "b"))
    told = [(c.name, c.text) for c in found.causes]
    assert told == [("study.thresholds", "[0.5] became [0.6]")]
    assert "one kind, description" in found.headline()


def test_model_files_versions_and_seed_are_told_apart(write, study):
    after = shutil.copytree(before := write(study, "a"), before.with_name("b"))

    def other(record):
        record["models"]["priors.toml"] = "0" * 64
        record["models"]["laws/new.toml"] = "1" * 64
        record["libraries"]["scipy"] = "9.9.9"
        record["seed"] = 77

    change_json(after / "provenance.json", other)
    found = compare_results(before, after)
    told = {(c.kind, c.name): c.text for c in found.causes}
    assert told["model file", "priors.toml"] == "its content differs"
    assert told["model file", "laws/new.toml"] == "only in the second"
    assert told["version", "scipy"].endswith("became 9.9.9")
    assert told["seed", "seed"].endswith("became 77")
    assert set(told) == {("model file", "priors.toml"), ("model file", "laws/new.toml"),
                         ("version", "scipy"), ("seed", "seed")}  # fmt: skip
    assert "no movement has one cause" in found.headline()


def dose(value, low, high, **more) -> Statement:
    return Statement(
        quantity="threshold_dose", unit="kJ/m²", material="A", value=value, low=low, high=high,
        **more,
    )  # fmt: skip


def test_a_shift_is_told_in_half_widths_of_the_earlier_interval():
    (one,) = movements([dose(100.0, 80.0, 120.0)], [dose(110.0, 70.0, 150.0)])
    assert (one.kind, one.shift) == ("moved", 0.5)
    (two,) = movements([dose(100.0, 80.0, None, sides=1)], [dose(90.0, 80.0, None, sides=1)])
    assert two.shift == -0.5
    (three,) = movements([dose(None, 80.0, None, sides=1)], [dose(None, 60.0, None, sides=1)])
    assert (three.kind, three.shift) == ("moved", None)


def test_statements_are_ordered_by_their_shift_and_new_ones_come_after():
    before = [dose(100.0, 90.0, 110.0, lot="1"), dose(100.0, 90.0, 110.0, lot="2")]
    after = [dose(101.0, 90.0, 110.0, lot="1"), dose(90.0, 80.0, 100.0, lot="2"),
             dose(5.0, 4.0, 6.0, lot="3")]  # fmt: skip
    found = movements(before, after)
    assert [(m.kind, m.shift) for m in found] == [
        ("moved", -1.0), ("moved", pytest.approx(0.1)), ("new", None),
    ]  # fmt: skip
    assert "only in the second" in found[-1].words()


def test_a_flag_alone_is_no_moved_number():
    (one,) = movements([dose(1.0, 0.9, 1.1)], [dose(1.0, 0.9, 1.1, flags=("extrapolated",))])
    assert (one.kind, one.differs) == ("reworded", ("flags",))
    assert "flags differ" in one.words()

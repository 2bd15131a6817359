"""Does an archive hold all that a referee needs, and is a damaged or hostile one refused?"""

from __future__ import annotations

import hashlib
import shutil
import stat
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest

from durability.report import ResultsFolderError
from durability.report.archive import SUMS, ArchiveError, opened, pack, unpack
from durability.report.record import asked_of
from durability.report.results import save, write_folder

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(scope="module")
def kept(example_results, tmp_path_factory) -> Path:
    """A study folder with its results."""
    folder = tmp_path_factory.mktemp("archive") / "cycles"
    shutil.copytree(EXAMPLES / "uv-cycles", folder, ignore=shutil.ignore_patterns("results"))
    results = example_results("uv-cycles")
    asked = asked_of(results.study, law="stretched-exponential", level=0.95, sites=None)
    made = replace(results, provenance={**results.provenance, "asked": asked})
    write_folder(folder / "results", lambda fresh: save(made, fresh))
    return folder


@pytest.fixture(scope="module")
def archive(kept, tmp_path_factory) -> Path:
    return pack(kept, tmp_path_factory.mktemp("packed") / "a.zip")


def test_the_same_results_make_the_same_bytes(kept, archive, tmp_path):
    again = pack(kept / "results", tmp_path / "b.zip")
    assert again.read_bytes() == archive.read_bytes()


def test_it_holds_results_inputs_and_model_files_with_sums_that_any_tool_can_check(archive):
    with zipfile.ZipFile(archive) as zipped:
        names = set(zipped.namelist())
        sums = dict(
            reversed(line.split("  ", 1)) for line in zipped.read(SUMS).decode().splitlines()
        )
        for name in names - {SUMS}:
            assert sums[name] == hashlib.sha256(zipped.read(name)).hexdigest()
    assert set(sums) == names - {SUMS}
    assert {"results/results.json", "results/results.nc", "results/provenance.json"} <= names
    assert {"study/study.toml", "study/specimens.csv", "models/priors.toml", "README.txt"} <= names
    assert any(n.startswith("models/sites/") and n.endswith(".gz") for n in names)


def test_it_is_read_back_as_it_was(kept, archive, tmp_path):
    results = unpack(archive, tmp_path / "new")
    for file in (kept / "results").iterdir():
        assert (results / file.name).read_bytes() == file.read_bytes()
    assert (tmp_path / "new/study/study.toml").read_bytes() == (kept / "study.toml").read_bytes()
    with opened(archive) as back:
        assert len(back.statements) > 0


def test_an_input_that_has_changed_is_not_packed(kept, tmp_path):
    study = shutil.copytree(kept, tmp_path / "cycles")
    (study / "specimens.csv").write_text("other")
    with pytest.raises(ArchiveError, match=r"specimens\.csv is changed"):
        pack(study)
    (study / "specimens.csv").unlink()
    (study / "results" / "results.nc").unlink()
    with pytest.raises(
        ArchiveError, match=r"specimens\.csv is missing.*results\.nc of the results is missing"
    ):
        pack(study)


def test_a_folder_without_results_is_named(tmp_path):
    with pytest.raises(ResultsFolderError, match="no results folder"):
        pack(tmp_path)


def test_an_archive_is_not_unpacked_over_anything(archive, tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(ArchiveError, match="not empty"):
        unpack(archive, tmp_path)


def rewritten(archive: Path, out: Path, change) -> Path:
    """A copy of an archive with its entries changed."""
    with zipfile.ZipFile(archive) as old, zipfile.ZipFile(out, "w") as new:
        content = {e.filename: old.read(e) for e in old.infolist()}
        change(content)
        for name, data in content.items():
            new.writestr(name, data)
    return out


def test_a_changed_an_added_and_a_lost_file_are_each_named(archive, tmp_path):
    def harm(content):
        content["results/results.json"] += b" "
        content["study/more.csv"] = b"x"
        del content["models/priors.toml"]

    bad = rewritten(archive, tmp_path / "bad.zip", harm)
    with pytest.raises(ArchiveError) as error:
        unpack(bad, tmp_path / "new")
    said = str(error.value)
    assert "results/results.json has changed" in said
    assert "study/more.csv is not listed" in said
    assert "models/priors.toml is missing" in said
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    "name", ["../out.txt", "/out.txt", "study/../../out.txt", "a\\..\\out.txt", "c:out.txt", "a//b"]
)
def test_an_entry_that_leads_out_of_the_folder_is_refused(archive, tmp_path, name):
    bad = rewritten(archive, tmp_path / "bad.zip", lambda content: content.update({name: b"x"}))
    with pytest.raises(ArchiveError, match="leads out"):
        unpack(bad, tmp_path / "deep" / "new")
    assert not list(tmp_path.rglob("out.txt"))


def test_a_link_in_an_archive_is_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as zipped:
        link = zipfile.ZipInfo("study/link")
        link.external_attr = (stat.S_IFLNK | 0o777) << 16
        zipped.writestr(link, "../../secret")
    with pytest.raises(ArchiveError, match="leads out"):
        unpack(tmp_path / "bad.zip", tmp_path / "new")


@pytest.mark.parametrize("data", [b"", b"no archive", b"PK\x03\x04broken"])
def test_a_file_that_is_no_archive_is_named(tmp_path, data):
    (tmp_path / "bad.zip").write_bytes(data)
    with pytest.raises(ArchiveError, match=r"bad\.zip"), opened(tmp_path / "bad.zip"):
        pass


def test_a_law_of_ones_own_is_packed_and_asked_for_where_it_is_missing(
    kept, example_results, tmp_path
):
    from durability import catalogue

    law = tmp_path / "own.toml"
    law.write_bytes((catalogue.models_folder() / "laws" / "logistic.toml").read_bytes())
    study = shutil.copytree(kept, tmp_path / "cycles", ignore=shutil.ignore_patterns("results"))
    results = example_results("uv-cycles")
    asked = asked_of(results.study, law=law, level=0.95, sites=None)
    assert asked["law"] == {"file": "own.toml", "sha256": catalogue.sha256(law)}
    made = replace(results, provenance={**results.provenance, "asked": asked})
    write_folder(study / "results", lambda fresh: save(made, fresh))
    with pytest.raises(ArchiveError, match=r"own\.toml is missing: name it with --with"):
        pack(study)
    with zipfile.ZipFile(pack(study, files=[law])) as zipped:
        assert zipped.read("asked/own.toml") == law.read_bytes()


@pytest.mark.slow
def test_an_archive_repeats_with_its_own_model_files_and_other_priors_move_statements(
    kept, archive, tmp_path
):
    from durability.report.verify import verify

    def vague(content):
        text = content["models/priors.toml"].decode()
        wide = text.replace("sd_log = 0.5", "sd_log = 2.0").replace("scale = 0.15", "scale = 0.6")
        assert wide != text
        content["models/priors.toml"] = wide.encode()
        lines = [
            f"{hashlib.sha256(data).hexdigest()}  {name}\n"
            for name, data in content.items()
            if name != SUMS
        ]
        content[SUMS] = "".join(lines).encode()

    found = verify(rewritten(archive, tmp_path / "other.zip", vague))
    odd = [c for c in found.checks if c.group == "model files" and c.outcome != "same"]
    assert [c.name for c in odd] == ["priors.toml"]
    assert found.verdict == "different"
    assert any(m.kind == "moved" for m in found.moved)

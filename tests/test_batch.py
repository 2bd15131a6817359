"""Many studies at once: each into its own folder, none stopped by another."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from durability.cli import app
from durability.report.batch import NO_CLUSTER, batch

EXAMPLES = Path(__file__).parents[1] / "examples"


@pytest.fixture(scope="module")
def studies(tmp_path_factory) -> list[Path]:
    """A small study, and one with a problem."""
    place = tmp_path_factory.mktemp("many")
    for name in ("uv-cycles", "bad"):
        shutil.copytree(EXAMPLES / "uv-cycles", place / name,
                        ignore=shutil.ignore_patterns("results"))  # fmt: skip
    (place / "bad" / "study.toml").write_text("[study]\ntitle = 3\n", encoding="utf-8")
    return [place / "bad", place / "uv-cycles"]


def test_a_study_with_problems_is_told_in_words(studies, tmp_path):
    (done,) = batch(studies[:1], out=tmp_path / "all", workers=1)
    assert done.state == "problems" and "study.toml" in done.words
    assert not (tmp_path / "all").exists()


@pytest.mark.slow
def test_a_bad_study_stops_no_other_and_a_second_batch_leaves_what_is_done(studies, tmp_path):
    told: list[tuple[str, int]] = []
    first = batch(
        studies, out=tmp_path / "all", workers=1, progress=lambda d, n: told.append((d.state, n))
    )
    assert [d.state for d in first] == ["problems", "written"] and told[-1][1] == 2
    assert "study.toml" in first[0].words
    for name in ("results.json", "report.html"):
        assert (tmp_path / "all" / "uv-cycles" / name).is_file()
    assert not (tmp_path / "all" / "bad").exists()
    result = CliRunner().invoke(
        app, ["batch", *map(str, studies), "--out", str(tmp_path / "all"), "--workers", "1",
              "--json", "--quiet"],
    )  # fmt: skip
    assert result.exit_code == 2
    again = json.loads(result.stdout)["studies"]
    assert [d["state"] for d in again] == ["problems", "unchanged"]
    assert again[1]["words"] == first[1].words


def test_studies_of_one_name_do_not_share_a_folder(studies, tmp_path):
    with pytest.raises(ValueError, match="several studies are called bad"):
        batch([studies[0], studies[0]], out=tmp_path)


def test_an_address_without_the_scheduler_says_what_to_install(studies):
    try:
        import distributed  # noqa: F401  # pyright: ignore
    except ImportError:
        with pytest.raises(ValueError, match="pip install distributed"):
            batch(studies, address="tcp://127.0.0.1:1")
        assert "distributed" in NO_CLUSTER


@pytest.mark.slow
def test_dask_gives_the_same_report_as_one_process(studies, tmp_path):
    alone = batch(studies[1:], out=tmp_path / "a", workers=1)
    copy = tmp_path / "copy"
    shutil.copytree(studies[1], copy)
    spread = batch([studies[1], copy], out=tmp_path / "b", workers=2)
    assert [d.words for d in spread] == [alone[0].words] * 2

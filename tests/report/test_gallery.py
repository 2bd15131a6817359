"""Figures are handed over with their numbers, and no cell of them is a formula."""

from __future__ import annotations

import csv
import functools
import io
import json
import xml.etree.ElementTree as ET
from types import SimpleNamespace

import pytest
from typer.testing import CliRunner

from durability.cli import app
from durability.report import figure_data
from durability.report.figure_data import Data
from durability.report.gallery import gallery_page, plates, write_figures
from durability.report.ratio_figure import ratio_intervals
from durability.statement import Statement


@pytest.fixture(scope="module")
def written(cycles: SimpleNamespace, tmp_path_factory) -> SimpleNamespace:
    from durability.inference import likelihood

    folder = tmp_path_factory.mktemp("figures") / "new"
    two = functools.partial(likelihood.compare_laws, names=["exponential", "stretched-exponential"])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(likelihood, "compare_laws", two)
        files = write_figures(cycles.results, folder)
    return SimpleNamespace(folder=folder, names={f.name for f in files}, results=cycles.results)


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_every_figure_is_a_drawing_a_picture_and_numbers(written: SimpleNamespace) -> None:
    stems = {n.split(".")[0] for n in written.names} - {"index"}
    assert {"strength-0-0", "thresholds", "laws-0", "beliefs", "groups-mean"} <= stems
    for stem in stems:
        svg = ET.fromstring((written.folder / f"{stem}.svg").read_text(encoding="utf-8"))
        assert svg.tag.endswith("svg") and svg.get("viewBox")
        assert (written.folder / f"{stem}.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
        rows = read((written.folder / f"{stem}.csv").read_text(encoding="utf-8"))
        assert rows and all(None not in r for r in rows)


def test_page_shows_each_under_its_question_and_links_to_its_files(
    written: SimpleNamespace,
) -> None:
    page = (written.folder / "index.html").read_text(encoding="utf-8")
    assert page.count("<svg") == page.count("(SVG)</a>") == page.count("<h2>")
    assert page.count("?</h2>") >= 5 and "<script" not in page
    assert "http" not in page.replace("http-equiv", "")


def test_numbers_of_the_thresholds_are_those_of_the_statements(written: SimpleNamespace) -> None:
    said = {s.id: s for s in written.results.statements.where(quantity="threshold_dose")}
    rows = read((written.folder / "thresholds.csv").read_text(encoding="utf-8"))
    assert {r["id"] for r in rows} == set(said)
    for r in rows:
        s = said[r["id"]]
        for name in ("value", "low", "high"):
            number = getattr(s, name)
            assert (r[name] == "") if number is None else float(r[name]) == pytest.approx(number)


def test_strips_of_the_data_are_the_strips_of_the_study(quarry: SimpleNamespace) -> None:
    study = quarry.results.study
    data = figure_data.strength_data(quarry.results.fit, "B", "X1")
    rows = read(data.to_csv())
    strips = [r for r in rows if r["what"] == "strip"]
    assert len(strips) == int((study.rows["material"].values == "B").sum())
    assert {"measured", "below this", "not used"} == {r["state"] for r in strips}
    band = [r for r in rows if r["what"] == "new lot"]
    for r in band:
        low, middle, high = (float(r[f"{n} [kN/m]"]) for n in ("low", "strength", "high"))
        assert low <= middle <= high


def test_ratios_and_budgets_are_drawn_where_there_are_any(quarry: SimpleNamespace) -> None:
    results = quarry.results
    said = results.statements.where(quantity="ratio_of_threshold_doses")
    figure = ratio_intervals(said, margin=1.3, control="B")
    assert figure.axes[0].get_xscale() == "log"
    labels = [t.get_text() for t in figure.axes[0].get_yticklabels()]
    assert labels == ["A / B, cross", "A / B, machine"]
    rows = read(figure_data.budget_data(results.translations[0]).to_csv())
    for material in ("A", "B"):
        shares = [float(r["share of the variance [1]"]) for r in rows
                  if r["material"] == material and r["laying"] == rows[0]["laying"]]  # fmt: skip
        assert sum(shares) == pytest.approx(1.0, abs=1e-6)
    with pytest.raises(ValueError, match="above 1"):
        ratio_intervals(said, margin=1.0)
    with pytest.raises(ValueError, match="no ratio"):
        ratio_intervals(results.statements.where(quantity="threshold_dose"))


def test_a_bound_of_a_ratio_is_drawn_as_an_arrow() -> None:
    bound = Statement(quantity="ratio_of_threshold_doses", unit="1", low=1.4, sides=1,
                      of="mean", material="A", fraction=0.5)  # fmt: skip
    figure = ratio_intervals([bound], control="B")
    assert len(figure.axes[0].texts) == 1 and figure.axes[0].get_xlim()[1] > 1.4


def test_cells_that_begin_like_a_formula_are_made_text() -> None:
    text = Data(("a",), (("=1+1",), ("+A",), ("-B",), ("@C",), (-1.5,), (None,))).to_csv()
    assert text.splitlines() == ["a", "'=1+1", "'+A", "'-B", "'@C", "-1.5", '""']


def test_hostile_names_stay_text_in_the_gallery(hostile: SimpleNamespace) -> None:
    from durability.report.gallery import _of_report

    drawn = [_of_report(hostile.results, p) for p in hostile.drawn]
    page = gallery_page(hostile.results, drawn)
    assert "<script" not in page.lower() and "alert(" in page and "(SVG)" not in page


def test_failed_fit_draws_the_strips_alone(failed: SimpleNamespace) -> None:
    drawn = plates(failed.results)
    assert [p.picture.name for p in drawn] == ["strength-0-0"]
    assert {r[0] for r in drawn[0].data.rows} == {"strip"}


def test_the_command_writes_a_page_or_a_folder(cycles, tmp_path, monkeypatch) -> None:
    from durability.cli import quoting
    from durability.report import gallery

    monkeypatch.setattr(quoting, "results_of", lambda *_: cycles.results)
    monkeypatch.setattr(gallery, "plates", lambda r, **_: [gallery._of_report(r, cycles.drawn[0])])
    asked = ["figures", "examples/uv-cycles", "-q"]
    page, folder = tmp_path / "all.html", tmp_path / "figures"
    assert CliRunner().invoke(app, [*asked, "--page", str(page)]).exit_code == 0
    assert page.read_text(encoding="utf-8").count("<svg") == 1
    done = CliRunner().invoke(app, [*asked, "--to", str(folder), "--json"])
    assert len(json.loads(done.stdout)["written"]) == 4 == len(list(folder.iterdir()))
    wrong = CliRunner().invoke(app, [*asked, "--margin", "0.9"])
    assert wrong.exit_code == 2 and "above 1" in wrong.stderr

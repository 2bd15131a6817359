"""Do the laboratory's commands say what their functions say, and refuse in words?"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from durability.cli import app

ROOT = Path(__file__).parents[2]
QUARRY = str(ROOT / "examples" / "quarry-cover")
GLUCOSE = str(ROOT / "tests" / "outside" / "data" / "serum_glucose.csv")


def run(*words: str):
    return CliRunner().invoke(app, list(words))


def test_retention_prints_sections_and_keeps_them_in_its_document():
    shown = run("retention", QUARRY, "--within", "1.1")
    assert shown.exit_code == 0
    assert "Machine and cross direction together" in shown.stdout
    assert "needed at 90 % assurance" in shown.stdout
    document = json.loads(run("retention", QUARRY, "--json", "--interval", "fieller").stdout)
    assert {"table", "statements", "sections"} == set(document)
    assert any("fieller" in s["assumptions"] for s in document["statements"])


def test_retention_refuses_what_no_strip_has():
    shown = run("retention", QUARRY, "--of", "elongation")
    assert shown.exit_code == 2 and "no strip has its elongation" in shown.stderr


def test_conformance_gives_a_verdict_in_words_and_as_records():
    shown = run("conformance", QUARRY, "--retained", "0.5", "--after", "1000 h")
    assert shown.exit_code == 0
    assert "undecided. Required at least 50 %" in shown.stdout
    assert "consumer's risk" in shown.stdout
    document = json.loads(
        run("conformance", QUARRY, "--strength", "8000 N/m", "--after", "1000 h", "--json").stdout
    )
    assert {c["required"] for c in document["conformance"]} == {8.0}


@pytest.mark.parametrize(
    "words, said",
    [
        (("--retained", "0.5", "--after", "900 h"), "withdrawals: "),
        (("--after", "600 h"), "give one requirement"),
        (("--retained", "0.5", "--after", "soon"), "no withdrawal"),
    ],
)
def test_conformance_refuses_in_words(words, said):
    shown = run("conformance", QUARRY, *words)
    assert shown.exit_code == 2 and said in shown.stderr


def test_interlaboratory_prints_the_practices_numbers():
    shown = run("interlaboratory", GLUCOSE)
    assert shown.exit_code == 0
    assert "h 2.15, k 2.06" in shown.stdout and "limits r 2.95, R 2.95" in shown.stdout
    assert run("interlaboratory", QUARRY).exit_code == 2


def test_figures_of_curves_and_strips_are_written(tmp_path):
    from durability.report.curves_figure import curve_pages
    from durability.report.strips_figure import retained_by_dose, strips_by_dose
    from durability.study import read_study

    curves = ROOT / "tests" / "outside" / "data" / "curves"
    (tmp_path / "study.toml").write_text(
        '[study]\ntitle = "c"\nproperty = "force"\nunit = "N"\nthresholds = [0.5]\n'
        '[data]\nspecimens = "s.csv"\ncurves = "curves"\n[exposures.X]\naxis = "cycles"\n'
        "[materials.A]\n",
        encoding="utf-8",
    )
    (tmp_path / "curves").mkdir()
    rows = ["material,exposure,dose [cycles],specimen,curve"]
    for k, file in enumerate(sorted(curves.glob("cycles*"))):
        (tmp_path / "curves" / file.name).write_bytes(file.read_bytes())
        rows.append(f"A,X,10,{k},{file.name}")
    (tmp_path / "s.csv").write_text("\n".join(rows), encoding="utf-8")
    (page,) = curve_pages(read_study(tmp_path))
    panels = [a for a in page.axes if a.get_visible()]
    assert len(panels) == 4 and all(a.lines for a in panels)
    assert panels[0].get_ylabel() == "force [N]"
    study = read_study(QUARRY)
    figure = strips_by_dose(study, "A", "X1")
    assert [a.get_ylabel() for a in figure.axes] == ["strength [kN/m]"] * 2
    marks = sum(line.get_xdata().size for a in figure.axes for line in a.lines
                if line.get_marker() in "os^")  # fmt: skip
    used = study.rows["used"].values & (study.rows["material"].values == "A")
    assert marks == used.sum()
    assert retained_by_dose(study).axes[0].get_ylabel() == "strength left [%]"

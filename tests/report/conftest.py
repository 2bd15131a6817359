"""The examples, fitted once with few draws, as results that tests may write and read."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

EXAMPLES = Path(__file__).parents[2] / "examples"
SITES = {
    "quarry-cover": ("miami",), "marine-fabrics": ("miami",), "uv-cycles": (),
    "five-hundred-hours": (),
}  # fmt: skip


@pytest.fixture(scope="session")
def few_draws():
    from durability import Sampler

    return Sampler(draws=1000, tune=300, chains=4)


@pytest.fixture(scope="session")
def example_results(few_draws):
    """Results of an example by name, computed when first asked."""
    from durability.report import fit_or_reuse, translations_of
    from durability.report.results import collect
    from durability.study import read_study

    made = {}

    def of(name: str):
        if name not in made:
            study = read_study(EXAMPLES / name)
            fitted, record, _ = fit_or_reuse(
                study, law="stretched-exponential", errors="lognormal", level=None, seed=1,
                sampler=few_draws, out=EXAMPLES / name / "nowhere", reuse=False,
            )  # fmt: skip
            made[name] = collect(fitted, *translations_of(fitted, SITES[name]), record)
        return made[name]

    return of


def reported(results, folder: Path) -> SimpleNamespace:
    """Results with their figures, page and Word document."""
    from durability.report.html import render_html
    from durability.report.pictures import pictures
    from durability.report.word import write_docx

    drawn = pictures(results)
    write_docx(results, folder / "report.docx", drawn=drawn)
    page = render_html(results, drawn=drawn)
    return SimpleNamespace(results=results, drawn=drawn, page=page, docx=folder / "report.docx")


def record_of(fitted):
    from durability.report.results import provenance

    return provenance(fitted.study, law=fitted.law, errors="lognormal", seed=1, settings={})


@pytest.fixture(scope="session")
def quarry(example_results, tmp_path_factory) -> SimpleNamespace:
    """Two materials, three lots, two directions, one site."""
    return reported(example_results("quarry-cover"), tmp_path_factory.mktemp("quarry"))


@pytest.fixture(scope="session")
def cycles(example_results, tmp_path_factory) -> SimpleNamespace:
    """Nothing was lost, no unexposed strips, an axis of its own."""
    return reported(example_results("uv-cycles"), tmp_path_factory.mktemp("cycles"))


@pytest.fixture(scope="session")
def marine(tmp_path_factory) -> SimpleNamespace:
    """A published table: summaries in percent, two exposures, a censored zero."""
    from durability.inference import fit
    from durability.report.results import collect
    from durability.study import read_study

    fitted = fit(read_study(EXAMPLES / "marine-fabrics"), seed=1)
    results = collect(fitted, [], [], record_of(fitted))
    return reported(results, tmp_path_factory.mktemp("marine"))


@pytest.fixture(scope="session")
def failed(example_results, tmp_path_factory) -> SimpleNamespace:
    """The same results with diagnostics that missed their limit."""
    from durability.report.results import collect

    fitted = example_results("uv-cycles").fit
    bad = replace(fitted, diagnostics=replace(fitted.diagnostics, rhat=1.7))
    return reported(collect(bad, [], [], record_of(bad)), tmp_path_factory.mktemp("failed"))


HOSTILE = "<script>alert(\"x\")</script> & 'A' $x_1$"


@pytest.fixture(scope="session")
def hostile(few_draws, tmp_path_factory) -> SimpleNamespace:
    """A study whose material, lot, exposure and title try to be markup."""
    from durability.inference import fit
    from durability.report.results import collect
    from durability.study import read_study

    folder = tmp_path_factory.mktemp("hostile")
    key = HOSTILE.replace("\\", "\\\\").replace('"', '\\"')
    (folder / "study.toml").write_text(
        f'[study]\ntitle = "{key}"\nproperty = "{key}"\nunit = "N"\nthresholds = [0.5]\n'
        f'laboratory = "{key}"\nsource = "{key}"\n[data]\nspecimens = "s.csv"\n'
        f'[exposures."{key}"]\naxis = "{key}"\n[materials."{key}"]\n[plan]\nstrips = 20\n',
        encoding="utf-8",
    )
    cell = '"' + HOSTILE.replace('"', '""') + '"'
    rows = ["material,lot,direction,exposure,dose,specimen,strength"]
    for dose, mean in ((0, 100), (10, 80), (20, 45), (30, 20)):
        rows += [
            f"{cell},{cell},machine,{cell},{dose},{n},{mean * (1 + 0.03 * (n - 3)):.2f}"
            for n in range(1, 6)
        ]
    (folder / "s.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    fitted = fit(read_study(folder), seed=1, sampler=few_draws)
    return reported(collect(fitted, [], [], record_of(fitted)), folder)

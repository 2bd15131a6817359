"""The examples, fitted once with few draws, as results that tests may write and read."""

from __future__ import annotations

from pathlib import Path

import pytest

EXAMPLES = Path(__file__).parents[2] / "examples"
SITES = {"quarry-cover": ("miami",), "marine-fabrics": ("miami",), "uv-cycles": ()}


@pytest.fixture(scope="session")
def few_draws():
    from durability import Sampler

    return Sampler(draws=400, tune=200, chains=4)


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

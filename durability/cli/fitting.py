"""At what dose is the threshold?"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from durability.cli.app import app, errors_in_words, keep, read_folder
from durability.cli.fitted import fitted, gate
from durability.cli.options import (
    Errors,
    File,
    Folder,
    Json,
    LawName,
    Level,
    Out,
    Quiet,
    Seed,
    model_options,
)
from durability.terminal import print_cautions, print_json, print_statements, title_of

if TYPE_CHECKING:
    from durability.inference import Fit
    from durability.study import Study


@app.command(epilog="Example:  durability fit examples/quarry-cover --law logistic --seed 1")
@model_options
def fit(
    study: Folder,
    law: LawName = None,
    errors: Errors = None,
    level: Level = None,
    seed: Seed = 0,
    out: Out = None,
    json: Json = False,
    quiet: Quiet = False,
    method: Annotated[
        str, typer.Option("--method", help="bayes, or likelihood: quick, keeps no results folder.")
    ] = "bayes",
    quick: Annotated[
        bool, typer.Option("--quick", help="Approximate, in a second; keeps no results folder.")
    ] = False,
) -> None:
    """Fit a degradation law and state the threshold doses."""
    with errors_in_words(json):
        if method not in ("bayes", "likelihood"):
            raise ValueError(f'method "{method}" is unknown; known: bayes, likelihood')
        read = read_folder(study)
        if method == "likelihood":
            _fit_by_likelihood(read, law, errors, level, out, json, quiet)
            return
        if quick:
            made, record = _quick(read, law, errors, level, seed), {"seed": seed}
        else:
            made, record = fitted(read, law, errors, level, seed, out, quiet)
        statements = made.statements()
        if json:
            print_json(
                {
                    "fit": {"law": made.law, "diagnostics": made.diagnostics.to_dict()},
                    "run": {k: record[k] for k in ("seed", "version", "key") if k in record},
                    "statements": statements.to_list(),
                }
            )
        else:
            print(repr(made), "\n")
            print_statements(statements)
            if not quiet:
                print_cautions(read.cautions)
        gate(made)


def _quick(
    study: Study, law: str | None, errors: str | None, level: float | None, seed: int
) -> Fit:
    from durability.inference import fit as run

    return run(study, method="quick", law=law, errors=errors, level=level, seed=seed)  # type: ignore[arg-type]


def _fit_by_likelihood(
    study: Study, law: str | None, errors: str | None, level: float | None, out: Path | None,
    json: bool, quiet: bool,
) -> None:  # fmt: skip
    from durability.inference.likelihood import WHY_PROFILE, fit_study

    made = fit_study(study, law=law, errors=errors, level=level)  # type: ignore[arg-type]
    statements = made.statements()
    document = {
        "fit": {"law": made.law.name, "method": "likelihood", "not_fitted": made.problems,
                "unsaid": made.unsaid()},
        "statements": statements.to_list(),
    }  # fmt: skip
    keep(document, out)
    if json:
        print_json(document)
        return
    print(repr(made), "\n")
    print_statements(statements)
    for line in made.unsaid():
        print(line)
    if not quiet:
        print(f"\n{WHY_PROFILE[0].upper()}{WHY_PROFILE[1:]}.")
        print_cautions(study.cautions)


@app.command(epilog="Example:  durability crossings examples/quarry-cover --fraction 0.8")
def crossings(
    study: Folder,
    family: Annotated[
        str,
        typer.Option(
            "--family",
            help="weibull, lognormal, loglogistic, exponential or generalised-gamma.",
        ),
    ] = "lognormal",
    unit: Annotated[
        str, typer.Option("--unit", help="strip: each strip counts; lot: the means of each lot.")
    ] = "strip",
    fraction: Annotated[
        float | None,
        typer.Option("--fraction", help="Of the unexposed strength; the study's if left out."),
    ] = None,
    figures: Annotated[
        Path | None, typer.Option("--figures", help="Folder for one picture a lot or material.")
    ] = None,
    level: Level = None,
    json: Json = False,
    quiet: Quiet = False,
    out: File = None,
) -> None:
    """Threshold doses from brackets alone: what still held, and what no longer did, at each dose.

    A check on `fit` that knows no degradation law.
    """
    with errors_in_words(json):
        from durability.inference.crossing import study_crossings

        read = read_folder(study)
        found = study_crossings(read, fraction=fraction, family=family, unit=unit, level=level)
        document = found.to_dict()
        keep(document, out)
        if figures is not None:
            from durability.report.crossing_figure import save_figures

            save_figures(found, read, figures)
        if json:
            print_json(document)
            return
        print(title_of(read.title, read.invented))
        print(found.headline(), "\n")
        print_statements(found.statements)
        if not quiet:
            for note in found.notes:
                print(f"note: {note}", file=sys.stderr)
            print_cautions(read.cautions)

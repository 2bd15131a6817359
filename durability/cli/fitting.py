"""At what dose is the threshold?"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from durability.cli.app import command, errors_in_words, keep
from durability.cli.fitted import fitted, gate
from durability.cli.options import Fitting, Folder, Level, Told, ToldInFolder
from durability.terminal import print_cautions, print_json, print_statements, title_of

if TYPE_CHECKING:
    from durability.inference import Fit
    from durability.study import Study


@command(epilog="Example:  durability fit examples/quarry-cover --law logistic --seed 1")
def fit(
    study: Folder,
    *,
    fitting: Fitting,
    method: Annotated[
        str, typer.Option("--method", help="bayes, or likelihood: quick, keeps no results folder.")
    ] = "bayes",
    quick: Annotated[
        bool, typer.Option("--quick", help="Approximate, in a second; keeps no results folder.")
    ] = False,
    told: ToldInFolder,
) -> None:
    """Fit a degradation law and state the threshold doses."""
    with errors_in_words(told.json):
        if method not in ("bayes", "likelihood"):
            raise ValueError(f'method "{method}" is unknown; known: bayes, likelihood')
        read = fitting.read(study)
        if method == "likelihood":
            _fit_by_likelihood(read, fitting, told)
            return
        if quick:
            made, record = _quick(read, fitting), {"seed": fitting.seed}
        else:
            made, record = fitted(read, fitting, told.out, told.quiet)
        statements = made.statements()
        if told.json:
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
            if not told.quiet:
                print_cautions(read.cautions)
        gate(made)


def _quick(study: Study, fitting: Fitting) -> Fit:
    from durability.inference import fit as run

    return run(study, method="quick", **fitting.asked())


def _fit_by_likelihood(study: Study, fitting: Fitting, told: Told) -> None:
    from durability.inference.likelihood import WHY_PROFILE, fit_study

    made = fit_study(
        study, law=fitting.law, errors=fitting.errors, level=fitting.level,  # type: ignore[arg-type]
    )  # fmt: skip
    statements = made.statements()
    document = {
        "fit": {"law": made.law.name, "method": "likelihood", "not_fitted": made.problems,
                "unsaid": made.unsaid()},
        "statements": statements.to_list(),
    }  # fmt: skip
    if told.document(document):
        return
    print(repr(made), "\n")
    print_statements(statements)
    for line in made.unsaid():
        print(line)
    if not told.quiet:
        print(f"\n{WHY_PROFILE[0].upper()}{WHY_PROFILE[1:]}.")
        print_cautions(study.cautions)


@command(epilog="Example:  durability crossings examples/quarry-cover --fraction 0.8")
def crossings(
    study: Folder,
    *,
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
    told: Told,
) -> None:
    """Threshold doses from brackets alone: what still held, and what no longer did, at each dose.

    A check on `fit` that knows no degradation law.
    """
    with errors_in_words(told.json):
        from durability.inference.crossing import study_crossings
        from durability.study import read_study

        read = read_study(study)
        found = study_crossings(read, fraction=fraction, family=family, unit=unit, level=level)
        document = found.to_dict()
        keep(document, told.out)
        if figures is not None:
            from durability.report.crossing_figure import save_figures

            save_figures(found, read, figures)
        if told.json:
            print_json(document)
            return
        print(title_of(read.title, read.invented))
        print(found.headline(), "\n")
        print_statements(found.statements)
        if not told.quiet:
            for note in found.notes:
                print(f"note: {note}", file=sys.stderr)
            print_cautions(read.cautions)

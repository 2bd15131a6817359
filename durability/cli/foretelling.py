"""Does a law foretell, and do answers hang on it or on the priors?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from durability.cli.app import command, errors_in_words, keep
from durability.cli.fitted import gate
from durability.cli.groups import without
from durability.cli.options import Fitting, Folder, Told
from durability.terminal import print_cautions, print_json, print_statements, progress

if TYPE_CHECKING:
    pass

Figures = Annotated[
    Path | None, typer.Option("--figures", help="Folder in which figures are drawn, .svg.")
]


@command(epilog="Example:  durability foretell examples/quarry-cover --law gompertz --seed 1")
def foretell(
    study: Folder,
    *,
    law: Annotated[
        list[str] | None,
        typer.Option("--law", help="A candidate law or law file; may be repeated."),
    ] = None,
    fitting: Annotated[Fitting, without("law")],
    figures: Figures = None,
    told: Told,
) -> None:
    """Check laws against the strips, hide the last dose, and average the laws by how they foretell.

    The strips of each dose stand beside strips drawn again from the law with the largest weight;
    strips that lie out of the scatter are named, and what they do to threshold doses is said.
    """
    with errors_in_words(told.json):
        from durability.inference.averaging import average_laws
        from durability.inference.checking import contamination, last_dose_check, predictive_check

        read = fitting.read(study)
        with progress(told.quiet) as tell:
            mixed = average_laws(
                read, laws=law, errors=fitting.errors, level=fitting.level, seed=fitting.seed,  # type: ignore[arg-type]
                progress=tell,
            )  # fmt: skip
            best = mixed.fits[int(mixed.weights.argmax())]
            tell("drawing strips again", 0.9)
            check = predictive_check(best)
            tell("looking for outlying strips", 0.92)
            outlying = contamination(best)
            lasts = []
            for one in mixed.fits:
                tell(f"hiding the last dose from {one.law}", 0.95)
                lasts.append(last_dose_check(one))
        statements = mixed.statements().where(quantity="threshold_dose")
        document = {
            "predictive_check": check.to_dict(),
            "outlying_strips": outlying.to_dict(),
            "last_dose_hidden": [c.to_dict() for c in lasts],
            **mixed.to_document(),
            "statements": statements.to_list(),
        }
        keep(document, told.out)
        if figures is not None:
            from durability.report import checks_figure as draw

            wanted = {"groups-mean": draw.predictive_figure(check, "mean"),
                      "laws-averaged": draw.average_figure(mixed)}  # fmt: skip
            if any(c.rows for c in lasts):
                wanted["last-dose-hidden"] = draw.last_dose_figure(lasts)
            draw.save_checks(wanted, figures)
        if told.json:
            print_json(document)
        else:
            from durability.terminal_laws import (
                print_average,
                print_contamination,
                print_last_doses,
                print_predictive,
            )

            print_predictive(check)
            print_contamination(outlying)
            print_last_doses(lasts)
            print_average(mixed)
            print()
            print_statements(statements)
            if not told.quiet:
                print_cautions(read.cautions)
        gate(mixed)


@command(epilog="Example:  durability priors examples/quarry-cover --figures checks")
def priors(
    study: Folder,
    *,
    fitting: Fitting,
    figures: Figures = None,
    told: Told,
) -> None:
    """Show what is believed before the strips, after them, and which answers hang on it.

    With --prior-from the study is fitted with what earlier ones taught, and its weight is stated.
    """
    with errors_in_words(told.json):
        from durability.inference import fit as fit_study
        from durability.inference.checking import (
            prior_predictive,
            sensitivity,
            weights_of,
        )
        from durability.inference.checking.earlier import bank_named, one_law, prior_place

        read = fitting.read(study)
        place, used = prior_place(read), one_law(read, fitting.law)
        bank = None
        with progress(told.quiet) as tell:
            if place is not None and place.is_dir():
                tell("fitting the earlier studies", 0.1)
                errors = fitting.errors or read.choices.errors
                bank = bank_named(read, used, errors, seed=fitting.seed)  # type: ignore[arg-type]
            tell("fitting", 0.5)
            made = fit_study(read, **fitting.asked(used))
            tell("asking the priors", 0.8)
            belief = prior_predictive(made)
            found = sensitivity(made)
        taught, weights = made.model.taught, weights_of(made)
        statements = made.statements().where(quantity="threshold_dose")
        document = {
            "priors": belief.to_dict(),
            "sensitivity": found.to_dict(),
            "model": made.model.equation(),
            "earlier": None if taught is None else taught.earlier | {
                "power": taught.power, "weights": [w.to_dict() for w in weights],
                "words": taught.words},
            "bank": None if bank is None else bank.to_dict(),
            "statements": statements.to_list(),
        }  # fmt: skip
        keep(document, told.out)
        if figures is not None:
            from durability.report.checks_figure import prior_figure, save_checks

            save_checks({"priors": prior_figure(belief)}, figures)
        if told.json:
            print_json(document)
        else:
            from durability.terminal_laws import print_priors, print_sensitivity

            if bank is not None:
                print(bank, "\n")
            elif taught is not None:
                print(f"{taught.words[:1].upper()}{taught.words[1:]}.\n")
            print_priors(belief)
            print_sensitivity(found, weights)
            print()
            print_statements(statements)
            if not told.quiet:
                print_cautions(read.cautions)
        gate(made)

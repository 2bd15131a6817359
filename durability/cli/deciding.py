"""Which package is to be taken?"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated, cast

import typer

from durability.cli.app import app, errors_in_words, read_folder
from durability.cli.fitted import fitted, gate
from durability.cli.options import (
    Errors,
    Folder,
    Json,
    LawName,
    Level,
    Out,
    Quiet,
    Seed,
    model_options,
)
from durability.terminal import print_cautions, print_json, progress, title_of
from durability.terminal_decisions import print_comparison

if TYPE_CHECKING:
    from durability.statement import Subject

Of = Annotated[
    str | None,
    typer.Option("--of", help="mean, new_lot or single_specimen; the study's if left out."),
]
Assurance = Annotated[
    float | None,
    typer.Option("--assurance", help="Probability that a verdict needs; the study's if left out."),
]
Fraction = Annotated[
    float | None, typer.Option("--fraction", help="Of the unexposed strength; the study's first.")
]


@app.command(epilog="Example:  durability compare examples/quarry-cover --control B --margin 1.2")
@model_options
def compare(
    study: Folder,
    control: Annotated[
        str | None,
        typer.Option("--control", help="Package compared with; the study's if left out."),
    ] = None,
    margin: Annotated[
        float | None,
        typer.Option("--margin", help="A ratio worth having, above 1; within it they are alike."),
    ] = None,
    fraction: Fraction = None,
    of: Of = None,
    assurance: Assurance = None,
    site: Annotated[
        str | None, typer.Option("--site", help="For the price of a day in the open.")
    ] = None,
    law: LawName = None,
    errors: Errors = None,
    level: Level = None,
    seed: Seed = 0,
    out: Out = None,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Which package lasts longer, by how much, how sure, and at what price."""
    with errors_in_words(json):
        from durability.decisions import compare_packages
        from durability.report import check_sites, translations_of

        read = read_folder(study)
        if site is not None:
            check_sites([site])
        made, _ = fitted(read, law, errors, level, seed, out, quiet)
        gate(made)
        there = None
        if site is not None:
            with progress(quiet) as tell:
                done, refused = translations_of(made, [site], progress=tell)
            there = done[0] if done else None
            for reason in refused:
                print(f"not translated: {reason}", file=sys.stderr)
        found = compare_packages(
            made, control, margin=margin, fraction=fraction, of=_subject(of), assurance=assurance,
            level=level, translation=there,
        )  # fmt: skip
        if json:
            print_json(found.to_dict())
            return
        print(title_of(read.title, read.invented))
        print_comparison(found)
        if not quiet:
            print_cautions(read.cautions)


def _subject(of: str | None) -> Subject | None:
    from durability.statement import SUBJECTS

    if of is not None and of not in SUBJECTS:
        raise ValueError(f'of "{of}" is unknown; known: {", ".join(SUBJECTS)}')
    return cast("Subject | None", of)


__all__ = ["compare"]

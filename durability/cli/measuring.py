"""What makes the days uncertain, and what should be measured next?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from durability.cli.app import app, errors_in_words
from durability.cli.covering import Of, Required, _fit, _give, _subject
from durability.cli.lying import Lying, lies_open
from durability.cli.options import (
    Errors,
    File,
    Folder,
    Json,
    LawName,
    Level,
    Quiet,
    Seed,
    Sites,
    model_options,
)
from durability.terminal import print_table


@app.command(name="measure-next", epilog="Example:  durability measure-next STUDY --site miami")
@model_options
@lies_open()
def measure_next(
    study: Folder,
    site: Sites = None,
    material: Annotated[
        str | None, typer.Option("--material", help="The first if left out.")
    ] = None,
    required: Required = None,
    of: Of = None,
    figure: Annotated[
        Path | None,
        typer.Option("--figure", help="Draw the shares of the first site here: .png or .svg."),
    ] = None,
    *,
    lying: Lying,
    law: LawName = None,
    errors: Errors = None,
    level: Level = None,
    seed: Seed = 0,
    out: File = None,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Shares of the uncertainty of days at a site, and what measurement would shrink it most."""
    with errors_in_words(json):
        from durability.translation.measure_next import measure_next as budget

        subject = _subject(of)
        made, asked = _fit(study, site, law, errors, level, seed, quiet, lying)
        done = [
            budget(
                made,
                site=s,
                material=material,
                of=subject,
                fraction=required,
                level=level,
                **lying.where(),
            )
            for s in asked
        ]
        if figure is not None:
            from durability.report.law_figure import save_picture
            from durability.report.measure_next_figure import measure_next_figure

            save_picture(measure_next_figure(done[0]), figure)
        _give({"sites": [d.to_dict() for d in done]}, out, json)
        if not json:
            for d in done:
                heads = ["what is uncertain", "alone", "with all else", "factor if known"]
                print_table(heads, [list(r) for r in d.rows()])
                print(f"\n{d.sentence()}\n")

"""What makes the days uncertain, and what should be measured next?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from durability.cli.app import command, errors_in_words
from durability.cli.fitted import fitted_there
from durability.cli.groups import without
from durability.cli.lying import Lying
from durability.cli.options import Asked, Fitting, Folder, Material, Told, subject_named
from durability.terminal import print_table


@command(name="measure-next", epilog="Example:  durability measure-next STUDY --site miami")
def measure_next(
    study: Folder,
    *,
    material: Material = None,
    figure: Annotated[
        Path | None,
        typer.Option("--figure", help="Draw the shares of the first site here: .png or .svg."),
    ] = None,
    asked: Annotated[Asked, without("assurance", "share")],
    lying: Lying,
    fitting: Fitting,
    told: Told,
) -> None:
    """Shares of the uncertainty of days at a site, and what measurement would shrink it most."""
    with errors_in_words(told.json):
        from durability.translation.measure_next import measure_next as budget

        subject = subject_named(asked.of)
        made, places = fitted_there(study, fitting, lying, told)
        done = [
            budget(
                made,
                site=s,
                material=material,
                of=subject,
                fraction=asked.required,
                level=fitting.level,
            )
            for s in places
        ]
        if figure is not None:
            from durability.report.law_figure import save_picture
            from durability.report.measure_next_figure import measure_next_figure

            save_picture(measure_next_figure(done[0]), figure)
        if not told.document({"sites": [d.to_dict() for d in done]}):
            for d in done:
                heads = ["what is uncertain", "alone", "with all else", "factor if known"]
                print_table(heads, [list(r) for r in d.rows()])
                print(f"\n{d.sentence()}\n")

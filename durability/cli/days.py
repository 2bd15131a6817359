"""How long is that at a site?"""

from __future__ import annotations

import sys
from pathlib import Path
from textwrap import fill
from typing import Annotated

import typer

from durability.cli.app import BAD_INPUT, command, errors_in_words
from durability.cli.fitted import fitted_there
from durability.cli.lying import Lying
from durability.cli.options import Fitting, Folder, Level, Told, ToldInFolder
from durability.terminal import (
    print_cautions,
    print_cover,
    print_json,
    print_records,
    print_table,
    progress,
)


@command(epilog="Example:  durability sites show miami")
def sites(
    name: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="show NAME", help="A site or a weather file; all sites if left out."
        ),
    ] = None,
    *,
    level: Level = None,
    told: Told,
) -> None:
    """List the sites with weather; show one: source, ultraviolet by band, temperatures, timing."""
    with errors_in_words(told.json):
        words = list(name or ())
        asked = words[1:] if words[:1] == ["show"] else words
        if not asked:
            if words:
                raise ValueError("name the site to show: durability sites show miami")
            from durability.exposure import sites as listed

            records = listed()
            if not told.document(records):
                print_records(records)
            return
        from durability.translation.site_page import site_page

        pages = [site_page(one, level=level or 0.95) for one in asked]
        document = {"sites": [p.to_dict() for p in pages]}
        if told.document(document):
            return
        for page in pages:
            for label, text in page.rows():
                print(fill(f"{label:<36} {text}", 98, subsequent_indent=" " * 37))
            print()
            print_table(*page.table())
            if not told.quiet:
                print_cautions(page.cautions)
            print()


@command(epilog="Example:  durability translate examples/quarry-cover --site miami")
def translate(
    study: Folder,
    *,
    lying: Lying,
    fitting: Fitting,
    told: ToldInFolder,
) -> None:
    """Read the threshold doses as days at a site, by month of laying, with the budget."""
    with errors_in_words(told.json):
        from durability.decisions import cover_statements
        from durability.report.results import budget_records
        from durability.statement import Statements
        from durability.translation import Translation, TranslationRefused
        from durability.translation import translate as translated

        made, places = fitted_there(study, fitting, lying, told, told.out)
        done: list[Translation] = []
        refused: list[str] = []
        with progress(told.quiet) as tell:
            for place in places:
                try:
                    done.append(translated(made, site=place, progress=tell))
                except TranslationRefused as reason:
                    refused.append(f"{Path(place).name}: {reason}")
        statements = Statements(
            s for t in done for s in cover_statements(t, made, level=fitting.level)
        )
        if told.json:
            print_json(
                {
                    "statements": statements.to_list(),
                    "budgets": [b for t in done for b in budget_records(t)],
                    "not_translated": refused,
                }
            )
        else:
            for t in done:
                print_cover(t, statements.where(site=t.site, of=made.study.question.of))
            for reason in refused:
                print(f"not translated: {reason}", file=sys.stderr)
        if refused and not done:
            raise typer.Exit(BAD_INPUT)

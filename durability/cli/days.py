"""How long is that at a site?"""

from __future__ import annotations

import sys

import typer

from durability.cli.app import BAD_INPUT, app, errors_in_words, read_folder, show
from durability.cli.fitted import fitted, gate, sites_asked
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
    Sites,
)
from durability.terminal import print_cover, print_json, progress


@app.command(epilog="Example:  durability sites --json")
def sites(json: Json = False, quiet: Quiet = False, out: File = None) -> None:
    """List the sites with weather, with their sources."""
    with errors_in_words(json):
        from durability.exposure import sites as listed

        show(listed(), json, out)


@app.command(epilog="Example:  durability translate examples/quarry-cover --site miami")
def translate(
    study: Folder,
    site: Sites = None,
    law: LawName = None,
    errors: Errors = "lognormal",
    level: Level = None,
    seed: Seed = 0,
    out: Out = None,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Read the threshold doses as days at a site, by month of laying, with the budget."""
    with errors_in_words(json):
        from durability.decisions import cover_statements
        from durability.report import translations_of
        from durability.report.results import budget_records
        from durability.statement import Statements

        read = read_folder(study)
        asked = sites_asked(read, site)
        made, _ = fitted(read, law, errors, level, seed, out, quiet)
        gate(made)
        with progress(quiet) as tell:
            done, refused = translations_of(made, asked, progress=tell)
        statements = Statements(s for t in done for s in cover_statements(t, made, level=level))
        if json:
            print_json(
                {
                    "statements": statements.to_list(),
                    "budgets": [b for t in done for b in budget_records(t)],
                    "not_translated": refused,
                }
            )
        else:
            for t in done:
                print_cover(t, statements.where(site=t.site, of=read.question.of))
            for reason in refused:
                print(f"not translated: {reason}", file=sys.stderr)
        if refused and not done:
            raise typer.Exit(BAD_INPUT)

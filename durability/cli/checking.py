"""What is wrong with a study, and what is unwise?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from durability.cli.app import BAD_INPUT, command, errors_in_words
from durability.cli.options import Folder, Told
from durability.terminal import by_file, count, print_cautions, print_problems


@command(epilog="Example:  durability check examples/quarry-cover --marked marked.xlsx")
def check(
    study: Folder,
    *,
    marked: Annotated[
        Path | None,
        typer.Option("--marked", help="Also write a spreadsheet copy with every finding marked."),
    ] = None,
    told: Told,
) -> None:
    """Read a study folder and report every problem and caution at once."""
    with errors_in_words(told.json):
        from durability.retention.readiness import findings_of

        problems, cautions = findings_of(study)
        if marked is not None:
            from durability.study import write_marked

            write_marked(study, marked, problems, cautions)
        document = {
            "problems": [p.to_dict() for p in problems],
            "cautions": [c.to_dict() for c in cautions],
        }
        if not told.document(document):
            print_problems(problems)
            if not told.quiet:
                print_cautions([c for mine in by_file(cautions).values() for c in mine])
            if not problems:
                print(f"{study}: no problems, {count(len(cautions), 'caution')}")
            if marked is not None:
                print(f"Marked copy: {marked}")
        if problems:
            raise typer.Exit(BAD_INPUT)

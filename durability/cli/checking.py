"""What is wrong with a study, and what is unwise?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from durability.cli.app import BAD_INPUT, app, errors_in_words, keep, read_folder
from durability.cli.options import File, Folder, Json, Quiet
from durability.terminal import by_file, count, print_cautions, print_json, print_problems

if TYPE_CHECKING:
    from durability.study import Caution, Problem


@app.command(epilog="Example:  durability check examples/quarry-cover --marked marked.xlsx")
def check(
    study: Folder,
    json: Json = False,
    quiet: Quiet = False,
    out: File = None,
    marked: Annotated[
        Path | None,
        typer.Option("--marked", help="Also write a spreadsheet copy with every finding marked."),
    ] = None,
) -> None:
    """Read a study folder and report every problem and caution at once."""
    with errors_in_words(json):
        problems, cautions = _checked(study)
        if marked is not None:
            from durability.study import write_marked

            write_marked(study, marked, problems, cautions)
        document = {
            "problems": [p.to_dict() for p in problems],
            "cautions": [c.to_dict() for c in cautions],
        }
        keep(document, out)
        if json:
            print_json(document)
        else:
            print_problems(problems)
            if not quiet:
                print_cautions([c for mine in by_file(cautions).values() for c in mine])
            if not problems:
                print(f"{study}: no problems, {count(len(cautions), 'caution')}")
            if marked is not None:
                print(f"Marked copy: {marked}")
        if problems:
            raise typer.Exit(BAD_INPUT)


def _checked(folder: Path) -> tuple[list[Problem], list[Caution]]:
    """Problems and cautions of the folder, those of its lamps, records and curves included."""
    from durability.exposure import delivery_cautions, departure_cautions, with_doses
    from durability.retention import with_strength
    from durability.study import StudyError, check_study

    try:
        read = read_folder(folder)
    except StudyError:
        return check_study(folder)
    problems: list[Problem] = []
    for fill in (with_strength, with_doses):
        try:
            read = fill(read)
        except StudyError as error:
            problems += error.problems
    if problems:
        return problems, list(read.cautions)
    return [], [*read.cautions, *delivery_cautions(read), *departure_cautions(read)]

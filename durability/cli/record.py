"""Does it repeat, what changed, and how does a referee get it?

Exit status of `verify`: 0 the same, 1 different, 2 not to be repeated.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from durability.cli.app import BAD_INPUT, command, errors_in_words
from durability.cli.groups import without
from durability.cli.options import Told
from durability.terminal import print_json, print_table, progress

DIFFERENT = 1
MOST_SHOWN = 40

Kept = Annotated[
    Path, typer.Argument(help="Results folder, the study folder that holds it, or its archive.")
]
StudyFolder = Annotated[
    Path | None, typer.Option("--study", help="Study folder, where the results do not lie in it.")
]
Files = Annotated[
    list[Path] | None,
    typer.Option("--with", help="A law or weather file from elsewhere that the run used."),
]


@command(epilog="Example:  durability verify examples/quarry-cover/results")
def verify(
    results: Kept,
    *,
    study: StudyFolder = None,
    files: Files = None,
    told: Told,
) -> None:
    """Repeat a run from the same inputs and say whether the same comes out, and where not."""
    with errors_in_words(told.json):
        from durability.report.verify import verify as run

        with progress(told.quiet) as tell:
            found = run(results, study=study, files=files or (), progress=tell)
        if not told.document(found.to_dict()):
            print(found.sentence())
            _print(["compared", "outcome", "where"], [list(r) for r in found.rows()], told.quiet)
        if found.verdict == "cannot be repeated":
            raise typer.Exit(BAD_INPUT)
        if found.verdict == "different":
            raise typer.Exit(DIFFERENT)


@command(epilog="Example:  durability diff march/results april/results")
def diff(
    before: Kept,
    *,
    after: Kept,
    told: Told,
) -> None:
    """Say what changed between two results, and why: data, model files, versions, settings."""
    with errors_in_words(told.json):
        from durability.report.difference import compare_results

        found = compare_results(before, after)
        if told.document(found.to_dict()):
            return
        print(found.headline())
        causes = [[c.kind, c.name, c.text] for c in found.causes]
        _print(["what differs", "where", "how"], causes, told.quiet)
        moved = [[m.kind, m.id, m.words()] for m in found.moved]
        _print(["statement", "name", "what happened"], moved, told.quiet)


@command(epilog="Example:  durability pack examples/quarry-cover --out quarry.zip")
def pack(
    results: Kept,
    *,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="The .zip to write; NAME-archive.zip in the study if left out."),
    ] = None,
    study: StudyFolder = None,
    files: Files = None,
    told: Annotated[Told, without("out")],
) -> None:
    """Put results, inputs and model files into one archive that a referee can verify."""
    with errors_in_words(told.json):
        from durability.report.archive import pack as run

        made = run(results, out, study=study, files=files or ())
        size = made.stat().st_size
        if told.json:
            print_json({"archive": str(made), "bytes": size})
            return
        print(f"Archive: {made} ({size / 1e6:.1f} MB)")
        if not told.quiet:
            print(f"Whoever receives it repeats the run with:  durability verify {made.name}")


def _print(head: list[str], rows: list[list[str]], quiet: bool) -> None:
    if not rows or quiet:
        return
    print()
    print_table(head, rows[:MOST_SHOWN])
    if len(rows) > MOST_SHOWN:
        print(f"… and {len(rows) - MOST_SHOWN} more; --json or --out has them all")
